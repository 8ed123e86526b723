"""What the mechanics take from a measurement: each limb's bend and the string's lever on it, and where
nocks and hook stand in the bow's frame (x along the handle toward the upper limb, y toward the back, origin at the handle's
centre). mm, 1/mm, N, radians; curvature positive toward the belly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.errors import TillerLensError
from tillerlens.core.measurement import LIMBS, LimbName, Measurement, Value
from tillerlens.core.units import newtons_from_pounds
from tillerlens.shape.spline import CUTOFF_MM, shortest_wave_mm

Array = NDArray[np.float64]

READING_U_N = newtons_from_pounds(0.25)
"""Of a scale read to half a pound (common practice, no source)."""
SCALE_GAIN_U = 0.01
"""Relative: what one scale errs alike in all of its readings. A scale of ordinary accuracy, divided in half pounds, may be off
by one division from 25 to 100 lb when it is verified and by two in use (OIML R 76-1:2006, table 6 and 3.5.2): at 50 lb by one and
two in a hundred. Where every error within these limits is as likely, that makes 0.6 and 1.2 in a hundred."""
NOCK_U_MM = 1.0  # where exactly the string bears in the nock


def own_u(weight: Value) -> float:
    """Relative standard uncertainty of a weight as the scale that told it reads: without what the scale errs alike in all of its
    readings, which the wished weight, read on the same scale, shares."""
    return float(np.sqrt(max((weight.u / weight.value) ** 2 - SCALE_GAIN_U**2, 1e-8)))


class MechanicsError(TillerLensError):
    """The mechanics lack something that a picture, a scale or a caliper would give."""

    code = "mechanics"


@dataclass(frozen=True)
class Weighing:
    """Pull at the hook (N) with its standard uncertainty (N), the scale's common error left out. ``by_scale``: whether it has
    that error; a hung weight's doubt is all in ``u_n``."""

    weight_n: float
    u_n: float = READING_U_N
    by_scale: bool = True


@dataclass(frozen=True, eq=False)
class ObservedLimb:
    """One limb, nock first; arrays (n,). ``arm_mm`` is NaN where there is no string. ``length_mm``: handle's centre to nock.
    ``nock_mm`` (2,) in the bow's frame."""

    from_nock_mm: Array
    curvature: Array
    u_curvature: Array
    arm_mm: Array
    u_arm_mm: Array
    thickness_mm: Array
    u_thickness_mm: Array
    length_mm: float
    nock_mm: Array


@dataclass(frozen=True, eq=False)
class ObservedBow:
    """One measured picture of a bow. ``hook_mm`` (2,) where drawn and seen. ``root_half_mm``: half the limbs' thickness at
    the handle, which is how far the frame's origin lies below the handle's back."""

    name: str
    state: str
    limbs: dict[LimbName, ObservedLimb]
    root_half_mm: float
    hook_mm: Array | None
    draw_back_mm: float
    u_draw_mm: float
    brace_back_mm: float
    u_brace_mm: float
    weighing: Weighing | None
    smoothing_mm: float = CUTOFF_MM  # wavelength of bend of which the measuring kept half

    @property
    def string_length_mm(self) -> float:
        """From nock to nock along the string; NaN where it was not seen."""
        upper, lower = (self.limbs[k].nock_mm for k in LIMBS)
        if self.state == "braced":
            return float(np.linalg.norm(upper - lower))
        if self.hook_mm is None:
            return float("nan")
        return float(np.linalg.norm(upper - self.hook_mm) + np.linalg.norm(lower - self.hook_mm))

    def tension_per_weight(self) -> float:
        """String tension by pull at the hook: the two arms of a string that slides in the hook pull alike, and their
        resultant is the weight. NaN unless drawn with the hook seen."""
        if self.hook_mm is None:
            return float("nan")
        arms = [self.limbs[k].nock_mm - self.hook_mm for k in LIMBS]
        return float(1 / np.linalg.norm(sum(a / np.linalg.norm(a) for a in arms)))

    def u_tension_relative(self) -> float:
        """Relative uncertainty of the tension from where hook and nocks were seen (T = F l / 2 depth)."""
        if self.hook_mm is None:
            return float("nan")
        depth = float(np.mean([self.limbs[k].nock_mm[1] for k in LIMBS])) - float(self.hook_mm[1])
        return float(np.hypot(self.u_draw_mm, NOCK_U_MM)) / depth


def read_observed(found: Measurement, weighing: Weighing | None = None) -> ObservedBow:
    """Read one measurement. ``weighing`` goes before the scale reading noted in it. Raises MechanicsError where the picture was
    not measured."""
    if found.status != "measured" or any(k not in found.profile for k in LIMBS):
        raise MechanicsError(f"{found.name} was not measured, so it says nothing about the bow.", "Measure it first.")
    if found.trace is None or not len(found.trace.nocks_mm):
        raise MechanicsError(
            f"The measurement of {found.name} is an older one, without the nocks' places.", "Measure the picture again."
        )
    nocks, shot = found.trace.nocks_mm, found.facts
    limbs: dict[LimbName, ObservedLimb] = {k: _limb(found, k, nock) for k, nock in zip(LIMBS, nocks, strict=True)}
    half = float(np.nanmean([limbs[k].thickness_mm[-1] for k in LIMBS])) / 2
    if weighing is None and shot.draw_weight_n and found.state == "drawn":  # one of nothing was never read
        weighing = Weighing(shot.draw_weight_n)
    draw, brace = (_value(found, f"{name}_back") for name in ("draw_length", "brace_height"))
    return ObservedBow(
        found.name,
        found.state,
        limbs,
        half,
        found.trace.hook_mm,
        draw.value,
        draw.u,
        brace.value,
        brace.u,
        weighing,
        _smoothing_mm(found),
    )


def _value(found: Measurement, name: str) -> Value:
    return found.values.get(name) or Value(math.nan, math.nan, "mm")


def _smoothing_mm(found: Measurement) -> float:
    noise, per_mm = found.evidence_number("edge_noise_px"), found.evidence_number("px_per_mm")
    return shortest_wave_mm(noise / per_mm) if noise and per_mm else CUTOFF_MM


def _limb(found: Measurement, name: LimbName, nock: Array) -> ObservedLimb:
    p, s = found.profile[name], found.profile[name].from_nock_mm
    gaps = [u for g in found.gaps if math.isfinite(u := g.of(name).u)]
    u_arm = float(np.hypot(max(gaps), NOCK_U_MM)) if gaps else float("nan")
    u_draw = _value(found, "draw_length_back").u if found.state == "drawn" else 0.0
    # the hook's place moves the string's line the more, the farther from the nock
    u_arms = np.hypot(u_arm, 0.5 * u_draw * s / s[-1])
    return ObservedLimb(
        s,
        p.curvature_per_m / 1000,
        p.u_curvature_per_m / 1000,
        p.lever_arm_mm,
        u_arms,
        p.thickness_mm,
        p.u_thickness_mm,
        _value(found, f"limb_length_{name}").value,
        nock,
    )
