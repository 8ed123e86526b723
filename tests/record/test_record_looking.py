"""A record opened for looking only, or lying where nothing may be written: everything can be seen and nothing changes."""

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from tests.record.test_record import FIXTURES
from tests.support.shop import add_stage, fill, place, record, server  # noqa: F401
from tillerlens.record import Bow, LookingOnly, RecordError, open_record, store, tidy
from tillerlens.record.database import SCHEMAS
from tillerlens.record.exchange import export
from tillerlens.record.thumbnails import thumbnail
from tillerlens.record.views import shelf, timeline

# ruff: noqa: F811  # fixtures come by import


def everything_in(folder):
    return {p.relative_to(folder): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_everything_can_be_seen_and_every_write_is_refused_in_a_sentence(place, record, tmp_path):
    bow = fill(record)
    stage = add_stage(record, bow, seed=9, size=(640, 480))
    before = everything_in(record.folder / "originals")
    with open_record(*place, looking=True) as seen:
        assert seen.looking and not record.looking
        assert [r.bow for r in shelf(seen)] == [bow] and len(timeline(seen, bow.id).stages) == 4
        assert store.original(seen, stage) and thumbnail(seen, stage)
        export(seen, tmp_path / "out.zip")
        note = store.list_events(seen, bow.id, "note")[0]
        for change in (
            lambda: store.add_bow(seen, Bow("Wren")),
            lambda: store.update_bow(seen, replace(bow, wood="elm")),
            lambda: store.remove_bow(seen, bow.id),
            lambda: add_stage(seen, bow, seed=77),
            lambda: store.remove_stage(seen, stage.id),
            lambda: store.correct_stage(seen, stage, {**stage.shot, "standoff_in": 1.0}, "Maker"),
            lambda: store.remove_event(seen, note.id),
            lambda: tidy.sweep(seen),
        ):
            with pytest.raises(LookingOnly, match="open for looking only"):
                change()
    assert (store.list_bows(record), len(store.list_stages(record))) == ([bow], 4)
    assert everything_in(record.folder / "originals") == before
    assert not (record.folder / "thumbnails").exists()


def test_looking_makes_nothing_where_nothing_is(tmp_path):
    with pytest.raises(RecordError, match="There is no record in"):
        open_record(tmp_path / "none", looking=True)
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty" / "record.sqlite").touch()
    with pytest.raises(RecordError, match="database is empty"):
        open_record(tmp_path / "empty", looking=True)
    assert everything_in(tmp_path) == {Path("empty/record.sqlite"): b""}


def test_an_empty_database_on_a_server_is_no_record_to_look_at(place, tmp_path):
    if len(place) < 2:
        pytest.skip("of a server only")
    with pytest.raises(RecordError, match="There is no record at"):
        open_record(*place, looking=True)


@pytest.mark.parametrize("version", SCHEMAS[:-1])
def test_an_older_record_is_looked_at_in_a_copy(tmp_path, version):
    with closing(sqlite3.connect(tmp_path / "record.sqlite")) as connection:
        connection.executescript((FIXTURES / f"record-{version}.sql").read_text())
    before = everything_in(tmp_path)
    with open_record(tmp_path, looking=True) as seen:
        assert [s.status for s in store.list_stages(seen)] == ["measured", "unmeasured"]
        copy = seen.copy
        assert copy.exists()
        with pytest.raises(LookingOnly):
            store.add_bow(seen, Bow("Wren"))
    assert everything_in(tmp_path) == before and not copy.exists()


COMMANDS = """
import json, sys
from typer.testing import CliRunner
from tillerlens.cli.app import app
got = [CliRunner().invoke(app, words) for words in json.loads(sys.argv[1])]
print(json.dumps([(g.exit_code, g.stdout, g.stderr) for g in got]))
"""


def without_rights(*commands):
    """What commands give that somebody runs who may write nothing here, even where root runs the tests: (status, out, err)."""
    root = os.getuid() == 0
    if root and not shutil.which("setpriv"):
        pytest.skip("root writes everywhere, and setpriv is not here to stop it")
    caps = ["setpriv", "--bounding-set=-dac_override,-dac_read_search,-fowner", "--inh-caps=-all", "--"] if root else []
    command = [*caps, sys.executable, "-c", COMMANDS, json.dumps(commands)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stderr) == (0, ""), done
    return json.loads(done.stdout)


@pytest.fixture
def locked():
    """A folder to be closed to writers, somebody else's where root runs the tests."""
    folder = Path("/tmp") / f"tillerlens-locked-{os.getpid()}"
    folder.mkdir()
    yield folder
    shutil.rmtree(folder)


@pytest.mark.skipif(os.name != "posix", reason="rights as on Unix")
@pytest.mark.parametrize("log", ["none", "pending", "empty"])
def test_a_record_in_a_folder_that_takes_no_writes_can_be_listed(locked, log):
    home = locked / "record"
    with open_record(home) as record:
        bow = fill(record)
        if log == "pending":  # as copied from under a running program: the last changes are in the log only
            shutil.copytree(home, locked / "copy", ignore=shutil.ignore_patterns("*-shm"))
            home = locked / "copy"
    if log == "empty":
        (home / "record.sqlite-wal").touch()
    waiting = home / "record.sqlite-wal"
    assert {"none": not waiting.exists(), "pending": log == "pending" and waiting.stat().st_size > 0, "empty": True}[log]
    for path in (home, *home.rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)
        if os.getuid() == 0:
            os.chown(path, 65534, 65534)
    before = everything_in(home)
    seen = {
        ("bow", "list"): "Heron  hazel  stages 3",
        ("bow", "show", "heron"): "Heron:3",
        ("stage", "list", "heron"): "Heron:3",
        ("shelf",): "Heron",
    }
    at = ("--record", str(home))
    *done, refused = without_rights(*((*words, *at) for words in seen), ("bow", "change", bow.id, "wood=elm", *at))
    for (status, out, err), words in zip(done, seen.values(), strict=True):
        assert (status, err) == (0, "") and words in out
    status, _, err = refused
    assert status == 2 and "open for looking only" in err and "Traceback" not in err
    assert everything_in(home) == before


def test_a_server_that_takes_no_writes_is_opened_for_looking(place, record):
    if len(place) < 2:
        pytest.skip("of a server only")
    bow = fill(record)
    with open_record(f"{place[0]}&options=-c%20default_transaction_read_only%3Don", place[1]) as seen:
        assert seen.looking and store.list_bows(seen) == [bow]
