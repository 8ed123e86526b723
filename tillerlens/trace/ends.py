"""Where the limbs end: the tips along the straightened bow, chosen as a pair that fits the bow's known length.

What lies beyond a tip (a ruled line, a chip of the board, the string) may look like more limb; what lies before it may be
faint. The network's map gives candidates, the bow's length the pair, the brightness step the place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tillerlens.photo.camera import Camera
from tillerlens.photo.light import sample
from tillerlens.trace.strip import Band, Strip

Array = NDArray[np.float64]
SPAN = 24  # columns compared at either side of a possible end


@dataclass(frozen=True, eq=False)
class Ends:
    """Columns (fractional) of the two tips, how clear each is (0 ... 1) and its standard uncertainty in columns."""

    column: tuple[float, float]
    clear: tuple[float, float]
    u_columns: tuple[float, float]


def presence(strip: Strip, band: Band) -> Array:
    """How much limb each column holds, 0 ... 1: the followed run's thickness by what is usual. A ruled line is too thin."""
    thick = np.nan_to_num(band.lower_row - band.upper_row)
    usual = float(np.nanpercentile(np.where(thick > 0, thick, np.nan), 40))
    return np.asarray(np.clip((thick / usual - 0.4) / 0.35, 0, 1))


def colour_step(light: NDArray[np.uint16], strip: Strip, band: Band) -> Array:
    """How much the colour along the limb's middle changes across each column, 1 = as much as from limb to background."""
    n = len(strip.path)
    mid = (band.upper_row + band.lower_row) / 2
    seen = ~np.isnan(mid)
    cols = np.arange(n)
    centre = ndimage.gaussian_filter1d(np.interp(cols, cols[seen], mid[seen]), 4)
    half = float(np.nanmedian((band.lower_row - band.upper_row) / 2))
    rows = centre[None] + np.linspace(-0.4, 0.4, 5)[:, None] * half
    inner = np.sqrt(sample(light, strip.px(np.broadcast_to(cols[None].astype(float), rows.shape), rows)).mean(0) / 65535.0)
    outer = []
    for away in (-2.5, 2.5):
        outer.append(np.sqrt(sample(light, strip.px(cols.astype(float), centre + away * half)) / 65535.0))
    contrast = float(np.median(np.minimum(*(np.linalg.norm(inner - o, axis=1) for o in outer)))) + 0.02
    cum = np.vstack([np.zeros(3), np.cumsum(inner, axis=0)])
    c = np.clip(cols, 14, n - 15)
    before = (cum[c - 2] - cum[c - 14]) / 12
    after = (cum[c + 14] - cum[c + 2]) / 12
    return np.asarray(np.clip(np.linalg.norm(after - before, axis=1) / contrast, 0, 1))


def find_ends(
    light: NDArray[np.uint16], strip: Strip, band: Band, camera: Camera, standoff_mm: float, nock_to_nock_mm: float, squared: bool
) -> Ends:
    """The best pair of tips. The length counts softly: it is known to a percent where the picture is squared, to six where
    it is not, and wood may stand past the nocks."""
    have, step = presence(strip, band), colour_step(light, strip, band)
    n = len(have)
    cum = np.r_[0, np.cumsum(have)]
    c = np.arange(SPAN, n - SPAN)
    before, after = (cum[c] - cum[c - SPAN]) / SPAN, (cum[c + SPAN] - cum[c]) / SPAN
    mm = camera.to_plane(strip.path, standoff_mm)
    s = np.r_[0, np.cumsum(np.linalg.norm(np.diff(mm, axis=0), axis=1))]
    picks: list[list[tuple[int, float]]] = []
    for fall, half in ((after - before, c < 0.45 * n), (before - after, c > 0.55 * n)):
        worth = fall + 0.8 * step[c]
        top = ndimage.maximum_filter1d(worth, 13)
        good = np.nonzero((worth >= top) & (fall > 0.1) & (worth > 0.45) & half)[0]
        picks.append([(int(c[k]), float(worth[k])) for k in good])
    if not picks[0]:
        picks[0] = [(band.first, 0.0)]
    if not picks[1]:
        picks[1] = [(band.last + 1, 0.0)]
    short, long = (0.005, 0.007) if squared else (0.06, 0.06)
    best, best_merit = (picks[0][0], picks[1][-1]), -np.inf
    for a in picks[0]:
        for b in picks[1]:
            over = (s[b[0] - 1] - s[a[0]]) / nock_to_nock_mm - 1
            off = over / long if over > 0 else -over / short
            merit = a[1] + b[1] + 4 * float(np.mean(have[a[0] : b[0]])) - 0.5 * min(off, 6.0) ** 2
            if merit > best_merit:
                best, best_merit = (a, b), merit
    (first, sa), (last, sb) = best
    return Ends((float(first) - 0.5, float(last) - 0.5), (sa / 1.8, sb / 1.8), (1.0, 1.0))


def settle_ends(light: NDArray[np.uint16], strip: Strip, band: Band, ends: Ends) -> Ends:
    """Move each end to the middle of the brightness step where the limb stops."""
    found, u = [], []
    for k, column in enumerate(ends.column):
        inward = 1 if k == 0 else -1
        body = int(np.clip(round(column + inward * 10), 0, len(strip.path) - 1))
        near = slice(max(0, body - 6), body + 7)
        top, low = np.nanmedian(band.upper_row[near]), np.nanmedian(band.lower_row[near])
        if not np.isfinite(top + low):
            found.append(column)
            u.append(2.0)
            continue
        inset = 0.22 * (low - top)
        rows = np.linspace(top + inset, low - inset, 9)
        off = np.arange(-6.0, 6.01, 0.25)
        cols = column + off
        v = (
            sample(light, strip.px(np.broadcast_to(cols[None], (9, len(off))), np.broadcast_to(rows[:, None], (9, len(off)))))
            / 65535.0
        )
        grad = np.gradient(v, 0.25, axis=1)
        direction = np.einsum("rok,o->k", grad, np.exp(-0.5 * (off / 1.6) ** 2))
        norm = float(np.linalg.norm(direction))
        g = np.clip(np.einsum("rok,k->ro", grad, direction / max(norm, 1e-9)), 0, None)
        place = np.zeros(9)
        for width in (2.2, 1.6, 1.2, 1.0):
            w = g * np.exp(-0.5 * ((off[None] - place[:, None]) / width) ** 2)
            place = (w * off).sum(1) / np.maximum(w.sum(1), 1e-12)
        spread = 1.4826 * float(np.median(np.abs(place - np.median(place))))
        ok = spread < 1.5 and abs(np.median(place)) < 4.5
        found.append(column + float(np.median(place)) if ok else column)
        u.append(max(0.4, spread) if ok else 2.0)
    return Ends((found[0], found[1]), ends.clear, (u[0], u[1]))
