"""What a plan says: every sentence from the listed patterns, advice with its cautions, lengths on a ruler."""

import json
import re
from dataclasses import replace
from fractions import Fraction
from xml.etree import ElementTree

import numpy as np
import pytest

from tests.mechanics.test_scraping import DRAW, EI, FULL, bow_of, exact, softer, weight_of
from tests.support.scraping_bows import photographed, random_bench
from tillerlens.core.errors import Reason
from tillerlens.core.measurement import LIMBS, Value
from tillerlens.core.units import MM_PER_INCH
from tillerlens.mechanics.finding import Finding
from tillerlens.mechanics.plan import as_document
from tillerlens.mechanics.scraping import Foretold, Hand, Leave, Left, Scrape, ScrapeTarget, Stretch, plan_scraping
from tillerlens.report.charts.plan import leave_rows, plan_chart, plan_figure, plan_rows
from tillerlens.report.pdf_plan import plan_pdf
from tillerlens.report.words.plan import PATTERNS, Line, evidence_in_words, plan_in_words, say_where
from tillerlens.report.words.plan_tables import outward, plan_tables, say_amount, scraped
from tillerlens.report.words.quantities import Units

INCHES, CM = Units(), Units("cm", "kg")
LEFT_BEFORE = Left("lower", (270.0, 370.0), Value(0.12, 0.03, ""))
NO_CUT = {"stretch", "stretch_in_strokes"}


def plan_of(bow=None, weight=None, full=FULL, over=1.25, bend="arc", draw=DRAW, history=(), sections=False, last=None):
    present = exact(bow or bow_of(), draw=draw, sections=sections)
    wish = ScrapeTarget(weight or weight_of(present, full) / over, full, bend, keep=0.0)
    return plan_scraping(present, wish, history=history, last=last)


PLANS = {
    "heavy": lambda: plan_of(),
    "hinge": lambda: plan_of(bow_of(lower=softer(330, 0.3))),
    "sections": lambda: plan_of(sections=True),
    "at wish": lambda: plan_of(over=1.0),
    "below": lambda: plan_of(over=0.8),
    "past weight": lambda: plan_of(over=1.9),
    "past draw": lambda: plan_of(draw=FULL + 20, over=0.99),
    "one limb": lambda: plan_of(bow_of(upper=1.15 * EI), over=1.04),
    "stiff": lambda: plan_of(bow_of(lower=softer(330, -0.35, 40)), over=1.15, bend="like_upper"),
    "known hand": lambda: plan_of(last=Foretold(FULL, Value(weight_of(exact(bow_of())), 2.0, "N"), hand=Hand(1.2, 0.05, 1))),
    "left before": lambda: plan_of(last=Foretold(FULL, Value(weight_of(exact(bow_of())), 2.0, "N"), left=(LEFT_BEFORE,))),
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
    for stop in ("nothing_told", "only_hinges", "tiller", "at_weight"):
        made[stop] = type(heavy)(**{**vars(heavy), "stop": stop, "stretches": ()})
    for order in ("even", "both", "trim"):
        made[order] = replace(heavy, order=order)
    made["side"] = replace(heavy, limbs=tuple(replace(n, thickness=np.full(n.need.size, 11.0), thickness_from="side",
                           u_thickness=np.full(n.need.size, 0.3)) for n in heavy.limbs))  # fmt: skip
    made["kept"] = replace(heavy, wish=replace(heavy.wish, keep=11.0))
    made["kept and there"] = replace(made["at_weight"], wish=replace(heavy.wish, keep=11.0))
    made["low"] = replace(made["at_weight"], wish=replace(heavy.wish, weight=heavy.now.weight.value - 4, keep=22.0))
    made["no rest"] = replace(heavy, finding=Finding((), ("braced", "drawn"), None))
    return made


def fits(line: Line) -> bool:
    """Whether a sentence is its pattern with words put in."""
    escaped = re.escape(PATTERNS[line.pattern])
    words = re.sub(r"\\\{[a-z_]+\\\}", ".+", escaped.replace(re.escape("{but}"), "(, but for .+)?"))
    return re.fullmatch(words, line.text) is not None


def test_a_hinge_of_an_earlier_plan_is_left_with_its_reason_in_words_table_and_chart(plans):
    plan = plans["left before"]
    words = " ".join(line.text for line in plan_in_words(plan, INCHES).steps)
    assert "Lower limb: leave 10 1/2 to 15 in from the nock alone. An earlier plan named a hinge there." in words
    rows = {row[0]: row[-1] for row in plan_tables(plan, INCHES)[1].rows}
    assert rows["12"] == "leave" and rows["18"] != "leave"
    (box,) = leave_rows(plan, INCHES)
    assert (box["limb"], box["says"]) == ("lower", "leave")
    assert box["to"] - box["from"] == pytest.approx(4.5)  # as said: the box ended inside of where nothing comes off


@pytest.mark.parametrize("units", [INCHES, CM], ids=["in", "cm"])
def test_every_sentence_is_a_listed_one(plans, units):
    seen = set()
    for plan in plans.values():
        for line in plan_in_words(plan, units).lines:
            assert fits(line), line
            assert not re.search(r"\bsafe|nan|None|[{}_]", line.text), line
            seen.add(line.pattern)
    assert evidence_in_words([2, 3, 4, 6], 1, [5], "it was heated", "02 Mar") == (
        "Used: pictures 2 to 4, 6. Shape at rest: picture 1. Left out: picture 5, taken before it was heated on 02 Mar."
    )
    assert seen | {"used", "used_rest", "unused"} == set(PATTERNS)  # and none is listed that is never said


def test_no_listed_sentence_promises(plans):
    assert not any(re.search(r"\bsafe|guarantee|will not break", text) for text in PATTERNS.values())


def test_cautions_stand_where_advice_stands(plans):
    for plan in plans.values():
        said = plan_in_words(plan)
        care = {line.pattern for line in said.care}
        if NO_CUT & {line.pattern for line in said.steps}:
            assert {"care_then", "care_edges"} <= care
        assert "cannot see grain" in " ".join(said.always) and "Stop at any tick" in " ".join(said.always)
        assert any(q.told or q.before for q in plan.leave) == ("care_hinge" in care)


def test_a_stop_advises_no_cut(plans):
    for name, words in (
        ("at wish", "You are there. Stop."), ("at_weight", "Stop scraping"), ("below", "Take no wood off."),
        ("nothing_told", "Take no wood off yet"), ("only_hinges", "Take no wood off yet"), ("tiller", "Take no wood off yet"),
    ):  # fmt: skip
        said = plan_in_words(plans[name])
        assert any(line.text.startswith(words) for line in said.first)
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
        spans = {"leave": [], "skip": [], "stretch": []}
        for line in plan_in_words(plan).steps:
            if line.pattern in spans:
                said, limb = line.text.partition(" from the nock")[0], line.text.split()[0]
                runs = re.findall(r"([\d /]+?) to ([\d /]+) in", said)
                spans[line.pattern] += [(limb, *(inches(end.strip()) for end in ends)) for ends in runs]
        for limb, a, b in spans["stretch"]:
            assert a < b
            assert all(limb != other or b <= low or a >= high for other, low, high in spans["leave"])
            assert all(limb != other or b <= low or a >= high for other, low, high in spans["skip"])


def test_what_is_skipped_beside_a_hinge_is_not_said_to_reach_into_it():
    """Both are rounded outward to half inches: 6 1/2 to 10.7 and 10.7 to 14.3 in were said as to 11 and from 10 1/2 in."""
    ends = [(6.6 * MM_PER_INCH, 10.7 * MM_PER_INCH), (10.7 * MM_PER_INCH, 14.3 * MM_PER_INCH)]
    leave = (Leave("upper", ends[0], 0.1, told=False), Leave("upper", ends[1], 0.3))
    said = [x.text for x in plan_in_words(replace(plan_of(), leave=leave), INCHES).steps if x.pattern in ("leave", "skip")]
    assert any("skip 6 1/2 to 10 1/2 in from the nock" in text for text in said), said
    assert any("leave 10 1/2 to 14 1/2 from the nock" in text or "leave 10 1/2 to 14 1/2 in" in text for text in said), said


def test_what_hardly_looks_like_a_hinge_is_left_out_without_alarm():
    """Within its stretch: that is said in two runs and why not between, no box, a dash in the table."""
    heavy = plan_of()
    (most, *_) = [s for s in heavy.stretches if s.limb == "lower"]
    middle = sum(most.from_nock_mm) / 2
    plan = replace(heavy, leave=(Leave("lower", (middle - 30, middle + 30), 0.1, told=False, slight=True),))
    steps = plan_in_words(plan, INCHES).steps
    (said, *_) = [x.text for x in steps if x.pattern == "stretch" and x.text.startswith("Lower")]
    assert re.search(r"limb, [\d /]+ to [\d /]+ in and [\d /]+ to [\d /]+ in from the nock: ", said) and "but for" not in said
    assert sum(x.pattern == "between" for x in steps) == 1
    assert not any("skip" in x.text for x in steps) and not leave_rows(plan, INCHES)
    assert "–" in [row[-1] for row in plan_tables(plan)[1].rows]


def test_amounts_in_words():
    """2 % of 11.2 mm is 0.22 mm: half a 64th of an inch is 0.2 mm. 1 % is 0.11 mm, which was told as half a 64th too."""
    plan = plan_of(sections=True)
    for stretch, line in zip(plan.stretches, [x for x in plan_in_words(plan).steps if x.pattern == "stretch"], strict=True):
        assert say_amount(stretch.mm, INCHES) in line.text and f"({100 * stretch.share:g} % of the thickness)" in line.text
    said = {mm: say_amount(mm, INCHES) for mm in (0.05, 0.11, 0.22, 0.4, 0.6, 0.8)}
    assert list(said.values()) == ["under half a 64th", "under half a 64th", "half a 64th", "1/64 in", "1 1/2 64ths", "2/64 in"]
    assert say_amount(0.22, CM) == "0.2 mm"


def test_where_to_stop_pulling_is_never_rounded_up(plans):
    plan = replace(plans["heavy"], limit=replace(plans["heavy"].limit, draw_back=25.4 * 25.4))
    text = next(x.text for x in plan_in_words(plan).first if x.pattern == "pull")
    assert "25 in to the back" in text
    whole = replace(plan, limit=replace(plan.limit, draw_back=28 * 25.4 - 0.001))
    assert "28 in to the back" in next(x.text for x in plan_in_words(whole).first if x.pattern == "pull")


# --- tables and the page for the bench ---


@pytest.mark.parametrize("name", ["heavy", "hinge", "sections", "stiff", "side", "strokes"])
def test_every_station_says_what_the_plan_takes_there(plans, name):
    """Stations every 2 in from the nock: the words of each row against the plan's stretches."""
    plan = plans[name]
    for k, table in enumerate(plan_tables(plan)):
        limb = ("upper", "lower")[k]
        take = table.head.index("take")
        assert [r[0] for r in table.rows] == [f"{2 * i}" for i in range(1, len(table.rows) + 1)]
        for row in table.rows:
            at = 25.4 * float(row[0])
            left = [q for q in plan.leave if q.limb == limb for a, b in [outward(q.from_nock_mm, INCHES)] if a <= at <= b]
            here = [s for s in plan.stretches if s.limb == limb and s.from_nock_mm[0] <= at <= s.from_nock_mm[1]]
            if left:
                assert row[take] == ("leave" if left[0].told else "–" if left[0].slight else "skip")
            elif here:
                assert f"{100 * here[0].share:g} %" in row[take]
            else:
                assert row[take] == "–"
            if name == "sections" and here and not left:  # calipers: thickness now less the share, in half 64ths
                now = plan.limbs[k].thickness[np.argmin(abs(plan.limbs[k].from_nock_mm - at))] / 25.4 * 64
                number = lambda text: sum(float(Fraction(p)) for p in text.split())  # noqa: E731
                assert number(row[1]) == pytest.approx(now, abs=0.5)
                assert number(row[2]) == pytest.approx(now * (1 - here[0].share), abs=0.5)
                took = say_amount((number(row[1]) - number(row[2])) * 25.4 / 64, INCHES)
                assert row[take].startswith(took)  # what is told to come off is what lies between now and target
        if name == "side":
            assert table.head[1] == "now (64ths ±2)" and "seen from the side" in table.caption  # 0.6 mm is 1.5 64ths


@pytest.mark.parametrize("units", [INCHES, CM], ids=["in", "cm"])
def test_the_bench_gets_one_page(plans, units):
    for plan in plans.values():
        (page,) = typeset_pages(plan, units)
        assert page.startswith(b"%PDF")


def typeset_pages(plan, units):
    pdf = plan_pdf(plan, "Any <bow> & #string", units)
    return [pdf] if len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) == 1 else [pdf, b"more"]


def test_the_paper_shows_the_charts_numbers(plans):
    svg = ElementTree.fromstring(plan_figure(plans["stiff"], INCHES))
    said = [t.text for t in svg.iter("{http://www.w3.org/2000/svg}text")]
    assert "stiff" in said
    for stretch in plans["stiff"].stretches:
        assert f"{100 * stretch.share:g} %" in said


def test_the_papers_amounts_are_the_words_and_stand_clear_of_bars_and_each_other(plans):
    """Beside the words' half a 64th stood 0.6/64 in, and it lay on the deeper bar of the stretch beside it."""
    side = plans["side"]
    stretches = tuple(
        Stretch("upper", ends, share, Value(share, 0.01, ""), share * 11.0, None)
        for ends, share in (((250, 290), 0.06), ((290, 330), 0.02))
    )
    svg = ElementTree.fromstring(plan_figure(replace(side, stretches=stretches, leave=()), INCHES))
    texts = {t.text: (float(t.get("x")), float(t.get("y"))) for t in svg.iter("{http://www.w3.org/2000/svg}text")}
    deep, shallow = texts["1 1/2 64ths"], texts["half a 64th"]
    assert abs(deep[1] - shallow[1]) >= 12 or abs(deep[0] - shallow[0]) > 75
    bars = [
        [tuple(map(float, xy.split(","))) for xy in p.get("points").split()]
        for p in svg.iter("{http://www.w3.org/2000/svg}polygon")
    ]
    feet = [(b[0][0], b[2][0], b[1][1]) for b in bars if len(b) == 4 and b[1][1] > b[0][1]]
    assert len(feet) == 2 and all(
        shallow[1] > foot for left, right, foot in feet if left < shallow[0] + 30 and shallow[0] - 30 < right
    )


def test_a_stiff_place_and_its_stretch_are_said_alike(plans):
    """One was said outward to half inches and the other to the nearest: "a stiff place 13 to 17 in", "13 1/2 to 17 in"."""
    for units in (INCHES, CM):
        lines = plan_in_words(plans["stiff"], units).steps
        found = [re.findall(r"[\d/ ]+ to [\d/ ]+", x.text)[0] for x in lines if x.pattern == "found_stiff"]
        for place, stretch in zip(found, [s for s in plans["stiff"].stretches if s.stiff], strict=True):
            assert f" {place.strip()} " in f" {say_where(stretch, (), units)} "


def test_doubts_are_passed_on(plans):
    doubtful = type(plans["heavy"])(**{**vars(plans["heavy"]), "doubts": (Reason("x", "A doubt.", "A remedy."),)})
    assert plan_in_words(doubtful).doubts == ("A doubt. A remedy.",)


def test_a_printed_weight_interval_covers_two_u(plans):
    plan = plans["heavy"]
    changed = type(plan)(**{**vars(plan), "now": replace(plan.now, weight=Value(200.0, 4.448, "N"))})
    text = next(x.text for x in plan_in_words(changed).expect if x.pattern == "weight_now")
    assert "45.0 lb (±2.1 lb)" in text  # 2 u is 2.0 lb and rounding moves at most 0.05


def test_who_is_there_is_not_told_to_stop_at_another_weight(plans):
    """A bow at its wish hears what shooting in will cost, not of a heavier place to stop at, and nothing twice."""
    texts = [line.text for line in plan_in_words(plans["kept and there"]).lines]
    assert not any(t.startswith("Stop scraping at ") for t in texts) and len(set(texts)) == len(texts)
    assert sum("end near" in t for t in texts) == 1 and not any(t.startswith("Now it should draw") for t in texts)


def test_a_bow_that_shooting_in_takes_under_the_wish_is_not_said_to_be_there(plans):
    said = plan_in_words(plans["low"])
    texts = [line.text for line in said.lines]
    assert any(t.startswith("Stop scraping. It should draw") and "under the" in t for t in texts)
    assert sum("end near" in t for t in texts) == 1 and not any("where it should be" in t or "You are there" in t for t in texts)


# --- chart and document ---


@pytest.mark.parametrize("name", ["heavy", "hinge", "sections", "at wish"])
def test_the_chart_shows_the_plans_own_numbers(plans, name):
    plan = plans[name]
    rows = plan_rows(plan, INCHES)
    upper, lower = ([r for r in rows if r["limb"] == k] for k in ("upper", "lower"))
    assert max(r["at"] for r in upper) <= 0 <= min(r["at"] for r in lower)
    unit = 64 / 25.4 * plan.limbs[0].thickness if name == "sections" else np.full(len(upper), 100.0)  # a bench counts 64ths
    at, told = plan.limbs[0].from_nock_mm, np.zeros(len(upper))
    for s in (s for s in plan.stretches if s.limb == "upper"):
        for a, b in scraped(s, plan.leave, INCHES):
            told[(at >= a) & (at <= b)] = s.share
    np.testing.assert_allclose([r["take"] for r in upper], told * unit, atol=1e-3)
    edges = 12.7 / 2 * 2 * len(plan.stretches)  # ends are said to the nearest half inch
    step = at[1] - at[0]
    assert abs(np.sum(told) - np.sum(plan.limbs[0].take)) * step <= edges * max(plan.limbs[0].take)
    boxed = [q for q in plan.leave if not q.slight]
    assert len(leave_rows(plan, INCHES)) == len(boxed)
    spec = plan_chart(plan, CM).to_dict()
    assert "leave" in json.dumps(spec) or not boxed
    assert all(spec["datasets"].values()), "a layer of nothing has no extent, and the browser's console says so"


def test_where_the_limbs_meet_their_depths_are_not_added(plans):
    """Both limbs have a station at the handle; stacked, the upper one's would be drawn as deep as both: a sliver."""
    spec = plan_chart(plans["heavy"], INCHES).to_dict()
    (take,) = [layer for layer in spec["layer"] if layer["encoding"].get("y", {}).get("field") == "take"]
    ends = [r["at"] for r in plan_rows(plans["heavy"], INCHES) if r["at"] == 0]
    assert len(ends) == 2 and take["encoding"]["y"]["stack"] is None


@pytest.mark.parametrize("units", [INCHES, CM], ids=["in", "cm"])
def test_chart_table_and_words_scrape_the_same_places(plans, units):
    """What may be a hinge a third of an inch short of a stretch's end: the words end the stretch before it, so nothing is drawn
    beyond it, nor told in the table. One that lies well within is left out, and the stretch goes on beyond."""
    plan = plans["heavy"]
    (a, b), limb = plan.stretches[0].from_nock_mm, plan.stretches[0].limb
    for ends, parts in (((b - 70.0, b - 8.0), 1), ((a + 200.0, a + 264.0), 2)):
        left = Leave(limb, ends, 0.08, told=False, slight=True)
        skipping = replace(plan, leave=(left,), stretches=plan.stretches[:1])
        spans = scraped(plan.stretches[0], skipping.leave, units)
        assert len(spans) == parts and all(high <= ends[0] or low >= ends[1] for low, high in spans)
        drawn_ = [r["take"] > 0 for r in plan_rows(skipping, units) if r["limb"] == limb]
        assert np.count_nonzero(np.diff(np.concatenate([[0], drawn_, [0]])) == 1) == parts
        text = next(x.text for x in plan_in_words(skipping, units).steps if x.pattern == "stretch")
        assert text.partition(" from the nock")[0].count(" to ") == parts
        for row in plan_tables(skipping, units)[LIMBS.index(limb)].rows:
            at = (10.0 if units is CM else 25.4) * float(row[0])
            if min(abs(at - x) for span in spans for x in span) > 1e-6:  # where both end, the table keeps off
                assert ("%" in row[-1]) == any(low < at < high for low, high in spans)


def test_the_document_is_json_and_whole(plans):
    for plan in plans.values():
        document = json.loads(json.dumps(as_document(plan), allow_nan=False))
        assert len(document["stretches"]) == len(plan.stretches)
        assert document["after"]["weight"]["value"] == pytest.approx(plan.after.weight.value, abs=0.001)
