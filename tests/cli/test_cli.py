"""The command line as a script or a person meets it: exit statuses, streams, and nothing half-written."""

from __future__ import annotations

import json
import os
import resource
import shutil
import struct
import subprocess
import sys
import time
import zlib
from pathlib import Path

import numpy as np
import pytest
from jsonschema import Draft202012Validator
from PIL import Image
from typer.testing import CliRunner

import tillerlens
import tillerlens.measure
from tests.support.made_up import SAMPLES, asking, from_truth
from tillerlens.cli import app
from tillerlens.core.document import as_json, measurement_schema, read_one

NAME = "heron-braced-upright"
SHOT = json.loads((SAMPLES / f"{NAME}.shot.json").read_text())
VALID = Draft202012Validator(measurement_schema())


def run(*arguments):
    return CliRunner().invoke(app.app, [str(a) for a in arguments])


def picture(folder, name="bow.jpg", **changes):
    """A sample's picture under another name with a shot beside it, changed where asked."""
    path = folder / name
    shutil.copy(SAMPLES / f"{NAME}.jpg", path)
    path.with_suffix(".shot.json").write_text(json.dumps({**SHOT, "photo": name, **changes}))
    return path


@pytest.fixture
def canned(monkeypatch):
    """Measuring replaced by made-up results, where only the command line is looked at."""

    def answer(result):
        monkeypatch.setattr(tillerlens.measure, "measure_photo", lambda *_: result)

    answer(from_truth(NAME, spots=False))
    return answer


# --- what comes out


def test_a_measured_picture_prints_a_table(tmp_path, canned):
    done = run("measure", picture(tmp_path))
    assert done.exit_code == 0 and done.stderr == ""
    assert "brace height from the belly" in done.stdout
    assert "6 in ±1/16 in" in done.stdout and "152.0 ± 1.1 mm" in done.stdout  # 152.0 mm is 5 63/64 in
    assert "upper minus lower" in done.stdout


def test_json_is_one_valid_document(tmp_path, canned):
    done = run("measure", picture(tmp_path), "--json")
    document = json.loads(done.stdout)
    VALID.validate(document)
    assert done.exit_code == 0 and document["status"] == "measured"
    assert document["values"]["brace_height_belly"]["value"] == 152.0


def test_several_pictures_and_folders_make_a_list(tmp_path, canned):
    folder = tmp_path / "bows"
    folder.mkdir()
    for name in ("b.jpg", "a.jpg"):
        picture(folder, name)
    (folder / "a.shot.json").rename(folder / "a.given.json")
    shutil.copy(folder / "a.jpg", folder / "no-shot.jpg")
    (folder / "notes.txt").write_text("not a picture")
    done = run("measure", folder, "--json")
    assert done.exit_code == 0 and len(json.loads(done.stdout)) == 2
    assert "1 without a shot file passed over" in done.stderr
    done = run("measure", folder / "a.jpg", folder / "b.jpg", folder / "a.jpg", "--json")
    assert len(json.loads(done.stdout)) == 3 and done.stderr == ""


def test_asking_exits_3_and_still_prints_the_document(tmp_path, canned):
    canned(asking("braced"))
    done = run("measure", picture(tmp_path), "--json")
    assert done.exit_code == 3 and json.loads(done.stdout)["status"] == "needs_help"
    assert "Click the upper nock" in done.stderr
    done = run("measure", tmp_path / "bow.jpg")
    assert done.exit_code == 3 and "Click the upper nock" in done.stdout


def test_the_worst_of_several_decides_the_exit_status(tmp_path, canned):
    good, bad = picture(tmp_path), tmp_path / "bad.jpg"
    bad.write_text("not a picture")
    done = run("measure", good, bad, "--json")
    assert done.exit_code == 2
    assert [d["status"] for d in json.loads(done.stdout)] == ["measured", "refused"]
    canned(asking("braced"))
    assert run("measure", good, good).exit_code == 3
    assert run("measure", bad, good).exit_code == 2


def test_the_overlay_is_a_picture_of_the_photograph(tmp_path, canned):
    out = tmp_path / "over.png"
    assert run("measure", picture(tmp_path), "--overlay", out).exit_code == 0
    with Image.open(out) as drawn, Image.open(tmp_path / "bow.jpg") as photo:
        assert drawn.format == "PNG" and drawn.height > drawn.width  # the bow stands upright
        assert max(photo.size) > 2000
    assert sorted(p.name for p in tmp_path.iterdir()) == ["bow.jpg", "bow.shot.json", "over.png"]


def test_overlays_of_several_go_into_a_folder(tmp_path, canned):
    first, second, out = picture(tmp_path, "a.jpg"), picture(tmp_path, "b.jpg"), tmp_path / "drawn"
    assert run("measure", first, second, "--overlay", out).exit_code == 2
    out.mkdir()
    assert run("measure", first, second, "--overlay", out).exit_code == 0
    assert sorted(p.name for p in out.iterdir()) == ["a.overlay.png", "b.overlay.png"]


def test_overlays_of_pictures_called_alike_are_told_apart(tmp_path, canned):
    folders = [tmp_path / name for name in ("monday", "tuesday", "drawn")]
    for folder in folders:
        folder.mkdir()
    pictures = [picture(folders[0]), picture(folders[1], "Bow.JPG"), picture(folders[1], "c.jpg")]
    assert run("measure", *pictures, pictures[0], "--overlay", folders[2]).exit_code == 0
    made = sorted(p.name for p in folders[2].iterdir())
    assert made == ["c.overlay.png", "monday-bow.jpg-2.overlay.png", "monday-bow.jpg.overlay.png", "tuesday-Bow.JPG.overlay.png"]


@pytest.mark.reaches_the_net
def test_a_fault_in_one_picture_is_that_pictures_refusal_and_the_others_are_measured(tmp_path, monkeypatch):
    def fails(photo, *_):
        if photo.name == "b.jpg":
            raise ZeroDivisionError("nobody foresaw this")
        return from_truth(NAME, spots=False)

    monkeypatch.setattr(tillerlens.measure, "measure_photo", fails)
    done = run("measure", *(picture(tmp_path, name) for name in ("a.jpg", "b.jpg", "c.jpg")), "--json")
    documents = json.loads(done.stdout)
    assert done.exit_code == 2 and [d["status"] for d in documents] == ["measured", "refused", "measured"]
    assert documents[1]["reasons"][0]["code"] == "unforeseen" and "b.jpg" in done.stderr
    assert "Traceback" not in done.output and "nobody foresaw this" not in done.output
    assert "nobody foresaw this" in Path(os.environ["TILLERLENS_LOG"]).read_text()  # for a report


@pytest.mark.reaches_the_net
def test_an_overlay_that_fails_stops_no_other_picture(tmp_path, canned, monkeypatch):
    import tillerlens.report.overlay

    drawn = tillerlens.report.overlay.draw_overlay
    calls = []

    def fails(*given, **more):
        calls.append(given)
        if len(calls) == 1:
            raise ValueError("no such colour")
        return drawn(*given, **more)

    monkeypatch.setattr(tillerlens.report.overlay, "draw_overlay", fails)
    (tmp_path / "drawn").mkdir()
    pictures = [picture(tmp_path, name) for name in ("a.jpg", "b.jpg")]
    done = run("measure", *pictures, "--overlay", tmp_path / "drawn")
    assert done.exit_code == 2 and "Showing a.jpg failed" in done.stderr and "Traceback" not in done.output
    assert [p.name for p in (tmp_path / "drawn").iterdir()] == ["b.overlay.png"]


@pytest.mark.reaches_the_net
def test_a_log_that_cannot_be_written_is_told_in_a_sentence(tmp_path, monkeypatch):
    """In a process of its own: the handler belongs to the process."""
    photo = picture(tmp_path)
    code = (
        "import sys, tillerlens.photo.intake as i\n"
        "def fails(*_): raise ValueError('odd')\n"
        "i._decode = fails\n"
        "from tillerlens.cli.app import main\n"
        f"sys.argv = ['tillerlens', 'measure', {str(photo)!r}]\n"
        "main()"
    )
    (tmp_path / "file").write_text("")
    env = {**os.environ, "TILLERLENS_LOG": str(tmp_path / "file" / "log")}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=env, timeout=120)
    assert done.returncode == 2 and "Traceback" not in done.stderr
    assert "cannot be written" in done.stderr and "Reading bow.jpg failed" in done.stderr


def test_an_overlay_that_cannot_be_drawn_leaves_the_old_one(tmp_path, canned, monkeypatch):
    out = tmp_path / "over.png"
    out.write_bytes(b"old")

    def no_room(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", no_room)
    done = run("measure", picture(tmp_path), "--overlay", out)
    assert done.exit_code == 2 and "no room left" in done.stderr
    assert out.read_bytes() == b"old"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["bow.jpg", "bow.shot.json", "over.png"]


# --- bad input: exit 2 or 3, one sentence with what to do, a document for scripts, nothing half-written


def refused(photo, *more):
    """Run with an overlay wanted; the sentence on stderr, after all else about a refusal is checked."""
    out, before = photo.parent / "over.png", set(photo.parent.iterdir())
    done = run("measure", photo, *more, "--json", "--overlay", out)
    assert done.exit_code == 2
    document = json.loads(done.stdout)
    VALID.validate(document)
    assert document["status"] == "refused" and document["values"] == {}
    assert set(photo.parent.iterdir()) == before
    (reason,) = document["reasons"]
    assert done.stderr == f"{reason['text']} {reason['remedy']}\n"
    assert reason["text"].endswith(".") and len(reason["remedy"]) > 10
    return done.stderr


def huge_png(width=15000, height=14000):
    """A whole, honest one-bit PNG of 210 megapixels in a few kilobytes."""
    rows = zlib.compressobj(9)
    row = b"\0" + bytes((width + 7) // 8)
    data = b"".join(rows.compress(row) for _ in range(height)) + rows.flush()
    ihdr = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    chunks = [(b"IHDR", ihdr), (b"IDAT", data), (b"IEND", b"")]
    parts = [struct.pack(">I", len(b)) + k + b + struct.pack(">I", zlib.crc32(k + b)) for k, b in chunks]
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)


def test_a_cut_off_jpeg(tmp_path):
    photo = picture(tmp_path)
    photo.write_bytes(photo.read_bytes()[:200_000])
    assert "damaged or cut off" in refused(photo)


def test_a_text_file(tmp_path):
    photo = picture(tmp_path)
    photo.write_text("gap at 10 in: 5 3/8\n" * 50)
    assert "not a photograph" in refused(photo)


def test_a_picture_of_200_megapixels(tmp_path):
    photo = picture(tmp_path, "bow.png")
    photo.write_bytes(huge_png())
    assert photo.stat().st_size < 100_000
    begun = time.process_time()
    assert "beyond the limit of 100 megapixels" in refused(photo)
    assert time.process_time() - begun < 2.0  # told from the header, not decoded


def test_an_animated_picture(tmp_path):
    photo = picture(tmp_path, "bow.webp")
    frames = [Image.new("RGB", (640, 480), (60 * i, 0, 0)) for i in range(3)]
    frames[0].save(photo, save_all=True, append_images=frames[1:])
    assert "moving picture" in refused(photo)


def test_a_picture_that_is_not_there(tmp_path):
    assert "cannot be opened" in refused(tmp_path / "gone.jpg")


def test_no_shot_file(tmp_path):
    photo = picture(tmp_path)
    photo.with_suffix(".shot.json").unlink()
    assert "Write bow.shot.json beside it" in refused(photo)


def test_a_shot_file_that_names_another_photograph(tmp_path):
    assert "belongs to other.jpg" in refused(picture(tmp_path, photo="other.jpg"))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"standoff_in": 300}, "standoff is 300 in"),
        ({"bow_length_nock_to_nock_in": -66}, "length from nock to nock is -66 in"),
        ({"bow_length_nock_to_nock_in": 1e999}, "nock"),
        ({"scale": {**SHOT["scale"], "side_in": -4}}, "-4 in"),
        ({"clicks": {"nock_upper": [99999, 10]}}, "outside the picture"),
        ({"scale": {"kind": "tape", "length_in": 59}, "marks_px": [[425, 969], [27, -945]]}, "outside"),
        ({"clicks": {"nose": [900, 10]}}, "no place called 'nose'"),
        ({"clicks": {"nose": "there"}}, "clicks.nose' is not of the right form"),
        ({"scale_reading_lb": 0}, "draw weight is zero"),
    ],
)  # fmt: skip
def test_impossible_numbers(tmp_path, changes, words):
    assert words in refused(picture(tmp_path, **changes))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('{"state": "drawn", "state": "braced"}', "it names 'state' twice"),
        ('{"a":' * 5000, "nested too deeply"),
        ('{"a":' * 100 + "1" + "}" * 100, "far more than it should"),
        ("[1, 2]", "holds no named fields"),
        ("", "not JSON (line 1, column 1"),
        ('{"handle_in": ' + "9" * 5000 + "}", "not JSON"),
        ('{"handle_in": ' + "9" * 400 + "}", "far too large"),
        ('{"notes": "\\ud800"}', "characters that cannot be kept"),
        ('{"not\\u0000es": 1}', "name that cannot be kept"),
        ('{"handle_in": 1e999}', "'handle_in' is not a number"),
    ],
)
def test_shot_files_of_every_kind_of_damage(tmp_path, text, words):
    photo = picture(tmp_path)
    photo.with_suffix(".shot.json").write_text(text)
    assert words in refused(photo)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-32"])
def test_a_shot_file_in_another_encoding_is_read(tmp_path, canned, encoding):
    photo = picture(tmp_path)
    file = photo.with_suffix(".shot.json")
    file.write_text(file.read_text(), encoding=encoding)
    assert run("measure", photo).exit_code == 0


def test_a_folder_a_pipe_and_a_heap_for_a_shot_file(tmp_path):
    photo, pipe, heap = picture(tmp_path), tmp_path / "pipe.json", tmp_path / "heap.json"
    os.mkfifo(pipe)  # would be waited for without end
    heap.write_bytes(b" " * 3_000_000)
    for given, words in ((tmp_path, "is a folder"), (pipe, "is a pipe"), (heap, "2 MB is the most")):
        assert words in refused(photo, "--shot", given)


def test_a_shot_file_that_is_no_json(tmp_path):
    photo = picture(tmp_path)
    shot = tmp_path / "mine.json"
    shot.write_text("standoff: 2")
    assert "not JSON" in refused(photo, "--shot", shot)


def test_a_png_by_the_name_of_a_jpeg_is_measured_with_a_note(tmp_path):
    """The whole chain: the same pixels in another wrapping give the same bow."""
    photo = picture(tmp_path)
    with Image.open(photo) as opened:
        opened.save(tmp_path / "as.png", exif=opened.getexif())
    (tmp_path / "as.png").rename(photo)
    done = run("measure", photo, "--json")
    document = json.loads(done.stdout)
    VALID.validate(document)
    assert done.exit_code == 0 and "renamed" in {r["code"] for r in document["reasons"]}
    jpeg = json.loads(run("measure", SAMPLES / f"{NAME}.jpg", "--json").stdout)
    assert document["values"] == jpeg["values"]


# --- the bow at rest


def rest_document(folder, **changes):
    document = from_truth("heron-unstrung", spots=False).as_document()
    (folder / "rest.json").write_text(json.dumps({**document, **changes}))
    return folder / "rest.json"


def test_a_measurement_at_rest_is_handed_on(tmp_path, monkeypatch):
    seen = []

    def measured(photo, shot, rest):
        seen.append(rest)
        return from_truth("heron-braced-upright", spots=False)

    monkeypatch.setattr(tillerlens.measure, "measure_photo", measured)
    length = {"bow_length_nock_to_nock_in": 66.0}  # as the made-up measurement at rest says
    rest = rest_document(tmp_path, shot={**SHOT, **length})
    assert run("measure", picture(tmp_path, **length), "--rest", rest).exit_code == 0
    assert as_json(seen[0]) == as_json(read_one(rest))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"format": "something"}, "not a measurement document"),
        ({"values": 3}, "not of the right form"),
        ({"state": "braced"}, "not a measurement of the bow unstrung"),
        ({"shot": {**SHOT, "bow_length_nock_to_nock_in": 60.0}}, "different lengths"),
    ],
)
def test_a_wrong_measurement_at_rest_is_refused(tmp_path, changes, words):
    photo = picture(tmp_path)
    assert words in refused(photo, "--rest", rest_document(tmp_path, **changes))


# --- bad usage


@pytest.mark.parametrize(
    "arguments",
    [
        ["measure"],
        ["measure", "bow.jpg", "--nonsense"],
        ["measure", "bow.jpg", "other.jpg", "--shot", "bow.shot.json"],
        ["measure", "bow.jpg", "--overlay", "bow.txt"],
        ["measure", "bow.jpg", "--overlay", "nowhere/over.png"],
        ["measure", "empty"],
        ["tags", "out.pdf", "--paper", "papyrus"],
        ["tags", "out.pdf", "--side", "-4in"],
        ["tags", "out.pdf", "--side", "four"],
        ["tags", "nowhere/out.pdf"],
    ],
)
def test_bad_usage_exits_2_and_writes_nothing(tmp_path, monkeypatch, arguments):
    monkeypatch.chdir(tmp_path)
    picture(tmp_path)
    Path("empty").mkdir()
    before = sorted(tmp_path.rglob("*"))
    done = run(*arguments)
    assert done.exit_code == 2 and len(done.stderr) > 20 and "Traceback" not in done.stderr
    assert sorted(tmp_path.rglob("*")) == before


def test_the_overlay_never_overwrites_the_photograph(tmp_path):
    photo = tmp_path / "bow.png"
    Image.fromarray(np.full((500, 700, 3), 128, np.uint8)).save(photo)
    before = photo.read_bytes()
    assert run("measure", photo, "--overlay", photo).exit_code == 2
    assert photo.read_bytes() == before


# --- tags, version, speed


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_tag_sheets_are_a_pdf(tmp_path, paper):
    done = run("tags", tmp_path / "tags.pdf", "--paper", paper, "--side", "100mm")
    assert done.exit_code == 0 and "ruler" in done.stdout
    assert (tmp_path / "tags.pdf").read_bytes()[:5] == b"%PDF-"


def test_version():
    assert run("--version").stdout == f"tillerlens {tillerlens.__version__}\n"


def test_help_is_quick_and_loads_nothing_heavy():
    code = "import sys\nfrom tillerlens.cli.app import app as cli\ntry: cli(['--help'])\nexcept SystemExit: pass\n"
    code += "heavy = {'numpy', 'cv2', 'scipy', 'PIL', 'jsonschema', 'streamlit'} & set(sys.modules)\n"
    code += "sys.exit(', '.join(heavy) or 0)"
    seconds = []
    for _ in range(3):
        begun = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime  # not the clock: a busy machine is slow
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
        seconds.append(resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - begun)
        assert done.returncode == 0, f"imported: {done.stderr}"
    assert "measure" in done.stdout and min(seconds) < 1.0  # 0.3 s on two idle cores


@pytest.mark.parametrize("command", ["tell", "scrape", "whatif"])
def test_the_bench_says_that_a_front_view_stands_in_for_calipers(command):
    said = " ".join(run("bench", command, "--help").stdout.replace("│", " ").split())
    assert "belly or back stands in for calipers" in said
