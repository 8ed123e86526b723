"""What stands round the bow in a ray-traced scene, and what lights it. Inches, the board is the plane z = 0."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from training import limbs, lumber, textures
from training.board import BEHIND, WALLS
from training.camera import Scene

from studio.meshes import Mesh, Place, block, leaves, sheet, tube  # isort: skip  (limbs makes it importable)
from studio.stage import to_mitsuba  # isort: skip

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Bytes = NDArray[np.uint8]
Rng = np.random.Generator
PALETTE = 32
LIGHTS = ("flash", "sun", "window", "shop", "soft", "mixed")


@dataclass(frozen=True, eq=False)
class Surroundings:
    """Textured sheets, everything else as one mesh coloured from a palette, and the board's mean colour (3,)."""

    board: Mesh
    board_skin: Bytes
    wall: Mesh
    wall_skin: Bytes
    things: Mesh
    palette: Bytes
    colour: Floats
    dim: float = 1.0  # how bright the bow's skin is, of what it would be


def bytes_of(picture: Floats) -> Bytes:
    return np.asarray(np.clip(picture * 255, 3, 250), np.uint8)


def _tiled(box: tuple[float, float, float, float], z: float, texels: float, turn: float, rng: Rng) -> Mesh:
    """A sheet x0, x1, y0, y1 at z with its texture repeated; texels an inch."""
    x0, x1, y0, y1 = box
    flat = sheet(np.array([[x0, y1, z], [x1, y1, z], [x1, y0, z], [x0, y0, z]]))
    c, s = np.cos(turn), np.sin(turn)
    uv = flat.points[:, :2] @ np.array([[c, s], [-s, c]]) * texels / textures.TILE + rng.uniform(0, 1, 2)
    return Mesh(flat.points, flat.faces, uv)


class _Things:
    """Collects meshes of one colour each and the palette they point into."""

    def __init__(self, rng: Rng) -> None:
        self.rng, self.parts = rng, [block(Place((0, 0)), (0, 0.01), (0, 0.01), (-50, -49.9))]
        grain = 1 + 0.05 * rng.standard_normal((256, PALETTE, 1)).astype(np.float32)
        grain *= 1 + 0.06 * cv2.resize(rng.standard_normal((9, PALETTE)).astype(np.float32), (PALETTE, 256))[..., None]
        colours = [textures.wood_colour(rng) if k < 10 else textures.any_colour(rng) for k in range(PALETTE)]
        self.palette = bytes_of(np.array(colours)[None] * grain)

    def add(self, mesh: Mesh, column: int | None = None) -> None:
        k = int(self.rng.integers(PALETTE)) if column is None else column
        self.parts.append(limbs.coloured(mesh, k, PALETTE))


def _lines(scene: Scene, things: _Things, rng: Rng, half: Array) -> None:
    """Ruled lines or a grid on the board, thin sheets a hair before it."""
    step, wide = rng.choice([0.5, 1.0, 1.0, 2.0, 3.0, 4.0]), rng.uniform(0.02, 0.13)
    turn, ink = rng.normal(0, 0.01), int(rng.integers(10, PALETTE))
    c, s = np.cos(turn), np.sin(turn)
    families = [0] if rng.random() < 0.4 else [0, 1]
    for family in families:
        reach, other = (half[1], half[0]) if family == 0 else (half[0], half[1])
        quads = []
        for at in np.arange(-reach + rng.uniform(0, step), reach, step):
            w = wide * (2 if rng.random() < 0.1 else 1) / 2
            q = np.array([[-other, at + w], [other, at + w], [other, at - w], [-other, at - w]])
            q = q if family == 0 else q[:, ::-1]
            quads.append(sheet(np.column_stack([q @ np.array([[c, s], [-s, c]]), np.full(4, 0.01 + 0.002 * family)])))
        things.add(limbs.join(quads), ink)


def _rods(scene: Scene, things: _Things, rng: Rng, around: Array) -> None:
    """Battens, dowels, cables, tools, notes about and behind the bow."""
    front = scene.standoff if scene.standoff < 30 else 30.0
    for _ in range(int(rng.choice([4, 12, 24] if scene.setting == "shop" else [0, 2, 5, 9]))):
        x, y = around[rng.integers(len(around))][:2] + rng.normal(0, [10, 6])
        z = rng.uniform(0, max(front - 0.9, 0.1))
        angle = rng.choice([0, np.pi / 2, rng.uniform(0, np.pi)]) + rng.normal(0, 0.05)
        here = Place((float(x), float(y)), float(angle), False, float(z))
        kind = rng.integers(4)
        if kind == 0:
            long, half = rng.uniform(4, 40), rng.uniform(0.1, 1.0)
            things.add(block(here, (-long / 2, long / 2), (-half, half), (0, rng.uniform(0.05, 0.8))))
        elif kind == 1:
            long = rng.uniform(5, 50)
            t = np.linspace(-long / 2, long / 2, 30)
            bend = rng.normal(0, 0.004) * t**2 + rng.normal(0, 0.3) * np.sin(t / rng.uniform(3, 9))
            things.add(tube(here.world(np.stack([t, bend], 1), 0.2), rng.uniform(0.03, 0.35), 8))
        else:
            w, h = np.exp(rng.uniform(np.log(0.6), np.log(6), 2))
            things.add(block(here, (-w, w), (-h, h), (0, rng.choice([0.01, 0.5, 1.5]))))


def _timber(scene: Scene, things: _Things, rng: Rng, lo: Array, hi: Array) -> None:
    """Staves, pipes, laths, hoops: what `lumber` draws, here as solids."""
    front = float(np.clip(scene.standoff - 0.6, 0.1, 12.0))
    for piece in lumber.pieces(rng, scene, lo, hi, front):
        middle = (piece.z[0] + piece.z[1]) / 2
        column = int(rng.integers(10)) if rng.random() < 0.75 else None
        if piece.kind == "pipe":
            line = np.column_stack([piece.line, np.full(len(piece.line), middle)])
            things.add(tube(line, piece.half, 12), column)
            continue
        a, b = piece.line[0], piece.line[-1]
        (ux, uy), (vx, vy) = b - a, piece.line[len(piece.line) // 2] - a
        straight = abs(float(ux * vy - uy * vx)) < 1e-6 * float((b - a) @ (b - a)) + 1e-9
        ends = [(a, b)] if straight else list(zip(piece.line[:-1:3], piece.line[3::3], strict=False))
        for p, q in ends:
            here = Place((float((p + q)[0] / 2), float((p + q)[1] / 2)), float(np.arctan2(*(q - p)[::-1])), False, 0.0)
            half = float(np.linalg.norm(q - p)) / 2 * (1.0 if straight else 1.02)
            things.add(block(here, (-half, half), (-piece.half, piece.half), piece.z), column)


def _rack(scene: Scene, things: _Things, rng: Rng, lo: Array, hi: Array) -> None:
    """A rack of shelves over the whole wall behind the bow, full of things."""
    deep = max(min(rng.uniform(4, 12), scene.standoff - float(scene.bow.half_width.max()) - 0.3), 0.3)
    apart, thick, wood = rng.uniform(8, 20), rng.uniform(0.4, 1.3), int(rng.integers(10))
    here = Place((0.0, 0.0))
    for y in np.arange(lo[1] + rng.uniform(0, apart), hi[1], apart):
        things.add(block(here, (lo[0], hi[0]), (y, y + thick), (0, deep)), wood)
        x = lo[0] + rng.uniform(0, 5)
        while x < hi[0]:
            w, h = rng.uniform(0.8, 5), rng.uniform(0.2, 0.85) * (apart - thick)
            if rng.random() < 0.6:
                front = rng.uniform(0.4, 0.98) * deep
                things.add(block(here, (x, x + w), (y + thick, y + thick + h), (max(front - w, 0.0), front)))
            x += w * rng.uniform(1.0, 2.0)
    for x in np.arange(lo[0] + rng.uniform(0, 40), hi[0], rng.uniform(18, 50)):
        things.add(block(here, (x, x + thick), (lo[1], hi[1]), (0, deep)), wood)


def _bars(things: _Things, rng: Rng, lo: Array, hi: Array) -> None:
    """Rails and mouldings from rim to rim."""
    wood, upright = int(rng.integers(PALETTE)), bool(rng.random() < 0.5)
    a, b = (lo[::-1], hi[::-1]) if upright else (lo, hi)
    for _ in range(int(rng.integers(1, 5))):
        at, half = rng.uniform(a[1], b[1]), rng.uniform(0.2, 1.2)
        tilt = rng.normal(0, 0.01) + (np.pi / 2 if upright else 0)
        middle = ((a[0] + b[0]) / 2, at)
        here = Place((float(middle[1]), float(middle[0])) if upright else (float(middle[0]), float(middle[1])), float(tilt))
        long = float(b[0] - a[0])
        things.add(block(here, (-long, long), (-half, half), (0, half)), wood)


def _other_bow(scene: Scene, things: _Things, rng: Rng) -> None:
    """A bow that is not the one meant, with its string."""
    other = lumber.other_bow(rng, scene)
    if other is None:
        return
    things.add(limbs.sweep(other, rng)[0], int(rng.integers(10)))
    cord = limbs.strings(other, rng)
    if cord is not None:
        things.add(cord)


def _shelves(scene: Scene, things: _Things, rng: Rng, lo: Array, hi: Array) -> None:
    """Shelves and a bench behind the bow, with things standing on them."""
    deepest = max(scene.standoff - float(scene.bow.half_width.max()) - 0.5, 0.3)
    for k in range(int(rng.integers(1, 5))):
        bench = k == 0 and rng.random() < 0.5
        level = lo[1] - rng.uniform(1, 25) if bench else rng.uniform(lo[1] - 15, hi[1] + 15)
        x, half, deep = rng.normal((lo[0] + hi[0]) / 2, 20), rng.uniform(10, 50), min(rng.uniform(3, 24 if bench else 9), deepest)
        here = Place((float(x), float(level)), 0.0, False, 0.0)
        things.add(block(here, (-half, half), (-rng.uniform(0.5, 2.5), 0), (0, deep)), int(rng.integers(10)))
        for _ in range(int(rng.integers(0, 14))):
            at, w, h = rng.uniform(-half, half), rng.uniform(0.15, 3), np.exp(rng.uniform(np.log(0.5), np.log(8)))
            front = rng.uniform(0.05, 1.0) * deep
            things.add(block(here, (at - w, at + w), (0, h), (max(front - 2 * w, 0.0), front)))


def _rig(scene: Scene, things: _Things, rng: Rng) -> None:
    """Post behind the grip, cradle under it, hook, scale and rope."""
    bow = scene.bow
    mid = int(np.argmin(np.abs(bow.s - bow.s[-1] / 2)))
    turn = float(np.arctan2(scene.pose[1, 0], scene.pose[0, 0]))
    here = Place((float(scene.place[0]), float(scene.place[1])), turn, False, float(scene.place[2]))
    wood = int(rng.integers(10))
    half, belly = rng.uniform(0.5, 2.0), -bow.belly[mid]
    deep = min(scene.standoff, 3.0)
    post = (-deep, min(-deep + rng.uniform(0.5, 1.5), -bow.half_width[mid] - 0.1))
    top = rng.uniform(-2, 0.6)
    if post[1] > post[0]:
        things.add(block(here, (-half, half), (-rng.uniform(15, 80), belly + top), post), wood)
    if rng.random() < 0.8:
        front = bow.half_width[mid] * rng.uniform(-0.5, 1.6)
        things.add(block(here, (-half * 0.8, half * 0.8), (belly - rng.uniform(0.5, 3), belly - 0.02), (-deep, front)), wood)
    if bow.hook is not None:
        x, y = bow.hook
        things.add(tube(here.world(np.array([[x, y - 0.1], [x, y - rng.uniform(4, 50)]]), 0.0), rng.uniform(0.05, 0.2), 8))
        if rng.random() < 0.7:
            w, low, tall = rng.uniform(0.4, 1.4), y - rng.uniform(0.5, 2), rng.uniform(1, 5)
            things.add(block(here, (x - w, x + w), (low - tall, low), (-0.4, 0.6)))


def around(scene: Scene, rng: Rng, bank: textures.TextureBank, ppi: float, reach: Array) -> Surroundings:
    """Board or garden, ruled lines, rig and odds and ends. reach (n, 3): points of the bow and its string."""
    things = _Things(rng)
    lo, hi = reach.min(0)[:2], reach.max(0)[:2]
    centre, half = (lo + hi) / 2, (hi - lo) / 2
    tile = bank.get(str(rng.choice(BEHIND[scene.setting])))
    other = bank.get(str(rng.choice(WALLS)))
    finest = 0.45 if ppi < 30 else 0.2
    scale = lambda: ppi * float(np.exp(rng.uniform(np.log(finest), np.log(1.1))))  # noqa: E731
    big = half + (rng.uniform(3, 14, 2) if scene.setting == "board" and rng.random() < 0.6 else rng.uniform(80, 160, 2))
    turn = rng.normal(0, 0.03) + rng.choice([0, np.pi / 2])
    if rng.random() < 0.3:  # joints along the bow itself
        turn = np.arctan2(scene.pose[1, 0], scene.pose[0, 0]) + rng.normal(0, 0.02)
    box = (centre[0] - big[0], centre[0] + big[0], centre[1] - big[1], centre[1] + big[1])
    board = _tiled(box, 0.0, scale(), turn, rng)
    far = np.max(half) + 250
    wall = _tiled((centre[0] - far, centre[0] + far, centre[1] - far, centre[1] + far), -rng.uniform(0.5, 4.0), scale(),
                  rng.uniform(0, 3), rng)  # fmt: skip
    if scene.setting == "board" and rng.random() < 0.45:
        _lines(scene, things, rng, np.minimum(big + np.abs(centre), 120))
    _rods(scene, things, rng, reach)
    shop = lumber.of_a_shop(rng, bank.cluttered)
    if shop != lumber.Shop():
        low, high = lumber.seen(scene)
        if shop.rack:
            _rack(scene, things, rng, low, high)
        if shop.bars:
            _bars(things, rng, low, high)
        if shop.timber:
            _timber(scene, things, rng, low, high)
        if shop.bow:
            _other_bow(scene, things, rng)
    if scene.setting == "shop" or (scene.setting != "floor" and rng.random() < 0.2):
        _shelves(scene, things, rng, lo, hi)
    if scene.setting != "floor" and rng.random() < (0.8 if scene.bow.state == "drawn" else 0.35):
        _rig(scene, things, rng)
    if scene.setting in ("wall", "yard") and rng.random() < 0.45:  # a hedge before the wall, grass below
        depth = max(scene.standoff - 4, 2.0)
        low = np.array([centre[0] - half[0] - 15, lo[1] - 20, depth * 0.3])
        high = np.array([centre[0] + half[0] + 15, hi[1] + 20, depth])
        hedge = leaves(rng, 9000, low, high, rng.uniform(0.5, 1.6))
        mid = int(rng.integers(10, PALETTE))
        green = np.array([0.28, 0.42, 0.16]) * rng.uniform(0.5, 1.5)
        things.palette[:, mid] = bytes_of((green * rng.uniform(0.4, 1.7, (256, 1))).astype(np.float32))
        things.add(hedge, mid)
    return Surroundings(board, bytes_of(tile), wall, bytes_of(other), limbs.join(things.parts), things.palette,
                        np.asarray(tile[::16, ::16].mean((0, 1)), np.float32), shop.dim)  # fmt: skip


def _panel(name: str, at: Array, to: Array, size: tuple[float, float], irradiance: float, tint: Array) -> Any:
    """A lamp that gives about that irradiance at `to`: a mesh, for its numbers stay out of the compiled kernel."""
    ahead = (to - at) / np.linalg.norm(to - at)
    across = np.cross(ahead, [0.03, 0.97, 0.22])
    across /= np.linalg.norm(across)
    up = np.cross(across, ahead)
    a, b = across * size[0] / 2, up * size[1] / 2
    quad = sheet(np.stack([at + a + b, at - a + b, at - a - b, at + a - b]))
    power = [float(v) for v in irradiance * float(np.sum((at - to) ** 2)) / (size[0] * size[1]) * tint]
    facing = np.cross(quad.points[2] - quad.points[0], quad.points[1] - quad.points[0]) @ ahead > 0
    mesh = quad if facing else Mesh(quad.points, quad.faces[:, ::-1], quad.uv)
    return to_mitsuba(name, mesh, {"type": "area", "radiance": {"type": "rgb", "value": power}})


def lamps(scene: Scene, rng: Rng, light: str) -> tuple[dict[str, Any], Array]:
    """Always two panels and a sky, so that one compiled kernel serves all; and where the main one stands."""
    to, eye = scene.place, scene.camera.C
    warm = lambda s: np.array([1, 1, 1]) * (1 + rng.normal(0, s) * np.array([1, 0.2, -1]))  # noqa: E731

    def flash() -> tuple[Array, tuple[float, float], float]:
        off, a = np.exp(rng.uniform(np.log(0.4), np.log(4.0))), rng.uniform(0, 2 * np.pi)
        size = rng.uniform(0.3, 1.0)
        at = eye + scene.camera.R.T @ np.array([off * np.cos(a), off * np.sin(a), 0])
        return at, (size, size), float(np.exp(rng.uniform(np.log(0.02), np.log(0.5))))

    def sun() -> tuple[Array, tuple[float, float], float]:
        d = np.array([*rng.normal(0, 1, 2), 0.0])
        d = d / np.linalg.norm(d) * rng.uniform(0.1, 2.2) + [0, 0, 1]
        return to + 1300 * d / np.linalg.norm(d), (11.5, 11.5), rng.uniform(0.08, 0.7)

    def panel(
        near: float, far: float, size: tuple[float, float], sky: tuple[float, float]
    ) -> tuple[Array, tuple[float, float], float]:
        d = np.array([*rng.normal(0, 1.0, 2), rng.uniform(0.5, 1.3)])
        return to + rng.uniform(near, far) * d / np.linalg.norm(d), size, rng.uniform(*sky)

    if light in ("flash", "mixed"):
        at, size, sky = flash()
    elif light == "sun":
        at, size, sky = sun()
    elif light == "window":
        at, size, sky = panel(60, 150, tuple(rng.uniform(20, 65, 2)), (0.15, 0.9))
    elif light == "shop":
        at, size, sky = panel(50, 110, (rng.uniform(30, 70), rng.uniform(2, 7)), (0.1, 0.6))
    else:
        at, size, sky = panel(150, 300, tuple(rng.uniform(80, 250, 2)), (0.6, 4.0))
    second, size2, _ = panel(50, 200, (rng.uniform(20, 70), rng.uniform(3, 60)), (0, 1))
    share = {"mixed": rng.uniform(0.3, 2.0), "shop": rng.uniform(0.3, 1.0)}.get(light, rng.choice([0.0005, 0.0005, 0.2]))
    tint = warm(0.06 if light != "sun" else 0.12)
    return {
        "lamp_a": _panel("lamp_a", at, to, size, 1.0, tint),
        "lamp_b": _panel("lamp_b", second, to, size2, float(share), warm(0.15)),
        "sky": {"type": "constant", "radiance": {"type": "rgb", "value": [float(v) for v in sky / np.pi * warm(0.15)]}},
    }, at  # fmt: skip
