"""A made-up bow's story for testing reports. NOTHING HERE WAS MEASURED: measurements come from ``pairs``."""

import io
from datetime import UTC, datetime, timedelta

from PIL import Image

from tests.measures.test_compare import drawn
from tests.support.pairs import bump, document, flat
from tillerlens.core.events import HeatDetails, ScrapeDetails
from tillerlens.history.story import ArrowShot, Done, NotedFinding, StageShown, Story
from tillerlens.history.trends import ReflexAt
from tillerlens.measures.compare import Scraped
from tillerlens.measures.set import WeighedDraw

T0 = datetime(2026, 3, 1, 9, tzinfo=UTC)
HOSTILE = '<script>alert(1)</script> & "x" #panic() $x$ *b* [a](b) #include "/etc/passwd"'


def picture(shade=120, size=(320, 240)):
    out = io.BytesIO()
    Image.new("RGB", size, (shade, shade, 110)).save(out, "JPEG")
    return out.getvalue()


def story(stages=8, notes=HOSTILE, name="Heron"):
    """Unstrung, then draws with a scraping before the last, unstrung again at 2, 60 and 1500 minutes."""
    first = document(flat, flat)
    after = [document(bump(0.4, 560, 60), flat, minutes_since_unstrung=m) for m in (2, 60, 1500)]
    pulls = [drawn(scale_reading_lb=48.0)] * (stages - 5) + [drawn(lower=0.3, scale_reading_lb=47.0)]
    documents = [first, *pulls, *after]
    times = [T0 + timedelta(hours=k) for k in range(len(documents))]
    shown = tuple(
        StageShown(
            f"Stage {k}, {d.state}", t, d, picture(60 + 5 * k), ((1, 0.25, 0.5),) if k == 2 else (), notes if k == 1 else ""
        )
        for k, (t, d) in enumerate(zip(times, documents, strict=True), start=1)
    )
    rest = [
        ReflexAt(t, d.values["reflex"], d.facts.minutes_since_unstrung, int(k > 0))
        for k, (t, d) in enumerate(zip(times, documents, strict=True))
        if d.state == "unstrung"
    ]
    scraped = times[len(pulls)] - timedelta(minutes=5)
    return Story(
        name,
        {"wood": "ash", "length_mm": 1625.6},
        notes,
        shown,
        (
            Done(T0, HeatDetails(40.0), notes),
            Done(scraped, ScrapeDetails("lower", 430.0, 570.0)),
        ),
        (NotedFinding(T0, "stage 2, upper limb", notes),),
        tuple(rest),
        tuple(WeighedDraw(t, 650.0, 210.0, 1.0) for t in times[1:3]),
        (ArrowShot(times[-1], 0.0324, 46.0, 650.0, 210.0),),
        ((scraped, Scraped("lower", 430, 570)),),
        50.0,
    )
