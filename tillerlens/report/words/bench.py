"""The one sentence that stands first on the page of weights, short; what it rests on is told in full below it."""

from __future__ import annotations

import math

from tillerlens.core.measurement import COVER, LIMBS, LimbName, Value
from tillerlens.measures.compare import Comparison
from tillerlens.measures.from_rest import THIRDS
from tillerlens.measures.pair import added
from tillerlens.measures.set import EarlyDraw
from tillerlens.mechanics.bench import Bench
from tillerlens.mechanics.force_draw import ReadingsDisagree
from tillerlens.mechanics.strain import Risk
from tillerlens.report.words.mechanics import most_strained, say_set
from tillerlens.report.words.phrases import phrase
from tillerlens.report.words.quantities import (
    Units,
    energy_and_reach,
    in_units,
    is_significant,
    say_arrow,
    say_arrow_reach,
    say_inch,
    say_length,
    say_weight,
    say_weight_reach,
)
from tillerlens.report.words.verdict import Sentence


def headline(bench: Bench, early: EarlyDraw | None, units: Units) -> Sentence:
    """What is most pressing: crushed wood, strain, readings that do not fit, stacking; else the weight at full draw."""
    full = say_length(bench.full_draw_mm, units)
    if early is not None and early.crushing:
        return Sentence("early_draw", phrase("bench.crushing", at=say_length(early.draw_mm, units)), "finding")
    for risk, draw in ((bench.risk_seen, bench.draw_seen_mm), (bench.risk_full, bench.full_draw_mm)):
        if risk is not None and _sure(risk):
            words = {"draw": say_length(draw, units), "side": risk.side, "limb": risk.limb}
            return Sentence("strain", phrase("bench.strained", **words), "finding")
    for reason in bench.reasons:
        if reason.code == ReadingsDisagree.code:
            return Sentence(reason.code, in_units(reason.text, units), "finding")
    if bench.curve is not None and bench.curve.odd_mm:
        return Sentence("reading", phrase("bench.odd", draw=say_length(bench.curve.odd_mm[0], units)), "finding")
    weight = None if bench.curve is None else bench.curve.weight_at(bench.full_draw_mm)
    said: list[str] = []
    if weight is not None and math.isfinite(weight.value):
        assert bench.curve is not None  # else there were no weight
        ahead = bench.full_draw_mm > bench.curve.readings_to_mm + 1
        reach = say_weight_reach(weight, units)
        words = {"draw": full, "weight": say_weight(weight.value, units), "interval": reach}
        said = [phrase("bench.expect" if ahead else "bench.draws", **words)]
    risk, draw = most_strained(bench)
    if risk is not None and risk.share.value + COVER * risk.share.u > 1:
        words = {"side": risk.side, "limb": risk.limb, "draw": say_length(draw, units)}
        there = bool(said) and risk is bench.risk_full
        return Sentence("strain", " ".join([*said, phrase(f"bench.near_limit{'_there' if there else ''}", **words)]), "finding")
    if risk is not None and risk.set_expected is not None and risk.set_expected.too_much:
        return Sentence("set", " ".join([*said, phrase("bench.costs_set", set=say_set(risk.set_expected, units))]), "finding")
    if said:
        if bench.stacking is not None and bench.stacking.sure:
            return Sentence("stacking", " ".join([*said, phrase("bench.stacks")]), "finding")
        return Sentence("weight", said[0])
    why = in_units(bench.reasons[0].text, units) if bench.reasons else phrase("bench.no_readings")
    return Sentence("weight", phrase("bench.no_weight", why=why), "open")


def _sure(risk: Risk) -> bool:
    return risk.share.value - COVER * risk.share.u > 1


def moved_sentence(found: Comparison) -> Sentence:
    """How far each limb turned from rest, from handle to nock, and which one more, where that is told."""
    rest, bent = (found.then, found.now) if found.then.state == "unstrung" else (found.now, found.then)
    turned: dict[LimbName, Value] = {}
    for limb in LIMBS:
        names = [f"turn_{limb}_{third}" for third in THIRDS]
        if any(n not in p.values for n in names for p in (rest, bent)):
            return Sentence("moved", phrase("moved.in_chart", state=bent.state), "open")
        parts = {n: (1.0, bent.values[n]) for n in names} | {f"{n} at rest": (-1.0, rest.values[n]) for n in names}
        turned[limb] = added(parts, "deg")
    up, low = turned["upper"], turned["lower"]
    apart = added({"upper": (1.0, up), "lower": (-1.0, low)}, "deg")
    words = {"state": bent.state, "upper": _degrees(up), "lower": _degrees(low)}
    if not is_significant(apart):
        return Sentence("moved", phrase("moved.alike", **words), "fine")
    return Sentence("moved", phrase("moved", more="upper" if apart.value > 0 else "lower", **words), "changed")


def _degrees(v: Value) -> str:
    return f"{v.value:.1f}° (±{math.ceil(10 * COVER * v.u) / 10:.1f}°)" if math.isfinite(v.u) else f"{v.value:.1f}°"


def number_rows(bench: Bench, units: Units) -> list[tuple[str, str, str]]:
    """(what, value, interval) of what the readings tell, for a table; only what is known."""
    rows = []
    full = say_length(bench.full_draw_mm, units)
    if bench.curve is not None and math.isfinite(bench.curve.weight_at(bench.full_draw_mm).value):
        weight, energy = bench.curve.weight_at(bench.full_draw_mm), bench.curve.energy_at(bench.full_draw_mm)
        rows.append((f"weight at {full}", say_weight(weight.value, units), say_weight_reach(weight, units)))
        rows.append((f"energy stored at {full}", *energy_and_reach(energy, units)))
    if bench.stacking is not None and math.isfinite(bench.stacking.rise.value):
        rise = bench.stacking.rise
        reach = say_weight_reach(rise, units)
        rows.append((f"the last {say_inch(units)} before {full} adds", say_weight(rise.value, units), reach))
    if bench.cast is not None:
        mass = bench.cast.virtual_mass_kg
        rows.append(("virtual mass of limbs and string", say_arrow(mass.value, units), say_arrow_reach(mass.u, units)))
        for kg, e in zip(bench.cast.masses_kg, bench.cast.efficiency, strict=True):
            if math.isfinite(e.value):
                rows.append(
                    (f"efficiency with {say_arrow(kg, units)}", f"{100 * e.value:.0f} %", f"±{math.ceil(100 * COVER * e.u)} %")
                )
    risk, draw = most_strained(bench)
    if risk is not None:
        at = f"most strain at {say_length(draw, units)}, {risk.side} of the {risk.limb} limb"
        rows.append((at, f"{100 * risk.strain.value:.2f} %", f"±{math.ceil(1e4 * COVER * risk.strain.u - 1e-9) / 100:.2f} %"))
    return rows
