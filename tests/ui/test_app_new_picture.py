"""A picture's way through the app: handed over, measured, kept, and put right."""

import io
import json
from dataclasses import replace
from datetime import datetime, timedelta
from types import SimpleNamespace

import pytest
from PIL import Image

from tests.support import shop
from tests.support.app_visits import errors, said, visit
from tests.support.made_up import SAMPLES
from tests.support.shop import event_of
from tillerlens.core.units import MM_PER_INCH
from tillerlens.record import Bow, open_record, store
from tillerlens.ui import batch, typed, workspace


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


def keep(page):
    """Press the one photo's Keep."""
    return next(b for b in page.button if b.label == "Keep").click().run()


def test_a_picture_is_measured_by_what_is_known_and_kept_on_the_timeline(record):
    """The bow's sizes, the board, and a drawn picture after a braced one: nothing is left to be typed."""
    data, shot = sample()
    workspace.keep_board(record.folder, workspace.Board("slate", shot["scale"], shot["standoff_in"]))
    bow = store.add_bow(record, Bow("Bramble", length_mm=63 * MM_PER_INCH, handle_mm=8 * MM_PER_INCH))
    shop.add_stage(record, bow, "braced", shot=shop.shot_of("braced"))
    bow, page = handed_over(record, [("drawn.jpg", data)], bow)
    assert errors(page) == []
    assert "Guess: drawn, the photo before is braced." in said(page) and "slate, its marks show" in said(page)
    assert page.subheader[0].value  # the verdict
    keep(page)
    assert errors(page) == [] and "Kept 1 photo on the timeline." in page.success[0].value
    stage = store.list_stages(record, bow.id)[-1]
    assert stage.state == "drawn" and stage.status == "measured" and stage.photo_name == "drawn.jpg"
    assert stage.shot["scale"] == shot["scale"] and stage.shot["standoff_in"] == shot["standoff_in"]
    assert store.original(record, stage) == data
    assert workspace.on_bench(record.folder, bow.id) == []


def test_a_state_that_was_only_guessed_gives_way_to_what_the_picture_shows(record):
    data, shot = sample()
    workspace.keep_board(record.folder, workspace.Board("slate", shot["scale"], shot["standoff_in"]))
    bow, page = handed_over(record, [("drawn.jpg", data)])
    assert errors(page) == []
    assert "Drawn, as the photo shows." in said(page) and "first photo" not in said(page)
    (picture,) = workspace.on_bench(record.folder, bow.id)
    assert picture.form["state"] == "drawn"
    # a person may be wrong, and is told, not overruled
    page.button_group(key=f"state_{picture.sha256}").set_value("braced").run()
    assert "the bow is drawn, not braced" in page.subheader[0].value
    (picture,) = workspace.on_bench(record.folder, bow.id)
    assert picture.form["state"] == "braced"


def test_what_was_typed_for_a_picture_outlives_the_session(record):
    data, _ = sample()
    bow, page = handed_over(record, [("drawn.jpg", data)])
    (picture,) = workspace.on_bench(record.folder, bow.id)
    sha = picture.sha256
    assert errors(page) == [] and page.subheader  # by its own length, since there is no board
    page.text_input(key=f"weight_{sha}").set_value("38 1/2").run()
    page.selectbox(key=f"scale_{sha}").select("new:grid").run()
    assert not page.subheader  # of another scale, that is not known yet: the verdict was not measured by it
    page.text_input(key=f"new_spacing_in_{sha}").set_value("1 1/2").run()
    assert errors(page) == [] and "still needs: standoff" in said(page)
    again = visit("picture", bow)  # another browser
    assert errors(again) == []
    assert again.selectbox(key=f"scale_{sha}").value == "new:grid"
    assert again.text_input(key=f"new_spacing_in_{sha}").value == "1 1/2"
    assert again.text_input(key=f"weight_{sha}").value == "38.5"


def test_the_bow_s_sizes_are_asked_once_of_the_bow(record):
    bow = store.add_bow(record, Bow("Bramble"))
    bow, page = handed_over(record, [("drawn.jpg", sample()[0])], bow)
    assert errors(page) == [] and not page.subheader and "asked once" in said(page).lower()
    keep(page)
    assert any("length and its stiff handle" in e for e in errors(page)) and store.list_stages(record, bow.id) == []
    page.text_input(key=f"bow_length_mm_{bow.id}").set_value("63")
    page.text_input(key=f"bow_handle_mm_{bow.id}").set_value("8 in").run()
    assert errors(page) == [] and page.subheader
    now = store.get_bow(record, bow.id)
    assert (now.length_mm, now.handle_mm) == pytest.approx((63 * MM_PER_INCH, 8 * MM_PER_INCH))
    keep(page)
    assert errors(page) == [] and len(store.list_stages(record, bow.id)) == 1


def test_another_board_takes_with_it_what_belonged_to_the_one_before(record):
    data, shot = sample()
    wall = workspace.Board("wall", {"kind": "two_marks", "marks_apart_in": 60.0}, 3.0, 0.25, upper_limb="right", back="up")
    workspace.keep_board(record.folder, wall)
    slate = workspace.Board("slate", shot["scale"], shot["standoff_in"])
    bow, page = handed_over(record, [("drawn.jpg", data)])
    (picture,) = workspace.on_bench(record.folder, bow.id)
    assert picture.board_id == wall.id
    workspace.note(record.folder, replace(picture, form={**picture.form, "marks_px": [[10, 10], [900, 10]]}))
    workspace.keep_board(record.folder, slate)
    page = visit("picture", bow)
    page.selectbox(key=f"scale_{picture.sha256}").select(slate.id).run()
    (picture,) = workspace.on_bench(record.folder, bow.id)
    assert "marks_px" not in picture.form and picture.board_id == slate.id
    keep(page)
    assert errors(page) == []
    (stage,) = store.list_stages(record, bow.id)
    assert stage.shot["standoff_in"] == shot["standoff_in"] and stage.shot["upper_limb"] == "left"
    assert "standoff_u_in" not in stage.shot or stage.shot["standoff_u_in"] != 0.25


def test_a_weight_that_cannot_be_read_is_said_and_nothing_is_kept_without_it(record):
    bow, page = handed_over(record, [("drawn.jpg", sample()[0])])
    (picture,) = workspace.on_bench(record.folder, bow.id)
    page.text_input(key=f"weight_{picture.sha256}").set_value("heavy")
    keep(page)
    assert any("'heavy' is not a weight" in e for e in errors(page)) and store.list_stages(record, bow.id) == []
    page.text_input(key=f"weight_{picture.sha256}").set_value("38")
    keep(page)
    assert errors(page) == []
    (stage,) = store.list_stages(record, bow.id)
    assert stage.shot["scale_reading_lb"] == 38 and store.measurement(record, stage.id).shot.as_dict()["scale_reading_lb"] == 38


def test_bare_numbers_are_read_in_the_chosen_unit_and_errors_say_it(record):
    workspace.keep_settings(record.folder, workspace.Settings(length="cm", weight="kg"))
    bow = store.add_bow(record, Bow("Bramble"))
    bow, page = handed_over(record, [("drawn.jpg", sample()[0])], bow)
    page.text_input(key=f"bow_length_mm_{bow.id}").set_value("3").run()
    (told,) = errors(page)
    assert "cm" in told and '"' not in told and " in " not in told.replace(" in the", "")
    page.text_input(key=f"bow_length_mm_{bow.id}").set_value("160")
    page.text_input(key=f"bow_handle_mm_{bow.id}").set_value("20,3".replace(",", ".")).run()
    (picture,) = workspace.on_bench(record.folder, bow.id)
    page.text_input(key=f"weight_{picture.sha256}").set_value("17")
    keep(page)
    assert errors(page) == []
    (stage,) = store.list_stages(record, bow.id)
    assert stage.shot["bow_length_nock_to_nock_in"] == pytest.approx(160 / 2.54)
    assert stage.shot["scale_reading_lb"] == pytest.approx(17 / 0.45359237)


def test_several_are_kept_in_one_press_and_one_that_cannot_be_stays(record):
    data, shot = sample()
    bow, page = handed_over(record, [("drawn.jpg", data), ("braced.jpg", sample("heron-braced")[0])])
    assert len(page.subheader) == 2  # each measured beside its fields
    first = next(p for p in workspace.on_bench(record.folder, bow.id) if p.name == "braced.jpg")
    page.selectbox(key=f"scale_{first.sha256}").select("new:tape").run()
    page.button(key="keep_all").click().run()
    assert any("braced.jpg" in e and "still needs" in e for e in errors(page))
    assert [s.photo_name for s in store.list_stages(record, bow.id)] == ["drawn.jpg"]
    assert [p.name for p in workspace.on_bench(record.folder, bow.id)] == ["braced.jpg"]


def test_a_photo_kept_alone_says_what_it_says_when_all_are_kept(record):
    """The bow drawn is judged against the one at rest that waits beside it, and the timeline gets both and knows that."""
    shot = sample("heron-drawn-27")[1]
    workspace.keep_board(record.folder, workspace.Board("wall", shot["scale"], shot["standoff_in"]))
    sizes = {"length_mm": shot["bow_length_nock_to_nock_in"] * MM_PER_INCH, "handle_mm": shot["handle_in"] * MM_PER_INCH}
    documents = []
    for alone in (True, False):
        bow = store.add_bow(record, Bow("Heron", **sizes))
        names = [(f"{name}.jpg", sample(f"heron-{name}")[0]) for name in ("unstrung", "drawn-27")]
        bow, page = handed_over(record, names, bow)
        drawn = next(p for p in workspace.on_bench(record.folder, bow.id) if p.name == "drawn-27.jpg")
        page.button(key=f"keep_{drawn.sha256}" if alone else "keep_all").click().run()
        assert errors(page) == [] and ("judged against" in page.success[0].value) == alone
        rest, stage = store.list_stages(record, bow.id)
        assert (rest.state, stage.state, stage.rest_stage_id) == ("unstrung", "drawn", rest.id)
        documents.append(store.measurement(record, stage.id).as_document())
    assert documents[0]["evidence"]["found_on"]["rest"] and documents[0] == documents[1]


def test_a_photo_is_judged_against_the_bow_at_rest_of_its_own_time(record):
    """The last one at rest before it, whatever was kept first; else the first one since; none across a heating."""
    bow = store.add_bow(record, Bow("Wren"))
    stages = [shop.add_stage(record, bow, "unstrung", seed=k, days=day) for k, day in enumerate((5, 1, 9))]
    store.add_event(record, event_of(bow.id, "heat", shop.BEGIN + timedelta(days=7), {"minutes": 30}))
    known = batch.BenchContext(SimpleNamespace(record=record), bow, tuple(store.list_stages(record, bow.id)), ())

    def of(day):
        when = shop.BEGIN + timedelta(days=day)
        picture = workspace.OnBench("", "x.jpg", bow.id, {"state": "drawn"}, taken_at=when.isoformat())
        found = batch.Rests(known).of(picture)
        return None if found is None else stages.index(found)

    assert [of(day) for day in (0, 2, 6, 8, 10)] == [1, 1, 0, 2, 2]


def test_the_time_of_a_photo_can_be_said(record):
    bow, page = handed_over(record, [("drawn.jpg", sample()[0])])
    (picture,) = workspace.on_bench(record.folder, bow.id)
    field = next(d for d in page.get("datetime_input") if d.key == f"taken_{picture.sha256}")
    assert "the file does not say when" in field.label
    field.set_value(datetime(2026, 3, 2, 10, 30)).run()
    keep(page)
    (stage,) = store.list_stages(record, bow.id)
    assert stage.taken_at.astimezone().replace(tzinfo=None) == datetime(2026, 3, 2, 10, 30)


def test_where_wood_came_off_a_photo_s_time_is_asked_for_and_else_not(record):
    bow, page = handed_over(record, [("drawn.jpg", sample()[0])])
    assert not any("before or after" in c.value for c in page.caption)
    where = {"limb": "upper", "start_from_nock_mm": 100.0, "end_from_nock_mm": 250.0}
    store.add_event(record, event_of(bow.id, "scrape", shop.BEGIN, where))
    page = visit("picture", bow)
    assert any("doesn't say when this was taken. Was it before or after wood came off" in c.value for c in page.caption)
    (picture,) = workspace.on_bench(record.folder, bow.id)
    field = next(d for d in page.get("datetime_input") if d.key == f"taken_{picture.sha256}")
    field.set_value(datetime(2026, 2, 1, 10, 30)).run()
    assert errors(page) == [] and any("By its time this photo shows the bow before" in c.value for c in page.caption)
    field = next(d for d in page.get("datetime_input") if d.key == f"taken_{picture.sha256}")
    field.set_value(datetime(2026, 4, 1, 10, 30)).run()
    assert errors(page) == [] and not any("before" in c.value for c in page.caption)


def test_bad_files_among_good_ones_are_named_and_the_good_ones_stay(record):
    data, _ = sample()
    bow, page = handed_over(record, [("note.jpg", b"hello"), ("cut.jpg", data[:5000]), ("good.jpg", data)])
    told = errors(page)
    assert len(told) == 2 and "note.jpg" in told[0] and "cut.jpg" in told[1]
    assert [p.name for p in workspace.on_bench(record.folder, bow.id)] == ["good.jpg"]


def test_a_poor_picture_is_told_what_to_do_better_before_it_is_measured(record):
    data, _ = sample()
    with Image.open(io.BytesIO(data)) as picture:
        out = io.BytesIO()
        picture.resize((picture.width // 4, picture.height // 4)).save(out, "JPEG")
    _, page = handed_over(record, [("messenger.jpg", out.getvalue())], store.add_bow(record, Bow("Not sized yet")))
    assert errors(page) == [] and "not a messenger's copy" in page.warning[0].value
    _, page = handed_over(record, [("whole.jpg", data)], store.add_bow(record, Bow("Nor this")))
    assert not page.warning


def test_a_picture_that_is_on_the_timeline_already_is_not_taken_twice(record):
    bow = store.add_bow(record, Bow("Wren"))
    store.add_stage(record, bow.id, sample()[0], shop.shot_of("drawn"), name="drawn.jpg")
    _, page = handed_over(record, [("again.jpg", sample()[0])], bow)
    assert any("already" in e for e in errors(page)) and workspace.on_bench(record.folder, bow.id) == []


def test_a_path_in_a_picture_s_name_leads_nowhere(record):
    data, _ = sample()
    bow, page = handed_over(record, [("../../../etc/x.jpg", data)])
    assert errors(page) == []
    (picture,) = workspace.on_bench(record.folder, bow.id)
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
    assert correction.who == workspace.Settings().who
    assert [c.field for c in correction.changes] == ["standoff_in"]


def test_a_correction_that_voids_a_measurement_is_said_with_what_stands_and_kept_only_if_wanted(record):
    data, shot = sample()
    bow = store.add_bow(record, Bow("Bramble"))
    stage = store.add_stage(record, bow.id, data, shot, name="drawn.jpg")
    page = visit("stage", bow, stage)
    verdict = page.subheader[0].value
    stage = store.get_stage(record, stage.id)
    page = visit("stage", bow, stage)
    page.toggle(key=f"right_{stage.id}").set_value(True).run()
    page.button_group(key="shot_state").set_value("braced").run()
    page.button(key="measure").click().run()
    assert errors(page) == []
    assert page.subheader[0].value == verdict and "your change isn't kept" in page.warning[0].value
    assert store.get_stage(record, stage.id) == stage
    page.button(key=f"again_undone_{stage.id}").click().run()
    assert page.subheader[0].value == verdict and page.button_group(key="shot_state").value == "drawn"
    page.button_group(key="shot_state").set_value("braced").run()
    page.button(key="measure").click().run()
    page.button(key=f"keep_void_{stage.id}").click().run()
    assert errors(page) == []
    after = store.get_stage(record, stage.id)
    assert (after.state, after.status) == ("braced", "refused")


def test_the_time_of_a_kept_picture_can_be_changed(record):
    bow = store.add_bow(record, Bow("Wren"))
    stage = shop.add_stage(record, bow, "braced", size=(960, 720))
    page = visit("stage", bow, stage)
    next(d for d in page.get("datetime_input") if d.key == f"when_{stage.id}").set_value(datetime(2026, 1, 2, 8, 5))
    page.text_area(key=f"notes_{stage.id}").set_value("by the barn")
    page.button(key=f"keep_notes_{stage.id}").click().run()  # at once after typing
    assert errors(page) == []
    after = store.get_stage(record, stage.id)
    assert after.taken_at.astimezone().replace(tzinfo=None) == datetime(2026, 1, 2, 8, 5) and after.notes == "by the barn"


def test_a_picture_leaves_the_timeline_after_a_question(record):
    bow = shop.fill(record)
    stage = store.list_stages(record, bow.id)[1]
    page = visit("stage", bow, stage)
    assert page.button(key=f"off_{stage.id}").disabled
    page.checkbox(key=f"sure_{stage.id}").check().run()
    page.button(key=f"off_{stage.id}").click().run()
    assert errors(page) == [] and stage.id not in {s.id for s in store.list_stages(record, bow.id)}


def test_a_choice_stands_when_its_page_is_left_and_opened_again(monkeypatch):
    """The framework drops a widget's value with its page; the first choice in the list must not be taken for the reader's."""
    state = {}
    monkeypatch.setattr(typed.st, "session_state", state)
    typed.follow("scale", "tags")
    typed.followed("scale", "tags")
    del state["scale"]
    assert state[typed.follow("scale", "tags")] == "tags"
    typed.followed("scale", "grid")
    state["scale"] = "grid"
    assert state[typed.follow("scale", "grid")] == "grid"
