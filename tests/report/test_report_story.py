"""The report's content: what is said first, which pictures stand for a stage's many, and what is never left out."""

import json
import math
from dataclasses import replace
from datetime import timedelta

from tests.measures.test_compare import drawn
from tests.support.pairs import document, flat
from tests.support.stories import T0, picture, story
from tillerlens.core.measurement import Measurement, measurement_of
from tillerlens.history.story import MOST_PICTURES, StageShown, Story, spread
from tillerlens.report.story import lay_out
from tillerlens.report.words.quantities import Units
from tillerlens.report.words.verdict import verdict


def section(content, title):
    return next(s for s in content.sections if s.title == title)


def test_the_whole_story_is_there():
    content = lay_out(story())
    titles = [s.title for s in content.sections]
    assert titles[0] == "Summary" and titles[-1] == "Take care"
    assert {"Reflex and set", "Weight and cast", "Inspection", "What was done"} <= set(titles)


def test_the_summary_says_set_and_what_the_scraping_did():
    said = section(lay_out(story()), "Summary").text
    assert any("of set (±" in s and "against Stage 6" in s for s in said)  # the reading two minutes after unstringing
    assert any("It worked: the lower limb bends 20 % more" in s for s in said)


def test_rest_says_recovery_and_the_share_of_the_forms_reflex():
    said = " ".join(section(lay_out(story()), "Reflex and set").text)
    assert "Last reading (rested): None of the form's reflex is left" in said
    assert "doesn't spring back by more than the readings can show" in said  # the three readings are alike


def test_without_times_the_first_reading_after_the_string_counts():
    """Readings at rest without minutes: the later ones have recovered, so the first after a drawn stage is taken."""
    plain = [document(flat, flat), drawn(), document(flat, flat), document(flat, flat)]
    stages = tuple(StageShown(f"S{k}", T0 + timedelta(hours=k), d) for k, d in enumerate(plain, start=1))
    assert "S1, against S3" in section(lay_out(Story("x", stages=stages)), "Reflex and set").text[0]


def test_one_reading_of_reflex_is_no_course_of_it():
    whole = story()
    for many, drawn_over_time in ((1, False), (2, True)):
        shown = section(lay_out(replace(whole, reflexes=whole.reflexes[:many])), "Reflex and set").figures
        assert any(f.title == "Reflex over time" for f in shown) is drawn_over_time


def test_set_that_is_not_told_is_said():
    first = document(flat, flat)
    del first.values["reflex"]
    stages = tuple(StageShown(f"S{k}", T0 + timedelta(hours=k), d) for k, d in enumerate((first, document(flat, flat))))
    said = section(lay_out(Story("x", stages=stages)), "Reflex and set").text[0]
    assert "can't tell the set. The reflex was not measured" in said
    alone = lay_out(Story("x", stages=stages[1:]))
    assert "takes two pictures" in section(alone, "Reflex and set").text[0]


def test_a_scraping_without_like_pictures_is_said():
    bare = replace(story(), stages=story().stages[:1])
    assert any("Can't tell what the scraping did" in s for s in section(lay_out(bare), "Summary").text)


def test_many_pictures_are_thinned_but_findings_stay():
    many = story(30)
    shown = section(lay_out(many), "Tiller, stage by stage").pictures
    assert len(shown) in (MOST_PICTURES, MOST_PICTURES + 1)
    assert any(p.pins for p in shown)
    assert spread(3, 12) == {0, 1, 2} and {0, 29} <= spread(30, 12) and len(spread(30, 12)) == 12


def test_a_stage_that_was_not_measured_is_shown_as_such():
    asks = StageShown("S", T0, Measurement("needs_help", "drawn"), picture())
    (shown,) = section(lay_out(Story("x", stages=(asks,))), "Tiller, stage by stage").pictures
    assert "needs help" in shown.caption


def test_an_empty_bow_has_a_report():
    content = lay_out(Story("Wren"))
    assert content.subtitle == "no stage yet" and section(content, "Take care").text


def test_gap_tables_carry_the_interval_in_the_readers_units():
    table = section(lay_out(story(), Units("cm")), "Gaps, belly to the line between the nocks").tables[-1]
    assert table.rows[0][0] == "15 cm" and all(row[-1].startswith("±") for row in table.rows)


def test_a_document_comes_back_as_a_measurement_that_says_the_same():
    made = drawn(lower=0.3).as_document()
    made["values"]["tiller_at_fades"] = {"value": None, "u": None, "unit": "mm", "budget": {}}
    back = measurement_of(json.loads(json.dumps(made)))
    assert math.isnan(back.values["tiller_at_fades"].value)
    again = back.as_document()
    assert again["values"]["draw_length_back"] == made["values"]["draw_length_back"]
    assert verdict(back).first.text
