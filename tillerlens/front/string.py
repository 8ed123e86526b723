"""The string in a front view: a straight thin line from nock to nock, over the limbs' faces and the handle, or beside them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tillerlens.photo.light import sample

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
APART_PX = 12.0  # a thick string and the halo that sharpening puts round it


@dataclass(frozen=True, eq=False)
class StringLine:
    """``px`` (K, 2) along the string about the handle; ``u_px`` across; ``seen``: share of it."""

    px: Array
    u_px: float
    seen: float


def find_front_string(light: NDArray[np.uint16], nocks_px: Array, px_per_mm: float) -> StringLine | None:
    """The string between two nocks (2, 2) px; None where no one line shows."""
    a, b = nocks_px
    length = float(np.linalg.norm(b - a))
    along = (b - a) / length
    across = np.array([-along[1], along[0]])
    far = BESIDE_MM * px_per_mm
    off = np.arange(-far - 10, far + 10 + 1e-9, STEP_PX)
    share = (np.arange(ALONG) + 0.5) / ALONG
    grid = a + share[None, :, None] * (b - a) + off[:, None, None] * across
    tone = np.sqrt(sample(light, grid) / np.float32(65535.0)).astype(float)  # (O, ALONG, 3)
    best: tuple[float, float, float, Array, Array] | None = None
    starts = np.arange(-far, far + 1e-9, 1.0)
    kept = tone
    for width in WIDTHS_PX:
        n = max(1, round(width / STEP_PX)) | 1
        side = n + 2
        inner = ndimage.uniform_filter1d(tone, n, axis=0)
        outer = (np.roll(inner, side, axis=0) + np.roll(inner, -side, axis=0)) / 2
        # nothing but a line has both its sides alike: a step is held against itself
        ridge = inner - outer
        uneven = np.linalg.norm(np.roll(inner, side, axis=0) - np.roll(inner, -side, axis=0), axis=2, keepdims=True) / 2
        ridge = ridge * np.clip(1 - uneven / (np.linalg.norm(ridge, axis=2, keepdims=True) + 1e-3), 0, 1)
        noise = 1.4826 * np.median(np.linalg.norm(ridge, axis=2).reshape(len(off), PARTS, -1), axis=(0, 2)) + 0.004
        worths = np.empty((len(starts), len(starts)))
        seens = np.empty((len(starts), len(starts), PARTS))
        for m, first in enumerate(starts):
            row = (first + (starts[:, None] - first) * share[None] - off[0]) / STEP_PX  # (B, ALONG)
            col = np.broadcast_to(np.arange(ALONG), row.shape)
            on = ridge[np.round(row).astype(int), col]  # (B, ALONG, 3)
            part = on.reshape(len(starts), PARTS, -1, 3).mean(2)
            seens[m] = np.linalg.norm(part, axis=2) / noise
            worths[m] = np.minimum(seens[m][:, OVER], MOST).mean(1)
        i, j = (int(v) for v in np.unravel_index(int(worths.argmax()), worths.shape))
        if best is None or worths[i, j] > best[0]:
            best = float(worths[i, j]), float(starts[i]), float(starts[j]), seens[i, j], worths
            kept = ridge
    assert best is not None
    worth, one, other, seen, worths = best
    lit = seen > CLEAR
    far_off = np.hypot(*np.meshgrid(starts - other, starts - one)) > APART_PX
    middle_off = np.abs((starts[:, None] + starts[None]) / 2 - (one + other) / 2) > APART_PX / 2
    rival = float(worths[far_off & middle_off].max()) if (far_off & middle_off).any() else 0.0
    if lit[OVER].mean() < LEAST_SEEN or lit[CENTRE].mean() < LEAST_CENTRE or rival > RIVAL * worth:
        return None
    # its middle stretch by stretch, and a straight line through them
    at: list[float] = []
    place: list[float] = []
    for k in np.nonzero(lit)[0]:
        if not OVER.start <= k < OVER.stop:
            continue
        cols = slice(k * ALONG // PARTS, (k + 1) * ALONG // PARTS)
        line = one + (other - one) * share[cols]
        rows = np.arange(-4.0, 4.01, 0.5)
        index = np.clip(np.round((line[None] + rows[:, None] - off[0]) / STEP_PX).astype(int), 0, len(off) - 1)
        near = kept[index, np.arange(cols.start, cols.stop)[None]].mean(1)  # (R, 3)
        w = np.clip(near @ near[len(rows) // 2], 0, None) * np.exp(-0.5 * (rows / 2.5) ** 2)
        at.append(float(share[cols].mean()))
        place.append(float(line.mean() + (w * rows).sum() / max(float(w.sum()), 1e-12)))
    s, p = np.array(at), np.array(place)
    keep = np.ones(len(s), bool)
    for _ in range(4):
        slope, start = np.polyfit(s[keep], p[keep], 1)
        left = p - (start + slope * s)
        scatter = 1.4826 * float(np.median(np.abs(left[keep]))) + 0.05
        keep = np.abs(left) < 3 * scatter
    about = np.linspace(0.35, 0.65, 7)
    u = float(scatter * np.sqrt(4.0 / keep.sum()))
    return StringLine(
        a + about[:, None] * (b - a) + (start + slope * about)[:, None] * across, max(0.15, u), float(lit[OVER].mean())
    )
