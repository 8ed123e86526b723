"""The record's bows as the report, the charts and the shelf see them. Bows and documents are made up; see ``pairs``."""

import re
from dataclasses import replace
from datetime import timedelta

import pytest

from tests.measures.test_compare import drawn
from tests.support.pairs import bump, document, flat
from tests.support.shop import BEGIN, event_of, fill, shot_of
from tests.support.stories import picture
from tillerlens.core.measurement import PhotoId
from tillerlens.core.shot_file import read_shot
from tillerlens.core.units import KG_PER_GRAIN, NEWTON_PER_POUND
from tillerlens.history.of_record import reflexes_of, scrapes_between, shelf_lines, story_of, trends_of
from tillerlens.measures.compare import Scraped
from tillerlens.record import Bow, RecordError, open_record, store
from tillerlens.report.page import render_page
from tillerlens.report.story import lay_out
from tillerlens.report.words.quantities import Units


@pytest.fixture
def record(tmp_path):
    with open_record(tmp_path / "record") as opened:
        yield opened


def keep(record, bow, made, hours, **shot):
    """A stage at an hour with a made-up document, which says the stage's own shot."""
    form = shot_of(made.state, **shot)
    made = replace(made, shot=read_shot(form), photo=PhotoId("made-up.jpg", None, (1200, 900)))
    plain, when = picture(60 + hours, (1200, 900)), BEGIN + timedelta(hours=hours)
    return store.add_stage(record, bow.id, plain, form, name="made-up.jpg", document=made, taken_at=when)


def note(record, bow, kind, hours, stage_id=None, notes="seen", **details):
    event = event_of(bow.id, kind, BEGIN + timedelta(hours=hours), details, notes, stage_id=stage_id)
    return store.add_event(record, event)


@pytest.fixture
def heron(record):
    """Unstrung, 48 lb at 650 mm, scraped, 47 lb, unstrung at 2 minutes and after a day."""
    bow = store.add_bow(record, Bow("Heron", wood="ash", length_mm=1625.6, form_reflex_mm=50.8, wish_draw_mm=650.0))
    keep(record, bow, document(flat, flat), 0)
    keep(record, bow, drawn(), 1, scale_reading_lb=48.0)
    note(record, bow, "scrape", 2, limb="lower", start_from_nock_mm=430.0, end_from_nock_mm=570.0)
    keep(record, bow, drawn(lower=0.3), 3, scale_reading_lb=47.0)
    keep(record, bow, document(bump(0.3, 560, 60), flat), 4, minutes_since_unstrung=2.0)
    keep(record, bow, document(bump(0.2, 560, 60), flat), 28, minutes_since_unstrung=1442.0)
    return bow


def test_the_story_of_a_bow(record, heron):
    told = story_of(record, heron.id)
    assert [s.title for s in told.stages][:2] == ["Stage 1, unstrung", "Stage 2, drawn"]
    assert told.left_out == () and all(s.picture is not None and s.measured for s in told.stages)
    assert told.scrapes == ((BEGIN + timedelta(hours=2), Scraped("lower", 430.0, 570.0)),)
    assert [(r.session, r.minutes) for r in told.reflexes] == [(0, None), (2, 2.0), (2, 1442.0)]
    assert [round(p.weight_n / NEWTON_PER_POUND) for p in told.pulls] == [48, 47]
    said = " ".join(lay_out(told).sections[0].text)
    assert "It worked: the lower limb" in said and "Stage 1, unstrung, against Stage 4, unstrung" in said


def test_every_kind_of_event_is_in_the_report(record):
    bow = fill(record)
    page = render_page(lay_out(story_of(record, bow.id)))
    for words in (
        "scrape: upper limb from 4 in to 10 in from the nock, 20 strokes",
        "heat: 45 minutes, browning brown, 12 in from the coals, 1/8 in deep, on a form of 2 in reflex",
        "rest: 48 hours",
        "moisture: air 21 °C, 45 %",
        "mass: 19.0 oz",
        "500 gr",
        "30.0 lb",
        "&lt;i&gt;finding&lt;/i&gt;",
        "&lt;b&gt;bold&lt;/b&gt;",
    ):
        assert words in page, words
    assert "<i>" not in page and "<b>" not in page


def test_a_finding_is_pinned_on_its_picture(record, heron):
    stage = store.list_stages(record, heron.id)[1]
    note(record, heron, "finding", 5, stage.id, at_px=[299.5, 224.5], limb="upper")
    told = story_of(record, heron.id)
    assert told.stages[1].pins == ((1, 0.25, 0.25),)  # (299.5 + 0.5) / 1200 and so on: pixels are counted from centres
    assert told.findings[0].where == "stage 2, upper limb"


def test_a_draw_to_the_belly_needs_the_handles_thickness(record, heron):
    note(record, heron, "weighing", 6, draw_mm=600.0, draw_to="belly", weight_n=200.0)
    told = story_of(record, heron.id, pictures=False)
    assert len(told.pulls) == 2
    assert any("1 readings to the belly are left out" in text for text in lay_out(told).sections[0].text)
    bow = store.get_bow(record, heron.id)
    store.update_bow(record, replace(bow, handle_thickness_mm=30.0))
    assert story_of(record, heron.id, pictures=False).pulls[-1].draw_mm == 630.0


def test_a_picture_that_cannot_be_shown_is_said(record, heron):
    shot = shot_of("drawn")
    store.add_stage(record, heron.id, b"\x00\x00\x00\x18ftypmp42" + bytes(64), shot, name="pull.mp4", video_time_s=1.0)
    told = story_of(record, heron.id)
    assert told.stages[-1].picture is None
    assert any("Left out: stage 6: A video has no small picture" in text for text in lay_out(told).sections[0].text)


def test_scrapings_between_two_stages(record, heron):
    stages = store.list_stages(record, heron.id)
    assert scrapes_between(record, stages[1], stages[2]) == [Scraped("lower", 430.0, 570.0)]
    assert scrapes_between(record, stages[2], stages[3]) == []


def test_trends_do_not_mix_pulls_across_a_scraping(record, heron):
    note(record, heron, "mass", 5, mass_kg=0.5)
    points = trends_of(record, heron.id)
    weights = [p.value.value / NEWTON_PER_POUND for p in points if p.trend == "weight"]
    assert weights == pytest.approx([48, 47])  # both on one day, at the wished draw
    assert sum(p.trend == "reflex" for p in points) == 3 and sum(p.trend == "mass" for p in points) == 1


def test_the_shelf_in_lines(record, heron):
    note(record, heron, "arrow_speed", 7, arrow_mass_kg=470 * KG_PER_GRAIN, speed_m_s=45.72, draw_mm=650.0, draw_to="back")
    store.add_bow(record, Bow("Wren"))
    first, second = shelf_lines(record)
    assert (first.name, first.wood, first.stages) == ("Heron", "ash", 5) and second.weight_lb is None
    assert (first.length_in, first.weight_lb, first.gr_per_lb, first.speed_fps) == pytest.approx((64, 47, 10, 150))
    rested = reflexes_of(store.list_stages(record, heron.id))[-1].reflex.value
    assert first.reflex_kept_percent == pytest.approx(100 * rested / 50.8)


def test_no_such_bow(record):
    with pytest.raises(RecordError):
        story_of(record, "nobody")


def test_in_centimetres_and_kilograms_the_report_holds_no_inch_and_no_pound(record):
    """Every text of the page: the stylesheet is no text, and what a person has typed is theirs."""
    bow = fill(record)
    units = Units("cm", "kg")
    page = render_page(lay_out(story_of(record, bow.id), units)).partition("<body>")[2]
    texts = [text.strip() for text in re.findall(r">([^<>]+)<", page)]
    odd = re.compile(r"\d ?(?:in|lb|gr|ft|oz|ft·lb|fps)\b(?! \d)|\d&#34;|64ths|/64|\b(?:inch|pound|ounce)")
    assert [text for text in texts if odd.search(text)] == []
    assert any(re.search(r"\d cm\b", text) for text in texts) and any(re.search(r"\d kg\b", text) for text in texts)
