"""The lines of a ruled board that run along the bow: one beside a limb's edge, of its colour or as bright as its lit rim, passes
for the edge. Where they lie is known from the camera, so they are taken out of the picture before the edges are read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.shot import Shot
from tillerlens.photo.camera import Camera
from tillerlens.photo.light import sample
from tillerlens.trace.ruled import RULED_AXES, beside_line

Array = NDArray[np.float64]

REACH_PX, STEP_PX, SIDE_SAMPLES = 8.0, 0.5, 4  # looked at across a line; samples at either end that are the board
SHOWS = 0.15  # of a line's strongest contrast, that is still line
HALVES_PX = (2.0, 6.0)  # of a line, with what blur and a phone's halved colour spread it by
UNEVEN = 0.3  # of the logarithm of light, between a line's two sides: there something else ends
CLEAREST, CLEAR = 95.0, 0.5  # percentile that says how clear a line can be, and the share of it that is one
EVERY_PX = 7  # along a line, between the places that tell how broad it is
SIDE_PX = (1, 2, 3)  # beyond a line, from where it is filled in


@dataclass(frozen=True, eq=False)
class Ruled:
    """The lines X = value (``axis`` 0) or Y = value (1) at every whole ``spacing_mm`` of the board.

    ``off_px`` (K,) and ``ratio`` (K, 3): across a line, how many times as light as the board it is; ``half_px``: how broad it is
    each way.
    """

    camera: Camera
    axis: int
    spacing_mm: float
    off_px: Array
    ratio: Array
    half_px: float

    def lighter(self, px: Array) -> Array:
        """How many times as light as the board (..., 3) a line makes places (..., 2) px, if they are the board's."""
        at = px.reshape(-1, 2)
        away, _ = beside_line(self.camera, at, self.axis, self.spacing_mm)
        return np.stack([np.interp(away, self.off_px, self.ratio[:, k]) for k in range(3)], -1).reshape(*px.shape[:-1], 3)


def lines_along(light: NDArray[np.uint16], camera: Camera, shot: Shot) -> Ruled | None:
    """The board's lines that run along the bow; None where it has none."""
    axis = 0 if shot.upper_limb in ("top", "bottom") else 1
    if axis not in RULED_AXES.get(shot.scale.kind, ()) or not shot.scale.spacing_mm:
        return None
    off = np.arange(-REACH_PX, REACH_PX + 0.01, STEP_PX)
    across = np.concatenate(
        [
            sample(light, np.stack([x[::EVERY_PX, None] + off * upright, y[::EVERY_PX, None] + off * (not upright)], -1))
            for x, y, upright in _centres(camera, axis, shot.scale.spacing_mm)
        ]
    ).astype(float)
    left, right = across[:, :SIDE_SAMPLES].mean(1), across[:, -SIDE_SAMPLES:].mean(1)
    plain = left[:, None] + (right - left)[:, None] * np.linspace(0, 1, len(off))[:, None]
    times = np.log(np.maximum(across, 1.0) / np.maximum(plain, 1.0))
    even = np.abs(np.log(np.maximum(left, 1.0) / np.maximum(right, 1.0))).max(1) < UNEVEN
    middle = times[even, len(off) // 2]
    if not len(middle):
        return None
    clearest = np.percentile(np.abs(middle).max(1), CLEAREST)
    seen = np.abs(middle).max(1) > CLEAR * clearest  # beyond the board's end, or behind the bow, there are none
    ratio = np.exp(np.median(times[even][seen], axis=0))
    ratio = ((ratio + ratio[::-1]) / 2)[len(off) // 2 :]  # alike to either side
    contrast, beyond = np.abs(np.log(ratio)).max(1), off[len(off) // 2 :]
    shows = (beyond < HALVES_PX[1]) & (contrast > SHOWS * contrast[beyond < HALVES_PX[1]].max())
    half = float(np.clip(beyond[shows].max() + STEP_PX, *HALVES_PX))
    return Ruled(camera, axis, shot.scale.spacing_mm, beyond, np.where((beyond <= half)[:, None], ratio, 1.0), half)


def without_lines(rgb: NDArray[np.uint8], lines: Ruled) -> NDArray[np.uint8]:
    """The picture (H, W, 3) without these lines: what lies at both sides of each, run into each other where it is."""
    out = rgb.copy()
    half = int(np.ceil(lines.half_px))
    band = np.arange(-half, half + 1)
    share = ((band + half + 1) / (2 * half + 2))[None, :, None]
    for x, y, upright in _centres(lines.camera, lines.axis, lines.spacing_mm):
        across, along = (x, y) if upright else (y, x)
        picture, filled = (rgb, out) if upright else (rgb.swapaxes(0, 1), out.swapaxes(0, 1))
        middle, rows = np.round(across).astype(int), np.round(along).astype(int)
        most = picture.shape[1] - half - SIDE_PX[-1] - 1
        inside = (middle > half + SIDE_PX[-1]) & (middle < most)
        middle, rows = middle[inside], rows[inside]
        sides = (middle[:, None] + way * (half + np.array(SIDE_PX)) for way in (-1, 1))
        low, high = (picture[rows[:, None], side].mean(1)[:, None] for side in sides)
        filled[rows[:, None], middle[:, None] + band] = np.round(low * (1 - share) + high * share)
    return out


def _centres(camera: Camera, axis: int, spacing_mm: float) -> list[tuple[Array, Array, bool]]:
    """Of each line, where (N,) px its middle lies for every row it crosses, or every column where it lies level; and whether it
    stands upright in the picture."""
    w, h = camera.size
    border = np.array([[x, y] for x in np.linspace(0, w - 1, 5) for y in np.linspace(0, h - 1, 5)], float)
    board = camera.to_plane(border)
    low, high = board.min(0), board.max(0)
    far = np.linspace(low[1 - axis], high[1 - axis], 200)
    out = []
    for k in range(int(np.ceil(low[axis] / spacing_mm)), int(high[axis] / spacing_mm) + 1):
        places = np.column_stack([np.full(len(far), k * spacing_mm), far][:: 1 if axis == 0 else -1])
        px = camera.project(np.column_stack([places, np.zeros(len(far))]))
        upright = bool(np.ptp(px[:, 1]) > np.ptp(px[:, 0]))
        way, beside, size = (px[:, 1], px[:, 0], h) if upright else (px[:, 0], px[:, 1], w)
        order = np.argsort(way)
        at = np.arange(max(0, int(np.ceil(way.min()))), min(size - 1, int(way.max())) + 1, dtype=float)
        across = np.interp(at, way[order], beside[order])
        inside = (across > 0) & (across < (w if upright else h) - 1)
        pair = (across[inside], at[inside]) if upright else (at[inside], across[inside])
        if inside.any():
            out.append((*pair, upright))
    return out
