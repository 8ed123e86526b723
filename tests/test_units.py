"""Ruler fractions and what people type."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tillerlens import units
from tillerlens.errors import ShotError


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
