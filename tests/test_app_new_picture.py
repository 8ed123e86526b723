"""A picture's way through the app: handed over, measured, kept, and put right."""

import io
import json

import pytest
import shop
from app_visits import errors, said, visit
from made_up import SAMPLES
from PIL import Image

from tillerlens.record import Bow, open_record, store
from tillerlens.ui import kept
from tillerlens.units import MM_PER_INCH


@pytest.fixture
def record():
    with open_record() as record:
        yield record


# --- new pictures


def handed_over(record, names, bow=None, **fields):
    bow = bow or store.add_bow(record, Bow("Bramble", length_mm=63 * MM_PER_INCH, handle_mm=8 * MM_PER_INCH, **fields))
    page = visit("picture", bow)
    files = [(n, d, "image/jpeg") for n, d in names]
    page.file_uploader(key=f"hand_over_{bow.id}_0").set_value(files).run()
    return bow, page


def sample(name="bramble-drawn-grid"):
    return (SAMPLES / f"{name}.jpg").read_bytes(), json.loads((SAMPLES / f"{name}.shot.json").read_text())


def test_a_picture_is_measured_by_what_is_known_and_kept_on_the_timeline(record):
    """The bow's sizes, the board, and a drawn picture after a braced one: nothing is left to be typed."""
    data, shot = sample()
    kept.keep_board(record.folder, kept.Board("slate", shot["scale"], shot["standoff_in"]))
    bow = store.add_bow(record, Bow("Bramble", length_mm=63 * MM_PER_INCH, handle_mm=8 * MM_PER_INCH))
    shop.add_stage(record, bow, "braced", shot=shop.shot_of("braced"))
    bow, page = handed_over(record, [("drawn.jpg", data)], bow)
    assert errors(page) == []
    assert "Taken to be drawn, since the one before is braced." in said(page)
    assert page.subheader[0].value  # the verdict
    page.button(key="keep").click().run()
    assert errors(page) == []
    stage = store.list_stages(record, bow.id)[-1]
    assert stage.state == "drawn" and stage.status == "measured" and stage.photo_name == "drawn.jpg"
    assert store.original(record, stage) == data
    assert kept.on_bench(record.folder, bow.id) == []
    assert page.query_params["stage"] == stage.id


def test_a_state_that_was_only_guessed_gives_way_to_what_the_picture_shows(record):
    data, shot = sample()
    kept.keep_board(record.folder, kept.Board("slate", shot["scale"], shot["standoff_in"]))
    bow, page = handed_over(record, [("drawn.jpg", data)])
    assert errors(page) == []
    assert "Taken to be drawn: so the picture shows it." in said(page) and "first of all" not in said(page)
    (picture,) = kept.on_bench(record.folder, bow.id)
    assert picture.form["state"] == "drawn"
    page.segmented_control(key="shot_state").set_value("braced").run()  # a person may be wrong, and is told, not overruled
    page.button(key="measure").click().run()
    assert "the bow is drawn, not braced" in page.subheader[0].value
    (picture,) = kept.on_bench(record.folder, bow.id)
    assert picture.form["state"] == "braced"


def test_what_was_typed_for_a_picture_outlives_the_session(record):
    data, _ = sample()
    bow, page = handed_over(record, [("drawn.jpg", data)])
    assert errors(page) == [] and not page.subheader  # the scale is not known, so nothing is measured
    page.selectbox(key="shot_kind").select("grid").run()
    page.text_input(key="shot_spacing_in").set_value("1 1/2").run()
    (picture,) = kept.on_bench(record.folder, bow.id)
    again = visit("picture", bow, picture=picture.sha256)  # another browser
    assert errors(again) == []
    assert again.selectbox(key="shot_kind").value == "grid"
    assert again.text_input(key="shot_spacing_in").value == "1 1/2"
    assert again.text_input(key="shot_bow_length_nock_to_nock_in").value == "63"


def test_bad_files_among_good_ones_are_named_and_the_good_ones_stay(record):
    data, _ = sample()
    bow, page = handed_over(record, [("note.jpg", b"hello"), ("cut.jpg", data[:5000]), ("good.jpg", data)])
    told = errors(page)
    assert len(told) == 2 and "note.jpg" in told[0] and "cut.jpg" in told[1]
    assert [p.name for p in kept.on_bench(record.folder, bow.id)] == ["good.jpg"]


def test_a_poor_picture_is_told_what_to_do_better_before_it_is_measured(record):
    data, _ = sample()
    with Image.open(io.BytesIO(data)) as picture:
        out = io.BytesIO()
        picture.resize((picture.width // 4, picture.height // 4)).save(out, "JPEG")
    _, page = handed_over(record, [("messenger.jpg", out.getvalue())])
    assert errors(page) == [] and "not a messenger's copy" in page.warning[0].value
    _, page = handed_over(record, [("whole.jpg", data)])
    assert not page.warning and "large enough" in said(page)


def test_a_picture_that_is_on_the_timeline_already_is_not_taken_twice(record):
    bow = store.add_bow(record, Bow("Wren"))
    store.add_stage(record, bow.id, sample()[0], shop.shot_of("drawn"), name="drawn.jpg")
    _, page = handed_over(record, [("again.jpg", sample()[0])], bow)
    assert any("already" in e for e in errors(page)) and kept.on_bench(record.folder, bow.id) == []


def test_a_path_in_a_picture_s_name_leads_nowhere(record):
    data, _ = sample()
    bow, page = handed_over(record, [("../../../etc/x.jpg", data)])
    assert errors(page) == []
    (picture,) = kept.on_bench(record.folder, bow.id)
    assert picture.name == "x.jpg"
    assert {p.parent for p in record.folder.rglob(f"{picture.sha256}*")} == {record.folder / "bench" / bow.id}


# --- one picture put right


def test_a_correction_is_kept_at_once_with_who_made_it(record):
    data, shot = sample()
    bow = store.add_bow(record, Bow("Bramble"))
    stage = store.add_stage(record, bow.id, data, shot, name="drawn.jpg")
    page = visit("stage", bow, stage)
    assert errors(page) == [] and page.subheader[0].value
    stage = store.get_stage(record, stage.id)
    assert stage.status == "measured"  # it had not been
    page.text_input(key="shot_standoff_in").set_value("3").run()
    page.button(key="measure").click().run()
    assert errors(page) == []
    after = store.get_stage(record, stage.id)
    assert after.shot["standoff_in"] == 3 and after.status == "measured" and after.values != stage.values
    (correction,) = store.list_corrections(record, stage.id)
    assert correction.who == kept.Settings().who
    assert [c["field"] for c in correction.changes] == ["standoff_in"]


def test_a_picture_leaves_the_timeline_after_a_question(record):
    bow = shop.fill(record)
    stage = store.list_stages(record, bow.id)[1]
    page = visit("stage", bow, stage)
    assert page.button(key=f"off_{stage.id}").disabled
    page.checkbox(key=f"sure_{stage.id}").check().run()
    page.button(key=f"off_{stage.id}").click().run()
    assert errors(page) == [] and stage.id not in {s.id for s in store.list_stages(record, bow.id)}
