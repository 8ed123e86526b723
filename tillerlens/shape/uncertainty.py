"""First-order propagation: every independent cause perturbs the whole computation once, and the changes stay apart by cause.

First order (GUM, JCGM 100:2008, eq. 10 and 13): each ``Perturbation`` is one independent standard uncertainty; the change it
makes in a number is that number's sensitivity times the uncertainty. Two numbers of one picture share their perturbations, so
their correlation (a common scale, a common lens) holds by construction and a difference of limbs stays sharp.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tillerlens.shape.bow_shape import BowShape, Evidence

Array = NDArray[np.float64]

# Order in which a camera fit's covariance is taken apart: what is unknown about the focal length first, then the lens,
# then what the marks leave open of the pose given those.
_ORDER = [6, 7, 8, 9, 0, 1, 2, 3, 4, 5]
_CAUSES = ["focal", "lens", "lens", "lens"] + ["marks"] * 6


@dataclass(frozen=True)
class Perturbation:
    """One independent standard uncertainty: its cause and the evidence moved by it."""

    cause: str
    moved: Callable[[Evidence], Evidence]


def camera_factor(covariance: Array) -> tuple[Array, list[str]]:
    """(10, 10) factor F with F F^T = covariance, one column a cause in the order above, and the causes."""
    p = covariance[np.ix_(_ORDER, _ORDER)]
    d = np.sqrt(np.maximum(np.diag(p), 1e-30))
    corr = p / np.outer(d, d)
    w, v = np.linalg.eigh((corr + corr.T) / 2)  # a hair of rounding must not stop the factorisation
    corr = (v * np.clip(w, 1e-12, None)) @ v.T
    factor: Array = np.asarray(np.linalg.cholesky(corr) * d[:, None])
    out = np.empty_like(factor)
    out[_ORDER] = factor
    return out, _CAUSES


def as_seen(theta: Array) -> Array:
    """The camera (10,) by what its picture fixes: in the place of the translation the board's origin (px) and the logarithm of
    its scale (px a mm).

    Marks seen squarely tell both well and the focal length hardly, which then moves together with the distance: far along a
    curve in theta, but along a line here. A step in theta that goes a fifth of the focal length would leave the board three
    per cent too small.
    """
    t, focal = theta[3:6], np.exp(theta[6])
    out = theta.copy()
    out[3:6] = theta[8] + focal * t[0] / t[2], theta[9] + focal * t[1] / t[2], theta[6] - np.log(t[2])
    return out


def from_seen(seen: Array) -> Array:
    """The inverse of ``as_seen``."""
    focal, z = np.exp(seen[6]), np.exp(seen[6] - seen[5])
    out = seen.copy()
    out[3:6] = (seen[3] - seen[8]) * z / focal, (seen[4] - seen[9]) * z / focal, z
    return out


def seen_by_theta(theta: Array) -> Array:
    """(10, 10): how ``as_seen`` changes with theta."""
    t, focal = theta[3:6], np.exp(theta[6])
    out = np.eye(10)
    for k in (0, 1):
        out[3 + k, 3 + k] = focal / t[2]
        out[3 + k, 5] = -focal * t[k] / t[2] ** 2
        out[3 + k, 6] = focal * t[k] / t[2]
        out[3 + k, 8 + k] = 1.0
    out[5, 5], out[5, 6] = -1 / t[2], 1.0
    return out


@dataclass(frozen=True, eq=False)
class Sensitivity:
    """The change that each of K perturbations makes.

    Attributes
    ----------
    causes : of each.
    numbers : (K,) by the number's name.
    curvature, thickness : (K, samples) of the upper and the lower limb.
    """

    causes: tuple[str, ...]
    numbers: dict[str, Array]
    curvature: tuple[Array, Array]
    thickness: tuple[Array, Array]

    def with_own(self, cause: str, own: dict[str, float]) -> Sensitivity:
        """Also count a doubt that belongs to single numbers alone: name -> its standard uncertainty."""
        numbers = {n: np.r_[changes, [u if n == name else 0.0 for name, u in own.items()]] for n, changes in self.numbers.items()}

        def padded(limb: Array) -> Array:
            return np.vstack([limb, np.zeros((len(own), limb.shape[1]))])

        curvature = (padded(self.curvature[0]), padded(self.curvature[1]))
        thickness = (padded(self.thickness[0]), padded(self.thickness[1]))
        return Sensitivity((*self.causes, *[cause] * len(own)), numbers, curvature, thickness)

    def u(self, name: str) -> float:
        """Standard uncertainty of a number."""
        return float(np.sqrt(np.sum(self.numbers[name] ** 2)))

    def budget(self, name: str) -> dict[str, float]:
        """The standard uncertainty of a number by cause."""
        return by_cause(self.causes, self.numbers[name])


def by_cause(causes: Sequence[str], changes: Array) -> dict[str, float]:
    """Independent changes (K,) gathered into one standard uncertainty a cause, the largest first."""
    parts: dict[str, float] = {}
    for cause, d in zip(causes, changes, strict=True):
        parts[cause] = parts.get(cause, 0.0) + float(d) ** 2
    return {c: float(np.sqrt(v)) for c, v in sorted(parts.items(), key=lambda q: -q[1])}


def sensitivities(
    perturbations: Sequence[Perturbation], evidence: Evidence, nominal: BowShape, shape: Callable[[Evidence], BowShape]
) -> Sensitivity:
    """Run every perturbation of the evidence through the computation of the shape once, and take the changes from ``nominal``."""
    numbers: dict[str, list[float]] = {k: [] for k in nominal.numbers}
    bends: tuple[list[Array], list[Array]] = ([], [])
    thick: tuple[list[Array], list[Array]] = ([], [])
    for perturbation in perturbations:
        s = shape(perturbation.moved(evidence))
        for name, value in nominal.numbers.items():
            numbers[name].append(s.numbers.get(name, np.nan) - value)
        for k, (a, b) in enumerate(((s.upper, nominal.upper), (s.lower, nominal.lower))):
            bends[k].append(a.curve.curvature - b.curve.curvature)
            thick[k].append(a.wood_mm - b.wood_mm)
    return Sensitivity(
        tuple(p.cause for p in perturbations),
        {k: np.array(v) for k, v in numbers.items()},
        (np.array(bends[0]), np.array(bends[1])),
        (np.array(thick[0]), np.array(thick[1])),
    )
