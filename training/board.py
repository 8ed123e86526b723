"""All that a bow is seen against: wall, floor and board with their ruling and marks, loose things, the room's light."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from training import textures
from training.canvas import Canvas, ribbon, wobble

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

BOARDS = ("paint", "plywood", "chips", "paint", "plywood", "chips", "siding", "stucco", "blotches", "weave", "planks", "pegboard")
WALLS = ("paint", "paint", "brick", "siding", "siding", "foliage", "grass", "gravel", "stucco", "blotches", "stripes", "weave",
         "concrete", "panels", "planks")  # fmt: skip
FLOORS = ("planks", "planks", "planks", "tiles", "tiles", "carpet", "carpet", "concrete", "plywood", "cloth", "weave", "gravel",
          "grass")  # fmt: skip
SHOPS = ("paint", "paint", "pegboard", "siding", "planks", "plywood", "stucco", "concrete")
YARDS = ("planks", "planks", "hedge", "hedge", "panels", "brick", "stucco", "foliage", "concrete", "siding")
BEHIND = {"board": BOARDS, "wall": WALLS, "floor": FLOORS, "shop": SHOPS, "yard": YARDS}


def _texture_scale(canvas: Canvas) -> float:
    """Texels per inch so that a texel is about a pixel, within a factor of two or so; coarser in large pictures."""
    finest = 0.45 if canvas.ppi < 30 else 0.2
    return canvas.ppi * float(np.exp(canvas.rng.uniform(np.log(finest), np.log(1.1))))


def _along(canvas: Canvas) -> float:
    """A turn for boards and joints: level, upright, or along the bow itself, where a joint passes for its edge."""
    rng, pose = canvas.rng, canvas.scene.pose
    if rng.random() < 0.35:
        return float(-np.arctan2(pose[1, 0], pose[0, 0]) + rng.normal(0, 0.02))
    return float(rng.normal(0, 0.03) + rng.choice([0, np.pi / 2]))


def _sheet(canvas: Canvas, corners: Array, fill: str | None = None, gain: float = 1.0, blur: float = 0.0) -> None:
    """Cover a polygon of the plane ((n, 2), world inches) with a texture, or with one colour where `fill` is None."""
    rng = canvas.rng
    flat = np.concatenate([corners, np.zeros((len(corners), 1))], 1)
    got = canvas.mask([canvas.pixels(flat)], blur, ss=2)
    if got is None:
        return
    rows, cols, cover = got
    if fill is None:
        colour = textures.any_colour(rng)
    else:
        colour = canvas.lay(canvas.bank.get(fill), _texture_scale(canvas), _along(canvas), rng.uniform(0, 700, 2), (rows, cols))
    canvas.colour[rows, cols] += (colour * np.float32(gain) - canvas.colour[rows, cols]) * cover[..., None]


def _box(cx: float, cy: float, half_w: float, half_h: float, turn: float = 0.0) -> Array:
    c, s = np.cos(turn), np.sin(turn)
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1.0]]) * [half_w, half_h]
    return np.asarray(square @ np.array([[c, s], [-s, c]]) + [cx, cy])


def background(canvas: Canvas) -> Floats:
    """Wall, floor and board; returns the colour (3,) of what is behind the bow."""
    rng, scene = canvas.rng, canvas.scene
    x0, y0 = float(scene.place[0]), float(scene.place[1])
    kinds = WALLS if scene.setting == "board" else BEHIND[scene.setting]
    whole = canvas.lay(canvas.bank.get(str(rng.choice(kinds))), _texture_scale(canvas), _along(canvas), rng.uniform(0, 700, 2))
    canvas.colour[:] = whole
    if scene.setting == "floor":
        _floor(canvas)
    else:
        _wall(canvas)
    if scene.setting == "board":
        half = np.array([rng.uniform(30, 90), rng.uniform(15, 60)])
        if rng.random() < 0.15:
            half *= rng.uniform(0.3, 0.8)
        cx, cy, turn = rng.normal(0, 5), rng.normal(-5, 8), rng.normal(0, 0.015) if rng.random() < 0.8 else rng.normal(0, 0.1)
        board = _box(cx + x0, cy + y0, *half, turn)
        if rng.random() < 0.6:  # the board's own shadow on the wall
            shade = board + rng.normal(0, 2, 2)
            flat = np.concatenate([shade, np.zeros((4, 1))], 1)
            soft = float(np.clip(rng.uniform(0.3, 5) * canvas.ppi, 1, 40))
            canvas.darken(canvas.mask([canvas.pixels(flat)], soft), 0.5 * rng.random(), np.ones(3, np.float32))
        _sheet(canvas, board, str(rng.choice(BOARDS)))
        x, y = canvas.plane[..., 0] - np.float32(x0 + cx), canvas.plane[..., 1] - np.float32(y0 + cy)
        bx, by = x + np.float32(turn) * y, y - np.float32(turn) * x
        lines = _ruling(canvas, bx, by)
        if lines is not None:
            cover, ink = lines
            cover = cover * (np.minimum(half[0] - np.abs(bx), half[1] - np.abs(by)) > 0)
            canvas.colour += (ink - canvas.colour) * cover[..., None]
    elif scene.setting in ("wall", "yard") and rng.random() < 0.4:
        _foliage_patches(canvas)
    if scene.light == "flash" and not scene.has_board and rng.random() < 0.5:  # night: what stands behind stays dark
        canvas.colour *= np.float32(rng.uniform(0.04, 0.6))
    at = np.round(canvas.pixels(scene.world(scene.bow.centre[:: len(scene.bow.centre) // 40]))).astype(int)
    seen = at[np.all((at >= 0) & (at < [canvas.w, canvas.h]), axis=1)]
    if len(seen) == 0 or rng.random() < 0.3:
        return np.asarray(canvas.colour[::16, ::16].mean((0, 1)), np.float32)
    return np.asarray(canvas.colour[seen[:, 1], seen[:, 0]].mean(0), np.float32)


def _floor(canvas: Canvas) -> None:
    """What else lies flat: rugs, sheets of board and card, a wall's foot."""
    rng = canvas.rng
    x0, y0 = canvas.scene.place[:2]
    for _ in range(int(rng.choice([0, 1, 3], p=[0.5, 0.3, 0.2]))):
        half = np.exp(rng.uniform(np.log(3), np.log(45), 2))
        where = rng.normal(0, 40, 2) + [x0, y0]
        _sheet(canvas, _box(*where, *half, rng.choice([0.0, rng.uniform(0, 3)])), str(rng.choice([*FLOORS, "paint", "chips"])))
    if rng.random() < 0.2:  # where floor and wall meet
        level = rng.uniform(15, 60) * rng.choice([-1, 1])
        far = level + 300 * np.sign(level)
        wall = np.array([[-400, level], [400, level + rng.normal(0, 20)], [400, far], [-400, far]]) + [x0, y0]
        _sheet(canvas, wall, str(rng.choice(WALLS)), rng.uniform(0.6, 1.1))


def _wall(canvas: Canvas) -> None:
    """Floor line, doors, windows, cupboards, shelves with things on them, a bench."""
    rng, scene = canvas.rng, canvas.scene
    x0, y0 = float(scene.place[0]), float(scene.place[1])
    shop = scene.setting == "shop"
    if rng.random() < 0.45:  # floor, or sky line
        level = -rng.uniform(5, 70) if rng.random() < 0.75 else rng.uniform(5, 50)
        far = 300 * np.sign(level)
        lean = rng.normal(0, 0.02)
        part = np.array([[-400, level - 400 * lean], [400, level + 400 * lean], [400, level + far], [-400, level + far]])
        kind = str(rng.choice(FLOORS if level < 0 else [*WALLS, "blotches", "hedge"]))
        _sheet(canvas, part + [x0, y0], kind, rng.uniform(0.5, 1.1))
    for _ in range(rng.integers(0, 5)):  # doors, cupboards, other boards, skirting, neighbouring houses
        half = np.exp(rng.uniform(np.log(2), np.log(40), 2)) * (np.array([0.1, 1.5]) if rng.random() < 0.3 else 1)
        box = _box(x0 + rng.normal(0, 50), y0 + rng.normal(0, 50), *half)
        if rng.random() < 0.4:
            _sheet(canvas, (box - box.mean(0)) * (1 + rng.uniform(0.02, 0.15)) + box.mean(0))
        _sheet(canvas, box, str(rng.choice(list(textures.MAKERS))) if rng.random() < 0.5 else None)
    if rng.random() < (0.35 if shop else 0.1):  # a window, bright, with its bars
        half = rng.uniform(8, 30, 2)
        box = _box(x0 + rng.normal(0, 40), y0 + rng.normal(10, 30), *half)
        _sheet(canvas, (box - box.mean(0)) * (1 + 3 / half) + box.mean(0))
        canvas.paint([canvas.pixels(np.concatenate([box, np.zeros((4, 1))], 1))], np.float32([1, 1, 1]) * rng.uniform(0.6, 1.25))
        bar = textures.any_colour(rng)
        for k in (-0.5, 0.0, 0.5):
            for thin in ([0.6, half[1]], [half[0], 0.6]):
                off = np.array([half[0] * k if thin[0] < 1 else 0, 0 if thin[0] < 1 else half[1] * k])
                one = _box(*(box.mean(0) + off), *thin)
                canvas.paint([canvas.pixels(np.concatenate([one, np.zeros((4, 1))], 1))], bar)
    for _ in range(int(rng.integers(1, 4)) if shop else int(rng.random() < 0.08)):
        _shelf(canvas, x0 + rng.normal(0, 35), y0 + rng.normal(5, 25), rng.uniform(8, 40), rng.uniform(0.3, 1.0))
    if rng.random() < (0.55 if shop else 0.15):
        _shelf(canvas, x0 + rng.normal(0, 15), y0 - rng.uniform(18, 60), rng.uniform(20, 60), rng.uniform(0.8, 2.5))


def _shelf(canvas: Canvas, cx: float, level: float, half: float, thick: float) -> None:
    """A shelf's or bench's edge with things standing on it."""
    rng = canvas.rng

    def lay(box: Array, colour: Floats, tile: Floats | None = None) -> None:
        canvas.paint([canvas.pixels(np.concatenate([box, np.zeros((len(box), 1))], 1))], np.asarray(colour, np.float32), tile)

    for _ in range(int(rng.integers(0, 16))):
        w, h = np.exp(rng.uniform(np.log(0.3), np.log(4), 2))
        x, lean = cx + rng.uniform(-half, half), rng.choice([0.0, 0.0, rng.normal(0, 0.4)])
        box = _box(0, h, w if rng.random() < 0.6 else 0.3, h, 0.0)
        box = box + np.column_stack([box[:, 1] * lean, np.zeros(4)]) + [x, level]
        colour = textures.wood_colour(rng) if rng.random() < 0.4 else textures.any_colour(rng)
        lay(box, colour)
        if rng.random() < 0.5:
            lay((box - box.mean(0)) * [0.4, 1.0] + box.mean(0) + [w * rng.uniform(-0.4, 0.4), 0], colour * rng.uniform(0.6, 1.3))
    wood = textures.wood_colour(rng)
    top = rng.uniform(0, 8) if thick > 0.8 else rng.uniform(0, 1)  # the top is seen from above
    lay(_box(cx, level - top / 2, half, top / 2 + 0.01), np.clip(wood * rng.uniform(0.9, 1.3), 0, 1),
        canvas.bank.get("plywood") if rng.random() < 0.6 else None)  # fmt: skip
    lay(_box(cx, level - top - thick / 2, half, thick / 2), wood)
    shade = _box(cx, level - top - thick - rng.uniform(0.3, 2), half, rng.uniform(0.3, 2))
    dark = canvas.mask([canvas.pixels(np.concatenate([shade, np.zeros((4, 1))], 1))], float(np.clip(0.5 * canvas.ppi, 1, 20)))
    canvas.darken(dark, rng.uniform(0, 0.5), np.ones(3, np.float32))


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
                n = np.stack([-n[:, 1], n[:, 0]], 1) / np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-9)
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
                polygons.append(((polygons[0][0] - at) * rng.uniform(0.5, 0.9) + at, textures.any_colour(rng)))
        world = [np.concatenate([p, np.full((len(p), 1), z)], 1) for p, _ in polygons]
        if not front and rng.random() < 0.8:
            blur = {"soft": 8.0, "window": 4.0, "sun": 0.6, "flash": 0.6}[scene.light]
            cast = canvas.pixels(scene.shade_point(world[0]))
            canvas.darken(canvas.mask([cast], blur), rng.uniform(0.15, 0.7), np.ones(3, np.float32))
        tile = (
            canvas.bank.get(str(rng.choice(["plywood", "paint", "blotches", "weave", "stucco"]))) if rng.random() < 0.4 else None
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
        hard = rng.choice([3.0, 12.0, 40.0])
        canvas.colour *= (1 - rng.uniform(0.1, 0.65) * np.clip(field * hard, 0, 1))[..., None]
