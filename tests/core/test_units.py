"""Ruler fractions and what people type."""

import math
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tillerlens.core import units
from tillerlens.core.errors import ShotError
from tillerlens.record import RecordError, typed
from tillerlens.ui import rows


@pytest.mark.parametrize(
    ("inches", "text"),
    [
        (28.1875, '28 3/16"'),
        (28.5, '28 1/2"'),
        (1.999, '2"'),  # rounded before it is reduced: never 1 16/16
        (-0.01, '0"'),  # never -0
        (0.0, '0"'),
        (0.0625, '1/16"'),
        (-0.625, '-5/8"'),
        (-2.25, '-2 1/4"'),
        (1 / 32, '1/16"'),  # half a division rounds away from zero
        (-1 / 32, '-1/16"'),
    ],
)
def test_lengths_read_as_on_a_ruler(inches, text):
    assert units.format_inches(inches * 25.4) == text


def test_other_rulers():
    assert units.format_inches(25.4 * 3 / 32, denominator=32) == '3/32"'
    assert units.format_inches(25.4 * 3 / 32, denominator=8) == '1/8"'


@pytest.mark.parametrize("form", [units.format_inches, units.format_pounds, units.format_grains])
@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_what_is_not_known_is_called_unknown(form, value):
    assert form(value) == "unknown"


def test_weights_and_masses_read_plainly():
    assert units.format_pounds(units.newtons_from_pounds(42.46)) == "42.5 lb"
    assert units.format_pounds(-0.001) == "0.0 lb"
    assert units.format_grains(units.kg_from_grains(500.4)) == "500 gr"


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ('28 3/16"', 28.1875 * 25.4),
        ("28-1/2in", 28.5 * 25.4),
        ("28 - 1/2 inches", 28.5 * 25.4),
        ("28.25", 28.25 * 25.4),
        (".5 in", 12.7),
        ("5/8", 15.875),
        ("28½", 28.5 * 25.4),
        ("⅝″", 15.875),
        ("-7/8 in.", -22.225),
        ("\u22121/4", -6.35),
        ("715 mm", 715.0),
        ("71.5cm", 715.0),
        ("1.7 m", 1700.0),
        ("5'6\"", 66 * 25.4),
        ("5 ft 6 1/2 in", 66.5 * 25.4),
        ("6'", 72 * 25.4),
    ],
)
def test_lengths_as_people_write_them(text, mm):
    assert units.parse_length(text) == pytest.approx(mm, rel=1e-12)


@pytest.mark.parametrize("text", ["", "about a foot", "28 3/0", "1/2/3", "28,5", "--3", "3 lb", "nan", "1e3"])
def test_anything_else_is_refused_with_an_example(text):
    with pytest.raises(ShotError) as caught:
        units.parse_length(text)
    assert "28 3/16" in caught.value.remedy


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("\uff12\uff18", 28 * 25.4),  # full-width digits, as some phones write them
        ("\u0662\u0668", 28 * 25.4),  # Arabic-Indic ones
        ("28\u2153", (28 + 1 / 3) * 25.4),  # a third as one glyph
        ("28\u00a01\u20442", 28.5 * 25.4),  # no-break space, fraction slash
        ("0", 0.0),
        ("1/2 m", 500.0),
    ],
)
def test_digits_and_fractions_of_other_keyboards_are_read(text, mm):
    assert units.parse_length(text) == pytest.approx(mm, rel=1e-12)


@pytest.mark.parametrize("read", [units.parse_length, units.parse_weight])
@pytest.mark.parametrize(
    "text",
    ["9" * 400, "1" * 10_000, "1 " * 5000 + "/", "1e400", "inf", "9" * 39, "5\x00", "\ud800", "5\xb2", "\u2168", "0x10", "1_000"]
    + ["28 lb in", "5 /", "/5", "\x1b[2J5"],
)
def test_what_is_no_number_is_told_at_once_in_words_that_can_be_printed(read, text):
    began = time.thread_time()
    with pytest.raises(ShotError) as caught:
        read(text)
    assert time.thread_time() - began < 0.01
    assert caught.value.remedy and len(caught.value.text) < 120
    assert caught.value.text.isprintable() and caught.value.text.encode()


@pytest.mark.parametrize("text", ["0", "0 lb", "-5 lb", "0/4", "0.0 N"])
def test_a_bow_pulls_with_more_than_nothing(text):
    with pytest.raises(ShotError, match="more than zero"):
        units.parse_weight(text)


def test_other_quantities_are_read_by_the_same_reader():
    read = typed.read_words
    assert read(["mass=1/2 lb"], typed.EVENT_WORDS["mass"])["mass_kg"] == pytest.approx(0.226796185)
    assert read(["arrow=500"], typed.EVENT_WORDS["arrow_speed"])["arrow_mass_kg"] == pytest.approx(0.032399455)
    assert read(["reading=9 %"], typed.EVENT_WORDS["moisture"])["reading_percent"] == 9
    assert read(["temperature=70 \xb0F"], typed.EVENT_WORDS["moisture"])["temperature_c"] == pytest.approx(21.1111, abs=1e-4)
    for text in ("-1", "9" * 400, "1e400", "2.5", "nan", "\xb2"):
        with pytest.raises(RecordError):
            read([f"strokes={text}"], typed.EVENT_WORDS["scrape"])


@pytest.mark.parametrize("cells", [("\xb2", "1", "2"), ("1" * 5000, "1", "2"), ("99", "1", "2"), ("1", "1", "9" * 400)])
def test_tags_that_are_none_are_refused(cells):
    with pytest.raises(ShotError) as caught:
        rows.read_tag(*cells)
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("text", "newtons"),
    [
        ("42 1/2 lb", 42.5 * 4.4482216152605),
        ("42.5#", 42.5 * 4.4482216152605),
        ("190 N", 190.0),
        ("2kg", 19.6133),
    ],
)
def test_weights_as_people_write_them(text, newtons):
    assert units.parse_weight(text) == pytest.approx(newtons, rel=1e-12)
    with pytest.raises(ShotError):
        units.parse_weight("heavy")


@given(st.integers(min_value=-4000, max_value=4000))
def test_a_ruler_length_survives_writing_and_reading(sixteenths):
    mm = sixteenths * 25.4 / 16
    assert units.parse_length(units.format_inches(mm)) == pytest.approx(mm, abs=1e-9)


@given(st.floats(min_value=-5000, max_value=5000))
def test_no_length_is_printed_more_than_half_a_division_off(mm):
    assert abs(units.parse_length(units.format_inches(mm)) - mm) <= 25.4 / 32 + 1e-9


def test_a_weight_may_be_nothing_only_where_that_is_an_answer():
    assert units.parse_weight("0 lb", or_none=True) == 0.0
    for text, or_none in (("0 lb", False), ("-1 lb", True), ("-1 lb", False)):
        with pytest.raises(ShotError, match="is not a draw weight"):
            units.parse_weight(text, or_none=or_none)
