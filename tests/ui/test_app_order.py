"""Whatever times pictures and events bear, equal, edited or reversed: a plan says what it goes by, or why there is none."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.app_visits import errors, said, visit
from tests.support.bench_shop import fill_bench
from tillerlens.core.errors import TillerLensError
from tillerlens.history import bench as of
from tillerlens.history.as_now import CHANGES, judged_together
from tillerlens.mechanics.plan import plan_from_documents
from tillerlens.mechanics.scraping import Plan
from tillerlens.mechanics.scraping.target import ScrapeTarget
from tillerlens.record import open_record, store
from tillerlens.record.entries import now
from tillerlens.record.views import timeline
from tillerlens.report.words.quantities import Units
from tillerlens.report.words.verdict import Wish
from tillerlens.ui.page.plan import _lacking, _out_of_time, evidence_of
from tillerlens.ui.widgets import BowContext
from tillerlens.ui.workspace import Settings

BEGIN = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)
WISH = ScrapeTarget(220.0, 711.2)


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A bow that was scraped between two sets of pictures: its timeline, and its documents by stage."""
    with open_record(tmp_path_factory.mktemp("order")) as record:
        bow = fill_bench(record)
        found = timeline(record, bow.id)
        yield record, found, {s.id: store.measurement(record, s.id) for s in found.stages}


def known_as(shop, days):
    """The bow as if its pictures and events had happened on these days, in the order in which the record gives them."""
    record, found, _ = shop
    at = [BEGIN + timedelta(days=day) for day in days]
    stages = [replace(s, taken_at=t) for s, t in zip(found.stages, at, strict=False)]
    events = [replace(e, happened_at=t) for e, t in zip(found.events, at[len(stages) :], strict=False)]
    stages.sort(key=lambda s: (s.taken_at, s.sequence))
    events.sort(key=lambda e: e.happened_at)
    return BowContext(record, found.bow, tuple(stages), tuple(events), Units(), Wish(), Settings())


def orders(most=9):
    return st.lists(st.integers(0, most), min_size=40, max_size=40)


@given(orders())
@settings(max_examples=150, deadline=None)
def test_every_picture_is_read_or_said_to_be_left_out(shop, days):
    known = known_as(shop, days)
    hand = of.on_hand(known.stages, known.events)
    text = evidence_of(known, hand)
    changed = max((e.happened_at for e in known.events if e.kind in CHANGES), default=None)
    used, out = (_numbers(text, start) for start in ("Used", "Left out"))
    strung = {k for k, s in enumerate(known.stages, start=1) if s.state != "unstrung"}
    assert used | out == strung and not used & out
    # at the very time of the change a picture counts as from before it: wood that is off is never looked for again
    assert all((changed is None or known.stages[k - 1].taken_at > changed) == (k in used) for k in strung)
    if not used and hand.rest is not None:
        assert _lacking(known, hand, WISH) is not None


def _numbers(text, start):
    part = next((p for p in text.split(". ") if p.startswith(start)), "").partition("picture")[2].partition(" taken")[0]
    out = set()
    for run in part.lstrip("s ").rstrip(".,").replace(" and ", ", ").split(", "):
        low, _, high = run.strip().partition(" to ")
        out |= set(range(int(low), int(high or low) + 1)) if low else set()
    return out


@given(orders(4))
@settings(max_examples=5, deadline=None)
def test_a_plan_of_any_order_is_a_plan_or_a_sentence(shop, days):
    known = known_as(shop, days)
    hand = of.on_hand(known.stages, known.events)
    if _lacking(known, hand, WISH) is not None:
        return
    documents = judged_together(known.stages, known.events, lambda s: shop[2][s.id])
    history, last = of.history_of(known.bow, known.stages, known.events), of.foretold_of(known.events)
    try:
        strung, rest = [documents[s.id] for s in hand.strung], documents[hand.rest.id]
        plan = plan_from_documents(strung, rest, WISH, None, history, last)
    except TillerLensError as error:
        assert error.text and error.remedy
        return
    assert isinstance(plan, Plan)


def test_a_time_that_is_still_to_come_is_asked_about(shop):
    """A camera's clock set a year ahead would make an old picture the newest for ever."""
    known = known_as(shop, [0] * 40)
    assert _out_of_time(known) is None
    late = replace(known.stages[-1], taken_at=now() + timedelta(days=300))
    text, *_ = _out_of_time(replace(known, stages=(*known.stages[:-1], late)))
    assert f"Picture {len(known.stages)}" in text and "still to come" in text


def test_the_page_says_what_it_goes_by_whichever_way_the_times_run():
    with open_record() as record:
        bow = fill_bench(record)
        page = visit("plan", bow)
        assert errors(page) == [] and "Used: pictures 6 to 9" in said(page)
        assert "Left out: pictures 2 to 5, taken before wood came off on 02 Mar 2026" in said(page)
        for stage in store.list_stages(record, bow.id):  # the last first
            store.update_stage(record, replace(stage, taken_at=BEGIN + (BEGIN - stage.taken_at)))
        page = visit("plan", bow)
        assert errors(page) == [] and "Left out: pictures" in said(page) and "Wood came off since" in page.subheader[0].value


def test_when_a_scrape_was_done_can_be_said_and_is_never_before_what_it_was_planned_on():
    with open_record() as record:
        bow = fill_bench(record)
        before = store.list_events(record, bow.id)
        page = visit("plan", bow)
        field = next(d for d in page.get("datetime_input") if d.label.startswith("When"))
        field.set_value(datetime(2026, 3, 2, 8, 0))
        next(b for b in page.button if b.label == "I did this").click().run()
        assert any("after this plan's newest picture" in e for e in errors(page)) and store.list_events(record, bow.id) == before
        next(d for d in page.get("datetime_input") if d.label.startswith("When")).set_value(datetime(2026, 3, 20, 8, 0))
        next(b for b in page.button if b.label == "I did this").click().run()
        new = [e for e in store.list_events(record, bow.id) if e.id not in {b.id for b in before}]
        when = {e.happened_at.astimezone().replace(tzinfo=None) for e in new}
        assert errors(page) == [] and when == {datetime(2026, 3, 20, 8, 0)}
