"""Plane to picture and back, against scikit-image's projective transform: another library, another
derivation.

A camera without lens curvature sees a plane through a homography; four points fix it, and every other point
must agree.
"""

import math

import numpy as np
import pytest
from skimage.transform import ProjectiveTransform

from tillerlens.photo.camera import Camera, Lens, Marks, fit_camera

SIZE = (4032, 3024)
FOCAL_PX = 3028.66  # 26 mm equivalent on a diagonal of 5040 px
ATOL_MM = 1e-6
FOUR_MM = np.array([[0.0, 0.0], [1828.8, 0.0], [1828.8, 1066.8], [0.0, 1066.8]])  # 72 x 42 in
ANGLES_DEG = [(0, 0, 0), (12, -7, 2), (-3, 15, -88), (20, 20, 178)]  # pitch, yaw, roll


def camera(pitch, yaw, roll, k1=0.0):
    """Looking at the middle of the four marks from 2.8 m, turned by three angles in degrees."""
    about = [np.radians(angle) for angle in (pitch, yaw, roll)]
    turns = []
    for axis, angle in enumerate(about):
        turn = np.eye(3)
        i, j = [k for k in range(3) if k != axis]
        turn[[i, i, j, j], [i, j, i, j]] = math.cos(angle), -math.sin(angle), math.sin(angle), math.cos(angle)
        turns.append(turn)
    rotation = turns[2] @ turns[1] @ turns[0]
    angle = math.acos((np.trace(rotation) - 1) / 2)
    skew = np.array([rotation[2, 1] - rotation[1, 2], rotation[0, 2] - rotation[2, 0], rotation[1, 0] - rotation[0, 1]])
    vector = skew / (2 * math.sin(angle)) * angle if angle else np.zeros(3)
    middle = np.r_[FOUR_MM.mean(axis=0), 0.0]
    translation = np.array([0.0, 0.0, 2800.0]) - rotation @ middle
    theta = np.r_[vector, translation, math.log(FOCAL_PX), k1, (SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2]
    return Camera(theta, SIZE)


def on_plane(xy_mm, height_mm=0.0):
    return np.column_stack([xy_mm, np.full(len(xy_mm), -height_mm)])


@pytest.mark.parametrize("angles", ANGLES_DEG)
@pytest.mark.parametrize("height_mm", [0.0, 57.15])
def test_a_plane_maps_as_scikit_images_homography_does(angles, height_mm, rng):
    """Also the bow's plane before the board: another plane, another homography."""
    ours = camera(*angles)
    theirs = ProjectiveTransform.from_estimate(FOUR_MM, ours.project(on_plane(FOUR_MM, height_mm)))
    points = rng.uniform((-200, -150), (2000, 1200), (50, 2))
    px = ours.project(on_plane(points, height_mm))
    assert theirs(points) == pytest.approx(px, abs=1e-6)
    assert ours.to_plane(px, height_mm) == pytest.approx(theirs.inverse(px), abs=ATOL_MM)
    assert ours.to_plane(px, height_mm) == pytest.approx(points, abs=ATOL_MM)


@pytest.mark.parametrize("angles", ANGLES_DEG)
def test_four_marks_alone_square_the_picture(angles, rng):
    """The fit has more unknowns than four marks can fix and leans on its priors; between the marks it must
    still agree
    with the homography, which needs none."""
    px = camera(*angles).project(on_plane(FOUR_MM))
    fit = fit_camera(Marks.of_points(px, FOUR_MM, 0.5), Lens(SIZE, FOCAL_PX, 0.05 * FOCAL_PX))
    theirs = ProjectiveTransform.from_estimate(px, FOUR_MM)
    inside = camera(*angles).project(on_plane(rng.uniform((0, 0), FOUR_MM.max(axis=0), (50, 2))))
    assert fit.camera.to_plane(inside) == pytest.approx(theirs(inside), abs=0.02)


@pytest.mark.parametrize("k1", [-0.03, 0.03])
def test_a_curved_lens_is_undone_within_a_hundredth_of_a_pixel(k1, rng):
    ours = camera(12, -7, 2, k1)
    points = rng.uniform((0, 0), FOUR_MM.max(axis=0), (50, 2))
    px = ours.project(on_plane(points, 57.15))
    assert ours.to_plane(px, 57.15) == pytest.approx(points, abs=0.01)
    straight = ProjectiveTransform.from_estimate(FOUR_MM, camera(12, -7, 2).project(on_plane(FOUR_MM, 57.15)))
    assert np.abs(straight(points) - px).max() > 3, "the test would pass without a lens"
