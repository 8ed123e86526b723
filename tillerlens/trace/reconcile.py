"""Both silhouettes of one limb held against each other: its thickness varies smoothly, so a side that strays shows, and where one
side is hidden the other and the thickness still give the middle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.robust import MAD_TO_U

Array = NDArray[np.float64]

AGREE_STEPS = 0.9  # how far a side may leave the smooth thickness, strip steps
FOLLOW = 40  # columns that predict the next ones
CHUNK = 6
# Smooth thickness: scales (of the usual thickness, then steps) of the reweighting, for both limbs together and for each one's own
# departure from that; stations from which a limb has one, and the least thickness, steps.
COMMON_SCALES, COMMON_STEPS, OWN_STEPS = (0.25,) * 6 + (0.125,) * 6, (1.0,) * 8, (1.5,) * 4 + (0.8,) * 8
LEAST_STATIONS, LEAST_THICK = 12, 2.0
NOISES, MOST_NOISE = 3.5, 0.5  # beyond which a side has left the smooth thickness, if that is more; of the noise, steps
CURVED = 25  # stations from which a parabola predicts the next, not a line


@dataclass(frozen=True, eq=False)
class ReconciledLimb:
    """Per column: left and right rows (one side rebuilt where needed), and where the middle comes from: 2 both sides measured,
    1 one side and the thickness, 0 not at all."""

    left: Array
    right: Array
    how: NDArray[np.intp]


def _cauchy(v: Array, t: Array, start: Array, scales: tuple[float, ...]) -> Array:
    """Robust linear fit t ~ v @ c by re-weighting, from ``start``, with these scales one after the other."""
    c = start
    ridge = np.diag(np.r_[np.full(v.shape[1] - 1, 1e-3), 0.0]) * len(t)
    for s in scales:
        w = 1 / (1 + ((t - v @ c) / s) ** 2)
        a = v * w[:, None]
        c = np.linalg.solve(a.T @ v + ridge, a.T @ t)
    return c


def common_thickness(upper: Array, lower: Array) -> tuple[Array, Array]:
    """Smooth apparent thickness that both limbs agree on, nock first (N,), (M,), from theirs, NaN where unseen."""
    z = [np.linspace(-1, 1, len(t)) for t in (upper, lower)]
    ok = [~np.isnan(t) for t in (upper, lower)]
    zz, tt = np.concatenate([z[0][ok[0]], z[1][ok[1]]]), np.concatenate([upper[ok[0]], lower[ok[1]]])
    usual = float(np.median(tt))
    scales = (*(share * usual for share in COMMON_SCALES), *COMMON_STEPS)
    common = _cauchy(np.vander(zz, 4), tt, np.array([0, 0, 0, usual]), scales)
    return np.vander(z[0], 4) @ common, np.vander(z[1], 4) @ common


def thickness_of_both(upper: Array, lower: Array) -> tuple[Array, Array]:
    """Smooth apparent thickness of both limbs, nock first (N,), (M,), NaN where unseen.

    The two limbs of a bow are nearly alike, so what both agree on comes first (a long stretch of false edge on one limb
    cannot make that), then each limb may differ by a parabola.
    """
    out = []
    for base, t in zip(common_thickness(upper, lower), (upper, lower), strict=True):
        z, k = np.linspace(-1, 1, len(t)), ~np.isnan(t)
        if k.sum() > LEAST_STATIONS:
            own = _cauchy(np.vander(z[k], 3), t[k] - base[k], np.zeros(3), OWN_STEPS)
            base = base + np.vander(z, 3) @ own
        out.append(np.maximum(base, LEAST_THICK))
    return out[0], out[1]


def reconcile_limb(left: Array, right: Array, thick: Array) -> ReconciledLimb:
    """Reconcile one limb's rows (N,), at evenly spaced columns, with its smooth thickness: see the module's docstring."""
    n = len(left)
    t = right - left
    if (~np.isnan(t)).sum() < LEAST_STATIONS:
        return ReconciledLimb(left, right, np.zeros(n, np.intp))
    r = t - thick
    good = np.abs(r) < max(AGREE_STEPS, NOISES * min(MAD_TO_U * float(np.nanmedian(np.abs(r))), MOST_NOISE))
    how = np.where(good, 2, 0).astype(np.intp)
    middle = np.where(good, (left + right) / 2, np.nan)
    options = np.stack([left + thick / 2, right - thick / 2])
    there, back = (_follow(middle, options, order) for order in (range(n), range(n - 1, -1, -1)))
    # followed from either end it must be the same line, else one of the two strayed
    apart = np.abs(there - back) >= AGREE_STEPS
    rebuilt = np.where(apart, np.nan, np.where(np.isnan(there), back, there))
    how[~good & np.isfinite(rebuilt)] = 1
    middle = np.where(good, middle, rebuilt)
    out_left = np.where(how == 1, middle - thick / 2, left)
    out_right = np.where(how == 1, middle + thick / 2, right)
    return ReconciledLimb(out_left, out_right, how)


def _follow(middle: Array, options: Array, order: range) -> Array:
    """``middle`` (N,) where both sides tell it, and from there on, in this order, where one side (``options`` (2, N)) goes on as
    the columns before it."""
    out = middle.copy()
    known: list[int] = []
    for i in order:
        if np.isfinite(out[i]):
            known.append(i)
            continue
        choice = options[np.isfinite(options[:, i]), i]
        if len(known) < LEAST_STATIONS or abs(known[-1] - i) > 3 * CHUNK or len(choice) == 0:
            continue
        near = np.array(known[-FOLLOW:])
        guess = np.polyfit(near - i, out[near], 1 if len(near) < CURVED else 2)[-1]
        best = float(choice[np.argmin(np.abs(choice - guess))])
        if abs(best - guess) < AGREE_STEPS:
            out[i] = best
            known.append(i)
    return out
