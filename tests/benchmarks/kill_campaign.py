"""Processes that write a record, and the server that holds one, killed at random moments: nothing acknowledged may be lost.

    .venv/bin/python tests/benchmarks/kill_campaign.py [--kills 1000] [--minutes 15] [--seed 1] [--no-server]

Each kill is a SIGKILL somewhere in adding, importing, measuring anew, tidying or laying a picture on the bench, on SQLite or
PostgreSQL, or of the PostgreSQL server itself, which is then started again. Every process has its clock set back or forward by
up to 400 days. After each kill what it had acknowledged is looked for; at the end of each round the record is tidied and
checked whole. Prints a line for each task and exits with 1 when anything was lost or is wrong.
"""

import argparse
import contextlib
import datetime as calendar
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path
from types import SimpleNamespace

sys.path[:0] = [str(Path(__file__).parents[2])]

from tests.support.shop import add_stage, shot_of, small_document, small_picture  # noqa: E402
from tillerlens.record import Bow, RecordError, entries, identity, open_record, originals, store, tidy  # noqa: E402
from tillerlens.record.check import check  # noqa: E402
from tillerlens.record.exchange import apply_import, export, plan_import  # noqa: E402
from tillerlens.ui import workspace  # noqa: E402

ROUND = 50  # kills between two new records
ZIPS = 24
DAYS = 400


def say(*words):
    os.write(1, (" ".join(map(str, words)) + "\n").encode())  # so short a write to a pipe is whole or not there


# --- what is killed: each says what it has been told is kept


def add(record, bow, seed, zips):
    for n in range(10_000):
        stage = add_stage(record, bow, seed=(seed, n), document=small_document())
        say("stage", stage.id)
        if n % 3 == 0:
            shot = {**stage.shot, "standoff_in": 2.5}
            changed = store.correct_stage(record, stage, shot, "Maker", document=small_document(shot=shot))
            say("corrected", changed.id)


def take_in(record, bow, seed, zips):
    for path in zips[seed % len(zips) :] + zips[: seed % len(zips)]:
        apply_import(record, plan_import(record, path))
        say("bow", path.stem)


def measure_anew(record, bow, seed, zips):
    stages = store.list_stages(record, bow.id) or [add_stage(record, bow, seed=(seed, 99_999), document=small_document())]
    for n in range(10_000):
        value = round(20 + random.random() * 10, 3)
        stage = stages[n % len(stages)]
        document = small_document(shot=stage.shot, reflex=value)
        say("was", stage.id, store.measurement(record, stage.id).values["reflex"].value)
        say("trying", stage.id, value)
        store.save_measurement(record, stage.id, document)
        say("measured", stage.id, value)


def clean_up(record, bow, seed, zips):
    for n in range(10_000):
        one, two = (add_stage(record, bow, seed=(seed, n, k), document=small_document()) for k in (1, 2))
        say("stage", one.id)
        store.remove_stage(record, two.id)
        say("removed", two.id)
        tidy.sweep(record, tidy.plan_sweep(record))


def upload(record, bow, seed, zips):
    for n in range(10_000):
        laid = workspace.lay_down(record.folder, small_picture((seed, n)), "a.jpg", bow.id, shot_of())
        say("laid", laid.sha256)


TASKS = {"add": add, "import": take_in, "remeasure": measure_anew, "tidy": clean_up, "upload": upload}


def set_clock(seconds):
    """Let this process live so many seconds from now, in the record's times, the bin's days and the age of files."""
    real = time.time
    time.time = lambda: real() + seconds
    entries.time = SimpleNamespace(time=time.time)

    class Day(calendar.date):
        @classmethod
        def today(cls):
            return cls.fromtimestamp(time.time())

    tidy.date = Day


def start(task, place, bow, seed, zips, clock):
    """Fork a process that works on a record until it is killed; its pid and the end of the pipe that it speaks into."""
    out, into = os.pipe()
    child = os.fork()
    if child:
        os.close(into)
        return child, out
    try:
        os.close(out)
        os.dup2(into, 1)
        random.seed(seed)
        set_clock(clock)
        with open_record(*place) as record:
            say("open")
            TASKS[task](record, bow, seed, zips)
    except RecordError as error:  # the server went
        say("told", type(error).__name__)
        time.sleep(60)
    except BaseException:
        say("broke", repr(traceback.format_exc()[-3000:]))
    finally:
        os._exit(1)


def read_all(out):
    said = b""
    with os.fdopen(out, "rb") as pipe:
        said = pipe.read()
    return [line.split(" ", 2) for line in said.decode().splitlines()]


# --- a server that can be killed


class Server:
    """A PostgreSQL server of our own, with its data forced to the disk as usual."""

    def __init__(self):
        self.binaries = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))[-1].parent
        self.runner = ["runuser", "-u", "postgres", "--"] if os.getuid() == 0 else []
        self.home = Path(tempfile.mkdtemp(prefix="tillerlens-pg-", dir="/tmp"))
        self.home.chmod(0o777)
        self.data = self.home / "data"
        self.run("initdb", "-D", self.data, "-U", "maker", "-A", "trust", "-E", "UTF8")
        self.begin()

    def run(self, program, *arguments):
        command = [*self.runner, str(self.binaries / program), *map(str, arguments)]
        silent = {"stdin": subprocess.DEVNULL, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        return subprocess.run(command, cwd=self.home, timeout=180, check=True, **silent)

    def begin(self):
        for attempt in range(20):
            try:
                options = f"-c listen_addresses= -k {self.home}"
                self.run("pg_ctl", "-D", self.data, "-w", "-t", "120", "-l", self.home / "log", "-o", options, "start")
                return
            except subprocess.CalledProcessError:  # the killed one's last children still hold its memory
                if attempt == 19:
                    raise
                time.sleep(0.5)

    def kill(self):
        pid = int((self.data / "postmaster.pid").read_text().split()[0])
        os.kill(pid, signal.SIGKILL)

    def new(self, name):
        import psycopg

        with psycopg.connect(self.address("postgres"), autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}")
        return self.address(name)

    def address(self, name):
        return f"postgresql://maker@/{name}?host={self.home}"

    def end(self):
        with contextlib.suppress(subprocess.CalledProcessError):
            self.run("pg_ctl", "-D", self.data, "-w", "-m", "immediate", "stop")
        shutil.rmtree(self.home, ignore_errors=True)


# --- what must hold


class Promises:
    """What processes have said is kept, held against the record."""

    def __init__(self, bow):
        self.bow, self.stages, self.removed, self.bows, self.laid = bow, set(), set(), set(), set()
        self.values, self.faults = {}, []
        self.count = 0

    def take(self, said):
        trying = {}
        for kind, *words in said:
            if kind in ("stage", "corrected"):
                self.stages.add(words[0])
            elif kind == "removed":
                self.removed.add(words[0])
            elif kind == "bow":
                self.bows.add(words[0])
            elif kind == "laid":
                self.laid.add(words[0])
            elif kind == "was":
                self.values.setdefault(words[0], {float(words[1])})
            elif kind == "trying":
                trying[words[0]] = float(words[1])
            elif kind == "measured":
                self.values[words[0]] = {float(words[1])}
                trying.pop(words[0], None)
            elif kind == "broke":
                self.faults.append(words[-1])
            self.count += kind in ("stage", "corrected", "removed", "bow", "laid", "measured")
        for id, value in trying.items():  # committed or not, before it could be said
            self.values.setdefault(id, set()).add(value)

    def hold(self, record):
        there = {s.id: s for s in store.list_stages(record)}
        for id in self.stages - there.keys():
            self.faults.append(f"the stage {id} is lost")
        for id in self.removed & there.keys():
            self.faults.append(f"the removed stage {id} is back")
        for id in self.bows - {b.id for b in store.list_bows(record)}:
            self.faults.append(f"the bow {id} is lost")
        for id, values in self.values.items():
            found = store.measurement(record, id).values["reflex"].value
            if found not in values or found != there[id].values["reflex"]["value"]:
                self.faults.append(f"the stage {id} says {found}, and not one of {sorted(values)}")
        for sha256 in self.laid:
            picture = workspace.pick_up(record.folder, self.bow.id, sha256)
            if picture is None or not workspace.picture_of(record.folder, picture):
                self.faults.append(f"the picture {sha256} on the bench is lost")

    def hold_whole(self, record):
        self.hold(record)
        for path in [*(record.folder / "incoming").iterdir(), *(record.folder / "bench").glob("*/*"),
                     *(record.folder / "originals").glob("??/.*"), *record.folder.glob(".*")]:  # fmt: skip
            if path.is_file():
                os.utime(path, (1, 1))  # as if it had lain there for long
        moved = len(tidy.sweep(record))
        used = {s.sha256 for s in store.list_stages(record)}
        lying = {p.name for p in identity.originals_in(record.folder)}
        if lying != used or any((record.folder / "incoming").iterdir()):
            self.faults.append(f"after tidy: {len(lying - used)} orphans, {len(used - lying)} missing")
        self.faults += [f"{f.about}: {f.text}" for f in check(record)]
        for stage in store.list_stages(record, self.bow.id):
            if not originals.is_whole(originals.place_of(record.folder, stage.sha256), stage.sha256):
                self.faults.append(f"the original of {stage.id} is damaged")
        return moved


def make_zips(folder):
    with open_record(folder / "source") as record:
        for n in range(ZIPS):
            bow = store.add_bow(record, Bow(f"Bow {n}"))
            for k in range(3):
                add_stage(record, bow, seed=(7, n, k), document=small_document())
            export(record, folder / f"{bow.id}.zip", [bow.id])
    return sorted(folder.glob("*.zip"))


def main():
    given = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    given.add_argument("--kills", type=int, default=1000)
    given.add_argument("--minutes", type=float, default=15)
    given.add_argument("--seed", type=int, default=1)
    given.add_argument("--no-server", action="store_true")
    given = given.parse_args()
    chance = random.Random(given.seed)
    end = time.monotonic() + 60 * given.minutes
    home = Path(tempfile.mkdtemp(prefix="tillerlens-kills-"))
    (home / "zips").mkdir()
    zips = make_zips(home / "zips")
    server = None if given.no_server else Server()
    kills, acknowledged, faults, moved = Counter(), Counter(), [], 0
    try:
        number = 0
        while sum(kills.values()) < given.kills and time.monotonic() < end:
            number += 1
            on_server = server is not None and number % 3 == 0
            folder = home / f"round-{number}"
            place = (server.new(f"round_{number}"), folder) if on_server else (folder,)
            with open_record(*place) as record:
                bow = store.add_bow(record, Bow("Heron"))
            promises = Promises(bow)
            for attempt in range(min(ROUND, given.kills - sum(kills.values()))):
                if time.monotonic() > end:
                    break
                task = chance.choice(list(TASKS))
                clock = chance.choice([0, -1, 1]) * chance.uniform(0, 86_400 * DAYS)
                seed = number * 1000 + attempt
                child, out = start(task, place, bow, seed, zips, clock)
                wait = chance.uniform(0, 0.6)
                time.sleep(wait)
                name = task
                if on_server and chance.random() < 0.25:
                    server.kill()
                    name = "server"
                    time.sleep(chance.uniform(0, 0.1))
                os.kill(child, signal.SIGKILL)
                os.waitpid(child, 0)
                said = read_all(out)
                if name == "server":
                    server.begin()
                before = promises.count
                promises.take(said)
                kills[name + (" (PostgreSQL)" if on_server and name != "server" else "")] += 1
                acknowledged[task] += promises.count - before
                with open_record(*place) as record:
                    promises.hold(record)
                if promises.faults:
                    break
            with open_record(*place) as record:
                moved += promises.hold_whole(record)
            if promises.faults:
                faults += [f"round {number}: {f}" for f in promises.faults]
                print(*promises.faults, sep="\n", flush=True)
                break
            shutil.rmtree(folder)
            print(f"{sum(kills.values())} kills, {sum(acknowledged.values())} acknowledged, nothing lost", flush=True)
    finally:
        if server is not None:
            server.end()
        if not faults:
            shutil.rmtree(home, ignore_errors=True)
    for name, count in sorted(kills.items()):
        print(f"  {name:24} {count:5} kills")
    print(f"{sum(kills.values())} kills, {sum(acknowledged.values())} acknowledged {dict(acknowledged)}, {len(faults)} faults, "
          f"{moved} left-overs moved to the bin")  # fmt: skip
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
