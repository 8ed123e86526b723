"""A front view measured: trace -> what is doubtful, with the bow's length held against it -> every number with its budget."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tillerlens.core.errors import NeedsHelp, Reason, ShotError
from tillerlens.core.measurement import LIMBS, FrontView, Measurement, Value, Width
from tillerlens.core.shot import Shot
from tillerlens.core.units import MM_PER_INCH, format_inches
from tillerlens.front.by_colour import turned_looks
from tillerlens.front.edges import REACH_PX
from tillerlens.front.read import FrontTrace, Way, read_front
from tillerlens.front.ruled import Ruled, lines_along
from tillerlens.front.shape import (
    CAUSES,
    GRIP,
    HALF_WINDOW_MM,
    KNOTS,
    LEAST_SEEN,
    LEFT,
    MIDDLE,
    PAST_LOW,
    PAST_UP,
    RIGHT,
    SIZE,
    FrontShape,
    Outline,
    not_as_long,
    prior,
    settled,
    shape,
    slopes,
)
from tillerlens.front.string import StringLine, find_front_string, half_band_px, taken_out
from tillerlens.front.toast import read_belly
from tillerlens.photo.camera import N_PARAMETERS, CameraFit, with_theta
from tillerlens.photo.light import linear_light
from tillerlens.shape.checks import scale_doubts
from tillerlens.shape.uncertainty import from_seen
from tillerlens.trace.reading import Prepared

Array = NDArray[np.float64]
# What is doubtful, with its covariance; how far off the length was, in standard uncertainties; and the bow seen squarely.
_Reading = tuple[FrontTrace, Array, Array, float, FrontShape]
_Known = tuple[CameraFit, Shot, Ruled | None]

EDGE_U_PX, HUE_SHARE = 0.4, 0.35  # of a limb's edge, by blur and rounding; and of how far its light alone lets it lie
PALE_RIM_U_MM = 0.8  # of a heated belly's edge: its rounding and sides stay pale, and before a pale ground they go unseen
COLOUR_U_MM = 1.0  # of an edge that colour tells: a lit rim is left out, and a gap between planks beside it is taken in
BOTH_OUT_PX = 0.15  # by sharpening, blur and rounding, of each edge of a limb alike
TAPER_DEGREE, EVEN_PX = 4, 0.6  # of a polynomial that is an even taper, and how far limbs leave one that are made with care
CLICK_U_PX, HANDLE_CLICK_U_MM = 2.5, 5.0  # of a click along the bow; what its maker calls the handle's centre, by eye
STRING_U_MM = 0.3  # what of a twisted string's width is lit
TURNED_MM = 40.0  # of the handle beside the line of the tips: no straight bow stands so far out; it is seen from aside
# Limbs that look so thick over half their length or more are seen from their broad side (common practice, no source).
FACE_MM = 27.0
ACROSS_COS = 0.5  # of the bow's way to the one that was said: 60 degrees
BESIDE_CLICK_MM = 8.0  # from a clicked nock to the limb's middle: tips are no broader each way, so something else was followed
ABOUT_KNOT = 0.2  # of half the bow: how far about a knot an edge's uncertainty is taken
HALF_INCH_MM = MM_PER_INCH / 2  # places are reported to it
# From an edge, that the string or its shadow may be taken for it: a string's loop, its twist and its shadow are so broad; and how
# far the edge may then be off. About the handle the shadow may lie so much further aside.
BESIDE_MM, BESIDE_U_MM, SHADOW_MM = 8.0, 2.0, 4.0
# Of the bow, the least stretch along which an edge is taken for the string; and how much of what it moved by it may still be off.
STRETCH, MOVED_SHARE = 0.02, 0.5
OWN_EDGE_PX = 1.0  # from where a string ends, within which an edge is likely its own
LEAST_BESIDE = 0.5  # of the bow, that a string behind it shows beside
OFF_WOOD_MM = 15.0  # that a nock may seem to lie beyond the wood's end: the depth of a notch and what a length is off by
TAPERED = 0.85  # of a limb's broadest, that it has at the most 4 in from its nock (common practice, no source)
MOST_JUMP = 6.0  # times the usual way from station to station
MOST_UNLIKE = 1.35  # times as wide as the other limb there (common practice, no source)
ALIKE = 0.04  # of its width, that a limb differs from the other at one place
MOST_OFF = 6.0  # standard uncertainties between the length typed and the one seen
MOST_U_MM = 6.35  # a number of a quarter inch's standard uncertainty says nothing


def view_doubts(
    state: str, numbers: Mapping[str, float], back_px: Array, belly_px: Array, px_per_mm: float
) -> tuple[Reason, ...]:
    """The doubt that what was said to be from the side shows the bow's face.

    The string of a braced bow then runs along its handle and not a hand before it, and an unstrung one is straight and as broad
    as a limb is wide. ``numbers``: ``brace_height_belly`` and ``reflex``, mm; ``back_px``, ``belly_px`` (N, 2).
    """
    if state == "braced" and abs(numbers.get("brace_height_belly", np.inf)) < TURNED_MM:
        told = "The string runs along the handle"
    elif state == "unstrung" and abs(numbers.get("reflex", np.inf)) < TURNED_MM:
        broad = float(np.nanmedian(np.linalg.norm(back_px - belly_px, axis=1))) / px_per_mm
        if not broad > FACE_MM:
            return ()
        told = f"The limbs look {broad / 25.4:.1f} in thick"
    else:
        return ()
    return (Reason("view_unlikely", f"{told}, as in a picture of the bow's belly or back.", "If it is one, say so."),)


def measure_front(
    prepared: Prepared,
    fit: CameraFit,
    shot: Shot,
    doubts: tuple[Reason, ...],
    heading: Measurement,
) -> Measurement:
    """Measure one front view.

    Returns
    -------
    The measurement, with ``front`` and the values ``string_line`` (braced, where the string shows), ``tip_line``,
    ``side_bend_upper`` and ``side_bend_lower``, all mm and + to the viewer's right with the upper limb up.

    Raises
    ------
    NeedsHelp
        Where the bow isn't found for certain, isn't whole in the picture, or isn't seen from its belly or back.
    """
    ruled = lines_along(prepared.light, fit.camera, shot)
    trace, x, p, off, first = _found(prepared, fit, shot, ruled)
    _check_aside(first)
    line = _string(prepared.light, first, shot, trace)
    if line is not None:
        (trace, x, p, off, first), more = _beside_string(prepared, line, (fit, shot, ruled), (trace, x, p, off, first))
        p = p + np.diag(more)
    string = line if shot.facing == "belly" else None
    outline = Outline(trace.right_px, trace.left_px, None if string is None else string.px)
    last = shape(x, outline, fit.camera, shot)
    values = _values(last, lambda q: shape(q, outline, fit.camera, shot).numbers, x, p)
    for name in values:
        if name.startswith("width"):
            values[name] = _width(name, values, trace.px_per_mm)
    told: dict[str, Value] = {}
    left_out: list[str] = []
    for name in ("string_line", "tip_line", "side_bend_upper", "side_bend_lower"):
        if name in values and values[name].u <= MOST_U_MM:
            told[name] = values[name]
        elif name in values:
            left_out.append(name)
    toasted = shot.belly_heated and shot.facing == "belly"
    belly, unknown = read_belly(prepared.light, last, fit.camera, shot) if toasted else (None, ())
    reasons = doubts + _reasons(fit, shot, string, left_out, off) + unknown
    view = _view(trace, last, values, string, shot)
    evidence = {
        "marks_rms_px": round(fit.rms_px, 3),
        "squared": fit.squared,
        "px_per_mm": round(trace.px_per_mm, 4),
        "finder_support": round(trace.support, 3),
        "length_off_u": round(float(off), 2),
        "overhang_mm": [round(float(x[k]), 1) for k in (PAST_UP, PAST_LOW)],
        "camera_mm": [round(float(mm), 1) for mm in with_theta(fit.camera, from_seen(x[:N_PARAMETERS])).centre_mm],
        "bend_at_mm": {limb: round(last.numbers[f"bend_at_{limb}"], 1) for limb in LIMBS},
        "string_seen": None if string is None else round(string.seen, 2),
    }
    return replace(heading, status="measured", reasons=reasons, values=told, front=view, belly=belly, evidence=evidence)


def _found(prepared: Prepared, fit: CameraFit, shot: Shot, ruled: Ruled | None) -> _Reading:
    """What was traced, all that is doubtful with its covariance, how far off the length was (u), and the bow's shape.

    A bow that comes to nothing as the networks see it is looked for once more along a nearly straight line, by its colour first.
    Of two things that look like the bow a person has to say which; and a heated belly's rim stays so pale that colour leaves it
    out.
    """
    try:
        return _read(prepared, fit, shot, ruled)
    except NeedsHelp as error:
        first = error
    if "rival" in first.fields:
        raise first
    again = replace(prepared, maps=turned_looks(prepared.photo.rgb, prepared.maps))
    pale_rim = shot.belly_heated and shot.facing == "belly"
    for way in (Way.STRAIGHT,) if pale_rim else (Way.BY_COLOUR, Way.STRAIGHT):
        with suppress(NeedsHelp):  # the first refusal stands, if no other reading comes to anything
            return _read(again, fit, shot, ruled, way)
    raise first


def _read(prepared: Prepared, fit: CameraFit, shot: Shot, ruled: Ruled | None, way: Way = Way.AS_SEEN) -> _Reading:
    trace = read_front(prepared, fit, shot, way, ruled)
    _check_upper(trace.tips_px, shot)
    return _judged(trace, fit, shot)


def _judged(trace: FrontTrace, fit: CameraFit, shot: Shot) -> _Reading:
    """What the edges make of the bow; raises ``NeedsHelp`` where that can't be it."""
    bare = Outline(trace.right_px, trace.left_px, None)
    x, p, off = _settled(trace, bare, fit, shot)
    found = shape(x, bare, fit.camera, shot)
    _check_alike(found)
    if trace.way is not Way.AS_SEEN:
        _check_tapers(found)
    if min(x[PAST_UP], x[PAST_LOW]) < -OFF_WOOD_MM:
        raise not_as_long(shorter=True, ratio=float(found.way_mm[-1]) / shot.nock_to_nock_mm)
    if abs(off) > MOST_OFF and abs(found.numbers["tip_line"]) <= TURNED_MM:
        raise not_as_long(shorter=off > 0, ratio=found.length_mm / shot.nock_to_nock_mm)
    return trace, x, p, off, found


def _check_upper(tips_px: Array, shot: Shot) -> None:
    """Raise ShotError where the bow lies across the way its upper limb is said to: upper and lower, left and right would be a
    matter of chance. ``tips_px`` (2, 2)."""
    said = np.array({"left": (-1, 0), "right": (1, 0), "top": (0, -1), "bottom": (0, 1)}[shot.upper_limb], float)
    way = (tips_px[0] - tips_px[1]) / np.linalg.norm(tips_px[0] - tips_px[1])
    if float(way @ said) > ACROSS_COS:
        return
    stands, ends = ("upright", "at the top or the bottom") if abs(way[1]) > abs(way[0]) else ("level", "on the left or the right")
    text = f"The bow lies {stands} in the picture, but its upper limb is said to be at the {shot.upper_limb}."
    raise ShotError(text, f"Say if its upper limb is {ends}.", field="upper_limb")


def _settled(trace: FrontTrace, seen: Outline, fit: CameraFit, shot: Shot) -> tuple[Array, Array, float]:
    """All that is doubtful, with the clicks and the bow's length held against the picture: mean, covariance, and how far off the
    length was, in standard uncertainties."""
    mean, covariance = prior(fit, shot, _edges_u(trace, shot), STRING_U_MM)
    for k, u in zip((PAST_UP, PAST_LOW), trace.tip_u_mm, strict=True):
        covariance[k, k] += u**2
    _by_clicks(mean, covariance, seen, fit, shot, trace.px_per_mm)
    return settled(mean, covariance, lambda q: shape(q, seen, fit.camera, shot).length_mm, shot.nock_to_nock_mm)


def _check_aside(found: FrontShape) -> None:
    """Raise ``NeedsHelp`` for a bow that shows its side."""
    if abs(found.numbers["tip_line"]) > TURNED_MM:
        raise NeedsHelp(
            f"The handle stands {abs(found.numbers['tip_line']) / MM_PER_INCH:.1f} in beside the line between the tips: "
            "the bow is seen from its side, or turned.",
            "Take it straight from the belly or the back, or say that it is a side view.",
            clicks=(),
        )


def _view(trace: FrontTrace, found: FrontShape, values: dict[str, Value], string: StringLine | None, shot: Shot) -> FrontView:
    """What the picture shows besides values: edges, string, and the widths that lie on a limb."""
    widths = []
    for limb, nock in zip(LIMBS, found.nocks, strict=True):
        from_nock = np.abs(found.way_mm - nock)
        for name in values:
            if not name.startswith(f"width_{limb}"):
                continue
            mm = float(name.rsplit("_", 1)[1])
            seen = int((np.abs(from_nock - mm) < HALF_WINDOW_MM).sum())
            if mm < found.numbers[f"reach_{limb}"] and seen >= LEAST_SEEN and np.isfinite(values[name].u):
                widths.append(Width(limb, mm, values[name]))
    at = np.arange(len(trace.right_px), dtype=float)
    return FrontView(
        str(shot.facing),
        tuple(widths),
        trace.right_px,
        trace.left_px,
        np.empty((0, 2)) if string is None else string.px,
        np.array([_px(found, at, mm) for mm in found.nocks]),
        _px(found, at, found.handle),
    )


def _by_clicks(mean: Array, covariance: Array, seen: Outline, fit: CameraFit, shot: Shot, px_per_mm: float) -> None:
    """Put nocks and handle, in place, where they were clicked: along the bow, as far as a hand is true."""
    if not shot.clicks:
        return
    bow = shape(mean, seen, fit.camera, shot)

    def way(name: str) -> float:
        off = np.linalg.norm(bow.middle_px - np.array(shot.clicks[name]), axis=1)
        k = int(np.argmin(off))
        beside = float(off[k]) / px_per_mm
        if name != "handle" and beside > BESIDE_CLICK_MM:
            raise NeedsHelp(
                f"What was followed passes {format_inches(beside)} beside the clicked nock, so an edge was not followed.",
                "Take it again in even light before a plain ground that differs from the wood.",
                clicks=(name,),
                fault="unseen",
            )
        return float(bow.way_mm[k])

    for k, name in ((PAST_UP, "nock_upper"), (PAST_LOW, "nock_lower")):
        if name in shot.clicks:
            mean[k] = way(name) if k == PAST_UP else bow.way_mm[-1] - way(name)
            covariance[k, :] = covariance[:, k] = 0.0
            covariance[k, k] = (CLICK_U_PX / px_per_mm) ** 2
    if "handle" in shot.clicks:
        middle = (mean[PAST_UP] + bow.way_mm[-1] - mean[PAST_LOW]) / 2
        mean[MIDDLE], covariance[MIDDLE, MIDDLE] = middle - way("handle"), HANDLE_CLICK_U_MM**2


def _edges_u(trace: FrontTrace, shot: Shot) -> Array:
    """(2, 7) standard uncertainty (mm) of the right and the left edge about each of the ``KNOTS``: by their light, and by how far
    the limb's width leaves an even taper there, which an edge that was taken wrongly for a stretch does."""
    at = np.linspace(1, -1, len(trace.right_u_px))
    handle_share, rim = shot.handle_mm / shot.nock_to_nock_mm, PALE_RIM_U_MM if shot.belly_heated else 0.0
    rim = float(np.hypot(rim, COLOUR_U_MM if trace.way is Way.BY_COLOUR else 0.0))
    width = np.linalg.norm(trace.right_px - trace.left_px, axis=1)
    rough = np.zeros(len(at))
    for part in (at > handle_share, at < -handle_share):
        seen = part & np.isfinite(width)
        if seen.sum() > 4 * (TAPER_DEGREE + 1):
            rough[seen] = width[seen] - np.polyval(np.polyfit(at[seen], width[seen], TAPER_DEGREE), at[seen])
    out = []
    for u in (trace.right_u_px, trace.left_u_px):
        row = []
        for k in KNOTS:
            near = (np.abs(at - k) < ABOUT_KNOT) & np.isfinite(u)
            light = np.sqrt(np.mean(u[near] ** 2)) if near.any() else 2.0
            uneven = max(0.0, float(np.sqrt(np.mean(rough[near] ** 2))) - EVEN_PX) if near.any() else 0.0
            row.append(float(np.hypot(np.sqrt(EDGE_U_PX**2 + (HUE_SHARE * light) ** 2 + uneven**2) / trace.px_per_mm, rim)))
        out.append(row)
    return np.array(out)


def _check_alike(found: FrontShape) -> None:
    """Raise ``NeedsHelp`` where an edge jumps along the bow, or one limb looks far broader than the other as far from its nock:
    beside one of them something else was followed."""
    remedy = "Take it again in even light before a plain ground that differs from the wood."
    steps = np.diff(found.way_mm)
    if steps.max() > MOST_JUMP * np.median(steps):
        raise NeedsHelp("An edge of a limb jumps sideways, so something beside it was followed.", remedy, clicks=())
    wide = [
        {
            d: w
            for n, w in found.numbers.items()
            if n.startswith(f"width_{k}") and (d := float(n.rsplit("_", 1)[1])) < found.numbers[f"reach_{k}"] + HALF_WINDOW_MM
        }
        for k in LIMBS
    ]
    if not all(wide):
        raise NeedsHelp("No width of a limb could be read.", remedy, clicks=())
    for d in sorted({*wide[0], *wide[1]}):
        upper, lower = (max(1.0, float(np.interp(d, list(w), list(w.values())))) for w in wide)
        times = max(upper, lower) / min(upper, lower)
        if times > MOST_UNLIKE:
            place = format_inches(round(d / HALF_INCH_MM) * HALF_INCH_MM)
            text = f"{place} from the nocks one limb looks {times:.1f} times as wide as the other, so an edge was not followed."
            raise NeedsHelp(text, remedy, clicks=())


def _check_tapers(found: FrontShape) -> None:
    """Raise ``NeedsHelp`` for what is as broad at its ends as anywhere: a tape, a batten or a plank."""
    for limb in LIMBS:
        wide = [w for n, w in found.numbers.items() if n.startswith(f"width_{limb}")]
        if wide[0] > TAPERED * max(wide):
            raise NeedsHelp(
                "What was followed doesn't taper as a bow's limbs do.",
                "Click the two nocks.",
                clicks=("nock_upper", "nock_lower"),
            )


def _width(name: str, values: dict[str, Value], px_per_mm: float) -> Value:
    """A width, the less sure the more it differs from the other limb's: an edge of either may be the wrong one. Sharpening, blur
    and rounding put both edges out or in alike."""
    own = values[name]
    other = values.get(name.replace("upper", "lower") if "upper" in name else name.replace("lower", "upper"), own)
    unlike = max(0.0, abs(own.value - other.value) - ALIKE * own.value) / 2
    more = float(np.hypot(unlike, 2 * BOTH_OUT_PX / px_per_mm))
    edge = float(np.hypot(own.budget.get("edge", 0.0), more))
    return Value(own.value, float(np.hypot(own.u, more)), own.unit, own.budget | {"edge": edge})


def _values(found: FrontShape, numbers: Callable[[Array], dict[str, float]], x: Array, covariance: Array) -> dict[str, Value]:
    """Each finite number with its uncertainty and that one's parts, which share what hangs together by the Cholesky factor.

    ``numbers``: by name, at any setting (SIZE,) of what is doubtful; ``x``, ``covariance``: the setting, and of it.
    """
    names = [n for n, v in found.numbers.items() if np.isfinite(v)]

    def in_order(q: Array) -> Array:
        at_q = numbers(q)
        return np.array([at_q.get(n, np.nan) for n in names])

    slope = slopes(in_order, x, covariance)
    d = np.sqrt(np.maximum(np.diag(covariance), 1e-30))
    w, v = np.linalg.eigh(covariance / np.outer(d, d))
    factor = np.linalg.cholesky((v * np.clip(w, 1e-12, None)) @ v.T) * d[:, None]
    parts = slope @ factor
    out = {}
    for name, row in zip(names, parts, strict=True):
        budget: dict[str, float] = {}
        for cause, part in zip(CAUSES, row, strict=True):
            budget[cause] = float(np.hypot(budget.get(cause, 0.0), part))
        u, value = float(np.linalg.norm(row)), found.numbers[name]
        if name.startswith("side_bend"):  # a limb that bends nearly as much the other way may do so more: the larger one is told
            other = found.numbers[name.replace("side_bend", "other_way")]
            apart = abs(value) - abs(other)
            chance = 0.5 * float(np.exp(-0.5 * (apart / max(u, 1e-6)) ** 2))
            budget["either_way"] = float(np.sqrt(chance * (1 - chance))) * abs(value - other)
            u = float(np.hypot(u, budget["either_way"]))
        out[name] = Value(value, u, "mm", {cause: part for cause, part in budget.items() if part > 0})
    return out


def _px(found: FrontShape, at: Array, mm: float) -> Array:
    """Where (2,) px the limb's middle is at a way along it."""
    k = np.interp(mm, found.way_mm, at)
    return np.array([np.interp(k, at, found.middle_px[:, j]) for j in (0, 1)])


def _string(light: NDArray[np.uint16], found: FrontShape, shot: Shot, trace: FrontTrace) -> StringLine | None:
    """The string before the bow, or behind it. From the back it tells nothing, since too little of it may show beside the handle
    to tell it from a line of the wall; but where it runs along a limb, an edge may be taken for it."""
    if shot.state != "braced":
        return None
    at = np.arange(len(found.middle_px), dtype=float)
    line = find_front_string(light, np.array([_px(found, at, mm) for mm in found.nocks]), trace.px_per_mm)
    if line is None or shot.facing == "belly":
        return line
    sides = [line.beside_px(edge)[1] for edge in (trace.right_px, trace.left_px)]
    seen = np.isfinite(sides[0]) & np.isfinite(sides[1])
    beside = np.mean((sides[0] * sides[1])[seen] > 0)
    return line if beside > LEAST_BESIDE else None  # what shows on the limb itself is no string behind it


def _beside_string(prepared: Prepared, string: StringLine, known: _Known, first: _Reading) -> tuple[_Reading, Array]:
    """What was read, once more in a picture without its string where that lies beside an edge; and what the edges' variances
    (SIZE,) mm2 grow by, since there they could be seen least, or were taken for the string's."""
    trace, _, _, _, found = first
    edges = found.right_px, found.left_px
    off = [string.beside_px(edge)[1] for edge in edges]
    band, about = half_band_px(string), max(1, round(len(off[0]) * STRETCH))

    def stretches(on: NDArray[np.bool_]) -> NDArray[np.bool_]:
        return np.asarray(ndimage.median_filter(on.astype(np.uint8), about, mode="nearest") > 0)

    on_it = stretches(np.min(np.abs(off), axis=0) < string.width_px / 2 + OWN_EDGE_PX)
    # beyond an edge it also passes for the ground there
    gap = np.where(off[0] * off[1] > 0, np.min(np.abs(off), axis=0), 0.0)
    take = on_it | stretches((gap > band) & (gap < band + REACH_PX))
    nearer = np.abs(off[0]) < np.abs(off[1])
    near = [stretches(np.abs(side) < band) for side in off]
    out = _without_string(prepared, string, known, first, (take & nearer, take & ~nearer)) if take.any() else first
    more = np.zeros(SIZE)
    at, handle = np.linspace(1, -1, len(take)), int(np.argmin(np.abs(found.way_mm - found.handle)))
    for start, side, edge, new in zip((RIGHT, LEFT), near, edges, (out[4].right_px, out[4].left_px), strict=True):
        (way, was), (new_way, now) = string.beside_px(edge), string.beside_px(new)
        moved = (np.interp(way, new_way, now) - was) / trace.px_per_mm
        wrong = np.where(side, BESIDE_U_MM**2 + (MOVED_SHARE * moved) ** 2, 0.0)
        more[start : start + len(KNOTS)] = [float(np.mean(wrong[np.abs(at - k) < ABOUT_KNOT])) for k in KNOTS]
    # about the handle its shadow may lie along the one edge as it does along the other, and some way beside the string
    if min(abs(float(side[handle])) for side in off) < (BESIDE_MM + SHADOW_MM) * trace.px_per_mm:
        more[GRIP] = (BESIDE_U_MM / 2) ** 2  # one such edge moves the middle by half
    return out, more


def _without_string(
    prepared: Prepared, string: StringLine, known: _Known, first: _Reading, take: Sequence[NDArray[np.bool_]]
) -> _Reading:
    """What was read ``first``, with its right and left edge along the stretches (N,) to ``take`` as they are read in the picture
    without that of its string; as it was, where that comes to nothing."""
    (fit, shot, ruled), trace, found = known, first[0], first[4]
    rgb = taken_out(prepared.photo.rgb, string, found.middle_px, take[0] | take[1])
    again = replace(prepared, photo=replace(prepared.photo, rgb=rgb), light=linear_light(rgb))
    edges, us = [], []
    try:
        bare = read_front(again, fit, shot, trace.way, ruled)
        for was, was_u, now, now_u, of in (
            (found.right_px, trace.right_u_px, bare.right_px, bare.right_u_px, take[0]),
            (found.left_px, trace.left_u_px, bare.left_px, bare.left_u_px, take[1]),
        ):
            seen = np.isfinite(now[:, 0])
            new_way, way = string.beside_px(now[seen])[0], string.beside_px(was)[0]
            new = np.column_stack([np.interp(way, new_way, now[seen][:, k]) for k in (0, 1)])
            edges.append(np.where(of[:, None], new, was))
            us.append(
                np.where(of, np.maximum(np.interp(way, new_way, now_u[seen]), was_u), was_u)
            )  # what is filled in tells less
        merged = replace(trace, right_px=edges[0], left_px=edges[1], right_u_px=us[0], left_u_px=us[1])
        return _judged(merged, fit, shot)
    except NeedsHelp:
        return first


def _reasons(fit: CameraFit, shot: Shot, string: StringLine | None, left_out: list[str], off: float) -> tuple[Reason, ...]:
    out = scale_doubts(fit.squared, off)
    if left_out:
        out.append(
            Reason(
                "aside_not_known",
                "Nothing tells how far to one side the camera stood, so string and tips can't be placed over the handle.",
                "Put four marks or printed tags on the board.",
            )
        )
    if shot.state == "braced" and string is None:
        behind = shot.facing == "back"
        out.append(
            Reason(
                "no_string",
                "From the back the string is hidden behind the bow, so its line isn't told."
                if behind
                else "The string could not be seen, so its line is missing.",
                "Take the bow from its belly side." if behind else "Use a string that stands out from the bow.",
            )
        )
    if shot.state == "braced" and shot.brace_height_mm is None:
        out.append(
            Reason(
                "brace_not_told",
                "The brace height isn't given, so what stands out of line is less sure.",
                "Measure from the handle's belly to the string and type it in.",
            )
        )
    return tuple(out)
