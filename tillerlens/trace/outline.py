"""The whole trace of one photograph: from the networks' maps to silhouettes, tips and how far each may be off."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats

from tillerlens.core.errors import NeedsHelp, Reason
from tillerlens.core.shot import Shot
from tillerlens.photo.camera import CameraFit
from tillerlens.photo.intake import Photo
from tillerlens.trace.edges import Side, held_to, measure_edges, plain_margin_px
from tillerlens.trace.ends import Ends, find_ends, settle_ends
from tillerlens.trace.network import FinderMaps
from tillerlens.trace.path import CLICKS, LENGTH_TOLERANCE, find_bow, not_its_length, plane_length
from tillerlens.trace.picture_border import check_clicked, check_frame, runs_out
from tillerlens.trace.reconcile import common_thickness, reconcile_limb, thickness_of_both
from tillerlens.trace.second_look import look_again, second_outline, without_islands
from tillerlens.trace.sketch import Sketch, sketched
from tillerlens.trace.straighten import (
    MIDDLE_ROW,
    Band,
    Strip,
    cut_strip,
    fair_path,
    first_path,
    fitting_step,
    next_path,
    read_band,
    strip_step,
    with_grip,
)

Array = NDArray[np.float64]

EVERY = 3  # columns between the silhouettes' stations
CORRELATED = 6.0  # columns of the strip over which the noise of an edge moves together
SHADOW_FRINGE_U_PX = 0.3  # of the width of a shadow that was told from the wood
MARGIN_SHARE = 0.4  # of a margin that may be shadow, as a standard uncertainty
CLICK_AGREES_PX = 6.0
BESIDE = 1.0  # of the limb's thickness, that a nock may be clicked beside its middle
HANDLE_OFF_MM = 45.0  # from the line between the limbs to the middle of the deepest grip, and something for the hand
NOT_SEEN_BEFORE = 30  # columns before a clicked nock: the limb is carried on to it
CLICK_U_PX, BY_HAND_U_PX = 2.5, 1.0  # of a nock that is clicked, and of one that is set with care
MIN_SEEN, MIN_SEEN_FAIR = 0.4, 0.6  # of a limb's length; a path that the finder's map hardly shows must be borne out by more
NOCK_STATIONS = 3  # beside each tip, where the nock and the string's loop hide the limb's own edges
OUT_SHARE = 0.005  # of the picture's longer side: a bow that ends so near the border was cut off
# An end less clear than the first is none, and one clearer than the other is sure: of 9 ends of the first kind on 30 pictures
# not used to train, 6 lay 8 to 22 mm short of the nock, of 46 of the other none by more than 4 mm.
CLEAR_END, SURE_END, LOST_END_MM = 0.5, 0.7, 15.0
LEAST_COLUMNS, LEAST_SEEN_STATIONS = 100, 24  # of a strip, and of its stations where both edges were seen: else it shows no bow
LEAST_BETWEEN = 0.3  # of what was followed: clicked nocks nearer together are not both its ends
HANDLE_AGREES = 0.25  # of the handle's length: a bump further from where its middle was clicked is no grip's
MOST_TURNS_OF_PART, CARRIED_ON_OF_PART = 10, 120  # strips cut, and steps at either end between two of them
HANDLE_HIDES = 1.7  # of the handle's length: with its fades
HANDLE_REACH = 1.1  # of the handle's length at either side of its middle
LEAST_LIMB_STATIONS = 24  # a limb of fewer cannot be told from its handle
FARTHEST_CORRECTED = 0.9  # of half the strip's width, which shows two limbs' thickness at either side
LEAST_THICK_ROWS = 2.0
CORRECTION_REACH = 25.0  # columns at either side of a corrected place that it speaks for
LIKE_ROOTS = 1.25  # one limb's thickness beside the handle over the other's, at the most
MAX_GAP = 0.3  # of a limb's length without an edge
ONE_SIDE_WEIGHT = 0.6
ROOT_STATIONS = 8  # beside the handle, that tell where its back runs
HANDLE_LOST = 0.3  # of its back astray: what is left does not tell its direction
OFF_ROOTS = 0.3  # of the limb's thickness there
_BACK = {"up": (0, -1), "down": (0, 1), "left": (-1, 0), "right": (1, 0)}


@dataclass(frozen=True, eq=False)
class TraceRead:
    """Silhouettes (N, 2) px from the upper tip to the lower, NaN where not seen; weights (N,) for the middles; tips."""

    back_px: Array
    belly_px: Array
    path_px: Array  # (N, 2) the smooth path beside them, by which columns are told apart along the bow
    weight: Array
    tips_px: Array
    tip_u_px: tuple[float, float]
    tip_cause: tuple[str, str]
    grip_column: int | None  # the station at the middle of the grip's bump, where one shows
    zones: dict[str, tuple[int, int]]
    noise_px: float
    wander_px: float  # how far an edge strays for stretches at a time
    shadow_px: dict[str, float]  # by side: how far a margin that may be shadow puts its edge in doubt
    grip_px: float
    px_per_mm: float
    step_px: float
    support: float
    maps: FinderMaps
    doubts: tuple[Reason, ...]
    handle_held: bool = False  # its back was not seen: it was put on the line between the limbs' roots


@dataclass(frozen=True, eq=False)
class Outlined:
    """What was followed and both its sides, before the handle is looked at once more.

    ``rows_left``, ``rows_right`` (N,): rows of the strip at ``cols`` (N,), every third of its columns; ``weight`` (N,) for their
    middles. ``causes``: what put each end. ``px_per_mm``, ``support``: of what was followed.
    """

    strip: Strip
    band: Band
    ends: Ends
    causes: tuple[str, str]
    left: Side
    right: Side
    cols: NDArray[np.intp]
    rows_left: Array
    rows_right: Array
    weight: Array
    zones: dict[str, tuple[int, int]]
    grip_at: int | None
    back_is_right: bool
    px_per_mm: float
    support: float


@sketched
def outline(
    sketch: Sketch,
    photo: Photo,
    light: NDArray[np.uint16],
    maps: FinderMaps,
    fit: CameraFit,
    shot: Shot,
    by_string: Mapping[str, tuple[float, float]] | None = None,
    fair: bool = False,
) -> Outlined:
    """Find, straighten, measure both sides; ``sketch`` is told what is followed.

    ``by_string``: nocks that the string has shown to lie well inside what was followed before.
    ``fair``: along a batten's path, where the first one came to nothing.

    Raises ``NeedsHelp`` when the bow or its tips are not certain.
    """
    coarse = find_bow(maps, fit.camera, shot, fit.squared, fair)
    sketch.path(coarse.px)
    mid = coarse.px[len(coarse.px) // 2]
    px_per_mm = _px_per_mm(fit, mid, shot.standoff_mm)
    if coarse.clicked:
        check_clicked(light, coarse.px, (0, 1), px_per_mm)
    path = fair_path(photo.rgb, coarse.px, strip_step(px_per_mm)) if fair else coarse.px
    part = coarse.length_ratio < 1 - LENGTH_TOLERANCE
    strip, band, ends = _straighten(photo.rgb, light, path, px_per_mm, fit, shot, part)
    if part:
        a, b = round(ends.column[0]), round(ends.column[1])
        ratio = plane_length(fit.camera, strip.path[max(a, 0) : b + 1], shot.standoff_mm) / shot.nock_to_nock_mm
        if ratio < 1 - LENGTH_TOLERANCE:
            raise not_its_length(ratio, coarse.support, coarse.px)
    ends = _doubted(settle_ends(light, strip, band, ends), px_per_mm / strip.step)
    _check_inside(coarse.px[[0, -1]], ends, strip, photo)
    _check_scale(strip, ends, shot)
    ends, clicked = _clicked_ends(strip, ends, shot, strip.step * float(np.nanmedian(band.lower_row - band.upper_row)))
    _check_handle(strip, shot, px_per_mm)
    ends, shown = _ends_by_string(strip, ends, by_string or {})
    check_frame(light, strip, band, ends.column)
    if ends.column[1] - ends.column[0] < LEAST_BETWEEN * len(strip.path):
        raise _ask("Too little of what was followed lies between the clicked nocks.", "nock_upper")
    back_is_right = bool(strip.normal[round(sum(ends.column) / 2)] @ np.array(_BACK[shot.back], float) > 0)
    band = with_grip(photo.rgb, strip, band, 0 if back_is_right else 1, *_handle_columns(strip, ends, shot))
    corrected = _corrections(strip, shot)
    left, right = measure_edges(light, strip, _corrected(band, corrected), ends.column)
    a, b = int(np.ceil(ends.column[0])), int(np.floor(ends.column[1]))
    cols = np.arange(a, b + 1, EVERY)
    grip_at = _grip(band.lower_row[cols] - band.upper_row[cols], shot)
    if "handle" in shot.clicks:
        clicked_at = int(np.argmin(np.linalg.norm(strip.path[cols] - np.array(shot.clicks["handle"]), axis=1)))
        far = HANDLE_AGREES * shot.handle_mm / shot.nock_to_nock_mm * len(cols)
        if "handle" in shot.set_by_hand or (grip_at is not None and abs(grip_at - clicked_at) > far):
            grip_at = clicked_at
    zones = _zones(len(cols), shot, grip_at)
    if min(zones["upper"][1], len(cols) - zones["lower"][0]) < LEAST_LIMB_STATIONS:
        raise _ask("With the handle where it is clicked, and as long as typed, almost nothing is left of one limb.", "handle")
    thick = right.row[cols] - left.row[cols]
    upper, lower = slice(*zones["upper"]), slice(*zones["lower"])
    if np.isfinite(thick).sum() >= LEAST_SEEN_STATIONS:
        both = common_thickness(thick[upper], thick[lower][::-1])
        for limb, expected in ((upper, both[0]), (lower, both[1][::-1])):
            left, right, open_ = second_outline(light, strip, (left, right), cols[limb], expected)
            for at in cols[limb][open_]:  # neither side is known there: what lies between is looked for along the fair line
                left.row[at : at + EVERY], right.row[at : at + EVERY] = np.nan, np.nan
    left, right = held_to(left, corrected[0]), held_to(right, corrected[1])
    rows_left, rows_right, weight = _mend(left.row[cols], right.row[cols], zones)
    for a, b in (zones["upper"], zones["lower"]):
        again = look_again(light, strip, (left, right), cols[a:b], (rows_left[a:b], rows_right[a:b]), weight[a:b])
        if again is not None:
            left, right = held_to(again[0], corrected[0]), held_to(again[1], corrected[1])  # what a person has set stays
            rows_left, rows_right, weight = _mend(left.row[cols], right.row[cols], zones)
    causes = ["string" if shown[k] else "clicks" if clicked[k] else "tip" for k in (0, 1)]
    return Outlined(
        strip, band, ends, (causes[0], causes[1]), left, right, cols, rows_left, rows_right, weight, zones, grip_at,
        back_is_right, px_per_mm, coarse.support,
    )  # fmt: skip


@sketched
def trace_of(
    sketch: Sketch,
    photo: Photo,
    light: NDArray[np.uint16],
    maps: FinderMaps,
    seen: Outlined,
    hold_handle: bool = False,
    fair: bool = False,
) -> TraceRead:
    """The silhouettes and what they are worth.

    ``hold_handle``: the limbs did not meet the handle as it was followed, so its back is held to the line between them.
    ``fair``: more of the limbs must be seen.

    Raises ``NeedsHelp`` where too little of the bow was seen, or it runs out of the picture.
    """
    strip, ends, left, right, zones, cols = seen.strip, seen.ends, seen.left, seen.right, seen.zones, seen.cols
    rows_left, rows_right, weight, back_is_right = seen.rows_left.copy(), seen.rows_right.copy(), seen.weight, seen.back_is_right
    c = cols.astype(float)
    sketch.path(strip.path[cols])
    strayed = _hold_handle(rows_right if back_is_right else rows_left, rows_right - rows_left, zones) if hold_handle else 0.0
    left_px, right_px = strip.px(c, rows_left), strip.px(c, rows_right)
    back, belly = (right_px, left_px) if back_is_right else (left_px, right_px)
    sketch.edges(strip.path[cols], back, belly, zones)
    tips = _tips(strip, _middle_rows(seen.band, left, right), ends.column)
    u = (ends.u_columns[0] * strip.step, ends.u_columns[1] * strip.step)
    _check_seen(weight, zones, MIN_SEEN_FAIR if fair else MIN_SEEN)
    for k, end in enumerate(back[~np.isnan(back[:, 0])][[0, -1]]):
        if not _inside(end[None], photo, 3):
            raise runs_out(k, end)
    noise = float(np.nanmean([left.noise, right.noise])) * strip.step
    wander = _wander(right.row[cols] - left.row[cols], zones) * strip.step
    thickness = np.linalg.norm(back - belly, axis=1)
    h0, h1 = zones["handle"]
    inner = thickness[h0 + (h1 - h0) // 6 : h1 - (h1 - h0) // 6]
    grip = float(np.nanpercentile(inner, 75)) if np.isfinite(inner).any() else float(np.nanmax(thickness))
    full = right.row - left.row
    margin = {
        "left": 0.0 if left.sliver else plain_margin_px(light, strip, left.row, 1, full),
        "right": 0.0 if right.sliver else plain_margin_px(light, strip, right.row, -1, full),
    }
    sides = {"back": "right" if back_is_right else "left", "belly": "left" if back_is_right else "right"}
    slivers = {"left": left.sliver, "right": right.sliver}
    shadow: dict[str, float] = {}
    for side, hand in sides.items():
        known = slivers[hand]
        shadow[side] = MARGIN_SHARE * margin[hand] if known is None else float(np.hypot(SHADOW_FRINGE_U_PX, known.u * strip.step))
    doubts: tuple[Reason, ...] = ()
    if max(margin.values()) > 1.0:
        doubts = (
            Reason(
                "dark_margin",
                "A dark margin runs along one edge of the limbs: it may be wood or a shadow, so the intervals are wider.",
                "Light the bow evenly from the side and leave the flash off.",
            ),
        )
    if strayed:
        text = "Something shows beside the handle's back, so the back was drawn straight from limb to limb there."
        doubts += (Reason("handle_back_strayed", text, "Hang the bow so that no ruled line runs close along its handle."),)
    return TraceRead(
        back,
        belly,
        strip.path[cols],
        weight,
        tips,
        u,
        seen.causes,
        seen.grip_at,
        zones,
        max(noise, 0.03),
        wander,
        shadow,
        grip,
        seen.px_per_mm,
        strip.step,
        seen.support,
        maps,
        doubts,
        strayed > HANDLE_LOST,
    )


def _straighten(
    rgb: NDArray[np.uint8], light: NDArray[np.uint16], coarse: Array, px_per_mm: float, fit: CameraFit, shot: Shot, part: bool
) -> tuple[Strip, Band, Ends]:
    """Cut the strip along the coarse path, then along the middle it shows, until its ends stay where they are. Of a bow that was
    found in ``part`` the limbs are followed on to their ends by longer strides."""
    step = strip_step(px_per_mm)
    path, length = first_path(_to_clicks(coarse, shot)), 0.0
    for turn in range(MOST_TURNS_OF_PART if part else 4):
        strip = cut_strip(rgb, path, step)
        band = read_band(strip, HANDLE_HIDES * shot.handle_mm * px_per_mm / step)
        if band.last - band.first < max(0.5 * len(strip.path), LEAST_COLUMNS):
            raise _not_followed()
        ends = find_ends(light, strip, band, fit.camera, shot.standoff_mm, shot.nock_to_nock_mm, fit.squared)
        between, band = _between_clicks(strip, band, ends.column, shot)
        grown = between[1] - between[0] - length
        if turn and abs(grown) < 8:
            break
        length += grown
        middle = _through_clicks(strip, *_band_middle(band, between, shot), shot)
        path = next_path(strip, *middle, *((CARRIED_ON_OF_PART,) if part else ()))
        if turn == 0 and (fitting := fitting_step(strip, band)) != step:
            length, step = length * step / fitting, fitting
    return strip, band, ends


def _to_clicks(coarse: Array, shot: Shot) -> Array:
    """The coarse path carried on to a clicked nock that lies beyond its end. Raises ``NeedsHelp`` for one far beside it."""
    path = coarse
    for name, end, inward in (("nock_upper", 0, 20), ("nock_lower", -1, -21)):
        if name not in shot.clicks:
            continue
        click = np.array(shot.clicks[name])
        leg = click - path[end]
        run = path[end] - path[np.clip(inward, -len(path), len(path) - 1)]
        along = float(leg @ run) / max(float(np.linalg.norm(run)), 1e-9)
        if along <= 1.0:
            continue
        if np.linalg.norm(leg) > 2 * along:  # more to the side than onward
            raise _apart(name)
        path = np.vstack([click[None], path] if end == 0 else [path, click[None]])
    return path


def _between_clicks(strip: Strip, band: Band, found: tuple[float, float], shot: Shot) -> tuple[tuple[float, float], Band]:
    """The end columns with the clicked nocks in place of what was found, and the band as far as they reach."""
    column, reach = list(found), [band.first, band.last]
    for k, name in enumerate(("nock_upper", "nock_lower")):
        if name in shot.clicks:
            column[k] = float(_column_at(strip, shot.clicks[name]))
            reach[k] = int(column[k])
    if column[1] - column[0] < LEAST_COLUMNS:
        raise _ask("Too little of what was followed lies between the clicked nocks.", "nock_upper")
    return (column[0], column[1]), Band(band.upper_row, band.lower_row, reach[0], reach[1])


def _through_clicks(strip: Strip, columns: Array, middle: Array, shot: Shot) -> tuple[Array, Array]:
    """The limb's middle (rows at columns) carried on to the clicked nocks where it was not seen up to them."""
    for k, name in ((0, "nock_upper"), (-1, "nock_lower")):
        if name not in shot.clicks:
            continue
        at = _column_at(strip, shot.clicks[name])
        row = MIDDLE_ROW + float((np.array(shot.clicks[name]) - strip.path[at]) @ strip.normal[at]) / strip.step
        if abs(at - columns[k]) > NOT_SEEN_BEFORE:
            onward = [at, *columns] if k == 0 else [*columns, at]
            columns, middle = np.array(onward, float), np.array([row, *middle] if k == 0 else [*middle, row])
    return columns, middle


def _handle_columns(strip: Strip, ends: Ends, shot: Shot) -> tuple[int, int]:
    """The columns between which the handle lies with its fades, and as much again."""
    first, last = ends.column
    centre = _column_at(strip, shot.clicks["handle"]) if "handle" in shot.clicks else (first + last) / 2
    reach = HANDLE_REACH * shot.handle_mm / shot.nock_to_nock_mm * (last - first)
    return int(centre - reach), int(centre + reach)


def _column_at(strip: Strip, place: tuple[float, float]) -> int:
    return int(np.argmin(np.linalg.norm(strip.path - np.array(place), axis=1)))


def _band_middle(band: Band, ends: tuple[float, float], shot: Shot) -> tuple[Array, Array]:
    """Columns between the ends and the limb's middle row there, mended; for the next, truer path."""
    cols = np.arange(int(np.ceil(ends[0])) + 2, int(ends[1]) - 1, EVERY)
    left, right, weight = _mend(band.upper_row[cols], band.lower_row[cols], _zones(len(cols), shot))
    a, b = _zones(len(cols), shot)["handle"]
    ok = weight > 0
    ok[a:b] = False  # the grip's bump is no part of the path: it runs straight across from fade to fade
    if ok.sum() < 12:
        ok = ~np.isnan(left + right)
    return cols[ok].astype(float), ((left + right) / 2)[ok]


def _px_per_mm(fit: CameraFit, at: Array, standoff_mm: float) -> float:
    p = fit.camera.to_plane(np.array([at, at + [10, 0], at + [0, 10]]), standoff_mm)
    return float(10 / np.sqrt(np.linalg.norm(p[1] - p[0]) * np.linalg.norm(p[2] - p[0])))


def _middle_rows(band: Band, left: Side, right: Side) -> Array:
    """The limb's middle row per column: measured where both edges were, else the network's."""
    measured = (left.row + right.row) / 2
    return np.where(np.isnan(measured), (band.upper_row + band.lower_row) / 2, measured)


def _doubted(ends: Ends, columns_per_mm: float) -> Ends:
    """The ends, each less sure the less clear it is: a tip may be lost on a ground of its own colour."""
    unclear = [float(np.clip((SURE_END - clear) / (SURE_END - CLEAR_END), 0.0, 1.0)) for clear in ends.clear]
    u = [float(np.hypot(u, LOST_END_MM * columns_per_mm * share)) for u, share in zip(ends.u_columns, unclear, strict=True)]
    return Ends(ends.column, ends.clear, (u[0], u[1]))


def _check_scale(strip: Strip, ends: Ends, shot: Shot) -> None:
    """Where the bow's length is the only scale both ends must show: one lost on its ground halfway gives a wrong one."""
    if shot.scale.kind != "bow_length":
        return
    for k, limb in enumerate(("upper", "lower")):
        if ends.clear[k] < CLEAR_END and f"nock_{limb}" not in shot.clicks:
            at = int(np.clip(round(ends.column[k]), 0, len(strip.path) - 1))
            raise NeedsHelp(
                f"The {limb} limb's end doesn't show, and the bow's length is the only scale.",
                f"Click the {limb} nock, where the string sits, or put marks on the board.",
                clicks=CLICKS,
                fault="click",
                wants=f"nock_{limb}",
                place_px=(float(strip.path[at][0]), float(strip.path[at][1])),
            )


def _clicked_ends(strip: Strip, ends: Ends, shot: Shot, thick_px: float) -> tuple[Ends, tuple[bool, bool]]:
    """A clicked nock that agrees with the limb's end leaves it alone (the end is the sharper); one that does not, rules:
    tips often stand past the nocks. Raises ``NeedsHelp`` where one lies beside what was followed."""
    column, u, ruled = list(ends.column), list(ends.u_columns), [False, False]
    for k, name in enumerate(("nock_upper", "nock_lower")):
        if name in shot.clicks:
            at = _column_at(strip, shot.clicks[name])
            if np.linalg.norm(np.array(shot.clicks[name]) - strip.path[at]) > BESIDE * thick_px + CLICK_AGREES_PX:
                raise _apart(name)
            by_hand = name in shot.set_by_hand
            if by_hand or abs(at - ends.column[k]) * strip.step > CLICK_AGREES_PX:
                column[k], u[k], ruled[k] = float(at), (BY_HAND_U_PX if by_hand else CLICK_U_PX) / strip.step, True
            else:
                u[k] = min(u[k], CLICK_U_PX / strip.step)
    return Ends((column[0], column[1]), ends.clear, (u[0], u[1])), (ruled[0], ruled[1])


def _check_handle(strip: Strip, shot: Shot, px_per_mm: float) -> None:
    """What was followed must pass the handle that was clicked, which may be the middle of the deepest grip."""
    if "handle" in shot.clicks:
        at = _column_at(strip, shot.clicks["handle"])
        off = float(np.linalg.norm(np.array(shot.clicks["handle"]) - strip.path[at]))
        if off > HANDLE_OFF_MM * px_per_mm + CLICK_AGREES_PX:
            raise NeedsHelp(
                f"What was followed passes the clicked handle {off:.0f} px away.",
                "Move the handle to the middle of the grip, or retake with the bow clear of things of its own shape.",
                clicks=CLICKS,
                off_px=off,
                fault="beside",
                wants="handle",
            )


def _ends_by_string(strip: Strip, ends: Ends, nocks: Mapping[str, tuple[float, float]]) -> tuple[Ends, tuple[bool, bool]]:
    column, u = list(ends.column), list(ends.u_columns)
    for k, name in enumerate(("nock_upper", "nock_lower")):
        if name in nocks:
            column[k] = float(np.argmin(np.linalg.norm(strip.path - np.array(nocks[name]), axis=1)))
            u[k] = CLICK_U_PX / strip.step
    return Ends((column[0], column[1]), ends.clear, (u[0], u[1])), ("nock_upper" in nocks, "nock_lower" in nocks)


def _corrections(strip: Strip, shot: Shot) -> tuple[Array, Array]:
    """Places (K, 2: column, row) that a person has put on the left-hand and the right-hand edge."""
    out: tuple[list[tuple[float, float]], list[tuple[float, float]]] = ([], [])
    for side, places in shot.edges_px.items():
        for place in places:
            at = int(np.argmin(np.linalg.norm(strip.path - np.array(place), axis=1)))
            away = np.array(place) - strip.path[at]
            row = MIDDLE_ROW + float(away @ strip.normal[at]) / strip.step
            if np.linalg.norm(away) > FARTHEST_CORRECTED * MIDDLE_ROW * strip.step:
                raise NeedsHelp(
                    f"The place set on the {side}'s edge at ({place[0]:.0f}, {place[1]:.0f}) lies nowhere near the bow.",
                    "Set it on the limb's edge, or take it away.",
                    clicks=CLICKS,
                    fault="click",
                    wants=f"edge_{side}",
                    place_px=place,
                )
            toward_back = float(strip.normal[at] @ np.array(_BACK[shot.back], float)) > 0
            out[int(toward_back == (side == "back"))].append((float(at), row))
    left, right = (np.array(sorted(side), float).reshape(-1, 2) for side in out)
    for at, row in left:
        if (right[np.abs(right[:, 0] - at) < CORRECTION_REACH / 2, 1] <= row + LEAST_THICK_ROWS).any():
            x, y = strip.px(np.array(at), np.array(row))
            raise NeedsHelp(
                f"Near ({x:.0f}, {y:.0f}) the places set on the back's and on the belly's edge leave no limb between them.",
                "Set each on its own edge, or take one away.",
                clicks=CLICKS,
                fault="click",
                wants="edge_back",
                place_px=(float(x), float(y)),
            )
    return left, right


def _corrected(band: Band, corrections: tuple[Array, Array]) -> Band:
    """The network's rows drawn to the corrected places, the less the further away: there the edge is looked for."""
    rows = []
    for row, places in zip((band.upper_row, band.lower_row), corrections, strict=True):
        seen = np.nonzero(~np.isnan(row))[0]
        if len(places) == 0 or len(seen) == 0:
            rows.append(row)
            continue
        column = np.arange(len(row))
        known = np.interp(column, seen, row[seen])
        pull = np.exp(-0.5 * ((column[:, None] - places[:, 0]) / CORRECTION_REACH) ** 2)
        off = places[:, 1] - np.interp(places[:, 0], seen, row[seen])
        moved = known + (pull * off).sum(1) / np.maximum(pull.sum(1), 1.0)
        near = pull.max(1) > 0.5
        rows.append(np.where(near | ~np.isnan(row), moved, np.nan))
    return Band(rows[0], rows[1], band.first, band.last)


def _tips(strip: Strip, rows: Array, columns: tuple[float, float]) -> Array:
    """The middles (2, 2) px of the limb at its two end columns."""
    tips = []
    for k, at in enumerate(columns):
        inward = np.arange(int(at) + (2 if k == 0 else -26), int(at) + (26 if k == 0 else -2))
        inward = inward[(inward >= 0) & (inward < len(rows))]
        good = inward[~np.isnan(rows[inward])]
        row = float(np.polyval(np.polyfit(good, rows[good], 1), at)) if len(good) > 8 else MIDDLE_ROW
        tips.append(strip.px(np.array(at), np.array(row)))
    return np.array(tips)


def _hold_handle(back: Array, thickness: Array, zones: dict[str, tuple[int, int]]) -> float:
    """Put, in place, the back's rows along the handle that stand off the line between the limbs' roots onto it, and say what
    share they are: a ruled line or a shadow beside the wrap was followed. A bow's back runs through its handle.

    Raises ``NeedsHelp`` where the handle's back runs on into one limb and not into the other: it is that limb that strayed."""
    a, b = zones["handle"]
    sides = (np.arange(max(0, a - ROOT_STATIONS), a), np.arange(b, min(b + ROOT_STATIONS, len(back))))
    roots = [(float(np.median(s[~np.isnan(back[s])])), float(np.nanmedian(back[s]))) for s in sides if np.isfinite(back[s]).any()]
    if len(roots) < 2:
        return 0.0
    inside = np.arange(a, b)
    line = np.interp(inside, [at for at, _ in roots], [row for _, row in roots])
    near = np.concatenate([thickness[s] for s in sides])
    limit = OFF_ROOTS * float(np.nanmedian(near if np.isfinite(near).any() else thickness))
    off = ~(np.abs(back[inside] - line) <= limit)  # astray, or not seen
    seen = inside[np.isfinite(back[inside])]
    if len(seen) > len(inside) / 2:
        own = stats.siegelslopes(back[seen], seen)
        apart = [abs(own.intercept + own.slope * at - row) > limit for at, row in roots]
        if apart[0] != apart[1]:
            raise NeedsHelp(
                f"The {'upper' if apart[0] else 'lower'} limb does not meet the handle: something beside it was followed.",
                "Click the two nocks and the middle of the handle, or retake with the bow clear of lines of the board.",
                clicks=CLICKS,
                fault="edge",
                limb="upper" if apart[0] else "lower",
                share=(0.8, 1.0),
            )
    back[inside[off]] = line[off]
    return float(off.mean())


def _check_seen(weight: Array, zones: dict[str, tuple[int, int]], least: float) -> None:
    """Every part of each limb must have been seen: no long gap, least of all at its root or tip."""
    for name in ("upper", "lower"):
        a, b = zones[name]
        seen = np.nonzero(weight[a:b] > 0)[0]
        share = len(seen) / max(b - a, 1)
        gap = float(np.max(np.diff(np.r_[-1, seen, b - a]))) / max(b - a, 1)
        if share < least or gap > MAX_GAP:
            raise NeedsHelp(
                f"The {name} limb's edges could only be followed over {share:.0%} of its length.",
                "Retake with even light and the bow clear of things of its own colour, or click the nocks and the handle.",
                clicks=CLICKS,
                seen=share,
                gap=gap,
                fault="unseen",
                limb=name,
                share=_longest_gap(seen, b - a, name),
            )


def _longest_gap(seen: NDArray[np.intp], n: int, limb: str) -> tuple[float, float]:
    """The longest stretch of a limb's ``n`` stations without one that was seen, as shares of its length from the nock."""
    around = np.r_[-1, seen, n]
    k = int(np.argmax(np.diff(around)))
    first, last = (around[k] + 1) / n, around[k + 1] / n
    return (float(first), float(last)) if limb == "upper" else (float(1 - last), float(1 - first))


def _inside(ends: Array, photo: Photo, margin_px: float) -> bool:
    h, w = photo.rgb.shape[:2]
    return not ((ends < margin_px) | (ends > [w - 1 - margin_px, h - 1 - margin_px])).any()


def _check_inside(found: Array, ends: Ends, strip: Strip, photo: Photo) -> None:
    """A bow that was followed (``found`` (2, 2) px) to the picture's border was cut off there, unless it is seen to end
    before: then it was something behind it that ran on."""
    margin = OUT_SHARE * max(photo.rgb.shape)
    for k in (0, 1):
        settled = strip.px(np.array([ends.column[k]]), np.array([MIDDLE_ROW]))
        seen_to_end = ends.clear[k] > CLEAR_END and _inside(settled, photo, margin)  # how it ends there, ``check_frame`` tells
        if not _inside(found[k : k + 1], photo, margin) and not seen_to_end:
            raise runs_out(k, found[k])


def _not_followed() -> NeedsHelp:
    return NeedsHelp(
        "The limbs could not be followed from tip to tip.",
        "Click the two nocks and the middle of the handle.",
        clicks=CLICKS,
        fault="lost",
    )


def _apart(name: str) -> NeedsHelp:
    limb = name.removeprefix("nock_")
    return NeedsHelp(
        f"The {limb} nock, as clicked, lies beside the limb that was followed.",
        f"Move the {limb} nock to the middle of the limb.",
        clicks=CLICKS,
        fault="beside",
        wants=name,
    )


def _ask(text: str, wants: str) -> NeedsHelp:
    remedy = "Move the handle to where it is, or take it away." if wants == "handle" else "Move the nocks to where they are."
    return NeedsHelp(text, remedy, clicks=CLICKS, fault="click", wants=wants)


def _grip(thickness: Array, shot: Shot) -> int | None:
    """The station in the middle of the grip's bump on the belly side; None where no clear bump shows."""
    n = len(thickness)
    seen = np.nonzero(~np.isnan(thickness))[0]
    if len(seen) < 0.5 * n:
        return None
    t = ndimage.median_filter(np.interp(np.arange(n), seen, thickness[seen]), 5)
    width = shot.handle_mm / shot.nock_to_nock_mm * n
    near = np.abs(np.arange(n) - n / 2) < 1.1 * width
    limb = near & (np.abs(np.arange(n) - n / 2) > 0.9 * width)
    if not limb.any():  # a handle of next to nothing, or of half the bow
        return None
    sides = [float(np.median(t[limb & side])) for side in (np.arange(n) < n / 2, np.arange(n) > n / 2)]
    if max(sides) > LIKE_ROOTS * min(sides):  # a shadow or a line runs beside one limb's root: its bump is not the grip's
        return None
    excess = t - float(np.median(t[limb]))
    top = float(np.percentile(excess[near], 95))
    if top < 0.3 * float(np.median(t[limb])):
        return None
    over = np.nonzero(near & (excess > 0.4 * top))[0]
    long = (over[-1] - over[0]) / width
    return int((over[0] + over[-1]) // 2) if 0.4 < long < 1.3 else None


def _zones(n: int, shot: Shot, middle: int | None = None) -> dict[str, tuple[int, int]]:
    half = 0.5 * shot.handle_mm / shot.nock_to_nock_mm * n
    centre = n / 2 if middle is None else middle
    a, b = int(centre - half), int(np.ceil(centre + half))
    return {"upper": (0, a), "handle": (a, b), "lower": (b, n)}


def _wander(thickness: Array, zones: dict[str, tuple[int, int]]) -> float:
    """How far one edge strays for stretches at a time: half of what the apparent thickness (rows, per station) does beyond its
    smooth run along the limbs, as a robust standard deviation."""
    (ua, ub), (la, lb) = zones["upper"], zones["lower"]
    limbs = (thickness[ua:ub], thickness[la:lb][::-1])
    off = [t - smooth for t, smooth in zip(limbs, thickness_of_both(*limbs), strict=True)]
    slow = np.concatenate([ndimage.uniform_filter1d(r[~np.isnan(r)], 11, mode="nearest") for r in off])
    return float(1.4826 * np.median(np.abs(slow)) / np.sqrt(2)) if len(slow) else 0.0


def _mend(left: Array, right: Array, zones: dict[str, tuple[int, int]]) -> tuple[Array, Array, Array]:
    """Mended rows of both sides and the weight of each column's middle: 1 from two sides, less from one, 0 unseen."""
    if np.isfinite(right - left).sum() < LEAST_SEEN_STATIONS:
        raise _not_followed()
    left, right = left.copy(), right.copy()
    weight = np.where(np.isnan(left) | np.isnan(right), 0.0, 1.0)
    (ua, ub), (la, lb) = zones["upper"], zones["lower"]
    t = right - left
    upper, lower = thickness_of_both(t[ua:ub], t[la:lb][::-1])
    for (a, b), thick in (((ua, ub), upper), ((la, lb), lower[::-1])):
        m = reconcile_limb(left[a:b], right[a:b], thick)
        left[a:b], right[a:b] = m.left, m.right
        weight[a:b] = without_islands(np.array([0.0, ONE_SIDE_WEIGHT, 1.0])[m.how])
    weight[:NOCK_STATIONS], weight[-NOCK_STATIONS:] = 0.0, 0.0
    return left, right, weight
