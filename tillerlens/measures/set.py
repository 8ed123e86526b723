"""What a bow has lost: set at the tips and along the limbs, what springs back, and what an early draw says of the wood.

Set is the earlier shape at rest minus the present one, + where the tip now stands further toward the belly. Both shapes
lie on the handle (x along its tangent), so a bow hung crooked or a camera moved does not matter. Along a limb the set is
the change of natural curvature k: a place that turned by dk ds lowers the tip by dk ds times its distance from the tip
along x (small turns; any text on beams, the second moment-area theorem).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

import numpy as np

from tillerlens.core.errors import TillerLensError
from tillerlens.core.measurement import COVER, LIMBS, LimbName, Measurement, Value
from tillerlens.core.stretches import stretches_of
from tillerlens.core.units import MM_PER_INCH
from tillerlens.measures.from_rest import THIRDS
from tillerlens.measures.pair import Array, BendChange, Picture, added, bend_change, change, check_one_bow, read_picture, smoother

Rest = Literal["just unstrung", "resting", "rested", "time not noted"]

JUST_MIN, RESTED_MIN = 15.0, 12 * 60.0  # minutes since unstringing (common practice, no source)
# The shortest wave of set that is resolved: half of one is four inches, the block that bowyers slide along a limb (practice).
SET_WAVE_MM = 200.0
FORM_READ_MM = MM_PER_INCH / 16  # a form is as exact as it is built by rule, either way
_INSIDE = (0.025, 0.975)  # 95 in 100
# How fast wood springs back is not known beforehand: anything from ten minutes to ten days, every factor alike.
TAU_MIN = np.geomspace(10.0, 10 * 24 * 60.0, 320)
PRIOR_MM = 100.0  # standard uncertainty of final reflex and of what springs back, before any reading
LIKE_DRAW_MM = 6.0  # weighings within this count as at one draw: a quarter of an inch


class SetError(TillerLensError):
    """Set cannot be told from these pictures."""

    code = "set"


@dataclass(frozen=True, eq=False)
class LimbSet:
    """Set of one limb. at_tip and thirds in mm at the tip, + toward the belly; shares in % of at_tip, empty where that is not
    significant. along: change of natural bend, smoothed to waves of SET_WAVE_MM, with its uncertainty. stretches: (start,
    end) mm from the nock where that change is more than its interval."""

    limb: LimbName
    at_tip: Value
    along: BendChange
    smooth_per_m: Array
    u_smooth_per_m: Array
    thirds: dict[str, Value]
    shares: dict[str, Value]
    stretches: tuple[tuple[float, float], ...]


@dataclass(frozen=True, eq=False)
class SetFound:
    """Set between two pictures of the bow unstrung. overall: of the handle from the line through the tips; difference: upper
    minus lower."""

    overall: Value
    difference: Value
    limbs: dict[LimbName, LimbSet]
    then: Rest
    now: Rest


@dataclass(frozen=True)
class RestReading:
    """The reflex (mm) read so many minutes after unstringing."""

    minutes: float
    reflex: Value


@dataclass(frozen=True, eq=False)
class Recovery:
    """reflex(t) = final - springs_back * exp(-t / tau) over readings after one unstringing; curve with its uncertainty.

    Where the readings do not tell tau, its span of ten minutes to ten days is in final's uncertainty.
    """

    final: Value
    springs_back: Value
    tau_minutes: tuple[float, float]  # 95 in 100
    minutes: Array
    reflex_mm: Array
    u_reflex_mm: Array


@dataclass(frozen=True)
class WeighedDraw:
    """A weight (N) at a draw length to the back (mm), by a weighing or a drawn picture's scale reading."""

    when: datetime
    draw_mm: float
    weight_n: float
    u_n: float


@dataclass(frozen=True)
class EarlyDraw:
    """Weights at one early draw after each deeper pull. loss: first minus last since the last scraping, N."""

    draw_mm: float
    deepest_mm: float
    loss: Value
    crushing: bool


def rest_kind(minutes: float | None) -> Rest:
    """Which kind of reading at rest: what counts is the one just after unstringing; a rested one stands beside it."""
    if minutes is None:
        return "time not noted"
    return "just unstrung" if minutes <= JUST_MIN else "rested" if minutes >= RESTED_MIN else "resting"


def set_between(then: Measurement, now: Measurement) -> SetFound:
    """Set between two measurements of one bow unstrung. Raises DocumentError or SetError with what to do."""
    a, b = read_picture(then), read_picture(now)
    for p in (a, b):
        if p.state != "unstrung":
            raise SetError("Set is read from pictures of the bow unstrung.", "Give two pictures of it unstrung.")
    check_one_bow(a, b)
    names = ("reflex", *(f"reflex_{limb}" for limb in LIMBS), "reflex_difference")
    missing = [n for n in names if n not in a.values or n not in b.values]
    if missing:
        raise SetError("The reflex was not measured in both pictures.", "Measure them again with this version.")
    lost = {n: change(b.values[n], a.values[n]) for n in names}
    return SetFound(
        lost["reflex"],
        lost["reflex_difference"],
        {limb: _limb_set(a, b, limb, lost[f"reflex_{limb}"]) for limb in LIMBS},
        rest_kind(a.shot.minutes_since_unstrung),
        rest_kind(b.shot.minutes_since_unstrung),
    )


def _limb_set(then: Picture, now: Picture, limb: LimbName, at_tip: Value) -> LimbSet:
    along = bend_change(then, now, limb)
    x, u = along.from_nock_mm, along.u_per_m
    known = np.isfinite(u) & np.isfinite(along.per_m)
    trust = np.where(known, np.minimum(1.0, np.nanmedian(u) / np.where(known, u, np.inf)) ** 2, 0.0)
    weights = smoother(x, trust, SET_WAVE_MM)
    smooth = weights @ np.where(known, along.per_m, 0.0)
    # how neighbours' errors move together is not in the document: they are counted as one
    spread = np.where(known, np.abs(weights) @ np.where(known, u, 0.0), np.nan)
    thirds = _thirds(then, now, limb, along, at_tip)
    significant = bool(thirds) and math.isfinite(at_tip.u) and abs(at_tip.value) > COVER * at_tip.u
    shares = _shares(thirds, at_tip) if significant else {}
    beyond = np.abs(smooth) > COVER * spread
    stretches = tuple((float(x[i]), float(x[j])) for i, j in stretches_of(beyond))
    return LimbSet(limb, at_tip, along, smooth, spread, thirds, shares, stretches)


def _thirds(then: Picture, now: Picture, limb: LimbName, along: BendChange, at_tip: Value) -> dict[str, Value]:
    """What each third of the working limb adds to the set at the tip. The inner third is what the others leave of it, so it
    has the fade in it. Their uncertainty: of how far the third turned, times its middle's distance from the tip."""
    names = {t: f"turn_{limb}_{t}" for t in THIRDS}
    if any(n not in p.values for n in names.values() for p in (then, now)):
        return {}
    seen = now.limbs[limb]
    if not np.isfinite(seen.centre_mm).all():
        return {}
    x = along.from_nock_mm
    order = np.argsort(seen.from_nock_mm)
    across = np.interp(x, seen.from_nock_mm[order], seen.centre_mm[order, 0])
    lever = np.abs(across - float(np.interp(0.0, seen.from_nock_mm[order], seen.centre_mm[order, 0])))
    lowers = np.r_[0.0, np.cumsum(_between(along.per_m / 1000 * lever) * np.diff(x))]
    edges = np.linspace(0.0, float(x[-1]), 4)
    parts = np.diff(np.interp(edges, x, lowers))
    out: dict[str, Value] = {}
    for k, third in enumerate(("outer", "mid")):
        turned = change(then.values[names[third]], now.values[names[third]])
        arm = math.radians(1.0) * float(np.interp((edges[k] + edges[k + 1]) / 2, x, lever))
        out[third] = Value(float(parts[k]), arm * turned.u, "mm", {c: arm * v for c, v in turned.budget.items()})
    out["inner"] = added({"tip": (1.0, at_tip), **{t: (-1.0, v) for t, v in out.items()}}, "mm")
    return {t: out[t] for t in THIRDS}


def _between(y: Array) -> Array:
    return np.asarray((y[1:] + y[:-1]) / 2)


def _shares(thirds: dict[str, Value], at_tip: Value) -> dict[str, Value]:
    """Each third's part of the set at the tip, %; the inner third's is what the others leave of 100."""
    k = 100 / at_tip.value
    outer_two = [t for t in THIRDS if t != "inner"]
    share = {t: k * thirds[t].value for t in outer_two}
    parts = {t: {"part": (k, thirds[t]), "whole": (-k * share[t] / 100, at_tip)} for t in outer_two}
    parts["inner"] = {t: (-k, thirds[t]) for t in outer_two} | {"whole": (k * sum(share.values()) / 100, at_tip)}
    share["inner"] = 100 - sum(share.values())
    return {t: replace(added(parts[t], "%"), value=share[t]) for t in THIRDS}


# --- reflex over time


def share_of_reflex_left(form_reflex_mm: float, now: Value) -> Value:
    """Reflex now over the reflex of the form that the bow was bent on, in %. The form is taken as exact to 1/16 in."""
    if not form_reflex_mm > 0:
        raise SetError("The form's reflex must be above zero.", "Give the reflex of the form.")
    kept = now.value / form_reflex_mm
    budget = {c: 100 * v / form_reflex_mm for c, v in (now.budget or {"reading": now.u}).items()}
    budget["form"] = 100 * abs(kept) / form_reflex_mm * FORM_READ_MM / math.sqrt(3)
    if not math.isfinite(now.u):
        return Value(100 * kept, math.nan, "%")
    return Value(100 * kept, math.sqrt(sum(v * v for v in budget.values())), "%", budget)


def fit_recovery(readings: Sequence[RestReading]) -> Recovery | None:
    """The curve of recovery after one unstringing, from three readings at different times on; None before that.

    Bayes' rule with a flat prior over log tau: for each tau the model is linear, so final and what springs back follow by
    least squares; the taus are weighed by how well they explain the readings (marginal likelihood of the linear model, as in
    Gelman et al., Bayesian Data Analysis, ch. 14; value from memory). The readings count as independent: what is wrong alike in
    all of them (the limbs' unseen width) moves the end as it moves each reading, within each reading's own u.
    """
    good = [r for r in readings if math.isfinite(r.reflex.value) and math.isfinite(r.reflex.u) and r.reflex.u > 0]
    if len({r.minutes for r in good}) < 3:
        return None
    t = np.array([r.minutes for r in good])
    y = np.array([r.reflex.value for r in good])
    noise = np.diag([r.reflex.u**2 for r in good])
    middle = float(y.mean())
    prior = np.diag([PRIOR_MM**2, PRIOR_MM**2])
    at = np.r_[0.0, np.geomspace(1.0, max(2.0 * t.max(), 60.0), 60)]
    means, covs, evidence, curves, spreads = [], [], [], [], []
    for tau in TAU_MIN:
        basis = np.column_stack([np.ones_like(t), -np.exp(-t / tau)])
        total = basis @ prior @ basis.T + noise
        gain = np.linalg.solve(total, basis @ prior).T
        mean = gain @ (y - middle)
        cov = prior - gain @ basis @ prior
        evidence.append(-0.5 * float((y - middle) @ np.linalg.solve(total, y - middle)) - 0.5 * np.linalg.slogdet(total)[1])
        shown = np.column_stack([np.ones_like(at), -np.exp(-at / tau)])
        means.append(mean)
        covs.append(np.diag(cov))
        curves.append(shown @ mean)
        spreads.append(np.einsum("ij,jk,ik->i", shown, cov, shown))
    w = np.exp(np.array(evidence) - max(evidence))
    w /= w.sum()
    best, u = _mixed(w, np.array(means), np.array(covs))
    curve, u_curve = _mixed(w, np.array(curves), np.array(spreads))
    first, last = np.searchsorted(np.cumsum(w), _INSIDE)
    low, high = TAU_MIN[max(first - 1, 0)], TAU_MIN[min(last + 1, len(TAU_MIN) - 1)]  # no finer than the grid
    return Recovery(
        Value(float(best[0]) + middle, float(u[0]), "mm", {"readings": float(u[0])}),
        Value(float(best[1]), float(u[1]), "mm", {"readings": float(u[1])}),
        (float(low), float(high)),
        at,
        curve + middle,
        u_curve,
    )


def _mixed(w: Array, means: Array, variances: Array) -> tuple[Array, Array]:
    """Mean and standard deviation of a mixture over its first axis."""
    mean = w @ means
    return mean, np.sqrt(w @ (variances + (means - mean) ** 2))


# --- an early draw, weighed again


def early_draw(weighings: Sequence[WeighedDraw], scraped: Sequence[datetime] = ()) -> EarlyDraw | None:
    """Does the bow grow weaker at one early draw without wood coming off? Then wood is being crushed (common practice).

    Looks at the draw that was weighed most often since the last scraping, the earliest of those; None where there are not two
    weighings with a deeper draw between them. The loss is significant beyond two standard uncertainties.
    """
    since = max(scraped, default=None)
    later = sorted((w for w in weighings if since is None or w.when >= since), key=lambda w: w.when)
    groups = [[w for w in later if abs(w.draw_mm - first.draw_mm) <= LIKE_DRAW_MM] for first in later]
    groups = [g for g in groups if len(g) >= 2]
    if not groups:
        return None
    group = max(groups, key=lambda g: (len(g), -g[0].draw_mm))
    first, last = group[0], group[-1]
    deepest = max(w.draw_mm for w in later if first.when <= w.when <= last.when)
    if deepest <= first.draw_mm + LIKE_DRAW_MM:
        return None
    u = math.hypot(first.u_n, last.u_n)
    # the same place on the scale, as nearly as the two draws agree: weight rises about in proportion to draw
    u = math.hypot(u, first.weight_n * abs(first.draw_mm - last.draw_mm) / max(first.draw_mm, 1.0))
    loss = Value(first.weight_n - last.weight_n, u, "N", {"scale": u})
    return EarlyDraw(first.draw_mm, deepest, loss, loss.value > COVER * loss.u)
