"""The app's pages around the photograph, as a person uses them: empty, full, and given what makes no sense."""

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.support import bow_states, shop
from tests.support.app_visits import errors, said, visit
from tests.support.record_events import get_event
from tillerlens.core.events import RestDetails
from tillerlens.core.units import MM_PER_INCH, NEWTON_PER_POUND
from tillerlens.record import Bow, open_record, store
from tillerlens.ui import workspace
from tillerlens.ui.app import LOOK, ROOMS
from tillerlens.ui.drawings import drawing
from tillerlens.ui.text import distinct_labels

TAGS = {"kind": "aruco", "side_in": 3.25, "centres_in": {"0": [0, 0], "1": [80, 0], "2": [3, 34], "3": [77, 34]}}


@pytest.fixture
def record():
    with open_record() as record:
        yield record


def full(record):
    """A bow with a picture in each state, large enough to be shown, and an event of every kind."""
    bow = store.add_bow(record, Bow("Heron", wood="hazel", length_mm=1689.1, notes="<b>bold</b> *and* more"))
    rest = shop.add_stage(record, bow, "unstrung", seed=1, size=(960, 720))
    shop.add_stage(record, bow, "braced", seed=2, days=1, rest_stage_id=rest.id, size=(960, 720))
    drawn = shop.add_stage(record, bow, "drawn", seed=3, days=2, rest_stage_id=rest.id, size=(960, 720))
    for day, (kind, details) in enumerate(shop.EVENTS.items()):
        when, pinned = shop.BEGIN + timedelta(days=day), drawn.id if kind == "finding" else None
        store.add_event(record, shop.event_of(bow.id, kind, when, details, f"<i>{kind}</i>", "Maker", pinned))
    return bow


# --- every page, empty and full


@pytest.mark.parametrize("room", [r.name for r in ROOMS if r.name != "shelf"])
def test_every_page_of_an_empty_shop_says_what_to_do(room):
    page = visit(room)
    assert errors(page) == []
    assert page.title and len(said(page)) > 60


@pytest.mark.parametrize("room", [r.name for r in ROOMS])
def test_every_page_of_a_full_shop_shows(room, record):
    bow = full(record)
    page = visit(room, bow)
    assert errors(page) == []
    assert page.title
    assert "<b>bold</b>" not in [h.value for h in page.get("html")]  # notes are plain text


def test_a_drawn_picture_shows_its_bend_from_the_bow_at_rest(record):
    bow = store.add_bow(record, Bow("Heron", wood="hazel", length_mm=1689.1))
    rest = shop.add_stage(record, bow, "unstrung", seed=1, size=(960, 720))
    shop.add_stage(record, bow, "drawn", seed=3, days=2, rest_stage_id=rest.id, size=(960, 720))
    page = visit("stage", bow)
    assert errors(page) == []
    assert "has bent from its shape at rest" in said(page)


def test_a_belly_view_counts_as_measured_in_the_report(record):
    states = bow_states.belly_states(record)
    after = next(s for s in states if s.name == "a belly before and after heat")
    page = visit("report", store.get_bow(record, after.query["bow"]))
    assert errors(page) == []
    assert page.subheader[0].value == "2 of 3 pictures are measured."
    page = visit("compare", store.get_bow(record, after.query["bow"]))
    assert page.subheader[0].value == "Two measured pictures from the side are needed to compare."
    assert "belly's colour changed stands with its newest picture" in said(page)
    assert "No picture of this bow from the side is measured so far." in said(page)


def test_the_shelf_says_whose_pictures_lie_beside_a_record_that_is_not_theirs(record):
    full(record)
    (record.folder / "record.sqlite").unlink()
    for journal in record.folder.glob("record.sqlite-*"):
        journal.unlink()
    page = visit("shelf")
    with open_record() as fresh:
        assert fresh.doubt is not None
        begin = fresh.doubt.text[:40]
    assert any(begin in w.value.replace("\\", "") for w in page.warning)


@pytest.mark.parametrize("room", [r.name for r in (*ROOMS, LOOK)])
def test_an_address_of_nothing_is_said_and_forgotten(room, record):
    full(record)
    page = visit(room, bow=Bow("gone"))
    assert errors(page) == []
    if room != "look":
        assert any("no longer in the record" in w.value for w in page.warning)


def test_an_empty_shelf_shows_a_sample_at_once():
    page = visit("shelf")
    assert errors(page) == []
    assert page.title[0].value == "TillerLens"
    assert page.subheader[0].value and len(page.get("image")) == 1


# --- the shelf


def test_two_bows_of_one_name_can_both_be_opened(record):
    one, two = (store.add_bow(record, Bow("Wren")) for _ in range(2))
    page = visit("compare", one)
    choice = next(s for s in page.selectbox if s.label == "Bow")
    assert len(set(choice.options)) == 2
    for bow in (two, one):
        choice = next(s for s in page.selectbox if s.label == "Bow")
        choice.select_index(1 - choice.index).run()
        assert errors(page) == [] and page.query_params["bow"] == bow.id


def test_names_alike_are_told_apart():
    assert distinct_labels({"a": "Wren", "b": "Wren", "c": "Wren (2)", "d": "Heron"}) == {
        "a": "Wren",
        "b": "Wren (2)",
        "c": "Wren (2) (2)",
        "d": "Heron",
    }


def test_a_new_bow_is_put_on_the_shelf_and_opened(record):
    page = visit("shelf")
    given = {"name": "Wren", "wood": "ash", "length_mm": "66 1/2", "handle_mm": "20 cm", "wish_weight_n": "42#"}
    for name, text in given.items():
        page.text_input(key=f"new_bow_0_{name}").set_value(text)
    page.button[[b.label for b in page.button].index("Put it on the shelf and add photos")].click().run()
    assert errors(page) == []
    (bow,) = store.list_bows(record)
    assert (bow.name, bow.wood, bow.handle_mm) == ("Wren", "ash", 200.0)
    assert bow.length_mm == pytest.approx(66.5 * MM_PER_INCH)
    assert bow.wish_weight_n == pytest.approx(42 * NEWTON_PER_POUND)
    assert page.title[0].value == "Add photos: Wren" and page.query_params["bow"] == bow.id


@pytest.mark.parametrize(
    ("field", "text", "words"),
    [("name", " ", "no name"), ("length_mm", "two thumbs", "not a length"), ("length_mm", "3 mm", "can only lie between")],
)
def test_a_bow_that_makes_no_sense_is_refused_in_words(record, field, text, words):
    page = visit("shelf")
    page.text_input(key="new_bow_0_name").set_value("Wren")
    page.text_input(key=f"new_bow_0_{field}").set_value(text)
    page.button[[b.label for b in page.button].index("Put it on the shelf and add photos")].click().run()
    assert any(words in e for e in errors(page))
    assert store.list_bows(record) == []


def test_the_shelf_lists_every_bow_with_its_verdict(record):
    shop.fill(record, "Heron")
    store.add_bow(record, Bow("Alder stave"))
    page = visit("shelf")
    assert errors(page) == []
    assert {"#### Heron", "#### Alder stave"} <= {m.value for m in page.markdown}
    assert "Drawn:" in said(page)
    page.selectbox(key="shelf_by").select("name").run()
    names = [m.value for m in page.markdown if m.value.startswith("#### ")]
    assert names == ["#### Alder stave", "#### Heron"]


# --- a bow's timeline


@pytest.mark.parametrize(
    ("kind", "given", "details"),
    [
        ("scrape", {"from": "16", "to": "8 in", "strokes": "8"}, {"start_from_nock_mm": 203.2, "end_from_nock_mm": 406.4}),
        ("weighing", {"draw": "27", "weight": "41 lb"}, {"draw_mm": 685.8, "draw_to": "back"}),
        ("heat", {"minutes": "45", "distance": "12"}, {"minutes": 45.0, "distance_mm": 304.8}),
        ("rest", {"hours": "48"}, {"hours": 48.0}),
        ("moisture", {"temperature": "68F", "humidity": "50"}, {"temperature_c": 20.0, "humidity_percent": 50.0}),
        ("brace", {"height": "7 1/2"}, {"from_back_mm": 190.5}),
        ("mass", {"mass": "16 oz"}, {"mass_kg": 0.45359237}),
        ("arrow_speed", {"arrow": "500", "speed": "150", "draw": "27"}, {"speed_m_s": 45.72, "arrow_mass_kg": 0.0323994551}),
        ("note", {}, {}),
        ("finding", {"at": "12, 20"}, {"at_px": [12.0, 20.0]}),
    ],
)
def test_an_event_of_every_kind_is_put_on_the_timeline(record, kind, given, details):
    """Expected numbers by hand: 1 in = 25.4 mm, 1 ft = 0.3048 m, 1 oz = 1/16 lb, 1 gr = 1/7000 lb (units.py's sources)."""
    bow = store.add_bow(record, Bow("Wren"))
    shop.add_stage(record, bow)
    page = visit("bow", bow)
    page.selectbox(key="event_kind").select(kind).run()
    key = f"new_event_{kind}_0"
    for word, text in given.items():
        page.text_input(key=f"{key}_{word}").set_value(text)
    if kind == "scrape":
        page.button_group(key=f"{key}_limb").set_value("upper")
    page.text_area(key=f"{key}_notes").set_value("as *seen* <b>here</b>")
    page.button[[b.label for b in page.button].index("Put it on the timeline")].click().run()
    assert errors(page) == []
    (event,) = store.list_events(record, bow.id)
    for name, value in details.items():
        assert getattr(event.details, name) == pytest.approx(value)
    assert event.notes == "as *seen* <b>here</b>" and event.who == workspace.Settings().who
    assert r"\*seen\*" in " ".join(m.value for m in page.markdown)


@pytest.mark.parametrize(
    ("kind", "given", "words"),
    [
        ("scrape", {"from": "8", "to": "16"}, "limb is missing"),
        ("scrape", {"from": "far", "to": "16"}, "not a length"),
        ("weighing", {"draw": "27"}, "draw weight is missing"),
        ("moisture", {"humidity": "50"}, "missing"),
        ("heat", {"minutes": "-3"}, "below zero"),
        ("rest", {"hours": "long"}, "not a number"),
        ("note", {}, "missing"),
        ("finding", {"at": "12"}, "not a place"),
    ],
)
def test_an_event_that_makes_no_sense_is_refused_in_words(record, kind, given, words):
    bow = store.add_bow(record, Bow("Wren"))
    shop.add_stage(record, bow)
    page = visit("bow", bow)
    page.selectbox(key="event_kind").select(kind).run()
    for word, text in given.items():
        page.text_input(key=f"new_event_{kind}_0_{word}").set_value(text)
    page.button[[b.label for b in page.button].index("Put it on the timeline")].click().run()
    told = errors(page)
    assert told and (any(words in e for e in told) or kind in ("note",)), told
    assert store.list_events(record, bow.id) == []


def test_an_event_is_changed_and_taken_off_after_a_question(record):
    bow = store.add_bow(record, Bow("Wren"))
    event = store.add_event(record, shop.event_of(bow.id, "rest", shop.BEGIN, {"hours": 24.0}, "lying flat"))
    page = visit("bow", bow)
    page.toggle(key=f"change_{event.id}").set_value(True).run()
    assert page.text_input(key=f"event_{event.id}_0_hours").value == "24"
    page.text_input(key=f"event_{event.id}_0_hours").set_value("36")
    page.button[[b.label for b in page.button].index("Keep the change")].click().run()
    assert errors(page) == []
    assert get_event(record, event.id).details == RestDetails(36.0)
    assert page.button(key=f"off_{event.id}").disabled
    page.checkbox(key=f"sure_{event.id}").check().run()
    page.button(key=f"off_{event.id}").click().run()
    assert errors(page) == [] and store.list_events(record, bow.id) == []


@pytest.mark.parametrize(("kind", "words"), [("plan", "40.1 lb ±0.8 lb expected after it"), ("calipers", "by 23/64 in")])
def test_what_is_not_typed_on_the_timeline_keeps_its_fields_when_its_words_change(record, kind, words):
    bow = store.add_bow(record, Bow("Wren"))
    event = store.add_event(record, shop.event_of(bow.id, kind, shop.BEGIN, shop.EVENTS[kind]))
    page = visit("bow", bow)
    assert words in " ".join(m.value for m in page.markdown)
    page.toggle(key=f"change_{event.id}").set_value(True).run()
    page.text_area(key=f"event_{event.id}_0_notes").set_value("by lamplight")
    page.button[[b.label for b in page.button].index("Keep the change")].click().run()
    after = get_event(record, event.id)
    assert errors(page) == [] and (after.notes, after.details) == ("by lamplight", event.details)


def test_a_change_by_two_people_is_not_lost_in_silence(record):
    bow = store.add_bow(record, Bow("Wren"))
    event = store.add_event(record, shop.event_of(bow.id, "rest", shop.BEGIN, {"hours": 24.0}))
    page = visit("bow", bow)
    page.toggle(key=f"change_{event.id}").set_value(True).run()
    page.text_input(key=f"event_{event.id}_0_hours").set_value("36")
    store.update_event(record, replace(event, notes="somebody else"))
    page.button[[b.label for b in page.button].index("Keep the change")].click().run()
    assert any("Somebody else changed" in e for e in errors(page))
    after = get_event(record, event.id)
    assert after.notes == "somebody else" and after.details == RestDetails(24.0)


def test_a_bow_leaves_the_shelf_only_when_its_name_is_written(record):
    bow = store.add_bow(record, Bow("Wren"))
    page = visit("bow", bow)
    page.text_input(key=f"off_name_{bow.id}").set_value("wrong").run()
    page.button(key=f"off_bow_{bow.id}").click().run()
    assert any("Nothing was taken off" in e for e in errors(page)) and store.list_bows(record)
    page.text_input(key=f"off_name_{bow.id}").set_value("Wren").run()
    page.button(key=f"off_bow_{bow.id}").click().run()
    assert errors(page) == [] and store.list_bows(record) == []


def test_a_backup_made_before_a_bow_leaves_brings_it_back(record):
    bow = full(record)
    stages = store.list_stages(record, bow.id)
    page = visit("bow", bow)
    page.button(key=f"backup_{bow.id}").click().run()
    assert errors(page) == []
    data, name = page.session_state["backups"][bow.id]
    assert name.endswith(".zip") and [b.label for b in page.get("download_button")][-1].startswith("Save the backup")
    page.text_input(key=f"off_name_{bow.id}").set_value(bow.name)
    page.button(key=f"off_bow_{bow.id}").click().run()  # at once after typing
    assert errors(page) == [] and store.list_bows(record) == []
    page = visit("settings")
    page.file_uploader(key="restore_zip").set_value((name, data, "application/zip")).run()
    assert errors(page) == [] and "comes onto the shelf" in said(page) and store.list_bows(record) == []
    page.button(key="restore_do").click().run()
    assert errors(page) == [] and store.list_stages(record, bow.id) == stages
    page.file_uploader(key="restore_zip").set_value(("odd.zip", b"no zip", "application/zip")).run()
    assert len(errors(page)) == 1


# --- boards and settings


def test_a_board_is_described_once(record):
    page = visit("boards")
    assert errors(page) == []
    page.text_input(key="board_name").set_value("the slate sheet")
    page.selectbox(key="shot_kind").select("grid").run()
    page.text_input(key="shot_spacing_in").set_value("4 cm")
    page.text_input(key="shot_standoff_in").set_value("2 1/4").run()
    page.button(key="keep_board").click().run()
    assert errors(page) == []
    (board,) = workspace.boards(record.folder)
    assert board.name == "the slate sheet" and board.standoff_in == 2.25
    assert board.scale["spacing_in"] == pytest.approx(4 / 2.54)
    assert "the slate sheet" in said(page)


def test_where_tags_hang_is_worked_out_from_a_tape(record):
    page = visit("boards")
    for pair, length in {"01": "72", "23": "72", "02": "54", "13": "54", "03": "90 1/16"}.items():
        page.text_input(key=f"taped_{pair}").set_value(length)
    page.button(key="taped_work_out").click().run()
    assert errors(page) == []
    tags = [[page.text_input(key=f"shot_tags_{row}_{at}").value for at in range(3)] for row in range(4)]
    assert [tag for tag, *_ in tags] == ["0", "1", "2", "3"] and tags[0][1:] == ["0", "0"]
    assert [float(v) for v in tags[3][1:]] == pytest.approx([72, 54], abs=0.1)
    page.text_input(key="taped_12").set_value("84")
    page.button(key="taped_work_out").click().run()
    assert any("cannot all be true" in e for e in errors(page))


def test_a_board_that_makes_no_sense_is_refused_in_words(record):
    page = visit("boards")
    page.selectbox(key="shot_kind").select("grid").run()
    page.text_input(key="shot_spacing_in").set_value("wide").run()
    page.button(key="keep_board").click().run()
    assert any("not a length" in e for e in errors(page)) and workspace.boards(record.folder) == []
    page.text_input(key="shot_spacing_in").set_value("2").run()
    page.button(key="keep_board").click().run()
    assert any("no name" in e for e in errors(page)) and workspace.boards(record.folder) == []


def test_tags_can_be_printed_and_sizes_that_do_not_fit_are_said():
    page = visit("boards")
    page.text_input(key="tag_side").set_value("40 in").run()
    assert any("does not fit" in e for e in errors(page))


def test_settings_are_kept_for_all_pages(record):
    page = visit("settings")
    page.selectbox(key="set_length").select("cm").run()
    assert errors(page) == []
    page.selectbox(key="set_lower").select("bottom").run()
    page.text_input(key="set_who").set_value("Maker").run()
    page.text_input(key="set_wish_high_cm").set_value("1 cm").run()
    now = workspace.settings(record.folder)
    assert (now.length, now.upper_limb, now.back, now.who, now.wish_high_mm) == ("cm", "bottom", "left", "Maker", 10.0)
    bow = shop.fill(record)
    assert " cm" in said(visit("bow", bow))
    page.text_input(key="set_wish_low_cm").set_value("2 cm").run()
    assert any("above the high end" in e for e in errors(page)) and workspace.settings(record.folder) == now
    assert "cannot be switched off" in said(page)


def test_damaged_settings_are_said_with_the_way_out(record):
    (record.folder / "settings.json").write_text("[1")
    page = visit("bow")
    (told,) = errors(page)
    assert "damaged" in told and "settings.json" in told


# --- the small documents by themselves


def test_boards_come_back_as_they_were_the_last_used_first(tmp_path):
    one, two = workspace.Board("wall", TAGS, 2.25, 0.125), workspace.Board("sheet", {"kind": "grid", "spacing_in": 2.0}, 1.0)
    workspace.keep_board(tmp_path, one)
    workspace.keep_board(tmp_path, two)
    assert workspace.boards(tmp_path) == [two, one]
    workspace.keep_board(tmp_path, replace(one, name="old wall"))
    assert [b.name for b in workspace.boards(tmp_path)] == ["old wall", "sheet"]
    workspace.remove_board(tmp_path, two.id)
    assert [b.id for b in workspace.boards(tmp_path)] == [one.id]


@pytest.mark.parametrize("kind", ["four_marks", "lines_and_two_marks", "tape", "two_marks", "stick", "bow_length"])
def test_every_kind_of_board_can_be_kept(tmp_path, kind):
    from tillerlens.ui.fields import SCALE_FIELDS

    lengths = {"width_in": 60.0, "height_in": 30.0, "marks_apart_in": 60.0, "length_in": 60.0, "spacing_in": 2.0}
    scale = {"kind": kind, **{name: lengths[name] for name, _ in SCALE_FIELDS[kind]}}
    board = workspace.Board("wall", scale, None if kind == "bow_length" else 2.0)
    workspace.keep_board(tmp_path, board)
    assert workspace.boards(tmp_path) == [board]


def test_the_bench_hands_back_the_bytes_it_was_given(tmp_path, record):
    bow = Bow("Wren")
    laid = workspace.lay_down(tmp_path, b"\xff\xd8\xff bytes", "a/b.jpg", bow.id, {"state": "drawn"})
    assert laid.name == "b.jpg" and workspace.picture_of(tmp_path, laid) == b"\xff\xd8\xff bytes"
    assert workspace.lay_down(tmp_path, b"\xff\xd8\xff bytes", "again.jpg", bow.id, {}) == laid  # what is known of it stays
    assert workspace.pick_up(tmp_path, bow.id, "../settings") is None
    with pytest.raises(workspace.AppFileError):
        workspace.on_bench(tmp_path, "../..")


@pytest.mark.parametrize("name", ["hanging", "marks", "phone", "square", "standoff", "light", "face", "hung_weight"])
def test_the_drawings_are_whole_svg(name):
    from xml.etree import ElementTree

    drawn = drawing(name, far="9 to 12 ft", missed="2 in at 9 ft")
    assert ElementTree.fromstring(drawn).tag == "{http://www.w3.org/2000/svg}svg" and not {"{", "}"} & set(drawn)
