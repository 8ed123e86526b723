"""The limb straightened: the picture sampled along a path, rows across it and columns along it.

Strip frame: row 32 - 0.5 is the path; rows grow to the path's right-hand side (for a path running right in the picture:
downward). Column 0 is the path's first point. One step is the same length, ``step`` px, both ways.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tillerlens.core.errors import NeedsHelp
from tillerlens.photo.light import MOST_ROWS
from tillerlens.trace.network import STRIP_ACROSS, StripMaps, silhouette_maps
from tillerlens.trace.path import CLICKS, resample, smooth_path
from tillerlens.trace.path_fallback import smooth_paths

Array = NDArray[np.float64]
MIDDLE_ROW = (STRIP_ACROSS - 1) / 2
SMOOTHING_TURNS, SMOOTHING_STEEPEST = 3, 12  # strips cut for it; rows in a stride
# A path carried on: points (px apart) of its last stretch that are looked at (share of it, least, most); weight of the very last.
POINT_PX, LAST_STRETCH, LAST_POINTS, LAST_WEIGHT = 2.0, 0.18, (8, 120), 0.6
# A limb followed from column to column: by how much its middle follows the run found, and falls back to the path where none is;
# columns between two stretches that are bridged.
FOLLOWS, FALLS_BACK, BRIDGED = 0.3, 0.02, 41
MOST_ASIDE, THICKER = 10, 0.05  # rows from there to a run; worth of each row that a run is thicker
SAME_BACK = 1.5  # coarser steps, within which the other edge must stay
PATH_MEDIAN, PATH_WINDOW, PATH_SIGMA = 9, 61, 10  # columns, by which a path is smoothed; and steps
MIDDLE_SIGMA, SLENDER_COLUMNS = 12.0, 5  # columns: of a middle along what is slender; that are taken together
HALF_LIMBS = (5, 7, 9, 11)  # steps: half a limb's thickness, from thin to broad
FINEST_PX = 1.25  # a strip of coarser steps is averaged from finer ones
GRIP_SHARE = 0.2  # of the stretch looked at, to either side of its middle, that may be grip: the rest is the limbs'
MIDDLE_SHARE = (0.35, 0.65)  # of a bow, where its handle's middle may lie
COARSER, LEAST_GRIP = (1.6, 2.2), 24  # than the limb's steps; columns
STEPS_PX = 0.4, 8.0  # of a strip, finest and coarsest
CARRIED_ON = 60  # steps at either end, from one strip to the next
LEAST_ROWS, MOST_ROWS_THICK = 8.0, 22.0  # a limb thicker or thinner than that is looked at in other steps
LIMB_STEPS = 14.0  # how many steps the limb should be thick: the middle of what the network was trained on


@dataclass(frozen=True, eq=False)
class Strip:
    """``path`` (N, 2) px, ``normal`` (N, 2) to the right-hand side, ``step`` px; ``maps`` from the network."""

    path: Array
    normal: Array
    step: float
    maps: StripMaps

    def px(self, column: Array, row: Array) -> Array:
        """Strip places, columns and rows of shapes that go together, to picture pixels, (..., 2)."""
        i = np.arange(len(self.path))
        base = np.stack([np.interp(column, i, self.path[:, k]) for k in (0, 1)], -1)
        n = np.stack([np.interp(column, i, self.normal[:, k]) for k in (0, 1)], -1)
        return np.asarray(base + (row - MIDDLE_ROW)[..., None] * self.step * n)


def normals(path: Array) -> Array:
    """Unit normals (N, 2) to the right-hand side of a path in the pixel frame."""
    t = np.gradient(path, axis=0)
    t /= np.linalg.norm(t, axis=1, keepdims=True)
    return np.column_stack([-t[:, 1], t[:, 0]])


def extend(path: Array, by: float) -> Array:
    """The path extrapolated at both ends for ``by`` px, along an arc."""
    p = resample(path, POINT_PX)
    out = []
    for q in (p[::-1], p):  # each run ends at the end to be carried on
        m = int(np.clip(LAST_STRETCH * len(q), *LAST_POINTS))
        tail = q[-m:]
        s = POINT_PX * np.arange(m)
        d = np.diff(tail, axis=0)
        heading = np.unwrap(np.arctan2(d[:, 1], d[:, 0]))
        # the last few points of a coarse path are the least sure
        bend, angle = np.polyfit(s[:-1] + POINT_PX / 2 - s[-1], heading, 1, w=np.linspace(1.0, LAST_WEIGHT, m - 1))
        t = np.arange(POINT_PX, by + POINT_PX, POINT_PX)
        a = angle + bend * t
        out.append(tail[-1] + np.cumsum(POINT_PX * np.column_stack([np.cos(a), np.sin(a)]), axis=0))
    return np.vstack([out[0][::-1], p, out[1]])


def cut_strip(rgb: NDArray[np.uint8], path: Array, step: float) -> Strip:
    """Sample the strip along ``path`` and run the network on it. Raises ``NeedsHelp`` for a path far longer than a bow."""
    fine = max(1, round(step / FINEST_PX))  # sampled finer and averaged, against noise and moire
    p = resample(path, step / fine)
    if len(p) > MOST_ROWS:
        raise NeedsHelp(
            "What was followed is far longer than a bow.",
            "Click the two nocks and the middle of the handle.",
            clicks=CLICKS,
            fault="lost",
        )
    p = p[: len(p) // fine * fine]
    n = normals(p)
    rows = (np.arange(STRIP_ACROSS * fine) - (STRIP_ACROSS * fine - 1) / 2) * step / fine
    xy = (p[None] + rows[:, None, None] * n[None]).astype(np.float32)
    picture = cv2.remap(rgb, xy[..., 0], xy[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    if fine > 1:
        p = p.reshape(-1, fine, 2).mean(1)
        n = normals(p)
        picture = cv2.resize(picture, (len(p), STRIP_ACROSS), interpolation=cv2.INTER_AREA)
    return Strip(p, n, step, silhouette_maps(np.asarray(picture, np.uint8)))


@dataclass(frozen=True, eq=False)
class Band:
    """The limb in a strip: per column the rows of its two sides (left-hand side first), NaN where not seen.

    ``first``, ``last``: the columns where the limb begins and ends.
    """

    upper_row: Array
    lower_row: Array
    first: int
    last: int


def read_band(strip: Strip, handle: float = 0.0) -> Band:
    """Follow the inside map along the strip: in each column the run nearest to where the limb was in the last one.

    ``handle``: columns at the bow's middle that may not show: a deep grip, a wrap, a hand or a cradle.
    """
    inside = np.where(strip.maps.string > strip.maps.inside, 0, strip.maps.inside)  # the string goes on where the limb ends
    n = inside.shape[1]
    top, bottom = np.full(n, np.nan), np.full(n, np.nan)
    runs = _runs(inside)
    for order in (range(n // 2, n), range(n // 2 - 1, -1, -1)):
        centre = MIDDLE_ROW
        for c in order:
            run = _nearest(runs[c], centre)
            if run is None:
                centre += FALLS_BACK * (MIDDLE_ROW - centre)
                continue
            top[c], bottom[c] = run
            centre = (1 - FOLLOWS) * centre + FOLLOWS * (run[0] + run[1]) / 2
    seen = ~np.isnan(top)
    # the limb is the longest stretch, short gaps bridged
    bridged = ndimage.binary_closing(np.pad(seen, BRIDGED), np.ones(BRIDGED))[BRIDGED:-BRIDGED] | seen
    labels, k = ndimage.label(bridged)
    if k == 0:
        return Band(top, bottom, 0, -1)
    stretches = [np.nonzero((labels == j) & seen)[0] for j in range(1, k + 1)]
    longest = max(stretches, key=len)
    first, last = int(longest[0]), int(longest[-1])
    for other in stretches:  # the other limb, where the handle between the two does not show
        a, b = min(first, int(other[0])), max(last, int(other[-1]))
        hidden = (other[-1], longest[0]) if other[0] < longest[0] else (longest[-1], other[0])
        middle = (hidden[0] + hidden[1]) / 2
        if 0 < hidden[1] - hidden[0] <= handle and MIDDLE_SHARE[0] < (middle - a) / (b - a) < MIDDLE_SHARE[1]:
            first, last = min(first, a), max(last, b)
    return Band(top, bottom, first, last)


def with_grip(rgb: NDArray[np.uint8], strip: Strip, band: Band, belly: int, first: int, last: int) -> Band:
    """The band with a deep grip's belly.

    It is looked for in coarser strips: they show a grip whole of which the limbs' own strip may show no more than the inside.
    The back must stay as it was.

    Parameters
    ----------
    rgb, strip, band : the picture, along the bow, and the limb in it.
    belly : side of the band, 0 or 1.
    first, last : columns between which it is looked for.
    """
    first, last = max(first, 0), min(last, len(strip.path) - 1)
    if last - first < LEAST_GRIP:
        return band
    rows = [band.upper_row.copy(), band.lower_row.copy()]
    columns = np.arange(first, last + 1)
    for coarser in COARSER:
        other = cut_strip(rgb, strip.path[first : last + 1], coarser * strip.step)
        seen = read_band(other)
        at = np.interp(columns - first, coarser * (np.arange(len(other.path)) + 0.5) - 0.5, np.arange(len(other.path)))
        at = np.clip(np.round(at).astype(int), 0, len(other.path) - 1)
        wide = [MIDDLE_ROW + coarser * (r[at] - MIDDLE_ROW) for r in (seen.upper_row, seen.lower_row)]
        further = (2 * belly - 1) * (wide[belly] - rows[belly][columns])
        same = np.abs(wide[1 - belly] - rows[1 - belly][columns]) < SAME_BACK * coarser
        move = ndimage.binary_opening((further > coarser) & same, np.ones(LEAST_GRIP // 2))
        # take a grip whole or not at all: cut off by the window it would be centred in the window, not in itself
        runs, _ = ndimage.label(move)
        beyond = np.unique(runs[np.abs(columns - (first + last) / 2) > GRIP_SHARE * (last - first)])
        move &= ~np.isin(runs, beyond)
        rows[belly][columns[move]] = wide[belly][move]
    return Band(rows[0], rows[1], band.first, band.last)


def _runs(inside: NDArray[np.float32]) -> list[list[tuple[float, float]]]:
    """Per column, the sub-row intervals where the map exceeds one half, those of three rows and more."""
    n = inside.shape[1]
    over = np.pad((inside > 0.5).astype(np.int8), ((1, 1), (0, 0)))
    edges = np.diff(over, axis=0).T  # columns first, so that runs come out column by column
    column, first = np.nonzero(edges == 1)
    _, past = np.nonzero(edges == -1)
    last = past - 1
    padded = np.pad(inside, ((1, 1), (0, 0)), mode="edge").astype(float)

    def crossing(row: NDArray[np.intp], to: int) -> Array:
        p, q = padded[row + 1, column], padded[row + 1 + to, column]
        step = np.clip((p - 0.5) / np.maximum(p - q, 1e-6), 0, 1)
        at_border = (row + to < 0) | (row + to >= inside.shape[0])
        return np.asarray(row + to * np.where(at_border, 0.0, step))

    low, high = crossing(first, -1), crossing(last, 1)
    out: list[list[tuple[float, float]]] = [[] for _ in range(n)]
    for c, a, b, long in zip(column.tolist(), low.tolist(), high.tolist(), (last - first >= 2).tolist(), strict=True):
        if long:
            out[c].append((a, b))
    return out


def _nearest(runs: list[tuple[float, float]], centre: float) -> tuple[float, float] | None:
    """The run nearest to ``centre`` (within ``MOST_ASIDE`` rows), the thicker of two alike."""
    best, least = None, np.inf
    for a, b in runs:
        away = max(a - centre, centre - b, 0.0)
        worth = away - THICKER * (b - a)
        if away <= MOST_ASIDE and worth < least:
            best, least = (a, b), worth
    return best


def smooth_rows(y: Array, window: int) -> Array:
    """``y`` (N,) smoothed by a parabola through each odd window (Savitzky and Golay, Anal. Chem. 36, 1964, 1627).

    As scipy.signal.savgol_filter(y, window, 2), whose package takes half a second to import. N >= window >= 3.
    """
    m = window // 2
    i = np.arange(-m, m + 1)
    kernel = 3 * (3 * m * m + 3 * m - 1 - 5 * i**2) / ((2 * m - 1) * (2 * m + 1) * (2 * m + 3))
    out = np.asarray(ndimage.correlate1d(y, kernel, mode="nearest"), float)
    for part, keep in ((slice(0, window), slice(0, m)), (slice(len(y) - window, None), slice(len(y) - m, None))):
        ends = np.polyval(np.polyfit(i, y[part], 2), i)
        out[keep] = ends[:m] if keep.start == 0 else ends[m + 1 :]
    return out


def first_path(coarse: Array, reach: float = 0.06) -> Array:
    """The coarse path carried on at both ends by ``reach`` of its length, to see where the limbs really end."""
    return extend(coarse, reach * float(np.linalg.norm(np.diff(coarse, axis=0), axis=1).sum()))


def next_path(strip: Strip, columns: Array, middle: Array, on: float = CARRIED_ON) -> Array:
    """A truer path: through the limb's middle rows at some columns (gaps allowed), carried on by ``on`` steps at both ends."""
    cols = np.arange(columns[0], columns[-1] + 1)
    mid = ndimage.median_filter(np.interp(cols, columns, middle), PATH_MEDIAN, mode="nearest")
    mid = smooth_rows(mid, min(PATH_WINDOW, len(mid) // 2 * 2 - 1))
    return extend(smooth_path(strip.px(cols, mid), PATH_SIGMA * strip.step), on * strip.step)


def slender(inside: Array) -> Array:
    """How much each place of a strip's map (rows, columns) is the middle of something a limb's thickness wide with nothing at
    either side, 0 ... 1: a plank or a shadow that the map takes for wood is broader, or has another edge."""
    n = len(inside)
    cum = np.vstack([np.zeros(inside.shape[1]), np.cumsum(inside, axis=0)])
    row = np.arange(n)

    def mean(a: int, b: int) -> Array:
        low, past = np.clip(row + a, 0, n), np.clip(row + b + 1, 0, n)
        return np.asarray((cum[past] - cum[low]) / np.maximum(past - low, 1)[:, None])

    found = [mean(1 - h, h - 1) - np.maximum(mean(-h - 4, -h - 1), mean(h + 1, h + 4)) for h in HALF_LIMBS]
    return np.asarray(ndimage.uniform_filter1d(np.clip(np.max(found, axis=0), 0, 1), SLENDER_COLUMNS, axis=1))


def smoothed_on_strip(rgb: NDArray[np.uint8], coarse: Array, step: float) -> Array:
    """The dynamic-programming path (N, 2) px brought nearer to the bow.

    It is bent again along what is slender in the strip, which shows the limbs sharper than the finder's map does; a few times,
    since the network sees best what runs level.
    """
    path = coarse
    for _ in range(SMOOTHING_TURNS):
        strip = cut_strip(rgb, path, step)
        n = len(strip.path)
        seen = slender(np.where(strip.maps.string > strip.maps.inside, 0.0, strip.maps.inside).astype(float))
        ends = (np.array([0.0, MIDDLE_ROW]), np.array([n - 1.0, MIDDLE_ROW]))
        lines = smooth_paths(seen, (0.0,), ends, SMOOTHING_STEEPEST)
        if not lines:
            return path
        columns = np.arange(n, dtype=float)
        row = ndimage.gaussian_filter1d(np.interp(columns, *lines[0].T), MIDDLE_SIGMA, mode="nearest")
        path = smooth_path(strip.px(columns, row), PATH_SIGMA * step)
    return path


def strip_step(px_per_mm: float, limb_mm: float = 14.0) -> float:
    """Sampling step in px at which a limb is as thick as those the network was trained on."""
    return float(np.clip(px_per_mm * limb_mm / LIMB_STEPS, *STEPS_PX))


def fitting_step(strip: Strip, band: Band) -> float:
    """The step in px that suits the limb as thick as this strip shows it; its own where that does."""
    thick = float(np.nanmedian((band.lower_row - band.upper_row)[band.first : band.last + 1]))
    if LEAST_ROWS <= thick <= MOST_ROWS_THICK:
        return strip.step
    return float(np.clip(strip.step * np.clip(thick / LIMB_STEPS, 0.5, 2.0), *STEPS_PX))
