"""Random photographs of bows with exact labels.

World frame, inches: the board or wall is the plane z = 0, x right, y up, z toward the camera. Picture
frame: pixels,
x right, y down, (0, 0) the centre of the top-left pixel. `draw` renders any window of the picture at full
resolution, so that a strip's worth of a 12-megapixel photograph costs no more than its own pixels.

Label channels (LABELS): the visible bow body, the string, the cast shadow of bow and string.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from training import textures
from training.bowshape import Bow, random_bow, section

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Bytes = NDArray[np.uint8]
Rng = np.random.Generator
LABELS = ("limb", "string", "shadow")


@dataclass(frozen=True)
class Camera:
    """Pinhole with one radial term. f in pixels; R (3, 3) world to camera (x right, y down, z forward); C
    (3,) in.
    """

    f: float
    size: tuple[int, int]
    R: Array
    C: Array
    k1: float

    def project(self, points: Array) -> Array:
        """World points (..., 3) to pixels (..., 2)."""
        p = (np.asarray(points, float) - self.C) @ self.R.T
        z = np.maximum(p[..., 2:], 1.0)
        n = p[..., :2] / z
        n = n * (1 + self.k1 * np.sum(n * n, -1, keepdims=True))
        return n * self.f + (np.array(self.size) - 1) / 2

    def on_plane(self, xy: Array, z: float = 0.0) -> Array:
        """Pixels (..., 2) to the world x, y (..., 2) where their rays meet the plane at that z."""
        n = (np.asarray(xy, float) - (np.array(self.size) - 1) / 2) / self.f
        n = n * (1 - self.k1 * np.sum(n * n, -1, keepdims=True))
        ray = np.concatenate([n, np.ones_like(n[..., :1])], -1) @ self.R
        t = (z - self.C[2]) / np.minimum(ray[..., 2:], -1e-3)
        return self.C[:2] + ray[..., :2] * t


def look_at(
    rng: Rng, size: tuple[int, int], f: float, distance: float, target: Array, oblique: float
) -> Camera:
    """A camera about `distance` before `target`, turned by up to about `oblique` radians each way."""
    yaw, pitch = rng.normal(0, oblique / 2, 2)
    direction = np.array([np.sin(yaw), np.sin(pitch), 1.0])
    centre = target + distance * direction / np.linalg.norm(direction)
    forward = target - centre
    forward /= np.linalg.norm(forward)
    roll = rng.normal(0, 0.03)
    up = np.array([np.sin(roll), np.cos(roll), 0.0])
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    R = np.stack([right, np.cross(forward, right), forward])
    return Camera(f, size, R, centre, rng.normal(0, 0.02) if rng.random() < 0.6 else 0.0)


@dataclass(frozen=True)
class Scene:
    """Everything fixed about a scene before it is drawn: camera, bow, where it hangs, the light."""

    camera: Camera
    bow: Bow
    pose: Array  # (3, 3) bow frame to world
    place: Array  # (3,) handle's centre in the world
    light: str
    lamp: Array  # (3,) lamp position
    standoff: float
    has_board: bool

    def world(self, points: Array, z: float | Array = 0.0) -> Array:
        """Bow-frame points (..., 2) at width coordinate z to the world (..., 3)."""
        p = np.asarray(points, float)
        full = np.concatenate([p, np.broadcast_to(np.asarray(z, float), p.shape[:-1])[..., None]], -1)
        return full @ self.pose.T + self.place

    def shade_point(self, points: Array) -> Array:
        """Where the shadow of world points (..., 3) falls on the plane z = 0."""
        t = self.lamp[2] / np.maximum(self.lamp[2] - points[..., 2:], 1e-3)
        out = self.lamp + (points - self.lamp) * t
        out[..., 2] = 0.0
        return out


def random_scene(
    rng: Rng, size: tuple[int, int], lights: Sequence[float] = (0.25, 0.22, 0.28, 0.25)
) -> Scene:
    """A bow before a board or a wall. size: (width, height) of the picture, the longer side first.

    lights: shares of soft, window, sun and flash light.
    """
    bow = random_bow(rng)
    w, h = size
    f = w / (2 * np.tan(np.radians(rng.uniform(40, 76)) / 2))
    has_board = rng.random() < 0.72
    standoff = rng.uniform(0.4, 4.2) if has_board else np.exp(rng.uniform(np.log(5), np.log(120)))
    which = rng.random()
    angle = (
        rng.normal(0, 0.05)
        if which < 0.72
        else np.pi / 2 + rng.normal(0, 0.08)
        if which < 0.86
        else rng.uniform(0, 6.28)
    )
    extent = (
        bow.centre if not bow.strings or rng.random() < 0.2 else np.concatenate([bow.centre, *bow.strings])
    )
    c, s = np.cos(angle), np.sin(angle)
    flat = extent @ np.array([[c, -s], [s, c]]).T
    span = flat.max(0) - flat.min(0)
    share = rng.uniform(0.3, 0.97)
    if rng.random() < 0.15:
        share = rng.uniform(0.2, 0.4)
    if rng.random() < 0.1:
        share = rng.uniform(1.0, 2.2)
    distance = max(
        span[0] * f / (w * share), span[1] * f / (h * min(share, 0.95 if share < 1 else share)), 20.0
    )
    # The bow somewhere inside the picture, seldom exactly in the middle.
    room = np.array([w, h]) * distance / f - span
    centre_of_bow = (flat.max(0) + flat.min(0)) / 2
    shift = rng.uniform(-0.5, 0.5, 2) * np.maximum(room, 0) + (
        rng.uniform(-0.4, 0.4, 2) * span if share > 1 else 0
    )
    far_round = {"unstrung": 1.2, "braced": 0.9, "drawn": 0.45}[bow.state]
    roll = rng.normal(0, 0.06) if rng.random() < 0.85 else rng.uniform(-far_round, far_round)
    cr, sr = np.cos(roll), np.sin(roll)
    pose = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]]) @ np.array([[1, 0, 0], [0, cr, -sr], [0, sr, cr]])
    place = np.array([*rng.uniform(-200, 200, 2), standoff])
    target = place + np.array([*(centre_of_bow + shift), 0])
    camera = look_at(rng, size, f, distance, target, rng.choice([0.05, 0.15, 0.3], p=[0.3, 0.5, 0.2]))
    light = str(rng.choice(["soft", "window", "sun", "flash"], p=lights))
    if light == "flash":
        lamp = camera.C + camera.R.T @ np.array([*rng.normal(0, 2.0, 2), 0.0])
    else:
        far = {"soft": 200.0, "window": 150.0, "sun": 5000.0}[light]
        slope = {"soft": 0.5, "window": 1.0, "sun": 1.0}[light]
        d = np.array([*rng.normal(0, slope, 2), 1.0])
        if light == "sun":
            d[:2] = rng.normal(0, 1, 2)
            d[:2] *= rng.uniform(0.1, 2.2) / np.linalg.norm(d[:2])
        lamp = place + far * d / np.linalg.norm(d)
    return Scene(camera, bow, pose, place, light, lamp, standoff, has_board)


# --------------------------------------------------------------------------------------------- drawing tools


class Canvas:
    """A window of the picture under work: colour (h, w, 3) float32 0-1, labels (h, w, 3), and the shadows."""

    def __init__(
        self, scene: Scene, window: tuple[int, int, int, int], rng: Rng, bank: textures.TextureBank
    ) -> None:
        self.scene, self.rng, self.bank = scene, rng, bank
        self.x0, self.y0, self.w, self.h = window
        self.colour: Floats = np.zeros((self.h, self.w, 3), np.float32)
        self.labels: Floats = np.zeros((self.h, self.w, 3), np.float32)
        xs = np.linspace(0, self.w - 1, max(2, self.w // 12)) + self.x0
        ys = np.linspace(0, self.h - 1, max(2, self.h // 12)) + self.y0
        coarse = scene.camera.on_plane(np.stack(np.meshgrid(xs, ys), -1))
        # Corner-aligned upsampling of the coarse plane coordinates.
        gx, gy = np.meshgrid(
            np.linspace(0, len(xs) - 1, self.w, dtype=np.float32),
            np.linspace(0, len(ys) - 1, self.h, dtype=np.float32),
        )
        plane = coarse.astype(np.float32)
        self.plane: Floats = cv2.remap(plane, gx, gy, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        mid = scene.camera.project(np.array([[*scene.place[:2], 0], [scene.place[0] + 1, scene.place[1], 0]]))
        self.ppi = float(np.linalg.norm(mid[1] - mid[0]))

    def pixels(self, world: Array) -> Array:
        """World points (..., 3) to window pixels (..., 2)."""
        return self.scene.camera.project(world) - np.array([self.x0, self.y0])

    def mask(
        self, polygons: Sequence[Array], blur: float = 0.0, ss: int = 3
    ) -> tuple[slice, slice, Floats] | None:
        """Anti-aliased union of polygons (each (n, 2) window pixels): row slice, column slice, coverage."""
        every = np.concatenate(polygons)
        if not np.all(np.isfinite(every)):
            return None
        pad = 2 + 3 * blur
        lo = np.maximum(np.floor(every.min(0) - pad), 0).astype(int)
        hi = np.minimum(np.ceil(every.max(0) + pad) + 1, [self.w, self.h]).astype(int)
        if np.any(hi - lo < 1):
            return None
        if blur > 2:
            ss = 1
        wide, high = (hi - lo).tolist()
        m = np.zeros((high * ss, wide * ss), np.uint8)
        for p in polygons:
            q = ((np.clip(p, -4000, 8000) - lo + 0.5) * ss - 0.5) * 16
            cv2.fillPoly(m, [np.round(q).astype(np.int32)], 255, cv2.LINE_8, 4)
        small = cv2.resize(m, (wide, high), interpolation=cv2.INTER_AREA) if ss > 1 else m
        out = small.astype(np.float32) * (1 / 255)
        if blur > 0.3:
            out = cv2.GaussianBlur(out, (0, 0), blur)
        return slice(int(lo[1]), int(hi[1])), slice(int(lo[0]), int(hi[0])), out

    def lay(self, tile: Floats, scale: float, turn: float, shift: Array) -> Floats:
        """A tile laid over the plane: scale in texels per inch, turned by `turn` radians. Returns (h, w,
        3).
        """
        c, s = np.float32(np.cos(turn) * scale), np.float32(np.sin(turn) * scale)
        x, y = self.plane[..., 0], self.plane[..., 1]
        u = (c * x - s * y + np.float32(shift[0])) % textures.TILE
        v = (s * x + c * y + np.float32(shift[1])) % textures.TILE
        return cv2.remap(tile, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)

    def tile_patch(self, rows: slice, cols: slice, tile: Floats, turn: float) -> Floats:
        """A piece of a tile in picture space for an object's surface."""
        y, x = np.mgrid[rows, cols].astype(np.float32)
        c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
        return cv2.remap(
            tile, (c * x - s * y) % textures.TILE, (s * x + c * y) % textures.TILE, cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_WRAP,
        )  # fmt: skip

    def paint(
        self, polygons: Sequence[Array], colour: Floats, tile: Floats | None = None,
        turn: float = 0.0, blur: float = 0.0,
        opacity: float = 1.0,
    ) -> None:  # fmt: skip
        """Cover what is drawn so far with polygons (window pixels) of one colour or texture; hides labels
        too.
        """
        got = self.mask(polygons, blur)
        if got is None:
            return
        rows, cols, cover = got
        cover = cover * opacity
        fill: Floats = np.asarray(colour, np.float32)
        if tile is not None:
            patch = self.tile_patch(rows, cols, tile, turn)
            fill = patch * (fill / max(float(tile[::32, ::32].mean()), 0.05))
        c = cover[..., None]
        self.colour[rows, cols] += (fill - self.colour[rows, cols]) * c
        self.labels[rows, cols] *= 1 - c

    def darken(self, cover: tuple[slice, slice, Floats] | None, strength: float, tint: Floats) -> None:
        if cover is None:
            return
        rows, cols, m = cover
        self.colour[rows, cols] *= 1 - (strength * m)[..., None] * tint


def ribbon(line: Array, half_width: float | Array) -> Array:
    """A closed polygon (2n, 2) round a polyline (n, 2) with the half width(s) given, in the same unit."""
    t = np.gradient(line, axis=0)
    t /= np.maximum(np.linalg.norm(t, axis=1, keepdims=True), 1e-9)
    n = np.stack([-t[:, 1], t[:, 0]], 1) * np.broadcast_to(np.asarray(half_width), len(line))[:, None]
    return np.concatenate([line + n, (line - n)[::-1]])


# --------------------------------------------------------------------------------------------- backgrounds

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


def _background(canvas: Canvas) -> Floats:
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


def _marks(canvas: Canvas) -> None:
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


# --------------------------------------------------------------------------------------------- objects


def _wobble(rng: Rng, n: int, cells: int) -> Array:
    return np.interp(np.linspace(0, 1, n), np.linspace(0, 1, cells), rng.standard_normal(cells))


def _clutter(canvas: Canvas, count: int, front: bool) -> None:
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
                side = side + _wobble(rng, 60, 9) * long * (0.008 if kind == "branch" else 0.06)
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


def _limb_of_person(canvas: Canvas, line: Array, widths: Array, colour: Floats, tile: Floats | None) -> None:
    """An arm, leg or trunk: a tapered ribbon, darker to one side."""
    canvas.paint([ribbon(line, widths)], colour, tile, canvas.rng.uniform(0, 3))
    n = np.gradient(line, axis=0)
    n = np.stack([-n[:, 1], n[:, 0]], 1) / np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-9)
    side = np.sign(canvas.rng.normal())
    for part, strength in ((0.35, 0.25), (0.18, 0.25)):
        edge = ribbon(line + side * n * (widths * (1 - part))[:, None], widths * part)
        canvas.darken(canvas.mask([edge], float(widths.mean() * 0.15)), strength, np.ones(3, np.float32))


def _skin(rng: Rng) -> Floats:
    tones = np.float32(
        [[0.88, 0.68, 0.56], [0.78, 0.55, 0.42], [0.6, 0.4, 0.28], [0.36, 0.23, 0.16], [0.8, 0.5, 0.4]]
    )
    return np.clip(tones[int(rng.integers(5))] * rng.uniform(0.75, 1.15), 0, 1).astype(np.float32)


def _person_behind(canvas: Canvas) -> None:
    """Legs in trousers, a trunk, behind the bow."""
    rng, scene = canvas.rng, canvas.scene
    cloth = textures.any_colour(rng) * rng.uniform(0.3, 1.0)
    tile = canvas.bank.get(str(rng.choice(["weave", "blotches", "stucco", "stripes"])))
    grip = canvas.pixels(scene.place)
    down = canvas.pixels(scene.place + np.array([0, -10.0, 0])) - grip
    right = np.array([-down[1], down[0]])
    start = grip + right * rng.normal(0, 1.0) + down * rng.uniform(-1.5, 1.0)
    u = np.linspace(0, 1, 20)[:, None]
    for sign in (-1, 1):
        foot = start + down * rng.uniform(3, 5) + right * sign * rng.uniform(0.1, 1.2)
        top = start + right * sign * rng.uniform(0.1, 0.4)
        line = top + (foot - top) * u + right * _wobble(rng, 20, 4)[:, None] * 0.05
        width = np.linalg.norm(down) * np.linspace(rng.uniform(0.35, 0.5), rng.uniform(0.2, 0.35), 20)
        _limb_of_person(canvas, line, width, cloth, tile)
    if rng.random() < 0.6:
        shirt = textures.any_colour(rng)
        line = start + (down * -rng.uniform(1.5, 3)) * u
        _limb_of_person(canvas, line, np.linalg.norm(down) * np.linspace(0.6, 0.8, 20), shirt, tile)


def _hand(canvas: Canvas, at: Array, thick: float) -> None:
    """A forearm that comes from the picture's rim and fingers round `at` (window pixels); thick: a finger
    in px.
    """
    rng = canvas.rng
    skin = _skin(rng)
    turn = rng.uniform(0, 2 * np.pi)
    away = np.array([np.cos(turn), np.sin(turn)])
    side = np.array([-away[1], away[0]])
    u = np.linspace(0, 1, 25)[:, None]
    wrist = at + away * thick * rng.uniform(3, 5)
    arm = wrist + away * thick * 30 * u + side * thick * 8 * rng.normal(0, 0.5) * u**2
    sleeve = textures.any_colour(rng) if rng.random() < 0.5 else skin
    tile = canvas.bank.get("blotches") if rng.random() < 0.3 else None
    _limb_of_person(
        canvas, arm, thick * np.linspace(rng.uniform(1.2, 1.8), rng.uniform(2, 3.5), 25), sleeve, tile
    )
    a = np.linspace(0, 6.28, 24)
    palm = (
        wrist
        - away * thick * 1.2
        + np.outer(np.cos(a), away) * thick * 2.4
        + np.outer(np.sin(a), side) * thick * 1.7
    )
    canvas.paint([palm], skin)
    for k in range(int(rng.integers(1, 5))):
        base = wrist - away * thick * 2 + side * thick * (k - 1.5) * 0.95
        tip = at - away * thick * rng.uniform(-1.2, 1.2) + side * thick * (k - 1.5) * 0.9
        line = base + (tip - base) * np.linspace(0, 1, 8)[:, None]
        shade = (skin * rng.uniform(0.75, 1.05)).astype(np.float32)
        canvas.paint([ribbon(line, thick * 0.5 * np.array([1, 1, 1, 1, 1, 0.95, 0.85, 0.5]))], shade)


def _post(canvas: Canvas) -> None:
    """The upright of a tillering tree: from under the grip away from the back, with pegs, holes or ticks."""
    rng, scene = canvas.rng, canvas.scene
    half = rng.uniform(0.4, 2.2)
    top = rng.uniform(-1.8, 0.6)
    long = rng.uniform(15, 90)
    z = -rng.uniform(0.3, 2.0)
    lean = rng.normal(0, 0.02)
    colour = textures.wood_colour(rng) if rng.random() < 0.8 else textures.any_colour(rng)

    def at(x: Array | float, y: Array | float) -> Array:
        x, y = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
        return canvas.pixels(scene.world(np.stack([x + lean * y, y], -1), z))

    n = 12
    ys = np.linspace(top, top - long, n)
    outline = np.concatenate([at(-half, ys), at(half, ys[::-1])])
    world = scene.world(
        np.concatenate(
            [np.stack([-half + lean * ys, ys], 1), np.stack([half + lean * ys[::-1], ys[::-1]], 1)]
        ),
        z,
    )
    blur = {"soft": 10.0, "window": 5.0, "sun": 0.6, "flash": 0.6}[scene.light]
    canvas.darken(
        canvas.mask([canvas.pixels(scene.shade_point(world))], blur),
        rng.uniform(0.1, 0.7),
        np.ones(3, np.float32),
    )
    axis = at(0, -10.0) - at(0, 0.0)
    canvas.paint([outline], colour, canvas.bank.get("plywood"), float(-np.arctan2(axis[1], axis[0])))
    if rng.random() < 0.5:  # a second face or a slot
        a, b = sorted(rng.uniform(-1, 1, 2))
        strip = np.concatenate([at(a * half, ys), at(b * half, ys[::-1])])
        canvas.paint([strip], np.clip(colour * rng.uniform(0.4, 1.3), 0, 1).astype(np.float32))
    if rng.random() < 0.6:
        ink = textures.any_colour(rng) * 0.4
        step = float(rng.choice([0.5, 1.0, 1.0, 2.0]))
        peg = rng.uniform(0.08, 0.3)
        ring = np.stack([np.cos(np.linspace(0, 6.28, 9)), np.sin(np.linspace(0, 6.28, 9))], 1) * peg
        flat_tick = np.array([[-half, -0.06], [half, -0.06], [half, 0.06], [-half, 0.06]]) * rng.uniform(
            0.4, 1
        )
        shape = ring if rng.random() < 0.6 else flat_tick
        if step * canvas.ppi > 4:
            for k in range(int(min(long, 45) / step)):
                p = shape + np.array([0, top - 1.5 - k * step])
                canvas.paint([at(p[:, 0], p[:, 1])], ink)
    if scene.bow.hook is not None and rng.random() < 0.75:
        _scale_and_rope(canvas)


def _scale_and_rope(canvas: Canvas) -> None:
    rng, scene = canvas.rng, canvas.scene
    hook = scene.bow.hook
    if hook is None:
        return
    body = textures.any_colour(rng) * rng.choice([0.25, 1.0])
    top = rng.uniform(0.2, 2.5)
    tall, half = rng.uniform(1.5, 6), rng.uniform(0.5, 1.8)
    u = np.linspace(0, 1, 10)[:, None]
    rope = hook + u * np.array([0, -60.0])
    canvas.paint(
        [ribbon(canvas.pixels(scene.world(rope, 0.4)), rng.uniform(0.06, 0.2) * canvas.ppi)],
        textures.any_colour(rng),
    )
    if rng.random() < 0.4:
        a = np.linspace(0, 6.28, 30)
        disc = hook + np.array([0, -top - half * 1.3]) + half * 1.3 * np.stack([np.cos(a), np.sin(a)], 1)
        canvas.paint([canvas.pixels(scene.world(disc, 0.5))], body)
        canvas.paint(
            [canvas.pixels(scene.world((disc - disc.mean(0)) * 0.8 + disc.mean(0), 0.5))],
            textures.any_colour(rng),
        )
    else:
        box = np.array([[-half, -top], [half, -top], [half, -top - tall], [-half, -top - tall]]) + hook
        canvas.paint([canvas.pixels(scene.world(box, 0.5))], body)
        inner = (box - box.mean(0)) * np.array([0.6, 0.4]) + box.mean(0)
        if rng.random() < 0.5:
            canvas.paint([canvas.pixels(scene.world(inner, 0.5))], textures.any_colour(rng))


def _cradle(canvas: Canvas) -> None:
    """A block under the grip that may hide part of its belly."""
    rng, scene = canvas.rng, canvas.scene
    mid = int(np.argmin(np.abs(scene.bow.s - scene.bow.s[-1] / 2)))
    half = rng.uniform(0.5, 2.5)
    level = -scene.bow.belly[mid] + rng.uniform(-0.15, 0.7) * (scene.bow.belly[mid] + 0.2)
    tall = rng.uniform(0.5, 3)
    box = np.array(
        [
            [-half, level],
            [half, level],
            [half * rng.uniform(0.5, 1.1), level - tall],
            [-half * rng.uniform(0.5, 1.1), level - tall],
        ]
    )
    colour = textures.wood_colour(rng) if rng.random() < 0.7 else textures.any_colour(rng)
    canvas.paint(
        [canvas.pixels(scene.world(box, 0.6))],
        colour,
        canvas.bank.get("plywood") if rng.random() < 0.6 else None,
    )


# --------------------------------------------------------------------------------------------- the bow


@dataclass(frozen=True)
class Traced:
    """The projected bow, sampled every pixel of length: window pixels.

    axis (n, 2); normal (n, 2) unit; low, high (n,): silhouette offsets from the axis along the normal.
    """

    axis: Array
    normal: Array
    low: Array
    high: Array


def _project_sweep(points: Array, centre: Array) -> tuple[Array, Array, Array, Array]:
    """Sampled axis (n, 2), normal (n, 2), section offsets (n, m), and the stations as fractions of the
    input (n,).

    points: (k, m, 2) the section's projected corners; centre: (k, 2) projected centreline.
    """
    step = np.linalg.norm(np.diff(centre, axis=0), axis=1)
    length = np.concatenate([[0], np.cumsum(step)])
    n = max(8, int(length[-1]) + 1)
    grid = np.linspace(0, length[-1], n)
    tangent = np.gradient(centre, length + np.arange(len(length)) * 1e-9, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], 1)
    rel = points - centre[:, None]
    u = np.einsum("kmc,kc->km", rel, tangent)
    v = np.einsum("kmc,kc->km", rel, normal)
    # A corner seen obliquely lands ahead of or behind its own station: move it to the station where it is
    # seen.
    offsets = np.stack(
        [np.interp(grid, np.maximum.accumulate(length + u[:, j]), v[:, j]) for j in range(v.shape[1])], 1
    )
    axis = np.stack([np.interp(grid, length, centre[:, k]) for k in (0, 1)], 1)
    nrm = np.stack([np.interp(grid, length, normal[:, k]) for k in (0, 1)], 1)
    nrm /= np.linalg.norm(nrm, axis=1, keepdims=True)
    return axis, nrm, offsets, np.interp(grid, length, np.arange(len(length)))


def _bow_points(scene: Scene) -> tuple[Array, Array, Array, Array]:
    """World points of the section corners (k, m, 3), centreline (k, 3), normals (k, 3) in the world,
    facets (m, 2).
    """
    bow = scene.bow
    offset, across, facets = section(bow)
    flat = bow.centre[:, None] + offset[..., None] * bow.normal[:, None]
    corners = scene.world(flat, across)
    normal = np.concatenate([bow.normal, np.zeros((len(bow.normal), 1))], 1) @ scene.pose.T
    return corners, scene.world(bow.centre), normal, facets


def _strip_noise(rng: Rng, n: int, m: int, along: float, across: float) -> Floats:
    gy, gx = max(3, int(n / along)), max(3, int(m / across))
    return cv2.resize(rng.standard_normal((gy, gx)).astype(np.float32), (m, n), interpolation=cv2.INTER_CUBIC)


def _bow_skin(
    canvas: Canvas, offsets: Array, lum: Array, group: NDArray[np.int64], at: Array, board: Floats
) -> tuple[Floats, float, float]:
    """The bow's surface unrolled: RGBA (n, m, 4), and the affine from offset px to column: column = a *
    offset + b.

    offsets (n, c) section corners; lum (n, c) brightness of the facet from corner j to j + 1, NaN when it
    faces away;
    group (c,) 0 edge, 1 back, 2 belly; at (n,) station as a fraction of the bow's samples.
    """
    rng, scene = canvas.rng, canvas.scene
    n, c = offsets.shape
    low, high = offsets.min(1), offsets.max(1)
    lo, hi = float(low.min()) - 1.5, float(high.max()) + 1.5
    m = int(np.clip((hi - lo) * 4, 32, 320))
    a = (m - 1) / (hi - lo)
    v = np.linspace(lo, hi, m)[None]
    alpha = np.clip(np.minimum(v - low[:, None], high[:, None] - v) * a + 0.5, 0, 1)
    light = np.full((n, m), np.nan, np.float32)
    groups = np.zeros((n, m), np.int8)
    for j in range(c):
        if np.all(np.isnan(lum[:, j])):
            continue
        p, q = offsets[:, j], offsets[:, (j + 1) % c]
        inside = (
            (v >= np.minimum(p, q)[:, None])
            & (v <= np.maximum(p, q)[:, None])
            & ~np.isnan(lum[:, j])[:, None]
        )
        np.copyto(light, lum[:, j : j + 1].astype(np.float32), where=inside)
        groups[inside] = group[j]
    # Columns outside the outline take the nearest facet's light, so that bilinear sampling never bleeds
    # black.
    fallback = np.nanmean(lum, axis=1, keepdims=True)
    light = np.where(np.isnan(light), np.nan_to_num(fallback, nan=0.5), light).astype(np.float32)

    which = rng.random()
    if which < 0.27:
        base = np.clip(board * rng.uniform(0.8, 1.25) + rng.normal(0, 0.015, 3), 0.02, 1).astype(np.float32)
    elif which < 0.9:
        base = textures.wood_colour(rng)
    else:
        base = textures.any_colour(rng)
    colours = np.stack([base, base, base]).astype(np.float32)
    if rng.random() < 0.3:
        colours[1] = np.clip(colours[1] * rng.uniform(0.5, 1.5), 0, 1)
    if rng.random() < 0.35:  # toasted belly
        colours[2] *= rng.uniform(0.3, 0.85)
    if rng.random() < 0.12:  # backing: skin, cloth, bark
        colours[1] = textures.any_colour(rng)
    if rng.random() < 0.07:  # black glass, snakeskin, dark horn
        colours[1] = (rng.uniform(0.02, 0.15) * rng.normal(1, 0.05, 3)).astype(np.float32)
    if rng.random() < 0.15:
        colours[0] = np.clip(colours[0] * rng.uniform(0.6, 1.4), 0, 1)
    rgb = colours[groups]
    if (
        rng.random() < 0.25
    ):  # sapwood and heartwood, laminations: a change of colour part-way through the edge
        cut = rng.uniform(-0.7, 0.7) + 0.15 * _wobble(rng, n, 6)
        centre, half = (low + high)[:, None] / 2, (high - low)[:, None] / 2
        rgb = np.where(
            ((v - centre) / np.maximum(half, 0.1) > cut[:, None])[..., None], rgb * rng.uniform(0.6, 1.3), rgb
        )
    grain = 1 + rng.uniform(0, 0.12) * _strip_noise(rng, n, m, rng.uniform(20, 150), rng.uniform(2, 8))
    grain += rng.uniform(0, 0.12) * _strip_noise(rng, n, m, rng.uniform(60, 400), m)
    grain += rng.uniform(0, 0.05) * _strip_noise(rng, n, m, 3, 4)
    if rng.random() < 0.15:
        grain += rng.uniform(0.05, 0.3) * _strip_noise(rng, n, m, rng.uniform(2, 12), rng.uniform(2, 12))
    rgb = rgb * (light * grain)[..., None]
    for _ in range(int(rng.integers(0, 4))):  # knots and dark pins
        y, x = int(rng.integers(n)), int(rng.integers(m))
        ink = (base * rng.uniform(0.15, 0.6)).tolist()
        rgb = np.ascontiguousarray(rgb, np.float32)
        cv2.ellipse(
            rgb,
            (x, y),
            (max(1, int(rng.uniform(0.3, 2) * a)), max(1, int(rng.uniform(0.5, 5)))),
            0,
            0,
            360,
            ink,
            -1,
        )
    s = np.interp(at, np.arange(len(scene.bow.s)), scene.bow.s)
    middle = scene.bow.s[-1] / 2
    if rng.random() < 0.3:  # wrapped or leathered grip
        half = rng.uniform(1.5, 3)
        part = np.clip((half - np.abs(s - middle)) * canvas.ppi, 0, 1)[:, None, None]
        wrap = (
            textures.any_colour(rng)
            * (1 + rng.uniform(0, 0.4) * np.sin(s * rng.uniform(8, 50)))[:, None, None]
        )
        rgb = rgb * (1 - part) + wrap * light[..., None] * part
    if rng.random() < 0.25:  # nock wraps and horn tips
        part = np.clip((rng.uniform(0.4, 2) - np.minimum(s, s[-1] - s)) * canvas.ppi, 0, 1)[:, None, None]
        rgb = rgb * (1 - part) + textures.any_colour(rng) * light[..., None] * part
    for _ in range(
        int(rng.integers(0, 3)) if rng.random() < 0.3 else 0
    ):  # pencil marks and tape rings across a limb
        where = rng.uniform(0, s[-1])
        part = np.clip((rng.uniform(0.03, 0.4) - np.abs(s - where)) * canvas.ppi + 0.5, 0, 1)[:, None, None]
        rgb = rgb * (1 - part) + textures.any_colour(rng) * light[..., None] * part
    out = np.concatenate([np.clip(rgb, 0, 1.3), alpha[..., None]], 2).astype(np.float32)
    return out, a, -lo * a


def _draw_bow(canvas: Canvas, board: Floats) -> Traced:
    """Shade the swept section facet by facet and composite it with 3 x 3 samples per pixel."""
    rng, scene = canvas.rng, canvas.scene
    corners, centre3, normal3, facets = _bow_points(scene)
    axis, nrm, offsets, at = _project_sweep(canvas.pixels(corners), canvas.pixels(centre3))
    traced = Traced(axis, nrm, offsets.min(1), offsets.max(1))

    width3 = scene.pose @ np.array([0, 0, 1.0])
    twist = scene.bow.twist[:, None]
    fb = facets[None, :, 0] * np.cos(twist) - facets[None, :, 1] * np.sin(twist)
    fw = facets[None, :, 0] * np.sin(twist) + facets[None, :, 1] * np.cos(twist)
    facing = fb[..., None] * normal3[:, None] + fw[..., None] * width3
    facing /= np.maximum(np.linalg.norm(facing, axis=2, keepdims=True), 1e-9)
    # A facet lies between two neighbouring corners; its own in-plane size scales its normal.
    edge = np.roll(corners, -1, 1) - corners
    along = np.gradient(centre3, axis=0)[:, None]
    true_normal = np.cross(np.broadcast_to(along, edge.shape), edge)
    true_normal /= np.maximum(np.linalg.norm(true_normal, axis=2, keepdims=True), 1e-9)
    true_normal *= np.sign(np.sum(true_normal * facing, 2, keepdims=True) + 1e-12)
    view = scene.camera.C - centre3
    view /= np.linalg.norm(view, axis=1, keepdims=True)
    toward = scene.lamp - centre3
    toward /= np.linalg.norm(toward, axis=1, keepdims=True)
    seen = np.sum(true_normal * view[:, None], 2) > 0
    lambert = np.clip(np.sum(true_normal * toward[:, None], 2), 0, None)
    key = {"soft": 0.35, "window": 0.6, "sun": 0.8, "flash": 0.7}[scene.light] * rng.uniform(0.6, 1.2)
    sky = 0.5 + 0.5 * np.clip(true_normal @ np.array([0, 1.0, 0.3]), -1, 1)
    lum = (1 - key) * (0.75 + 0.5 * rng.random() * (sky - 0.5)) + key * lambert * 1.15
    half_way = toward + view
    half_way /= np.linalg.norm(half_way, axis=1, keepdims=True)
    if rng.random() < 0.4:  # varnish
        lum += rng.uniform(0, 0.7) * np.clip(
            np.sum(true_normal * half_way[:, None], 2), 0, None
        ) ** rng.uniform(6, 60)
    group = np.where(np.abs(facets[:, 1]) > np.abs(facets[:, 0]), 0, np.where(facets[:, 0] > 0, 1, 2))
    face_gain = np.where(
        group == 0,
        rng.uniform(0.75, 1.25),
        np.where(group == 1, rng.uniform(0.7, 1.3), rng.uniform(0.6, 1.2)),
    )
    lum = lum * face_gain * rng.uniform(0.75, 1.2)
    lum = np.where(seen, lum, np.nan)
    pick = np.clip(np.round(at).astype(int), 0, len(lum) - 1)
    skin, a, b = _bow_skin(canvas, offsets, lum[pick], group, at, board)

    reach = float(max(-offsets.min(), offsets.max())) + 2
    pad = int(reach) + 3
    x0, y0 = (np.floor(axis.min(0)) - pad).astype(int)
    x1, y1 = (np.ceil(axis.max(0)) + pad).astype(int)
    x0, y0, x1, y1 = max(x0, -pad), max(y0, -pad), min(x1, canvas.w + pad), min(y1, canvas.h + pad)
    if x1 - x0 < 3 or y1 - y0 < 3:
        return traced
    cells = np.round(axis - [x0, y0]).astype(int)
    ok = (cells[:, 0] >= 0) & (cells[:, 1] >= 0) & (cells[:, 0] < x1 - x0) & (cells[:, 1] < y1 - y0)
    if not np.any(ok):
        return traced
    seed = np.full((y1 - y0, x1 - x0), 255, np.uint8)
    seed[cells[ok, 1], cells[ok, 0]] = 0
    dist, owner = cv2.distanceTransformWithLabels(seed, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    table = np.zeros(int(owner.max()) + 1, np.int64)
    table[owner[cells[ok, 1], cells[ok, 0]]] = np.flatnonzero(ok)
    sub = dist[max(0, -y0) : canvas.h - y0, max(0, -x0) : canvas.w - x0]
    ys, xs = np.nonzero(sub <= reach + 1.5)
    if len(ys) == 0:
        return traced
    ys, xs = ys + max(0, y0), xs + max(0, x0)
    i = table[owner[ys - y0, xs - x0]]
    tangent = np.stack([nrm[:, 1], -nrm[:, 0]], 1)
    dx, dy = xs - axis[i, 0], ys - axis[i, 1]
    tx, ty, nx, ny = tangent[i, 0], tangent[i, 1], nrm[i, 0], nrm[i, 1]
    cols = 2048
    rows = -(-len(i) // cols)
    total = np.zeros((rows * cols, 4), np.float32)
    for ox in (-1 / 3, 0, 1 / 3):
        for oy in (-1 / 3, 0, 1 / 3):
            sx, sy = dx + ox, dy + oy
            along_px = np.zeros(rows * cols, np.float32)
            across_px = np.full(rows * cols, -10, np.float32)
            along_px[: len(i)] = i + sx * tx + sy * ty
            across_px[: len(i)] = (sx * nx + sy * ny) * a + b
            got = cv2.remap(
                skin,
                across_px.reshape(rows, cols),
                along_px.reshape(rows, cols),
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_CONSTANT,
            ).reshape(-1, 4)
            total[:, :3] += got[:, :3] * got[:, 3:]
            total[:, 3] += got[:, 3]
    total /= 9
    cover = total[: len(i), 3:]
    canvas.colour[ys, xs] = canvas.colour[ys, xs] * (1 - cover) + total[: len(i), :3]
    canvas.labels[ys, xs] *= 1 - cover
    canvas.labels[ys, xs, 0] = np.maximum(canvas.labels[ys, xs, 0], cover[:, 0])
    return traced


def _shadows(canvas: Canvas) -> Array | None:
    """Cast shadow of bow and string on the plane; returns the shadow's axis (n, 2) in window pixels."""
    rng, scene = canvas.rng, canvas.scene
    corners, centre3, _, _ = _bow_points(scene)
    if scene.lamp[2] <= corners[..., 2].max() + 1:
        return None
    shade = canvas.pixels(scene.shade_point(corners))
    spine = canvas.pixels(scene.shade_point(centre3))
    axis, nrm, offsets, _ = _project_sweep(shade, spine)
    ok = np.all(np.abs(axis) < 6000, axis=1)
    if ok.sum() < 8:
        return None
    axis, nrm, offsets = axis[ok], nrm[ok], offsets[ok]
    outline = np.concatenate(
        [axis + nrm * offsets.min(1)[:, None], (axis + nrm * offsets.max(1)[:, None])[::-1]]
    )
    lift = max(scene.standoff, 0.5) * canvas.ppi
    strength, blur = {
        "soft": (rng.uniform(0.03, 0.3), lift * rng.uniform(0.15, 0.6)),
        "window": (rng.uniform(0.1, 0.55), lift * rng.uniform(0.03, 0.25)),
        "sun": (rng.uniform(0.25, 0.85), lift * rng.uniform(0.002, 0.03)),
        "flash": (rng.uniform(0.2, 0.9), lift * rng.uniform(0.005, 0.05)),
    }[scene.light]
    if not scene.has_board and rng.random() < 0.4:
        strength = 0.0
    blur = float(np.clip(blur, 0.25, 60))
    tint = np.array([1.0, 0.97, 0.92], np.float32) if scene.light == "sun" else np.ones(3, np.float32)
    got = canvas.mask([outline], blur)
    if got is not None and strength > 0:
        canvas.darken(got, strength, tint)
        # A shadow too faint to see must not be asked for.
        told = (
            np.clip(strength / 0.25, 0, 1) * (0 if strength < 0.08 else 1) * (1 if blur < 0.6 * lift else 0.5)
        )
        rows, cols, m = got
        canvas.labels[rows, cols, 2] = np.maximum(canvas.labels[rows, cols, 2], m * told)
    half = rng.uniform(0.03, 0.08)
    for line in scene.bow.strings:
        fine = np.stack(
            [np.interp(np.linspace(0, 1, 40), np.linspace(0, 1, len(line)), line[:, k]) for k in (0, 1)], 1
        )
        world = scene.world(fine)
        path = canvas.pixels(scene.shade_point(world))
        if np.any(np.abs(path) > 6000) or strength == 0:
            continue
        got = canvas.mask([ribbon(path, max(half * canvas.ppi, 0.3))], blur)
        if got is not None:
            canvas.darken(got, strength * 0.8, tint)
            if blur < 2:
                rows, cols, m = got
                canvas.labels[rows, cols, 2] = np.maximum(
                    canvas.labels[rows, cols, 2], m * min(strength / 0.3, 1)
                )
    if rng.random() < 0.5:  # the faint gloom a body leaves on a wall close behind it
        outline0 = ribbon(canvas.pixels(centre3), max(1.0, 0.4 * canvas.ppi))
        canvas.darken(
            canvas.mask([outline0], float(np.clip(lift * rng.uniform(0.2, 0.8), 2, 60))),
            rng.uniform(0, 0.2),
            np.ones(3, np.float32),
        )
    return axis


def _draw_string(canvas: Canvas) -> None:
    rng, scene = canvas.rng, canvas.scene
    colour = {
        0: np.float32([0.9, 0.9, 0.88]), 1: np.float32([0.08, 0.08, 0.08]), 2: np.float32([0.7, 0.58, 0.4]),
    }.get(int(rng.integers(0, 5)), textures.any_colour(rng))  # fmt: skip
    half = rng.uniform(0.025, 0.09)
    for line in scene.bow.strings:
        fine = np.stack(
            [np.interp(np.linspace(0, 1, 60), np.linspace(0, 1, len(line)), line[:, k]) for k in (0, 1)], 1
        )
        path = canvas.pixels(scene.world(fine, 0.1))
        half_px = max(half * canvas.ppi, 0.28)
        got = canvas.mask([ribbon(path, half_px)], ss=4)
        if got is None:
            continue
        rows, cols, m = got
        c = m[..., None]
        canvas.colour[rows, cols] += (colour - canvas.colour[rows, cols]) * c
        canvas.labels[rows, cols] *= 1 - c
        canvas.labels[rows, cols, 1] = np.maximum(canvas.labels[rows, cols, 1], np.clip(m * 1.3, 0, 1))
        if rng.random() < 0.3 and len(line) == 2:  # serving at the middle
            part = fine[int(rng.integers(20, 28)) : int(rng.integers(32, 40))]
            serving = textures.any_colour(rng)
            got = canvas.mask([ribbon(canvas.pixels(scene.world(part, 0.1)), half_px * 1.4)], ss=4)
            if got is not None:
                rows, cols, m = got
                canvas.colour[rows, cols] += (serving - canvas.colour[rows, cols]) * m[..., None]
                canvas.labels[rows, cols, 1] = np.maximum(canvas.labels[rows, cols, 1], m)


def _room_light(canvas: Canvas) -> None:
    """Gradients, vignette, patches of sun and shade over everything drawn so far."""
    rng = canvas.rng
    w, h = canvas.scene.camera.size
    x = ((np.arange(canvas.w, dtype=np.float32) + canvas.x0) / w - 0.5)[None]
    y = ((np.arange(canvas.h, dtype=np.float32) + canvas.y0) / w - 0.5 * h / w)[:, None]
    gain = 1 + rng.normal(0, 0.3) * x + rng.normal(0, 0.3) * y
    if canvas.scene.light == "flash" or rng.random() < 0.4:
        gain = gain * (1 - rng.uniform(0, 1.2) * (x * x + y * y))
    canvas.colour *= np.clip(gain, 0.2, 1.8)[..., None]


def _patches_of_shade(canvas: Canvas) -> None:
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


# --------------------------------------------------------------------------------------------- the photograph


@dataclass(frozen=True)
class Drawn:
    """A drawn window: colour (h, w, 3) 0-1 before the camera's faults, labels (h, w, 3) 0-1, the bow's
    outline, and
    the axis of its shadow (n, 2) or None, in window pixels."""

    colour: Floats
    labels: Floats
    traced: Traced | None
    shadow_axis: Array | None


def draw(
    scene: Scene, window: tuple[int, int, int, int], rng: Rng, bank: textures.TextureBank, bare: bool = False
) -> Drawn:
    """Draw the window (x0, y0, width, height) of the scene's picture; bare leaves the bow away."""
    canvas = Canvas(scene, window, rng, bank)
    board = _background(canvas)
    if scene.has_board or rng.random() < 0.2:
        _marks(canvas)
    if rng.random() < 0.2:
        _patches_of_shade(canvas)
    hung = rng.random() < (0.75 if scene.bow.state == "drawn" else 0.3)
    before = rng.random() < 0.5
    many = int(rng.choice([0, 4, 12, 25], p=[0.3, 0.3, 0.25, 0.15]))
    if before:
        _clutter(canvas, many, front=False)
    spine = None if bare else _shadows(canvas)
    if not before:
        _clutter(canvas, many, front=False)
    if rng.random() < (0.1 if hung else 0.3):
        _person_behind(canvas)
    if hung:
        _post(canvas)
    _room_light(canvas)
    if bare:
        return Drawn(canvas.colour, canvas.labels, None, None)
    string_first = rng.random() < 0.4
    if string_first:
        _draw_string(canvas)
    traced = _draw_bow(canvas, board)
    if not string_first:
        _draw_string(canvas)
    if hung and rng.random() < 0.6:
        _cradle(canvas)
    if rng.random() < 0.12:
        _clutter(canvas, int(rng.integers(1, 3)), front=True)
    finger = 0.75 * canvas.ppi * rng.uniform(0.8, 1.3)
    if rng.random() < (0.03 if hung else 0.3):
        _hand(canvas, canvas.pixels(scene.world(np.array([rng.normal(0, 1), -0.3]))), finger)
    if scene.bow.hook is not None and not hung and rng.random() < 0.4:
        _hand(canvas, canvas.pixels(scene.world(scene.bow.hook)), finger)
    return Drawn(canvas.colour, canvas.labels, traced, spine)


def expose(colour: Floats, rng: Rng, sharpness: float = 1.0) -> Bytes:
    """What a phone makes of it: exposure, white balance, tone curve, blur, sharpening, noise, JPEG. (h, w,
    3) uint8.

    sharpness scales the blur: below 1 for pictures drawn smaller than a camera would take them.
    """
    img = np.clip(colour, 0, 2)
    img = img * np.float32(rng.uniform(0.75, 1.3)) * rng.normal(1, 0.05, 3).astype(np.float32)
    if rng.random() < 0.25:  # lamp light or shade
        warm = rng.normal(0, 0.15)
        img = img * np.float32([1 + warm, 1, 1 - warm])
    if rng.random() < 0.5:
        img = np.clip(img, 0, 1.5) ** np.float32(rng.uniform(0.65, 1.5))
    if rng.random() < 0.12:  # shade all over
        img = img * np.float32(rng.uniform(0.3, 0.6))
    img = cv2.GaussianBlur(img.astype(np.float32), (0, 0), max(0.25, rng.uniform(0.35, 1.5) * sharpness))
    if rng.random() < 0.06:
        k = np.zeros((9, 9), np.float32)
        t = rng.uniform(0, np.pi)
        r = rng.uniform(1, 3.5) * sharpness
        p, q = (4 - r * np.cos(t), 4 - r * np.sin(t)), (4 + r * np.cos(t), 4 + r * np.sin(t))
        cv2.line(k, (round(p[0]), round(p[1])), (round(q[0]), round(q[1])), 1.0, 1)
        img = cv2.filter2D(img, -1, k / max(k.sum(), 1))
    shape = img.shape[:2]
    sigma = rng.choice([0.003, 0.01, 0.025, 0.05], p=[0.3, 0.35, 0.25, 0.1]) * rng.uniform(0.6, 1.2)
    grey = rng.standard_normal(shape, dtype=np.float32)[..., None]
    chroma = rng.standard_normal((*shape, 3), dtype=np.float32)
    img = img + sigma * np.sqrt(np.clip(img, 0.02, 1)) * (grey + rng.uniform(0, 0.8) * chroma)
    if rng.random() < 0.5:
        soft = cv2.GaussianBlur(img, (0, 0), rng.uniform(0.8, 2.0))
        img = img + rng.uniform(0.2, 1.0) * (img - soft)
    out = np.clip(img * 255 + 0.5, 0, 255).astype(np.uint8)
    if rng.random() < 0.85:
        ok, data = cv2.imencode(".jpg", out, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 97))])
        if ok:
            out = cv2.imdecode(data, cv2.IMREAD_COLOR).astype(np.uint8)
    return out


def finder_sample(
    rng: Rng, bank: textures.TextureBank, size: tuple[int, int] = (1024, 768)
) -> tuple[Bytes, Bytes]:
    """A whole photograph of `size` (width, height) and its labels at half size, both uint8."""
    scale = float(rng.choice([1.0, 1.25, 1.5]))
    w, h = round(size[0] * scale), round(size[1] * scale)
    bare = rng.random() < 0.05
    got = draw(random_scene(rng, (w, h)), (0, 0, w, h), rng, bank, bare)
    picture = expose(got.colour, rng, sharpness=0.7)
    if scale != 1.0:
        picture = cv2.resize(picture, size, interpolation=cv2.INTER_AREA).astype(np.uint8)
    labels = cv2.resize(got.labels, (size[0] // 2, size[1] // 2), interpolation=cv2.INTER_AREA)
    # A string thinner than a map pixel still counts where it passes.
    labels[..., 1] = np.clip(labels[..., 1] * 2.0, 0, 1)
    return picture, np.clip(labels * 255 + 0.5, 0, 255).astype(np.uint8)


# --------------------------------------------------------------------------------------------- strips


def cut_strip(picture: NDArray, path: Array, across: int = 64) -> NDArray:
    """Sample a picture along a path: rows across the path, columns along it, both at the path's own step.

    path: (n, 2) pixels, equally spaced. Row r lies (r - (across - 1) / 2) steps along the left-hand normal
    (-ty, tx).
    """
    step = float(np.linalg.norm(np.diff(path, axis=0), axis=1).mean())
    t = np.gradient(path, axis=0)
    t /= np.linalg.norm(t, axis=1, keepdims=True)
    n = np.stack([-t[:, 1], t[:, 0]], 1)
    rows = (np.arange(across) - (across - 1) / 2) * step
    at = path[None] + rows[:, None, None] * n[None]
    return cv2.remap(
        picture,
        at[..., 0].astype(np.float32),
        at[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT_101,
    )


def _walk(axis: Array, start: float, step: float, n: int) -> Array:
    """n points every `step` px along a polyline from arc length `start` on; goes straight on beyond its
    ends.
    """
    seg = np.linalg.norm(np.diff(axis, axis=0), axis=1)
    s = np.concatenate([[0], np.cumsum(seg)])
    want = start + step * np.arange(n)
    out = np.stack([np.interp(want, s, axis[:, k]) for k in (0, 1)], 1)
    k = min(12, len(axis) - 1)
    head, tail = axis[0] - axis[k], axis[-1] - axis[-1 - k]
    head, tail = head / max(np.linalg.norm(head), 1e-6), tail / max(np.linalg.norm(tail), 1e-6)
    out += np.maximum(-want, 0)[:, None] * head + np.maximum(want - s[-1], 0)[:, None] * tail
    return out


def strip_samples(
    rng: Rng, bank: textures.TextureBank, n: int = 512, count: int = 2
) -> list[tuple[Bytes, Bytes]]:
    """Strips (64, n, 3) uint8 with labels (64, n, 3) uint8, cut from one window of a full-resolution
    photograph.
    """
    w = int(rng.integers(1400, 4033))
    size = (w, w * 3 // 4)
    # Slivers of flash shadow along a limb are what most often passes for part of it.
    scene = random_scene(rng, size, lights=(0.14, 0.18, 0.26, 0.42))
    corners, centre3, _, _ = _bow_points(scene)
    axis, nrm, offsets, _ = _project_sweep(scene.camera.project(corners), scene.camera.project(centre3))
    low, high = offsets.min(1), offsets.max(1)
    thick = float(np.median(high - low))
    if not 4.5 <= thick <= 42.0:
        return []
    middle = axis + nrm * ((low + high) / 2)[:, None]
    middle = np.stack(
        [np.convolve(np.pad(middle[:, k], 10, mode="edge"), np.ones(21) / 21, "valid") for k in (0, 1)], 1
    )
    middle[:10], middle[-10:] = axis[:10], axis[-10:]
    length = float(np.sum(np.linalg.norm(np.diff(middle, axis=0), axis=1)))
    lo_step, hi_step = max(0.75, thick / 26), min(1.5, thick / 8)
    if lo_step > hi_step:
        lo_step, hi_step = (1.0, 1.5) if thick > 26 else (0.75, 0.8)
    step = float(rng.uniform(lo_step, hi_step))
    which = rng.random()
    if which < 0.18:
        start = -40 * step * rng.random()
    elif which < 0.36:
        start = length - step * n + 40 * step * rng.random()
    elif which < 0.55:
        start = length / 2 - step * n * rng.random()
    else:
        start = rng.uniform(0, max(length - step * n, 1))
    rough = _walk(middle, start, step, n)
    margin = 34 * step + 14
    turn = np.diff(np.unwrap(np.arctan2(*np.diff(middle[::8], axis=0).T)))
    if len(turn) and np.abs(turn).max() / 8 * thick > 0.5:  # end-on views fold the silhouette over itself
        return []
    x0, y0 = np.floor(rough.min(0) - margin).astype(int)
    x1, y1 = np.ceil(rough.max(0) + margin).astype(int)
    x0, y0, x1, y1 = max(x0, 0), max(y0, 0), min(x1, size[0]), min(y1, size[1])
    if x1 - x0 < 100 or y1 - y0 < 40:
        return []
    got = draw(scene, (x0, y0, x1 - x0, y1 - y0), rng, bank)
    picture = expose(got.colour, rng)
    out = []
    for k in range(count):
        base = rough - [x0, y0]
        if k and rng.random() < 0.25 and got.shadow_axis is not None and len(got.shadow_axis) > n:
            begin = rng.uniform(0, len(got.shadow_axis) - n)
            base = _walk(got.shadow_axis, begin, step, n)
        t = np.gradient(base, axis=0)
        t /= np.linalg.norm(t, axis=1, keepdims=True)
        left = np.stack([-t[:, 1], t[:, 0]], 1)
        knots = rng.integers(2, 7)
        sway = np.interp(np.arange(n), np.linspace(0, n, knots), rng.uniform(-8, 8, knots) * rng.random())
        sway = np.convolve(np.pad(sway, 30, mode="edge"), np.ones(61) / 61, "valid")
        path = base + left * (sway * step)[:, None]
        inside = np.mean(
            (path[:, 0] > 0) & (path[:, 1] > 0) & (path[:, 0] < x1 - x0 - 1) & (path[:, 1] < y1 - y0 - 1)
        )
        if inside < 0.6:
            continue
        # Equal steps again after the sway.
        s = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
        even = np.linspace(0, s[-1], n)
        path = np.stack([np.interp(even, s, path[:, j]) for j in (0, 1)], 1)
        strip = cut_strip(picture, path)
        labels = cut_strip(got.labels, path)
        out.append((strip, np.clip(labels * 255 + 0.5, 0, 255).astype(np.uint8)))
    return out
