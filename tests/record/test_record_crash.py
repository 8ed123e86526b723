"""The record under bad luck: killed at any moment, written by two at once, on a full disk. Real processes, real signals."""

import multiprocessing
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import traceback
import types
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from tests.support.shop import BEGIN, add_stage, place, record, server, shot_of, small_document, small_picture  # noqa: F401
from tillerlens.record import Bow, ChangedMeanwhile, Event, RecordError, open_record, store, tidy

# ruff: noqa: F811  # fixtures come by import
KILLS = 200
pytestmark = pytest.mark.skipif(os.name != "posix", reason="processes are forked and killed as on Unix")


@pytest.fixture(scope="module")
def processes():
    """Processes of their own. A new one runs the main module again, and after a visit to a page that is the app."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(sys.modules, "__main__", types.ModuleType("__main__"))
        yield multiprocessing.get_context("spawn")


# --- killed: a process that has everything imported forks off one after the other to be killed


def write_until_killed(place, bow_id, seed):
    """Save and correct stages for ever; the identity of each is said once it has been acknowledged."""
    with open_record(place) as record:
        for n in range(10_000):
            stage = add_stage(record, Bow("", id=bow_id), seed=(seed, n), document=small_document(shot=shot_of()))
            say(f"{stage.id} {seed} {n}")
            if n % 3 == 0:
                shot = {**stage.shot, "standoff_in": 2.5}
                store.correct_stage(record, stage, shot, "Maker", document=small_document(shot=shot))


def open_and_stay(place, bow_id, seed):
    with open_record(place):
        say("open")
    time.sleep(60)


def say(line):
    os.write(1, f"{line}\n".encode())  # so short a write to a pipe is whole or not there


def serve():
    with tempfile.TemporaryDirectory() as folder, open_record(folder) as record:  # everything is imported and compiled here
        add_stage(record, store.add_bow(record, Bow("Heron")))
    for line in sys.stdin:
        task, place, bow_id, seed = line.rstrip("\n").split("\t")
        child = os.fork()
        if child == 0:
            try:
                globals()[task](place, bow_id, int(seed))
            finally:
                traceback.print_exc()
                os._exit(1)
        say(f"pid {child}")
        say(f"gone {os.waitpid(child, 0)[1]}")


@pytest.fixture(scope="module")
def forge():
    code = f"import sys; sys.path[:0] = {sys.path!r}; import {__name__} as t; t.serve()"
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    with (
        tempfile.TemporaryDirectory() as folder,
        subprocess.Popen(
            [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1, env=environment
        ) as process,
    ):
        run_and_kill(process, "open_and_stay", folder, acknowledged=1)  # waits for the imports
        yield process
        process.stdin.close()
        assert process.wait(20) == 0


def run_and_kill(forge, task, place, bow_id="", seed=0, seconds=0.0, acknowledged=0):
    """Run a task, end it by SIGKILL after so long or so many acknowledgements; what it said meanwhile."""
    forge.stdin.write(f"{task}\t{place}\t{bow_id}\t{seed}\n")
    said, child = [], None
    while child is None or len(said) < acknowledged:
        line = forge.stdout.readline().split()
        assert line[0] != "gone", "it ended by itself"
        if line[0] == "pid":
            child = int(line[1])
        else:
            said.append(line)
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)
    while (line := forge.stdout.readline().split())[0] != "gone":
        said.append(line)
    assert int(line[1]) == signal.SIGKILL
    return said


def time_of(forge, task, place, bow_id="", seed=0, acknowledged=1):
    """How long this machine takes for so much, so that the random moments lie within the work."""
    begun = time.monotonic()
    run_and_kill(forge, task, place, bow_id, seed, acknowledged=acknowledged)
    return min(0.5, time.monotonic() - begun)


def check_whole(record, stages):
    for stage in stages:
        assert stage.status == "measured"
        assert store.original(record, stage)  # which holds it to its hash
        assert store.measurement(record, stage.id).shot.as_dict() == stage.shot


@pytest.mark.slow
def test_killed_at_200_random_moments_nothing_acknowledged_is_lost(tmp_path, forge):
    chance, place = random.Random(20260), tmp_path / "record"
    with open_record(place) as record:
        bow = store.add_bow(record, Bow("Heron"))
    span = time_of(forge, "write_until_killed", place, bow.id, KILLS, acknowledged=4)
    promised, checked = {}, set()
    for attempt in range(KILLS):
        lines = run_and_kill(forge, "write_until_killed", place, bow.id, attempt, chance.uniform(0, span))
        promised |= {id: (int(seed), int(n)) for id, seed, n in lines}
        with open_record(place) as record:
            stages = store.list_stages(record, bow.id)
            assert promised.keys() <= {s.id for s in stages}
            check_whole(record, [s for s in stages if s.id not in checked])
            checked |= {s.id for s in stages}
    with open_record(place) as record:
        stages = store.list_stages(record, bow.id)
        check_whole(record, stages)
        assert all(store.original(record, s) == small_picture(promised[s.id]) for s in stages if s.id in promised)
        assert len({s.sequence for s in stages}) == len(stages)
        with closing(sqlite3.connect(place / "record.sqlite")) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        for path in (place / "incoming").iterdir():
            os.utime(path, (1, 1))
        swept = tidy.sweep(record)
        assert {p.name for p in place.glob("originals/*/*")} == {s.sha256 for s in stages}
        assert not list((place / "incoming").iterdir())
    print(
        f"{KILLS} kills within {span:.2f} s, {len(promised)} stages acknowledged, {len(stages)} kept, {len(swept)} orphans swept"
    )
    assert len(promised) >= 20  # the writer was really at work


@pytest.mark.slow
def test_killed_while_migrating_the_record_is_old_or_new(tmp_path, forge):
    chance = random.Random(4)
    old_record(tmp_path / "first")
    span = time_of(forge, "open_and_stay", tmp_path / "first")
    for attempt in range(20):
        place = tmp_path / str(attempt)
        old_record(place)
        run_and_kill(forge, "open_and_stay", place, seconds=chance.uniform(0, span))
        with open_record(place) as record:
            assert [s.status for s in store.list_stages(record)] == ["measured", "unmeasured"]


def old_record(folder):
    folder.mkdir(exist_ok=True)
    with closing(sqlite3.connect(folder / "record.sqlite")) as connection:
        connection.executescript((Path(__file__).parents[1] / "fixtures" / "record-0001.sql").read_text())


# --- two at once


def add_many(place, bow_id, who, count):
    with open_record(*place) as record:
        for n in range(count):
            add_stage(record, Bow("", id=bow_id), "unstrung", seed=(who, n))
            store.add_event(record, Event(bow_id, "note", BEGIN + timedelta(minutes=n), notes=f"{who} {n}"))
            while True:
                bow = store.get_bow(record, bow_id)
                try:
                    store.update_bow(record, replace(bow, notes=f"{bow.notes}{who} {n};"))
                    break
                except ChangedMeanwhile:
                    pass


def run_at_once(processes, target, argument_lists):
    running = [processes.Process(target=target, args=arguments) for arguments in argument_lists]
    for process in running:
        process.start()
    for process in running:
        process.join(60)
    assert [p.exitcode for p in running] == [0] * len(running)


def test_two_processes_write_the_same_bow_and_nothing_is_lost(place, record, processes):
    count = 15
    bow = store.add_bow(record, Bow("Heron"))
    run_at_once(processes, add_many, [(place, bow.id, who, count) for who in (1, 2)])
    said = {f"{who} {n}" for who in (1, 2) for n in range(count)}
    stages = store.list_stages(record, bow.id)
    assert sorted(s.sequence for s in stages) == list(range(2 * count))
    check_whole(record, stages)
    assert {e.notes for e in store.list_events(record, bow.id)} == said
    now = store.get_bow(record, bow.id)
    assert sorted(now.notes.split(";")[:-1]) == sorted(said) and now.version == 2 * count


def only_open(place):
    with open_record(*place) as record:
        store.list_bows(record)


@pytest.mark.parametrize("old", [False, True])
def test_several_open_a_new_or_an_old_record_at_once(tmp_path, processes, old):
    if old:
        old_record(tmp_path)
    run_at_once(processes, only_open, [((tmp_path,),)] * 4)
    assert len(list(tmp_path.glob("backups/*"))) == old


def test_several_open_a_new_record_on_a_server_at_once(place, processes):
    run_at_once(processes, only_open, [(place,)] * 3)
    with open_record(*place) as record:
        assert store.list_bows(record) == []


# --- a full disk


FILL = """
import resource, signal, sys
sys.path[:0] = {path!r}
from tests.support.shop import Bow, add_stage, open_record, store
from tillerlens.record import RecordError
{limit}
with open_record({place!r}) as record:
    bow = store.add_bow(record, Bow("Heron"))
    for n in range(500):
        try:
            stage = add_stage(record, bow, seed=n, size=({width}, 300))
        except RecordError as error:
            print("full", error)
            break
        print(stage.id, flush=True)
"""


def fill_up(place, limit="", width=400):
    code = FILL.format(path=[str(Path(__file__).parents[2])], place=str(place), limit=limit, width=width)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    *kept, last = done.stdout.splitlines()
    assert last.startswith("full There is no room left on the disk of ") and "Make room" in last, last
    assert "Traceback" not in done.stderr
    return kept


def check_after_full(place, kept):
    with open_record(place) as record:
        stages = store.list_stages(record)
        assert {s.id for s in stages} == set(kept)
        check_whole(record, stages)
        assert {p.name for p in place.glob("originals/*/*")} == {s.sha256 for s in stages}  # the one too many is gone
        assert not list((place / "incoming").iterdir())


@pytest.fixture
def small_disk(tmp_path):
    disk = tmp_path / "disk"
    disk.mkdir()
    if (
        not shutil.which("mount")
        or subprocess.run(["mount", "-t", "tmpfs", "-o", "size=3m", "none", disk], capture_output=True).returncode
    ):
        pytest.skip("no small disk can be mounted here; only root may")
    yield disk
    subprocess.run(["umount", disk], check=True)


def test_a_full_disk_is_told_and_nothing_is_half_kept(small_disk):
    ballast, place = small_disk / "ballast", small_disk / "record"
    ballast.write_bytes(bytes(600_000))
    kept = fill_up(place)
    assert 2 < len(kept) < 60
    with open_record(place) as record:  # what is there can be read on the full disk
        check_whole(record, store.list_stages(record))
    ballast.unlink()
    check_after_full(place, kept)
    with open_record(place) as record:
        add_stage(record, store.find_bow(record, "Heron"), seed=1000)


@pytest.mark.parametrize(("bytes_", "width"), [(600_000, 100), (60_000, 900)])
def test_a_limit_on_files_is_told_and_nothing_is_half_kept(tmp_path, bytes_, width):
    """The limit stops the database's files in the first case, the picture's own in the second."""
    with open_record(tmp_path / "record"):
        pass
    limit = f"signal.signal(signal.SIGXFSZ, signal.SIG_IGN); resource.setrlimit(resource.RLIMIT_FSIZE, ({bytes_}, {bytes_}))"
    check_after_full(tmp_path / "record", fill_up(tmp_path / "record", limit, width))


def test_no_room_before_the_first_byte(tmp_path, monkeypatch):
    with open_record(tmp_path) as record:
        bow = store.add_bow(record, Bow("Heron"))

        def no_room(*_):
            raise OSError(28, "No space left on device")

        monkeypatch.setattr("os.fsync", no_room)
        with pytest.raises(RecordError, match="no room left"):
            add_stage(record, bow)
        monkeypatch.undo()
        assert store.list_stages(record) == [] and not list((tmp_path / "incoming").iterdir())
