"""Where the camera stood: told by marks exactly, by the bow's own halves to a few degrees."""

import numpy as np
import pytest

from tillerlens.photo.camera import Camera
from tillerlens.photo.view import view_by_halves, view_by_marks

SIZE, FOCAL = (4000, 3000), 3400.0
HALF_MM, AWAY_MM = 820.0, 1600.0


def standing(along_deg, across_deg=0.0):
    """A camera that looks at the middle of a bow along the board's X from so far aside."""
    a, b = np.tan(np.radians([along_deg, across_deg]))
    centre = np.array([a * AWAY_MM, b * AWAY_MM, -AWAY_MM])
    z = -centre / np.linalg.norm(centre)
    x = np.cross([0.0, 1.0, 0.0], z)
    x /= np.linalg.norm(x)
    turn = np.array([x, np.cross(z, x), z])
    import cv2

    vector = cv2.Rodrigues(turn)[0].ravel()
    return Camera(np.r_[vector, -turn @ centre, np.log(FOCAL), 0.0, (SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2], SIZE)


def in_picture(camera, x_mm):
    return camera.project(np.array([[x, 0.0, 0.0] for x in x_mm]))


@pytest.mark.parametrize(("along", "across"), [(0, 0), (12, -5), (-25, 0), (0, 40), (38, 3)])
def test_marks_tell_the_view(along, across):
    camera = standing(along, across)
    ends = in_picture(camera, [HALF_MM, -HALF_MM])  # the upper end looks right
    view = view_by_marks(camera, ends, 0.0)
    assert np.degrees([view.along, abs(view.across)]) == pytest.approx([along, abs(across)], abs=0.01)
    assert view.too_far == (np.hypot(np.tan(np.radians(along)), np.tan(np.radians(across))) > np.tan(np.radians(30)))


@pytest.mark.parametrize("along", [-35, -18, -8, 0, 8, 18, 35])
def test_equal_halves_tell_the_view_without_marks(along):
    """To two degrees: the angle at the bow's middle is that of the plane's turn, exact for a bow that is straight."""
    u, m, w = in_picture(standing(along), [HALF_MM, 0.0, -HALF_MM])
    view = view_by_halves((np.linalg.norm(u - m), np.linalg.norm(w - m)), np.linalg.norm(u - w), FOCAL)
    assert np.degrees(view.along) == pytest.approx(along, abs=2.0)
    assert view.too_far == (abs(along) > 15)


def test_a_limb_an_inch_and_a_half_longer_is_not_taken_for_a_view_from_aside():
    """Seen squarely, from so near that the bow just fits: the most that limbs commonly differ by."""
    view = view_by_halves((33.5, 31.5), 65.0 * 0.99, 65.0 * 1.1)
    assert not view.too_far and abs(np.degrees(view.along)) < 5


def test_a_bow_whose_upper_limb_was_measured_is_not_taken_to_have_equal_ones():
    far = view_by_halves((1500.0, 900.0), 2400.0, FOCAL)
    known = view_by_halves((1500.0, 900.0), 2400.0, FOCAL, upper_share=1500 / 2400)
    assert far.too_far and not known.too_far
