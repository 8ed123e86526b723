"""Curves and colours of the bend show it from rest where that is known: a reflexed tip must not look lazy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.benches import HALF_HANDLE_MM, ROOT_MM, WORKING_MM, document
from tillerlens.measures.compare import AtRest, compare
from tillerlens.measures.pair import from_rest, read_picture
from tillerlens.mechanics.statics import Bow, ElasticLimb, Handle
from tillerlens.report.charts.bow import bend_pair_chart
from tillerlens.report.charts.picture import bend_chart
from tillerlens.report.charts.svg import bend_figure
from tillerlens.report.overlay import bend_range
from tillerlens.report.words.from_rest import bend_of
from tillerlens.report.words.quantities import Units


def flipped() -> Bow:
    """Limbs whose stiffness falls so that they bend evenly, with the outer third reflexed by 1.2 per metre."""
    s = np.linspace(0, WORKING_MM, 141)
    ei = 3e8 * np.maximum(1 - s / WORKING_MM, 0.08)
    limb = ElasticLimb(s, ei, np.where(s > 2 / 3 * WORKING_MM, -1.2e-3, 0.0))
    return Bow(limb, limb, Handle(HALF_HANDLE_MM, HALF_HANDLE_MM, ROOT_MM))


BOW = flipped()
REST, DRAWN = document(BOW), document(BOW, 560)


def thirds(found) -> tuple[float, float]:
    """Mean bend (1/m) of the outer part, the nock left out, and of the middle of the upper limb."""
    p = found.profile["upper"]
    part = p.from_nock_mm / p.from_nock_mm.max()
    return tuple(float(np.mean(p.curvature_per_m[(part > a) & (part < b)])) for a, b in ((0.1, 0.3), (0.4, 0.65)))


def test_a_reflexed_tip_does_not_look_lazy_where_rest_is_known() -> None:
    found = DRAWN
    shape, moved = bend_of(found, None), bend_of(found, REST)
    assert thirds(shape.shown)[0] < 0.35 * thirds(shape.shown)[1]  # what a novice would scrape
    outer, middle = thirds(moved.shown)
    assert outer == pytest.approx(middle, rel=0.35)
    assert moved.from_rest and not shape.from_rest
    u = found.profile["upper"].u_curvature_per_m
    assert np.allclose(moved.shown.profile["upper"].u_curvature_per_m, np.sqrt(2) * u)  # both pictures' bands are alike here


def test_colours_and_curves_use_the_same_bend_and_say_which() -> None:
    found = DRAWN
    assert bend_range(bend_of(found, REST).shown)[0] > bend_range(found)[0] + 0.5  # the reflexed tip is no longer palest
    assert "bend from rest" in bend_chart(found, rest=REST).to_json()
    assert "shape, natural bend included" in bend_chart(found).to_json()
    assert "a reflexed tip looks lazy" in bend_of(found, None).caption
    pictures = read_picture(DRAWN), read_picture(REST)
    assert "bend from rest" in bend_figure(pictures[0], Units(), pictures[1])
    assert "shape, natural bend included" in bend_figure(pictures[0], Units())
    pairs = compare(DRAWN, DRAWN, AtRest(REST)), compare(DRAWN, DRAWN)
    bent, standing = (bend_pair_chart(pair, Units()).to_json() for pair in pairs)
    assert "bend from rest" in bent and "shape, natural bend included" in standing


def test_two_pages_take_the_shape_at_rest_off_alike() -> None:
    """Where the pictures read a limb's length 6 mm apart, one page laid the limbs on each other at the nock, the other at the
    handle: two bends of one bow."""
    length = REST.values["limb_length_upper"]
    rest = replace(REST, values={**REST.values, "limb_length_upper": replace(length, value=length.value + 6.0)})
    one = bend_of(DRAWN, rest).shown.profile["upper"]
    other = from_rest(read_picture(DRAWN), read_picture(rest), True).limbs["upper"]
    np.testing.assert_allclose(one.curvature_per_m, other.curvature_per_m, atol=1e-9)
    np.testing.assert_allclose(one.u_curvature_per_m, other.u_curvature_per_m, atol=1e-9)


def test_a_picture_at_rest_and_a_wrong_rest_are_shown_as_they_are() -> None:
    natural = bend_of(REST, REST)
    assert not natural.from_rest and "natural shape" in natural.axis_in(Units())
    assert not bend_of(DRAWN, DRAWN).from_rest  # a drawn picture is no rest
