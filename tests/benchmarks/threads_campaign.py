#!/usr/bin/env python3
"""Many measurements at once, and how many of them crash or differ by a byte from the same measured alone.

    python tests/benchmarks/threads_campaign.py [MEASUREMENTS] [SESSIONS] [PICTURES]

First MEASUREMENTS (200) of the samples by four threads in one process; then SESSIONS (8) browsers, each with a bow of its own,
open PICTURES (5) unmeasured pictures one after the other, which the app measures and keeps. Both counts must be nought. Give 0 to
leave one half out.
"""

from __future__ import annotations

import os
import queue
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]

from tests.support.in_browser import ROOT, running_app  # noqa: E402
from tests.support.many_browsers import alone, bow_with, differing, visit_all  # noqa: E402
from tillerlens.record import open_record  # noqa: E402


def load() -> str:
    return f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"


def by_threads(count: int, names: list[str], expected: dict[str, str]) -> None:
    waiting: queue.SimpleQueue[str] = queue.SimpleQueue()
    for k in range(count):
        waiting.put(names[k % len(names)])
    crashed, differ, done = [], [], []

    def work() -> None:
        while True:
            try:
                name = waiting.get_nowait()
            except queue.Empty:
                return
            try:
                if alone(name) != expected[name]:
                    differ.append(name)
            except Exception as error:  # noqa: BLE001  counted
                crashed.append(f"{name}: {error!r}")
            done.append(name)
            if len(done) % 10 == 0:
                print(f"  {len(done)} done, {len(crashed)} crashed, {len(differ)} differ", flush=True)

    begun = time.monotonic()
    threads = [threading.Thread(target=work) for _ in range(4)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    took = time.monotonic() - begun
    print(f"{count} measurements by 4 threads: {len(crashed)} crashed, {len(differ)} differ, {took:.0f} s, {load()}", flush=True)
    for line in crashed + differ:
        print(f"  {line}")


def by_browsers(sessions: int, each: int, names: list[str], expected: dict[str, str]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        with running_app(place) as url, open_record(place / "record") as record:
            bows = []
            for k in range(sessions):
                mine = [names[(k + j * sessions) % len(names)] for j in range(each)]
                bows.append(bow_with(record, f"Bow {k + 1}", mine))
            begun = time.monotonic()
            trouble = visit_all(url, [[f"stage?bow={bow.id}&stage={s.id}" for s in stages] for bow, stages in bows])
            took = time.monotonic() - begun
            by_file = {f"{name.rpartition('/')[2]}.jpg": text for name, text in expected.items()}
            differ = differing(record, [s for _, stages in bows for s in stages], by_file)
        log = (place / "log").read_text(encoding="utf-8")
    told = f"{len(trouble)} in trouble, {len(differ)} differ, {log.count('Traceback')} tracebacks in the log"
    print(f"{sessions} browsers x {each} pictures: {told}, {took:.0f} s, {load()}", flush=True)
    for line in trouble + differ:
        print(f"  {line}")


def main() -> None:
    count, sessions, each = [int(a) for a in sys.argv[1:4]] + [200, 8, 5][len(sys.argv[1:4]) :]
    folder = ROOT / "samples"
    pictures = sorted([*folder.glob("*.jpg"), *folder.glob("walk/*.jpg")])
    names = [p.relative_to(folder).with_suffix("").as_posix() for p in pictures]
    if count:
        few = names[:: -(-len(names) // min(len(names), max(4, count // 10)))]  # each at least ten times, in a short campaign too
        by_threads(count, few, {name: alone(name) for name in few})
    if sessions:
        by_browsers(sessions, each, names, {name: alone(name) for name in names})


if __name__ == "__main__":
    main()
