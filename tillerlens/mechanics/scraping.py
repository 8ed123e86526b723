"""Where to take wood off next: from the bow as it stands to the bow that is wished, one careful step.

A step is at most half of what seems needed. Nothing is advised where the need does not exceed its interval: a limb is cut into
stretches only where their needs are told apart, and a stretch whose need is not told is left. No wood comes off a hinge or
beside it. When the weight is at the wish, scraping stops, whatever the shape. The thickness follows from stiffness by
``ln EI = power x ln t`` (power 3: a rectangle; else by the section).

The rules of the bench that it keeps - half of the need, hinges left, 3 in stretches, exercise between steps - are common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from tillerlens.errors import Reason
from tillerlens.measurement import LIMBS, GapRow, Value
from tillerlens.measurement import Limb as LimbName
from tillerlens.mechanics.elastica import Floats
from tillerlens.mechanics.places import Place
from tillerlens.mechanics.present import SEGMENTS, Patches, Present, Sharpened, readings, responses, sharpen, thinned
from tillerlens.mechanics.statics import Bow, Equilibrium, Limb, NoEquilibrium, drawn
from tillerlens.mechanics.wish import ScrapeWish, Target, amplification, excess, find_target

COVER = 2.0
Stop = Literal["at_wish", "below_wish", "nothing_told", "only_hinges"]


@dataclass(frozen=True)
class Care:
    """How careful a step is. All common practice, no source; settings, never laws. ``share`` is never above one half."""

    share: float = 0.5
    split_z: float = 2.5  # two parts of a limb are treated differently only when told apart this well
    beside_hinge_mm: float = 25.0
    alike: float = 0.25  # neighbours whose amounts differ by less are scraped alike
    least_share: float = 0.0015  # of the thickness: below that no pass of a scraper is worth while
    most_share: float = 0.06  # of the thickness in one step
    hand_u: float = 0.2  # relative: what the hand takes off beside what it was told
    shape_gap_mm: float = 25.0  # a tiller further off than this is no shape to draw a bow in
    shape_hinge: float = 0.3  # nor is a hinge that bends by so much more than the wood around it

    def __post_init__(self) -> None:
        if not 0 < self.share <= 0.5:
            raise ValueError("a step is more than nothing and at most half of the need")


@dataclass(frozen=True)
class Scrape:
    """Strokes noted on a stretch, and the weight before and after at one draw: what a stroke of this hand takes off."""

    limb: LimbName
    from_nock_mm: tuple[float, float]
    strokes: float
    weight_before: float
    weight_after: float
    u_weight: float


@dataclass(frozen=True)
class Stretch:
    """Take this share of the thickness off between two places from the nock (mm). ``mm`` where the thickness is known;
    ``strokes`` where the bow's own history tells. ``need_share``: all that seems needed here, with its doubt.
    """

    limb: LimbName
    from_nock_mm: tuple[float, float]
    share: float
    need_share: Value
    mm: float | None
    strokes: Value | None


@dataclass(frozen=True)
class Leave:
    """A stretch to keep the scraper off: a hinge with its neighbourhood, by how much it is softer than the wood around."""

    limb: LimbName
    from_nock_mm: tuple[float, float]
    softer: float


@dataclass(frozen=True, eq=False)
class Forecast:
    """The bow at a draw, by the statics: weight (N) and gaps to the belly (mm), each with the doubt of what was measured and,
    after a step, of the hand.
    """

    draw_back: float
    weight: Value
    gaps: tuple[GapRow, ...]

    @property
    def tiller(self) -> Value:
        """Upper minus lower gap at the innermost station."""
        return self.gaps[0].difference


@dataclass(frozen=True, eq=False)
class LimbNeed:
    """For the chart, by place from the nock (mm): the share of the thickness that seems needed, its doubt, what the step takes,
    and the thickness (mm; None without a section).
    """

    from_nock_mm: Floats
    need: Floats
    u_need: Floats
    take: Floats
    thickness: Floats | None


@dataclass(frozen=True, eq=False)
class Plan:
    """One step, or why there is none. ``holds``: why it should not be drawn further for now, each reason there is."""

    stretches: tuple[Stretch, ...]
    leave: tuple[Leave, ...]
    stop: Stop | None
    holds: tuple[Reason, ...]
    now: Forecast
    after: Forecast
    wish: ScrapeWish
    limbs: tuple[LimbNeed, LimbNeed]
    doubts: tuple[Reason, ...] = ()
    ln_ei: tuple[Floats, Floats] = field(default=(np.zeros(0), np.zeros(0)))  # change by place (n,), upper and lower


def plan_scraping(
    present: Present,
    wish: ScrapeWish,
    care: Care | None = None,
    history: Sequence[Scrape] = (),
    expected: Value | None = None,
) -> Plan:
    """The next step toward the wish. ``expected``: weight (N) at the wished draw that the last plan forecast for after its step;
    it is one more reading, and a sharp one. Raises WishError or NoEquilibrium where the wish is out of this bow's reach.
    """
    care = care or Care()
    best = sharpen(present)
    state, jac = responses(best.bow, present, wish.draw_back)
    if expected is not None:
        best = _with_expected(best, present, state, jac, expected)
        state = drawn(best.bow, present.string_length, wish.draw_back, present.how, segments=SEGMENTS, start=state)
    here = readings(state, present.seen.stations)
    now = _forecast(here, jac @ best.cov @ jac.T, present, wish)
    leave = _hinges(present, care)
    holds = _holds(present, leave, care, wish)
    stop = _at_weight(now, wish)
    target = _target(best, present, wish, state, jac, now, leave, care)
    take = _step(present, target, leave, care) if stop is None else _nothing(present)
    take = [_runs_of(t, p.limb.s, c) for t, p, c in zip(take, present.limbs, present.patches, strict=True)]
    if stop is None and not any(np.any(t > 0) for t in take):
        stop = "only_hinges" if leave else "nothing_told"
    ln_ei = tuple(p.power * np.log1p(-t) for t, p in zip(take, present.limbs, strict=True))
    after = _after(best, present, wish, jac, ln_ei, care) if stop is None else now
    needs = _needs(best, present, target, take)
    per_stroke = _per_stroke(history, present, best) if history else None
    stretches = [x for k in (0, 1) for x in _stretches(k, present, needs[k], take[k], per_stroke)]
    return Plan(tuple(stretches), tuple(leave), stop, holds, now, after, wish, needs, best.doubts, (ln_ei[0], ln_ei[1]))


def _with_expected(best: Sharpened, present: Present, state: Equilibrium, jac: Floats, expected: Value) -> Sharpened:
    """Picture and scale joined with what the last plan foresaw; left aside, and said, where the two disagree."""
    row, off = jac[-1], float(np.log(expected.value / state.weight))
    spread = float(row @ best.cov @ row) + (expected.u / expected.value) ** 2
    if not off**2 <= 9 * spread:
        text = "The bow does not draw what the last plan foresaw, so that forecast is left aside."
        remedy = "Check the scale, and that this is the wood taken off since."
        return replace(best, doubts=(*best.doubts, Reason("forecast_missed", text, remedy)))
    gain = best.cov @ row / spread
    n = sum(c.count for c in present.patches)
    bow = thinned(best.bow, present.patches, gain[:n] * off, gain[n:] * off)
    return replace(best, bow=bow, cov=best.cov - np.outer(gain, row @ best.cov))


# --- the weight, and how far the bow may be drawn --------------------------------------------------------------


def _at_weight(now: Forecast, wish: ScrapeWish) -> Stop | None:
    over, reach = now.weight.value - wish.weight, COVER * now.weight.u
    if over > reach:
        return None
    return "below_wish" if over < -reach else "at_wish"


def _holds(present: Present, leave: list[Leave], care: Care, wish: ScrapeWish) -> tuple[Reason, ...]:
    """Why this bow should not be drawn further for now."""
    seen, out = present.seen, []
    if seen.draw_back > wish.draw_back + 3.0:
        out.append(Reason("past_draw", "It is drawn past the wished draw already.", "Never draw it past the wished draw."))
    if seen.weight - COVER * seen.u_weight > wish.weight:
        text = "It is drawn past the wished weight already."
        out.append(Reason("past_weight", text, "Draw it only until the scale shows the wished weight."))
    off = float(np.max(np.abs(seen.upper - seen.lower)))
    if off - COVER * seen.u_gap > care.shape_gap_mm or any(q.softer > care.shape_hinge for q in leave):
        text = "It is drawn beyond correct shape: at this draw the limbs bend too unequally."
        out.append(Reason("beyond_shape", text, "Draw it less far than this until a new picture shows the shape right."))
    return tuple(out)


# --- where -------------------------------------------------------------------------------------------------------


def _split(both: Floats, present: Present) -> tuple[Floats, Floats]:
    return both[: present.patches[0].count], both[present.patches[0].count :]


def _doubt(best: Sharpened, amplify: float, present: Present) -> Floats:
    n = sum(c.count for c in present.patches)
    return np.asarray(amplify**2 * best.cov[:n, :n])


def _target(
    best: Sharpened, present: Present, wish: ScrapeWish, state: Equilibrium, jac: Floats, now: Forecast, leave: list[Leave],
    care: Care,
) -> Target:  # fmt: skip
    """The wished bow with only such differences along a limb as are told, and wood off only where the need is told."""
    over = excess(best.bow, state, present, wish)
    cov = _doubt(best, amplification(present, wish), present)
    free = np.concatenate([
        c.judged & ~np.array([_is_left(c, j, p.limb.length, k, leave) for j in range(c.count)])
        for k, (p, c) in enumerate(zip(present.limbs, present.patches, strict=True))
    ])  # fmt: skip
    sides = np.split(np.arange(over.size), [present.patches[0].count])
    told = over.copy()
    for side in sides:
        for run in _runs(free, side):
            for leaf in _leaves(over, cov, run, care.split_z):
                told[leaf] = over[leaf].mean()
    where = (_off_hinges(present, 0, leave), _off_hinges(present, 1, leave))
    u_gap = np.array([COVER * r.difference.u for r in now.gaps])
    for _ in range(6):
        target = find_target(best.bow, present, wish, state, jac, told, free, where, u_gap)
        bare = _untold(target.need, best.cov[: over.size, : over.size], sides)
        bare.append(
            np.flatnonzero(free & (target.need > 0) & (care.share * target.need / present.upper.power < care.least_share))
        )
        if not np.concatenate(bare).size:
            break
        free = free.copy()
        free[np.concatenate(bare)] = False
    return replace(target, need=np.where(free, target.need, 0.0), over=over)


def _untold(need: Floats, cov: Floats, sides: list[np.ndarray]) -> list[np.ndarray]:
    """Stretches whose need is told neither by themselves nor as part of the whole. The weight, when it is told to be above the
    wish, tells of both limbs together what neither tells alone; but a stretch that is told to need less than the others stands
    by itself.
    """
    runs = [run for side in sides for run in _runs(need > 1e-6, side)]
    out = []
    for run in runs:
        rest = np.setdiff1d(np.concatenate(runs), run)
        w = np.zeros(need.size)
        w[run] = 1 / run.size
        w[rest] = -1 / max(rest.size, 1)
        apart = rest.size > 0 and w @ need < -COVER * np.sqrt(w @ cov @ w)
        if apart and need[run].mean() <= COVER * _u_mean(cov, run):
            out.append(run)
    return out


def _hinges(present: Present, care: Care) -> list[Leave]:
    """The finding's hinges with what lies beside them, along each limb."""
    places = () if present.finding is None else present.finding.places
    return [_leave(present, care, p) for p in places if p.kind == "hinge"]


def _leave(present: Present, care: Care, place: Place) -> Leave:
    length = present.limbs[LIMBS.index(place.limb)].limb.length
    low, high = place.ends_mm
    return Leave(
        place.limb, (max(0.0, low - care.beside_hinge_mm), min(length, high + care.beside_hinge_mm)), place.bend.value
    )


def _nothing(present: Present) -> list[Floats]:
    return [np.zeros(p.limb.s.size) for p in present.limbs]


def _step(present: Present, target: Target, leave: list[Leave], care: Care) -> list[Floats]:
    """Share of the thickness to take off by place (n,), each limb."""
    out = []
    for k, (p, cuts, need) in enumerate(zip(present.limbs, present.patches, _split(target.need, present), strict=True)):
        share = np.minimum(care.share * -np.expm1(-need / p.power), care.most_share)
        share[share < care.least_share] = 0.0
        share = _alike(share, care.alike)
        out.append(share[cuts.of] * _off_hinges(present, k, leave))
    return out


def _alike(share: Floats, within: float) -> Floats:
    """Neighbouring patches of nearly one amount get one: their mean, so that no one has to scrape by tenths of a percent."""
    out, start = share.copy(), 0
    for j in range(1, share.size + 1):
        group = share[start : j + 1]
        if j < share.size and group.min() > 0 and group.max() - group.min() <= within * group.max():
            continue
        out[start:j] = share[start:j].mean()
        start = j
    return out


def _off_hinges(present: Present, k: int, leave: list[Leave]) -> Floats:
    """(n,) 1 where a limb may be scraped: not at the nock, not on a hinge or beside it."""
    p, cuts = present.limbs[k], present.patches[k]
    from_nock = p.limb.length - p.limb.s
    out = np.where(p.limb.s <= cuts.edges[-1], 1.0, 0.0)
    for q in leave:
        if q.limb == LIMBS[k]:
            out[(from_nock >= q.from_nock_mm[0]) & (from_nock <= q.from_nock_mm[1])] = 0.0
    return out


def _is_left(cuts: Patches, j: int, length: float, k: int, leave: list[Leave]) -> bool:
    """Whether a hinge's stretch covers most of a patch."""
    a, b = length - cuts.edges[j + 1], length - cuts.edges[j]
    covered = sum(max(0.0, min(b, q.from_nock_mm[1]) - max(a, q.from_nock_mm[0])) for q in leave if q.limb == LIMBS[k])
    return covered > 0.5 * (b - a)


def _runs(free: np.ndarray, among: np.ndarray | None = None) -> list[np.ndarray]:
    """Neighbouring True places in runs."""
    idx = np.flatnonzero(free) if among is None else among[free[among]]
    return [r for r in np.split(idx, np.flatnonzero(np.diff(idx) > 1) + 1) if r.size]


def _u_mean(cov: Floats, part: np.ndarray) -> float:
    return float(np.sqrt(cov[np.ix_(part, part)].mean()))


def _leaves(need: Floats, cov: Floats, run: np.ndarray, least_z: float) -> list[np.ndarray]:
    """The run cut into stretches whose needs are told apart: the clearest inner part against the rest, again and again."""
    best, found = least_z, None
    for i in range(run.size):
        for j in range(i + 1, run.size + 1):
            if j - i == run.size:
                continue
            w = np.zeros(need.size)
            part, rest = run[i:j], np.concatenate([run[:i], run[j:]])
            w[part], w[rest] = 1 / part.size, -1 / rest.size
            z = abs(float(w @ need)) / float(np.sqrt(w @ cov @ w))
            if z > best:
                best, found = z, (i, j)
    if found is None:
        return [run]
    i, j = found
    return [q for part in (run[:i], run[i:j], run[j:]) if part.size for q in _leaves(need, cov, part, least_z)]


def _runs_of(take: Floats, s: Floats, cuts: Patches) -> Floats:
    """Without stretches shorter than half a patch, which what was left has cut too small to scrape on purpose."""
    out = take.copy()
    for run in _runs(take > 0):
        if s[run[-1]] - s[run[0]] < 0.5 * (cuts.edges[1] - cuts.edges[0]):
            out[run] = 0.0
    return out


# --- what comes of it --------------------------------------------------------------------------------------------


def _forecast(values: Floats, cov: Floats, present: Present, wish: ScrapeWish) -> Forecast:
    seen, k = present.seen, present.seen.stations.size
    weight = float(np.exp(values[-1]))
    u = np.sqrt(np.diag(cov))
    rows = []
    for i, d in enumerate(seen.stations):
        u_diff = np.sqrt(max(0.0, cov[i, i] + cov[k + i, k + i] - 2 * cov[i, k + i]))
        up, low = (
            float(v - np.broadcast_to(h, k)[i]) for v, h in ((values[i], seen.half_upper), (values[k + i], seen.half_lower))
        )
        rows.append(
            GapRow(
                float(d), Value(up, float(u[i]), "mm"), Value(low, float(u[k + i]), "mm"), Value(up - low, float(u_diff), "mm")
            )
        )
    return Forecast(wish.draw_back, Value(weight, weight * float(u[-1]), "N"), tuple(rows))


def _after(best: Sharpened, present: Present, wish: ScrapeWish, jac: Floats, ln_ei: tuple[Floats, ...], care: Care) -> Forecast:
    limbs = [Limb(q.s, q.ei * np.exp(e), q.kappa0) for q, e in zip((best.bow.upper, best.bow.lower), ln_ei, strict=True)]
    bow = Bow(limbs[0], limbs[1], best.bow.handle)
    state = drawn(bow, present.string_length, wish.draw_back, present.how, segments=SEGMENTS)
    by_patch = np.concatenate([c.mean @ e for c, e in zip(present.patches, ln_ei, strict=True)])
    hand = np.zeros(best.cov.shape)
    n = by_patch.size
    hand[:n, :n] = np.diag((care.hand_u * by_patch) ** 2)
    return _forecast(readings(state, present.seen.stations), jac @ (best.cov + hand) @ jac.T, present, wish)


def _needs(best: Sharpened, present: Present, target: Target, take: list[Floats]) -> tuple[LimbNeed, LimbNeed]:
    out = []
    needs = _split(target.need, present)
    us = _split(np.sqrt(np.diag(_doubt(best, target.amplify, present))), present)
    for need, u, p, cuts, t in zip(needs, us, present.limbs, present.patches, take, strict=True):
        order = np.flatnonzero(p.limb.s <= cuts.edges[-1])[::-1]  # nock first
        of = cuts.of[order]
        share = np.where(cuts.judged, -np.expm1(-need / p.power), np.nan)[of]
        doubt = np.where(cuts.judged, u / p.power, np.nan)[of]
        thick = None if p.thickness is None else p.thickness[order]
        out.append(LimbNeed(p.limb.length - p.limb.s[order], share, doubt, t[order], thick))
    return out[0], out[1]


def _stretches(k: int, present: Present, need: LimbNeed, take: Floats, per_stroke: Value | None) -> list[Stretch]:
    """Neighbouring places of one amount, nock first."""
    p = present.limbs[k]
    s = p.limb.s
    out = []
    change = np.flatnonzero(np.diff(take) != 0) + 1
    for run in np.split(np.arange(s.size), change)[::-1]:
        share = float(take[run[0]])
        if share <= 0:
            continue
        # half way to the next place, so that neighbouring stretches meet
        last, first = min(run[-1] + 1, s.size - 1), max(run[0] - 1, 0)
        ends = (p.limb.length - float(s[run[-1]] + s[last]) / 2, p.limb.length - float(s[run[0]] + s[first]) / 2)
        inside = (need.from_nock_mm >= ends[0] - 1e-6) & (need.from_nock_mm <= ends[1] + 1e-6)
        wanted = Value(float(need.need[inside].mean()), float(need.u_need[inside].mean()), "")
        mm = None if p.thickness is None else share * float(p.thickness[run].mean())
        strokes = None
        if per_stroke is not None and per_stroke.value > COVER * per_stroke.u:
            n = share / per_stroke.value
            strokes = Value(n, n * per_stroke.u / per_stroke.value, "strokes")
        out.append(Stretch(LIMBS[k], ends, share, wanted, mm, strokes))
    return out


def _per_stroke(history: Sequence[Scrape], present: Present, best: Sharpened) -> Value:
    """Share of the thickness that one stroke over a stretch takes off, from the weight it cost: a mean weighted by what each
    event tells. NaN where no event changed the weight in a way the statics can read.
    """
    _, jac = responses(best.bow, present, present.seen.draw_back)
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


__all__ = ["Care", "Forecast", "LimbNeed", "Leave", "NoEquilibrium", "Plan", "Scrape", "ScrapeWish", "Stretch", "plan_scraping"]
