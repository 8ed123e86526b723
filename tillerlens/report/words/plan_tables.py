"""A scraping plan as one table a limb: at every station from the nock what is there, what shall be, what to take."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tillerlens.core.measurement import COVER, LIMBS, LimbName
from tillerlens.core.units import MM_PER_INCH
from tillerlens.mechanics.scraping import Leave, LimbNeed, Plan, Stretch
from tillerlens.mechanics.scraping.cuts import ACROSS_MM
from tillerlens.report.words.quantities import Units

SIXTY_FOURTH_MM = MM_PER_INCH / 64
LEAST_HALF = 0.4  # of a 64th: from here on it is half a 64th within a quarter, no worse than the hand


@dataclass(frozen=True)
class LimbTable:
    """``head`` and ``rows`` are of one width. ``caption``: the limb, and where the thickness is from."""

    limb: LimbName
    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def plan_tables(plan: Plan, units: Units | None = None, every_mm: float | None = None) -> tuple[LimbTable, LimbTable]:
    """Both limbs' tables, nock first. ``every_mm``: between stations; 2 in or 5 cm if left out."""
    units = units or Units()
    every = every_mm or (50.0 if units.length == "cm" else 2 * MM_PER_INCH)
    upper, lower = (_table(plan, k, need, units, every) for k, need in zip(LIMBS, plan.limbs, strict=True))
    return upper, lower


def _table(plan: Plan, limb: LimbName, need: LimbNeed, units: Units, every: float) -> LimbTable:
    stretches = [(s, scraped(s, plan.leave, units)) for s in plan.stretches if s.limb == limb]
    leave = [(q, outward(q.from_nock_mm, units)) for q in plan.leave if q.limb == limb]
    unit = f"mm{_doubt(need, units)}" if units.length == "cm" else f"64ths{_doubt(need, units)}"
    known = need.thickness is not None
    strokes = any(s.strokes for s in plan.stretches)
    head = ("cm" if units.length == "cm" else "in", *((f"now ({unit})", f"target ({unit})") if known else ()), "take")
    head += ("strokes",) if strokes else ()
    rows = []
    for at in np.arange(every, float(need.from_nock_mm[-1]) + 1.0, every):
        about = [s for s, spans in stretches if any(a <= at + 1e-6 and at <= b + 1e-6 for a, b in spans)]
        # a station where two said stretches meet is the one's that truly has it
        here = next((s for s in about if s.from_nock_mm[0] <= at <= s.from_nock_mm[1]), about[0] if about else None)
        left = next((q for q, (a, b) in leave if a <= at <= b), None)
        share = 0.0 if here is None or left is not None else here.share
        row = [f"{units.on_axis(float(at)):g}"]
        if known:
            row += _thickness(need, float(at), share, units)
        row.append(_take(here, left, need, float(at), units))
        if strokes:
            row.append("" if share == 0 or here is None or here.strokes is None else say_strokes(here))
        rows.append(tuple(row))
    source = {"calipers": ", thickness by calipers", "side": ", thickness seen from the side"}.get(need.thickness_from, "")
    return LimbTable(limb, f"{limb.capitalize()} limb, from the nock{source}", head, tuple(rows))


def _thickness(need: LimbNeed, at: float, share: float, units: Units) -> list[str]:
    assert need.thickness is not None
    thick = float(np.interp(at, need.from_nock_mm, need.thickness))
    if not math.isfinite(thick):
        return ["", ""]
    # what is told to come off is what makes the target, or the three would not add up
    if units.length == "cm":
        now, off = round(thick, 1), round(share * thick, 1)
        return [f"{now:.1f}", f"{now - off:.1f}" if share else ""]
    now, off = math.floor(2 * thick / SIXTY_FOURTH_MM + 0.5) / 2, _to_take(share * thick)
    return [halves(now), halves(now - off) if share else ""]


def _doubt(need: LimbNeed, units: Units) -> str:
    """The interval of all the thicknesses of one limb, which err alike; nothing where it is not known."""
    u = np.nan if need.u_thickness is None else float(np.max(need.u_thickness))
    if not math.isfinite(u):
        return ""
    return f" ±{math.ceil(10 * COVER * u) / 10:.1f}" if units.length == "cm" else f" ±{math.ceil(COVER * u / SIXTY_FOURTH_MM)}"


def outward(ends_mm: tuple[float, float], units: Units) -> tuple[float, float]:
    """To the half inches or half cm about what is left, so that none of it is scraped."""
    step = told_step(units)
    return math.floor(ends_mm[0] / step) * step, math.ceil(ends_mm[1] / step) * step


def kept_off(leave: Leave, left: Sequence[Leave], units: Units) -> tuple[float, float]:
    """Both ends, as said, of what is kept off. Rounded outward a skipped place would reach into the hinge beside it, which is
    said by itself."""
    a, b = outward(leave.from_nock_mm, units)
    if not (leave.told or leave.before):
        hinges = [q for q in left if q.limb == leave.limb and (q.told or q.before)]
        for low, high in (outward(q.from_nock_mm, units) for q in hinges):
            a, b = (high if low < a < high else a), (low if low < b < high else b)
    return a, b


def skipped_inside(stretch: Stretch, left: Leave, units: Units) -> bool:
    """Whether a place is skipped within a stretch, which goes on beyond it."""
    (a, b), (low, high) = rounded(stretch.from_nock_mm, units), outward(left.from_nock_mm, units)
    return left.limb == stretch.limb and not left.told and a + ACROSS_MM < low and high + ACROSS_MM < b


def said_ends(stretch: Stretch, leave: Sequence[Leave], units: Units) -> tuple[float, float]:
    """Both ends of a stretch as they are said: to the nearest half inch or half cm, but never into a hinge, nor ending in what is
    skipped."""
    a, b = rounded(stretch.from_nock_mm, units)
    for q in leave:
        low, high = outward(q.from_nock_mm, units)
        if q.limb == stretch.limb and low < b and a < high and not skipped_inside(stretch, q, units):
            a, b = (max(a, high), b) if sum(stretch.from_nock_mm) > low + high else (a, min(b, low))
    return a, b


def scraped(stretch: Stretch, leave: Sequence[Leave], units: Units) -> list[tuple[float, float]]:
    """Where a stretch is scraped, mm from the nock, nock first: within its said ends, but for what is skipped there. Words, table
    and chart all go by this."""
    a, b = said_ends(stretch, leave, units)
    out = []
    for low, high in sorted(outward(q.from_nock_mm, units) for q in leave if skipped_inside(stretch, q, units)):
        out.append((a, low))
        a = high
    return [span for span in (*out, (a, b)) if span[1] > span[0]]


def rounded(ends_mm: tuple[float, float], units: Units) -> tuple[float, float]:
    """To the nearest half inches or half cm, mm."""
    step = told_step(units)
    a, b = (math.floor(mm / step + 0.5) * step for mm in ends_mm)
    return a, b


def told_step(units: Units) -> float:
    return 5.0 if units.length == "cm" else MM_PER_INCH / 2


def halves(number: float) -> str:
    """``28 1/2``: a number to the nearest half, as it is read off a ruler."""
    doubled = math.floor(2 * number + 0.5)
    whole, half = divmod(doubled, 2)
    return f"{whole}" if not half else f"{whole} 1/2" if whole else "1/2"


def _take(here: Stretch | None, left: Leave | None, need: LimbNeed, at: float, units: Units) -> str:
    if left is not None:
        return "leave" if left.told or left.before else "–" if left.slight else "skip"
    if here is None:
        return "–"
    share = f"{100 * here.share:g} %"
    if need.thickness is None:
        return share
    mm = here.share * float(np.interp(at, need.from_nock_mm, need.thickness))
    return f"{say_amount(mm, units)} ({share})" if math.isfinite(mm) else share


def say_amount(mm: float, units: Units) -> str:
    """What a scraper takes off: halves of a 64th of an inch, or tenths of a mm."""
    if units.length == "cm":
        return f"{mm:.1f} mm" if mm >= 0.1 else "under 0.1 mm"
    parts = _to_take(mm)
    if parts < 0.5:
        return "under half a 64th"
    if parts == 0.5:
        return "half a 64th"
    return f"{parts:.0f}/64 in" if parts == int(parts) else f"{halves(parts)} 64ths"


def _to_take(mm: float) -> float:
    """Halves of a 64th; nothing for what is clearly less than one. A quarter of a 64th rounds to a half, twice the wood."""
    parts = mm / SIXTY_FOURTH_MM
    return 0.0 if parts < LEAST_HALF else math.floor(2 * parts + 0.5) / 2


def say_strokes(stretch: Stretch) -> str:
    """``20 ±6``."""
    assert stretch.strokes is not None
    return f"{stretch.strokes.value:.0f} ±{max(1, math.ceil(COVER * stretch.strokes.u))}"
