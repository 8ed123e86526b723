"""What was typed, clicked and seen of the bow's lengths is brought together: the camera, the handle's centre, the two nocks.

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
# Beyond one end something else may have been followed: a shadow, a line, the string.
STRAYED_MM, STRAYED_U_MM, STRAYED = 70.0, 30.0, 0.04
# Beyond the one, what was typed and the picture are both less sure; beyond the other what was typed is not believed.
AGREES_U, MOST_U = 2.0, 5.0
STAYS_MM = 0.5  # of shift and overhang, between two rounds: it is linear enough
DIMENSIONS = N_PARAMETERS + 3
SHIFT, UPPER, LOWER = N_PARAMETERS, N_PARAMETERS + 1, N_PARAMETERS + 2


@dataclass(frozen=True, eq=False)
class HandleReading:
    """A place of the handle's centre in the picture, and its standard uncertainty along the bow."""

    px: Array
    u_mm: float


@dataclass(frozen=True, eq=False)
class Supposed:
    """One way the bow may be, before its lengths are held against the picture: whether it was laid out with limbs alike
    (``even``), or as typed; ``weight``; ``mean`` (3,) and ``covariance`` (3, 3)
    of the handle's shift from the bow's middle (+ toward the upper nock) and the wood past the upper and the lower nock, mm."""

    name: str
    even: bool
    weight: float
    mean: Array
    covariance: Array


@dataclass(frozen=True, eq=False)
class Settled:
    """The camera, shift and overhang with their covariance (13, 13), the camera's part in what is seen (``as_seen``).

    ``length_off_u``: how far the length typed was from what the picture let expect under the likeliest supposition, in standard
    uncertainties, + where the bow looks too short. ``shares``: what is left of each supposition about the nocks, by name.
    """

    fit: CameraFit
    shift_mm: float
    overhang_mm: tuple[float, float]
    covariance: Array
    length_off_u: float
    shares: dict[str, float]
    believed: tuple[bool, ...]  # each of the handle's places

    @property
    def shift_u_mm(self) -> float:
        return float(np.sqrt(self.covariance[SHIFT, SHIFT]))

    def applied(self, e: Evidence) -> Evidence:
        return replace(e, camera=self.fit.camera, middle_shift_mm=self.shift_mm, overhang_mm=self.overhang_mm)

    def nudges(self, causes: tuple[str, str]) -> list[Perturbation]:
        """``causes``: of the upper and the lower nock's place."""
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
    out[n:, n:] = q
    return out, causes


def _solved(matrix: Array, right: Array) -> Array:
    """x of ``matrix`` x = ``right``, whose rows differ in size by many orders (radians, pixels)."""
    size = np.maximum(np.linalg.norm(matrix, axis=1, keepdims=True), 1e-300)
    return np.asarray(np.linalg.lstsq(matrix / size, right / size, rcond=None)[0])


def supposed(shot: Shot, put: tuple[float | None, float | None], tip_u_mm: tuple[float, float], squared: bool) -> list[Supposed]:
    """The ways the bow may be, before the picture's lengths are asked.

    ``put``: how far inside its end each nock is known to lie, mm, by the string or a click; None where the end alone is seen.
    ``tip_u_mm``: standard uncertainty of each nock's or end's place.
    """
    if shot.upper_limb_length_mm is not None:
        shifts = [(True, 1.0, shot.nock_to_nock_mm / 2 - shot.upper_limb_length_mm, LENGTH_U_MM)]
    else:
        shifts = [(True, EVEN, 0.0, EVEN_U_MM)] + [(False, (1 - EVEN) / 2, way * UNEVEN_MM, UNEVEN_U_MM) for way in (-1, 1)]
    ways = [("at nocks", 1 - PAST - LOST * squared, np.zeros(2), 0.0, 0.0)]
    ways.append(("past", PAST, np.full(2, PAST_MM), PAST_U_MM, PAST_APART_U_MM))
    if squared:  # else the length can't tell them from a camera's turn
        ways.append(("lost", LOST, np.full(2, LOST_MM), LOST_U_MM, LOST_U_MM))
        strayed = np.array([STRAYED_MM, PAST_MM])
        ways += [("past", STRAYED, far, STRAYED_U_MM / 2, STRAYED_U_MM / 2) for far in (strayed, strayed[::-1])]
    if None not in put:
        ways = [("put", 1.0, np.zeros(2), 0.0, 0.0)]
    out = []
    for even, share, shift, shift_u in shifts:
        for name, weight, past, u, apart in ways:
            nocks = np.array([[u**2 + apart**2, u**2 - apart**2], [u**2 - apart**2, u**2 + apart**2]])
            mean = past.copy()
            for k, known in enumerate(put):
                if known is not None or tip_u_mm[k] > LOST_U_MM:  # an end so unsure is a place on the limb: it tells no tip
                    mean[k] = LOST_MM if known is None else known
                    nocks[k, :], nocks[:, k] = 0.0, 0.0
                nocks[k, k] += tip_u_mm[k] ** 2
            covariance = np.zeros((3, 3))
            covariance[0, 0], covariance[1:, 1:] = shift_u**2, nocks
            out.append(Supposed(name, even, share * weight, np.r_[shift, mean], covariance))
    return out


def settle(
    fit: CameraFit,
    ways: Sequence[Supposed],
    evidence: Evidence,
    shape: Callable[[Evidence], BowShape],
    nock_to_nock_mm: float,
    handle: Sequence[HandleReading],
) -> Settled:
    """Hold the length typed and the handle's places against the picture under each supposition, and bring together what is left.

    A linear-Gaussian update of a mixture, linearised twice; the mixture's mean and covariance are kept.
    """
    to_seen = seen_by_theta(fit.camera.theta)
    camera = to_seen @ fit.covariance @ to_seen.T
    start = np.r_[as_seen(fit.camera.theta), np.zeros(3)]
    u = np.r_[LENGTH_U_MM, [h.u_mm for h in handle]]
    at = start + np.r_[np.zeros(N_PARAMETERS), sum(w.weight * w.mean for w in ways) / sum(w.weight for w in ways)]
    covariance = np.zeros((DIMENSIONS, DIMENSIONS))
    covariance[:N_PARAMETERS, :N_PARAMETERS] = camera
    steps, _ = _factor(covariance + np.diag(np.r_[np.zeros(N_PARAMETERS), np.full(3, 2.0**2)]))

    def misses(z: Array) -> Array:
        e = replace(
            evidence,
            camera=with_theta(fit.camera, from_seen(z[:N_PARAMETERS])),
            middle_shift_mm=float(z[SHIFT]),
            overhang_mm=(float(z[UPPER]), float(z[LOWER])),
        )
        s = shape(e)
        off = [s.length_mm - nock_to_nock_mm]
        for place in handle:
            off.append(float((e.camera.to_plane(place.px[None], e.standoff_mm)[0] - s.origin_mm) @ s.x_axis))
        return np.array(off)

    use = np.ones(len(u), bool)
    for turn in range(3):
        miss = misses(at)
        slopes = np.array([misses(at + steps[:, k]) - miss for k in range(DIMENSIONS)]).T  # per unit of each step
        size = np.linalg.norm(steps, axis=1)
        jacobian = np.linalg.lstsq((steps / size[:, None]).T, slopes.T, rcond=None)[0].T / size
        found = [_updated(start, camera, way, at, miss, jacobian, u, use) for way in ways]
        best = max(found, key=lambda f: f[0])
        if turn == 0:
            off = float(best[3][0])
            if AGREES_U < abs(off) <= MOST_U:
                # One of the three is less sure than it says, and nothing tells which. A nock's place rests on one look at the
                # picture, so it is the likeliest to be off.
                camera, u[0] = camera * (off / AGREES_U) ** 2, u[0] * abs(off) / AGREES_U
                ways = [_nocks_less_sure(way, off**2) for way in ways]
                found = [_updated(start, camera, way, at, miss, jacobian, u, use) for way in ways]
                best = max(found, key=lambda f: f[0])
            while np.max(np.abs(best[3][use]), initial=0.0) > MOST_U:
                # what was typed, or a place that is the handle's, and the picture disagree: the camera is not bent to it
                use[np.argmax(np.where(use, np.abs(best[3]), 0.0))] = False
                found = [_updated(start, camera, way, at, miss, jacobian, u, use) for way in ways]
                best = max(found, key=lambda f: f[0])
        weight = np.exp([f[0] - best[0] for f in found])
        weight = weight / weight.sum()
        # limbs are laid out alike or not: half of one and half of the other is no bow. The likelier is told, and the doubt of it
        # spans both. Of the nocks the mean is told.
        even = np.array([way.even for way in ways])
        told = even == (weight[even].sum() >= 0.5)
        share = np.where(told, weight, 0.0) / weight[told].sum()
        mean = sum(w * f[1] for w, f in zip(share, found, strict=True))
        whole = sum(w * (f[2] + np.outer(f[1] - mean, f[1] - mean)) for w, f in zip(weight, found, strict=True))
        moved = float(np.max(np.abs(mean - at)[N_PARAMETERS:])) if turn else np.inf
        at = np.asarray(mean)
        if moved < STAYS_MM:
            break
    theta = from_seen(at[:N_PARAMETERS])
    back = np.linalg.inv(seen_by_theta(theta))
    covariance = np.asarray((whole + whole.T) / 2)
    pose = back @ covariance[:N_PARAMETERS, :N_PARAMETERS] @ back.T
    shares: dict[str, float] = {}
    for way, w in zip(ways, weight, strict=True):
        shares[way.name] = shares.get(way.name, 0.0) + float(w)
    new_fit = replace(fit, camera=with_theta(fit.camera, theta), covariance=(pose + pose.T) / 2)
    # the nudges' covariance lives where it was linearised: in what is seen
    overhang, believed = (float(at[UPPER]), float(at[LOWER])), tuple(bool(b) for b in use[1:])
    return Settled(new_fit, float(at[SHIFT]), overhang, covariance, -off, shares, believed)


def _nocks_less_sure(way: Supposed, by: float) -> Supposed:
    """The same supposition with the variances of the wood past the nocks ``by`` times as large."""
    covariance = way.covariance.copy()
    covariance[1:, 1:] *= by
    return replace(way, covariance=covariance)


def _updated(
    start: Array, camera: Array, way: Supposed, at: Array, miss: Array, jacobian: Array, u: Array, use: NDArray[np.bool_]
) -> tuple[float, Array, Array, Array]:
    """Log evidence, mean, covariance under one supposition, and how far off each observation is in its own uncertainty."""
    prior = np.zeros((DIMENSIONS, DIMENSIONS))
    prior[:N_PARAMETERS, :N_PARAMETERS], prior[N_PARAMETERS:, N_PARAMETERS:] = camera, way.covariance
    mean = start + np.r_[np.zeros(N_PARAMETERS), way.mean]
    expected = miss + jacobian @ (mean - at)
    spread = jacobian @ prior @ jacobian.T + np.diag(u**2)
    off = expected / np.sqrt(np.diag(spread))
    j, own = jacobian[use], spread[np.ix_(use, use)]
    evidence = float(np.log(way.weight))
    if use.any():
        gain = prior @ j.T @ np.linalg.inv(own)
        evidence -= 0.5 * float(expected[use] @ np.linalg.solve(own, expected[use]) + np.linalg.slogdet(own)[1])
        mean = mean - gain @ expected[use]
        prior = prior - gain @ j @ prior
    return evidence, mean, prior, off
