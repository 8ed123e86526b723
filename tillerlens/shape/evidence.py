"""From the trace of one picture to the evidence that the shape is computed from, and to its layout."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.measurement import Value
from tillerlens.core.shot import Shot
from tillerlens.photo.camera import OBLIQUENESS_PRIOR_U, Camera, CameraFit
from tillerlens.shape.bow_shape import LIMB_WIDTH_MM, LIMB_WIDTH_U_MM, AssumedSection, Evidence, Held, ShapeLayout, make_layout
from tillerlens.shape.spline import shortest_wave_mm
from tillerlens.trace.trace import Trace

Array = NDArray[np.float64]

WIDTH_U_MM = 1.0  # a limb's width as typed, to a sixteenth
# Makers differ a little in what they call a swelling grip's belly. Where a cradle or a strap hides it: an inch and a half, more
# or less (common practice, no source).
GRIP_U_MM, TYPED_GRIP_U_MM = 1.5, 0.5
GRIP_SEEN = 0.4  # of the grip, that must be seen to know its depth
USUAL_GRIP_MM, USUAL_GRIP_U_MM = 38.0, 8.0
# A handle this long is rigid, so it is clearly thicker than the limbs beside it; no grip is thinner than they are. What looks
# otherwise is a colour line in the wood.
RIGID_MM, SWOLLEN, THINNEST_GRIP = 150.0, 1.3, 0.9
GRIP_BESIDE = 12  # stations of each limb beside the handle
# From a phone's lens to its flash (common practice, no source): the shadow that it throws on the board stands out beside one
# edge by as much of it as that edge's distance from the board is of the camera's. Most of it passes for the limb.
FLASH_MM, FLASH_U_MM = 30.0, 25.0


def evidence_of(fit: CameraFit, shot: Shot, trace: Trace) -> Evidence:
    """Gather what the shape is computed from, before the bow's lengths are held against it."""
    width = shot.limb_width_mm or LIMB_WIDTH_MM
    return Evidence(
        fit.camera,
        shot.standoff_mm,
        trace.back_px,
        trace.belly_px,
        trace.tips_px,
        np.array(shot.clicks["hook"]) if "hook" in shot.clicks else None,
        limb_width_mm=width,
        grip_thickness_mm=grip_depth(shot, trace)[0],
        is_end=(trace.tip_cause[0] == "tip", trace.tip_cause[1] == "tip"),
        middle_shift_mm=0.0 if shot.upper_limb_length_mm is None else shot.nock_to_nock_mm / 2 - shot.upper_limb_length_mm,
        section=AssumedSection(width_mm=width),
    )


def layout_of(e: Evidence, shot: Shot, trace: Trace) -> ShapeLayout:
    """Split the trace into limbs and handle. Raises ``NeedsHelp`` where too little of one is left."""
    held = Held(trace.handle_held, any(len(places) for places in shot.edges_px.values()))
    return make_layout(e, shot.handle_mm, cutoff_mm(trace), trace.weight, trace.path_px, shot.state, held)


def cutoff_mm(trace: Trace) -> float:
    """The shortest wave of bend that the trace's edges can carry."""
    return shortest_wave_mm(trace.noise_px / trace.px_per_mm)


def limb_width_u(shot: Shot) -> float:
    """Standard uncertainty (mm) of the limbs' greatest width."""
    return WIDTH_U_MM if shot.limb_width_mm else LIMB_WIDTH_U_MM


def grip_depth(shot: Shot, trace: Trace) -> tuple[float, float]:
    """Back to belly of the grip and its standard uncertainty, mm: as typed, as seen, or as grips are where it is hidden."""
    if shot.handle_thickness_mm:
        return shot.handle_thickness_mm, TYPED_GRIP_U_MM
    a, b = trace.zones["handle"]
    inner = slice(a + (b - a) // 6, b - (b - a) // 6)
    thick = np.linalg.norm(trace.back_px - trace.belly_px, axis=1)
    beside = np.r_[thick[max(0, a - GRIP_BESIDE) : a], thick[b : b + GRIP_BESIDE]]
    root = float(np.nanmedian(beside)) if np.isfinite(beside).any() else 0.0
    least = SWOLLEN if shot.handle_mm > RIGID_MM else THINNEST_GRIP
    seen = float(np.isfinite(thick[inner]).mean()) > GRIP_SEEN and trace.grip_px > least * root
    depth = trace.grip_px / trace.px_per_mm
    return (depth, GRIP_U_MM) if seen else (max(depth, USUAL_GRIP_MM), USUAL_GRIP_U_MM)


def grip_seen(shot: Shot, trace: Trace) -> bool:
    """Whether the grip's depth is known, typed or seen."""
    return grip_depth(shot, trace)[1] <= GRIP_U_MM


def view_tilt_u(by_marks: Camera, by_length: Camera, path_px: Array) -> tuple[float, float]:
    """Standard uncertainty of the direction the limbs are seen from, mm per mm along X and Y of the board.

    Half of the angle by which the bow's lengths have turned the camera, where that exceeds how askew people hold a phone: a wrong
    length turns a camera that no marks square.
    """
    middle = path_px[len(path_px) // 2][None]
    ways = [ray[0, :2] / ray[0, 2] for ray in (by_marks.rays(middle), by_length.rays(middle))]
    turned = (ways[1] - ways[0]) / 2
    return (float(turned[0]), float(turned[1])) if np.hypot(*turned) > OBLIQUENESS_PRIOR_U else (0.0, 0.0)


def flash_shadow(lit: float, camera: Camera, standoff_mm: float, width_mm: float, taken: bool) -> Value:
    """How much of the limbs' apparent thickness (mm) is the shadow of a flash.

    A shadow only ever adds, so what is expected of it comes off. The mean and spread are those of a mixture: a room can look the
    same and has none. The shadow that shows is cast by the limb's edge nearer to the camera where it falls on the side that is
    turned away, by the one nearer to the board on the side that faces it; which side that is nobody knows. Where the shadow was
    seen and ``taken`` off, as much is in doubt but nothing more comes off.

    Parameters
    ----------
    lit : how likely the picture is lit by the camera's flash (``photo.light.lit_from_camera``).
    camera, standoff_mm : where the limbs' middle stands before the board; not before any where that is nothing or less.
    width_mm : of the limbs.
    taken : whether the shadow was seen and taken off.
    """
    if standoff_mm <= 0:
        return Value(0.0, 0.0, "mm")
    far = -float(camera.centre_mm[2])
    edges = np.maximum(standoff_mm + np.array([-0.5, 0.5]) * width_mm, 0.0) / far
    expected, square = FLASH_MM * float(edges.mean()), (FLASH_MM**2 + FLASH_U_MM**2) * float(np.mean(edges**2))
    if taken:
        return Value(0.0, float(np.sqrt(lit * square)), "mm")
    return Value(lit * expected, float(np.sqrt(lit * square - (lit * expected) ** 2)), "mm")
