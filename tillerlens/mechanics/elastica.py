"""One bending limb: a chain of straight links followed from the nock inward (Euler's elastica, large
deflections).

The string's pull has, at every place on a limb, the moment ``tension x distance to the string's line``, and
the limb bends by ``moment / EI`` from its natural shape. Nothing is known about the nock except that the
moment vanishes there, so the limb is followed from the nock inward in the string's own frame, where its
path depends on two numbers only: the tension and the angle at the nock. Derivatives by both come along, for
Newton's method.

The chain gathers the bend at its joints; its energy is exactly the sum over the joints, so the work of the
hook equals the stored energy but for rounding, whatever the number of links. The shape's error falls with
the square of the number of links.

Angles, curvature and moments are positive toward the belly, as drawing bends the limb. mm, N, N mm2, 1/mm,
rad.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.errors import TillerLensError

Floats = NDArray[np.float64]


class NoEquilibrium(TillerLensError):
    """No braced or drawn state exists, or none was found, for the bow and string given."""

    code = "no_equilibrium"


@dataclass(frozen=True, eq=False)
class ElasticLimb:
    """The part of a limb that bends, from the end of the stiff handle (s = 0) to the nock.

    ``s`` (n,) mm, rising from 0; ``ei`` (n,) bending stiffness, N mm2 (``inf`` = stiff there); ``kappa0``
    (n,) natural curvature, 1/mm, negative where the resting limb leans toward the back. Linear between the
    points.
    """

    s: Floats
    ei: Floats
    kappa0: Floats

    def __post_init__(self) -> None:
        s, ei, k = (np.asarray(a, float) for a in (self.s, self.ei, self.kappa0))
        if s.ndim != 1 or s.size < 2 or s.shape != ei.shape or s.shape != k.shape:
            raise NoEquilibrium("A limb needs two places or more, each with stiffness and natural curvature.")
        if s[0] != 0 or np.any(np.diff(s) <= 0) or not np.all(np.isfinite(s)):
            raise NoEquilibrium("The places along a limb must rise from 0 at the fade.")
        if np.any(~(ei > 0)) or not np.all(np.isfinite(k)):
            raise NoEquilibrium("A limb's stiffness must be above zero everywhere.")
        for name, a in (("s", s), ("ei", ei), ("kappa0", k)):
            object.__setattr__(self, name, a)

    @property
    def length(self) -> float:
        return float(self.s[-1])

    @classmethod
    def uniform(cls, length: float, ei: float, kappa0: float = 0.0) -> ElasticLimb:
        return cls(np.array([0.0, length]), np.full(2, ei), np.full(2, kappa0))


@dataclass(frozen=True, eq=False)
class LimbShape:
    """One limb's centreline from the handle's centre to the nock; arrays of equal length (m,).

    ``s`` along the limb from the handle's centre; ``x``, ``y`` in the bow's frame (x < 0 for the lower
    limb); ``angle`` of the tangent, ``curvature``, ``moment``: positive toward the belly.
    """

    s: Floats
    x: Floats
    y: Floats
    angle: Floats
    curvature: Floats
    moment: Floats

    @property
    def nock(self) -> tuple[float, float]:
        return float(self.x[-1]), float(self.y[-1])


@dataclass(frozen=True, eq=False)
class Chain:
    """A limb as n equal links; joint i lies at ``i * step``; joint 0 is the fade, joint n the nock (half
    cells).
    """

    step: float
    stiff: float  # handle's length before joint 0
    bend: Floats  # (n + 1,) natural turn gathered at each joint, rad
    give: Floats  # (n + 1,) turn per moment gathered at each joint, rad / (N mm)
    inward: list[tuple[float, float]]  # (give, bend) of joints n-1 ... 0, for the march
    limb: ElasticLimb


def _cell_sums(s: Floats, f: Floats, edges: Floats) -> Floats:
    """Integrals of the piecewise linear ``f(s)`` between neighbouring edges."""
    knots = np.unique(np.concatenate([s, edges]))
    v = np.interp(knots, s, f)
    total = np.concatenate([[0.0], np.cumsum(0.5 * (v[1:] + v[:-1]) * np.diff(knots))])
    return np.asarray(np.diff(np.interp(edges, knots, total)), float)


GAUSS_AT, GAUSS_WEIGHT = np.polynomial.legendre.leggauss(3)


def _give_sums(limb: ElasticLimb, edges: Floats) -> Floats:
    """Integrals of 1/EI over the cells, by 3-point Gauss in each smooth piece (EI is linear in it)."""
    knots = np.unique(np.concatenate([limb.s, edges]))
    mid, half = 0.5 * (knots[1:] + knots[:-1]), 0.5 * np.diff(knots)
    at = mid[:, None] + half[:, None] * GAUSS_AT
    stiff = np.isinf(limb.ei)
    finite = np.where(stiff, 1.0, limb.ei)
    give = 1.0 / np.interp(at, limb.s, finite)
    # a piece that touches a stiff point is stiff
    piece = np.clip(np.searchsorted(limb.s, mid) - 1, 0, limb.s.size - 2)
    give[stiff[piece] | stiff[piece + 1]] = 0.0
    total = np.concatenate([[0.0], np.cumsum((give * GAUSS_WEIGHT).sum(1) * half)])
    return np.asarray(np.diff(np.interp(edges, knots, total)), float)


def make_chain(limb: ElasticLimb, stiff: float, n: int) -> Chain:
    if stiff < 0:
        raise NoEquilibrium("The handle's length cannot be negative.", "Measure the stiff part outward.")
    step = limb.length / n
    edges = np.concatenate([[0.0], (np.arange(n) + 0.5) * step, [limb.length]])
    bend, give = _cell_sums(limb.s, limb.kappa0, edges), _give_sums(limb, edges)
    inward = list(zip(give[n - 1 :: -1].tolist(), bend[n - 1 :: -1].tolist(), strict=True))
    return Chain(step, stiff, bend, give, inward, limb)


@dataclass(frozen=True)
class MarchedLimb:
    """A limb followed from the nock to the handle's centre in the string's frame, with derivatives by
    (tension, angle).

    ``along``: handle's centre to nock along the string's line; ``lever``: distance of the handle's centre
    from that line; ``lean``: angle between the handle and that line; ``*_t``, ``*_a``: derivatives.
    """

    along: float
    lever: float
    lean: float
    along_t: float
    along_a: float
    lever_t: float
    lever_a: float
    lean_t: float
    lean_a: float


def march(chain: Chain, tension: float, angle: float) -> MarchedLimb:
    """Follow the limb inward. ``angle``: of the last link to the string's line, i.e. the string angle half
    a link in.
    """
    h, a, xi, eta = chain.step, angle, 0.0, 0.0
    xi_t = xi_a = eta_t = eta_a = a_t = 0.0
    a_a = 1.0
    sin, cos = math.sin, math.cos
    for give, bend in chain.inward:
        s, c = h * sin(a), h * cos(a)
        xi += c
        eta += s
        xi_t -= s * a_t
        xi_a -= s * a_a
        eta_t += c * a_t
        eta_a += c * a_a
        a -= bend + give * tension * eta
        a_t -= give * (eta + tension * eta_t)
        a_a -= give * tension * eta_a
    s, c = chain.stiff * sin(a), chain.stiff * cos(a)
    xi_t, xi_a, eta_t, eta_a = xi_t - s * a_t, xi_a - s * a_a, eta_t + c * a_t, eta_a + c * a_a
    return MarchedLimb(xi + c, eta + s, a, xi_t, xi_a, eta_t, eta_a, a_t, a_a)


def outward_path(chain: Chain, turn: Floats) -> tuple[Floats, Floats, Floats]:
    """Joint positions (outward, toward the belly) from the handle's centre and link angles, from the turn
    at each joint.
    """
    angle = np.cumsum(turn[:-1])
    x = chain.stiff + chain.step * np.concatenate([[0.0], np.cumsum(np.cos(angle))])
    w = chain.step * np.concatenate([[0.0], np.cumsum(np.sin(angle))])
    return x, w, angle


def limb_shape(chain: Chain, moment: Floats, side: int) -> LimbShape:
    """The limb with the given moment at its joints, in the bow's frame."""
    turn = chain.bend + chain.give * moment
    x, w, link = outward_path(chain, turn)
    n = link.size
    s = np.asarray(np.arange(n + 1) * chain.step, float)
    kappa = np.interp(s, chain.limb.s, chain.limb.kappa0) + moment / np.interp(s, chain.limb.s, chain.limb.ei)
    # a joint's own angle is midway between its links; at the nock half a cell of natural bend remains, and
    # the small bend of its load
    last = link[-1] + chain.bend[-1] + chain.give[-1] * moment[-2] / 4
    angle = np.concatenate([[0.0], 0.5 * (link[1:] + link[:-1]), [last]])
    if chain.stiff > 0:  # the handle's centre leads the arrays
        s, x, w = np.append(0.0, s + chain.stiff), np.append(0.0, x), np.append(0.0, w)
        angle, kappa, moment = np.append(0.0, angle), np.append(0.0, kappa), np.append(moment[0], moment)
    return LimbShape(s, np.multiply(side, x), np.negative(w), np.asarray(angle, float), np.asarray(kappa, float), moment)


def joint_moments(chain: Chain, tension: float, angle: float) -> Floats:
    """Moment at joints 0 ... n of a limb whose last link meets the string at ``angle``."""
    h, a, eta = chain.step, angle, 0.0
    out = [0.0]
    for give, bend in chain.inward:
        eta += h * math.sin(a)
        out.append(tension * eta)
        a -= bend + give * tension * eta
    return np.array(out[::-1])


def bend_energy(chain: Chain, moment: Floats) -> float:
    return float(0.5 * np.sum(chain.give * moment**2))


# ------------------------------------------------------------------------------------------------- Newton


MOST_STEPS, MOST_HALVINGS = 40, 12  # of Newton's method: it settles in under ten, or not at all


def newton(fun: Callable[[Floats], tuple[Floats, Floats]], x: Floats, tol: float = 1e-11) -> Floats | None:
    """Damped Newton; ``fun`` gives residuals and Jacobian, both scaled to order one. None where it does not
    settle.
    """
    r, j = fun(x)
    for _ in range(MOST_STEPS):
        size = float(np.abs(r).max())
        if size < tol:
            return x
        try:
            dx = np.linalg.solve(j, -r)
        except np.linalg.LinAlgError:
            return None
        # no angle turns by more than half a radian
        damp = min(1.0, 0.5 / max(1e-12, float(np.abs(dx[1:]).max())))
        for _ in range(MOST_HALVINGS):
            trial = x + damp * dx
            if trial[0] > 0:
                r2, j2 = fun(trial)
                if np.all(np.isfinite(r2)) and (np.abs(r2).max() < size or np.abs(r2).max() < tol):
                    break
            damp *= 0.5
        else:
            return x if size < 100 * tol else None
        x, r, j = trial, r2, j2
    return None


class EvenFall:
    """Shapes under a moment that falls evenly from the handle to the nock: a start for Newton."""

    def __init__(self, chains: tuple[Chain, Chain]) -> None:
        self.chains = chains
        self.fall = tuple(1 - np.arange(c.bend.size) / (c.bend.size - 1) for c in chains)

    def nocks(self, root: float) -> list[tuple[float, float, float]]:
        """(outward, toward belly, last link's angle) of both nocks for the given moment at the fades."""
        out = []
        for c, fall in zip(self.chains, self.fall, strict=True):
            x, w, link = outward_path(c, c.bend + c.give * root * fall)
            out.append((float(x[-1]), float(w[-1]), float(link[-1])))
        return out

    def most(self) -> float:
        """A moment that rolls the softer limb up by three radians: more than any bow bears."""
        return max(3.0 / float(np.sum(c.give * f)) for c, f in zip(self.chains, self.fall, strict=True))
