"""Shops, yards and floors: what is behind a bow, what it hangs on, the marks, and the things that lie about.

The marks lie in the plane z = 0, the bow ``standoff`` before it; the camera looks along -z.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from studio import boards, meshes, surfaces, textures
from studio.boards import Board, Colour
from studio.bows import IN, Posed, fine, normal, on_rig
from studio.meshes import Mesh, Place
from studio.stage import matte

if TYPE_CHECKING:
    from studio.shop import ShopScene

Part = tuple[Mesh, dict]
WALLS = {
    "shop": ("pegboard", "planks_upright", "planks_level", "flakes", "plaster", "concrete", "painted"),
    "floor": ("planks_level", "planks_upright", "tiles", "carpet", "concrete"),
    "wall": ("brick", "door", "door", "brick", "plaster"),
    "board": ("plaster", "concrete", "planks_upright", "pegboard", "brick"),
    "shelf": ("plaster", "flakes", "painted", "concrete"),
}
SHEETS = ("painted", "painted", "flakes", "planks_level", "planks_upright", "plaster")


def _paint(rng: np.random.Generator) -> Colour:
    """A colour such as shop things have: mostly dull, now and then bright."""
    grey = rng.uniform(25, 205)
    strong = rng.choice([6.0, 18.0, 45.0], p=[0.4, 0.4, 0.2])
    r, g, b = (float(v) for v in np.clip(grey + rng.normal(0, strong, 3) + np.array([6, 0, -8]), 8, 235))
    return r, g, b


def laid(tile: surfaces.Tile, mesh: Mesh, size: tuple[float, float], shift: np.ndarray) -> Part:
    """A quad of ``size`` mm covered with the tile in mirror images."""
    import mitsuba as mi

    picture, w, h = tile
    uv = mesh.uv * [size[0] / w, size[1] / h] + shift
    texture = {"type": "bitmap", "bitmap": mi.Bitmap(np.ascontiguousarray(picture)), "wrap_mode": "mirror"}
    material = {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": texture}}
    return Mesh(mesh.points, mesh.faces, uv, mesh.smooth), material


def wall(rng: np.random.Generator, tile: surfaces.Tile, z: float, turn: float = 0.0) -> Part:
    half = np.array([6000.0, 5000.0])
    flat = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * half
    mesh = meshes.sheet(Place((0, 0), turn, False, z).world(flat, 0.0))
    return laid(tile, mesh, (2 * half[0], 2 * half[1]), rng.uniform(0, 1, 2))


def ground(rng: np.random.Generator, tile: surfaces.Tile, y: float) -> Part:
    corners = np.array([[-6000, y, -4000], [6000, y, -4000], [6000, y, 5000], [-6000, y, 5000.0]])
    return laid(tile, meshes.sheet(corners), (12000, 9000), rng.uniform(0, 1, 2))


def merged(parts: list[Mesh]) -> Mesh:
    first = np.cumsum([0] + [len(m.points) for m in parts[:-1]])
    faces = np.vstack([m.faces + a for m, a in zip(parts, first, strict=True)])
    return Mesh(np.vstack([m.points for m in parts]), faces, np.vstack([m.uv for m in parts]), parts[0].smooth)


def disc(centre: np.ndarray, radius: float) -> Mesh:
    t = np.linspace(0, 2 * np.pi, 33)[:-1]
    points = np.vstack([centre, centre + radius * np.column_stack([np.cos(t), np.sin(t), 0 * t])])
    k = np.arange(32)
    return Mesh(points, np.column_stack([np.zeros(32, int), 1 + k, 1 + (k + 1) % 32]), np.zeros((33, 2)))


def fence(rng: np.random.Generator, z: float) -> list[Part]:
    """Upright palings with gaps, and what is seen through them."""
    wide, gap = rng.uniform(80, 150), rng.choice([4.0, 12.0, 45.0])
    tone = [(150, 138, 120), (126, 92, 62), (96, 84, 74), (206, 204, 196), (104, 122, 96)][rng.integers(5)]
    kinds: list[list[Mesh]] = [[], [], []]
    for x in np.arange(-4000, 4000, wide + gap):
        top, lean = rng.uniform(700, 780), rng.normal(0, 0.004)
        p = Place((float(x), 0.0), float(lean), False, z + rng.normal(0, 2))
        kinds[rng.integers(3)].append(meshes.block(p, (0, wide), (-1500, top), (-18, 0)))
    out = [(merged(k), matte(textures.wood(rng, tuple(v * t for v in tone)))) for k, t in zip(kinds, (0.85, 1, 1.1), strict=True)]
    rails = [meshes.block(Place((0, 0), 0, False, z), (-4000, 4000), (y, y + 90), (-60, -19)) for y in (-1000.0, 400.0)]
    out.append((merged(rails), matte(tuple(0.7 * v for v in tone))))
    lawn = np.array([[-6000, -1480, z - 300], [6000, -1480, z - 300], [6000, -1480, 5000], [-6000, -1480, 5000.0]])
    out.append((meshes.sheet(lawn), matte(textures.grass(rng, (1500, 1500)))))
    out.append(
        (meshes.upright((-9000, 9000), (-1500, 4000), z - 2500), matte((70, 92, 60) if rng.random() < 0.5 else (168, 190, 214)))
    )
    return out


def shelves(rng: np.random.Generator, z: float) -> list[Part]:
    """Shelves behind the bow with jars, tins, boxes and books on them."""
    tone = [(186, 150, 104), (120, 92, 66), (210, 206, 196), (90, 92, 96)][rng.integers(4)]
    step, deep = rng.uniform(280, 430), 260.0
    rows = np.arange(-1500 + rng.uniform(0, 200), 1600, step)
    planks = [meshes.block(Place((0, 0), 0, False, z), (-3000, 3000), (y - 22, y), (-deep, 0)) for y in rows]
    planks += [
        meshes.block(Place((0, 0), 0, False, z), (x, x + 24), (-1700, 1700), (-deep, -2))
        for x in (-1900.0, -700.0, 620.0, 1850.0)
    ]
    out: list[Part] = [(merged(planks), matte(tone))]
    kinds: list[list[Mesh]] = [[] for _ in range(12)]
    for y in rows:
        x = -1900.0
        while x < 1900:
            w, h = rng.uniform(25, 190), rng.uniform(60, step - 60)
            here = Place((x, float(y)), 0.0, False, z - rng.uniform(5, 60))
            if rng.random() < 0.35:
                w = rng.uniform(50, 120)
                kinds[rng.integers(6)].append(cylinder(np.array([x + w / 2, y, here.depth - w / 2]), w / 2, min(h, 2.2 * w)))
            elif rng.random() < 0.8:
                kinds[6 + rng.integers(6)].append(meshes.block(here, (0, w), (0, h), (-150, 0)))
            x += w + rng.choice([2.0, rng.uniform(5, 90)])
    for group in kinds:
        if group:
            out.append((merged(group), matte(_paint(rng))))
    return out


def cylinder(foot: np.ndarray, radius: float, high: float) -> Mesh:
    path = foot + np.array([[0, 0, 0], [0, 0.98 * high, 0], [0, high, 0.0]])
    side = meshes.tube(path, radius, 24)
    ring = side.points[-24:]
    lid = Mesh(
        np.vstack([ring.mean(0), ring]),
        np.column_stack([np.zeros(24, int), 1 + np.arange(24), 1 + (np.arange(24) + 1) % 24]),
        np.zeros((25, 2)),
    )
    return Mesh(
        np.vstack([side.points, lid.points]),
        np.vstack([side.faces, lid.faces + len(side.points)]),
        np.vstack([side.uv, lid.uv]),
        False,
    )


def behind(scene: ShopScene, rng: np.random.Generator) -> list[Part]:
    """All that fills the picture behind the plane of the marks."""
    z = -0.3 if scene.place_kind in ("floor", "wall", "shop") else -float(rng.uniform(20, 500))
    out: list[Part] = []
    if scene.place_kind == "stick":
        style = rng.integers(4)
        if style == 0:
            return fence(rng, -float(rng.uniform(700, 2200)))
        if style == 1:
            tile = surfaces.any_of(rng, "brick", "door", "planks_level", "planks_upright")
            lawn = (surfaces.textures.grass(rng, (1500, 1500)), 2500.0, 2500.0)
            return [wall(rng, tile, -float(rng.uniform(600, 2500))), ground(rng, lawn, -1560.0)]
        return [(m, matte(c)) for m, c in boards.hedge(rng)]
    if scene.place_kind == "fence":
        if rng.random() < 0.35:
            return [(m, matte(c)) for m, c in boards.hedge(rng)]
        return fence(rng, -8.0)
    if scene.place_kind == "shelf":
        out += shelves(rng, -float(rng.uniform(4, 40)))
        return [*out, wall(rng, surfaces.any_of(rng, *WALLS["shelf"]), -330.0)]
    turn = float(rng.normal(0, 0.25)) if scene.place_kind == "floor" else float(rng.normal(0, 0.008))
    out.append(wall(rng, surfaces.any_of(rng, *WALLS[scene.place_kind]), z, turn))
    if scene.place_kind in ("wall", "shop", "board") and rng.random() < 0.6:
        out.append(ground(rng, surfaces.any_of(rng, "concrete", "planks_level", "tiles"), float(rng.uniform(-1900, -1450))))
    return out


def outline(posed: Posed, place: Place, step: float = 8.0) -> np.ndarray:
    """World points along the bow from tip to tip."""
    past = dict(zip(("upper", "lower"), posed.built.plan.past, strict=True))
    rows = []
    for k in ("upper", "lower"):
        f = fine(posed, k, step, beyond=past[k])
        rows.append(np.column_stack([f["x"], f["y"]]))
    return place.world(on_rig(posed, np.vstack(rows)), 0.0)


def reach(scene: ShopScene, posed: Posed, place: Place) -> np.ndarray:
    """World points that the picture must hold: bow, string and hook."""
    room = scene.scale.get("room", 0.0)
    if room:  # the same frame serves the bow at rest, braced and at all draws
        half = scene.bow.length / 2 + abs(scene.bow.longer_upper) + max(scene.bow.past)
        return place.world(np.array([[-half, 120], [half, 120], [-0.4 * half, -room], [0.4 * half, -room]]), 0.0)
    out = [outline(posed, place)]
    if posed.equilibrium is not None:
        hx, hy = on_rig(posed, np.array([posed.equilibrium.hook]))[0]
        low = 150.0 if posed.state == "drawn" else 10.0
        out.append(place.world(np.array([[hx, hy - low]]), 0.0))
    return np.vstack(out)


def keep_clear(posed: Posed, place: Place) -> np.ndarray:
    """World points that nothing may cover: bow, string, and the hook's rope."""
    rows = [outline(posed, place, 20.0)]
    q = posed.equilibrium
    if q is not None:
        hook = np.array(q.hook) if posed.state == "drawn" else None
        ends = [np.array(posed.shapes[k].nock) for k in ("upper", "lower")]
        lines = [meshes.line(ends[0], ends[1], 80)] if hook is None else [meshes.line(e, hook, 60) for e in ends]
        rows.append(place.world(on_rig(posed, np.vstack(lines)), 0.0))
        if hook is not None:
            rows.append(place.world(on_rig(posed, meshes.line(hook, hook - [0, 170], 10)), 0.0))
    return np.vstack(rows)


def support(scene: ShopScene, posed: Posed, place: Place, rng: np.random.Generator) -> list[Part]:
    """Pegs under the belly of a bow that hangs level, or a cord from a nail for one that hangs upright."""
    if scene.hangs == "lies":
        return []
    steel = matte((120, 118, 116) if rng.random() < 0.6 else (60, 56, 52))
    out: list[Mesh] = []
    if scene.hangs == "pegs":
        for k in ("upper", "lower"):
            f = fine(posed, k, 2.0)
            i = int(np.searchsorted(f["s"], scene.bow.handle / 2 + rng.uniform(40, 260)))
            belly = (
                np.array([f["x"][i], f["y"][i]]) - (f["thick"][i] / 2 + posed.built.bump(f["s"][i : i + 1])[0] + 4) * normal(f)[i]
            )
            at = place.world(on_rig(posed, belly[None]), 0.0)[0]
            out.append(meshes.tube(np.array([[*at[:2], -30.0], [*at[:2], at[2] + scene.bow.width * 0.5 + 6]]), 4.0, 12))
        return [(merged(out), steel)]
    limb = "upper" if scene.upper in ("top", "left") else "lower"
    f = fine(posed, limb, 4.0, beyond=posed.built.plan.past[0 if limb == "upper" else 1])
    tip = place.world(on_rig(posed, np.array([[f["x"][-4], f["y"][-4]]])), 0.0)[0]
    nail = tip + [rng.normal(0, 5), rng.uniform(50, 110), 0]
    out.append(meshes.tube(np.array([[*nail[:2], -20.0], [*nail[:2], nail[2] + 14]]), 2.2))
    half = f["width"][-4] / 2 + 1
    cord = [meshes.tube(meshes.line(tip + [side * 2, 0, side * half], nail + [side * 2, 0, 0], 6), 1.4) for side in (-1, 1)]
    return [(merged(out), steel), (merged(cord), matte((196, 186, 160)))]


def sheet_board(scene: ShopScene, around: np.ndarray, rng: np.random.Generator) -> tuple[list[Part], Place]:
    """A board hung a little askew, with an edge, and its place."""
    place = Place((0.0, 0.0), scene.askew, False, 0.0)
    c, s = np.cos(-scene.askew), np.sin(-scene.askew)
    flat = around[:, :2] @ np.array([[c, s], [-s, c]])
    m = rng.uniform(40, 330, 4)
    lo, hi = flat.min(0) - m[:2], flat.max(0) + m[2:]
    mesh = meshes.sheet(place.world(np.array([[lo[0], hi[1]], hi, [hi[0], lo[1]], lo]), -0.3))
    face = laid(surfaces.any_of(rng, *SHEETS), mesh, (hi[0] - lo[0], hi[1] - lo[1]), rng.uniform(0, 1, 2))
    edge = meshes.block(place, (lo[0], hi[0]), (lo[1], hi[1]), (-18.0, -1.0))
    return [face, (edge, matte((132, 106, 78)))], place


def marks(scene: ShopScene, posed: Posed, place: Place, around: np.ndarray, board: Place, rng: np.random.Generator) -> Board:
    """What gives the scale, laid in the board's plane; parts come with plain colours or pictures."""
    kind = scene.scale["kind"]
    if kind == "bow_length":
        return Board(around, [], {"kind": kind})
    c, s = np.cos(-board.angle), np.sin(-board.angle)
    flat = around[:, :2] @ np.array([[c, s], [-s, c]])
    lo, hi = flat.min(0), flat.max(0)
    upright = scene.upper in ("top", "bottom")
    if kind == "aruco":
        return _tags(scene, around, lo, hi, board, rng)
    if kind in ("grid", "lines_and_two_marks"):
        return _ruled(scene, around, lo, hi, board, rng)
    if kind == "tape":
        return _tape(scene, around, lo, hi, board, upright, rng)
    return _dots(scene, around, lo, hi, board, upright, rng)


def _tags(scene: ShopScene, around: np.ndarray, lo: np.ndarray, hi: np.ndarray, board: Place, rng: np.random.Generator) -> Board:
    side, margin = float(rng.choice([2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0])) * IN, float(rng.uniform(0.16, 0.3))
    half = side * (0.5 + margin)
    loose = scene.place_kind == "floor"
    # sheets beyond the bow's ends or above and below it, so that none is covered
    gap = half + rng.uniform(15, 70, 4)
    spread = np.array(
        [
            [lo[0] + gap[0], hi[1] + gap[1]],
            [hi[0] - gap[2], hi[1] + gap[1]],
            [lo[0] + gap[0], lo[1] - gap[3]],
            [hi[0] - gap[2], lo[1] - gap[3]],
        ]
    )
    if spread[1, 0] - spread[0, 0] < 2.6 * half:
        spread[[0, 2], 0], spread[[1, 3], 0] = lo[0] - half - 20, hi[0] + half + 20
    spread += rng.normal(0, 12, (4, 2))
    parts: list[tuple[Mesh, Colour]] = []
    seen = []
    for k, at in enumerate(spread):
        turn = rng.normal(0, 0.12 if loose else 0.01)
        off = rng.normal(0, 0.3, 2)  # the centres are measured with a tape
        r = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        corner = np.array([[-half, half], [half, half], [half, -half], [-half, -half]]) @ r.T + at + off
        parts.append((meshes.sheet(board.world(corner, 0.0)), textures.tag(k, margin)))
        seen.append(board.world(corner, 0.0))
    turn = rng.normal(0, 0.0)
    centres = (spread - spread[0]) / IN * [1, -1] + turn
    scale = {
        "kind": "aruco",
        "dictionary": "DICT_4X4_50",
        "side_in": round(side / IN, 3),
        "centres_in": {str(k): [round(float(v) * 32) / 32 for v in p] for k, p in enumerate(centres)},
        "note": "x right, y down, origin at tag 0",
    }
    return Board(np.vstack([around, *seen]), parts, scale)


def _ruled(scene: ShopScene, around: np.ndarray, lo: np.ndarray, hi: np.ndarray, board: Place, rng: np.random.Generator) -> Board:
    step, wide = scene.scale["spacing_in"] * IN, float(rng.uniform(1.2, 3.2))
    ink = tuple(float(v) for v in rng.choice([[30, 30, 34], [226, 222, 210], [150, 40, 36], [50, 70, 120]]))
    box = (lo - rng.uniform(20, 60, 2), hi + rng.uniform(20, 60, 2))
    rows = np.arange(box[0][1] + rng.uniform(0, 1) * step, box[1][1], step)
    strips = []
    for y in rows:
        flat = np.array(
            [[box[0][0], y + wide / 2], [box[1][0], y + wide / 2], [box[1][0], y - wide / 2], [box[0][0], y - wide / 2]]
        )
        strips.append(meshes.sheet(board.world(flat, 0.0)))
    around_marks, points = [around], None
    parts: list[tuple[Mesh, Colour]] = []
    scale: dict[str, Any] = {"kind": scene.scale["kind"], "spacing_in": scene.scale["spacing_in"]}
    if scene.scale["kind"] == "grid":
        for x in np.arange(box[0][0] + rng.uniform(0, 1) * step, box[1][0], step):
            flat = np.array(
                [[x - wide / 2, box[1][1]], [x + wide / 2, box[1][1]], [x + wide / 2, box[0][1]], [x - wide / 2, box[0][1]]]
            )
            strips.append(meshes.sheet(board.world(flat, 0.01)))
    else:
        apart = float(round((hi[0] - lo[0]) / IN * rng.uniform(0.7, 1.0))) * IN
        left, y = (lo[0] + hi[0] - apart) / 2, rows[rows > hi[1] - 0.1 * step][:1]
        row = float(y[0]) if len(y) else float(hi[1] + 25)
        points = board.world(np.array([[left, row], [left + apart, row]]), 0.0)
        parts += [(merged([disc(p + [0, 0, 0.4], 6.5) for p in points]), (186, 34, 30))]
        scale["marks_apart_in"] = round(apart / IN, 2)
        around_marks.append(points + [0, 30, 0])
    parts.append((merged(strips), ink))
    return Board(np.vstack(around_marks), parts, scale, points)


def _tape(
    scene: ShopScene, around: np.ndarray, lo: np.ndarray, hi: np.ndarray, board: Place, upright: bool, rng: np.random.Generator
) -> Board:
    length, wide = scene.scale["length_in"] * IN, float(rng.choice([13.0, 16.0, 19.0, 25.0]))
    tilt = rng.normal(0, 0.02)
    middle = (lo + hi) / 2 + rng.uniform(-60, 60, 2)
    if upright:
        middle[0] = hi[0] + rng.uniform(30, 110) if rng.random() < 0.5 else lo[0] - rng.uniform(30, 110)
        ahead = np.array([np.sin(tilt), -np.cos(tilt)])
    else:
        middle[1] = hi[1] + rng.uniform(30, 110) if rng.random() < 0.7 or scene.state == "drawn" else lo[1] - rng.uniform(30, 110)
        ahead = np.array([np.cos(tilt), np.sin(tilt)])
    aside = np.array([-ahead[1], ahead[0]])
    ends = np.array([middle - ahead * length / 2, middle + ahead * length / 2])
    flat = np.array(
        [ends[0] + aside * wide / 2, ends[1] + aside * wide / 2, ends[1] - aside * wide / 2, ends[0] - aside * wide / 2]
    )
    parts: list[tuple[Mesh, Colour]] = [(meshes.sheet(board.world(flat, 0.0)), surfaces.tape(rng, length, wide))]
    points = board.world(ends, 0.0)
    return Board(np.vstack([around, points]), parts, {"kind": "tape", "length_in": scene.scale["length_in"]}, points)


def _dots(
    scene: ShopScene, around: np.ndarray, lo: np.ndarray, hi: np.ndarray, board: Place, upright: bool, rng: np.random.Generator
) -> Board:
    """Two or four dots, screws or coins round the bow."""
    kind, m = scene.scale["kind"], rng.uniform(20, 90, 4)
    box = np.array(
        [[lo[0] - m[0], hi[1] + m[1]], [hi[0] + m[2], hi[1] + m[1]], [hi[0] + m[2], lo[1] - m[3]], [lo[0] - m[0], lo[1] - m[3]]]
    )
    if not upright:
        box[[0, 3], 0] += 0.1 * (hi[0] - lo[0])
        box[[1, 2], 0] -= 0.1 * (hi[0] - lo[0])
    if kind == "four_marks":
        flat = box
        scale: dict[str, Any] = {
            "kind": kind,
            "width_in": round((box[1, 0] - box[0, 0]) / IN, 2),
            "height_in": round((box[0, 1] - box[3, 1]) / IN, 2),
        }
    else:
        which = [(0, 1), (0, 3), (0, 2), (1, 2)][rng.integers(4)] if scene.state != "drawn" else (0, 1)
        flat = box[list(which)] + rng.normal(0, 10, (2, 2))
        scale = {"kind": kind, "marks_apart_in": round(float(np.hypot(*(flat[1] - flat[0]))) / IN, 2)}
    points = board.world(flat, 0.0)
    size = float(rng.uniform(4, 9))
    colour = tuple(float(v) for v in rng.choice([[176, 36, 32], [30, 30, 32], [190, 190, 186], [40, 70, 150]]))
    back = (merged([disc(p + [0, 0, 0.2], size * 2.1) for p in points]), (236, 234, 226))
    parts: list[tuple[Mesh, Colour]] = [back, (merged([disc(p + [0, 0, 0.4], size) for p in points]), colour)]
    return Board(np.vstack([around, points]), parts, scale, points)


def goods(scene: ShopScene, clear: np.ndarray, marked: np.ndarray, frame: np.ndarray, rng: np.random.Generator) -> list[Part]:
    """Tools, sticks, other staves and odds and ends. Thin things may pass behind the bow, none before it or a mark."""
    lo, hi = frame.min(0) - [350, 250, 0], frame.max(0) + [350, 250, 0]
    outdoors = scene.place_kind in ("stick", "fence")
    base = -250.0 if outdoors else (-22.0 if scene.place_kind == "board" else 0.0)
    out: list[Part] = []
    for _ in range(60 * scene.clutter):
        if len(out) >= scene.clutter:
            break
        at = rng.uniform(lo[:2], hi[:2])
        kind = rng.integers(9)
        if scene.place_kind == "stick":  # nothing hangs in a garden's air: poles stand, crates lie about
            kind = rng.choice([0, 8])
            at[1] = rng.uniform(-1540, -1440) if kind else at[1]
        colour = _paint(rng)
        room = scene.standoff - scene.bow.width / 2 - 4  # between wall and bow
        thick = float(rng.uniform(6, 60))
        if kind <= 1:  # another stave, a batten, a broom: long, like a bow
            half, w = rng.uniform(350, 950), rng.uniform(9, 24)
            turn = float(rng.choice([np.pi / 2, 0.0, rng.uniform(0, np.pi)]) + rng.normal(0, 0.08))
            if scene.place_kind == "stick":
                turn, at[1] = float(np.pi / 2 + rng.normal(0, 0.12)), half - 1550
            here = Place((float(at[0]), float(at[1])), turn, False, base)
            line = here.world(np.column_stack([np.linspace(-half, half, 60), np.zeros(60)]), 0.0)
            if rng.random() < 0.3 and room > 8:
                thick = min(thick, room, 2 * w)
                ok = _apart(line, marked) > w + 60
            else:
                ok = min(_apart(line, clear), _apart(line, marked)) > w + 45
            mesh = meshes.block(here, (-half, half), (-w, w), (0.3, max(thick, 3.0)))
            skin = matte(textures.wood(rng, tuple(np.clip(np.array([170, 126, 82]) * rng.uniform(0.5, 1.3), 0, 240))))
        elif kind == 2:  # a flat sheet of paper, a calendar, a rag
            w, h = rng.uniform(60, 220, 2)
            here = Place((float(at[0]), float(at[1])), float(rng.normal(0, 0.15)), False, base)
            near = _apart(at[None], marked)
            ok = near > np.hypot(w, h) + 40 and (room > 4 or _apart(at[None], clear) > np.hypot(w, h) + 30)
            mesh = meshes.block(here, (-w, w), (-h, h), (0.2, 1.2))
            skin = matte(_leaf(rng))
        elif kind == 3:  # a hose or a cable in loops
            r = rng.uniform(60, 170)
            ok = min(_apart(at[None], clear), _apart(at[None], marked)) > 1.2 * r + 40
            turns = np.vstack(
                [
                    np.array([*at, base + 10 + 4 * k])
                    + meshes.loop(np.zeros(3), np.array([r - 3 * k, 4, 0]), np.array([3, 1.15 * r - 2 * k, 0]), 60)
                    for k in range(4)
                ]
            )
            mesh, skin = meshes.tube(turns, float(rng.uniform(3, 8))), matte(colour)
        elif kind == 4:  # a saw
            here = Place((float(at[0]), float(at[1])), float(rng.uniform(0, 2 * np.pi)), False, base)
            ok = min(_apart(at[None], clear), _apart(at[None], marked)) > 370
            flat = np.array([[-250, 35], [250, 55], [250, -55], [-250, -35.0]])
            out += [(meshes.sheet(here.world(flat, 6.0)), matte((168, 170, 172)))] if ok else []
            mesh, skin = meshes.block(here, (245, 350), (-60, 60), (0, 24)), matte((136, 92, 56))
        elif kind == 5:  # a hammer or a mallet
            here = Place((float(at[0]), float(at[1])), float(rng.uniform(0, 2 * np.pi)), False, base)
            ok = min(_apart(at[None], clear), _apart(at[None], marked)) > 220
            out += [(meshes.block(here, (120, 160), (-55, 55), (2, 34)), matte((74, 74, 78)))] if ok else []
            mesh, skin = meshes.block(here, (-160, 125), (-11, 11), (8, 30)), matte((186, 150, 104))
        elif kind == 6 and scene.place_kind != "floor":  # a tin on a bracket
            r = rng.uniform(25, 60)
            ok = min(_apart(at[None], clear), _apart(at[None], marked)) > 3 * r + 40
            mesh, skin = cylinder(np.array([*at, base + r + 2]), r, 2.3 * r), matte(colour)
        else:
            w, h = rng.uniform(20, 110), rng.uniform(20, 140)
            here = Place((float(at[0]), float(at[1])), float(rng.choice([0, rng.uniform(0, 3)])), False, base)
            ok = min(_apart(at[None], clear), _apart(at[None], marked)) > np.hypot(w, h) + 40
            mesh, skin = meshes.block(here, (-w, w), (-h, h), (0.3, thick)), matte(colour)
        if ok:
            out.append((mesh, skin))
    return out


def _apart(a: np.ndarray, b: np.ndarray) -> float:
    """Least distance in the plane; far where there is nothing."""
    if not len(b):
        return 1e9
    d = a[:, None, :2] - b[None, :, :2]
    return float(np.sqrt((d**2).sum(-1)).min())


def _leaf(rng: np.random.Generator) -> np.ndarray:
    out = np.full((160, 120, 3), rng.uniform(170, 235) + rng.normal(0, 7, 3), np.uint8)
    if rng.random() < 0.7:
        for y in range(14, 150, int(rng.uniform(6, 14))):
            out[y : y + 2, 10 : int(rng.uniform(50, 112))] = rng.uniform(30, 110, 3)
    return out


def cover(scene: ShopScene, posed: Posed, place: Place, rng: np.random.Generator) -> Part:
    """A cloth or a crate before a good part of one limb."""
    k = str(rng.choice(["upper", "lower"]))
    f = fine(posed, k, 4.0)
    length = f["s"][-1]
    a = rng.uniform(0.3, 0.5) * length
    i, j = np.searchsorted(f["s"], [a, a + rng.uniform(0.35, 0.6) * length])
    j = min(j, len(f["s"]) - 1)
    pts = place.world(on_rig(posed, np.column_stack([f["x"], f["y"]])[[i, j]]), 0.0)
    middle, half = pts.mean(0), 0.5 * float(np.hypot(*(pts[1] - pts[0])[:2]))
    ahead = (pts[1] - pts[0])[:2] / (2 * half)
    here = Place(
        (float(middle[0]), float(middle[1])),
        float(np.arctan2(ahead[1], ahead[0])),
        False,
        scene.standoff + scene.bow.width / 2 + 8,
    )
    colour = matte(_paint(rng))
    deep = rng.uniform(130, 260)
    if rng.random() < 0.4:
        return meshes.block(here, (-half, half), (-deep, deep), (0, 120)), colour
    u, v = np.meshgrid(np.linspace(-half, half, 60), np.linspace(-deep, deep, 30), indexing="ij")
    z = 12 + 10 * np.sin(u / rng.uniform(20, 50) + 0.01 * v) + 6 * np.sin(v / 37)
    n, m = u.shape
    points = here.world(np.column_stack([u.ravel(), v.ravel()]), z.ravel())
    a_, b_ = np.meshgrid(np.arange(n - 1), np.arange(m - 1), indexing="ij")
    q = a_ * m + b_
    faces = np.concatenate(
        [np.stack([q, q + 1, q + m + 1], -1).reshape(-1, 3), np.stack([q, q + m + 1, q + m], -1).reshape(-1, 3)]
    )
    return Mesh(points, faces, np.zeros((len(points), 2)), True), colour


def bars(scene: ShopScene, lamp: np.ndarray, rng: np.random.Generator) -> list[Part]:
    """Slats or branches between the sun and the wall, out of the picture: their shadows lie across bow and board."""
    ray = lamp / np.linalg.norm(lamp)
    out = []
    for _ in range(int(rng.integers(2, 7))):
        at = 9000 * ray + np.array([rng.uniform(-900, 900), rng.uniform(-700, 500), 0])
        turn = rng.uniform(0, np.pi)
        d = np.array([np.cos(turn), np.sin(turn), 0]) * 1500
        out.append(meshes.tube(np.array([at - d, at + d]), float(rng.uniform(8, 70)), 8))
    return [(merged(out), matte((60, 50, 40)))]
