"""Pictures belong to their record: what tidy may take, what comes back, what check finds, and an order that no clock upsets."""

import hashlib
import itertools
import json
import os
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import date, datetime, timedelta
from types import SimpleNamespace

import pytest
from sqlalchemy import text

from tests.record.test_record import stored
from tests.support.shop import BEGIN, add_stage, document_of, event_of, fill, place, record, server, shot_of  # noqa: F401
from tillerlens.record import (
    Bow,
    DamagedEntry,
    NoRecord,
    RecordError,
    entries,
    identity,
    open_record,
    originals,
    store,
    tidy,
)
from tillerlens.record.check import check
from tillerlens.record.connection import writing
from tillerlens.record.exchange import apply_import, export, plan_import
from tillerlens.record.thumbnails import thumbnail
from tillerlens.record.views import shelf, timeline
from tillerlens.ui import workspace

# ruff: noqa: F811  # fixtures come by import


def pictures(folder):
    return sorted(p.name for p in identity.originals_in(folder))


def change(record, statement, **values):
    with writing(record) as connection:
        connection.execute(text(statement), values)


# --- whose pictures


def test_record_and_pictures_carry_one_identity_from_the_beginning(place, record):
    fill(record)
    with open_record(*place) as again:
        assert again.doubt is None
        with again.engine.connect() as connection:
            assert identity.of_database(connection) == identity.of_folder(again.folder)


@pytest.mark.parametrize("lost", ["deleted", "emptied"])
def test_a_lost_database_takes_no_picture_along(tmp_path, lost):
    with open_record(tmp_path) as record:
        fill(record)
        before = pictures(tmp_path)
    shutil.copy(tmp_path / "record.sqlite", tmp_path / "kept.sqlite")
    (tmp_path / "record.sqlite").unlink()
    if lost == "emptied":
        (tmp_path / "record.sqlite").touch()
    with open_record(tmp_path) as record:
        assert "do not belong to the record" in record.doubt.text and "backups" in record.doubt.remedy
        for care in (tidy.plan_sweep, tidy.sweep):
            with pytest.raises(RecordError, match="do not belong to this record; none was moved"):
                care(record)
        assert [f.code for f in check(record)] == ["identity"]
        bow = store.add_bow(record, Bow("New one"))
        with pytest.raises(RecordError):  # a save that fails takes no picture of the lost record along
            add_stage(record, bow, seed=1, document=replace(document_of(), state="asleep"))
    assert set(before) <= set(pictures(tmp_path))
    shutil.move(tmp_path / "kept.sqlite", tmp_path / "record.sqlite")
    with open_record(tmp_path) as record:
        assert record.doubt is None and pictures(tmp_path) == before and check(record) == []


def test_another_database_is_told_from_the_folders_own(tmp_path, server):
    psycopg = pytest.importorskip("psycopg")
    with open_record(tmp_path / "mine") as record:
        fill(record)
        before = pictures(record.folder)
    name = f"foreign_{os.getpid()}"
    with psycopg.connect(server.format("postgres"), autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    with open_record(server.format(name), tmp_path / "mine") as foreign:
        assert foreign.doubt is not None
        with pytest.raises(RecordError, match="do not belong"):
            tidy.sweep(foreign)
    assert pictures(tmp_path / "mine") == before
    with open_record(tmp_path / "mine") as record:
        assert record.doubt is None and tidy.sweep(record) == []


def test_a_server_has_no_default_folder(server, monkeypatch):
    pytest.importorskip("psycopg")
    monkeypatch.delenv("TILLERLENS_ORIGINALS", raising=False)
    for looking in (False, True):
        with pytest.raises(RecordError, match="needs a folder for its pictures.*--originals or TILLERLENS_ORIGINALS"):
            open_record(server.format("postgres"), looking=looking)


def test_an_older_record_gets_its_identity_where_the_pictures_are_its_own(tmp_path):
    with open_record(tmp_path / "a") as record:
        fill(record)
    older = "DROP TABLE identity; CREATE TABLE identity (id VARCHAR(36) NOT NULL, CONSTRAINT pk_identity PRIMARY KEY (id))"
    for folder in (tmp_path / "a", tmp_path / "b"):
        if folder.name == "b":  # an older record of another shop beside the same pictures
            shutil.copytree(tmp_path / "a", folder)
            with closing(sqlite3.connect(folder / "record.sqlite")) as connection:
                connection.execute("DELETE FROM bows")
                connection.execute("DELETE FROM stages")
                connection.commit()
        (folder / identity.FILE_NAME).unlink()
        with closing(sqlite3.connect(folder / "record.sqlite")) as connection:
            connection.executescript(older)
        with open_record(folder) as record:
            assert (record.doubt is None) == (folder.name == "a")
            if folder.name == "b":
                identity.claim(record)
    for folder in (tmp_path / "a", tmp_path / "b"):
        with open_record(folder) as record:
            assert record.doubt is None


def test_a_backup_of_before_identities_fits_its_pictures_again(tmp_path):
    stored("0002", tmp_path)
    with open_record(tmp_path) as record:
        (stage, _) = store.list_stages(record)
        originals.place_of(tmp_path, stage.sha256).parent.mkdir(parents=True)
        originals.place_of(tmp_path, stage.sha256).write_bytes(b"the picture")
        mine = identity.of_folder(tmp_path)
    (backup,) = (tmp_path / "backups").glob("*.sqlite")
    for ending in ("", "-wal", "-shm"):
        (tmp_path / f"record.sqlite{ending}").unlink(missing_ok=True)
    shutil.copy(backup, tmp_path / "record.sqlite")
    with open_record(tmp_path) as record:
        assert record.doubt is None and identity.of_folder(tmp_path) == mine


def test_no_record_is_made_where_none_was_wanted(tmp_path, place):
    for where in ((tmp_path / "typo",), place):
        with pytest.raises(NoRecord, match="There is no record in"):
            open_record(*where, new=False)
    assert not (tmp_path / "typo").exists()
    with open_record(*place):
        pass
    with open_record(*place, new=False) as record:
        assert store.list_bows(record) == []


# --- tidy


def test_what_tidy_moves_waits_in_the_bin_and_comes_back(record):
    bow = fill(record)
    kept_ones = pictures(record.folder)
    stage = add_stage(record, bow, seed=60)
    data = store.original(record, stage)
    store.remove_stage(record, stage.id)
    plan = tidy.plan_sweep(record)
    assert [p.name for p in plan.files] == [stage.sha256] and plan.size_bytes == len(data)
    assert plan.bin == record.folder / "bin" / date.today().isoformat()
    assert len(pictures(record.folder)) == 4  # nothing is done by saying it
    assert tidy.sweep(record, plan) == list(plan.files) and pictures(record.folder) == kept_ones
    moved = plan.bin / plan.files[0].relative_to(record.folder)
    assert moved.read_bytes() == data
    assert tidy.put_back(record) == []  # nobody needs it
    needed = store.list_stages(record)[0]
    place = plan.bin / "originals" / needed.sha256[:2] / needed.sha256
    place.parent.mkdir(parents=True, exist_ok=True)
    os.replace(originals.place_of(record.folder, needed.sha256), place)
    originals.place_of(record.folder, needed.sha256).write_bytes(b"rot")
    (fault,) = check(record)
    assert "damaged" in fault.text and "--heal" in fault.remedy
    (fault,) = check(record, heal=True)
    assert fault.healed and "put back" in fault.text
    assert store.original(record, needed) and check(record) == []


def test_only_what_was_said_is_moved(record):
    bow = fill(record)
    one, two = (add_stage(record, bow, seed=s) for s in (61, 62))
    store.remove_stage(record, one.id)
    plan = tidy.plan_sweep(record)
    store.remove_stage(record, two.id)  # after it was said
    assert [p.name for p in tidy.sweep(record, plan)] == [one.sha256]
    assert two.sha256 in pictures(record.folder)


def test_the_bin_is_emptied_after_thirty_days_and_not_before(record):
    for days, name in ((31, "old"), (29, "young"), (-400, "of a clock set forward")):
        day = record.folder / "bin" / (date.today() - timedelta(days=days)).isoformat()
        day.mkdir(parents=True)
        (day / "x").write_text(name)
    other = record.folder / "bin" / "2020-my-own"
    other.mkdir()
    plan = tidy.plan_sweep(record)
    assert [(p / "x").read_text() for p in plan.old] == ["old"] and plan.old_bytes == 3
    tidy.sweep(record, plan)
    left = sorted(p.read_text() for p in (record.folder / "bin").glob("*/x"))
    assert left == ["of a clock set forward", "young"] and other.exists()


def test_a_picture_moved_twice_is_kept_twice(record):
    bow = fill(record)
    for _ in range(2):
        stage = add_stage(record, bow, seed=63)
        store.remove_stage(record, stage.id)
        tidy.sweep(record)
    assert len([p for p in (record.folder / "bin").rglob("*") if p.is_file()]) == 2


def test_what_interrupted_work_leaves_is_moved_once_it_is_old(record):
    bow = fill(record)
    laid = workspace.lay_down(record.folder, b"\xff\xd8\xff a picture", "a.jpg", bow.id, {})
    gone = workspace.lay_down(record.folder, b"\xff\xd8\xff another", "b.jpg", entries.new_id(), {})
    bench = record.folder / "bench" / bow.id
    half = [record.folder / "incoming" / "half", bench / f".{'0' * 64}.picture.x", bench / f"{'1' * 64}.picture"]
    for path in half:
        path.write_bytes(b"half")
    removed = [record.folder / "bench" / gone.bow_id / f"{gone.sha256}.{e}" for e in ("json", "picture")]
    assert set(tidy.plan_sweep(record).files) == set(removed)
    for path, time in zip(half, (1, 1, datetime.now().timestamp() + 1e7), strict=True):  # the last by a clock set back since
        os.utime(path, (time, time))
    assert {f.code for f in check(record)} == {"orphan"}
    assert set(tidy.sweep(record)) == {*half, *removed}
    assert workspace.on_bench(record.folder, bow.id) == [laid] and check(record) == []


def test_a_stage_whose_hash_is_damaged_stops_tidy(record):
    fill(record)
    before = pictures(record.folder)
    change(record, "UPDATE stages SET sha256 = 'rot' WHERE state = 'drawn'")
    with pytest.raises(RecordError, match="its picture is not known; nothing was moved"):
        tidy.sweep(record)
    assert pictures(record.folder) == before


# --- order


def test_a_clock_set_back_hides_no_measurement_and_no_correction(record, monkeypatch):
    bow = store.add_bow(record, Bow("Heron"))
    stage = add_stage(record, bow)
    back = itertools.count(1_577_836_800, -86_400)  # a day earlier each time it is asked, from 2020
    monkeypatch.setattr(entries, "time", SimpleNamespace(time=lambda: next(back)))
    assert entries.now() > entries.now()
    newer = store.save_measurement(record, stage.id, document_of(reflex=30.0))
    assert newer.values["reflex"]["value"] == 30.0 and store.measurement(record, stage.id).values["reflex"].value == 30.0
    last = store.save_measurement(record, stage.id, document_of(reflex=31.0))
    assert last.values["reflex"]["value"] == 31.0
    made = store.list_measurements(record, stage.id)
    assert [m.sequence for m in made] == [0, 1, 2] and made[2].made_at < made[1].made_at < made[0].made_at
    for n in (1.0, 2.0):
        stage = store.correct_stage(record, store.get_stage(record, stage.id), {**stage.shot, "standoff_in": n}, "Maker")
    assert [c.changes[0].new for c in store.list_corrections(record, stage.id)] == [1.0, 2.0]
    assert [c.changes[0].new for c in timeline(record, bow.id).corrections[stage.id]] == [1.0, 2.0]


def test_of_events_at_one_moment_the_one_kept_last_is_the_newest(record):
    bow = store.add_bow(record, Bow("Heron"))
    for weight in (100.0, 150.0, 120.0):
        details = {"draw_mm": 500.0, "draw_to": "back", "weight_n": weight}
        store.add_event(record, event_of(bow.id, "weighing", BEGIN, details))
    assert [e.details.weight_n for e in store.list_events(record, bow.id)] == [100.0, 150.0, 120.0]
    assert shelf(record)[0].events["weighing"].details.weight_n == 120.0


def test_older_records_are_numbered_in_the_order_they_had(tmp_path):
    stored("0002", tmp_path)
    with closing(sqlite3.connect(tmp_path / "record.sqlite")) as connection:
        row = connection.execute("SELECT * FROM measurements LIMIT 1").fetchone()
        connection.execute("DELETE FROM measurements WHERE id <> ?", (row[0],))
        for n, time in enumerate(("2026-05-01 00:00:00.000000", "2026-04-01 00:00:00.000000")):
            new = (f"{n}" * 8 + row[0][8:], row[1], time, *row[3:])
            connection.execute(f"INSERT INTO measurements VALUES ({','.join('?' * len(new))})", new)
        connection.commit()
    with open_record(tmp_path) as record:
        made = store.list_measurements(record, row[1])
        assert [m.sequence for m in made] == [0, 1, 2]
        assert [m.made_at for m in made] == sorted(m.made_at for m in made)


# --- damaged rows


BREAKS = [
    ("bows", "length_mm = 'long'", "bow's length from nock to nock"),
    ("bows", "added_at = 'yesterday'", "added at"),
    ("bows", "notes = CAST(X'C328' AS TEXT)", "notes"),
    ("stages", "shot = '{'", "shot"),
    ("stages", '"values" = \'{"reflex": 3}\'', "values"),
    ("stages", "state = 'asleep'", "state"),
    ("stages", "taken_at = 12", "time of the picture"),
    ("events", "details = '[]'", "details"),
    ("events", "kind = 'dance'", "kind"),
]


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A shop of two bows with its export beside it: to be copied."""
    folder = tmp_path_factory.mktemp("whole")
    with open_record(folder) as record:
        fill(record)
        fill(record, "Plover")
        export(record, folder / "whole.zip")
    return folder


@pytest.mark.parametrize(("table", "rot", "words"), BREAKS)
def test_a_damaged_row_is_named_hides_no_other_bow_and_comes_back(whole, tmp_path, table, rot, words):
    shutil.copytree(whole, tmp_path, dirs_exist_ok=True)
    with open_record(tmp_path) as record:
        heron, plover = (store.find_bow(record, name) for name in ("Heron", "Plover"))
        before = timeline(record, heron.id)
        where = "id" if table == "bows" else "bow_id"
        change(record, f"UPDATE {table} SET {rot} WHERE {where} = :id", id=heron.id)
        assert plover in store.list_bows(record) and store.find_bow(record, "plover") == plover
        assert len(timeline(record, plover.id).stages) == 3
        rows = {r.bow.id: r for r in shelf(record)}
        assert set(rows) == {heron.id, plover.id} and not rows[plover.id].damage
        with pytest.raises(DamagedEntry, match=words) as caught:
            timeline(record, store.find_bow(record, "heron").id)
        assert "is damaged in the record" in caught.value.text and "check" in caught.value.remedy
        found = check(record)
        assert [f for f in found if f.code in ("entry", "shot") and words in f.text], found
        if table == "bows":
            assert rows[heron.id].bow.name == "Heron (damaged)" and words in rows[heron.id].damage
        plan = plan_import(record, tmp_path / "whole.zip")
        assert {p.verdict for p in plan.bows} == {"same"} and sum(p.heals.get("entries", 0) for p in plan.bows) > 0
        apply_import(record, plan)
        after = timeline(record, heron.id)
        assert (after.bow, after.events, after.corrections) == (before.bow, before.events, before.corrections)
        assert [replace(s, version=0) for s in after.stages] == [replace(s, version=0) for s in before.stages]
        assert check(record) == []


def test_every_fault_is_found_and_what_can_be_healed_is(record):
    bow = fill(record)
    stage = store.list_stages(record, bow.id)[1]
    big = add_stage(record, bow, seed=5, size=(640, 480))
    thumbnail(record, big)
    assert check(record) == []
    (small,) = (record.folder / "thumbnails").iterdir()
    small.write_bytes(b"rot")
    change(record, "UPDATE stages SET status = 'refused' WHERE id = :id", id=stage.id)
    change(record, "UPDATE stages SET photo_name = 'a/b' WHERE id = :id", id=big.id)
    workspace.keep_settings(record.folder, workspace.Settings())
    (record.folder / "settings.json").write_bytes(b"{")
    laid = workspace.lay_down(record.folder, b"\xff\xd8\xff a picture", "a.jpg", bow.id, {})
    (record.folder / "bench" / bow.id / f"{laid.sha256}.picture").write_bytes(b"rot")
    codes = sorted(f.code for f in check(record))
    assert codes == ["bench", "bench", "entry", "summary", "thumbnail"]
    healed = {f.code for f in check(record, heal=True) if f.healed}
    assert healed == {"summary", "thumbnail"} and not small.exists()
    assert store.get_stage(record, stage.id).status == "measured"
    assert sorted(f.code for f in check(record)) == ["bench", "bench", "entry"]
    for fault in check(record):
        assert fault.text.endswith(".") and fault.remedy.endswith(".")


def test_links_that_lead_nowhere_are_found(tmp_path):
    with open_record(tmp_path) as record:
        bow, other = fill(record), fill(record, "Plover")
        rest = store.list_stages(record, other.id)[0]
    with closing(sqlite3.connect(tmp_path / "record.sqlite")) as connection:  # without foreign keys
        connection.execute("UPDATE stages SET rest_stage_id = ? WHERE bow_id = ? AND state = 'drawn'", (rest.id, bow.id))
        connection.execute("UPDATE events SET stage_id = ? WHERE bow_id = ? AND kind = 'note'", (entries.new_id(), bow.id))
        connection.commit()
    with open_record(tmp_path) as record:
        said = [f.text for f in check(record) if f.code == "link"]
    assert len(said) == 2 and any("another bow's" in t for t in said) and any("not in the record" in t for t in said)


def test_a_document_of_another_form_is_found_though_its_hash_fits(record):
    bow = store.add_bow(record, Bow("Heron"))
    stage = add_stage(record, bow)
    document = json.dumps({"shot": shot_of(), "values": {}, "status": "measured", "made_by": "x"})
    change(
        record, "UPDATE measurements SET document = :d, sha256 = :h",
        d=document, h=hashlib.sha256(document.encode()).hexdigest(),
    )  # fmt: skip
    (fault,) = check(record)
    assert fault.code == "measurement" and "not of the right form" in fault.text and stage.photo_name in fault.text
    assert replace(stage) == store.get_stage(record, stage.id)
