"""Edges that run along a line ruled on the board: there the line was followed, not the wood.

The camera knows where the board's lines lie. A silhouette may cross one, or touch it for a little; one that keeps beside the same
line for inches, as a handle hung level before level lines does, can't be told from it, and counts as not seen.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tillerlens.core.shot import Shot
from tillerlens.photo.camera import Camera, CameraFit
from tillerlens.trace.by_hand import CORRECTION_REACH
from tillerlens.trace.edges import Side
from tillerlens.trace.straighten import Strip

Array = NDArray[np.float64]

BESIDE_PX, BESIDE_MM = 3.0, 1.2  # of a line's middle, the greater of the two: its own half width and the blur of both
ALONG_MM = 40.0  # for which an edge must keep beside one line: a limb's crosses it sooner
GAP_MM = 6.0  # in it, that may be lost or stray
RULED_AXES = {"grid": (0, 1), "lines_and_two_marks": (1,)}  # of the board, in which lines are ruled: X = value, Y = value


def off_ruled_lines(
    sides: tuple[Side, Side], strip: Strip, fit: CameraFit, shot: Shot, by_hand: tuple[Array, Array]
) -> tuple[Side, Side]:
    """Both silhouettes less what runs along a ruled line.

    Parameters
    ----------
    sides, strip : the silhouettes' rows per column of the strip.
    fit, shot : where the board's lines lie, and how far apart.
    by_hand : places (K, 2: column, row) that a person has put on either edge; about them the edge stays.
    """
    spacing_mm = shot.scale.spacing_mm
    axes = RULED_AXES.get(shot.scale.kind, ())
    if not axes or not spacing_mm:
        return sides
    camera = fit.camera
    left, right = (
        _less(side, _along_a_line(side.row, strip, camera, spacing_mm, axes), own)
        for side, own in zip(sides, by_hand, strict=True)
    )
    return left, right


def _less(side: Side, ruled: NDArray[np.bool_], by_hand: Array) -> Side:
    columns = np.arange(len(side.row))
    for column in by_hand[:, 0]:
        ruled = ruled & (np.abs(columns - column) > CORRECTION_REACH)
    return replace(side, row=np.where(ruled, np.nan, side.row)) if ruled.any() else side


def beside_line(camera: Camera, px: Array, axis: int, spacing_mm: float) -> tuple[Array, Array]:
    """How far places (N, 2) px lie from the middle of the nearest line ruled at X (``axis`` 0) or Y (1) = a whole spacing of the
    board: (N,) px and (N,) mm."""
    board = camera.to_plane(px, 0.0)
    on_line = board.copy()
    on_line[:, axis] = np.round(board[:, axis] / spacing_mm) * spacing_mm
    seen = camera.project(np.column_stack([on_line, np.zeros(len(px))]))
    return np.linalg.norm(seen - px, axis=1), np.abs(on_line[:, axis] - board[:, axis])


def _along_a_line(row: Array, strip: Strip, camera: Camera, spacing_mm: float, axes: tuple[int, ...]) -> NDArray[np.bool_]:
    """Per column, whether the edge there keeps beside one of the board's lines for long."""
    columns = np.arange(len(row))
    px = strip.px(columns.astype(float), np.where(np.isnan(row), 0.0, row))
    column_mm = float(np.median(np.linalg.norm(np.diff(camera.to_plane(px, 0.0), axis=0), axis=1)))
    out = np.zeros(len(row), bool)
    for axis in axes:
        away_px, away_mm = beside_line(camera, px, axis, spacing_mm)
        near = ~np.isnan(row) & ((away_px < BESIDE_PX) | (away_mm < BESIDE_MM))
        closed = near | ndimage.binary_closing(near, np.ones(max(1, round(GAP_MM / column_mm)), bool))
        out |= near & ndimage.binary_opening(closed, np.ones(max(1, round(ALONG_MM / column_mm)), bool))
    return out
