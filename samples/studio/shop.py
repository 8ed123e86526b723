"""Seeded families as hard as phone pictures from real shops and yards (`shop`), and one bow from rest to full draw (`rounds`)."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from studio import lights, meshes, phone, places, surfaces
from studio.bows import IN, BowPlan, Built, Defect, Kink, Posed, build, on_rig, state
from studio.camera import Camera, look
from studio.meshes import Place
from studio.phone import Phone
from studio.places import Part
from studio.stage import Scene, matte, place_of, rig_parts, trace, waxed
from tillerlens.mechanics import statics

SIZES = ((4032, 3024), (4000, 3000), (4032, 3024), (3264, 2448), (3840, 2160), (4608, 3456), (3024, 2268), (2048, 1536))
BIG = ((5712, 4284), (8000, 6000), (8160, 6120))
CM = 1 / 2.54


@dataclass(frozen=True)
class ShopScene(Scene):
    """A Scene in a shop or yard. ``turn``: radians that the rig is turned in the picture's plane; ``askew``: the board's."""

    place_kind: str = "shop"
    hangs: str = "rig"  # rig (post and cradle), stick, pegs, nail, lies
    turn: float = 0.0
    askew: float = 0.0
    fill: float = 0.9
    trick: str | None = None
    surroundings: int = 1  # seed of everything but bow and camera
    bars: bool = False
    phone: Phone = field(default_factory=Phone)
    knows_limb: bool = False
    exif: bool = True


@dataclass(eq=False)
class Set:
    """One scene put up: for the renderer and for the answer."""

    scene: ShopScene
    posed: Posed
    place: Place
    camera: Camera
    parts: list[Part]
    marks: np.ndarray | None
    scale: dict[str, Any]


def rough_bow(rng: np.random.Generator, chatter: tuple[float, float] = (0.0, 0.012), crooked: float = 1.0) -> BowPlan:
    """A stout or slim, mostly crooked bow of random make."""
    length = float(rng.uniform(56, 74))
    bendy = rng.random() < 0.3
    handle = float(rng.uniform(1.2, 1.8) if bendy else rng.uniform(6, 10))
    stout = rng.random() < 0.55
    half = length / 2 - handle / 2
    rough = float(rng.choice([0.04, 0.08, 0.12]))
    kinks = []
    for limb in ("upper", "lower"):
        for _ in range(int(rng.poisson(1.3 * crooked))):
            bend = float(rng.normal(0, rough) * crooked)
            kinks.append(Kink(limb, float(rng.uniform(3, half - 3)) * IN, float(rng.uniform(35, 130)), bend))
    off = 0.0 if rng.random() < 0.25 else float(rng.uniform(-0.75, 0.75)) * IN
    lean = float(rng.uniform(-25, 40))
    return BowPlan(
        length=length * IN,
        handle=handle * IN,
        weight_lb=float(rng.uniform(28, 55)),
        draw_in=float(rng.uniform(23, 28)),
        width=float(rng.uniform(25, 34) if stout else rng.uniform(33, 52)),
        tip_width=float(rng.uniform(11, 21)),
        taper=float(rng.uniform(0.22, 0.45)),
        reflex=(lean + float(rng.normal(0, 7)), lean + float(rng.normal(0, 7))),
        grip=float(rng.uniform(2, 7) if bendy else rng.uniform(12, 33)),
        grip_length=float(rng.uniform(3.5, 5)) * IN if bendy else 0.0,
        brace=float(rng.uniform(70, 170)),
        uneven=float(rng.normal(0, 0.07)),
        wander=float(rng.uniform(2e-5, 1.6e-4)) * crooked,
        longer_upper=off,
        kinks=tuple(kinks),
        chatter=float(rng.uniform(*chatter)),
        past=(float(rng.uniform(0.5, 1.5)) * IN, float(rng.uniform(0.5, 1.5)) * IN),
        back_power=float(rng.uniform(2.2, 6)),
        belly_power=float(rng.choice([rng.uniform(2, 3), rng.uniform(3, 6)])),
        crown=float(rng.uniform(0, 1.5)),
        string=str(rng.choice(["white", "black", "flax", "red"])),
        string_d=float(rng.uniform(2.0, 4.2)),
        seed=int(rng.integers(1 << 30)),
    )


def can_be(plan: BowPlan, states: tuple[str, ...], draw_in: float) -> bool:
    """Is there such a bow: strung, drawn, its string nowhere on the belly, its wood neither straw nor log?"""
    try:
        built = build(plan)
        thick = built.thick0
        if not 9 < thick < 27 or thick > 0.95 * plan.width or abs(thick + plan.grip) > 52:
            return False
        for name in states:
            posed = state(built, name, draw_in * IN)
            if posed.equilibrium is not None and statics.string_on_belly(posed.equilibrium):
                return False
            if name == "braced" and _least_gap(posed) < 12:
                return False
    except (statics.NoEquilibrium, AssertionError, ValueError):
        return False
    return True


def _least_gap(posed: Posed) -> float:
    """Least distance of the belly from the braced string over the inner nine tenths of the limbs, mm."""
    from studio.truth import edges

    u, w = (np.array(posed.shapes[k].nock) for k in ("upper", "lower"))
    ahead = (u - w) / np.hypot(*(u - w))
    out = []
    for k in ("upper", "lower"):
        e = edges(posed, k, 10.0)
        inner = e["s"] < 0.9 * e["s"][-1]
        off = e["belly"][inner] - w
        out.append(float((ahead[0] * off[:, 1] - ahead[1] * off[:, 0]).min()))
    return min(out)


def _bow_for(rng: np.random.Generator, states: tuple[str, ...], share: float, **how: Any) -> tuple[BowPlan, float]:
    for _ in range(200):
        plan = rough_bow(rng, **how)
        draw = float(share * plan.draw_in)
        if can_be(plan, states, draw):
            return plan, draw
    raise RuntimeError("no bow came out in 200 tries")


def _phone(rng: np.random.Generator, size: tuple[int, int], light: str) -> Phone:
    dim = light in ("lamp", "shop", "window")
    big = max(size) > 5000
    return Phone(
        blur=float(rng.uniform(0.45, 1.0)),
        shake=(float(rng.choice([0.0, rng.uniform(0.5, 2.6)])), float(rng.uniform(0, np.pi))),
        grain=float(rng.uniform(0.004, 0.014) * (1.7 if dim else 1)),
        smooth=float(rng.choice([0.0, rng.uniform(0.03, 0.09)], p=[0.2, 0.8])),
        haze=float(rng.choice([0.0, rng.uniform(0.1, 0.45)])),
        contrast=float(rng.uniform(0.0, 0.9)),
        tint=tuple(float(v) for v in 1 + rng.normal(0, 0.035, 3)),
        exposure=float(np.exp(rng.normal(0, 0.22))),
        sharpen=(float(rng.choice([0.0, rng.uniform(0.4, 1.8)], p=[0.12, 0.88])), float(rng.uniform(0.8, 2.2))),
        quality=int(rng.integers(84, 91)) if not big else int(rng.integers(80, 86)),
        render=float(rng.uniform(0.55, 0.68)) if big else 1.0,
    )


PLACES = {  # share, states, scales with shares, lights
    "stick": (
        0.17,
        ("unstrung", "braced", "drawn", "drawn"),
        {"stick": 4, "two_marks": 2, "bow_length": 3},
        ("overcast", "sun", "sun", "lamp", "flash"),
    ),
    "shop": (
        0.2,
        ("unstrung", "braced", "drawn", "drawn"),
        {"bow_length": 3, "tape": 2, "two_marks": 2, "aruco": 2},
        ("shop", "shop", "window", "flash", "lamp"),
    ),
    "floor": (
        0.16,
        ("unstrung", "unstrung", "braced"),
        {"tape": 3, "bow_length": 3, "aruco": 2, "two_marks": 1, "four_marks": 1},
        ("window", "shop", "flash", "sun", "lamp"),
    ),
    "wall": (
        0.13,
        ("unstrung", "braced"),
        {"tape": 2, "two_marks": 2, "bow_length": 2, "four_marks": 1},
        ("overcast", "sun", "sun", "flash", "shop"),
    ),
    "board": (
        0.2,
        ("unstrung", "braced", "drawn", "drawn"),
        {"aruco": 2, "grid": 2, "lines_and_two_marks": 2, "tape": 1, "four_marks": 2},
        ("shop", "window", "flash", "sun", "overcast"),
    ),
    "fence": (
        0.08,
        ("unstrung", "braced"),
        {"bow_length": 2, "two_marks": 1, "tape": 1},
        ("overcast", "sun", "sun"),
    ),
    "shelf": (
        0.06,
        ("unstrung", "braced"),
        {"bow_length": 2, "tape": 1, "two_marks": 1},
        ("shop", "window", "flash", "lamp"),
    ),
}


def _from(rng: np.random.Generator, shares: dict[str, float]) -> str:
    weights = np.array(list(shares.values()), float)
    return str(rng.choice(list(shares), p=weights / weights.sum()))


def _sizes_of(rng: np.random.Generator, kind: str, bow: BowPlan) -> dict[str, Any]:
    """What the scale's own builder needs to know."""
    if kind == "tape":
        return {"kind": kind, "length_in": float(rng.choice([24.0, 36.0, 48.0, 60.0, round(100 * CM, 4), round(150 * CM, 4)]))}
    if kind in ("grid", "lines_and_two_marks"):
        return {
            "kind": kind,
            "spacing_in": float(
                rng.choice([1.0, 1.5, 2.0, 3.0, 4.0, round(5 * CM, 4), round(10 * CM, 4)][1 if kind == "grid" else 0 :])
            ),
        }
    if kind == "stick":
        return {
            "kind": kind,
            "spacing_in": float(rng.choice([1.0, 1.0, round(2.5 * CM, 4), round(5 * CM, 4)])),
            "steps": int(rng.integers(8, 19)),
        }
    return {"kind": kind}


def shop(seed: int, k: int, size: tuple[int, int] | None = None) -> ShopScene:
    """Scene ``k`` of the family; it depends on (seed, k) alone."""
    rng = np.random.default_rng([seed, k, 71])
    where = _from(rng, {n: v[0] for n, v in PLACES.items()})
    _, states, scales, lamps = PLACES[where]
    name, kind, light = str(rng.choice(list(states))), _from(rng, scales), str(rng.choice(list(lamps)))
    bow, draw = _bow_for(rng, (name,) if name != "drawn" else ("braced", "drawn"), float(rng.uniform(0.6, 1.0)))
    upright = bool(where in ("wall", "fence", "floor", "board", "shelf") and name != "drawn" and rng.random() < 0.5)
    upright = upright and kind not in ("lines_and_two_marks",)
    if where == "stick":
        hangs = "stick"
    elif where == "floor":
        hangs = "lies"
    elif where in ("shop", "board") and (name == "drawn" or (not upright and rng.random() < 0.6)):
        hangs = "rig"
    else:
        hangs = "nail" if upright else "pegs"
    square = kind in ("aruco", "grid", "lines_and_two_marks", "four_marks")
    wobble = (5.0, 4.5, 1.5) if square else (2.6, 2.6, 1.3)
    whole = BIG[rng.integers(len(BIG))] if rng.random() < 0.12 else SIZES[rng.integers(len(SIZES))]
    whole = size or whole
    stands = upright if rng.random() < 0.88 else not upright
    flat = bow.width / 2
    off = (
        flat + float(rng.uniform(0, 6))
        if hangs == "lies"
        else float(rng.uniform(-27, -19))
        if hangs == "stick"
        else float(rng.uniform(flat + 4, flat + 60))
    )
    trick = str(rng.choice(["cut", "hidden", "oblique", "no bow"], p=[0.32, 0.28, 0.28, 0.12])) if rng.random() < 1 / 8 else None
    angles = [float(v) for v in rng.normal(0, 1, 3) * wobble]
    if trick == "oblique":
        angles[1 if upright else 0] = float(rng.choice([-1, 1]) * rng.uniform(36, 52))
    return ShopScene(
        f"shop-{seed}-{k:03d}",
        bow,
        name,
        _sizes_of(rng, kind, bow),
        "none" if where == "stick" else where,
        light,
        draw_in=draw if name == "drawn" else 0.0,
        upper=str(rng.choice(["top", "bottom"] if upright else ["left", "right"])),
        back=str(rng.choice(["left", "right"])) if upright else "up",
        standoff=off,
        angles=(angles[0], angles[1], angles[2]),
        fov=float(rng.uniform(50, 74)),
        size=whole[::-1] if stands else whole,
        k1=float(rng.normal(0.0, 0.008)),
        orientation=int(rng.choice([1, 6, 8]) if stands else rng.choice([1, 1, 1, 3])),
        rock=float(rng.normal(0, 0.6)),
        clutter=int(rng.integers(2, 26) if where in ("shop", "board") else rng.integers(0, 9)),
        seed=int(rng.integers(1 << 30)),
        place_kind=where,
        hangs=hangs,
        turn=float(rng.normal(0, 0.16 if where == "floor" else 0.012)),
        askew=float(rng.normal(0, 0.03)) if where == "board" else float(rng.normal(0, 0.006)),
        fill=float(rng.uniform(0.7, 0.96)),
        trick=trick,
        surroundings=int(rng.integers(1 << 30)),
        bars=bool(light == "sun" and rng.random() < 0.5),
        phone=_phone(rng, whole, light),
        knows_limb=bool(rng.random() < 0.4),
        exif=bool(rng.random() < 0.88),
    )


def rounds(seed: int, k: int, size: tuple[int, int] | None = None) -> list[ShopScene]:
    """Bow ``k`` of the family at rest, braced and at three draws, before one board, from one place. Odd bows have a
    hinge or a stiff place that bends 12 to 30 % more or less than the wood around it, even ones none."""
    rng = np.random.default_rng([seed, k, 72])
    draws = (20.0, 24.0, 27.0)
    for _ in range(200):
        plan = rough_bow(rng, chatter=(0.001, 0.006), crooked=0.35)
        plan = replace(plan, draw_in=28.0, length=max(plan.length, 60 * IN), uneven=0.5 * plan.uneven)
        if k % 2:
            hinge = rng.random() < 0.65
            more = float(rng.uniform(0.12, 0.30)) * (1 if hinge else -1)
            thinner = 1 - (1 / (1 + more)) ** (1 / 3)
            limb = str(rng.choice(["upper", "lower"]))
            room = plan.length / 2 / IN - max(plan.handle, plan.grip_length) / 2 / IN
            plan = replace(
                plan, defects=(Defect(limb, float(rng.uniform(6, room - 5)) * IN, float(rng.uniform(1.2, 2.5)) * IN, thinner),)
            )
        if can_be(plan, ("braced",), 0) and all(can_be(plan, ("drawn",), d) for d in draws):
            break
    else:
        raise RuntimeError("no bow came out in 200 tries")
    kind = str(rng.choice(["aruco", "grid", "lines_and_two_marks", "four_marks"]))
    whole = size or SIZES[rng.integers(4)]
    where, light = str(rng.choice(["board", "shop"])), str(rng.choice(["shop", "window", "flash", "sun", "overcast"]))
    first = ShopScene(
        f"rounds-{seed}-{k:02d}-unstrung",
        plan,
        "unstrung",
        {**_sizes_of(rng, kind, plan), "room": draws[-1] * IN + 150},
        where,
        light,
        upper=str(rng.choice(["left", "right"])),
        standoff=float(rng.uniform(plan.width / 2 + 8, plan.width / 2 + 55)),
        angles=tuple(float(v) for v in rng.normal(0, 1, 3) * [4.0, 3.5, 1.0]),
        fov=float(rng.uniform(52, 72)),
        size=whole,
        k1=float(rng.normal(0.0, 0.007)),
        rock=float(rng.normal(0, 0.5)),
        clutter=int(rng.integers(0, 12)),
        seed=int(rng.integers(1 << 30)),
        place_kind=where,
        hangs="rig",
        askew=float(rng.normal(0, 0.015)),
        fill=float(rng.uniform(0.85, 0.97)),
        surroundings=int(rng.integers(1 << 30)),
        phone=replace(_phone(rng, whole, light), shake=(0.0, 0.0)),
        knows_limb=bool(rng.random() < 0.5),
    )
    out = [first]
    for n, (what, draw) in enumerate((("braced", 0.0), *(("drawn", d) for d in draws))):
        label = what if not draw else f"drawn-{draw:.0f}"
        out.append(
            replace(
                first,
                name=f"rounds-{seed}-{k:02d}-{label}",
                state=what,
                draw_in=draw,
                seed=first.seed + 1 + n,
                rock=first.rock if not draw else 0.0,
            )
        )
    return out


def _place(scene: ShopScene) -> Place:
    upright = place_of(scene)
    return Place(upright.origin, upright.angle + scene.turn, upright.mirror, upright.depth)


def put_up(scene: ShopScene) -> Set:
    """Bow, board, camera and clutter, ready to trace (needs a Mitsuba variant to be set)."""
    posed = state(build(scene.bow), scene.state, scene.draw_in * IN, scene.rock)
    place = _place(scene)
    rng = np.random.default_rng([scene.surroundings, 1])
    around = places.reach(scene, posed, place)
    if scene.hangs == "stick":
        b = _at_the_stick(scene, posed, place, around, rng)
        parts = [(m, matte(c)) for m, c in b.parts]
    else:
        board = Place((0.0, 0.0), scene.askew, False, 0.0)
        parts = []
        wide = np.vstack([around, [[*around.min(0)[:2] - 60, 0], [*around.max(0)[:2] + 60, 0]]])
        draft = places.marks(scene, posed, place, around, board, np.random.default_rng([scene.surroundings, 2]))
        if scene.place_kind == "board":
            sheet, board = places.sheet_board(scene, np.vstack([wide, draft.frame]), rng)
            parts += sheet
        b = draft
        parts += [(m, matte(c)) for m, c in b.parts]
    parts += places.behind(scene, np.random.default_rng([scene.surroundings, 3]))
    camera = _camera(scene, posed, place, b.frame)
    marks, scale = b.marks, b.scale
    if marks is not None and scene.trick == "cut":
        px = camera.project(marks)
        if np.any(px < 5) or np.any(px > np.array(scene.size) - 6):  # no one can click what the frame cut off
            marks, scale = None, {"kind": "bow_length"}
    clear = places.keep_clear(posed, place)
    if scene.scale.get("room"):  # the same things hang about in all rounds, clear of the deepest draw
        clear = _swept(scene, place)
    marked = b.frame[len(around) :] if scene.hangs != "stick" else np.vstack([b.frame, clear])
    if marked.size and scene.scale["kind"] == "aruco":
        marked = np.vstack([marked, [m.mean(0) for m in np.split(marked, len(marked) // 4)]])
    parts += places.goods(scene, clear, marked, b.frame, np.random.default_rng([scene.surroundings, 4]))
    if scene.trick == "no bow":
        return Set(scene, posed, place, camera, parts, marks, scale)
    parts += _bow_parts(scene, posed, place)
    if scene.hangs in ("pegs", "nail"):
        parts += places.support(scene, posed, place, np.random.default_rng([scene.surroundings, 5]))
    if scene.trick == "hidden":
        parts.append(places.cover(scene, posed, place, rng))
    return Set(scene, posed, place, camera, parts, marks, scale)


def _swept(scene: ShopScene, place: Place) -> np.ndarray:
    half = scene.bow.length / 2 + 40
    rows = []
    for x in np.arange(-half, half + 1, 55):
        low = scene.scale["room"] * (1 - 0.7 * abs(x) / half)
        rows += [[x, y] for y in np.arange(-low, 131, 55)]
    return place.world(np.array(rows), 0.0)


def _at_the_stick(scene: ShopScene, posed: Posed, place: Place, around: np.ndarray, rng: np.random.Generator) -> Any:
    from studio import boards

    spacing = scene.scale.get("spacing_in", 1.0)
    stick = replace(scene, scale={"kind": "stick", "spacing_in": spacing, "steps": scene.scale.get("steps", 16)})
    b = boards.stick_and_pegs(stick, posed, place, around, rng)
    if scene.scale["kind"] == "bow_length":
        return boards.Board(around, b.parts, {"kind": "bow_length"})
    if scene.scale["kind"] == "two_marks":
        return boards.Board(b.frame, b.parts, {"kind": "two_marks", "marks_apart_in": b.scale["marks_apart_in"]}, b.marks)
    return b


def _camera(scene: ShopScene, posed: Posed, place: Place, frame: np.ndarray) -> Camera:
    camera = look(frame, scene.angles, scene.fov, scene.size, scene.k1, scene.fill)
    rng = np.random.default_rng([scene.surroundings, 6])
    spare = (1 - scene.fill) * 0.35
    shift = rng.uniform(-1, 1, 2) * spare * np.array(scene.size)
    if scene.trick == "cut":
        ends = places.outline(posed, place, 20.0)
        half = len(ends) // 2
        px = camera.project(np.array([ends[half - 1], ends[-1]]))
        k = int(rng.integers(2))
        way = px[k] - px[1 - k]
        axis = int(np.argmax(np.abs(way)))
        beyond = rng.uniform(0.02, 0.14) * abs(way[axis])  # of the bow lies outside the picture
        edge = scene.size[axis] - 1 if way[axis] > 0 else 0
        shift[axis] = px[k][axis] - edge - np.sign(way[axis]) * beyond
    elif scene.scale.get("room"):
        shift *= 0
    axes = camera.axes()
    far = float(np.linalg.norm(np.subtract(camera.target, camera.position)))
    move = far / camera.focal * (shift[0] * axes[0] + shift[1] * axes[1])
    return replace(camera, position=tuple(np.add(camera.position, move)), target=tuple(np.add(camera.target, move)))


def _bow_parts(scene: ShopScene, posed: Posed, place: Place) -> list[Part]:
    rng = np.random.default_rng([scene.surroundings, 7])
    plan = posed.built.plan
    whole = plan.length + sum(plan.past)
    skin = surfaces.stave(np.random.default_rng(plan.seed), plan, whole)
    rough = np.random.default_rng([plan.seed, 9])
    wood = waxed(skin, float(rough.uniform(0.25, 0.7)), float(rough.uniform(0.15, 0.5)))
    out: list[Part] = [(meshes.bow(posed, place), wood)]
    out += rig_parts(scene, posed, place, rng, post=scene.hangs == "rig")
    return out


def lamps(scene: ShopScene, camera: Camera) -> dict[str, Any]:
    return lights.of(replace(scene, seed=scene.surroundings), camera)  # the same light in all of a bow's rounds


def picture(put: Set, samples: int) -> np.ndarray:
    """Linear light of the padded pinhole."""
    scene = put.scene
    outdoors = scene.place_kind in ("stick", "fence")
    emitters = lamps(scene, put.camera)
    parts = list(put.parts)
    if scene.bars:
        parts += places.bars(
            scene, lights.sun_at(replace(scene, seed=scene.surroundings)), np.random.default_rng([scene.surroundings, 8])
        )
    camera = phone.rendered_as(put.camera, scene.phone)
    at_once = int(np.clip(80e6 / np.prod(camera.size), 1, 16))  # what one graphics card's memory holds several times over
    return trace(parts, camera, emitters, samples, scene.seed, 4, hide=not outdoors, at_once=at_once)


__all__ = ["Built", "Set", "ShopScene", "can_be", "lamps", "on_rig", "picture", "put_up", "rough_bow", "rounds", "shop"]
