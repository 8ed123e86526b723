"""A scraping plan in bench words. Every sentence is made from the patterns listed in ``PATTERNS``, so that all of them can be
read and reviewed in one place; a test holds every plan to them.

Advice never stands without its cautions. Places are said from the nock, to half an inch.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tillerlens.core.measurement import COVER, LIMBS
from tillerlens.mechanics.finding import Finding, confidence
from tillerlens.mechanics.observed import own_u
from tillerlens.mechanics.places import BendAnomaly
from tillerlens.mechanics.scraping import Forecast, Leave, Plan, Stretch
from tillerlens.report.words.plan_tables import kept_off, rounded, say_amount, say_strokes, scraped, skipped_inside, told_step
from tillerlens.report.words.quantities import Units, say, say_length, say_weighed, say_weight
from tillerlens.report.words.verdict import CARE_ALWAYS, CARE_UNDER_TENSION, how_sure, stands_on_in_words

PASSES = ((0.01, "a light pass"), (0.02, "a pass or two"), (0.04, "a few passes"), (1.0, "several passes"))
"""Shares of the thickness up to which a scraper's work is called so (common practice, no source)."""

SAYS_WEIGHT = ("there", "at_weight", "below_wish")  # reasons to stop that name the weight themselves

PATTERNS = {
    # why there is no step
    "stop_there": "You are there. Stop. It should draw {now} at {draw}; you want {weight}.",
    "stop_at_weight": "Stop scraping: the weight is where it should be, {now} at {draw}.",
    "stop_at_weight_kept": "Stop scraping. It should draw {now} at {draw}: about your {weight} and what shooting in takes.",
    "stop_low": "Stop scraping. It should draw {now} at {draw}. Shooting in and finishing cost about {keep} (common practice), "
    "so expect it to end near {end}, under the {weight} you want.",
    "shape_off": "The shape isn't right yet, but fixing it would cost weight.",
    "stop_below_wish": "Take no wood off. It should draw {now} at {draw}, less than the {weight} you want.",
    "stop_nothing_told": "Take no wood off yet. The pictures show no place that needs it for sure. Take another at a longer "
    "draw, once the shape allows.",
    "stop_only_hinges": "Take no wood off yet. Leave the hinge alone; nothing beside it needs wood off for sure. Measure again.",
    "stop_tiller": "Take no wood off yet. Every step tried would make the tiller worse. Measure the bow again, at rest and "
    "drawn, or widen your target tiller.",
    # how far it may be drawn
    "hold_past_weight": "Over your target weight in a picture. Don't pull past {weight}.",
    "hold_past_draw": "It was drawn past your target draw. Don't draw it past {draw}.",
    "hold_beyond_shape": "It was drawn too far for its shape. Draw it less far until a new picture shows the limbs alike.",
    "pull": "Stop pulling today at {weight} on the scale or at {today}, whichever comes first.",
    # what the step is for
    "order_even": "This step evens the limbs: it takes wood where they are too stiff, and the weight comes down with it.",
    "order_both": "This step evens the limbs and brings the weight down.",
    "order_trim": "The weight is where it should be. This step only evens the limbs, at the cost of a little of what is kept for "
    "shooting in.",
    "order_weight": "This step brings the weight down.",
    # what was found
    "found_stiff": "{limb} limb: {a_} stiff place {from_} to {to} from the nock. In its middle it bends about {less} % less than "
    "the wood beside it.",
    "found_on": "{found_on}",
    # where
    "stretch": "{limb} limb, {where} from the nock: {pass_}. Take off {amount}.",
    "stretch_in_strokes": "{limb} limb, {where} from the nock: {pass_}. Take off {amount}. That's about {strokes} of your "
    "strokes.",
    "between": "Leave the wood between them alone this time: it may bend too much there.",
    "leave": "{limb} limb: leave {from_} to {to} from the nock alone. There {is_} a hinge; in its middle it bends about {softer} "
    "% more than the wood beside it.",
    "leave_before": "{limb} limb: leave {from_} to {to} from the nock alone. An earlier plan named a hinge there. "
    "The new pictures don't show for sure that it is gone.",
    "skip": "{limb} limb: skip {from_} to {to} from the nock this time. It may bend too much there; the next picture will tell.",
    "nothing": "{limb} limb: take nothing off.",
    # what to expect
    "weight_now": "Now it should draw {now} at {draw}. You want {weight}.",
    "same_scale": "Your target counts as your scale reads it. The interval of a weight also holds what the scale may be off.",
    "keep": "Stop scraping at {aim}: shooting in and finishing cost about {keep} (common practice).",
    "keep_spent": "Shooting in and finishing cost about {keep} (common practice), so expect it to end near {end}.",
    "weight_after": "After this step it should draw {after}.",
    "tiller_after": "Tiller {station} from the handle's centre at that draw, upper minus lower gap: {now} now, {after} after. "
    "You want {low} to {high}.",
    "tiller_now": "Tiller {station} from the handle's centre at that draw, upper minus lower gap: {now}. You want {low} to "
    "{high}.",
    "hand_unknown": "Your hand is not known yet: it may take up to {u} % more or less than the plan says. Weigh the bow after "
    "the step, and the next plan allows for it.",
    "hand_known": "Your hand takes about {ratio} % of what a plan says (±{u} %), by what the bow weighed after {steps}. The "
    "amounts allow for that.",
    # what it goes by
    "used": "Used: {pictures}.",
    "used_rest": "Shape at rest: {pictures}.",
    "unused": "Left out: {pictures}, taken before {what} on {when}.",
    # what it assumes
    "half": "This step takes at most half of what the bow draws over your target.",
    "relative": "The limbs' thickness is not known, so amounts are shares of it.",
    "side": "The thickness is read from the side. Go by what to take off, and by calipers for how thick it is.",
    "assumes": "It counts on the bow being as it was measured, dry and rested, and on wood coming off the belly only.",
    # cautions that stand with every step
    "care_then": "Then give the bow 20 to 30 short pulls, photograph it, measure it, and plan again (common practice).",
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
    wish = plan.wish
    words = {
        "weight": say_weight(wish.weight, units),
        "aim": say_weight(wish.aim, units),
        "keep": say_weight(wish.keep, units),
        "draw": _draw(wish.draw_back, units),
        "end": say_weight(plan.now.weight.value - wish.keep, units),
        "now": say_weighed(plan.now.weight, units),
        "after": say_weighed(plan.after.weight, units),
    }
    first = [_line(f"hold_{reason.code}", **words) for reason in plan.holds]
    low = plan.stop in ("there", "at_weight") and plan.now.weight.value * (1 + COVER * own_u(plan.now.weight)) < wish.aim
    stop = "low" if low else "at_weight_kept" if plan.stop == "at_weight" and wish.keep > 0 else plan.stop
    first.append(_line(f"order_{plan.order}") if plan.stop is None else _line(f"stop_{stop}", **words))
    first += [_line("shape_off")] if plan.stop == "at_weight" else []
    first.append(
        _line("pull", weight=say_weight(plan.limit.weight, units), today=_draw(_down(plan.limit.draw_back, units), units))
    )
    said_now = plan.stop in SAYS_WEIGHT
    expect = [] if said_now else [_line("weight_now", **words)]
    expect.append(_line("same_scale"))
    if wish.keep > 0 and not low:
        expect.append(_line("keep_spent" if said_now else "keep", **words))
    care = []
    tiller = _tiller(plan, units)
    if plan.stop is None:
        expect += [_line("weight_after", **words), _line("tiller_after", **tiller), _hand(plan), _line("half"), _line("assumes")]
        sources = {n.thickness_from for n in plan.limbs}
        expect += [_line("relative")] if "" in sources else [_line("side")] if "side" in sources else []
        care = [_line("care_then"), _line("care_edges")]
    else:
        expect.append(_line("tiller_now", **tiller))
    care += [_line("care_hinge")] if any(q.told or q.before for q in plan.leave) else []
    doubts = tuple(f"{r.text} {r.remedy}".strip() for r in plan.doubts)
    return PlanWords(tuple(first), tuple(_steps(plan, units)), tuple(expect), tuple(care), doubts)


def evidence_in_words(used: Sequence[int], rest: int | None, left_out: Sequence[int], what: str = "", when: str = "") -> str:
    """Which pictures a plan goes by, and which it leaves out because the bow was changed after them, by their numbers."""
    said = [_line("used", pictures=_pictures(used))] if used else []
    said += [] if rest is None else [_line("used_rest", pictures=_pictures([rest]))]
    said += [_line("unused", pictures=_pictures(left_out), what=what, when=when)] if left_out else []
    return " ".join(line.text for line in said)


def _pictures(numbers: Sequence[int]) -> str:
    """``picture 3``; ``pictures 2 to 4 and 7``."""
    runs: list[list[int]] = []
    for n in sorted(numbers):
        if runs and n == runs[-1][-1] + 1:
            runs[-1].append(n)
        else:
            runs.append([n])
    said = [f"{r[0]} to {r[-1]}" if len(r) > 2 else " and ".join(map(str, r)) for r in runs]
    return f"picture{'s' if len(numbers) > 1 else ''} {', '.join(said)}"


def _line(pattern: str, **words: str) -> Line:
    return Line(pattern, PATTERNS[pattern].format(**words))


def _steps(plan: Plan, units: Units) -> list[Line]:
    out = []
    for limb in LIMBS:
        mine = [s for s in plan.stretches if s.limb == limb] if plan.stop is None else []
        left = [q for q in plan.leave if q.limb == limb and (q.told or plan.stop is None)]
        places = () if plan.finding is None else plan.finding.places
        out += [_stiff(p, units) for p in places if p.limb == limb and p.kind == "stiff"]
        for s in mine:
            out.append(_stretch(s, left, units))
            out += [_line("between")] if any(q.slight and skipped_inside(s, q, units) for q in left) else []
        out += [_line("nothing", limb=limb.capitalize())] if plan.stop is None and not mine else []
        out += [_leave(q, left, places, units) for q in left if not q.slight]
    return [*out, *([] if plan.finding is None else [_stands_on(plan.finding)])]


def _stiff(place: BendAnomaly, units: Units) -> Line:
    a, b = rounded(place.ends_mm, units)  # as the stretch there is said
    words = {"limb": place.limb.capitalize(), "from_": _number(a, units), "to": _place(b, units)}
    a_ = {"sure": "a", "likely": "probably a", "perhaps": "perhaps a"}[how_sure(confidence(place))]
    return _line("found_stiff", a_=a_, less=f"{-100 * place.bend.value:.0f}", **words)


def _stands_on(finding: Finding) -> Line:
    return _line("found_on", found_on=stands_on_in_words(finding.strung, finding.rest))


def _stretch(stretch: Stretch, left: Sequence[Leave], units: Units) -> Line:
    kind = next(name for most, name in PASSES if stretch.share <= most)
    words = {"limb": stretch.limb.capitalize(), "where": say_where(stretch, left, units)}
    words |= {"pass_": kind, "amount": _amount(stretch, units)}
    return (
        _line("stretch", **words)
        if stretch.strokes is None
        else _line("stretch_in_strokes", strokes=say_strokes(stretch), **words)
    )


def say_where(stretch: Stretch, left: Sequence[Leave], units: Units) -> str:
    """``2 to 3 in and 6 to 7 1/2 in``: every run of wood that a stretch takes, without what is skipped in it."""
    spans = scraped(stretch, left, units)
    return " and ".join(f"{_number(a, units)} to {_place(b, units)}" for a, b in spans)


def _amount(stretch: Stretch, units: Units) -> str:
    share = f"{100 * stretch.share:g} % of the thickness"
    if stretch.mm is None:
        return f"about {share}"
    amount = say_amount(stretch.mm, units)
    return f"{'' if amount.startswith('under') else 'about '}{amount} ({share})"


def _leave(leave: Leave, left: Sequence[Leave], places: Sequence[BendAnomaly], units: Units) -> Line:
    a, b = kept_off(leave, left, units)
    where = {"limb": leave.limb.capitalize(), "from_": _number(a, units), "to": _place(b, units)}
    if not leave.told:
        return _line("leave_before" if leave.before else "skip", **where)
    low, high = leave.from_nock_mm
    named = [p for p in places if p.limb == leave.limb and p.kind == "hinge" and low < p.from_nock_mm.value < high]
    # what an earlier plan named stays named; what the finding names is as sure here as on the picture's page
    is_ = {"sure": "is", "likely": "is probably", "perhaps": "may be"}[how_sure(max(map(confidence, named), default=1.0))]
    return _line("leave", is_=is_, softer=f"{100 * leave.softer:.0f}", **where)


def _number(mm: float, units: Units) -> str:
    return _place(mm, units).removesuffix(" in").removesuffix(" cm")


def _place(mm: float, units: Units) -> str:
    return f"{mm / 10:g} cm" if units.length == "cm" else say_length(mm, Units("sixteenths"))


def _draw(mm: float, units: Units) -> str:
    return f"{say_length(mm, units)} to the back"


def _down(mm: float, units: Units) -> float:
    """To the half inch or cm below: where to stop is never rounded up; a wish is said as it is."""
    step = told_step(units)
    return math.floor(mm / step + 0.02) * step


def _hand(plan: Plan) -> Line:
    hand = plan.hand
    u = f"{math.ceil(100 * COVER * hand.u)}"
    if hand.steps == 0:
        return _line("hand_unknown", u=u)
    steps = "one step" if hand.steps == 1 else f"{hand.steps} steps"
    return _line("hand_known", ratio=f"{100 * hand.ratio:.0f}", u=u, steps=steps)


def _tiller(plan: Plan, units: Units) -> dict[str, str]:
    now: Forecast = plan.now
    low, high = (say_length(x, units) for x in plan.wish.tiller)
    return {
        "station": say_length(now.gaps[0].from_handle_mm, units),
        "now": say(now.tiller, units),
        "after": say(plan.after.tiller, units),
        "low": low.removesuffix(" in").removesuffix(" cm"),
        "high": high,
    }
