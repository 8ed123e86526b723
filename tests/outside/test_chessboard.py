"""The camera fit on real photographs: the chessboards and intrinsics that Debian's opencv-doc package ships.

Thirteen pictures of one 640 x 480 camera with a strongly curved lens, the calibration of all of them together
in left_intrinsics.yml. Corners are found by OpenCV; the camera is ours, fitted to one board at a time as a
bowyer's picture is, without EXIF. Half the corners fit, the other half judge: a model that merely bends to
its points fails.
"""

import gzip
import math
from pathlib import Path

import cv2
import numpy as np
import pytest

from tillerlens.photo.camera import Lens, Marks, fit_camera

DATA = Path("/usr/share/doc/opencv-doc/examples/data")
NAMES = [f"left{number:02d}" for number in (*range(1, 10), *range(11, 15))]
COLUMNS, ROWS = 9, 6  # inner corners
SQUARE_MM = 25.0  # a length of our choosing: the pictures carry no scale of their own
CORNER_U_PX = 0.1  # of OpenCV's sub-pixel corners on these small pictures (common practice, no source)
RESIDUAL_RMS_PX = 0.3
SPACING_ATOL_MM = 0.6  # 0.3 px on the smallest squares, which are 12 px wide
DIAGONAL_RTOL = 0.005  # over 236 mm

BOARD_MM = np.array([[x * SQUARE_MM, y * SQUARE_MM] for y in range(ROWS) for x in range(COLUMNS)])
FITTED = np.array([(x + y) % 2 == 0 for y in range(ROWS) for x in range(COLUMNS)])


def shipped(name):
    """A file of the package; Debian may have compressed it."""
    plain, packed = DATA / name, DATA / f"{name}.gz"
    if plain.exists():
        return plain.read_bytes()
    if packed.exists():
        return gzip.decompress(packed.read_bytes())
    pytest.skip(f"{plain} is missing: apt-get install opencv-doc")


def corners(name):
    grey = cv2.imdecode(np.frombuffer(shipped(f"{name}.jpg"), np.uint8), cv2.IMREAD_GRAYSCALE)
    found, px = cv2.findChessboardCorners(grey, (COLUMNS, ROWS))
    assert found, "OpenCV finds every one of these boards"
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 60, 1e-4)
    return cv2.cornerSubPix(grey, px, (5, 5), (-1, -1), stop).reshape(-1, 2).astype(float), grey.shape[::-1]


@pytest.fixture(scope="module", params=NAMES)
def board(request):
    """Corner pixels (54, 2) of one picture and the camera fitted to every second one."""
    px, size = corners(request.param)
    marks = Marks.of_points(px[FITTED], BOARD_MM[FITTED], CORNER_U_PX)
    return px, fit_camera(marks, Lens(size))


@pytest.fixture(scope="module")
def intrinsics():
    """Camera matrix (3, 3) and distortion (k1, k2, p1, p2, k3) from all pictures together."""
    text = shipped("left_intrinsics.yml").decode()
    store = cv2.FileStorage(text, cv2.FILE_STORAGE_READ | cv2.FILE_STORAGE_MEMORY)
    names = ("camera_matrix", "distortion_coefficients")
    matrix, distortion = (store.getNode(name).mat() for name in names)
    return matrix, np.ravel(distortion)


def test_corners_left_out_of_the_fit_fall_into_place(board):
    px, fit = board
    missed = fit.camera.project(np.column_stack([BOARD_MM, np.zeros(len(BOARD_MM))]))[~FITTED] - px[~FITTED]
    assert math.sqrt(np.mean(missed**2)) < RESIDUAL_RMS_PX
    assert fit.rms_px < RESIDUAL_RMS_PX


def test_squares_measured_on_the_plane_are_squares(board):
    px, fit = board
    plane = fit.camera.to_plane(px).reshape(ROWS, COLUMNS, 2)
    spacings = np.concatenate([np.linalg.norm(np.diff(plane, axis=a), axis=2).ravel() for a in (0, 1)])
    assert np.abs(spacings - SQUARE_MM).max() < SPACING_ATOL_MM
    assert abs(spacings.mean() - SQUARE_MM) < SPACING_ATOL_MM / math.sqrt(len(spacings))
    diagonal = SQUARE_MM * math.hypot(COLUMNS - 1, ROWS - 1)
    for a, b in ((plane[0, 0], plane[-1, -1]), (plane[0, -1], plane[-1, 0])):
        assert math.dist(a, b) == pytest.approx(diagonal, rel=DIAGONAL_RTOL)


def test_one_board_finds_nearly_the_lens_of_all_boards(board, intrinsics):
    """One nearly flat view fixes the focal length to some percent; one radial term stands for five."""
    _, fit = board
    matrix, distortion = intrinsics
    assert fit.camera.focal_px == pytest.approx(matrix[0, 0], rel=0.06)
    assert fit.camera.theta[7] == pytest.approx(distortion[0], abs=0.05)


def test_there_and_back(board):
    """Pixel to plane to pixel, through a lens an order of magnitude more curved than a phone's."""
    px, fit = board
    plane = fit.camera.to_plane(px)
    back = fit.camera.project(np.column_stack([plane, np.zeros(len(plane))]))
    assert np.abs(back - px).max() < 0.1
