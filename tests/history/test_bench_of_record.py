"""What of a record holds for the bow as it is now, notes that are read back, and the bench's charts and first sentences."""

import math
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from tests.support.bench_shop import CALIPERS, FULL_MM, filled_bench, stage_document, statics
from tests.support.benches import HALF_HANDLE_MM, WORKING_MM
from tests.support.pairs import document, flat, stretch
from tests.support.shop import BEGIN, EVENTS, event_of
from tillerlens.core.errors import ShotError
from tillerlens.core.events import PlanDetails
from tillerlens.core.measurement import Value
from tillerlens.core.units import NEWTON_PER_POUND
from tillerlens.history import bench as of
from tillerlens.measures.compare import compare
from tillerlens.measures.pair import read_picture
from tillerlens.mechanics.bench import tell
from tillerlens.mechanics.cast import ArrowSpeed, judge_cast
from tillerlens.mechanics.plan import plan_from_documents
from tillerlens.mechanics.scraping import Hand, Leave, Left
from tillerlens.mechanics.scraping.target import ScrapeTarget
from tillerlens.mechanics.section import SectionError
from tillerlens.mechanics.strain import SetExpected
from tillerlens.mechanics.wood import DryBand
from tillerlens.record import Bow, open_record, store
from tillerlens.record.typed import read_calipers
from tillerlens.record.views import timeline
from tillerlens.report.charts import bench as charts_bench
from tillerlens.report.words.bench import headline, moved_sentence, number_rows
from tillerlens.report.words.mechanics import bench_words
from tillerlens.report.words.quantities import Units, newtons_per

INCHES, METRIC = Units(), Units("cm", "kg")


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    folder = tmp_path_factory.mktemp("record")
    filled_bench(folder)
    with open_record(folder) as record:
        (bow,) = store.list_bows(record)
        yield record, timeline(record, bow.id)


@pytest.fixture(scope="module")
def told(shop):
    record, line = shop
    hand = of.on_hand(line.stages, line.events)
    given = of.given_of(
        line.bow, hand, lambda s: store.measurement(record, s.id), FULL_MM, of.sections_by(read_calipers(CALIPERS))
    )
    return given, tell(given)


def event(kind, hours, details, notes=""):
    return event_of("b" * 8, kind, BEGIN + timedelta(hours=hours), details, notes)


def rows_of(chart):
    return [row for rows in chart.to_dict()["datasets"].values() for row in rows]


# --- what holds now


def test_nothing_from_before_the_last_scraping_counts_but_the_shape_at_rest(shop):
    _, line = shop
    hand = of.on_hand(line.stages, line.events)
    scraped = next(e.happened_at for e in line.events if e.kind == "scrape")
    assert len(hand.strung) == 4 and all(s.taken_at > scraped for s in hand.strung)
    assert hand.rest is not None and hand.rest.taken_at < scraped
    assert hand.rest_after is not None and hand.rest_after.taken_at > hand.strung[-1].taken_at
    assert len(hand.weighings) == 3 and len(hand.arrows) == 2
    newer = of.on_hand(line.stages, [*line.events, event("scrape", 24 * 30, EVENTS["scrape"])])
    assert not newer.strung and not newer.weighings and newer.rest is not None


def test_the_bench_is_told_the_wood_by_its_name(told):
    given, _ = told
    assert given.limit.wood == "shagbark hickory" and given.modulus[1] == 0.2
    # a meter read 7 %; Wood Handbook table 5-3a (green value from memory), Eq. 5-3
    assert given.modulus[0] == pytest.approx(14_900 * (14_900 / 10_800) ** (5 / 13), rel=1e-9)
    assert of.wood_of("an unknown wood")[1] is None
    assert of.wood_of("Hickory")[1][0] == 14900 and of.wood_of("Hickory")[1][1] > 0.2


def test_stiffness_is_taken_at_the_moisture_last_noted(shop):
    """Wood Handbook Eq. 5-3 for shagbark hickory at 8 %: 14.9 (14.9 / 10.8)^(4 / 13) GPa; a meter counts before the air."""
    record, line = shop
    air = event("moisture", 1, {"temperature_c": 21.0, "humidity_percent": 80.0})
    meter = event("moisture", 2, {"reading_percent": 8.0})
    assert of.moisture_of(line.events) is None or isinstance(of.moisture_of(line.events), float)
    assert of.moisture_of([air]) == pytest.approx(16.2, abs=0.3)  # half way between 16.0 and 16.5
    assert of.moisture_of([meter, air]) == 8.0
    hand = of.on_hand(line.stages, [*line.events, meter])
    for heated, factor in ((True, None), (False, 1.0)):
        told = of.given_of(line.bow, replace(hand, heated=heated), lambda s: store.measurement(record, s.id), FULL_MM)
        assert told.heat_factor == factor
    given = of.given_of(line.bow, hand, lambda s: store.measurement(record, s.id), FULL_MM)
    assert given.modulus[0] == pytest.approx(14_900 * (14_900 / 10_800) ** (4 / 13), rel=1e-6)


def test_arrows_shot_at_another_draw_are_left_out(shop):
    record, line = shop
    hand = of.on_hand(line.stages, line.events)
    given = of.given_of(line.bow, hand, lambda s: store.measurement(record, s.id), FULL_MM - 60)
    assert not given.arrows


# --- calipers and plans


def test_calipers_are_read_from_lines():
    upper = of.sections_by(
        read_calipers("upper; 0; 13 mm; 9 mm\n\nUpper, 28, 1 1/2, 0.6, 1/16\nlower,0,.5,.35\nlower,28,1.5,.6")
    )["upper"]
    assert upper.width_mm == pytest.approx([13, 38.1]) and upper.thickness_mm == pytest.approx([9, 15.24])
    assert upper.crown_mm == pytest.approx([0, 25.4 / 16])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("upper, 4, 1", "not a caliper reading"),
        ("both, 4, 1, 0.5", "not a caliper reading"),
        ("upper, 4, 1, thick", "not a length"),
        ("upper, 4, 1, 0.5", "two places"),
        ("\n".join(["upper, 4, 1, 0.5"] * 2 + ["lower, 4, 1, 0.5", "lower, 5, 1, 0.5"]), "one place"),
    ],
)
def test_calipers_that_cannot_be_are_refused_in_words(text, words):
    with pytest.raises((ShotError, SectionError), match=words):
        of.sections_by(read_calipers(text))


def test_what_a_plan_foretold_is_read_back_once_it_was_the_last_step():
    before = statics()
    documents = [stage_document(before, d, seed=k) for k, d in enumerate((420.0, 600.0))]
    plan = plan_from_documents(documents, stage_document(before), ScrapeTarget(40 * NEWTON_PER_POUND, FULL_MM))
    taken = of.taken_step(plan)
    note = event("plan", 2, taken.as_dict())
    assert note.details == taken
    scrape = event("scrape", 2, {"limb": "upper", "start_from_nock_mm": 1.0, "end_from_nock_mm": 2.0})
    told = of.foretold_of([scrape, note])
    assert (told.draw_back, told.weight) == (plan.after.draw_back, plan.after.weight)
    hinged = replace(plan, leave=(Leave("lower", (120.0, 180.4), 0.2), Leave("upper", (50.0, 90.0), 0.1, told=False)))
    kept = of.foretold_of([scrape, replace(note, details=of.taken_step(hinged))])
    assert (kept.left, kept.skipped) == ((Left("lower", (120.0, 180.4)),), (Left("upper", (50.0, 90.0)),))
    for named in (True, False):
        softer = Leave("lower", (120.0, 180.4), 0.2, told=False, before=named, after=Value(-0.031, 0.0725, ""))
        kept = of.foretold_of([scrape, replace(note, details=of.taken_step(replace(plan, leave=(softer,))))])
        one = (Left("lower", (120.0, 180.4), softer.after),)
        assert (kept.left, kept.skipped) == ((one, ()) if named else ((), one))
    assert told.before == plan.now.weight.value
    assert told.hand == Hand(1.0, 0.2, 0)
    bare = PlanDetails(taken.draw_mm, taken.weight_n, taken.u_weight_n)  # as it was kept before hands were learned
    old = replace(note, details=bare)
    assert math.isnan(of.foretold_of([scrape, old]).before)
    for last in (told, of.foretold_of([scrape, old])):  # the note's forecast of a step that was not taken is held against the bow
        again = plan_from_documents(documents, stage_document(before), ScrapeTarget(40 * NEWTON_PER_POUND, FULL_MM), last=last)
        assert again.hand.steps == (1 if last is told and "forecast_missed" not in [d.code for d in again.doubts] else 0)
    assert of.foretold_of([note, replace(scrape, happened_at=note.happened_at + timedelta(hours=1))]) is None
    assert of.foretold_of([scrape]) is None


def test_strokes_are_learnt_only_from_a_scraping_alone_between_two_weighings():
    bow = Bow("Pipit")
    read = ((1, 200.0), (3, 190.0), (6, 180.0))
    weigh = [event("weighing", h, {"draw_mm": 600.0, "draw_to": "back", "weight_n": w}) for h, w in read]
    where = {"limb": "lower", "start_from_nock_mm": 100.0, "end_from_nock_mm": 300.0}
    done = ((2, {"strokes": 20}), (4, {"strokes": 9}), (5, {}))
    scrapes = [event("scrape", h, {**where, **strokes}) for h, strokes in done]
    (one,) = of.history_of(bow, (), [*weigh, *scrapes])
    assert (one.limb, one.strokes, one.weight_before, one.weight_after) == ("lower", 20, 200.0, 190.0)


# --- charts


def test_bend_from_rest_shows_the_movement_and_the_wish():
    """Bend of 1.5/m drawn on 0.2/m at rest moved by 1.3/m wherever it is even; the wish for an arc is that very line.
    Shown as degrees in an inch, of which 1/m is 1.45530."""
    moved = 1.3 * np.degrees(0.0254)
    rest, bent = (document(stretch(k, 0, 1e4), stretch(k, 0, 1e4), state) for k, state in ((0.2, "unstrung"), (1.5, "drawn")))
    rows, wished = charts_bench.from_rest_rows(read_picture(rest), read_picture(bent), INCHES, "arc")
    assert {r["limb"] for r in rows} == {"upper", "lower"}
    assert [r["bend"] for r in rows] == pytest.approx([moved] * len(rows), abs=1e-4)
    assert rows[0]["high"] - rows[0]["low"] == pytest.approx(4 * np.hypot(0.03, 0.03) * np.degrees(0.0254), abs=1e-3)
    assert [r["wish"] for r in wished] == pytest.approx([moved] * len(wished), abs=1e-4)
    outer = charts_bench.from_rest_rows(read_picture(rest), read_picture(bent), INCHES, "more_outer")[1]
    upper = sorted((r for r in outer if r["limb"] == "upper"), key=lambda r: r["at"])
    assert upper[-1]["wish"] > moved > upper[0]["wish"]  # a quarter more at the nock, a quarter less at the fade
    assert charts_bench.from_rest_rows(read_picture(rest), read_picture(bent), INCHES, "even_strain")[1] == []


@pytest.mark.parametrize("units", [INCHES, METRIC])
def test_the_force_draw_curve_is_drawn_with_its_readings(told, units):
    given, bench = told
    wish = (FULL_MM, 200.0)
    rows = rows_of(charts_bench.force_draw_chart(bench.curve, given.readings, units, wish, 600.0))
    ahead = [r for r in rows if r.get("part") == "expected"]
    assert min(r["draw"] for r in ahead) == pytest.approx(units.on_axis(bench.curve.readings_to_mm), abs=units.on_axis(6.0))
    per = newtons_per(units)
    end = max(ahead, key=lambda r: r["draw"])
    assert end["weight"] == pytest.approx(bench.curve.weight_at(FULL_MM).value / per, abs=0.01)
    assert end["low"] < end["weight"] < end["high"]
    assert any(r.get("says") == "target" and r["weight"] == pytest.approx(200 / per) for r in rows)


def test_strain_arrows_and_moisture_have_charts(told):
    given, bench = told
    rows = rows_of(charts_bench.strain_chart(bench.strain_full, bench.risk_full, INCHES))
    assert max(r["strain"] for r in rows if "limb" in r) == pytest.approx(100 * bench.risk_full.strain.value, abs=1e-3)
    cast = judge_cast([ArrowSpeed(0.026, 50.0), ArrowSpeed(0.036, 45.0)])
    rows = rows_of(charts_bench.arrows_chart(cast, [ArrowSpeed(0.026, 50.0)], METRIC))
    assert any(r["arrow"] == pytest.approx(26) and r["speed"] == pytest.approx(50) for r in rows)
    rows = rows_of(charts_bench.moisture_chart([("meter", Value(9.0, 1.0, "%"))], DryBand()))
    assert any(r.get("low") == 7.0 and r.get("high") == 11.0 and r.get("what") == "meter" for r in rows)
    with pytest.raises(ValueError, match="no moisture"):
        charts_bench.moisture_chart([("meter", Value(float("nan"), 1.0, "%"))], DryBand())


def test_two_shapes_lie_on_the_handle():
    rows = rows_of(charts_bench.shape_pair_chart(*(read_picture(stage_document(statics(), d)) for d in (420.0, 600.0)), METRIC))
    now = [r for r in rows if r["stage"] == "now"]
    assert min(r["at"] for r in now) < 0 < max(r["at"] for r in now)  # upper limb, + x in the bow's frame, to the left
    assert now[0]["order"] == 0 and now[0]["at"] < 0
    assert min(abs(r["at"]) for r in now) == pytest.approx(HALF_HANDLE_MM / 10, abs=0.1)
    assert max(abs(r["at"]) for r in now) < (HALF_HANDLE_MM + WORKING_MM) / 10


# --- first sentences


def test_the_first_sentence_is_the_most_pressing(told):
    _, bench = told
    risk = bench.risk_full

    def at(share, u):
        return replace(bench, risk_seen=None, risk_full=replace(risk, share=Value(share, u, "")))

    assert headline(at(1.05, 0.01), None, INCHES).text.startswith("Don't draw it to 28 in")
    assert "may be strained over the wood's limit" in headline(at(0.95, 0.1), None, INCHES).text
    calm = replace(bench, risk_seen=None, risk_full=replace(risk, share=Value(0.5, 0.05, ""), set_expected=SetExpected(5, 20)))
    hard = replace(calm, risk_full=replace(calm.risk_full, set_expected=SetExpected(55, 90)))
    assert "That costs 2 to 3 3/4 in of set" in headline(hard, None, INCHES).text
    plain = headline(replace(calm, stacking=None), None, INCHES)
    assert plain.tone == "plain" and plain.text.startswith("At 28 in expect about") and "lb (±" in plain.text
    nothing = headline(replace(bench, curve=None, risk_seen=None, risk_full=None), None, INCHES)
    assert nothing.tone == "open" and "Can't tell" in nothing.text


def test_the_most_strain_is_one_number_in_table_and_words_and_names_its_draw(told):
    """A picture drawn a little past full draw: both go by what it shows, not one by that and one by the statics at full draw."""
    _, bench = told
    past = replace(bench, full_draw_mm=bench.draw_seen_mm - 3)
    for b in (bench, past):
        (what, value, reach), *_ = [row for row in number_rows(b, INCHES) if row[0].startswith("most strain")]
        first = next(s.text for s in bench_words(b, INCHES) if s.about == "strain")
        assert f"{value} ({reach})" in first and what.removeprefix("most strain a").partition(",")[0][2:] in first


def test_the_numbers_are_in_the_readers_units(told):
    _, bench = told
    inches, metric = ({what: value for what, value, _ in number_rows(bench, u)} for u in (INCHES, METRIC))
    weight = float(inches["weight at 28 in"].split()[0])
    assert float(metric["weight at 71.1 cm"].split()[0]) == pytest.approx(weight * 0.45359237, abs=0.06)
    energy = float(inches["energy stored at 28 in"].split()[0])
    assert float(metric["energy stored at 71.1 cm"].split()[0]) == pytest.approx(energy * 1.3558, abs=0.15)
    assert "virtual mass of limbs and string" in inches and any(k.startswith("efficiency") for k in inches)


def test_turning_from_rest_is_told_where_it_differs():
    """1/m over 400 mm is 0.4 rad or 22.9 degrees; the other limb does half of that."""
    pair = compare(document(flat, flat), document(stretch(1.0, 100, 500), stretch(0.5, 100, 500), "drawn"))
    said = moved_sentence(pair).text
    assert "upper limb turned by 22." in said and "lower by 11." in said and said.endswith("The upper limb bends more.")
    alike = compare(document(flat, flat), document(stretch(1.0, 100, 500), stretch(1.0, 100, 500), "drawn"))
    assert "alike" in moved_sentence(alike).text
