"""What the arrow gets: energy, efficiency and virtual mass from chronograph readings, and the speed of other arrows.

Klopsteg's virtual mass K (*Archery: The Technical Side*, 1947): the limbs and the string move as if a mass K flew with the
arrow, so E = (m + K) v2 / 2 and the efficiency is m / (m + K). K is nearly constant over the usual arrows; far from the
arrows that were shot it is not, which is marked. kg, m/s, J.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from tillerlens.core.measurement import Value
from tillerlens.core.units import KG_PER_GRAIN, grains_from_kg, pounds_from_newtons
from tillerlens.mechanics.observed import MechanicsError

USUAL_VIRTUAL = 0.4  # virtual mass over the arrow's, where the fit starts
ENERGY_SCALE = 0.1  # of ln energy, in the fit
SPEED_U = 0.5  # m/s: a hand's loose and the chronograph (common practice, no source)
APART = 1.15  # two arrow masses this much apart tell the virtual mass without the stored energy
USUAL = (0.6, 0.8), 10.0  # share of the stored energy that wooden bows give an arrow of so many grains a pound (common practice)
NEAR = 1.4  # expected speeds are for arrows within this ratio of those shot


@dataclass(frozen=True)
class ArrowSpeed:
    """One arrow's mass and its speed as the chronograph told it."""

    arrow_kg: float
    speed_m_s: float
    u_speed_m_s: float = SPEED_U


@dataclass(frozen=True, eq=False)
class Cast:
    """``energy_j``: that the bow gives arrow and limbs together, stored in the draw less what is lost in the wood. ``stored``
    and ``efficiency`` (of each arrow) need the force-draw curve and are NaN without it."""

    energy_j: Value
    virtual_mass_kg: Value
    arrow_energy_j: tuple[Value, ...]
    efficiency: tuple[Value, ...]
    _fit: tuple[float, float]
    _cov: np.ndarray
    masses_kg: tuple[float, ...]

    def speed(self, arrow_kg: float) -> Value:
        """Speed expected of another arrow."""
        e, k = np.exp(self._fit[0]), self._fit[1]
        v = float(np.sqrt(2 * e / (arrow_kg + k)))
        by = v * np.array([0.5, -0.5 / (arrow_kg + k)])
        return Value(v, float(np.sqrt(by @ self._cov @ by)), "m/s")

    def far(self, arrow_kg: float) -> bool:
        """Whether an arrow is too unlike those shot for the virtual mass to be relied on."""
        return not min(self.masses_kg) / NEAR <= arrow_kg <= max(self.masses_kg) * NEAR


def kinetic_energy(arrow_kg: float, speed_m_s: float) -> float:
    return 0.5 * arrow_kg * speed_m_s**2


def grains_per_pound(arrow_kg: float, weight_n: float) -> float:
    """An arrow's grains for each pound of draw weight."""
    return grains_from_kg(arrow_kg) / pounds_from_newtons(weight_n)


def usual_speeds(stored: Value, weight_n: float, arrow_kg: float) -> tuple[float, float]:
    """The slowest and the fastest speed (m/s) to expect of an arrow by the energy stored (J) and the weight at full draw.

    A range of what is usual of wooden bows, and no measurement; NaN where the energy is not known.
    """
    shares, grains = USUAL
    common = grains * pounds_from_newtons(weight_n) * KG_PER_GRAIN
    ends = [(stored.value + k * 2 * stored.u, common * (1 / share - 1)) for k, share in zip((-1, 1), shares, strict=True)]
    low, high = (math.sqrt(2 * max(e, 0.0) / (arrow_kg + mass)) for e, mass in ends)
    return low, high


def judge_cast(shots: Sequence[ArrowSpeed], stored: Value | None = None) -> Cast:
    """Energy and virtual mass from arrows shot at one draw. ``stored``: energy stored in the draw (J), from the force-draw
    curve; without it two arrows of clearly different mass are needed.

    With it, what the wood itself swallows counts into K, as Klopsteg has it. Raises MechanicsError where the readings cannot
    tell, or where an arrow carries more than was stored.
    """
    if not shots or any(s.arrow_kg <= 0 or s.speed_m_s <= 0 for s in shots):
        raise MechanicsError("No arrow's mass and speed were given.", "Give each arrow's weight and its speed.")
    m, v, u = (np.array([getattr(s, n) for s in shots]) for n in ("arrow_kg", "speed_m_s", "u_speed_m_s"))
    known = stored is not None and np.isfinite(stored.value) and np.isfinite(stored.u)
    if not known and m.max() / m.min() < APART:
        raise MechanicsError(
            "These arrows weigh too much alike to tell the bow's virtual mass.",
            "Shoot a clearly lighter or heavier arrow too, or give the stored energy from a force-draw curve.",
        )
    kinetic = 0.5 * m * v**2
    if known and stored is not None and float(kinetic.max()) > stored.value + 3 * stored.u:
        raise MechanicsError(
            "An arrow carries more energy than the draw stored.",
            "Check the arrow's weight, its speed and the force-draw readings.",
        )

    def off(x: np.ndarray) -> np.ndarray:
        e, total = np.exp(x[0]), np.maximum(m + x[1], 1e-6)
        parts = (v - np.sqrt(2 * e / total)) / u
        return np.r_[parts, (e - stored.value) / stored.u] if known and stored is not None else parts

    start = np.array([np.log((1 + USUAL_VIRTUAL) * kinetic.mean()), USUAL_VIRTUAL * m.mean()])
    got = least_squares(off, start, x_scale=[ENERGY_SCALE, m.mean() / 4])
    dof = len(got.fun) - 2
    spread = max(1.0, float(2 * got.cost / dof)) if dof > 0 else 1.0  # readings that scatter more than promised widen the answer
    cov = np.linalg.inv(got.jac.T @ got.jac) * spread
    e, k = float(np.exp(got.x[0])), float(got.x[1])
    nan = float("nan")
    efficiency = []
    for mass in m:
        by = np.array([0.0, -mass / (mass + k) ** 2])
        efficiency.append(Value(float(mass / (mass + k)), float(np.sqrt(by @ cov @ by)), "") if known else Value(nan, nan, ""))
    return Cast(
        Value(e, e * float(np.sqrt(cov[0, 0])), "J"),
        Value(k, float(np.sqrt(cov[1, 1])), "kg"),
        tuple(Value(float(a), float(b), "J") for a, b in zip(kinetic, m * v * u, strict=True)),
        tuple(efficiency),
        (float(got.x[0]), k),
        cov,
        tuple(float(x) for x in m),
    )
