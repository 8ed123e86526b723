"""The scraping plan against the true bow of the statics: what it tells of the present, where it scrapes, when it stops."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.benchmarks.scraping_rounds import run_bow
from tests.support.scraping_bows import STATIONS, U_WEIGHT, photographed, pictured, random_bench, scrape, told_by_place
from tillerlens.core.measurement import LIMBS, Value
from tillerlens.mechanics.current_bow import TIP_MM, CurrentBow, CurrentLimb, DrawReading, gaps_of, sharpen, thinned
from tillerlens.mechanics.current_bow import _noise as noise_of
from tillerlens.mechanics.finding import Finding, find
from tillerlens.mechanics.observed import SCALE_GAIN_U, own_u
from tillerlens.mechanics.places import BendAnomaly, LimbCurve, find_places
from tillerlens.mechanics.plan import as_document, plan_from_documents, read_foretold
from tillerlens.mechanics.scraping import Care, Foretold, Hand, Left, Scrape, plan_scraping
from tillerlens.mechanics.scraping.cuts import MAY_BE_MM, Cut, _trimmed
from tillerlens.mechanics.scraping.hand import learned, together
from tillerlens.mechanics.scraping.target import BENDS, ScrapeTarget, TargetError, wished_gap_difference
from tillerlens.mechanics.statics import Bow, ElasticLimb, Handle, Pull, braced, drawn

LENGTH = 650.0
S = np.linspace(0, LENGTH, 120)
WIDTH = np.interp(S, [0, 325, LENGTH], [38, 36, 13])
THICK = np.interp(S, [0, LENGTH], [13.5, 8.5])
EI = 12_000 * WIDTH * THICK**3 / 12
DRAW, FULL = 600.0, 680.0


def bow_of(upper: np.ndarray = EI, lower: np.ndarray = EI) -> Bow:
    still = np.zeros(S.size)
    return Bow(ElasticLimb(S, upper, still), ElasticLimb(S, lower, still), Handle(100, 100, 32))


def exact(bow: Bow, u: float = 0.03, draw: float = DRAW, sections: bool = False, how: Pull | None = None) -> CurrentBow:
    """A measurement without errors, which promises some."""
    string, how = braced(bow, brace_height=150.0, segments=60).string_length, how or Pull()
    state = drawn(bow, string, draw, how, segments=60)
    more = (THICK, THICK / 2) if sections else (None, None)
    limbs = [CurrentLimb(q, np.full(S.size, u), np.full(S.size, 3e-5), *more) for q in (bow.upper, bow.lower)]
    seen = DrawReading(draw, state.weight, U_WEIGHT, STATIONS, *gaps_of(state, STATIONS), 0.4)
    curves = []
    for q, shape in ((bow.upper, state.upper), (bow.lower, state.lower)):
        moment = np.maximum(np.interp(S + shape.s[-1] - LENGTH, shape.s, shape.moment), 1.0)[::-1]
        compliance = 1 / q.ei[::-1]
        curves.append(LimbCurve(LENGTH - S[::-1], compliance, u * compliance, 1000 * moment, LENGTH, 20.0))
    found = find_places(*curves)
    finding = Finding(found.told, ("drawn",), "at rest", perhaps=found.perhaps)
    return CurrentBow(limbs[0], limbs[1], bow.handle, string, seen, how=how, finding=finding)


def weight_of(present: CurrentBow, draw: float = FULL) -> float:
    bow = Bow(present.upper.limb, present.lower.limb, present.handle)
    return drawn(bow, present.string_length, draw, segments=60).weight


def wished(weight: float, bend="arc", tiller=(0.0, 0.0), keep: float = 0.0) -> ScrapeTarget:
    """A wish with nothing kept, so that the weight at which scraping stops is the number given."""
    return ScrapeTarget(weight, FULL, bend, tiller, keep)


def softer(place: float, by: float, half: float = 30.0) -> np.ndarray:
    return EI * (1 - by * np.exp(-0.5 * ((S - place) / half) ** 2))


# --- the present bow --------------------------------------------------------------------------------------------


def test_gaps_and_weight_sharpen_a_wrong_stiffness():
    """The stiffness read is 6 % too high on one limb; gaps and weight of the true bow leave a fifth of it."""
    present = exact(bow_of())
    wrong = replace(present.upper, limb=ElasticLimb(S, 1.06 * EI, np.zeros(S.size)))
    best = sharpen(replace(present, upper=wrong))
    assert np.mean(np.log(best.bow.upper.ei / EI)) == pytest.approx(0, abs=0.013)
    assert np.mean(np.log(best.bow.lower.ei / EI)) == pytest.approx(0, abs=0.013)


def test_a_picture_of_another_bow_is_doubted():
    present = exact(bow_of())
    seen = replace(present.seen, upper=present.seen.upper + np.array([0, 9, -9, 9, -9]))
    assert [r.code for r in sharpen(replace(present, seen=seen)).doubts] == ["picture_and_scale_disagree"]
    assert not sharpen(present).doubts


# --- where ------------------------------------------------------------------------------------------------------


def taken(plan, limb: str) -> np.ndarray:
    """Share of the thickness off at every place, fade first."""
    return -np.expm1(plan.ln_ei[LIMBS.index(limb)] / 3)


def test_an_even_bow_too_heavy_loses_half_of_its_excess_alike_everywhere():
    present = exact(bow_of())
    wish = wished(weight_of(present) / 1.2, "like_upper")
    plan = plan_scraping(present, wish)
    assert plan.after.weight.value == pytest.approx(1.2**0.5 * wish.weight, rel=0.01)
    assert abs(plan.after.tiller.value) < 0.3
    assert plan.stop is None and not plan.leave and plan.order == "weight"
    assert [s.limb for s in plan.stretches] == ["upper", "lower"]  # one stretch a limb
    assert plan.stretches[0].share == plan.stretches[1].share


def test_a_strong_limb_is_thinned_first_and_the_forecast_comes_true():
    present = exact(bow_of(upper=1.15 * EI))
    plan = plan_scraping(present, wished(weight_of(present) / 1.2))
    assert plan.order in ("even", "both")
    assert taken(plan, "upper").sum() > 1.5 * taken(plan, "lower").sum()
    # scraped exactly as told, by other statics than the plan's
    after = bow_of(1.15 * EI * np.exp(plan.ln_ei[0]), EI * np.exp(plan.ln_ei[1]))
    state = drawn(after, present.string_length, FULL, segments=160)
    up, low = gaps_of(state, STATIONS)
    assert plan.after.weight.value == pytest.approx(state.weight, rel=0.003)
    for row, d in zip(plan.after.gaps, up - low, strict=True):
        assert row.difference.value == pytest.approx(d, abs=0.3)
    assert abs(up - low).max() < 0.75 * abs(np.array([r.difference.value for r in plan.now.gaps])).max()


@pytest.mark.parametrize("place", [200.0, 330.0, 450.0])
def test_no_wood_off_a_hinge_nor_beside_it(place):
    present = exact(bow_of(lower=softer(place, 0.3)))
    plan = plan_scraping(present, wished(weight_of(present) / 1.25))
    near = np.abs(S - place) <= 50
    assert not taken(plan, "lower")[near].any()
    assert taken(plan, "upper").any()
    (left,) = [q for q in plan.leave if q.told]
    assert left.limb == "lower" and left.from_nock_mm[0] < LENGTH - place < left.from_nock_mm[1]
    assert left.softer == pytest.approx(1 / 0.7 - 1, abs=0.2)


@pytest.mark.parametrize(("z", "slight"), [(2.5, False), (1.6, True)])
def test_what_may_be_a_hinge_is_skipped_within_its_stretch(z, slight):
    """A place that is a hinge with little certainty: no wood off it, and the stretch goes on beyond."""
    place = BendAnomaly("lower", "hinge", Value(LENGTH - 330, 8.0, "mm"), 80.0, Value(0.1, 0.05, ""), z)
    present = replace(exact(bow_of()), finding=Finding((), ("drawn",), "at rest", perhaps=(place,)))
    plan = plan_scraping(present, wished(weight_of(present) / 1.25, "like_upper"))
    (left,) = plan.leave
    assert not left.told and left.slight is slight and left.from_nock_mm[0] < LENGTH - 330 < left.from_nock_mm[1]
    take = taken(plan, "lower")
    assert not take[np.abs(S - 330) < 20].any() and take[np.abs(S - 240) < 20].all() and take[np.abs(S - 420) < 20].all()


def test_what_may_be_a_hinge_beside_another_is_left_out_too():
    """It reached into what the told one leaves out, so it was dropped whole and the wood in its middle planned away."""
    told = BendAnomaly("lower", "hinge", Value(300.0, 5.0, "mm"), 80.0, Value(0.25, 0.05, ""), 6.0)
    other = BendAnomaly("lower", "hinge", Value(372.0, 10.0, "mm"), 60.0, Value(0.1, 0.05, ""), 2.6)
    unsure = BendAnomaly("lower", "hinge", Value(480.0, 30.0, "mm"), 60.0, Value(0.1, 0.05, ""), 1.7)
    finding = Finding((told,), ("drawn",), "at rest", perhaps=(other, unsure))
    present = replace(exact(bow_of()), finding=finding)
    plan = plan_scraping(present, wished(weight_of(present) / 1.25, "like_upper"))
    ends = [tuple(round(x) for x in q.from_nock_mm) for q in plan.leave]
    # the last as far as it may lie from where it seems to; what lay between the two, shorter than a hinge, is shared between them
    assert ends == [(247, 353), (353, 412), (412, 540)]
    take = taken(plan, "lower")
    assert not any(take[np.argmin(np.abs(LENGTH - S - p.from_nock_mm.value))] for p in (told, other, unsure))


def test_a_named_hinge_is_left_until_it_is_excluded():
    """Where the stiffness is known to 6 %, wood that looks even may still bend 12 % more than its flanks; known to 2 % it may
    not."""
    last = Foretold(FULL, Value(300.0, 3.0, "N"), left=(Left("lower", (270.0, 370.0)),))
    for u, kept in ((0.06, True), (0.02, False)):
        present = replace(exact(bow_of(), u=u), finding=None)
        plan = plan_scraping(present, wished(weight_of(present) / 1.25, "like_upper"), last=last)
        assert any(q.before for q in plan.leave) == kept


@pytest.mark.parametrize(("expected", "left"), [((0.08, 0.06), True), ((-0.15, 0.06), False), (None, False)])
def test_a_stiff_place_where_a_hinge_was_left_is_scraped_only_if_it_was_to_be_expected(expected, left):
    """Scraping beside a hinge was foretold to leave it 8 % softer; pictures that show it 20 % stiffer contradict that, and until
    they agree nobody knows which is wrong. Foretold stiffer, or not known to have been expected softer, it is scraped."""
    present = exact(bow_of(lower=softer(320, -0.2, 30)), u=0.05)
    stiff = BendAnomaly("lower", "stiff", Value(320.0, 8.0, "mm"), 90.0, Value(-0.2, 0.06, ""), 3.7)
    present = replace(present, finding=Finding((stiff,), ("drawn",), "at rest"))
    after = None if expected is None else Value(*expected, "")
    last = Foretold(FULL, Value(weight_of(present), 3.0, "N"), left=(Left("lower", (270.0, 370.0), after),))
    plan = plan_scraping(present, wished(weight_of(present) / 1.25, "like_upper"), last=last)
    assert any(q.before for q in plan.leave) == left
    assert bool(taken(plan, "lower")[np.argmin(np.abs(LENGTH - S - 320))] > 0) != left


def test_wood_off_beside_a_hinge_is_expected_to_even_it():
    """By what comes off both of its flanks, as surely as the hand takes it: what the next plan holds its pictures against."""
    hinge = BendAnomaly("lower", "hinge", Value(320.0, 5.0, "mm"), 60.0, Value(0.2, 0.05, ""), 6.0)
    present = replace(exact(bow_of()), finding=Finding((hinge,), ("drawn",), "at rest"))
    plan = plan_scraping(present, wished(weight_of(present) / 1.25, "like_upper"))
    (left,) = plan.foretold.left
    named = plan.leave[0].more
    at = np.abs(LENGTH - S - 320)
    beside = -plan.ln_ei[1][(at >= 50) & (at <= 110)].mean()  # of ln EI that is told to come off
    assert beside > 0.05
    assert left.after.value == pytest.approx(named.value - beside, abs=0.01)
    assert left.after.u == pytest.approx(np.hypot(named.u, np.hypot(0.2, 0.1) * beside), abs=0.005)
    read = read_foretold(as_document(plan)).left[0]
    assert (read.after.value, read.after.u) == pytest.approx((left.after.value, left.after.u), abs=1e-4)


@pytest.mark.parametrize(("apart", "between"), [(100.0, False), (140.0, True)])
def test_no_strip_shorter_than_a_hinge_is_scraped_between_two_places_that_are_skipped(apart, between):
    """An inch and a half scraped between wood that is left alone was made a hinge of 14 %."""
    perhaps = tuple(
        BendAnomaly("lower", "hinge", Value(at, 5.0, "mm"), 80.0, Value(0.15, 0.08, ""), 2.8) for at in (300.0, 300.0 + apart)
    )
    present = replace(exact(bow_of()), finding=Finding((), ("drawn",), "at rest", perhaps=perhaps))
    plan = plan_scraping(present, wished(weight_of(present) / 1.25, "like_upper"))
    at = LENGTH - S
    assert taken(plan, "lower")[(at > 300 + 34) & (at < 300 + apart - 34)].any() == between


def test_wood_between_two_hinges_is_scraped_with_the_rest():
    """Two hinges cut a limb into pieces of less than 5 in. All of them were left for being short, so the limb could not be
    scraped and the plan came to a halt pounds above its target."""
    at = (180.0, 345.0, 510.0)
    hinges = tuple(BendAnomaly("lower", "hinge", Value(x, 5.0, "mm"), 60.0, Value(0.2, 0.05, ""), 6.0) for x in at)
    present = replace(exact(bow_of()), finding=Finding(hinges, ("drawn",), "at rest"))
    plan = plan_scraping(present, wished(weight_of(present) / 1.25, "like_upper"))
    lower = [s for s in plan.stretches if s.limb == "lower"]
    assert len(lower) == 4 and max(b - a for a, b in (s.from_nock_mm for s in lower)) < 127
    assert len({s.share for s in lower}) == 1  # told apart no finer than a hand can
    for x in at:  # each part ends where a hinge is left, and none of them holds one
        assert not any(a < x + 40 and x - 40 < b for a, b in (s.from_nock_mm for s in lower))
    take = taken(plan, "lower")
    assert all(take[np.argmin(np.abs(LENGTH - S - x))] > 0 for x in (90.0, 262.0, 427.0, 600.0))


def test_next_to_the_nock_an_even_limb_is_not_left_for_ever():
    """Where the load ends its logarithm falls without end: what lay beside it seemed to bend nearly four times as much."""
    present = replace(exact(bow_of(), u=0.02), finding=None)
    last = Foretold(FULL, Value(weight_of(present), 3.0, "N"), left=(Left("lower", (50.0, 114.0)), Left("upper", (540.0, 604.0))))
    assert not plan_scraping(present, wished(weight_of(present) / 1.25, "like_upper"), last=last).leave


@pytest.mark.parametrize("beyond", [8.0, 60.0])
def test_no_sliver_is_scraped_between_what_is_left_out_and_a_stretchs_end(beyond):
    """A third of an inch at the tip's end of the limb is not worth a stroke; two inches are."""
    end = TIP_MM + beyond  # from the nock, where what is left out begins
    place = BendAnomaly("lower", "hinge", Value(end + MAY_BE_MM / 2, 8.0, "mm"), 80.0, Value(0.1, 0.05, ""), 2.5)
    present = replace(exact(bow_of()), finding=Finding((), ("drawn",), "at rest", perhaps=(place,)))
    plan = plan_scraping(present, wished(weight_of(present) / 1.25, "like_upper"))
    outermost = min(s.from_nock_mm[0] for s in plan.stretches if s.limb == "lower")
    assert outermost == pytest.approx(TIP_MM if beyond > 25.4 else end + MAY_BE_MM, abs=1)
    assert taken(plan, "lower")[(LENGTH - S > TIP_MM) & (end - 1 > LENGTH - S)].any() == (beyond > 25.4)


def test_gaps_of_one_limb_err_alike():
    """Errors of a centreline are long: a gap's own error and its neighbour's, 4 in on, are one and the same by 0.7 to 0.9, and
    the mean of five gaps is hardly surer than one."""
    present = exact(bow_of())
    noise = noise_of(present.seen) - present.seen.u_scale**2 * np.outer(*2 * [np.append(np.concatenate([present.seen.upper,
                     present.seen.lower]), 0)])  # fmt: skip
    assert 0.7 < noise[1, 2] / noise[1, 1] < 0.95 and abs(noise[0, 5]) < 1e-12  # the limbs each by itself
    assert noise[:5, :5].mean() > 0.4 * noise[0, 0]


def test_a_hinge_that_the_last_plan_named_is_left_while_it_bends_more():
    """A few percent softer is too little to be found again, but it is still there; where the wood is even it is forgotten."""
    present = replace(exact(bow_of(lower=softer(330, 0.08, 30))), finding=None)
    wish = wished(weight_of(present) / 1.25, "like_upper")
    assert not any(q.from_nock_mm[1] > 270 for q in plan_scraping(present, wish).leave)
    last = Foretold(
        FULL, Value(weight_of(present), 3.0, "N"), left=(Left("lower", (270.0, 370.0)), Left("upper", (270.0, 370.0)))
    )
    plan = plan_scraping(present, wish, last=last)
    assert [(q.limb, q.told) for q in plan.leave if q.before] == [("lower", False)]
    assert not taken(plan, "lower")[(LENGTH - S > 275) & (LENGTH - S < 365)].any()
    assert [q.limb for q in plan.foretold.left] == ["lower"]


def test_what_the_last_plan_skipped_is_left_out_again_while_it_bends_more():
    """Without a word, beside a stiff place too; not where the finding has a stiff place itself."""
    present = replace(exact(bow_of(lower=softer(330, 0.08, 30))), finding=None)
    wish = wished(weight_of(present) / 1.25, "like_upper")
    skipped = tuple(Left(k, (290.0, 350.0)) for k in ("lower", "upper"))
    last = Foretold(FULL, Value(weight_of(present), 3.0, "N"), skipped=skipped)
    plan = plan_scraping(present, wish, last=last)
    assert [(q.limb, q.slight, q.before) for q in plan.leave] == [("lower", True, False)]
    assert [(q.limb, q.from_nock_mm) for q in plan.foretold.skipped] == [("lower", (290.0, 350.0))]
    for at, count in ((240.0, 1), (320.0, 0)):
        stiff = BendAnomaly("lower", "stiff", Value(at, 5.0, "mm"), 100.0, Value(-0.2, 0.05, ""), 6.0)
        told = replace(present, finding=Finding((stiff,), ("drawn",), "at rest"))
        assert len(plan_scraping(told, wish, last=last).leave) == count


@pytest.mark.parametrize(("expected", "left"), [((0.1, 0.05), True), ((-0.02, 0.03), False)])
def test_what_was_skipped_is_not_scraped_because_one_picture_shows_it_even(expected, left):
    """A likely hinge that was skipped seemed even in the next picture and was scraped, though the two together did not exclude
    one."""
    present = replace(exact(bow_of(), u=0.025), finding=None)
    seen = Left("lower", (270.0, 370.0), Value(*expected, ""))
    last = Foretold(FULL, Value(weight_of(present), 3.0, "N"), skipped=(seen,))
    plan = plan_scraping(present, wished(weight_of(present) / 1.25, "like_upper"), last=last)
    assert [(q.limb, q.told, q.slight) for q in plan.leave] == [("lower", False, True)] * left
    assert taken(plan, "lower")[np.abs(LENGTH - S - 320) < 45].any() != left
    assert all(q.after.value == pytest.approx(q.more.value, abs=0.1) for q in plan.leave)  # what the next plan remembers


@pytest.mark.parametrize(("seed", "k"), [(8712157, 0), (8712183, 0)])
def test_the_softest_place_of_a_limb_is_not_scraped(seed, k):
    """Bows of many: a hinge of an eighth stood out by 1.5 of its uncertainties, so its limb was scraped as if it had none."""
    rng = np.random.default_rng(seed)
    bench = random_bench(rng)
    (place,) = [p for of, p, _ in bench.hinges if of == k]
    plan = plan_from_documents(*pictured(bench, rng, banded=True), bench.wish)
    limb = (bench.bow.upper, bench.bow.lower)[k]
    at = limb.length - place
    (left,) = [q for q in plan.leave if q.limb == LIMBS[k]]
    assert left.slight and left.from_nock_mm[0] < at < left.from_nock_mm[1]
    for foretold in (plan.foretold, read_foretold(as_document(plan))):  # the next plan chooses anew
        assert left.once and not any(q.limb == LIMBS[k] for q in foretold.skipped)
    told = told_by_place(bench, plan)[k]
    assert told[np.argmin(np.abs(limb.s - place))] == 0 and told.any()


@pytest.mark.parametrize(("u", "by", "left"), [(0.08, 0.05, False), (0.08, 0.12, True), (0.02, 0.08, False)])
def test_a_limb_is_scraped_whole_where_nothing_is_softer_or_a_hinge_is_excluded(u, by, left):
    """By poor pictures an eighth may be a hinge and a twentieth is nothing; by good ones a twelfth is less than a hinge."""
    places = exact(bow_of(lower=softer(330, by, 30)), u=u).finding.perhaps
    assert any(p.limb == "lower" and abs(p.from_nock_mm.value - 320) < 30 for p in places) == left


def test_a_stiff_spot_gets_the_most_where_the_finding_has_it():
    present = exact(bow_of(lower=softer(330, -0.35, 40)))
    plan = plan_scraping(present, wished(weight_of(present) / 1.15, "like_upper"))
    (spot,) = [p for p in present.finding.places if p.kind == "stiff"]
    most = max(plan.stretches, key=lambda s: s.share)
    assert most.limb == "lower" and most.stiff and most.from_nock_mm == pytest.approx(spot.ends_mm, abs=1)
    assert not any(q.told or q.from_nock_mm[1] > spot.ends_mm[0] for q in plan.leave)  # no hinge beside it


@pytest.mark.parametrize("seed", range(8))
def test_no_limb_is_cut_finer_than_a_hand_scrapes(seed):
    rng = np.random.default_rng(seed)
    bench = random_bench(rng)
    plan = plan_scraping(photographed(bench, rng), bench.wish)
    for limb in LIMBS:
        mine = [s for s in plan.stretches if s.limb == limb]
        plain = {s.share for s in mine if not s.stiff}
        assert len(plain) + sum(s.stiff for s in mine) <= 3  # a hinge parts a stretch, and what lies on either side is one
        for share in plain:
            ends = [s.from_nock_mm for s in mine if s.share == share and not s.stiff]
            assert sum(b - a for a, b in ends) >= (127 if len(plain) > 1 else 76.2) - 1e-6
        assert all(
            s.stiff or s.from_nock_mm[1] - s.from_nock_mm[0] >= MAY_BE_MM - 1e-6 for s in mine
        )  # no splinter beside a hinge
        for s in mine:
            assert (400 * s.share) % 1 == pytest.approx(0, abs=1e-6)  # quarters of a percent
        for a, b in zip(mine, mine[1:], strict=False):  # neighbours differ by what a hand can tell
            apart = b.from_nock_mm[0] - a.from_nock_mm[1] > 1
            assert apart or a.stiff or b.stiff or max(a.share, b.share) >= 1.2 * min(a.share, b.share)


def test_no_splinter_is_told_beside_a_hinge():
    """One bow of many: its limb was split a third of an inch off a hinge, and the plan said "8 to 8 1/2 in: a few passes"."""
    rng = np.random.default_rng(4101045)
    bench = random_bench(rng)
    plan = plan_from_documents(*pictured(bench, rng), bench.wish)
    plain = [s.from_nock_mm for s in plan.stretches if not s.stiff]
    assert len(plain) > 3 and min(b - a for a, b in plain) >= MAY_BE_MM


def test_no_island_is_scraped_deeper_than_what_lies_on_either_side_of_it():
    """Three inches between wood left out and a stretch that got half as much became the hinge: 18 % by the next picture."""
    stiff = EI * (1 + 0.3 / (1 + np.exp(-(S - (LENGTH - 330.0)) / 8)))  # outside of 330 mm from the nock
    place = BendAnomaly("lower", "hinge", Value(260.0, 8.0, "mm"), 95.0, Value(0.1, 0.05, ""), 2.0)
    present = replace(exact(bow_of(lower=stiff)), finding=Finding((), ("drawn",), "at rest", perhaps=(place,)))
    plan = plan_scraping(present, wished(weight_of(present) / 1.3, "like_upper"))
    take = taken(plan, "lower")[::-1]
    (left,) = [q.from_nock_mm for q in plan.leave if q.limb == "lower"]
    at = LENGTH - S[::-1]
    beside = take[np.argmax(at > left[1] + 6)]
    assert beside > 0
    assert np.all(take[(at > left[1] + 6) & (at < left[1] + 120)] == beside)


def test_with_much_doubt_places_are_not_told_apart():
    """Stiffness known to 15 % only: the limb is scraped alike all along, by what the weight asks."""
    present = exact(bow_of(lower=softer(330, -0.2, 40)), u=0.15)
    take = taken(plan_scraping(present, wished(weight_of(present) / 1.2, "like_upper")), "lower")
    assert np.unique(np.round(take[take > 0], 4)).size == 1


@pytest.mark.parametrize("bend", BENDS)
def test_every_bend_can_be_wished(bend):
    present = exact(bow_of(), sections=True)
    plan = plan_scraping(present, wished(weight_of(present) / 1.25, bend))
    assert plan.stop is None
    assert all(s.mm == pytest.approx(s.share * 11, rel=0.3) for s in plan.stretches)
    if bend in ("more_outer", "more_inner"):
        z = np.average(S, weights=taken(plan, "upper")) / LENGTH
        other = plan_scraping(present, wished(weight_of(present) / 1.25, "arc"))
        assert (z > np.average(S, weights=taken(other, "upper")) / LENGTH) == (bend == "more_outer")


def test_even_strain_needs_sections():
    present = exact(bow_of())
    with pytest.raises(TargetError, match="sections"):
        plan_scraping(present, wished(weight_of(present) / 1.2, "even_strain"))


# --- the wished tiller ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(12))
def test_no_step_is_told_that_worsens_the_tiller(seed):
    rng = np.random.default_rng(100 + seed)
    bench = random_bench(rng)
    plan = plan_scraping(photographed(bench, rng), bench.wish)
    if plan.stop is None:
        assert all(b <= a + 0.5 for a, b in zip(plan.now.outside_mm, plan.after.outside_mm, strict=True))


def test_where_every_step_worsens_the_tiller_it_is_refused():
    """Both limbs alike and the lower one all of it a hinge's neighbourhood: wood off the upper alone would unbalance them."""
    present = exact(bow_of())
    value = Value(LENGTH / 2, 5.0, "mm")
    place = BendAnomaly("lower", "hinge", value, LENGTH, Value(0.2, 0.02, ""), 9.0)
    held = replace(present, finding=Finding((place,), ("drawn",), "at rest"))
    plan = plan_scraping(held, wished(weight_of(present) / 1.25, "like_upper", (-0.5, 0.5)))
    assert plan.stop == "tiller" and not plan.stretches


def test_a_step_does_not_carry_the_tiller_through_the_wish():
    """One bow of many, 1.6 mm below its wish, was planned to 0.2 mm above it, +-3 mm for a hand not yet known. The hand took half
    as much again and the tiller ended 5 mm above. With three of its doubts come true it is to end two outside at most."""
    rng = np.random.default_rng(951108)
    bench = random_bench(rng)
    plan = plan_from_documents(*pictured(bench, rng), bench.wish)
    at = plan.after.tiller
    (low, _, high) = (v[0] for v in bench.wished_difference(np.array([plan.after.gaps[0].from_handle_mm])))
    assert plan.stop is None and plan.now.tiller.value < low - 1
    assert plan.now.tiller.value < at.value and at.value + at.u < high + Care().worse_mm


def test_a_tiller_within_the_wish_is_not_pulled_to_zero():
    """The upper limb 4 % softer stands 3 mm positive, which is what is wished: both limbs lose alike."""
    present = exact(bow_of(upper=0.96 * EI))
    plan = plan_scraping(present, wished(weight_of(present) / 1.2, "arc", (0.0, 6.35)))
    assert 1.5 < plan.now.tiller.value < 5 and 0.5 < plan.after.tiller.value < 6
    assert taken(plan, "upper").sum() == pytest.approx(taken(plan, "lower").sum(), rel=0.35)


def test_a_tiller_is_brought_to_the_middle_of_the_wish():
    """Not just inside: what gaps and hand err then does not carry it out again."""
    present = exact(bow_of(lower=0.9 * EI))
    wish = wished(weight_of(present) / 1.3, tiller=(0.0, 6.35))
    plan = plan_scraping(present, wish)
    limbs = [
        ElasticLimb(S, p.limb.ei * (1 - np.interp(LENGTH - S, n.from_nock_mm, n.need)) ** 3, p.limb.kappa0)
        for p, n in zip(present.limbs, plan.limbs, strict=True)
    ]
    state = drawn(Bow(limbs[0], limbs[1], present.handle), present.string_length, FULL, segments=60)
    up, low = gaps_of(state, STATIONS)
    assert np.abs(up - low - wished_gap_difference(state, STATIONS, 3.175)).max() < 1.0


def test_a_tiller_whose_ends_are_swapped_is_refused():
    with pytest.raises(TargetError, match="low end"):
        ScrapeTarget(200.0, FULL, "arc", (6.0, 0.0))


def test_a_hinge_beside_a_thick_fade_is_kept_off_though_it_is_not_told():
    """One bow of many, a quarter softer 204 mm from a fade that seems thick: the smoothing rings there, so the hinge is not sure.
    It was dropped without a word, and its wood planned away."""
    rng = np.random.default_rng(943072)
    bench = random_bench(rng)
    (k, place, depth), _ = bench.hinges
    assert k == 0 and depth > 0.2
    plan = plan_from_documents(*pictured(bench, rng), bench.wish)
    at = bench.bow.upper.length - place
    assert any(q.limb == "upper" and q.from_nock_mm[0] < at < q.from_nock_mm[1] for q in plan.leave)
    assert told_by_place(bench, plan)[0][np.argmin(np.abs(bench.bow.upper.s - place))] == 0


def test_a_hinge_is_not_hidden_by_the_stiff_place_that_its_ringing_looks_like():
    """One bow of many: a hinge of 14 % that stands out by 3.4 where nothing else is told, and the wood 90 mm beside it, where the
    smoothing rings, by 3.45 the other way. That was told as a stiff place for sure, and the hinge scraped with the rest."""
    rng = np.random.default_rng(953151)
    bench = random_bench(rng)
    ((k, place, _),) = bench.hinges
    plan = plan_from_documents(*pictured(bench, rng), bench.wish)
    at = bench.bow.lower.length - place
    assert k == 1 and any(q.limb == "lower" and q.from_nock_mm[0] < at < q.from_nock_mm[1] for q in plan.leave)
    assert told_by_place(bench, plan)[1][np.argmin(np.abs(bench.bow.lower.s - place))] == 0
    assert [p.sure for p in plan.finding.places if p.limb == "lower"] == [False]


def test_a_place_that_one_beside_it_explains_as_well_is_a_perhaps():
    """One bow of many: a knot a third stiffer 207 mm from the nock shows as a hinge 74 mm nearer to it. It was told for sure."""
    rng = np.random.default_rng(952015)
    bench = random_bench(rng)
    found = find(*pictured(bench, rng, banded=True))
    assert any(k == 1 and abs(bench.bow.lower.length - place - 207) < 1 for k, place in bench.stiff)
    (hinge,) = [p for p in found.places if p.limb == "lower"]
    assert hinge.kind == "hinge" and not hinge.sure
    assert [p.sure for p in found.places if p.limb == "upper"] == [True]  # of 17 %, and there


# --- when not ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("upper", "over", "stop"),
    [(1.0, 1.0, "there"), (1.0, 1.008, "there"), (1.2, 1.0, "at_weight"), (1.2, 1.008, "at_weight"), (1.2, 0.9, "below_wish")],
)
def test_at_the_wished_weight_nothing_is_scraped_whatever_the_shape(upper, over, stop):
    present = exact(bow_of(upper=upper * EI))
    plan = plan_scraping(present, wished(weight_of(present) / over, "like_upper"))
    assert plan.stop == stop
    assert not plan.stretches and not taken(plan, "upper").any() and not taken(plan, "lower").any()


def test_weight_is_kept_for_shooting_in():
    """2.5 lb over the wish there is nothing to do; 12 N more there is."""
    present = exact(bow_of())
    weight = weight_of(present)
    assert plan_scraping(present, ScrapeTarget(weight - 2.5 * 4.448, FULL, "like_upper")).stop == "there"
    assert plan_scraping(present, ScrapeTarget(weight - 2.5 * 4.448 - 12, FULL, "like_upper")).stop is None
    assert ScrapeTarget(200.0, FULL).aim == pytest.approx(200 + 2.5 * 4.44822, abs=0.01)


def test_a_tiller_that_is_out_at_the_weight_is_evened_from_what_is_kept():
    """The upper limb 5 % too stiff: wood off it alone, for at most 1.5 % of the weight, where some is kept, and never so much
    that the scale could read 2 % short, for all that is not known of the weight. By the mean alone one in five ended further
    below. The bow reads 1 % over: within the 1.3 % that a reading of +-0.3 lb in 47 lb leaves open, so there it asks nothing."""
    present = exact(bow_of(upper=1.05 * EI))
    weight = weight_of(present) / 1.01
    plan = plan_scraping(present, wished(weight - 11, "like_lower", (0.0, 0.5), keep=11.0))
    assert plan.stop is None and plan.order == "trim"
    assert {s.limb for s in plan.stretches} == {"upper"}
    assert plan.after.weight.value - 3 * own_u(plan.now.weight) * plan.now.weight.value >= 0.98 * weight - 0.01
    assert max(plan.after.outside_mm) < max(plan.now.outside_mm) - 0.5
    assert plan_scraping(present, wished(weight, "like_lower", (0.0, 0.5))).stop == "at_weight"  # nothing kept, nothing to give


def test_where_to_stop_pulling_is_where_the_bow_reaches_the_wished_weight():
    present = exact(bow_of())
    wish = wished(weight_of(present) / 1.2)
    limit = plan_scraping(present, wish).limit
    there = drawn(bow_of(), present.string_length, limit.draw_back, segments=120).weight
    assert limit.weight == wish.weight and there == pytest.approx(wish.weight, rel=0.005)
    assert plan_scraping(present, wished(1.1 * weight_of(present))).limit.draw_back == FULL


def test_a_bow_that_is_there_may_be_shot_in_at_its_draw():
    """With what shooting in costs still on it, it draws more than its target: held to that, it could never be shot in."""
    present = exact(bow_of(), draw=FULL)
    wish = ScrapeTarget(weight_of(present) - 2.5 * 4.448, FULL, "like_upper")
    plan = plan_scraping(present, wish)
    assert plan.stop == "there" and not plan.holds
    assert plan.limit.draw_back == FULL and plan.limit.weight == pytest.approx(weight_of(present), rel=0.005)
    heavy = plan_scraping(present, replace(wish, weight=wish.weight - 20))
    assert heavy.stop is None and [r.code for r in heavy.holds] == ["past_weight"]
    assert heavy.limit.weight == heavy.wish.weight


@pytest.mark.parametrize(
    ("bow", "draw", "full", "weight", "code"),
    [
        (bow_of(), DRAW, FULL, 0.8, "past_weight"),
        (bow_of(), FULL + 20, FULL, 2.0, "past_draw"),
        (bow_of(), FULL + 8, FULL, 2.0, None),  # 5/16 in past, as nearly as a draw is held and read
        (bow_of(upper=1.9 * EI), DRAW, FULL, 1.05, "beyond_shape"),
        (bow_of(), DRAW, FULL, 1.05, None),
    ],
)
def test_how_far_it_may_be_drawn(bow, draw, full, weight, code):
    present = exact(bow, draw=draw)
    plan = plan_scraping(present, ScrapeTarget(weight * present.seen.weight, full))
    assert [reason.code for reason in plan.holds] == ([code] if code else [])


def test_every_reason_to_draw_it_no_further_is_said():
    present = exact(bow_of(upper=1.9 * EI))
    plan = plan_scraping(present, ScrapeTarget(0.8 * present.seen.weight, FULL))
    assert [reason.code for reason in plan.holds] == ["past_weight", "beyond_shape"]
    assert plan.limit.draw_back <= DRAW - 25.4 and plan.limit.weight <= plan.wish.weight


def test_care_never_takes_more_than_half():
    with pytest.raises(ValueError, match="half"):
        Care(share=0.6)


def test_limbs_of_unlike_length_are_not_asked_for_like_gaps():
    """A lower limb that is the upper one shrunk by a tenth shows, at each place, what the shrunk picture shows."""
    up = ElasticLimb(S, EI, np.zeros(S.size))
    low = ElasticLimb(0.9 * S, EI * 0.9**2, np.zeros(S.size))
    bow = Bow(up, low, Handle(100, 90, 32))
    string = braced(bow, brace_height=140.0).string_length
    state = drawn(bow, string, DRAW, segments=60)
    asked = wished_gap_difference(state, STATIONS, 0.0)
    assert asked[0] > 2 and np.all(asked > 0)
    alike = drawn(bow_of(), braced(bow_of(), brace_height=150.0).string_length, DRAW, segments=60)
    np.testing.assert_allclose(wished_gap_difference(alike, STATIONS, 5.0), 5 * (1 - STATIONS / 750), atol=1e-6)


# --- strokes ----------------------------------------------------------------------------------------------------


def test_strokes_come_from_the_bows_own_history_only():
    present = exact(bow_of())
    wish = wished(weight_of(present) / 1.2)
    assert all(s.strokes is None for s in plan_scraping(present, wish).stretches)
    # 20 strokes over 3 to 15 in of the upper limb took 0.05 % of the thickness each: what weight that costs, by the statics
    where = (LENGTH - S >= 76.2) & (LENGTH - S <= 381.0)
    before = bow_of()
    now = bow_of(upper=EI * np.where(where, (1 - 20 * 0.0005) ** 3, 1.0))
    w0, w1 = (drawn(b, present.string_length, DRAW, segments=60).weight for b in (before, now))
    event = Scrape("upper", (76.2, 381.0), 20, w0, w1, 0.01)
    stretches = plan_scraping(present, wish, history=[event]).stretches
    for s in stretches:
        assert s.strokes is not None and s.strokes.value == pytest.approx(s.share / 0.0005, rel=0.08)
    vague = Scrape("upper", (76.2, 381.0), 20, w0, w1, 5.0)  # a scale too coarse for what it cost
    assert all(s.strokes is None for s in plan_scraping(present, wish, history=[vague]).stretches)


# --- the hand ---------------------------------------------------------------------------------------------------


def test_a_hands_common_error_is_in_the_forecast():
    """9 lb of 60 off by a hand of +-20 %: 2u is 0.4 x 9 = 3.6 lb, and what the places err on their own."""
    present = exact(bow_of(), u=0.005)
    before = weight_of(present)
    plan = plan_scraping(present, wished(before * (51 / 60) ** 2, "like_upper"))
    off = plan.now.weight.value - plan.after.weight.value
    assert off == pytest.approx(before * 9 / 60, rel=0.06)
    assert 2 * plan.after.weight.u == pytest.approx(0.4 * off, rel=0.2)
    known = plan_scraping(
        present, plan.wish, last=Foretold(FULL, Value(plan.now.weight.value, 4.0, "N"), hand=Hand(1.0, 0.05, 2))
    )
    assert known.after.weight.u < 0.55 * plan.after.weight.u


def test_the_hand_is_learned_from_a_step_that_was_weighed():
    """Told to bring 240 N to 200 N, it came to 192: it took ln(240 / 192) / ln(240 / 200) = 1.22 of it. The prior of +-0.2 and a
    reading with 0.8 % of its own (0.044 of what was told) leave 0.043, and draw the answer 5 % back to 1. The scale's gain is in
    all three weights and teaches nothing of the hand, so it stands beside the 0.8 %."""
    last = Foretold(FULL, Value(200.0, 200 * np.hypot(np.log(1.2) * 0.2, SCALE_GAIN_U), "N"), 240.0, Hand())
    got = learned(last, Value(192.0, 192 * np.hypot(0.008, SCALE_GAIN_U), "N"))
    assert got.ratio == pytest.approx(1.213, abs=0.004) and got.u == pytest.approx(0.043, abs=0.002) and got.steps == 1
    heavy = learned(last, Value(207.0, 2.07, "N"))
    assert heavy.ratio < 1
    assert learned(replace(last, before=float("nan")), Value(192.0, 1.92, "N")) == Hand()


def test_what_a_known_hand_is_told_allows_for_it():
    present = exact(bow_of())
    wish = wished(weight_of(present) / 1.2, "like_upper")
    plain = plan_scraping(present, wish)
    now = plain.now.weight
    strong = plan_scraping(present, wish, last=Foretold(FULL, now, hand=Hand(1.25, 0.03, 3)))
    assert strong.stretches[0].share == pytest.approx(plain.stretches[0].share / 1.25, abs=0.003)
    assert strong.after.weight.value == pytest.approx(plain.after.weight.value, rel=0.01)


# --- what the last plan foresaw ---------------------------------------------------------------------------------


def test_the_last_forecast_leaves_the_weight_as_it_was_weighed():
    """A forecast teaches of the hand. Were it to move the weight too, the plan would say another weight than the weighings."""
    present = exact(bow_of())
    wish = wished(weight_of(present) / 1.2)
    alone = plan_scraping(present, wish).now.weight
    last = Foretold(FULL, replace(alone, value=1.01 * alone.value), 1.2 * alone.value)
    plan = plan_scraping(present, wish, last=last)
    assert plan.now.weight == alone and plan.hand.steps == 1


def test_a_forecast_that_missed_is_left_aside_and_said():
    present = exact(bow_of())
    wish = wished(weight_of(present) / 1.2)
    plan = plan_scraping(present, wish, last=Foretold(FULL, Value(1.2 * weight_of(present), 1.0, "N")))
    assert [d.code for d in plan.doubts] == ["forecast_missed"] and plan.hand == Hand()
    assert plan.now.weight.value == pytest.approx(weight_of(present), rel=0.005)


def test_what_one_weighing_told_of_bow_and_hand_counts_in_the_next_forecast():
    """A thousand hands and weighings drawn: after a first step is weighed, the weight after a second is forecast as surely as it
    comes true, to a tenth; taken for independent of one another, bow and hand would make it a sixth surer than it is."""
    rng, own, first, second = np.random.default_rng(9), 0.008, -0.12, -0.06  # relative; change of ln weight told by the steps

    def value(log: float, u: float) -> Value:
        return Value(200 * np.exp(log), 200 * np.exp(log) * float(np.hypot(u, SCALE_GAIN_U)), "N")

    off, apart = [], []
    for _ in range(1000):
        h, base, read = 1 + 0.2 * rng.normal(), own * rng.normal(), own * rng.normal()
        log = base + first * h  # true, about the weight that was measured first
        u_forecast = float(np.hypot(own, 0.2 * first))
        last = Foretold(FULL, value(first, u_forecast), 200.0, Hand())
        alone = value(log + read, own)
        hand, tie = learned(last, alone), own**2 * together(last, alone)
        error = log + second * h - (log + read + second * hand.ratio)
        u2 = own**2 + (second * hand.u) ** 2
        off.append(error / np.sqrt(u2 + 2 * second * tie))
        apart.append(error / np.sqrt(u2))
    assert np.std(off) == pytest.approx(1, abs=0.1) and np.std(apart) > 1.15


# --- four rounds ------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_four_rounds_bring_random_bows_to_their_wish():
    """Bows of the benchmark, through documents: seldom more than one beside 3 mm and 3 %, none 2 % below, forecasts that hold."""
    outcomes = [run_bow(5000 + k) for k in range(24)]
    assert sum(o.good for o in outcomes) >= 22  # 95 in 100 leaves three or more misses of 24 in one run of nine
    assert min(min(o.over) for o in outcomes) > -0.02
    for name in ("weight_in", "gaps_in"):
        assert np.mean([c for o in outcomes for c in getattr(o, name)]) >= 0.9  # 95 in 100, less two of its own scatter
    assert np.mean([w for o in outcomes for w in o.worse]) < 0.04
    assert np.mean([f for o in outcomes for f in o.false]) <= 0.03


def test_one_round_takes_about_half_the_excess():
    """Of six bows; less where many places are left out, or the hand takes little."""
    left = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        bench = random_bench(rng)
        before = bench.weight_over()
        scrape(bench, plan_scraping(photographed(bench, rng), bench.wish), rng)
        kept = (
            bench.wish.keep / bench.wish.aim
        )  # half of what stands above the wish is more than half of what stands above the aim
        assert 0.5 * (before + kept) - kept - 0.08 < bench.weight_over() < before
        left.append(bench.weight_over() / before)
    assert 0.4 < np.median(left) < 0.75


def test_change_by_patch_is_what_it_says():
    present = exact(bow_of())
    n = sum(c.count for c in present.patches)
    got = thinned(bow_of(), present.patches, np.full(n, -0.3))
    np.testing.assert_allclose(got.upper.ei, EI * np.exp(-0.3))


@pytest.mark.parametrize("beyond_mm, ends_mm", [(35.0, 130.0), (45.0, 210.0)])
def test_no_scraper_is_sent_to_an_inch_beyond_a_place_that_is_left_out(beyond_mm: float, ends_mm: float) -> None:
    """A plan once said "2 to 3 in from the nock": what lies beyond such a place is scraped from an inch and a half on."""
    skip = ((130.0, 165.0),)
    assert _trimmed(Cut(0, 0.0, 165.0 + beyond_mm, skip=skip)).high == ends_mm
