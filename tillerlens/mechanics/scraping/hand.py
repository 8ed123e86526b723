"""The hand that scrapes: what it takes over what it was told, learned from steps whose forecast was weighed afterwards; and what
one of its strokes takes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tillerlens.core.measurement import LIMBS, LimbName, Value
from tillerlens.mechanics.current_bow import CurrentBow
from tillerlens.mechanics.elastica import Floats
from tillerlens.mechanics.observed import own_u

MOST_OFF = 0.5
"""A hand that seems to take less than half or more than half as much again is not believed further than that."""
MISSED = 3.0  # standard uncertainties beyond which a forecast says something else than how the hand errs


@dataclass(frozen=True)
class Hand:
    """ratio: taken over told, the same everywhere on the bow. u: its standard uncertainty; a fifth before anything was seen of it
    (common practice, no source). steps: how many steps it was learned from."""

    ratio: float = 1.0
    u: float = 0.2
    steps: int = 0


@dataclass(frozen=True)
class Left:
    """A place that a plan left alone, ends from the nock, mm. ``after``: how much more than the wood beside it it is expected to
    bend after the step, ln on the averages that ``leaves_of`` takes, with the doubt of finding and hand; None where not kept."""

    limb: LimbName
    from_nock_mm: tuple[float, float]
    after: Value | None = None


@dataclass(frozen=True)
class Foretold:
    """A plan's forecast whose step was taken: weight (N) after it at the draw, the weight before it and the hand as known then;
    ``before`` NaN where that was not kept. ``left``: the hinges it named; ``skipped``: what else it left out."""

    draw_back: float
    weight: Value
    before: float = float("nan")
    hand: Hand = Hand()
    left: tuple[Left, ...] = ()
    skipped: tuple[Left, ...] = ()


@dataclass(frozen=True)
class Scrape:
    """Strokes noted on a stretch, and the weight before and after at one draw: what a stroke of this hand takes off."""

    limb: LimbName
    from_nock_mm: tuple[float, float]
    strokes: float
    weight_before: float
    weight_after: float
    u_weight: float


def missed(last: Foretold, weight: Value) -> bool:
    """Whether the weight now (N) cannot be what the last plan's step made of it."""
    off = float(np.log(weight.value / last.weight.value))
    return not abs(off) <= MISSED * np.hypot(own_u(last.weight), own_u(weight))


def learned(last: Foretold, weight: Value) -> Hand:
    """The hand after its step was weighed: ``weight`` (N) without anything of the forecast in it. A linear Gaussian update of
    ln weight after = ln weight before + ratio x told."""
    hand = last.hand
    if not np.isfinite(last.before) or last.before <= last.weight.value:
        return hand
    told = float(np.log(last.weight.value / last.before)) / hand.ratio
    gain = together(last, weight)
    ratio = hand.ratio + gain * float(np.log(weight.value / last.weight.value))
    left = max(1 - told * gain, 0.02)
    return Hand(float(np.clip(ratio, 1 - MOST_OFF, 1 + MOST_OFF)), hand.u * float(np.sqrt(left)), hand.steps + 1)


def together(last: Foretold, weight: Value) -> float:
    """How the weighing that taught of the hand ties it to the weight: covariance of ln weight with the hand's ratio after it,
    over the variance of ``weight`` alone. A hand thought to take more goes with a bow thought to be lighter, and the next step
    adds both."""
    if not np.isfinite(last.before) or last.before <= last.weight.value:
        return 0.0
    told = float(np.log(last.weight.value / last.before)) / last.hand.ratio
    return told * last.hand.u**2 / (own_u(last.weight) ** 2 + own_u(weight) ** 2)


def per_stroke(history: Sequence[Scrape], present: CurrentBow, jac: Floats) -> Value:
    """Share of the thickness that one stroke over a stretch takes off, from the weight it cost: a mean weighted by what each
    event tells. ``jac``: of ``responses`` at the draw seen. NaN where no event changed the weight in a way the statics can read.
    """
    total, weight = 0.0, 0.0
    for event in history:
        k = LIMBS.index(event.limb)
        p, cuts = present.limbs[k], present.patches[k]
        a, b = sorted(p.limb.length - x for x in event.from_nock_mm)
        cover = np.clip(np.minimum(cuts.edges[1:], b) - np.maximum(cuts.edges[:-1], a), 0, None) / np.diff(cuts.edges)
        first = 0 if k == 0 else present.patches[0].count
        per_share = -p.power * float(jac[-1, first : first + cuts.count] @ cover) * event.strokes  # ln W per share and stroke
        if per_share >= -1e-9 or event.weight_before <= 0 or event.weight_after <= 0:
            continue
        lost = float(np.log(event.weight_after / event.weight_before))
        u = float(np.hypot(event.u_weight / event.weight_before, event.u_weight / event.weight_after))
        one = (per_share / u) ** 2
        total, weight = total + one * lost / per_share, weight + one
    if weight == 0:
        return Value(float("nan"), float("nan"), "")
    return Value(total / weight, weight**-0.5, "")
