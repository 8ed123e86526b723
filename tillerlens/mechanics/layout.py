"""Laying out the next bow: width, thickness and crown to a weight, by the statics. A starting point, never a recipe.

Widths are what makers cut of such wood (``practice``), widened only as far as they widen it and only where the set wished asks
for it; the thickness follows from the weight. Wood of one kind differs by a fifth in stiffness from tree to tree and no formula
sees grain or knots, so the thickness is given twice: as the statics end it and with the extra wood that the tillering takes off.

A layout is ``quiet`` where the set to expect is one that makers accept, ``hard`` where it may be more, and ``stopped`` where it
breaks or surely takes more set than that, with the change that would help.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tillerlens.core.errors import Reason, TillerLensError
from tillerlens.core.units import INCHES_PER_FOOT, MM_PER_INCH, NEWTON_PER_POUND, format_inches
from tillerlens.mechanics.elastica import Floats, NoEquilibrium
from tillerlens.mechanics.find_wood import FoundWood
from tillerlens.mechanics.section import Section, crown_of_tree, outline, rectangle, section_of
from tillerlens.mechanics.statics import Bow, ElasticLimb, Equilibrium, Handle, braced, drawn
from tillerlens.mechanics.strain import ACCEPTABLE_SET_MM, YIELDS, SetExpected, StrainLimit, heat_range, strain_limit, tip_set
from tillerlens.mechanics.wood import Species

PLACES = 13
SEGMENTS = 60
EXTRA = 0.15  # of the thickness left on: a wood a fifth stiffer or softer is 7 % of thickness, twice that and a little
STATION_MM = 4 * MM_PER_INCH
MOST_CROWN = 0.5  # of the thickness: a higher back carries the load on a narrow ridge (common practice, no source)
LEAST_FLAT = 1.5  # width over thickness at the fade, or the limb may twist (common practice, no source)
MOST_OF_TREE = 0.8  # of its diameter, as wide a limb as it gives (common practice, no source)
WIDTH_STEP_MM = MM_PER_INCH / 8
STACKS_DEG = 90.0  # string angle at the nock beyond which the weight climbs steeply (common practice, no source)

# What a person may ask for; beyond it is a slip of the pen or no bow that is drawn by hand. Millimetres and newtons.
RANGES: dict[str, tuple[float, float, str]] = {
    "length": (30 * MM_PER_INCH, 96 * MM_PER_INCH, "bow's length"),
    "weight": (5 * NEWTON_PER_POUND, 200 * NEWTON_PER_POUND, "draw weight"),
    "draw_back": (8 * MM_PER_INCH, 36 * MM_PER_INCH, "draw"),
    "handle": (0.0, 24 * MM_PER_INCH, "handle's length"),
    "brace": (2 * MM_PER_INCH, 12 * MM_PER_INCH, "brace height"),
    "width": (0.5 * MM_PER_INCH, 4 * MM_PER_INCH, "limbs' width"),
    "tip_width": (0.25 * MM_PER_INCH, 1.5 * MM_PER_INCH, "tips' width"),
    "tree_diameter": (1 * MM_PER_INCH, 60 * MM_PER_INCH, "tree's diameter"),
    "most_set": (0.25 * MM_PER_INCH, 6 * MM_PER_INCH, "set"),
}


# What makes no limb, from the table or typed, modulus N/mm2 and strain.
MODULI, LIMITS, LEAST_TAPER = (1e3, 1e5), (1e-3, 0.1), 0.2
DEEPEST_CROWN = 0.95  # of the thickness: beyond, the back's arc would leave no sides
_AS_FEET = (4, 8)  # a bow's length given as so many inches was meant in feet
# The search for the thickness that gives the weight (weight grows as its cube): where it starts, how far it steps, when it ends.
FIRST_THICK_MM, MOST_STEPS, STEP, SETTLED = 12.0, 30, (0.7, 1.4), 1e-4
SAME_WIDTH_MM = 0.1
# Ways out that are tried: a bow longer by two inches at a time, one lighter by five pounds; lighter than so much is another bow.
LONGEST_IN, LIGHTER_LB, LEAST_WEIGHT = 82.1, 5, 0.6


class LayoutError(TillerLensError):
    """A bow that cannot be laid out so."""

    code = "layout"


@dataclass(frozen=True)
class Practice:
    """Widths at the fades (mm) that makers usually cut of a wood, and the widest they go to."""

    usual: float
    widest: float


_USUAL_WIDTH_IN = (
    (("Osage-orange", "Pacific yew"), 1.5),
    (("hickory", "pecan", "black locust", "persimmon", "flowering dogwood"), 1.75),
)


def practice(wood: Species | None) -> Practice:
    """Widths makers cut (common practice, no source): osage 1 1/2 in, hickory, locust, persimmon and dogwood 1 3/4, yew 1 1/2,
    whitewoods and redcedar 2; up to half an inch more where less set is wished."""
    name = "" if wood is None else wood.name
    usual = next((inches for words, inches in _USUAL_WIDTH_IN if any(word in name for word in words)), 2.0)
    return Practice(usual * MM_PER_INCH, (usual + 0.5) * MM_PER_INCH)


@dataclass(frozen=True)
class LayoutWish:
    """mm, N, N/mm2. ``length`` nock to nock, ``handle`` the stiff middle, ``draw_back`` to the back of the handle, ``brace``
    to the belly. ``limit``: what the wood takes. ``width`` at the fades, None to have it by ``practice``; it stays until
    ``parallel`` of the limb and falls straight to ``tip_width``. ``taper``: thickness at the nock over that at the fade.
    ``tree_diameter``: None for a flat back. ``reflex``: natural curvature, 1/mm, negative toward the back. ``most_set``: what
    set is accepted. ``heat``: how much more the belly takes, as a range. ``spread``: of a stave's modulus, relative.
    """

    length: float
    weight: float
    draw_back: float
    modulus: float
    limit: StrainLimit
    handle: float = 8 * MM_PER_INCH
    brace: float = 6 * MM_PER_INCH
    handle_depth: float = 32.0
    width: float | None = None
    practice: Practice = Practice(2 * MM_PER_INCH, 2.5 * MM_PER_INCH)
    tip_width: float = MM_PER_INCH / 2
    parallel: float = 0.5
    taper: float = 0.7
    tree_diameter: float | None = None
    reflex: float = 0.0
    most_set: float = ACCEPTABLE_SET_MM
    heat: tuple[float, float] = (1.0, 1.0)
    spread: float = 0.2


Verdict = Literal["quiet", "hard", "stopped"]


@dataclass(frozen=True)
class WhatIf:
    """A change of sizes. ``weight_as_thick`` (N): drawn with the thickness of the layout; the rest: with the thickness at the
    fade (mm) that gives the wished weight again."""

    wider: float
    longer: float
    weight_as_thick: float
    thickness: float
    strain: float
    set_expected: SetExpected


@dataclass(frozen=True, eq=False)
class Layout:
    """By station from the handle's centre (mm), fade and nock included: width, finished thickness, thickness to rough out to,
    crown (all mm), and the surface strain at full draw. ``weight_low`` and ``weight_high`` (N): with wood softer or stiffer than
    the table's by ``LayoutWish.spread``. ``stopped``: why it should not be cut; None else.
    """

    from_handle: Floats
    width: Floats
    thickness: Floats
    rough: Floats
    crown: Floats
    strain: Floats
    weight: float
    weight_low: float
    weight_high: float
    set_expected: SetExpected
    string_angle_deg: float
    verdict: Verdict
    stopped: Reason | None
    cautions: tuple[Reason, ...]
    what_ifs: tuple[WhatIf, ...]


def wish_of_wood(
    wood: FoundWood, length: float, weight: float, draw_back: float, *, moisture: float | None = None,
    heat_factor: float | None = 1.0, handle: float = 8 * MM_PER_INCH, width: float | None = None,
    tree_diameter: float | None = None, tip_width: float | None = None, most_set: float | None = None,
) -> LayoutWish:  # fmt: skip
    """A wish from a wood as found: its stiffness at its moisture (%; None: 12), its limits, and the widths makers cut of it."""
    likely = wood.strength(moisture)
    wish = LayoutWish(
        length, weight, draw_back, likely.strength.elasticity, strain_limit(wood, moisture), handle, width=width,
        practice=practice(wood.species), tree_diameter=tree_diameter, heat=heat_range(heat_factor), spread=likely.spread,
    )  # fmt: skip
    tips = wish.tip_width if tip_width is None else tip_width
    return replace(wish, tip_width=tips, most_set=wish.most_set if most_set is None else most_set)


def lay_out(wish: LayoutWish) -> Layout:
    """Raises LayoutError where the numbers cannot make a bow or are a slip of the pen."""
    check(wish)
    made = _by_practice(wish) if wish.width is None else _made(wish, wish.width)
    if np.any(made.crown >= DEEPEST_CROWN * made.t):
        raise LayoutError(
            "The back's crown is deeper than the limb is thick.",
            "Choose narrower limbs, a larger tree, or work the back flatter.",
            crown_mm=float(made.crown.max()),
        )
    stopped = _stopped(wish, made)
    verdict: Verdict = "stopped" if stopped else "hard" if made.set_expected.high_mm > wish.most_set else "quiet"
    at = stations(wish.handle / 2, wish.length / 2)
    s = at - wish.handle / 2
    w, t, crown, strain = (np.interp(s, made.s, x) for x in (made.w, made.t, made.crown, made.strain))
    if wish.tree_diameter is not None:
        crown = np.array([crown_of_tree(wish.tree_diameter, float(x)) for x in w])
    state = made.state
    return Layout(
        at, w, t, t * (1 + EXTRA), crown, strain, state.weight, (1 - wish.spread) * state.weight,
        (1 + wish.spread) * state.weight, made.set_expected, math.degrees(state.string_angle_upper), verdict, stopped,
        _cautions(wish, made, verdict), () if stopped else _what_ifs(wish, made),
    )  # fmt: skip


def stations(fade: float, nock: float) -> Floats:
    """Places to measure at (mm from the handle's centre): the fade, every 4 in from the handle's centre, and the nock."""
    every = np.arange(0.0, nock, STATION_MM)
    between = every[(every > fade + MM_PER_INCH / 2) & (every < nock - MM_PER_INCH / 2)]
    return np.concatenate([[fade], between, [nock]])


def check(wish: LayoutWish) -> None:
    """Raises LayoutError for the first number that is a slip of the pen, in one sentence with the range it may have."""
    for name, (low, high, what) in RANGES.items():
        value = getattr(wish, name)
        if value is None:
            continue
        if not (math.isfinite(value) and low <= value <= high):
            force = name == "weight"
            unit, per = ("lb", NEWTON_PER_POUND) if force else ("in", MM_PER_INCH)
            given = f"{value / per:.4g} {unit}" if math.isfinite(value) else "something that is no number"
            slip = _slip(name, value)
            text = f"The {what} is given as {given}; it may be {low / per:g} to {high / per:g} {unit}."
            raise LayoutError(text, slip or f"Check the {what} and its unit.", **{name: value})
    for what, value, low, high in (("modulus", wish.modulus, *MODULI), ("limit", wish.limit.strain, *LIMITS)):
        if not low <= value <= high:
            raise LayoutError("This wood's figures do not make a bow.", "Choose a wood of the list.", **{what: value})
    if not (0 <= wish.parallel < 1 and LEAST_TAPER <= wish.taper <= 1):
        raise LayoutError("These tapers do not make a limb.", "Leave them out.", parallel=wish.parallel, taper=wish.taper)
    working = (wish.length - wish.handle) / 2
    if working < 10 * MM_PER_INCH:
        raise LayoutError(
            f"A handle of {wish.handle / MM_PER_INCH:.4g} in leaves limbs of {working / MM_PER_INCH:.3g} in: too short to bend.",
            "Check the bow's length and the handle's.",
            working_limb_mm=working,
        )
    if wish.draw_back <= wish.brace + wish.handle_depth:
        raise LayoutError(
            f"A draw of {wish.draw_back / MM_PER_INCH:.4g} in to the handle's back hardly leaves the brace height.",
            "Check the draw: it is measured from the back of the handle.",
            draw_back=wish.draw_back,
        )
    if wish.width is not None and wish.width < wish.tip_width:
        raise LayoutError(
            f"Limbs {wish.width / MM_PER_INCH:.4g} in wide at the fades would be narrower than their tips.",
            "Check the width: is it the thickness?",
            width=wish.width,
        )
    if wish.width is not None and wish.tree_diameter is not None and wish.width > wish.tree_diameter:
        raise LayoutError(
            "A limb cannot be wider than the tree it came from.", "Check the tree's diameter and the limb's width.",
            width=wish.width, tree_diameter=wish.tree_diameter,
        )  # fmt: skip


def _slip(name: str, value: float) -> str:
    """The question that a likely slip asks for, or empty."""
    inches = value / MM_PER_INCH
    if name == "length" and _AS_FEET[0] <= inches <= _AS_FEET[1]:
        return f"Did you mean {inches:g} ft, which is {INCHES_PER_FOOT * inches:g} in?"
    if name == "weight" and value > RANGES["weight"][1]:
        return f"If that is in newtons, write {value / NEWTON_PER_POUND:.0f} N."
    if name == "width" and 0 < inches < 0.5:
        return "Check the width: is it the thickness?"
    return ""


@dataclass(frozen=True, eq=False)
class _Made:
    s: Floats
    width: float
    w: Floats
    t: Floats
    crown: Floats
    strain: Floats
    state: Equilibrium
    set_expected: SetExpected


def _made(wish: LayoutWish, width: float) -> _Made:
    """The bow of this width whose thickness gives the weight."""
    thick = FIRST_THICK_MM
    for _ in range(MOST_STEPS):
        made = _of_thickness(wish, width, thick)
        ratio = (wish.weight / made.state.weight) ** (1 / 3)
        if abs(ratio - 1) < SETTLED:
            return made
        thick *= float(np.clip(ratio, *STEP))
    raise LayoutError("No thickness was found for this weight.", "Choose a longer bow or a lighter weight.", width_mm=width)


def _of_thickness(wish: LayoutWish, width: float, thick: float) -> _Made:
    s = np.linspace(0, (wish.length - wish.handle) / 2, PLACES)
    w, t, limb, crown = _limb(wish, s, width, thick)
    state = _state(wish, limb)
    to_belly, to_back, moved = _bend(state, limb, w, t, crown)
    ends = [
        tip_set(s, (to_belly * moved)[::-1], moved[::-1], yields * heat * wish.limit.crushes)
        for yields, heat in ((YIELDS[1], wish.heat[1]), (YIELDS[0], wish.heat[0]))
    ]
    strain = np.maximum(to_belly, to_back) * moved
    return _Made(s, width, w, t, crown, strain, state, SetExpected(ends[0], ends[1]))


def _by_practice(wish: LayoutWish) -> _Made:
    """The width that makers usually cut of this wood, widened by eighths as far as they do while more set is to be expected
    than is accepted. A wider limb of a small tree is more crowned, so more width does not always help: the least set wins."""
    usual, widest = wish.practice.usual, wish.practice.widest
    if wish.tree_diameter is not None:
        room = math.floor(MOST_OF_TREE * wish.tree_diameter / WIDTH_STEP_MM) * WIDTH_STEP_MM
        usual, widest = max(min(usual, room), wish.tip_width), max(min(widest, room), wish.tip_width)
    tried = []
    for width in np.arange(usual, widest + SAME_WIDTH_MM, WIDTH_STEP_MM):
        try:
            tried.append(_made(wish, float(width)))
        except LayoutError:
            if wish.tree_diameter is None:
                raise
            continue
        if tried[-1].set_expected.high_mm <= wish.most_set:
            return tried[-1]
    if not tried:
        raise LayoutError("No limb of this tree gives this weight.", "Choose a larger tree or a lighter weight.")
    return min(tried, key=lambda m: (bool(np.any(m.crown > MOST_CROWN * m.t)), m.set_expected.high_mm))


def _limb(wish: LayoutWish, s: Floats, width: float, thick: float) -> tuple[Floats, Floats, ElasticLimb, Floats]:
    z = s / s[-1]
    w = np.interp(z, [0, wish.parallel, 1], [width, width, wish.tip_width])
    t = thick * np.interp(z, [0, 1], [1, wish.taper])
    crown = np.zeros(s.size)
    if wish.tree_diameter is not None:
        crown = np.array([crown_of_tree(wish.tree_diameter, x) for x in w])
    inertia = np.array([x.second_moment for x in _sections(w, t, crown)])
    fine = np.linspace(0, s[-1], 100)
    ei = wish.modulus * np.exp(np.interp(fine, s, np.log(inertia)))
    return w, t, ElasticLimb(fine, ei, np.full(fine.size, wish.reflex)), crown


def _sections(w: Floats, t: Floats, crown: Floats) -> list[Section]:
    # a crown deeper than the limb is thick may come up on the way to the weight; at the end it is refused
    return [
        section_of(outline(a, b, min(c, DEEPEST_CROWN * b))) if c > 0 else rectangle(a, b)
        for a, b, c in zip(w, t, crown, strict=True)
    ]


def _state(wish: LayoutWish, limb: ElasticLimb) -> Equilibrium:
    bow = Bow(limb, limb, Handle(wish.handle / 2, wish.handle / 2, wish.handle_depth))
    try:
        string = braced(bow, brace_height=wish.brace, segments=SEGMENTS).string_length
        return drawn(bow, string, wish.draw_back, segments=SEGMENTS)
    except NoEquilibrium as error:
        raise LayoutError(
            f"A bow of {wish.length / MM_PER_INCH:.4g} in cannot be drawn to {wish.draw_back / MM_PER_INCH:.4g} in.",
            "Make it longer, or shorten the draw.",
            length=wish.length,
            draw_back=wish.draw_back,
        ) from error


def _bend(state: Equilibrium, limb: ElasticLimb, w: Floats, t: Floats, crown: Floats) -> tuple[Floats, Floats, Floats]:
    """From the centroid to belly and to back (mm), and the movement of curvature (1/mm), by place."""
    s = np.linspace(0, limb.length, t.size)
    shape = state.upper
    moment = np.interp(s + shape.s[-1] - limb.length, shape.s, shape.moment)
    sections = _sections(w, t, crown)
    to_belly, to_back = np.array([x.to_belly for x in sections]), np.array([x.to_back for x in sections])
    return to_belly, to_back, np.asarray(moment / np.interp(s, limb.s, limb.ei))


# --- judged -----------------------------------------------------------------------------------------------------


def _stopped(wish: LayoutWish, made: _Made) -> Reason | None:
    """Why this bow should not be cut, with what would help; None where it may be."""
    code, text = "", ""
    most = float(made.strain.max())
    if made.width < made.t[0]:
        code = "deep"
        text = (
            f"At this weight the limbs would be {made.t[0] / MM_PER_INCH:.2f} in thick and only "
            f"{made.width / MM_PER_INCH:.2f} in wide: they would twist or turn over."
        )
    elif most > wish.limit.strain:
        code = "breaks"
        text = (
            f"At full draw the wood would be strained to {100 * most:.2f} %, over the limit of {100 * wish.limit.strain:.2f} %. "
            f"That limit is {wish.limit.what}."
        )
    elif made.set_expected.low_mm > ACCEPTABLE_SET_MM:
        code = "gives_way"
        text = (
            f"Even at best it would take {made.set_expected.low_mm / MM_PER_INCH:.1f} in of set, more than the "
            f"{ACCEPTABLE_SET_MM / MM_PER_INCH:g} in that makers accept (common practice, no source)."
        )
    return Reason(code, f"Do not cut this bow. {text}", _ways_out(wish)) if code else None


def _ways_out(wish: LayoutWish) -> str:
    """The changes, one at a time, that make the bow one to cut: with the width makers use, longer, else lighter."""
    width = wish.practice.usual
    if wish.tree_diameter is not None:
        width = min(width, MOST_OF_TREE * wish.tree_diameter)
    inch, ways = MM_PER_INCH, []
    wide = f"{format_inches(width)[:-1]} in wide"
    if wish.width is not None and wish.width < width - SAME_WIDTH_MM and _fine(replace(wish, width=width)):
        return f"Cut it {wide} at the fades."
    longer = [float(x) for x in np.arange(math.ceil(wish.length / inch / 2) * 2 + 2, LONGEST_IN, 2)]
    length = _first(longer, lambda x: _fine(replace(wish, width=width, length=x * inch)))
    if length is not None:
        ways.append(f"be {length:.0f} in long")
    least = LEAST_WEIGHT * wish.weight / NEWTON_PER_POUND  # less would be another bow
    first = (math.ceil(wish.weight / NEWTON_PER_POUND / LIGHTER_LB) - 1) * LIGHTER_LB
    lighter = [float(x) for x in np.arange(first, least, -LIGHTER_LB)]
    pounds = _first(lighter, lambda x: _fine(replace(wish, width=width, weight=x * NEWTON_PER_POUND)))
    if pounds is not None:
        ways.append(f"draw no more than {pounds:.0f} lb")
    if not ways:
        return "Make it longer and lighter, and shorten the draw."
    return f"With limbs {wide} at the fades it would have to {', or '.join(ways)}."


def _first(steps: Sequence[float], fits: Callable[[float], bool]) -> float | None:
    """The first step that fits, where every step after one that fits does as well; None where the last does not."""
    if not steps or not fits(steps[-1]):
        return None
    low, high = -1, len(steps) - 1
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if fits(steps[middle]) else (middle, high)
    return steps[high]


def _fine(wish: LayoutWish) -> bool:
    try:
        made = _made(wish, wish.width or wish.practice.usual)
    except LayoutError:
        return False
    flat = made.width >= LEAST_FLAT * made.t[0] and not np.any(made.crown >= MOST_CROWN * made.t)
    eases = made.strain.max() <= wish.limit.strain and made.set_expected.high_mm <= ACCEPTABLE_SET_MM
    return bool(flat and eases and math.degrees(made.state.string_angle_upper) <= STACKS_DEG)


def _what_ifs(wish: LayoutWish, made: _Made) -> tuple[WhatIf, ...]:
    """The layout itself, then a quarter inch narrower, a quarter inch wider and two inches longer, where they can be."""
    out = [WhatIf(0.0, 0.0, made.state.weight, float(made.t[0]), float(made.strain.max()), made.set_expected)]
    for wider, longer in ((-MM_PER_INCH / 4, 0.0), (MM_PER_INCH / 4, 0.0), (0.0, 2 * MM_PER_INCH)):
        other, width = replace(wish, length=wish.length + longer), made.width + wider
        try:
            check(replace(other, width=width))
            as_thick, again = _of_thickness(other, width, float(made.t[0])), _made(other, width)
        except LayoutError:
            continue  # such a bow cannot be: then there is nothing to compare
        out.append(
            WhatIf(
                wider, longer, as_thick.state.weight, float(again.t[0]), float(again.strain.max()), again.set_expected
            )
        )  # fmt: skip
    return tuple(out)


def _cautions(wish: LayoutWish, made: _Made, verdict: Verdict) -> tuple[Reason, ...]:
    out = []
    if verdict == "hard":
        accepted = f"It may take more than the {wish.most_set / MM_PER_INCH:.3g} in of set that you accept."
        out.append(
            Reason(
                "hard",
                "" if made.set_expected.perhaps_too_much else accepted,  # the set's own sentence says so already
                "Wider limbs, a longer bow or less weight would spare the wood.",
            )
        )
    if LEAST_FLAT * made.t[0] > made.width >= made.t[0]:
        out.append(
            Reason(
                "narrow",
                f"The limbs are less than {LEAST_FLAT:g} times as wide as thick, so they may twist (common practice, no source).",
                "Make them wider, or keep both edges equally thick at every step.",
            )
        )
    if np.any(made.crown > MOST_CROWN * made.t):
        out.append(
            Reason(
                "crowned",
                "The back is so crowned that a narrow ridge carries most of the load.",
                "Choose narrower limbs or a larger tree.",
            )
        )
    if wish.tree_diameter is not None and made.width >= MOST_OF_TREE * wish.tree_diameter - WIDTH_STEP_MM:
        out.append(Reason("small_tree", "The limbs take nearly the whole width of the tree.", "Choose a larger tree."))
    angle = math.degrees(made.state.string_angle_upper)
    if angle > STACKS_DEG:
        out.append(
            Reason(
                "stacks",
                f"At full draw the string meets the tips at {angle:.0f}°: beyond {STACKS_DEG:g}° the weight climbs steeply "
                "(common practice, no source).",
                "Make it longer, or shorten the draw.",
            )
        )
    return tuple(out)


def cautions_always(wish: LayoutWish) -> Sequence[Reason]:
    """What is true of every layout."""
    return (
        Reason(
            "starting_point",
            f"This is a starting point: staves of one wood differ by {100 * wish.spread:.0f} % in stiffness, and knots and grain "
            "are not seen.",
            f"Rough it out {100 * EXTRA:.0f} % thicker than it may end, and let tillering take the rest off.",
        ),
    )
