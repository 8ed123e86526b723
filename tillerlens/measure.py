"""One photograph, measured. This module is the method; the rooms below it hold its parts:

fit the camera, trace the limbs, place the nocks, compute the shape, propagate the uncertainty, judge.

A picture is traced another way only where a reading gives evidence against itself; ``_best_reading`` and ``_followed_up`` alone
decide that.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from tillerlens import __version__
from tillerlens.core.clicks import check_places
from tillerlens.core.errors import NeedsHelp, Reason, ScaleError, StateDiffers, TillerLensError
from tillerlens.core.measurement import Measurement, PhotoId
from tillerlens.core.shot import Scale, Shot
from tillerlens.core.unforeseen import net
from tillerlens.front.measure import measure_front, view_doubts
from tillerlens.measures.from_rest import movement_from_rest
from tillerlens.measures.spots import find_spots
from tillerlens.measures.values import gap_rows, values_of
from tillerlens.mechanics.finding import find, with_finding
from tillerlens.mechanics.observed import MechanicsError
from tillerlens.photo.camera import CameraFit
from tillerlens.photo.intake import Photo, judge
from tillerlens.photo.scale import fit_scale
from tillerlens.shape.bow_shape import BowShape
from tillerlens.shape.checks import (
    CROOKED_MM,
    LEFT_OUT,
    check_reach,
    check_shape,
    check_tapers,
    placing_doubts,
    root_doubts,
    shape_doubts,
)
from tillerlens.shape.perturbations import perturbations_of, root_unseen_u, stretch_unseen_u, tip_turn_u, tip_unseen_u
from tillerlens.shape.placing import Placed, begin, place_nocks, see_string
from tillerlens.shape.profile import limb_profiles, shadow_doubt, traced_bow, width_doubt
from tillerlens.shape.uncertainty import Sensitivity, sensitivities
from tillerlens.trace.handle import grip_station
from tillerlens.trace.outline import CLEAR_END, Silhouettes, outline
from tillerlens.trace.questions import check_view, one_thing, outline_doubts
from tillerlens.trace.reading import Prepared, TraceVariant, prepare
from tillerlens.trace.self_scale import fit_to_bow
from tillerlens.trace.sketch import shown_on_refusal
from tillerlens.trace.trace import Trace, trace_of
from tillerlens.trace.verify import prove

# Gives a trace that was made before under the same key, else has it made now. A trace depends on neither the state nor the hook.
Remembered = Callable[[str, Callable[[], Trace]], Trace]


def _made_now(key: str, make: Callable[[], Trace]) -> Trace:
    return make()


@dataclass(frozen=True, eq=False)
class _Task:
    """What is to be measured, and by what: the same for every reading of one photograph."""

    prepared: Prepared
    fit: CameraFit
    shot: Shot
    doubts: tuple[Reason, ...]  # of the picture and its scale
    rest: Measurement | None
    heading: Measurement  # what is known before anything is measured
    remembered: Remembered
    outlines: dict[TraceVariant, Silhouettes] = field(default_factory=dict)  # shared where only the handle is held


def measure_photo(
    photo: Photo,
    shot: Shot,
    rest: Measurement | None = None,
    prepared: Prepared | None = None,
    fit: CameraFit | None = None,
    remembered: Remembered = _made_now,
) -> Measurement:
    """Measure one photograph. Never raises for what a photograph or shot can hold, foreseen or not: status and reasons tell.

    Parameters
    ----------
    photo, shot : the picture, and what was typed and clicked.
    rest : the same bow unstrung, as it is kept, for judging spots on movement from rest.
    prepared, fit : ``prepare(photo)`` and ``fit_scale(photo, shot)``, where they are at hand from before.
    remembered : gives traces that are at hand from before.
    """
    size = (photo.width, photo.height)
    about = PhotoId(photo.name, photo.sha256, size)
    heading = Measurement("refused", shot.state, photo=about, shot=shot, version=__version__)
    doubts: tuple[Reason, ...] = () if prepared is None else prepared.doubts
    scaled = shot
    try:
        with net("measuring", photo.name):
            check_places(shot, size)
            doubts = tuple(judge(photo)) if prepared is None else doubts
            if fit is None:
                fit, scaled, of_scale = _fit_by_marks(photo, shot)  # first: without a scale the rest would be in vain
                doubts += of_scale
            prepared = prepare(photo, doubts) if prepared is None else prepared
            fit = fit or fit_to_bow(photo, prepared.maps, shot)
            check_view(fit, scaled, size)
            if shot.view == "front":
                return measure_front(prepared, fit, shot, doubts, heading)
            return _best_reading(_Task(prepared, fit, scaled, doubts, rest, heading, remembered))
    except StateDiffers as error:
        return replace(heading, reasons=(error.reason, *doubts), evidence={"state_shown": error.fields["shows"]})
    except NeedsHelp as error:
        reason = one_thing(error, scaled, size, fit, prepared)
        return replace(heading, status="needs_help", reasons=(reason, *doubts), followed=error.fields.get("followed"))
    except TillerLensError as error:
        return replace(heading, reasons=(error.reason, *doubts))


def _fit_by_marks(photo: Photo, shot: Shot) -> tuple[CameraFit | None, Shot, tuple[Reason, ...]]:
    """The camera by the shot's marks, the shot by whose scale it is, and the doubt of it. Lines that can't be read give way to
    the two marks on them, else to the bow's own length. The camera is None where that length must do, once the bow is found."""
    if shot.scale.kind == "bow_length" and not {"nock_upper", "nock_lower"} <= set(shot.clicks):
        return None, shot, ()
    try:
        return fit_scale(photo, shot), shot, ()
    except ScaleError as error:
        ruled = shot.scale.kind in ("grid", "lines_and_two_marks")
        if shot.view == "side" and not ruled:
            raise
        by_marks = shot.view == "side" and shot.scale.kind == "lines_and_two_marks"
        scale = Scale("two_marks", marks_apart_mm=shot.scale.marks_apart_mm) if by_marks else Scale("bow_length")
        other, what = replace(shot, scale=scale), "the two marks on them are" if by_marks else "the bow's own length is"
        doubt = Reason("scale_by_length", f"{error.text} So {what} the scale here, and the intervals are wide.", error.remedy)
        return (fit_scale(photo, other) if by_marks else _fit_by_marks(photo, other)[0]), other, (doubt,)


def _best_reading(task: _Task) -> Measurement:
    """The first reading, or where it comes to nothing, or followed something beside a limb for a stretch, the one along the
    dynamic-programming path."""
    try:
        first = _followed_up(task, TraceVariant())[0]
    except NeedsHelp as refusal:
        try:
            with net("measuring", task.prepared.photo.name):
                found, trace = _followed_up(task, TraceVariant(smooth_path=True))
        except TillerLensError as second:
            if refusal.fields.get("followed") is None:
                refusal.fields["followed"] = second.fields.get("followed")
            # that the bow is cut off explains best what was followed, unless that is longer than the bow; else the first asks
            cut = second.fields.get("fault") == "cut" and refusal.fields.get("ratio", 0.0) <= 1.0
            raise (second if cut else refusal) from None
        if refusal.fields.get("fault") == "cut" and min(trace.end_clear) < CLEAR_END:
            raise  # the second stops short of the border, but not at a tip that shows
        return found
    if not _strayed(first):
        return first
    try:
        with net("measuring", task.prepared.photo.name):
            other = _followed_up(task, TraceVariant(smooth_path=True))[0]
    except TillerLensError:  # the first stands, and tells its stretch
        return first
    return first if _strayed(other) else other


def _strayed(found: Measurement) -> bool:
    return any(reason.code == LEFT_OUT for reason in found.reasons)


def _followed_up(task: _Task, variant: TraceVariant) -> tuple[Measurement, Trace]:
    """Read, and read again while the evidence asks for another variant: nocks far inside the traced ends, a crooked handle, or
    (once) limbs that miss the handle, since something beside it was traced."""
    held_after_refusal = False
    while True:
        try:
            found = _read(task, variant)
        except NeedsHelp as refusal:
            of_handle = "step_mm" in refusal.fields or refusal.fields.get("limb") == "handle"
            if held_after_refusal or not of_handle:
                raise
            found, held_after_refusal = TraceVariant(variant.smooth_path, handle_held=True), True
        if not isinstance(found, TraceVariant):
            return found
        variant = found


def _read(task: _Task, variant: TraceVariant) -> tuple[Measurement, Trace] | TraceVariant:
    """Measure by one reading, stage by stage; or name the reading that its own evidence asks for instead."""
    shot, prepared = task.shot, task.prepared
    trace = _trace(task, variant)
    with shown_on_refusal(trace):
        grip = None if task.fit.squared or "handle" in shot.clicks else grip_station(prepared.light, trace, shot)
        check_view(task.fit, shot, (prepared.photo.width, prepared.photo.height), trace.path_px, grip)

        picture = begin(prepared, task.fit, shot, trace)
        string = see_string(picture, anew=variant.nocks_px is None)
        if string.far_off:
            # what was followed past the nock bends the limb's last inches, and what was lost before it is missing: once more
            return replace(variant, nocks_px=tuple(string.far_off.items()))
        placed = place_nocks(picture, string)

        shape = placed.model.shape(placed.evidence)
        if shape.handle_scatter_mm > CROOKED_MM and not variant.handle_held:
            return replace(variant, handle_held=True)  # a line beside the handle may have been followed in its back's place
        proof = prove(prepared.light, trace.back_px, trace.belly_px)
        check_tapers(trace, shot)
        check_reach(placed, shape)
        check_shape(shape, placed.settled, shot, proof, trace.zones)
        of_outline = outline_doubts(proof, trace)

        changes = sensitivities(perturbations_of(trace, placed, shape), placed.evidence, shape, placed.model.shape)
        overhang_mm = placed.evidence.overhang_mm
        influence = changes.with_own("tip", tip_turn_u(trace, overhang_mm, shape) | tip_unseen_u(overhang_mm, shape))
        influence = influence.with_own("edge", root_unseen_u(trace, shape, shot.handle_mm))
        influence = influence.with_own("edge", stretch_unseen_u(placed.model.layout, shape))

        doubts = task.doubts + string.doubts + placing_doubts(placed) + of_outline + root_doubts(shape)
        doubts += shape_doubts(trace, placed, shape) + width_doubt(shot, shape, influence) + shadow_doubt(placed, shape)
        doubts += view_doubts(shot.state, shape.numbers, trace.back_px, trace.belly_px, trace.px_per_mm)
        return _judged(task, trace, placed, shape, influence, doubts), trace


def _trace(task: _Task, variant: TraceVariant) -> Trace:
    def make() -> Trace:
        path = replace(variant, handle_held=False)
        if path not in task.outlines:
            task.outlines[path] = outline(task.prepared, task.fit, task.shot, path)
        return trace_of(task.prepared, task.outlines[path], variant)

    return task.remembered(repr(variant), make)


def _judged(
    task: _Task, trace: Trace, placed: Placed, shape: BowShape, influence: Sensitivity, doubts: tuple[Reason, ...]
) -> Measurement:
    """The measurement of a shape whose uncertainty is known, with its spots and, where the bow was seen at rest, its movement."""
    state, rest = task.shot.state, task.rest
    profile = limb_profiles(trace, placed, shape, influence)
    spots, of_spots = find_spots(profile) if state == "drawn" else ((), ())
    moved = {} if rest is None or state == "unstrung" else movement_from_rest(shape.numbers, influence, rest)
    found = replace(
        task.heading,
        status="measured",
        reasons=doubts + of_spots,
        values=values_of(shape, influence) | moved,
        gaps=gap_rows(shape, influence),
        profile=profile,
        spots=spots,
        trace=traced_bow(placed, shape),
        evidence=placed.facts(trace),
    )
    if rest is None or state != "drawn":
        return found
    try:
        return with_finding(found, find([found.as_printed()], rest))
    except MechanicsError as error:
        return replace(found, reasons=(*found.reasons, error.reason))
