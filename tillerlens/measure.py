"""One photograph, measured: intake -> camera -> trace -> shape -> numbers with their budget. Reads as the method."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tillerlens import __version__
from tillerlens.core.clicks import check_places
from tillerlens.core.errors import NeedsHelp, Reason, ScaleError, StateDiffers, TillerLensError
from tillerlens.core.measurement import GapRow, LimbProfile, Measurement, TracedBow, Value
from tillerlens.core.shot import Shot, State
from tillerlens.core.unforeseen import net
from tillerlens.front.measure import measure_front
from tillerlens.measures.from_rest import movement_from_rest
from tillerlens.measures.spots import find_spots
from tillerlens.mechanics.finding import find, with_finding
from tillerlens.mechanics.observed import MechanicsError
from tillerlens.photo.camera import OBLIQUENESS_PRIOR_U, Camera, CameraFit
from tillerlens.photo.intake import Photo, judge
from tillerlens.photo.light import linear_light, lit_from_camera
from tillerlens.photo.scale import fit_scale
from tillerlens.shape.bow_shape import (
    LEAST_SHARE,
    LIMB_WIDTH_MM,
    LIMB_WIDTH_U_MM,
    STATIONS_IN,
    BowShape,
    Evidence,
    Layout,
    LimbFit,
    Section,
    belly_at,
    make_layout,
)
from tillerlens.shape.checks import check_shape, roots_unlike, scale_doubts, thinner_inward
from tillerlens.shape.nocks import Met, ShapeModel, nocks_by_string, nocks_far_inside, put_together, stand_of, string_of, to_px
from tillerlens.shape.settle import HandleReading, Settled, settle, supposed
from tillerlens.shape.spline import shortest_wave_mm
from tillerlens.shape.uncertainty import (
    Perturbation,
    Sensitivity,
    edge_perturbations,
    section_perturbations,
    sensitivities,
    step_perturbation,
    thickness_perturbations,
    thinner_perturbations,
)
from tillerlens.trace.handle import see_grip
from tillerlens.trace.network import FinderMaps, find_maps
from tillerlens.trace.outline import CLEAR_END, CORRELATED, EVERY, Outlined, TraceRead, outline, trace_of
from tillerlens.trace.questions import check_view, one_thing, outline_doubts
from tillerlens.trace.self_scale import fit_to_bow
from tillerlens.trace.sketch import shown_on_refusal
from tillerlens.trace.state import check_state
from tillerlens.trace.string import FAINT, DrawnString

Array = NDArray[np.float64]

# A click on the handle: what its maker calls the centre, told by eye (common practice, no source), and the hand's own doubt.
HANDLE_CLICK_U_MM, HANDLE_BY_HAND_U_MM, HANDLE_CLICK_U_PX = 5.0, 2.0, 2.5
CROOKED_MM = 2.0  # rms of a handle's back about its straight line, beyond which it isn't straight
CLICK_RULES = 3.0  # standard uncertainties between a click and what is seen, beyond which the click is believed
SURE = 0.9  # of a supposition, that is then said
HANDLE_KNOWN_MM = 4.0  # a standard uncertainty of the handle's place that leaves the limbs' difference sharp enough
WIDTH_U_MM = 1.0  # a limb's width as typed, to a sixteenth
# From a phone's lens to its flash (common practice, no source): the shadow that it throws on the board stands out beside one
# edge by as much of it as the standoff is of the camera's distance. Most of it passes for the limb.
FLASH_MM, FLASH_U_MM = 30.0, 25.0
LIMBS_ALIKE_U = 0.05  # of their thickness, that a bow's two limbs differ by (common practice, no source)
MOST_BY_WIDTH = 0.12  # of the thickness, as a standard uncertainty: more is said
PLACES = np.linspace(0.2, 0.8, 25)  # of a limb, where its thickness is held against the other's
# What of a swelling grip is called its belly differs a little from maker to maker; where a cradle or a strap hides most of it,
# grips are an inch and a half deep, give or take (common practice, no source).
GRIP_U_MM = 1.5
GRIP_SEEN = 0.4  # of the grip, that must be seen to know its depth
USUAL_GRIP_MM, USUAL_GRIP_U_MM = 38.0, 8.0
# A handle this long is rigid, so it is clearly thicker than the limbs beside it; no grip is thinner than they are. What looks
# otherwise is a colour line in the wood.
RIGID_MM, SWOLLEN, THINNEST_GRIP = 150.0, 1.3, 0.9
GRIP_BESIDE = 12  # stations of each limb beside the handle
OBLIQUE_RAD = np.radians(25)
TIP_TURN_U_RAD = np.radians(0.2)
LEAST_BEND_PER_MM = 3e-4  # of a limb, as its natural crook alone may bend it where it is not seen
# Between the handle's line and the limbs' at the fades: so much is usual, by its own edges and a little crook. How much of the
# rest is an edge taken wrongly is not known.
STEP_USUAL_MM, STEP_U = 0.4, 0.8
# Of a handle's back from the straight line between its ends (common practice, no source): crook, and what is carved.
HANDLE_UNSEEN_U_MM = 1.0
ANGLES = ("string_angle", "turn_", "handle_tilt")
MM, DEG, PER_M = "mm", "deg", "1/m"


@dataclass(frozen=True, eq=False)
class Prepared:
    """What one photograph gives before anything is known of the bow; made once, it serves every correction of the shot."""

    photo: Photo
    light: NDArray[np.uint16]
    maps: FinderMaps
    doubts: tuple[Reason, ...]


def prepare(photo: Photo) -> Prepared:
    """The half of the work that does not depend on the shot."""
    return _prepare(photo, tuple(judge(photo)))


def _prepare(photo: Photo, doubts: tuple[Reason, ...]) -> Prepared:
    return Prepared(photo, linear_light(photo.rgb), find_maps(photo.rgb), doubts)


# Gives a trace that was read before under the same words, else has it read now. It hangs on neither the state nor the hook.
Remembered = Callable[[str, Callable[[], TraceRead]], TraceRead]


def _read_now(how: str, read: Callable[[], TraceRead]) -> TraceRead:
    return read()


@dataclass(frozen=True, eq=False)
class _Asked:
    """What is to be measured, and by what: the same for every reading of one photograph."""

    prepared: Prepared
    fit: CameraFit
    shot: Shot
    rest: dict[str, Any] | None
    shared: dict[str, Any]  # fields of the measurement that are known before
    remembered: Remembered
    outlines: dict[str, Outlined] = field(default_factory=dict)  # of this measurement's readings, for the next of them


def measure_photo(
    photo: Photo,
    shot: Shot,
    rest: dict[str, Any] | None = None,
    prepared: Prepared | None = None,
    fit: CameraFit | None = None,
    remembered: Remembered = _read_now,
) -> Measurement:
    """Measure one photograph. Never raises for what a photograph or shot can hold, foreseen or not: status and reasons tell.

    ``rest``: the measurement document of the same bow unstrung, for judging spots on movement from rest. ``prepared``, ``fit``:
    ``prepare(photo)`` and ``fit_scale(photo, shot)`` where they are at hand from before; ``remembered``: gives traces that are.
    """
    about = {"name": photo.name, "sha256": photo.sha256, "size": [photo.rgb.shape[1], photo.rgb.shape[0]]}
    shared: dict[str, Any] = dict(state=shot.state, photo=about, shot=shot.as_dict(), version=__version__)
    doubts: tuple[Reason, ...] = () if prepared is None else prepared.doubts
    size, asked = (photo.width, photo.height), None
    try:
        with net("measuring", photo.name):
            check_places(shot, size)
            if prepared is None:
                doubts = tuple(judge(photo))
            by_bow = shot.scale.kind == "bow_length" and not {"nock_upper", "nock_lower"} <= set(shot.clicks)
            if fit is None and not by_bow:
                try:
                    fit = fit_scale(photo, shot)  # first: without a scale the rest would be in vain
                except ScaleError as error:
                    if shot.view == "side":
                        raise
                    text = f"{error.text} So the bow's own length is the scale here, and the intervals are wide."
                    doubts += (Reason("scale_by_length", text, error.remedy),)  # widths and bends need no more
            prepared = prepared or _prepare(photo, doubts)
            fit = fit or fit_to_bow(photo, prepared.maps, shot)
            check_view(fit, shot, size)
            asked = _Asked(prepared, fit, shot, rest, shared, remembered)
            if shot.view == "front":
                return measure_front(photo, prepared.light, prepared.maps, fit, shot, doubts, shared)
            return _measure_twice(asked)
    except StateDiffers as error:
        return Measurement("refused", reasons=(error.reason, *doubts), evidence={"state_shown": error.fields["shows"]}, **shared)
    except NeedsHelp as error:
        p = None if asked is None else asked.prepared
        reason = one_thing(error, shot, size, fit, None if p is None else p.maps, None if p is None else p.light)
        return Measurement("needs_help", reasons=(reason, *doubts), followed=error.fields.get("followed"), **shared)
    except TillerLensError as error:
        return Measurement("refused", reasons=(error.reason, *doubts), **shared)


def _measure_twice(asked: _Asked) -> Measurement:
    try:
        return _measure_held(asked)
    except NeedsHelp as error:
        try:
            with net("measuring", asked.prepared.photo.name):
                found = _measure_held(asked, fair=True)
            if error.fields.get("fault") == "cut" and any(min(o.ends.clear) < CLEAR_END for o in asked.outlines.values()):
                raise error  # it stops short of the border, but not at a tip that shows
            return found
        except TillerLensError as second:
            if error.fields.get("followed") is None:
                error.fields["followed"] = second.fields.get("followed")
            if second.fields.get("fault") == "cut" and error.fields.get("ratio", 0.0) <= 1.0:
                raise  # nothing else explains so well what was followed, unless that is longer than the bow
            raise error from None  # what the first reading asks for


def _measure_held(asked: _Asked, fair: bool = False) -> Measurement:
    """Measure; where the limbs do not meet the handle, or it is not seen, again with its back held to the line between them."""
    try:
        return _measure(asked, fair=fair)
    except NeedsHelp as error:
        if "step_mm" not in error.fields and error.fields.get("limb") != "handle":
            raise
        return _measure(asked, hold_handle=True, fair=fair)  # beside the wrap something else was followed


def _measure(
    asked: _Asked,
    by_string: Mapping[str, tuple[float, float]] | None = None,
    hold_handle: bool = False,
    fair: bool = False,
) -> Measurement:
    p, fit, shot = asked.prepared, asked.fit, asked.shot
    how = repr((by_string, hold_handle, fair))

    def read() -> TraceRead:
        known = repr((by_string, fair))
        if known not in asked.outlines:
            asked.outlines[known] = outline(p.photo, p.light, p.maps, fit, shot, by_string, fair)
        return trace_of(p.photo, p.light, p.maps, asked.outlines[known], hold_handle, fair)

    trace = asked.remembered(how, read)
    with shown_on_refusal(trace):
        check_view(fit, shot, (p.photo.width, p.photo.height), trace.path_px, trace.grip_column)
        return _measure_traced(asked, trace, by_string, hold_handle, fair)


def _measure_traced(
    asked: _Asked, trace: TraceRead, by_string: Mapping[str, tuple[float, float]] | None, hold_handle: bool, fair: bool
) -> Measurement:
    fit, shot, rest = asked.fit, asked.shot, asked.rest
    light, doubts = asked.prepared.light, asked.prepared.doubts
    evidence = _evidence(fit, shot, trace)
    layout = _layout(evidence, shot, trace)
    chain = ShapeModel(layout, shot.state)
    handle = _handle_seen(light, trace, shot)

    def settled(put: tuple[Met | None, Met | None]) -> Settled:
        own = [u / trace.px_per_mm for u in trace.tip_u_px]
        u = [end if met is None else float(np.hypot(met.u_mm, 0.0 if met.mm else end)) for met, end in zip(put, own, strict=True)]
        inside = [None if met is None else met.mm for met in put]
        ways = supposed(shot, (inside[0], inside[1]), (u[0], u[1]), fit.squared)
        return settle(fit, ways, evidence, chain.bare, shot.nock_to_nock_mm, handle)

    first = settled(_put(trace, shot))
    evidence = first.applied(evidence)
    string, from_within, faint = None, False, False
    if shot.state == "drawn":
        string, from_within = string_of(light, trace, evidence, chain, shot)
        faint = string is not None and min(string.clear) < FAINT and "hook" not in shot.clicks
        evidence = replace(evidence, hook_px=None if string is None or faint else string.hook)
    of_state = (
        () if "hook" in shot.clicks else tuple(check_state(light, trace.maps, shot.state, stand_of(evidence, chain), string))
    )
    doubts += of_state
    # where no string was seen from nock to nock, a line that passes the limbs elsewhere is none either
    unseen = any(reason.code == "no_braced_string" for reason in of_state)
    inside = (None, None) if unseen else nocks_by_string(light, trace, evidence, chain, string)
    if from_within and by_string is None and (seen := nocks_far_inside(evidence, chain, inside)):
        # what was followed past the nock bends the limb's last inches: follow it again, only so far
        return _measure(asked, seen, hold_handle, fair)
    own = _put(trace, shot)
    put = put_together(own, inside, evidence, chain, [_near_end(trace, shot, k) for k in (0, 1)])
    last = first if put == own else settled(put)
    if "handle" in shot.clicks and not last.believed[0]:
        raise NeedsHelp(
            "The handle's centre can't be where it is clicked, between these two nocks.",
            "Move the handle to its centre, or the nock that is off.",
            clicks=("handle", "nock_upper", "nock_lower"),
        )
    fit, off, evidence = last.fit, last.length_off_u, last.applied(evidence)
    if string is not None:
        # a string's line that passes a nock by has been led astray: its hook is less sure by as much
        astray = (
            max(abs(o) for o, met in zip(string.offset_px, inside, strict=True) if met is None or not met.mm)
            if any(met is None or not met.mm for met in inside)
            else 0.0
        )
        # where a shadow clings to the limbs one clings to the string, and the darker of the two may be that
        shadow = max(trace.shadow_px.values()) if string.dark else 0.0
        string = replace(string, u_px=float(np.sqrt(string.u_px**2 + (1.5 * max(0.0, astray - 1.0)) ** 2 + shadow**2)))
    tilt_u = (0.0, 0.0) if fit.squared else _bent_view(asked.fit.camera, fit.camera, trace.path_px)
    # as good as the one view is the other: the limbs are seen from halfway between them
    shadow_u_mm = _flash_shadow_u(light, fit.camera, shot.standoff_mm)
    evidence = replace(evidence, section=replace(evidence.section, tilt=(-tilt_u[0], -tilt_u[1])))
    layout = _layout(evidence, shot, trace)
    chain = ShapeModel(layout, shot.state)
    shape = chain.shape(evidence)
    if shape.handle_scatter_mm > CROOKED_MM and not hold_handle:
        return _measure(asked, by_string, True, fair)  # a line beside the handle may have been followed in its back's place
    nudges = last.nudges(trace.tip_cause) + _nudges(shot, trace, string)
    nudges += thickness_perturbations(_width_u(shot), tilt_u, shadow_u_mm)
    doubts += _of_nocks(last) + _of_limbs(last, shot)
    check_shape(shape, off)
    doubts += outline_doubts(light, trace)
    thinner = thinner_inward(shape)
    nudges += thinner_perturbations(
        len(trace.back_px), trace.zones, {k: (mm * trace.px_per_mm, at) for k, (mm, at) in thinner.items()}
    )
    doubts += tuple(_thinner(name) for name in thinner)
    thicker = {} if thinner else roots_unlike(shape)  # one finding, said once
    nudges += thinner_perturbations(
        len(trace.back_px), trace.zones, {k: (mm * trace.px_per_mm, at) for k, (mm, at) in thicker.items()}
    )
    doubts += tuple(_thicker(name) for name in thicker)
    # where both limbs leave the handle off its line by as much, its back may have been taken for another line, or theirs
    step = abs(float(shape.upper.curve.xy[-1, 1] + shape.lower.curve.xy[-1, 1])) / 2 - STEP_USUAL_MM
    if step > 0:
        nudges.append(step_perturbation(len(trace.back_px), trace.zones["handle"], STEP_U * step * trace.px_per_mm))
    if (level := _handle_level_u(trace, shape)) > 0:
        nudges.append(step_perturbation(len(trace.back_px), trace.zones["handle"], level * trace.px_per_mm))
    # where the back's line and the fades' are further apart than their own doubts, both are the less sure (Birge's ratio)
    turn = layout.direction_u_rad * max(1.0, shape.handle_apart_rad / layout.apart_u_rad)
    nudges.append(Perturbation("handle", lambda e: replace(e, handle_turn_rad=e.handle_turn_rad + turn)))
    influence = sensitivities(nudges, evidence, shape, chain.shape).with_own("tip", _tip_turn(shape, trace, evidence))
    influence = influence.with_own("edge", _root_unseen(shape, trace, shot))
    doubts += _doubts(fit, shot, trace, string, off, shape) + _width_doubt(shot, shape, influence)
    profile = _profile(shot, trace, evidence, layout, shape, influence)
    moved_from_rest = {} if rest is None or shot.state == "unstrung" else movement_from_rest(shape.numbers, influence, rest)
    spots = find_spots(profile, shot, shape) if shot.state == "drawn" else ((), ())
    found = Measurement(
        "measured",
        reasons=doubts + spots[1],
        values=_values(shape, influence) | moved_from_rest,
        gaps=_gaps(shape, influence),
        profile=profile,
        spots=spots[0],
        trace=_traced(evidence, shape, shot.state),
        evidence=_facts(fit, evidence, trace, string, off),
        **asked.shared,
    )
    return found if rest is None or shot.state != "drawn" else _on_rest(found, rest)


def _on_rest(found: Measurement, rest: dict[str, Any]) -> Measurement:
    """The measurement with hinges and stiff places found on movement from rest."""
    try:
        finding = find([found.as_document()], rest)
    except MechanicsError as error:
        return replace(found, reasons=(*found.reasons, error.reason))
    return with_finding(found, finding)


def _layout(e: Evidence, shot: Shot, trace: TraceRead) -> Layout:
    cutoff = _cutoff_mm(trace)
    return make_layout(e, shot.handle_mm, cutoff, trace.weight, trace.path_px, shot.state, trace.handle_held)


def _put(trace: TraceRead, shot: Shot) -> tuple[Met | None, Met | None]:
    """Nocks that are known without the string: the trace ends at one that was put, and a click that agrees with the end."""
    put = [
        Met(0.0, 0.0) if cause != "tip" or name in shot.clicks else None
        for cause, name in zip(trace.tip_cause, ("nock_upper", "nock_lower"), strict=True)
    ]
    return put[0], put[1]


def _near_end(trace: TraceRead, shot: Shot, k: int) -> tuple[float, float] | None:
    """The click that agreed with the limb's end, where there is one; a click that did not agree has ruled already."""
    return shot.clicks.get(("nock_upper", "nock_lower")[k]) if trace.tip_cause[k] == "tip" else None


def _handle_seen(light: NDArray[np.uint16], trace: TraceRead, shot: Shot) -> list[HandleReading]:
    """Where the handle's centre is: as it is clicked, and as its grip shows. A click that the grip is far from rules alone."""
    grip = see_grip(light, trace, shot)
    seen = [] if grip is None else [HandleReading(np.array(grip.px), grip.u_px / trace.px_per_mm)]
    if "handle" not in shot.clicks:
        return seen
    u = HANDLE_BY_HAND_U_MM if "handle" in shot.set_by_hand else HANDLE_CLICK_U_MM
    clicked = HandleReading(np.array(shot.clicks["handle"], float), float(np.hypot(u, HANDLE_CLICK_U_PX / trace.px_per_mm)))
    near = [s for s in seen if np.linalg.norm(s.px - clicked.px) < CLICK_RULES * np.hypot(s.u_mm, clicked.u_mm) * trace.px_per_mm]
    return [clicked, *near]


def _of_nocks(settled: Settled) -> tuple[Reason, ...]:
    past, lost = settled.shares.get("past", 0.0), settled.shares.get("lost", 0.0)
    if max(past, lost) > SURE:
        where = "past" if past > lost else "short of"
        return (
            Reason(
                "nocks_by_length",
                f"The limbs seem to end {where} the nocks that the bow's length gives. The nocks were placed by the length.",
                "Check the length nock to nock; tape of a light colour at the nocks makes them show.",
            ),
        )
    if max(past, lost) > 1 - SURE:
        return (
            Reason(
                "nock_or_tip",
                "The picture doesn't show whether the limbs end at their nocks or run past them, so the intervals are wider.",
                "Click both nocks: where the string sits, not where the wood ends.",
            ),
        )
    return ()


def _of_limbs(settled: Settled, shot: Shot) -> tuple[Reason, ...]:
    """Asked once a bow: what would tell unequal limbs from a turned camera, or where the handle's centre is."""
    if shot.state == "unstrung" or shot.upper_limb_length_mm is not None or settled.shift_u_mm < HANDLE_KNOWN_MM:
        return ()
    if not settled.fit.squared:
        text = "Nothing squares this picture: a longer limb and a tilted camera look alike. The limbs' difference isn't sharp."
    else:
        text = "The handle's centre doesn't show, so the limbs' difference isn't sharp."
    return (Reason("limbs_not_known", text, "Measure the upper limb from its nock to the handle's centre and type it in."),)


def _handle_level_u(trace: TraceRead, shape: BowShape) -> float:
    """Standard uncertainty (mm) of where the back runs at the handle's middle: it is read off a straight line along the handle's
    back, which may bend or be carved, and may not be seen where it counts."""
    a, b = trace.zones["handle"]
    inner = trace.back_px[a + (b - a) // 4 : b - (b - a) // 4, 0]
    unseen = 1.0 if trace.handle_held else float(np.isnan(inner).mean()) if len(inner) else 0.0
    return float(np.hypot(shape.handle_scatter_mm, HANDLE_UNSEEN_U_MM * unseen))


def _thinner(limb: str) -> Reason:
    return Reason(
        "thinner_inward",
        f"The {limb} limb looks thinner toward the handle than further out: some of it may be lost against the background.",
        "Fix its edge by hand, or take it again against a background that differs from the wood.",
    )


def _thicker(limb: str) -> Reason:
    return Reason(
        "thicker_inward",
        f"The {limb} limb looks thicker toward the handle than the other: a line behind it may have been taken for its edge.",
        "Fix its edge by hand, or take it again with nothing behind the limb.",
    )


def _cutoff_mm(trace: TraceRead) -> float:
    return shortest_wave_mm(trace.noise_px / trace.px_per_mm)


def _evidence(fit: CameraFit, shot: Shot, trace: TraceRead) -> Evidence:
    width = shot.limb_width_mm or LIMB_WIDTH_MM
    return Evidence(
        fit.camera,
        shot.standoff_mm,
        trace.back_px,
        trace.belly_px,
        trace.tips_px,
        np.array(shot.clicks["hook"]) if "hook" in shot.clicks else None,
        limb_width_mm=width,
        grip_thickness_mm=_grip_depth(shot, trace)[0],
        is_end=(trace.tip_cause[0] == "tip", trace.tip_cause[1] == "tip"),
        middle_shift_mm=0.0 if shot.upper_limb_length_mm is None else shot.nock_to_nock_mm / 2 - shot.upper_limb_length_mm,
        section=Section(width_mm=width),
    )


def _grip_depth(shot: Shot, trace: TraceRead) -> tuple[float, float]:
    """Back to belly of the grip and its standard uncertainty, mm: as typed, as seen, or as grips are where it is hidden."""
    if shot.handle_thickness_mm:
        return shot.handle_thickness_mm, 0.5
    a, b = trace.zones["handle"]
    inner = slice(a + (b - a) // 6, b - (b - a) // 6)
    thick = np.linalg.norm(trace.back_px - trace.belly_px, axis=1)
    beside = np.r_[thick[max(0, a - GRIP_BESIDE) : a], thick[b : b + GRIP_BESIDE]]
    root = float(np.nanmedian(beside)) if np.isfinite(beside).any() else 0.0
    least = SWOLLEN if shot.handle_mm > RIGID_MM else THINNEST_GRIP
    seen = float(np.isfinite(thick[inner]).mean()) > GRIP_SEEN and trace.grip_px > least * root
    depth = trace.grip_px / trace.px_per_mm
    return (depth, GRIP_U_MM) if seen else (max(depth, USUAL_GRIP_MM), USUAL_GRIP_U_MM)


def _width_u(shot: Shot) -> float:
    return WIDTH_U_MM if shot.limb_width_mm else LIMB_WIDTH_U_MM


def _bent_view(first: Camera, last: Camera, path_px: Array) -> tuple[float, float]:
    """Half of how far the bow's length and middle have turned the camera, where that is further than a person holds a phone
    askew: a length that is off bends an unsquared camera, and what it says of the direction of view is then worth little."""
    middle = path_px[len(path_px) // 2][None]
    ways = [ray[0, :2] / ray[0, 2] for ray in (first.rays(middle), last.rays(middle))]
    turned = (ways[1] - ways[0]) / 2
    return (float(turned[0]), float(turned[1])) if np.hypot(*turned) > OBLIQUENESS_PRIOR_U else (0.0, 0.0)


def _flash_shadow_u(light: NDArray[np.uint16], camera: Camera, standoff_mm: float) -> float:
    """Standard uncertainty (mm) of the limbs' apparent thickness by the shadow of the camera's flash, as far as the picture looks
    lit by one. Nothing is taken off: rooms can look the same, and some of the shadow may have been told from the wood already."""
    share = max(standoff_mm, 0.0) / -float(camera.centre_mm[2])
    return float(np.sqrt(lit_from_camera(light)) * np.hypot(FLASH_MM, FLASH_U_MM) * share)


def _nudges(shot: Shot, trace: TraceRead, string: DrawnString | None) -> list[Perturbation]:
    out = [Perturbation("standoff", lambda e: replace(e, standoff_mm=e.standoff_mm + shot.standoff_u_mm))]
    out += section_perturbations(_width_u(shot))
    out += edge_perturbations(
        len(trace.back_px), trace.zones, trace.noise_px, CORRELATED / EVERY, trace.wander_px, trace.shadow_px
    )
    grip_u = _grip_depth(shot, trace)[1]
    out.append(Perturbation("grip", lambda e: replace(e, grip_thickness_mm=e.grip_thickness_mm + grip_u)))
    if string is not None:
        for axis in (0, 1):
            step = np.eye(2)[axis] * string.u_px
            out.append(Perturbation("string", lambda e, d=step: replace(e, hook_px=None if e.hook_px is None else e.hook_px + d)))  # type: ignore[misc]
    return out


def _tip_turn(s: BowShape, trace: TraceRead, e: Evidence) -> dict[str, float]:
    """Standard uncertainty (rad) of the limb's direction at each nock: nocks, wraps and rounding disturb the last inches,
    the more so where no edge was seen near the tip, or where something past the nock was followed."""
    out: dict[str, float] = {}
    for k, name in enumerate(("upper", "lower")):
        a, b = trace.zones[name]
        w = trace.weight[a:b] if name == "upper" else trace.weight[a:b][::-1]
        first = int(np.nonzero(np.cumsum(w) > 5)[0][0]) - 5
        unseen_mm = max(0, first) * 3 * trace.step_px / trace.px_per_mm
        past_mm = abs(e.overhang_mm[k])
        u = TIP_TURN_U_RAD * (1 + (unseen_mm + past_mm) / 15) * max(1.0, trace.noise_px / 0.06)
        out |= {n: u for n in (f"string_angle_{name}", f"turn_{name}_outer") if n in s.numbers}
    return out


def _root_unseen(s: BowShape, trace: TraceRead, shot: Shot) -> dict[str, float]:
    """Standard uncertainty (mm) of the gaps beside a handle where a limb's two edges were not both seen from its root on: the
    curve is carried on there, and the limb may bend twice as much as it does elsewhere or not at all."""
    seen = np.isfinite(trace.back_px[:, 0]) & np.isfinite(trace.belly_px[:, 0])
    mm = EVERY * trace.step_px / trace.px_per_mm
    out: dict[str, float] = {}
    for name, limb in (("upper", s.upper), ("lower", s.lower)):
        a, b = trace.zones[name]
        from_root = seen[a:b][::-1] if name == "upper" else seen[a:b]
        unseen_mm = mm * (int(np.argmax(from_root)) if from_root.any() else b - a)
        bend = max(float(np.abs(np.mean(limb.curve.curvature))), LEAST_BEND_PER_MM)
        for d in STATIONS_IN:
            beyond = unseen_mm - max(d * 25.4 - shot.handle_mm / 2, 0.0)
            if beyond > 0 and f"gap_difference_{d}" in s.numbers:
                u = bend * beyond**2 / 2
                out[f"gap_{name}_{d}"] = u
                out[f"gap_difference_{d}"] = float(np.hypot(out.get(f"gap_difference_{d}", 0.0), u))
    return out


def _doubts(
    fit: CameraFit, shot: Shot, trace: TraceRead, string: DrawnString | None, off: float, s: BowShape
) -> tuple[Reason, ...]:
    out = list(trace.doubts)
    if fit.camera.obliqueness() > OBLIQUE_RAD:
        text = "The picture was taken far from square to the board."
        out.append(Reason("oblique", text, "Stand so that the board looks like a rectangle."))
    out += scale_doubts(fit.squared, off)
    if shot.state == "drawn" and string is None:
        out.append(
            Reason(
                "no_string",
                "The string could not be seen, so draw length and string angles are missing.",
                "Click the hook, or use a string that stands out from the board.",
            )
        )
    if shot.state != "unstrung" and _grip_depth(shot, trace)[1] > GRIP_U_MM:
        out.append(
            Reason(
                "grip_not_seen",
                "The grip's belly could not be seen, so lengths to it have wide intervals.",
                "Measure the handle's thickness, back to belly, and type it in.",
            )
        )
    if string is not None and min(string.clear) < FAINT and "hook" not in shot.clicks:
        out.append(
            Reason(
                "string_faint",
                f"Only {min(string.clear):.0%} of the string shows, so draw length and string angles are left out.",
                "Click the hook, or use a string that stands out from what is behind it.",
            )
        )
    if s.handle_scatter_mm > CROOKED_MM:
        text = "The back of the handle isn't straight, so heights measured from it are less sure."
        out.append(Reason("handle_not_straight", text))
    return tuple(out)


def _value(name: str, value: float, u: float, budget: dict[str, float]) -> Value:
    angle = name.startswith(ANGLES)
    k = float(np.degrees(1.0)) if angle else 1.0
    u = u * k if budget else float("nan")
    return Value(float(value) * k, u, DEG if angle else MM, {c: v * k for c, v in budget.items()})


def _values(s: BowShape, influence: Sensitivity) -> dict[str, Value]:
    return {
        n: _value(n, v, influence.u(n), influence.budget(n))
        for n, v in s.numbers.items()
        if not n.startswith("gap_") and np.isfinite(v)
    }


def _gaps(s: BowShape, influence: Sensitivity) -> tuple[GapRow, ...]:
    rows = []
    for d in STATIONS_IN:
        if f"gap_difference_{d}" in s.numbers:
            u, lo, di = (
                _value(n, s.numbers[n], influence.u(n), influence.budget(n))
                for n in (f"gap_upper_{d}", f"gap_lower_{d}", f"gap_difference_{d}")
            )
            rows.append(GapRow(d * 25.4, u, lo, di))
    return tuple(rows)


def _profile(
    shot: Shot, trace: TraceRead, e: Evidence, layout: Layout, s: BowShape, influence: Sensitivity
) -> dict[Any, LimbProfile]:
    from tillerlens.shape.spline import curvature_noise

    out = {}
    apart = _limbs_apart(s, influence)
    for k, (name, limb, lay) in enumerate((("upper", s.upper, layout.upper), ("lower", s.lower, layout.lower))):
        keep = limb.from_nock_mm > -1.0
        across = np.full(len(lay.spline.u), trace.noise_px / trace.px_per_mm / np.sqrt(2))
        random = curvature_noise(lay.spline, across, CORRELATED * trace.step_px / trace.px_per_mm)
        # what the smoothing may hide: a share of how fast the curve itself changes over the cutoff
        k1 = np.gradient(np.gradient(limb.curve.curvature, limb.from_nock_mm), limb.from_nock_mm)
        hidden = np.abs(k1) * (_cutoff_mm(trace) / (2 * np.pi)) ** 2 * 0.5
        slow = np.sqrt((influence.curvature[k] ** 2).sum(0))
        u_kappa = np.sqrt(random**2 + slow**2 + hidden**2 + (0.01 * limb.curve.curvature) ** 2)
        u_thick = _thickness_u(limb, influence.thickness[k], apart)
        px = e.camera.project(
            np.column_stack(
                [
                    s.origin_mm + limb.curve.xy[:, :1] * s.x_axis + limb.curve.xy[:, 1:] * s.y_axis,
                    np.full(len(limb.curve.xy), -e.standoff_mm),
                ]
            )
        )
        end = s.hook_mm if shot.state == "drawn" else s.nocks_mm[1 - k]
        arm = np.full(len(limb.from_nock_mm), np.nan)
        if shot.state != "unstrung" and end is not None:
            d = end - s.nocks_mm[k]
            n = np.array([-d[1], d[0]]) / np.hypot(*d)
            arm = np.abs((limb.curve.xy - s.nocks_mm[k]) @ n)
        out[name] = LimbProfile(
            limb.from_nock_mm[keep],
            limb.curve.curvature[keep] * 1000,
            u_kappa[keep] * 1000,
            limb.wood_mm[keep],
            u_thick[keep],
            limb.curve.xy[keep],
            px[keep],
            arm[keep],
        )
    return out


def _thickness_u(limb: LimbFit, changes: Array, apart: float) -> Array:
    """Standard uncertainty (samples,) of the wood's thickness, mm, by the nudges' ``changes`` and what the limbs differ by."""
    u = np.hypot(np.sqrt((changes**2).sum(0)), apart * limb.wood_mm)
    # where all that is seen might be broad face no nudge moves the thickness: it lies between the least and all of it
    nothing_left = limb.wood_mm < 1.05 * LEAST_SHARE * limb.apparent_mm
    return np.where(nothing_left, np.maximum(u, (1 - LEAST_SHARE) / 2 * limb.apparent_mm), u)


def _at_places(limb: LimbFit, rows: Array) -> Array:
    """``rows`` (K, samples) along a limb at ``PLACES`` of it: (K, places)."""
    return np.array([np.interp(PLACES * limb.from_nock_mm[-1], limb.from_nock_mm, row) for row in rows])


def _limbs_apart(s: BowShape, influence: Sensitivity) -> float:
    """How far, relative, each limb's thickness may be off because the two differ by more than limbs do and their budgets hold:
    then an edge of one of them was lost on its ground, or is a shadow's, and nothing tells which."""
    upper, lower = (
        _at_places(limb, np.vstack([np.log(limb.wood_mm), changes / limb.wood_mm]))
        for limb, changes in zip((s.upper, s.lower), influence.thickness, strict=True)
    )
    differ = np.median(upper - lower, axis=1)
    return float(0.5 * np.sqrt(max(0.0, differ[0] ** 2 - LIMBS_ALIKE_U**2 - np.sum(differ[1:] ** 2))))


def _width_doubt(shot: Shot, s: BowShape, influence: Sensitivity) -> tuple[Reason, ...]:
    """Said where it is the width that nobody told that blurs the thickness, and by enough to matter."""
    by_width = np.array([cause == "width" for cause in influence.causes])
    whole, own = 0.0, 0.0
    for limb, changes in zip((s.upper, s.lower), influence.thickness, strict=True):
        parts = _at_places(limb, changes / limb.wood_mm) ** 2
        whole = max(whole, float(np.median(np.sqrt(parts.sum(0)))))
        own = max(own, float(np.median(np.sqrt(parts[by_width].sum(0)))))
    if shot.limb_width_mm or own < MOST_BY_WIDTH:
        return ()
    text = f"Much of the limbs' broad faces shows, so their thickness in this picture is only good to about {2 * whole:.0%}."
    remedy = "Type the limbs' greatest width, near the fades, to sharpen it, or hold the phone level with the limbs."
    return (Reason("width_not_told", text, remedy),)


def _traced(e: Evidence, s: BowShape, state: State) -> TracedBow:
    lines = []
    if state != "unstrung":
        (ux, uy), (lx, ly) = s.nocks_mm
        for d in STATIONS_IN:
            if f"gap_difference_{d}" in s.numbers:
                for limb in (s.upper, s.lower):
                    b = belly_at(limb, d * 25.4)
                    foot = np.array([b[0], uy + (ly - uy) * (b[0] - ux) / (lx - ux)])
                    lines.append([to_px(e, s, b), to_px(e, s, foot)])
    centre = np.vstack([s.upper.curve.xy, s.lower.curve.xy[::-1]])
    px = np.array([to_px(e, s, p) for p in centre])
    return TracedBow(
        e.back_px,
        e.belly_px,
        px,
        np.array([to_px(e, s, q) for q in s.nocks_mm]),
        s.nocks_mm,
        s.hook_mm,
        to_px(e, s, np.zeros(2)),
        e.hook_px,
        np.array(lines).reshape(-1, 2, 2),
    )


def _facts(fit: CameraFit, e: Evidence, trace: TraceRead, string: DrawnString | None, off: float) -> dict[str, Any]:
    return {
        "marks_rms_px": round(fit.rms_px, 3),
        "marks_used": fit.n_marks,
        "marks_set_aside": round(fit.outliers, 3),
        "squared": fit.squared,
        "focal_px": round(fit.camera.focal_px, 1),
        "radial_term": round(float(fit.camera.theta[7]), 5),
        "obliqueness_deg": round(float(np.degrees(fit.camera.obliqueness())), 2),
        "px_per_mm": round(trace.px_per_mm, 4),
        "finder_support": round(trace.support, 3),
        "edge_noise_px": round(trace.noise_px, 3),
        "edge_wander_px": round(trace.wander_px, 3),
        "length_off_u": round(float(off), 2),
        "handle_shift_mm": round(float(e.middle_shift_mm), 2),
        "overhang_mm": [round(float(mm), 1) for mm in e.overhang_mm],
        "string_seen": None if string is None else [round(c, 2) for c in string.clear],
    }
