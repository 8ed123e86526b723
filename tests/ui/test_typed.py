"""Numbers as they are typed and said on a page, in the reader's own units. 1 in = 2.54 cm, 1 lb = 0.45359237 kg, both exact."""

import pytest

from tillerlens.report.words.quantities import Units
from tillerlens.ui.typed import length_text, read_length, read_weight, say_in, weight_text

CM, IN = Units("cm", "kg"), Units()


@pytest.mark.parametrize(
    ("text", "mm"), [("71.5", 715.0), ("71 1/2", 715.0), ("28 in", 711.2), ('28"', 711.2), ("5'6", 66 * 25.4), ("715 mm", 715.0)]
)
def test_a_bare_number_is_centimetres_where_those_are_read(text, mm):
    assert read_length(text, CM) == pytest.approx(mm)


def test_a_bare_number_is_inches_and_pounds_elsewhere():
    assert read_length("28 1/2", IN) == pytest.approx(28.5 * 25.4)
    assert read_weight("42", IN) == pytest.approx(42 * 0.45359237 * 9.80665)
    assert read_weight("19", CM) == pytest.approx(19 * 9.80665)
    assert read_weight("42 lb", CM) == pytest.approx(42 * 0.45359237 * 9.80665)


@pytest.mark.parametrize("units", [CM, IN, Units("inches", "lb")])
@pytest.mark.parametrize("mm", [0.0, 1.0, 25.4 * 66.4375, 1689.1, 203.2001])
def test_what_is_shown_is_read_back_as_it_was(units, mm):
    assert read_length(length_text(mm, units) or "0", units) == pytest.approx(mm, rel=1e-8)
    assert read_weight(weight_text(190.5, units), units) == pytest.approx(190.5, rel=1e-8)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('is 3 7/8", but can only lie between 7 7/8" and 118 1/8".', "is 9.8 cm, but can only lie between 20.0 cm and 300.0 cm."),
        ("can only lie between 20 and 100 in.", "can only lie between 50.8 and 254.0 cm."),
        ("it drew 40 lb more", "it drew 18.1 kg more"),
        ("95 in 100 of them, and 2 in the record", "95 in 100 of them, and 2 in the record"),
        ("the last inch adds 2 lb", "the last 2.54 cm adds 0.91 kg"),
    ],
)
def test_a_sentence_made_in_inches_is_said_in_centimetres(text, said):
    assert say_in(text, CM) == said
    assert say_in(text, IN) == text.replace('"', " in")
