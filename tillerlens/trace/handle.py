"""Where the handle's centre is seen: in the middle of the grip's swell, or of its wrap.

A bow's limbs need not be equally long, so the middle of the bow does not give the handle's. The grip does: its belly swells
alike out of both limbs, and a wrap ends alike at both sides.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tillerlens.core.robust import mad_u
from tillerlens.core.shot import Shot
from tillerlens.photo.light import FULL, sample
from tillerlens.trace.trace import Trace

Array = NDArray[np.float64]

# Standard uncertainty between the visible middle and what its maker calls the handle's centre (common practice, no source): fades
# are cut by eye and rasp, a wrap goes where the hand goes.
SWELL_U_MM, WRAP_U_MM = 2.0, 4.0
REACH = 1.3  # of the handle's length: how far from the bow's middle its grip is looked for
ANYWHERE = 0.25  # of the bow's length: how far from its middle a wrap is looked for that tells an oblique view
LEAST_SWELL = 0.25  # of the limb's thickness beside it: less is no grip
LEVELS = np.linspace(0.25, 0.75, 11)  # of the swell, where its two fades are held against each other
LEAST_LEVELS = 6
MOST_ASKEW = 0.12  # of the handle's length, that the fades' middles may wander over the levels
SMOOTH_STATIONS = 5
REACH_AGAIN, SETTLED_PX = 0.8, 0.3  # likewise in the next rounds, about the middle found; of it, between two rounds
SWELL_LONG = (0.3, 1.4)  # of the handle's length
BESIDE = (0.6, 1.2)  # of it: from the middle out, where the limb beside the fade is
COLOUR_AT = np.array([0.3, 0.4, 0.5, 0.6, 0.7])  # of the thickness, from belly to back: where the limb's colour is looked at
LEAST_LIKE = 0.8  # of two steps of colour, that one goes into the wrap and the other out of it: cosine of the angle between
WRAP_LONG = (0.25, 1.1)  # of the handle's length
LEAST_CONTRAST = 4.0  # of a wrap's end, against how the colour varies beside it
STEP_STATIONS = 5  # at either side of a wrap's end
LEAST_BESIDE, WIDEST_GAP = 4, 8.5  # stations: of a limb beside the fade; of an edge lost across a level
MOST_LOST = 0.5  # of the handle's stations, that may lack an edge
SAME_COLOUR = 0.1  # of full brightness, its square root: about the path as between the edges
LEAST_SEEN = 0.9  # of the stations about the handle, for a wrap
OF_ONE_COLOUR = 0.85  # of a wrap's stations, and of those beside it


@dataclass(frozen=True)
class Grip:
    """``px`` (x, y) of the handle's centre on the limb's path and its standard uncertainty along the bow; ``maker_u_mm`` of it:
    what no look at the grip tells, of what its maker calls the centre."""

    px: tuple[float, float]
    u_px: float
    maker_u_mm: float
    by: str  # "swell" or "wrap"


def see_grip(light: NDArray[np.uint16], trace: Trace, shot: Shot, squared: bool) -> Grip | None:
    """The handle's centre as the picture shows it; None where neither a swell nor a wrap is seen clearly.

    Parameters
    ----------
    light : linear light of the whole picture.
    trace : the silhouettes, from the upper tip to the lower.
    shot : for the handle's length, by which it is known what to look for.
    squared : whether marks tell from where the picture was taken; else the handle's place does, and must be seen the better.
    """
    s = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(trace.path_px, axis=0), axis=1))]
    handle_px = shot.handle_mm * trace.px_per_mm
    found = _swell(s, _thickness(trace, s), handle_px)
    by, floor = "swell", SWELL_U_MM
    if found is None:
        found = _wrap(s, _colours(light, trace), handle_px)
        if found is None and squared:
            found = _wrap(s, _colours_on_path(light, trace), handle_px)
        by, floor = "wrap", WRAP_U_MM
    if found is None:
        return None
    at, u = found
    px = [float(np.interp(at, s, trace.path_px[:, k])) for k in (0, 1)]
    return Grip((px[0], px[1]), float(np.hypot(u, floor * trace.px_per_mm)), floor, by)


def grip_station(light: NDArray[np.uint16], trace: Trace, shot: Shot) -> int | None:
    """The station at the middle of the grip, wherever its swell or its wrap shows; None where neither does. Seen from beside one
    end it lies far off the bow's middle."""
    if trace.grip_column is not None:
        return trace.grip_column
    s = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(trace.path_px, axis=0), axis=1))]
    handle_px = shot.handle_mm * trace.px_per_mm
    found = _wrap(s, _colours(light, trace), handle_px, ANYWHERE * float(s[-1]) / handle_px)
    return None if found is None else int(np.argmin(np.abs(s - found[0])))


def _thickness(trace: Trace, s: Array) -> Array:
    t = np.linalg.norm(trace.back_px - trace.belly_px, axis=1)
    ok = np.isfinite(t)
    if ok.sum() < LEAST_LEVELS:
        return np.full(len(s), np.nan)
    t = ndimage.median_filter(np.interp(s, s[ok], t[ok]), SMOOTH_STATIONS, mode="nearest")
    return np.where(ndimage.minimum_filter1d(ok.astype(np.int8), 1) > 0, t, np.nan)


def _swell(s: Array, t: Array, handle_px: float) -> tuple[float, float] | None:
    """Middle of the swell along the bow and how far its levels' middles scatter, px."""
    at, found = (s[0] + s[-1]) / 2, None
    for turn in range(4):
        reach = REACH if turn == 0 else REACH_AGAIN
        sides = [_excess(sign * (s - at), t, handle_px, reach) for sign in (-1, 1)]
        # the grip's own depth may be hidden by a cradle, but the fades are seen: both are asked at the same depths
        deep = min(float(np.max(swell, initial=0.0)) for _, swell, _ in sides)
        if deep <= LEAST_SWELL * min(base for *_, base in sides):
            return found
        (lower, lost_below), (upper, lost_above) = (_crossings(out, swell, LEVELS * deep) for out, swell, _ in sides)
        middles = (upper - lower) / 2
        ok = np.isfinite(middles)
        if ok.sum() < LEAST_LEVELS or not SWELL_LONG[0] < float(np.median((lower + upper)[ok])) / handle_px < SWELL_LONG[1]:
            return found
        shift = float(np.median(middles[ok]))
        scatter = mad_u(middles[ok], shift)
        if scatter > MOST_ASKEW * handle_px:
            return None
        at += shift
        # where a fade was not followed all the way its place is anywhere in what was lost
        lost = float(np.median(np.hypot(lost_below, lost_above)[ok])) / 2 / np.sqrt(12)
        found = (at, float(np.hypot(scatter, lost)))
        if turn and abs(shift) < SETTLED_PX:
            break
    return found


def _excess(out: Array, t: Array, handle_px: float, reach: float) -> tuple[Array, Array, float]:
    """On one side of the middle, from the limb inward: how far out, how much thicker than the limb beside the fade, and that."""
    seen = np.isfinite(t) & (out > 0)
    beside = seen & (out > BESIDE[0] * handle_px) & (out < BESIDE[1] * handle_px)
    if beside.sum() < LEAST_BESIDE:
        return np.zeros(0), np.zeros(0), 0.0
    keep = np.nonzero(seen & (out < reach * handle_px))[0]
    keep = keep[np.argsort(-out[keep])]
    base = float(np.median(t[beside]))
    return out[keep], t[keep] - base, base


def _crossings(out: Array, swell: Array, levels: Array) -> tuple[Array, Array]:
    """How far out from the middle the thickness rises above each level for good, coming from the limb, NaN where unseen; and how
    much of the limb was lost just there."""
    places, lost = np.full(len(levels), np.nan), np.zeros(len(levels))
    station = float(np.median(-np.diff(out)))
    apart = WIDEST_GAP * station
    for k, level in enumerate(levels):
        above = swell > level
        # the first of a run: a knot or a speck of shadow on the limb is no fade
        run = np.nonzero(above[:-2] & above[1:-1] & above[2:])[0]
        if len(run) and run[0] > 0 and out[run[0] - 1] - out[run[0]] < apart:
            i = int(run[0])
            places[k] = out[i] + (swell[i] - level) / max(swell[i] - swell[i - 1], 1e-9) * (out[i - 1] - out[i])
            lost[k] = max(out[i - 1] - out[i] - station, 0.0)
    return places, lost


def _colours(light: NDArray[np.uint16], trace: Trace) -> Array:
    """Mean colour (N, 3), near to equal steps of noise, of the limb between its silhouettes; NaN where not seen."""
    share = COLOUR_AT[:, None, None]
    px = trace.back_px[None] * (1 - share) + trace.belly_px[None] * share
    seen = np.isfinite(px).all(axis=(0, 2))
    out = np.full((len(px[0]), 3), np.nan)
    out[seen] = np.sqrt(sample(light, px[:, seen]).mean(0) / FULL)
    return out


def _colours_on_path(light: NDArray[np.uint16], trace: Trace) -> Array:
    """As ``_colours`` but about the path, which runs on where an edge of the handle was lost on a cradle or on the ground; beside
    the handle only where the path keeps to the limb. Nothing where more of the handle is lost than seen: that may be a clamp
    before it."""
    between = _colours(light, trace)
    a, b = trace.zones["handle"]
    if np.isnan(between[a:b, 0]).mean() > MOST_LOST:
        return between
    along = np.gradient(trace.path_px, axis=0)
    across = np.column_stack([-along[:, 1], along[:, 0]]) / np.linalg.norm(along, axis=1, keepdims=True)
    thick = float(np.nanmedian(np.linalg.norm(trace.back_px - trace.belly_px, axis=1)))
    off = (COLOUR_AT - COLOUR_AT.mean())[:, None, None] * thick
    out = np.sqrt(sample(light, trace.path_px[None] + off * across[None]).mean(0) / FULL)
    on_limb = np.linalg.norm(out - between, axis=1) < SAME_COLOUR
    on_limb[a:b] = True
    return np.where(on_limb[:, None], out, np.nan)


def _wrap(s: Array, colour: Array, handle_px: float, reach: float = REACH) -> tuple[float, float] | None:
    """Middle of a wrap along the bow, by two like steps of colour, and what their places are known to, px. ``reach``: of the
    handle's length, about the bow's middle."""
    middle = (s[0] + s[-1]) / 2
    about = np.abs(s - middle) < reach * handle_px
    near = np.nonzero(about & np.isfinite(colour[:, 0]))[0]
    if len(near) < max(6 * STEP_STATIONS, LEAST_SEEN * about.sum()):
        return None  # a grip whose edges were not followed, or one behind its cradle
    n = STEP_STATIONS
    if np.max(np.diff(near), initial=1) > 2 * n:
        return None  # one of its ends may lie where nothing was followed
    x, c = s[near], colour[near]
    cum = np.vstack([np.zeros(3), np.cumsum(c, axis=0)])
    k = np.arange(n, len(c) - n)
    step = (cum[k + n] - cum[k]) / n - (cum[k] - cum[k - n]) / n
    size = np.linalg.norm(step, axis=1)
    usual = mad_u(size) + float(np.median(size))
    peak = np.nonzero((size >= ndimage.maximum_filter1d(size, 2 * n - 1)) & (size > LEAST_CONTRAST * usual))[0]
    best, found = 0.0, None
    for i in peak:
        for j in peak:
            long = (x[k[j]] - x[k[i]]) / handle_px
            if not WRAP_LONG[0] < long < WRAP_LONG[1]:
                continue
            # into the wrap and out of it again: like steps, the other way round
            alike = -float(step[i] @ step[j]) / (size[i] * size[j])
            worth = min(size[i], size[j])
            even = min(size[i], size[j]) > 0.5 * max(size[i], size[j])
            if alike > LEAST_LIKE and even and worth > best and _two_colours(x, c, x[k[i]], x[k[j]]):
                best = worth
                found = ((x[k[i]] + x[k[j]]) / 2 - 0.5 * float(np.median(np.diff(x))), 0.5 * float(np.median(np.diff(x))))
    return found


def _two_colours(x: Array, colour: Array, a: float, b: float) -> bool:
    """Whether what lies between two places is of one colour and what lies beside them of another: a knot or a cradle is not."""
    inside = (x > a) & (x < b)
    beside = ~inside & (x > a - (b - a)) & (x < b + (b - a))
    if min(inside.sum(), (beside & (x < a)).sum(), (beside & (x > b)).sum()) < 2 * STEP_STATIONS:
        return False
    own, other = np.median(colour[inside], axis=0), np.median(colour[beside], axis=0)
    nearer = np.linalg.norm(colour - own, axis=1) < np.linalg.norm(colour - other, axis=1)
    return bool(min(nearer[inside].mean(), 1 - nearer[beside].mean()) > OF_ONE_COLOUR)
