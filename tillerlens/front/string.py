"""The string in a front view: a straight thin line from nock to nock, over the limbs' faces and the handle, or beside them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tillerlens.core.robust import MAD_TO_U, mad_u
from tillerlens.photo.light import FULL, sample

Array = NDArray[np.float64]

ALONG, PARTS = 960, 40  # columns from nock to nock, and stretches of them that are judged one by one
STEP_PX = 0.5
BESIDE_MM = 9.0  # of the tip's middle, where the line may start: half a tip and what the string's depth shifts it by
WIDTHS_PX = (1.5, 2.5, 4.0, 6.0)  # of a string, from far off to near
OVER = slice(6, 34)  # of the stretches: nearer the nocks its loops fork and the limbs are as narrow as it is
CENTRE = slice(14, 26)  # of them, about the handle
MOST, CLEAR = 15.0, 2.5  # of a stretch's contrast over what else is in it; and what counts as seen
LEAST_SEEN, LEAST_CENTRE = 0.4, 0.3  # of the stretches, over all and about the handle
RIVAL = 0.9  # of the best line's worth: another as good elsewhere leaves it open which is the string
MARGIN_PX = 10  # of the strip, beside where the line may start
ABOUT_HANDLE = np.linspace(0.35, 0.65, 7)  # of the way from nock to nock: where the line is given
NEAR_PX, WINDOW_PX = 4.0, 2.5  # to either side of the line, where the string's middle is sought; its weighting's width
LEAST_U_PX, LEAST_SCATTER_PX, LEAST_CONTRAST = 0.15, 0.05, 0.004  # the last in square root of light
WIDE_PX = 6.0  # to either side of its middle: so far off there is no string
SPREAD_PX, SIDE_PX = 2.0, (0.5, 1.5, 2.5)  # of a string's light, beyond itself; from there on, where what is beside it is read
APART_PX = 12.0  # a thick string and the halo that sharpening puts round it


@dataclass(frozen=True, eq=False)
class StringLine:
    """``px`` (K, 2) along the string about the handle, ``ends_px`` (2, 2) beside the nocks; ``u_px`` across; ``width_px``: its
    own, about; ``seen``: share of it."""

    px: Array
    ends_px: Array
    u_px: float
    width_px: float
    seen: float

    def beside_px(self, at: Array) -> tuple[Array, Array]:
        """How far (N,) px along it from the upper nock places (N, 2) lie, and how far beside it, + to its right-hand side."""
        along = (self.ends_px[1] - self.ends_px[0]) / float(np.linalg.norm(self.ends_px[1] - self.ends_px[0]))
        from_end = at - self.ends_px[0]
        return np.asarray(from_end @ along), np.asarray(from_end @ np.array([-along[1], along[0]]))


@dataclass(frozen=True, eq=False)
class _Strip:
    """The picture about the line from nock to nock: square root of light ``tone`` (O, ALONG, 3), rows ``off`` (O,) px beside the
    line, columns at ``share`` (ALONG,) of it; ``starts`` (B,) px where a string's line may begin and end."""

    tone: Array
    off: Array
    share: Array
    starts: Array


@dataclass(frozen=True, eq=False)
class _Line:
    """The best straight line: from ``first`` to ``last`` (px beside the nocks), how clear its stretches are (PARTS,), its
    contrast (O, ALONG, 3) as it shows at the width that suits it, and what every line (B, B) is worth at that width."""

    first: float
    last: float
    seen: Array
    ridge: Array
    worths: Array


def find_front_string(light: NDArray[np.uint16], nocks_px: Array, px_per_mm: float) -> StringLine | None:
    """Find the string between two nocks.

    Parameters
    ----------
    light : (H, W, 3) linear light.
    nocks_px : (2, 2) upper, lower.
    px_per_mm : scale at the bow.

    Returns
    -------
    None where no one line shows.
    """
    a, b = nocks_px
    along = (b - a) / float(np.linalg.norm(b - a))
    across = np.array([-along[1], along[0]])
    far = BESIDE_MM * px_per_mm
    off = np.arange(-far - MARGIN_PX, far + MARGIN_PX + 1e-9, STEP_PX)
    share = (np.arange(ALONG) + 0.5) / ALONG
    grid = a + share[None, :, None] * (b - a) + off[:, None, None] * across
    tone = np.sqrt(sample(light, grid) / np.float32(FULL)).astype(float)
    strip = _Strip(tone, off, share, np.arange(-far, far + 1e-9, 1.0))
    line = max((_best_line(strip, width) for width in WIDTHS_PX), key=lambda found: found.worths.max())
    lit = line.seen > CLEAR
    if lit[OVER].mean() < LEAST_SEEN or lit[CENTRE].mean() < LEAST_CENTRE or _has_rival(strip, line):
        return None
    slope, start, u = _fitted(strip, line, lit)
    px, ends = (
        a + about[:, None] * (b - a) + (start + slope * about)[:, None] * across for about in (ABOUT_HANDLE, np.array([0.0, 1.0]))
    )
    return StringLine(px, ends, max(LEAST_U_PX, u), _width(strip, start, slope), float(lit[OVER].mean()))


def _width(strip: _Strip, start: float, slope: float) -> float:
    """About how broad (px) the string at a line is: its light, less that at its sides, over the most of it."""
    rows = np.arange(-WIDE_PX, WIDE_PX + 0.01, STEP_PX)
    row = (start + slope * strip.share[None] + rows[:, None] - strip.off[0]) / STEP_PX
    index = np.clip(np.round(row).astype(int), 0, len(strip.off) - 1)
    tone = strip.tone[index, np.arange(ALONG)[None]]  # (R, ALONG, 3)
    plain = np.linspace(tone[:3].mean(0), tone[-3:].mean(0), len(rows))
    across = np.median((tone - plain).reshape(len(rows), PARTS, -1, 3).mean(2)[:, OVER], axis=1)
    told = np.clip(across @ across[len(rows) // 2], 0, None)
    return float(np.clip(STEP_PX * told.sum() / max(float(told.max()), 1e-12), WIDTHS_PX[0], WIDTHS_PX[-1]))


def taken_out(rgb: NDArray[np.uint8], string: StringLine, beside: Array, take: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """The picture (H, W, 3) without its string beside those of the places (N, 2) px, in order along it, that are to ``take``
    (N,): what lies at both its sides, run into each other where it is."""
    a, b = string.ends_px
    length = float(np.linalg.norm(b - a))
    along = (b - a) / length
    across = np.array([-along[1], along[0]])
    half = half_band_px(string)
    low, high = (np.array(v).astype(int) for v in (np.minimum(a, b) - half - 1, np.maximum(a, b) + half + 2))
    low, high = np.maximum(low, 0), np.minimum(high, [rgb.shape[1], rgb.shape[0]])
    xy = np.stack(np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1])), -1).reshape(-1, 2)
    way, off = string.beside_px(xy)
    on = (np.abs(off) < half) & (way > 0) & (way < length)
    on &= np.interp(way, string.beside_px(beside)[0], take.astype(float)) > 0
    xy, way, off = xy[on], way[on], off[on]
    sides = []
    for side in (-1, 1):
        at = a + way[:, None, None] * along + side * (half + np.array(SIDE_PX))[:, None] * across
        sides.append(sample(rgb, at).mean(1))
    share = ((off + half) / (2 * half))[:, None]
    out = rgb.copy()
    out[xy[:, 1], xy[:, 0]] = np.round(sides[0] * (1 - share) + sides[1] * share)
    return out


def half_band_px(string: StringLine) -> float:
    """Half as broad as what of the picture shows the string: blur and a phone's halved colour spread it."""
    return string.width_px / 2 + SPREAD_PX


def _best_line(strip: _Strip, width: float) -> _Line:
    """The line that stands out best from what is at both its sides, for a string of one width (px)."""
    starts, columns = strip.starts, np.arange(ALONG)
    n = max(1, round(width / STEP_PX)) | 1
    side = n + 2
    inner = ndimage.uniform_filter1d(strip.tone, n, axis=0)
    outer = (np.roll(inner, side, axis=0) + np.roll(inner, -side, axis=0)) / 2
    # nothing but a line has both its sides alike: a step is held against itself
    ridge = inner - outer
    uneven = np.linalg.norm(np.roll(inner, side, axis=0) - np.roll(inner, -side, axis=0), axis=2, keepdims=True) / 2
    ridge = ridge * np.clip(1 - uneven / (np.linalg.norm(ridge, axis=2, keepdims=True) + 1e-3), 0, 1)
    usual = np.median(np.linalg.norm(ridge, axis=2).reshape(len(strip.off), PARTS, -1), axis=(0, 2))
    noise = MAD_TO_U * usual + LEAST_CONTRAST
    worths = np.empty((len(starts), len(starts)))
    seens = np.empty((len(starts), len(starts), PARTS))
    for m, first in enumerate(starts):
        row = (first + (starts[:, None] - first) * strip.share[None] - strip.off[0]) / STEP_PX  # (B, ALONG)
        on = ridge[np.round(row).astype(int), np.broadcast_to(columns, row.shape)]  # (B, ALONG, 3)
        part = on.reshape(len(starts), PARTS, -1, 3).mean(2)
        seens[m] = np.linalg.norm(part, axis=2) / noise
        worths[m] = np.minimum(seens[m][:, OVER], MOST).mean(1)
    i, j = (int(v) for v in np.unravel_index(int(worths.argmax()), worths.shape))
    return _Line(float(starts[i]), float(starts[j]), seens[i, j], ridge, worths)


def _has_rival(strip: _Strip, line: _Line) -> bool:
    """Whether a line elsewhere is nearly as good."""
    starts = strip.starts
    far_off = np.hypot(*np.meshgrid(starts - line.last, starts - line.first)) > APART_PX
    middle_off = np.abs((starts[:, None] + starts[None]) / 2 - (line.first + line.last) / 2) > APART_PX / 2
    rivals = line.worths[far_off & middle_off]
    return float(rivals.max(initial=0.0)) > RIVAL * float(line.worths.max())


def _fitted(strip: _Strip, line: _Line, lit: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Slope (px over the whole way from nock to nock), offset at the upper nock and standard uncertainty (px) of a straight line
    through the string's middle, stretch by stretch where it is ``lit`` (PARTS,)."""
    at: list[float] = []
    place: list[float] = []
    rows = np.arange(-NEAR_PX, NEAR_PX + 0.01, STEP_PX)
    for k in np.nonzero(lit)[0]:
        if not OVER.start <= k < OVER.stop:
            continue
        cols = slice(k * ALONG // PARTS, (k + 1) * ALONG // PARTS)
        middle = line.first + (line.last - line.first) * strip.share[cols]
        index = np.clip(np.round((middle[None] + rows[:, None] - strip.off[0]) / STEP_PX).astype(int), 0, len(strip.off) - 1)
        near = line.ridge[index, np.arange(cols.start, cols.stop)[None]].mean(1)  # (R, 3)
        w = np.clip(near @ near[len(rows) // 2], 0, None) * np.exp(-0.5 * (rows / WINDOW_PX) ** 2)
        at.append(float(strip.share[cols].mean()))
        place.append(float(middle.mean() + (w * rows).sum() / max(float(w.sum()), 1e-12)))
    s, p = np.array(at), np.array(place)
    keep = np.ones(len(s), bool)
    for _ in range(4):
        slope, start = np.polyfit(s[keep], p[keep], 1)
        left = p - (start + slope * s)
        scatter = mad_u(left[keep], 0.0) + LEAST_SCATTER_PX
        keep = np.abs(left) < 3 * scatter
    return float(slope), float(start), float(scatter * np.sqrt(4.0 / keep.sum()))
