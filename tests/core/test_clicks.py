"""What is pointed at is held against itself, the picture and the bow before it is used, each slip with its own sentence."""

from __future__ import annotations

import json
import math

import pytest

from tests.core.test_shot import FOUR, GRID, KINDS, changed
from tests.support.against_truth import SAMPLES
from tests.support.app_visits import errors, said, visit
from tillerlens.core.errors import NeedsHelp, ShotError
from tillerlens.core.shot_file import read_shot
from tillerlens.measure import measure_photo
from tillerlens.photo.intake import read_photo
from tillerlens.photo.scale import fit_scale
from tillerlens.record import Bow, open_record, store
from tillerlens.trace.path import check_against_length
from tillerlens.trace.reading import prepare
from tillerlens.ui import fields, workspace

SIZE = (3024, 2268)
CLICKS = {"nock_upper": [400, 1100], "nock_lower": [2600, 1110], "handle": [1500, 900], "hook": [1500, 1700]}


def clicked(**changes):
    """A drawn bow, upper limb left and back up, with all four places clicked, some of them elsewhere; None takes one away."""
    places = {name: at for name, at in {**CLICKS, **changes}.items() if at is not None}
    return changed(GRID, clicks=places)


def refusal(form):
    shot = read_shot(form)  # without the picture: a shot that an earlier version kept can still be read
    with pytest.raises(ShotError) as caught:
        read_shot(form, photo_size=SIZE)
    assert caught.value.text and caught.value.remedy
    assert read_shot(shot.as_dict()) == shot
    return caught.value.text


def test_places_as_they_are_on_a_bow_are_taken():
    for form in (clicked(), clicked(handle=None), clicked(nock_upper=None, hook=None), clicked(hook=[1500, 1120])):
        assert read_shot(form, photo_size=SIZE).clicks


@pytest.mark.parametrize(
    ("form", "words"),
    [
        pytest.param(clicked(nock_lower=[404, 1102]), "Both nocks are clicked on the same spot", id="a double tap"),
        pytest.param(clicked(nock_lower=[400, 1100]), "Both nocks are clicked on the same spot", id="the very same"),
        pytest.param(clicked(nock_lower=[600, 1100]), "only 200 pixels apart", id="too near"),
        pytest.param(clicked(nock_upper=CLICKS["nock_lower"], nock_lower=CLICKS["nock_upper"]), "bow's other end", id="swapped"),
        pytest.param(clicked(handle=[410, 1100]), "handle is clicked on a nock", id="handle on a nock"),
        pytest.param(clicked(handle=[600, 1000]), "not clicked between the two nocks", id="handle beside a nock"),
        pytest.param(clicked(nock_upper=[1400, 200]), "on the other side of the nocks", id="a wild nock"),
        pytest.param(clicked(handle=[1500, 1400]), "on the other side of the nocks", id="handle on the string's side"),
        pytest.param(clicked(hook=[1500, 700]), "on the back's side of the handle", id="hook before the back"),
        pytest.param(clicked(hook=[1500, 950]), "where a string could be drawn to", id="hook between handle and nocks' line"),
        pytest.param(clicked(hook=[2590, 1200]), "where a string could be drawn to", id="hook below a nock"),
        pytest.param(
            changed(clicked(), state="braced"), "A hook is clicked, but the bow is said to be braced", id="no hook there"
        ),
        pytest.param(clicked(hook=[1500, 2300]), "lies outside the picture", id="outside"),
        pytest.param(changed(GRID, clicks={"nose": [10, 10]}), "no place called 'nose'", id="unknown place"),
        pytest.param(
            changed(FOUR, marks_px=[[394, 551], [2798, 505], [2793, 2000], [1594, 1295]]), "Three of the four", id="on one line"
        ),
        pytest.param(
            changed(GRID, edges_px={"back": [[800, 950]], "belly": [[900, 990], [800, 950]]}),
            "and on the belly's",
            id="both edges",
        ),
        pytest.param(changed(GRID, upper_limb_length_in=8), "12 % of the bow's length", id="a stub of a limb"),
        pytest.param(changed(GRID, scale_reading_lb=0), "draw weight is zero", id="zero pounds"),
    ],
)
def test_a_slip_is_told_in_its_own_sentence(form, words):
    assert words in refusal(form)


@pytest.mark.parametrize(
    "at", [[math.nan, 5], [math.inf, 5], [1e300, 5], [10**400, 5], [5], [5, 5, 5], ["5", 5], None, [True, 5]]
)
def test_what_is_no_place_is_no_click(at):
    for form in (changed(GRID, clicks={"handle": at}), changed(GRID, edges_px={"back": [at]})):
        with pytest.raises(ShotError) as caught:
            read_shot(form)
        assert caught.value.remedy


# --- once the scale is known


@pytest.fixture(scope="module")
def heron():
    photo = read_photo(SAMPLES / "heron-drawn-27.jpg")
    form = json.loads((SAMPLES / "heron-drawn-27.shot.json").read_text())
    truth = json.loads((SAMPLES / "heron-drawn-27.truth.json").read_text())["outline_px"]
    form = {k: v for k, v in form.items() if k not in ("clicks", "photo")}
    true = {name: truth[name] for name in ("nock_upper", "nock_lower", "handle", "hook")}
    return photo, form, true, prepare(photo), fit_scale(photo, read_shot(form))


def test_clicked_nocks_are_held_against_the_length_typed(heron):
    photo, form, true, _, fit = heron
    check_against_length(fit.camera, read_shot({**form, "clicks": true}), fit.squared)
    short = {**true, "nock_lower": [0.75 * a + 0.25 * b for a, b in zip(true["nock_upper"], true["nock_lower"], strict=True)]}
    for clicks, length, words in (
        (true, 48, "On a bow of 48"),  # the bow is 66 1/2 in long
        (short, 66.5, "apart when it is drawn"),
        (
            {**true, "handle": [true["nock_lower"][0] - 300, true["handle"][1]]},
            66.5,
            "From the clicked handle to the upper nock is",
        ),
    ):
        with pytest.raises(NeedsHelp) as caught:
            shot = read_shot({**form, "clicks": clicks, "bow_length_nock_to_nock_in": length})
            check_against_length(fit.camera, shot, fit.squared)
        assert words in caught.value.text and caught.value.fields["clicks"]


@pytest.mark.parametrize("scale", ["tags", "bow_length"])
@pytest.mark.parametrize("slip", ["double tap", "wild", "swapped"])
def test_slips_on_a_real_picture_are_answered_not_raised(heron, scale, slip):
    photo, form, true, prepared, _ = heron
    form = form if scale == "tags" else {**form, "scale": {"kind": "bow_length"}}
    clicks = {
        "double tap": {**true, "nock_lower": true["nock_upper"]},
        "wild": {**true, "nock_upper": [photo.width - 5, photo.height - 5]},
        "swapped": {**true, "nock_upper": true["nock_lower"], "nock_lower": true["nock_upper"]},
    }[slip]
    found = measure_photo(photo, read_shot({**form, "clicks": clicks}), prepared=prepared)
    assert found.status == "refused" and found.reasons[0].code == "shot" and found.reasons[0].remedy


@pytest.mark.parametrize("handle_in", [0, 0.5, 33])
def test_a_handle_of_any_length_is_measured_or_told_why_not(heron, handle_in):
    photo, form, _, prepared, fit = heron
    found = measure_photo(photo, read_shot({**form, "handle_in": handle_in}), prepared=prepared, fit=fit)
    assert all(r.code != "unforeseen" for r in found.reasons)
    assert handle_in > 2 or (found.status == "refused" and "too short to show" in found.reasons[0].text)


# --- on the pages


def test_a_form_that_an_older_version_kept_fills_what_can_be_shown():
    import streamlit as st

    odd = {"nock_upper": [10, 20], "nock_lower": [math.nan, 5], "handle": [1e300, 5], "hook": "there", "nose": [1, 2]}
    form = {"state": 7, "upper_limb": None, "back": "left", "scale": [], "clicks": odd, "marks_px": [[1, 2], None], "edges_px": 5}
    assert fields.fill(form) == 5
    assert st.session_state["points"] == {"nock_upper": (10.0, 20.0), "mark_1": (1.0, 2.0)}
    assert fields.fill(KINDS["four_marks"]) == 0


@pytest.fixture
def record():
    with open_record() as record:
        yield record


SLIPS = {"nock_upper": [300, 900], "nock_lower": [302, 901], "handle": [1500, 900]}


def test_a_picture_on_the_bench_with_a_double_tap_opens_says_so_and_can_be_put_right(record):
    bow = store.add_bow(record, Bow("Heron", length_mm=66.5 * 25.4, handle_mm=190.0))
    form = json.loads((SAMPLES / "heron-drawn-27.shot.json").read_text())
    data = (SAMPLES / "heron-drawn-27.jpg").read_bytes()
    laid = workspace.lay_down(record.folder, data, "heron.jpg", bow.id, {**form, "clicks": SLIPS})
    page = visit("picture", bow, picture=laid.sha256)
    assert errors(page) == []
    assert any("Both nocks are clicked on the same spot" in w.value for w in page.warning)
    (toggle,) = [t for t in page.toggle if t.key.startswith("pointing_")]
    assert toggle.value, "the editor is there to move them"


def test_a_stage_kept_with_such_clicks_opens_and_can_be_put_right(record):
    bow = store.add_bow(record, Bow("Heron", length_mm=66.5 * 25.4, handle_mm=190.0))
    form = json.loads((SAMPLES / "heron-drawn-27.shot.json").read_text())
    data = (SAMPLES / "heron-drawn-27.jpg").read_bytes()
    stage = store.add_stage(record, bow.id, data, {**form, "clicks": {**SLIPS, "nose": [5, 5]}}, name="heron.jpg")
    page = visit("stage", bow, stage)
    assert errors(page) == []
    warnings = " ".join(w.value for w in page.warning)
    assert "Both nocks are clicked on the same spot" in warnings and "1 of the places kept" in warnings
    assert any(t.key.startswith("pointing_") and t.value for t in page.toggle)
    assert "Stage 1 of 1" in said(page)
