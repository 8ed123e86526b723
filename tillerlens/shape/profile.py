"""The bow along its limbs, for tables, charts and the overlay: bend, thickness, lever arm, and places in the picture."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.errors import Reason
from tillerlens.core.measurement import LIMBS, LimbName, LimbProfile, TracedBow
from tillerlens.core.shot import Shot
from tillerlens.core.units import MM_PER_INCH
from tillerlens.shape.bow_shape import LEAST_SHARE, STATIONS_IN, BowShape, LimbFit, LimbLayout, belly_at
from tillerlens.shape.evidence import cutoff_mm
from tillerlens.shape.nocks import to_px
from tillerlens.shape.placing import Placed
from tillerlens.shape.spline import curvature_noise
from tillerlens.shape.uncertainty import Sensitivity
from tillerlens.trace.trace import CORRELATED, Trace

Array = NDArray[np.float64]

BEFORE_NOCK_MM = 1.0  # past the nock, that is still reported
MODEL_U = 0.01  # of the bend, that a spline's own form may be off by
LIMBS_ALIKE_U = 0.05  # of their thickness, that a bow's two limbs differ by (common practice, no source)
HARDLY_TOLD = 0.5  # an expanded uncertainty of the thickness, relative: beyond it a figure is no help
MOST_BY_WIDTH = 0.12  # of the thickness, as a standard uncertainty: more is said
NOTHING_LEFT = 1.05  # times the least that the wood may be: all that shows may be broad face
LEAST_SHADOW = 0.03  # of the thickness, as a standard uncertainty by a flash's shadow: less is not worth a word
LIKELY_FLASH = 0.5  # from which on a flash is spoken of
PLACES = np.linspace(0.2, 0.8, 25)  # of a limb, where its thickness is held against the other's


def limb_profiles(trace: Trace, placed: Placed, s: BowShape, influence: Sensitivity) -> dict[LimbName, LimbProfile]:
    """Both limbs along their length, with standard uncertainties."""
    apart = limbs_apart(s, influence)
    layouts = (placed.model.layout.upper, placed.model.layout.lower)
    out: dict[LimbName, LimbProfile] = {}
    for k, (name, limb, layout) in enumerate(zip(LIMBS, (s.upper, s.lower), layouts, strict=True)):
        keep = limb.from_nock_mm > -BEFORE_NOCK_MM
        u_bend = _curvature_u(trace, limb, layout, influence.curvature[k])
        u_thick = thickness_u(limb, influence.thickness[k], apart)
        px = np.array(to_px(placed.evidence, s, limb.curve.xy))
        out[name] = LimbProfile(
            limb.from_nock_mm[keep],
            limb.curve.curvature[keep] * 1000,
            u_bend[keep] * 1000,
            limb.wood_mm[keep],
            u_thick[keep],
            limb.curve.xy[keep],
            px[keep],
            _lever_arm(placed.shot, s, k)[keep],
        )
    return out


def _curvature_u(trace: Trace, limb: LimbFit, layout: LimbLayout, changes: Array) -> Array:
    """Standard uncertainty (samples,) of the curvature, 1/mm: noise of the edges, their slow errors (``changes``), and what the
    smoothing may hide, a share of how fast the curve itself changes over the cutoff."""
    across = np.full(len(layout.spline.u), trace.noise_px / trace.px_per_mm / np.sqrt(2))
    random = curvature_noise(layout.spline, across, CORRELATED * trace.step_px / trace.px_per_mm)
    second = np.gradient(np.gradient(limb.curve.curvature, limb.from_nock_mm), limb.from_nock_mm)
    hidden = np.abs(second) * (cutoff_mm(trace) / (2 * np.pi)) ** 2 * 0.5
    slow = np.sqrt((changes**2).sum(0))
    return np.sqrt(random**2 + slow**2 + hidden**2 + (MODEL_U * limb.curve.curvature) ** 2)


def _lever_arm(shot: Shot, s: BowShape, k: int) -> Array:
    """Distance (samples,) of the string's line from the limb's centre, mm; NaN where the string is not seen."""
    limb = (s.upper, s.lower)[k]
    end = s.hook_mm if shot.state == "drawn" else s.nocks_mm[1 - k]
    if shot.state == "unstrung" or end is None:
        return np.full(len(limb.from_nock_mm), np.nan)
    d = end - s.nocks_mm[k]
    return np.abs((limb.curve.xy - s.nocks_mm[k]) @ (np.array([-d[1], d[0]]) / np.hypot(*d)))


def thickness_u(limb: LimbFit, changes: Array, apart: float) -> Array:
    """Standard uncertainty (samples,) of the wood's thickness, mm.

    Parameters
    ----------
    limb : as fitted.
    changes : (K, samples) of the wood's thickness by K perturbations.
    apart : ``limbs_apart``.
    """
    u = np.hypot(np.sqrt((changes**2).sum(0)), apart * limb.wood_mm)
    # where all that is seen might be broad face no perturbation moves the thickness: it lies between the least and all of it
    nothing_left = limb.wood_mm < NOTHING_LEFT * LEAST_SHARE * limb.apparent_mm
    return np.where(nothing_left, np.maximum(u, (1 - LEAST_SHARE) / 2 * limb.apparent_mm), u)


def limbs_apart(s: BowShape, influence: Sensitivity) -> float:
    """How far, relative, each limb's thickness may be off because the two differ by more than limbs do and their budgets hold:
    then an edge of one of them was lost on its ground, or is a shadow's, and nothing tells which."""
    upper, lower = (
        _at_places(limb, np.vstack([np.log(limb.wood_mm), changes / limb.wood_mm]))
        for limb, changes in zip((s.upper, s.lower), influence.thickness, strict=True)
    )
    differ = np.median(upper - lower, axis=1)
    return float(0.5 * np.sqrt(max(0.0, differ[0] ** 2 - LIMBS_ALIKE_U**2 - np.sum(differ[1:] ** 2))))


def width_doubt(shot: Shot, s: BowShape, influence: Sensitivity) -> tuple[Reason, ...]:
    """Said where it is the width that was not typed that blurs the thickness, and by enough to matter."""
    by_width = np.array([cause == "width" for cause in influence.causes])
    whole, own = 0.0, 0.0
    for limb, changes in zip((s.upper, s.lower), influence.thickness, strict=True):
        parts = _at_places(limb, changes / limb.wood_mm) ** 2
        whole = max(whole, float(np.median(np.sqrt(parts.sum(0)))))
        own = max(own, float(np.median(np.sqrt(parts[by_width].sum(0)))))
    if shot.limb_width_mm or own < MOST_BY_WIDTH:
        return ()
    told = "hardly tells how thick they are" if 2 * whole > HARDLY_TOLD else f"tells their thickness to about {200 * whole:.0f} %"
    text = f"Much of the limbs' broad faces shows, so this picture {told}."
    remedy = "Type the limbs' greatest width, near the fades, to sharpen it, or hold the phone level with the limbs."
    return (Reason("width_not_told", text, remedy),)


def shadow_doubt(placed: Placed, s: BowShape) -> tuple[Reason, ...]:
    """Said where a flash's shadow may pass for much of the limbs, and none was seen to be taken off."""
    part = placed.shadow_u_mm / float(np.median([np.median(limb.wood_mm) for limb in (s.upper, s.lower)]))
    if placed.evidence.section.shadow_mm == 0 or placed.flash < LIKELY_FLASH or part < LEAST_SHADOW:
        return ()
    text = "The camera's flash seems to have lit this picture, and its shadow passes for a part of the limbs. "
    text += f"What is expected of it was taken off, but their thickness is only good to about {200 * part:.0f} %."
    return (Reason("flash_shadow", text, "Leave the flash off, or measure the thickness with calipers."),)


def _at_places(limb: LimbFit, rows: Array) -> Array:
    """``rows`` (K, samples) along a limb at ``PLACES`` of it: (K, places)."""
    return np.array([np.interp(PLACES * limb.from_nock_mm[-1], limb.from_nock_mm, row) for row in rows])


def traced_bow(placed: Placed, s: BowShape) -> TracedBow:
    """Where everything was seen, for the overlay."""
    e, lines = placed.evidence, []
    if placed.shot.state != "unstrung":
        (ux, uy), (lx, ly) = s.nocks_mm
        for d in STATIONS_IN:
            if f"gap_difference_{d}" in s.numbers:
                for limb in (s.upper, s.lower):
                    b = belly_at(limb, np.array([d * MM_PER_INCH]))[0]
                    foot = np.array([b[0], uy + (ly - uy) * (b[0] - ux) / (lx - ux)])
                    lines.append(to_px(e, s, np.array([b, foot])))
    return TracedBow(
        e.back_px,
        e.belly_px,
        to_px(e, s, np.vstack([s.upper.curve.xy, s.lower.curve.xy[::-1]])),
        to_px(e, s, s.nocks_mm),
        s.nocks_mm,
        s.hook_mm,
        to_px(e, s, np.zeros((1, 2)))[0],
        e.hook_px,
        np.array(lines).reshape(-1, 2, 2),
    )
