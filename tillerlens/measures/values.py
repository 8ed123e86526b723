"""The shape's numbers as values with their uncertainty, in the units of the document: mm and degrees.

A *gap* at d: d is measured along the limb from the handle's centre; the gap runs from the belly there, square to the handle, to
the line joining the nocks. The *difference* is upper less lower; its uncertainty is its own, since what both limbs share (scale,
lens, stand-off) moves both gaps alike.
"""

from __future__ import annotations

import numpy as np

from tillerlens.core.measurement import GapRow, Value
from tillerlens.core.units import MM_PER_INCH
from tillerlens.shape.bow_shape import STATIONS_IN, BowShape
from tillerlens.shape.uncertainty import Sensitivity

ANGLES = ("string_angle", "turn_", "handle_tilt")  # how the names of angles begin
MM, DEG = "mm", "deg"


def values_of(s: BowShape, influence: Sensitivity) -> dict[str, Value]:
    """Every finite number but the gaps, by name."""
    return {n: _value(n, s, influence) for n, v in s.numbers.items() if not n.startswith("gap_") and np.isfinite(v)}


def gap_rows(s: BowShape, influence: Sensitivity) -> tuple[GapRow, ...]:
    """The gaps at every station that both limbs reach."""
    rows = []
    for d in STATIONS_IN:
        if f"gap_difference_{d}" in s.numbers:
            upper, lower, difference = (_value(f"gap_{part}_{d}", s, influence) for part in ("upper", "lower", "difference"))
            rows.append(GapRow(d * MM_PER_INCH, upper, lower, difference))
    return tuple(rows)


def _value(name: str, s: BowShape, influence: Sensitivity) -> Value:
    angle = name.startswith(ANGLES)
    k = float(np.degrees(1.0)) if angle else 1.0
    budget = influence.budget(name)
    u = influence.u(name) * k if budget else float("nan")
    return Value(float(s.numbers[name]) * k, u, DEG if angle else MM, {c: v * k for c, v in budget.items()})
