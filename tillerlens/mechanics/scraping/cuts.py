"""Each limb cut into stretches that a hand scrapes on purpose: few, long, a stiff place by itself, hinges left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from tillerlens.core.measurement import COVER, LIMBS, Value
from tillerlens.mechanics.current_bow import BLIND_U, PATCH_MM, TIP_MM, CurrentBow, CurrentLimb, Patches
from tillerlens.mechanics.elastica import Floats
from tillerlens.mechanics.places import BUMP_MEAN, LEFT_Z, MAY_BE_Z, BendAnomaly
from tillerlens.mechanics.scraping.hand import Foretold, Left
from tillerlens.mechanics.scraping.model import Care, Leave
from tillerlens.mechanics.statics import Bow, Equilibrium

END = 0.07  # of a limb, that its smooth course is not drawn through
MAY_BE_MM = 64.0
"""How long a stretch is left out where there may be a hinge: two and a half inches."""
HINGE_LN = 0.1
"""By how much a hinge of 12 % bends more than its flanks on the averages taken here, ln: it runs out within an inch or two."""
SEEN_SHARE = HINGE_LN / float(np.log1p(0.12))  # of what it bends more in its middle, ln
ACROSS_MM = 12.0  # a stretch shorter than this is nothing to scrape
SLIVER_MM = 38.1
"""Nor is what lies between a stretch's end and a place that is left out, up to this: one and a half times a scraper's width of an
inch (common practice, no source)."""


@dataclass(frozen=True)
class Cut:
    """A stretch of limb ``k`` (0: upper) between two places from the fade, mm. stiffer: ln of how much stiffer than beside it the
    finding tells it to be, on its average; 0 elsewhere. skip: spans from the fade that are left out of it, as they may be
    hinges. apart: what lies between its parts where a hinge or a stiff place parts them."""

    k: int
    low: float
    high: float
    stiffer: float = 0.0
    skip: tuple[tuple[float, float], ...] = ()
    apart: tuple[tuple[float, float], ...] = ()

    @property
    def length(self) -> float:
        """Of the wood that it takes, mm."""
        return sum(high - low for low, high in _less_spans([(self.low, self.high)], self.skip + self.apart))

    @property
    def parts(self) -> list[tuple[float, float]]:
        """Its ends, for each of the parts that a hinge or a stiff place makes of it; what may be a hinge parts nothing."""
        return _less_spans([(self.low, self.high)], self.apart)

    def mask(self, s: Floats) -> Floats:
        """(n,) 1 inside, at places from the fade."""
        inside = (s >= self.low) & (s <= self.high)
        for low, high in self.skip + self.apart:
            inside &= (s < low) | (s > high)
        return np.where(inside, 1.0, 0.0)

    def cover(self, patches: Patches) -> Floats:
        """(J,) share of each patch that lies inside."""
        out = np.zeros(patches.count)
        for low, high in _less_spans([(self.low, self.high)], self.skip + self.apart):
            out += np.clip(np.minimum(patches.edges[1:], high) - np.maximum(patches.edges[:-1], low), 0, None)
        return out / np.diff(patches.edges)


def _less_spans(of: list[tuple[float, float]], less: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """What the spans ``less`` leave of the spans ``of``."""
    for low, high in less:
        of = [q for a, b in of for q in ((a, min(b, low)), (max(a, high), b)) if q[1] > q[0]]
    return of


def leaves_of(present: CurrentBow, bow: Bow, state: Equilibrium, care: Care, last: Foretold | None = None) -> tuple[Leave, ...]:
    """The finding's hinges with what lies beside them, and places that may be hinges, along each limb.

    bow, state: what explains picture and scale best, drawn. last: the plan before. Wood does not grow back: what it left out,
    named or skipped, is left out again until what is seen there and what was expected of it after the wood that came off beside
    it, taken together, exclude a hinge (``HINGE_LN``), and it no longer seems to bend more than the wood beside it.
    """
    found, perhaps = ((), ()) if present.finding is None else (present.finding.places, present.finding.perhaps)
    out = [_leave(present, care.beside_hinge_mm, p) for p in found if p.kind == "hinge"]
    stiff = [(p.limb, p.ends_mm) for p in found if p.kind == "stiff"]
    bends = {limb: _Bend.of(k, bow, state) for k, limb in enumerate(LIMBS)}
    for q in () if last is None else last.left:
        # held against what was expected even where a stiff place is told: next to a hinge the smoothing rings as one
        more = _now(q, present, bends[q.limb])
        if _may_still_be(q, more, bends[q.limb]):
            again = Leave(q.limb, q.from_nock_mm, float(np.expm1(more.value)), told=False, before=True, more=more)
            out += _beside(again, out)
    for place in perhaps:  # what is seen now speaks louder than what was skipped
        out += _beside(_may_be(place), out)
    for q in () if last is None else last.skipped:
        more = _now(q, present, bends[q.limb])
        middle = sum(q.from_nock_mm) / 2
        if _may_still_be(q, more, bends[q.limb]) and not any(k == q.limb and a < middle < b for k, (a, b) in stiff):
            again = Leave(q.limb, q.from_nock_mm, float(np.expm1(more.value)), told=False, slight=True, more=more)
            out += _beside(again, out)
    return tuple(_closed(out))


def _now(q: Left, present: CurrentBow, bend: _Bend) -> Value:
    """How much more than the wood beside it what was left alone bends, ln: by what is seen and what was expected."""
    at = bend.length - sum(q.from_nock_mm) / 2
    seen = Value(bend.more(at), _u_more(present.limbs[LIMBS.index(q.limb)], at), "")
    return seen if q.after is None else _together(seen, q.after)


def _may_still_be(q: Left, more: Value, bend: _Bend) -> bool:
    """Whether what was left alone may be a hinge, as far as is known by now."""
    return bend.more_than_both(bend.length - sum(q.from_nock_mm) / 2) > 0 or more.value + COVER * more.u >= HINGE_LN


def _closed(leave: list[Leave]) -> list[Leave]:
    """The places with no strip between two of them that is shorter than a place itself: scraped between wood that is left alone,
    it would become the hinge. What may be a hinge reaches to its neighbour, two such to halfway; between two that were named
    the wood is scraped with the rest (``_joined``)."""
    out = list(leave)
    for i, j in pairwise(sorted(range(len(out)), key=lambda i: (out[i].limb, out[i].from_nock_mm))):
        one, two = out[i], out[j]
        (low, end), (start, high) = one.from_nock_mm, two.from_nock_mm
        named = [q.told or q.before for q in (one, two)]
        if one.limb != two.limb or not 0 < start - end < MAY_BE_MM or all(named):
            continue
        meet = end if named[0] else start if named[1] else (end + start) / 2
        out[i], out[j] = replace(one, from_nock_mm=(low, meet)), replace(two, from_nock_mm=(meet, high))
    return out


def _together(seen: Value, expected: Value) -> Value:
    """What is seen and what was expected, each by how surely it is known. Where the two lie further apart than their doubts
    promise, one of them is wrong and nobody knows which: both are doubted the more (Birge, *Phys. Rev.* 40, 207, 1932)."""
    w = np.array([seen.u, expected.u]) ** -2.0
    apart = abs(seen.value - expected.value) / float(np.hypot(seen.u, expected.u))
    mean = float(w @ [seen.value, expected.value]) / float(w.sum())
    return Value(mean, max(1.0, apart) * float(w.sum()) ** -0.5, "")


def expected_after(
    leave: Sequence[Leave], ln_ei: tuple[Floats, Floats], present: CurrentBow, u_taken: float
) -> tuple[Leave, ...]:
    """The places with what is expected of them after a step.

    ln_ei: change of ln EI that the step makes by place (n,) of each limb. u_taken: its relative standard uncertainty. Wood off
    beside a hinge makes the wood there bend more, and the hinge less by comparison.
    """
    out = []
    for q in leave:
        if q.more is None:
            out.append(q)
            continue
        k = LIMBS.index(q.limb)
        s = present.limbs[k].limb.s
        bends = _Bend(s, -ln_ei[k], float(s[-1]))
        less = bends.more(bends.length - sum(q.from_nock_mm) / 2)
        out.append(replace(q, after=Value(q.more.value + less, float(np.hypot(q.more.u, u_taken * less)), "")))
    return tuple(out)


def _beside(one: Leave, others: Sequence[Leave]) -> list[Leave]:
    """The part about this one's middle that no other leaves out already, if there is any. Dropped whole where it met another, the
    wood in its middle was scraped."""
    low, high = one.from_nock_mm
    middle = (low + high) / 2
    for q in others:
        a, b = q.from_nock_mm
        if q.limb != one.limb or b < low or high < a:
            continue
        if a <= middle <= b or (q.told and one.slight):  # what is left over beside a hinge by its shape is none of its own
            return []
        low, high = (b, high) if b < middle else (low, a)
    return [replace(one, from_nock_mm=(low, high))]


def _may_be(place: BendAnomaly) -> Leave:
    """As long as such a stretch is, and as far as its middle may lie from where it seems to."""
    at = place.from_nock_mm
    half = max(MAY_BE_MM / 2, COVER * at.u)
    ends = at.value - half, at.value + half
    slight, once = place.significance < MAY_BE_Z, place.significance < LEFT_Z
    return Leave(place.limb, ends, place.bend.value, told=False, slight=slight, once=once, more=_more(place.bend))


def _more(bend: Value) -> Value:
    """What a place's bend comes to on the averages taken here, ln."""
    return Value(SEEN_SHARE * float(np.log1p(bend.value)), SEEN_SHARE * bend.u / (1 + bend.value), "")


def _u_more(limb: CurrentLimb, at: float) -> float:
    """Standard uncertainty of ``_Bend.more``: each of its averages is about as long as what errs alike in the stiffness read
    there, so their difference is as unsure as two places."""
    near = np.abs(limb.limb.s - at) <= 110
    return float(np.sqrt(2) * np.nanmean(limb.u_log_ei[near])) if near.any() else BLIND_U


@dataclass(frozen=True, eq=False)
class _Bend:
    """How one limb bends against its own smooth course: ``move`` (n,), ln of curvature moved, at places from the fade. Only where
    that course is drawn through: next to the nock there is no load to bend it, and its logarithm has no bottom."""

    s: Floats
    move: Floats
    length: float

    @classmethod
    def of(cls, k: int, bow: Bow, state: Equilibrium) -> _Bend:
        limb, shape = ((bow.upper, state.upper), (bow.lower, state.lower))[k]
        s, length = limb.s, limb.length
        moment = np.interp(s + shape.s[-1] - length, shape.s, shape.moment)
        ok = (s > END * length) & (s < (1 - END) * length)
        move = np.log(np.maximum(moment, 1e-6 * moment.max()) / limb.ei)
        move = move - np.polyval(np.polyfit(s[ok] / length, move[ok], 3), s / length)
        return cls(s[ok], move[ok], length)

    def more(self, at: float) -> float:
        """How much more it bends around this place from the fade than the wood beside it on the average, ln."""
        return self._mean(at, -22, 22) - float(np.mean(self._beside(at)))

    def more_than_both(self, at: float) -> float:
        """The same against the side that bends more: where the course falls off, an even place shows less than nothing."""
        return self._mean(at, -22, 22) - max(self._beside(at))

    def _beside(self, at: float) -> list[float]:
        """The wood's averages on either side; on one, where beyond the other the limb ends."""
        sides = [(low, high) for low, high in ((-110, -50), (50, 110)) if self._there(at, low, high).any()]
        return [self._mean(at, *side) for side in sides] or [0.0]

    def _mean(self, at: float, low: float, high: float) -> float:
        """The average between ``low`` and ``high`` mm from the place; 0, the course itself, where no limb is."""
        there = self._there(at, low, high)
        return float(self.move[there].mean()) if there.any() else 0.0

    def _there(self, at: float, low: float, high: float) -> np.ndarray:
        return np.asarray((self.s >= at + low) & (self.s <= at + high))


def _leave(present: CurrentBow, beside: float, place: BendAnomaly) -> Leave:
    length = present.limbs[LIMBS.index(place.limb)].limb.length
    low, high = place.ends_mm
    ends = max(0.0, low - beside), min(length, high + beside)
    return Leave(place.limb, ends, place.bend.value, more=_more(place.bend))


def cut_limbs(present: CurrentBow, leave: tuple[Leave, ...], over: Floats, cov: Floats, care: Care) -> list[Cut]:
    """Stretches of both limbs. ``over`` (P,): ln of present over wished stiffness by patch, upper then lower; ``cov`` its
    covariance."""
    out, first = [], 0
    for k, patches in enumerate(present.patches):
        of = slice(first, first + patches.count)
        cuts = sorted(_pieces(present, k, leave, care), key=lambda c: c.low)
        out += _split(cuts, patches, over[of], cov[of, of], present.limbs[k].power, care)
        first += patches.count
    return out


def _pieces(present: CurrentBow, k: int, leave: tuple[Leave, ...], care: Care) -> list[Cut]:
    """A limb without what is to be left, its stiff places cut out of the rest."""
    p = present.limbs[k].limb
    left, skip = (
        [(p.length - q.from_nock_mm[1], p.length - q.from_nock_mm[0]) for q in leave if q.limb == LIMBS[k] and q.told is told]
        for told in (True, False)
    )
    found = () if present.finding is None else present.finding.places
    stiff = [
        Cut(k, p.length - q.ends_mm[1], p.length - q.ends_mm[0], -BUMP_MEAN * float(np.log1p(max(q.bend.value, -0.6))))
        for q in found
        if q.kind == "stiff" and q.limb == LIMBS[k]
    ]
    bare = _without([Cut(k, 0.0, float(p.s[-1]) - TIP_MM)], left)
    plain = _without(bare, [(q.low, q.high) for q in stiff])
    stiff = [replace(q, low=max(q.low, b.low), high=min(q.high, b.high)) for q in stiff for b in bare]
    plain, stiff = (
        [c for c in (_trimmed(replace(c, skip=tuple(skip))) for c in of) if c.length > least]
        for of, least in ((plain, MAY_BE_MM), (stiff, ACROSS_MM))
    )
    return _joined(plain, care, care.most_stretches - len(stiff)) + stiff


def _joined(cuts: list[Cut], care: Care, most: int) -> list[Cut]:
    """Neighbours as one where one is shorter than a hand treats by itself, or where there are more than ``most``: hinges cut a
    limb up, and wood that is left in between because it is short would grow stiff beside all that is scraped. One that is alone
    on its limb is scraped down to the shortest stretch that is scraped on purpose."""
    cuts = sorted(cuts, key=lambda c: c.low)
    while len(cuts) > 1:
        least = min(cuts, key=lambda c: c.length)
        if least.length >= care.shortest_mm and len(cuts) <= max(most, 1):
            return cuts
        i = cuts.index(least)
        j = min(
            (j for j in (i - 1, i + 1) if 0 <= j < len(cuts)),
            key=lambda j: max(least.low, cuts[j].low) - min(least.high, cuts[j].high),
        )
        one, two = cuts[min(i, j)], cuts[max(i, j)]
        both = replace(
            one,
            high=two.high,
            skip=tuple(dict.fromkeys(one.skip + two.skip)),
            apart=(*one.apart, (one.high, two.low), *two.apart),
        )
        cuts[min(i, j) : max(i, j) + 1] = [both]
    return [c for c in cuts if c.length >= PATCH_MM]


def _trimmed(cut: Cut) -> Cut:
    """The stretch without a sliver beyond a place that is left out near its end: it ends there."""
    while True:
        low = max((b for a, b in cut.skip if a < cut.low + SLIVER_MM < b + SLIVER_MM), default=cut.low)
        high = min((a for a, b in cut.skip if a - SLIVER_MM < cut.high - SLIVER_MM < b), default=cut.high)
        if (low, high) == (cut.low, cut.high) or high - low < SLIVER_MM:
            return cut
        cut = replace(cut, low=low, high=high)


def _without(cuts: list[Cut], spans: list[tuple[float, float]]) -> list[Cut]:
    for low, high in spans:
        cuts = [
            c for q in cuts for c in (replace(q, high=min(q.high, low)), replace(q, low=max(q.low, high))) if c.length > ACROSS_MM
        ]
    return cuts


def _split(cuts: list[Cut], patches: Patches, over: Floats, cov: Floats, power: float, care: Care) -> list[Cut]:
    """Stretches cut in two where their halves' needs are told apart, the clearest first."""
    cuts = list(cuts)
    while len(cuts) < care.most_stretches:
        best, found = care.split_z, None
        for cut in cuts:
            for edge in patches.edges[1:-1] if cut.stiffer == 0 else ():
                two = replace(cut, high=float(edge)), replace(cut, low=float(edge))
                if min(q.length for q in two) < care.shortest_mm or _splinters(two):
                    continue
                w = _mean(two[0], patches) - _mean(two[1], patches)
                apart, u = float(w @ over), float(np.sqrt(w @ cov @ w))
                if _island(two[0 if apart > 0 else 1], float(edge), care.shortest_mm):
                    continue
                if abs(apart) > best * u and abs(apart) > care.split_share * power:
                    best, found = abs(apart) / u, (cut, two)
        if found is None:
            return cuts
        cuts = sorted([c for c in cuts if c is not found[0]] + list(found[1]), key=lambda c: c.low)
    return cuts


def _splinters(two: tuple[Cut, Cut]) -> bool:
    """Whether a cut in two leaves a part beside a hinge or a stiff place that is shorter than such a place."""
    return min(b - a for q in two for a, b in q.parts) < MAY_BE_MM


def _island(more: Cut, edge: float, shortest_mm: float) -> bool:
    """Whether the half that takes ``more`` has less than a hand scrapes by itself between the edge where less begins and wood
    that is left out: with less wood off on either side of it, it would become the hinge."""
    whole = (more.low, more.high)
    runs = [q for q in _less_spans([whole], more.skip + more.apart) if edge in q and q != whole]
    return any(high - low < shortest_mm for low, high in runs)


def _mean(cut: Cut, patches: Patches) -> Floats:
    cover = cut.cover(patches)
    return np.asarray(cover / max(float(cover.sum()), 1e-9))


def over_of(cuts: list[Cut], patches: tuple[Patches, Patches], over: Floats) -> Floats:
    """(J,) ln of present over wished stiffness of every stretch; a stiff place's by the finding, beside its neighbours'."""
    sides = np.split(over, [patches[0].count])
    plain = np.array([float(_mean(c, patches[c.k]) @ sides[c.k]) for c in cuts])
    out = plain.copy()
    for j, c in enumerate(cuts):
        beside = [plain[i] for i, q in enumerate(cuts) if q.k == c.k and q.stiffer == 0]
        if c.stiffer:
            out[j] = (np.mean(beside) if beside else float(np.mean(sides[c.k]))) + c.stiffer
    return out


def weights_of(cuts: list[Cut], patches: tuple[Patches, Patches]) -> Floats:
    """(J, P): how much of every patch a stretch covers."""
    n = [p.count for p in patches]
    out = np.zeros((len(cuts), sum(n)))
    for j, c in enumerate(cuts):
        first = 0 if c.k == 0 else n[0]
        out[j, first : first + n[c.k]] = c.cover(patches[c.k])
    return out
