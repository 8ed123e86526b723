"""A limb's outline: big limbs seen whole, clicked nocks that rule, colour lines inside the limb told from its silhouettes."""

from __future__ import annotations

import numpy as np
import pytest

from tillerlens.core.errors import NeedsHelp
from tillerlens.core.shot_file import read_shot
from tillerlens.trace import straighten as straightened
from tillerlens.trace.by_hand import path_to_clicks
from tillerlens.trace.edges import Side, dark_beyond_px, measure_side
from tillerlens.trace.ends import Ends
from tillerlens.trace.network import StripMaps
from tillerlens.trace.outline import LOST_END_MM, _less_sure_if_unclear
from tillerlens.trace.second_look import second_outline
from tillerlens.trace.shadow_fringe import ShadowFringe, one_lamp
from tillerlens.trace.straighten import (
    MIDDLE_ROW,
    Band,
    Strip,
    cut_strip,
    fitting_step,
    normals,
    read_band,
    strip_step,
    with_grip,
)


def shot(**clicks):
    form = {
        "state": "unstrung",
        "bow_length_nock_to_nock_in": 64,
        "handle_in": 8,
        "standoff_in": 1,
        "upper_limb": "left",
        "back": "up",
        "scale": {"kind": "two_marks", "marks_apart_in": 40},
        "marks_px": [[100, 100], [900, 100]],
        "clicks": clicks,
    }
    return read_shot(form)


def level_strip(n: int, step: float) -> Strip:
    path = np.column_stack([20 + step * np.arange(n), np.full(n, 150.0)])
    return Strip(path, normals(path), step, None)  # type: ignore[arg-type]  # the maps are not looked at


@pytest.mark.parametrize("px_per_mm", [1.0, 2.0, 3.5, 5.0])
@pytest.mark.parametrize("limb_mm", [9.0, 14.0, 28.0])
def test_a_limb_of_any_size_fills_ten_to_24_rows(px_per_mm, limb_mm):
    """From 8 to 50 megapixels: what the network was trained on, and within it after one more look."""
    step = strip_step(px_per_mm)
    for _ in range(2):
        rows = px_per_mm * limb_mm / step
        edge = np.full(200, MIDDLE_ROW - rows / 2)
        step = fitting_step(level_strip(200, step), Band(edge, edge + rows, 0, 199))
    assert 8 <= px_per_mm * limb_mm / step <= 24


def test_a_coarse_strip_lies_where_a_fine_one_does(monkeypatch):
    """Averaged from finer samples, its rows and columns must still be centred on what they show (to a tenth of a step)."""
    seen = []

    def look(picture):
        seen.append(picture)
        nothing = np.zeros(picture.shape[:2], np.float32)
        return StripMaps(nothing, nothing, nothing)

    monkeypatch.setattr(straightened, "silhouette_maps", look)
    y, x = np.mgrid[0:400, 0:600]
    rgb = np.stack([x / 4, y / 2, 0 * x], -1).round().astype(np.uint8)
    strip = cut_strip(rgb, np.array([[100.0, 200.0], [500.0, 200.0]]), 3.7)
    column = np.arange(len(strip.path))
    at = strip.px(np.broadcast_to(column[None, :].astype(float), seen[0].shape[:2]), np.arange(64.0)[:, None] + 0 * column)
    assert np.abs(seen[0][..., 0] * 4.0 - at[..., 0]).max() < 4.0  # the picture itself is rounded to 4 px along, 2 px across
    assert abs(np.mean(seen[0][..., 0] * 4.0 - at[..., 0])) < 0.37
    assert abs(np.mean(seen[0][..., 1] * 2.0 - at[..., 1])) < 0.37


def test_a_coarse_strip_does_not_make_an_edge_less_sharp():
    """A blurred step read in steps of 3 px, the proposal off by a step: placed to a twentieth of a pixel all the same."""
    rng = np.random.default_rng(2)
    y = np.arange(300)[:, None]
    row = 130.3 + 2.0 * np.sin(np.arange(1000) / 90)[None]
    light = 0.3 + 0.4 / (1 + np.exp(-(y - row) / 0.6)) + rng.normal(0, 0.01, (300, 1000))
    picture = np.repeat(np.round(np.clip(light, 0, 1) * 65535).astype(np.uint16)[..., None], 3, axis=2)
    strip = level_strip(300, 3.0)
    x = strip.path[:, 0]
    true = MIDDLE_ROW + (np.interp(x, np.arange(1000), row[0]) - 150.0) / 3.0
    off = 3.0 * (measure_side(picture, strip, true + 1.0).row - true)
    assert np.isfinite(off).mean() > 0.95
    assert abs(np.nanmedian(off)) < 0.05
    assert np.nanstd(off[20:-20]) < 0.15


def test_a_clicked_nock_beyond_what_was_followed_extends_it():
    coarse = np.column_stack([np.arange(300.0, 700.0), np.full(400, 200.0)])
    path = path_to_clicks(coarse, shot(nock_upper=[120, 210], nock_lower=[880, 195]))
    assert path[0] == pytest.approx([120, 210])
    assert path[-1] == pytest.approx([880, 195])
    inside = path_to_clicks(coarse, shot(nock_upper=[320, 201], nock_lower=[690, 200]))
    assert np.array_equal(inside, coarse)  # one within it cuts it short later


def test_a_clicked_nock_beside_what_was_followed_is_asked_about():
    coarse = np.column_stack([np.arange(300.0, 700.0), np.full(400, 200.0)])
    with pytest.raises(NeedsHelp, match="upper nock"):
        path_to_clicks(coarse, shot(nock_upper=[280, 320]))


def limb(colour_line: bool):
    """A level limb 42 px thick, dark over its left-hand 14 px, on pale ground; its left-hand side followed along the colour line
    over a third of it."""
    light = np.full((300, 1300, 3), 42000, np.uint16)
    light[129:171] = (30000, 22000, 14000)
    light[129:143] = (20000, 13000, 8000)
    strip = level_strip(400, 3.0)
    true = MIDDLE_ROW + (np.array([128.5, 170.5]) - 150.0) / 3.0
    left, right = np.full(400, true[0]), np.full(400, true[1])
    if colour_line:
        left[150:290] = MIDDLE_ROW + (142.5 - 150.0) / 3.0
    q = np.full(400, 0.1)
    return light, strip, (Side(left, q, 0.05), Side(right, q, 0.05)), true


@pytest.mark.parametrize("colour_line", [True, False])
def test_a_colour_line_is_told_from_the_outline_by_the_limbs_thickness(colour_line):
    light, strip, sides, true = limb(colour_line)
    cols = np.arange(6, 394, 3)
    left, right, undecided = second_outline(light, strip, sides, cols, np.full(len(cols), true[1] - true[0]))
    assert not undecided.any()
    assert np.nanmax(np.abs(left.row[cols] - true[0])) < 0.1  # a third of a pixel
    assert np.nanmax(np.abs(right.row[cols] - true[1])) < 0.1


def two_toned(stripe=(52000, 42000, 26000)):
    """A level limb 42 px thick, brown with a 3 px stripe of pale sapwood along its left-hand side, on a wall of nearly the
    stripe's light; the network's rows are true to a third of a step."""
    light = np.full((300, 1300, 3), (42000, 40000, 37000), np.uint16)
    light[129:171] = (30000, 20000, 9000)
    light[129:132] = stripe
    strip = level_strip(400, 1.5)
    true = MIDDLE_ROW + (128.5 - 150.0) / 1.5
    return light, strip, true


def test_a_colour_line_near_the_silhouette_is_not_taken_for_it():
    light, strip, true = two_toned()
    network = np.full(400, true + 0.3)
    row = measure_side(light, strip, network, network, -1).row
    assert np.nanmax(np.abs(row - true)) < 0.5, "the stripe ends two steps further in"
    assert np.isfinite(row).mean() > 0.95


def test_what_the_network_added_of_the_ground_is_taken_off_again():
    """The same limb without its stripe: the ground begins where the brown ends, whatever was proposed."""
    light, strip, true = two_toned(stripe=(42000, 40000, 37000))
    brown = true + 3 / 1.5
    network = np.full(400, brown - 1.2)
    assert np.nanmax(np.abs(measure_side(light, strip, network, network, -1).row - brown)) < 0.2


@pytest.mark.parametrize(("hard", "beyond"), [(True, 9.0), (False, 0.0)])
def test_a_dark_band_is_a_face_where_its_border_is_hard(hard, beyond):
    """Brown wood, then 9 px at a quarter of the ground's light; a soft lamp's shadow has no such border."""
    light = np.full((300, 1300, 3), 40000.0)
    light[129:150] = (30000, 20000, 9000)
    light[150:159] = 10000
    if not hard:
        light[150:] = (10000 + 30000 * np.clip((np.arange(150) - 4) / 12, 0, 1))[:, None, None]
    strip = level_strip(400, 1.5)
    proposed = np.full(400, MIDDLE_ROW + (149.5 - 150.0) / 1.5)
    band = dark_beyond_px(light.astype(np.uint16), strip, proposed, 1)
    assert np.abs(band - beyond).max() < 1.0


def lamp_shadow(*spans):
    shown = np.zeros(400, bool)
    for a, b in spans:
        shown[a:b] = True
    nothing = np.zeros(400)
    return ShadowFringe(nothing, nothing + 1.0, 0.1, shown)


def test_one_lamp_throws_no_shadow_to_both_sides_of_a_place():
    assert one_lamp(lamp_shadow((0, 300)), lamp_shadow((50, 350))) == (None, None)
    left, right = one_lamp(lamp_shadow((0, 190)), lamp_shadow((180, 400)))  # a drawn bow's limbs, a lamp beside the middle
    assert left is not None
    assert right is not None


def inside_map(*spans):
    inside = np.zeros((64, 900), np.float32)
    for a, b in spans:
        inside[25:39, a:b] = 1.0
    maps = StripMaps(inside, np.zeros_like(inside), np.zeros_like(inside))
    return Strip(level_strip(900, 2.0).path, level_strip(900, 2.0).normal, 2.0, maps)


def test_two_limbs_are_one_bow_where_the_handle_between_them_does_not_show():
    strip = inside_map((50, 390), (510, 850))
    assert (read_band(strip, 130).first, read_band(strip, 130).last) == (50, 849)
    assert read_band(strip, 100).last - read_band(strip, 100).first < 345, "a wider gap than a handle's is no handle"


def test_a_thing_past_a_tip_is_no_second_limb():
    band = read_band(inside_map((50, 600), (680, 850)), 130)
    assert (band.first, band.last) == (50, 599)


def test_two_sides_that_nothing_puts_right_are_not_believed():
    light, strip, sides, true = limb(True)
    light[:143] = 42000  # what was taken for a colour line is the only edge there is
    cols = np.arange(6, 394, 3)
    _, _, undecided = second_outline(light, strip, sides, cols, np.full(len(cols), true[1] - true[0]))
    assert undecided[50:90].all()
    assert not undecided[:45].any()


@pytest.fixture
def deep_grip(monkeypatch):
    """A picture whose own colours are its maps: a limb with a grip 60 px deep on the belly side, its strip and its band."""

    def look(picture):
        return StripMaps(*(np.ascontiguousarray(picture[..., k] / np.float32(255)) for k in range(3)))

    monkeypatch.setattr(straightened, "silhouette_maps", look)
    rgb = np.zeros((400, 1000, 3), np.uint8)
    rgb[190:210, 50:950, 0] = 255
    rgb[190:260, 440:560, 0] = 255  # 60 px from the path, which ends at 32
    strip = cut_strip(rgb, np.array([[50.0, 200.0], [950.0, 200.0]]), 1.4)
    edge = np.full(len(strip.path), MIDDLE_ROW)
    return rgb, strip, Band(edge - 7, edge + 7, 0, len(edge) - 1), len(edge) // 2


def test_a_grip_too_deep_for_the_limbs_strip_is_seen_in_a_coarser_one(deep_grip):
    rgb, strip, band, middle = deep_grip
    found = with_grip(rgb, strip, band, 1, middle - 120, middle + 120)
    assert found.lower_row[middle] == pytest.approx(MIDDLE_ROW + 60 / 1.4, abs=1.6)
    assert np.array_equal(found.upper_row, band.upper_row)
    assert np.array_equal(found.lower_row[: middle - 70], band.lower_row[: middle - 70])


@pytest.mark.parametrize("off", [-30, -12, 0, 12, 30])
def test_a_grips_middle_never_follows_where_it_was_looked_for(deep_grip, off):
    """The handle clicked or supposed ``off`` columns beside it: the grip is seen whole, where it is, or not at all."""
    rgb, strip, band, middle = deep_grip
    found = with_grip(rgb, strip, band, 1, middle + off - 120, middle + off + 120)
    deep = np.nonzero(found.lower_row > band.lower_row + 3)[0]
    assert len(deep) == 0 or deep.mean() == pytest.approx(middle, abs=2)
    assert len(deep) > 0 or off != 0


def test_a_place_without_an_edge_does_not_take_its_neighbours_with_it():
    """Sixty columns of a limb have no brightness step at all (a wrap of the ground's own colour); beside them it is clear."""
    light, strip, true = two_toned(stripe=(30000, 20000, 9000))
    light[100:171, 420:510] = (42000, 40000, 37000)
    row = measure_side(light, strip, np.full(400, true + 0.3)).row
    beside = np.r_[205:258, 336:390]  # columns of 1.5 px, from 20
    assert np.isfinite(row[beside]).mean() > 0.95
    assert np.nanmax(np.abs(row[beside] - true)) < 0.2


def test_an_end_that_hardly_shows_may_lie_well_further_on():
    doubted = _less_sure_if_unclear(Ends((10.0, 900.0), (0.95, 0.3), (0.5, 0.5)), 2.0)
    assert doubted.u_columns == pytest.approx((0.5, 2 * LOST_END_MM), rel=0.01)
