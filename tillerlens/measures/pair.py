"""Two pictures of one bow brought together: values taken from each other, curves laid on the handle.

Two pictures are taken independently, but of one bow: what is not known of the bow itself (its width, its grip) is in
both readings alike and, with the camera elsewhere, may count with either sign. Such causes add in full, the others in
squares (GUM, JCGM 100:2008, 5.2.2).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.document import differing_size
from tillerlens.core.errors import DocumentError
from tillerlens.core.measurement import LIMBS, LimbName, Measurement, Value
from tillerlens.core.shot import Shot
from tillerlens.core.units import format_inches

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
    """What a measurement holds of a measured bow. gaps: station in mm -> upper, lower, difference."""

    state: str
    values: dict[str, Value]
    gaps: dict[float, tuple[Value, Value, Value]]
    limbs: dict[LimbName, Along]
    shot: Shot

    @property
    def nock_to_nock_mm(self) -> float:
        return self.shot.nock_to_nock_mm


@dataclass(frozen=True, eq=False)
class BendChange:
    """Bend now minus bend then along one limb, laid on the handle; from the nock of the limb now. Arrays of one length."""

    limb: LimbName
    from_nock_mm: Array
    from_handle_mm: Array
    then_per_m: Array
    now_per_m: Array
    u_per_m: Array

    @property
    def per_m(self) -> Array:
        return np.asarray(self.now_per_m - self.then_per_m)


def read_picture(found: Measurement) -> Picture:
    """What a measurement says of the bow alone. Raises DocumentError when it holds no bow measured from the side."""
    name = found.photo.name or "the picture"
    if found.front is not None:
        text = f"{name} shows the bow from its belly or back, so its bend can't be compared."
        raise DocumentError(text, "Give two pictures from the side, or two of a heat-treated belly.")
    if found.status != "measured" or set(found.profile) != set(LIMBS):
        raise DocumentError(f"{name} was not measured, so it cannot be compared.", "Measure it first, with clicks if it asks.")
    gaps = {g.from_handle_mm: (g.upper, g.lower, g.difference) for g in found.gaps}
    limbs: dict[LimbName, Along] = {}
    for limb in LIMBS:
        p, measured = found.profile[limb], found.values.get(f"limb_length_{limb}")
        length = measured.value if measured is not None and math.isfinite(measured.value) else found.facts.nock_to_nock_mm / 2
        centre = p.centre_mm if len(p.centre_mm) else np.full((len(p.from_nock_mm), 2), math.nan)
        limbs[limb] = Along(p.from_nock_mm, length - p.from_nock_mm, p.curvature_per_m, p.u_curvature_per_m, centre)
    return Picture(found.state, found.values, gaps, limbs, found.facts)


def check_one_bow(then: Picture, now: Picture) -> None:
    """Raise DocumentError where the lengths or the handles typed cannot be one bow's."""
    found = differing_size(then.shot, now.shot)
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


def bend_change(then: Picture, now: Picture, limb: LimbName) -> BendChange:
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
    return BendChange(limb, length - x, x, at(a, a.curvature_per_m), at(b, b.curvature_per_m), u)


class HasBend(Protocol):
    """A limb's bend along it from the nock, arrays of one length."""

    @property
    def from_nock_mm(self) -> Array: ...
    @property
    def curvature_per_m(self) -> Array: ...
    @property
    def u_curvature_per_m(self) -> Array: ...


def less_rest(limb: HasBend, still: HasBend) -> tuple[Array, Array]:
    """A limb's bend from its shape at rest, 1/m, and what of its standard uncertainty that shape brings in.

    The two limbs are laid on each other at the nock, as the finding of hinges and stiff places lays them.
    """
    order = np.argsort(still.from_nock_mm)
    natural, u = (
        np.interp(limb.from_nock_mm, still.from_nock_mm[order], of[order])
        for of in (still.curvature_per_m, still.u_curvature_per_m)
    )
    return np.asarray(limb.curvature_per_m - natural), np.asarray(u)


def from_rest(picture: Picture, rest: Picture, u_too: bool) -> Picture:
    """The picture with its limbs' bend from rest for their shape. ``u_too``: with the doubt of the shape at rest, which drops out
    of a change where both pictures are held against one and the same."""
    limbs: dict[LimbName, Along] = {}
    for name, limb in picture.limbs.items():
        bend, u = less_rest(limb, rest.limbs[name])
        own_u = np.hypot(limb.u_curvature_per_m, u) if u_too else limb.u_curvature_per_m
        limbs[name] = replace(limb, curvature_per_m=bend, u_curvature_per_m=own_u)
    return replace(picture, limbs=limbs)


def smoother(x: Array, trust: Array, cutoff_mm: float) -> Array:
    """(N, N) weights of a smoothing that halves a wave of ``cutoff_mm`` at even places ``x``, second derivative held back.

    trust: (N,) 0 ... 1, how far a place's own reading counts.
    """
    n = len(x)
    second = np.diff(np.eye(n), 2, axis=0) / float(np.mean(np.diff(x))) ** 2
    held = (cutoff_mm / (2 * np.pi)) ** 4 * (second.T @ second)
    return np.asarray(np.linalg.solve(np.diag(trust) + held, np.diag(trust)))
