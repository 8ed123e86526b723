"""Walls and boards with the marks that give the scale, and the clutter of a workshop."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from studio import meshes, textures
from studio.bows import IN, Posed, on_rig
from studio.camera import Camera
from studio.meshes import Mesh, Place

if TYPE_CHECKING:
    from studio.stage import Scene

Colour = tuple[float, float, float] | np.ndarray
PER_MM = 2  # texture pixels


@dataclass(eq=False)
class Board:
    """``frame`` (n, 3): what the picture must show; ``marks``: clicked; ``scale``: for the shot file."""

    frame: np.ndarray
    parts: list[tuple[Mesh, Colour]]
    scale: dict[str, Any]
    marks: np.ndarray | None = None


def reach(scene: Scene, posed: Posed, place: Place) -> np.ndarray:
    """World points round the bow, its string and the scale below the hook."""
    half = scene.bow.length / 2
    deep = {
        "unstrung": 60.0,
        "braced": 260.0,
        "drawn": max(scene.draw_in, scene.scale.get("room_in", 0)) * IN + 150,
    }[scene.state]
    return place.world(np.array([[-half, 70], [half, 70], [-0.6 * half, -deep], [0.6 * half, -deep]]), 0.0)


def surface(style: str, rng: np.random.Generator, width: float, height: float) -> np.ndarray:
    """A board's picture, ``PER_MM`` pixels per mm, made at 1 per mm."""
    shape = (int(round(height)), int(round(width)))
    if style == "limewash":
        out = textures.limewash(rng, shape)
    elif style == "slate":
        out = textures.roller(rng, shape, (88, 97, 104))
    elif style == "sage":
        out = textures.roller(rng, shape, (136, 150, 126))
    elif style == "cream":
        out = textures.roller(rng, shape, (218, 206, 178))
    elif style == "larch":
        out = textures.planks(rng, shape, (76, 58, 46), 145, False, 1.2)
    elif style == "barn":
        out = textures.planks(rng, shape, (136, 128, 116), 170, True, 1.0)
    elif style == "spruce":
        out = textures.planks(rng, shape, (206, 170, 122), 120, False, 1.5)
    else:
        raise ValueError(f"no board called {style}")
    return cv2.resize(out, (shape[1] * PER_MM, shape[0] * PER_MM), interpolation=cv2.INTER_CUBIC)


def make(scene: Scene, posed: Posed, place: Place, rng: np.random.Generator) -> Board:
    around = reach(scene, posed, place)
    kind = scene.scale["kind"]
    maker = {
        "aruco": _tags,
        "grid": _ruled,
        "lines_and_two_marks": _ruled,
        "tape": _tape,
        "four_marks": _dots,
        "stick": stick_and_pegs,
    }
    return maker[kind](scene, posed, place, around, rng)


def _spread(points: np.ndarray, by: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    """x0, x1, y0, y1 round world points, widened by (left, right, below, above)."""
    lo, hi = points.min(0), points.max(0)
    return lo[0] - by[0], hi[0] + by[1], lo[1] - by[2], hi[1] + by[3]


def _plain(scene: Scene, rng: np.random.Generator, box: tuple[float, float, float, float], z: float) -> tuple[Mesh, np.ndarray]:
    picture = surface(scene.board, rng, box[1] - box[0], box[3] - box[2])
    return meshes.upright(box[:2], box[2:], z), picture


def _behind(scene: Scene, rng: np.random.Generator, box: tuple[float, float, float, float]) -> list[tuple[Mesh, Colour]]:
    """The wall behind a board that ends within the picture, and the board's edge."""
    wall = (box[0] - 2500, box[1] + 2500)
    tone = [(170, 166, 158), (128, 118, 108), (196, 188, 172), (112, 118, 122)][rng.integers(4)]
    mottled = textures.roller(rng, (600, 900), tone)
    edge = meshes.block(Place((0, 0)), box[:2], box[2:], (-22.0, -1.0))
    return [(meshes.upright(wall, (box[2] - 2500, box[3] + 2500), -24.0), mottled), (edge, (120, 96, 70))]


def _wide(scene: Scene) -> tuple[float, float, float, float]:
    """A wall fills the picture; a board ends a hand or two beyond the bow."""
    return (1300, 1300, 1000, 1000) if scene.board in ("limewash", "barn", "cream") else (190, 210, 130, 220)


def _tags(scene: Scene, posed: Posed, place: Place, around: np.ndarray, rng: np.random.Generator) -> Board:
    s = scene.scale
    corner = np.array(s["corner"], float)  # world place of tag 0's centre
    centres = {k: corner + np.array([x, -y]) * IN for k, (x, y) in s["centres_in"].items()}
    side, margin = s["side_in"] * IN, 0.22
    half = side * (0.5 + margin)
    parts: list[tuple[Mesh, Colour]] = []
    spots = np.array([[*c, 0.0] for c in centres.values()])
    frame = np.vstack([around, spots + [half, half, 0], spots - [half, half, 0]])
    box = _spread(frame, _wide(scene))
    mesh, picture = _plain(scene, rng, box, -0.4)
    parts.append((mesh, picture))
    if scene.board not in ("limewash", "barn", "cream"):
        parts += _behind(scene, rng, box)
    for number, c in centres.items():
        turn, off = (
            rng.normal(0, 0.006),
            rng.normal(0, 0.25, 2),
        )  # stuck on by hand, centres measured with a tape
        r = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        flat = np.array([[-half, half], [half, half], [half, -half], [-half, -half]]) @ r.T + c + off
        parts.append((meshes.sheet(np.column_stack([flat, np.zeros(4)])), textures.tag(number, margin)))
    scale = {
        "kind": "aruco",
        "dictionary": "DICT_4X4_50",
        "side_in": s["side_in"],
        "centres_in": {str(k): list(v) for k, v in s["centres_in"].items()},
        "note": "x right, y down, origin at tag 0",
    }
    return Board(frame, parts, scale)


def _ruled(scene: Scene, posed: Posed, place: Place, around: np.ndarray, rng: np.random.Generator) -> Board:
    s = scene.scale
    box = _spread(around, _wide(scene))
    mesh, picture = _plain(scene, rng, box, 0.0)
    step, ink, width = s["spacing_in"] * IN, s.get("ink", (222, 220, 208)), s.get("line_mm", 2.0)
    first = rng.uniform(0.2, 0.8) * step
    rows = np.arange(first, box[3] - box[2], step)
    textures.rule_lines(picture, [PER_MM * v for v in rows], False, PER_MM * width, ink)
    scale: dict[str, Any] = {"kind": s["kind"], "spacing_in": s["spacing_in"]}
    marks = None
    if s["kind"] == "grid":
        columns = np.arange(rng.uniform(0.2, 0.8) * step, box[1] - box[0], step)
        textures.rule_lines(picture, [PER_MM * v for v in columns], True, PER_MM * width, ink)
    else:
        apart = s["apart_in"] * IN
        inside = rows[(rows > 120) & (rows < box[3] - box[2] - 60)]
        want = box[3] - around[:, 1].max() - 60  # near the line just above the bow, from the top
        row = float(inside[np.abs(inside - want).argmin()])
        left = (box[1] - box[0] - apart) / 2 + rng.uniform(-40, 40)
        for x in (left, left + apart):
            textures.spot(picture, PER_MM * x, PER_MM * row, PER_MM * 7.0, (178, 36, 30))
        marks = np.array([[box[0] + x, box[3] - row, 0.0] for x in (left, left + apart)])
        scale["marks_apart_in"] = s["apart_in"]
    parts: list[tuple[Mesh, Colour]] = [(mesh, picture)]
    if scene.board not in ("limewash", "barn", "cream"):
        parts += _behind(scene, rng, box)
    frame = around if marks is None else np.vstack([around, marks + [40, 20, 0], marks - [40, -20, 0]])
    return Board(frame, parts, scale, marks)


def _tape(scene: Scene, posed: Posed, place: Place, around: np.ndarray, rng: np.random.Generator) -> Board:
    length = scene.scale["length_in"] * IN
    y = around[:, 1].max() + rng.uniform(90, 180)
    tilt, x = rng.normal(0, 0.012), rng.uniform(-60, 60)
    ends = np.array(
        [
            [x - length / 2 * np.cos(tilt), y - length / 2 * np.sin(tilt), 0.0],
            [x + length / 2 * np.cos(tilt), y + length / 2 * np.sin(tilt), 0.0],
        ]
    )
    ahead = (ends[1] - ends[0]) / length
    up = np.array([-ahead[1], ahead[0], 0])
    wide = 19.0
    corners = np.array([ends[0] + wide / 2 * up, ends[1] + wide / 2 * up, ends[1] - wide / 2 * up, ends[0] - wide / 2 * up])
    frame = np.vstack([around, ends + 60 * up])
    box = _spread(frame, _wide(scene))
    mesh, picture = _plain(scene, rng, box, -0.4)
    parts: list[tuple[Mesh, Colour]] = [(mesh, picture), (meshes.sheet(corners), textures.tape(length, wide))]
    if scene.board not in ("limewash", "barn", "cream"):
        parts += _behind(scene, rng, box)
    return Board(frame, parts, {"kind": "tape", "length_in": scene.scale["length_in"]}, ends)


def _dots(scene: Scene, posed: Posed, place: Place, around: np.ndarray, rng: np.random.Generator) -> Board:
    w, h = scene.scale["width_in"] * IN, scene.scale["height_in"] * IN
    mid = np.array([rng.uniform(-40, 40), around[:, 1].mean()])
    marks = np.array([[mid[0] + a * w / 2, mid[1] + b * h / 2, 0.0] for a, b in ((-1, 1), (1, 1), (1, -1), (-1, -1))])
    frame = np.vstack([around, marks])
    box = _spread(frame, _wide(scene))
    mesh, picture = _plain(scene, rng, box, 0.0)
    for m in marks:
        textures.spot(picture, PER_MM * (m[0] - box[0]), PER_MM * (box[3] - m[1]), PER_MM * 6.0, (170, 40, 34))
    parts: list[tuple[Mesh, Colour]] = [(mesh, picture)]
    if scene.board not in ("limewash", "barn", "cream"):
        parts += _behind(scene, rng, box)
    scale = {"kind": "four_marks", "width_in": scene.scale["width_in"], "height_in": scene.scale["height_in"]}
    return Board(frame, parts, scale, marks)


def stick_and_pegs(scene: Scene, posed: Posed, place: Place, around: np.ndarray, rng: np.random.Generator) -> Board:
    """A stick in the grass with pegs, a hedge behind; the pegs' faces lie in z = 0, the bow behind them."""
    step = scene.scale["spacing_in"] * IN
    belly = posed.built.grip_belly
    face = scene.standoff - scene.bow.width / 2 - 5  # of the stick: just behind the bow
    rig = Place((0.0, 0.0), place.angle, place.mirror)
    timber = textures.wood(rng, [(150, 112, 72), (112, 92, 70), (176, 146, 104)][rng.integers(3)])
    parts: list[tuple[Mesh, Colour]] = [
        (meshes.block(rig, (-30, 30), (-1750, belly + 18), (face - 55, face)), timber),
        (meshes.block(rig, (-26, 26), (belly - 26, belly), (face, -2.0)), timber),
    ]
    hook = on_rig(posed, np.array([posed.equilibrium.hook]))[0, 1] if posed.equilibrium is not None else -1e9
    pegs = [belly - 60 - k * step for k in range(int(980 / step))]
    for y in pegs:
        if abs(y - hook - 12) < 17:  # the string leaves the hook here
            continue
        path = np.array([[14.0, y, face], [14.0, y, 0.0]])
        world = rig.world(path[:, :2], path[:, 2])
        parts.append((meshes.tube(world, 3.6, 14), (216, 196, 150)))
        ring = rig.world(
            np.array([[14 + 3.6 * np.cos(t), y + 3.6 * np.sin(t)] for t in np.linspace(0, 2 * np.pi, 15)[:-1]]),
            0.0,
        )
        k = np.arange(1, 13)
        cap = Mesh(ring, np.column_stack([np.zeros(12, int), k, k + 1]), np.zeros((14, 2)))
        parts.append((cap, (216, 196, 150)))
    free = [y for y in pegs if abs(y - hook - 12) >= 17]
    apart = min(scene.scale["steps"], len(free) - 2)
    pair = [free[0], min(free, key=lambda y: abs(y - (free[0] - apart * step)))]
    marks = rig.world(np.array([[14.0, y] for y in pair]), 0.0)
    frame = np.vstack([around, marks + [0, 0, 0]])
    scale = {
        "kind": "stick",
        "spacing_in": round(scene.scale["spacing_in"], 4),
        "marks_apart_in": round((pair[0] - pair[1]) / IN, 3),
    }
    if scene.board != "none":
        parts += hedge(rng)
    return Board(frame, parts, scale, marks)


def hedge(rng: np.random.Generator) -> list[tuple[Mesh, Colour]]:
    """A lawn and a hedge behind it."""
    ground = -1560.0
    lawn = meshes.sheet(np.array([[-6000, ground, -9000], [6000, ground, -9000], [6000, ground, 3500], [-6000, ground, 3500]]))
    parts: list[tuple[Mesh, Colour]] = [(lawn, textures.grass(rng, (1500, 1500)))]
    far = rng.uniform(-2600, -1500)
    top = rng.uniform(-100, 900)
    dark = meshes.upright((-5000, 5000), (ground, top - 250), far - 420)
    parts += [
        (dark, (22, 32, 16)),
        (
            meshes.leaves(rng, 60_000, np.array([-3800, ground, far - 400]), np.array([3800, top, far]), 34.0),
            textures.greens(rng),
        ),
    ]
    return parts


def clutter(
    scene: Scene, posed: Posed, place: Place, board: Board, camera: Camera, rng: np.random.Generator
) -> list[tuple[Mesh, Colour]]:
    """Tools and odds and ends that hang or lean about, clear of bow, string and marks."""
    outdoors = scene.scale["kind"] == "stick"
    keep = np.vstack([_swept(posed, place), board.frame])
    lo, hi = board.frame.min(0) - [150, 120, 0], board.frame.max(0) + [150, 120, 0]
    out: list[tuple[Mesh, Colour]] = []
    for _ in range(40 * scene.clutter):
        if len(out) >= scene.clutter:
            break
        at = rng.uniform(lo[:2], hi[:2])
        if outdoors:
            at[1] = rng.uniform(-1480, -1100)
        if np.hypot(*(keep[:, :2] - at).T).min() > 190 and (abs(at[0]) > 170 or scene.back != "up"):
            keep = np.vstack([keep, [*at, 0]])
            out.append(_thing(rng, at, -400.0 if outdoors else 0.0))
    return out


def _swept(posed: Posed, place: Place) -> np.ndarray:
    rows = [np.column_stack([posed.shapes[k].x, posed.shapes[k].y]) for k in ("upper", "lower")]
    if posed.equilibrium is not None:
        for k in ("upper", "lower"):
            rows.append(meshes.line(posed.shapes[k].nock, posed.equilibrium.hook, 40))
    below = rows[-1][:, 1].min() - 150
    rows.append(meshes.line((0, 0), (0, below), 20))
    return place.world(on_rig(posed, np.vstack(rows)), 0.0)


def _thing(rng: np.random.Generator, at: np.ndarray, z: float) -> tuple[Mesh, Colour]:
    here = Place((float(at[0]), float(at[1])), float(rng.uniform(0, np.pi)), False, z)
    kind = rng.integers(6)
    if kind == 0:  # batten or rasp
        tone = [(168, 130, 86), (70, 72, 76), (120, 60, 40)][rng.integers(3)]
        return meshes.block(here, (-rng.uniform(90, 190), 120), (-9, 9), (2, 16)), tone
    if kind == 1:  # coil of rope
        turns = np.vstack(
            [
                np.array([at[0], at[1], z + 8 + 3 * k])
                + meshes.loop(np.zeros(3), np.array([70 - 3 * k, 0, 0]), np.array([0, 82 - 2 * k, 0]), 50)
                for k in range(4)
            ]
        )
        return meshes.tube(turns, 5.0), [(190, 168, 124), (70, 88, 120), (150, 60, 50)][rng.integers(3)]
    if kind == 2:  # a note
        w = rng.uniform(60, 110)
        return meshes.block(here, (-w / 2, w / 2), (-w * 0.7, w * 0.7), (0.2, 0.8)), (226, 222, 206)
    if kind == 3:  # a jar lid or plate
        disc = here.world(np.array([[52 * np.cos(t), 52 * np.sin(t)] for t in np.linspace(0, 2 * np.pi, 49)[:-1]]), 26.0)
        k = np.arange(1, 47)
        return Mesh(disc, np.column_stack([np.zeros(46, int), k, k + 1]), np.zeros((48, 2))), tuple(rng.uniform(60, 200, 3))
    tone = rng.uniform(50, 210, 3)
    w, h = rng.uniform(25, 60), rng.uniform(30, 90)
    return meshes.block(here, (-w, w), (-h, h), (2, rng.uniform(18, 60))), tuple(float(v) for v in tone)
