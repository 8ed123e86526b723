"""A bow's numbers over its stages, and bows beside each other: plain rows for charts, tables and CSV.

Everything here is made of plain inputs; ``of_record`` makes them of a record.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

from tillerlens.core.measurement import Value
from tillerlens.core.units import FOOT_M, KG_PER_GRAIN, KG_PER_POUND, MM_PER_INCH, NEWTON_PER_POUND
from tillerlens.measures.set import LIKE_DRAW_MM, Rest, RestReading, WeighedDraw, rest_kind

# What a trend is called, in the order in which trends are drawn.
TRENDS = ("tiller", "reflex", "weight", "mass")


@dataclass(frozen=True)
class ReflexAt:
    """A reading of reflex (mm) in the bow's history. session: which unstringing it belongs to, counted from 0."""

    when: datetime
    reflex: Value
    minutes: float | None
    session: int = 0

    @property
    def kind(self) -> Rest:
        return rest_kind(self.minutes)


@dataclass(frozen=True)
class TrendPoint:
    """One number of the bow's history, in the unit of its trend: mm, mm, N, kg."""

    when: datetime
    trend: str
    value: Value


@dataclass(frozen=True)
class ShelfLine:
    """One bow among others, as a table and a spreadsheet show it; None: not known."""

    name: str
    wood: str = ""
    length_in: float | None = None
    width_in: float | None = None
    reflex_in: float | None = None
    reflex_kept_percent: float | None = None
    weight_lb: float | None = None
    draw_in: float | None = None
    mass_oz: float | None = None
    arrow_gr: float | None = None
    gr_per_lb: float | None = None
    speed_fps: float | None = None
    stages: int = 0


SHELF_HEADS = {
    "name": "bow",
    "wood": "wood",
    "length_in": "length (in)",
    "width_in": "width (in)",
    "reflex_in": "reflex (in)",
    "reflex_kept_percent": "reflex kept (%)",
    "weight_lb": "weight (lb)",
    "draw_in": "at draw (in)",
    "mass_oz": "mass (oz)",
    "arrow_gr": "arrow (gr)",
    "gr_per_lb": "grains per pound",
    "speed_fps": "speed (fps)",
    "stages": "stages",
}


def shelf_line(
    name: str,
    *,
    wood: str = "",
    length_mm: float | None = None,
    width_mm: float | None = None,
    reflex_mm: float | None = None,
    form_reflex_mm: float | None = None,
    pull: tuple[float, float] | None = None,
    mass_kg: float | None = None,
    shot: tuple[float, float] | None = None,
    stages: int = 0,
) -> ShelfLine:
    """SI to the trade's units. pull: draw in mm and weight in N; shot: the arrow's mass in kg and its speed in m/s."""
    length, width, reflex = (None if mm is None else mm / MM_PER_INCH for mm in (length_mm, width_mm, reflex_mm))
    kept = None if reflex_mm is None or not form_reflex_mm or form_reflex_mm <= 0 else 100 * reflex_mm / form_reflex_mm
    pounds = None if pull is None else pull[1] / NEWTON_PER_POUND
    grains = None if shot is None else shot[0] / KG_PER_GRAIN
    return ShelfLine(
        name,
        wood,
        length_in=length,
        width_in=width,
        reflex_in=reflex,
        reflex_kept_percent=kept,
        weight_lb=pounds,
        draw_in=None if pull is None else pull[0] / MM_PER_INCH,
        mass_oz=None if mass_kg is None else mass_kg / KG_PER_POUND * 16,
        arrow_gr=grains,
        gr_per_lb=grains / pounds if grains and pounds else None,
        speed_fps=None if shot is None else shot[1] / FOOT_M,
        stages=stages,
    )


def sorted_shelf(lines: Sequence[ShelfLine], by: str = "name", falling: bool = False) -> list[ShelfLine]:
    """The lines by one column; what is not known comes last either way."""
    known = [line for line in lines if getattr(line, by) not in (None, "")]
    rest = [line for line in lines if getattr(line, by) in (None, "")]

    def key(line: ShelfLine) -> Any:
        v = getattr(line, by)
        return v.casefold() if isinstance(v, str) else v

    return sorted(known, key=key, reverse=falling) + rest


def shelf_csv(lines: Sequence[ShelfLine]) -> str:
    """The table as CSV text, headed in words; numbers rounded to what they are worth."""
    from tillerlens.record.tables import write_csv

    names = [f.name for f in fields(ShelfLine)]
    places = {"weight_lb": 1, "speed_fps": 0, "arrow_gr": 0, "reflex_kept_percent": 0, "gr_per_lb": 1, "mass_oz": 1}

    def cell(line: ShelfLine, name: str) -> Any:
        v = getattr(line, name)
        return round(v, places.get(name, 2)) if isinstance(v, float) else v

    return write_csv([SHELF_HEADS[n] for n in names], [[cell(line, n) for n in names] for line in lines])


def weight_at(pulls: Sequence[WeighedDraw], draw_mm: float) -> Value | None:
    """The weight at one draw from pulls of one day, between two neighbours on a straight line; None outside of them.

    A single pull counts within a quarter of an inch of the draw, with what the draws differ by in its uncertainty.
    """
    near = sorted(pulls, key=lambda p: p.draw_mm)
    below = [p for p in near if p.draw_mm <= draw_mm]
    above = [p for p in near if p.draw_mm >= draw_mm]
    if below and above:
        a, b = below[-1], above[0]
        part = 0.0 if b.draw_mm == a.draw_mm else (draw_mm - a.draw_mm) / (b.draw_mm - a.draw_mm)
        u = math.hypot((1 - part) * a.u_n, part * b.u_n)
        return Value(a.weight_n + part * (b.weight_n - a.weight_n), u, "N")
    closest = min(near, key=lambda p: abs(p.draw_mm - draw_mm), default=None)
    if closest is None or abs(closest.draw_mm - draw_mm) > LIKE_DRAW_MM:
        return None
    return Value(closest.weight_n, math.hypot(closest.u_n, closest.weight_n * abs(1 - draw_mm / closest.draw_mm)), "N")


def sessions(readings: Sequence[ReflexAt]) -> list[list[RestReading]]:
    """Readings with known minutes, gathered by the unstringing that they belong to, in order."""
    out: dict[int, list[RestReading]] = {}
    for r in readings:
        if r.minutes is not None:
            out.setdefault(r.session, []).append(RestReading(r.minutes, r.reflex))
    return [out[k] for k in sorted(out)]
