"""The next bow's layout: closed forms of the crown and of the section, the statics run again at another fineness, usual and
foolish bows, and every number that may be typed."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from tests.benchmarks.usual_bows import FOOLISH, HARD, USUAL
from tillerlens.cli.app import app
from tillerlens.core.errors import TillerLensError
from tillerlens.core.units import MM_PER_INCH, NEWTON_PER_POUND
from tillerlens.mechanics.find_wood import find_wood
from tillerlens.mechanics.layout import EXTRA, RANGES, LayoutError, lay_out, practice, stations, wish_of_wood
from tillerlens.mechanics.section import SectionError, Station, check_stations
from tillerlens.mechanics.statics import Bow, ElasticLimb, Handle, braced, drawn
from tillerlens.mechanics.strain import SIDE_U, YIELDS, LimbStrain, most_at_risk, strain_limit, tip_set
from tillerlens.report.words.layout import layout_words
from tillerlens.report.words.mechanics import strain_words
from tillerlens.report.words.quantities import Units, in_columns

HICKORY = find_wood("shagbark hickory")
WISH = wish_of_wood(HICKORY, 1750, 45 * NEWTON_PER_POUND, 700)


def test_the_finished_bow_has_the_wished_weight_strain_and_set():
    """A flat rectangular bow: EI = E w t3 / 12 and strain = t / 2 x moment / EI by hand, and finer statics."""
    got = lay_out(WISH)
    s = got.from_handle - WISH.handle / 2
    fine = np.linspace(0, s[-1], 300)
    # straight lines between the fade, half way and the nock
    w = np.interp(fine / s[-1], [0, 0.5, 1], [got.width[0], got.width[0], got.width[-1]])
    t = np.interp(fine, s[[0, -1]], got.thickness[[0, -1]])
    limb = ElasticLimb(fine, WISH.modulus * w * t**3 / 12, np.zeros(300))
    half = WISH.handle / 2
    bow = Bow(limb, limb, Handle(half, half, WISH.handle_depth))
    state = drawn(bow, braced(bow, brace_height=WISH.brace).string_length, WISH.draw_back)
    assert state.weight == pytest.approx(WISH.weight, rel=0.005)
    moved = np.interp(fine + half, state.upper.s, state.upper.moment) / limb.ei
    assert (t / 2 * moved).max() == pytest.approx(got.strain.max(), rel=0.01)
    high = tip_set(fine, (t / 2 * moved)[::-1], moved[::-1], YIELDS[0] * WISH.limit.crushes)
    assert got.set_expected.high_mm == pytest.approx(high, rel=0.03)  # 13 places here, 300 there
    assert got.set_expected.low_mm < got.set_expected.high_mm
    np.testing.assert_allclose(got.rough, got.thickness * (1 + EXTRA))


def test_stations_are_every_four_inches_from_the_handles_centre_with_fade_and_nock():
    inch = MM_PER_INCH
    assert stations(4 * inch, 33 * inch) / inch == pytest.approx([4, 8, 12, 16, 20, 24, 28, 32, 33])
    assert stations(3.5 * inch, 32.25 * inch) / inch == pytest.approx([3.5, 8, 12, 16, 20, 24, 28, 32.25])
    assert stations(0, 32 * inch) / inch == pytest.approx([0, 4, 8, 12, 16, 20, 24, 28, 32])


def test_the_width_is_the_makers_and_grows_only_as_far_as_the_set_asks():
    usual = lay_out(WISH)
    assert usual.width[0] == practice(HICKORY.species).usual == 1.75 * MM_PER_INCH and usual.verdict == "quiet"
    less = lay_out(replace(WISH, most_set=usual.set_expected.high_mm - 3))
    assert usual.width[0] < less.width[0] <= practice(HICKORY.species).widest
    eighths = less.width[0] / MM_PER_INCH * 8
    assert eighths == pytest.approx(round(eighths), abs=1e-9)
    assert less.set_expected.high_mm <= usual.set_expected.high_mm - 3
    none = lay_out(replace(WISH, most_set=RANGES["most_set"][0]))
    assert none.width[0] == pytest.approx(practice(HICKORY.species).widest) and none.verdict == "hard"


def test_a_crown_is_the_trees_sagitta():
    """A 100 mm tree under a 30 mm width: R - sqrt(R2 - c2 / 4) = 2.303 mm."""
    narrow = replace(WISH, weight=30 * NEWTON_PER_POUND, width=30.0)
    got = lay_out(replace(narrow, tree_diameter=100.0))
    assert got.crown[0] == pytest.approx(50 - math.sqrt(50**2 - 15**2), abs=1e-9)
    flat = lay_out(narrow)
    assert got.thickness[0] > flat.thickness[0]  # a crowned back has less wood at its edges
    assert got.weight == pytest.approx(flat.weight, rel=2e-4)


def test_what_a_change_would_do():
    """Weight goes with width at one thickness, but for the tips, which stay; a longer bow draws less; each what-if is a layout of
    its own."""
    got = lay_out(WISH)
    laid, narrow, wide, longer = got.what_ifs
    assert (laid.wider, narrow.wider, wide.wider, longer.longer) == (0, -6.35, 6.35, 50.8)
    assert laid.weight_as_thick == pytest.approx(WISH.weight, rel=1e-3)
    assert narrow.weight_as_thick / WISH.weight == pytest.approx(1 - 0.25 / 1.75, abs=0.015)
    assert longer.weight_as_thick < WISH.weight < wide.weight_as_thick
    again = lay_out(replace(WISH, width=float(got.width[0]) - 6.35))
    assert narrow.thickness == pytest.approx(again.thickness[0]) and narrow.strain == pytest.approx(again.strain.max())
    assert narrow.set_expected == again.set_expected
    assert wide.set_expected.high_mm < laid.set_expected.high_mm < narrow.set_expected.high_mm


def test_cautions():
    inch = MM_PER_INCH
    assert lay_out(WISH).cautions == ()  # what always shows is not read
    assert "hard" in {c.code for c in lay_out(replace(WISH, length=64 * inch, weight=270, width=35.0)).cautions}
    assert "stacks" in {c.code for c in lay_out(replace(WISH, length=56 * inch, weight=150)).cautions}
    light = replace(WISH, weight=100)
    assert "crowned" in {c.code for c in lay_out(replace(light, width=40.0, tree_diameter=64.0)).cautions}
    assert "narrow" in {c.code for c in lay_out(replace(WISH, width=22.0, weight=160)).cautions}


def test_less_set_accepted_than_makers_do_is_said_as_ones_own():
    got = lay_out(replace(WISH, width=40.0, most_set=20.0))
    assert got.verdict == "hard" and got.cautions[0].text == "It may take more than the 0.787 in of set that you accept."
    assert lay_out(replace(WISH, width=40.0)).verdict == "quiet"


def test_a_stopped_bow_says_what_would_help_and_that_helps():
    bad = replace(WISH, length=56 * MM_PER_INCH, weight=60 * NEWTON_PER_POUND, width=24.0)
    got = lay_out(bad)
    assert got.verdict == "stopped" and got.stopped is not None and got.what_ifs == ()
    length = float(got.stopped.remedy.split("be ")[1].split(" in long")[0])
    helped = lay_out(replace(bad, length=length * MM_PER_INCH, width=1.75 * MM_PER_INCH))
    assert helped.verdict == "quiet"
    shorter = lay_out(replace(bad, length=(length - 2) * MM_PER_INCH, width=1.75 * MM_PER_INCH))
    assert shorter.verdict != "quiet" or shorter.string_angle_deg > 90


@pytest.mark.parametrize(
    ("wood", "length", "pounds", "width", "code", "words"),
    [
        ("red oak", 56, 60, 1.25, "breaks", "over the limit of 1.04 %"),
        ("pignut hickory", 56, 70, 1.25, "gives_way", "at best it would take 2.1 in of set, more than the 2 in that makers"),
        ("hickory", 66, 60, 0.6, "deep", "0.74 in thick and only 0.60 in wide"),
    ],
)
def test_each_reason_to_stop_is_told_as_what_it_is(wood, length, pounds, width, code, words):
    inch = MM_PER_INCH
    wish = wish_of_wood(find_wood(wood), length * inch, pounds * NEWTON_PER_POUND, 28 * inch)
    wish = replace(wish, width=width * inch)
    stopped = lay_out(wish).stopped
    assert stopped is not None and stopped.code == code and words in stopped.text


def test_heat_and_moisture():
    """A heated belly and drier wood take less set; drier wood is stiffer, so thinner (Wood Handbook Eq. 5-3)."""

    def of(**more):
        return lay_out(wish_of_wood(HICKORY, 1650, 50 * NEWTON_PER_POUND, 711, **more))

    plain, dry, hot, own = of(), of(moisture=8.0), of(heat_factor=None), of(heat_factor=1.2)
    assert dry.set_expected.high_mm < plain.set_expected.high_mm and dry.thickness[0] < plain.thickness[0]
    assert (dry.thickness[0] / plain.thickness[0]) ** 3 == pytest.approx((10.8 / 14.9) ** (4 / 13), rel=0.005)
    assert own.set_expected.high_mm < hot.set_expected.high_mm < plain.set_expected.high_mm


# --- usual and foolish bows ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("bow", USUAL, ids=lambda b: f"{b.wood} {b.length:g} {b.weight:g}")
def test_a_usual_bow_passes_quietly(bow):
    """No alarm but the set to expect, at most the 2 in that makers accept; nor thicker than a published figure."""
    got = bow.lay_out()
    assert (got.verdict, got.stopped, got.cautions) == ("quiet", None, ())
    assert got.set_expected.high_mm <= 2 * MM_PER_INCH
    if bow.thickest is not None:
        assert got.thickness.max() <= bow.thickest * MM_PER_INCH


@pytest.mark.parametrize("bow", USUAL, ids=lambda b: f"{b.wood} {b.length:g} {b.weight:g}")
def test_a_usual_bow_measured_passes_quietly(bow):
    """The same strain seen in pictures, known to 8 % as from the side: no word of the limit."""
    got = bow.lay_out()
    s = (got.from_handle[-1] - got.from_handle)[::-1]
    y = got.strain[::-1]
    limb = LimbStrain(s, y, y, SIDE_U * y, SIDE_U * y)
    risk = most_at_risk({"upper": limb, "lower": limb}, strain_limit(find_wood(bow.wood), bow.moisture))
    said = strain_words(risk, bow.draw * MM_PER_INCH, True, Units())
    assert said.tone == "plain" and "limit" not in said.text


@pytest.mark.parametrize("bow", HARD, ids=lambda b: f"{b.wood} {b.length:g} {b.weight:g}")
def test_a_hard_bow_is_told_what_it_costs(bow):
    got = bow.lay_out()
    assert got.verdict == "hard" and got.stopped is None and [c.code for c in got.cautions] == ["hard"]
    assert 2 * MM_PER_INCH < got.set_expected.high_mm < 3 * MM_PER_INCH


@pytest.mark.parametrize("bow", FOOLISH, ids=lambda b: f"{b.wood} {b.length:g} {b.weight:g}")
def test_a_foolish_bow_is_stopped(bow):
    got = bow.lay_out()
    assert got.verdict == "stopped" and got.stopped is not None
    assert got.stopped.text.startswith("Do not cut this bow.") and got.stopped.remedy


def test_there_are_enough_of_them():
    assert len(USUAL) >= 20 and len(FOOLISH) >= 10 and len([b for b in USUAL if not b.tuned]) >= 20
    assert all(b.source for b in (*USUAL, *HARD, *FOOLISH))


# --- numbers that cannot be ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"length": 500.0}, "bow's length is given as 19.69 in; it may be 30 to 96 in"),
        ({"length": 5.5 * 25.4}, "Did you mean 5.5 ft, which is 66 in"),
        ({"weight": 0.0}, "draw weight is given as 0 lb"),
        ({"weight": -1.0}, "draw weight"),
        ({"weight": math.nan}, "no number"),
        ({"draw_back": 99.0}, "draw is given as 3.898 in"),
        ({"width": -50.8}, "limbs' width is given as -2 in; it may be 0.5 to 4 in"),
        ({"width": 0.0}, "limbs' width is given as 0 in"),
        ({"width": 11.0}, "is it the thickness"),
        ({"width": math.inf}, "no number"),
        ({"handle": -1.0}, "handle's length"),
        ({"handle": 600.0, "length": 1000.0}, "too short to bend"),
        ({"tip_width": 0.0}, "tips' width"),
        ({"tree_diameter": 0.0}, "tree's diameter"),
        ({"width": 50.0, "tree_diameter": 45.0}, "wider than the tree"),
        ({"width": 20.0, "tip_width": 25.0}, "narrower than their tips"),
        ({"length": 800.0, "draw_back": 800.0}, "cannot be drawn to 31.5 in"),
        ({"parallel": 1.0}, "tapers"),
        ({"modulus": math.nan}, "wood's figures"),
    ],
)
def test_sizes_that_make_no_bow_are_refused_by_name(change, words):
    with pytest.raises(LayoutError, match=words) as error:
        lay_out(replace(WISH, **change))
    assert error.value.remedy and "crown" not in str(error.value)


def test_a_crown_deeper_than_the_limb():
    with pytest.raises(LayoutError, match="deeper"):
        lay_out(replace(WISH, width=44.0, tree_diameter=45.0, weight=100))


def length_words():
    return (
        st.floats(-200, 400).map(lambda x: f"{x:.3f}in") | st.floats().map(str) | st.sampled_from(["", "0", "1/0", "66", "-2in"])
    )


@settings(max_examples=60, deadline=None)
@given(
    st.fixed_dictionaries(
        {
            "length": length_words() | st.just("66in"),
            "weight": st.floats(-50, 400).map(lambda x: f"{x:.2f}lb") | st.floats().map(str) | st.just("50lb"),
            "draw": length_words() | st.just("28in"),
            "wood": st.sampled_from(["hickory", "red oak", "osage", "yew", "hazel", "vine maple"]),
        },
        optional={
            "handle": length_words(),
            "width": length_words() | st.just("2in"),
            "tips": length_words(),
            "set": length_words(),
            "tree": length_words() | st.just("5in"),
            "moisture": st.floats(-5, 300).map(str),
            "heat-factor": st.floats(-3, 9).map(str),
        },
    )  # fmt: skip
)
def test_any_numbers_are_a_layout_or_a_sentence(words):
    got = CliRunner().invoke(app, ["bench", "layout", *(f"--{k}={v}" for k, v in words.items())])
    assert got.exit_code in (0, 2, 3), (words, got.output, got.exception)
    assert got.exit_code != 1 and "Traceback" not in got.output and "nan" not in got.output.lower().replace("'nan'", "")
    assert isinstance(got.exception, SystemExit | None), got.exception


@settings(max_examples=12, deadline=None)
@given(
    st.floats(30, 96),
    st.floats(5, 200),
    st.floats(8, 36),
    st.floats(0, 24),
    st.none() | st.floats(0.5, 4),
    st.none() | st.floats(1, 60),
)
def test_any_bow_within_the_ranges_is_judged_or_refused(length, weight, draw, handle, width, tree):
    inch = MM_PER_INCH
    try:
        got = lay_out(
            replace(
                wish_of_wood(HICKORY, length * inch, weight * NEWTON_PER_POUND, draw * inch), handle=handle * inch,
                width=width and width * inch, tree_diameter=tree and tree * inch,
            )
        )  # fmt: skip
    except TillerLensError as error:
        assert error.text and error.remedy
        return
    assert np.all(np.isfinite(got.thickness)) and np.all(got.thickness > 0) and got.thickness.max() < 200
    assert got.weight == pytest.approx(weight * NEWTON_PER_POUND, rel=2e-3)
    # never quiet where it is over the limit or deeper than wide
    if got.verdict != "stopped":
        assert got.strain.max() <= WISH.limit.strain and got.thickness[0] <= got.width[0] + 1e-9


# --- calipers -----------------------------------------------------------------------------------------------------

FINE = [Station(100, 20, 9), Station(300, 35, 12), Station(600, 45, 15)]


def test_fine_readings_pass_and_a_tip_may_be_deeper_than_wide():
    check_stations([Station(20, 10, 13), *FINE], "upper")


@pytest.mark.parametrize(
    ("station", "words"),
    [
        (Station(400, 40, 76.2), "upper limb, 15.75 in from the nock, the thickness is given as 3 in"),
        (Station(400, 40, 12 * 25.4), "Did you mean 12 mm"),
        (Station(400, 0, 12), "the width is given as 0 in"),
        (Station(400, -40, 12), "the width is given as -1.575 in"),
        (Station(400, math.nan, 12), "no number"),
        (Station(400, 40, 12, -1), "crown is given as"),
        (Station(400, 40, 12, 12), "as deep as the limb is thick"),
        (Station(-5, 40, 12), "a place is given as"),
        (Station(9000, 40, 12), "a place is given as"),
        (Station(300, 40, 12), "two readings are at one place"),
    ],
)
def test_a_caliper_reading_that_is_no_limbs(station, words):
    with pytest.raises(SectionError, match=words) as error:
        check_stations([*FINE, station], "upper")
    assert error.value.remedy


def test_width_and_thickness_swapped_are_asked_about():
    with pytest.raises(SectionError, match="Are width and thickness swapped"):
        check_stations([Station(q.from_nock_mm, q.thickness_mm, q.width_mm) for q in FINE], "lower")


@given(st.lists(st.builds(Station, st.floats(), st.floats(), st.floats(), st.floats()), min_size=1, max_size=4))
def test_any_readings_pass_or_are_refused_in_words(rows):
    try:
        check_stations(rows)
    except SectionError as error:
        assert error.text and error.remedy and "nan" not in error.text
    else:
        assert all(0 < q.thickness_mm < 52 and 0 < q.width_mm < 103 for q in rows)


# --- words --------------------------------------------------------------------------------------------------------


def words_of(wish, wood=HICKORY, moisture=None):
    return layout_words(lay_out(wish), wish, wood, moisture, Units())


def test_the_table_is_in_sixteenths_and_64ths_with_its_columns_in_line():
    said = words_of(WISH)
    lines = in_columns(said.sizes)
    assert said.sizes[0] == ["from the centre", "width", "rough out to", "may end at", "strain"]
    assert said.sizes[1][0] == "4 in (fade)" and said.sizes[-1][0].endswith("(nock)") and said.sizes[2][0] == "8 in"
    starts = [line.index(cell) for line, row in zip(lines, said.sizes, strict=True) for cell in [row[2]]]
    assert len({*starts}) == 1
    ends = {int(part.split("/")[1].split()[0]) for row in said.sizes[1:] for part in row[1:2] if "/" in part}
    assert max(ends) <= 16
    assert any("/64 in" in cell for row in said.sizes for cell in row[2:4])
    crowned = words_of(replace(WISH, tree_diameter=150.0))
    assert crowned.sizes[0][4] == "crown"


def test_what_is_said_of_a_stopped_bow_gives_no_sizes():
    wish = replace(WISH, length=1220.0, weight=300.0, width=26.0)
    said = words_of(wish)
    assert said.sizes == [] and said.what_ifs == [] and said.first[0].text.startswith("Do not cut this bow.")


def test_stand_ins_and_moisture_are_said():
    wood = find_wood("vine maple")
    wish = wish_of_wood(wood, 1750, 200, 700, moisture=9.0)
    text = " ".join(s.text for s in words_of(wish, wood, 9.0).rest)
    assert "sugar maple's figures stand in" in text and "at 9 % moisture (±25 %" in text
    assert "at 12 % moisture, as in the handbook's table" in " ".join(s.text for s in words_of(WISH).rest)
    assert not any("safe" in s.text.lower() for s in (*words_of(WISH).rest, *words_of(WISH).first))


def test_the_command_prints_the_same_words():
    got = CliRunner().invoke(
        app, ["bench", "layout", "--length", "66in", "--weight", "50lb", "--draw", "28in", "--wood", "hickory"]
    )
    assert got.exit_code == 0, got.output
    wood = find_wood("hickory")
    wish = wish_of_wood(wood, 66 * MM_PER_INCH, 50 * NEWTON_PER_POUND, 28 * MM_PER_INCH)
    said = words_of(wish, wood)
    for line in (*(s.text for s in (*said.first, *said.rest)), *in_columns(said.sizes), *in_columns(said.what_ifs)):
        assert line in got.stdout
    assert "2 15/16" not in got.stdout  # a width that nobody cuts
    foolish = ["--length", "48in", "--weight", "70lb", "--draw", "30in", "--wood", "red oak", "--width", "1in"]
    stopped = CliRunner().invoke(app, ["bench", "layout", *foolish])
    assert stopped.exit_code == 3 and "Do not cut this bow" in stopped.stdout and "may end at" not in stopped.stdout
