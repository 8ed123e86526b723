"""How sharply an edge can be placed at all: the Cramer-Rao bound of a blurred step in noise.

For a Gaussian-blurred step (blur s px, contrast c, noise sigma in each pixel) no unbiased reading along one
line of pixels scatters less than (sigma / c) sqrt(2 s sqrt(pi)) px: Gatherer, CSL-TR-93-560 (1993), closed
form. It follows from the Fisher information, the sum of (c g(x) / sigma)^2 over the pixels. s = 1, c = 100,
sigma = 2 gives 0.0377 px. The reading averages five neighbouring columns: its bound is smaller by sqrt(5).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import ndtr

from tillerlens.photo.light import sample
from tillerlens.trace.edges import ALONG, Side, measure_side
from tillerlens.trace.straighten import Strip, normals

COLUMNS, ROWS = 1600, 61
SLOPE = 1 / 47  # of the edge against the pixels: every part of a pixel is met alike
CONTRAST, DARK = 100 / 255, 60 / 255
PROPOSED_OFF_PX = 0.6  # how far the network's proposal lies from the edge


def bound_px(blur: float, noise: float) -> float:
    return noise / CONTRAST * math.sqrt(2 * blur * math.sqrt(math.pi))


def true_row() -> np.ndarray:
    x = np.arange(COLUMNS)
    return 30 + 3 * np.sin(2 * np.pi * x * SLOPE / 6 / math.pi)  # slope at most 1/47


def edge(rng: np.random.Generator, blur: float, noise: float) -> tuple[Side, np.ndarray]:
    """The reading of a grey, blurred, noisy edge, and its error in px where it was read."""
    row = true_row()
    light = DARK + CONTRAST * ndtr((np.arange(ROWS)[:, None] - row[None]) / blur)
    light = light + rng.normal(0, noise, light.shape)  # the same in all three colours: one channel's worth
    picture = np.repeat(np.round(np.clip(light, 0, 1) * 65535).astype(np.uint16)[..., None], 3, axis=2)
    path = np.column_stack([np.arange(COLUMNS, dtype=float), np.full(COLUMNS, 31.5)])
    strip = Strip(path, normals(path), 1.0, None)  # type: ignore[arg-type]  # the maps are not looked at
    assert strip.px(np.array(5.0), np.array(30.0)) == pytest.approx([5.0, 30.0])  # rows as in the picture
    side = measure_side(picture, strip, row + PROPOSED_OFF_PX)
    return side, (side.row - row)[10:-10]


def test_the_bound_is_the_printed_one() -> None:
    assert 2 / 100 * math.sqrt(2 * math.sqrt(math.pi)) == pytest.approx(0.0377, abs=5e-5)


@pytest.mark.parametrize("blur", [0.8, 1.0, 1.4])
@pytest.mark.parametrize("noise", [2 / 255, 4 / 255])
def test_scatter_comes_near_the_bound(rng: np.random.Generator, blur: float, noise: float) -> None:
    """Not below it (that would be no honest reading), and not above twice of it."""
    _, off = edge(rng, blur, noise)
    assert np.isfinite(off).mean() > 0.95
    scatter, least = float(np.nanstd(off)), bound_px(blur, noise) / math.sqrt(ALONG)
    assert 0.9 * least < scatter < 2.0 * least, scatter / least


@pytest.mark.xfail(strict=True, reason="the centroid's four rounds leave 4 to 22 % of the proposal's error")
@pytest.mark.parametrize("blur", [0.8, 1.0, 1.4])
def test_the_place_is_the_middle_of_the_step(rng: np.random.Generator, blur: float) -> None:
    """Off by less than a fiftieth of a pixel, although the proposal is off by more than half of one."""
    _, off = edge(rng, blur, 1 / 255)
    assert abs(np.nanmean(off)) < 0.02


def test_the_noise_that_is_told_is_the_noise(rng: np.random.Generator) -> None:
    """Within a factor of two: the curve drawn through the readings takes some of their scatter with it."""
    side, off = edge(rng, 1.0, 3 / 255)
    assert 0.5 < side.noise / np.nanstd(off) < 1.5, side.noise / np.nanstd(off)


def test_the_picture_is_sampled_where_it_is_asked() -> None:
    """A ramp reads its own coordinates: no half pixel is lost."""
    y, x = np.mgrid[0:20, 0:30]
    at = np.array([[3.25, 7.5], [12.0, 4.75]])
    assert sample((100 * x).astype(np.uint16), at) == pytest.approx(100 * at[:, 0], abs=2)
    assert sample((100 * y).astype(np.uint16), at) == pytest.approx(100 * at[:, 1], abs=2)
