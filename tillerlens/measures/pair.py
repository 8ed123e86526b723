"""Two pictures of one bow brought together: documents read back, values taken from each other, curves laid on the handle.

Two pictures are taken independently, but of one bow: what is not known of the bow itself (its width, its grip) is in
both readings alike and, with the camera elsewhere, may count with either sign. Such causes add in full, the others in
squares (GUM, JCGM 100:2008, 5.2.2).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.document import DocumentError, told_apart
from tillerlens.core.measurement import LIMBS, Limb, Value, number_or_nan, read_value
from tillerlens.core.units import MM_PER_INCH, format_inches

Array = NDArray[np.float64]

OF_THE_BOW = frozenset({"width", "grip", "rest"})
STEP_MM = 5.0


@dataclass(frozen=True, eq=False)
class Along:
    """One limb, nock first, arrays of one length N. centre_mm (N, 2) in the bow's frame, NaN where an old document lacks it."""

    from_nock_mm: Array
    from_handle_mm: Array  # along the limb from the handle's centre
    curvature_per_m: Array
    u_curvature_per_m: Array
    centre_mm: Array


@dataclass(frozen=True, eq=False)
class Picture:
    """What a measurement document holds of a measured bow. gaps: station in mm -> upper, lower, difference."""

    state: str
    values: dict[str, Value]
    gaps: dict[float, tuple[Value, Value, Value]]
    limbs: dict[Limb, Along]
    shot: dict[str, Any]

    @property
    def nock_to_nock_mm(self) -> float:
        return float(self.shot.get("bow_length_nock_to_nock_in", math.nan)) * MM_PER_INCH


@dataclass(frozen=True, eq=False)
class Change:
    """Bend now minus bend then along one limb, laid on the handle; from the nock of the limb now. Arrays of one length."""

    limb: Limb
    from_nock_mm: Array
    from_handle_mm: Array
    then_per_m: Array
    now_per_m: Array
    u_per_m: Array

    @property
    def per_m(self) -> Array:
        return np.asarray(self.now_per_m - self.then_per_m)


def read_picture(document: Mapping[str, Any]) -> Picture:
    """A measurement document as numbers. Raises DocumentError when it holds no bow measured from the side."""
    if document.get("front"):
        name = document.get("photo", {}).get("name", "the picture")
        text = f"{name} shows the bow from its belly or back, so its bend can't be compared."
        raise DocumentError(text, "Give two pictures from the side, or two of a heat-treated belly.")
    if document.get("status") != "measured" or set(document.get("profile", {})) != set(LIMBS):
        name = document.get("photo", {}).get("name", "the picture")
        raise DocumentError(f"{name} was not measured, so it cannot be compared.", "Measure it first, with clicks if it asks.")
    values = {k: read_value(v) for k, v in document["values"].items()}
    gaps = {
        float(g["from_handle_mm"]): (read_value(g["upper"]), read_value(g["lower"]), read_value(g["difference"]))
        for g in document["gaps"]
    }
    limbs: dict[Limb, Along] = {}
    for limb in LIMBS:
        p = document["profile"][limb]
        from_nock = _array(p["from_nock_mm"])
        length = values[f"limb_length_{limb}"].value if f"limb_length_{limb}" in values else math.nan
        if not math.isfinite(length):
            length = float(document["shot"]["bow_length_nock_to_nock_in"]) * MM_PER_INCH / 2
        centre = p.get("centre_mm") or [[None, None]] * len(from_nock)
        limbs[limb] = Along(
            from_nock,
            length - from_nock,
            _array(p["curvature_per_m"]),
            _array(p["u_curvature_per_m"]),
            np.array([[number_or_nan(v) for v in q] for q in centre]),
        )
    return Picture(document["state"], values, gaps, limbs, dict(document["shot"]))


def check_one_bow(then: Picture, now: Picture) -> None:
    """Raise DocumentError where the lengths or the handles typed cannot be one bow's."""
    found = told_apart(then.shot, now.shot)
    if found is not None:
        word, a, b = found
        raise DocumentError(
            f"The bows of the two pictures have different {word}s, {format_inches(a)} and {format_inches(b)}.",
            "Give two pictures of one bow; after piking it, start again with a picture of it unstrung."
            if word == "length"
            else "Give two pictures of one bow, or correct the handle where it was mistyped.",
        )


def change(then: Value, now: Value) -> Value:
    """now - then, with the causes that belong to the bow in full and the others in squares; u is NaN where anything is not
    known."""
    value = now.value - then.value
    if not all(math.isfinite(x) for x in (value, then.u, now.u)):
        return Value(value, math.nan, now.unit)
    if not (then.budget and now.budget):
        return Value(value, math.hypot(then.u, now.u), now.unit)
    budget = {
        c: (a + b if c in OF_THE_BOW else math.hypot(a, b))
        for c in {**now.budget, **then.budget}
        for a, b in [(then.budget.get(c, 0.0), now.budget.get(c, 0.0))]
    }
    return from_budget(value, now.unit, budget)


def from_budget(value: float, unit: str, budget: Mapping[str, float]) -> Value:
    """A value whose u is the root of its causes' squares, the largest cause first."""
    parts = dict(sorted(budget.items(), key=lambda q: -q[1]))
    return Value(float(value), math.sqrt(sum(v * v for v in parts.values())) if parts else math.nan, unit, parts)


def added(parts: Mapping[str, tuple[float, Value]], unit: str) -> Value:
    """Sum of factor * value over values of one pair of pictures; how they move together is not in the documents, so within
    a cause their uncertainties add in full."""
    budget: dict[str, float] = {}
    for factor, v in parts.values():
        for c, u in (v.budget or {"unknown": v.u}).items():
            budget[c] = budget.get(c, 0.0) + abs(factor) * u
    return from_budget(sum(f * v.value for f, v in parts.values()), unit, budget)


def bend_change(then: Picture, now: Picture, limb: Limb) -> Change:
    """The limb's bend in two pictures at the same distances from the handle, every STEP_MM, nock first."""
    a, b = then.limbs[limb], now.limbs[limb]
    out = min(a.from_handle_mm.max(), b.from_handle_mm.max())
    inner = max(a.from_handle_mm.min(), b.from_handle_mm.min())
    x = np.linspace(out, inner, max(3, round((out - inner) / STEP_MM) + 1))

    def at(limb_then: Along, y: Array) -> Array:
        order = np.argsort(limb_then.from_handle_mm)
        return np.asarray(np.interp(x, limb_then.from_handle_mm[order], y[order]))

    length = float(b.from_handle_mm[0] + b.from_nock_mm[0])
    u = np.hypot(at(a, a.u_curvature_per_m), at(b, b.u_curvature_per_m))
    return Change(limb, length - x, x, at(a, a.curvature_per_m), at(b, b.curvature_per_m), u)


def smoother(x: Array, trust: Array, cutoff_mm: float) -> Array:
    """(N, N) weights of a smoothing that halves a wave of ``cutoff_mm`` at even places ``x``, second derivative held back.

    trust: (N,) 0 ... 1, how far a place's own reading counts.
    """
    n = len(x)
    second = np.diff(np.eye(n), 2, axis=0) / float(np.mean(np.diff(x))) ** 2
    held = (cutoff_mm / (2 * np.pi)) ** 4 * (second.T @ second)
    return np.asarray(np.linalg.solve(np.diag(trust) + held, np.diag(trust)))


def _array(xs: Any) -> Array:
    return np.array([number_or_nan(x) for x in xs], float)
