"""Records and exports from before brace heights, calipers and plans had fields: notes in a fixed wording."""

import json
import zipfile
from dataclasses import asdict
from datetime import UTC, datetime, timedelta

import pytest
from pytest import approx as near
from sqlalchemy import JSON, Column, MetaData, Table, create_engine, insert, select

from tests.record.test_exchange import rewrite, take_in
from tests.record.test_record import stored
from tests.support.shop import BEGIN, EVENTS, event_of, fill, new_database, server  # noqa: F401
from tillerlens.core.events import BraceDetails, CaliperReading, CalipersDetails, LeftAlone, PlanDetails
from tillerlens.record import Bow, database, open_record, store
from tillerlens.record.exchange import export, plan_import
from tillerlens.record.models import BowRow
from tillerlens.record.old_notes import fields_of_note

BRACE = "Brace height, from the handle's back to the string: 7 1/2\" (190.5 mm)."
CALIPERS = """Calipers: limb, from the nock, width, thickness, crown
upper, 0, 13 mm, 9 mm
Upper, 28, 1 1/2, 0.6, 1/16
lower; 0; .5; .35
lower,28,1.5,.6"""
PLAN = """Scraping step taken as planned. It expected 40.0 lb (standard uncertainty 0.3 lb).
Expected after it at 711.2 mm to the back: 177.93 N, standard uncertainty 1.50 N. Before it: 185.00 N. The hand took 0.9000 of \
what was planned, standard uncertainty 0.1000, learned from 2 steps. Hinge left: upper limb, 100 to 180 mm from the nock. \
Skipped: lower limb, 50 to 90 mm from the nock."""

READ = {
    BRACE: (BraceDetails(190.5), ""),
    BRACE + " Twice.": (BraceDetails(190.5), "Twice."),
    CALIPERS: (
        CalipersDetails(
            (CaliperReading(0.0, 13.0, 9.0), CaliperReading(near(711.2), near(38.1), near(15.24), near(1.5875))),
            (CaliperReading(0.0, near(12.7), near(8.89)), CaliperReading(near(711.2), near(38.1), near(15.24))),
        ),
        "",
    ),
    PLAN: (
        PlanDetails(
            711.2, 177.93, 1.5, 185.0, 0.9, 0.1, 2, (LeftAlone("upper", 100.0, 180.0),), (LeftAlone("lower", 50.0, 90.0),)
        ),
        "",
    ),
    PLAN.partition(" Before it")[0] + " My left hand.": (PlanDetails(711.2, 177.93, 1.5), "My left hand."),
    PLAN.replace("what was planned", "what it was told").partition(" Hinge left")[0]: (
        PlanDetails(711.2, 177.93, 1.5, 185.0, 0.9, 0.1, 2), ""
    ),
}  # fmt: skip
STAYS = (
    "Calipers lent to a friend",
    "Scraping step taken as planned. I lost count.",
    CALIPERS + "\nmeasured by lamplight",
    "Brace height, from the handle's back to the string: about right.",
    "Brace height, from the handle's back to the string: 0 (0 mm).",
    "I said: " + PLAN,
)


def rows(bow_id):
    """Every such note as a row of the third version's events."""
    for n, notes in enumerate((*READ, *STAYS)):
        when = datetime(2026, 4, n + 1, 9, tzinfo=UTC)
        row = {"id": f"99999999-9999-4999-8999-{n:012d}", "bow_id": bow_id, "kind": "note", "happened_at": when, "details": {}}
        yield row | {"notes": notes, "who": "Maker", "added_at": when, "version": 3, "sequence": n + 10}


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def old(request, tmp_path_factory):
    """A record of the third version of the tables with every such note in it, opened by this program."""
    folder = tmp_path_factory.mktemp("old")
    if request.param == "sqlite":
        stored("0003", folder)
        place, engine = (folder,), create_engine(f"sqlite:///{folder / 'record.sqlite'}")
    else:
        address = new_database(request.getfixturevalue("server"))
        place, engine = (address, folder), create_engine(address.replace("postgresql:", "postgresql+psycopg:"))
        with engine.begin() as connection:
            database._run_migrations(connection, "0003")
            connection.execute(insert(BowRow).values(asdict(Bow("Fixture heron"))))
    with engine.begin() as connection:
        events = Table("events", MetaData(), Column("details", JSON), autoload_with=connection)
        connection.execute(insert(events), list(rows(connection.execute(select(BowRow.id)).scalar())))
    engine.dispose()
    with open_record(*place) as record:
        assert record.engine.dialect.name == request.param
        yield record, store.find_bow(record, "Fixture heron")


def test_an_old_record_is_brought_to_fields(old):
    record, bow = old
    events = {e.sequence - 10: e for e in store.list_events(record, bow.id) if e.sequence >= 10}
    for n, (details, notes) in enumerate(READ.values()):
        assert (events[n].details, events[n].notes, events[n].who, events[n].version) == (details, notes, "Maker", 3)
    kept = [(e.kind, e.notes) for n, e in sorted(events.items()) if n >= len(READ)]
    assert kept == [("note", text) for text in STAYS]  # whatever a person wrote stays as it is


@pytest.mark.parametrize("version", [1, 2])
def test_an_old_export_comes_in_with_fields_and_is_the_same_as_what_was_brought_there(version, tmp_path):
    """Two people: one brought the record over, the other still exports in the older form."""
    notes = {"brace": BRACE, "calipers": CALIPERS, "plan": PLAN}
    with open_record(tmp_path / "a") as record:
        bow = fill(record)
        for kind, text in notes.items():
            read = fields_of_note(text)
            store.add_event(record, event_of(bow.id, kind, BEGIN + timedelta(days=40), read.details, read.notes))
        export(record, tmp_path / "new.zip")

    def as_before(form):
        form["format_version"] = version
        form["events"] = [e for e in form["events"] if e["kind"] not in notes or not e["notes"].startswith("<i>")]
        for e in form["events"]:
            if e["kind"] in notes:
                e.update(kind="note", details={}, notes=notes[e["kind"]])
        for name in ("measurements", "corrections", "events") if version == 1 else ():
            for entry in form[name]:
                del entry["sequence"]

    rewrite(tmp_path / "new.zip", tmp_path / "old.zip", bow=as_before, contents={"format_version": version})
    with open_record(tmp_path / "a") as record:
        assert {p.verdict for p in plan_import(record, tmp_path / "old.zip").bows} == {"same"}
    with open_record(tmp_path / "b") as record:
        take_in(record, tmp_path / "old.zip")
        found = {e.kind: e for e in store.list_events(record, bow.id)}
        assert [found[k].details for k in notes] == [READ[text][0] for text in notes.values()]
        assert {p.verdict for p in plan_import(record, tmp_path / "new.zip").bows} == {"adds"}  # the three of fill


def test_fields_leave_and_come_back(tmp_path):
    with open_record(tmp_path / "a") as record:
        bow = store.add_bow(record, Bow("Wren"))
        for kind in ("brace", "calipers", "plan"):
            store.add_event(record, event_of(bow.id, kind, BEGIN, EVENTS[kind], "by lamplight"))
        export(record, tmp_path / "x.zip")
        there = store.list_events(record, bow.id)
    with zipfile.ZipFile(tmp_path / "x.zip") as opened:
        (name,) = (n for n in opened.namelist() if n.endswith("bow.json"))
        assert [e["details"] for e in json.loads(opened.read(name))["events"]] == [EVENTS[e.kind] for e in there]
    with open_record(tmp_path / "b") as record:
        take_in(record, tmp_path / "x.zip")
        assert store.list_events(record, bow.id) == there
