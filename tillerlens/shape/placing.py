"""Where the bow lies in the picture: camera, handle's centre, string and nocks, brought together in two stages.

First the limbs' ends and the lengths typed place the nocks (``begin``). Then the string is sought from there, and shows where
it meets the limbs (``see_string``); what it shows is brought together with the ends and the clicks (``place_nocks``).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.errors import NeedsHelp, Reason
from tillerlens.core.json_form import JsonDocument
from tillerlens.core.shot import Shot
from tillerlens.photo.camera import CameraFit
from tillerlens.shape.bow_shape import Evidence
from tillerlens.shape.evidence import evidence_of, flash_shadow, layout_of, view_tilt_u
from tillerlens.shape.nocks import (
    NockOffset,
    Offsets,
    ShapeModel,
    combine,
    nocks_afar,
    nocks_by_string,
    nocks_far_off,
    pose_of,
    string_of,
)
from tillerlens.shape.settle import HandleReading, Settled, settle, suppositions
from tillerlens.trace.handle import see_grip
from tillerlens.trace.reading import NOCKS, Prepared
from tillerlens.trace.state import UNSEEN, check_state
from tillerlens.trace.string import FAINT, BowPose, DrawnString
from tillerlens.trace.trace import Trace

Array = NDArray[np.float64]

# A click on the handle: what its maker calls the centre, by eye (common practice, no source), and the hand's own doubt.
HANDLE_CLICK_U_MM, HANDLE_BY_HAND_U_MM, HANDLE_CLICK_U_PX = 5.0, 2.0, 2.5
CLICK_RULES = 3.0  # standard uncertainties between a click and what is seen, beyond which the click is believed
ASTRAY_PX, ASTRAY_U = 1.0, 1.5  # a line may pass its nock by the first; beyond, its hook is unsure by so much of the rest


@dataclass(frozen=True, eq=False)
class TracedPicture:
    """One picture traced, with its nocks at the limbs' ends: what the placing works on.

    Attributes
    ----------
    light, flash : the picture's linear light, and how likely the camera's own flash lit it.
    trace, shot, fit : its trace, what was typed and clicked, and the camera by the marks alone.
    evidence : for the shape, with camera and lengths as ``by_ends`` settled them.
    model : computes the shape from evidence.
    handle : the handle's centre, as clicked and as seen.
    by_ends : camera, handle's centre and nocks by the limbs' ends and the lengths alone.
    """

    light: NDArray[np.uint16]
    flash: float
    trace: Trace
    shot: Shot
    fit: CameraFit
    evidence: Evidence
    model: ShapeModel
    handle: tuple[HandleReading, ...]
    by_ends: Settled


@dataclass(frozen=True, eq=False)
class StringSeen:
    """What the string shows.

    Attributes
    ----------
    string : of a drawn bow; None where it was not found.
    hook_px : (2,) its hook, where it is known: clicked or plainly seen.
    offsets : where it meets the limbs, inside their ends.
    far_off : nocks (px, by the clicks' names) so far from the end of what was followed that the end was something else.
    doubts : of the state said.
    """

    string: DrawnString | None
    hook_px: Array | None
    offsets: Offsets
    far_off: dict[str, tuple[float, float]]
    doubts: tuple[Reason, ...]


@dataclass(frozen=True, eq=False)
class Placed:
    """The bow placed in the picture: one estimate of camera, handle's centre and nocks, ready for its shape.

    Attributes
    ----------
    shot : what was typed and clicked.
    settled : the estimate with its covariance.
    evidence, model : for the shape.
    string : as ``StringSeen``, with what its hook is known to.
    tilt_u : standard uncertainty of the direction the limbs are seen from, mm per mm.
    flash : how likely the picture is lit by the camera's own flash.
    shadow_u_mm : standard uncertainty of the limbs' apparent thickness by that flash's shadow.
    grip : the handle's centre as the picture alone shows it.
    """

    shot: Shot
    settled: Settled
    evidence: Evidence
    model: ShapeModel
    string: DrawnString | None
    tilt_u: tuple[float, float]
    flash: float
    shadow_u_mm: float
    grip: HandleReading | None

    def facts(self, trace: Trace) -> JsonDocument:
        """Evidence for the document: how well the marks fit, what was seen, and what the lengths moved."""
        fit, string = self.settled.fit, self.string
        return {
            "marks_rms_px": round(fit.rms_px, 3),
            "marks_used": fit.n_marks,
            "marks_set_aside": round(fit.outliers, 3),
            "squared": fit.squared,
            "focal_px": round(fit.camera.focal_px, 1),
            "radial_term": round(fit.camera.radial_term, 5),
            "obliqueness_deg": round(float(np.degrees(fit.camera.obliqueness())), 2),
            "px_per_mm": round(trace.px_per_mm, 4),
            "finder_support": round(trace.support, 3),
            "edge_noise_px": round(trace.noise_px, 3),
            "edge_wander_px": round(trace.wander_px, 3),
            "length_off_u": round(float(self.settled.length_off_u), 2),
            "handle_shift_mm": round(float(self.settled.shift_mm), 2),
            "grip_seen": self._grip_seen(),
            "overhang_mm": [round(float(mm), 1) for mm in self.settled.overhang_mm],
            "string_seen": None if string is None else [round(c, 2) for c in string.clear],
        }

    def _grip_seen(self) -> JsonDocument | None:
        """How far toward the upper nock from the bow's middle the grip alone puts the handle's centre, mm."""
        if self.grip is None:
            return None
        s, e = self.model.bare(self.evidence), self.evidence
        off = float((e.camera.to_plane(self.grip.px[None], e.standoff_mm)[0] - s.origin_mm) @ s.x_axis)
        mm = {"shift_mm": e.middle_shift_mm + off, "u_mm": self.grip.u_mm, "maker_u_mm": self.grip.maker_u_mm}
        return {name: round(v, 2) for name, v in mm.items()}


def begin(prepared: Prepared, fit: CameraFit, shot: Shot, trace: Trace) -> TracedPicture:
    """Place the nocks by the limbs' ends, the clicks and the lengths typed."""
    evidence = evidence_of(fit, shot, trace)
    model = ShapeModel(layout_of(evidence, shot, trace), shot.state)
    handle = _handle_readings(prepared.light, trace, shot, fit.squared)
    by_ends = _settled(fit, shot, trace, evidence, model, handle, _known_without_string(trace, shot))
    return TracedPicture(prepared.light, prepared.flash, trace, shot, fit, by_ends.applied(evidence), model, handle, by_ends)


def see_string(t: TracedPicture, anew: bool = True) -> StringSeen:
    """Seek the string, check the state by it, and find where it meets the limbs.

    Parameters
    ----------
    t : the traced picture.
    anew : look for nocks far from the ends: only while the limbs can be followed anew.

    Raises
    ------
    StateDiffers, NeedsHelp
        Where the picture shows the bow in another state than was said, or a line from nock to nock for a drawn string.
    """
    string, from_within, evidence, clicked = None, False, t.evidence, "hook" in t.shot.clicks
    if t.shot.state == "drawn":
        string, from_within = string_of(t.light, t.trace, evidence, t.model, t.shot)
        faint = string is not None and min(string.clear) < FAINT and not clicked
        evidence = replace(evidence, hook_px=None if string is None or faint else string.hook)
    pose = pose_of(evidence, t.model)
    doubts = () if clicked else tuple(check_state(t.light, t.trace.maps, t.shot.state, pose, string))
    unseen = UNSEEN in doubts
    # where no string was seen from nock to nock, a line that passes the limbs elsewhere is none either
    offsets = (None, None) if unseen else nocks_by_string(t.light, t.trace, evidence, t.model, string)
    if t.shot.state == "braced" and (offsets[0] is None) != (offsets[1] is None) and set(t.trace.tip_cause) == {"tip"}:
        unseen, offsets = True, (None, None)  # a string meets both limbs
    if unseen and anew and (afar := nocks_afar(t.light, t.trace, evidence, t.model)) is not None:
        unseen, from_within, offsets = False, True, afar
    if unseen:
        _ask_for_nocks(t.shot, pose)
    far = nocks_far_off(evidence, t.model, offsets) if anew and from_within else {}
    doubts = tuple(reason for reason in doubts if reason != UNSEEN) + (UNSEEN,) * unseen
    return StringSeen(string, evidence.hook_px, offsets, far, doubts)


def _ask_for_nocks(shot: Shot, pose: BowPose) -> None:
    """Raise ``NeedsHelp`` unless both nocks are clicked. The ends alone tell neither a nock from a tip, nor that one limb was
    followed past its nock and the other lost before it."""
    missing = [k for k, name in enumerate(NOCKS) if name not in shot.clicks]
    if missing:
        x, y = pose.nocks[missing[0]]
        raise NeedsHelp(
            UNSEEN.text,
            "Click both nocks, where the string sits, or say how the bow is if it isn't braced.",
            clicks=NOCKS,
            fault="click",
            wants=NOCKS[missing[0]],
            place_px=(float(x), float(y)),
        )


def place_nocks(t: TracedPicture, seen: StringSeen) -> Placed:
    """Bring ends, clicks, string and lengths together.

    Raises
    ------
    NeedsHelp
        Where the handle can't be where it is clicked, or too little of the trace is left between the nocks.
    """
    evidence = replace(t.evidence, hook_px=seen.hook_px)
    alone = _known_without_string(t.trace, t.shot)
    clicks = [t.shot.clicks.get(name) if t.trace.tip_cause[k] == "tip" else None for k, name in enumerate(NOCKS)]
    together = combine(alone, seen.offsets, evidence, t.model, clicks)
    last = t.by_ends
    if together != alone:
        last = _settled(t.fit, t.shot, t.trace, evidence, t.model, t.handle, together)
    if "handle" in t.shot.clicks and not last.believed[0]:
        raise NeedsHelp(
            "The handle's centre can't be where it is clicked, between these two nocks.",
            "Move the handle to its centre, or the nock that is off.",
            clicks=("handle", "nock_upper", "nock_lower"),
        )
    camera = last.fit.camera
    tilt_u = (0.0, 0.0) if last.fit.squared else view_tilt_u(t.fit.camera, camera, t.trace.path_px)
    evidence = last.applied(evidence)
    # as good as the one view is the other: the limbs are seen from halfway between them
    shadow = flash_shadow(t.flash, camera, t.shot.standoff_mm, evidence.section.mean_width_mm, t.trace.fringe_taken)
    section = replace(evidence.section, tilt=(-tilt_u[0], -tilt_u[1]), shadow_mm=shadow.value)
    evidence = replace(evidence, section=section)
    return Placed(
        t.shot,
        last,
        evidence,
        ShapeModel(layout_of(evidence, t.shot, t.trace), t.shot.state),
        None if seen.string is None else _less_sure_if_astray(seen.string, seen.offsets, t.trace),
        tilt_u,
        t.flash,
        shadow.u,
        None if "handle" in t.shot.clicks else next(iter(t.handle), None),
    )


def _settled(
    fit: CameraFit,
    shot: Shot,
    trace: Trace,
    evidence: Evidence,
    model: ShapeModel,
    handle: tuple[HandleReading, ...],
    nocks: Offsets,
) -> Settled:
    """Everything known of the lengths held against the picture; ``nocks``: what is known of each without the lengths."""
    own = [u / trace.px_per_mm for u in trace.tip_u_px]
    u = [end if met is None else float(np.hypot(met.u_mm, 0.0 if met.mm else end)) for met, end in zip(nocks, own, strict=True)]
    inside = [None if met is None else met.mm for met in nocks]
    ways = suppositions(shot, (inside[0], inside[1]), (u[0], u[1]), fit.squared)
    return settle(fit, ways, evidence, model.bare, shot.nock_to_nock_mm, handle)


def _known_without_string(trace: Trace, shot: Shot) -> Offsets:
    """Nocks that are known without the string: the trace ends at one that was set, and a click may agree with the end."""
    known = [
        NockOffset(0.0, 0.0) if cause != "tip" or name in shot.clicks else None
        for cause, name in zip(trace.tip_cause, NOCKS, strict=True)
    ]
    return known[0], known[1]


def _handle_readings(light: NDArray[np.uint16], trace: Trace, shot: Shot, squared: bool) -> tuple[HandleReading, ...]:
    """Where the handle's centre is: as it is clicked, and as its grip shows. A click that the grip is far from rules alone."""
    grip = see_grip(light, trace, shot, squared)
    seen = () if grip is None else (HandleReading(np.array(grip.px), grip.u_px / trace.px_per_mm, grip.maker_u_mm),)
    if "handle" not in shot.clicks:
        return seen
    u = HANDLE_BY_HAND_U_MM if "handle" in shot.set_by_hand else HANDLE_CLICK_U_MM
    clicked = HandleReading(np.array(shot.clicks["handle"], float), float(np.hypot(u, HANDLE_CLICK_U_PX / trace.px_per_mm)))
    near = [s for s in seen if np.linalg.norm(s.px - clicked.px) < CLICK_RULES * np.hypot(s.u_mm, clicked.u_mm) * trace.px_per_mm]
    return (clicked, *near)


def _less_sure_if_astray(string: DrawnString, offsets: Offsets, trace: Trace) -> DrawnString:
    """The string with what its hook is known to: a line that passes its nock by has been led astray, and where a shadow clings to
    the limbs one clings to the string, and the darker of the two may be that."""
    passed = [abs(off) for off, met in zip(string.offset_px, offsets, strict=True) if met is None or not met.mm]
    astray = max(0.0, max(passed, default=0.0) - ASTRAY_PX)
    shadow = max(trace.shadow_px.values()) if string.dark else 0.0
    return replace(string, u_px=float(np.sqrt(string.u_px**2 + (ASTRAY_U * astray) ** 2 + shadow**2)))
