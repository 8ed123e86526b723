"""One careful step toward the wished bow, or why there is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import block_diag
from scipy.optimize import lsq_linear

from tillerlens.core.errors import Reason
from tillerlens.core.measurement import COVER, LIMBS, GapRow, Value
from tillerlens.core.units import MM_PER_INCH
from tillerlens.mechanics.current_bow import SEGMENTS, CurrentBow, Sharpened, readings, responses, sharpen
from tillerlens.mechanics.elastica import Floats
from tillerlens.mechanics.observed import SCALE_GAIN_U, own_u
from tillerlens.mechanics.scraping.cuts import Cut, cut_limbs, expected_after, leaves_of, over_of, weights_of
from tillerlens.mechanics.scraping.hand import Foretold, Hand, Scrape, learned, missed, per_stroke, together
from tillerlens.mechanics.scraping.model import NEVER, Care, Forecast, Leave, LimbNeed, Order, Plan, PullLimit, Stop, Stretch
from tillerlens.mechanics.scraping.target import ScrapeTarget, StretchExcess, amplification, excess, find_need, tiller_bounds
from tillerlens.mechanics.statics import Bow, ElasticLimb, Equilibrium, NoEquilibrium, drawn

NEAR_LN, WITHIN_MM = 0.05, 0.2  # how freely a step is reshaped to keep the tiller, and how closely that is then kept
ROUNDED = 1.05  # of what a step is allowed: told in round amounts it may come to so much more
HAND_TOGETHER_MM = 40.0
"""A hand that takes too much here does so an inch or two further on as well: strokes are a hand's breadth long (common practice,
no source). Over the limb this sums up as stretches of 4 in that err each by itself."""
CROSSED = NEVER - COVER
"""Standard uncertainties of a tiller's forecast within the wish that it has to lie: three of them then leave it two outside."""
PAST_MM = 9.5
"""A draw is held to a quarter of an inch at best, and a picture reads it to an eighth (common practice, no source): a bow drawn
no further than both past the target was not drawn past it."""
GAP_MODEL_U_MM = 0.05
"""What the statics of few patches leave over of a gap's difference: 0.02 mm on 25 simulated bows whose pictures had no errors."""


def plan_scraping(
    present: CurrentBow,
    wish: ScrapeTarget,
    care: Care | None = None,
    history: Sequence[Scrape] = (),
    last: Foretold | None = None,
) -> Plan:
    """The next step toward the wish. ``last``: what the last plan forecast for after its step, which was taken: a lesson of the
    hand. It says nothing of the weight, which is what the weighings tell. Raises WishError or NoEquilibrium where the wish is out
    of this bow's reach.
    """
    care = care or Care()
    best = sharpen(present)
    state, jac = responses(best.bow, present, wish.draw_back)
    now = _forecast(state, jac @ best.cov @ jac.T, present, wish)
    if present.weighed is not None and present.weighed.draw_back == wish.draw_back:
        now = replace(now, weight=present.weighed.weight)  # in the very figures that every other page says
    best, hand, along = _taught(best, last, now, wish, jac)
    leave = leaves_of(present, best.bow, state, care, last)
    over = excess(best.bow, state, present, wish)
    n = over.size
    cov = amplification(present, wish) ** 2 * best.cov[:n, :n]
    cuts = cut_limbs(present, leave, over, cov, care)
    u_need = _u_need(weights_of(cuts, present.patches), cov)
    work = _Work(best, present, wish, care, hand, along, state, jac, now, cuts)
    at_weight = _at_weight(now, wish, leave)
    holds = _holds(present, leave, care, wish, at_weight)
    need = work.need(over, u_need) if cuts else np.zeros(0)
    told, after, stop, order = _decided(work, at_weight, need, (over, u_need), leave)
    ln_ei, beyond_shape = work.ln_ei(told), any(r.code == "beyond_shape" for r in holds)
    leave = expected_after(leave, ln_ei, present, float(np.hypot(hand.u / hand.ratio, care.place_u)))
    stroke = per_stroke(history, present, responses(best.bow, present, present.seen.draw_back)[1]) if history else None
    shares = [-np.expm1(-x / present.limbs[c.k].power) for x, c in zip(need, cuts, strict=True)]
    stretches = _stretches(present, cuts, told, np.array(shares), u_need, stroke)
    limbs = [_limb_need(k, present, cuts, told, np.array(shares), u_need) for k in (0, 1)]
    return Plan(
        tuple(stretches),
        leave,
        stop,
        holds,
        now,
        after,
        wish,
        (limbs[0], limbs[1]),
        _limit_there(now, wish) if stop == "there" and not beyond_shape else _limit(best.bow, present, wish, state, beyond_shape),
        best.doubts + (() if present.finding is None else present.finding.doubts),
        ln_ei,
        order,
        hand,
        present.finding,
    )


def _decided(
    work: _Work, stop: Stop | None, need: Floats, over: tuple[Floats, Floats], leave: tuple[Leave, ...]
) -> tuple[Floats, Forecast, Stop | None, Order]:
    """(J,) what is told to come off each stretch, what is expected after it, why nothing comes off, and what the step is for.
    ``stop``: at the weight already; ``over``: what ``excess`` tells, and how surely."""
    cuts, after = work.cuts, work.now
    told, order = work.step(need) if stop is None and cuts else (np.zeros(len(cuts)), "weight")
    if stop == "at_weight" and cuts:
        told, after = work.trim(*over)
        if told.any():
            stop, order = None, "trim"
    elif stop is None and not told.any():
        stop = "only_hinges" if any(q.told for q in leave) else "nothing_told"
    if stop is None and order != "trim":
        told, after = work.within_tiller(told)
        stop = None if told.any() else "tiller"
    return told, work.after(told, closely=True) if told.any() else after, stop, order


def _taught(
    best: Sharpened, last: Foretold | None, now: Forecast, wish: ScrapeTarget, jac: Floats
) -> tuple[Sharpened, Hand, Floats]:
    """The bow, the hand, and how what is known of the two goes together (P,), after the step that ``last`` foretold."""
    hand, alone = Hand() if last is None else last.hand, np.zeros(len(best.cov))
    if last is None or abs(last.draw_back - wish.draw_back) >= 1.0:
        return best, hand, alone
    if missed(last, now.weight):
        return replace(best, doubts=(*best.doubts, _MISSED)), hand, alone
    return best, learned(last, now.weight), together(last, now.weight) * (best.cov @ jac[-1])


_MISSED = Reason(
    "forecast_missed",
    "The bow does not draw what the last plan said, so that forecast is left out.",
    "Check the scale, and that this is the wood taken off since.",
)


# --- the weight, and how far the bow may be drawn --------------------------------------------------------------


def _at_weight(now: Forecast, wish: ScrapeTarget, leave: Sequence[Leave]) -> Stop | None:
    """Why the weight asks for no more wood off; None where it does. The wish is a weight on the bowyer's own scale, so what that
    scale errs counts neither for nor against it."""
    reach = COVER * own_u(now.weight) * now.weight.value
    if now.weight.value < wish.weight - reach:
        return "below_wish"
    if now.weight.value - wish.aim > reach:
        return None
    off = any(out > COVER * row.difference.u for out, row in zip(now.outside_mm, now.gaps, strict=True))
    return "at_weight" if off or any(q.told for q in leave) else "there"


def _holds(present: CurrentBow, leave: Sequence[Leave], care: Care, wish: ScrapeTarget, stop: Stop | None) -> tuple[Reason, ...]:
    """Why this bow should not be drawn further for now. Once it is there, what shooting in will cost may still be on it."""
    seen, out = present.seen, []
    if seen.draw_back > wish.draw_back + PAST_MM:
        out.append(Reason("past_draw", "It was drawn past your target draw already.", "Never draw it past your target draw."))
    if seen.weight - COVER * seen.u_weight > (wish.aim if stop == "there" else wish.weight):
        text = "It was drawn past your target weight already."
        out.append(Reason("past_weight", text, "Draw it only until the scale shows your target weight."))
    off = float(np.max(np.abs(seen.upper - seen.lower)))
    if off - COVER * seen.u_gap > care.shape_gap_mm or any(q.told and q.softer > care.shape_hinge for q in leave):
        text = "It is drawn beyond correct shape: at this draw the limbs bend too unequally."
        out.append(Reason("beyond_shape", text, "Draw it less far than this until a new picture shows the shape right."))
    return tuple(out)


def _limit_there(now: Forecast, wish: ScrapeTarget) -> PullLimit:
    """A bow that is there is shot in at its wished draw, with the weight that this will cost still on it."""
    return PullLimit(max(wish.weight, now.weight.value), wish.draw_back)


def _limit(bow: Bow, present: CurrentBow, wish: ScrapeTarget, state: Equilibrium, out_of_shape: bool) -> PullLimit:
    """The draw at which the bow as it is now reaches the wished weight, never past the wished draw; an inch less than in the
    picture where the shape is not right (common practice, no source)."""
    if out_of_shape:
        limit, seen = _limit(bow, present, wish, state, False), present.seen
        return PullLimit(min(limit.weight, seen.weight), min(limit.draw_back, seen.draw_back - MM_PER_INCH))
    low, high = 0.4 * wish.draw_back, wish.draw_back
    if state.weight <= wish.weight:
        return PullLimit(wish.weight, wish.draw_back)
    for _ in range(14):
        middle = 0.5 * (low + high)
        try:
            state = drawn(bow, present.string_length, middle, present.how, segments=SEGMENTS, start=state)
            weight = state.weight
        except NoEquilibrium:  # below the brace height the string carries nothing
            weight = 0.0
        low, high = (middle, high) if weight < wish.weight else (low, middle)
        if high - low < 1.0:
            break
    return PullLimit(wish.weight, low)


# --- how much ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Work:
    """Everything that a step is weighed against."""

    best: Sharpened
    present: CurrentBow
    wish: ScrapeTarget
    care: Care
    hand: Hand
    along: Floats
    """(P,) covariance of what is known of the bow with the hand's ratio: one weighing told of both."""
    state: Equilibrium
    jac: Floats
    now: Forecast
    cuts: list[Cut]

    def power(self, cut: Cut) -> float:
        return self.present.limbs[cut.k].power

    def need(self, over: Floats, u_over: Floats) -> Floats:
        """(J,) ln EI that has to come off each stretch for the wished weight and tiller, with a bend as wished."""
        u_gap = np.array([r.difference.u for r in self.now.gaps])
        masks = [(c.k, c.mask(self.present.limbs[c.k].limb.s)) for c in self.cuts]
        patches = self.present.patches
        found = StretchExcess(masks, weights_of(self.cuts, patches), over_of(self.cuts, patches, over), u_over)
        return find_need(self.best.bow, self.present, self.wish, (self.state, self.jac), found, u_gap)

    def step(self, need: Floats) -> tuple[Floats, Order]:
        """(J,) share of the thickness told to come off in this step, in round amounts: first what makes the limbs even, then the
        weight, at most the step's share of all the weight that has to come off."""
        care = self.care
        weights = weights_of(self.cuts, self.present.patches)
        cost = weights @ self.jac[-1, : weights.shape[1]]  # of ln weight, per ln EI
        uneven = care.even_share * (need - need.min())
        allowed = min(float(cost @ need), self._allowed())
        spent = float(cost @ uneven)
        if allowed <= 0:
            return np.zeros(need.size), "weight"
        if spent >= allowed:
            take, order = uneven * allowed / spent, "even"
        else:
            rest = need - uneven
            take = uneven + rest * (allowed - spent) / float(cost @ rest)
            order = "both" if spent > 0.25 * allowed else "weight"
        share = np.array([-np.expm1(-t / self.power(c)) for t, c in zip(take, self.cuts, strict=True)])
        plain = max((t for t, c in zip(share, self.cuts, strict=True) if not c.stiffer), default=0.0)
        # all of them less, so that what is even stays even
        share = np.minimum(share * min(1.0, care.most_share / max(plain, 1e-9)), care.most_share) / self.hand.ratio
        told = np.zeros(need.size)
        for part in np.linspace(1.0, 0.7, 11):  # until the round amounts come to no more than what is allowed
            told = _round(_alike(part * share, self.cuts, care.alike))
            told = np.where(told < care.least_share, 0.0, told)
            if float(cost @ self._off(told)) <= ROUNDED * allowed:
                break
        return told, order  # type: ignore[return-value]

    def _off(self, told: Floats) -> Floats:
        """(J,) ln EI that is expected to come off the stretches of what the hand is told."""
        power = np.array([self.power(c) for c in self.cuts])
        return np.asarray(-power * np.log1p(-told * self.hand.ratio))

    def trim(self, over: Floats, u_over: Floats) -> tuple[Floats, Forecast]:
        """At the wished weight with the tiller out: what evens the limbs at the cost of a little of the weight that is kept, and
        its forecast. Nothing where that would not bring the tiller clearly nearer."""
        worst = max(self.now.outside_mm)
        # what is not known of the weight may be missing already; then it ends above the aim
        most = self.care.below * self.wish.aim - NEVER * own_u(self.now.weight) * self.now.weight.value
        spare = min(self.care.trim * self.wish.aim, self.wish.keep, most)
        lower = replace(self, wish=replace(self.wish, keep=self.wish.keep - spare))
        if self.wish.keep <= 0 or self.now.weight.value <= lower.wish.aim:
            return np.zeros(len(self.cuts)), self.now
        need = lower.need(over, u_over)
        uneven = need - need.min()
        share = np.array([-np.expm1(-t / self.power(c)) for t, c in zip(uneven, self.cuts, strict=True)])
        for part in (1.0, 0.75, 0.5):
            told = _round(np.minimum(part * share, self.care.most_share) / self.hand.ratio)
            told = np.where(told < self.care.least_share, 0.0, told)
            after = self.after(told)
            good = told.any() and after.weight.value >= lower.wish.aim and max(after.outside_mm) < worst - self.care.worse_mm
            if good and not self._worse(after):
                return told, after
        return np.zeros(len(self.cuts)), self.now

    def _allowed(self) -> float:
        """Of ln weight in this step: at most the step's share of what stands above the wish, and no more than leaves the weight
        above the aim for all that is doubtful, nor ever far below it."""
        now, wish, care = self.now.weight, self.wish, self.care
        most = care.share * float(np.log(now.value / wish.weight))
        above = float(np.log(now.value / wish.aim))
        u_hand = float(np.hypot(self.hand.u / self.hand.ratio, care.place_u / 2))  # places average
        tried = most * np.linspace(1, 0, 51)
        u = np.hypot(own_u(now), u_hand * tried)
        fits = (tried + COVER * u <= above + care.under) & (tried + NEVER * u <= above + care.below)
        return float(tried[np.argmax(fits)]) if fits.any() else 0.0

    def ln_ei(self, told: Floats) -> tuple[Floats, Floats]:
        """Change of ln EI by place that the hand is expected to make of what it is told."""
        out = [np.zeros(p.limb.s.size) for p in self.present.limbs]
        for c, share in zip(self.cuts, told, strict=True):
            p = self.present.limbs[c.k]
            out[c.k] = np.where(c.mask(p.limb.s) > 0, p.power * np.log1p(-min(share * self.hand.ratio, 0.5)), out[c.k])
        return out[0], out[1]

    def after(self, told: Floats, closely: bool = False) -> Forecast:
        """What comes of it, with the doubt of what was measured and of the hand: alike everywhere, and by place.

        closely: doubts by the responses of the bow as it will be. Gaps and weight tie its stiffnesses together as they are now;
        where a step shifts the bend, some of that tie is lost. It takes as long as all the rest.
        """
        ln_ei = self.ln_ei(told)
        bow, jac = self.best.bow, self.jac
        limbs = [ElasticLimb(q.s, q.ei * np.exp(e), q.kappa0) for q, e in zip((bow.upper, bow.lower), ln_ei, strict=True)]
        bow = Bow(limbs[0], limbs[1], bow.handle)
        if closely:
            state, jac = responses(bow, self.present, self.wish.draw_back)
        else:
            state = drawn(bow, self.present.string_length, self.wish.draw_back, self.present.how, segments=SEGMENTS)
        change = np.zeros(len(self.best.cov))
        by_patch = np.concatenate([c.mean @ e for c, e in zip(self.present.patches, ln_ei, strict=True)])
        change[: by_patch.size] = by_patch
        n, per_ratio = by_patch.size, change / self.hand.ratio
        cov = self.best.cov + self.hand.u**2 * np.outer(per_ratio, per_ratio)
        cov[:n, :n] += self.care.place_u**2 * self._hand_together() * np.outer(by_patch, by_patch)
        cov += np.outer(self.along, per_ratio) + np.outer(per_ratio, self.along)
        return _forecast(state, jac @ cov @ jac.T, self.present, self.wish)

    def _hand_together(self) -> Floats:
        """(P, P) how far two patches err alike by the hand, beside what all do."""
        middles = [(c.edges[:-1] + c.edges[1:]) / 2 for c in self.present.patches]
        return block_diag(*(np.exp(-0.5 * ((m[:, None] - m) / HAND_TOGETHER_MM) ** 2) for m in middles))

    def within_tiller(self, told: Floats) -> tuple[Floats, Forecast]:
        """The step and its forecast. Where it would leave the wished tiller or worsen it, the nearest step that does not; less
        off one limb or both where that is not found; nothing where no part of it would do."""
        after = self.after(told)
        if not self._worse(after):
            return told, after
        near, forecast = told, after
        for _ in range(3):
            near = self._nearest(near, forecast)
            if not near.any():
                break
            forecast = self.after(near)
            if not self._worse(forecast):
                return near, forecast
        limb = np.array([c.k for c in self.cuts])
        for part in (0.75, 0.5, 0.25, 0.0):
            fits = []
            for of in (limb == 0, limb == 1, limb >= 0):
                less = _round(np.where(of, part * told, told))
                less = np.where(less < self.care.least_share, 0.0, less)
                after = self.after(less)
                if less.any() and not self._worse(after):
                    fits.append((less, after))
            if fits:
                return min(fits, key=lambda tf: tf[1].weight.value)
        return np.zeros(told.size), self.now

    def _nearest(self, told: Floats, after: Forecast) -> Floats:
        """The step nearest to this one whose gaps stay within the wish, or no further from it than now, as if linear from
        here."""
        weights = weights_of(self.cuts, self.present.patches)
        k = self.present.seen.stations.size
        part = (self.jac[:k] - self.jac[k : 2 * k])[:, : weights.shape[1]] @ weights.T
        power = np.array([self.power(c) for c in self.cuts])
        most = min(self.care.most_share, float(told.max()) * self.hand.ratio)
        start = self._off(told)
        here, then = (np.array([r.difference.value for r in f.gaps]) for f in (self.now, after))
        low, high = tiller_bounds(self.state, self.present.seen.stations, self.wish)
        kept = np.minimum(CROSSED * np.array([r.difference.u for r in after.gaps]), (high - low) / 2)  # as ``_worse`` asks
        low, high = np.minimum(low + kept, here), np.maximum(high - kept, here)
        take = start
        for _ in range(4):  # only what is outside pulls
            d = then - part @ (take - start)
            out = (d < low) | (d > high)
            a = np.vstack([np.eye(take.size) / NEAR_LN, part[out] / WITHIN_MM])
            b = np.concatenate([start / NEAR_LN, (then - np.clip(d, low, high) + part @ start)[out] / WITHIN_MM])
            take = lsq_linear(a, b, (0.0, -power * np.log1p(-most))).x
        less = _round(-np.expm1(-take / power) / self.hand.ratio)
        return np.where(less < self.care.least_share, 0.0, less)

    def _worse(self, after: Forecast) -> bool:
        """Whether any station's forecast lies further outside of the wished tiller than now, by more than counts; on the side
        it lies on: a step that carries it from below the wish to above it does not mend it. So that the tiller ends no further
        outside than the forecast's interval tells though ``NEVER`` of its doubts come true, it has to lie within by the rest, or
        in the middle of a narrow wish."""
        low, high = tiller_bounds(self.state, self.present.seen.stations, self.wish)
        for a, b, least, most in zip(self.now.gaps, after.gaps, low, high, strict=True):
            for sign, end in ((1, most), (-1, -least)):
                kept = [min(CROSSED * d.u, (most - least) / 2) for d in (a.difference, b.difference)]
                here, then = (sign * d.value + k - end for d, k in zip((a.difference, b.difference), kept, strict=True))
                if then > max(0.0, here) + self.care.worse_mm:
                    return True
        return False


def _alike(told: Floats, cuts: list[Cut], within: float) -> Floats:
    """Neighbours on one limb whose amounts hardly differ get one, so that no one has to scrape by tenths of a percent."""
    out, start = told.copy(), 0
    for j in range(1, told.size + 1):
        group = told[start : j + 1]
        one_limb = j < told.size and cuts[j].k == cuts[start].k and not any(c.stiffer for c in cuts[start : j + 1])
        if one_limb and group.min() > 0 and group.max() - group.min() <= within * group.max():
            continue
        lengths = np.array([c.length for c in cuts[start:j]])
        out[start:j] = float(lengths @ told[start:j]) / float(lengths.sum())
        start = j
    return out


def _round(share: Floats) -> Floats:
    """Amounts as they can be told: quarters of a percent of the thickness, halves from 2 % on."""
    step = np.where(share < 0.02, 0.0025, 0.005)
    return np.asarray(np.floor(share / step + 0.5) * step)


# --- what comes of it --------------------------------------------------------------------------------------------


def _forecast(state: Equilibrium, cov: Floats, present: CurrentBow, wish: ScrapeTarget) -> Forecast:
    seen, k = present.seen, present.seen.stations.size
    values = readings(state, seen.stations)
    weight = float(np.exp(values[-1]))
    u = np.sqrt(np.diag(cov))
    low, high = tiller_bounds(state, seen.stations, wish)
    rows, outside = [], []
    for i, d in enumerate(seen.stations):
        u_diff = np.hypot(np.sqrt(max(0.0, cov[i, i] + cov[k + i, k + i] - 2 * cov[i, k + i])), GAP_MODEL_U_MM)
        up, below = (
            float(v - np.broadcast_to(h, k)[i]) for v, h in ((values[i], seen.half_upper), (values[k + i], seen.half_lower))
        )
        rows.append(
            GapRow(
                float(d),
                Value(up, float(u[i]), "mm"),
                Value(below, float(u[k + i]), "mm"),
                Value(up - below, float(u_diff), "mm"),
            )
        )
        apart = float(values[i] - values[k + i])
        outside.append(max(0.0, float(low[i]) - apart, apart - float(high[i])))
    told = Value(weight, weight * float(np.hypot(u[-1], SCALE_GAIN_U)), "N")
    return Forecast(wish.draw_back, told, tuple(rows), tuple(outside))


def _u_need(weights: Floats, cov: Floats) -> Floats:
    mean = weights / np.maximum(weights.sum(1, keepdims=True), 1e-9)
    return np.sqrt(np.einsum("jp,pq,jq->j", mean, cov, mean))


def _limb_need(k: int, present: CurrentBow, cuts: list[Cut], told: Floats, need: Floats, u: Floats) -> LimbNeed:
    p = present.limbs[k]
    s = p.limb.s
    out = {n: np.zeros(s.size) for n in ("need", "u", "take")}
    out["u"][:] = np.nan
    for c, t, x, doubt in zip(cuts, told, need, u, strict=True):
        if c.k == k:
            inside = c.mask(s) > 0
            out["need"][inside], out["u"][inside], out["take"][inside] = x, doubt / p.power, t
    order = np.flatnonzero(s <= present.patches[k].edges[-1])[::-1]  # nock first
    thick, u_thick = (None if v is None else v[order] for v in (p.thickness, p.u_thickness))
    return LimbNeed(
        p.limb.length - s[order], out["need"][order], out["u"][order], out["take"][order], thick, u_thick,
        p.thickness_from if p.thickness is not None else "",
    )  # fmt: skip


def _stretches(
    present: CurrentBow, cuts: list[Cut], told: Floats, need: Floats, u: Floats, stroke: Value | None
) -> list[Stretch]:
    """Neighbouring stretches of one amount as one, upper limb first, nock first."""
    out: list[Stretch] = []
    for j in sorted(range(len(cuts)), key=lambda j: (cuts[j].k, -cuts[j].low)):
        c, share = cuts[j], float(told[j])
        if share <= 0:
            continue
        p = present.limbs[c.k]
        inside = c.mask(p.limb.s) > 0
        mm = None if p.thickness is None or not inside.any() else share * float(p.thickness[inside].mean())
        strokes = None
        if stroke is not None and stroke.value > COVER * stroke.u:
            count = share / stroke.value
            strokes = Value(count, count * stroke.u / stroke.value, "strokes")
        for low, high in c.parts:
            ends = (p.limb.length - high, p.limb.length - low)
            out.append(
                Stretch(LIMBS[c.k], ends, share, Value(float(need[j]), float(u[j]) / p.power, ""), mm, strokes, c.stiffer > 0)
            )
    out.sort(key=lambda q: (LIMBS.index(q.limb), q.from_nock_mm))
    return _as_one(out)


def _as_one(stretches: list[Stretch]) -> list[Stretch]:
    out: list[Stretch] = []
    for one in stretches:
        before = out[-1] if out else one
        touch = before is not one and abs(before.from_nock_mm[1] - one.from_nock_mm[0]) < 1.0
        if touch and (before.limb, before.share, before.stiff) == (one.limb, one.share, one.stiff):
            one = replace(one, from_nock_mm=(before.from_nock_mm[0], one.from_nock_mm[1]))
            out.pop()
        out.append(one)
    return out
