"""What stands about in a shop and could pass for a bow: timber, pipes, laths, hoops, racks of shelves, other bows.

They are straighter, longer and mostly brighter than the bow. What tells them apart is what a bowyer sees: the same thickness from
end to end, no grip, no nocks, or an end beyond the picture's rim.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from training import textures
from training.bowshape import Bow, random_bow
from training.camera import Scene, random_scene
from training.canvas import Canvas, ribbon, wobble
from training.limb_paint import bow_points, project_sweep

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Rng = np.random.Generator
SOFT = {"soft": 8.0, "window": 4.0, "sun": 0.6, "flash": 0.6}  # px, the rim of a thing's shadow
LARGE = 0.4  # of the picture's longer side, that a bow amid timber spans at least
SEEN = 7.0  # grey levels between limb and surroundings: half of it at less is lost in a phone's noise and JPEG
SLIM = (
    0.0055,
    0.0102,
)  # thickness by length: 3/8-5/8 in by 62-70 in (common practice, no source)
WIDE = (0.45, 0.97)  # of the picture's longer side, that a slim bow spans: photographed as one that is to be measured
SLENDER = 0.85  # of a limb's thickness a third of the way out, what is left near the tip of one that tapers as a bow's does


@dataclass(frozen=True)
class Piece:
    """One straight or bent length of something, inches: line (n, 2) on the wall, z (near, far side), half its width."""

    kind: str  # beam, pipe
    line: Array
    half: float
    z: tuple[float, float]


@dataclass(frozen=True)
class Shop:
    """What one picture has of a shop: a rack of shelves, bars from rim to rim, timber, another bow; and how dim the bow is."""

    rack: bool = False
    bars: bool = False
    timber: bool = False
    bow: bool = False
    dim: float = 1.0


def of_a_shop(rng: Rng, share: float) -> Shop:
    """``share``: of the pictures that have anything of a shop. Nothing is drawn from ``rng`` where it is 0."""
    if not share or rng.random() >= share:
        return Shop()
    dim = float(rng.uniform(0.3, 0.9)) if rng.random() < 0.4 else 1.0
    return Shop(*(bool(rng.random() < p) for p in (0.18, 0.15, 0.85, 0.2)), dim)


def told_apart(bow: Bow) -> bool:
    """Whether a bow shows itself to be one beside timber: strung, bent, or tapered toward its tips."""
    if bow.strings and bow.state != "unstrung":
        return True
    thick = bow.back + bow.belly
    out, near = (int(np.searchsorted(bow.s, share * bow.s[-1])) for share in (0.17, 0.06))
    return bool(thick[near] < SLENDER * thick[out])


def whole(scene: Scene) -> bool:
    """Whether all of the bow lies in the picture."""
    at = scene.camera.project(scene.world(scene.bow.centre))
    return bool(np.all((at > 0) & (at < np.array(scene.camera.size) - 1)))


def _angle(rng: Rng, along: float) -> float:
    """Leaning on the wall, level, beside the bow, or anyhow."""
    which = rng.random()
    if which < 0.35:
        return float(np.pi / 2 + rng.normal(0, 0.2))
    if which < 0.6:
        return float(rng.normal(0, 0.08))
    if which < 0.8:
        return float(along + rng.normal(0, 0.12))
    return float(rng.uniform(0, np.pi))


def pieces(rng: Rng, scene: Scene, low: Array, high: Array, front: float) -> list[Piece]:
    """Staves, planks, mouldings, broomsticks, pipes; laths and hoses that bend; hoops.

    low, high (2,): the part of the wall that is seen; front: how far before it things reach at most.
    """
    along = float(np.arctan2(scene.pose[1, 0], scene.pose[0, 0]))
    size = high - low
    out = []
    for _ in range(int(rng.choice([1, 3, 6, 9], p=[0.15, 0.3, 0.35, 0.2]))):
        angle = _angle(rng, along)
        long = float(np.exp(rng.uniform(np.log(15), np.log(120))))
        half = float(np.exp(rng.uniform(np.log(0.2), np.log(2.0))))
        at = low - 0.1 * size + rng.random(2) * 1.2 * size
        t = np.linspace(-long / 2, long / 2, 40)
        kind = str(rng.choice(["beam", "pipe", "lath", "hose", "hoop"], p=[0.5, 0.16, 0.12, 0.1, 0.12]))
        side = np.zeros_like(t)
        if kind == "lath":  # bent as a lath is: one way, evenly
            side = rng.normal(0, 0.18) * long * (2 * t / long) ** 2
            half = min(half, 0.6)
        elif kind == "hose":
            side = rng.normal(0, 0.15) * long * (2 * t / long) ** 2 + wobble(rng, 40, 6) * long * 0.02
            half = min(half, 0.7)
        c, s = np.cos(angle), np.sin(angle)
        line = np.stack([c * t - s * side, s * t + c * side], 1) + at
        if kind == "hoop":
            turn = np.linspace(0, 2 * np.pi, 60)
            line = at + np.exp(rng.uniform(np.log(2), np.log(9))) * np.stack(
                [np.cos(turn), rng.uniform(0.9, 1) * np.sin(turn)], 1
            )
            half = float(rng.uniform(0.15, 0.6))
        deep = half * rng.uniform(0.4, 1.6) if kind == "beam" else half * (rng.uniform(0.2, 1) if kind == "lath" else 2)
        back = rng.uniform(0, max(front - deep, 0.05))
        out.append(Piece("beam" if kind in ("beam", "lath") else "pipe", line, half, (float(back), float(back + deep))))
    return out


def other_bow(rng: Rng, scene: Scene) -> Scene | None:
    """The same picture of another bow that is not the one meant: without a string where that one is strung, or partly out of
    the picture where that one is whole; None where neither can be said."""
    strung = bool(scene.bow.strings) and scene.bow.state != "unstrung"
    if not whole(scene) or scene.camera.C[2] < 20:
        return None
    for _ in range(12):
        bow = random_bow(rng)
        if strung and rng.random() < 0.6:
            if bow.state != "unstrung":
                continue
            bow = replace(bow, strings=[], hook=None)
        angle = _angle(rng, float(np.arctan2(scene.pose[1, 0], scene.pose[0, 0])))
        c, s = np.cos(angle), np.sin(angle)
        pose = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
        lift = float(np.clip(scene.standoff * rng.uniform(0.2, 1.0), float(bow.half_width.max()) + 0.05, 30.0))
        at = rng.uniform(-0.1, 1.1, 2) * np.array(scene.camera.size)
        place = np.array([*scene.camera.on_plane(at, lift), lift])
        other = replace(scene, bow=bow, pose=pose, place=place, standoff=lift)
        seen = scene.camera.project(other.world(bow.centre))
        inside = float(np.mean(np.all((seen > 0) & (seen < np.array(scene.camera.size)), axis=1)))
        if inside > 0.1 and (inside < 0.75 or (strung and not bow.strings)):
            return other
    return None


def seen(scene: Scene) -> tuple[Array, Array]:
    """The lowest and highest x, y (2,) of the wall that the picture's corners show, no farther off than a shop is wide."""
    w, h = scene.camera.size
    corner = scene.camera.on_plane(np.array([[0.0, 0.0], [w, 0], [w, h], [0, h]]))
    corner = np.clip(corner, scene.place[:2] - 150, scene.place[:2] + 150)
    return corner.min(0), corner.max(0)


def draw_pieces(canvas: Canvas, front: float) -> None:
    """Paint timber and the like before the wall, each with its shadow."""
    rng, scene = canvas.rng, canvas.scene
    for piece in pieces(rng, scene, *seen(scene), front):
        colour = textures.wood_colour(rng) if rng.random() < 0.75 else textures.any_colour(rng)
        colour = np.clip(colour * rng.uniform(0.7, 1.4), 0.02, 1.1).astype(np.float32)
        _shadow(canvas, piece)
        if piece.kind == "beam":
            _beam(canvas, piece, colour)
        else:
            _pipe(canvas, piece, colour)


def _shadow(canvas: Canvas, piece: Piece) -> None:
    edge = ribbon(piece.line, piece.half)
    cast = [canvas.scene.shade_point(np.column_stack([edge, np.full(len(edge), z)])) for z in piece.z]
    hull = [canvas.pixels(p) for p in cast]
    if all(np.all(np.abs(p) < 6000) for p in hull):
        blur = SOFT[canvas.scene.light] * (1 + 0.3 * piece.z[0])
        canvas.darken(canvas.mask(hull, blur), canvas.rng.uniform(0.1, 0.7), np.ones(3, np.float32))


def _lit(canvas: Canvas, at: Array, normal: Array, key: float) -> float:
    """How bright a face looks: the lamp's share by its slant, the rest from all round."""
    toward = canvas.scene.lamp - at
    toward = toward / np.linalg.norm(toward)
    return float((1 - key) * (0.85 + 0.15 * normal[1]) + key * 1.15 * max(float(normal @ toward), 0.0))


def _beam(canvas: Canvas, piece: Piece, colour: Floats) -> None:
    """Four-sided: the sides that are seen, then the face; grain along it, an arris that catches the light."""
    rng, scene = canvas.rng, canvas.scene
    key = {"soft": 0.35, "window": 0.6, "sun": 0.8, "flash": 0.7}[scene.light] * rng.uniform(0.6, 1.2)
    n = len(piece.line)
    edge = ribbon(piece.line, piece.half)
    near = canvas.pixels(np.column_stack([edge, np.full(2 * n, piece.z[1])]))
    far = canvas.pixels(np.column_stack([edge, np.full(2 * n, piece.z[0])]))
    tile = canvas.bank.get("plywood") if rng.random() < 0.7 else None
    axis = near[n - 1] - near[0]
    turn = float(-np.arctan2(axis[1], axis[0])) if rng.random() < 0.8 else 0.0
    middle = np.array([*piece.line[n // 2], piece.z[1]])
    tangent = np.gradient(piece.line, axis=0)
    sides = ((slice(0, n), 1.0), (slice(n, 2 * n), -1.0))
    for part, sign in sides:
        across = np.array([-tangent[n // 2, 1], tangent[n // 2, 0], 0.0]) * sign
        across /= max(float(np.linalg.norm(across)), 1e-9)
        if float(across @ (scene.camera.C - middle)) <= 0:
            continue
        quad = np.concatenate([near[part], far[part][::-1]])
        canvas.paint([quad], colour * np.float32(_lit(canvas, middle, across, key)), tile, turn)
    ends = (
        np.concatenate([far[:1], far[-1:], near[-1:], near[:1]]),
        np.concatenate([far[n - 1 : n + 1], near[n - 1 : n + 1][::-1]]),
    )
    for quad in ends:
        canvas.paint([quad], colour * np.float32(rng.uniform(0.4, 0.9)))
    face = _lit(canvas, middle, np.array([0, 0, 1.0]), key)
    canvas.paint([near], colour * np.float32(face), tile, turn)
    for _ in range(int(rng.integers(1, 4)) if rng.random() < 0.35 else 0):  # a moulding's steps, a chamfer, a sawn edge
        a, b = np.sort(rng.uniform(-1, 1, 2))
        normal = np.stack([-tangent[:, 1], tangent[:, 0]], 1)
        normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
        strip = ribbon(piece.line + normal * piece.half * (a + b) / 2, max(piece.half * (b - a) / 2, 0.02))
        flat = canvas.pixels(np.column_stack([strip, np.full(len(strip), piece.z[1])]))
        canvas.paint([flat], np.clip(colour * rng.uniform(0.5, 1.4), 0, 1.2).astype(np.float32))


def _pipe(canvas: Canvas, piece: Piece, colour: Floats) -> None:
    """Round: bands of light across it, one of them glossy now and then."""
    rng, scene = canvas.rng, canvas.scene
    z = (piece.z[0] + piece.z[1]) / 2
    key = {"soft": 0.4, "window": 0.6, "sun": 0.8, "flash": 0.7}[scene.light] * rng.uniform(0.7, 1.2)
    tangent = np.gradient(piece.line, axis=0)
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], 1)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
    middle = np.array([*piece.line[len(piece.line) // 2], z])
    toward = scene.lamp - middle
    toward /= np.linalg.norm(toward)
    gloss = rng.uniform(0, 0.6) if rng.random() < 0.4 else 0.0
    bands = 7
    for k in range(bands):
        u = (2 * k + 1) / bands - 1
        facing = np.column_stack([normal * u, np.full(len(normal), np.sqrt(1 - u * u))])
        light = np.clip(facing @ toward, 0, None).mean()
        tone = (1 - key) * 0.85 + key * 1.15 * light + gloss * light**12
        strip = ribbon(piece.line + normal * piece.half * u, piece.half * (1.15 / bands))
        flat = canvas.pixels(np.column_stack([strip, np.full(len(strip), z)]))
        canvas.paint([flat], np.clip(colour * tone, 0, 1.3).astype(np.float32))


def slim(scene: Scene) -> bool:
    """Whether the bow is as slim in this picture as bows are from the side, all of it seen, and large enough to be measured."""
    corners, centre, _, _ = bow_points(scene)
    axis, _, offsets, _ = project_sweep(scene.camera.project(corners), scene.camera.project(centre))
    long = float(np.linalg.norm(np.diff(axis, axis=0), axis=1).sum())
    thick = float(np.median(offsets.max(1) - offsets.min(1)))
    spans = float(np.ptp(axis, axis=0).max()) / max(scene.camera.size)
    return whole(scene) and SLIM[0] < thick / long < SLIM[1] and WIDE[0] < spans < WIDE[1]


def meant(rng: Rng, size: tuple[int, int], slender: float = 0.0) -> Scene:
    """A random scene whose bow is large enough in the picture, and enough of a bow, to be told from timber.

    slender: the share of the bows that are as slim as most bows are. The others are stouter: as roughed out, or seen aslant.
    """
    thin = bool(slender) and rng.random() < slender
    while True:
        scene = random_scene(rng, size)
        at = scene.camera.project(scene.world(scene.bow.centre))
        if told_apart(scene.bow) and float(np.ptp(at, axis=0).max()) > LARGE * max(size) and (not thin or slim(scene)):
            return scene


def for_finder(rng: Rng, size: tuple[int, int], bank: textures.TextureBank) -> Scene:
    """A scene for a whole picture, with a bow that can be told from what the bank's shares may put about it."""
    if bank.cluttered and rng.random() < bank.cluttered:
        return meant(rng, size, bank.slender)
    return random_scene(rng, size)


def shows(picture: NDArray[np.uint8], labels: NDArray[np.uint8]) -> bool:
    """Whether the limb (labels (h, w, 3), the picture twice that size) differs from what lies beside it: what nobody could see
    must not be asked for. True as well where there is no bow."""
    limb = (labels[..., 0] > 180).astype(np.float32)
    if limb.sum() < 50:
        return True
    small = cv2.resize(picture, limb.shape[::-1], interpolation=cv2.INTER_AREA).astype(np.float32)
    beside = (labels[..., 0] < 20).astype(np.float32)
    near = cv2.blur(beside, (15, 15))
    around = cv2.blur(small * beside[..., None], (15, 15)) / np.maximum(near, 1e-3)[..., None]
    off = np.abs(small - around).max(2)[(limb > 0) & (near > 0.1)]
    return bool(len(off) and np.median(off) > SEEN)


def draw_rack(canvas: Canvas) -> None:
    """A rack of shelves over all of the wall, full of things, each board with a lit front edge."""
    rng, scene = canvas.rng, canvas.scene
    low, high = seen(scene)
    wood = textures.wood_colour(rng) if rng.random() < 0.7 else textures.any_colour(rng)
    apart, thick = rng.uniform(8, 20), rng.uniform(0.4, 1.3)
    inside = canvas.bank.get(str(rng.choice(["paint", "plywood", "stucco", "chips"]))) if rng.random() < 0.5 else None
    dull = rng.uniform(0.3, 0.9)
    things = [np.clip(textures.any_colour(rng) * rng.uniform(0.5, 1.2), 0, 1) for _ in range(6)]

    def lay(x0: float, x1: float, y0: float, y1: float, shade: Floats, tile: Floats | None = None) -> None:
        box = np.array([[x0, y0, 0], [x1, y0, 0], [x1, y1, 0], [x0, y1, 0.0]])
        canvas.paint([canvas.pixels(box)], np.asarray(shade, np.float32), tile)

    for y in np.arange(low[1] + rng.uniform(0, apart), high[1], apart):
        lay(low[0], high[0], y, y + apart, np.clip(wood * dull, 0, 1), inside)
        x = low[0] + rng.uniform(0, 5)
        while x < high[0]:
            w, h = rng.uniform(0.8, 5), rng.uniform(0.2, 0.85) * (apart - thick)
            if rng.random() < 0.6:
                colour = things[int(rng.integers(len(things)))] * rng.uniform(0.6, 1.2)
                lay(x, x + w, y + thick, y + thick + h, np.clip(colour, 0, 1))
                lay(x + 0.75 * w, x + w, y + thick, y + thick + h, np.clip(colour * rng.uniform(0.4, 1.1), 0, 1))
            x += w * rng.uniform(1.0, 2.0)
        lay(low[0], high[0], y + thick, y + thick + rng.uniform(0.3, 2), np.clip(wood * rng.uniform(0.9, 1.4), 0, 1))
        lay(low[0], high[0], y, y + thick, np.clip(wood * rng.uniform(0.7, 1.5), 0, 1.1), inside if rng.random() < 0.3 else None)
        shade = np.array([[low[0], y, 0], [high[0], y, 0], [high[0], y - rng.uniform(0.5, 4), 0], [low[0], y - 1, 0.0]])
        soft = float(np.clip(0.4 * canvas.ppi, 1, 15))
        canvas.darken(canvas.mask([canvas.pixels(shade)], soft), rng.uniform(0.1, 0.6), np.ones(3, np.float32))
    for x in np.arange(low[0] + rng.uniform(0, 40), high[0], rng.uniform(18, 50)):
        lay(x, x + thick, low[1], high[1], np.clip(wood * rng.uniform(0.7, 1.4), 0, 1.1))


def draw_bars(canvas: Canvas) -> None:
    """Window bars, rails and mouldings from rim to rim."""
    rng, scene = canvas.rng, canvas.scene
    low, high = seen(scene)
    colour = textures.any_colour(rng) if rng.random() < 0.5 else textures.wood_colour(rng)
    upright = bool(rng.random() < 0.5)
    for _ in range(int(rng.integers(1, 5))):
        half, at = rng.uniform(0.2, 1.2), rng.uniform(0, 1)
        tilt = rng.normal(0, 1.0)
        if upright:
            x = low[0] + at * (high[0] - low[0])
            line = np.array([[x, low[1]], [x + tilt, high[1]]])
        else:
            y = low[1] + at * (high[1] - low[1])
            line = np.array([[low[0], y], [high[0], y + tilt]])
        piece = Piece("beam", np.linspace(line[0], line[1], 12), float(half), (0.0, float(half)))
        _shadow(canvas, piece)
        _beam(canvas, piece, np.clip(colour * rng.uniform(0.7, 1.3), 0, 1.1).astype(np.float32))
