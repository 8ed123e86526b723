"""A scraping plan in bench words. Every sentence is made from the patterns listed in ``PATTERNS``, so that all of them can be
read and reviewed in one place; a test holds every plan to them.

Advice never stands without its cautions. Places are said from the nock, to half an inch.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tillerlens.measurement import LIMBS, Value
from tillerlens.mechanics.scraping import Forecast, Leave, Plan, Stretch
from tillerlens.report.lengths import COVER, Units, say, say_length, say_weight
from tillerlens.report.words import CARE_ALWAYS, CARE_UNDER_TENSION
from tillerlens.units import MM_PER_INCH

THIN, LIGHT = 0.01, 0.025  # shares of the thickness up to which a pass is called thin, or light (common practice, no source)

PATTERNS = {
    # why there is no step
    "stop_at_wish": "Take no wood off: for all that the readings tell, the weight is at your wish of {weight} already. "
    "What the shape still lacks would cost weight.",
    "stop_below_wish": "Take no wood off: at {draw} this bow is expected to draw {now}, which is below your wish of {weight}.",
    "stop_nothing_told": "Take no wood off yet: no place is told to need it by more than its doubt. Another picture at a longer "
    "draw, once the shape allows, would tell more.",
    "stop_only_hinges": "Take no wood off yet: what is free of hinges is not told to need it. Leave the hinges alone and measure "
    "again.",
    # how far it may be drawn
    "hold_past_weight": "Draw it no further than to your wished weight: in this picture the scale showed more.",
    "hold_past_draw": "Draw it no further than {draw}: in this picture it was drawn past your wish.",
    "hold_beyond_shape": "Draw it less far than in this picture until a new one shows the limbs alike: it was pulled beyond "
    "correct shape.",
    # where
    "stretch": "{limb} limb, {from_} to {to} from the nock: {pass_} over all of it, {amount}.",
    "leave": "{limb} limb: leave {from_} to {to} from the nock alone; there is a hinge, which bends about {softer} % more than "
    "the taper around it would.",
    "nothing": "{limb} limb: nothing.",
    "stretch_in_strokes": "{limb} limb, {from_} to {to} from the nock: {pass_} over all of it, {amount}; about {strokes} "
    "strokes, by what yours took off so far.",
    # what to expect
    "weight_now": "Now expected at {draw}: {now}; wished: {weight}.",
    "weight_after": "After this step expected at {draw}: {after}.",
    "tiller_after": "Tiller {station} from the handle at that draw: now {now}, after this step {after}, upper minus lower gap.",
    # what it assumes
    "half": "This step is at most half of what seems needed.",
    "relative": "The limbs' thickness is not known, so amounts are shares of it, as for a rectangular section.",
    "assumes": "It assumes that what was measured is the bow as it is now, dry and rested, and that wood comes off the belly "
    "only.",
    # cautions that stand with every step
    "care_then": "Then exercise the bow with 20 to 30 part draws, photograph it, measure again, and make a new plan (common "
    "practice).",
    "care_tick": "Stop at any tick, crack or lifting fibre.",
    "care_hinge": "No wood off a hinge, whatever the weight (common practice).",
    "care_edges": "Keep both edges of the limb equally thick (common practice).",
}


@dataclass(frozen=True)
class Line:
    """One sentence and the pattern it was made from."""

    pattern: str
    text: str


@dataclass(frozen=True)
class PlanWords:
    """What is said of a plan, in the order to be read, and the cautions that stand with it."""

    first: tuple[Line, ...]
    steps: tuple[Line, ...]
    expect: tuple[Line, ...]
    care: tuple[Line, ...]
    doubts: tuple[str, ...]
    always: tuple[str, ...] = CARE_ALWAYS + CARE_UNDER_TENSION

    @property
    def lines(self) -> tuple[Line, ...]:
        return self.first + self.steps + self.expect + self.care


def plan_in_words(plan: Plan, units: Units | None = None) -> PlanWords:
    units = units or Units()
    weight, draw = say_weight(plan.wish.weight, units), _draw(plan.wish.draw_back, units)
    first = [_line(f"hold_{reason.code}", draw=draw) for reason in plan.holds]
    if plan.stop is not None:
        first.append(_line(f"stop_{plan.stop}", weight=weight, draw=draw, now=_weight(plan.now.weight, units)))
    steps = _steps(plan, units) if plan.stop is None else [_leave(q, units) for q in plan.leave]
    expect = [_line("weight_now", draw=draw, now=_weight(plan.now.weight, units), weight=weight)]
    care = [_line("care_tick")]
    if plan.stop is None:
        expect.append(_line("weight_after", draw=draw, after=_weight(plan.after.weight, units)))
        expect += _tiller(plan.now, plan.after, units)
        expect += [_line("half"), _line("assumes")]
        expect += [] if all(s.mm is not None for s in plan.stretches) else [_line("relative")]
        care = [_line("care_then"), _line("care_tick"), _line("care_edges")]
    care += [_line("care_hinge")] if plan.leave else []
    doubts = tuple(f"{r.text} {r.remedy}".strip() for r in plan.doubts)
    return PlanWords(tuple(first), tuple(steps), tuple(expect), tuple(care), doubts)


def _line(pattern: str, **words: str) -> Line:
    return Line(pattern, PATTERNS[pattern].format(**words))


def _steps(plan: Plan, units: Units) -> list[Line]:
    out = []
    for limb in LIMBS:
        mine = [s for s in plan.stretches if s.limb == limb]
        left = [q for q in plan.leave if q.limb == limb]
        out += [_stretch(s, left, units) for s in mine] or [_line("nothing", limb=limb.capitalize())]
        out += [_leave(q, units) for q in left]
    return out


def _stretch(stretch: Stretch, left: list[Leave], units: Units) -> Line:
    a, b = _ends(stretch, left, units)
    kind = "a thin pass" if stretch.share <= THIN else "a light pass" if stretch.share <= LIGHT else "several passes"
    words = {"limb": stretch.limb.capitalize(), "from_": a, "to": b, "pass_": kind, "amount": _amount(stretch, units)}
    if stretch.strokes is None:
        return _line("stretch", **words)
    strokes = f"{stretch.strokes.value:.0f} (±{math.ceil(COVER * stretch.strokes.u)})"
    return _line("stretch_in_strokes", strokes=strokes, **words)


def _amount(stretch: Stretch, units: Units) -> str:
    share = f"{100 * stretch.share:.1f} % of the thickness there"
    if stretch.mm is None:
        return f"about {share}"
    if units.length == "cm":
        return f"about {stretch.mm:.2f} mm ({share})"
    return f"about {1000 * stretch.mm / MM_PER_INCH:.0f} thousandths of an inch or {stretch.mm:.2f} mm ({share})"


def _leave(leave: Leave, units: Units) -> Line:
    a, b = _left(leave, units)
    where = {"from_": _number(a, units), "to": _place(b, units)}
    return _line("leave", limb=leave.limb.capitalize(), softer=f"{100 * leave.softer:.0f}", **where)


def _step(units: Units) -> float:
    return 5.0 if units.length == "cm" else MM_PER_INCH / 2


def _left(leave: Leave, units: Units) -> tuple[float, float]:
    """Both ends of what is to be left, in mm, rounded outward."""
    step = _step(units)
    return math.floor(leave.from_nock_mm[0] / step) * step, math.ceil(leave.from_nock_mm[1] / step) * step


def _ends(stretch: Stretch, left: Sequence[Leave], units: Units) -> tuple[str, str]:
    """Both ends in words, to the nearest half inch or half cm, but never into what is to be left."""
    step = _step(units)
    a, b = (math.floor(mm / step + 0.5) * step for mm in stretch.from_nock_mm)
    for q in left:
        low, high = _left(q, units)
        if q.limb == stretch.limb and low < b and a < high:
            a, b = (max(a, high), b) if sum(stretch.from_nock_mm) > low + high else (a, min(b, low))
    return _number(a, units), _place(b, units)


def _number(mm: float, units: Units) -> str:
    return _place(mm, units).removesuffix(" in").removesuffix(" cm")


def _place(mm: float, units: Units) -> str:
    return f"{mm / 10:g} cm" if units.length == "cm" else say_length(mm, Units("sixteenths"))


def _draw(mm: float, units: Units) -> str:
    return f"{say_length(mm, units)} to the back"


def _weight(value: Value, units: Units) -> str:
    if not math.isfinite(value.u):
        return f"{say_weight(value.value, units)} (interval unknown)"
    unit = say_weight(0.0, units).split()[1]
    reach = math.ceil(10 * float(say_weight(COVER * value.u, Units(units.length, units.weight)).split()[0]) + 0.5) / 10
    return f"{say_weight(value.value, units)} (±{reach:.1f} {unit})"


def _tiller(now: Forecast, after: Forecast, units: Units) -> list[Line]:
    station = say_length(now.gaps[0].from_handle_mm, units)
    return [_line("tiller_after", station=station, now=say(now.tiller, units), after=say(after.tiller, units))]
