"""Any two stages of a bow against each other, in the bow's own frame: gaps, bend by place, tips, weight at equal draw.

Bend depends on how far a bow is drawn, so it is compared only between pictures of one state at nearly one draw (or brace
height); what is left of the difference is in the uncertainty. A change is significant beyond two standard uncertainties.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tillerlens.core.errors import Reason
from tillerlens.core.measurement import COVER, LIMBS, LimbName, Measurement, Value
from tillerlens.core.robust import mad_u
from tillerlens.core.stretches import stretches_of
from tillerlens.core.units import MM_PER_INCH, NEWTON_PER_POUND
from tillerlens.measures.pair import Array, BendChange, Picture, bend_change, change, check_one_bow, from_rest, read_picture

NEAR_DRAW_MM, NEAR_BRACE_MM = MM_PER_INCH / 2, MM_PER_INCH / 4  # common practice: compare at like draw and like brace
DRAW_READ = 0.01  # of a draw whose doubt is unknown, relative: a quarter inch of 28 in, as read off an arrow
STANDS_OUT = 3.0  # times the scatter of the change along both limbs
SCALE_U_N = 0.3 * NEWTON_PER_POUND  # a bow scale read to half a pound
# Weight rises about evenly from the brace height on, which is a fifth to a third of the draw (common practice, no source).
POWER_STROKE, POWER_STROKE_U = 0.75, 0.15
END_MM = 40.0  # at either end of a limb the bend is hardly known

ScrapeEffect = Literal["did", "opposite", "untold", "not compared"]


@dataclass(frozen=True)
class Scraped:
    """Wood taken off one limb between two places, mm from its nock."""

    limb: LimbName
    start_from_nock_mm: float
    end_from_nock_mm: float


@dataclass(frozen=True)
class ChangedStretch:
    """A stretch of a limb, mm from its nock, that bends more (+) or less than before: percent of the bend there before."""

    limb: LimbName
    start_mm: float
    end_mm: float
    peak_mm: float
    percent: Value


@dataclass(frozen=True)
class ScrapeOutcome:
    """What became of one scraping: change of bend over the scraped stretch in percent, and the patch that lies on it."""

    scraped: Scraped
    outcome: ScrapeEffect
    percent: Value
    patch: ChangedStretch | None


@dataclass(frozen=True, eq=False)
class Comparison:
    """Now minus then. bend and patches are empty, with a doubt, where the two are not alike enough. weight: at the draw of
    the first picture, N; None where it was not weighed in both. from_rest: whether the bend is that from the shape at rest."""

    then: Picture
    now: Picture
    values: dict[str, Value]
    gaps: dict[float, tuple[Value, Value, Value]]
    bend: dict[LimbName, BendChange]
    patches: tuple[ChangedStretch, ...]
    weight: Value | None
    doubts: tuple[Reason, ...]
    from_rest: bool = False


@dataclass(frozen=True, eq=False)
class AtRest:
    """Measurements of the bow unstrung as it was with the earlier and with the later of two pictures; None where not
    known. heated: whether heat came between the two, so that the one does not hold for the other."""

    then: Measurement | None = None
    now: Measurement | None = None
    heated: bool = False


def compare(then: Measurement, now: Measurement, at_rest: AtRest | None = None) -> Comparison:
    """Compare two measurements of one bow.

    Parameters
    ----------
    then, now : Measurement
        The earlier and the later one.
    at_rest : AtRest, optional
        What is known of the bow's shape at rest. With it the change is one of the bend from rest, each picture's from its own.

    Returns
    -------
    Comparison

    Raises
    ------
    DocumentError
        When one was not measured or is another bow's.
    """
    a, b = read_picture(then), read_picture(now)
    check_one_bow(a, b)
    at_rest = at_rest or AtRest()
    still = [at_rest.then, at_rest.now]
    if not at_rest.heated:  # wood that comes off leaves the shape at rest as it was
        still = [still[0] or still[1], still[1] or still[0]]
    known = a.state != "unstrung" and None not in still
    doubts = _unlike(a, b)
    if a.state == b.state != "unstrung" and at_rest.heated and not known:
        doubts = (*doubts, _HEATED)
    values = {n: change(v, b.values[n]) for n, v in a.values.items() if n in b.values}
    if a.state != b.state:
        values, gaps = {}, {}
    else:
        gaps = {d: _changes(a.gaps[d], b.gaps[d]) for d in a.gaps if d in b.gaps}
    bend: dict[LimbName, BendChange] = {}
    if not doubts:
        by_draw = _draw_share(a, b)
        earlier, later = a, b
        if known:
            rests = [read_picture(d) for d in still if d is not None]
            earlier, later = (from_rest(p, r, still[0] is not still[1]) for p, r in zip((a, b), rests, strict=True))
        for limb in LIMBS:
            found = bend_change(earlier, later, limb)
            bend[limb] = replace(found, u_per_m=np.hypot(found.u_per_m, by_draw * np.abs(found.then_per_m)))
    patches = _patches(bend) if a.state != "unstrung" else ()
    return Comparison(a, b, values, gaps, bend, patches, _weight(a, b), doubts, known)


_HEATED = Reason(
    "heated_between",
    "Can't compare the bends: heat changed the bow between the two pictures, and its shape at rest is not known on both sides.",
    "Compare two pictures from one side of the heating, or measure the bow unstrung as it is now.",
)


def judge_scrapes(found: Comparison, scrapes: Sequence[Scraped]) -> tuple[ScrapeOutcome, ...]:
    """Did each scraping do what it should, that is, does the wood bend more where some was taken off?"""
    return tuple(_judge(found, s) for s in scrapes)


def mean_change(along: BendChange, start_mm: float, end_mm: float) -> Value:
    """Change of bend between two places from the nock, in percent of the bend there before; NaN where there is no bend."""
    x = along.from_nock_mm
    on = (x >= start_mm) & (x <= end_mm)
    before = float(np.mean(along.then_per_m[on])) if on.any() else math.nan
    if not on.any() or not before > 0:
        return Value(math.nan, math.nan, "%")
    k = 100 / before
    # neighbours' errors move together, so the mean is no surer than its places
    return Value(k * float(np.mean(along.per_m[on])), k * float(np.mean(along.u_per_m[on])), "%")


def _unlike(a: Picture, b: Picture) -> tuple[Reason, ...]:
    """Why the bend of two pictures cannot be compared."""
    if a.state != b.state:
        text = f"Can't compare: one picture shows the bow {a.state}, the other {b.state}."
        return (Reason("unlike_state", text, "Compare two pictures of the bow in the same state."),)
    if a.state == "unstrung":
        return ()
    name, near, what = (
        ("draw_length_back", NEAR_DRAW_MM, "draw length")
        if a.state == "drawn"
        else ("brace_height_back", NEAR_BRACE_MM, "brace height")
    )
    if name not in a.values or name not in b.values:
        text = f"Can't compare the bends: the {what} was not measured in both pictures."
        return (Reason("unlike_draw", text, "Click the hook in both pictures." if a.state == "drawn" else "Measure them again."),)
    if abs(b.values[name].value - a.values[name].value) > near:
        inches = abs(b.values[name].value - a.values[name].value) / MM_PER_INCH
        text = f"Can't compare: the {'draws' if a.state == 'drawn' else 'brace heights'} differ by {inches:.1f} in."
        return (Reason("unlike_draw", text, f"Compare pictures within {near / MM_PER_INCH:g} in."),)
    return ()


def _draw_share(a: Picture, b: Picture) -> float:
    """How much of the bend, as a part, an unequal draw may account for: bend from rest grows about as the draw."""
    name = "draw_length_back" if a.state == "drawn" else "brace_height_back"
    if a.state == "unstrung":
        return 0.0
    d = change(a.values[name], b.values[name])
    u = d.u if math.isfinite(d.u) else DRAW_READ * abs(a.values[name].value)
    return math.hypot(d.value, u) / abs(a.values[name].value)


def _changes(a: tuple[Value, Value, Value], b: tuple[Value, Value, Value]) -> tuple[Value, Value, Value]:
    upper, lower, difference = (change(p, q) for p, q in zip(a, b, strict=True))
    return upper, lower, difference


def _patches(bend: dict[LimbName, BendChange]) -> tuple[ChangedStretch, ...]:
    """Stretches whose bend changed beyond its interval and which stand out from how the rest of both limbs changed.

    The second condition is a repeatability read off the pair itself, so that the largest of many places is not taken for a
    change by chance. A stretch runs to where the change has fallen to half of its peak.
    """
    if not bend:
        return ()
    inner = {
        k: (c.from_nock_mm > END_MM) & (c.from_nock_mm < c.from_nock_mm[-1] - END_MM) & np.isfinite(c.per_m + c.u_per_m)
        for k, c in bend.items()
    }
    everywhere = np.concatenate([c.per_m[inner[k]] for k, c in bend.items()])
    usual = float(np.median(everywhere))
    scatter = mad_u(everywhere, usual)
    out = []
    for limb, c in bend.items():
        significant = np.abs(c.per_m) > COVER * c.u_per_m
        stands = np.abs(c.per_m - usual) > STANDS_OUT * scatter
        for sign in (1.0, -1.0):
            for i, j in stretches_of(significant & stands & inner[limb] & (sign * c.per_m > 0)):
                out.append(_patch(c, sign * (c.per_m - usual), i + int(np.argmax(sign * c.per_m[i : j + 1]))))
    unique = {(p.limb, round(p.start_mm), round(p.end_mm)): p for p in out}
    return tuple(sorted(unique.values(), key=lambda p: -abs(p.percent.value)))


def _patch(c: BendChange, contrast: Array, peak: int) -> ChangedStretch:
    on = contrast > contrast[peak] / 2
    i, j = next((i, j) for i, j in stretches_of(on) if i <= peak <= j)
    x = c.from_nock_mm
    return ChangedStretch(c.limb, float(x[i]), float(x[j]), float(x[peak]), _peak_percent(c, peak))


def _peak_percent(c: BendChange, peak: int) -> Value:
    """Change at the peak, where it is significant, in percent of the bend before."""
    k = 100 / max(abs(float(c.then_per_m[peak])), 1e-6)
    return Value(k * float(c.per_m[peak]), k * float(c.u_per_m[peak]), "%")


def _weight(a: Picture, b: Picture) -> Value | None:
    """Change of weight at the first picture's draw, by an even rise between the two draws."""
    if any(p.state != "drawn" or not p.shot.draw_weight_n or "draw_length_back" not in p.values for p in (a, b)):
        return None
    then, now = (p.shot.draw_weight_n or 0.0 for p in (a, b))
    draw = a.values["draw_length_back"]
    further = change(draw, b.values["draw_length_back"])
    if abs(further.value) > NEAR_DRAW_MM:
        return None
    slope = now / (POWER_STROKE * draw.value)
    budget = {
        "scale reading": math.sqrt(2) * SCALE_U_N,
        "draw": slope * further.u,
        "slope": abs(further.value) * slope * POWER_STROKE_U / POWER_STROKE,
    }
    return Value(now - slope * further.value - then, math.sqrt(sum(v * v for v in budget.values())), "N", budget)


def _judge(found: Comparison, s: Scraped) -> ScrapeOutcome:
    along = found.bend.get(s.limb)
    if along is None:
        return ScrapeOutcome(s, "not compared", Value(math.nan, math.nan, "%"), None)
    percent = mean_change(along, s.start_from_nock_mm, s.end_from_nock_mm)
    on_it = [p for p in found.patches if p.limb == s.limb and s.start_from_nock_mm <= p.peak_mm <= s.end_from_nock_mm]
    patch = max(on_it, key=lambda p: abs(p.percent.value), default=None)
    if patch is not None:
        return ScrapeOutcome(s, "did" if patch.percent.value > 0 else "opposite", percent, patch)
    if math.isfinite(percent.u) and abs(percent.value) > COVER * percent.u:
        return ScrapeOutcome(s, "did" if percent.value > 0 else "opposite", percent, None)
    return ScrapeOutcome(s, "untold", percent, None)
