"""From documents to what is told at the bench: all together, what is missing, the sentences, the command."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from jsonschema import Draft202012Validator
from typer.testing import CliRunner

from tests.support.benches import BRACE_MM, WORKING_MM, document, string_of, wooden_bow
from tillerlens.cli.app import app
from tillerlens.core.document import measurement_schema
from tillerlens.core.measurement import Measurement, Value
from tillerlens.mechanics.bench import Given, as_document, tell
from tillerlens.mechanics.cast import ArrowSpeed, judge_cast
from tillerlens.mechanics.find_wood import find_wood
from tillerlens.mechanics.force_draw import Reading
from tillerlens.mechanics.statics import drawn
from tillerlens.mechanics.strain import ANY_WOOD, Risk, SetExpected, strain_limit
from tillerlens.report.words.mechanics import (
    bench_words,
    expected_set_words,
    force_words,
    limit_words,
    say_set,
    speed_words,
    strain_words,
)
from tillerlens.report.words.quantities import Units

BOW = wooden_bow(hinge=0.3)
PICTURES = [document(BOW, braced_only=True), document(BOW, 420), document(BOW, 510)]
REST = document(BOW)
FULL = 660.0


@pytest.fixture(scope="module")
def told():
    return tell(Given(PICTURES, REST, full_draw_mm=FULL, arrows=(ArrowSpeed(0.032, 48.0),)))


def test_made_up_documents_are_of_the_published_form() -> None:
    for d in (*PICTURES, REST):
        errors = [e.message for e in Draft202012Validator(measurement_schema()).iter_errors(d.as_document())]
        assert not errors


def test_everything_is_told_from_pictures_and_weighings(told) -> None:
    assert told.reasons == ()
    want = drawn(BOW, string_of(BOW), FULL).weight
    got = told.curve.weight_at(FULL)
    assert abs(got.value - want) < 2 * got.u and got.value == pytest.approx(want, rel=0.02)
    assert told.risk_full.limb == "upper" and told.risk_full.from_nock_mm == pytest.approx(WORKING_MM - 400, abs=30)
    assert told.risk_full.strain.value > told.risk_seen.strain.value
    assert told.draw_seen_mm == 510 and told.modulus is None and told.set_found is None
    d = as_document(told, [0.03])
    json.dumps(d, allow_nan=False)
    assert d["stiffness"]["unit"] == "N m2" and d["stiffness"]["upper"]["stiffness"][0] is None
    assert d["arrows"]["expected"][0]["speed"]["value"] == pytest.approx(told.cast.speed(0.03).value, abs=1e-3)


def test_what_is_missing_is_said_and_the_rest_told() -> None:
    blind = tell(Given(PICTURES[1:2], None, full_draw_mm=FULL))
    assert blind.stiffness is None and blind.curve is None
    assert {r.code for r in blind.reasons} == {"mechanics"}
    assert any("unstrung" in r.remedy for r in blind.reasons) and any("brace" in r.text for r in blind.reasons)
    no_picture = tell(Given([], readings=[Reading(508, 140)], brace_back_mm=BRACE_MM, length_mm=1660, full_draw_mm=FULL))
    assert no_picture.curve is not None and not no_picture.curve.own_shape and no_picture.stiffness is None
    no_length = tell(Given([], readings=[Reading(508, 140)], brace_back_mm=BRACE_MM, full_draw_mm=FULL))
    assert any("length" in r.text for r in no_length.reasons)
    no_brace = tell(Given(PICTURES[1:], REST, full_draw_mm=FULL)).curve  # the string's own length tells the brace
    with_brace = tell(Given(PICTURES, REST, full_draw_mm=FULL)).curve
    assert no_brace is not None and no_brace.weight_at(FULL).u >= 0.9 * with_brace.weight_at(FULL).u


# --- words ----------------------------------------------------------------------------------------------------


def text_of(sentences) -> str:
    return "\n".join(s.text for s in sentences)


def test_words_are_cautious_and_complete(told) -> None:
    said = bench_words(told, others=[0.03, 0.09])
    text = text_of(said)
    assert "The readings stop at 20 1/16 in" in text and "±" in text
    assert "Never pull past the intended weight" in text and "eye protection" in text  # care goes along
    assert "safe" not in text.lower() and "nan" not in text.lower()
    assert said[0].tone == "finding" or all(s.tone != "finding" for s in said)
    assert "unlike those shot" in text  # of the 90 g arrow
    metric = text_of(bench_words(told, Units("cm", "kg")))
    assert " kg (±" in metric and " lb (" not in metric
    assert not re.search(r"\d (?:gr|ft/s|in|ft·lb)\b", metric)


def risk(share: float, u: float, clear: bool = True, limit=ANY_WOOD, heat: float | None = 1.0) -> Risk:
    return Risk(
        "lower", "belly", 300.0, Value(share * limit.strain, u * limit.strain, ""), Value(share, u, ""), clear, limit, heat
    )


def test_one_draws_strain_is_told_of_a_bow_that_was_drawn_so_far() -> None:
    """A table said the strain foretold at 25 in beside a sentence of that seen at 25 1/4, each without the other's draw."""
    strung, rest = [document(BOW, braced_only=True), document(BOW, 641)], document(BOW)
    there = tell(Given(strung, rest, full_draw_mm=635))
    assert there.risk_full is None and there.strain_full is None and there.risk_seen is not None
    further = tell(Given(strung, rest, full_draw_mm=660))
    assert further.risk_full is not None and further.risk_full.strain.value > further.risk_seen.strain.value
    assert tell(Given(strung, None, full_draw_mm=635)).risk_full is not None  # without rest only the statics tell


def test_a_strain_is_a_verdict_only_beyond_its_interval() -> None:
    units = Units()
    calm = strain_words(risk(0.7, 0.05), 600, False, units)
    assert calm.tone == "plain" and "the limit of" not in calm.text and "the most: 0.70 % (±0.10 %)" in calm.text
    perhaps = strain_words(risk(0.95, 0.05), 600, True, units)
    assert perhaps.tone == "finding" and "may be over the limit of 1.00 %" in perhaps.text and "will be pressed" in perhaps.text
    just = strain_words(risk(1.05, 0.05), 600, True, units)
    assert just.tone == "finding" and "is over the limit of 1.00 %, though by less than its interval" in just.text
    surely = strain_words(risk(1.3, 0.05), 600, True, units)
    assert "That is over the limit of 1.00 %: don't draw it that far" in surely.text
    assert "none stands out" in strain_words(risk(0.7, 0.05, clear=False), 600, False, units).text


def test_the_set_to_expect_is_told_by_what_makers_accept() -> None:
    units = Units()

    def said(low: float, high: float):
        found = replace(risk(0.7, 0.05), set_expected=SetExpected(25.4 * low, 25.4 * high))
        return expected_set_words(found, 711.2, units)[0]

    assert said(0.1, 0.9).tone == "fine" and "Drawn to 28 in, expect up to 1 in of set: good." in said(0.1, 0.9).text
    assert said(0.5, 1.8).tone == "fine" and "1/2 to 2 in of set: within bounds" in said(0.5, 1.8).text
    assert said(0.8, 2.6).tone == "open" and "3/4 to 2 3/4 in of set. That is hard on the wood" in said(0.8, 2.6).text
    assert said(2.1, 4).tone == "finding" and "more than the 2 in that makers accept" in said(2.1, 4).text
    assert all("common practice" in said(*x).text for x in ((0.1, 0.9), (0.8, 2.6), (2.1, 4)))
    assert say_set(SetExpected(12.7, 30), Units("cm", "kg")) == "1.0 to 3.0 cm of set"
    assert expected_set_words(risk(0.7, 0.05), 600, units) == []


def test_the_strains_interval_comes_with_its_causes(told) -> None:
    found = told.risk_seen.strain
    assert found.u == pytest.approx(np.sqrt(sum(u**2 for u in found.budget.values())), rel=1e-9)
    assert set(found.budget) == {"the bend drawn", "the bend at rest", "the thickness seen from the side"}
    assert set(told.risk_full.strain.budget) == {"the stiffness", "the statics", "the thickness seen from the side"}
    assert "The strain's interval comes from the thickness seen from the side ±" in text_of(bench_words(told))


def test_a_limits_source_and_the_users_own_factor_are_named() -> None:
    plain = text_of(limit_words(risk(0.7, 0.05), True))
    assert "Nagler" in plain and "your own factor" not in plain and "caliper" not in plain
    own = text_of(limit_words(risk(0.7, 0.05, heat=1.2), False))
    assert "your own factor of 1.2" in own and "caliper" in own
    kin = text_of(limit_words(risk(0.7, 0.05, limit=strain_limit(find_wood("vine maple"))), True))
    assert "sugar maple's figures stand in" in kin and "at which sugar maple breaks" in kin
    unknown = text_of(limit_words(risk(0.7, 0.05, heat=None), True))
    assert "5 to 30 % later (common practice, no source)" in unknown


def test_an_odd_weight_and_a_seen_full_draw() -> None:
    bow = wooden_bow()
    readings = [Reading(d, drawn(bow, string_of(bow), d).weight, 1.0, 1.0) for d in (300, 400, 500, 600)]

    def said(extra_n: float):
        slip = [*readings[:1], Reading(400, readings[1].weight_n + extra_n, 1.0, 1.0), *readings[2:]]
        return tell(Given([], readings=slip, brace_back_mm=BRACE_MM, length_mm=1660, full_draw_mm=600))

    mild = said(4.4)  # a pound
    text = text_of(force_words(mild.curve, 600, mild.stacking, Units()))
    assert "it draws" in text and "The readings stop" not in text
    wrong = said(25)
    assert wrong.curve is None and wrong.cast is None
    first = bench_words(wrong)[0]
    assert first.tone == "finding" and "does not fit the others. So no weight is given" in first.text


def test_the_expected_speed_says_how_sure() -> None:
    cast = judge_cast([ArrowSpeed(0.03, 50.0)], Value(55.0, 0.6, "J"))
    assert "±" in speed_words(cast, 0.028, Units()).text and speed_words(cast, 0.07, Units()).tone == "open"


# --- command --------------------------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path):
    for name, d in (("braced", PICTURES[0]), ("drawn", PICTURES[1:]), ("rest", REST)):
        (tmp_path / f"{name}.json").write_text(json.dumps(d, default=Measurement.as_document))
    return tmp_path


def run(folder, *words: str):
    return CliRunner().invoke(app, ["bench", "tell", *(str(folder / w) if w.endswith((".json", ".csv")) else w for w in words)])


def test_the_command_tells(folder) -> None:
    got = run(
        folder,
        "braced.json",
        "drawn.json",
        "--rest",
        "rest.json",
        "--full",
        "26in",
        "--arrow",
        "500gr=150fps",
        "--expect",
        "450gr",
    )
    assert got.exit_code == 0, got.output
    assert "At 26 in expect about" in got.stdout and "Expect an arrow of 450 gr to fly at" in got.stdout
    printed = run(folder, "braced.json", "drawn.json", "--rest", "rest.json", "--weigh", "12in=17.5lb", "--json")
    assert printed.exit_code == 0
    d = json.loads(printed.stdout)
    assert d["format"] == "tillerlens-bench" and d["force_draw"]["from_own_statics"]


def test_the_command_with_calipers_and_wood(folder) -> None:
    rows = ["limb,from_nock,width,thickness,crown"]
    for limb in ("upper", "lower"):
        for s in np.linspace(0, WORKING_MM, 7):
            w, t = np.interp(WORKING_MM - s, [0, 380, 720], [38, 36, 13]), np.interp(WORKING_MM - s, [0, 720], [15, 9])
            rows.append(f"{limb},{s:.1f}mm,{w:.2f}mm,{t:.2f}mm,0mm")
    (folder / "limbs.csv").write_text("\n".join(rows))
    words = ["braced.json", "drawn.json", "--rest", "rest.json", "--calipers", "limbs.csv", "--wood", "sugar maple"]
    got = run(folder, *words)
    assert got.exit_code == 0, got.output
    assert "agrees with the handbook's 12.6 GPa" in got.stdout and "with a caliper" not in got.stdout
    damp = run(folder, *words, "--moisture", "20%", "--json")  # Wood Handbook Eq. 5-3: 12.6 (12.6 / 10.7)^(-8 / 13)
    document = json.loads(damp.stdout)
    assert document["modulus_MPa"]["value"] == json.loads(run(folder, *words, "--json").stdout)["modulus_MPa"]["value"]
    assert "12.6 GPa" not in run(folder, *words, "--moisture", "20%").stdout
    assert document["wood"] == "sugar maple" and document["strain_seen"]["most_at_risk"]["set_expected_mm"][1] > 0
    (folder / "limbs.csv").write_text("limb,width\nupper,1in")
    assert run(folder, *words).exit_code == 2


@pytest.mark.parametrize(
    ("words", "hint"),
    [
        (("none.json",), "cannot be opened"),
        (("drawn.json", "--weigh", "33"), "20in=33lb"),
        (("drawn.json", "--arrow", "heavy=fast"), "is not a mass"),
        (("drawn.json", "--weigh", "20in=0lb"), "more than zero"),
        (("drawn.json", "--weigh", "-20in=30lb"), "more than zero"),
        (("drawn.json", "--length", "0in"), "more than zero"),
        (("drawn.json", "--full", "9" * 400), "too long for a length"),
        (("drawn.json", "--wood", "ironbark"), "not in the list"),
        (("drawn.json", "--heat-factor", "9"), "heat factor"),
        (("drawn.json", "--heat-factor", "nan"), "heat factor"),
        (("drawn.json", "--moisture", "0.09"), "did you mean 9%"),
        (("drawn.json", "--rest", "braced.json"), "braced.json is not a measurement of the bow unstrung"),
        (("drawn.json", "--rest", "drawn.json"), "drawn.json holds 2 measurements"),
        (("drawn.json", "--rest-after", "braced.json"), "braced.json is not a measurement of the bow unstrung"),
        (("rest.json",), "shows the bow unstrung, so it cannot tell how the limbs carry"),
        (("drawn.json", "--length", "60in"), 'but 60" was given'),
    ],
)
def test_slips_are_answered_with_a_remedy(folder, words, hint: str) -> None:
    got = run(folder, *words)
    assert got.exit_code == 2 and hint in got.stderr


@pytest.mark.parametrize(
    "words",
    [
        ("drawn.json", "--weigh", "20in=0lb"),
        ("drawn.json", "--weigh", "20in=-5lb"),
        ("drawn.json", "--weigh", "0in=5lb"),
        ("drawn.json", "--arrow", "0gr=150fps"),
        ("drawn.json", "--arrow", "500gr=0fps"),
        ("drawn.json", "--expect", "0gr"),
        ("drawn.json", "--brace", "7in", "--weigh", "6in=5lb"),
        ("drawn.json", "--brace", "12in", "--full", "10in"),
        ("drawn.json", "--brace", "0in"),
        ("drawn.json", "--full", "-28in"),
    ],
)
def test_numbers_that_no_hand_has_read_are_refused_in_words(folder, words) -> None:
    """Where a number is read, or at the gate: in either place with a sentence, and nothing is told."""
    got = run(folder, *words)
    assert got.exit_code == 2 and not got.stdout
    assert re.search("cannot be right|is not beyond|more than zero", got.stderr), got.stderr


def test_a_question_that_cannot_be_answered_is_status_3(folder) -> None:
    (folder / "one.json").write_text(json.dumps(PICTURES[1].as_document()))
    got = run(folder, "one.json", "--full", "26in")
    assert got.exit_code == 3 and "cannot tell stiffness from a natural bend" in got.stdout
