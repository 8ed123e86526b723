"""The one sentence that stands first on the page of weights, short; what it rests on is told in full below it."""

from __future__ import annotations

import math

from tillerlens.measurement import LIMBS, Limb, Value
from tillerlens.measures.compare import Comparison
from tillerlens.measures.from_rest import THIRDS
from tillerlens.measures.pair import added
from tillerlens.measures.set import EarlyDraw
from tillerlens.mechanics.bench import Bench
from tillerlens.mechanics.force_draw import ReadingsDisagree
from tillerlens.mechanics.strain import Risk
from tillerlens.report.charts_bench import newtons_per
from tillerlens.report.lengths import COVER, Units, is_told, say_length, say_weight
from tillerlens.report.words import Sentence
from tillerlens.report.words_mechanics import say_set
from tillerlens.units import JOULE_PER_FOOT_POUND, grains_from_kg


def headline(bench: Bench, early: EarlyDraw | None, units: Units) -> Sentence:
    """What is most pressing: crushed wood, strain, readings that do not fit, stacking; else the weight at full draw."""
    full = say_length(bench.full_draw_mm, units)
    if early is not None and early.crushing:
        text = f"Stop: at {say_length(early.draw_mm, units)} the bow grew weaker without scraping, so wood is being crushed."
        return Sentence("early_draw", text, "finding")
    for risk, draw in ((bench.risk_seen, bench.draw_seen_mm), (bench.risk_full, bench.full_draw_mm)):
        if risk is not None and _sure(risk):
            place = f"the {risk.side} of the {risk.limb} limb"
            text = f"Don't draw it to {say_length(draw, units)}: {place} would be strained over the wood's limit."
            return Sentence("strain", text, "finding")
    for reason in bench.reasons:
        if reason.code == ReadingsDisagree.code:
            return Sentence(reason.code, reason.text, "finding")
    if bench.curve is not None and bench.curve.odd_mm:
        text = f"The weight read at {say_length(bench.curve.odd_mm[0], units)} doesn't fit the others. Weigh it again."
        return Sentence("reading", text, "finding")
    weight = None if bench.curve is None else bench.curve.weight_at(bench.full_draw_mm)
    said = ""
    if weight is not None and math.isfinite(weight.value):
        assert bench.curve is not None  # else there were no weight
        ahead = bench.full_draw_mm > bench.curve.readings_to_mm + 1
        reach = _reach(weight.u, newtons_per(units), units.weight)
        said = f"At {full} {'expect about' if ahead else 'it draws'} {say_weight(weight.value, units)} ({reach})"
    risk = bench.risk_full or bench.risk_seen
    if risk is not None and risk.share.value + COVER * risk.share.u > 1:
        near = f"the {risk.side} of the {risk.limb} limb may be strained over the wood's limit there"
        return Sentence("strain", f"{said}, and {near}." if said else f"{near[0].upper()}{near[1:]}.", "finding")
    if risk is not None and risk.set_expected is not None and risk.set_expected.too_much:
        costs = f"that costs {say_set(risk.set_expected, units)}"
        return Sentence("set", f"{said}, and {costs}." if said else f"{costs[0].upper()}{costs[1:]}.", "finding")
    if said:
        if bench.stacking is not None and bench.stacking.sure:
            return Sentence("stacking", f"{said}, and late in the draw it stacks.", "finding")
        return Sentence("weight", f"{said}.")
    why = bench.reasons[0].text if bench.reasons else "There are no readings yet."
    return Sentence("weight", f"Can't tell the weight at full draw. {why}", "open")


def _sure(risk: Risk) -> bool:
    return risk.share.value - COVER * risk.share.u > 1


def moved_sentence(found: Comparison) -> Sentence:
    """How far each limb turned from rest, from handle to nock, and which one more, where that is told."""
    rest, bent = (found.then, found.now) if found.then.state == "unstrung" else (found.now, found.then)
    turned: dict[Limb, Value] = {}
    for limb in LIMBS:
        names = [f"turn_{limb}_{third}" for third in THIRDS]
        if any(n not in p.values for n in names for p in (rest, bent)):
            text = f"From rest to {bent.state}, each limb's share of the bend is in the chart below."
            return Sentence("moved", text, "open")
        parts = {n: (1.0, bent.values[n]) for n in names} | {f"{n} at rest": (-1.0, rest.values[n]) for n in names}
        turned[limb] = added(parts, "deg")
    up, low = turned["upper"], turned["lower"]
    text = f"From rest to {bent.state} the upper limb turned by {_degrees(up)}, the lower by {_degrees(low)}"
    apart = added({"upper": (1.0, up), "lower": (-1.0, low)}, "deg")
    if not is_told(apart):
        return Sentence("moved", f"{text}: alike, as far as the two pictures show.", "fine")
    return Sentence("moved", f"{text}: the {'upper' if apart.value > 0 else 'lower'} limb bends more.", "finding")


def _degrees(v: Value) -> str:
    return f"{v.value:.1f}° (±{math.ceil(10 * COVER * v.u) / 10:.1f}°)" if math.isfinite(v.u) else f"{v.value:.1f}°"


def _reach(u: float, per: float, unit: str) -> str:
    """Two standard uncertainties in a unit, rounded up to a tenth: a printed interval never promises more than is known."""
    return f"±{math.ceil(10 * COVER * u / per - 1e-9) / 10:.1f} {unit}" if math.isfinite(u) else "interval unknown"


def number_rows(bench: Bench, units: Units) -> list[tuple[str, str, str]]:
    """(what, value, interval) of what the readings tell, for a table; only what is known."""
    rows = []
    full = say_length(bench.full_draw_mm, units)
    metric = units.length == "cm"
    if bench.curve is not None and math.isfinite(bench.curve.weight_at(bench.full_draw_mm).value):
        weight, energy = bench.curve.weight_at(bench.full_draw_mm), bench.curve.energy_at(bench.full_draw_mm)
        rows.append((f"weight at {full}", say_weight(weight.value, units), _reach(weight.u, newtons_per(units), units.weight)))
        per, unit = (1.0, "J") if metric else (JOULE_PER_FOOT_POUND, "ft·lb")
        rows.append((f"energy stored at {full}", f"{energy.value / per:.1f} {unit}", _reach(energy.u, per, unit)))
    if bench.stacking is not None and math.isfinite(bench.stacking.rise.value):
        rise = bench.stacking.rise
        reach = _reach(rise.u, newtons_per(units), units.weight)
        rows.append((f"the last inch before {full} adds", say_weight(rise.value, units), reach))
    if bench.cast is not None:
        mass = bench.cast.virtual_mass_kg
        if metric:
            rows.append(("virtual mass of limbs and string", f"{1000 * mass.value:.1f} g", _reach(mass.u, 0.001, "g")))
        else:
            value, u = grains_from_kg(mass.value), grains_from_kg(COVER * mass.u)
            rows.append(("virtual mass of limbs and string", f"{value:.0f} gr", f"±{math.ceil(u)} gr"))
        for kg, e in zip(bench.cast.masses_kg, bench.cast.efficiency, strict=True):
            if math.isfinite(e.value):
                arrow = f"{1000 * kg:.1f} g" if metric else f"{grains_from_kg(kg):.0f} gr"
                rows.append((f"efficiency with {arrow}", f"{100 * e.value:.0f} %", f"±{math.ceil(100 * COVER * e.u)} %"))
    risk = bench.risk_full or bench.risk_seen
    if risk is not None:
        at = f"most strain, {risk.side} of the {risk.limb} limb"
        rows.append((at, f"{100 * risk.strain.value:.2f} %", f"±{math.ceil(1e4 * COVER * risk.strain.u) / 100:.2f} %"))
    return rows
