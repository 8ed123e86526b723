"""The bow's two edges in a picture from its belly or back, from the networks' maps to silhouettes and tips.

The finder proposes the path and the silhouette network tells limb from ground in a strip along it, as in a side view. But the
limbs are broad and taper to a third of their width, the string runs along inside them, and their two sides need not be alike.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tillerlens.core.errors import NeedsHelp
from tillerlens.core.robust import mad_u
from tillerlens.core.shot import Shot
from tillerlens.front.by_colour import inside_by_colour, straight_path, without_shadow
from tillerlens.front.edges import place_edge
from tillerlens.front.ruled import Ruled, without_lines
from tillerlens.front.shape import KNOTS, PAST_LOW, PAST_MM, PAST_U_MM, PAST_UP, laid, prior
from tillerlens.photo.camera import CameraFit
from tillerlens.photo.light import FULL, linear_light, sample
from tillerlens.trace.ends import LIMB_WORTH, MOST_OFF, STEP_WORTH
from tillerlens.trace.outline import not_followed
from tillerlens.trace.path import CLICKS, find_bow
from tillerlens.trace.picture_border import cut_at_border, runs_out
from tillerlens.trace.reading import Prepared
from tillerlens.trace.sketch import Sketch, sketched
from tillerlens.trace.straighten import (
    LIMB_STEPS,
    MIDDLE_ROW,
    STEPS_PX,
    Band,
    Strip,
    cut_strip,
    first_path,
    next_path,
    read_band,
    strip_step,
)

Array = NDArray[np.float64]
Cut = Callable[[Array, float], Strip]  # a strip along a path (N, 2) px, in steps of so many px

CLICKS_ALONG, CLICKED_STATIONS = ("nock_upper", "handle", "nock_lower"), 200
BROADEST_MM = 120.0  # no bow is so broad: what was followed is not its edges
BROAD_MM = 40.0  # a limb at its broadest, for the first strip (common practice, no source)
BROAD_ROWS = 20.0  # so many steps it should be: the tips are then still five or six
LEAST_BAND, LEAST_COLUMNS = 0.4, 100  # of the strip, along which the limb must show; columns
BROADER, BROAD_PERCENTILE = (0.7, 1.5), 90  # by how much a strip's step may change; of the width, what counts as the broadest
WIDEST = 1.5  # times the first strip's step: what seems broader than that suits is no limb, but the plank behind it
TURNS = 4  # strips cut until the path lies in the limb's middle
HOLE_ROWS = 7  # the string on the limb's face: a hole so narrow is limb
EVERY = 3  # columns between the stations
ASTRIDE, ASIDE = 5, 0.4  # stations that a jump is looked for across, and its least share of the limb's width
# Columns inward of an end that tell its direction, and between which its width is read; that, where none shows, in rows.
BEFORE, NEAR, THIN_ROWS = 20, (3, 40), 4.0
FINEST, TIP_INSIDE = 0.25, np.linspace(-0.7, 0.7, 9)  # of the limbs' own step; of a tip's half width, where it is looked at
SPAN = 12  # columns compared at either side of a possible tip
TAPER_MM, THINNER = 25.0, 0.7  # along a tip, and its width there over that
OUTER, TIP_ROWS = 0.16, 12.0  # of the strip, that is looked at closer at either end, and a tip's width there, steps
# What is thin for so long is a cord; how much of a tip's width must be limb up to its end, and of merit that less costs.
CORD_MM, WHOLE, THIN_COSTS = 8.0, 0.6, 2.5
LEAST_HALF_ROWS = 1.5  # of a limb's half width
INSIDE, BESIDE = np.linspace(-0.45, 0.45, 5), 1.6  # of it: where the wood's colour is looked at, and the ground's
CONTRAST_COLUMNS, LEAST_CONTRAST = 25, 0.02  # of wood against ground; in square root of light
END_SHARES = (0.4, 0.6)  # of the strip: the upper limb ends before, the lower one after
PEAK_COLUMNS, LEAST_WORTH = 9, 0.4  # a possible end is worth most among so many columns, and so much at the least
LENGTH_U, LENGTH_U_UNSQUARED = 0.006, 0.06  # of the length seen, by its depth and the marks, and where nothing squares
CERTAIN = 3.0  # of merit, to the natural logarithm of how likely a pair of ends is
LEAST_SEEN = 0.5  # of the stations, where both edges must have been found
MOST_GAP = 0.25  # of the bow's length without both edges
LOST_PX = 4.0  # an edge that may lie so far off is lost
LEAST_WINDOWS = 20
STOP_SIGMA = 1.5  # columns, before a tip's end is read
BASE, RUN = (9, 3), (13, 2.0)  # median and Gaussian over an edge as proposed (stations), and as found (windows)
STRAY_PX = 2.5  # of an edge from its own smooth run, beyond which it is another edge


class Way(Enum):
    """How a picture is read: as the networks see it; as one nearly straight thing that they see faintly; or as one whose colour
    differs from the ground's."""

    AS_SEEN = "as seen"
    STRAIGHT = "straight"
    BY_COLOUR = "by colour"


@dataclass(frozen=True, eq=False)
class FrontTrace:
    """Stations along the bow from the upper tip to the lower.

    ``path_px``, ``right_px``, ``left_px`` (N, 2): the path and both edges, NaN where not seen; right as the viewer sees it with
    the upper limb up. ``right_u_px``, ``left_u_px`` (N,): how far each may lie from there. ``tips_px`` (2, 2): where the wood
    ends, and ``tip_u_mm`` how far along the bow that may be off. ``way``: how it was read.
    """

    path_px: Array
    right_px: Array
    left_px: Array
    right_u_px: Array
    left_u_px: Array
    tips_px: Array
    tip_u_mm: tuple[float, float]
    px_per_mm: float
    support: float
    way: Way = Way.AS_SEEN


@sketched
def read_front(
    sketch: Sketch, prepared: Prepared, fit: CameraFit, shot: Shot, way: Way = Way.AS_SEEN, ruled: Ruled | None = None
) -> FrontTrace:
    """Find the bow and both its edges from tip to tip.

    Parameters
    ----------
    sketch : shows what was followed, should it be refused.
    prepared, fit, shot : the picture, its camera, and what was typed and clicked.
    way : how the picture is read.
    ruled : the board's lines that run along the bow.

    Raises
    ------
    NeedsHelp
        Where no bow is found for certain, it runs out of the picture, or too little of its edges shows.
    """
    light, maps = prepared.light, prepared.maps
    bare = prepared if ruled is None else _without_lines(prepared, ruled)
    path = _coarse(prepared, fit, shot, way)
    sketch.path(path)
    rows, columns = np.clip(np.round(maps.to_map(path)).astype(int)[:, ::-1], 0, np.array(maps.limb.shape) - 1).T
    support = float(np.mean(maps.limb[rows, columns]))
    middle = path[len(path) // 2]
    square = fit.camera.to_plane(np.array([middle - 5, middle + 5]), shot.standoff_mm)  # ten pixels each way
    px_per_mm = float(10 * np.sqrt(2) / np.linalg.norm(square[1] - square[0]))
    cut = partial(_by_colour, bare) if way is Way.BY_COLOUR else partial(_by_network, bare)
    strip, band = _straighten(cut, path, strip_step(px_per_mm, BROAD_MM * LIMB_STEPS / BROAD_ROWS))
    ends, tip_u_mm = _tips(bare.light, cut, strip, band, (fit, shot), px_per_mm)
    _check_ends(light, strip, band, ends, px_per_mm)
    a, b = int(np.ceil(ends[0])), int(ends[1])
    cols = np.arange(a, b + 1, EVERY)
    rows = band.upper_row, band.lower_row
    _check_steady(band, cols)
    place = partial(place_edge, light, strip, ruled=ruled)
    edges = [_edge(place, strip, cols, of, way, px_per_mm) for of, way in ((rows, -1), (rows[::-1], 1))]
    sides = [strip.px(cols.astype(float), row) for row, _ in edges]
    up = strip.px(np.array(ends[0]), np.array(MIDDLE_ROW)) - strip.px(np.array(ends[1]), np.array(MIDDLE_ROW))
    right = np.array([-up[1], up[0]])
    first_is_right = float(strip.normal[(a + b) // 2] @ right) < 0  # rows grow along the normal
    if not first_is_right:
        sides, edges = sides[::-1], edges[::-1]
    right_px, left_px = sides
    both = np.isfinite(right_px[:, 0]) & np.isfinite(left_px[:, 0])
    sketch.edges(strip.path[cols], right_px, left_px, {"handle": (len(cols) // 2, len(cols) // 2)})
    gap = float(np.max(np.diff(np.r_[-1, np.nonzero(both)[0], len(cols)]))) / len(cols)
    if both.mean() < LEAST_SEEN or gap > MOST_GAP:
        raise NeedsHelp(
            f"Both edges of the bow could only be followed over {100 * both.mean():.0f} % of its length.",
            "Take it again in even light before a plain ground that differs from the wood.",
            clicks=CLICKS,
            fault="unseen",
        )
    tips = np.array([strip.px(np.array(at), np.array(MIDDLE_ROW)) for at in ends])
    sides_u = edges[0][1], edges[1][1]
    return FrontTrace(strip.path[cols], right_px, left_px, *sides_u, tips, tip_u_mm, px_per_mm, support, way)


def _without_lines(prepared: Prepared, ruled: Ruled) -> Prepared:
    rgb = without_lines(prepared.photo.rgb, ruled)
    return replace(prepared, photo=replace(prepared.photo, rgb=rgb), light=linear_light(rgb))


def _check_steady(band: Band, cols: NDArray[np.intp]) -> None:
    """Raise ``NeedsHelp`` where both edges jump to one side: from the limb to its shadow, or to a plank."""
    upper, lower = band.upper_row[cols], band.lower_row[cols]
    seen = np.isfinite(upper) & np.isfinite(lower)
    if seen.sum() < 4 * ASTRIDE:
        return
    sides = [ndimage.median_filter(side[seen], ASTRIDE, mode="nearest") for side in (upper, lower)]
    moved = [side[ASTRIDE:] - side[:-ASTRIDE] for side in sides]
    thick = np.minimum((sides[1] - sides[0])[ASTRIDE:], (sides[1] - sides[0])[:-ASTRIDE])
    together = np.where(moved[0] * moved[1] > 0, np.min(np.abs(moved), axis=0), 0.0)
    if np.any(together > ASIDE * thick):
        raise NeedsHelp(
            "Both edges of a limb jump to one side, so something beside it was followed.",
            "Take it again in even light before a plain ground that differs from the wood.",
            clicks=CLICKS,
            fault="unseen",
        )


def _check_ends(light: NDArray[np.uint16], strip: Strip, band: Band, ends: tuple[float, float], px_per_mm: float) -> None:
    """Raise ``NeedsHelp`` for an end that is broader than any bow, or runs on out of the picture."""
    for k, at in enumerate(ends):
        end, before = (strip.px(np.array(c), np.array(MIDDLE_ROW)) for c in (at, at + (BEFORE if k == 0 else -BEFORE)))
        thick = float(np.nanmedian(_near(band, at, k))) * strip.step
        if thick > BROADEST_MM * px_per_mm:
            raise NeedsHelp(
                "The bow's edges can't be told from what is behind it.",
                "Hang it before a plain ground that differs from the wood, and take it again.",
                clicks=CLICKS,
                fault="unseen",
            )
        if cut_at_border(light, end, (end - before) / float(np.linalg.norm(end - before)), thick):
            raise runs_out(k, end)


def _coarse(prepared: Prepared, fit: CameraFit, shot: Shot, way: Way) -> Array:
    """As a side view is found; where the brightest path comes to nothing, by dynamic programming. Between clicked nocks it is
    straight, or turns at a clicked handle: seen from its belly or back a bow hardly bends."""
    if {"nock_upper", "nock_lower"} <= shot.clicks.keys():
        clicked = np.array([shot.clicks[name] for name in CLICKS_ALONG if name in shot.clicks], float)
        far = np.r_[0, np.cumsum(np.linalg.norm(np.diff(clicked, axis=0), axis=1))]
        even = np.linspace(0, far[-1], CLICKED_STATIONS)
        return np.column_stack([np.interp(even, far, clicked[:, k]) for k in (0, 1)])
    if way is not Way.AS_SEEN:
        return straight_path(prepared.maps, fit.camera, shot)
    try:
        return find_bow(prepared.maps, fit, shot).px
    except NeedsHelp as error:
        try:
            return find_bow(prepared.maps, fit, shot, smooth_path=True).px
        except NeedsHelp:
            raise error from None


def _straighten(cut: Cut, coarse: Array, step: float) -> tuple[Strip, Band]:
    path, widest = first_path(coarse), min(WIDEST * step, STEPS_PX[1])
    for turn in range(TURNS):
        strip = cut(path, step)
        band = read_band(strip)
        thick = (band.lower_row - band.upper_row)[band.first : band.last + 1]
        if band.last - band.first < LEAST_BAND * len(strip.path) or np.isfinite(thick).sum() < LEAST_COLUMNS:
            raise not_followed()
        if turn == TURNS - 1:
            break
        cols = np.arange(band.first, band.last + 1, EVERY)
        mid = ((band.upper_row + band.lower_row) / 2)[cols]
        seen = np.isfinite(mid)
        path = next_path(strip, cols[seen].astype(float), mid[seen])
        broader = np.clip(np.nanpercentile(thick, BROAD_PERCENTILE) / BROAD_ROWS, *BROADER)
        step = float(np.clip(step * broader, STEPS_PX[0], widest))
    return strip, band


def _by_network(prepared: Prepared, path: Array, step: float) -> Strip:
    return _whole(without_shadow(prepared.light, cut_strip(prepared.photo.rgb, path, step)))


def _by_colour(prepared: Prepared, path: Array, step: float) -> Strip:
    return _whole(inside_by_colour(prepared.light, cut_strip(prepared.photo.rgb, path, step)))


def _whole(strip: Strip) -> Strip:
    """The strip with the string on the limb's face counted as limb."""
    inside = np.maximum(strip.maps.inside, ndimage.grey_closing(strip.maps.inside, (HOLE_ROWS, 1)))
    return replace(strip, maps=replace(strip.maps, inside=inside, string=np.zeros_like(inside)))


def _near(band: Band, at: float, end: int) -> Array:
    """Rows from edge to edge beside one end."""
    first = int(at) + (NEAR[0] if end == 0 else -NEAR[1])
    thick = (band.lower_row - band.upper_row)[max(0, first) : first + NEAR[1] - NEAR[0]]
    return thick[np.isfinite(thick)] if np.isfinite(thick).any() else np.array([THIN_ROWS])


def _tips(
    light: NDArray[np.uint16], cut: Cut, strip: Strip, band: Band, of: tuple[CameraFit, Shot], px_per_mm: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Columns where the wood ends, and their standard uncertainties, mm: where the network's limb and the wood's own
    colour stop, as a pair that suits the bow's length with the wood that may stand past its nocks."""
    fit, shot = of
    along = _limb_along(light, cut, strip, band, px_per_mm)
    mean, _ = prior(fit, shot, np.zeros((2, len(KNOTS))), 0.0)
    mean[[PAST_UP, PAST_LOW]] = 0.0
    slack = np.hypot(2 * PAST_U_MM, (LENGTH_U if fit.squared else LENGTH_U_UNSQUARED) * shot.nock_to_nock_mm)
    picks = _possible_ends(along, max(3, round(CORD_MM * px_per_mm / strip.step)))
    merits = {}
    for first in picks[0]:
        for last in picks[1]:
            path = strip.path[first[0] : last[0] : max(1, (last[0] - first[0]) // 100)]
            past = float(laid(fit.camera, path, mean, shot)[0][-1]) - shot.nock_to_nock_mm
            off = abs(past - 2 * PAST_MM) / slack
            held = LIMB_WORTH * float(np.mean(along.have[first[0] : last[0]]))
            merits[first, last] = first[1] + last[1] + held - 0.5 * min(off, MOST_OFF) ** 2
    if not merits:
        raise NeedsHelp("Can't see where the bow's tips are.", "Click the two nocks.", clicks=CLICKS[:2], fault="lost")
    pairs = list(merits)
    worth = np.exp(CERTAIN * (np.array([merits[pair] for pair in pairs]) - max(merits.values())))
    best = pairs[int(worth.argmax())]
    at, u = [], []
    for k, inward in ((0, 1), (1, -1)):
        places = np.array([_stop(along.have, pair[k][0], inward) for pair in pairs])
        at.append(_stop(along.have, best[k][0], inward))
        u.append(float(np.sqrt(np.sum(worth * (places - at[k]) ** 2) / worth.sum() + 1.0)) * strip.step / px_per_mm)
    return (at[0], at[1]), (u[0], u[1])


class _Along(NamedTuple):
    """What is seen along a strip (N columns): how much of the limb's width is limb, the colour inside it (N, 3), and how much
    that differs from the ground beside."""

    have: Array
    inner: Array
    contrast: Array


def _limb_along(light: NDArray[np.uint16], cut: Cut, strip: Strip, band: Band, px_per_mm: float) -> _Along:
    n = len(strip.path)
    cols = np.arange(n, dtype=float)
    mid, half = (band.upper_row + band.lower_row) / 2, (band.lower_row - band.upper_row) / 2
    seen = np.isfinite(mid)
    seen &= (cols >= band.first) & (cols <= band.last)
    mid = ndimage.gaussian_filter1d(np.interp(cols, cols[seen], mid[seen]), 3)
    half = np.clip(ndimage.gaussian_filter1d(np.interp(cols, cols[seen], half[seen]), 3), LEAST_HALF_ROWS, None)
    # no tip tapers so fast: what goes on much thinner is the loop it hangs by, the string, or a line behind it
    inward = max(3, round(TAPER_MM * px_per_mm / strip.step))
    inward = min(inward, n // 2)
    further = np.r_[half[inward : inward + n // 2], half[n // 2 - inward : n - inward]]
    half = np.maximum(half, further * THINNER)
    rows = mid[None] + INSIDE[:, None] * half[None]
    inner = np.sqrt(sample(light, strip.px(np.broadcast_to(cols, rows.shape), rows)).mean(0) / FULL)
    beside = [np.sqrt(sample(light, strip.px(cols, mid + way * (BESIDE * half + 2))) / FULL) for way in (-1, 1)]
    contrast = np.minimum(*(np.linalg.norm(inner - o, axis=1) for o in beside))
    contrast = ndimage.median_filter(contrast, CONTRAST_COLUMNS) + LEAST_CONTRAST
    on: Array = ndimage.map_coordinates(strip.maps.inside, [rows, np.broadcast_to(cols, rows.shape)], order=1, mode="nearest")
    have = on.mean(0)
    for outer in (slice(0, round(OUTER * n)), slice(n - round(OUTER * n), n)):
        have[outer] = _looked_at_closer(cut, strip, outer, mid, half)
    return _Along(have, inner, contrast)


def _possible_ends(along: _Along, cord: int) -> list[list[tuple[int, float]]]:
    """Columns where the wood may end, at the upper and at the lower limb, each with what it is worth; ``cord``: columns along
    which what is thin is no limb."""
    n = len(along.have)
    cum_have, cum_in = np.r_[0, np.cumsum(along.have)], np.vstack([np.zeros(3), np.cumsum(along.inner, axis=0)])
    c = np.arange(SPAN, n - SPAN)
    before, after = (cum_have[c] - cum_have[c - SPAN]) / SPAN, (cum_have[c + SPAN] - cum_have[c]) / SPAN
    tone = np.linalg.norm((cum_in[c + SPAN] - cum_in[c]) - (cum_in[c] - cum_in[c - SPAN]), axis=1) / SPAN
    least, middle, out = ndimage.uniform_filter1d(along.have, cord), n // 2, []
    sides = ((after - before, SPAN, c < END_SHARES[0] * n), (before - after, -SPAN, c > END_SHARES[1] * n))
    for fall, inward, part in sides:
        worth = fall + STEP_WORTH * np.clip(tone / along.contrast[c + inward], 0, 1)
        good = np.nonzero((worth >= ndimage.maximum_filter1d(worth, PEAK_COLUMNS)) & (worth > LEAST_WORTH) & part)[0]
        thin = [max(0.0, WHOLE - float(least[min(c[k], middle) : max(c[k], middle)].min())) for k in good]
        out.append([(int(c[k]), float(worth[k]) - THIN_COSTS * t) for k, t in zip(good, thin, strict=True)])
    return out


def _looked_at_closer(cut: Cut, strip: Strip, outer: slice, mid: Array, half: Array) -> Array:
    """How much of a tip's width is limb along its columns, in a strip of steps that suit a tip: in the limbs' own a cord looks
    like one."""
    step = strip.step * float(np.clip(2 * np.median(half[outer]) / TIP_ROWS, FINEST, 1.0))
    path = strip.px(np.arange(outer.start, outer.stop, dtype=float), mid[outer])
    near = cut(path, step)
    k = np.arange(outer.stop - outer.start) * strip.step / step
    rows = MIDDLE_ROW + TIP_INSIDE[:, None] * half[None, outer] * strip.step / step
    return np.asarray(
        ndimage.map_coordinates(near.maps.inside, [rows, np.broadcast_to(k, rows.shape)], order=1, mode="nearest").mean(0)
    )


def _stop(have: Array, column: int, inward: int) -> float:
    """The column, near a possible end, where what is limb has fallen to half of what it is before."""
    level = ndimage.gaussian_filter1d(have, STOP_SIGMA)
    before = float(np.median(level[np.clip(column + inward * np.arange(4, SPAN), 0, len(level) - 1)]))
    beyond = float(np.median(level[np.clip(column - inward * np.arange(4, SPAN), 0, len(level) - 1)]))
    run = np.clip(column + inward * np.arange(-SPAN // 2, SPAN // 2 + 1), 0, len(level) - 1)
    over = level[run] > (before + beyond) / 2
    return float(run[int(over.argmax())]) - inward * 0.5 if over.any() and before > beyond else column - 0.5


def _edge(
    place: Callable[..., tuple[Array, Array, Array, Array]],
    strip: Strip,
    cols: NDArray[np.intp],
    rows: tuple[Array, Array],
    outward: int,
    px_per_mm: float,
) -> tuple[Array, Array]:
    """One edge's rows at ``cols``, NaN where it is lost, and how far it may lie from there (px). Twice, the second time from what
    was found first. ``rows``: where the network has it and the limb's other edge."""
    base, other = (
        ndimage.gaussian_filter1d(ndimage.median_filter(np.interp(cols, cols[seen], row[cols][seen]), BASE[0]), BASE[1])
        for row, seen in ((row, np.isfinite(row[cols])) for row in rows)
    )
    for _ in (0, 1):
        at, found, u, rim_u = place(cols.astype(float), (base, other), outward, px_per_mm)
        run = ndimage.gaussian_filter1d(ndimage.median_filter(found, RUN[0], mode="nearest"), RUN[1], mode="nearest")
        scatter = mad_u(found - run, 0.0) * strip.step
        good = (np.abs(found - run) * strip.step < max(STRAY_PX, 4 * scatter)) & (u < LOST_PX)
        if good.sum() < LEAST_WINDOWS:
            return np.full(len(cols), np.nan), np.full(len(cols), np.nan)
        base = np.interp(cols, at[good], run[good])
    out = np.interp(cols, at[good], found[good])
    out[np.interp(cols, at, (~good).astype(float)) > 0.5] = np.nan
    return out, np.interp(cols, at, np.hypot(u, rim_u))
