"""A refusal asks for one thing that was not given yet, and says where; the document, the drawing and the page read the same."""

import itertools
import json
from dataclasses import replace

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from tests.support.made_up import SAMPLES, sample_photo
from tillerlens.core.document import measurement_schema
from tillerlens.core.errors import Ask, NeedsHelp, Reason
from tillerlens.core.measurement import Followed, Measurement, PhotoId, measurement_of
from tillerlens.core.shot_file import read_shot
from tillerlens.report.overlay import draw_overlay
from tillerlens.report.questions import DOUBT, closer_box
from tillerlens.trace.questions import one_thing
from tillerlens.trace.reading import prepare
from tillerlens.ui.editor.found import focus_of, traced_curves

CLICKS = {"nock_upper": (300.0, 900.0), "nock_lower": (2700.0, 900.0), "handle": (1500.0, 600.0)}
FAULTS = (
    {"fault": "lost"},
    {"fault": "length", "ratio": 1.42, "support": 0.95},
    {"fault": "length", "length_mm": 1500.0},
    {"fault": "apart", "ratio": 0.7},
    {"fault": "cut", "end": 1, "place_px": (2999.0, 950.0)},
    {"fault": "unseen", "limb": "lower", "share": (0.3, 0.6)},
    {"fault": "edge", "limb": "upper", "share": (0.4, 0.7)},
    {"fault": "edge", "limb": "handle", "share": (0.0, 1.0), "side": "back"},
    {"fault": "click", "wants": "handle"},
    {"fault": "beside", "wants": "nock_lower"},
)


@pytest.fixture(scope="module")
def photo():
    return sample_photo("heron-braced")


@pytest.fixture(scope="module")
def prepared(photo):
    return prepare(photo)


def shot_with(*clicks, **more):
    shot = read_shot(SAMPLES / "heron-braced.shot.json")
    return replace(shot, clicks={name: CLICKS[name] for name in clicks}, **more)


def followed():
    px = {k: np.array(v) for k, v in json.loads((SAMPLES / "heron-braced.truth.json").read_text())["outline_px"].items()}
    back, belly = px["back"], px["belly"]
    n = len(back)
    return Followed((back + belly) / 2, back, belly, (int(0.45 * n), int(0.55 * n)))


def told(fault, shot, prepared, shown=True):
    error = NeedsHelp("Something is amiss.", "Do all of it.", **fault)
    error.fields["followed"] = followed() if shown else None
    return one_thing(error, shot, (3000, 2250), None, prepared)


@pytest.mark.parametrize("fault", FAULTS, ids=lambda f: f["fault"])
@pytest.mark.parametrize("shown", [True, False])
def test_what_was_clicked_is_never_asked_for_again(fault, shown, prepared):
    for k in range(4):
        for given in itertools.combinations(CLICKS, k):
            reason = told(fault, shot_with(*given), prepared, shown)
            assert reason.asks is not None and reason.remedy
            if fault["fault"] != "click" and not (fault["fault"] == "beside" and k == 3):  # there a click is asked to be moved
                assert reason.remedy != "Do all of it."
                assert reason.asks.wants not in given
                for name in given:
                    assert f"lick the {name.removeprefix('nock_')} nock" not in reason.remedy
                if k == 3:
                    assert "lick" not in reason.remedy.replace("clicked", "")


def test_a_wrong_spacing_is_named(prepared):
    shot = shot_with("nock_upper", "nock_lower")
    shot = replace(shot, scale=replace(shot.scale, kind="grid", spacing_mm=76.2))
    reason = told({"fault": "apart", "ratio": 1.42}, shot, prepared)
    assert reason.text == 'A spacing of 3" makes the bow between the clicked nocks 142 % of its length.'
    assert reason.remedy == "Check the spacing, and the nocks." and reason.asks.wants == "scale"


@pytest.mark.parametrize(("limb", "share"), [("upper", (0.4, 0.7)), ("lower", (0.4, 0.7))])
def test_an_edge_is_asked_for_where_it_is_doubted(limb, share, prepared):
    reason = told({"fault": "edge", "limb": limb, "share": share}, shot_with(*CLICKS), prepared)
    assert reason.asks.wants in ("edge_back", "edge_belly") and limb in reason.remedy
    line, f = np.array(reason.asks.stretch_px), followed()
    side = f.back_px if reason.asks.wants == "edge_back" else f.belly_px
    a, n = (f.handle[0], 0) if limb == "upper" else (len(side) - 1 - f.handle[1], len(side) - 1)
    want = [side[round(n + s * (a if limb == "upper" else -a))] for s in share]
    ends = line[[0, -1]] if limb == "upper" else line[[-1, 0]]
    assert np.abs(ends - want).max() < 12  # one place of the outline
    assert np.hypot(*(line - np.array(reason.asks.place_px)).T).min() < 0.01


def test_an_edge_that_was_put_right_there_is_not_asked_for_again(prepared):
    fault = {"fault": "edge", "limb": "upper", "share": (0.4, 0.7)}
    first = told(fault, shot_with(*CLICKS), prepared).asks
    second = told(fault, shot_with(*CLICKS, edges_px={first.wants.removeprefix("edge_"): (first.place_px,)}), prepared).asks
    assert {first.wants, second.wants} == {"edge_back", "edge_belly"}
    both = {"back": (first.place_px,), "belly": (second.place_px,)}
    assert told(fault, shot_with(*CLICKS, edges_px=both), prepared).asks.wants == "retake"


def asking():
    stretch = ((900.0, 700.0), (1000.0, 690.0), (1100.0, 682.0))
    reason = Reason("needs_help", "Something is amiss.", "Set a place.", Ask("edge_belly", (1000.0, 690.0), stretch))
    about = PhotoId("a.jpg", "0" * 64, (3000, 2250))
    return Measurement("needs_help", "braced", (reason,), followed=followed(), photo=about, shot=shot_with("handle"))


def test_the_document_keeps_what_is_asked_and_where():
    document = asking().as_document()
    document["made_by"] = "a version"
    Draft202012Validator(measurement_schema()).validate(document)
    asks = document["reasons"][0]["asks"]
    line = [[900.0, 700.0], [1000.0, 690.0], [1100.0, 682.0]]
    assert asks == {"wants": "edge_belly", "place_px": [1000.0, 690.0], "stretch_px": line}
    assert len(document["followed"]["middle_px"]) <= 100
    assert measurement_of(json.loads(json.dumps(document))).reasons == asking().reasons


def test_the_drawing_marks_the_stretch_and_shows_it_enlarged(photo):
    found = asking()
    plain = draw_overlay(photo.rgb, replace(found, reasons=(Reason("a", "b"),)), 1500)
    drawn = draw_overlay(photo.rgb, found, 1500)
    assert drawn.shape[0] > plain.shape[0] + 400  # the enlarged place

    def near(picture, at):
        return np.abs(picture[at[1] - 3 : at[1] + 4, at[0] - 3 : at[0] + 4].astype(int) - DOUBT).sum(axis=2).min()

    for x, y in found.reasons[0].asks.stretch_px:
        at = round((x + 0.5) / 2 - 0.5), round((y + 0.5) / 2 - 0.5)
        assert near(drawn, at) < 60 < near(plain, at)
    left, top, right, bottom = closer_box(found, (3000, 2250))
    assert left < 900 and right > 1100 and top < 682 and bottom > 700 and right - left < 1500


def test_the_editor_looks_at_the_place_with_the_right_tool():
    wanted = ["nock_upper", "handle", "edge_back_1", "edge_belly_1", "edge_belly_2"]
    focus = focus_of(asking(), wanted, {"edge_belly_1": (1.0, 1.0)})
    assert focus.id == "edge_belly_2" and focus.at == (1000.0, 690.0) and len(focus.stretch) == 3
    assert focus.as_data()["mark"] != replace(focus, at=(1001.0, 690.0)).as_data()["mark"]
    assert [c.kind for c in traced_curves(asking())] == ["edge", "edge", "doubt"]
    assert focus_of(replace(asking(), status="measured"), wanted, {}) is None


@pytest.mark.parametrize(("ends_at", "cut"), [(2980.0, True), (2600.0, False)])
def test_a_bow_too_short_that_ends_at_the_border_is_cut_off(ends_at, cut, prepared):
    path = np.column_stack([np.linspace(300.0, ends_at, 40), np.full(40, 700.0)])
    reason = told({"fault": "length", "ratio": 0.7, "path_px": path, "support": 1.0}, shot_with(), prepared)
    assert ("lower tip outside the picture" in reason.remedy) == cut
