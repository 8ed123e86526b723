"""A ruled grid on the board: crossings found, numbered by growing a lattice, then measured along every line.

The crossings only number the lines. The fit itself uses the middle of the line at many places between crossings, where
nothing else disturbs its profile.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tillerlens.core.errors import ScaleError
from tillerlens.photo.camera import Camera, CameraFit, Lens, Marks, fit_camera
from tillerlens.photo.light import linear_light, sample

Array = NDArray[np.float64]
LINE_U_PX = 0.08
MIN_CROSSINGS = 24
BAND_PX, LEAST_ROWS = 4_000_000, 64  # of a band of the picture that is looked at as one
# Crossings of thin lines: px that each line is averaged along, from a crossing to its arms, that its score is smoothed by and
# that it is the best of, grey levels it must have; and of the clearest ones' score, the share that is clear.
ALONG_PX, ARM_PX, SMOOTH_PX, PEAK_PX, LEAST_SCORE, CLEAR_SCORE = 9, 6, 1.2, 9, 4, 0.4
CLEAREST, MOST_CROSSINGS = (
    (150, 100),
    3000,
)  # of a picture: for how clear they can be, how likely they are; the most that are used
# A lattice: how askew (tangent) its first steps may be, how unlike in length; seeds and tries; how far (share of a step, px) from
# its guessed place the next crossing may lie, and how much of the step found goes into the next guess.
ASKEW, ALIKE, SEEDS, TRIES, NEIGHBOURS = 0.35, (0.6, 1.67), 80, 12, 9
REACH_SHARE, REACH_PX, FOLLOWS = 0.12, 1.0, 0.4
LEAST_INLIERS, MOST_OUTLIERS, MOST_RMS_PX = 0.7, 0.35, 0.6  # of a lattice's crossings; of its lines' samples
# Profiles across a line: share of a cell that is looked at to either side (px, least and most), px between samples and along the
# line, samples at either end that are the board.
CELL_SHARE, REACHES_PX, PROFILE_PX, RUN, BOARD_SAMPLES = 0.3, (4, 8), 0.5, np.arange(-2, 2.1, 1.0), 3
RIM_PX, ACROSS, LINES = 12, 0.02, 400  # of the picture, that is left out; of a cell, for a direction; samples of a whole board
# A line's middle: window (of the reach, and px), share of its strongest dip that counts, of the usual contrast that it must have,
# of the reach that it may lie off; and how unlike the board's two sides may be (of that contrast, and beside).
WINDOW, WINDOW_PX, LEAST_DIP, LEAST_CONTRAST, MOST_OFF, UNLIKE, UNLIKE_MORE = 0.5, 0.6, 0.25, 0.4, 0.6, 0.5, 0.08
# How long the picture is made before crossings are looked for: lines ruled with a pen show best where a phone's picture is some
# 1500 px long, close ones in less, thin ones in more.
SEARCHED_PX = (1500, 1000, 2100, 3000, 6000)
ENOUGH_CROSSINGS = 400  # the rest of the grid follows from the fitted camera


def line_maps(grey: NDArray[np.uint8], polarity: int = -1) -> tuple[Array, Array]:
    """How much each pixel looks like a thin horizontal / vertical line: two (H, W) float32 maps, 0 where not at all."""
    g = grey.astype(np.float32)
    second = np.array([-1, 0, 2, 0, -1], np.float32) * polarity / 2
    along = np.full(ALONG_PX, 1 / ALONG_PX, np.float32)
    horizontal = cv2.sepFilter2D(g, cv2.CV_32F, along, second)
    vertical = cv2.sepFilter2D(g, cv2.CV_32F, second, along)
    return np.maximum(horizontal, 0), np.maximum(vertical, 0)


def _crossings(grey: NDArray[np.uint8]) -> list[Array]:
    """Places (N, 2) px where a horizontal and a vertical line cross, strongest first: once taken for dark lines, once for
    light ones, the likelier of the two first. Beside a light line lie two dark ones as even as itself, only fainter."""
    found: list[tuple[float, Array]] = []
    for polarity in (-1, 1):
        at, s = _peaks(grey, polarity)
        if len(at) < MIN_CROSSINGS:
            continue
        clear = s > CLEAR_SCORE * np.sort(s)[-max(1, min(CLEAREST[0], len(s) // 4)) :].mean()
        at, s = at[clear], s[clear]
        found.append((float(np.sort(s)[-CLEAREST[1] :].mean()), at[np.argsort(-s)[:MOST_CROSSINGS]].astype(float)))
    return [at for _, at in sorted(found, key=lambda q: -q[0])]


def _peaks(grey: NDArray[np.uint8], polarity: int) -> tuple[NDArray[np.intp], Array]:
    """Places (N, 2) px that look most like a crossing of thin lines around them, and how much (N,).

    Band by band, since the maps of a whole enlarged picture take a gigabyte.
    """
    h, w = grey.shape
    rows = max(LEAST_ROWS, BAND_PX // w)
    places, scores = [], []
    r = ARM_PX
    for top in range(0, h, rows):
        a, b = max(0, top - 3 * r), min(h, top + rows + 3 * r)
        across, down = line_maps(grey[a:b], polarity)
        # a crossing: the horizontal line goes on at both sides, the vertical above and below
        arm = cv2.getStructuringElement(cv2.MORPH_RECT, (3, 3))
        hh = cv2.dilate(np.minimum(np.roll(across, r, 1), np.roll(across, -r, 1)), arm)
        vv = cv2.dilate(np.minimum(np.roll(down, r, 0), np.roll(down, -r, 0)), arm)
        score = cv2.GaussianBlur(np.minimum(hh, vv), (0, 0), SMOOTH_PX)
        score[:r], score[-r:], score[:, :r], score[:, -r:] = 0, 0, 0, 0
        peak = (score == cv2.dilate(score, cv2.getStructuringElement(cv2.MORPH_RECT, (PEAK_PX, PEAK_PX)))) & (score > LEAST_SCORE)
        ys, xs = np.nonzero(peak)
        own = (ys + a >= top) & (ys + a < top + rows)
        places.append(np.column_stack([xs[own], ys[own] + a]))
        scores.append(score[ys[own], xs[own]])
    return np.vstack(places), np.concatenate(scores)


def _grow(points: Array) -> tuple[Array, NDArray[np.intp]]:
    """Number the crossings: returns lattice places (M, 2) px and (M, 2) integer indices of the largest lattice found."""
    from scipy.spatial import cKDTree

    tree = cKDTree(points)
    best: tuple[Array, NDArray[np.intp]] = (np.empty((0, 2)), np.empty((0, 2), np.intp))
    rng = np.random.default_rng(0)
    tried = 0
    for seed in rng.permutation(len(points))[:SEEDS]:
        near = tree.query(points[seed], k=min(NEIGHBOURS, len(points)))[1][1:]
        d = points[near] - points[seed]
        right = [q for q in d if q[0] > 0 and abs(q[1]) < ASKEW * q[0]]
        down = [q for q in d if q[1] > 0 and abs(q[0]) < ASKEW * q[1]]
        if not right or not down:
            continue
        i, j = min(right, key=lambda q: float(np.hypot(*q))), min(down, key=lambda q: float(np.hypot(*q)))
        if not ALIKE[0] < np.hypot(*i) / np.hypot(*j) < ALIKE[1]:
            continue
        got = _grow_from(points, tree, int(seed), i, j)
        tried += 1
        if len(got[0]) > len(best[0]):
            best = got
        if len(best[0]) >= min(ENOUGH_CROSSINGS, 0.5 * len(points)) or tried > TRIES:
            break
    return best


def _grow_from(points: Array, tree: object, seed: int, i: Array, j: Array) -> tuple[Array, NDArray[np.intp]]:
    place: dict[tuple[int, int], int] = {(0, 0): seed}
    steps = {(0, 0): (i, j)}
    todo = [(0, 0)]
    taken = {seed}
    while todo and len(place) < ENOUGH_CROSSINGS:
        at = todo.pop(0)
        here = points[place[at]]
        si, sj = steps[at]
        for da, db in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            to = (at[0] + da, at[1] + db)
            if to in place:
                continue
            guess = here + da * si + db * sj
            distance, k = tree.query(guess)  # type: ignore[attr-defined]
            reach = REACH_SHARE * min(np.hypot(*si), np.hypot(*sj)) + REACH_PX
            if distance < reach and int(k) not in taken:
                step = (points[k] - here) * (da + db)
                # the neighbour's step, mixed with what was known: the lattice may bend slowly, never jump
                ni = (1 - FOLLOWS) * si + FOLLOWS * step if da else si
                nj = (1 - FOLLOWS) * sj + FOLLOWS * step if db else sj
                place[to], steps[to] = int(k), (ni, nj)
                taken.add(int(k))
                todo.append(to)
    keys = list(place)
    return points[[place[q] for q in keys]], np.array(keys, np.intp)


def find_grid(rgb: NDArray[np.uint8], spacing_mm: float, lens: Lens) -> CameraFit:
    """Fit the camera to a ruled grid of known spacing. Raises ``ScaleError`` when no lattice is found."""
    grey = np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), np.uint8)
    light = linear_light(grey)
    trouble: ScaleError | None = None
    for k in (max(lens.size) / longest for longest in SEARCHED_PX):
        if k < 0.5:
            continue
        how = cv2.INTER_AREA if k > 1 else cv2.INTER_CUBIC
        small = grey if k == 1 else np.asarray(cv2.resize(grey, None, fx=1 / k, fy=1 / k, interpolation=how), np.uint8)
        for crossings in _crossings(small):
            lattice, index = _grow(crossings)
            if len(lattice) < MIN_CROSSINGS:
                continue
            try:
                return _fit_lattice(light, (lattice + 0.5) * k - 0.5, max(3.0, k), index, spacing_mm, lens)
            except ScaleError as error:
                trouble = error
    raise trouble or ScaleError(
        "The ruled grid on the board was not found.",
        "Photograph it sharper and evenly lit, or click four crossings and type their distances.",
    )


def _fit_lattice(
    light: NDArray[np.uint16],
    lattice: Array,
    reach_px: float,
    index: NDArray[np.intp],
    spacing_mm: float,
    lens: Lens,
) -> CameraFit:
    """From numbered crossings to the fit over all lines; raises ``ScaleError`` when the numbering was false."""
    _, mask = cv2.findHomography(index.astype(float), lattice, cv2.RANSAC, reach_px)
    inlier = np.ravel(mask).astype(bool) if mask is not None else np.zeros(len(lattice), bool)
    doubt = ScaleError(
        "The lines on the board do not make one even grid.",
        "Check the spacing typed, or click four crossings.",
        share=float(inlier.mean()),
    )
    if inlier.mean() < LEAST_INLIERS or inlier.sum() < MIN_CROSSINGS:
        raise doubt
    fit = fit_camera(Marks.of_points(lattice[inlier], index[inlier] * spacing_mm, 1.0), lens)
    crossing = index[inlier] * spacing_mm
    beside = {0: crossing + [0, spacing_mm / 2], 1: crossing + [spacing_mm / 2, 0]}
    ruled = ruling(light, fit.camera, spacing_mm, beside)
    for every in (2, 1):
        px, axis, value = line_samples(light, fit.camera, spacing_mm, every, ruled)
        if len(px) < 2 * MIN_CROSSINGS:
            if every > 1:
                continue  # a wide grid has too few lines to leave half of them out
            raise doubt
        marks = Marks(np.empty((0, 2)), np.empty((0, 2)), np.empty(0), px, axis, value, LINE_U_PX)
        fit = fit_camera(marks, lens, start=fit.camera.theta)
    if fit.rms_px > MOST_RMS_PX or fit.outliers > MOST_OUTLIERS:
        raise doubt
    return fit


@dataclass(frozen=True)
class Ruling:
    """How the board's lines look where they were found: +1 darker than the board or -1 lighter, and by what part of its
    light. Without it the grain of a wall beyond the board's edge would pass for faint lines."""

    sign: float
    contrast: float


def ruling(light: NDArray[np.uint16], camera: Camera, spacing_mm: float, places_mm: dict[int, Array]) -> Ruling:
    """How the board's lines look where they are known to be.

    Parameters
    ----------
    light, camera, spacing_mm : linear light, a fitted camera, and the lines' spacing.
    places_mm : (N, 2) places on lines X = value (key 0) and Y = value (key 1).
    """
    signs, contrasts = [0.0], [np.empty(0)]
    for axis, places in places_mm.items():
        at, normal, cell, _ = _square_to_line(camera, places, axis, spacing_mm)
        if len(at):
            dip = _dips(light, at, normal, _reach(cell))[0]
            middle = dip[:, dip.shape[1] // 2 - 2 : dip.shape[1] // 2 + 3]
            sign = np.sign(np.median(middle.mean(1))) or 1.0
            signs.append(float(sign) * len(at))
            contrasts.append((sign * middle).max(1))
    all_contrasts = np.concatenate(contrasts)
    return Ruling(1.0 if sum(signs) >= 0 else -1.0, float(np.median(all_contrasts)) if len(all_contrasts) else np.inf)


def _square_to_line(
    camera: Camera, board_mm: Array, axis: int, spacing_mm: float
) -> tuple[Array, Array, Array, NDArray[np.bool_]]:
    """Where places (N, 2) mm on lines of one family lie in the picture (M, 2) px, the direction square to the line there
    (M, 2), how many px the next line is away (M,), and which of the N are meant: none too near the picture's rim."""
    w, h = camera.size
    xyz = np.column_stack([board_mm, np.zeros(len(board_mm))])
    across = xyz.copy()
    across[:, axis] += ACROSS * spacing_mm
    p, q = camera.project(xyz), camera.project(across)
    inside: NDArray[np.bool_] = np.all((p > RIM_PX) & (p < [w - 1 - RIM_PX, h - 1 - RIM_PX]), axis=1)
    step = np.linalg.norm(q - p, axis=1, keepdims=True)
    return p[inside], ((q - p) / step)[inside], step[inside, 0] / ACROSS, inside


def line_samples(
    light: NDArray[np.uint16], camera: Camera, spacing_mm: float, thin: int, ruled: Ruling, axes: tuple[int, ...] = (0, 1)
) -> tuple[Array, NDArray[np.intp], Array]:
    """Measured places on the grid's lines, midway between crossings.

    Parameters
    ----------
    light, camera, spacing_mm : linear light, a fitted camera, and the lines' spacing.
    thin : every so many lines, 1 for all.
    ruled : how the lines look.
    axes : of the lines: 0 for X = value, 1 for Y = value.

    Returns
    -------
    px (N, 2), axis (N,) and board mm (N,) along it.
    """
    w, h = camera.size
    border = np.array([[x, y] for x in np.linspace(0, w - 1, 5) for y in np.linspace(0, h - 1, 5)], float)
    ends = camera.to_plane(border) / spacing_mm
    lo, hi = np.floor(ends.min(0)).astype(int), np.ceil(ends.max(0)).astype(int)
    every = thin * max(1, int(np.sqrt((hi[0] - lo[0]) * (hi[1] - lo[1]) / LINES)))
    out_px, out_axis, out_value = [], [], []
    for axis in axes:
        a, b = np.meshgrid(np.arange(lo[axis], hi[axis] + 1, every), np.arange(lo[1 - axis], hi[1 - axis] + 1, every) + 0.5)
        board = np.column_stack([a.ravel(), b.ravel()][:: 1 if axis == 0 else -1]) * spacing_mm
        at, normal, cell, inside = _square_to_line(camera, board, axis, spacing_mm)
        places, good = measure_line(light, at, normal, _reach(cell), ruled)
        out_px.append(places[good])
        out_axis.append(np.full(good.sum(), axis, np.intp))
        out_value.append(board[inside, axis][good])
    return np.concatenate(out_px), np.concatenate(out_axis), np.concatenate(out_value)


def _reach(cell_px: Array) -> float:
    return float(np.clip(np.median(cell_px) * CELL_SHARE, *REACHES_PX))


def _dips(light: NDArray[np.uint16], at: Array, normal: Array, reach: float) -> tuple[Array, Array, Array]:
    """Profiles across a line near each place: how much darker than its two sides, as a part of their light, (N, K); the
    offsets (K,) px; and how unlike the two sides are, as a part of their light, (N,).

    The line is averaged over a few px of its own direction first, which halves the noise.
    """
    off = np.arange(-reach, reach + 0.01, PROFILE_PX)
    tangent = np.column_stack([-normal[:, 1], normal[:, 0]])
    run = RUN
    pts = at[:, None, None] + off[None, :, None, None] * normal[:, None, None] + run[None, None, :, None] * tangent[:, None, None]
    v = sample(light, pts.reshape(len(at), -1, 2)).reshape(len(at), len(off), len(run)).mean(2).astype(float)
    edge = BOARD_SAMPLES
    left, right = v[:, :edge].mean(1), v[:, -edge:].mean(1)
    base = left[:, None] + (right - left)[:, None] * np.linspace(0, 1, len(off))
    lit = np.maximum(np.maximum(left, right), 1.0)
    return (base - v) / lit[:, None], off, np.abs(left - right) / lit


def measure_line(
    light: NDArray[np.uint16], at: Array, normal: Array, reach: float, ruled: Ruling
) -> tuple[Array, NDArray[np.bool_]]:
    """The middle of a ruled line near each of N places.

    It is the centroid of what differs from the straight line between the two sides. What counts is the part of the board's
    light that the line takes, which a shadow leaves as it is.

    Parameters
    ----------
    light : (H, W) linear light.
    at, normal : (N, 2) px places, and the direction square to the line there.
    reach : px to either side.
    ruled : how the lines look.

    Returns
    -------
    Places (N, 2) px, and where a line was found (N,).
    """
    dip, off, unlike = _dips(light, at, normal, reach)
    dip = np.clip(ruled.sign * dip, 0, None)
    strength = dip.max(1)
    peak = dip.argmax(1)
    window = np.abs(off[None] - off[peak][:, None]) < WINDOW * reach + WINDOW_PX
    weight = dip * window * (dip > LEAST_DIP * strength[:, None])
    total = weight.sum(1)
    ok = (total > 0) & (strength > LEAST_CONTRAST * ruled.contrast) & (np.abs(off[peak]) < MOST_OFF * reach)
    ok &= unlike < UNLIKE * ruled.contrast + UNLIKE_MORE
    place = np.divide((weight * off).sum(1), total, out=np.zeros(len(at)), where=total > 0)
    return at + place[:, None] * normal, ok
