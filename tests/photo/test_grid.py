"""A ruled grid drawn by its own formula and found again, in small pictures and large, with bold lines and thin ones."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from tillerlens.core.errors import ScaleError
from tillerlens.photo.camera import Camera, Lens
from tillerlens.photo.marks.grid import find_grid

WIDE_MM, HIGH_MM = 1900.0, 1400.0  # what the picture shows of the board, about


def ruled(
    width_px: int,
    spacing_mm: float,
    line_mm: float,
    ink: float,
    seed: int = 0,
    rows: tuple[float, float] = (-np.inf, np.inf),
    axes: tuple[int, ...] = (0, 1),
) -> tuple[np.ndarray, Camera]:
    """A slightly oblique picture (H, W, 3) of a ruled board with uneven light and noise, and the camera that took it.

    ``rows``: between which heights (board mm, Y down) the board hangs; beyond it is a mottled wall. ``axes``: 0 rules
    upright lines, 1 level ones.
    """
    size = (width_px, round(0.75 * width_px))
    focal = 0.8 * width_px
    z = focal * WIDE_MM / width_px
    pose = [0.05, -0.06, 0.01, -WIDE_MM / 2, -HIGH_MM / 2, z]
    theta = np.array([*pose, np.log(focal), 0.01, (size[0] - 1) / 2, (size[1] - 1) / 2])
    camera = Camera(theta, size)
    y, x = np.mgrid[0 : size[1], 0 : size[0]]
    board = camera.to_plane(np.column_stack([x.ravel(), y.ravel()]).astype(float)).reshape(size[1], size[0], 2)
    px_mm = z / focal
    cover = np.zeros((size[1], size[0]))
    for k in axes:
        away = np.abs((board[..., k] + spacing_mm / 2) % spacing_mm - spacing_mm / 2)
        cover = np.maximum(cover, np.clip((line_mm / 2 + px_mm / 2 - away) / px_mm, 0, min(1.0, line_mm / px_mm)))
    light = 190 + 30 * np.sin(x / width_px * 2.0) - ink * cover
    light += np.random.default_rng(seed).normal(0, 1.5, light.shape)
    wall = (board[..., 1] < rows[0]) | (board[..., 1] > rows[1])
    light = np.where(wall, 120 + 12 * _mottle(light.shape, seed), light)
    return np.repeat(np.clip(light, 0, 255).astype(np.uint8)[..., None], 3, 2), camera


def _mottle(shape: tuple[int, int], seed: int) -> np.ndarray:
    """A wall's speckle (H, W), of unit spread, a few px coarse."""
    soft = ndimage.gaussian_filter(np.random.default_rng(seed + 1).normal(0, 1, shape), 3)
    return soft / soft.std()


BOLD, THIN, CHALK = (40.0, 1.6, 120.0), (25.4, 0.8, 60.0), (25.4, 2.5, -45.0)
WIDE = 304.8, 4.0, 110.0  # squares of a foot: seven lines by five, too few to leave any out


@pytest.mark.parametrize(
    ("width_px", "spacing_mm", "line_mm", "ink"),
    [
        (1100, *BOLD),
        (1100, *THIN),
        (1100, *CHALK),
        (2400, *THIN),
        (1500, *WIDE),
        pytest.param(4000, *BOLD, marks=pytest.mark.slow),
    ],
)
def test_lengths_on_the_board_come_out_to_a_few_hundredths_in_a_hundred(width_px, spacing_mm, line_mm, ink):
    rgb, true = ruled(width_px, spacing_mm, line_mm, ink)
    fit = find_grid(rgb, spacing_mm, Lens((rgb.shape[1], rgb.shape[0])))
    ends_px = np.array([[0.1, 0.2], [0.9, 0.75]]) * true.size
    length = [float(np.linalg.norm(np.diff(camera.to_plane(ends_px), axis=0))) for camera in (fit.camera, true)]
    assert length[0] == pytest.approx(length[1], rel=4e-4)


@pytest.mark.parametrize("ink", [120.0, -45.0], ids=["dark lines", "light lines"])
def test_a_low_board_on_a_speckled_wall_is_measured_by_its_own_lines_alone(ink):
    # the board takes a third of the picture: the wall beyond it has more places to look than the board has
    rgb, true = ruled(1800, 40.0, 2.0, ink, rows=(430.0, 900.0))
    fit = find_grid(rgb, 40.0, Lens((rgb.shape[1], rgb.shape[0])))
    ends_px = np.array([[0.1, 0.35], [0.9, 0.6]]) * true.size
    length = [float(np.linalg.norm(np.diff(camera.to_plane(ends_px), axis=0))) for camera in (fit.camera, true)]
    assert length[0] == pytest.approx(length[1], rel=4e-4)


def test_a_board_without_a_grid_is_refused_with_what_to_do():
    rgb, _ = ruled(1600, 40.0, 1.6, 0.0)
    with pytest.raises(ScaleError) as refused:
        find_grid(rgb, 40.0, Lens((rgb.shape[1], rgb.shape[0])))
    assert "click four crossings" in refused.value.remedy
