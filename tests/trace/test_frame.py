"""A bow cut off by the picture's border is told from one that ends near it."""

import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image

from tests.support.made_up import SAMPLES, sample_photo
from tillerlens import measure
from tillerlens.core.errors import NeedsHelp
from tillerlens.core.shot_file import read_shot
from tillerlens.measure import measure_photo
from tillerlens.photo.intake import read_photo
from tillerlens.photo.light import linear_light
from tillerlens.trace.picture_border import cut_at_border, goes_behind

W, H, THICK = 600, 400, 24
GROUND, WOOD = (178, 176, 170), (150, 112, 70)


def picture(ends_at):
    """A limb that comes from the left and ends ``ends_at`` px from the right border; 0: runs out."""
    rng = np.random.default_rng(5)
    rgb = np.full((H, W, 3), GROUND, float)
    rgb[200 - THICK // 2 : 200 + THICK // 2, : W - ends_at] = WOOD
    return linear_light(np.clip(rgb + rng.normal(0, 3, rgb.shape), 0, 255).astype(np.uint8))


def is_cut(light, x):
    return cut_at_border(light, np.array([x, 199.5]), np.array([1.0, 0.0]), float(THICK))


@pytest.mark.parametrize("ends_at", [8, 12, 40, 200])
def test_a_tip_with_ground_beyond_it_is_a_tip(ends_at):
    assert not is_cut(picture(ends_at), W - ends_at - 1.0)


@pytest.mark.parametrize("short", [0, 1, 2, 8, 20, 40])
def test_wood_that_goes_on_to_the_border_is_cut_off_wherever_its_end_is_said_to_be(short):
    assert is_cut(picture(0), W - 1.0 - short)


def test_a_nock_well_inside_is_not_asked_about():
    """Three times the limb's thickness from the border, the wood going on: there is room for a tip."""
    assert not is_cut(picture(0), W - 1.0 - 3 * THICK)


@pytest.mark.parametrize("cover", [None, (60, 90, 50), WOOD, GROUND])
def test_something_broad_where_a_limb_ends_may_hide_the_rest_of_it(cover):
    """Not where the ground goes on, nor before a thing of the wood's colour: its border shows no end there either."""
    light = picture(200)
    if cover is not None:
        light[:, W - 200 :] = linear_light(np.full((1, 1, 3), cover, np.uint8))
    hides = goes_behind(light, np.array([W - 200.0, 199.5]), np.array([1.0, 0.0]), float(THICK))
    assert hides == (cover == (60, 90, 50))


@pytest.mark.parametrize("clicked", [False, True])
def test_a_bow_without_its_tip_asks_whether_the_tip_is_outside(clicked, tmp_path):
    """The sample's lower limb cut across 150 px before its nock; then with a click where the limb meets the border."""
    name = "walk/linnet-braced"
    whole = sample_photo(name)
    shot = read_shot(SAMPLES / f"{name}.shot.json", whole.name, (whole.width, whole.height))
    px = json.loads((SAMPLES / f"{name}.truth.json").read_text())["outline_px"]
    nock, line = np.array(px["nock_lower"]), np.array(px["centreline"])
    edge = int(nock[0] - 150)  # it looks right
    file = tmp_path / "cut.png"
    Image.fromarray(np.ascontiguousarray(whole.rgb[:, :edge])).save(file, compress_level=1)
    photo = read_photo(file)
    if clicked:
        at = line[np.argmin(np.abs(line[:, 0] - (edge - 4)))]
        places = {"nock_upper": px["nock_upper"], "nock_lower": at, "handle": px["handle"]}
        shot = replace(shot, clicks={k: (float(x), float(y)) for k, (x, y) in places.items()})
    found = measure_photo(photo, shot)
    assert found.status == "needs_help"
    reason = found.reasons[0]
    assert "lower limb runs out of the picture" in reason.text and "Is the lower tip outside the picture?" in reason.remedy
    assert reason.asks.wants == ("retake" if clicked else "nock_lower")
    assert reason.asks.place_px[0] > edge - 60
    assert ("click" in reason.remedy) != clicked  # what was clicked is not asked for


@pytest.mark.parametrize("clear", [0.3, 0.9])
def test_a_bow_followed_to_the_border_is_not_measured_from_an_end_that_does_not_show(monkeypatch, clear):
    """The second way of following stopped short of the border; whether at a tip, its end tells."""
    cut = NeedsHelp("The upper limb runs out of the picture.", "Step back.", fault="cut")
    task = SimpleNamespace(prepared=SimpleNamespace(photo=SimpleNamespace(name="p")))

    def followed_up(task, reading):
        if not reading.smooth_path:
            raise cut
        return "measured", SimpleNamespace(end_clear=(clear, 0.9))

    monkeypatch.setattr(measure, "_followed_up", followed_up)
    if clear > 0.5:
        assert measure._best_reading(task) == "measured"
    else:
        with pytest.raises(NeedsHelp, match="runs out of the picture"):
            measure._best_reading(task)
