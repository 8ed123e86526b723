"""What is said of a measurement: only what its interval allows, in the bowyer's own units."""

import math
import re
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.support.made_up import asking, from_truth, gap_row, measured, mm, spot
from tillerlens.core.errors import Reason
from tillerlens.core.measurement import GapRow, Measurement, Value
from tillerlens.measures.pair import change
from tillerlens.report.table import as_text
from tillerlens.report.words.quantities import (
    Units,
    is_plain,
    say_interval,
    say_length,
    say_place,
    say_significant,
    say_two_limbs,
)
from tillerlens.report.words.verdict import Wish, limb_length_mm, verdict

SIXTEENTHS, INCHES, CM = Units(), Units("inches"), Units("cm", "kg")
INCH = 25.4


def deg(value, u=0.2):
    return Value(value, u, "deg", {"edge": u})


def said(measurement, **settings):
    spoken = verdict(measurement, **settings)
    return " ".join([spoken.first.text, *(s.text for s in spoken.more)])


def about(measurement, what, **settings):
    spoken = verdict(measurement, **settings)
    return [s for s in (spoken.first, *spoken.more) if s.about == what]


# --- numbers ---


def test_a_printed_interval_covers_the_computed_one(rng):
    """Whatever is printed, printed value +- printed interval holds value +- 2u; in thousandths of mm for
    slack.
    """
    for value, u in zip(rng.uniform(0, 100, 300), rng.uniform(0.01, 3, 300), strict=True):
        v = mm(value, u)
        for units, per in ((INCHES, INCH), (CM, 10.0)):
            middle = float(say_length(value, units).split()[0]) * per
            reach = float(say_interval(v, units).strip("±").split()[0]) * per
            assert middle - reach <= value - 2 * u + 1e-3
            assert middle + reach >= value + 2 * u - 1e-3


@pytest.mark.parametrize(
    ("units", "expected"),
    [(SIXTEENTHS, "3/16 in"), (INCHES, "0.19 in"), (CM, "0.5 cm")],
    ids=["16", "in", "cm"],
)
def test_a_length_is_said_in_the_units_of_choice(units, expected):
    assert say_length(3 / 16 * INCH, units) == expected


def test_an_unknown_number_is_never_a_number():
    assert say_length(math.nan, SIXTEENTHS) == say_place(math.nan, CM) == "unknown"
    assert say_interval(mm(5.0, math.nan), SIXTEENTHS) == "interval unknown"


def test_a_length_is_said_on_the_ruler_of_choice_and_no_finer():
    assert say_significant(mm(0.9, 0.1), SIXTEENTHS) == ("1/16 in", "±1/16 in")
    assert say_significant(mm(9.0, 0.1), SIXTEENTHS) == ("3/8 in", "±1/16 in")
    assert say_significant(mm(-0.1, 0.04), SIXTEENTHS) == ("less than 1/16 in", "±1/16 in")
    assert say_significant(mm(20.2, 10.09), SIXTEENTHS) == ("13/16 in", "±13/16 in")
    assert say_significant(mm(0.9, 0.1), INCHES) == ("0.04 in", "±0.02 in")


def test_what_prints_no_larger_than_its_interval_is_no_headline():
    assert not is_plain(mm(0.9, 0.1), SIXTEENTHS)
    assert is_plain(mm(0.9, 0.1), INCHES)
    assert not is_plain(mm(20.2, 10.09), SIXTEENTHS)
    assert is_plain(mm(-9.0, 0.1), SIXTEENTHS)
    assert not is_plain(mm(9.0, math.nan), CM)


def printed_mm(text):
    """A printed length back in mm; its own unit is part of it."""
    number, unit = text.removeprefix("±").rsplit(" ", 1)
    sign = -1 if number.startswith("-") else 1
    return sign * float(sum(Fraction(part) for part in number.removeprefix("-").split())) * {"in": INCH, "cm": 10.0}[unit]


@settings(max_examples=400, deadline=None)
@given(
    upper=st.floats(-50, 300), apart=st.floats(-60, 60), u=st.floats(0.01, 4), u_apart=st.floats(0.01, 2),
    units=st.sampled_from([SIXTEENTHS, INCHES, CM]),
)  # fmt: skip
@example(upper=0.4 * INCH / 16, apart=0.9 * INCH / 16, u=0.1, u_apart=0.05, units=SIXTEENTHS)  # 0 less -1/16 (-0.5) is not 1/16
@example(upper=100.5, apart=0.5, u=0.2, u_apart=0.1, units=CM)
def test_two_limbs_subtract_to_the_difference_beside_them(upper, apart, u, u_apart, units):
    """As printed, to a thousandth of a division; what is printed lies within its printed interval, which covers 2u."""
    values = mm(upper, u), mm(upper - apart, u), mm(apart, u_apart)
    two = say_two_limbs(*values, units)
    texts, reaches = (two.upper, two.lower, two.difference), (two.reach_upper, two.reach_lower, two.reach_difference)
    step = units.division_mm
    a, b, difference = map(printed_mm, texts)
    assert a - b == pytest.approx(difference, abs=step / 1000)
    assert abs(difference - apart) <= step / 2 * (1 + 1e-6)
    for value, text, reach in zip(values, texts, reaches, strict=True):
        assert abs(printed_mm(text) - value.value) <= 0.75 * step * (1 + 1e-6)
        assert printed_mm(reach) >= abs(printed_mm(text) - value.value) + 2 * value.u - step / 1000


def test_a_gap_that_is_not_known_stays_unknown():
    two = say_two_limbs(mm(50.0), mm(math.nan, math.nan), mm(math.nan, math.nan), SIXTEENTHS)
    assert (two.upper, two.lower, two.difference) == ("1 15/16 in", "unknown", "unknown")
    assert two.reach_difference == "interval unknown"


def test_places_are_said_as_finely_as_a_pencil_marks_them():
    assert say_place(14 * INCH + 1.0, SIXTEENTHS) == "14 in"
    assert say_place(14.4 * INCH, SIXTEENTHS) == "14 1/2 in"
    assert say_place(14.4 * INCH, INCHES) == "14.5 in"
    assert say_place(300.0, CM) == "30 cm"


# --- the limbs against each other ---


@pytest.mark.parametrize(
    ("u", "begins", "tone"),
    [
        (1.0, "Upper limb bends more: gap 3/16 in bigger", "finding"),
        (2.31, "The limbs may differ: the biggest gap difference is 3/16 in (±3/16 in)", "open"),
        (2.33, "This picture shows no difference", "fine"),
    ],
    ids=["clear", "just outside", "just inside"],
)
def test_a_difference_is_told_only_beyond_its_interval(u, begins, tone):
    """The difference is 2 x 2.32 mm = 4.64 mm, nearest 3/16 in; it is told while 2u is smaller, a headline once it prints so."""
    spoken = verdict(measured(gaps=[gap_row(355.6, 104.64, 100, u)]))
    assert spoken.first.text.startswith(begins)
    assert spoken.first.tone == tone


def test_the_largest_told_difference_opens():
    rows = [gap_row(254.0, 100, 102), gap_row(355.6, 100, 104.8), gap_row(457.2, 130, 100, math.nan)]
    first = verdict(measured(gaps=rows)).first.text
    assert first == "Lower limb bends more: gap 3/16 in bigger at 14 in from the handle (±1/16 in)."


def test_limbs_that_differ_by_less_than_a_rulers_division_are_alike():
    """1.0 mm +- 0.4 mm is told, but 1.4 mm is less than 1/16 in = 1.5875 mm, which no bowyer minds."""
    first = verdict(measured(gaps=[gap_row(355.6, 101.0, 100), gap_row(457.2, 100, 100.2)])).first
    assert (first.text, first.tone) == (
        "The limbs are even: gaps match to within 1/16 in at every station.",
        "fine",
    )
    assert "within 0.2 cm" in verdict(measured(gaps=[gap_row(355.6, 101.0, 100)]), CM).first.text
    assert "alike" not in verdict(measured(gaps=[gap_row(355.6, 101.0, 100, 0.35)])).first.text


def test_limbs_that_cross_are_said_to_cross():
    text = said(measured(gaps=[gap_row(152.4, 105, 100), gap_row(558.8, 100, 103)]))
    assert "At 22 in it's the other way round: the lower limb's gap" in text


def test_without_an_interval_nothing_is_said_of_the_limbs():
    spoken = verdict(measured(gaps=[gap_row(355.6, 130, 100, math.nan)]))
    assert spoken.first.tone == "open"
    assert "Can't compare the limbs" in spoken.first.text
    assert not about(measured(gaps=[gap_row(355.6, 130, 100, math.nan)]), "wish")


def test_without_gaps_that_is_what_is_said():
    lost = GapRow(355.6, mm(100), mm(math.nan, math.nan), mm(math.nan, math.nan))
    for gaps in ([], [lost]):
        assert "no gap was measured" in verdict(measured(gaps=gaps)).first.text


# --- the wish ---


@pytest.mark.parametrize(
    ("difference", "tone", "words"),
    [
        (3.0, "fine", "within your target of 0 to +1/4 in"),
        (9.0, "finding", "above your target"),
        (-3.0, "finding", "below your target"),
        (6.2, "open", "on the edge of your target"),
    ],
    ids=["within", "above", "below", "at the edge"],
)
def test_the_tiller_is_held_against_the_wish(difference, tone, words):
    (sentence,) = about(measured(gaps=[gap_row(101.6, 100 + difference, 100)]), "wish")
    assert (sentence.tone, words in sentence.text) == (tone, True)
    assert "makers disagree" in sentence.text


@given(st.floats(-8, 12), st.floats(0.05, 3), st.sampled_from([SIXTEENTHS, INCHES, CM]))
@example(-1.9, 0.5, SIXTEENTHS)  # -1/16 in (+-1/16 in) reaches the target's 0, whatever the digits that are not printed say
@example(6.9, 0.15, SIXTEENTHS)  # 1/4 in (+-1/16 in) is not within what ends at 1/4 in
@settings(deadline=None)
def test_a_tillers_verdict_agrees_with_the_numbers_printed_beside_it(mm_, u, units):
    (sentence,) = about(measured(gaps=[gap_row(101.6, 100 + mm_, 100, u)]), "wish", units=units)
    value, reach = (in_mm(t) for t in re.search(r": ([+-]?[\d ./]+ (?:in|cm)) \(±([\d ./]+ (?:in|cm))\)", sentence.text).groups())
    low, high, hair = value - reach, value + reach, 1e-6
    found = "within" if low >= -hair and high <= INCH / 4 + hair else "below" if high < -hair else "above"
    if found == "above" and low <= INCH / 4 + hair:
        found = "on the edge of"
    assert f"That's {found} your target" in sentence.text


def in_mm(text):
    sign = -1 if text.startswith("-") else 1
    number, unit = text.lstrip("+-").rsplit(" ", 1)
    return sign * float(sum(Fraction(part) for part in number.split())) * (INCH if unit == "in" else 10.0)


def test_a_limb_that_bends_more_because_it_shall_raises_no_alarm():
    """The upper gap 1/8 in bigger at every station, and 0 to 1/4 in is wanted; with 1/4 to 1/2 in wanted it is one."""
    rows = [gap_row(d, 103.2, 100) for d in (101.6, 355.6)]
    for wish, limbs, tiller in ((Wish(), "plain", "fine"), (Wish(6.35, 12.7), "finding", "finding")):
        first = about(measured(gaps=rows), "limbs", wish=wish)[0]
        (target,) = about(measured(gaps=rows), "wish", wish=wish)
        assert "Upper limb bends more" in first.text and (first.tone, target.tone) == (limbs, tiller)


def test_green_is_only_for_what_is_within_the_target():
    from tillerlens.ui.style import badge

    within = measured(gaps=[gap_row(101.6, 103, 100)], profile=from_truth().profile)
    even = measured(gaps=[gap_row(101.6, 100.2, 100)], profile=from_truth().profile)
    for m in (within, even, measured("unstrung", {"reflex": mm(8.0), "reflex_difference": mm(0.2)})):
        spoken = verdict(m)
        green = [s.about for s in (spoken.first, *spoken.more) if "green" in badge(s)]
        assert set(green) <= {"wish"}
    assert any("green" in badge(s) for s in about(within, "wish"))
    assert "fine" in {s.tone for s in about(even, "limbs")} | {s.tone for s in about(even, "spots")}  # else nothing was shown


def test_the_wish_is_a_setting():
    row = gap_row(101.6, 109, 100)
    (sentence,) = about(measured(gaps=[row]), "wish", wish=Wish(6.35, 12.7))
    assert "within your target of +1/4 to +1/2 in" in sentence.text


def test_the_tiller_is_read_nearest_the_fades():
    rows = [gap_row(101.6, 103, 100), gap_row(355.6, 150, 100)]
    (sentence,) = about(measured(gaps=rows, shot={"handle_in": 8}), "wish")
    assert "4 in from the handle: +1/8 in" in sentence.text


# --- spots ---


def drawn_with(*spots):
    return measured(gaps=[gap_row(355.6, 100, 100)], spots=spots, profile={"upper": object()})


def test_without_the_shape_at_rest_a_hinge_may_be_natural_crook():
    unrested = replace(drawn_with(spot()), reasons=(Reason("rest_unknown", "Judged without the shape at rest.", ""),))
    (sentence,) = about(unrested, "spot")
    assert sentence.tone == "open" and "natural crook" in sentence.text and "Thin the wood" not in sentence.text


def test_a_spot_is_placed_from_the_nock_and_from_the_handle():
    """66 in from nock to nock: half is 33 in; a spot 11.8 in from the nock lies 21.2 in from the centre."""
    (sentence,) = about(drawn_with(spot(from_nock_mm=11.8 * INCH)), "spot")
    assert "Hinge in the lower limb, 12 in from the nock (21 in from the handle's centre)" in sentence.text
    assert "25 % more" in sentence.text and "±8 %" in sentence.text and "Take no wood off it" in sentence.text


def test_a_doubtful_stiff_spot_is_said_as_such():
    (sentence,) = about(drawn_with(spot("stiff", bend_percent=-15.0, u_percent=math.nan, confidence=0.4)), "spot")
    assert sentence.text.startswith("Perhaps a stiff place in the lower limb")
    assert "15 % less" in sentence.text and "interval unknown" in sentence.text


def test_no_spot_is_said_too_but_only_where_one_could_have_been_seen():
    assert about(drawn_with(), "spots")[0].tone == "fine"
    assert not about(measured(gaps=[gap_row(355.6, 100, 100)]), "spots")
    assert not about(measured("braced", gaps=[gap_row(355.6, 100, 100)], profile={"upper": object()}), "spots")


@pytest.mark.parametrize(
    ("code", "tones"),
    [("rest_unknown", ["open"]), ("no_lever", []), ("too_little_bend", []), ("blurred", ["fine"])],
)
def test_spots_that_were_not_looked_for_are_not_said_to_be_absent(code, tones):
    doubt = Reason(code, "A doubt.", "A remedy.")
    measurement = measured(gaps=[gap_row(355.6, 100, 100)], profile={"upper": object()}, reasons=[doubt])
    assert [s.tone for s in about(measurement, "spots")] == tones


def test_limbs_of_unlike_length():
    shot = measured(shot={"upper_limb_length_in": 34.0}).shot
    assert limb_length_mm(shot, "upper") == pytest.approx(34 * INCH)
    assert limb_length_mm(shot, "lower") == pytest.approx(32 * INCH)
    assert math.isnan(limb_length_mm(None, "lower"))


# --- string angle, draw, brace ---


@pytest.mark.parametrize(
    ("angle", "u", "words"),
    [
        (75.0, 0.2, "15° short of 90°"),
        (84.0, 0.2, "only 6° short"),
        (89.8, 0.2, "can't show"),
        (91.0, 0.2, "The lower limb is past 90°"),
        (91.0, math.nan, "Can't tell how close"),
    ],
)
def test_stacking_is_told_only_beyond_the_interval(angle, u, words):
    values = {"string_angle_upper": deg(70.0), "string_angle_lower": deg(angle, u)}
    (sentence,) = about(measured(values=values), "string_angle")
    assert words in sentence.text
    assert "common practice" in sentence.text


def test_a_braced_bow_is_not_judged_for_stacking():
    values = {"string_angle_upper": deg(30.0), "brace_height_belly": mm(152.4, 0.3)}
    text = said(measured("braced", values))
    assert "stack" not in text
    assert "Brace height, belly of the handle to the string: 6 in (±1/16 in)." in text


def test_a_draw_is_said_to_both_faces_and_with_its_weight():
    values = {"draw_length_back": mm(27 * INCH, 0.3), "draw_length_belly": mm(25.5 * INCH, 0.3)}
    shot = {"scale_reading_lb": 41.0}
    text = said(measured(values=values, shot=shot))
    assert "Drawn 27 in (±1/16 in) to the back of the handle, 25 1/2 in (±1/16 in) to the belly" in text
    assert "at 41.0 lb by your scale" in text
    assert "18.6 kg" in said(measured(values=values, shot=shot), units=CM)


def test_the_tip_that_came_further_is_named():
    """Heights are toward the back: upper minus lower below zero means the upper tip stands nearer the
    archer.
    """
    assert "The upper tip is 3/16 in nearer the archer" in said(measured(values={"tip_height_difference": mm(-4.5, 0.3)}))


# --- at rest ---


def test_reflex_and_follow_are_told_apart():
    assert verdict(measured("unstrung", {"reflex": mm(25.4)})).first.text.startswith("Reflex 1 in (±1/16 in)")
    assert verdict(measured("unstrung", {"reflex": mm(-19.05)})).first.text.startswith("String follow 3/4 in")
    assert verdict(measured("unstrung", {"reflex": mm(0.9)})).first.text.startswith(
        "This picture shows no reflex and no string follow"
    )
    assert "interval unknown" in verdict(measured("unstrung", {"reflex": mm(9, math.nan)})).first.text


def test_set_is_spoken_of_only_against_an_earlier_reflex():
    now = measured("unstrung", {"reflex": mm(0.0)})
    assert not about(now, "set")
    (sentence,) = about(now, "set", earlier_reflex=mm(1.5 * INCH))
    assert "1 1/2 in of set since the earlier picture" in sentence.text and "acceptable" in sentence.text


def test_a_set_is_as_sure_in_words_as_where_the_two_pictures_are_compared():
    """Both pictures share what is not known of the bow itself: that part does not shrink by taking it twice."""
    then, now = Value(48.0, 0.5, "mm", {"width": 0.3, "edge": 0.4}), Value(10.0, 0.65, "mm", {"width": 0.25, "edge": 0.6})
    (sentence,) = about(measured("unstrung", {"reflex": now}), "set", earlier_reflex=then)
    compared = change(now, then)
    assert compared.u == pytest.approx(math.hypot(0.3 + 0.25, 0.4, 0.6))
    assert say_significant(compared, Units())[1] in sentence.text


@pytest.mark.parametrize(
    ("set_in", "u", "word"),
    [(0.5, 0.5, ": good."), (2.5, 0.5, ": weak."), (4, 0.5, ": wrong."), (1, 1.0, ": good to acceptable.")],
)
def test_a_set_at_a_step_of_the_scale_gets_both_words(set_in, u, word):
    (sentence,) = about(measured("unstrung", {"reflex": mm(0.0, u)}), "set", earlier_reflex=mm(set_in * INCH, u))
    assert word in sentence.text and "Common practice" in sentence.text


def test_a_set_within_the_interval_or_backwards_is_no_set():
    now = measured("unstrung", {"reflex": mm(10.0, 0.5)})
    assert "No set" in about(now, "set", earlier_reflex=mm(10.5))[0].text
    assert "more reflex than in the earlier picture" in about(now, "set", earlier_reflex=mm(5.0))[0].text
    assert about(now, "set", earlier_reflex=mm(50.0, math.nan))[0].tone == "open"


# --- everything together ---


def test_a_question_is_asked_in_the_first_sentence():
    first = verdict(asking()).first
    assert "Nothing is measured yet" in first.text
    assert "Click the upper nock, the lower nock and the handle." in first.text


def test_doubts_are_passed_on():
    doubt = Reason("blurred", "The picture is blurred.", "Retake it.")
    assert verdict(measured(reasons=[doubt])).doubts == (doubt,)


@pytest.mark.parametrize("name", ["heron-drawn-27", "heron-braced", "heron-unstrung", "bramble-drawn-grid"])
@pytest.mark.parametrize("units", [SIXTEENTHS, INCHES, CM], ids=["16", "in", "cm"])
def test_no_unfinished_number_and_no_promise_in_any_sentence(name, units):
    measurement = from_truth(name)
    spoken = verdict(measurement, units)
    everything = " ".join([said(measurement, units=units), *spoken.care])
    assert not re.search(r"\bnan\b|None|\bsafe|_", everything)
    assert "cannot see grain" in everything
    assert ("eye protection" in everything) is (measurement.state != "unstrung")
    if units is CM:
        assert not re.search(r"\d in\b", everything)


@pytest.mark.parametrize(
    ("minutes", "words"),
    [(0.5, "0.5 minutes"), (1, "1 minute"), (119, "119 minutes"), (150, "2.5 hours"), (2880, "2 days"), (20160, "14 days")],
)
def test_how_long_a_bow_has_rested_is_said_as_a_person_says_it(minutes, words):
    from tillerlens.report.words.quantities import say_minutes

    assert say_minutes(minutes) == words


def test_nothing_is_less_than_nothing_in_print():
    """A difference of -0.02 mm was printed as "-0.0 ± 2.9 mm" (1.4 mm, twice, and what rounding adds)."""
    value = Value(-0.02, 1.4, "mm")
    told = as_text(Measurement("measured", "drawn", values={"tip_height_difference": value}))
    assert " 0.0 ± 2.9 mm" in told and "-0" not in told
