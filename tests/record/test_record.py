"""The record: what goes in comes out, what makes no sense is refused in words, and nothing half-kept is ever shown.

Everything with the ``record`` fixture runs on SQLite and on a real PostgreSQL server.
"""

import hashlib
import json
import math
import os
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from sqlalchemy import text

from tests.support.made_up import SAMPLES
from tests.support.record_events import get_event
from tests.support.shop import (  # noqa: F401
    BEGIN,
    EVENTS,
    add_stage,
    document_of,
    event_of,
    fill,
    place,
    record,
    server,
    shot_of,
    small_picture,
)
from tillerlens.core.errors import ShotError
from tillerlens.core.measurement import PhotoId
from tillerlens.record import Bow, ChangedMeanwhile, Event, RecordError, database, open_record, originals, store, tidy
from tillerlens.record.connection import reading, writing
from tillerlens.record.entries import canonical, plain_name
from tillerlens.record.remeasure import remeasure
from tillerlens.record.thumbnails import thumbnail
from tillerlens.record.views import SHELF_KINDS, shelf, timeline

# ruff: noqa: F811  # fixtures come by import


def files(record):
    return sorted(p.name for folder in ("originals", "incoming") for p in (record.folder / folder).rglob("*") if p.is_file())


# --- in and out again


def test_a_bow_comes_back_as_it_was(record):
    bow = store.add_bow(
        record, Bow("Häher", wood="yew", made="spring", length_mm=1700.25, wish_draw_to="belly", notes="line\nline")
    )
    assert store.get_bow(record, bow.id) == bow
    changed = store.update_bow(record, replace(bow, wood="elm"))
    assert changed.version == 1 and store.list_bows(record) == [changed]


def test_a_stage_keeps_the_very_bytes_the_shot_and_the_whole_measurement(record):
    bow = store.add_bow(record, Bow("Heron"))
    stage = add_stage(record, bow, "braced", seed=5)
    assert store.get_stage(record, stage.id) == stage
    assert store.original(record, stage) == small_picture(5)
    assert store.measurement(record, stage.id).as_document() == document_of("braced").as_document()
    truth = json.loads((SAMPLES / "heron-braced.truth.json").read_text())["values"]["brace_height_belly"]
    assert stage.values["brace_height_belly"]["value"] == pytest.approx(truth, abs=1e-3)  # mm, as the document rounds
    assert (stage.state, stage.status, stage.made_by, stage.media) == ("braced", "measured", "1.0", "image/jpeg")


def test_every_kind_of_event_comes_back(record):
    bow = fill(record)
    found = {e.kind: e for e in store.list_events(record, bow.id)}
    assert {kind: e.details.as_dict() for kind, e in found.items()} == EVENTS
    assert found["rest"].happened_at == BEGIN + timedelta(days=2) and found["finding"].stage_id is not None
    changed = store.update_event(record, replace(found["note"], notes="later"))
    assert get_event(record, changed.id).notes == "later"
    store.remove_event(record, changed.id)
    assert "note" not in {e.kind for e in store.list_events(record, bow.id)}


def test_times_come_back_in_utc_whatever_zone_they_were_given_in(record):
    bow = store.add_bow(record, Bow("Heron"))
    given = datetime(2026, 6, 1, 23, 30, 0, 123456, tzinfo=timezone(timedelta(hours=-7)))
    event = get_event(record, store.add_event(record, Event(bow.id, "note", given, notes="x")).id)
    assert event.happened_at == given and event.happened_at.tzinfo == UTC
    with pytest.raises(RecordError, match="without its zone"):
        store.add_event(record, event_of(bow.id, "note", datetime(2026, 6, 1), notes="x"))


def test_the_camera_says_when_the_picture_was_taken(record, tmp_path):
    from PIL import Image

    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003], exif.get_ifd(0x8769)[0x9011] = "2026:05:04 10:20:30", "+02:00"
    Image.new("RGB", (64, 48)).save(tmp_path / "a.jpg", exif=exif)
    bow = store.add_bow(record, Bow("Heron"))
    stage = store.add_stage(record, bow.id, tmp_path / "a.jpg", shot_of())
    assert stage.taken_at == datetime(2026, 5, 4, 8, 20, 30, tzinfo=UTC)
    assert (stage.status, stage.values, store.measurement(record, stage.id)) == ("unmeasured", {}, None)


# --- corrections and measurements


def test_a_correction_says_who_changed_what_and_old_values_are_not_shown_for_the_new_shot(record):
    bow = store.add_bow(record, Bow("Heron"))
    first = add_stage(record, bow)
    shot = {**first.shot, "standoff_in": 3.0, "clicks": {"handle": [20.0, 10.0]}}
    moved = store.correct_stage(record, first, shot, "Maker", reason="ruler slipped")
    assert (moved.status, moved.values, store.measurement(record, first.id)) == ("unmeasured", {}, None)
    (kept,) = store.list_corrections(record, first.id)
    assert (kept.who, kept.reason) == ("Maker", "ruler slipped")
    assert [vars(c) for c in kept.changes] == [
        {"field": "clicks", "old": None, "new": {"handle": [20.0, 10.0]}},
        {"field": "standoff_in", "old": 2.125, "new": 3.0},
    ]
    again = store.save_measurement(record, first.id, document_of(shot=moved.shot, reflex=30.0))
    assert again.values["reflex"]["value"] == 30.0
    with pytest.raises(RecordError, match="another shot"):
        store.save_measurement(record, first.id, document_of(shot=first.shot))
    back = store.correct_stage(record, again, first.shot, "Maker")
    assert back.values == first.values  # the first measurement fits again
    assert len(store.list_measurements(record, first.id)) == 2


def test_a_correction_of_what_somebody_else_changed_meanwhile_is_refused(record):
    bow = store.add_bow(record, Bow("Heron"))
    stage = add_stage(record, bow)
    store.correct_stage(record, stage, {**stage.shot, "standoff_in": 3.0}, "One")
    with pytest.raises(ChangedMeanwhile) as caught:
        store.correct_stage(record, stage, {**stage.shot, "standoff_in": 4.0}, "Other")
    assert caught.value.fields["now"].shot["standoff_in"] == 3.0
    assert [c.who for c in store.list_corrections(record, stage.id)] == ["One"]  # the refused one left nothing


def test_a_measurement_of_another_picture_is_refused_and_leaves_nothing(record):
    bow = store.add_bow(record, Bow("Heron"))
    other = replace(document_of(), photo=PhotoId("x.jpg", "0" * 64))
    with pytest.raises(RecordError, match="another picture"):
        add_stage(record, bow, document=other)
    with pytest.raises(RecordError, match="not of the right form at 'state'"):
        add_stage(record, bow, document=replace(document_of(), state="asleep"))
    with pytest.raises(ShotError):
        store.add_stage(record, bow.id, small_picture(), {"state": "asleep"})
    assert store.list_stages(record) == [] and files(record) == []


def test_measuring_anew_tells_what_changed_beyond_its_interval(record):
    bow = store.add_bow(record, Bow("Heron"))
    big = (640, 480)  # the smallest that is measured
    drawn = add_stage(record, bow, "drawn", seed=1, size=big)
    rest = add_stage(record, bow, "unstrung", seed=2, days=1, size=big)
    store.update_stage(record, replace(drawn, rest_stage_id=rest.id))
    lost = add_stage(record, bow, "braced", seed=3, days=2)
    originals.place_of(record.folder, lost.sha256).write_bytes(small_picture(99))
    seen, order = [], []

    def measure(photo, shot, at_rest):
        seen.append((shot.state, None if at_rest is None else at_rest.values["reflex"].value))
        before = document_of(shot.state, shot.as_dict())
        values = {"reflex": 26.0} if shot.state == "unstrung" else {}  # truth 24.9 +- 0.5 mm
        return document_of(shot.state, shot.as_dict(), made_by="2.0", **values) if values else before

    changes = remeasure(record, None, lambda done, total, stage: order.append((done, total, stage.state)), measure)
    assert seen == [("unstrung", None), ("drawn", 26.0)]  # the drawn one is judged against the new shape at rest
    assert order == [(0, 3, "unstrung"), (1, 3, "drawn"), (2, 3, "braced")]
    by_state = {c.stage.state: c for c in changes}
    (reflex,) = by_state["unstrung"].values
    assert (reflex.name, reflex.after, reflex.beyond) == ("reflex", 26.0, True) and by_state["unstrung"].saved
    assert not by_state["drawn"].saved and not by_state["drawn"].tells
    assert "damaged" in by_state["braced"].failed and store.get_stage(record, lost.id).status == "measured"
    assert store.get_stage(record, rest.id).made_by == "2.0" and len(store.list_measurements(record, rest.id)) == 2
    assert len(store.list_measurements(record, drawn.id)) == 1


# --- refused in words


@pytest.mark.parametrize(
    ("kind", "details", "words"),
    [
        ("scrape", {}, "limb is missing"),
        ("scrape", {"limb": "upper", "start_from_nock_mm": 50, "end_from_nock_mm": 20}, "end nearer the handle"),
        ("scrape", {"limb": "upper", "start_from_nock_mm": 5, "end_from_nock_mm": 20, "strokes": 0}, "number of strokes is 0"),
        ("heat", {"minutes": 10, "browning": "purple"}, "browning of the belly cannot be 'purple'"),
        ("moisture", {}, "needs a reading"),
        ("moisture", {"temperature_c": 20}, "relative humidity is missing"),
        ("weighing", {"draw_mm": 3, "draw_to": "back", "weight_n": 4}, '1/8", but can only lie between 1 15/16" and 47 1/4"'),
        ("weighing", {"draw_mm": 500, "weight_n": 4}, "face that the draw is measured to is missing"),
        ("rest", {"hours": math.nan}, "missing or infinite"),
        ("rest", {"hours": 3, "minuets": 2}, "'minuets' is not known"),
        ("finding", {"at_px": [1, 2]}, "finding in words is empty|stage whose picture"),
        ("note", {}, "note's text is empty"),
        ("dance", {}, "kind of event cannot be 'dance'"),
    ],
)  # fmt: skip
def test_an_event_that_cannot_be_is_refused_in_a_sentence(tmp_path, kind, details, words):
    with open_record(tmp_path) as record:
        bow = store.add_bow(record, Bow("Heron"))
        with pytest.raises(RecordError, match=words) as caught:
            store.add_event(record, event_of(bow.id, kind, BEGIN, details))
        assert caught.value.text.endswith(".") and caught.value.remedy
        assert store.list_events(record, bow.id) == []


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"name": "  "}, "name is empty"),
        ({"name": "a\x00b"}, "cannot be kept"),
        ({"name": "\ud800"}, "cannot be kept"),
        ({"notes": "x" * 20001}, "longer than 20000"),
        ({"length_mm": -3.0}, 'length from nock to nock is -1/8"'),
        ({"length_mm": "long"}, "not of the right form"),
        ({"wish_tiller_low_mm": 3.0, "wish_tiller_high_mm": 1.0}, "low end is above its high end"),
        ({"id": "../../etc"}, "identity is not of the right form"),
    ],
)
def test_a_bow_that_cannot_be_is_refused(tmp_path, fields, words):
    with open_record(tmp_path) as record, pytest.raises(RecordError, match=words):
        store.add_bow(record, replace(Bow("Heron"), **fields))


def test_what_belongs_to_another_bow_or_to_none_is_refused(record):
    one, other = store.add_bow(record, Bow("One")), store.add_bow(record, Bow("Other"))
    stage = add_stage(record, one)
    with pytest.raises(RecordError, match="belongs to another bow"):
        add_stage(record, other, "drawn", seed=1, rest_stage_id=stage.id)
    with pytest.raises(RecordError, match="belongs to another bow"):
        store.add_event(record, event_of(other.id, "finding", BEGIN, {"at_px": [1, 2]}, "crack", stage_id=stage.id))
    gone = Bow("Gone")
    with pytest.raises(RecordError, match="no longer in the record"):
        add_stage(record, gone, seed=2)
    with pytest.raises(RecordError, match="no longer in the record"):
        store.add_event(record, Event(gone.id, "note", BEGIN, notes="x"))
    assert files(record) == [stage.sha256]
    with pytest.raises(RecordError, match="cannot be exchanged"):
        store.update_stage(record, replace(stage, sha256="0" * 64))


def test_a_change_of_what_somebody_else_changed_is_refused(record):
    bow = store.add_bow(record, Bow("Heron"))
    store.update_bow(record, replace(bow, wood="ash"))
    with pytest.raises(ChangedMeanwhile, match="Somebody else"):
        store.update_bow(record, replace(bow, wood="elm"))
    assert store.get_bow(record, bow.id).wood == "ash"


def test_files_that_are_no_pictures_are_not_kept(record):
    bow = store.add_bow(record, Bow("Heron"))
    for data in (b"", b"MZ\x90\x00program", b"<svg onload=alert(1)>", b"GIF89a" + bytes(40)):
        with pytest.raises(RecordError, match="neither a photograph nor a video"):
            store.add_stage(record, bow.id, data, shot_of())
    with pytest.raises(RecordError, match="no such file"):
        store.add_stage(record, bow.id, Path("nowhere.jpg"), shot_of())
    assert files(record) == []


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("../../../etc/x.jpg", "x.jpg"),
        ("C:\\bows\\a.jpg", "a.jpg"),
        ("a\x00\x1b[2Jb\n.jpg", "a[2Jb.jpg"),
        ("<img src=x>.jpg", "<img src=x>.jpg"),  # plain text; who shows it escapes it
        ("/", "picture"),
        ("", "picture"),
        ("é" * 300 + ".jpeg", "é" * 195 + ".jpeg"),
        ("CON.jpg", "CON.jpg"),
    ],
)
def test_hostile_file_names_are_only_ever_words(tmp_path, name, kept):
    assert plain_name(name) == kept
    with open_record(tmp_path / "r") as record:
        bow = store.add_bow(record, Bow("Heron"))
        stage = add_stage(record, bow, name=name)
        assert stage.photo_name == kept
        assert files(record) == [stage.sha256]
        assert sorted(p.name for p in tmp_path.iterdir()) == ["r"]


def test_html_and_quotes_in_notes_stay_plain_text(record):
    notes = '<script>alert(1)</script> \'; DROP TABLE bows; -- %s {0} \\ "q" ⅝'
    bow = store.add_bow(record, Bow(notes[:60], notes=notes))
    assert store.get_bow(record, bow.id).notes == notes and store.find_bow(record, notes[:60]) == bow


# --- finding, shelf, timeline


def test_a_person_finds_bows_and_stages_by_name_and_number(record):
    bow = fill(record)
    fill(record, "Plover")
    assert store.find_bow(record, "hERON").id == store.find_bow(record, bow.id[:8]).id == bow.id
    assert store.find_stage(record, "heron:3") == store.find_stage(record, "Heron:last") == store.list_stages(record, bow.id)[2]
    assert store.find_stage(record, store.find_stage(record, "heron:1").id[:9]).state == "unstrung"
    for words, told in (("wren", "no bow"), ("heron:4", "has 3 stages"), ("heron:0", "none is '0'"), ("%%%%", "No stage begins")):
        with pytest.raises(RecordError, match=told):
            store.find_stage(record, words) if ":" in words or "%" in words else store.find_bow(record, words)
    store.add_bow(record, Bow("Heron"))
    with pytest.raises(RecordError, match="Several bows"):
        store.find_bow(record, "heron")


def test_the_shelf_shows_the_newest_of_each_kind(record):
    bow = fill(record)
    first = store.list_stages(record, bow.id)[0]
    newer = add_stage(record, bow, "unstrung", seed=7, days=5)
    add_stage(record, bow, "unstrung", seed=8, days=6, document=None)
    store.add_event(record, event_of(bow.id, "weighing", BEGIN + timedelta(days=30), {**EVENTS["weighing"], "weight_n": 99.0}))
    empty = store.add_bow(record, Bow("Avocet"))
    a, h = shelf(record)
    assert (a.bow, a.stages, a.latest, a.newest, a.events) == (empty, 0, {}, None, {})
    assert (h.bow.id, h.stages, h.asking) == (bow.id, 5, 1)
    assert h.latest["unstrung"] == newer == h.newest and h.first_rest == first
    assert set(h.latest) == {"unstrung", "braced", "drawn"} and set(h.events) == set(SHELF_KINDS)
    assert h.events["weighing"].details.weight_n == 99.0


def test_the_timeline_is_in_order(record):
    bow = fill(record)
    found = timeline(record, bow.id)
    times = [getattr(e, "taken_at", None) or e.happened_at for e in found.in_order()]
    assert times == sorted(times) and len(times) == 3 + len(EVENTS)
    assert [len(c) for c in found.corrections.values()] == [1]


def test_what_is_removed_takes_along_what_belongs_to_it(record):
    bow = fill(record)
    plover = fill(record, "Plover")  # of the same three pictures
    store.remove_stage(record, store.find_stage(record, "heron:1").id)
    braced, drawn = store.list_stages(record, bow.id)
    assert braced.rest_stage_id is None
    store.remove_stage(record, drawn.id)
    assert "finding" not in {e.kind for e in store.list_events(record, bow.id)}
    store.remove_bow(record, bow.id)
    assert tidy.sweep(record) == [] and len(files(record)) == 3
    store.remove_bow(record, plover.id)
    assert len(tidy.sweep(record)) == 3 and files(record) == [] and store.list_stages(record) == []


def test_a_sweep_leaves_what_is_still_coming_in(record):
    young, old = record.folder / "incoming" / "young", record.folder / "incoming" / "old"
    young.write_bytes(b"x")
    old.write_bytes(b"x")
    os.utime(old, (1, 1))
    assert tidy.sweep(record) == [old] and young.exists()


def test_a_thumbnail_shows_the_traced_bow_and_is_kept(tmp_path):
    import io

    import numpy as np
    from PIL import Image

    with open_record(tmp_path) as record:
        bow = store.add_bow(record, Bow("Heron"))
        shot, photo = shot_of("drawn"), SAMPLES / "heron-drawn-27.jpg"
        plain = store.add_stage(record, bow.id, photo, shot)
        traced = store.add_stage(record, bow.id, photo, shot, document=document_of("drawn"))
        bare, drawn = (np.asarray(Image.open(io.BytesIO(thumbnail(record, s))), int) for s in (plain, traced))
        assert max(drawn.shape) == 480 and bare.shape == drawn.shape
        changed = np.abs(drawn - bare).max(axis=2) > 60
        assert 0.002 < changed.mean() < 0.05  # a thin line, not a wash
        x, y = json.loads((SAMPLES / "heron-drawn-27.truth.json").read_text())["outline_px"]["centreline"][20]
        with Image.open(photo) as opened:
            scale = 480 / max(opened.size)
        assert changed[round(y * scale) - 2 : round(y * scale) + 3, round(x * scale) - 2 : round(x * scale) + 3].any()
        assert len(list((tmp_path / "thumbnails").iterdir())) == 2
        assert thumbnail(record, traced) == thumbnail(record, traced)


# --- opening


def test_the_place_can_be_set_from_outside(tmp_path, monkeypatch):
    monkeypatch.setenv("TILLERLENS_RECORD", str(tmp_path / "mine"))
    with open_record() as record:
        assert record.folder == tmp_path / "mine"
    assert database.default_folder().name == "record"


def test_sqlite_is_opened_with_care(tmp_path):
    with open_record(tmp_path) as record, reading(record) as connection:
        said = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "foreign_keys", "synchronous")
        }
        assert said == {"journal_mode": "wal", "foreign_keys": 1, "synchronous": 2}
        assert connection.exec_driver_sql("PRAGMA busy_timeout").scalar() == 30_000


def test_a_newer_record_is_refused_and_left_alone(place):
    with open_record(*place) as record, writing(record) as connection:
        connection.execute(text("UPDATE tillerlens_schema SET version_num = '9000'"))
    with pytest.raises(RecordError, match="newer TillerLens .*9000"):
        open_record(*place)
    with pytest.raises(RecordError, match="newer TillerLens"):
        open_record(*place)


def test_a_file_that_is_no_database_is_refused(tmp_path):
    (tmp_path / "record.sqlite").write_text("my bows\n" * 1000)
    with pytest.raises(RecordError, match="is damaged"):
        open_record(tmp_path)
    (tmp_path / "file").write_text("")
    with pytest.raises(RecordError, match="cannot be used"):
        open_record(tmp_path / "file")


def test_a_server_that_is_not_there_is_told_without_its_password(tmp_path):
    pytest.importorskip("psycopg")
    with pytest.raises(RecordError, match="server is running") as caught:
        open_record(f"postgresql://me:secret@/none?host={tmp_path}", tmp_path / "o")
    assert "secret" not in str(caught.value)
    with pytest.raises(RecordError, match="not a server's address"):
        open_record("postgresql:nonsense")


# --- earlier versions of the tables

FIXTURES = Path(__file__).parents[1] / "fixtures"


def stored(version, folder):
    """A record as that version of the tables left it."""
    folder.mkdir(exist_ok=True)
    connection = sqlite3.connect(folder / "record.sqlite")
    connection.executescript((FIXTURES / f"record-{version}.sql").read_text())
    connection.close()


def test_every_version_has_a_stored_fixture_and_a_migration():
    scripts = sorted(p.name[:4] for p in (Path(database.__file__).parent / "migrations" / "versions").glob("0*.py"))
    assert tuple(scripts) == database.SCHEMAS
    assert {f"record-{v}.sql" for v in database.SCHEMAS} == {p.name for p in FIXTURES.glob("record-*.sql")}


@pytest.mark.parametrize("version", database.SCHEMAS)
def test_a_stored_record_of_every_version_opens_with_everything_in_it(version, tmp_path):
    stored(version, tmp_path)
    with open_record(tmp_path) as record:
        bow = store.find_bow(record, "Fixture heron")
        stages, events = store.list_stages(record, bow.id), store.list_events(record, bow.id)
        assert (bow.wood, bow.length_mm) == ("hazel", 1689.1)
        assert [s.status for s in stages] == ["measured", "unmeasured"]
        assert stages[0].values["reflex"] == {"value": 24.9, "u": 0.5, "unit": "mm"} and stages[1].values == {}
        found = store.measurement(record, stages[0].id)
        assert found.values["reflex"].budget == {"edge": 0.5}
        (made,) = store.list_measurements(record, stages[0].id)
        assert hashlib.sha256(canonical(found.as_document()).encode()).hexdigest() == made.sha256  # written again it is the same
        assert [c.who for c in store.list_corrections(record, stages[1].id)] == ["Maker"]
        assert [e.kind for e in events] == ["scrape", "note"]
        assert store.update_bow(record, replace(bow, wood="elm")).version == bow.version + 1
        backups = list((tmp_path / "backups").glob("*")) if version != database.SCHEMAS[-1] else []
    if version != database.SCHEMAS[-1]:
        (backup,) = backups
        copy = sqlite3.connect(backup)
        assert copy.execute("SELECT version_num FROM tillerlens_schema").fetchone() == (version,)
        assert copy.execute("SELECT count(*) FROM stages").fetchone() == (2,)
        copy.close()


def test_the_tables_are_those_of_the_models(place):
    """Alembic's own comparison of what the migrations made with what the models say."""
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    from tillerlens.record.models import Base

    with open_record(*place) as record, reading(record) as connection:
        context = MigrationContext.configure(connection, opts={"version_table": "tillerlens_schema", "compare_type": True})
        assert compare_metadata(context, Base.metadata) == []


def test_a_migration_that_fails_leaves_the_record_as_it_was(tmp_path, monkeypatch):
    stored("0001", tmp_path)
    run = database._run_migrations

    def fails(connection):
        run(connection)
        raise RecordError("no", "no")

    monkeypatch.setattr(database, "_run_migrations", fails)
    with pytest.raises(RecordError):
        open_record(tmp_path)
    connection = sqlite3.connect(tmp_path / "record.sqlite")
    assert connection.execute("SELECT version_num FROM tillerlens_schema").fetchone() == ("0001",)
    assert "status" not in {row[1] for row in connection.execute("PRAGMA table_info(stages)")}
    connection.close()
    monkeypatch.undo()
    with open_record(tmp_path) as record:
        assert len(store.list_stages(record)) == 2
