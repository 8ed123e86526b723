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
from tillerlens.trace.strip import MIDDLE_ROW, Band, Strip

Array = NDArray[np.float64]
SPAN = 24  # columns compared at either side of a possible end
LOOSE = 0.03  # tips may stand past the nocks by this share of the length before it counts against a pair


@dataclass(frozen=True, eq=False)
class Ends:
    """Columns (fractional) of the two tips, how clear each is (0 ... 1) and its standard uncertainty in columns."""

    column: tuple[float, float]
    clear: tuple[float, float]
    u_columns: tuple[float, float]


def presence(strip: Strip, band: Band) -> Array:
    """How much limb each column holds, 0 ... 1, by the thickness usual around there."""
    inside = np.where(strip.maps.string > strip.maps.inside, 0, strip.maps.inside)
    rows = np.arange(inside.shape[0])
    centre = np.where(np.isnan(band.upper_row), MIDDLE_ROW, (band.upper_row + band.lower_row) / 2)
    centre = ndimage.median_filter(centre, 31, mode="nearest")
    near = np.abs(rows[:, None] - centre[None]) < 12
    mass = (inside * near).sum(0)
    thick = band.lower_row - band.upper_row
    usual = float(np.nanpercentile(thick[band.first : band.last + 1], 30))
    return np.asarray(np.clip(mass / (0.7 * usual), 0, 1))


def find_ends(strip: Strip, band: Band, camera: Camera, standoff_mm: float, nock_to_nock_mm: float, squared: bool) -> Ends:
    """The best pair of tips. The length counts softly: 1 % where the picture is squared, 6 % where it is not."""
    have = presence(strip, band)
    n = len(have)
    cum = np.r_[0, np.cumsum(have)]
    c = np.arange(SPAN, n - SPAN)
    before = (cum[c] - cum[c - SPAN]) / SPAN
    after = (cum[c + SPAN] - cum[c]) / SPAN
    mm = camera.to_plane(strip.path, standoff_mm)
    s = np.r_[0, np.cumsum(np.linalg.norm(np.diff(mm, axis=0), axis=1))]
    picks = []
    for fall, half in ((after - before, c < n / 2), (before - after, c > n / 2)):
        top = ndimage.maximum_filter1d(fall, 15)
        good = c[(fall >= top) & (fall > 0.25) & half]
        picks.append([(int(k), float(fall[k - SPAN])) for k in good])
    if not picks[0]:
        picks[0] = [(band.first, 0.0)]
    if not picks[1]:
        picks[1] = [(band.last + 1, 0.0)]
    tolerance = 0.01 if squared else 0.06
    best, best_merit = (picks[0][0], picks[1][-1]), -np.inf
    for a in picks[0]:
        for b in picks[1]:
            over = (s[b[0] - 1] - s[a[0]]) / nock_to_nock_mm - 1
            off = max(0.0, over - LOOSE, -over) / tolerance
            inner = float(np.mean(have[a[0] : b[0]])) if b[0] > a[0] else 0.0
            merit = a[1] + b[1] + 2 * inner - 0.5 * min(off, 6.0) ** 2
            if merit > best_merit:
                best, best_merit = (a, b), merit
    (a, sa), (b, sb) = best
    return Ends((float(a) - 0.5, float(b) - 0.5), (sa, sb), (1.0, 1.0))


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
        v = sample(light, strip.px(np.broadcast_to(cols[None], (9, len(off))), np.broadcast_to(rows[:, None], (9, len(off))))) / 65535.0
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
