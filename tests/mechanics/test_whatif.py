"""Try before you cut: what a change does, against the true bow changed alike, and against tables where there are any."""

from __future__ import annotations

import json
import re
import time
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.outside.test_statics_tables import DRAWN
from tests.support.benches import BRACE_MM, HALF_HANDLE_MM, ROOT_MM, document, string_of, wooden_bow
from tillerlens.core.errors import TillerLensError
from tillerlens.core.measurement import Value
from tillerlens.mechanics.bench import Given, Unpictured, known_brace, tell
from tillerlens.mechanics.current_bow import CurrentBow, CurrentLimb, DrawReading
from tillerlens.mechanics.evidence import check_strung
from tillerlens.mechanics.observed import MechanicsError, read_observed
from tillerlens.mechanics.statics import Bow, ElasticLimb, Handle, at_rest, braced, drawn, string_on_belly
from tillerlens.mechanics.what_if import (
    KINDS,
    STIFFER,
    Change,
    Depth,
    Standing,
    WhatIfError,
    as_document,
    compare,
    heat_gain,
    standing_from_documents,
)

BOW = wooden_bow(hinge=0.1)
DRAW = 680.0
ALL = (
    Change("take", 0.03, "upper", (200.0, 350.0)), Change("narrow", 0.15), Change("shorten", 25.4), Change("brace", 12.7),
    Change("reflex", 25.4), Change("heat", 0.08),
)  # fmt: skip


@pytest.fixture(scope="module")
def standing() -> Standing:
    rng = np.random.default_rng(5)
    strung = [document(BOW, braced_only=True, noise=rng), document(BOW, 560, noise=rng)]
    return standing_from_documents(strung, document(BOW, noise=rng), DRAW)


@pytest.mark.parametrize(("typed", "pictured"), [(170.0, True), (140.0, False), (None, True)])
def test_todays_brace_height_is_the_one_that_weights_goes_by(typed, pictured) -> None:
    """Typed there, else as a braced picture shows it: the string of a drawn picture told another."""
    bow = wooden_bow()
    pictures = [document(bow, braced_only=True)] if pictured else []
    pictures.append(document(bow, 560))
    given = Given(pictures, document(bow), brace_back_mm=typed)
    brace, u = known_brace(given, [read_observed(m) for m in pictures])
    standing = standing_from_documents(pictures, document(bow), 685.8, beside=Unpictured(brace_back_mm=typed))
    tried = compare(standing, [Change("brace", 6.0)])
    assert (tried.today.brace_back.value, tried.today.brace_back.u) == (brace, u)
    assert brace == (typed or pytest.approx(BRACE_MM + ROOT_MM, abs=20))
    assert tried.after.brace_back.value - brace == pytest.approx(6.0, abs=0.05)
    assert tried.difference["brace_back"].value == pytest.approx(6.0, abs=0.05)


def truly(change: Change) -> tuple[Bow, float]:
    """The true bow after a change, made here by other means, and its string."""
    limbs, brace = [], None
    for name, limb in (("upper", BOW.upper), ("lower", BOW.lower)):
        s, ei, k0 = (v.copy() for v in (limb.s, limb.ei, limb.kappa0))
        if change.kind == "take" and name == change.limb:
            a, b = change.from_nock_mm
            inward = limb.length - s
            ei = ei * (1 - change.amount * np.interp(inward, [a, a + 25, b - 25, b], [0, 1, 1, 0])) ** 3
        elif change.kind == "narrow":
            ei = ei * np.interp(s, [0, 2 / 3 * limb.length, limb.length], [1, 1, 1 - change.amount])
        elif change.kind == "shorten":
            new = np.linspace(0, limb.length - change.amount, 200)
            s, ei, k0 = new, np.interp(new, s, ei), np.interp(new, s, k0)
        elif change.kind == "reflex":
            k0 = k0 - 2 * change.amount / limb.length**2
        elif change.kind == "heat":
            ei = ei * (1 + change.amount)
        limbs.append(ElasticLimb(s, ei, k0))
    bow = Bow(limbs[0], limbs[1], Handle(HALF_HANDLE_MM, HALF_HANDLE_MM, ROOT_MM))
    if change.kind in ("shorten", "reflex", "brace"):
        brace = BRACE_MM - ROOT_MM + (change.amount if change.kind == "brace" else 0.0)
    return bow, string_of(BOW) if brace is None else braced(bow, brace_height=brace).string_length


@pytest.mark.parametrize("change", ALL, ids=lambda c: c.kind)
def test_a_change_does_to_the_measured_bow_what_it_does_to_the_true_one(standing: Standing, change: Change) -> None:
    """Weights within their 2u; their difference within 2u and 0.3 N (0.07 lb) for what linear doubts leave out."""
    tried = compare(standing, [change])
    bow, string = truly(change)
    before, after = drawn(BOW, string_of(BOW), DRAW), drawn(bow, string, DRAW)
    assert abs(tried.today.weight.value - before.weight) < 2 * tried.today.weight.u
    assert abs(tried.after.weight.value - after.weight) < 2 * tried.after.weight.u
    d = tried.difference["weight"]
    assert abs(d.value - (after.weight - before.weight)) < 2 * d.u + 0.3
    assert d.u < 0.5 * tried.after.weight.u  # a difference is known far better than the weight itself
    moved = after.upper.nock[1] - before.upper.nock[1]
    assert tried.difference["tip_upper"].value == pytest.approx(-moved, abs=0.5 + 2 * tried.difference["tip_upper"].u)
    turned = np.degrees(after.string_angle_upper - before.string_angle_upper)
    assert tried.difference["string_angle_upper"].value == pytest.approx(turned, abs=0.25)


def test_no_change_is_today_and_heat_scales_the_weight(standing: Standing) -> None:
    same = compare(standing, [])
    assert all(v.value == 0 and v.u == 0 for v in same.difference.values() if np.isfinite(v.value))
    hot = compare(standing, [Change("heat", 0.1)])
    assert hot.after.weight.value == pytest.approx(1.1 * hot.today.weight.value, rel=1e-6)  # statics are linear in EI
    assert hot.difference["string_angle_upper"].value == pytest.approx(0, abs=1e-6)


def test_the_strain_of_today_is_as_sure_as_the_bench_tells_it() -> None:
    """Where the broad faces show, a side picture's thickness is good to a fifth; what was tried said a twelfth regardless."""
    rng = np.random.default_rng(5)
    strung = [document(BOW, braced_only=True, noise=rng), document(BOW, 560, noise=rng)]
    for d in strung:
        for limb, p in d.profile.items():
            d.profile[limb] = replace(p, u_thickness_mm=0.2 * p.thickness_mm)
    rest = document(BOW, noise=rng)
    today = compare(standing_from_documents(strung, rest, DRAW), []).today.strain
    told = tell(Given(strung, rest, full_draw_mm=DRAW)).strain_full
    assert told is not None
    for name, limb in told.items():
        i = int(np.nanargmax(limb.belly))
        assert today[name].value == pytest.approx(limb.belly[i], rel=0.08)  # the what-if's bow is sharpened by gaps and weight
        assert today[name].u / today[name].value == pytest.approx(limb.u_belly[i] / limb.belly[i], rel=0.15)


def test_heat_is_taken_from_the_users_own_bows_else_from_a_range(standing: Standing) -> None:
    low, high = STIFFER
    doubtful = compare(standing, [Change("shorten", 10.0, u=2.0), Change("narrow", 0.1, u=0.03)]).difference["weight"]
    assert doubtful.u > 3 * compare(standing, [Change("shorten", 10.0), Change("narrow", 0.1)]).difference["weight"].u
    unknown = compare(standing, [Change("heat")]).difference["weight"]
    today = standing.today.numbers[0]
    assert unknown.value - 2 * unknown.u == pytest.approx(low * today, rel=0.12)
    assert unknown.value + 2 * unknown.u == pytest.approx(high * today, rel=0.12)
    own = heat_gain([(200.0, 216.0), (180.0, 191.0)])
    assert own.value == pytest.approx((0.08 + 11 / 180) / 2) and 0.01 < own.u < 0.04
    assert isinstance(heat_gain([(200.0, 210.0)]), Value) and heat_gain([(200.0, 210.0)]).u > 0.02


def uniform(length: float, draw: float) -> Standing:
    s = np.linspace(0, length, 101)
    flat = np.zeros(s.size)
    limb = ElasticLimb(s, flat + 1e8, flat)
    bow = Bow(limb, limb, Handle())
    string = braced(bow, brace_height=0.18 * length).string_length
    part = CurrentLimb(limb, flat, flat)
    seen = DrawReading(draw, 100.0, 1.0, np.array([0.3 * length]), np.ones(1), np.ones(1), 0.5)
    present = CurrentBow(part, part, Handle(), string, seen)
    n = sum(c.count for c in present.patches) + 6
    depth = Depth(flat + 10, flat + 5, 0.0, True)
    return Standing(present, bow, np.zeros((n, 1)), (depth, depth), draw, 0.18 * length)


@pytest.mark.parametrize(("row", "shorter"), list(pairwise(DRAWN[6:])), ids=lambda r: f"D/L={r[0]}")
def test_shortening_a_uniform_bow_follows_the_elliptic_tables(row, shorter) -> None:
    """Drawn to one length, the shorter bow stands at the table's next row: F L2 / EI, tip angle and energy there are known."""
    draw = 500.0
    long, short = draw / row[0], draw / shorter[0]
    tried = compare(uniform(long, draw), [Change("shorten", long - short), Change("brace", 0.18 * (short - long))])
    for got, want, length in ((tried.today, row, long), (tried.after, shorter, short)):
        assert got.weight.value == pytest.approx(want[1] * 1e8 / length**2, rel=1e-3)
        assert got.brace_back.value == pytest.approx(0.18 * length, abs=0.01)
        assert got.shape["upper"][-1, 0] == pytest.approx(want[3] * length, rel=1e-3)
        assert got.strain["upper"].value < 5 * want[6] / length  # the root's own place is within the untold fade
        stored = (want[7] - DRAWN[0][7]) * 1e8 / length / 1000
        assert got.energy.value == pytest.approx(stored, rel=2e-3)


def test_an_update_is_quick(standing: Standing) -> None:
    """Under 150 ms of the processor's time; the best of ten, since a machine with other work is slowed by that too."""
    _ = standing.today
    took = []
    for _ in range(10):
        start = time.process_time()
        compare(standing, ALL)
        took.append(time.process_time() - start)
    assert min(took) < 0.15, took


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (Change("take", 0.5, "upper", (200.0, 300.0)), "take wood off by 50 % cannot be tried"),
        (Change("take", 0.03, "upper", (300.0, 200.0)), "Count from the nock"),
        (Change("take", 0.03, "upper", (300.0, 2000.0)), "working part is 28.3 in long"),
        (Change("take", 0.03), "No place is given"),
        (Change("shorten", -5.0), "cannot be tried"),
        (Change("narrow"), "No amount is given"),
        (Change("reflex", float("nan")), "by so much cannot be tried"),
        (Change("take", 1.8e306), "by so much cannot be tried"),
        (Change("narrow", None, mm=1.0), "Only wood taken off is given as a thickness"),
        (Change("take", from_nock_mm=(200.0, 400.0), mm=float("inf")), "by such a thickness"),
        (Change("take", from_nock_mm=(200.0, 400.0), mm=-1.0), "by such a thickness"),
        (Change("take", from_nock_mm=(200.0, 400.0), mm=5.0), "more than a quarter"),
        (Change("take", 0.02, from_nock_mm=(0.0, float("inf"))), "cannot come off there"),
    ],
)
def test_what_cannot_be_tried_is_refused_in_words(standing: Standing, change: Change, words: str) -> None:
    with pytest.raises(WhatIfError) as got:
        compare(standing, [change])
    assert words in f"{got.value.text} {got.value.remedy}"


numbers = st.floats(allow_nan=True, allow_infinity=True) | st.floats(-0.3, 0.6) | st.floats(-150, 150)
changes = st.builds(
    Change,
    st.sampled_from(KINDS),
    st.none() | numbers,
    st.sampled_from(["upper", "lower", "both"]),
    st.none() | st.tuples(numbers | st.floats(0, 800), numbers | st.floats(0, 800)),
    st.none() | numbers | st.floats(0, 5),
    st.just(0.0) | numbers,
)


def test_any_change_is_tried_or_refused_in_words(standing: Standing) -> None:
    @settings(max_examples=60, deadline=None)
    @given(st.lists(changes, max_size=3))
    def try_them(wished: list[Change]) -> None:  # within, for a bow in a printed example would run to pages
        try:
            tried = compare(standing, wished)
        except TillerLensError as error:
            assert error.text and not re.search(r"\b(nan|inf)\b", f"{error.text} {error.remedy}")
            return
        for v in (tried.after.weight, tried.after.energy, *tried.after.string_angle.values(), *tried.after.strain.values()):
            assert np.isfinite(v.value) and np.isfinite(v.u)
        json.dumps(as_document(tried), allow_nan=False)

    try_them()


def recurve() -> Bow:
    """Static tips of 120 mm that turn back by a radian: braced, the string's line runs through the limb."""
    s = np.linspace(0, 700, 141)
    ei = 3e8 * (1 - s / 900)
    limb = ElasticLimb(s, ei, np.where(s > 580, -8e-3, 0.0))
    return Bow(limb, limb, Handle(HALF_HANDLE_MM, HALF_HANDLE_MM, ROOT_MM))


def test_a_string_on_a_recurves_belly_is_refused_in_words(standing: Standing) -> None:
    bow = recurve()
    state = braced(bow, brace_height=BRACE_MM - ROOT_MM)
    assert string_on_belly(state) == ("upper", "lower")
    assert string_on_belly(braced(BOW, brace_height=BRACE_MM - ROOT_MM)) == ()
    assert at_rest(bow)[0].y[-1] > 0
    with pytest.raises(MechanicsError, match="passes through the upper limb near its tip"):
        check_strung(document(bow, braced_only=True))
    check_strung(document(BOW, braced_only=True))
    check_strung(document(BOW, 560))


def test_the_document_is_json(standing: Standing) -> None:
    d = as_document(compare(standing, ALL[:2]))
    json.dumps(d, allow_nan=False)
    assert d["format"] == "tillerlens-what-if" and d["after"]["weight"]["unit"] == "N" and d["strain_by"] == "the side"
    assert d["difference"]["weight"]["value"] < 0
