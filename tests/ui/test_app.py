"""The page as a person uses it: a sample at once, an upload, and what goes wrong said in place."""

import io
import json

import numpy as np
import pytest
from PIL import Image
from streamlit.testing.v1 import AppTest

from tests.support.made_up import SAMPLES, from_truth, gap_row, measured
from tillerlens.core.shot_file import read_shot
from tillerlens.measure import measure_photo
from tillerlens.photo.intake import read_photo
from tillerlens.report.words.quantities import Units
from tillerlens.report.words.verdict import verdict
from tillerlens.ui import fields, rows, typed
from tillerlens.ui.page.photo import OWN
from tillerlens.ui.result import budget_rows, gap_table, value_table
from tillerlens.ui.text import plain

APP = SAMPLES.parent / "tillerlens" / "ui" / "main.py"
ASK_TIMEOUT_S = 120  # two photographs on a busy machine
INCHES = Units()


@pytest.fixture
def page():
    return AppTest.from_file(str(APP), default_timeout=ASK_TIMEOUT_S)


def own(page):
    page.run()
    return page.selectbox(key="which").select(OWN).run()


def jpeg(rgb):
    out = io.BytesIO()
    Image.fromarray(rgb).save(out, "JPEG")
    return out.getvalue()


def test_a_sample_is_measured_without_being_asked(page):
    page.run()
    assert not page.exception
    assert page.title[0].value == "TillerLens"
    name = page.selectbox(key="which").value
    shot = read_shot(SAMPLES / f"{name}.shot.json")
    spoken = verdict(measure_photo(read_photo(SAMPLES / f"{name}.jpg"), shot))
    assert page.subheader[0].value.replace("\\", "") == spoken.first.text
    said = " ".join(m.value for m in page.markdown).replace("\\", "")
    assert "cannot see grain" in said and "| what | measured | interval |" in said
    assert len(page.get("image")) == 1
    assert len(page.get("vega_lite_chart")) == 3


@pytest.mark.parametrize("name", ["heron-unstrung", "heron-braced"])
def test_other_states_are_shown_too(page, name):
    page.run()
    page.selectbox(key="which").select(name).run()
    assert not page.exception
    assert page.subheader[0].value


def test_units_are_the_readers(page):
    page.run()
    page.selectbox(key="unit_length").select("cm").run()
    assert not page.exception
    table = next(m.value for m in page.markdown if m.value.startswith("| what"))
    assert "cm" in table and not any(line.rstrip(" |").endswith("in") for line in table.splitlines())


def test_a_length_that_is_none_is_said_beside_its_field(page):
    page.run()
    before = page.subheader[0].value
    page.text_input(key="shot_standoff_in").set_value("two thumbs").run()
    assert not page.exception
    assert any("'two thumbs' is not a length" in e.value for e in page.error)
    page.button(key="measure").click().run()
    assert page.subheader[0].value == before  # what was measured stays, and is said to be older
    page.text_input(key="shot_standoff_in").set_value("2 1/4").run()
    assert not page.error
    page.button(key="measure").click().run()
    assert not page.exception and page.subheader[0].value


def test_fields_that_contradict_each_other_are_refused_in_words(page):
    page.run()
    page.text_input(key="shot_handle_in").set_value("35 in").run()
    assert any("longer than half the bow" in c.value for c in page.caption)


@pytest.mark.parametrize(
    ("data", "words"),
    [(b"hello", "not a photograph"), (b"", "is empty"), (b"\xff\xd8\xff\xe0 cut off", "damaged or cut off")],
    ids=["text", "empty", "cut off"],
)
def test_a_bad_file_gets_a_sentence_with_a_remedy(page, data, words):
    own(page)
    page.file_uploader(key="photo").set_value(("bow.jpg", data, "image/jpeg")).run()
    assert not page.exception
    (error,) = page.error
    assert words in error.value
    assert error.value.replace("\\", "").count(".") >= 2  # the trouble, and what to do


def test_a_bad_shot_file_gets_a_sentence(page):
    own(page)
    picture = (SAMPLES / "heron-braced.jpg").read_bytes()
    page.file_uploader(key="photo").set_value(("bow.jpg", picture, "image/jpeg"))
    for text, words in ((b"[1", "not JSON"), (b'{"state": "bent"}', "missing")):
        page.file_uploader(key="its_shot").set_value(("bow.shot.json", text, "application/json")).run()
        assert not page.exception
        assert any(words in e.value for e in page.error), [e.value for e in page.error]


def test_a_picture_and_its_shot_file_are_measured_as_one(page):
    own(page)
    page.file_uploader(key="photo").set_value(("bow.jpg", (SAMPLES / "heron-braced.jpg").read_bytes(), "image/jpeg"))
    shot = (SAMPLES / "heron-braced.shot.json").read_bytes()
    page.file_uploader(key="its_shot").set_value(("bow.shot.json", shot, "application/json")).run()
    assert not page.exception and not page.error
    expected = measure_photo(read_photo(SAMPLES / "heron-braced.jpg"), read_shot(json.loads(shot)))
    assert page.subheader[0].value.replace("\\", "") == verdict(expected).first.text


def test_without_a_shot_file_the_fields_are_asked_for(page):
    """Nothing is measured until what is needed is given; then the same shot as in the file comes out."""
    own(page)
    page.file_uploader(key="photo").set_value(("bow.jpg", (SAMPLES / "heron-braced.jpg").read_bytes(), "image/jpeg")).run()
    page.button(key="measure").click().run()
    assert not page.exception and not page.subheader and any("need a look" in e.value for e in page.error)
    shot = json.loads((SAMPLES / "heron-braced.shot.json").read_text())
    page.button_group(key="shot_state").set_value("braced").run()
    page.text_input(key="shot_bow_length_nock_to_nock_in").set_value("5' 6 7/16\"")
    page.text_input(key="shot_handle_in").set_value("190.5 mm")
    page.text_input(key="shot_standoff_in").set_value(str(shot["standoff_in"]))
    page.text_input(key="shot_side_in").set_value("3 1/4")
    for row, place in enumerate([("0", "0"), ("80", "0"), ("3", "34"), ("77", "34")]):
        for at, text in enumerate(place, start=1):
            page.text_input(key=f"shot_tags_{row}_{at}").set_value(text)
    page.run()
    assert not page.error
    page.button(key="measure").click().run()
    assert not page.exception
    expected = measure_photo(read_photo(SAMPLES / "heron-braced.jpg"), read_shot(shot))
    assert page.subheader[0].value.replace("\\", "") == verdict(expected).first.text


def test_a_shot_file_stays_through_later_steps(page):
    own(page)
    picture, shot = (SAMPLES / f"heron-braced-upright{end}" for end in (".jpg", ".shot.json"))
    page.file_uploader(key="photo").set_value(("bow.jpg", picture.read_bytes(), "image/jpeg"))
    page.file_uploader(key="its_shot").set_value(("s.json", shot.read_bytes(), "application/json")).run()
    first = page.subheader[0].value
    page.run()
    page.toggle(key="close").set_value(False).run()
    assert not page.exception and page.subheader[0].value == first
    assert page.text_input(key="shot_handle_in").value == "7 1/2"


def test_the_shot_file_of_the_very_sample_shown_first_fills_the_fields(page):
    """The same bytes from a person's folder are that person's photograph: once beside the sample, and once again after it."""
    page.run()
    first = page.selectbox(key="which").value
    page.text_input(key="shot_handle_in").set_value("9 in").run()  # what was typed for the sample is not the file's
    picture, shot = ((SAMPLES / f"{first}{end}").read_bytes() for end in (".jpg", ".shot.json"))
    form = json.loads(shot)
    for _ in range(2):
        page.selectbox(key="which").select(OWN).run()
        page.file_uploader(key="photo").set_value((f"{first}.jpg", picture, "image/jpeg"))
        page.file_uploader(key="its_shot").set_value(("s.json", shot, "application/json")).run()
        assert not page.exception and not page.error
        assert page.text_input(key="shot_handle_in").value == typed.as_text(form["handle_in"])
        assert page.text_input(key="shot_bow_length_nock_to_nock_in").value == typed.as_text(form["bow_length_nock_to_nock_in"])
        assert page.selectbox(key="shot_kind").value == form["scale"]["kind"]
        assert page.subheader[0].value
        page.selectbox(key="which").select(first).run()


def test_a_picture_without_a_bow_is_not_measured(page, rng):
    own(page)
    wall = rng.normal(170, 6, (900, 1400, 3)).clip(0, 255).astype(np.uint8)
    shot = {
        "state": "braced",
        "bow_length_nock_to_nock_in": 66,
        "handle_in": 8,
        "upper_limb": "left",
        "back": "up",
    }
    text = json.dumps({**shot, "scale": {"kind": "bow_length"}}).encode()
    page.file_uploader(key="photo").set_value(("wall.jpg", jpeg(wall), "image/jpeg"))
    page.file_uploader(key="its_shot").set_value(("wall.shot.json", text, "application/json")).run()
    assert not page.exception
    assert page.subheader[0].value.startswith(("The bow was not found", "This picture was not measured"))
    assert not any(m.value.startswith("| what") for m in page.markdown)


# --- the fields and tables by themselves


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.shot.json")), ids=lambda p: p.name.split(".")[0])
def test_a_shot_survives_its_way_through_the_fields(path):
    """File to fields and back is the same shot: nothing is lost, no length is rounded."""

    def round_trip(form):
        import json as js

        import streamlit as st

        from tillerlens.ui import fields as f

        f.fill(form)
        again, bad = f.ask()
        st.code(js.dumps({"form": f.with_points(again, st.session_state["points"]), "bad": bad}))

    form = json.loads(path.read_text())
    page = AppTest.from_function(round_trip, args=(form,), default_timeout=ASK_TIMEOUT_S).run()
    assert not page.exception
    back = json.loads(page.code[0].value)
    assert back["bad"] == []
    first, second = read_shot(form), read_shot(back["form"])
    assert {**second.as_dict(), "photo": None} == {**first.as_dict(), "photo": None}


@pytest.mark.parametrize("cells", [("one", "2", "3"), ("1", "72", ""), ("1", "far", "0"), ("", "1", "2")])
def test_a_tag_that_cannot_be_read_is_refused(cells):
    with pytest.raises(fields.ShotError):
        rows.read_tag(*cells)


def test_a_tag_is_read_as_people_write_it():
    assert rows.read_tag(" 1 ", "72 1/2", "-3/4") == ("1", [72.5, -0.75])


def test_names_from_files_cannot_act_as_markup():
    assert plain("![x](http://y) $a$ <b>") == r"!\[x\](http\://y) \$a\$ \<b\>"


def test_the_gap_table_shows_what_is_told_in_bold():
    table = gap_table(measured(gaps=[gap_row(355.6, 260, 250), gap_row(457.2, 200, 200)]), INCHES)
    told, level = table.replace("\u00a0", " ").splitlines()[2:4]
    assert told == "| 14 in | 10 1/4 | 9 7/8 | **+3/8 ±1/16** |"  # 250 mm is nearest 9 13/16, but what stands together subtracts
    assert level == "| 18 in | 7 7/8 | 7 7/8 | 0 ±1/16 |"


def test_the_budget_names_every_cause_and_keeps_unknowns_unknown():
    measurement = from_truth()
    rows = budget_rows(measurement, INCHES)
    assert len(rows) == len(measurement.values) + len(measurement.gaps)
    by_name = {row["what"]: row for row in rows}
    length = by_name["draw length to the back"]  # made up with u = 0.5 mm, 0.3 of it edges and 0.4 standoff
    assert length["interval ±"] == pytest.approx(1.0 / 25.4, abs=6e-4)
    assert length["placing the limb's edges"] == pytest.approx(0.6 / 25.4, abs=6e-4)
    assert by_name["string angle, upper tip"]["the standoff by ruler"] is None


def test_the_table_of_values_has_each_of_them():
    measurement = from_truth()
    assert len(value_table(measurement, INCHES).splitlines()) == 2 + len(measurement.values)
