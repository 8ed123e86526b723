"""Two stages compared against invented bows whose difference is known; see ``pairs``."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.measures.test_set import noisy
from tests.support.pairs import LIMB_MM, PLACES, bump, document, flat, value
from tillerlens.core.units import NEWTON_PER_POUND
from tillerlens.measures.compare import AtRest, Scraped, compare, judge_scrapes, mean_change
from tillerlens.measures.set import set_between
from tillerlens.report.words.compare import (
    comparison_sentences,
    early_draw_sentence,
    recovery_sentence,
    reflex_left_sentence,
    scraping_sentence,
    set_sentences,
)
from tillerlens.report.words.quantities import Units

SPOT_MM = 500.0


def bent(extra=0.0, at=SPOT_MM):
    """A limb that bends 1.5/m with ``extra`` about one place."""
    return lambda x: 1.5 * np.minimum(x / 200, 1) + bump(extra, at, 40.0)(x)


def drawn(upper=0.0, lower=0.0, draw_mm=650.0, noise=None, **shot):
    values = {"draw_length_back": value(draw_mm, 1.0)}
    return document(bent(upper), bent(lower), "drawn", values=values, noise=noise, **shot)


def test_a_patch_is_found_on_its_limb_at_its_place():
    """0.3/m more at 500 mm on 1.5/m is 20 %, by construction; half of a bell of 40 mm lies 47.1 mm (40 sqrt(2 ln 2)) to each
    side of its middle. Tolerances: a place is 5 mm."""
    found = compare(drawn(), drawn(lower=0.3))
    (patch,) = found.patches
    assert patch.limb == "lower" and patch.peak_mm == pytest.approx(SPOT_MM, abs=6)
    assert patch.percent.value == pytest.approx(20.0, abs=0.5)
    half = 40 * math.sqrt(2 * math.log(2))
    assert (patch.start_mm, patch.end_mm) == pytest.approx((SPOT_MM - half, SPOT_MM + half), abs=6)


def test_a_patch_that_bends_less_is_told_as_such():
    (patch,) = compare(drawn(upper=0.3), drawn()).patches
    assert patch.limb == "upper" and patch.percent.value == pytest.approx(-100 * 0.3 / 1.8, abs=0.5)


def test_a_change_within_the_interval_is_not_told():
    """u of each bend is 0.03/m, of a change 0.042/m: 0.07/m is less than twice that."""
    assert compare(drawn(), drawn(lower=0.07)).patches == ()


def test_noise_alone_makes_no_patch(rng):
    """20 pairs of one unchanged bow, noise of the stated size that moves together over 100 mm. Without the second condition
    about one pair in three would show a patch; with it no more than one in ten may."""
    patches = [compare(drawn(noise=noisy(rng, 0.03)), drawn(noise=noisy(rng, 0.03))).patches for _ in range(20)]
    assert sum(bool(p) for p in patches) <= 2


def test_unlike_stages_are_not_compared():
    for other, code in (
        (drawn(draw_mm=700.0), "unlike_draw"),
        (document(bent(), bent(), "braced", values={"brace_height_back": value(150)}), "unlike_state"),
        (document(bent(), bent(), "drawn"), "unlike_draw"),
    ):
        found = compare(drawn(), other)
        assert [r.code for r in found.doubts] == [code] and not found.bend and found.patches == ()
        first = comparison_sentences(found)[0]
        assert first.tone == "open" and "Can't compare" in first.text


def test_a_difference_of_draw_widens_the_band():
    alike, unlike = compare(drawn(), drawn()), compare(drawn(), drawn(draw_mm=660.0))
    assert np.all(unlike.bend["upper"].u_per_m >= alike.bend["upper"].u_per_m)
    at = np.argmin(np.abs(unlike.bend["upper"].from_nock_mm - SPOT_MM))
    share = math.hypot(10.0, math.sqrt(2)) / 650.0  # both draws have u 1 mm
    assert unlike.bend["upper"].u_per_m[at] == pytest.approx(math.hypot(0.03 * math.sqrt(2), share * 1.5), rel=0.02)


def test_gaps_change_with_their_interval():
    found = compare(drawn(), drawn(lower=0.3))
    then, now = drawn().gaps[1], drawn(lower=0.3).gaps[1]
    upper, lower, difference = found.gaps[254.0]
    assert lower.value == pytest.approx(now.lower.value - then.lower.value) and lower.value > 1
    assert difference.value == pytest.approx(upper.value - lower.value)
    assert difference.u == pytest.approx(math.hypot(0.3, 0.3))


def test_weight_is_compared_at_the_first_draw():
    """48 lb at 650 mm, then 48 lb at 655 mm: at 650 mm it would be 5 mm of its slope less, 48 / (0.75 * 655) lb/mm by the
    rule stated in the module, up to 1 % of it."""
    found = compare(drawn(scale_reading_lb=48.0), drawn(draw_mm=655.0, scale_reading_lb=48.0)).weight
    assert found.value / NEWTON_PER_POUND == pytest.approx(-5 * 48 / (0.75 * 655), rel=0.01)
    assert found.u > math.sqrt(2) * 0.3 * NEWTON_PER_POUND
    assert compare(drawn(), drawn(scale_reading_lb=48.0)).weight is None
    assert compare(drawn(scale_reading_lb=48.0), drawn(draw_mm=700.0, scale_reading_lb=50.0)).weight is None


def test_a_scrape_is_judged_where_it_was_done():
    found = compare(drawn(), drawn(lower=0.3))
    did, upper, elsewhere = judge_scrapes(
        found, [Scraped("lower", 430, 570), Scraped("upper", 430, 570), Scraped("lower", 100, 300)]
    )
    assert did.outcome == "did" and did.patch is found.patches[0]
    assert (upper.outcome, elsewhere.outcome) == ("untold", "untold")
    (wrong,) = judge_scrapes(compare(drawn(lower=0.3), drawn()), [Scraped("lower", 430, 570)])
    assert wrong.outcome == "opposite"
    (unlike,) = judge_scrapes(compare(drawn(), drawn(draw_mm=700.0)), [Scraped("lower", 430, 570)])
    assert unlike.outcome == "not compared"


def test_the_mean_change_over_a_stretch():
    found = compare(drawn(), drawn(lower=0.3)).bend["lower"]
    area = 0.3 * 40 * math.sqrt(2 * math.pi)  # of the bell
    assert mean_change(found, 350, 650).value == pytest.approx(100 * area / 300 / 1.5, rel=0.03)
    assert math.isnan(mean_change(found, 5000, 6000).value)


def heated_bow():
    """Drawn and at rest before and after heat took 0.4/m of bend out of the lower limb's outer part: it moves as it did."""
    flat_rest, bent_back = document(flat, flat), document(flat, bump(-0.4, 250, 60.0))
    lower = lambda x: bent()(x) + bump(-0.4, 250, 60.0)(x)  # noqa: E731
    after = document(bent(), lower, "drawn", values={"draw_length_back": value(650.0, 1.0)})
    return drawn(), after, flat_rest, bent_back


def test_each_picture_of_a_heated_bow_is_held_against_its_own_shape_at_rest():
    """The lower limb moves from rest as it did. Against the one shape at rest it seemed to bend 27 % less."""
    before, after, rest, rest_after = heated_bow()
    found = compare(before, after, AtRest(rest, rest_after, heated=True))
    assert found.from_rest and not found.doubts and not found.patches
    for limb in found.bend.values():
        np.testing.assert_allclose(limb.per_m, 0.0, atol=0.01)
    assert compare(before, after, AtRest(rest)).patches  # held against another bow's shape, which it is without the heating


def test_bends_before_and_after_heat_are_not_compared_without_both_shapes_at_rest():
    before, after, rest, rest_after = heated_bow()
    for known in (AtRest(rest, None, True), AtRest(None, rest_after, True), AtRest(heated=True)):
        found = compare(before, after, known)
        assert [r.code for r in found.doubts] == ["heated_between"] and not found.bend and not found.patches
    same = compare(before, before, AtRest(rest)).bend["upper"]
    assert np.median(same.u_per_m) == pytest.approx(np.median(compare(before, before).bend["upper"].u_per_m), rel=0.05)


# --- in words


def test_the_sentence_names_limb_place_amount_and_interval():
    found = compare(drawn(), drawn(lower=0.3))
    text = scraping_sentence(found).text
    assert text.startswith("The lower limb bends 20 % more (±6 %) from 18 to 21 1/2 in from the nock")
    yes = scraping_sentence(found, judge_scrapes(found, [Scraped("lower", 430, 570)]))
    assert yes.tone == "fine"
    assert yes.text.startswith("It worked: the lower limb bends 20 % more (±6 %) from 18 to 21 1/2 in from the nock.")
    assert "You scraped it from 17 to 22 1/2 in from the nock." in yes.text
    miss = scraping_sentence(found, judge_scrapes(found, [Scraped("upper", 430, 570)]))
    assert miss.text.startswith("No change shows yet")
    assert "Elsewhere, the lower limb bends 20 % more" in miss.text
    assert "cm" in scraping_sentence(found, units=Units("cm")).text


def test_nothing_told_is_said_with_what_could_be_told():
    text = scraping_sentence(compare(drawn(), drawn())).text
    assert text.startswith("The two pictures show no change in bend") and "±6 %" in text


def test_the_tips_are_named_only_beyond_their_interval():
    moved = compare(drawn(upper=0.3), drawn())
    text = scraping_sentence(moved).text
    assert "the upper one nearer the archer; now they are level as far as the picture shows" in text
    assert moved.values["tip_height_difference"].value > 2 * moved.values["tip_height_difference"].u
    assert "tips" not in scraping_sentence(compare(drawn(), drawn())).text


def test_the_weight_is_said_beyond_its_interval_only():
    said = {s.about: s.text for s in comparison_sentences(compare(drawn(scale_reading_lb=48.0), drawn(scale_reading_lb=45.0)))}
    assert said["weight"].startswith("At the same draw the bow is 3.0 lb lighter")
    said = {s.about: s.text for s in comparison_sentences(compare(drawn(scale_reading_lb=48.0), drawn(scale_reading_lb=48.0)))}
    assert "hasn't changed" in said["weight"]


def test_set_in_words():
    then = document(flat, flat, minutes_since_unstrung=1440)
    now = document(bump(0.5, 560, 60), flat, minutes_since_unstrung=2)
    said = " ".join(s.text for s in set_sentences(set_between(then, now)))
    assert "of set (±" in said and "The upper limb took" in said
    assert "Most of the upper limb's set is in its inner third" in said
    assert "just unstrung" in said and "rested" in said
    same = [s.text for s in set_sentences(set_between(then, then))]
    assert same[0].startswith("The two pictures show no set")


def test_other_sentences():
    from tests.measures.test_set import lb, readings
    from tillerlens.core.measurement import Value
    from tillerlens.measures.set import early_draw, fit_recovery

    springs = recovery_sentence(fit_recovery(readings(10.0, 15.0, 120.0, (1, 120, 1440), 0.3))).text
    assert "half of it in 71 minutes to 2 hours" in springs  # 120 minutes' time constant is 83 minutes to the half
    still = fit_recovery(readings(10.0, 0.0, 120.0, (1, 120, 1440), 0.3))
    assert "doesn't spring back by more than the readings can show" in recovery_sentence(still).text
    assert reflex_left_sentence(Value(50.0, 1.2, "%")).text == "50 % of the form's reflex is left (±3 %)."
    assert reflex_left_sentence(Value(-20.0, 1.2, "%")).text == "None of the form's reflex is left (-20 %, ±3 %)."
    assert "unknown" in reflex_left_sentence(Value(50.0, math.nan, "%")).text
    crushed = early_draw_sentence(early_draw([lb(0, 15, 25.0), lb(1, 24, 45.0), lb(2, 15, 22.5)]))
    assert crushed.tone == "finding" and "Stop" in crushed.text
    held = early_draw_sentence(early_draw([lb(0, 15, 25.0), lb(1, 24, 45.0), lb(2, 15, 25.0)]))
    assert held.tone == "fine"


def test_what_is_not_known_is_not_told():
    then, now = drawn(), drawn(lower=0.3)
    now = replace(now, gaps=tuple(replace(g, difference=replace(g.difference, value=math.nan)) for g in now.gaps))
    now.values["tip_height_difference"] = replace(now.values["tip_height_difference"], u=math.nan)
    found = compare(then, now)
    assert all(math.isnan(g[2].u) for g in found.gaps.values())
    said = comparison_sentences(found)
    assert {s.about for s in said} == {"scraping"} and "tips" not in said[0].text
    rest = document(flat, flat)
    rest.values["reflex"] = replace(rest.values["reflex"], value=math.nan)
    assert set_sentences(set_between(rest, document(flat, flat)))[0].tone == "open"


def test_a_place_of_unknown_bend_is_no_patch():
    now = drawn(lower=0.3)
    now.profile["lower"] = replace(now.profile["lower"], u_curvature_per_m=np.full(len(PLACES), math.nan))
    found = compare(drawn(), now)
    assert found.patches == () and "±6 %" in scraping_sentence(found).text  # of the limb that is known


def test_places_lie_on_the_limb():
    for c in compare(drawn(), drawn()).bend.values():
        assert c.from_nock_mm[0] == pytest.approx(0, abs=1e-9) and c.from_nock_mm[-1] == pytest.approx(LIMB_MM)
        assert len(c.per_m) > len(PLACES) / 2
