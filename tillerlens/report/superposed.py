"""Two photographs of one bow laid over each other on its handle: each warped into the bow's own frame, back up, upper limb left.

The measurement knows places of the bow in the picture (pixels) and in the bow's frame (mm); between them runs the homography of
the bow's plane. An unstrung bow is nearly a line and tells little across it, so the homography is held to a plain turn, shift and
scale as far as the places do not say otherwise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from tillerlens.core.errors import DocumentError
from tillerlens.core.measurement import LIMBS, Measurement
from tillerlens.core.shot import Shot

Array = NDArray[np.float64]
Rgb = NDArray[np.uint8]

PLACE_U_MM = 0.5  # how well a place of the bow is known in both
SKEW_U = 0.05  # a picture's departure from turn, shift and scale over a metre: a few degrees of a camera held askew
MARGIN_MM = 70.0
LEAST_HIGH = 0.25  # of the width
EARLIER, LATER, RIM = (120, 190, 255), (255, 176, 0), (20, 20, 20)  # light blue and amber, each with a dark rim


@dataclass(frozen=True)
class BowFrame:
    """What of the bow's frame is shown: mm at the left, right, bottom and top, and how many pixels a mm is wide."""

    left: float
    right: float
    bottom: float
    top: float
    px_per_mm: float

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in pixels."""
        return (
            max(1, round((self.right - self.left) * self.px_per_mm)),
            max(1, round((self.top - self.bottom) * self.px_per_mm)),
        )

    def to_px(self) -> Array:
        """(3, 3): mm in the bow's frame to pixels, with the upper limb (+x) to the left and the back (+y) up."""
        k = self.px_per_mm
        return np.array([[-k, 0.0, k * self.right - 0.5], [0.0, -k, k * self.top - 0.5], [0.0, 0.0, 1.0]])


def places_of(found: Measurement) -> tuple[Array, Array]:
    """(N, 2) pixels of the picture and (N, 2) mm of the bow's frame of the same places. Raises DocumentError where not known."""
    pairs = [np.hstack([p.centre_px, p.centre_mm]) for p in found.profile.values() if len(p.centre_mm)]
    if found.trace is not None and found.trace.hook_px is not None and found.trace.hook_mm is not None:
        # one place across the bow counts like a stretch of limb
        pairs.append(np.tile(np.r_[found.trace.hook_px, found.trace.hook_mm], (20, 1)))
    known = np.vstack([np.empty((0, 4)), *pairs])
    known = known[np.isfinite(known).all(1)]
    if len(known) < 10:
        raise DocumentError("This picture's measurement does not say where the bow lies in it.", "Measure the picture again.")
    return known[:, :2], known[:, 2:]


def to_bow(found: Measurement) -> Array:
    """(3, 3) homography from the picture's pixels to mm in the bow's frame."""
    px, mm = places_of(found)
    middle, reach = px.mean(0), float(np.abs(px - px.mean(0)).max())
    normal = np.array([[1 / reach, 0, -middle[0] / reach], [0, 1 / reach, -middle[1] / reach], [0, 0, 1.0]])
    p, q = (px - middle) / reach, mm / 1000
    plain = _turn_shift_scale(p, q, _handedness(found.shot))

    def warp(x: Array) -> Array:
        skew = np.eye(3)
        skew[0, :2] += x[:2]
        skew[1, :2] += x[2:4]
        skew[:2, 2], skew[2, :2] = x[4:6], x[6:8]
        return skew @ plain

    def off(x: Array) -> Array:
        seen = _through(warp(x), p) - q
        return np.r_[seen.ravel() * 1000 / PLACE_U_MM / np.sqrt(len(p) / 20), np.delete(x, (4, 5)) / SKEW_U]

    got = least_squares(off, np.zeros(8))
    return np.asarray(np.diag([1000.0, 1000.0, 1.0]) @ warp(got.x) @ normal)


def frame_for(pictures: Sequence[Measurement], width_px: int = 1400) -> BowFrame:
    """What holds the bows of these pictures, string and hook with them."""
    mm = np.vstack([places_of(m)[1] for m in pictures])
    left, bottom = mm.min(0) - MARGIN_MM
    right, top = mm.max(0) + MARGIN_MM
    more = max(0.0, LEAST_HIGH * (right - left) - (top - bottom)) / 2  # an unstrung bow alone would be a strip
    bottom, top = bottom - more, top + more
    return BowFrame(float(left), float(right), float(bottom), float(top), width_px / float(right - left))


def lay(rgb: Rgb, found: Measurement, frame: BowFrame) -> Rgb:
    """The picture (H, W, 3) as it looks in the frame; grey where it does not reach."""
    import cv2

    onto = frame.to_px() @ to_bow(found)
    # shrunk first, or a picture much larger than the frame would shimmer
    shrink = min(1.0, 1.5 * _scale_at(onto, rgb.shape))
    small = rgb if shrink >= 1 else cv2.resize(rgb, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    fy, fx = (a / b for a, b in zip(small.shape[:2], rgb.shape[:2], strict=True))
    back = np.array([[1 / fx, 0, 0.5 / fx - 0.5], [0, 1 / fy, 0.5 / fy - 0.5], [0, 0, 1.0]])
    flat = cv2.warpPerspective(
        small, onto @ back, frame.size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(128, 128, 128)
    )
    return np.asarray(flat, np.uint8)


def faded(then: Rgb, now: Rgb, part: float) -> Rgb:
    """part 0: only the earlier picture, 1: only the later."""
    return np.asarray(np.round(then * (1 - part) + now * part), np.uint8)


def with_lines(rgb: Rgb, frame: BowFrame, then: Measurement, now: Measurement) -> Rgb:
    """Both centrelines over the picture: the earlier one in dashes, the later one drawn through."""
    import cv2

    out = np.ascontiguousarray(rgb.copy())
    for found, colour, dashed in ((then, EARLIER, True), (now, LATER, False)):
        for limb in LIMBS:
            mm = found.profile[limb].centre_mm
            at = _through(frame.to_px(), mm[np.isfinite(mm).all(1)])
            for width, ink in ((6, RIM), (4, colour)):
                for part in _dashes(at) if dashed else [at]:
                    cv2.polylines(out, [np.round(part * 16).astype(np.int32)], False, ink, width, cv2.LINE_AA, shift=4)
    return out


def _dashes(at: Array, on: float = 30.0, off: float = 20.0) -> list[Array]:
    s = np.r_[0.0, np.cumsum(np.hypot(*np.diff(at, axis=0).T))]
    out = []
    for start in np.arange(0.0, s[-1], on + off):
        along = np.linspace(start, min(start + on, s[-1]), 5)
        out.append(np.column_stack([np.interp(along, s, at[:, k]) for k in (0, 1)]))
    return out


def _through(homography: Array, points: Array) -> Array:
    to = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return np.asarray(to[:, :2] / to[:, 2:])


def _scale_at(onto: Array, shape: tuple[int, ...]) -> float:
    """How many pixels of the frame one of the picture becomes at its middle."""
    middle = np.array([[shape[1] / 2, shape[0] / 2]])
    across = _through(onto, middle + [[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    return float(np.sqrt(abs(np.linalg.det((across[1:] - across[0]).T))))


def _handedness(shot: Shot | None) -> tuple[float, ...]:
    """(1,) where the picture shows the bow's frame turned, (-1,) where mirrored; both where the shot does not say. A bow that is
    nearly a straight line does not tell."""
    ways = {"left": (-1, 0), "right": (1, 0), "top": (0, -1), "bottom": (0, 1), "up": (0, -1), "down": (0, 1)}
    if shot is None:
        return (1.0, -1.0)
    upper, back = ways[shot.upper_limb], ways[shot.back]
    return (1.0 if upper[0] * back[1] - upper[1] * back[0] > 0 else -1.0,)


def _turn_shift_scale(p: Array, q: Array, ways: tuple[float, ...]) -> Array:
    """(3, 3): the turn (or mirrored turn), shift and scale that bring p nearest to q: Umeyama, IEEE PAMI 13(4), 1991."""
    a, b = p - p.mean(0), q - q.mean(0)
    best, least = np.eye(3), np.inf
    u, sizes, vt = np.linalg.svd(b.T @ a)
    for way in ways:
        d = np.diag([1.0, way * float(np.sign(np.linalg.det(u @ vt)))])
        turn = u @ d @ vt
        scale = float((sizes * np.diag(d)).sum() / (a**2).sum())
        out = np.eye(3)
        out[:2, :2], out[:2, 2] = scale * turn, q.mean(0) - scale * turn @ p.mean(0)
        off = float(((_through(out, p) - q) ** 2).sum())
        if off < least:
            best, least = out, off
    return best


__all__ = ["BowFrame", "faded", "frame_for", "lay", "places_of", "to_bow", "with_lines"]
