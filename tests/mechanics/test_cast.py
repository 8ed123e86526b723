"""Chronograph readings of a bow with known energy and virtual mass."""

from __future__ import annotations

import numpy as np
import pytest

from tillerlens.core.measurement import Value
from tillerlens.core.units import kg_from_grains, newtons_from_pounds
from tillerlens.mechanics.cast import ArrowSpeed, grains_per_pound, judge_cast, kinetic_energy
from tillerlens.mechanics.observed import MechanicsError

ENERGY, MASS = 55.0, 0.008


def shot(arrow_kg: float, off: float = 0.0) -> ArrowSpeed:
    return ArrowSpeed(arrow_kg, float(np.sqrt(2 * ENERGY / (arrow_kg + MASS))) + off)


def test_stored_energy_and_one_arrow_tell_the_virtual_mass() -> None:
    got = judge_cast([shot(0.030)], Value(ENERGY, 0.8, "J"))
    assert got.virtual_mass_kg.value == pytest.approx(MASS, rel=1e-3)
    assert got.efficiency[0].value == pytest.approx(30 / 38, rel=1e-3)
    assert got.arrow_energy_j[0].value == pytest.approx(ENERGY * 30 / 38, rel=1e-3)
    assert got.speed(0.026).value == pytest.approx(shot(0.026).speed_m_s, rel=1e-3)
    # what the energy and the speed leave open of K: K = 2 E / v2 - m
    v = shot(0.03).speed_m_s
    assert got.virtual_mass_kg.u == pytest.approx(0.038 * np.hypot(0.8 / ENERGY, 2 * 0.5 / v), rel=0.02)
    assert not got.far(0.035) and got.far(0.060)


def test_two_arrows_tell_it_without_the_energy() -> None:
    got = judge_cast([shot(0.022), shot(0.040)])
    assert got.virtual_mass_kg.value == pytest.approx(MASS, rel=1e-3)
    assert got.energy_j.value == pytest.approx(ENERGY, rel=1e-3)
    assert np.isnan(got.efficiency[0].value)  # of what was stored nothing is known
    with pytest.raises(MechanicsError, match="too much alike"):
        judge_cast([shot(0.030), shot(0.031)])


def test_the_expected_speeds_band_covers(rng: np.random.Generator) -> None:
    z = []
    for _ in range(300):
        shots = [shot(m, rng.normal(0, 0.5)) for m in (0.024, 0.030, 0.036)]
        got = judge_cast(shots, Value(ENERGY + rng.normal(0, 0.8), 0.8, "J")).speed(0.028)
        z.append((got.value - shot(0.028).speed_m_s) / got.u)
    assert 0.7 < np.std(z) < 1.15 and 0.92 < np.mean(np.abs(z) < 2) <= 1


def test_scatter_beyond_what_was_promised_widens_the_answer() -> None:
    calm = judge_cast([shot(0.024), shot(0.030), shot(0.036)], Value(ENERGY, 0.8, "J"))
    wild = judge_cast([shot(0.024, 3), shot(0.030, -3), shot(0.036, 2)], Value(ENERGY, 0.8, "J"))
    assert wild.speed(0.030).u > 2 * calm.speed(0.030).u


def test_more_than_was_stored_is_refused() -> None:
    with pytest.raises(MechanicsError, match="more energy"):
        judge_cast([shot(0.030)], Value(30.0, 0.5, "J"))
    with pytest.raises(MechanicsError, match="No arrow"):
        judge_cast([])


def test_grains_per_pound() -> None:
    assert grains_per_pound(kg_from_grains(500), newtons_from_pounds(50)) == pytest.approx(10)
    assert kinetic_energy(0.03, 50) == pytest.approx(37.5)
