"""What a plan says: every sentence from the listed patterns, advice with its cautions, lengths on a ruler."""

import json
import re

import numpy as np
import pytest
from scraping_bows import photographed, random_bench
from test_scraping import DRAW, EI, FULL, bow_of, exact, softer, weight_of

from tillerlens.errors import Reason
from tillerlens.measurement import Value
from tillerlens.mechanics.plan import as_document
from tillerlens.mechanics.scraping import Scrape, ScrapeWish, plan_scraping
from tillerlens.report.chart_plan import leave_rows, plan_chart, plan_rows
from tillerlens.report.lengths import Units
from tillerlens.report.words_plan import PATTERNS, Line, plan_in_words

INCHES, CM = Units(), Units("cm", "kg")
NO_CUT = {"stretch", "stretch_in_strokes"}


def plan_of(bow=None, weight=None, full=FULL, over=1.25, bend="arc", draw=DRAW, history=(), sections=False):
    present = exact(bow or bow_of(), draw=draw, sections=sections)
    wish = ScrapeWish(weight or weight_of(present, full) / over, full, bend)
    return plan_scraping(present, wish, history=history)


PLANS = {
    "heavy": lambda: plan_of(),
    "hinge": lambda: plan_of(bow_of(lower=softer(330, 0.3))),
    "sections": lambda: plan_of(sections=True),
    "at wish": lambda: plan_of(over=1.0),
    "below": lambda: plan_of(over=0.8),
    "past weight": lambda: plan_of(over=1.9),
    "past draw": lambda: plan_of(draw=FULL + 20, over=0.99),
    "one limb": lambda: plan_of(bow_of(upper=1.15 * EI), over=1.04),
    "shape": lambda: plan_of(bow_of(upper=1.9 * EI), over=1.1),
    "strokes": lambda: plan_of(history=[Scrape("upper", (76.0, 381.0), 20, 200.0, 196.0, 0.3)]),
}


@pytest.fixture(scope="module")
def plans():
    made = {name: make() for name, make in PLANS.items()}
    rng = np.random.default_rng(8)
    for k in range(6):  # and some that nobody thought of
        bench = random_bench(rng)
        made[f"random {k}"] = plan_scraping(photographed(bench, rng), bench.wish)
    heavy = made["heavy"]
    for stop in ("nothing_told", "only_hinges"):
        made[stop] = type(heavy)(**{**vars(heavy), "stop": stop, "stretches": ()})
    return made


def fits(line: Line) -> bool:
    """Whether a sentence is its pattern with words put in."""
    escaped = re.escape(PATTERNS[line.pattern])
    return re.fullmatch(re.sub(r"\\\{[a-z_]+\\\}", ".+", escaped), line.text) is not None


@pytest.mark.parametrize("units", [INCHES, CM], ids=["in", "cm"])
def test_every_sentence_is_a_listed_one(plans, units):
    seen = set()
    for plan in plans.values():
        for line in plan_in_words(plan, units).lines:
            assert fits(line), line
            assert not re.search(r"\bsafe|nan|None|[{}_]", line.text), line
            seen.add(line.pattern)
    assert seen == set(PATTERNS)  # and none is listed that is never said


def test_no_listed_sentence_promises(plans):
    assert not any(re.search(r"\bsafe|guarantee|will not break", text) for text in PATTERNS.values())


def test_cautions_stand_where_advice_stands(plans):
    for plan in plans.values():
        said = plan_in_words(plan)
        care = {line.pattern for line in said.care}
        if NO_CUT & {line.pattern for line in said.steps}:
            assert {"care_then", "care_tick"} <= care
        assert "care_tick" in care and "cannot see grain" in " ".join(said.always)
        assert bool(plan.leave) == ("care_hinge" in care)


def test_a_stop_advises_no_cut(plans):
    for name in ("at wish", "below", "nothing_told", "only_hinges"):
        said = plan_in_words(plans[name])
        assert said.first[-1].text.startswith("Take no wood off")
        assert not NO_CUT & {line.pattern for line in said.lines}
        assert "weight_after" not in {line.pattern for line in said.expect}


def test_the_hold_comes_first(plans):
    for name, pattern in (("past weight", "hold_past_weight"), ("past draw", "hold_past_draw"), ("shape", "hold_beyond_shape")):
        assert pattern in [line.pattern for line in plan_in_words(plans[name]).first]
        assert plan_in_words(plans[name]).first[0].pattern.startswith("hold_")


def test_no_stretch_in_words_runs_into_what_is_left(plans):
    number = r"(\d+)?(?: ?(\d)/(\d))?"

    def inches(text):
        whole, top, bottom = re.fullmatch(number, text).groups()
        return int(whole or 0) + (int(top) / int(bottom) if top else 0)

    for plan in plans.values():
        spans = {"leave": [], "stretch": []}
        for line in plan_in_words(plan).steps:
            found = re.match(r"(Upper|Lower) limb[,:] (?:leave )?([\d /]+) to ([\d /]+) in from", line.text)
            if found and line.pattern in spans:
                spans[line.pattern].append((found[1], inches(found[2]), inches(found[3])))
        for limb, a, b in spans["stretch"]:
            assert a < b
            assert all(limb != other or b <= low or a >= high for other, low, high in spans["leave"])


def test_amounts_in_words():
    """2 % of 11.2 mm is 0.22 mm or 9 thousandths of an inch."""
    plan = plan_of(sections=True)
    stretch = next(s for s in plan.stretches if s.mm)
    text = next(x.text for x in plan_in_words(plan).steps if x.pattern == "stretch")
    assert f"{stretch.mm / 0.0254:.0f} thousandths of an inch or {stretch.mm:.2f} mm" in text


def test_doubts_are_passed_on(plans):
    doubtful = type(plans["heavy"])(**{**vars(plans["heavy"]), "doubts": (Reason("x", "A doubt.", "A remedy."),)})
    assert plan_in_words(doubtful).doubts == ("A doubt. A remedy.",)


def test_a_printed_weight_interval_covers_two_u(plans):
    plan = plans["heavy"]
    changed = type(plan)(**{**vars(plan), "now": type(plan.now)(FULL, Value(200.0, 4.448, "N"), plan.now.gaps)})
    text = next(x.text for x in plan_in_words(changed).expect if x.pattern == "weight_now")
    assert "45.0 lb (±2.1 lb)" in text  # 2 u is 2.0 lb and rounding moves at most 0.05


# --- chart and document ---


@pytest.mark.parametrize("name", ["heavy", "hinge", "sections", "at wish"])
def test_the_chart_shows_the_plans_own_numbers(plans, name):
    plan = plans[name]
    rows = plan_rows(plan, INCHES)
    upper, lower = ([r for r in rows if r["limb"] == k] for k in ("upper", "lower"))
    assert max(r["at"] for r in upper) <= 0 <= min(r["at"] for r in lower)
    unit = plan.limbs[0].thickness if name == "sections" else np.full(len(upper), 100.0)
    np.testing.assert_allclose([r["take"] for r in upper], plan.limbs[0].take * unit, atol=1e-3)
    assert len(leave_rows(plan, INCHES)) == len(plan.leave)
    spec = plan_chart(plan, CM).to_dict()
    assert "leave" in json.dumps(spec) or not plan.leave


def test_the_document_is_json_and_whole(plans):
    for plan in plans.values():
        document = json.loads(json.dumps(as_document(plan), allow_nan=False))
        assert len(document["stretches"]) == len(plan.stretches)
        assert document["after"]["weight"]["value"] == pytest.approx(plan.after.weight.value, abs=0.001)
