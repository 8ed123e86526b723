"""The photographs of the demo, and a seeded family of others of the same kinds."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from studio.bows import IN, BowPlan, Defect
from studio.front import FrontScene
from studio.stage import Scene

HERON = BowPlan(
    length=66.5 * IN,
    handle=7.5 * IN,
    weight_lb=41,
    draw_in=27,
    width=40,
    taper=0.38,
    reflex=(31.0, 24.0),
    brace=152,
    uneven=0.03,
    wander=3e-5,
    look="toasted",
    string="flax",
    seed=21,
)
BRAMBLE = BowPlan(
    length=63.0 * IN,
    handle=8.0 * IN,
    weight_lb=36,
    draw_in=25,
    width=42,
    taper=0.36,
    reflex=(9.0, 12.0),
    brace=146,
    uneven=-0.02,
    wander=4e-5,
    look="pale",
    string="red",
    seed=22,
    defects=(Defect("lower", 15.0 * IN, 1.5 * IN, 0.095),),
)
PLOVER = BowPlan(
    length=70.0 * IN,
    handle=6.0 * IN,
    weight_lb=33,
    draw_in=26,
    width=35,
    taper=0.42,
    reflex=(-7.0, -13.0),
    brace=158,
    uneven=0.05,
    wander=2e-5,
    look="rose",
    string="white",
    seed=23,
)
WALL = {
    "kind": "aruco",
    "side_in": 3.25,
    "corner": (-1015.0, 245.0),
    "room_in": 27,
    "centres_in": {0: (0, 0), 1: (80, 0), 2: (3, 34), 3: (77, 34)},
}
DOOR = {
    "kind": "aruco",
    "side_in": 3.25,
    "corner": (-420.0, 800.0),
    "centres_in": {0: (0, 0), 1: (30, 0), 2: (-2, 63), 3: (30, 63)},
}
CM = 1 / 2.54

_heron = Scene("heron-unstrung", HERON, "unstrung", WALL, "limewash", "window", angles=(4.0, -3.0, 0.9), fov=64, seed=31)
_drawn = replace(_heron, state="drawn", light="shop", angles=(-3.5, -4.0, -0.7), seed=33, clutter=2)
SAMPLES = (
    _heron,
    replace(
        _heron,
        name="heron-braced",
        state="braced",
        light="shop",
        angles=(-2.5, -2.0, 0.4),
        seed=32,
        rock=-0.8,
    ),
    replace(_drawn, name="heron-drawn-19", draw_in=19.0),
    replace(_drawn, name="heron-drawn-23", draw_in=23.0),
    replace(_drawn, name="heron-drawn-27", draw_in=27.0),
    Scene(
        "bramble-drawn-grid",
        BRAMBLE,
        "drawn",
        {"kind": "grid", "spacing_in": round(4 * CM, 4), "line_mm": 1.8},
        "slate",
        "window",
        draw_in=25.0,
        standoff=62,
        angles=(-5.0, 2.5, -0.6),
        fov=58,
        seed=34,
        clutter=5,
        k1=-0.004,
    ),
    Scene(
        "plover-drawn-sun",
        PLOVER,
        "drawn",
        {
            "kind": "lines_and_two_marks",
            "spacing_in": 3.0,
            "apart_in": 66.0,
            "ink": (70, 66, 60),
            "line_mm": 2.2,
        },
        "cream",
        "sun",
        draw_in=24.0,
        standoff=48,
        angles=(3.0, -3.5, 1.1),
        fov=60,
        seed=35,
        clutter=2,
        k1=0.008,
    ),
    Scene(
        "plover-unstrung-tape",
        PLOVER,
        "unstrung",
        {"kind": "tape", "length_in": round(150 * CM, 4)},
        "larch",
        "flash",
        standoff=44,
        angles=(2.0, -3.0, -0.5),
        fov=66,
        seed=36,
        clutter=4,
        rock=1.1,
    ),
    Scene(
        "bramble-drawn-stick",
        replace(BRAMBLE, defects=()),
        "drawn",
        {"kind": "stick", "spacing_in": 1.0, "steps": 22},
        "barn",
        "overcast",
        draw_in=24.0,
        standoff=-23.0,
        angles=(1.5, -1.5, 0.6),
        fov=57,
        seed=37,
        clutter=2,
        upper="right",
    ),
    Scene(
        "heron-braced-upright",
        HERON,
        "braced",
        DOOR,
        "slate",
        "window",
        upper="top",
        back="left",
        size=(2250, 3000),
        orientation=6,
        standoff=58,
        angles=(-2.0, 3.0, 0.7),
        fov=60,
        seed=38,
        clutter=2,
    ),
)


# From its belly side, which was held over coals and is paler near the lower fade: see ``studio/front.py``.
FRONT = FrontScene(
    "heron-front",
    replace(HERON, reflex=(12.0, 8.0), string="flax"),
    "braced",
    {**DOOR, "centres_in": {0: (0, 0), 1: (33, 0), 2: (0, 63), 3: (33, 63)}},
    "limewash",
    "shop",
    standoff=52.0,
    lean=(7.0, -2.0),
    bend=(0.0, 5.0),
    string=(-1.0, 0.5),
    cooked=44.0,
    patches=(("lower", 520.0, 60.0, 55.0), ("upper", 300.0, 50.0, 33.0)),
    seed=41,
)


def random_bow(rng: np.random.Generator) -> BowPlan:
    length, handle = rng.uniform(59, 72), rng.uniform(5.5, 10)
    defects: tuple[Defect, ...] = ()
    if rng.random() < 0.45:
        thin = float(rng.uniform(0.07, 0.11) * rng.choice([1, 1, -1]))
        where = float(rng.uniform(9, length / 2 - handle / 2 - 6))
        defects = (Defect(str(rng.choice(["upper", "lower"])), where * IN, float(rng.uniform(1.2, 2.2)) * IN, thin),)
    return BowPlan(
        length=length * IN,
        handle=handle * IN,
        weight_lb=float(rng.uniform(24, 52)),
        draw_in=float(rng.uniform(23, 27)),
        width=float(rng.uniform(33, 47)),
        taper=float(rng.uniform(0.30, 0.45)),
        reflex=tuple(float(v) for v in rng.uniform(-18, 40) + rng.normal(0, 4, 2)),
        grip=float(rng.uniform(12, 22)),
        brace=float(rng.uniform(125, 170)),
        uneven=float(rng.normal(0, 0.05)),
        wander=float(rng.uniform(0, 6e-5)),
        defects=defects,
        seed=int(rng.integers(1 << 30)),
        look=str(rng.choice(["pale", "honey", "umber", "rose", "toasted", "grey"])),
        string=str(rng.choice(["white", "black", "flax", "red"])),
        string_d=float(rng.uniform(2.2, 3.6)),
    )


def _scale(rng: np.random.Generator, kind: str, upright: bool, bow: BowPlan, board: str) -> dict[str, Any]:
    spacing = float(rng.choice([1.0, 1.5, 2.0, 3.0, round(4 * CM, 4), round(5 * CM, 4)]))
    dark = board in ("slate", "larch", "sage")
    inks = [(222, 220, 208), (206, 190, 120)] if dark else [(40, 40, 48), (60, 80, 120), (92, 70, 56)]
    ink = inks[rng.integers(len(inks))]
    if kind == "grid":
        return {
            "kind": kind,
            "spacing_in": max(spacing, 1.5),
            "line_mm": float(rng.uniform(1.2, 2.4)),
            "ink": ink,
        }
    if kind == "lines_and_two_marks":
        apart = float(round(bow.length / IN * rng.uniform(0.85, 1.05)))
        return {"kind": kind, "spacing_in": max(spacing, 1.5), "apart_in": apart, "ink": ink}
    if kind == "tape":
        return {
            "kind": kind,
            "length_in": float(rng.choice([48.0, 60.0, 72.0, round(150 * CM, 4), round(200 * CM, 4)])),
        }
    if kind == "stick":
        return {
            "kind": kind,
            "spacing_in": float(rng.choice([1.0, round(5 * CM, 4)])),
            "steps": int(rng.integers(12, 19)),
        }
    # wide enough that no tip hangs before a mark
    w, h = int(bow.length / IN) + int(rng.integers(8, 18)), int(rng.integers(22, 34))
    if kind == "four_marks":
        return {"kind": kind, "width_in": float(h if upright else w), "height_in": float(w if upright else h)}
    w, h = (h, w) if upright else (w, h)
    lean = float(rng.integers(0, 4))
    corner = (-w / 2 * IN, h / 2 * IN if upright else rng.uniform(150, 320))
    centres = {0: (0.0, 0.0), 1: (float(w), 0.0), 2: (lean, float(h)), 3: (float(w) - lean, float(h))}
    return {
        "kind": kind,
        "side_in": float(rng.choice([2.5, 3.0, 3.5, 4.0, 5.0])),
        "corner": corner,
        "centres_in": centres,
    }


def family(count: int, seed: int, size: tuple[int, int]) -> list[Scene]:
    """``count`` random scenes of random kinds; scene k depends on (seed, k) alone."""
    out = []
    for k in range(count):
        rng = np.random.default_rng([seed, k])
        kind = str(rng.choice(["aruco", "grid", "lines_and_two_marks", "tape", "four_marks", "stick"]))
        name = str(rng.choice(["unstrung", "braced", "drawn"]))
        upright = bool(kind in ("aruco", "four_marks") and rng.random() < 0.2)
        bow = random_bow(rng)
        light = "overcast" if kind == "stick" else str(rng.choice(["window", "shop", "sun", "flash"]))
        board = str(rng.choice(["limewash", "slate", "sage", "cream", "larch", "barn", "spruce"]))
        upper = str(rng.choice(["top", "bottom"] if upright else ["left", "right"]))
        back = str(rng.choice(["left", "right"])) if upright else "up"
        draw = float(rng.uniform(0.62, 1.0) * bow.draw_in)
        out.append(
            Scene(
                f"family-{seed}-{k:04d}",
                bow,
                name,
                _scale(rng, kind, upright, bow, board),
                board,
                light,
                draw_in=draw if name == "drawn" else 0.0,
                upper=upper,
                back=back,
                standoff=float(rng.uniform(-26, -20)) if kind == "stick" else float(rng.uniform(38, 75)),
                angles=tuple(float(v) for v in rng.normal(0, 1, 3) * [4.5, 3.5, 0.9]),
                fov=float(rng.uniform(52, 70)),
                size=size[::-1] if upright else size,
                k1=float(rng.normal(0.003, 0.006)),
                orientation=int(rng.choice([1, 6, 8]) if upright else rng.choice([1, 1, 1, 3])),
                rock=float(rng.normal(0, 0.9)),
                clutter=int(rng.integers(0, 7)),
                blur=float(rng.uniform(0.45, 0.9)),
                grain=float(rng.uniform(0.006, 0.018)),
                seed=int(rng.integers(1 << 30)),
            )
        )
    return out


def front_family(count: int, seed: int, size: tuple[int, int]) -> list[FrontScene]:
    """``count`` random bows from belly or back, upright; scene k depends on (seed, k) alone."""
    out = []
    for k in range(count):
        rng = np.random.default_rng([seed, k, 5])
        bow = replace(random_bow(rng), past=tuple(float(v) for v in rng.uniform(8, 28) + rng.normal(0, 2, 2)))
        kind, board = (
            str(rng.choice(["aruco", "grid", "four_marks"])),
            str(rng.choice(["limewash", "slate", "sage", "cream", "larch", "barn", "spruce"])),
        )
        scale = _scale(rng, kind, True, bow, board)
        if kind == "aruco":
            w, h = scale["centres_in"][1][0], scale["centres_in"][2][1]
            scale["corner"] = (-w / 2 * IN, h / 2 * IN)
        facing, state = str(rng.choice(["belly", "belly", "back"])), str(rng.choice(["braced", "braced", "unstrung"]))
        cooked = facing == "belly" and rng.random() < 0.4
        out.append(
            FrontScene(
                f"front-{seed}-{k:04d}",
                bow,
                state,
                scale,
                board,
                str(rng.choice(["window", "shop", "overcast", "lamp"])),
                # seen from its back, a braced bow's limbs bend toward the wall
                standoff=float(rng.uniform(40, 75)) + (bow.brace + bow.grip if (facing, state) == ("back", "braced") else 0.0),
                lean=tuple(float(v) for v in rng.normal(0, 6, 2)),
                bend=tuple(float(v) for v in rng.normal(0, 4, 2)),
                string=tuple(float(v) for v in rng.normal(0, 1, 2)),
                cooked=float(rng.uniform(36, 52)) if cooked else 0.0,
                patches=_patches(rng, bow) if cooked and rng.random() < 0.6 else (),
                angles=tuple(float(v) for v in rng.normal(0, 1, 3) * [3.5, 3.0, 0.8]),
                fov=float(rng.uniform(54, 68)),
                size=size,
                k1=float(rng.normal(0.003, 0.005)),
                seed=int(rng.integers(1 << 30)),
                facing=facing,
                twist=tuple(float(v) for v in rng.normal(0, 0.05, 2)),
                blur=float(rng.uniform(0.45, 0.9)),
                grain=float(rng.uniform(0.006, 0.016)),
            )
        )
    return out


def _patches(rng: np.random.Generator, bow: BowPlan) -> tuple[tuple[str, float, float, float], ...]:
    """A paler or darker stretch of a cooked belly: limb, place from the nock, half its length, lightness."""
    at, half = rng.uniform(180, bow.length / 2 - bow.handle / 2 - 120), rng.uniform(30, 70)
    return ((str(rng.choice(["upper", "lower"])), float(at), float(half), float(rng.choice([30.0, 58.0]))),)


# The walk through the app: one more bow on one board, from rest to full draw and to rest again after two days.
LINNET = BowPlan(
    length=64.0 * IN,
    handle=8.0 * IN,
    weight_lb=38,
    draw_in=26,
    width=42,
    taper=0.36,
    reflex=(14.0, 17.0),
    brace=148,
    uneven=-0.02,
    wander=4e-5,
    look="pale",
    string="red",
    seed=24,
    defects=(Defect("lower", 14.0 * IN, 1.5 * IN, 0.085),),
)
_linnet = Scene(
    "linnet-braced",
    LINNET,
    "braced",
    {"kind": "grid", "spacing_in": 2.0, "line_mm": 1.8},
    "slate",
    "window",
    standoff=58,
    angles=(-2.5, 2.5, 0.3),
    fov=58,
    size=(2400, 1800),
    seed=52,
    clutter=2,
)
_at_rest = replace(_linnet, name="linnet-unstrung", state="unstrung", scale=WALL, fov=64, angles=(-3.0, -2.0, -0.4), seed=51)
WALK = (
    _at_rest,
    _linnet,
    replace(_linnet, name="linnet-drawn-18", state="drawn", draw_in=18.0, angles=(-4.0, 2.5, -0.6), seed=53),
    replace(_linnet, name="linnet-drawn-26", state="drawn", draw_in=26.0, angles=(-4.0, 2.5, -0.6), seed=53),
    replace(
        _at_rest,
        name="linnet-rested",
        bow=replace(LINNET, reflex=(9.5, 8.0)),  # a little of the reflex has gone into set, more of it in the lower limb
        angles=(-3.5, -2.5, 0.5),
        seed=54,
    ),
)
