"""The wished bow: how the bend shall lie along the limbs, which weight at which draw, which tiller.

The statics give the load along the limbs; a limb bends as wished where its stiffness falls in step with that load over the
wished movement of curvature. Wood only comes off, so each limb keeps what is already softer, and its level and slope are set
so that weight and tiller come out as wished all the same; where both cannot, weight goes first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import lsq_linear

from tillerlens.errors import TillerLensError
from tillerlens.mechanics.elastica import Floats
from tillerlens.mechanics.present import SEGMENTS, Present, gaps_of, thinned
from tillerlens.mechanics.statics import Bow, Equilibrium, drawn

Bend = Literal["even_strain", "arc", "more_outer", "more_inner", "like_upper", "like_lower"]
BENDS: tuple[Bend, ...] = ("even_strain", "arc", "more_outer", "more_inner", "like_upper", "like_lower")
LEAN_OF_BEND = 0.25  # more outer or inner limb: a quarter more at one end and less at the other (common practice, no source)
WEIGHT_FIT, GAP_FIT_MM = 0.0003, 0.8  # how closely the wished weight (relative) and gaps are met: weight goes first
SHAPE_FREE, SLOPE_FREE = 0.05, 0.15  # how freely, for that, a patch strays from the wished bend, and a limb as a whole leans
MOST_LN = 0.5  # two fifths of the stiffness: more than that is not asked of one place


class WishError(TillerLensError):
    """A wish that this bow or these readings cannot serve."""

    code = "wish"


@dataclass(frozen=True)
class ScrapeWish:
    """``weight`` N at ``draw_back`` mm; ``tiller`` mm, upper minus lower gap at every station, less near the nocks."""

    weight: float
    draw_back: float
    bend: Bend = "arc"
    tiller: float = 0.0


@dataclass(frozen=True, eq=False)
class Target:
    """By patch (P,), upper then lower: ``need``, ln of present over wished stiffness, never below 0, and ``over``, the same as
    the stiffness alone tells it, below 0 where the limb is softer than wished. ``amplify``: how a doubt of the stiffness grows
    in it. ``state``: the wished bow drawn.
    """

    need: Floats
    over: Floats
    amplify: float
    state: Equilibrium


def wished_gap_difference(state: Equilibrium, stations: Floats, tiller: float) -> Floats:
    """Upper minus lower gap wished at each station (mm): the tiller inside, falling evenly to nothing at the nock, and, where
    the limbs are of unlike length, what a lower limb that is the upper one enlarged or shrunk would show.
    """
    length, other = float(state.upper.s[-1]), float(state.lower.s[-1])
    ratio = other / length
    like = gaps_of(state, stations)[0] - ratio * gaps_of(state, stations / ratio)[0]
    return np.asarray(tiller * np.clip(1 - stations / length, 0, 1) + like)


def amplification(present: Present, wish: ScrapeWish) -> float:
    """How much a relative error of the stiffness grows in the need: even strain also moves with the thickness."""
    return present.upper.power / (present.upper.power - 1) if wish.bend == "even_strain" else 1.0


def excess(bow: Bow, state: Equilibrium, present: Present, wish: ScrapeWish) -> Floats:
    """(P,) ln of the present stiffness over one that would bend as wished, up to a constant for each limb.

    Raises WishError where even strain is wished without sections.
    """
    if wish.bend == "even_strain" and any(p.to_belly is None for p in present.limbs):
        raise WishError(
            "Even surface strain needs the limbs' sections.", "Measure width and thickness along both limbs, or wish for an arc."
        )
    return np.concatenate(_excess(bow, state, present, wish))


def find_target(
    bow: Bow,
    present: Present,
    wish: ScrapeWish,
    state: Equilibrium,
    jac: Floats,
    over: Floats,
    free: np.ndarray,
    where: tuple[Floats, Floats],
    u_gap: Floats,
) -> Target:
    """The least change of stiffness by patch that brings weight and tiller to the wish with a bend as wished.

    ``state``, ``jac``: of the present bow at the wished draw. ``over`` (P,): what ``excess`` tells. ``free`` (P,): patches where
    wood may come off, there only ``where`` (n,) is 1. ``u_gap``: doubt of the gap differences; one within it asks for nothing.
    """
    cuts, stations = present.patches, present.seen.stations
    n, k = over.size, stations.size
    part = jac[:, :n] * np.concatenate([c.mean @ w for c, w in zip(cuts, where, strict=True)])
    jac_w, jac_g = part[-1], part[:k] - part[k : 2 * k]
    limb = np.repeat([0, 1], [c.count for c in cuts])
    z = np.concatenate([2 * (np.arange(c.count) + 0.5) / c.count - 1 for c in cuts])
    # unknowns: need by patch, then level and slope of each limb
    shape = np.zeros((n, n + 4))
    shape[:, :n] = np.eye(n)
    shape[np.arange(n), n + limb], shape[np.arange(n), n + 2 + limb] = 1, z
    shape = shape[free] / SHAPE_FREE
    slope = np.hstack([np.zeros((2, n + 2)), np.eye(2)]) / SLOPE_FREE
    low, high = np.zeros(n + 4), np.full(n + 4, np.inf)
    low[n:], high[:n] = -np.inf, np.where(free, MOST_LN, 1e-9)
    need, got = np.zeros(n), state
    for _ in range(5):
        up, lo = gaps_of(got, stations)
        off_w = np.log(got.weight / wish.weight) + jac_w @ need  # as if linear from here
        off = up - lo - wished_gap_difference(got, stations, wish.tiller)
        off_g = np.where(np.abs(off) > u_gap, off, 0.0) + jac_g @ need
        a = np.vstack([
            np.append(jac_w, np.zeros(4)) / WEIGHT_FIT, np.hstack([jac_g, np.zeros((k, 4))]) / GAP_FIT_MM, shape, slope,
        ])  # fmt: skip
        b = np.concatenate([[off_w / WEIGHT_FIT], off_g / GAP_FIT_MM, over[free] / SHAPE_FREE, np.zeros(2)])
        fresh = np.clip(lsq_linear(a, b, (low, high)).x[:n], 0, None)
        moved = float(np.abs(fresh - need).max())
        need = fresh
        got = drawn(
            thinned(bow, cuts, -need, where=where),
            present.string_length,
            wish.draw_back,
            present.how,
            segments=SEGMENTS,
            start=state,
        )
        if moved < 0.002:
            break
    return Target(need, over, amplification(present, wish), got)


def _excess(bow: Bow, state: Equilibrium, present: Present, wish: ScrapeWish) -> list[Floats]:
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
