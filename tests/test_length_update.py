"""The bow's known length speaks to the camera: the board stays where it was seen, the focal length comes nearer to the truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import approx_fprime

from tillerlens.budget import as_seen, from_seen, length_update, seen_by_theta
from tillerlens.photo.camera import Camera, Marks, fit_camera

SIZE = (3000, 2250)
STANDOFF_MM, LENGTH_MM = 67.0, 1700.0
TRUE = Camera(np.r_[0.03, -0.02, 0.01, -600.0, -250.0, 1540.0, np.log(2430.0), -0.008, 1499.5, 1124.5], SIZE)
BOARD = np.stack(np.meshgrid(np.arange(-200, 1401, 100.0), np.arange(0, 701, 100.0)), -1).reshape(-1, 2)


def flat(camera, points=BOARD):
    return camera.project(np.column_stack([points, np.zeros(len(points))]))


@pytest.fixture(scope="module")
def fit():
    """Seen nearly squarely, so that the marks hardly tell the focal length; the file's is 15 % off."""
    px = flat(TRUE) + np.random.default_rng(6).normal(0, 0.05, (len(BOARD), 2))
    return fit_camera(Marks.of_points(px, BOARD, 0.05), SIZE, 0.85 * 2430.0, 0.08 * 0.85 * 2430.0)


def length(theta):
    """Between two places of the bow's plane, mm, as the pixels show them where the true camera saw them ``LENGTH_MM`` apart."""
    ends = np.array([[-250.0, 400.0, -STANDOFF_MM], [-250.0 + LENGTH_MM, 400.0, -STANDOFF_MM]])
    a, b = Camera(theta, SIZE).to_plane(TRUE.project(ends), STANDOFF_MM)
    return float(np.hypot(*(b - a)))


def test_what_is_seen_and_theta_say_the_same():
    assert from_seen(as_seen(TRUE.theta)) == pytest.approx(TRUE.theta, rel=1e-12)
    by_steps = np.array([approx_fprime(TRUE.theta, lambda t, k=k: as_seen(t)[k], 1e-5) for k in range(10)])
    assert seen_by_theta(TRUE.theta) == pytest.approx(by_steps, rel=1e-3, abs=1e-4)


def test_a_length_that_was_known_is_met_and_the_board_stays_where_it_was_seen(fit):
    before = abs(fit.camera.focal_px - 2430)
    assert before > 50 and abs(length(fit.camera.theta) - LENGTH_MM) > 2  # else there is nothing to do
    told, off = length_update(fit, length, LENGTH_MM, 1.0)
    assert 0 < abs(off) < 5
    assert abs(length(told.camera.theta) - LENGTH_MM) < 1.0
    assert abs(told.camera.focal_px - 2430) < 0.5 * before
    assert np.abs(flat(told.camera) - flat(TRUE)).max() < 1.0  # px; a step along theta's own tangent moves it by tens


def test_a_length_typed_wrongly_does_not_pull_the_camera_apart(fit):
    """Ten mm too much: the doubt is told, and the length comes nearer to what was typed, never further from it."""
    wanted = LENGTH_MM + 10
    told, _ = length_update(fit, length, wanted, 2.5)
    assert abs(length(told.camera.theta) - wanted) < abs(length(fit.camera.theta) - wanted)
    assert np.abs(flat(told.camera) - flat(TRUE)).max() < 2.0


def test_being_told_makes_no_camera_less_sure(fit):
    u = []
    for f in (fit, length_update(fit, length, LENGTH_MM, 1.0)[0]):
        to_seen = seen_by_theta(f.camera.theta)
        u.append(np.sqrt(np.diag(to_seen @ f.covariance @ to_seen.T)))
    assert (u[1] <= u[0] * (1 + 1e-6)).all() and u[1][6] < 0.8 * u[0][6]
