"""The record's commands as a person or a script meets them."""

import json
import os
import shutil
import subprocess
import sys
from dataclasses import replace

import pytest
from jsonschema import Draft202012Validator
from sqlalchemy import text
from typer.testing import CliRunner

import tillerlens.measure
from tests.support.bench_shop import fill_bench
from tests.support.made_up import SAMPLES, asking
from tests.support.shop import document_of, fill, shot_of, small_picture
from tillerlens.cli import app
from tillerlens.core.measurement import PhotoId
from tillerlens.core.shot_file import read_shot
from tillerlens.history.as_now import judged_together
from tillerlens.record import Bow, RecordError, open_record, originals, store, typed
from tillerlens.record.connection import writing
from tillerlens.record.entries import record_schema

FORMS = record_schema()["$defs"]


@pytest.fixture(autouse=True)
def place(tmp_path, monkeypatch):
    monkeypatch.setenv("TILLERLENS_RECORD", str(tmp_path / "record"))
    monkeypatch.setenv("TZ", "UTC")
    with open_record(tmp_path / "record"):
        pass
    return tmp_path / "record"


@pytest.fixture
def shop(place):
    """A shop with one bow, made beforehand."""
    with open_record(place) as record:
        fill(record)


@pytest.fixture
def measuring(monkeypatch):
    """Measuring replaced by made-up documents, where only the commands are looked at."""

    def answer(made=None):
        monkeypatch.setattr(
            tillerlens.measure, "measure_photo", lambda photo, shot, rest: made or document_of(shot.state, shot.as_dict())
        )

    answer()
    return answer


def run(*arguments, status=0, input=None):
    done = CliRunner().invoke(app.app, [str(a) for a in arguments], input=input)
    assert done.exit_code == status, (done.stdout, done.stderr, done.exception)
    assert done.exception is None or isinstance(done.exception, SystemExit)
    return done


def run_json(*arguments, status=0):
    return json.loads(run(*arguments, "--json", status=status).stdout)


def valid(name, document):
    Draft202012Validator({"$ref": f"#/$defs/{name}", "$defs": FORMS}).validate(document)
    return document


def picture(folder, state="unstrung", name="bow.jpg", seed=0):
    (folder / name).write_bytes(small_picture(seed, (640, 480)))
    (folder / name).with_suffix(".shot.json").write_text(json.dumps({**shot_of(state), "photo": name}))
    return folder / name


# --- bows


def test_a_bow_in_inches_and_pounds_is_kept_in_si():
    words = ("wood=hazel", 'length=66 1/2"', "weight=45", "draw=28in", "draw_to=back", "tiller-high=1/4")
    made = valid("bow", run_json("bow", "add", "Heron", *words))
    assert made["length_mm"] == pytest.approx(1689.1) and made["wish_draw_mm"] == pytest.approx(711.2)
    assert made["wish_weight_n"] == pytest.approx(45 * 4.4482216152605)  # pounds-force in newtons, NIST SP 811 appendix B.8
    assert made["wish_tiller_high_mm"] == pytest.approx(6.35)
    shown = run("bow", "show", "heron").stdout
    assert "length, nock to nock 66 1/2 in" in shown and "target 45.0 lb at 28 in" in shown and "wood hazel" in shown
    changed = run_json("bow", "change", "heron", "wood=yew", "weight=", "notes=")
    assert (changed["wood"], changed["wish_weight_n"], changed["notes"]) == ("yew", None, "")
    assert "Heron  yew  stages 0" in run("bow", "list").stdout


def test_removing_asks_first(shop):
    run("bow", "remove", "heron", status=1, input="n\n")
    assert len(run_json("bow", "list")) == 1
    run("bow", "remove", "heron", input="y\n")
    assert run_json("bow", "list") == [] and run_json("tidy", "--yes")["moved"] == 3


# --- stages


@pytest.mark.reaches_the_net
def test_a_picture_that_cannot_be_used_stops_no_other(tmp_path, shop, monkeypatch):
    def measured(photo, shot, rest):
        if photo.name == "b.jpg":
            raise ZeroDivisionError("nobody foresaw this")
        return document_of(shot.state, shot.as_dict())

    monkeypatch.setattr(tillerlens.measure, "measure_photo", measured)
    photos = [picture(tmp_path, "braced", f"{name}.jpg", seed) for seed, name in enumerate("abcd", start=1)]
    photos[2].write_text("no picture at all")
    done = run("stage", "add", "heron", *photos, status=2)
    assert "b.jpg: Measuring b.jpg failed" in done.stderr and "c.jpg: c.jpg is not a photograph" in done.stderr
    assert "Traceback" not in done.output
    kept = [s["photo_name"] for s in run_json("stage", "list", "heron")]
    assert kept[3:] == ["a.jpg", "d.jpg"]


def test_stages_are_measured_kept_and_judged_against_the_bow_at_rest(tmp_path, measuring):
    run("bow", "add", "Heron")
    (rest,) = run_json("stage", "add", "heron", picture(tmp_path, "unstrung"), "--when", "2026-03-01T10:00")
    assert rest["status"] == "measured" and rest["taken_at"].startswith("2026-03-01T")
    done = run(
        "stage", "add", "heron", picture(tmp_path, "drawn", "d.jpg", 1), "--when", "2026-03-02T10:00", "--notes", "<b>wet</b>"
    )
    assert done.stdout.startswith("Heron:2  2026-03-02 ") and "judged against the bow at rest, Heron:1" in done.stdout
    shown = run_json("stage", "show", "heron:2")
    assert shown["stage"]["rest_stage_id"] == rest["id"] and shown["stage"]["notes"] == "<b>wet</b>"
    assert shown["measurement"]["values"] and len(shown["measurements"]) == 1
    (alone,) = run_json("stage", "add", "heron", tmp_path / "d.jpg", "--rest", "none")
    assert alone["rest_stage_id"] is None
    lines = run("stage", "list", "heron").stdout.splitlines()
    assert len(lines) == 3 and "unstrung  reflex 1 in (±1/16 in)" in lines[0]  # 24.9 mm, u 0.5 mm; the division is 1.6 mm


def test_a_stage_is_shown_with_what_all_pictures_of_its_time_tell(place):
    """The command printed what each picture alone had told, and the app's page of it another hinge."""
    with open_record(place) as record:
        bow = fill_bench(record, scraped=False)
        stages, events = store.list_stages(record, bow.id), store.list_events(record, bow.id)
        kept = {s.id: store.measurement(record, s.id) for s in stages}
    together = judged_together(stages, events, lambda s: kept[s.id])
    drawn = [n for n, s in enumerate(stages, start=1) if s.state == "drawn"]
    shown = [run_json("stage", "show", f"kestrel:{n}")["measurement"]["spots"] for n in drawn]
    assert shown[0] and shown == [together[stages[n - 1].id].as_document()["spots"] for n in drawn]
    assert shown[0] != kept[stages[drawn[0] - 1].id].as_document()["spots"]
    places = [[(p["limb"], p["kind"], p["from_nock_mm"], p["bend_percent"]) for p in spots] for spots in shown]
    assert all(p == places[0] for p in places)


def test_a_picture_that_needs_help_is_kept_and_corrected_later(tmp_path, measuring):
    run("bow", "add", "Heron")
    measuring(_asking("drawn"))
    done = run("stage", "add", "heron", picture(tmp_path, "drawn"), status=3)
    assert "Click the upper nock" in done.stderr and "needs help" in done.stdout
    measuring()
    (tmp_path / "right.json").write_text(json.dumps({**shot_of("drawn"), "standoff_in": 3, "photo": "bow.jpg"}))
    fixed = run_json(
        "stage", "correct", "heron:1", "--shot", tmp_path / "right.json", "--by", "Maker", "--reason", "wall is nearer"
    )
    assert fixed["status"] == "measured" and fixed["shot"]["standoff_in"] == 3
    shown = run_json("stage", "show", "heron:last")
    (correction,) = shown["corrections"]
    valid("correction", correction)
    assert (
        correction["who"] == "Maker"
        and {"field": "standoff_in", "old": shot_of("drawn")["standoff_in"], "new": 3.0} in correction["changes"]
    )
    assert "Maker changed" in run("stage", "show", "heron:1").stdout
    run("stage", "remove", "heron:1", "--yes")
    assert run_json("stage", "list", "heron") == []


def _asking(state):
    shot = read_shot({**shot_of(state), "photo": "bow.jpg"})
    return replace(asking(state), shot=shot, photo=PhotoId("bow.jpg"))


def test_a_real_picture_goes_in_and_is_measured_anew(tmp_path):
    """The whole chain, once: a rendered bow whose brace height is known."""
    name = "heron-braced-upright"
    run("bow", "add", "Heron")
    for ending in (".jpg", ".shot.json"):
        shutil.copy(SAMPLES / f"{name}{ending}", tmp_path)
    (stage,) = run_json("stage", "add", "heron", tmp_path / f"{name}.jpg")
    truth = json.loads((SAMPLES / f"{name}.truth.json").read_text())["values"]["brace_height_belly"]
    height = stage["values"]["brace_height_belly"]
    assert abs(height["value"] - truth) < 3 * height["u"]  # mm; 3 u: one value of one picture
    (again,) = run_json("remeasure", "heron")
    assert (again["saved"], again["failed"], again["values"]) == (False, "", [])
    assert "To look at: 0." in run("remeasure", "heron:1").stdout


def test_measuring_anew_prints_what_changed(shop, measuring):
    done = run("remeasure", status=3)  # the small pictures of the made-up shop cannot be measured
    assert done.stdout.count("too few to measure") == 3 and "Measured again: 3. To look at: 3." in done.stdout


# --- events


@pytest.mark.parametrize(
    ("kind", "words", "details"),
    [
        ("scrape", ["limb=upper", "from=8in", "to=14in", "strokes=20"],
         {"limb": "upper", "start_from_nock_mm": 203.2, "end_from_nock_mm": 355.6, "strokes": 20}),
        ("heat", ["minutes=45", "distance=12in", "browning=brown", "temperature=350F", "form_reflex=2in"],
         {"minutes": 45, "distance_mm": 304.8, "browning": "brown", "temperature_c": (350 - 32) / 1.8, "form_reflex_mm": 50.8}),
        ("rest", ["hours=48"], {"hours": 48}),
        ("moisture", ["reading=9%"], {"reading_percent": 9}),
        ("moisture", ["temperature=21C", "humidity=45"], {"temperature_c": 21, "humidity_percent": 45}),
        ("weighing", ["draw=20in", "to=back", "weight=30 lb"], {"draw_mm": 508, "draw_to": "back", "weight_n": 133.446648457815}),
        ("mass", ["mass=16 oz"], {"mass_kg": 0.45359237}),
        ("arrow_speed", ["arrow=500", "speed=150", "draw=28in", "to=belly"],
         {"arrow_mass_kg": 0.03239945500, "speed_m_s": 45.72, "draw_mm": 711.2, "draw_to": "belly"}),
        ("finding", ["at=12,20.5", "limb=lower"], {"at_px": [12, 20.5], "limb": "lower"}),
    ],
)  # fmt: skip
def test_every_kind_of_event_in_the_makers_units(shop, kind, words, details):
    """Grain 64.79891 mg, pound-force 4.448222 N, foot 0.3048 m: NIST SP 811 appendix B.8."""
    more = ["--stage", "heron:1", "--notes", "lifting"] if kind == "finding" else []
    made = valid("event", run_json("event", "add", "heron", kind, *words, *more, "--when", "2026-04-01", "--by", "Maker"))
    assert {k: pytest.approx(v) if not isinstance(v, str) else v for k, v in details.items()} == made["details"]
    assert made["happened_at"].startswith("2026-0") and made["who"] == "Maker"
    line = run("event", "list", "heron", "--kind", kind).stdout
    assert made["id"][:8] in line and kind.replace("_", " ") in line
    run("event", "remove", "heron", made["id"][:8], "--yes")
    assert made["id"][:8] not in run("event", "list", "heron").stdout


def test_notes_cannot_move_the_terminals_cursor(shop):
    run("event", "add", "heron", "note", "--notes", "one\n\x1b[2Jtwo<b>")
    line = run("event", "list", "heron", "--kind", "note").stdout.splitlines()[-1]
    assert "\x1b" not in line and "one" in line and "two<b>" in line


# --- out and in


def test_out_and_in(shop, tmp_path):
    out = tmp_path / "shop.zip"
    assert run_json("export", out)["written"] == str(out)
    fresh = ("--record", tmp_path / "fresh")
    assert "Heron: new: 1 bows, 3 stages" in run("import", out, "--dry-run", "--new", *fresh).stdout
    assert run_json("bow", "list", *fresh) == []
    assert run_json("import", out, *fresh)["bows"][0]["verdict"] == "new"
    assert "here already, the same" in run("import", out, *fresh).stdout
    run("export", tmp_path / "again.zip", "heron", *fresh)
    assert (tmp_path / "again.zip").read_bytes() == out.read_bytes()
    run("bow", "change", "heron", "wood=elm", *fresh)
    done = run("import", out, *fresh, status=3)
    assert "another wood" in done.stdout and "Nothing was imported" in done.stderr
    run("import", out, "--differing", "skip", *fresh)
    assert "kept beside it" in run("import", out, "--differing", "both", *fresh).stdout
    assert [b["bow"]["name"] for b in run_json("bow", "list", *fresh)] == ["Heron", "Heron (second)"]


def test_an_export_over_gaps_says_them_and_an_import_puts_back(shop, place, tmp_path):
    out = tmp_path / "shop.zip"
    run("export", out)
    with open_record(place) as record:
        stage = store.find_stage(record, "heron:1")
        originals.place_of(place, stage.sha256).unlink()
    done = run("export", tmp_path / "gaps.zip", status=3)
    assert "Missing in the zip: The original of unstrung.jpg is gone." in done.stderr and "1 bow." in done.stdout
    assert run_json("export", tmp_path / "gaps.zip", status=3)["gaps"][0]["stage_id"] == stage.id
    done = run("check", status=3)
    assert "heron:1: The original of unstrung.jpg is gone." in done.stdout.lower().replace("the original", "The original")
    lacking = run("import", tmp_path / "gaps.zip", "--new", "--record", tmp_path / "fresh", status=3)
    assert "the picture unstrung.jpg is neither in the zip nor here" in lacking.stderr
    assert "here already, the same; put back: 1 originals" in run("import", out).stdout
    assert run("check").stdout == "Everything is in order.\n"


@pytest.mark.parametrize("full", ["out", "record"])
def test_a_full_disk_is_named_by_its_own_name(shop, tmp_path, monkeypatch, full):
    run("export", tmp_path / "shop.zip")

    def no_room(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", no_room)
    if full == "out":
        (tmp_path / "target").mkdir()
        done = run("export", tmp_path / "target" / "x.zip", status=2)
        assert f"no room left on the disk of {tmp_path / 'target'};" in done.stderr
        assert list((tmp_path / "target").iterdir()) == []
    else:
        monkeypatch.undo()
        with open_record(tmp_path / "other"):
            pass
        monkeypatch.setattr("os.fsync", no_room)
        done = run("import", tmp_path / "shop.zip", "--record", tmp_path / "other", status=2)
        assert f"no room left on the disk of {tmp_path / 'other'}" in done.stderr


# --- care


def test_tidy_says_what_it_would_do_and_moves_only_when_told(shop, place, monkeypatch):
    assert run("tidy").stdout == "Nothing to tidy.\n"
    run("stage", "remove", "heron:2", "--yes")
    said = run("tidy").stdout  # without a terminal it does not ask, and does nothing
    assert "Not needed: 1 file, 0.0 MB: originals/" in said and "Nothing was moved. Add --yes to do it." in said
    assert run_json("tidy")["files"] == 1 and len(list(place.glob("originals/??/*"))) == 3
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    done = run("tidy", "--yes")
    assert "1 file moved to " in done.stdout and len(list(place.glob("bin/*/originals/??/*"))) == 1
    assert run("tidy", "--undo").stdout == "0 files put back from the bin.\n"  # no stage needs it


def test_a_picture_that_is_needed_comes_back(shop, place):
    with open_record(place) as record:
        stage = store.find_stage(record, "heron:1")
    lying = originals.place_of(place, stage.sha256)
    binned = place / "bin" / "2026-01-01" / lying.relative_to(place)
    binned.parent.mkdir(parents=True)
    lying.rename(binned)
    assert "check --heal" in run("check", status=3).stdout
    assert run("tidy", "--undo").stdout == "1 file put back from the bin.\n" and lying.exists()
    lying.rename(binned)
    done = run("check", "--heal")
    assert "was put back. Healed." in done.stdout and run("check").stdout == "Everything is in order.\n"


def test_a_record_of_lost_pictures_is_told_and_claimed(shop, place):
    (place / "record.sqlite").unlink()
    done = run("bow", "list", status=2)
    assert "There is no record in" in done.stderr
    run("bow", "add", "Wren", "--new")
    listed = run("bow", "list")
    assert "do not belong to the record" in listed.stderr and "Wren" in listed.stdout
    assert "none was moved" in run("tidy", "--yes", status=2).stderr
    run("check", "--claim", status=1, input="n\n")
    run("check", "--claim", "--yes", status=3)  # three pictures that no stage needs
    assert run_json("tidy", "--yes")["moved"] == 3 and len(list(place.glob("bin/*/originals/??/*"))) == 3


def test_a_mistyped_place_makes_no_shop(tmp_path, monkeypatch):
    for words in (("bow", "list"), ("check",), ("tidy",), ("shelf",), ("bow", "add", "Heron"), ("export", tmp_path / "x.zip")):
        done = run(*words, "--record", tmp_path / "typo", status=2)
        assert "There is no record in" in done.stderr and "--new" in done.stderr and done.stdout == ""
    monkeypatch.setenv("TILLERLENS_RECORD", str(tmp_path / "typo"))
    run("bow", "list", status=2)
    assert not (tmp_path / "typo").exists()
    monkeypatch.setattr("tillerlens.record.database.default_folder", lambda: tmp_path / "own")
    monkeypatch.delenv("TILLERLENS_RECORD")
    assert run("bow", "list").stdout == "There is no bow on the shelf yet.\n"  # the user's own is made unasked


def at_a_terminal(reply, *arguments):
    """A command whose input is a terminal, at which somebody types."""
    import pty

    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "tillerlens", *map(str, arguments)]
    process = subprocess.Popen(command, stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    os.write(ours, f"{reply}\n".encode())
    out, err = process.communicate(timeout=120)
    os.close(ours)
    os.close(theirs)
    return process.returncode, out, err


@pytest.mark.skipif(os.name != "posix", reason="a terminal of our own is made as on Unix")
def test_on_a_terminal_it_asks_before_it_makes_a_shop_or_tidies(shop, place, tmp_path):
    for reply, status in (("n", 2), ("y", 0)):
        code, _, err = at_a_terminal(reply, "bow", "add", "Heron", "--record", tmp_path / "new")
        assert code == status and "Make a new one there?" in err
        assert (tmp_path / "new" / "record.sqlite").exists() == (reply == "y")
    run("stage", "remove", "heron:1", "--yes")
    for reply, left in (("n", 3), ("y", 2)):
        code, out, err = at_a_terminal(reply, "tidy")
        assert code == 0 and "Not needed: 1 file" in err and "Do it?" in err, (out, err)
        assert len(list(place.glob("originals/??/*"))) == left


STEERING = "a\x1b[2Jb\x9b31mc\u202ed\x07\x7f"


def test_nothing_that_was_typed_steers_the_terminal(shop, place):
    with open_record(place) as record:
        bow = store.find_bow(record, "heron")
        store.update_bow(record, replace(bow, notes=STEERING, wood="x\x9b2J"))
        stage = store.find_stage(record, "heron:1")
        store.update_stage(record, replace(stage, notes=STEERING))
        store.add_bow(record, Bow("Twin\u202e"))
        store.add_bow(record, Bow("Twin\u202e"))
    for words in ("bow list", "bow show heron", "stage show heron:1", "stage list heron", "shelf"):
        shown = run(*words.split()).stdout
        assert shown.replace("\n", "").isprintable(), words
    done = run("bow", "show", "twin\u202e", status=2)
    assert done.stderr.replace("\n", "").isprintable()
    printed = run("bow", "show", "heron", "--json").stdout
    assert printed.replace("\n", "").isprintable() and json.loads(printed)["bow"]["notes"] == STEERING


def test_a_damaged_bow_is_named_and_the_others_are_listed(shop, place):
    with open_record(place) as record:
        fill(record, "Plover")
        with writing(record) as connection:
            connection.execute(text("UPDATE bows SET length_mm = 'long' WHERE name = 'Heron'"))
    done = run("bow", "list", status=3)
    assert "Plover" in done.stdout and "Heron (damaged)" in done.stdout
    assert "The bow Heron [" in done.stderr and "is damaged in the record: its bow's length" in done.stderr
    assert "Plover:3" in run("bow", "show", "plover").stdout
    assert "The bow Heron [" in run("bow", "show", "heron", status=2).stderr


# --- refused


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["bow", "add", "Heron", "length=long"], "'long' is not a length"),
        (["bow", "add", "Heron", "colour=red"], "WORD=VALUE with one of: name, wood"),
        (["bow", "add", "Heron", "wood=a", "wood=b"], "given twice"),
        (["bow", "add", ""], "name is empty"),
        (["bow", "show", "wren"], "no bow 'wren'"),
        (["stage", "show", "heron:9"], "has 3 stages"),
        (["stage", "add", "heron", "nowhere.jpg"], "has no shot file"),
        (["stage", "add", "heron", "nowhere.jpg", "--shot", "nowhere.json"], "cannot be opened"),
        (["event", "add", "heron", "dance"], "no kind of event"),
        (["event", "add", "heron", "scrape", "strokes=2.5"], "not a whole number"),
        (["event", "add", "heron", "moisture", "temperature=70"], "21C or 70F"),
        (["event", "add", "heron", "rest", "hours=2", "--when", "yesterday"], "is not a time"),
        (["event", "add", "heron", "finding", "at=3", "--notes", "x"], "not a place"),
        (["event", "remove", "heron", "ffff"], "No events"),
        (["import", "nowhere.zip"], "no such file"),
        (["export", "nowhere/x.zip"], "is not a folder"),
        (["import", "x.zip", "--differing", "overwrite"], "ask, skip or both"),
        (["import", "."], "is a folder, not a zip"),
        (["bow", "list", "--record", "postgresql://u@h:port/x", "--originals", "."], "not a server's address"),
        (["bow", "list", "--record", "postgresql://u@/x"], "needs a folder for its pictures"),
        (["bow", "list", "--record", "postgresql:bad"], "not a server's address"),
    ],
)
def test_bad_usage_exits_2_with_a_sentence(shop, tmp_path, monkeypatch, arguments, words):
    monkeypatch.chdir(tmp_path)
    done = run(*arguments, status=2)
    assert words in " ".join(done.stderr.replace("│", " ").split()) and done.stdout == "" and "Traceback" not in done.stderr


def test_words_of_a_person_are_read():
    assert typed.read_mass("540 g") == pytest.approx(0.54) and typed.read_speed("45.7 m/s") == 45.7
    assert typed.read_arrow_mass("32 g") == pytest.approx(0.032) and typed.read_temperature("-5c") == -5
    with pytest.raises(RecordError):
        typed.read_speed("150 mph")


def test_the_commands_answer_help_at_once():
    """Nothing heavy is imported to say what there is."""
    code = "import sys, tillerlens.cli.app; "
    code += "sys.exit(any(m in sys.modules for m in ('sqlalchemy', 'numpy', 'jsonschema', 'alembic')))"
    assert subprocess.run([sys.executable, "-c", code]).returncode == 0
