"""A made-up shop for the record's tests: small pictures, invented bows, and a PostgreSQL server of the tests' own."""

import copy
import io
import json
import os
import shutil
import subprocess
import uuid
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tests.support.made_up import SAMPLES, from_truth
from tillerlens.core.measurement import measurement_of
from tillerlens.core.shot_file import read_shot
from tillerlens.record import Bow, Event, open_record, store
from tillerlens.record.entries import read_details

BEGIN = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)
NAMES = {"unstrung": "heron-unstrung", "braced": "heron-braced", "drawn": "heron-drawn-27"}


def small_picture(seed=0, size=(48, 36)):
    """A JPEG of a few kilobytes; every seed another one."""
    noise = np.random.default_rng(seed).integers(0, 255, (*size[::-1], 3), np.uint8)
    out = io.BytesIO()
    Image.fromarray(noise).save(out, "JPEG", quality=80)
    return out.getvalue()


@cache
def _made(state):
    shot = read_shot(json.loads((SAMPLES / f"{NAMES[state]}.shot.json").read_text())).as_dict()
    return shot, from_truth(NAMES[state], spots=False).as_document()


def shot_of(state="unstrung", **changes):
    return read_shot({**copy.deepcopy(_made(state)[0]), **changes}).as_dict()


def document_of(*of, **more):
    """The measurement of ``printed``."""
    return measurement_of(printed(*of, **more))


def printed(state="unstrung", shot=None, made_by="1.0", **values):
    """A measurement document with the truth's values (and those given, in mm) and invented uncertainties."""
    document = copy.deepcopy(_made(state)[1])
    document |= {"shot": shot or shot_of(state), "made_by": made_by, "photo": {"name": "made-up.jpg"}}
    for name, value in values.items():
        document["values"][name] = {"value": value, "u": 0.5, "unit": "mm", "budget": {"edge": 0.5}}
    return document


def small_document(state="unstrung", shot=None, **more):
    """A whole measurement with few points of the profile, so that the rest of it is as large a target, and written as fast."""
    document = copy.deepcopy(printed(state, shot, **more))
    for limb in document["profile"].values():
        limb |= {name: numbers[:5] for name, numbers in limb.items()}
    return measurement_of(document)


def add_stage(record, bow, state="unstrung", seed=0, days=0.0, size=(48, 36), **more):
    shot = more.pop("shot", None) or shot_of(state)
    more = {"document": document_of(state, shot), "taken_at": BEGIN + timedelta(days=days), "name": f"{state}.jpg", **more}
    return store.add_stage(record, bow.id, small_picture(seed, size), shot, **more)


def fill(record, name="Heron"):
    """One bow with a picture in each state, a correction and an event of every kind."""
    bow = store.add_bow(
        record, Bow(name, wood="hazel", length_mm=1689.1, wish_weight_n=200.0, notes="<b>bold</b> & 'quoted' =1+1 ⅝")
    )
    rest = add_stage(record, bow, "unstrung", seed=1)
    add_stage(record, bow, "braced", seed=2, days=1, rest_stage_id=rest.id)
    drawn = add_stage(record, bow, "drawn", seed=3, days=2, rest_stage_id=rest.id)
    shot = {**drawn.shot, "standoff_in": 2.5}
    store.correct_stage(
        record, drawn, shot, "Maker", document=document_of("drawn", read_shot(shot).as_dict()), reason="measured again"
    )
    for day, (kind, details) in enumerate(EVENTS.items()):
        event = event_of(
            bow.id, kind, BEGIN + timedelta(days=day), details, f"<i>{kind}</i>", "Maker", drawn.id if kind == "finding" else None
        )
        store.add_event(record, event)
    return bow


def event_of(bow_id, kind, when, details=None, notes="", who="", stage_id=None):
    """An event with its details by their names, as they are kept."""
    return Event(bow_id, kind, when, read_details(kind, details or {}), notes, who, stage_id)


READING = ("from_nock_mm", "width_mm", "thickness_mm", "crown_mm")
EVENTS = {
    "scrape": {"limb": "upper", "start_from_nock_mm": 100.0, "end_from_nock_mm": 250.5, "strokes": 20},
    "heat": {"minutes": 45.0, "distance_mm": 300.0, "browning": "brown", "browning_depth_mm": 3.0, "form_reflex_mm": 50.8},
    "rest": {"hours": 48},
    "moisture": {"temperature_c": 21.0, "humidity_percent": 45.0},
    "weighing": {"draw_mm": 508.0, "draw_to": "back", "weight_n": 133.4},
    "brace": {"from_back_mm": 190.5},
    "mass": {"mass_kg": 0.54},
    "calipers": {
        "upper": [dict(zip(READING, row, strict=True)) for row in ((0.0, 13.0, 9.0, 0.0), (700.0, 38.0, 15.0, 1.5))],
        "lower": [dict(zip(READING, row, strict=True)) for row in ((0.0, 13.5, 9.0, 0.0), (710.0, 38.0, 15.5, 0.0))],
    },
    "plan": {
        "draw_mm": 711.2,
        "weight_n": 178.25,
        "u_weight_n": 1.5,
        "weight_before_n": 185.0,
        "hand_ratio": 0.9,
        "u_hand_ratio": 0.1,
        "hand_steps": 2,
        "left": [
            {"limb": "upper", "start_from_nock_mm": 100.0, "end_from_nock_mm": 180.0, "ln_after": -0.03, "u_ln_after": 0.07}
        ],
        "skipped": [],
    },
    "arrow_speed": {"arrow_mass_kg": 0.0324, "speed_m_s": 45.7, "draw_mm": 711.2, "draw_to": "back"},
    "finding": {"at_px": [12.5, 20.0], "limb": "lower"},
    "note": {},
}


# --- a PostgreSQL server ------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def server(tmp_path_factory):
    """The address of a real server without its database's name, started for these tests and stopped after them."""
    binaries = [p.parent for p in sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))]
    binaries = binaries or [Path(p).parent for p in [shutil.which("initdb")] if p]
    runner = ["runuser", "-u", "postgres", "--"] if os.name == "posix" and os.getuid() == 0 else []
    if not binaries or (runner and not shutil.which("runuser")):
        reason = "no PostgreSQL server here; Debian's package postgresql has one"
        if os.environ.get("TILLERLENS_NEED_POSTGRES"):
            pytest.fail(reason)
        pytest.skip(reason)
    home = Path("/tmp") / f"tillerlens-postgres-{uuid.uuid4().hex[:8]}"  # a socket's path may only be short
    home.mkdir(mode=0o777)
    home.chmod(0o777)

    def run(program, *arguments):
        done = subprocess.run(
            [*runner, str(binaries[-1] / program), *arguments], cwd=home, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE, text=True, timeout=120,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr

    data = str(home / "data")
    try:
        run("initdb", "-D", data, "-U", "maker", "-A", "trust", "-E", "UTF8", "--no-sync")
        run("pg_ctl", "-D", data, "-w", "-l", str(home / "log"), "-o", f"-c listen_addresses= -k {home} -F", "start")
        try:
            yield f"postgresql://maker@/{{}}?host={home}"
        finally:
            run("pg_ctl", "-D", data, "-w", "-m", "immediate", "stop")
    finally:
        shutil.rmtree(home)


def new_database(server):
    """The address of a new, empty database on the server."""
    import psycopg

    name = f"shop_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(server.format("postgres"), autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return server.format(name)


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request, tmp_path):
    """Where to open a new, empty record: arguments for open_record."""
    if request.param == "sqlite":
        return (tmp_path / "record",)
    return (new_database(request.getfixturevalue("server")), tmp_path / "record")


@pytest.fixture
def record(place):
    with open_record(*place) as opened:
        yield opened
