"""How long a bow's report takes: 20 stages with 12-megapixel pictures in a new record, small pictures made anew and kept.

    .venv/bin/python tests/benchmarks/report_time.py

The pictures are plain and the documents made up (see ``pairs``): only time is looked at.
"""

import io
import sys
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from PIL import Image

from tests.support.shop import event_of
from tillerlens.core.measurement import PhotoId
from tillerlens.core.shot_file import read_shot

sys.path.insert(0, str(Path(__file__).parents[2]))
from tests.measures.test_compare import drawn
from tests.support.pairs import bump, document, flat
from tests.support.shop import shot_of
from tillerlens.history.of_record import story_of
from tillerlens.record import Bow, open_record, store
from tillerlens.report.page import render_page
from tillerlens.report.pdf import render_pdf
from tillerlens.report.story import lay_out

STAGES, SIZE, LIMIT_S = 20, (4032, 3024), 5.0


def photograph(seed):
    """A JPEG as large as a phone's, with as much in it as would not compress away."""
    noise = np.random.default_rng(seed).integers(90, 160, (SIZE[1] // 8, SIZE[0] // 8, 3), np.uint8)
    out = io.BytesIO()
    Image.fromarray(noise).resize(SIZE, Image.Resampling.BICUBIC).save(out, "JPEG", quality=88)
    return out.getvalue()


def fill(record):
    bow = store.add_bow(record, Bow("Heron", wood="ash", length_mm=1625.6, form_reflex_mm=50.8))
    start = datetime(2026, 3, 1, tzinfo=UTC)
    for k in range(STAGES):
        rest = k in (0, STAGES - 3, STAGES - 2, STAGES - 1)
        minutes = {"minutes_since_unstrung": (2.0, 60.0, 1500.0)[k - STAGES + 3]} if rest and k else {}
        made = document(bump(0.1 * bool(k), 500, 80), flat) if rest else drawn(lower=0.05 * k)
        shot = shot_of("unstrung" if rest else "drawn", **minutes)
        made = replace(made, shot=read_shot(shot), photo=PhotoId("made-up.jpg", None, SIZE))
        when = start + timedelta(hours=6 * k)
        store.add_stage(record, bow.id, photograph(k), shot, name="made-up.jpg", document=made, taken_at=when)
        place = {"limb": "lower", "start_from_nock_mm": 430.0, "end_from_nock_mm": 570.0}
        store.add_event(record, event_of(bow.id, "scrape", when + timedelta(hours=1), place))
    return bow


def main():
    with tempfile.TemporaryDirectory() as folder, open_record(Path(folder) / "record") as record:
        bow = fill(record)
        worst = 0.0
        for name in ("small pictures made anew", "small pictures kept"):
            start, spent = time.perf_counter(), time.process_time()
            content = lay_out(story_of(record, bow.id))
            told = time.perf_counter()
            (pdf,) = render_pdf(content)
            printed = time.perf_counter()
            page = render_page(content)
            end = time.perf_counter()
            worst = max(worst, printed - start)
            print(
                f"{name}: read and laid out {told - start:.2f} s, PDF {printed - told:.2f} s ({len(pdf) / 1e6:.1f} MB), "
                f"page {end - printed:.2f} s ({len(page) / 1e6:.1f} MB); processor {time.process_time() - spent:.2f} s"
            )
        print(f"{STAGES} stages, PDF in {worst:.2f} s at worst; limit {LIMIT_S:g} s")
    return int(worst > LIMIT_S)


if __name__ == "__main__":
    sys.exit(main())
