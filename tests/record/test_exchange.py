"""A record out as a zip and back: equal bytes, nothing doubled or overwritten, and no zip trusted."""

import csv
import hashlib
import io
import json
import zipfile
from dataclasses import replace

import pytest
from jsonschema import Draft202012Validator
from sqlalchemy import text

from tests.support.shop import BEGIN, add_stage, document_of, fill, place, record, server, small_picture  # noqa: F401
from tillerlens.core.document import measurement_schema
from tillerlens.core.files import FileError
from tillerlens.record import Bow, Event, RecordError, open_record, originals, store
from tillerlens.record.bundle import BundleError, Limits
from tillerlens.record.check import check
from tillerlens.record.connection import writing
from tillerlens.record.entries import record_schema
from tillerlens.record.exchange import apply_import, export, plan_import
from tillerlens.record.tables import write_csv

# ruff: noqa: F811  # fixtures come by import


@pytest.fixture(scope="module")
def shop_zip(tmp_path_factory):
    """An export of two bows; read only."""
    folder = tmp_path_factory.mktemp("shop")
    with open_record(folder / "record") as record:
        fill(record)
        fill(record, "Plover")
        store.add_bow(record, Bow("Empty one"))
        export(record, folder / "shop.zip")
    return folder / "shop.zip"


@pytest.fixture(scope="module")
def bow_zip(tmp_path_factory):
    """An export of one bow; read only."""
    folder = tmp_path_factory.mktemp("bow")
    with open_record(folder / "record") as record:
        fill(record)
        export(record, folder / "bow.zip")
    return folder / "bow.zip"


def take_in(record, path, **choices):
    return apply_import(record, plan_import(record, path), choices)


def members(path):
    with zipfile.ZipFile(path) as opened:
        return {name: opened.read(name) for name in opened.namelist()}


# --- round trip


def test_out_in_and_out_again_is_equal_byte_for_byte(shop_zip, record, tmp_path):
    plans = plan_import(record, shop_zip).bows
    assert sorted(p.name for p in plans) == ["Empty one", "Heron", "Plover"] and {p.verdict for p in plans} == {"new"}
    take_in(record, shop_zip)
    export(record, tmp_path / "again.zip")
    assert members(tmp_path / "again.zip") == members(shop_zip)
    assert (tmp_path / "again.zip").read_bytes() == shop_zip.read_bytes()
    heron = store.find_bow(record, "Heron")
    drawn = store.find_stage(record, "Heron:3")
    assert drawn.status == "measured" and store.original(record, drawn) == small_picture(3)
    assert [c.reason for c in store.list_corrections(record, drawn.id)] == ["measured again"]
    assert len(store.list_measurements(record, drawn.id)) == 2
    assert heron.notes.startswith("<b>bold</b>")


def test_one_bow_leaves_alone_with_its_pictures(shop_zip, tmp_path):
    with open_record(tmp_path / "r") as record:
        take_in(record, shop_zip)
        add_stage(record, store.find_bow(record, "Empty one"), seed=77)
        export(record, tmp_path / "one.zip", [store.find_bow(record, "Plover").id])
    found = members(tmp_path / "one.zip")
    assert json.loads(found["tillerlens.json"])["bows"] == [
        json.loads(found[next(n for n in found if n.endswith("bow.json"))])["bow"]["id"]
    ]
    assert sum(n.startswith("originals/") for n in found) == 3


def test_every_file_is_of_a_published_form_and_listed_with_its_hash(shop_zip):
    found = members(shop_zip)
    contents = json.loads(found["tillerlens.json"])
    assert {n: hashlib.sha256(data).hexdigest() for n, data in found.items() if n != "tillerlens.json"} == contents["files"]
    record_form, measured_form = (Draft202012Validator(s) for s in (record_schema(), measurement_schema()))
    for name, data in found.items():
        if name.endswith(".json"):
            (measured_form if "/measurements/" in name else record_form).validate(json.loads(data))
        elif name.startswith("originals/"):
            assert name == f"originals/{hashlib.sha256(data).hexdigest()}.jpg"


def test_the_tables_hold_the_numbers_and_no_formulas(shop_zip):
    found = members(shop_zip)
    name = next(n for n in found if n.endswith("values.csv") and len(found[n]) > 200)
    rows = list(csv.DictReader(io.StringIO(found[name].decode())))
    reflex = next(r for r in rows if r["name"] == "reflex")
    assert float(reflex["value"]) == document_of("unstrung").values["reflex"].value and reflex["unit"] == "mm"
    gaps = list(csv.DictReader(io.StringIO(found[name.replace("values", "gaps")].decode())))
    truth = document_of("braced").as_document()["gaps"][0]
    row = next(g for g in gaps if float(g["upper_mm"]) == truth["upper"]["value"])
    assert float(row["difference_mm"]) == truth["difference"]["value"] and float(row["from_handle_mm"]) == truth["from_handle_mm"]
    events = list(csv.DictReader(io.StringIO(found[name.replace("values", "events")].decode())))
    assert next(e for e in events if e["kind"] == "scrape")["strokes"] == "20"
    evil = ["=1+1", "+1", "-1", "@x", "\tx", "fine", -1.5]
    (line,) = list(csv.reader(io.StringIO(write_csv(["h"], [evil]))))[1:]
    assert line == ["'=1+1", "'+1", "'-1", "'@x", "'\tx", "fine", "-1.5"]


def test_an_export_that_cannot_be_finished_leaves_the_old_file(shop_zip, tmp_path, monkeypatch):
    out = tmp_path / "out.zip"
    with open_record(tmp_path / "r") as record:
        take_in(record, shop_zip)
        out.write_bytes(b"old")

        def full(*_):
            raise OSError(28, "No space left on device")

        monkeypatch.setattr("os.fsync", full)
        with pytest.raises(FileError, match="no room left on the disk of .*out.zip was not written") as caught:
            export(record, out)
    assert str(tmp_path) in caught.value.text and str(tmp_path / "r") not in caught.value.text  # the disk it was to go to
    assert out.read_bytes() == b"old" and sorted(p.name for p in tmp_path.iterdir()) == ["out.zip", "r"]


# --- gaps and healing


def damage(record, stage, document=False):
    if document:
        with writing(record) as connection:
            connection.execute(text("UPDATE measurements SET document = '{' WHERE stage_id = :id"), {"id": stage.id})
    else:
        originals.place_of(record.folder, stage.sha256).write_bytes(b"rot")


def test_what_is_missing_or_damaged_leaves_a_gap_and_the_rest_goes_out(shop_zip, record, tmp_path):
    take_in(record, shop_zip)
    one, two, three = store.list_stages(record, store.find_bow(record, "Heron").id)
    plover = store.list_stages(record, store.find_bow(record, "Plover").id)  # has the same pictures
    originals.place_of(record.folder, one.sha256).unlink()
    damage(record, two)
    damage(record, three, document=True)
    done = export(record, tmp_path / "gaps.zip")
    assert len(done.bows) == 3
    told = sorted(g.text for g in done.gaps)
    assert [t for t in told if "unstrung.jpg is gone" in t] and [t for t in told if "braced.jpg is damaged" in t]
    assert sum("measurement" in t for t in told) == 2  # both that were ever made of the third
    listed = json.loads(members(tmp_path / "gaps.zip")["gaps.json"])
    Draft202012Validator(record_schema()).validate(listed)
    assert sorted(g["text"] for g in listed["gaps"]) == told
    with open_record(tmp_path / "fresh") as fresh:  # it comes in again, and says what it lacks
        plans = {p.name: p for p in plan_import(fresh, tmp_path / "gaps.zip").bows}
        assert set(plans["Heron"].lacking) == {"unstrung.jpg", "braced.jpg"}
        take_in(fresh, tmp_path / "gaps.zip")
        assert len(store.list_stages(fresh)) == 6 and store.original(fresh, store.find_stage(fresh, "Heron:3"))
        with pytest.raises(RecordError, match="cannot be read"):
            store.original(fresh, store.find_stage(fresh, "Heron:1"))
        take_in(fresh, shop_zip)  # and the whole one heals it
        assert store.original(fresh, store.find_stage(fresh, "Heron:1")) == small_picture(1)
        assert check(fresh) == []
    assert len(plover) == 3


def test_an_import_puts_back_what_is_missing_or_damaged(shop_zip, record):
    take_in(record, shop_zip)
    one, two, three = store.list_stages(record, store.find_bow(record, "Heron").id)
    originals.place_of(record.folder, one.sha256).unlink()
    damage(record, two)
    damage(record, three, document=True)
    assert {f.code for f in check(record)} == {"original", "measurement"}
    plan = plan_import(record, shop_zip)
    heron = next(p for p in plan.bows if p.name == "Heron")
    assert (heron.verdict, heron.heals) == ("same", {"originals": 2, "measurements": 2})
    apply_import(record, plan)
    assert check(record) == []
    assert store.get_stage(record, three.id) == three and store.measurement(record, three.id).status == "measured"
    assert not any(p.heals for p in plan_import(record, shop_zip).bows)


def test_a_bow_that_differs_is_healed_too_and_stays_as_it_is(shop_zip, tmp_path):
    with open_record(tmp_path / "r") as record:
        take_in(record, shop_zip)
        bow = store.update_bow(record, replace(store.find_bow(record, "Heron"), wood="elm"))
        damage(record, store.find_stage(record, "Heron:1"))
        apply_import(record, plan_import(record, shop_zip), {bow.id: "skip"})
        assert check(record) == [] and store.get_bow(record, bow.id) == bow


def test_a_bow_whose_row_is_damaged_stays_behind_and_is_told(shop_zip, tmp_path):
    with open_record(tmp_path / "r") as record:
        take_in(record, shop_zip)
        stage = store.find_stage(record, "Heron:2")
        with writing(record) as connection:
            connection.execute(text("UPDATE stages SET shot = '{\"a' WHERE id = :id"), {"id": stage.id})
        done = export(record, tmp_path / "x.zip")
        assert sorted(b.name for b in done.bows) == ["Empty one", "Plover"]
        (gap,) = done.gaps
        assert gap.stage_id == stage.id and gap.text.startswith("Heron is left out.") and "braced.jpg" in gap.text
    with open_record(tmp_path / "fresh") as fresh:
        assert len(take_in(fresh, tmp_path / "x.zip")) == 2


def test_an_export_of_the_first_form_comes_in_in_the_order_of_its_times(shop_zip, tmp_path):
    """Version 1 carried no numbers; what is here already is the same whatever its number."""

    def as_before(form):
        form["format_version"] = 1
        for name in ("measurements", "corrections", "events"):
            for entry in form[name]:
                del entry["sequence"]

    rewrite(shop_zip, tmp_path / "old.zip", bow=as_before, contents={"format_version": 1})
    with open_record(tmp_path / "r") as record:
        take_in(record, tmp_path / "old.zip")
        drawn = store.find_stage(record, "Heron:3")
        assert [m.sequence for m in store.list_measurements(record, drawn.id)] == [0, 1]
        assert drawn.shot["standoff_in"] == 2.5 and drawn.status == "measured"
        events = store.list_events(record, drawn.bow_id)
        assert sorted(e.sequence for e in events) == list(range(len(events)))
        assert {p.verdict for p in plan_import(record, shop_zip).bows} == {"same"}


# --- merging


def test_what_is_here_already_is_not_doubled(shop_zip, record):
    take_in(record, shop_zip)
    before = (store.list_bows(record), store.list_stages(record))
    plan = plan_import(record, shop_zip)
    assert {p.verdict for p in plan.bows} == {"same"} and not any(p.adds for p in plan.bows)
    apply_import(record, plan)
    assert (store.list_bows(record), store.list_stages(record)) == before


def test_what_is_new_on_either_side_is_kept(shop_zip, tmp_path):
    with open_record(tmp_path / "a") as a, open_record(tmp_path / "b") as b:
        for shop in (a, b):
            take_in(shop, shop_zip)
        bow = store.find_bow(a, "Heron")
        add_stage(a, bow, seed=50, days=9)
        store.save_measurement(a, store.find_stage(a, "Heron:2").id, document_of("braced", brace_height_belly=150.0))
        store.add_event(a, Event(bow.id, "note", BEGIN, notes="from a"))
        store.add_event(b, Event(bow.id, "note", BEGIN, notes="from b"))
        export(a, tmp_path / "a.zip")
        plan = plan_import(b, tmp_path / "a.zip")
        (heron,) = [p for p in plan.bows if p.name == "Heron"]
        assert (heron.verdict, heron.adds) == ("adds", {"stages": 1, "measurements": 2, "events": 1})
        apply_import(b, plan)
        assert (
            len(store.list_stages(b, bow.id)) == 4
            and store.find_stage(b, "Heron:2").values["brace_height_belly"]["value"] == 150.0
        )
        assert {"from a", "from b"} <= {e.notes for e in store.list_events(b, bow.id)}
        assert {p.verdict for p in plan_import(b, tmp_path / "a.zip").bows} == {"same"}


def test_a_bow_that_differs_is_asked_about_skipped_or_kept_beside(shop_zip, record, tmp_path):
    take_in(record, shop_zip)
    bow = store.find_bow(record, "Heron")
    store.update_bow(record, replace(bow, wood="elm"))
    event = store.list_events(record, bow.id, "scrape")[0]
    store.update_event(record, replace(event, details=replace(event.details, strokes=21)))
    plan = plan_import(record, shop_zip)
    (heron,) = [p for p in plan.bows if p.asks]
    assert heron.differs == ("the bow itself has another wood", "an event (scrape) has another details")
    with pytest.raises(RecordError, match="Say whether to skip it or to keep both"):
        apply_import(record, plan)
    apply_import(record, plan, {bow.id: "skip"})
    assert len(store.list_bows(record)) == 3 and store.get_bow(record, bow.id).wood == "elm"
    apply_import(record, plan, {bow.id: "both"})
    second = store.find_bow(record, "Heron (second)")
    assert store.get_bow(record, bow.id).wood == "elm" and second.wood == "hazel"
    stages = store.list_stages(record, second.id)
    assert [s.status for s in stages] == ["measured"] * 3 and stages[2].rest_stage_id == stages[0].id
    for _ in range(2):  # however often, it stays at two
        plan = plan_import(record, shop_zip)
        assert not any(p.asks for p in plan.bows) and [p.copied for p in plan.bows if p.bow_id == bow.id] == [True]
        apply_import(record, plan, {bow.id: "both"})
        assert len(store.list_bows(record)) == 4
    export(record, tmp_path / "both.zip")
    with open_record(tmp_path / "fresh") as fresh:
        take_in(fresh, tmp_path / "both.zip")
        assert len(store.list_bows(fresh)) == 4


def test_a_zip_changed_between_the_look_and_the_import_is_refused(shop_zip, tmp_path):
    with open_record(tmp_path / "r") as record:
        path = tmp_path / "x.zip"
        path.write_bytes(shop_zip.read_bytes())
        plan = plan_import(record, path)
        rewrite(shop_zip, path, bow=lambda b: b["bow"].update(name="Other"))
        with pytest.raises(BundleError, match="changed since"):
            apply_import(record, plan)
        assert store.list_bows(record) == []


def test_an_import_that_fails_half_way_leaves_no_half_bow(shop_zip, tmp_path, monkeypatch):
    with open_record(tmp_path / "r") as record:
        plan = plan_import(record, shop_zip)
        keep, count = originals.keep, []

        def full(*arguments):
            count.append(1)
            if len(count) == 3:
                raise OSError(28, "No space left on device")
            return keep(*arguments)

        monkeypatch.setattr(originals, "keep", full)
        with pytest.raises(RecordError, match="no room left"):
            apply_import(record, plan)
        assert not store.list_stages(record) and not [p for p in (tmp_path / "r" / "originals").rglob("*") if p.is_file()]
        monkeypatch.undo()
        apply_import(record, plan_import(record, shop_zip))
        assert len(store.list_stages(record)) == 6


# --- hostile zips


def write_zip(path, files, contents=None, infos=()):
    """A zip with these files and, unless given, an honest list of contents."""
    listed = {n: hashlib.sha256(data).hexdigest() for n, data in files.items()}
    bows = sorted(n.split("/")[1] for n in files if n.endswith("/bow.json"))
    honest = {"format": "tillerlens-record", "format_version": 2, "made_by": "x", "bows": bows, "files": listed}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as opened:
        for name, data in files.items():
            opened.writestr(name, data)
        for info, data in infos:
            opened.writestr(info, data)
        opened.writestr("tillerlens.json", json.dumps({**honest, **(contents or {})}))


def rewrite(source, path, bow=None, drop=(), extra=None, contents=None, infos=()):
    """The honest zip, changed: ``bow`` changes Heron's file, and all hashes are made to fit again."""
    files = {n: d for n, d in members(source).items() if n != "tillerlens.json" and not any(part in n for part in drop)}
    for name in [n for n in files if n.endswith("bow.json")]:
        form = json.loads(files[name])
        if bow is not None and form["bow"]["name"] == "Heron":
            bow(form)
            files[name] = json.dumps(form).encode()
    write_zip(path, {**files, **(extra or {})}, contents, infos)


def link(name):
    info = zipfile.ZipInfo(name)
    info.create_system, info.external_attr = 3, 0o120777 << 16
    return info, b"/etc/passwd"


GAP = json.dumps(
    {"format": "tillerlens-gaps", "gaps": [{"bow_id": "x", "stage_id": None, "file": None, "text": "x", "remedy": "x"}]}
).encode()
SOME = "00000000-0000-4000-8000-000000000000"
BAD_ZIPS = {
    "a name that climbs": (dict(extra={"../evil.jpg": b"x"}), "does not belong there"),
    "a name that climbs from inside": (dict(extra={"originals/../../evil.jpg": b"x"}), "does not belong there"),
    "an absolute name": (dict(extra={"/etc/evil": b"x"}), "does not belong there"),
    "a drive's name": (dict(extra={"C:\\evil.jpg": b"x"}), "does not belong there"),
    "a program": (dict(extra={"originals/run.exe": b"MZ"}), "does not belong there"),
    "a link": (dict(infos=[link(f"originals/{'0' * 64}.jpg")]), "is a link"),
    "a folder": (dict(infos=[(zipfile.ZipInfo("originals/"), b"")]), "does not belong there"),
    "a bomb": (dict(extra={f"bows/{SOME}/bow.json": b"[" + b" " * 20_000_000 + b"]"}), "swell to"),
    "a file not listed": (dict(infos=[(zipfile.ZipInfo(f"originals/{'0' * 64}.jpg"), b"x")]), "does not fit"),
    "a bow not listed": (dict(contents={"bows": []}), "list of bows does not fit"),
    "no pictures": (dict(drop=["originals/"]), "is missing or another one"),
    "no measurements": (dict(drop=["/measurements/"]), "is missing or another one"),
    "no tables": (dict(drop=["gaps.csv"]), "is missing|not what its hash says"),
    "a picture that is none": (dict(extra={f"originals/{'0' * 64}.jpg": b"MZ" * 20}), None),
    "another program's": (dict(contents={"format": "bows"}), "unknown form"),
    "a newer one": (dict(contents={"format_version": 4}), "newer TillerLens"),
    "an unknown version": (dict(contents={"format_version": "1"}), "unknown version"),
    "a newer bow": (dict(bow=lambda b: b.update(format_version=7)), "newer TillerLens"),
    "unknown fields": (dict(bow=lambda b: b["bow"].update(colour="red")), "'colour' is not known"),
    "a hostile identity": (dict(bow=lambda b: b["events"][0].update(id="../x")), "not of the right form"),
    "another bow's event": (dict(bow=lambda b: b["events"][0].update(bow_id=SOME)), "mixes up its bows"),
    "a stage that is not there": (dict(bow=lambda b: b["stages"][1].update(rest_stage_id=SOME)), "does not hold"),
    "an entry twice": (dict(bow=lambda b: b["events"].append(b["events"][0])), "holds an entry twice"),
    "a time of no calendar": (dict(bow=lambda b: b["bow"].update(added_at="2026-19-39T00:00:00.000000+00:00")), "on no calendar"),
    "a shot that cannot be": (dict(bow=lambda b: b["stages"][0]["shot"].update(standoff_in=900)), "standoff is 900"),
    "a state that contradicts": (dict(bow=lambda b: b["stages"][0].update(state="drawn")), "contradicts"),
    "a picture's hostile name": (
        dict(bow=lambda b: b["stages"][0].update(photo_name="../../x")),
        "name is not of the right form",
    ),
    "gaps of an unknown form": (dict(extra={"gaps.json": b'{"format": "tillerlens-gaps"}'}), "list|missing|is missing"),
    "a gap that says nothing of the picture": (dict(drop=["originals/"], extra={"gaps.json": GAP}), "is missing or another one"),
    "a size that lies": (dict(bow=lambda b: b["stages"][0].update(size_bytes=5)), "is missing or another one"),
    "a scrape that cannot be": (dict(bow=lambda b: b["events"][0].update(details={"limb": "upper"})), "is missing"),
}


@pytest.mark.parametrize("which", BAD_ZIPS)
def test_a_hostile_zip_is_refused_and_nothing_of_it_is_kept(bow_zip, tmp_path, which):
    changes, words = BAD_ZIPS[which]
    path, home = tmp_path / "bad.zip", tmp_path / "record"
    rewrite(bow_zip, path, **changes)
    with open_record(home) as record:
        if words is None:  # unused by any bow: harmless, and not kept
            take_in(record, path)
            assert not originals.place_of(home, "0" * 64).exists()
            return
        with pytest.raises(BundleError, match=words) as caught:
            plan_import(record, path)
        assert caught.value.text.endswith(".") and caught.value.remedy
        assert store.list_bows(record) == [] and not [p for p in (home / "originals").rglob("*") if p.is_file()]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["bad.zip", "record"]


def test_wrong_hashes_and_measurements_of_an_unknown_form_are_refused(shop_zip, tmp_path):
    honest = {n: d for n, d in members(shop_zip).items() if n != "tillerlens.json"}
    listed = json.loads(members(shop_zip)["tillerlens.json"])
    picture = next(n for n in honest if n.startswith("originals/"))
    measured = next(n for n in honest if "/measurements/" in n)
    with open_record(tmp_path / "r") as record:
        for name, data, words in (
            (picture, small_picture(1234)[: len(honest[picture])].ljust(len(honest[picture]), b"\0"), "not what its hash says"),
            (measured, honest[measured] + b" ", "not what its hash says"),
        ):
            write_zip(tmp_path / "bad.zip", {**honest, name: data}, listed)
            with pytest.raises(BundleError, match=words):
                plan_import(record, tmp_path / "bad.zip")
        for change, words in (
            ({"format_version": 2}, "newer TillerLens"),
            ({"gaps": 1}, "right form"),
            ({"status": float("nan")}, "not JSON"),
        ):
            data = json.dumps({**json.loads(honest[measured]), **change}).encode()
            files, old, new = dict(honest), listed["files"][measured], hashlib.sha256(data).hexdigest()
            files[measured] = data
            files = {n: d.replace(old.encode(), new.encode()) if n.endswith("bow.json") else d for n, d in files.items()}
            write_zip(tmp_path / "bad.zip", files)
            with pytest.raises(BundleError, match=words):
                plan_import(record, tmp_path / "bad.zip")
        assert store.list_bows(record) == []


def test_what_is_no_zip_or_cut_off_or_too_big_is_refused(shop_zip, tmp_path):
    cut, text, empty = tmp_path / "cut.zip", tmp_path / "text.zip", tmp_path / "empty.zip"
    cut.write_bytes(shop_zip.read_bytes()[:-400])
    text.write_text("bows")
    with zipfile.ZipFile(empty, "w"):
        pass
    with open_record(tmp_path / "r") as record:
        for path, words in (
            (cut, "not a whole zip"),
            (text, "not a whole zip"),
            (empty, "no export"),
            (tmp_path / "no.zip", "no such file"),
        ):
            with pytest.raises(BundleError, match=words):
                plan_import(record, path)
        for limits, words in (
            (Limits(total_bytes=5000), "larger than"),
            (Limits(files=3), "more than 3 files"),
            (Limits(document_bytes=50), "larger"),
        ):
            with pytest.raises(BundleError, match=words):
                plan_import(record, shop_zip, limits)
        middle = bytearray(shop_zip.read_bytes())
        middle[len(middle) // 3] ^= 0xFF
        (tmp_path / "rot.zip").write_bytes(middle)
        with pytest.raises(BundleError):
            plan_import(record, tmp_path / "rot.zip")


def test_a_record_of_repeated_words_can_still_come_back(tmp_path):
    """What packs very tightly would look like a bomb; the export leaves it unpacked."""
    with open_record(tmp_path / "a") as record, open_record(tmp_path / "b") as other:
        bow = store.add_bow(record, Bow("Heron", notes="a" * 20_000))
        for n in range(30):
            store.add_event(record, Event(bow.id, "note", BEGIN, notes="again " * 3000, who=str(n)))
        export(record, tmp_path / "x.zip")
        take_in(other, tmp_path / "x.zip")
        assert len(store.list_events(other, bow.id)) == 30
        with zipfile.ZipFile(tmp_path / "x.zip") as opened:
            assert {i.compress_type for i in opened.infolist() if i.filename.endswith("bow.json")} == {zipfile.ZIP_STORED}
