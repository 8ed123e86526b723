"""Lines ruled one way across the board, and two marks on one of their direction: enough to square a picture.

Evenly spaced parallel lines fix everything but the scale along them and the place along them; the two marks fix those.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from tillerlens.core.errors import ScaleError
from tillerlens.photo.camera import CameraFit, Lens, Marks, fit_camera
from tillerlens.photo.light import linear_light
from tillerlens.photo.marks.grid import LINE_U_PX, line_maps, line_samples, ruling

Array = NDArray[np.float64]
COLUMNS, HALF_COLUMN_PX, RIM_PX = 64, 6, 12  # of the picture, that are looked at; px averaged at either side; px left out
# A line in a column: the percentile of the strongest peaks that says how strong a line is, the share of that a peak must reach,
# grey levels it must have, px that it is the best of.
PEAKS, STRONG_PERCENTILE, LEAST_OF_STRONG, LEAST_PEAK, PEAK_PX = 60, 60, 0.3, 1.5, 13
# Joined from column to column: how much of the next direction is the track's own, how far (px, and more with the gap) the next
# peak may lie off, columns that may be hidden, and the share of all that a track must have.
OWN_SLOPE, NEAR_PX, NEAR_MORE, HIDDEN, LEAST_TRACK = 0.7, 2.0, 0.01, 6, 0.3
CURVED = 12  # columns from which a track's middle is read off a parabola
# A ladder's next rung may lie off by a share of a gap (px at the least), and by more for each one missed.
RUNG, RUNG_PX, RUNG_MORE = 0.06, 2.0, 0.02
LEAST_SAMPLES, MOST_RMS_PX, MOST_OUTLIERS = {2: 24, 1: 60}, 0.8, 0.4  # of the fit, coarse and fine
MIN_LINES = 5


def _tracks(grey: NDArray[np.uint8], slope: float) -> list[list[Array]]:
    """Thin lines that run from left to right, each as (n, 2) px places in neighbouring columns, longest first: once taken
    for dark lines, once for light ones, the likelier of the two first. Beside a light line lie two dark ones, only fainter."""
    found: list[tuple[float, list[Array]]] = []
    for polarity in (-1, 1):
        h, _ = line_maps(grey, polarity)
        xs = np.linspace(RIM_PX, grey.shape[1] - 1 - RIM_PX, COLUMNS).round().astype(int)
        columns = [h[:, x - HALF_COLUMN_PX : x + HALF_COLUMN_PX + 1].mean(1) for x in xs]
        strong = float(np.percentile(np.concatenate([np.sort(c)[-PEAKS:] for c in columns]), STRONG_PERCENTILE))
        least = max(LEAST_OF_STRONG * strong, LEAST_PEAK)
        peaks = [np.nonzero((c == maximum_filter1d(c, PEAK_PX)) & (c > least))[0].astype(float) for c in columns]
        found.append((strong, _link(xs.astype(float), peaks, slope)))
    return [tracks for _, tracks in sorted(found, key=lambda q: -q[0])]


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
                s = OWN_SLOPE * (b[1] - a[1]) / (b[0] - a[0]) + (1 - OWN_SLOPE) * slope
            guess = y0 + s * (x - x0)
            near = min(free, key=lambda i: abs(ys[i] - guess), default=None)
            if near is not None and abs(ys[near] - guess) < NEAR_PX + NEAR_MORE * (x - x0):
                track.append((float(x), float(ys[near])))
                free.discard(near)
                still.append(track)
            elif x - x0 < HIDDEN * step:  # a bow or a post may hide a few columns
                still.append(track)
            else:
                done.append(track)
        still += [[(float(x), float(ys[i]))] for i in free]
        open_tracks = still
    long = [np.array(t) for t in done + open_tracks if len(t) >= LEAST_TRACK * COLUMNS]
    return sorted(long, key=len, reverse=True)


def _number(tracks: list[Array], middle: float) -> tuple[list[Array], NDArray[np.intp]]:
    """Those tracks that make one ladder of even rungs, in order down the picture, and each one's number.

    A board's rim, its planks' joints and the bow's string run along the lines too. So a ladder is begun from every two
    neighbouring tracks and grown both ways; the one that takes in most line and leaves out fewest rungs wins.
    """
    at = np.array([np.polyfit(t[:, 0] - middle, t[:, 1], 1 if len(t) < CURVED else 2)[-1] for t in tracks])
    order = np.argsort(at)
    y, worth = at[order], np.array([len(tracks[k]) / COLUMNS for k in order])
    best: dict[int, int] = {0: 0}
    most = -np.inf
    for i in range(len(y) - 1):
        for j in range(i + 1, min(i + 4, len(y))):
            rungs = _ladder(y, i, j)
            numbers = np.array(sorted(rungs))
            missed = numbers[-1] - numbers[0] + 1 - len(numbers)
            got = float(worth[list(rungs.values())].sum()) - 0.5 * missed
            if got > most:
                best, most = rungs, got
    first = min(best)
    return [tracks[order[best[n]]] for n in sorted(best)], np.array(sorted(best), np.intp) - first


def _ladder(y: Array, i: int, j: int) -> dict[int, int]:
    """Rungs (number -> which of the sorted heights ``y``) grown from i as rung 0 and j as rung 1; at most three in a row
    may be missed. The spacing may change slowly with height (perspective)."""
    rungs = {0: i, 1: j}
    for way in (1, -1):
        last = 1 if way == 1 else 0
        gap = y[j] - y[i]
        n = last + way
        while abs(n - last) < 4:
            guess = y[rungs[last]] + (n - last) * gap
            near = int(np.argmin(np.abs(y - guess)))
            if abs(y[near] - guess) < max(RUNG * gap, RUNG_PX) + RUNG_MORE * abs(n - last) * gap and near not in rungs.values():
                gap = 0.5 * gap + 0.5 * (y[near] - y[rungs[last]]) / (n - last)
                rungs[n], last = near, n
            n += way
    return rungs


def find_lines(
    rgb: NDArray[np.uint8],
    spacing_mm: float,
    marks_px: Array,
    marks_u_px: Array,
    apart_mm: float,
    lens: Lens,
) -> CameraFit:
    """Fit the camera to lines ruled one way and two marks along them.

    Parameters
    ----------
    rgb : the picture.
    spacing_mm : of the lines.
    marks_px, marks_u_px : (2, 2), (2,) the two marks and their standard uncertainties.
    apart_mm : of the two marks, along the lines.
    lens : the prior of the lens.

    Raises
    ------
    ScaleError
        When too few lines are found or they do not agree.
    """
    d = marks_px[1] - marks_px[0]
    turned = abs(d[1]) > abs(d[0])  # lines run up and down in the picture: look at it sideways
    grey = np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), np.uint8)
    seen = np.ascontiguousarray(grey.T) if turned else grey
    slope = float(d[0] / d[1] if turned else d[1] / d[0])
    light = linear_light(grey)
    trouble: ScaleError | None = None
    for tracks in _tracks(seen, slope):
        if len(tracks) < MIN_LINES:
            continue
        ladder, index = _number(tracks, seen.shape[1] / 2)
        if len(ladder) < MIN_LINES:
            continue
        px = np.concatenate(ladder)
        number = np.repeat(index, [len(t) for t in ladder]).astype(float)
        # board Y grows to the right hand of the direction mark 1 -> mark 2; the tracks were numbered along picture y (or x)
        down = np.array([-d[1], d[0]])
        if (down[0] if turned else down[1]) < 0:
            number = -number
        points = np.array([[0.0, np.nan], [apart_mm, np.nan]])
        rough = Marks(
            marks_px, points, marks_u_px, px[:, ::-1] if turned else px, np.ones(len(px), np.intp), number * spacing_mm, 1.0
        )
        try:
            return _fit_tracks(light, rough, spacing_mm, lens)
        except ScaleError as error:
            trouble = error
    raise trouble or ScaleError(
        "The ruled lines on the board were not found.",
        "Light the board evenly and hold the phone still, or use four marks.",
    )


def _fit_tracks(light: NDArray[np.uint16], rough: Marks, spacing_mm: float, lens: Lens) -> CameraFit:
    """From numbered lines, followed to a pixel, to the fit over the lines measured; raises ``ScaleError``."""
    fit = fit_camera(rough, lens)
    along = fit.camera.to_plane(rough.lines_px)[:, 0]
    ruled = ruling(light, fit.camera, spacing_mm, {1: np.column_stack([along, rough.lines_mm])})
    for thin in (2, 1):
        px, axis, value = line_samples(light, fit.camera, spacing_mm, thin, ruled, axes=(1,))
        if len(px) < LEAST_SAMPLES[thin]:
            raise ScaleError(
                "The ruled lines on the board are too faint to measure.", "Light the board evenly and hold the phone still."
            )
        marks = replace(rough, lines_px=px, lines_axis=axis, lines_mm=value, lines_u_px=LINE_U_PX)
        fit = fit_camera(marks, lens, start=fit.camera.theta)
    if fit.rms_px > MOST_RMS_PX or fit.outliers > MOST_OUTLIERS:
        raise ScaleError(
            "The ruled lines on the board do not agree with one even spacing.",
            "Check the spacing and the two marks, or use four marks.",
            rms_px=fit.rms_px,
        )
    return fit
