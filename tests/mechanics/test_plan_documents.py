"""From measurement documents to a plan, and the commands: documents made up by the statics, with errors of curvature."""

import json
from dataclasses import replace

import numpy as np
import pytest
from typer.testing import CliRunner

from tests.support.benches import BRACE_MM, HALF_HANDLE_MM, ROOT_MM, document, string_of, wooden_limb
from tillerlens.cli.app import app
from tillerlens.core.units import NEWTON_PER_POUND, newtons_from_pounds, pounds_from_newtons
from tillerlens.mechanics import finding
from tillerlens.mechanics.bench import Given, Unpictured, tell
from tillerlens.mechanics.current_bow import gaps_of, sharpen
from tillerlens.mechanics.finding import find
from tillerlens.mechanics.force_draw import Reading, ReadingsDisagree
from tillerlens.mechanics.observed import SCALE_GAIN_U, MechanicsError, read_observed
from tillerlens.mechanics.places import BLIND_Z, LEAST_Z, AnomaliesFound
from tillerlens.mechanics.plan import current_from_documents, plan_from_documents
from tillerlens.mechanics.scraping.target import ScrapeTarget
from tillerlens.mechanics.statics import Bow, Handle, drawn
from tillerlens.mechanics.stiffness import estimate_stiffness
from tillerlens.mechanics.what_if import Change, compare, standing_from_documents
from tillerlens.report.charts.plan import stiff_rows
from tillerlens.report.words.bench import number_rows
from tillerlens.report.words.plan import plan_in_words
from tillerlens.report.words.plan_tables import plan_tables
from tillerlens.report.words.quantities import Units
from tillerlens.report.words.what_if import table

FULL = 711.0
BOW = Bow(wooden_limb(hinge=0.25, level=1.1), wooden_limb(), Handle(HALF_HANDLE_MM, HALF_HANDLE_MM, ROOT_MM))


@pytest.fixture(scope="module")
def pictures():
    noise = np.random.default_rng(3)
    return [document(BOW, d, noise=noise) for d in (400.0, 520.0, 600.0)], document(BOW, noise=noise)


def test_the_bow_behind_the_documents_is_found(pictures):
    present = current_from_documents(*pictures)
    true = drawn(BOW, string_of(BOW), 600.0)
    assert BRACE_MM < 600 and present.seen.weight == pytest.approx(true.weight, abs=0.26 * NEWTON_PER_POUND)
    for got, want in zip((present.seen.upper, present.seen.lower), gaps_of(true, present.seen.stations), strict=True):
        np.testing.assert_allclose(got, want, atol=0.1)
    bow = sharpen(present).bow
    weight = drawn(bow, present.string_length, FULL).weight
    assert weight == pytest.approx(drawn(BOW, string_of(BOW), FULL).weight, rel=0.015)


def test_its_plan_leaves_the_hinge_and_lightens_the_strong_limb(pictures):
    """The hinge lies 400 mm from the fade of a 720 mm limb: 320 mm from the nock."""
    wish = ScrapeTarget(drawn(BOW, string_of(BOW), FULL).weight * 0.8, FULL)
    plan = plan_from_documents(*pictures, wish)
    (left,) = [q for q in plan.leave if q.told]
    assert left.limb == "upper" and left.from_nock_mm[0] < 320 < left.from_nock_mm[1]
    assert plan.after.weight.value > wish.weight
    assert not any(s.limb == "upper" and s.from_nock_mm[0] < 330 and s.from_nock_mm[1] > 310 for s in plan.stretches)


@pytest.mark.parametrize(("noisier", "least_z"), [(1.0, LEAST_Z), (5.0, BLIND_Z)])
def test_a_place_must_stand_out_more_where_the_shape_at_rest_is_poor(pictures, monkeypatch, noisier, least_z):
    """The same look of errors, but the rest five times noisier: then the stiffness hangs on how three draws agree."""
    asked = []
    monkeypatch.setattr(finding, "find_places", lambda *curves_and_z: (asked.append(curves_and_z[2]), AnomaliesFound())[1])
    rest = document(BOW, noise=np.random.default_rng(4), u_per_m=0.02 * noisier)
    find(pictures[0], rest)
    find(pictures[0][:1], rest)
    find(pictures[0], None)
    assert asked == [least_z, least_z, BLIND_Z]


def test_draws_that_agree_make_a_poor_rest_no_surer():
    """Two draws an inch apart and without any error: what the limbs moved from rest is as unsure as the rest. Believed by how
    well the draws agree, it was said to be a third surer."""
    seen = [read_observed(document(BOW, d)) for d in (575.0, 600.0)]
    got = estimate_stiffness(seen, read_observed(document(BOW, u_per_m=0.1)))
    for name, limb in got.limbs.items():
        arm = np.interp(limb.from_nock_mm, seen[1].limbs[name].from_nock_mm, seen[1].limbs[name].arm_mm)
        moved_u = 1000 * got.tensions_n[1] * (arm * limb.u_compliance)[limb.inside]  # 1/m
        assert 0.09 < np.median(moved_u) < 0.12


def test_the_plan_reads_the_one_finding_whatever_a_single_picture_thought(pictures):
    documents, rest = pictures
    thought = {"limb": "lower", "kind": "hinge", "from_nock_mm": 250.0, "length_mm": 64.0, "bend_percent": 14.0}
    told = [replace(documents[0], spots=(thought,)), *documents[1:]]
    present = current_from_documents(told, rest)
    assert present.finding == find(documents, rest)
    plan = plan_from_documents(told, rest, ScrapeTarget(drawn(BOW, string_of(BOW), FULL).weight * 0.8, FULL))
    hinges = [p for p in present.finding.places if p.kind == "hinge"]
    assert [(q.limb, q.softer) for q in plan.leave if q.told] == [(p.limb, p.bend.value) for p in hinges]


def test_weights_plan_and_what_if_tell_one_weight_with_one_interval(pictures):
    """They told 1.6, 1.1 and 1.4 lb for one bow at one draw. A weighing without a picture and a brace height count on all."""
    (documents, rest), more = pictures, [Reading(640.0, 1.005 * drawn(BOW, string_of(BOW), 640.0).weight)]
    for readings, brace in (([], None), (more, None), (more, 150.0)):
        beside = Unpictured(readings, brace)
        bench = tell(Given(documents, rest, readings=readings, full_draw_mm=FULL, brace_back_mm=brace))
        plan = plan_from_documents(documents, rest, ScrapeTarget(0.8 * bench.curve.weight_at(FULL).value, FULL), beside=beside)
        standing = standing_from_documents(documents, rest, FULL, beside=beside)
        tried = compare(standing, [Change("shorten", 10.0)])
        assert plan.now.weight == bench.curve.weight_at(FULL) == tried.today.weight
        assert tried.today.energy == bench.curve.energy_at(FULL)
        assert standing.today.numbers[:2] == pytest.approx([tried.today.weight.value, tried.today.energy.value], rel=1e-6)
        # the statics that plan and what-if go on from draw the same: far below a tenth of a pound, and as surely
        u = np.linalg.norm(standing.today.moved[:, 0])
        assert u == pytest.approx(tried.today.weight.u, rel=0.02)
        (said,) = [line.text for line in plan_in_words(plan).lines if line.pattern == "weight_now"]
        weight, energy = number_rows(bench, Units())[:2]
        today, stored = (row[1] for row in table(tried, Units())[:2])
        assert f"{weight[1]} ({weight[2]})" in said and f"{weight[1]} ({weight[2].removesuffix(' lb')})" == today
        assert f"{energy[1]} ({energy[2].removesuffix(' ft·lb')})" == stored
    assert bench.curve.weight_at(FULL).u / bench.curve.weight_at(FULL).value > SCALE_GAIN_U


def stiff_bow() -> Bow:
    """The lower limb 18 % stiffer from 16.4 to 20.4 in from its nock, and nothing else amiss."""
    limb = wooden_limb()
    inches = (limb.length - limb.s) / 25.4
    inside = 1 / (1 + np.exp(-4 * (inches - 16.4))) - 1 / (1 + np.exp(-4 * (inches - 20.4)))
    return Bow(limb, replace(limb, ei=limb.ei * (1 + 0.18 * inside)), Handle(HALF_HANDLE_MM, HALF_HANDLE_MM, ROOT_MM))


@pytest.mark.parametrize("seed", range(6))
def test_finding_words_and_table_tell_one_stiff_place_and_wood_comes_off_it(seed):
    given, bow = {"noise": np.random.default_rng(seed), "u_per_m": 0.012}, stiff_bow()
    strung = [document(bow, braced_only=True, **given), *(document(bow, d, **given) for d in (450.0, 560.0))]
    plan = plan_from_documents(strung, document(bow, **given), ScrapeTarget(42 * NEWTON_PER_POUND, FULL))
    (place,) = [p for p in plan.finding.places if p.kind == "stiff"]
    assert place.limb == "lower" and place.from_nock_mm.value == pytest.approx(18.4 * 25.4, abs=25.4)
    assert not any(p.kind == "hinge" for p in plan.finding.places)
    (there,) = [s for s in plan.stretches if s.stiff]
    assert there.limb == "lower" and there.from_nock_mm == pytest.approx(place.ends_mm, abs=1)
    assert there.share == max(s.share for s in plan.stretches if s.limb == "lower")
    assert not any(q.limb == "lower" and q.from_nock_mm[0] < 20.4 * 25.4 and q.from_nock_mm[1] > 16.4 * 25.4 for q in plan.leave)
    said = [line.text for line in plan_in_words(plan).lines if line.pattern == "found_stiff"]
    assert len(said) == 1 and said[0].startswith("Lower limb: ") and "a stiff place" in said[0]
    rows = {r[0]: r[plan_tables(plan)[1].head.index("take")] for r in plan_tables(plan)[1].rows}
    assert f"{100 * there.share:g} %" in rows["18"]
    (box,) = stiff_rows(plan, Units())
    reach = plan.limbs[1].from_nock_mm[-1] / 25.4  # the lower limb runs from the handle at 0
    assert [reach - box["to"], reach - box["from"]] == pytest.approx([mm / 25.4 for mm in place.ends_mm], abs=0.01)


def test_what_does_not_belong_together_is_refused(pictures):
    documents, rest = pictures
    with pytest.raises(MechanicsError, match="cannot stand for its shape at rest"):
        current_from_documents(documents, documents[0])
    with pytest.raises(MechanicsError, match="cannot tell how the limbs carry"):
        current_from_documents([*documents, rest], rest)
    longer = replace(rest, shot=replace(rest.shot, nock_to_nock_mm=70.0 * 25.4))
    with pytest.raises(MechanicsError, match="bows of different lengths"):
        current_from_documents(documents, longer)


def weighed(found, pounds):
    return replace(found, shot=replace(found.shot, draw_weight_n=newtons_from_pounds(pounds)))


def test_weighings_of_no_one_bow_plan_nothing_and_try_nothing(pictures):
    """At 16, 20 and 24 in it cannot draw 33, 20 and 60 lb: the plan took the last for true, 12 lb too much."""
    documents, rest = pictures
    odd = [weighed(d, lb) for d, lb in zip(documents, (33.0, 20.0, 60.0), strict=True)]
    wish = ScrapeTarget(40 * NEWTON_PER_POUND, FULL)
    with pytest.raises(ReadingsDisagree) as refused:
        plan_from_documents(odd, rest, wish)
    assert tell(Given(odd, rest)).reasons[-1].text == refused.value.text  # as the bench says it
    with pytest.raises(ReadingsDisagree):
        standing_from_documents(odd, rest, FULL)
    with pytest.raises(ReadingsDisagree):  # two weights at one draw: pictures from before and after wood came off, say
        lighter = weighed(documents[2], pounds_from_newtons(documents[2].shot.draw_weight_n) - 6)
        plan_from_documents([*documents, lighter], rest, wish)


def test_the_order_of_the_pictures_changes_nothing(pictures):
    """What three pictures leave over was read in directions that turned along the limb, by their order."""
    documents, rest = pictures
    here, turned = (find(order, rest).places for order in (documents, [documents[k] for k in (2, 0, 1)]))
    assert [(p.limb, p.kind) for p in here] == [(p.limb, p.kind) for p in turned] and here
    for a, b in zip(here, turned, strict=True):
        assert a.significance == pytest.approx(b.significance, rel=1e-6)
        assert a.from_nock_mm.value == pytest.approx(b.from_nock_mm.value, abs=1e-3)


def test_one_photograph_given_twice_counts_once(pictures):
    """It counted as two that agree."""
    documents, rest = pictures
    named = [replace(m, photo=replace(m.photo, sha256=f"{k:064x}")) for k, m in enumerate(documents)]
    again = replace(named[2])
    assert find([*named, again], rest) == find(named, rest)
    plans = [plan_from_documents(given, rest, ScrapeTarget(40 * NEWTON_PER_POUND, FULL)) for given in (named, [*named, again])]
    assert plans[0].stretches == plans[1].stretches and plans[0].now.weight == plans[1].now.weight
    assert tell(Given([*named, again], rest)).stiffness.pictures == tell(Given(named, rest)).stiffness.pictures


def test_what_is_missing_is_said(pictures):
    documents, rest = pictures
    wish = ScrapeTarget(200.0, FULL)
    with pytest.raises(MechanicsError, match="at rest"):
        plan_from_documents(documents, None, wish)
    with pytest.raises(MechanicsError, match="scale reading"):
        plan_from_documents([document(BOW, 600.0, weigh=False)], rest, wish)


def test_the_commands_tell_one_weight_of_the_same_weighings(pictures, tmp_path):
    """``bench tell``, ``bench scrape`` and ``bench whatif``, with one more weighing that has no picture."""
    documents, rest = pictures
    (tmp_path / "drawn.json").write_text(json.dumps([m.as_document() for m in documents]))
    (tmp_path / "rest.json").write_text(json.dumps(rest.as_document()))
    files = [str(tmp_path / "drawn.json"), "--rest", str(tmp_path / "rest.json"), "--json"]
    weigh = ["--weigh", f"25in={drawn(BOW, string_of(BOW), 635.0).weight / NEWTON_PER_POUND:.1f}lb"]
    asked = (["tell", *files, "--full", "28in"], ["scrape", *files, "--weight", "48lb", "--draw", "28in"],
             ["whatif", *files, "--draw", "28in", "--change", "shorten 1/4in"])  # fmt: skip
    told, plan, tried = (json.loads(CliRunner().invoke(app, ["bench", *a, *weigh]).output) for a in asked)
    weights = [told["force_draw"]["weight_at_full_draw"], plan["now"]["weight"], tried["today"]["weight"]]
    for part in ("value", "u"):
        assert np.ptp([w[part] for w in weights]) < 0.01, weights
    alone = json.loads(CliRunner().invoke(app, ["bench", *asked[1]]).output)["now"]["weight"]
    assert alone["u"] > plan["now"]["weight"]["u"]  # it counts
    wrong = CliRunner().invoke(app, ["bench", *asked[1], "--weigh", "25in=0lb"])
    assert wrong.exit_code == 2 and "Traceback" not in wrong.output


def test_the_command_prints_words_and_a_document(pictures, tmp_path):
    documents, rest = pictures
    (tmp_path / "drawn.json").write_text(json.dumps([m.as_document() for m in documents]))
    (tmp_path / "rest.json").write_text(json.dumps(rest.as_document()))
    base = ["bench", "scrape", str(tmp_path / "drawn.json"), "--rest", str(tmp_path / "rest.json"), "--draw", "28in"]
    said = CliRunner().invoke(app, [*base, "--weight", "48lb"])
    assert said.exit_code == 0, said.output
    assert "leave" in said.output and "cannot see grain" in said.output and "at most half" in said.output
    assert "Upper limb, from the nock, thickness seen from the side" in said.output and "target (64ths ±" in said.output
    page = tmp_path / "plan.pdf"
    more = ["--weight", "48lb", "--tiller", "1/8in to 3/8in", "--keep", "3lb", "--pdf", str(page)]
    printed = CliRunner().invoke(app, [*base, *more])
    assert printed.exit_code == 0 and page.read_bytes().startswith(b"%PDF")
    assert "Stop scraping at 51.0 lb" in printed.output and "You want 1/8 to 3/8 in" in printed.output
    chart = tmp_path / "plan.vl.json"
    printed = CliRunner().invoke(app, [*base, "--weight", "48lb", "--json", "--chart", str(chart)])
    assert json.loads(printed.output)["format"] == "tillerlens-scraping-plan"
    assert "layer" in json.loads(chart.read_text())
    (tmp_path / "last.json").write_text(printed.output)
    again = CliRunner().invoke(app, [*base, "--weight", "48lb", "--last", str(tmp_path / "last.json")])
    assert again.exit_code == 0 and "left out" in again.output  # the step of that plan was not taken
    not_one = CliRunner().invoke(app, [*base, "--weight", "48lb", "--last", str(tmp_path / "rest.json")])
    assert not_one.exit_code == 2
    for wrong in (
        ["--weight", "much"],
        ["--weight", "48lb", "--scraped", "a lot"],
        ["--weight", "48lb", "--bend", "even_strain"],
        ["--weight", "48lb", "--tiller", "1/4in to 0in"],
        ["--weight", "48lb", "--tiller", "1in to 2in to 3in"],
        ["--weight", "48lb", "--tiller", "even"],
        ["--weight", "48lb", "--keep", "some"],
        ["--weight", "48lb", "--keep", "-2lb"],
        ["--weight", "48lb", "--pdf", str(tmp_path / "p.pdf"), "--paper", "bark"],
    ):
        assert CliRunner().invoke(app, [*base, *wrong]).exit_code == 2


def test_moisture_and_layout_commands():
    air = CliRunner().invoke(app, ["bench", "moisture", "--temperature", "20C", "--humidity", "65%", "--json"])
    found = json.loads(air.output)["moisture_percent"]
    assert found["hailwood-horrobin"] == pytest.approx(12.0, abs=0.01) and found["glass-2014"] == pytest.approx(12.48, abs=0.01)
    assert found["value"] == pytest.approx(12.24, abs=0.01) and found["u"] == pytest.approx(np.hypot(0.5, 0.24), abs=0.01)
    words = CliRunner().invoke(app, ["bench", "moisture", "--temperature", "68F", "--humidity", "80%", "--wood", "white ash"])
    assert "Too wet to bend" in words.output and "16.0 % (Wood Handbook" in words.output and "16.6 % (Glass 2014)" in words.output
    cold = CliRunner().invoke(app, ["bench", "moisture", "--temperature=-10C", "--humidity", "80%"]).output
    assert "17.7 % moisture (±2.8 %)" in cold  # half way between 16.4 and 19.0, and wide enough for both
    for wrong, hint in (
        (["--temperature", "warm", "--humidity", "60%"], "21C"),
        (["--temperature", "70", "--humidity", "60%"], "21C or 70F"),
        (["--temperature", "20C", "--humidity", "100%"], "between 1 and 99"),
        (["--temperature", "20C", "--humidity", "0.45"], "did you mean 45%"),
        (["--temperature", "20C", "--humidity", "45", "--low", "12", "--high", "9"], "12 %, is not below the dampest, 9 %"),
        (["--temperature", "20C", "--humidity", "45", "--wood", "hickory", "--low", "9"], "9 %, is not below the dampest, 8 %"),
        (["--temperature", "20C", "--humidity", "45", "--low", "nan"], "9.5%"),
        (["--temperature", "20C", "--humidity", "45", "--high", "0.11"], "did you mean 11%"),
        (["--temperature", "20C", "--humidity", "45", "--wood", "hazel"], "not in the list"),
    ):
        refused = CliRunner().invoke(app, ["bench", "moisture", *wrong])
        assert refused.exit_code == 2 and hint in refused.output, refused.output
    bow = ["bench", "layout", "--length", "70in", "--weight", "45lb", "--draw", "28in", "--wood"]
    got = CliRunner().invoke(app, [*bow, "shagbark hickory", "--json"])
    assert json.loads(got.output)["weight_N"] == pytest.approx(45 * NEWTON_PER_POUND, rel=1e-3)
    text = CliRunner().invoke(app, [*bow, "shagbark hickory"]).output
    assert "starting point" in text and "rough out to" in text
    assert CliRunner().invoke(app, [*bow, "balsa"]).exit_code == 2
