"""The gate for evidence: states, lengths, handles and dates of what speaks of a bow; numbers that no hand has read."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.support.benches import document, wooden_bow
from tests.support.shop import BEGIN, EVENTS, event_of
from tillerlens.core.measurement import Measurement
from tillerlens.history.as_now import on_hand
from tillerlens.measures.pair import DocumentError
from tillerlens.measures.set import set_between
from tillerlens.mechanics.bench import Given, as_document, tell
from tillerlens.mechanics.cast import ArrowSpeed
from tillerlens.mechanics.evidence import check_evidence
from tillerlens.mechanics.force_draw import Reading
from tillerlens.mechanics.observed import MechanicsError
from tillerlens.record import Stage

BOW = wooden_bow()
BRACED, DRAWN, REST = document(BOW, braced_only=True), document(BOW, 510), document(BOW)


def other(found: Measurement, **shot) -> Measurement:
    return replace(found, shot=replace(found.facts, **shot))


def test_a_rest_that_is_drawn_or_braced_tells_nothing() -> None:
    """A drawn picture as rest halved the strain; now it is no rest, and the reason says so once."""
    for wrong in (DRAWN, BRACED):
        found = tell(Given([BRACED, DRAWN], wrong, full_draw_mm=660))
        assert found.strain_seen is None
        said = [r.text for r in found.reasons if "cannot stand for its shape at rest" in r.text]
        assert len(said) == 1 and wrong.state in said[0]


def test_an_unstrung_picture_among_the_strung_is_left_out_with_a_word() -> None:
    found = tell(Given([BRACED, REST, DRAWN], REST, full_draw_mm=660))
    assert found.stiffness is not None and any("shows the bow unstrung" in r.text for r in found.reasons)


@pytest.mark.parametrize("word", ["length", "handle"])
def test_another_bows_picture_is_refused(word: str) -> None:
    key = {"length": "nock_to_nock_mm", "handle": "handle_mm"}[word]
    near = other(REST, **{key: getattr(REST.facts, key) + 0.9 * 25.4})  # within an inch: two tapes along one bow
    far = other(REST, **{key: getattr(REST.facts, key) + 1.5 * 25.4})
    check_evidence([DRAWN], near)
    with pytest.raises(MechanicsError, match=f"different {word}s"):
        check_evidence([DRAWN], far)
    found = tell(Given([BRACED, DRAWN], far, full_draw_mm=660))
    assert found.stiffness is None and any(f"different {word}s" in r.text for r in found.reasons)
    with pytest.raises(DocumentError, match=f"different {word}s"):
        set_between(REST, far)


def test_a_picture_weighed_at_nothing_is_left_out_with_a_word() -> None:
    found = tell(Given([BRACED, other(DRAWN, draw_weight_n=0.0)], REST, full_draw_mm=660))
    assert found.curve is None and any("A weight of 0.0 lb cannot be right" in r.text for r in found.reasons)


def test_numbers_that_cannot_be_are_left_out_with_a_word_and_the_rest_is_told() -> None:
    bad = [Reading(508, 0.0), Reading(508, -20.0), Reading(0.0, 100.0), Reading(508, float("nan")), Reading(150.0, 20.0)]
    for reading in bad:
        found = tell(Given([BRACED, DRAWN], REST, readings=[reading], full_draw_mm=660, brace_back_mm=165.0))
        assert found.curve is not None and len(found.reasons) == 1, found.reasons
    found = tell(Given([BRACED, DRAWN], REST, full_draw_mm=660, arrows=[ArrowSpeed(0.0, 50.0)]))
    assert found.cast is None and "An arrow of 0 gr" in found.reasons[0].text


anything = st.floats(allow_nan=True, allow_infinity=True) | st.floats(-50, 900)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.builds(Reading, anything | st.floats(250, 700), anything | st.floats(50, 400)), max_size=3),
    st.none() | anything | st.floats(500, 800),
    st.none() | anything | st.floats(120, 200),
    st.none() | anything | st.floats(1000, 2000),
    st.lists(st.builds(ArrowSpeed, anything | st.floats(0, 0.1), anything), max_size=2),
)
@example(readings=[], full=500.0, brace=200.0, length=994.0, arrows=[])  # short, braced high
@example(readings=[], full=None, brace=None, length=None, arrows=[ArrowSpeed(1.2e304, 0.0)])  # no number of grains
def test_any_number_is_told_or_left_out_with_a_word(readings, full, brace, length, arrows) -> None:
    found = tell(Given([], readings=readings, full_draw_mm=full, brace_back_mm=brace, length_mm=length, arrows=arrows))
    if found.curve is None:
        assert found.reasons or not readings
    else:
        weight = found.curve.weight_at(found.full_draw_mm)
        assert np.isfinite(weight.value) and weight.value > 0 and weight.u > 0
    json.dumps(as_document(found), allow_nan=False)


# --- dates, where a record has them


def stage(state: str, hours: float) -> Stage:
    return Stage("b", 1, BEGIN + timedelta(hours=hours), state, "p.jpg", "0" * 64, "image/jpeg", 1, {}, status="measured")  # type: ignore[arg-type]


def test_heat_makes_another_bow_of_it() -> None:
    """Heat moves the natural shape and stiffens the wood: neither the rest nor the weights from before it count."""
    heat = event_of("b", "heat", BEGIN + timedelta(hours=5), {"minutes": 30})
    weighed = event_of("b", "weighing", BEGIN + timedelta(hours=3), {"draw_mm": 500.0, "draw_to": "back", "weight_n": 100.0})
    before = [stage("unstrung", 1), stage("braced", 2), stage("drawn", 3)]
    cold = on_hand(before, [weighed])
    assert len(cold.strung) == 2 and cold.rest is before[0] and cold.weighings and not cold.left_out
    hot = on_hand(before, [weighed, heat])
    assert not hot.strung and hot.rest is None and not hot.weighings
    assert "heated after its last picture unstrung" in hot.left_out[0].text
    again = on_hand([*before, stage("unstrung", 6), stage("drawn", 7)], [weighed, heat])
    assert len(again.strung) == 1 and again.rest is not None and again.rest.taken_at > heat.happened_at and not again.left_out


def test_scraping_leaves_the_shape_at_rest() -> None:
    scrape = event_of("b", "scrape", BEGIN + timedelta(hours=5), EVENTS["scrape"])
    found = on_hand([stage("unstrung", 1), stage("drawn", 3), stage("drawn", 6)], [scrape])
    assert len(found.strung) == 1 and found.rest is not None
