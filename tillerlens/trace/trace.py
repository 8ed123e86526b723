"""The trace of one photograph in pixels: silhouettes, tips, and how far each may be off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats

from tillerlens.core.errors import NeedsHelp, Reason
from tillerlens.core.robust import MAD_TO_U
from tillerlens.trace.edges import plain_margin_px
from tillerlens.trace.network import FinderMaps
from tillerlens.trace.outline import Silhouettes, Zones, inside_picture
from tillerlens.trace.path import CLICKS
from tillerlens.trace.picture_border import runs_out
from tillerlens.trace.reading import Prepared, TraceVariant
from tillerlens.trace.reconcile import thickness_of_both
from tillerlens.trace.sketch import Sketch, sketched
from tillerlens.trace.straighten import MIDDLE_ROW, Strip

Array = NDArray[np.float64]

CORRELATED = 6.0  # columns of the strip over which the noise of an edge moves together
LEAST_NOISE_PX = 0.03
SHADOW_FRINGE_U_PX = 0.3  # of the width of a shadow fringe that was taken off
MARGIN_SHARE = 0.4  # of a margin that may be shadow, as a standard uncertainty
DARK_MARGIN_PX = 1.0  # a wider one is a doubt
MIN_SEEN, MIN_SEEN_SMOOTH = 0.4, 0.6  # of a limb's length; a path that the finder's map hardly shows must be borne out by more
MAX_GAP = 0.3  # of a limb's length without an edge
BORDER_PX = 3  # a silhouette that ends so near the picture's border runs out of it
WANDER_STATIONS = 11  # taken together, to see how far an edge wanders for stretches at a time
GRIP_PERCENTILE = 75  # of the thickness along the handle, that is the grip's depth
TIP_COLUMNS, TIP_INSET, LEAST_TIP_COLUMNS = 26, 2, 9  # inward of an end, whose straight line gives the tip's row
ROOT_STATIONS = 8  # beside the handle, that tell where its back runs
HANDLE_LOST = 0.3  # of its back astray: what is left does not tell its direction
OFF_ROOTS = 0.3  # of the limb's thickness there
ROOT_SHARE = (0.8, 1.0)  # of a limb from its nock: shown where it does not meet the handle


@dataclass(frozen=True, eq=False)
class Trace:
    """The bow as traced, at N stations from the upper tip to the lower.

    Attributes
    ----------
    back_px, belly_px : (N, 2) silhouettes, NaN where not seen.
    path_px : (N, 2) the smooth path beside them, which orders the stations along the bow.
    weight : (N,) of the silhouettes' middles.
    tips_px, tip_u_px, tip_cause : (2, 2) the limbs' ends, upper first; how far each may be off along the limb; what gave it:
        "tip", "clicks" or "string".
    end_clear : how clearly each limb is seen to end, 0 ... 1.
    grip_column : the station at the middle of the grip's bump, where one shows.
    zones : the limbs' and the handle's stations.
    noise_px, wander_px : of an edge, station by station; and how far it strays for stretches at a time.
    shadow_px : by side: how far a margin that may be shadow puts its edge in doubt.
    fringe_taken : whether a flash's shadow was seen beside one edge, and taken off.
    grip_px : depth of the grip, back to belly.
    px_per_mm, step_px, support : scale, the strip's step, and share of the coarse path that the finder sees.
    maps : where the finder sees limb, string and shadow.
    doubts : of the trace.
    handle_held : the handle's back was not seen; it is the line between the limbs' roots.
    """

    back_px: Array
    belly_px: Array
    path_px: Array
    weight: Array
    tips_px: Array
    tip_u_px: tuple[float, float]
    tip_cause: tuple[str, str]
    end_clear: tuple[float, float]
    grip_column: int | None
    zones: Zones
    noise_px: float
    wander_px: float
    shadow_px: dict[str, float]
    fringe_taken: bool
    grip_px: float
    px_per_mm: float
    step_px: float
    support: float
    maps: FinderMaps
    doubts: tuple[Reason, ...]
    handle_held: bool = False


@sketched
def trace_of(sketch: Sketch, prepared: Prepared, seen: Silhouettes, variant: TraceVariant) -> Trace:
    """Take the silhouettes to the picture, and judge what they are worth.

    Parameters
    ----------
    sketch : shows what was followed, should it be refused.
    prepared : the picture.
    seen : both sides in the strip.
    variant : whether the handle's back is held to the line between the limbs, and how much of them must be seen.

    Raises
    ------
    NeedsHelp
        Where too little of the bow was seen, or it runs out of the picture.
    """
    strip, zones, cols = seen.strip, seen.zones, seen.cols
    rows_left, rows_right = seen.rows_left.copy(), seen.rows_right.copy()
    sketch.path(strip.path[cols])
    back_rows = rows_right if seen.back_is_right else rows_left
    strayed = _hold_handle(back_rows, rows_right - rows_left, zones) if variant.handle_held else 0.0
    left_px, right_px = strip.px(cols.astype(float), rows_left), strip.px(cols.astype(float), rows_right)
    back, belly = (right_px, left_px) if seen.back_is_right else (left_px, right_px)
    sketch.edges(strip.path[cols], back, belly, zones)
    tips = _tips(strip, _middle_rows(seen), seen.ends.column)
    _check_seen(seen.weight, zones, MIN_SEEN_SMOOTH if variant.smooth_path else MIN_SEEN)
    for k, end in enumerate(back[~np.isnan(back[:, 0])][[0, -1]]):
        if not inside_picture(end[None], prepared.photo, BORDER_PX):
            raise runs_out(k, end)
    margins = _plain_margins(prepared.light, seen)
    return Trace(
        back_px=back,
        belly_px=belly,
        path_px=strip.path[cols],
        weight=seen.weight,
        tips_px=tips,
        tip_u_px=(seen.ends.u_columns[0] * strip.step, seen.ends.u_columns[1] * strip.step),
        tip_cause=seen.causes,
        end_clear=seen.ends.clear,
        grip_column=seen.grip_at,
        zones=zones,
        noise_px=max(float(np.nanmean([seen.left.noise, seen.right.noise])) * strip.step, LEAST_NOISE_PX),
        wander_px=_wander(seen.right.row[cols] - seen.left.row[cols], zones) * strip.step,
        shadow_px=_shadow_u(seen, margins),
        fringe_taken=seen.left.fringe is not None or seen.right.fringe is not None,
        grip_px=_grip_depth(np.linalg.norm(back - belly, axis=1), zones["handle"]),
        px_per_mm=seen.px_per_mm,
        step_px=strip.step,
        support=seen.support,
        maps=prepared.maps,
        doubts=_doubts(max(margins.values()) > DARK_MARGIN_PX, strayed > 0),
        handle_held=strayed > HANDLE_LOST,
    )


def _doubts(dark_margin: bool, handle_strayed: bool) -> tuple[Reason, ...]:
    out: tuple[Reason, ...] = ()
    if dark_margin:
        text = "A dark margin runs along one edge of the limbs: it may be wood or a shadow, so the intervals are wider."
        out += (Reason("dark_margin", text, "Light the bow evenly from the side and leave the flash off."),)
    if handle_strayed:
        text = "Something shows beside the handle's back, so the back was drawn straight from limb to limb there."
        out += (Reason("handle_back_strayed", text, "Hang the bow so that no ruled line runs close along its handle."),)
    return out


def _plain_margins(light: NDArray[np.uint16], seen: Silhouettes) -> dict[str, float]:
    """By hand of the path: width (px) of a dark margin that may be shadow. Where a shadow fringe was taken off there is none."""
    thick = seen.right.row - seen.left.row
    return {
        "left": 0.0 if seen.left.fringe else plain_margin_px(light, seen.strip, seen.left.row, 1, thick),
        "right": 0.0 if seen.right.fringe else plain_margin_px(light, seen.strip, seen.right.row, -1, thick),
    }


def _shadow_u(seen: Silhouettes, margins: dict[str, float]) -> dict[str, float]:
    """Standard uncertainty (px) of the back's and the belly's edge by a shadow beside it."""
    hands = {"left": seen.left, "right": seen.right}
    out: dict[str, float] = {}
    for side, hand in {"back": seen.back_is_right, "belly": not seen.back_is_right}.items():
        name = "right" if hand else "left"
        fringe = hands[name].fringe
        out[side] = (
            MARGIN_SHARE * margins[name] if fringe is None else float(np.hypot(SHADOW_FRINGE_U_PX, fringe.u * seen.strip.step))
        )
    return out


def _grip_depth(thickness: Array, handle: tuple[int, int]) -> float:
    """Depth (px) of the grip by the apparent thickness at all stations (N,)."""
    a, b = handle
    inner = thickness[a + (b - a) // 6 : b - (b - a) // 6]
    return float(np.nanpercentile(inner, GRIP_PERCENTILE)) if np.isfinite(inner).any() else float(np.nanmax(thickness))


def _middle_rows(seen: Silhouettes) -> Array:
    """The limb's middle row per column: measured where both edges were, else the network's."""
    measured = (seen.left.row + seen.right.row) / 2
    return np.where(np.isnan(measured), (seen.band.upper_row + seen.band.lower_row) / 2, measured)


def _tips(strip: Strip, rows: Array, columns: tuple[float, float]) -> Array:
    """The middles (2, 2) px of the limb at its two end columns."""
    tips = []
    for k, at in enumerate(columns):
        reach = (TIP_INSET, TIP_COLUMNS) if k == 0 else (-TIP_COLUMNS, -TIP_INSET)
        inward = np.arange(int(at) + reach[0], int(at) + reach[1])
        inward = inward[(inward >= 0) & (inward < len(rows))]
        good = inward[~np.isnan(rows[inward])]
        row = float(np.polyval(np.polyfit(good, rows[good], 1), at)) if len(good) >= LEAST_TIP_COLUMNS else MIDDLE_ROW
        tips.append(strip.px(np.array(at), np.array(row)))
    return np.array(tips)


def _hold_handle(back: Array, thickness: Array, zones: Zones) -> float:
    """Put, in place, the back's rows along the handle that stand off the line between the limbs' roots onto it, and return their
    share: a ruled line or a shadow beside the wrap was followed. A bow's back runs through its handle.

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
                share=ROOT_SHARE,
            )
    back[inside[off]] = line[off]
    return float(off.mean())


def _check_seen(weight: Array, zones: Zones, least: float) -> None:
    """Raise ``NeedsHelp`` unless every part of each limb was seen: no long gap, least of all at its root or tip."""
    for name in ("upper", "lower"):
        a, b = zones[name]
        seen = np.nonzero(weight[a:b] > 0)[0]
        share = len(seen) / max(b - a, 1)
        gap = float(np.max(np.diff(np.r_[-1, seen, b - a]))) / max(b - a, 1)
        if share < least or gap > MAX_GAP:
            raise NeedsHelp(
                f"The {name} limb's edges could only be followed over {100 * share:.0f} % of its length.",
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


def _wander(thickness: Array, zones: Zones) -> float:
    """How far one edge strays for stretches at a time: half of what the apparent thickness (rows, per station) does beyond its
    smooth run along the limbs, as a robust standard deviation."""
    (ua, ub), (la, lb) = zones["upper"], zones["lower"]
    limbs = (thickness[ua:ub], thickness[la:lb][::-1])
    off = [t - smooth for t, smooth in zip(limbs, thickness_of_both(*limbs), strict=True)]
    slow = np.concatenate([ndimage.uniform_filter1d(r[~np.isnan(r)], WANDER_STATIONS, mode="nearest") for r in off])
    return float(MAD_TO_U * np.median(np.abs(slow)) / np.sqrt(2)) if len(slow) else 0.0
