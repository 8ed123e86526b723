"""One estimate of the camera, the handle's centre and the two nocks, from every length typed, clicked and seen.

They hang together. A bow that looks longer on one side of its handle may have that limb longer, its nock further in from the
tip, or the camera turned; which it is, only what else is known can tell. So they are one estimate with one covariance, and what
is left open between them goes through to every number as the same doubt.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.shot import Shot
from tillerlens.photo.camera import N_PARAMETERS, CameraFit, with_theta
from tillerlens.shape.bow_shape import BowShape, Evidence
from tillerlens.shape.uncertainty import Perturbation, as_seen, camera_factor, from_seen, seen_by_theta

Array = NDArray[np.float64]

LENGTH_U_MM = 1.5  # a tape along the bow or a limb, to a sixteenth, from marks made by eye
# Many bows are laid out from their middle, to a sixteenth or so; where one limb is made longer the handle stands a quarter of an
# inch to an inch off it, either way (common practice, no source).
EVEN_U_MM, EVEN = 0.4, 0.5
UNEVEN_MM, UNEVEN_U_MM = 14.0, 6.0
# Wood past the nocks: none, or half an inch to an inch and a half, alike at both ends to a third of an inch (common practice, no
# source). Tips lost on a ground of their own colour are short of the nocks by less.
PAST_MM, PAST_U_MM, PAST_APART_U_MM, PAST = 25.0, 10.0, 8.0, 0.45
LOST_MM, LOST_U_MM, LOST = -8.0, 5.0, 0.1
# One tip alone hidden, or lost on its ground, by an inch or so; the other ends at its nock (no source).
ONE_LOST_MM, ONE_LOST_U_MM, ONE_LOST = -22.0, 10.0, 0.03
# Beyond one end something else may have been followed: a shadow, a line, the string.
STRAYED_MM, STRAYED_U_MM, STRAYED = 70.0, 30.0, 0.04
# Beyond the one, what was typed and the picture are both less sure; beyond the other what was typed is not believed.
AGREES_U, MOST_U = 2.0, 5.0
ROUNDS, STAYS_MM = 3, 0.5  # of linearising; of shift and overhang, between two of them: it is linear enough
STEP_MM = 2.0  # of shift and overhang, for finite differences
DIMENSIONS = N_PARAMETERS + 3
SHIFT, UPPER, LOWER = N_PARAMETERS, N_PARAMETERS + 1, N_PARAMETERS + 2


@dataclass(frozen=True, eq=False)
class HandleReading:
    """A place (2,) px of the handle's centre in the picture, and its standard uncertainty along the bow; ``maker_u_mm`` of it is
    the same however often one looks."""

    px: Array
    u_mm: float
    maker_u_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class Supposition:
    """One way the bow may be, before its lengths are held against the picture.

    Attributes
    ----------
    name : where its nocks lie: "at nocks" (at the limbs' ends), "past", "lost" or "known".
    even : laid out with limbs alike, or as typed.
    weight : prior probability, up to a factor.
    mean, covariance : (3,), (3, 3) of the handle's shift from the bow's middle (+ toward the upper nock) and the wood past the
        upper and the lower nock, mm.
    """

    name: str
    even: bool
    weight: float
    mean: Array
    covariance: Array


@dataclass(frozen=True, eq=False)
class Settled:
    """The estimate.

    Attributes
    ----------
    fit : the camera.
    shift_mm, overhang_mm : of the handle from the bow's middle, + toward the upper nock; of wood past the upper, lower nock.
    covariance : (13, 13) of the camera, as ``as_seen`` expresses it, shift and overhangs.
    length_off_u : how far the length typed was from what the picture let expect under the likeliest supposition, in standard
        uncertainties, + where the bow looks too short.
    shares : posterior probability of each supposition about the nocks, by name.
    believed : each of the handle's places.
    """

    fit: CameraFit
    shift_mm: float
    overhang_mm: tuple[float, float]
    covariance: Array
    length_off_u: float
    shares: dict[str, float]
    believed: tuple[bool, ...]

    @property
    def shift_u_mm(self) -> float:
        """Standard uncertainty of the handle's centre along the bow."""
        return float(np.sqrt(self.covariance[SHIFT, SHIFT]))

    def applied(self, e: Evidence) -> Evidence:
        """The evidence with this camera, shift and overhang."""
        return replace(e, camera=self.fit.camera, middle_shift_mm=self.shift_mm, overhang_mm=self.overhang_mm)

    def perturbations(self, causes: tuple[str, str]) -> list[Perturbation]:
        """The covariance as independent perturbations; ``causes``: of the upper and the lower nock's place."""
        factor, camera_causes = _factor(self.covariance)
        names = [*camera_causes, "middle", *causes]

        def mover(step: Array) -> Callable[[Evidence], Evidence]:
            def moved(e: Evidence) -> Evidence:
                seen = as_seen(e.camera.theta) + step[:N_PARAMETERS]
                over = (e.overhang_mm[0] + step[UPPER], e.overhang_mm[1] + step[LOWER])
                shift = e.middle_shift_mm + step[SHIFT]
                return replace(e, camera=with_theta(e.camera, from_seen(seen)), middle_shift_mm=shift, overhang_mm=over)

            return moved

        return [Perturbation(name, mover(factor[:, k])) for k, name in enumerate(names)]


def _factor(covariance: Array) -> tuple[Array, list[str]]:
    """(13, 13) F with F F^T = covariance: the camera's columns as ``camera_factor`` takes them apart, then what is left open of
    shift and overhang once the camera is known."""
    n = N_PARAMETERS
    camera, causes = camera_factor(covariance[:n, :n])
    out = np.zeros((DIMENSIONS, DIMENSIONS))
    out[:n, :n] = camera
    along = _solved(camera, covariance[:n, n:]).T
    out[n:, :n] = along
    left = covariance[n:, n:] - along @ along.T
    w, v = np.linalg.eigh((left + left.T) / 2)
    w = np.clip(w, 0.0, None)
    # triangular, so that each column is named by the first thing it moves
    q = np.linalg.qr((v * np.sqrt(w)).T)[1].T
    out[n:, n:] = q * np.where(
        np.diag(q) < 0, -1.0, 1.0
    )  # which way a column points is the library's whim: each moves its own up
    return out, causes


def _solved(matrix: Array, right: Array) -> Array:
    """x of ``matrix`` x = ``right``, whose rows differ in size by many orders (radians, pixels)."""
    size = np.maximum(np.linalg.norm(matrix, axis=1, keepdims=True), 1e-300)
    return np.asarray(np.linalg.lstsq(matrix / size, right / size, rcond=None)[0])


def suppositions(
    shot: Shot, known: tuple[float | None, float | None], tip_u_mm: tuple[float, float], squared: bool
) -> list[Supposition]:
    """The ways the bow may be, before the picture's lengths are asked.

    Parameters
    ----------
    shot : the lengths typed.
    known : how far inside its end each nock is known to lie, mm, by the string or a click; None where the end alone is seen.
    tip_u_mm : standard uncertainty of each nock's or end's place.
    squared : whether marks square the picture; else the length can't tell the nocks' places from the camera's turn.
    """
    if shot.upper_limb_length_mm is not None:
        shifts = [(True, 1.0, shot.nock_to_nock_mm / 2 - shot.upper_limb_length_mm, LENGTH_U_MM)]
    else:
        shifts = [(True, EVEN, 0.0, EVEN_U_MM)] + [(False, (1 - EVEN) / 2, way * UNEVEN_MM, UNEVEN_U_MM) for way in (-1, 1)]
    known_so = [("known", 1.0, np.zeros(2), np.zeros((2, 2)))]
    out = []
    for even, share, shift, shift_u in shifts:
        for name, weight, past, own in _ends(squared) if None in known else known_so:
            mean, nocks = past.copy(), own.copy()
            for k, offset in enumerate(known):
                if offset is not None or tip_u_mm[k] > LOST_U_MM:  # an end so unsure is a place on the limb: it tells no tip
                    mean[k] = LOST_MM if offset is None else offset
                    nocks[k, :], nocks[:, k] = 0.0, 0.0
                nocks[k, k] += tip_u_mm[k] ** 2
            covariance = np.zeros((3, 3))
            covariance[0, 0], covariance[1:, 1:] = shift_u**2, nocks
            out.append(Supposition(name, even, share * weight, np.r_[shift, mean], covariance))
    return out


@dataclass(frozen=True)
class GripSeen:
    """How far toward the upper nock from the bow's middle one picture's grip puts the handle's centre, and its standard
    uncertainty; ``maker_u_mm`` of it is the same in all pictures."""

    shift_mm: float
    u_mm: float
    maker_u_mm: float


def handle_by_grips(shot: Shot, grips: Sequence[GripSeen]) -> tuple[float, float]:
    """The handle's shift and its standard uncertainty (mm) by many looks at one bow's grip and by how bows are laid out.

    Looks at one bow in one light stray alike, so what each may have to itself is not averaged, and further apart they tell less.
    """
    ways = [
        (w.even, w.weight, float(w.mean[0]), float(w.covariance[0, 0])) for w in suppositions(shot, (0.0, 0.0), (0.0, 0.0), True)
    ]
    even, weight, mean, variance = (np.array(c) for c in zip(*ways, strict=True))
    if grips:
        x, u, maker = (np.array(c) for c in zip(*((g.shift_mm, g.u_mm, g.maker_u_mm) for g in grips), strict=True))
        counts = 1 / u**2
        seen, makers = _weighted_median(x, counts), _weighted_median(maker, counts)
        apart2 = float(np.sum(counts * (x - seen) ** 2) / counts.sum())
        own2 = max(_weighted_median(u, counts) ** 2 - makers**2, apart2)
        spread = variance + makers**2 + own2
        weight = weight * np.exp(-0.5 * (seen - mean) ** 2 / spread) / np.sqrt(spread)
        mean, variance = mean + variance / spread * (seen - mean), variance * (1 - variance / spread)
    weight = weight / weight.sum()
    likelier = even == (weight[even].sum() >= 0.5)
    at = float(np.sum((weight * mean)[likelier]) / weight[likelier].sum())
    return at, float(np.sqrt(np.sum(weight * (variance + (mean - at) ** 2))))


def _weighted_median(x: Array, weight: Array) -> float:
    order = np.argsort(x)
    return float(x[order][np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2)])


def _ends(squared: bool) -> list[tuple[str, float, Array, Array]]:
    """How the limbs may end: name, prior weight, wood past the upper and the lower nock (2,), mm, and its covariance (2, 2)."""

    def alike(u: float, apart: float) -> Array:
        return np.array([[u**2 + apart**2, u**2 - apart**2], [u**2 - apart**2, u**2 + apart**2]])

    ways = [("at nocks", 1 - PAST - LOST * squared, np.zeros(2), alike(0.0, 0.0))]
    ways.append(("past", PAST, np.full(2, PAST_MM), alike(PAST_U_MM, PAST_APART_U_MM)))
    if squared:
        ways.append(("lost", LOST, np.full(2, LOST_MM), alike(LOST_U_MM, LOST_U_MM)))
        for k in (0, 1):
            only = np.eye(2)[k]
            ways.append(("lost", ONE_LOST, ONE_LOST_MM * only, np.diag(ONE_LOST_U_MM**2 * only)))
            far = STRAYED_MM * only + PAST_MM * (1 - only)
            ways.append(("past", STRAYED, far, alike(STRAYED_U_MM / 2, STRAYED_U_MM / 2)))
    return ways


@dataclass(frozen=True, eq=False)
class _Prior:
    """Before the lengths: the mean (13,) with shift and overhang 0, the camera's covariance (10, 10), each observation's standard
    uncertainty (K,), mm, and which of them are believed (K,)."""

    mean: Array
    camera: Array
    u: Array
    use: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class _Observed:
    """What the observations miss (K,), mm, at a state (13,), and how that changes with it (K, 13)."""

    at: Array
    miss: Array
    jacobian: Array


@dataclass(frozen=True, eq=False)
class _Posterior:
    """Under one supposition: log evidence, mean (13,), covariance (13, 13), and how far off each observation (K,) was in its own
    standard uncertainty."""

    evidence: float
    mean: Array
    covariance: Array
    off: Array


def settle(
    fit: CameraFit,
    ways: Sequence[Supposition],
    evidence: Evidence,
    shape: Callable[[Evidence], BowShape],
    nock_to_nock_mm: float,
    handle: Sequence[HandleReading],
) -> Settled:
    """Hold the length typed and the handle's places against the picture under each supposition, and bring together what is left.

    A linear-Gaussian update of a mixture, linearised twice; the result is the mixture's mean and covariance.

    Parameters
    ----------
    fit : the camera by its marks.
    ways : what the bow may be.
    evidence, shape : for the bow's length and frame under any camera, shift and overhang.
    nock_to_nock_mm : the length typed.
    handle : places of the handle's centre.
    """
    to_seen = seen_by_theta(fit.camera.theta)
    prior = _Prior(
        np.r_[as_seen(fit.camera.theta), np.zeros(3)],
        to_seen @ fit.covariance @ to_seen.T,
        np.r_[LENGTH_U_MM, [h.u_mm for h in handle]],
        np.ones(1 + len(handle), bool),
    )

    def misses(z: Array) -> Array:
        e = _at(evidence, fit, z)
        s = shape(e)
        places = [(e.camera.to_plane(h.px[None], e.standoff_mm)[0] - s.origin_mm) @ s.x_axis for h in handle]
        return np.array([s.length_mm - nock_to_nock_mm, *places], float)

    covariance = np.zeros((DIMENSIONS, DIMENSIONS))
    covariance[:N_PARAMETERS, :N_PARAMETERS] = prior.camera
    steps, _ = _factor(covariance + np.diag(np.r_[np.zeros(N_PARAMETERS), np.full(3, STEP_MM**2)]))
    at = prior.mean + np.r_[np.zeros(N_PARAMETERS), sum(w.weight * w.mean for w in ways) / sum(w.weight for w in ways)]
    for turn in range(ROUNDS):
        seen = _linearised(misses, at, steps)
        if turn == 0:
            prior, ways, off = _doubted(prior, list(ways), seen)
        mean, covariance, weight = _mixture([_updated(way, prior, seen) for way in ways], ways)
        moved = float(np.max(np.abs(mean - at)[N_PARAMETERS:])) if turn else np.inf
        at = mean
        if moved < STAYS_MM:
            break
    # the perturbations' covariance lives where it was linearised: in what is seen
    placed = _fit_at(fit, at, covariance), float(at[SHIFT]), (float(at[UPPER]), float(at[LOWER])), covariance
    return Settled(*placed, -off, _shares(ways, weight), tuple(bool(b) for b in prior.use[1:]))


def _at(evidence: Evidence, fit: CameraFit, z: Array) -> Evidence:
    """The evidence under a state (13,)."""
    camera = with_theta(fit.camera, from_seen(z[:N_PARAMETERS]))
    return replace(evidence, camera=camera, middle_shift_mm=float(z[SHIFT]), overhang_mm=(float(z[UPPER]), float(z[LOWER])))


def _shares(ways: Sequence[Supposition], weight: Array) -> dict[str, float]:
    out: dict[str, float] = {}
    for way, w in zip(ways, weight, strict=True):
        out[way.name] = out.get(way.name, 0.0) + float(w)
    return out


def _fit_at(fit: CameraFit, at: Array, covariance: Array) -> CameraFit:
    """The camera's fit at a state (13,), with its part of the covariance (13, 13)."""
    theta = from_seen(at[:N_PARAMETERS])
    back = np.linalg.inv(seen_by_theta(theta))
    pose = back @ covariance[:N_PARAMETERS, :N_PARAMETERS] @ back.T
    return replace(fit, camera=with_theta(fit.camera, theta), covariance=(pose + pose.T) / 2)


def _linearised(misses: Callable[[Array], Array], at: Array, steps: Array) -> _Observed:
    """The observations about a state, by finite differences along the columns of ``steps`` (13, 13)."""
    miss = misses(at)
    slopes = np.array([misses(at + steps[:, k]) - miss for k in range(DIMENSIONS)]).T  # per unit of each step
    size = np.linalg.norm(steps, axis=1)
    jacobian = np.linalg.lstsq((steps / size[:, None]).T, slopes.T, rcond=None)[0].T / size
    return _Observed(at, miss, jacobian)


def _doubted(prior: _Prior, ways: list[Supposition], seen: _Observed) -> tuple[_Prior, list[Supposition], float]:
    """Prior and suppositions as far as what was typed agrees with the picture, and how far off the length was, in standard
    uncertainties. A little off, all of it is less sure; far off, what was typed is not believed: the camera is not bent to it."""

    def likeliest() -> Array:
        return max((_updated(way, prior, seen) for way in ways), key=lambda p: p.evidence).off

    best = likeliest()
    off = float(best[0])
    if AGREES_U < abs(off) <= MOST_U:
        # One of the three is less sure than it says, and nothing tells which. A nock's place rests on one look at the picture, so
        # it is the likeliest to be off.
        u = prior.u.copy()
        u[0] *= abs(off) / AGREES_U
        prior = replace(prior, camera=prior.camera * (off / AGREES_U) ** 2, u=u)
        ways = [_nocks_less_sure(way, off**2) for way in ways]
        best = likeliest()
    while np.max(np.abs(best[prior.use]), initial=0.0) > MOST_U:
        use = prior.use.copy()
        use[np.argmax(np.where(use, np.abs(best), 0.0))] = False
        prior = replace(prior, use=use)
        best = likeliest()
    return prior, ways, off


def _nocks_less_sure(way: Supposition, by: float) -> Supposition:
    """The same supposition with the variances of the wood past the nocks ``by`` times as large."""
    covariance = way.covariance.copy()
    covariance[1:, 1:] *= by
    return replace(way, covariance=covariance)


def _mixture(found: Sequence[_Posterior], ways: Sequence[Supposition]) -> tuple[Array, Array, Array]:
    """Mean (13,) and covariance (13, 13) of the posterior mixture, and the suppositions' posterior weights.

    Limbs are laid out alike or not: half of one and half of the other is no bow. The mean is that of the likelier, and the
    covariance spans both. Of the nocks the mean is taken over all.
    """
    weight = np.exp([p.evidence - max(q.evidence for q in found) for p in found])
    weight = weight / weight.sum()
    even = np.array([way.even for way in ways])
    likelier = even == (weight[even].sum() >= 0.5)
    share = np.where(likelier, weight, 0.0) / weight[likelier].sum()
    mean = np.asarray(sum(w * p.mean for w, p in zip(share, found, strict=True)))
    whole = sum(w * (p.covariance + np.outer(p.mean - mean, p.mean - mean)) for w, p in zip(weight, found, strict=True))
    return mean, np.asarray((whole + whole.T) / 2), weight


def _updated(way: Supposition, prior: _Prior, seen: _Observed) -> _Posterior:
    """Bayes' rule under one supposition, linear and Gaussian."""
    covariance = np.zeros((DIMENSIONS, DIMENSIONS))
    covariance[:N_PARAMETERS, :N_PARAMETERS], covariance[N_PARAMETERS:, N_PARAMETERS:] = prior.camera, way.covariance
    mean = prior.mean + np.r_[np.zeros(N_PARAMETERS), way.mean]
    expected = seen.miss + seen.jacobian @ (mean - seen.at)
    spread = seen.jacobian @ covariance @ seen.jacobian.T + np.diag(prior.u**2)
    off = expected / np.sqrt(np.diag(spread))
    use = prior.use
    j, own = seen.jacobian[use], spread[np.ix_(use, use)]
    evidence = float(np.log(way.weight))
    if use.any():
        gain = covariance @ j.T @ np.linalg.inv(own)
        evidence -= 0.5 * float(expected[use] @ np.linalg.solve(own, expected[use]) + np.linalg.slogdet(own)[1])
        mean = mean - gain @ expected[use]
        covariance = covariance - gain @ j @ covariance
    return _Posterior(evidence, mean, covariance, off)
