"""Clicked marks: each click is moved to the middle of the small dot or peg under it, where there is one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.robust import MAD_TO_U

Array = NDArray[np.float64]

CLICK_U_PX = 2.0  # how well a person points at a mark on a phone's screen
DOT_U_PX = 0.15
LEAST_WINDOW_PX, UNDER_PX = 8, 4  # of the picture about a click; to either side of it, that is looked at for the dot's colour
UNDER_PERCENTILE, NOISES, LEAST_COLOUR = 80, 4, 25.0  # there: of the difference in colour; its noises and levels that make a dot
FAINT_NOISES = 1.5  # that count for nothing in a dot's centroid
LEAST_AREA_PX, FULL, ALIKE = 6, 0.6, (0.6, 1.67)  # of a dot; of the box around it; its width over its height


@dataclass(frozen=True)
class Dot:
    """A mark's centre in px and its standard uncertainty; ``found`` is False where the click stands for it."""

    xy: tuple[float, float]
    u_px: float
    found: bool


def settle_on_dot(rgb: NDArray[np.uint8], click: tuple[float, float], reach: int = 26) -> Dot:
    """The centroid of the round blob under or beside a click that differs from what surrounds it.

    Works for any colour of dot: the distance in colour from the window's median is what counts. The click stands, with the
    uncertainty of a click, when no blob of dot-like shape lies within half of ``reach`` of it.

    Parameters
    ----------
    rgb : the picture.
    click : (x, y) px.
    reach : half of the window looked at, px.
    """
    h, w = rgb.shape[:2]
    x0, y0 = int(round(click[0])), int(round(click[1]))
    xa, xb, ya, yb = max(0, x0 - reach), min(w, x0 + reach + 1), max(0, y0 - reach), min(h, y0 + reach + 1)
    clicked = Dot((float(click[0]), float(click[1])), CLICK_U_PX, False)
    if min(xb - xa, yb - ya) < LEAST_WINDOW_PX:
        return clicked
    win = rgb[ya:yb, xa:xb].astype(float)
    differs = np.linalg.norm(win - np.median(win.reshape(-1, 3), axis=0), axis=2)
    noise = MAD_TO_U * np.median(differs)
    under = (
        slice(max(0, y0 - ya - UNDER_PX), y0 - ya + UNDER_PX + 1),
        slice(max(0, x0 - xa - UNDER_PX), x0 - xa + UNDER_PX + 1),
    )
    near = differs[under]
    peak = float(np.percentile(near, UNDER_PERCENTILE))
    if peak < max(NOISES * noise, LEAST_COLOUR):
        return clicked
    from scipy import ndimage

    labels, _ = ndimage.label(differs > 0.5 * peak)
    yy, xx = np.mgrid[ya:yb, xa:xb]
    ids = np.unique(labels[under])
    best = clicked
    best_distance = reach / 2
    for i in ids[ids > 0]:
        blob = labels == i
        area = int(blob.sum())
        ys, xs = np.nonzero(blob)
        wide, high = np.ptp(xs) + 1, np.ptp(ys) + 1
        round_enough = area > FULL * wide * high and ALIKE[0] < wide / high < ALIKE[1]
        inside = xs.min() > 0 and ys.min() > 0 and xs.max() < blob.shape[1] - 1 and ys.max() < blob.shape[0] - 1
        if area < LEAST_AREA_PX or not round_enough or not inside:
            continue
        zone = ndimage.binary_dilation(blob, iterations=2)
        weight = np.clip(differs - FAINT_NOISES * noise, 0, peak) * zone
        cx, cy = float((xx * weight).sum() / weight.sum()), float((yy * weight).sum() / weight.sum())
        distance = float(np.hypot(cx - click[0], cy - click[1]))
        if distance < best_distance:
            best, best_distance = Dot((cx, cy), DOT_U_PX, True), distance
    return best
