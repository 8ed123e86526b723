"""Printed square tags (the open DICT_4X4_50 set) on the board: their corners, to a fraction of a pixel."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tillerlens.core.errors import ScaleError
from tillerlens.photo.camera import CameraFit, Lens, Marks, fit_camera
from tillerlens.photo.light import linear_light, sample

Array = NDArray[np.float64]
CORNER_U_PX = 0.1
# Of a sheet's middle, across and down: read off a tape to a thirty-second of an inch at either end, and stuck on by hand.
SHEET_U_MM = 0.4
SEARCHED_PX = 2048  # of a picture's longer side, that tags are looked for on
# A tag's side: the part of it that is measured, places at the least, px looked at to either side (share of the side, least, most)
# and between samples; the share of the usual step that counts, px off the middle that a place may lie.
MEASURED, LEAST_PLACES, REACH, REACHES_PX, PROFILE_PX, LEAST_STEP, NEAR_PX = (0.12, 0.88), 8, 0.09, (2.5, 6.0), 0.25, 0.25, 1.5
STRAIGHT, STRAIGHT_PERCENTILE, STRAIGHT_PX = 0.8, 90, 0.5  # of a straight side's places: seen; and off it by no more than that
MOST_MOVED_PX = 4  # a corner that has moved by more from the detector's is another
FIT_ACCURACY = 0.01  # of OpenCV's line, px and radians
SPREAD_STEP_PX, MOST_SPREAD_PX = 0.4, 1.0  # of bright paper into black squares
TURN_ROUNDS, TURN_STAYS_RAD = 5, np.radians(0.01)  # of a sheet about its middle
LEAST_ACROSS = 0.05  # sine of the angle between two sides that still meet in a corner
COVERED_CORNER_U_PX = 3.0  # a side of the tag is partly hidden, or the tag is bent
# corner order of the detector: clockwise from the tag's own top left; board X right, Y down
_CORNERS = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])


def find_tags(grey: NDArray[np.uint8]) -> dict[int, tuple[Array, Array]]:
    """Tags seen, id -> (4, 2) px corners and (4,) px standard uncertainties.

    Found on a picture of at most ``SEARCHED_PX``, then refined at full size.
    """
    k = max(1.0, max(grey.shape) / SEARCHED_PX)
    small = grey if k == 1 else cv2.resize(grey, None, fx=1 / k, fy=1 / k, interpolation=cv2.INTER_AREA)
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), settings)
    corners, ids, _ = detector.detectMarkers(small)
    if ids is None:
        return {}
    light = linear_light(grey)
    out: dict[int, tuple[Array, Array]] = {}
    for quad, tag in zip(corners, np.ravel(ids), strict=True):
        q = (quad.reshape(4, 2).astype(float) + 0.5) * k - 0.5
        out[int(tag)] = _refine(light, q)
    return out


def _refine(light: NDArray[np.uint16], quad: Array) -> tuple[Array, Array]:
    """Corners as the meeting of straight lines fitted to the four black-white sides.

    Many edge samples a side beat one corner window, and the lines know nothing of half-pixel conventions.
    """
    lines, straight = [], []
    for i in range(4):
        a, b = quad[i], quad[(i + 1) % 4]
        along = b - a
        length = float(np.hypot(*along))
        normal = np.array([along[1], -along[0]]) / length  # outward: away from the black for a clockwise quad
        t = np.linspace(*MEASURED, max(LEAST_PLACES, int(length)))
        reach = max(REACHES_PX[0], min(REACHES_PX[1], REACH * length))
        off = np.arange(-reach, reach + 0.01, PROFILE_PX)
        pts = a + t[:, None, None] * along + off[None, :, None] * normal
        v = sample(light, pts).astype(float)
        step = np.diff(v, axis=1)
        mid = (off[1:] + off[:-1]) / 2
        weight = np.clip(step, 0, None) ** 2
        total = weight.sum(axis=1)
        ok = total > LEAST_STEP * np.median(total)
        if not ok.any():  # no step of light along this side: it stays where the detector put it
            lines.append((a, along / length))
            straight.append(False)
            continue
        place = (weight * mid).sum(axis=1)[ok] / total[ok]
        foot = a + t[ok][:, None] * along + place[:, None] * normal
        keep = np.abs(place - np.median(place)) < NEAR_PX
        vx, vy, px, py = np.ravel(cv2.fitLine(foot[keep].astype(np.float32), cv2.DIST_HUBER, 0, FIT_ACCURACY, FIT_ACCURACY))
        lines.append((np.array([px, py], float), np.array([vx, vy], float)))
        stray = np.abs((foot - [px, py]) @ np.array([-vy, vx]))
        straight.append(bool(ok.mean() > STRAIGHT and np.percentile(stray, STRAIGHT_PERCENTILE) < STRAIGHT_PX))
    corners = []
    for i in range(4):
        (p, u), (q, w) = lines[i - 1], lines[i]
        across = u[0] * w[1] - u[1] * w[0]
        if abs(across) < LEAST_ACROSS:
            corners.append(quad[i])
            continue
        corners.append(p + ((q - p)[0] * w[1] - (q - p)[1] * w[0]) / across * u)
    found = np.array(corners)
    moved = np.linalg.norm(found - quad, axis=1)
    stays = moved < MOST_MOVED_PX
    sure = [CORNER_U_PX if straight[i - 1] and straight[i] and stays[i] else COVERED_CORNER_U_PX for i in range(4)]
    return np.where(stays[:, None], found, quad), np.array(sure)


def tag_marks(grey: NDArray[np.uint8], side_mm: float, centres_mm: dict[int, tuple[float, float]]) -> Marks:
    """The corners of every tag the bowyer has placed.

    Parameters
    ----------
    grey : the picture.
    side_mm : of the black square.
    centres_mm : board places of the tags, by their numbers.

    Raises
    ------
    ScaleError
        When fewer than three are seen.
    """
    seen = find_tags(grey)
    used = sorted(set(seen) & set(centres_mm))
    if len(used) < 3:
        raise ScaleError(
            f"{len(used)} of the {len(centres_mm)} printed tags found, three needed.",
            "Keep all tags in the picture, uncovered, evenly lit and sharp.",
            found=used,
        )
    px = np.concatenate([seen[i][0] for i in used])
    u_px = np.concatenate([seen[i][1] for i in used])
    mm = np.concatenate([np.asarray(centres_mm[i]) + _CORNERS * side_mm for i in used])
    return replace(Marks.of_points(px, mm, u_px), sheet_points=4, sheet_u_mm=SHEET_U_MM)


def fit_tags(marks: Marks, lens: Lens) -> CameraFit:
    """Fit the camera to tag corners, with two more things unknown: how each sheet lies turned about its middle, and how far
    bright paper has spread into the black squares.

    Sheets are pinned up by eye and lie a degree or more askew, on a floor ten; only their middles are measured. Over-exposed
    paper blooms and every black square looks smaller by the same fraction of a pixel a side; taken at face value that bends the
    lens. The squared residual about each sheet's own middle is a parabola in the spread, so three fits find its bottom.

    Raises
    ------
    ScaleError
        When the tags contradict each other.
    """
    marks, fit = _as_turned(marks, lens)
    middles = marks.points_px.reshape(-1, 4, 2).mean(1)
    outward = marks.points_px - np.repeat(middles, 4, axis=0)
    outward /= np.linalg.norm(outward, axis=1, keepdims=True) / np.sqrt(2)  # a side moved by 1 px moves the corner by sqrt 2

    def grown(px: float) -> tuple[CameraFit, float]:
        larger = replace(marks, points_px=marks.points_px + px * outward)
        found = fit_camera(larger, lens, fit.camera.theta)
        return found, _misshapen(larger, found)

    step = SPREAD_STEP_PX
    low, here, high = (grown(d)[1] for d in (-step, 0.0, step))
    bend = low - 2 * here + high
    spread = float(np.clip(step * (low - high) / (2 * bend), -MOST_SPREAD_PX, MOST_SPREAD_PX)) if bend > 0 else 0.0
    return grown(spread)[0]


def _misshapen(marks: Marks, fit: CameraFit) -> float:
    """How badly the tags' corners fit (mean square, px2), wherever each sheet lies."""
    seen = fit.camera.project(np.column_stack([marks.points_mm, np.zeros(len(marks.points_mm))]))
    off = (seen - marks.points_px).reshape(-1, 4, 2)
    worth = (1 / marks.points_u_px**2).reshape(-1, 4, 1)
    off = off - np.sum(worth * off, axis=1, keepdims=True) / np.sum(worth, axis=1, keepdims=True)
    return float(np.sum(worth * off**2) / np.sum(2 * worth))


def _as_turned(marks: Marks, lens: Lens) -> tuple[Marks, CameraFit]:
    """The marks with each tag turned as its sheet lies, and the camera they give; first by the tags' middles alone, then by the
    camera, until the turns stay."""
    px = marks.points_px.reshape(-1, 4, 2)
    upright = marks.points_mm.reshape(-1, 4, 2)
    middles = upright.mean(1)
    square = upright - middles[:, None]
    seen, there = px.mean(1).astype(np.float32), middles.astype(np.float32)
    if len(px) > 3:
        to_board = cv2.findHomography(seen, there)[0]
    else:
        to_board = np.vstack([cv2.getAffineTransform(seen, there), [0.0, 0.0, 1.0]])
    on_board = None if to_board is None else cv2.perspectiveTransform(px.reshape(1, -1, 2).astype(float), to_board)[0]
    turns = np.zeros(len(px)) if on_board is None else _turns(np.asarray(on_board, float), square)
    fit: CameraFit | None = None
    for _ in range(TURN_ROUNDS):
        c, s = np.cos(turns)[:, None], np.sin(turns)[:, None]
        turned = np.stack([c * square[..., 0] - s * square[..., 1], s * square[..., 0] + c * square[..., 1]], -1)
        marks = replace(marks, points_mm=(middles[:, None] + turned).reshape(-1, 2))
        fit = fit_camera(marks, lens, None if fit is None else fit.camera.theta)
        again = _turns(fit.camera.to_plane(marks.points_px), square)
        stays, turns = float(np.max(np.abs(np.angle(np.exp(1j * (again - turns)))))) < TURN_STAYS_RAD, again
        if stays:
            break
    assert fit is not None
    return marks, fit


def _turns(corners_mm: Array, square: Array) -> Array:
    """How each tag (n,) is turned (rad) on the board, whose corners (4 n, 2) mm lie about its middle, from upright (n, 4, 2)."""
    own = corners_mm.reshape(-1, 4, 2)
    own = own - own.mean(1, keepdims=True)
    along = (own * square).sum((1, 2))
    across = (square[..., 0] * own[..., 1] - square[..., 1] * own[..., 0]).sum(1)
    return np.asarray(np.arctan2(across, along))
