"""Lines ruled one way across the board, and two marks on one of their direction: enough to square a picture.

Evenly spaced parallel lines fix everything but the scale along them and the place along them; the two marks fix those.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tillerlens.errors import ScaleError
from tillerlens.photo.camera import CameraFit, Marks, fit_camera
from tillerlens.photo.light import linear_light
from tillerlens.photo.marks.grid import LINE_U_PX, line_maps, line_samples

Array = NDArray[np.float64]
COLUMNS = 64
MIN_LINES = 5


def _tracks(grey: NDArray[np.uint8], slope: float) -> list[Array]:
    """Thin lines that run from left to right, each as (n, 2) px places in neighbouring columns, longest first."""
    from scipy.signal import find_peaks  # half a second, for those boards only

    best: list[Array] = []
    for polarity in (-1, 1):
        h, _ = line_maps(grey, polarity)
        xs = np.linspace(12, grey.shape[1] - 13, COLUMNS).round().astype(int)
        columns = [h[:, x - 6 : x + 7].mean(1) for x in xs]
        strong = float(np.percentile(np.concatenate([np.sort(c)[-60:] for c in columns]), 60))
        peaks = [find_peaks(c, height=max(0.3 * strong, 1.5), distance=6)[0].astype(float) for c in columns]
        tracks = _link(xs.astype(float), peaks, slope)
        if sum(map(len, tracks)) > sum(map(len, best)):
            best = tracks
    return best


def _link(xs: Array, peaks: list[Array], slope: float) -> list[Array]:
    """Join peaks of neighbouring columns that lie on one nearly straight line."""
    step = float(xs[1] - xs[0])
    open_tracks: list[list[tuple[float, float]]] = []
    done: list[list[tuple[float, float]]] = []
    for x, ys in zip(xs, peaks, strict=True):
        free = set(range(len(ys)))
        still: list[list[tuple[float, float]]] = []
        for track in sorted(open_tracks, key=len, reverse=True):
            x0, y0 = track[-1]
            s = slope
            if len(track) > 4:
                a, b = track[-5], track[-1]
                s = 0.7 * (b[1] - a[1]) / (b[0] - a[0]) + 0.3 * slope
            guess = y0 + s * (x - x0)
            near = min(free, key=lambda i: abs(ys[i] - guess), default=None)
            if near is not None and abs(ys[near] - guess) < 2.0 + 0.01 * (x - x0):
                track.append((float(x), float(ys[near])))
                free.discard(near)
                still.append(track)
            elif x - x0 < 6 * step:  # a bow or a post may hide a few columns
                still.append(track)
            else:
                done.append(track)
        still += [[(float(x), float(ys[i]))] for i in free]
        open_tracks = still
    long = [np.array(t) for t in done + open_tracks if len(t) >= 0.3 * COLUMNS]
    return sorted(long, key=len, reverse=True)


def _number(tracks: list[Array], middle: float) -> tuple[list[Array], NDArray[np.intp]]:
    """Order the tracks by height at the middle column and count lines that were missed between them."""
    fits = [np.polyfit(t[:, 0] - middle, t[:, 1], 1 if len(t) < 12 else 2) for t in tracks]
    at = np.array([f[-1] for f in fits])
    order = np.argsort(at)
    # a thick line shows both its edges: keep the longer of two tracks that lie much closer than the usual spacing
    wide = np.diff(at[order])
    close = 0.3 * float(np.percentile(wide[wide > 3], 75)) if (wide > 3).any() else 0.0
    single: list[int] = []
    for k in order:
        if single and at[k] - at[single[-1]] < close:
            if len(tracks[k]) > len(tracks[single[-1]]):
                single[-1] = int(k)
        else:
            single.append(int(k))
    order = np.array(single)
    at = at[order]
    gaps = np.diff(at)
    usual = float(np.median(gaps)) if len(gaps) else np.inf
    kept, index, last = [tracks[order[0]]], [0], usual
    place = at[0]
    for k, y in zip(order[1:], at[1:], strict=True):
        # the spacing may change slowly with height (perspective): compare with the gap just met
        n = round((y - place) / last)
        if n < 1:
            continue
        gap = (y - place) / n
        if abs(gap / last - 1) > 0.2 and abs(gap / usual - 1) > 0.3:
            continue
        kept.append(tracks[k])
        index.append(index[-1] + n)
        last, place = gap, y
    return kept, np.array(index, np.intp)


def find_lines(
    rgb: NDArray[np.uint8],
    spacing_mm: float,
    marks_px: Array,
    marks_u_px: Array,
    apart_mm: float,
    exif_px: float | None,
    exif_u_px: float | None,
) -> CameraFit:
    """Fit the camera to ruled lines ``spacing_mm`` apart and two marks (2, 2) px ``apart_mm`` apart along them.

    Raises ``ScaleError`` when too few lines are found or they do not agree.
    """
    size = (rgb.shape[1], rgb.shape[0])
    d = marks_px[1] - marks_px[0]
    turned = abs(d[1]) > abs(d[0])  # lines run up and down in the picture: look at it sideways
    grey = np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), np.uint8)
    seen = np.ascontiguousarray(grey.T) if turned else grey
    slope = float(d[0] / d[1] if turned else d[1] / d[0])
    tracks = _tracks(seen, slope)
    if len(tracks) < MIN_LINES:
        raise ScaleError(
            "The ruled lines on the board were not found.",
            "Light the board evenly and hold the phone still, or use four marks.",
            lines=len(tracks),
        )
    kept, index = _number(tracks, seen.shape[1] / 2)
    px = np.concatenate(kept)
    number = np.repeat(index, [len(t) for t in kept]).astype(float)
    if turned:
        px = px[:, ::-1].copy()
    # board Y grows to the right hand of the direction mark 1 -> mark 2; the tracks were numbered along picture y (or x)
    down = np.array([-d[1], d[0]])
    if (down[0] if turned else down[1]) < 0:
        number = -number
    points = np.array([[0.0, np.nan], [apart_mm, np.nan]])
    marks = Marks(marks_px, points, marks_u_px, px, np.ones(len(px), np.intp), number * spacing_mm, 1.0)
    fit = fit_camera(marks, size, exif_px, exif_u_px)
    light = linear_light(grey)
    for thin in (2, 1):
        px, axis, value = line_samples(light, fit.camera, spacing_mm, thin, axes=(1,))
        if len(px) < 60:
            raise ScaleError(
                "The ruled lines on the board are too faint to measure.", "Light the board evenly and hold the phone still."
            )
        fit = fit_camera(
            Marks(marks_px, points, marks_u_px, px, axis, value, LINE_U_PX), size, exif_px, exif_u_px, extra=fit.camera.theta
        )
    if fit.rms_px > 0.8 or fit.outliers > 0.4:
        raise ScaleError(
            "The ruled lines on the board do not agree with one even spacing.",
            "Check the spacing and the two marks, or use four marks.",
            rms_px=fit.rms_px,
        )
    return fit
