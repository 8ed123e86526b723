"""The camera fit: does it find what made the marks, and is it as sure of it as it may be?"""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from tillerlens.core.errors import ScaleError
from tillerlens.photo.camera import (
    K1_PRIOR_U,
    PRINCIPAL_POINT_PRIOR_U,
    Camera,
    CameraFit,
    Lens,
    Marks,
    fit_camera,
    with_theta,
)
from tillerlens.photo.marks.tags import SHEET_U_MM, tag_marks

SIZE = (3000, 2250)
FOCAL = 2500.0
STANDOFF_MM = 55.0
SIDE = 100.0
TAGS_MM = np.array([[0, 0], [1900, 0], [0, 860], [1900, 860]], float)
CORNERS_MM = (TAGS_MM[:, None] + SIDE * (np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) - 0.5)).reshape(-1, 2)


def flat(xy_mm: np.ndarray, height_mm: float = 0.0) -> np.ndarray:
    return np.column_stack([xy_mm, np.full(len(xy_mm), -height_mm)])


def camera(pitch: float = 6, yaw: float = -4, roll: float = 1, focal: float = FOCAL, k1: float = 0.006,
           shift: tuple[float, float] = (0.0, 0.0)) -> Camera:  # fmt: skip
    """Looking at the middle of the tags from about 2 m, turned by degrees."""
    turn = np.eye(3)
    for axis, angle in enumerate((pitch, yaw, roll)):
        turn = cv2.Rodrigues(np.radians(angle) * np.eye(3)[axis])[0] @ turn
    away = np.array([20.0, -30.0, focal * 0.8]) - turn @ np.r_[TAGS_MM.mean(0), 0.0]
    middle = np.array([(SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2]) + shift
    return Camera(np.r_[np.ravel(cv2.Rodrigues(turn)[0]), away, math.log(focal), k1, middle], SIZE)


def span_mm(c: Camera, px: np.ndarray) -> float:
    """A length in the bow's plane, between two pixels."""
    return float(np.linalg.norm(np.diff(c.to_plane(px, STANDOFF_MM), axis=0)))


def u_of(fit: CameraFit, read) -> float:  # type: ignore[no-untyped-def]
    """Standard uncertainty of a number read from the camera, by central differences."""
    u = np.sqrt(np.diag(fit.covariance))
    slope = np.zeros(len(u))
    for i, step in enumerate(0.1 * u):
        more, less = (with_theta(fit.camera, fit.camera.theta + s * np.eye(len(u))[i]) for s in (step, -step))
        slope[i] = (read(more) - read(less)) / (2 * step)
    return float(np.sqrt(slope @ fit.covariance @ slope))


@pytest.mark.parametrize(("pitch", "yaw", "roll"), [(15, -12, 2), (-20, 5, -88), (8, 18, 179)])
def test_many_marks_give_pose_focal_length_and_lens(pitch: float, yaw: float, roll: float) -> None:
    """From exact marks and a focal length of the camera's that is 4 % off."""
    true = camera(pitch, yaw, roll, k1=-0.012)
    y, x = np.mgrid[-100:1000:12j, -200:2100:24j]
    board = np.column_stack([x.ravel(), y.ravel()])
    fit = fit_camera(Marks.of_points(true.project(flat(board)), board, 0.05), Lens(SIZE, 1.04 * FOCAL, 0.05 * FOCAL))
    assert fit.camera.focal_px == pytest.approx(FOCAL, rel=5e-4)
    assert fit.camera.theta[7] == pytest.approx(-0.012, abs=2e-4)
    assert fit.camera.centre_mm == pytest.approx(true.centre_mm, abs=2.0)  # of about two metres
    assert fit.camera.obliqueness() == pytest.approx(true.obliqueness(), abs=math.radians(0.05))
    assert fit.rms_px < 0.01 and fit.outliers == 0
    nocks = true.project(flat(np.array([[150, 300], [1750, 320.0]]), STANDOFF_MM))
    assert span_mm(fit.camera, nocks) == pytest.approx(math.hypot(1600, 20), abs=0.1)


def parallax_mm(c: Camera, px: np.ndarray) -> float:
    """How far aside the ray of a pixel runs from the board to 200 mm before it."""
    return float((c.to_plane(px, 200.0) - c.to_plane(px, 0.0))[0, 0])


def test_sheets_stuck_on_a_little_off_their_place_do_not_turn_the_camera(rng: np.random.Generator) -> None:
    """Four printed sheets, each 0.3 mm off its measured middle, their corners seen to 0.1 px: how far aside the camera stands of
    a bow 20 cm before the board is told to less than half of what it errs by where the corners are believed, and its uncertainty
    holds."""
    true = camera(3, -2, 0.5)
    middle = np.array([[(SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2]])
    want, off = parallax_mm(true, middle), {0.0: [], 0.4: []}
    z = []
    for _ in range(12):
        moved = CORNERS_MM + np.repeat(rng.normal(0, 0.3, (4, 2)), 4, axis=0)
        seen = true.project(flat(moved)) + rng.normal(0, 0.05, (16, 2))
        for sheet_u, errors in off.items():
            marks = replace(Marks.of_points(seen, CORNERS_MM, 0.1), sheet_points=4, sheet_u_mm=sheet_u)
            fit = fit_camera(marks, Lens(SIZE, 1.01 * FOCAL, 0.05 * FOCAL))
            errors.append(parallax_mm(fit.camera, middle) - want)
        z.append(errors[-1] / u_of(fit, lambda c: parallax_mm(c, middle)))
    assert np.std(off[0.4]) < 0.5 * np.std(off[0.0])
    assert np.sqrt(np.mean(np.square(z))) < 1.4


def test_printed_tags_count_as_sheets() -> None:
    """Of a picture with three tags: each is a sheet of four corners whose middle may lie off."""
    grey = np.full((500, 900), 255, np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for k, (x, y) in enumerate(((60, 60), (700, 60), (60, 340))):
        grey[y : y + 100, x : x + 100] = cv2.aruco.generateImageMarker(dictionary, k, 100)
    marks = tag_marks(grey, 50.0, {0: (0.0, 0.0), 1: (320.0, 0.0), 2: (0.0, 140.0)})
    assert (marks.sheet_points, marks.sheet_u_mm) == (4, SHEET_U_MM)
    middles = np.array([[109.5, 109.5], [749.5, 109.5], [109.5, 389.5]])
    assert marks.points_px.reshape(3, 4, 2).mean(1) == pytest.approx(middles, abs=0.3)


def test_pixels_and_rays_are_each_others_inverse(rng: np.random.Generator) -> None:
    c = camera(k1=-0.02)
    xy = rng.uniform((-200, -200), (2100, 1100), (100, 2))
    assert c.to_plane(c.project(flat(xy, STANDOFF_MM)), STANDOFF_MM) == pytest.approx(xy, abs=1e-4)


def draws(n: int, noise_px: float, squared: bool):  # type: ignore[no-untyped-def]
    """Fits of one board seen by n cameras drawn from the priors, with noisy marks: (fit, true camera)."""
    for seed in range(n):
        rng = np.random.default_rng([seed, 7])
        shift = rng.normal(0, PRINCIPAL_POINT_PRIOR_U * max(SIZE), 2)
        turn = (6, -4, 1) if squared else (*rng.normal(0, 5, 2), 1)
        true = camera(*turn, k1=rng.normal(0, K1_PRIOR_U), shift=tuple(shift))
        mm = CORNERS_MM if squared else np.array([[100.0, 500.0], [1700.0, 500.0]])
        px = true.project(flat(mm)) + rng.normal(0, noise_px, (len(mm), 2))
        told = FOCAL * (1 + rng.normal(0, 0.05))
        yield fit_camera(Marks.of_points(px, mm, noise_px, squared), Lens(SIZE, told, 0.05 * FOCAL)), true


def test_the_covariance_is_honest() -> None:
    """(found - true) / u over 100 cameras, each parameter on its own and a length in the bow's plane."""
    z, z_length = [], []
    for fit, true in draws(100, 0.15, squared=True):
        z.append((fit.camera.theta - true.theta) / np.sqrt(np.diag(fit.covariance)))
        bow = true.project(flat(np.array([[150, 300], [1750, 320.0]]), STANDOFF_MM))
        u = u_of(fit, lambda c, bow=bow: span_mm(c, bow))
        z_length.append((span_mm(fit.camera, bow) - math.hypot(1600, 20)) / u)
    spread = np.std(z, axis=0)
    # a standard deviation of 100 draws is itself sure to 7 %
    assert (spread > 0.8).all() and (spread < 1.25).all(), spread
    assert np.abs(np.mean(z, axis=0)).max() < 0.35
    assert 0.8 < np.std(z_length) < 1.25


def test_two_marks_are_honest_about_what_they_cannot_tell() -> None:
    """Yaw and pitch come from a prior alone; a length across the marks' line must carry that doubt."""
    z, widest = [], 0.0
    for fit, true in draws(60, 0.5, squared=False):
        assert not fit.squared
        across = true.project(flat(np.array([[900, 100], [900, 600.0]]), STANDOFF_MM))
        u = u_of(fit, lambda c, across=across: span_mm(c, across))
        z.append((span_mm(fit.camera, across) - 500) / u)
        widest = max(widest, u)
    assert 0.7 < np.sqrt(np.mean(np.square(z))) < 1.4
    assert widest > 1.0  # mm on 500


def test_one_tag_in_the_wrong_place_is_set_aside() -> None:
    true = camera()
    y, x = np.mgrid[0:860:4j, 0:1900:6j]
    board = np.column_stack([x.ravel(), y.ravel()])
    px = true.project(flat(board)) + np.random.default_rng(3).normal(0, 0.1, (len(board), 2))
    px[5] += (40, -25)
    fit = fit_camera(Marks.of_points(px, board, 0.1), Lens(SIZE, FOCAL, 0.05 * FOCAL))
    nocks = true.project(flat(np.array([[150, 300], [1750, 320.0]]), STANDOFF_MM))
    u = u_of(fit, lambda c: span_mm(c, nocks))
    assert fit.outliers > 0
    assert abs(span_mm(fit.camera, nocks) - math.hypot(1600, 20)) < max(3 * u, 0.3)


def test_marks_that_contradict_each_other_are_refused(rng: np.random.Generator) -> None:
    px = camera().project(flat(CORNERS_MM)) + rng.normal(0, 120, (len(CORNERS_MM), 2))
    with pytest.raises(ScaleError, match="do not fit together"):
        fit_camera(Marks.of_points(px, CORNERS_MM, 0.1), Lens(SIZE, FOCAL, 0.05 * FOCAL))


def test_a_lens_that_takes_up_what_a_mark_is_off_by_is_refused() -> None:
    """Four tags as a picture showed them, one of them hung askew: the fit bent the lens by ten of its standard uncertainties
    instead, and a bow's reflex came out 15 mm off. A lens that does bend lines so much fits its marks, and stays."""
    centre_px = [[126, 873], [1366, 880], [114, 1106], [1384, 1132]]
    corners_px = [
        [[-23.8, -26.3], [27.4, -23.5], [23.8, 26.8], [-27.5, 24.2]],
        [[-25.6, -24.4], [24.0, -25.4], [25.3, 24.5], [-23.7, 25.2]],
        [[-21.1, -29.1], [29.9, -21.2], [20.8, 29.2], [-29.6, 21.2]],
        [[-27.6, -22.3], [21.7, -27.5], [27.5, 22.4], [-21.7, 27.3]],
    ]
    px = (np.array(centre_px, float)[:, None] + np.array(corners_px)).reshape(-1, 2)
    centre_mm = np.array([[0.0, 0.0], [1544.6, -27.8], [-4.0, 287.3], [1569.2, 287.3]])
    mm = (centre_mm[:, None] + 63.5 * (np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) - 0.5)).reshape(-1, 2)
    with pytest.raises(ScaleError, match="do not fit together"):
        fit_camera(Marks.of_points(px, mm, 0.1), Lens((1512, 2016), 1456.1, 72.8))
    wide_px = camera(0.5, 0.5, k1=-0.21).project(flat(CORNERS_MM))
    wide = fit_camera(Marks.of_points(wide_px, CORNERS_MM, 0.1), Lens(SIZE, FOCAL, 0.05 * FOCAL))
    assert wide.camera.radial_term < -0.1  # what pose and middle leave of it


def test_marks_that_scatter_more_than_told_do_not_make_the_camera_less_known() -> None:
    """The focal length stays at least as sure as the camera quotes it, 5 %."""
    true, rng = camera(0.5, 0.5), np.random.default_rng(4)  # nearly square: the marks say little of the lens
    px = true.project(flat(CORNERS_MM)) + rng.normal(0, 0.5, (len(CORNERS_MM), 2))
    fit = fit_camera(Marks.of_points(px, CORNERS_MM, 0.1), Lens(SIZE, FOCAL, 0.05 * FOCAL))
    assert math.sqrt(fit.covariance[6, 6]) < 0.055


def test_tags_stuck_on_a_little_off_widen_the_answer() -> None:
    """Each tag 0.4 mm from where it was meant, its corners all alike: (found - true) / u of a length."""
    z = []
    for seed in range(60):
        true, rng = camera(), np.random.default_rng([seed, 9])
        placed = CORNERS_MM + np.repeat(rng.normal(0, 0.4, (4, 2)), 4, axis=0)
        px = true.project(flat(placed)) + rng.normal(0, 0.1, placed.shape)
        told = FOCAL * (1 + rng.normal(0, 0.05))
        fit = fit_camera(Marks.of_points(px, CORNERS_MM, 0.1), Lens(SIZE, told, 0.05 * FOCAL))
        bow = true.project(flat(np.array([[150, 300], [1750, 320.0]]), STANDOFF_MM))
        u = u_of(fit, lambda c, bow=bow: span_mm(c, bow))
        z.append((span_mm(fit.camera, bow) - math.hypot(1600, 20)) / u)
    assert np.std(z) < 1.25
