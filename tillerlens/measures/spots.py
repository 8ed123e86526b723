"""Hinges and stiff places, judged on load, not on looks.

At a place on the limb the string pulls with tension T on a lever arm a, so the movement of curvature from rest is
a T / EI there (Euler-Bernoulli). log(movement / arm) is therefore minus the log of the limb's stiffness, up to a constant:
a curve that falls smoothly with the taper. A hinge is a bump on that curve, a stiff place a dip. Both limbs of a bow are
made alike, so they share a baseline, each with its own level and slope.

This module judges one picture whose bow was not seen at rest: movement is not known, the bend itself stands for it, and
natural crooks may look like spots, which is flagged. Where the shape at rest is known, ``mechanics.finding`` finds them on
movement, with all pictures of the bow.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.errors import Reason
from tillerlens.core.measurement import LIMBS, LimbProfile, Spot

Array = NDArray[np.float64]

FIRST, LAST = 0.07, 0.97  # of the limb's length from the nock: nearer the nock there is no lever, at the fade no limb
PLACES = (0.13, 0.87)
HALF_WIDTHS_MM = (32.0, 48.0)  # of a spot: an inch or two (common practice, no source)
STEP_MM, PLACE_MM = 9.0, 8.0  # between the places where bend is read, and where spots are tried
LEAST_PLACES = 20  # of a limb: fewer bend too little to judge
LEAST_BEND, LEAST_ARM_MM = 0.15, 5  # of the median bend, and of the string's lever: less carries no load worth judging
BUMP_SIGMA = 0.55  # of a spot's half width: the standard deviation of the Gaussian that stands for it
LEAST_SHARE = 0.1  # bends that differ by less are no spot
LEAST_Z = 4.4
MODEL_U = 0.025  # how far a well made limb strays from the smooth baseline, relative (common practice, no source)
SPREAD_FLOOR = 0.7  # bands also hold slow doubts that cannot look like a spot; the scatter seen decides, down to this
# A natural crook bends as a hinge or a stiff place does, and most wooden bows have one: without the shape at rest a place is no
# surer than this (common practice, no source).
UNRESTED_SURE = 0.59
SECOND_Z = 0.8  # what a further spot in the same picture must show beyond the first
CORRELATED_MM = 45.0  # the smoothing spline's own length: values nearer than this move together


@dataclass(frozen=True, eq=False)
class _Curve:
    """One limb's evidence: place from the nock as share and mm, log of bend over arm, its standard uncertainty."""

    share: Array
    mm: Array
    y: Array
    u: Array


def _curve(p: LimbProfile) -> _Curve:
    length = float(p.from_nock_mm[-1])
    grid = np.arange(FIRST * length, LAST * length, STEP_MM)
    bend = np.interp(grid, p.from_nock_mm, p.curvature_per_m)
    u = np.interp(grid, p.from_nock_mm, p.u_curvature_per_m)
    arm = np.interp(grid, p.from_nock_mm, p.lever_arm_mm)
    least = LEAST_BEND * float(np.median(bend))
    ok = (bend > max(least, 1e-3)) & (arm > LEAST_ARM_MM)
    rel = np.hypot(u / np.maximum(bend, least), MODEL_U)
    return _Curve(grid[ok] / length, grid[ok], np.log(bend[ok] / arm[ok]), rel[ok])


def _bump(mm: Array, centre: float, half: float) -> Array:
    """A smooth bump of height 1 that is 0 beyond about ``half`` on either side."""
    return np.asarray(np.exp(-0.5 * ((mm - centre) / (BUMP_SIGMA * half)) ** 2))


def _baseline(curves: tuple[_Curve, _Curve]) -> Array:
    """Columns of the shared smooth baseline and each limb's own level and slope, for both limbs stacked."""
    z = [2 * c.share - 1 for c in curves]
    both = np.concatenate(z)
    columns = [both**2, both**3, both**4]
    for k in (0, 1):
        own = np.concatenate([np.full(len(z[j]), float(j == k)) for j in (0, 1)])
        columns += [own, own * both]
    return np.column_stack(columns)


def find_spots(profile: Mapping[Any, LimbProfile]) -> tuple[tuple[Spot, ...], tuple[Reason, ...]]:
    """Spots that a drawn bow's bend shows, clearest first, and the doubts that go with them."""
    if any(np.isnan(profile[k].lever_arm_mm).all() for k in LIMBS):
        return (), (
            Reason(
                "no_lever",
                "Hinges and stiff places were not judged: the string was not seen, so the load along the limbs is not known.",
                "Click the hook.",
            ),
        )
    curves = (_curve(profile["upper"]), _curve(profile["lower"]))
    if min(len(c.mm) for c in curves) < LEAST_PLACES:
        return (), (
            Reason(
                "too_little_bend",
                "The limbs bend too little here to judge hinges and stiff places.",
                "Draw a little further, once the shape so far is right.",
            ),
        )
    base = _baseline(curves)
    y, u = (np.concatenate([getattr(c, n) for c in curves]) for n in ("y", "u"))
    # values closer than the spline's own length are one reading, not many
    weight = 1 / (u * np.sqrt(CORRELATED_MM / STEP_MM))
    spots: list[Spot] = []
    chosen: list[Array] = []
    floor = LEAST_Z
    for _ in range(3):
        best = _best_bump(curves, base, chosen, y, weight)
        if best is None:
            break
        z, amount, u_amount, limb, centre, half = best
        percent = 100 * (np.exp(amount) - 1)
        if z < floor + SECOND_Z * len(spots) or abs(percent) < 100 * LEAST_SHARE:
            break
        p = profile[LIMBS[limb]]
        px = tuple(float(np.interp(centre, p.from_nock_mm, p.centre_px[:, j])) for j in (0, 1))
        spots.append(
            Spot(
                LIMBS[limb],
                "hinge" if amount > 0 else "stiff",
                centre,
                2 * half,
                float(percent),
                float(100 * u_amount * np.exp(amount)),
                UNRESTED_SURE * float(1 - 0.5 * np.exp(-(z - floor) / 2)),
                (px[0], px[1]),
            )
        )
        chosen.append(_column(curves, limb, centre, half))
    doubt = Reason(
        "rest_unknown",
        "Hinges and stiff places were judged without the bow's shape at rest: a natural crook may look like one.",
        "Measure the bow unstrung and give that measurement too.",
    )
    return tuple(spots), (doubt,)


def _column(curves: tuple[_Curve, _Curve], limb: int, centre: float, half: float) -> Array:
    return np.concatenate([_bump(c.mm, centre, half) if k == limb else np.zeros(len(c.mm)) for k, c in enumerate(curves)])


def _best_bump(
    curves: tuple[_Curve, _Curve], base: Array, chosen: list[Array], y: Array, weight: Array
) -> tuple[float, float, float, int, float, float] | None:
    """The clearest bump beyond those chosen: (z, amount, its u, limb, centre mm, half width mm)."""
    a = np.column_stack([base, *chosen]) * weight[:, None]
    q, _ = np.linalg.qr(a)
    left = y * weight - q @ (q.T @ (y * weight))
    best: tuple[float, float, float, int, float, float] | None = None
    for limb, c in enumerate(curves):
        length = c.mm[-1] / LAST if len(c.mm) else 0.0
        for half in HALF_WIDTHS_MM:
            for centre in np.arange(PLACES[0] * length, PLACES[1] * length, PLACE_MM):
                b = _column(curves, limb, centre, half) * weight
                b = b - q @ (q.T @ b)
                power = float(b @ b)
                if power < 1e-6:
                    continue
                amount = float(b @ left) / power
                gain = amount**2 * power
                if best is None or gain > best[0]:
                    best = (gain, amount, power, limb, float(centre), half)
    if best is None:
        return None
    _, amount, power, limb, centre, half = best
    # Scatter beyond what was promised widens the answer. It is taken after the bump is fitted, or a true one would hide itself.
    b = _column(curves, limb, centre, half) * weight
    rest = left - amount * (b - q @ (q.T @ b))
    spread = max(
        SPREAD_FLOOR,
        float(np.sqrt(np.mean(np.clip(np.abs(rest), 0, 3 * np.median(np.abs(rest)) + 1e-9) ** 2) * CORRELATED_MM / STEP_MM)),
    )
    u = spread / np.sqrt(power)
    return abs(amount) / u, amount, u, limb, centre, half
