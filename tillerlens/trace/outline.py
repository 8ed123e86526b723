"""From the networks' maps to the straightened bow and both its silhouettes, in the strip's frame."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tillerlens.core.errors import NeedsHelp
from tillerlens.core.measurement import LIMBS
from tillerlens.core.shot import Shot
from tillerlens.photo.camera import CameraFit
from tillerlens.photo.intake import Photo
from tillerlens.trace.by_hand import (
    LEAST_COLUMNS,
    TO_BACK,
    ask_to_move,
    between_clicks,
    check_handle,
    clicked_ends,
    column_at,
    corrected,
    corrections,
    ends_at_nocks,
    middle_to_clicks,
    path_to_clicks,
    string_beside,
)
from tillerlens.trace.edges import Side, held_to, measure_edges
from tillerlens.trace.ends import Ends, find_ends, limb_share, settle_ends
from tillerlens.trace.path import CLICKS, LENGTH_TOLERANCE, CoarsePath, find_bow, not_its_length, plane_length
from tillerlens.trace.picture_border import LOOKED_AT, check_clicked, check_frame, goes_behind, runs_out
from tillerlens.trace.reading import Prepared, TraceVariant
from tillerlens.trace.reconcile import common_thickness, reconcile_limb, thickness_of_both
from tillerlens.trace.ruled import off_ruled_lines
from tillerlens.trace.second_look import look_again, second_outline, without_islands
from tillerlens.trace.sketch import Sketch, sketched
from tillerlens.trace.straighten import (
    CARRIED_ON,
    MIDDLE_ROW,
    Band,
    Strip,
    cut_strip,
    first_path,
    fitting_step,
    next_path,
    read_band,
    smoothed_on_strip,
    strip_step,
    with_grip,
)

Array = NDArray[np.float64]
Zones = dict[str, tuple[int, int]]  # "upper", "handle", "lower": first station and the one past the last

EVERY = 3  # columns between the silhouettes' stations
NOCK_STATIONS = 3  # beside each tip, where the nock and the string's loop hide the limb's own edges
OUT_SHARE = 0.005  # of the picture's longer side: a bow that ends so near the border was cut off
# An end less clear than the first is none, and one clearer than the other is sure: of 9 ends of the first kind on 30 pictures
# not used to train, 6 lay 8 to 22 mm short of the nock, of 46 of the other none by more than 4 mm.
CLEAR_END, SURE_END, LOST_END_MM = 0.5, 0.7, 15.0
LEAST_SEEN_STATIONS = 24  # where both edges were seen: fewer show no bow
LEAST_BETWEEN = 0.3  # of what was followed: clicked nocks nearer together are not both its ends
HANDLE_AGREES = 0.25  # of the handle's length: a bump further from where its middle was clicked is no grip's
TURNS, MOST_TURNS_OF_PART = 4, 10  # strips cut until the ends stay where they are; and of a bow that was found in part
CARRIED_ON_OF_PART = 120  # steps at either end between two strips, of a bow that was found in part
ENDS_STAY = 8  # columns, that the distance of the ends may change from one strip to the next
LAST_COLUMNS, STILL_LIMB = 24, 0.8  # of the strip, and how much of them must be limb for it to run on
LEAST_BAND = 0.5  # of the strip, along which the limb must show
END_MARGIN = 2  # columns inside an end, from which on the limb's middle is read
LEAST_MIDDLES = 12  # stations of weight: else any that were seen give the middle
HANDLE_HIDES = 1.7  # of the handle's length: with its fades
HANDLE_REACH = 1.1  # of the handle's length at either side of its middle
LEAST_LIMB_STATIONS = 24  # a limb of fewer cannot be distinguished from its handle
LIKE_ROOTS = 1.25  # one limb's thickness beside the handle over the other's, at the most
ONE_SIDE_WEIGHT = 0.6
# Of the handle's length: the limbs' roots lie between these at either side of the bow's middle, and a grip is so long.
ROOTS, GRIP_LONG = (0.9, 1.1), (0.4, 1.3)
BUMP_MEDIAN, BUMP_PERCENTILE = 5, 95  # stations that its thickness is smoothed over; of the excess, that is its height
LEAST_BUMP, BUMP_LEVEL = 0.3, 0.4  # of the limb's thickness, for a grip; of the bump's own height, where it is held to begin


@dataclass(frozen=True, eq=False)
class Silhouettes:
    """The bow straightened, with both its sides, before the handle is looked at once more.

    Attributes
    ----------
    strip, band : the picture along the bow, and where the network sees the limb in it.
    ends, causes : where the two limbs end, and by what: "tip", "clicks" or "string".
    left, right : the sides as measured, per column.
    cols : (N,) columns of the stations, every third.
    rows_left, rows_right : (N,) both sides at the stations, reconciled.
    weight : (N,) how far the middle between them is trusted.
    zones : the limbs' and the handle's stations.
    grip_at : the station at the middle of the grip, where one shows or was clicked.
    back_is_right : whether the bow's back is on the path's right-hand side.
    px_per_mm, support : scale at the bow, and share of the coarse path that the finder sees.
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
    zones: Zones
    grip_at: int | None
    back_is_right: bool
    px_per_mm: float
    support: float


@sketched
def outline(sketch: Sketch, prepared: Prepared, fit: CameraFit, shot: Shot, variant: TraceVariant) -> Silhouettes:
    """Find the bow, straighten it and measure both its sides.

    Parameters
    ----------
    sketch : shows what was followed, should it be refused.
    prepared, fit, shot : the picture, its camera, and what was typed and clicked.
    variant : along which path, and to which nocks. Whether the handle is held comes later (``trace_of``).

    Raises
    ------
    NeedsHelp
        When the bow or its tips are not certain.
    """
    light = prepared.light
    coarse = find_bow(prepared.maps, fit, shot, variant.smooth_path)
    sketch.path(coarse.px)
    px_per_mm = _px_per_mm(fit, coarse.px[len(coarse.px) // 2], shot.standoff_mm)
    shown = dict(variant.nocks_px or ())
    to_nocks = replace(shot, clicks={**shown, **shot.clicks})
    try:
        strip, band, ends = _along_path(prepared, coarse, px_per_mm, fit, to_nocks, variant.smooth_path)
    except NeedsHelp as error:
        name = error.fields.get("wants")
        if name in shown and name not in shot.clicks:  # nobody clicked there: the string led to it
            raise string_beside(name, shown[name]) from None
        raise
    thick_px = strip.step * float(np.nanmedian(band.lower_row - band.upper_row))
    check_scale(light, strip, ends, to_nocks, thick_px)
    ends, clicked = clicked_ends(strip, ends, shot, thick_px)
    check_handle(strip, shot, px_per_mm)
    ends, by_string = ends_at_nocks(strip, ends, shown)
    check_frame(light, strip, band, ends.column)
    if ends.column[1] - ends.column[0] < LEAST_BETWEEN * len(strip.path):
        raise ask_to_move("Too little of what was followed lies between the clicked nocks.", "nock_upper")
    causes = ["string" if by_string[k] else "clicks" if clicked[k] else "tip" for k in (0, 1)]

    back_is_right = bool(strip.normal[round(sum(ends.column) / 2)] @ np.array(TO_BACK[shot.back], float) > 0)
    band = with_grip(prepared.photo.rgb, strip, band, 0 if back_is_right else 1, *_handle_columns(strip, ends, shot))
    by_hand = corrections(strip, shot)
    sides = measure_edges(light, strip, corrected(band, by_hand), ends.column, by_flash=prepared.flash > 0)
    sides = off_ruled_lines(sides, strip, fit, shot, by_hand)
    cols = np.arange(int(np.ceil(ends.column[0])), int(np.floor(ends.column[1])) + 1, EVERY)
    grip_at = _grip_station(strip, cols, band.lower_row[cols] - band.upper_row[cols], shot)
    zones = _zones(len(cols), shot, grip_at)
    if min(zones["upper"][1], len(cols) - zones["lower"][0]) < LEAST_LIMB_STATIONS:
        raise ask_to_move(
            "With the handle where it is clicked, and as long as typed, almost nothing is left of one limb.", "handle"
        )
    (left, right), (rows_left, rows_right, weight) = _reconciled(light, strip, sides, cols, zones, by_hand)
    return Silhouettes(
        strip, band, ends, (causes[0], causes[1]), left, right, cols, rows_left, rows_right, weight, zones, grip_at,
        back_is_right, px_per_mm, coarse.support,
    )  # fmt: skip


def _along_path(
    prepared: Prepared, coarse: CoarsePath, px_per_mm: float, fit: CameraFit, shot: Shot, smooth_path: bool
) -> tuple[Strip, Band, Ends]:
    """The picture straightened along the coarse path, as far as the bow goes, and its two ends as they show."""
    rgb, light = prepared.photo.rgb, prepared.light
    if coarse.clicked:
        check_clicked(light, coarse.px, (0, 1), px_per_mm)
    path = smoothed_on_strip(rgb, coarse.px, strip_step(px_per_mm)) if smooth_path else coarse.px
    in_part = coarse.length_ratio < 1 - LENGTH_TOLERANCE
    strip, band, ends = _straighten(prepared, path, px_per_mm, fit, shot, in_part)
    if in_part:
        a, b = round(ends.column[0]), round(ends.column[1])
        ratio = plane_length(fit.camera, strip.path[max(a, 0) : b + 1], shot.standoff_mm) / shot.nock_to_nock_mm
        if ratio < 1 - LENGTH_TOLERANCE:
            raise not_its_length(ratio, coarse.support, coarse.px)
    ends = _less_sure_if_unclear(settle_ends(light, strip, band, ends), px_per_mm / strip.step)
    _check_inside(coarse.px[[0, -1]], ends, strip, prepared.photo)
    return strip, band, ends


def _straighten(
    prepared: Prepared, coarse: Array, px_per_mm: float, fit: CameraFit, shot: Shot, in_part: bool
) -> tuple[Strip, Band, Ends]:
    """Cut the strip along the coarse path, then along the middle it shows, until its ends stay where they are. Of a bow that was
    found in part, and where a limb fills the strip to its last column, they are followed on to their ends by longer strides."""
    step = strip_step(px_per_mm)
    path, length = first_path(path_to_clicks(coarse, shot)), 0.0
    for turn in range(MOST_TURNS_OF_PART):
        strip = cut_strip(prepared.photo.rgb, path, step)
        band = read_band(strip, HANDLE_HIDES * shot.handle_mm * px_per_mm / step)
        if band.last - band.first < max(LEAST_BAND * len(strip.path), LEAST_COLUMNS):
            raise not_followed()
        ends = find_ends(prepared.light, strip, band, fit, shot)
        # carried on again and again: what fills the strip is not the limb
        further = _runs_on(strip, band, ends) if turn < TURNS else ends.column
        runs_on = further != ends.column
        between, band = between_clicks(strip, band, further, shot)
        grown = between[1] - between[0] - length
        if (turn and abs(grown) < ENDS_STAY) or (turn + 1 >= TURNS and not (in_part or runs_on)):
            break
        length += grown
        middle = middle_to_clicks(strip, *_band_middle(band, between, shot), shot)
        path = next_path(strip, *middle, CARRIED_ON_OF_PART if in_part or runs_on else CARRIED_ON)
        if turn == 0 and (fitting := fitting_step(strip, band)) != step:
            length, step = length * step / fitting, fitting
    return strip, band, ends


def _runs_on(strip: Strip, band: Band, ends: Ends) -> tuple[float, float]:
    """The end columns, moved to the strip's own where a limb doesn't clearly end before it and still fills it there."""
    share, (first, last) = limb_share(strip, band), ends.column
    fills = [float(part.mean()) > STILL_LIMB for part in (share[:LAST_COLUMNS], share[-LAST_COLUMNS:])]
    if fills[0] and ends.clear[0] < CLEAR_END:
        first = 0.0
    if fills[1] and ends.clear[1] < CLEAR_END:
        last = len(share) - 1.0
    return first, last


def _handle_columns(strip: Strip, ends: Ends, shot: Shot) -> tuple[int, int]:
    """The columns between which the handle lies with its fades, and as much again."""
    first, last = ends.column
    centre = column_at(strip, shot.clicks["handle"]) if "handle" in shot.clicks else (first + last) / 2
    reach = HANDLE_REACH * shot.handle_mm / shot.nock_to_nock_mm * (last - first)
    return int(centre - reach), int(centre + reach)


def _band_middle(band: Band, ends: tuple[float, float], shot: Shot) -> tuple[Array, Array]:
    """Columns between the ends and the limb's middle row there, reconciled; for the next, truer path."""
    cols = np.arange(int(np.ceil(ends[0])) + END_MARGIN, int(ends[1]) - END_MARGIN + 1, EVERY)
    zones = _zones(len(cols), shot)
    left, right, weight = _reconciled_rows(band.upper_row[cols], band.lower_row[cols], zones)
    ok = weight > 0
    ok[slice(*zones["handle"])] = False  # the grip's bump is no part of the path: it runs straight across from fade to fade
    if ok.sum() < LEAST_MIDDLES:
        ok = ~np.isnan(left + right)
    return cols[ok].astype(float), ((left + right) / 2)[ok]


def _px_per_mm(fit: CameraFit, at: Array, standoff_mm: float) -> float:
    p = fit.camera.to_plane(np.array([at, at + [10, 0], at + [0, 10]]), standoff_mm)
    return float(10 / np.sqrt(np.linalg.norm(p[1] - p[0]) * np.linalg.norm(p[2] - p[0])))


def _less_sure_if_unclear(ends: Ends, columns_per_mm: float) -> Ends:
    """The ends, each less sure the less clear it is: a tip may be lost on a ground of its own colour."""
    unclear = [float(np.clip((SURE_END - clear) / (SURE_END - CLEAR_END), 0.0, 1.0)) for clear in ends.clear]
    u = [float(np.hypot(u, LOST_END_MM * columns_per_mm * share)) for u, share in zip(ends.u_columns, unclear, strict=True)]
    return Ends(ends.column, ends.clear, (u[0], u[1]))


def check_scale(light: NDArray[np.uint16], strip: Strip, ends: Ends, shot: Shot, thick_px: float) -> None:
    """Raise ``NeedsHelp`` where the bow's length is the only scale and an end of it hardly shows, or may be hidden: one that is
    lost makes the bow too short, and with it the scale wrong.

    Parameters
    ----------
    light, strip, ends : the picture, and the limbs' ends in the strip.
    shot : its scale, and the nocks clicked.
    thick_px : of the limbs.
    """
    if shot.scale.kind != "bow_length":
        return
    for k, limb in enumerate(LIMBS):
        if f"nock_{limb}" in shot.clicks:
            continue
        inward = 1 if k == 0 else -1
        end, before = (strip.px(np.array(ends.column[k] + inward * far), np.array(MIDDLE_ROW)) for far in (0, LOOKED_AT / 2))
        outward = (end - before) / np.linalg.norm(end - before)
        if ends.clear[k] < CLEAR_END:
            unknown = f"The {limb} limb's end doesn't show"
        elif goes_behind(light, end, outward, thick_px):
            unknown = f"The {limb} limb may go on behind something"
        else:
            continue
        raise NeedsHelp(
            f"{unknown}, and the bow's length is the only scale.",
            f"Click the {limb} nock, where the string sits, or put marks on the board.",
            clicks=CLICKS,
            fault="click",
            wants=f"nock_{limb}",
            place_px=(float(end[0]), float(end[1])),
        )


def inside_picture(px: Array, photo: Photo, margin_px: float) -> bool:
    """Whether all places (N, 2) px lie inside the picture by a margin."""
    h, w = photo.rgb.shape[:2]
    return not ((px < margin_px) | (px > [w - 1 - margin_px, h - 1 - margin_px])).any()


def _check_inside(found: Array, ends: Ends, strip: Strip, photo: Photo) -> None:
    """A bow that was followed (``found`` (2, 2) px) to the picture's border was cut off there, unless it is seen to end
    before: then it was something behind it that ran on."""
    margin = OUT_SHARE * max(photo.rgb.shape)
    for k in (0, 1):
        settled = strip.px(np.array([ends.column[k]]), np.array([MIDDLE_ROW]))
        # how it ends there, ``check_frame`` tells
        seen_to_end = ends.clear[k] > CLEAR_END and inside_picture(settled, photo, margin)
        if not inside_picture(found[k : k + 1], photo, margin) and not seen_to_end:
            raise runs_out(k, found[k])


def not_followed() -> NeedsHelp:
    """The refusal where the limbs could not be followed."""
    return NeedsHelp(
        "The limbs could not be followed from tip to tip.",
        "Click the two nocks and the middle of the handle.",
        clicks=CLICKS,
        fault="lost",
    )


def _grip_station(strip: Strip, cols: NDArray[np.intp], thickness: Array, shot: Shot) -> int | None:
    """The station at the handle's middle: by the grip's bump, unless it was clicked elsewhere or set by hand."""
    grip_at = _grip_bump(thickness, shot)
    if "handle" in shot.clicks:
        clicked_at = int(np.argmin(np.linalg.norm(strip.path[cols] - np.array(shot.clicks["handle"]), axis=1)))
        far = HANDLE_AGREES * shot.handle_mm / shot.nock_to_nock_mm * len(cols)
        if "handle" in shot.set_by_hand or (grip_at is not None and abs(grip_at - clicked_at) > far):
            return clicked_at
    return grip_at


def _grip_bump(thickness: Array, shot: Shot) -> int | None:
    """The station in the middle of the grip's bump on the belly side; None where no clear bump shows."""
    n = len(thickness)
    seen = np.nonzero(~np.isnan(thickness))[0]
    if len(seen) < 0.5 * n:
        return None
    t = ndimage.median_filter(np.interp(np.arange(n), seen, thickness[seen]), BUMP_MEDIAN)
    width = shot.handle_mm / shot.nock_to_nock_mm * n
    near = np.abs(np.arange(n) - n / 2) < ROOTS[1] * width
    limb = near & (np.abs(np.arange(n) - n / 2) > ROOTS[0] * width)
    if not limb.any():  # the handle is tiny, or half the bow
        return None
    sides = [float(np.median(t[limb & side])) for side in (np.arange(n) < n / 2, np.arange(n) > n / 2)]
    if max(sides) > LIKE_ROOTS * min(sides):  # a shadow or a line runs beside one limb's root: its bump is not the grip's
        return None
    excess = t - float(np.median(t[limb]))
    top = float(np.percentile(excess[near], BUMP_PERCENTILE))
    if top < LEAST_BUMP * float(np.median(t[limb])):
        return None
    over = np.nonzero(near & (excess > BUMP_LEVEL * top))[0]
    long = (over[-1] - over[0]) / width
    return int((over[0] + over[-1]) // 2) if GRIP_LONG[0] < long < GRIP_LONG[1] else None


def _zones(n: int, shot: Shot, middle: int | None = None) -> Zones:
    half = 0.5 * shot.handle_mm / shot.nock_to_nock_mm * n
    centre = n / 2 if middle is None else middle
    a, b = int(centre - half), int(np.ceil(centre + half))
    return {"upper": (0, a), "handle": (a, b), "lower": (b, n)}


def _reconciled(
    light: NDArray[np.uint16],
    strip: Strip,
    sides: tuple[Side, Side],
    cols: NDArray[np.intp],
    zones: Zones,
    by_hand: tuple[Array, Array],
) -> tuple[tuple[Side, Side], tuple[Array, Array, Array]]:
    """Both sides held against each other along each limb, lost stretches looked for again; then their rows and weight at the
    stations. What a person has set stays."""
    left, right = sides
    thick = right.row[cols] - left.row[cols]
    upper, lower = slice(*zones["upper"]), slice(*zones["lower"])
    if np.isfinite(thick).sum() >= LEAST_SEEN_STATIONS:
        both = common_thickness(thick[upper], thick[lower][::-1])
        for limb, expected in ((upper, both[0]), (lower, both[1][::-1])):
            left, right, open_ = second_outline(light, strip, (left, right), cols[limb], expected)
            for at in cols[limb][open_]:  # neither side is known there: what lies between is looked for along the smooth line
                left.row[at : at + EVERY], right.row[at : at + EVERY] = np.nan, np.nan
    left, right = held_to(left, by_hand[0]), held_to(right, by_hand[1])
    rows_left, rows_right, weight = _reconciled_rows(left.row[cols], right.row[cols], zones)
    for limb in (upper, lower):
        again = look_again(light, strip, (left, right), cols[limb], (rows_left[limb], rows_right[limb]), weight[limb])
        if again is not None:
            left, right = held_to(again[0], by_hand[0]), held_to(again[1], by_hand[1])
            rows_left, rows_right, weight = _reconciled_rows(left.row[cols], right.row[cols], zones)
    return (left, right), (rows_left, rows_right, weight)


def _reconciled_rows(left: Array, right: Array, zones: Zones) -> tuple[Array, Array, Array]:
    """Both sides' rows reconciled, and the weight of each station's middle: 1 from two sides, less from one, 0 unseen."""
    if np.isfinite(right - left).sum() < LEAST_SEEN_STATIONS:
        raise not_followed()
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
