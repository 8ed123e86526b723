"""Another reading of a front view, where the networks come to nothing: seen so, a bow lies nearly straight, and its colour tells
it from the ground.

The networks know bows from the side. Planks that run along a bow, or a colour that no wood has, mislead them.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tillerlens.core.errors import NeedsHelp
from tillerlens.core.shot import Shot
from tillerlens.photo.camera import Camera
from tillerlens.photo.light import FULL, sample
from tillerlens.trace.network import STRIP_ACROSS, FinderMaps, StripMaps, find_maps
from tillerlens.trace.path import CLICKS, LEAST_SUPPORT, on_a_rule
from tillerlens.trace.straighten import MIDDLE_ROW, Strip

Array = NDArray[np.float64]

FAINT = 0.02  # of the finder's certainty: from here on a place counts
QUARTERS = (1, 3)  # turns of the picture, when it is looked at once more
LEAST_PLACES = 25  # of the map, that hold a bow
# Map px about the line, within which a place counts, and of what degree the line is, from the first fit to the last.
NEAR_LINE = ((15.0, 1), (8.0, 2), (5.0, 2))
STEEPEST, SLOPES = 0.35, 41  # of a bow, from the way it was said to lie; and how many are tried
CAPPED = 0.3  # of the finder's certainty: one bright place is no line
BESIDE_PX = 10  # map px from a line, what it is held against
LONGER = 0.56  # of the bow's length, from its middle to where the path ends
# Parts of a line that are judged one by one, how many times as much as beside it must be seen on each, and at the least.
PARTS, MORE, LEAST_SEEN = 24, 1.6, 0.004
CORE_ROWS, FAR_ROWS = 2.5, 18.0  # of a strip about its middle: wood for certain; and from there on ground for certain
ABOUT_COLUMNS = 41  # along a strip, that wood's and ground's colours are taken from
# Of the logarithm of light: by grain and noise; and by which a shadow darkens its ground.
LEAST_TONE_U, DARKER_U = 0.06, 0.4
SHADED_U = 0.3  # and of wood where it rounds off, or beside its string
BLACK = 1e-3  # of full light
# Of the logarithm of light, by which a hard shadow is darker than the limb beside it; of what passes for limb by its light, where
# limb and not shadow is looked for.
SHADOW, LIT_SHARE = 1.5, 0.75
CLEAR = 0.8  # of a column's middle that must be wood, for the column to show the bow
STRAY = 12.0  # squared, in standard uncertainties: what is unlike both is neither


def turned_looks(rgb: NDArray[np.uint8], maps: FinderMaps) -> FinderMaps:
    """The finder's maps of a picture as it stands (``maps``) and turned by a quarter either way, each place as it is seen best.
    The finder knows bows best that lie level."""
    looks = [maps, *(find_maps(rgb, turns) for turns in QUARTERS)]
    limb, string, shadow = (np.max([getattr(m, kind) for m in looks], axis=0) for kind in ("limb", "string", "shadow"))
    return FinderMaps(limb, string, shadow, maps.k)


def straight_path(maps: FinderMaps, camera: Camera, shot: Shot) -> Array:
    """The best nearly straight run (N, 2) px of what the finder sees, as long as the bow and a little more, upper end first; a
    tape or stick for scale is none.

    However faint: it must stand out from what is beside it, most of the way.

    Raises
    ------
    NeedsHelp
        Where none does.
    """
    weight = np.clip(maps.limb.astype(float) - FAINT, 0, None)
    xy = np.argwhere(weight)[:, ::-1]
    if len(xy) < LEAST_PLACES:
        raise _not_seen()
    rule = xy[on_a_rule(maps.to_full(xy.astype(float)), camera, shot)]
    weight[rule[:, 1], rule[:, 0]] = 0.0
    level = shot.upper_limb in ("left", "right")
    length = _length_on_map(maps, camera, shot)
    seen = np.minimum(weight.T if level else weight, CAPPED)  # the bow along its rows
    slope, place, row = _standing_line(seen, length)
    ys, xs = np.nonzero(seen)
    w, s, t = seen[ys, xs], (ys - row) / length, xs - (place + slope * (ys - row))
    w = w * (np.abs(s) < LONGER)
    bend = np.zeros(3)
    for near, degree in NEAR_LINE:
        on = w * np.exp(-0.5 * ((t - np.polyval(bend, s)) / near) ** 2)
        bend = np.pad(np.polyfit(s, t, degree, w=np.sqrt(on)), (2 - degree, 0))
    at = np.arange(max(0.0, row - LONGER * length), min(seen.shape[0] - 1.0, row + LONGER * length))
    across = place + slope * (at - row) + np.polyval(bend, (at - row) / length)
    inside = np.abs(at - row) < length / 2
    if _stands_out(seen, at[inside], across[inside]) < LEAST_SUPPORT:
        raise _not_seen()
    px = maps.to_full(np.column_stack([at, across] if level else [across, at]))
    return px if shot.upper_limb in ("left", "top") else px[::-1]


def _length_on_map(maps: FinderMaps, camera: Camera, shot: Shot) -> float:
    """How long the bow is on the map, px, about its middle."""
    middle = np.array(camera.size) / 2
    way = np.array([10.0, 0.0] if shot.upper_limb in ("left", "right") else [0.0, 10.0])
    two = np.array([middle - way, middle + way])
    mm = float(np.linalg.norm(np.diff(camera.to_plane(two, shot.standoff_mm), axis=0)))
    return float(shot.nock_to_nock_mm * np.linalg.norm(np.diff(maps.to_map(two), axis=0)) / mm)


def _standing_line(seen: Array, length: float) -> tuple[float, float, float]:
    """Slope, place and row of the middle of the straight line, so long and nearly along the rows, that stands out most."""
    h, w = seen.shape
    smooth = np.asarray(ndimage.gaussian_filter(seen, 1.0), np.float32)
    best = (-np.inf, 0.0, 0.0, 0.0)
    for slope in np.linspace(-STEEPEST, STEEPEST, SLOPES):
        upright = cv2.warpAffine(smooth, np.array([[1, -slope, slope * h / 2], [0, 1, 0]], np.float32), (w, h))
        mean = ndimage.uniform_filter1d(upright, max(3, round(min(length, h))), axis=0, mode="constant")
        out = mean - np.maximum(np.roll(mean, BESIDE_PX, 1), np.roll(mean, -BESIDE_PX, 1))
        row, column = (int(v) for v in np.unravel_index(int(out.argmax()), out.shape))
        if out[row, column] > best[0]:
            best = (float(out[row, column]), float(slope), column + slope * (row - h / 2), float(row))
    return best[1:]


def _stands_out(seen: Array, rows: Array, places: Array) -> float:
    """Along which share of a line what is seen on it is more than beside it."""
    off = np.arange(-BESIDE_PX - 2, BESIDE_PX + 3)
    grid = [np.broadcast_to(rows[:, None], (len(rows), len(off))), places[:, None] + off]
    across = ndimage.map_coordinates(seen, grid, order=1)
    parts = np.array([part.mean(0) for part in np.array_split(across, PARTS)])
    on = parts[:, np.abs(off) <= 2].max(1)
    beside = np.maximum(*(parts[:, way * off >= BESIDE_PX - 2].mean(1) for way in (-1, 1)))
    return float(np.mean(on > MORE * beside + LEAST_SEEN))


def _not_seen() -> NeedsHelp:
    return NeedsHelp("No bow was found in the picture.", "Click the two nocks.", clicks=CLICKS[:2], fault="lost")


def without_shadow(light: NDArray[np.uint16], strip: Strip) -> Strip:
    """The strip without what a hard shadow beside the limb adds to it: far darker than most of what passes for limb."""
    tone = _tones(light, strip).mean(2)
    order = np.sort(np.where(strip.maps.inside > 0.5, tone, np.inf), axis=0)
    count = np.isfinite(order).sum(0)
    lit = np.take_along_axis(order, np.maximum(np.floor(LIT_SHARE * count).astype(int)[None] - 1, 0), axis=0)[0]
    if not count.any():
        return strip
    columns = np.arange(len(lit), dtype=float)
    lit = np.interp(columns, columns[count > 0], lit[count > 0])
    lit = ndimage.median_filter(lit, ABOUT_COLUMNS, mode="nearest")
    inside = np.where(tone < lit - SHADOW, 0.0, strip.maps.inside).astype(np.float32)
    return replace(strip, maps=replace(strip.maps, inside=inside))


def _tones(light: NDArray[np.uint16], strip: Strip) -> Array:
    """Logarithms of light (R, n, 3) over a strip."""
    n = len(strip.path)
    columns, rows = np.arange(n, dtype=float), np.arange(STRIP_ACROSS, dtype=float)
    grid = np.broadcast_to(columns, (STRIP_ACROSS, n)), np.broadcast_to(rows[:, None], (STRIP_ACROSS, n))
    fine = [(a, b) for a in (-0.3, 0.3) for b in (-0.3, 0.3)]
    seen = np.mean([sample(light, strip.px(grid[0] + a, grid[1] + b)) for a, b in fine], axis=0) / FULL
    return np.asarray(np.log(np.maximum(seen, BLACK)), float)


def inside_by_colour(light: NDArray[np.uint16], strip: Strip) -> Strip:
    """The strip with its limb as the colours tell: like that along its middle, or like the ground at its own side."""
    tone = _tones(light, strip)
    off = np.arange(STRIP_ACROSS, dtype=float) - MIDDLE_ROW
    wood = _misfit(tone, np.abs(off) <= CORE_ROWS, SHADED_U)
    ground = np.minimum(*(_misfit(tone, way * off >= FAR_ROWS, DARKER_U) for way in (-1, 1)))
    apart = np.where(np.minimum(wood, ground) > STRAY, -1.0, (ground - wood) / 2)
    share = ndimage.median_filter(1 / (1 + np.exp(-np.clip(apart, -9, 9))), (3, 5))
    wooden = np.median(share[np.abs(off) <= CORE_ROWS], axis=0) > CLEAR  # past a tip its middle is as the ground
    inside = np.asarray(share * wooden, np.float32)
    nothing = np.zeros_like(inside)
    return Strip(strip.path, strip.normal, strip.step, StripMaps(inside, nothing, nothing))


def _misfit(tone: Array, of: NDArray[np.bool_], darker_u: float) -> Array:
    """-2 ln of how likely each place's tone (R, n, 3) is by those of the rows ``of``, near it along the strip."""
    own = tone[of]
    middle = ndimage.median_filter(np.median(own, axis=0), (ABOUT_COLUMNS, 1), mode="nearest")
    away = np.clip(own - middle, -1.0, 1.0)
    spread = ndimage.uniform_filter1d(np.einsum("rni,rnj->nij", away, away) / len(own), ABOUT_COLUMNS, axis=0, mode="nearest")
    spread = spread + LEAST_TONE_U**2 * np.eye(3)
    off = tone - middle
    dark = off.mean(2) < 0
    out = np.empty(tone.shape[:2])
    for shaded in (False, True):
        cov = spread + (darker_u**2 if shaded else 0.0)  # light that all three colours lose alike
        cost = np.einsum("rni,nij,rnj->rn", off, np.linalg.inv(cov), off) + np.linalg.slogdet(cov)[1]
        out[dark == shaded] = cost[dark == shaded]
    return out
