"""All that a bow is seen against: wall, floor and board with their ruling and marks, loose things, the room's light."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from training import textures
from training.canvas import Canvas, ribbon, wobble

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

BOARDS = ("paint", "plywood", "chips", "paint", "plywood", "chips", "siding", "stucco", "blotches", "weave")
WALLS = (
    "paint",
    "paint",
    "brick",
    "siding",
    "siding",
    "foliage",
    "grass",
    "gravel",
    "stucco",
    "blotches",
    "stripes",
    "weave",
)


def _texture_scale(canvas: Canvas) -> float:
    """Texels per inch so that a texel is about a pixel, within a factor of two or so."""
    return canvas.ppi * float(np.exp(canvas.rng.uniform(np.log(0.45), np.log(1.1))))


def background(canvas: Canvas) -> Floats:
    """Wall, floor and board; returns the board's mean colour (3,)."""
    rng, scene = canvas.rng, canvas.scene
    small_turn = rng.normal(0, 0.03) + rng.choice([0, np.pi / 2])
    tile = canvas.bank.get(str(rng.choice(WALLS)))
    canvas.colour[:] = canvas.lay(tile, _texture_scale(canvas), small_turn, rng.uniform(0, textures.TILE, 2))
    x, y = canvas.plane[..., 0] - scene.place[0], canvas.plane[..., 1] - scene.place[1]
    if rng.random() < 0.45:  # floor, bench, or sky line
        level = -rng.uniform(5, 60) if rng.random() < 0.75 else rng.uniform(5, 50)
        lean = rng.normal(0, 0.02)
        part = np.clip((level - y - lean * x) * canvas.ppi * np.sign(-level) + 0.5, 0, 1)[..., None]
        floor = canvas.lay(
            canvas.bank.any(), _texture_scale(canvas), rng.uniform(0, 3), rng.uniform(0, 700, 2)
        )
        canvas.colour += (floor * rng.uniform(0.5, 1.1) - canvas.colour) * part
    for _ in range(rng.integers(0, 5)):  # doors, windows, cupboards, shelves, other boards, skirting
        cx, cy = rng.normal(0, 50, 2)
        half = np.exp(rng.uniform(np.log(2), np.log(40), 2)) * (
            np.array([0.1, 1.5]) if rng.random() < 0.3 else 1
        )
        edge = np.minimum(half[0] - np.abs(x - cx), half[1] - np.abs(y - cy)) * canvas.ppi
        part = np.clip(edge + 0.5, 0, 1)[..., None]
        if rng.random() < 0.5:
            fill = canvas.lay(
                canvas.bank.any(), _texture_scale(canvas), rng.uniform(0, 3), rng.uniform(0, 700, 2)
            )
        else:
            fill = textures.any_colour(rng)
        canvas.colour += (fill - canvas.colour) * part
        if rng.random() < 0.4:
            rim = np.clip(1.5 + rng.uniform(0, 4) - np.abs(edge), 0, 1)[..., None]
            canvas.colour += (textures.any_colour(rng) - canvas.colour) * rim
    if scene.has_board:
        half = np.array([rng.uniform(30, 90), rng.uniform(15, 60)])
        if rng.random() < 0.15:
            half *= rng.uniform(0.3, 0.8)
        cx, cy = rng.normal(0, 5), rng.normal(-5, 8)
        turn = rng.normal(0, 0.015)
        bx, by = x - cx + turn * y, y - cy - turn * x
        edge = np.minimum(half[0] - np.abs(bx), half[1] - np.abs(by)) * canvas.ppi
        part = np.clip(edge + 0.5, 0, 1)[..., None]
        if rng.random() < 0.6:  # the board's own shadow on the wall
            canvas.colour *= (
                1 - 0.35 * rng.random() * np.exp(-np.clip(-edge, 0, None) / rng.uniform(2, 20))[..., None]
            )
        fill = canvas.lay(
            canvas.bank.get(str(rng.choice(BOARDS))),
            _texture_scale(canvas),
            rng.choice([0, np.pi / 2]),
            rng.uniform(0, 700, 2),
        )
        board_colour = fill[::16, ::16].mean((0, 1))
        lines = _ruling(canvas, bx, by)
        if lines is not None:
            cover, ink = lines
            fill = fill + (ink - fill) * cover[..., None]
        canvas.colour += (fill - canvas.colour) * part
    else:
        board_colour = canvas.colour[::16, ::16].mean((0, 1))
        if rng.random() < 0.5:
            _foliage_patches(canvas)
    return board_colour.astype(np.float32)


def _ruling(canvas: Canvas, bx: Floats, by: Floats) -> tuple[Floats, Floats] | None:
    """Ruled lines on the board: coverage (h, w) and ink (3,)."""
    rng = canvas.rng
    kind = rng.choice(["none", "grid", "lines"], p=[0.4, 0.42, 0.18])
    if kind == "none":
        return None
    spacing = float(rng.choice([0.5, 0.75, 1, 1, 2, 2, 3, 4, 6, 8]))
    if spacing * canvas.ppi < 3:
        return None
    half = rng.uniform(0.5, 5) / 2 / 16 * (1 if rng.random() < 0.5 else 2)
    half = min(half, spacing / 5)
    cover = np.zeros(bx.shape, np.float32)
    for k, axis in enumerate((by, bx)):
        if kind == "lines" and k == 1:
            break
        d = np.abs((axis / spacing + rng.random()) % 1.0 - 0.5) * spacing
        line = np.clip((half - d) * canvas.ppi + 0.5, 0, min(1.0, 2 * half * canvas.ppi))
        cover = np.maximum(cover, line)
    ink = np.full(3, rng.uniform(0.05, 0.5), np.float32) if rng.random() < 0.7 else textures.any_colour(rng)
    return cover * rng.uniform(0.3, 1.0), ink


def _foliage_patches(canvas: Canvas) -> None:
    rng = canvas.rng
    field = cv2.resize(textures.fractal(rng, rng.uniform(2, 6), 4, (192, 256)), (canvas.w, canvas.h))
    sharp = rng.uniform(4, 30)
    part = np.clip((field - rng.uniform(0.2, 1.6)) * sharp, 0, 1)[..., None]
    leaves = canvas.lay(
        canvas.bank.get(str(rng.choice(["foliage", "grass"]))),
        _texture_scale(canvas),
        0.0,
        rng.uniform(0, 700, 2),
    )
    canvas.colour += (leaves * rng.uniform(0.5, 1.2) - canvas.colour) * part


def marks(canvas: Canvas) -> None:
    """Printed tags, dots, tapes with ticks on the board."""
    rng, scene = canvas.rng, canvas.scene

    def flat(p: Array) -> Array:
        return canvas.pixels(np.concatenate([p + scene.place[:2], np.zeros((len(p), 1))], 1))

    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1.0]])
    if rng.random() < 0.25:
        side = rng.uniform(0.6, 2.5)
        for cx, cy in np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * rng.uniform(8, 30, 2):
            at = np.array([cx, cy])
            canvas.paint([flat(square * side * 1.35 + at)], np.float32([0.9, 0.9, 0.88]))
            canvas.paint([flat(square * side + at)], np.float32([0.08, 0.08, 0.08]))
            cells = rng.random((4, 4)) < 0.5
            white = [
                flat(square * side / 6 + at + (np.array([i, j]) - 1.5) * side / 3)
                for i in range(4)
                for j in range(4)
                if cells[i, j]
            ]
            for w in white:
                canvas.paint([w], np.float32([0.9, 0.9, 0.88]))
    if rng.random() < 0.3:
        ring = np.stack([np.cos(np.linspace(0, 6.28, 13)), np.sin(np.linspace(0, 6.28, 13))], 1)
        ink = textures.any_colour(rng) * 0.6
        for _ in range(rng.integers(1, 8)):
            canvas.paint([flat(ring * rng.uniform(0.1, 0.5) + rng.uniform(-35, 35, 2))], ink)
    if rng.random() < 0.3:
        long, half = rng.uniform(10, 60), rng.uniform(0.2, 0.6)
        turn = rng.normal(0, 0.06) + (np.pi / 2 if rng.random() < 0.25 else 0)
        axis = np.array([np.cos(turn), np.sin(turn)])
        across = np.array([-axis[1], axis[0]])
        start = rng.uniform(-25, 25, 2) - axis * long / 2 + across * rng.uniform(-15, 15)
        colour = np.float32([0.95, 0.82, 0.15]) if rng.random() < 0.7 else textures.any_colour(rng)
        box = np.array(
            [
                start - across * half,
                start + axis * long - across * half,
                start + axis * long + across * half,
                start + across * half,
            ]
        )
        canvas.paint([flat(box)], colour)
        step = float(rng.choice([0.25, 0.5, 1.0]))
        if step * canvas.ppi > 2.5:
            ticks = []
            for k in range(int(long / step)):
                p = start + axis * k * step - across * half
                d = across * half * (1.0 if k % 4 == 0 else 0.5)
                t = axis * 0.035
                ticks.append(flat(np.array([p - t, p + t, p + t + d, p - t + d])))
            for t in ticks:
                canvas.paint([t], np.float32([0.1, 0.1, 0.1]))


def clutter(canvas: Canvas, count: int, front: bool) -> None:
    """Loose things of every colour, among them rods and branches that could pass for half a limb."""
    rng, scene = canvas.rng, canvas.scene
    middle = canvas.scene.camera.on_plane(np.array([canvas.x0 + canvas.w / 2, canvas.y0 + canvas.h / 2]))
    view = np.array([canvas.w, canvas.h]) / canvas.ppi / 2
    for _ in range(count):
        at = middle + rng.uniform(-1.1, 1.1, 2) * view
        turn = rng.uniform(0, 2 * np.pi) if rng.random() < 0.7 else rng.normal(0, 0.1)
        axis = np.array([np.cos(turn), np.sin(turn)])
        kind = rng.choice(["block", "rod", "branch", "cable", "disc"], p=[0.3, 0.27, 0.17, 0.14, 0.12])
        z = rng.uniform(0, 3)
        colour = textures.wood_colour(rng) if rng.random() < 0.5 else textures.any_colour(rng)
        polygons: list[tuple[Array, Floats]] = []
        if kind == "block":
            long, wide = np.exp(rng.uniform(np.log(0.8), np.log(9), 2))
            box = np.array([[-long, -wide], [long, -wide], [long, wide], [-long, wide]]) / 2
            R = np.array([[axis[0], -axis[1]], [axis[1], axis[0]]])
            face = box @ R.T + at
            off = rng.normal(0, 0.5, 2) * min(long, wide)
            polygons = [
                (
                    cv2.convexHull(np.concatenate([face, face + off]).astype(np.float32))[:, 0].astype(float),
                    colour * 0.65,
                )
            ]
            polygons.append((face, colour))
        elif kind in ("rod", "branch", "cable"):
            long = np.exp(rng.uniform(np.log(5), np.log(50)))
            half = rng.uniform(0.08, 0.7) if kind != "cable" else rng.uniform(0.04, 0.2)
            u = np.linspace(-0.5, 0.5, 60)
            bend = {"rod": 0.0, "branch": rng.normal(0, 0.25), "cable": rng.normal(0, 0.6)}[str(kind)]
            side = bend * long * (u**2) * 2
            if kind != "rod":
                side = side + wobble(rng, 60, 9) * long * (0.008 if kind == "branch" else 0.06)
            line = at + np.outer(u * long, axis) + np.outer(side, [-axis[1], axis[0]])
            widths = half * np.linspace(1, rng.uniform(0.3, 1.0), 60)
            sub = np.sign(rng.normal())
            polygons = [(ribbon(line, widths), colour)]
            if rng.random() < 0.7:
                part = rng.uniform(0.15, 0.5)
                n = np.gradient(line, axis=0)
                n = np.stack([-n[:, 1], n[:, 0]], 1) / np.maximum(
                    np.linalg.norm(n, axis=1, keepdims=True), 1e-9
                )
                polygons.append(
                    (
                        ribbon(line + sub * n * (widths * (1 - part))[:, None], widths * part),
                        colour * rng.uniform(0.55, 1.5),
                    )
                )
        else:
            a = np.linspace(0, 6.28, 30)
            r = np.exp(rng.uniform(np.log(0.5), np.log(5)))
            polygons = [(at + r * np.stack([np.cos(a), rng.uniform(0.6, 1) * np.sin(a)], 1), colour)]
            if rng.random() < 0.6:
                polygons.append(
                    ((polygons[0][0] - at) * rng.uniform(0.5, 0.9) + at, textures.any_colour(rng))
                )
        world = [np.concatenate([p, np.full((len(p), 1), z)], 1) for p, _ in polygons]
        if not front and rng.random() < 0.8:
            blur = {"soft": 8.0, "window": 4.0, "sun": 0.6, "flash": 0.6}[scene.light]
            cast = canvas.pixels(scene.shade_point(world[0]))
            canvas.darken(canvas.mask([cast], blur), rng.uniform(0.15, 0.7), np.ones(3, np.float32))
        tile = (
            canvas.bank.get(str(rng.choice(["plywood", "paint", "blotches", "weave", "stucco"])))
            if rng.random() < 0.4
            else None
        )
        for p, (_, shade) in zip(world, polygons, strict=True):
            canvas.paint([canvas.pixels(p)], np.clip(shade, 0, 1).astype(np.float32), tile, turn)


def room_light(canvas: Canvas) -> None:
    """Gradients, vignette, patches of sun and shade over everything drawn so far."""
    rng = canvas.rng
    w, h = canvas.scene.camera.size
    x = ((np.arange(canvas.w, dtype=np.float32) + canvas.x0) / w - 0.5)[None]
    y = ((np.arange(canvas.h, dtype=np.float32) + canvas.y0) / w - 0.5 * h / w)[:, None]
    gain = 1 + rng.normal(0, 0.3) * x + rng.normal(0, 0.3) * y
    if canvas.scene.light == "flash" or rng.random() < 0.4:
        gain = gain * (1 - rng.uniform(0, 1.2) * (x * x + y * y))
    canvas.colour *= np.clip(gain, 0.2, 1.8)[..., None]


def patches_of_shade(canvas: Canvas) -> None:
    rng = canvas.rng
    for _ in range(int(rng.integers(1, 4))):
        corner = rng.uniform(-0.3, 1.3, (4, 2)) * np.array([canvas.w, canvas.h])
        hull = cv2.convexHull(corner.astype(np.float32))[:, 0].astype(float)
        canvas.darken(
            canvas.mask([hull], rng.choice([0.8, 3.0, 15.0])),
            rng.uniform(0.15, 0.65),
            np.float32([1, 0.97, 0.92]),
        )
    if rng.random() < 0.3:
        field = cv2.resize(textures.fractal(rng, rng.uniform(4, 20), 3, (96, 128)), (canvas.w, canvas.h))
        canvas.colour *= (1 - rng.uniform(0.1, 0.5) * np.clip(field * 3, 0, 1))[..., None]
