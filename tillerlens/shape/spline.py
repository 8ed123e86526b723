"""A limb's centreline and its curvature: a quintic smoothing spline whose fourth derivative is penalised.

A limb's bend falls off straight towards the nock, where the string has no lever on it. A penalty on the third derivative
would level the bend there and turn the tip by half a degree; one on the fourth leaves a straight fall alone. How hard it
is held is set by physics (the shortest feature worth resolving and the noise of the edges), not by cross-validation, which
follows the correlated errors of a contour. The fit is linear in its data for a fixed layout, so the same matrices serve
every perturbation in the uncertainty budget.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

Array = NDArray[np.float64]
KNOT_MM, LEAST_SPANS = 14.0, 8
DEGREE, PENALISED = 5, 4  # of the spline, and the derivative that is penalised
NOISE_POWER = 2.5  # noise of curvature falls with this power of the wave: flat noise, w^4 in power
CUTOFF_NOISE_MM = 0.05  # edge noise at which the shortest wave is resolved
CUTOFF_MM, MOST_CUTOFF_MM = 130.0, 190.0  # shortest wave of bend that is resolved: half of its amplitude is left
DATUM_U_MM = 0.1  # standard uncertainty of a datum of unit weight, for weighing what is known besides the data


@dataclass(frozen=True, eq=False)
class SplineLayout:
    """Everything of the fit that does not depend on the data's values.

    ``u`` (N,) mm: the parameter of each datum, increasing, about arc length. ``at`` (M,): where the curve is wanted.
    ``smoother`` (C, N): data to coefficients. ``value``, ``first``, ``second`` (M, C): coefficients to the curve.
    """

    u: Array
    at: Array
    smoother: Array
    value: Array
    first: Array
    second: Array

    def coefficients(self, xy: Array) -> Array:
        """(N, 2) mm data to (C, 2) coefficients."""
        return np.asarray(self.smoother @ xy)


def shortest_wave_mm(noise_mm: float) -> float:
    """Shortest wave of bend that is resolved: longer where the edges are noisier, so that the bend's own noise stays alike.

    Noise of curvature grows with the edge noise and falls with the wave's ``NOISE_POWER``.
    """
    return float(np.clip(CUTOFF_MM * (noise_mm / CUTOFF_NOISE_MM) ** (1 / NOISE_POWER), CUTOFF_MM, MOST_CUTOFF_MM))


def cutoff_lambda(cutoff_mm: float, per_mm: float) -> float:
    """Penalty that halves a wave of length ``cutoff_mm`` when there are ``per_mm`` data a millimetre.

    For data of unit weight the smoother's gain is 1 / (1 + lambda w^8 / per_mm), w = 2 pi / wavelength.
    """
    return float(per_mm * (cutoff_mm / (2 * np.pi)) ** (2 * PENALISED))


def lay_out(u: Array, weight: Array, at: Array, cutoff_mm: float, nock_u_per_mm: float | None = None) -> SplineLayout:
    """Prepare the fit.

    Parameters
    ----------
    u : (N,) mm, the parameter of each datum.
    weight : (N,) of the data, 0 where there is none.
    at : (M,) mm, where the curve is read.
    cutoff_mm : wave of which half of the amplitude is left.
    nock_u_per_mm : how small the bend at the first datum is known to be; None where nothing is known of it.
    """
    lo, hi = min(u[0], at[0]), max(u[-1], at[-1])
    n = max(LEAST_SPANS, int(np.ceil((hi - lo) / KNOT_MM)))
    inner = np.linspace(lo, hi, n + 1)
    h = inner[1] - inner[0]
    knots = np.r_[lo - h * np.arange(DEGREE, 0, -1), inner, hi + h * np.arange(1, DEGREE + 1)]
    c = len(knots) - DEGREE - 1
    basis = BSpline.design_matrix(np.clip(u, lo, hi), knots, DEGREE).toarray()
    eye = np.eye(c)
    # fourth derivative at Gauss points of each span: exact enough for a quadratic integrand
    gauss, gw = np.polynomial.legendre.leggauss(3)
    x = (inner[:-1, None] + h * (gauss[None] + 1) / 2).ravel()
    w = np.tile(gw * h / 2, n)
    d4 = BSpline(knots, eye, DEGREE).derivative(PENALISED)(x)
    penalty = (d4 * w[:, None]).T @ d4
    per_mm = float((weight**2).sum() / max(hi - lo, 1e-9))
    bw = basis * (weight**2)[:, None]
    a = bw.T @ basis + cutoff_lambda(cutoff_mm, per_mm) * penalty
    if nock_u_per_mm is not None:
        # the string has no lever at the nock: the bend there is the wood's own, next to none
        still = BSpline(knots, eye, DEGREE).derivative(2)(np.array([u[0]]))
        a += (DATUM_U_MM / nock_u_per_mm) ** 2 * (still.T @ still)
    a[np.diag_indices_from(a)] += 1e-12 * np.trace(a) / c
    smoother = np.linalg.solve(a, bw.T)
    b = BSpline(knots, eye, DEGREE)
    return SplineLayout(u, at, smoother, b(at), b.derivative(1)(at), b.derivative(2)(at))


@dataclass(frozen=True, eq=False)
class Curve:
    """A plane curve at M places: xy (M, 2) mm, tangent (M, 2) unit, curvature (M,) 1/mm (+ turns from x to y)."""

    xy: Array
    tangent: Array
    curvature: Array


def read_curve(layout: SplineLayout, coefficients: Array) -> Curve:
    """The curve of spline coefficients (C, 2)."""
    p, d, dd = layout.value @ coefficients, layout.first @ coefficients, layout.second @ coefficients
    speed = np.hypot(d[:, 0], d[:, 1])
    return Curve(p, d / speed[:, None], (d[:, 0] * dd[:, 1] - d[:, 1] * dd[:, 0]) / speed**3)


def curvature_noise(layout: SplineLayout, across_u_mm: Array, correlated_mm: float) -> Array:
    """Standard uncertainty of curvature (M,), 1/mm, from noise across the limb.

    Parameters
    ----------
    layout : of the fit.
    across_u_mm : (N,) noise of each datum.
    correlated_mm : neighbours within it move together, so that many data a correlation length count as one (the variance of a
        smooth functional grows by the number that move together).
    """
    gain = layout.second @ layout.smoother
    per = np.median(np.diff(layout.u)) if len(layout.u) > 1 else 1.0
    together = max(1.0, correlated_mm / max(float(per), 1e-9))
    return np.asarray(np.sqrt(together * ((gain * across_u_mm[None]) ** 2).sum(1)))
