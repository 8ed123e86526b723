"""The wished bow: how the bend shall lie along the limbs, which weight at which draw, which tiller.

The statics give the load along the limbs; a limb bends as wished where its stiffness falls in step with that load over the
wished movement of curvature. Wood only comes off, so each limb keeps what is already softer, and its level and slope are set
so that weight and tiller come out as wished all the same; where both cannot, weight goes first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import lsq_linear

from tillerlens.core.errors import TillerLensError
from tillerlens.core.units import MM_PER_INCH, NEWTON_PER_POUND
from tillerlens.mechanics.current_bow import SEGMENTS, CurrentBow, gaps_of
from tillerlens.mechanics.elastica import Floats
from tillerlens.mechanics.statics import Bow, ElasticLimb, Equilibrium, drawn

Bend = Literal["even_strain", "arc", "more_outer", "more_inner", "like_upper", "like_lower"]
BENDS: tuple[Bend, ...] = ("even_strain", "arc", "more_outer", "more_inner", "like_upper", "like_lower")
LEAN_OF_BEND = 0.25  # more outer or inner limb: a quarter more at one end and less at the other (common practice, no source)
WEIGHT_FIT, GAP_FIT_MM = 0.0003, 0.8  # how closely the wished weight (relative) and gaps are met: weight goes first
MIDDLE_FIT_MM = 1.0  # how hard a tiller within the wish is drawn to the middle of it
INSET = 0.2  # a tiller outside of the wish is brought this share of the wished interval inside
SHAPE_FREE = 0.05  # how freely, for that, a stretch strays from the wished bend
MOST_LN = 1.0  # a good quarter of the thickness: more than that is not asked of one place
KEEP_N = 2.5 * NEWTON_PER_POUND
"""Kept for shooting in and finishing, which cost two to three pounds (common practice, no source)."""


class TargetError(TillerLensError):
    """A wish that this bow or these readings cannot serve."""

    code = "wish"


@dataclass(frozen=True)
class ScrapeTarget:
    """The bow that is wished.

    weight: N at ``draw_back``, mm, of the finished bow. tiller: lowest and highest upper minus lower gap, mm, at every station,
    less near the nocks. keep: N above that at which scraping stops, for shooting in and finishing.
    """

    weight: float
    draw_back: float
    bend: Bend = "arc"
    tiller: tuple[float, float] = (0.0, MM_PER_INCH / 4)
    keep: float = KEEP_N

    def __post_init__(self) -> None:
        low, high = self.tiller
        if not low <= high:
            raise TargetError("The target tiller's low end is above its high end.", "Give the lower number first.")
        if not (self.weight > 0 and self.draw_back > 0 and self.keep >= 0):
            raise TargetError("A target weight and draw must be more than zero.", "Give them like 45lb and 28in.")

    @property
    def aim(self) -> float:
        """The weight, N, at which scraping stops."""
        return self.weight + self.keep


def wished_gap_difference(state: Equilibrium, stations: Floats, tiller: float) -> Floats:
    """Upper minus lower gap wished at each station (mm): the tiller inside, falling evenly to nothing at the nock, and, where
    the limbs are of unlike length, what a lower limb that is the upper one enlarged or shrunk would show.
    """
    length, other = float(state.upper.s[-1]), float(state.lower.s[-1])
    ratio = other / length
    like = gaps_of(state, stations)[0] - ratio * gaps_of(state, stations / ratio)[0]
    return np.asarray(tiller * np.clip(1 - stations / length, 0, 1) + like)


def amplification(present: CurrentBow, wish: ScrapeTarget) -> float:
    """How much a relative error of the stiffness grows in the need: even strain also moves with the thickness."""
    return present.upper.power / (present.upper.power - 1) if wish.bend == "even_strain" else 1.0


def excess(bow: Bow, state: Equilibrium, present: CurrentBow, wish: ScrapeTarget) -> Floats:
    """(P,) ln of the present stiffness over one that would bend as wished, up to a constant for each limb.

    Raises WishError where even strain is wished without sections.
    """
    if wish.bend == "even_strain" and any(p.to_belly is None for p in present.limbs):
        raise TargetError(
            "Even surface strain needs the limbs' sections.",
            "Measure width and thickness along both limbs, or choose an arc as the target.",
        )
    return np.concatenate(_excess(bow, state, present, wish))


def tiller_bounds(state: Equilibrium, stations: Floats, wish: ScrapeTarget) -> tuple[Floats, Floats]:
    """Lowest and highest gap difference wished at each station, mm."""
    low, high = wish.tiller
    return wished_gap_difference(state, stations, low), wished_gap_difference(state, stations, high)


@dataclass(frozen=True, eq=False)
class StretchExcess:
    """Stretches and how much too stiff each is. ``masks``: each one's limb and where on it the stretch is 1 (n,); ``weights``
    (J, P): how much of every patch it covers; ``over``, ``u_over`` (J,): what ``excess`` tells of them, and how surely."""

    masks: Sequence[tuple[int, Floats]]
    weights: Floats
    over: Floats
    u_over: Floats


def find_need(
    bow: Bow,
    present: CurrentBow,
    wish: ScrapeTarget,
    seen: tuple[Equilibrium, Floats],
    found: StretchExcess,
    u_gap: Floats,
) -> Floats:
    """(J,) the least change of ln EI by stretch, never below 0, that brings weight and tiller to the wish with a bend as wished.

    seen: the present bow at the wished draw, and its Jacobian by patch. u_gap (k,): standard uncertainty of the gap differences;
    the less they are known, the less they ask.
    """
    state, jac = seen
    stations, k, n = present.seen.stations, present.seen.stations.size, found.over.size
    part = jac[:, : found.weights.shape[1]] @ found.weights.T
    jac_w, jac_g = part[-1], part[:k] - part[k : 2 * k]
    limb = np.array([q[0] for q in found.masks])
    # unknowns: need by stretch, then the level of each limb
    shape = np.zeros((n, n + 2))
    shape[:, :n] = np.eye(n)
    shape[np.arange(n), n + limb] = 1
    free = np.hypot(SHAPE_FREE, found.u_over)
    shape /= free[:, None]
    pad = np.zeros((k, 2))
    fit = np.hypot(GAP_FIT_MM, u_gap)
    low, high = np.zeros(n + 2), np.full(n + 2, np.inf)
    low[n:], high[:n] = -np.inf, MOST_LN
    need, got = np.zeros(n), state
    for _ in range(6):
        up, lo = gaps_of(got, stations)
        least, most = tiller_bounds(got, stations, wish)
        inset, middle = INSET * (most - least), (least + most) / 2
        off_w = np.log(got.weight / wish.aim) + jac_w @ need  # as if linear from here
        off = up - lo - np.clip(up - lo, least + inset, most - inset)
        a = np.vstack([
            np.append(jac_w, [0, 0]) / WEIGHT_FIT, np.hstack([jac_g, pad]) / fit[:, None],
            np.hstack([jac_g, pad]) / MIDDLE_FIT_MM, shape,
        ])  # fmt: skip
        b = np.concatenate([
            [off_w / WEIGHT_FIT], (off + jac_g @ need) / fit, (up - lo - middle + jac_g @ need) / MIDDLE_FIT_MM,
            found.over / free,
        ])  # fmt: skip
        fresh = np.clip(lsq_linear(a, b, (low, high)).x[:n], 0, None)
        moved = float(np.abs(fresh - need).max())
        need = fresh
        less = _less(bow, found.masks, need)
        got = drawn(less, present.string_length, wish.draw_back, present.how, segments=SEGMENTS, start=state)
        if moved < 0.002:
            break
    return need


def _less(bow: Bow, stretches: Sequence[tuple[int, Floats]], need: Floats) -> Bow:
    """The bow with ln EI lowered by ``need`` on every stretch."""
    log = [np.zeros(q.s.size) for q in (bow.upper, bow.lower)]
    for (k, mask), x in zip(stretches, need, strict=True):
        log[k] = np.where(mask > 0, -x, log[k])
    limbs = [ElasticLimb(q.s, q.ei * np.exp(e), q.kappa0) for q, e in zip((bow.upper, bow.lower), log, strict=True)]
    return Bow(limbs[0], limbs[1], bow.handle)


def _excess(bow: Bow, state: Equilibrium, present: CurrentBow, wish: ScrapeTarget) -> list[Floats]:
    """ln of the present stiffness over one that would bend as wished, up to a constant, averaged by patch; each limb."""
    over = []
    for p, limb, shape in zip(present.limbs, (bow.upper, bow.lower), (state.upper, state.lower), strict=True):
        moment = np.interp(limb.s + shape.s[-1] - limb.s[-1], shape.s, shape.moment)
        move = np.log(np.maximum(moment, 1e-6 * moment.max()) / limb.ei)
        if wish.bend == "even_strain":
            assert p.to_belly is not None
            over.append(-(move + np.log(p.to_belly)) * p.power / (p.power - 1))
        else:
            lean = {"more_outer": LEAN_OF_BEND, "more_inner": -LEAN_OF_BEND}.get(wish.bend, 0.0)
            over.append(np.log1p(lean * (2 * limb.s / limb.s[-1] - 1)) - move)
    if wish.bend in ("like_upper", "like_lower"):
        k = 0 if wish.bend == "like_upper" else 1
        model, limbs = over[k], (bow.upper, bow.lower)
        share = [q.s / q.s[-1] for q in limbs]
        over[1 - k] = over[1 - k] - np.interp(share[1 - k], share[k], model)
        over[k] = np.zeros_like(model)
    means = [c.mean @ v for c, v in zip(present.patches, over, strict=True)]
    level = float(np.mean(np.concatenate(means)))  # so that knobs of ln(weight ratio) are a fair start
    return [m - level for m in means]
