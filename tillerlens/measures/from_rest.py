"""Movement from the shape at rest: how far each tip came down and which third of each limb does the bending.

Two pictures of one bow, so what is unknown of the one and of the other is independent.
"""

from __future__ import annotations

import math

import numpy as np

from tillerlens.core.measurement import LIMBS, Measurement, Value
from tillerlens.shape.uncertainty import Sensitivity, by_cause

MOVED = ("tip_movement_", "bend_share_")
"""What the names of these values begin with."""
THIRDS = ("inner", "mid", "outer")  # of the working limb, from the fade to the nock
LEAST_TURN_RAD = np.radians(3.0)  # a limb that moved less has no shares worth telling


def movement_from_rest(numbers: dict[str, float], influence: Sensitivity, rest: Measurement) -> dict[str, Value]:
    """Tip movements (mm, + toward the belly) and bend shares (%) of a strung bow against its own shape at rest.

    ``numbers``: the strung bow's (mm, rad); ``rest``: the same bow unstrung.
    A share is a third's change of direction, end to end, over the whole limb's: sums to 100 in each limb.
    """
    at_rest = {k: (v.value, v.u) for k, v in rest.values.items() if math.isfinite(v.value) and math.isfinite(v.u)}
    out: dict[str, Value] = {}
    tips = [f"tip_height_{limb}" for limb in LIMBS]
    if all(t in at_rest for t in tips):
        for limb, tip in zip(LIMBS, tips, strict=True):
            out[f"tip_movement_{limb}"] = _value(
                at_rest[tip][0] - numbers[tip], influence, -influence.numbers[tip], at_rest[tip][1], "mm"
            )
        both = influence.numbers[tips[1]] - influence.numbers[tips[0]]
        moved = [at_rest[t][0] - numbers[t] for t in tips]
        between = rest.values.get("tip_height_difference")
        u_rest = math.nan if between is None else between.u
        out["tip_movement_difference"] = _value(moved[0] - moved[1], influence, both, u_rest, "mm")
    for limb in LIMBS:
        names = [f"turn_{limb}_{third}" for third in THIRDS]
        if not all(n in at_rest and n in numbers for n in names):
            continue
        moved = [numbers[n] - np.radians(at_rest[n][0]) for n in names]
        total = float(sum(moved))
        if total < LEAST_TURN_RAD:
            continue
        d_total = np.sum([influence.numbers[n] for n in names], axis=0)
        u_rest_each = [np.radians(at_rest[n][1]) for n in names]
        for k, third in enumerate(THIRDS):
            share = moved[k] / total
            d = (influence.numbers[names[k]] - share * d_total) / total
            u_rest = np.sqrt(sum((((j == k) - share) * u / total) ** 2 for j, u in enumerate(u_rest_each)))
            out[f"bend_share_{limb}_{third}"] = _value(100 * share, influence, 100 * d, 100 * float(u_rest), "%")
    return out


def _value(value: float, influence: Sensitivity, changes: np.typing.NDArray[np.float64], u_rest: float, unit: str) -> Value:
    budget = by_cause(influence.causes, changes)
    budget["rest"] = u_rest
    return Value(float(value), float(np.sqrt(sum(v**2 for v in budget.values()))), unit, budget)
