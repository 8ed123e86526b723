"""Strain along the limbs, against closed forms and the statics."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benches import BRACE_MM, ROOT_MM, WORKING_MM, document, string_of, wooden_bow
from tillerlens.mechanics.section import limb_sections
from tillerlens.mechanics.seen import MechanicsError, read_seen
from tillerlens.mechanics.statics import drawn
from tillerlens.mechanics.stiffness import estimate_stiffness
from tillerlens.mechanics.strain import (
    ANY_WOOD,
    BORNE_BY_BOWS,
    LimbStrain,
    most_at_risk,
    strain_ahead,
    strain_limit,
    strain_now,
)


def true_strain(bow, draw: float, limb: str, from_nock: np.ndarray) -> np.ndarray:
    """Half the thickness times the movement of curvature, from the statics."""
    shape = getattr(drawn(bow, string_of(bow), draw), limb)
    moved = np.interp(shape.s[-1] - from_nock, shape.s, shape.moment) / np.interp(
        WORKING_MM - from_nock, getattr(bow, limb).s, getattr(bow, limb).ei
    )
    return np.interp(WORKING_MM - from_nock, [0, WORKING_MM], [ROOT_MM, 9.0]) / 2 * moved


def test_strain_now_and_ahead_are_the_statics_own() -> None:
    bow = wooden_bow(hinge=0.25)
    rest, seen = read_seen(document(bow)), read_seen(document(bow, 450))
    now = strain_now(seen, rest)
    st = estimate_stiffness([seen], rest)
    ahead = strain_ahead(st, seen, 680)
    by_brace = strain_ahead(st, seen, 680, brace_back_mm=BRACE_MM)
    for limb in ("upper", "lower"):
        x = now[limb]
        ok = np.isfinite(x.belly)
        np.testing.assert_allclose(x.belly[ok], true_strain(bow, 450, limb, x.from_nock_mm[ok]), rtol=0.01)
        np.testing.assert_array_equal(x.belly, x.back)  # nothing is known of the section
        y = ahead[limb]
        ok = np.isfinite(y.belly)
        np.testing.assert_allclose(y.belly[ok], true_strain(bow, 680, limb, y.from_nock_mm[ok]), rtol=0.015)
        np.testing.assert_allclose(y.belly[ok], by_brace[limb].belly[ok], rtol=0.01)
        assert not ok[0] and not ok[-1]


def test_a_crowned_back_is_strained_more_than_its_belly() -> None:
    bow = wooden_bow()
    rest, seen = read_seen(document(bow)), read_seen(document(bow, 600))
    at = np.linspace(0, WORKING_MM, 30)
    widths, deep = np.linspace(13, 38, 30), np.linspace(9, 15, 30)
    crowned = limb_sections(at, widths, deep, 2.0, u_width_mm=0.2, u_thickness_mm=0.1, u_crown_mm=0.2)
    got = strain_now(seen, rest, {"upper": crowned, "lower": crowned})["upper"]
    ok = np.isfinite(got.belly)
    assert np.all(got.back[ok] > got.belly[ok])


def test_the_place_at_risk_is_the_hinge() -> None:
    bow = wooden_bow(hinge=0.3)
    rest, seen = read_seen(document(bow)), read_seen(document(bow, 600))
    risk = most_at_risk(strain_now(seen, rest), ANY_WOOD)
    assert risk.limb == "upper" and risk.from_nock_mm == pytest.approx(WORKING_MM - 400, abs=25)
    assert risk.share.value == pytest.approx(risk.strain.value / 0.01)
    assert risk.share.u > 0


def _flat(belly: float, u: float, bump: float = 0.0) -> LimbStrain:
    s = np.linspace(0, 700, 71)
    b = belly + bump * np.exp(-(((s - 300) / 30) ** 2))
    return LimbStrain(s, b, 0.9 * b, np.full(71, u), np.full(71, u))


def test_a_place_is_named_clear_only_beyond_its_interval() -> None:
    alike = most_at_risk({"upper": _flat(0.008, 3e-4), "lower": _flat(0.0081, 3e-4)}, ANY_WOOD)
    assert not alike.clear
    apart = most_at_risk({"upper": _flat(0.008, 3e-4, 0.003), "lower": _flat(0.008, 3e-4)}, ANY_WOOD)
    assert apart.clear and apart.limb == "upper" and apart.side == "belly" and apart.from_nock_mm == pytest.approx(300)


def test_a_heat_hardened_belly_is_the_users_word_and_only_the_bellys() -> None:
    strains = {"upper": _flat(0.008, 1e-4), "lower": _flat(0.0078, 1e-4)}
    plain, hot = most_at_risk(strains, ANY_WOOD), most_at_risk(strains, ANY_WOOD, heat_factor=1.3)
    assert plain.side == "belly" and plain.share.value == pytest.approx(0.8)
    assert hot.side == "back" and hot.share.value == pytest.approx(0.72) and hot.heat_factor == 1.3
    with pytest.raises(MechanicsError, match="heat factor"):
        most_at_risk(strains, ANY_WOOD, heat_factor=5)


def test_limits_and_their_sources() -> None:
    # radius over thickness: Klopsteg 45 (yew), 35 (osage), Nagler 50; strain t / 2R
    assert strain_limit("Pacific yew").strain == pytest.approx(0.0111, abs=5e-5)
    assert strain_limit("Osage-orange").strain == pytest.approx(0.0143, abs=5e-5)
    assert strain_limit().strain == pytest.approx(0.01) and strain_limit("hazel") is ANY_WOOD
    # Wood Handbook table 5-3a, 12 %: shagbark 139 MPa / 14.9 GPa, black locust 134 / 14.1
    assert strain_limit("shagbark hickory", 139.0, 14_900.0).strain == pytest.approx(0.00933, abs=1e-5)
    assert strain_limit("black locust", 134.0, 14_100.0).strain == pytest.approx(0.0095, abs=1e-5)
    assert all(limit.source for limit in (*BORNE_BY_BOWS.values(), ANY_WOOD, strain_limit("x", 1, 100)))
