"""An edge that keeps beside one of the board's ruled lines may be that line."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from tillerlens.trace.edges import Side
from tillerlens.trace.ruled import off_ruled_lines

COLUMNS, PX_PER_MM, SPACING_MM = 1000, 1.5, 50.0
X = np.arange(COLUMNS, dtype=float)
NONE = np.zeros((0, 2))
CAMERA = SimpleNamespace(
    to_plane=lambda px, standoff: px / PX_PER_MM,
    project=lambda mm: mm[:, :2] * PX_PER_MM,
)


def seen(rows, kind="lines_and_two_marks", by_hand=NONE):
    """Which of one edge's columns are left; the other edge crosses no line."""
    strip = SimpleNamespace(px=lambda column, row: np.column_stack([column, row]))
    shot = SimpleNamespace(scale=SimpleNamespace(kind=kind, spacing_mm=SPACING_MM))
    sides = tuple(Side(r.copy(), np.ones(COLUMNS), 0.1) for r in (rows, np.full(COLUMNS, 112.5)))
    upper, lower = off_ruled_lines(sides, strip, SimpleNamespace(camera=CAMERA), shot, (by_hand, NONE))
    assert np.isfinite(lower.row).all()
    return np.isfinite(upper.row)


def test_an_edge_that_runs_along_a_line_counts_as_not_seen():
    """Level at 77 px, two below the line at 75, between bends that take it clear of it."""
    rows = 77.0 + 0.002 * np.clip(np.abs(X - 500) - 150, 0, None) ** 1.5 * 2
    left = seen(rows)
    assert not left[360:640].any() and left[:200].all() and left[800:].all()


@pytest.mark.parametrize("slope", [0.1, 0.3, 1.0])
def test_an_edge_that_crosses_lines_stays(slope):
    assert seen(20.0 + slope * X).all()


def test_an_edge_as_level_between_two_lines_stays():
    assert seen(np.full(COLUMNS, 77.0 + 20.0)).all()


def test_lines_count_the_way_they_are_ruled():
    """Upright lines are on a grid alone, and other scales have none."""
    strip_up = np.full(COLUMNS, 77.0)
    assert not seen(strip_up).any() and not seen(strip_up, "grid").any()
    assert seen(strip_up, "aruco").all()


def test_what_a_person_set_stays():
    left = seen(np.full(COLUMNS, 77.0), by_hand=np.array([[500.0, 77.0]]))
    assert left[480:520].all() and not left[:450].any() and not left[550:].any()
