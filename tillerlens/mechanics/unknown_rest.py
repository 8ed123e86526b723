"""String tensions of pictures where none shows the bow at rest: what is known of natural bends stands in for that picture.

Curvature, the string's lever and the length of the string fit a strung bow at any tension: a stiffer bow that was more reflexed
looks the same. So a tension that was not weighed, and stiffness with it, depends on how bent the bow was by itself. That is
a guess with a wide interval, and every number that follows from it has to carry that interval.

The natural bend of a limb is taken as random (a Gaussian process): tips some centimetres reflexed or set, alike on both limbs,
the outer limb bent by itself, and crooks of the stave (common practice, no source). Tensions are then the most likely ones, with
the covariance that their likelihood has there (Laplace).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize

Array = NDArray[np.float64]

TIPS_MM, APART_MM = 35.0, 12.0  # standard uncertainty of how far the tips stand off by themselves, and one limb from the other
WAVES = ((1.0e-4, 200.0), (6.0e-5, 45.0))  # natural bend besides: 1/mm and the length over which it moves together
ERRORS_MM = 45.0  # over which errors of the measured bend move together
UNWEIGHED_U = 1.0  # of the logarithm of a tension that nobody weighed, about the first guess
IMPOSSIBLE = 1e6
STEP, PART, ROUNDS = (
    0.01,
    0.3,
    2,
)  # of ln tension at first, then of a standard uncertainty, for the second derivatives; and how often

# Rest curvature, its standard uncertainty, compliance and misfit by place (n,) of one limb, for tensions (pictures,).
Solve = Callable[[Array], tuple[Array, Array, Array, Array]]


NEAR_MM = 0.7 * ERRORS_MM  # standard deviation of the bell that stands for how neighbours' errors are alike
SEARCH = {"gtol": 1e-2, "eps": 1e-4, "maxiter": 40}  # in ln tension: a hundredth of its own doubt is plenty


def likely_tensions(places: Sequence[Array], solve: Sequence[Solve], start: Array, u_log: Array) -> tuple[Array, Array]:
    """The most likely tensions and the covariance of their logarithms.

    Parameters
    ----------
    places
        Of each limb (n,), mm from the nock, the last at its fade; three an inch are plenty for what is so smooth.
    solve
        Of each limb: what its bend tells at given tensions.
    start, u_log
        (pictures,) a first guess, and how far (of its logarithm) it may be off; infinite where nobody weighed.
    """
    prior = _natural(places)
    near = [np.exp(-0.5 * ((s[:, None] - s[None, :]) / NEAR_MM) ** 2) for s in places]
    u = np.minimum(u_log, UNWEIGHED_U)

    def cost(log: Array) -> float:
        told = [f(start * np.exp(log)) for f in solve]
        rest = np.concatenate([t[0] for t in told])
        cov, at = prior.copy(), 0
        out = 0.5 * float(np.sum((log / u) ** 2))
        for s, t, block in zip(places, told, near, strict=True):
            own, n = t[1], len(s)
            cov[at : at + n, at : at + n] += own[:, None] * own[None, :] * block
            at += n
            if not np.isfinite(own).all() or float(np.median(t[2])) <= 0:
                return IMPOSSIBLE
            if np.isfinite(t[3]).all():
                out += 0.5 * float(np.mean(t[3])) * float(s[-1]) / (np.sqrt(2 * np.pi) * NEAR_MM)
        factor = cho_factor(cov)
        # The determinant is left out: where crooks outweigh the errors it hardly changes, and where errors outweigh the crooks
        # it would say that a lower tension makes smaller errors, which is no evidence for it.
        out += 0.5 * float(rest @ cho_solve(factor, rest))
        return out if np.isfinite(out) else IMPOSSIBLE

    best = minimize(cost, np.zeros(len(start)), method="BFGS", options=SEARCH).x
    return start * np.exp(best), _covariance(cost, best, u)


def _covariance(cost: Callable[[Array], float], at: Array, u: Array) -> Array:
    """Inverse of the cost's second derivatives; never surer than they are positive, nor less sure than before.

    Many pictures fix how their tensions go together a hundred times better than their level. Along the tensions themselves some
    of the one curvature would drown the other, so that more pictures would seem to tell less: they are taken once more along the
    axes that the first round finds, each over a part of its own standard uncertainty.
    """
    steps = STEP * np.eye(len(at))
    value, vector = np.ones(len(at)), np.eye(len(at))
    for _ in range(ROUNDS):
        back = np.linalg.inv(steps)
        hessian = back.T @ _second(cost, at, steps) @ back
        value, vector = np.linalg.eigh(hessian * u[:, None] * u[None, :])
        value = np.maximum(value, 1.0)
        steps = PART * u[:, None] * vector / np.sqrt(value)
    inverse = (vector / value) @ vector.T
    return np.asarray(inverse * u[:, None] * u[None, :])


def _second(cost: Callable[[Array], float], at: Array, steps: Array) -> Array:
    """How the cost curves along the columns of ``steps``, for one step each."""
    n, here = len(at), cost(at)
    out = np.diag([cost(at + s) + cost(at - s) - 2 * here for s in steps.T])
    for i in range(n):
        for j in range(i):
            a, b = steps[:, i], steps[:, j]
            out[i, j] = out[j, i] = (cost(at + a + b) - cost(at + a - b) - cost(at - a + b) + cost(at - a - b)) / 4
    return out


def _natural(places: Sequence[Array]) -> Array:
    """Covariance of the natural bend over both limbs' places, the one after the other."""
    reach = np.concatenate([np.full(len(s), 2 / float(s[-1]) ** 2) for s in places])  # an even bend that moves a tip by 1 mm
    out = TIPS_MM**2 * np.outer(reach, reach)
    at = 0
    for s in places:
        n = len(s)
        block = APART_MM**2 * np.outer(reach[at : at + n], reach[at : at + n])
        for size, length in WAVES:
            block = block + size**2 * np.exp(-0.5 * ((s[:, None] - s[None, :]) / length) ** 2)
        out[at : at + n, at : at + n] += block
        at += n
    return np.asarray(out + 1e-12 * np.eye(len(out)))
