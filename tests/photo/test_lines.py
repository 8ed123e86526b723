"""Lines ruled one way and two marks, drawn by their own formula and found again; and ladders numbered among other lines."""

from __future__ import annotations

import numpy as np
import pytest

from tests.photo.test_grid import ruled
from tillerlens.core.errors import ScaleError
from tillerlens.photo.camera import Lens
from tillerlens.photo.marks import lines
from tillerlens.photo.marks.lines import find_lines

SPACING_MM, APART_MM = 50.0, 1500.0


def _marks(true) -> np.ndarray:
    """Two places (2, 2) px ``APART_MM`` apart on one level line."""
    return true.project(np.array([[200.0, 700.0, 0.0], [200.0 + APART_MM, 700.0, 0.0]]))


@pytest.mark.parametrize("ink", [110.0, -45.0], ids=["dark lines", "light lines"])
@pytest.mark.parametrize("rows", [(-np.inf, np.inf), (380.0, 1000.0)], ids=["board everywhere", "board on a speckled wall"])
def test_lengths_along_and_across_the_lines_come_out(ink, rows):
    rgb, true = ruled(1800, SPACING_MM, 2.0, ink, rows=rows, axes=(1,))
    marks = _marks(true)
    lens = Lens((rgb.shape[1], rgb.shape[0]), true.focal_px, 0.05 * true.focal_px)
    fit = find_lines(rgb, SPACING_MM, marks, np.full(2, 0.15), APART_MM, lens)
    for ends in ([[0.1, 0.5], [0.9, 0.5]], [[0.5, 0.35], [0.5, 0.65]]):
        px = np.array(ends) * true.size
        length = [float(np.linalg.norm(np.diff(camera.to_plane(px), axis=0))) for camera in (fit.camera, true)]
        # a millimetre in a metre: what 0.1 px on the lines and the two marks leave
        assert length[0] == pytest.approx(length[1], rel=1e-3)


def test_a_board_without_lines_is_refused_with_what_to_do():
    rgb, true = ruled(1600, SPACING_MM, 2.0, 0.0, axes=(1,))
    with pytest.raises(ScaleError) as refused:
        find_lines(rgb, SPACING_MM, _marks(true), np.full(2, 0.15), APART_MM, Lens((rgb.shape[1], rgb.shape[0])))
    assert refused.value.remedy


def _tracks(heights: list[float]) -> list[np.ndarray]:
    x = np.linspace(0, 1000, 40)
    return [np.column_stack([x, np.full(40, y)]) for y in heights]


def test_rungs_are_numbered_among_rims_and_joints_and_a_hidden_one_is_counted():
    # rungs that widen by a hundredth each, as perspective makes them; number 5 is hidden by the bow
    gaps = 60 * 1.01 ** np.arange(12)
    true = 200 + np.r_[0, np.cumsum(gaps)]
    seen = np.delete(true, 5)
    # the board's rims and the joints of its planks, one of them beside the hidden rung
    others = [160.0, 231.0, 393.0, float(true[5]) - 6.0, 545.0, 702.0, 1010.0]
    kept, number = lines._number(_tracks([*seen, *others]), 500.0)
    assert [t[0, 1] for t in kept] == list(seen)
    assert list(number) == [0, 1, 2, 3, 4, 6, 7, 8, 9, 10, 11, 12]
