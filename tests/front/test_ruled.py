"""A ruled board's lines that run along the bow: taken out of the picture, and never taken for an edge."""

from functools import partial

import numpy as np
import pytest

from tests.front.test_front import FRONT, level_strip
from tillerlens.core.shot_file import read_shot
from tillerlens.front.edges import place_edge
from tillerlens.front.ruled import lines_along, without_lines
from tillerlens.photo.camera import Camera
from tillerlens.trace.straighten import MIDDLE_ROW

BOARD, INK, WOOD = np.array([0.10, 0.06, 0.04]), np.array([0.80, 0.70, 0.40]), np.array([0.75, 0.60, 0.33])
SPACING_MM, FOCAL, FAR = 50.8, 1600.0, 1000.0  # 1.6 px a mm
SHOT = FRONT | {"upper_limb": "left", "scale": {"kind": "grid", "spacing_in": 2.0}}


def camera(row: float = 185.0) -> Camera:
    """Squarely before the board, whose line Y = 0 lies at one row of the picture."""
    return Camera(np.array([0, 0, 0, 0, 0, FAR, np.log(FOCAL), 0, 800.0, row]), (1600, 300))


def blurred(tone):
    """By 1 px, from rows of an eighth of a pixel."""
    weights = np.exp(-0.5 * (np.arange(-32, 33) / 8.0) ** 2)
    return np.apply_along_axis(lambda v: np.convolve(np.pad(v, 32, mode="edge"), weights / weights.sum(), "valid"), 0, tone)


def ruled_board(limb=(120.0, 180.0), line=185.0, thick=3.2):
    """Rows of a picture: a pale limb on a dark board, whose pale lines lie 81 px from each other. Linear light (300, 1600, 3)."""
    y = (np.arange(300 * 8) + 0.5) / 8 - 0.5
    beside = (y - line + thick / 2) % (SPACING_MM * FOCAL / FAR) < thick
    tone = np.where(beside[:, None], INK, BOARD)
    tone[(y > limb[0] - 0.5) & (y < limb[1] - 0.5)] = WOOD
    rows = blurred(tone).reshape(300, 8, 3).mean(1)
    noise = np.random.default_rng(5).normal(0, 0.004, (300, 1600, 1))
    return np.clip((rows[:, None] + noise) * 65535, 0, 65535).astype(np.uint16)


def lower_edge(light, ruled):
    strip = level_strip()
    columns = np.arange(len(strip.path), dtype=float)
    proposed, other = (np.full(len(columns), MIDDLE_ROW + (row - 150.0) / strip.step) for row in (183.0, 120.0))
    _, row, u, _ = place_edge(light, strip, columns, (proposed, other), 1, 1.6, ruled)
    return float(np.median(150.0 + (row - MIDDLE_ROW) * strip.step)), float(np.median(u))


@pytest.mark.parametrize("line", [184.5, 186.0])
def test_a_line_of_the_woods_colour_beside_an_edge_is_not_taken_for_the_limb(line):
    """3 px broad, 3 to 5 px outside the edge: the edge stays where it is, to 1 px; without the lines known it lies on the
    line's far side."""
    light, shot = ruled_board(line=line), read_shot(SHOT)
    known = lower_edge(light, lines_along(light, camera(line), shot))[0]
    assert known == pytest.approx(180 - 0.5, abs=1.0)
    assert lower_edge(light, None)[0] > 182.5


def test_lines_are_known_by_what_they_add_to_the_boards_light():
    light = ruled_board()
    found = lines_along(light, camera(), read_shot(SHOT))
    assert found.ratio[0] == pytest.approx(INK / BOARD, rel=0.15)
    assert 2.5 < found.half_px < 5.0  # of 1.6 px, blurred by 1
    away = np.array([[700.0, 185.0 + off] for off in (-20.0, 20.0)])
    assert found.lighter(away) == pytest.approx(np.ones((2, 3)))
    assert lines_along(light, camera(), read_shot(SHOT | {"scale": {"kind": "bow_length"}})) is None
    lines = {
        "scale": {"kind": "lines_and_two_marks", "spacing_in": 2.0, "marks_apart_in": 20.0},
        "marks_px": [[100, 185], [900, 185]],
    }
    assert lines_along(light, camera(), read_shot(SHOT | lines)) is not None
    assert lines_along(light, camera(), read_shot(SHOT | lines | {"upper_limb": "top"})) is None  # none runs upright


@pytest.mark.parametrize("turned", [False, True])
def test_lines_along_the_bow_are_taken_out_of_the_picture(turned):
    """Those along it, to 8 of 255; a line across it stays, and so does the limb."""
    rgb = (ruled_board() >> 8).astype(np.uint8)
    rgb[:, 400:404] = 250
    cam, shot = camera(), read_shot(SHOT)
    found = lines_along(rgb.astype(np.uint16) << 8, cam, shot)
    take = partial(without_lines, lines=found)
    if turned:
        upright = Camera(np.array([0, 0, 0, 0, 0, FAR, np.log(FOCAL), 0, 185.0, 800.0]), (300, 1600))
        seen = np.ascontiguousarray(rgb.swapaxes(0, 1))
        found = lines_along(seen.astype(np.uint16) << 8, upright, read_shot(SHOT | {"upper_limb": "top"}))
        out = without_lines(seen, found).swapaxes(0, 1)
    else:
        out = take(rgb)
    below = out[190:295].astype(float)
    assert np.abs(below[:, 500:1500] - np.median(below[:, 500:1500], axis=(0, 1))).max() < 12
    assert out[190:295, 401].mean() > 240
    np.testing.assert_array_equal(out[125:175, 500:1500], rgb[125:175, 500:1500])
