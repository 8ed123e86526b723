"""How fast the record answers with 500 bows of 20 stages: shelf and timeline, in one process, on SQLite.

    .venv/bin/python tests/benchmarks/shelf_speed.py [--bows 500] [--stages 20] [--keep FOLDER]

Everything in it is invented. The aim is under 300 ms each; the median and the slowest of ten are printed, and where they are
missed the exit status is 1.
"""

import argparse
import hashlib
import statistics
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2])]

from sqlalchemy import insert  # noqa: E402

from tests.support.shop import BEGIN, EVENTS, document_of, event_of, printed, shot_of  # noqa: E402
from tillerlens.record import Bow, Event, Measured, Stage, open_record  # noqa: E402
from tillerlens.record.connection import writing  # noqa: E402
from tillerlens.record.entries import as_json, canonical, check_entry  # noqa: E402
from tillerlens.record.rows import ROWS  # noqa: E402
from tillerlens.record.views import shelf, timeline  # noqa: E402

AIM_MS, REPEATS = 300.0, 10


def row(entry):
    return {name: as_json(value) for name, value in vars(entry).items()}


def fill(record, bows, stages):
    """Straight into the tables, since 10 000 checked saves would take their time."""
    shots = {state: shot_of(state) for state in ("unstrung", "braced", "drawn")}
    texts = {state: canonical(document_of(state).as_document()) for state in shots}
    values = {
        state: {n: {k: v[k] for k in ("value", "u", "unit")} for n, v in printed(state)["values"].items()} for state in shots
    }
    for b in range(bows):
        rows = {kind: [] for kind in (Bow, Stage, Measured, Event)}
        bow = check_entry(Bow(f"Bow {b:03d}", wood="hazel", length_mm=1689.1))
        rows[Bow].append(row(bow))
        for n in range(stages):
            state = list(shots)[n % 3]
            sha = hashlib.sha256(f"{b} {n}".encode()).hexdigest()
            when = BEGIN + timedelta(days=n)
            stage = Stage(bow.id, n, when, state, "a.jpg", sha, "image/jpeg", 3_000_000, shots[state],
                          status="measured", made_by="1.0", values=values[state])  # fmt: skip
            rows[Stage].append(row(stage))
            rows[Measured].append(
                row(Measured(stage.id, "1.0", hashlib.sha256(texts[state].encode()).hexdigest())) | {"document": texts[state]}
            )
            kind = list(EVENTS)[n % len(EVENTS)]
            rows[Event].append(row(event_of(bow.id, kind, when, EVENTS[kind], "words", stage_id=stage.id)))
        with writing(record) as connection:
            for kind, some in rows.items():
                connection.execute(insert(ROWS[kind].__table__), some)


def timed(name, work):
    took, busy = [], []
    for _ in range(REPEATS):
        begun, spent = time.perf_counter(), time.process_time()
        work()
        took.append(1000 * (time.perf_counter() - begun))
        busy.append(1000 * (time.process_time() - spent))
    middle = statistics.median(took)
    print(f"{name:20s} median {middle:6.1f} ms, slowest {max(took):6.1f} ms; processor {statistics.median(busy):6.1f} ms")
    return middle < AIM_MS


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--bows", type=int, default=500)
    parser.add_argument("--stages", type=int, default=20)
    parser.add_argument("--keep", type=Path)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, open_record(given.keep or folder) as record:
        fill(record, given.bows, given.stages)
        size = (record.folder / "record.sqlite").stat().st_size / 1e6
        rows = shelf(record)
        print(f"aim {AIM_MS:.0f} ms; {len(rows)} bows, {sum(r.stages for r in rows)} stages, {size:.0f} MB of database")
        fine = timed("shelf", lambda: shelf(record))
        fine &= timed("timeline of one bow", lambda: timeline(record, rows[250 % len(rows)].bow.id))
    return 0 if fine else 1


if __name__ == "__main__":
    sys.exit(main())
