"""Draw weight over draw: readings to a smooth rising curve with its band, the weight looked ahead, energy, stacking.

The rise of weight per length is positive, so its logarithm g(d) is what is estimated: a smooth (Gaussian process) departure
from the shape that the statics foretell, with a free level. Weight is the integral of exp(g) from the brace; the readings
correct g by Gauss-Newton (a linear Gaussian update at each step, Rasmussen & Williams, *Gaussian Processes for Machine
Learning*, 2006, 2.2). Where the bow itself was measured, the shape and its doubts come from its own statics; else from a
uniform bow of the same length, less trusted. Between readings the curve follows them, beyond them it follows the shape, and
the band grows as it must.

Draws are to the back of the handle. mm, N, J, N/mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2 as chi2_dist

from tillerlens.core.measurement import Value
from tillerlens.core.units import MM_PER_INCH, format_inches, format_pounds
from tillerlens.mechanics.observed import READING_U_N, SCALE_GAIN_U, MechanicsError, ObservedBow
from tillerlens.mechanics.statics import Bow, ElasticLimb, NoEquilibrium, braced, force_draw, string_on_belly
from tillerlens.mechanics.stiffness import LimbStiffness, Stiffness, filled, statics_bow
from tillerlens.mechanics.unknown_rest import TIPS_MM

Array = NDArray[np.float64]

STEP_MM = 6.0
SEGMENTS = 48  # weight to 0.05 % of the converged answer
LEVEL_U = 5.0  # of ln(rise): the level is left to the readings
# How far a bow's true rise strays from the statics of the measured bow (string's give, wood not quite elastic), and from
# those of a uniform bow of its length (taper, reflex, recurve), over which length (common practice, no source).
OWN_SHAPE_U, OTHER_SHAPE_U, SMOOTH_MM = 0.02, 0.2, 150.0
STRING_U_MM = 1.5
ODD_Z = 3.0
# Readings that honest ones would stray as far as less often than this widen the band; much less often, they contradict.
WIDEN_P, CONTRADICT_P = 0.05, 1e-6
SHARED_IN_BAND = 0.5  # how much of a stiffness band's width a smooth mode along the limb can have
# A bow stacks where the weight rises by more than 5.5 percent in an inch, late in the draw: there the rise has grown by a fifth
# over its least (common practice, no source).
STACK_PERCENT_PER_INCH, STACK_GROWTH = 5.5, 1.2


@dataclass(frozen=True)
class Reading:
    """Weight (N) read at a draw to the back (mm). ``by_scale``: as for ``Weighing``."""

    draw_mm: float
    weight_n: float
    u_weight_n: float = READING_U_N
    u_draw_mm: float = 3.0
    by_scale: bool = True


@dataclass(frozen=True, eq=False)
class RiseShape:
    """What is known of ln(rise) before any reading: draws (n,), mean (n,) and covariance (n, n). ``own``: from the measured
    bow's statics."""

    draw_mm: Array
    log_rise: Array
    covariance: Array
    own: bool


@dataclass(frozen=True, eq=False)
class ForceCurve:
    """Weight over draw from the brace on; arrays (n,). ``energy_j``: work done since the brace. Standard uncertainties ``u_*``
    include the scale's own common error. ``readings_to_mm``: the last reading's draw; beyond it the curve is looked ahead.
    ``odd_mm``: draws of readings that lie off the curve by more than their doubt allows."""

    draw_mm: Array
    weight_n: Array
    u_weight_n: Array
    rise_n_per_mm: Array
    u_rise_n_per_mm: Array
    energy_j: Array
    u_energy_j: Array
    readings_to_mm: float
    odd_mm: tuple[float, ...]
    own_shape: bool

    def weight_at(self, draw_mm: float) -> Value:
        return self._at(draw_mm, self.weight_n, self.u_weight_n, "N")

    def energy_at(self, draw_mm: float) -> Value:
        return self._at(draw_mm, self.energy_j, self.u_energy_j, "J")

    def _at(self, draw_mm: float, y: Array, u: Array, unit: str) -> Value:
        if not self.draw_mm[0] <= draw_mm <= self.draw_mm[-1]:
            return Value(float("nan"), float("nan"), unit)
        return Value(float(np.interp(draw_mm, self.draw_mm, y)), float(np.interp(draw_mm, self.draw_mm, u)), unit)


# --- what the statics foretell --------------------------------------------------------------------------------


ANY_EI = 1e8  # N mm2: how a uniform bow's rise goes with its draw does not depend on it
LEAST_DRAWN_MM = 20.0  # beyond the brace, or there is no curve to speak of
_DRAWS = np.linspace(0.002, 1, 13) ** 1.5  # shares of the way from brace to full draw, closer where the rise changes fast
LEAST_PLACES = 20
MOST_STEPS, GENTLY, RUNAWAY = 80, 0.4, 50.0  # of the fit: later steps are shortened, or it may swing; the last is ln(N/mm)


def uniform_shape(length_mm: float, brace_back_mm: float, full_draw_mm: float) -> RiseShape:
    """The rise of a straight uniform bow of this length nock to nock, for want of the bow's own; how reflexed or set it is at
    rest is not known, and is in the doubt."""
    half = length_mm / 2

    def rise(reflex_mm: float) -> tuple[Array, Array]:
        limb = ElasticLimb.uniform(half, ANY_EI, -2 * reflex_mm / half**2)
        return _log_rise(Bow(limb, limb), None, brace_back_mm, full_draw_mm)

    d, log = rise(0.0)
    bent = np.interp(d, *rise(TIPS_MM)) - log  # a reflexed bow may lie in fewer draws than a straight one
    return RiseShape(d, log, np.outer(bent, bent) + _smooth(d, OTHER_SHAPE_U) + LEVEL_U**2, False)


def measured_shape(
    stiffness: Stiffness, seen: ObservedBow, full_draw_mm: float, brace_back_mm: float | None = None, doubted: bool = True
) -> RiseShape:
    """The rise foretold by the measured bow's own statics, and how the doubts of its stiffness, its shape at rest and its
    string move it, which take nearly all of the time; ``doubted`` False leaves them out. ``seen``: a picture of the strung bow,
    for the handle and, without ``brace_back_mm``, the string."""
    string = None if brace_back_mm is not None else seen.string_length_mm

    def rise(st: Stiffness, extra_mm: float = 0.0) -> tuple[Array, Array]:
        more_brace = None if brace_back_mm is None else brace_back_mm + extra_mm
        return _log_rise(statics_bow(st, seen), None if string is None else string + extra_mm, more_brace, full_draw_mm)

    d, log = rise(stiffness)
    moves = [np.interp(d, *rise(st)) - log for st in _nudged(stiffness)] if doubted else []
    moves += [np.interp(d, *rise(stiffness, STRING_U_MM)) - log] if doubted else []
    cov = sum(np.outer(m, m) for m in moves) + _smooth(d, OWN_SHAPE_U) + LEVEL_U**2
    return RiseShape(d, log, np.asarray(cov), True)


def _nudged(stiffness: Stiffness) -> list[Stiffness]:
    """The stiffness moved by one independent doubt each: smooth modes of EI and of the shape at rest, by limb."""
    out = list(stiffness.moved)
    for name, limb in stiffness.limbs.items():
        share = limb.from_nock_mm / limb.length_mm
        u = SHARED_IN_BAND * float(np.nanmedian(limb.u_relative))
        u_rest = SHARED_IN_BAND * float(np.median(limb.u_rest))
        for k in range(3):
            mode = np.cos(np.pi * k * share)
            out.append(_with(stiffness, name, filled(limb) * np.exp(u * mode), limb.rest))
            out.append(_with(stiffness, name, filled(limb), limb.rest + u_rest * mode))
    return out


def _with(st: Stiffness, name: str, ei: Array, rest: Array) -> Stiffness:
    from dataclasses import replace

    limb: LimbStiffness = st.limbs[name]  # type: ignore[index]
    moved = replace(limb, ei=ei, rest=rest)
    return replace(st, upper=moved) if name == "upper" else replace(st, lower=moved)


def _log_rise(bow: Bow, string_mm: float | None, brace_back_mm: float | None, full_draw_mm: float) -> tuple[Array, Array]:
    """ln of the rise (N/mm) at draws from the brace to full draw, from the statics."""
    if brace_back_mm is not None:
        first = braced(bow, brace_height=brace_back_mm - bow.handle.depth, segments=SEGMENTS)
    else:
        first = braced(bow, string_length=string_mm, segments=SEGMENTS)
    start = first.draw_back
    if not start + LEAST_DRAWN_MM < full_draw_mm:
        raise MechanicsError(
            "The full draw asked for is hardly beyond the brace height.", "Give the draw to the back of the handle."
        )
    draws = start + (full_draw_mm - start) * _DRAWS
    curve = force_draw(bow, first.string_length, draws, segments=SEGMENTS)
    if string_on_belly(first) or any(map(string_on_belly, curve.states)):
        raise MechanicsError(
            "The string would lie on the belly of a recurve. TillerLens can't work out how such a bow draws.",
            "Weigh it over its whole draw instead.",
        )
    weight = curve.weight
    middle = (draws[1:] + draws[:-1]) / 2
    log = np.log(np.diff(weight) / np.diff(draws))
    grid = np.linspace(start, full_draw_mm, max(LEAST_PLACES, int((full_draw_mm - start) / STEP_MM)))
    out = np.interp(grid, middle, log)
    out += np.where(grid > middle[-1], (log[-1] - log[-2]) / (middle[-1] - middle[-2]) * (grid - middle[-1]), 0.0)
    return grid, out


def _smooth(d: Array, u: float) -> Array:
    return np.asarray(u**2 * np.exp(-0.5 * ((d[:, None] - d[None]) / SMOOTH_MM) ** 2))


# --- readings to a curve --------------------------------------------------------------------------------------


class ReadingsDisagree(MechanicsError):
    """Weighings that no one bow gives."""

    code = "readings_disagree"


@dataclass(frozen=True, eq=False)
class _Fit:
    """ln rise (n,) and the weight at the brace as they are most likely, with their covariance. ``chi2``: squared misfit of
    readings and foretold shape together; ``off`` (m,): each reading's own, in its standard uncertainties."""

    x: Array
    covariance: Array
    chi2: float
    off: Array


def fit_curve(readings: Sequence[Reading], shape: RiseShape, u_brace_mm: float = 3.0) -> ForceCurve:
    """The curve through the readings, from the brace (where ``shape`` begins, weight 0) to the shape's last draw.

    Readings that disagree a little more than their doubts allow widen the band. Raises MechanicsError without a reading between
    the two, and ReadingsDisagree, with the reading that does not fit, where no one bow gives them all.
    """
    d = shape.draw_mm
    used = [r for r in readings if d[0] < r.draw_mm <= d[-1] + 1e-6 and r.weight_n > 0]
    if not used:
        raise MechanicsError(
            "No weight was read between the brace height and full draw.", "Weigh the bow at one draw or more and note both."
        )
    found = _fit(used, shape, u_brace_mm)
    free = len(used) - 1
    likely = _likely(found, free)
    if found is None or likely < CONTRADICT_P:
        raise _disagreement(used, shape, u_brace_mm)
    wider = max(1.0, found.chi2 / free) if likely < WIDEN_P else 1.0
    at = np.array([r.draw_mm for r in used])
    odd = tuple(float(q) for q in at[found.off > ODD_Z])
    gain = SCALE_GAIN_U if any(r.by_scale for r in used) else 0.0
    return _curve(d, found.x, wider * found.covariance, gain, (float(at.max()), odd, shape.own))


def _likely(found: _Fit | None, free: int) -> float:
    """How often honest readings would stray so far; 0 where no rising curve was found."""
    if found is None:
        return 0.0
    return float(chi2_dist.sf(found.chi2, free)) if free > 0 else 1.0


def _disagreement(used: Sequence[Reading], shape: RiseShape, u_brace_mm: float) -> ReadingsDisagree:
    """Name the reading without which the others agree; where several would do, or none, name those in question."""
    without = [[*used[:k], *used[k + 1 :]] for k in range(len(used))]
    likely = [_likely(_fit(rest, shape, u_brace_mm), len(rest) - 1) if len(rest) > 1 else 0.0 for rest in without]
    best = max(likely)
    odd = [r for r, p in zip(used, likely, strict=True) if p >= WIDEN_P or (best >= CONTRADICT_P and p == best)]
    said = [f"{format_pounds(r.weight_n)} at {format_inches(r.draw_mm)}" for r in odd or used]
    several = f"{', '.join(said[:-1])} and {said[-1]}" if len(said) > 1 else said[0]
    text = (
        f"The weighing of {several} does not fit the others."
        if len(odd) == 1
        else f"The weighings of {several} cannot be of one bow."
    )
    return ReadingsDisagree(
        f"{text} So no weight is given.",
        "Weigh there again, and correct the reading or take it out.",
        draws_mm=tuple(r.draw_mm for r in odd or used),
    )


def _fit(used: Sequence[Reading], shape: RiseShape, u_brace_mm: float) -> _Fit | None:
    """The most likely curve by damped Gauss-Newton; None where it does not settle."""
    d = shape.draw_mm
    at = np.array([r.draw_mm for r in used])
    y = np.array([r.weight_n for r in used])
    n = len(d)
    pick = np.array([np.interp(at, d, row) for row in np.eye(n)]).T @ _integral(d)  # rise to the weight at each reading
    # the state: ln rise (n,), and how much weight the brace's own doubt stands for
    level = float(np.log(np.mean(y / (pick @ np.exp(shape.log_rise)))))
    mean = np.r_[shape.log_rise + level, 0.0]
    cov = np.zeros((n + 1, n + 1))
    cov[:n, :n] = shape.covariance
    cov[n, n] = (u_brace_mm * float(np.exp(mean[0]))) ** 2
    x = mean.copy()
    for step in range(MOST_STEPS):
        rise = np.exp(x[:n])
        jac = np.column_stack([pick * rise, np.ones(len(at))])
        slope = np.interp(at, d, rise)
        noise = np.diag([r.u_weight_n**2 + (s * r.u_draw_mm) ** 2 for r, s in zip(used, slope, strict=True)])
        inverse = np.linalg.inv(jac @ cov @ jac.T + noise)
        first = y - pick @ rise - x[n] + jac @ (x - mean)
        new = mean + cov @ jac.T @ inverse @ first
        move = float(np.abs(new[:n] - x[:n]).max())
        x = x + (new - x) * min(1.0, 0.5 / max(move, 1e-12)) * (1.0 if step < 10 else GENTLY)
        if not np.isfinite(move) or np.abs(x[:n]).max() > RUNAWAY:
            return None
        if move < 1e-8:
            break
    else:
        return None
    after = cov - cov @ jac.T @ inverse @ jac @ cov
    off = np.abs(y - pick @ np.exp(x[:n]) - x[n]) / np.sqrt(np.diag(noise))
    return _Fit(x, after, float(first @ inverse @ first), off)


def _integral(d: Array) -> Array:
    """(n, n): trapezoid sums of a function at ``d`` from the first place to each."""
    h = np.diff(d)
    out = np.zeros((len(d), len(d)))
    for i in range(1, len(d)):
        out[i] = out[i - 1]
        out[i, i - 1 : i + 1] += h[i - 1] / 2
    return out


def _curve(d: Array, x: Array, cov: Array, gain: float, facts: tuple[float, tuple[float, ...], bool]) -> ForceCurve:
    """``gain``: relative standard uncertainty that is common to all readings."""
    n, sums = len(d), _integral(d)
    rise = np.exp(x[:n])
    weight = sums @ rise + x[n]
    by_weight = np.column_stack([sums * rise, np.ones(n)])
    energy, by_energy = sums @ weight / 1000, sums @ by_weight / 1000

    def u(jac: Array, value: Array) -> Array:
        own_u2 = np.maximum(np.einsum("ij,jk,ik->i", jac, cov, jac), 0.0)
        return np.asarray(np.sqrt(own_u2 + (gain * value) ** 2))

    by_rise = np.column_stack([np.diag(rise), np.zeros(n)])
    return ForceCurve(d, weight, u(by_weight, weight), rise, u(by_rise, rise), energy, u(by_energy, energy), *facts)


# --- what the curve says --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Stacking:
    """``onset_mm``: the draw from which on the bow stacks, NaN where it never does; ``rise``: N an inch at the last draw;
    ``percent``: of the weight there. ``sure``: at the last draw the interval of the rise lies wholly beyond both limits."""

    onset_mm: float
    rise: Value
    percent: float
    sure: bool


def stacking(curve: ForceCurve, to_mm: float | None = None) -> Stacking:
    """Where the weight begins to rise steeply, up to ``to_mm`` (the curve's end)."""
    end = curve.draw_mm[-1] if to_mm is None else min(to_mm, curve.draw_mm[-1])
    use = curve.draw_mm <= end + 1e-9
    d, rise, weight = curve.draw_mm[use], curve.rise_n_per_mm[use] * MM_PER_INCH, curve.weight_n[use]
    least = int(np.argmin(rise))
    floor = np.maximum(STACK_PERCENT_PER_INCH / 100 * weight, STACK_GROWTH * rise[least])
    steep = (np.arange(len(d)) > least) & (rise > floor)
    # it stacks from the first place after which it stays steep to the end
    loose = np.nonzero(~steep)[0]
    first = int(loose[-1]) + 1 if len(loose) else 0
    onset = float(d[first]) if first < len(d) else float("nan")
    last = Value(float(rise[-1]), float(curve.u_rise_n_per_mm[use][-1]) * MM_PER_INCH, "N")
    sure = bool(steep[-1] and last.value - 2 * last.u > floor[-1])
    return Stacking(onset, last, 100 * last.value / float(weight[-1]), sure)


def look_ahead(
    readings: Sequence[Reading],
    length_mm: float,
    brace_back_mm: float,
    full_draw_mm: float,
    stiffness: Stiffness | None = None,
    seen: ObservedBow | None = None,
    u_brace_mm: float = 3.0,
) -> ForceCurve:
    """Readings so far to the weight at full draw: with the measured bow's own statics where they are known."""
    if stiffness is None or seen is None:
        return fit_curve(readings, uniform_shape(length_mm, brace_back_mm, full_draw_mm), u_brace_mm)
    try:
        shape = measured_shape(stiffness, seen, full_draw_mm, brace_back_mm)
    except NoEquilibrium as error:
        raise MechanicsError(
            "The measured bow does not reach this draw in the statics.",
            "Give a shorter full draw, or measure again.",
            cause=error.text,
        ) from error
    return fit_curve(readings, shape, u_brace_mm)
