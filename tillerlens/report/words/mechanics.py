"""What stiffness, strain, draw weight and arrows say, in plain words with intervals.

A verdict is spoken only where a difference exceeds its interval of two standard uncertainties. Of strain two things are told
apart: the set to expect, and whether it is over the limit, which lies near breaking; never that a draw will do no harm.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from tillerlens.core.measurement import COVER, Value
from tillerlens.core.units import MM_PER_INCH
from tillerlens.mechanics.bench import Bench, usual
from tillerlens.mechanics.cast import Cast
from tillerlens.mechanics.force_draw import STACK_PERCENT_PER_INCH, ForceCurve, ReadingsDisagree, Stacking
from tillerlens.mechanics.hung import Hung
from tillerlens.mechanics.stiffness import Modulus, Stiffness, limbs_apart
from tillerlens.mechanics.strain import ACCEPTABLE_SET_MM, GOOD_SET_MM, HEAT_RANGE, YIELDS, Risk, SetExpected
from tillerlens.report.words.phrases import phrase
from tillerlens.report.words.quantities import (
    Units,
    in_words,
    say_arrow,
    say_arrow_reach,
    say_energy,
    say_inch,
    say_length,
    say_place,
    say_speed,
    say_speed_reach,
    say_weighed,
    say_weight,
    up,
)
from tillerlens.report.words.verdict import CARE_ALWAYS, CARE_UNDER_TENSION, Sentence


def bench_words(bench: Bench, units: Units | None = None, others: Sequence[float] = ()) -> list[Sentence]:
    """All that is said of one bow at the bench, the most pressing first, the care that goes with it last. ``others``: masses
    (kg) of arrows whose speed is asked for."""
    units = units or Units()
    out: list[Sentence] = []
    risk, draw = most_strained(bench)
    if risk is not None and risk is bench.risk_full:
        out.append(strain_words(risk, draw, True, units))
    if bench.risk_seen is not None:
        out.append(strain_words(bench.risk_seen, bench.draw_seen_mm, False, units))
    if risk is not None:
        out += expected_set_words(risk, draw, units) + limit_words(risk, bench.sections_known)
    out += _set_words(bench, units)
    if bench.curve is not None:
        out += force_words(bench.curve, bench.full_draw_mm, bench.stacking, units)
    if bench.stiffness is not None:
        out += stiffness_words(bench.stiffness, units)
    if bench.modulus is not None:
        out += modulus_words(bench.modulus)
    if bench.by_sizes is not None:
        low, high = (say_weight(n, units) for n in bench.by_sizes)
        words = {"at": say_length(bench.full_draw_mm, units), "low": low.rpartition(" ")[0], "high": high}
        out.append(Sentence("weight", phrase("weight.by_sizes", **words), "open"))
    if bench.cast is not None:
        out += cast_words(bench.cast, units)
        out += [speed_words(bench.cast, mass, units) for mass in others]
    out += [usual_words(speeds, mass, units) for mass in others if (speeds := usual(bench, mass)) is not None]
    out += [Sentence(r.code, in_words(r, units), "finding" if r.code == ReadingsDisagree.code else "open") for r in bench.reasons]
    out.sort(key=lambda s: s.tone != "finding")
    return out + [Sentence("care", text) for text in (*CARE_ALWAYS, *CARE_UNDER_TENSION)]


def most_strained(bench: Bench) -> tuple[Risk | None, float]:
    """The strain that is spoken of, in words and tables alike, and its draw in mm: at full draw where that lies beyond the
    furthest picture, else as the pictures show it."""
    if bench.risk_full is not None and not bench.full_draw_mm <= bench.draw_seen_mm + 1:
        return bench.risk_full, bench.full_draw_mm
    return bench.risk_seen, bench.draw_seen_mm


# --- stiffness ------------------------------------------------------------------------------------------------


def stiffness_words(stiffness: Stiffness, units: Units) -> list[Sentence]:
    where = " and ".join(
        phrase(
            "stiffness.where",
            from_=say_place(float(m.from_nock_mm[m.told][0]), units),
            to=say_place(float(m.from_nock_mm[m.told][-1]), units),
            limb=name,
        )
        for name, m in stiffness.limbs.items()
    )
    count = len(stiffness.pictures)
    out = [Sentence("stiffness", phrase(f"stiffness.from_{'some' if count > 1 else 'one'}", count=count, where=where))]
    if not stiffness.rest_known:
        key = "stiffness.no_rest_off" if stiffness.absolute else "stiffness.no_rest"
        off = f"±{up(100 * COVER * stiffness.u_unrested):.0f} %"
        out.append(Sentence("stiffness", phrase(key, off=off), "open"))
    apart = limbs_apart(stiffness)
    interval = f"±{up(COVER * apart.u):.0f} %"
    if abs(apart.value) > COVER * apart.u:
        limb, other = ("upper", "lower") if apart.value > 0 else ("lower", "upper")
        # said of the stiffer limb against the other
        by = apart.value if apart.value > 0 else 100 * (1 / (1 + apart.value / 100) - 1)
        out.append(Sentence("limbs", phrase("stiffness.stiffer", limb=limb, other=other, by=f"{by:.0f} %", interval=interval)))
    else:
        out.append(Sentence("limbs", phrase("stiffness.alike", interval=interval), "fine"))
    if not stiffness.absolute:
        out.append(Sentence("stiffness", phrase("stiffness.relative"), "open"))
    return out


def modulus_words(modulus: Modulus) -> list[Sentence]:
    words = {"value": f"{modulus.value / 1000:.1f} GPa", "interval": f"±{up(COVER * modulus.u / 100) / 10:.1f} GPa"}
    if not modulus.verdict:
        return [Sentence("modulus", phrase("modulus", **words))]
    words |= {"book": f"{modulus.expected / 1000:.1f} GPa", "spread": f"±{100 * modulus.spread:.0f} %"}
    if modulus.verdict == "as expected":
        return [Sentence("modulus", phrase("modulus.agrees", **words), "fine")]
    return [Sentence("modulus", phrase(f"modulus.{modulus.verdict}", **words), "finding")]


# --- strain ---------------------------------------------------------------------------------------------------

_SIDE = {"belly": "pressed", "back": "stretched"}


def strain_words(risk: Risk, draw_mm: float, ahead: bool, units: Units) -> Sentence:
    """The most strained place at one draw. ``ahead``: expected by the statics, not seen."""
    words = {
        "draw": say_length(draw_mm, units),
        "limb": risk.limb,
        "place": say_place(risk.from_nock_mm, units),
        "strain": _percent(risk.strain),
        "limit": f"{100 * risk.limit.strain:.2f} %",
    }
    keys = [f"strain.{_SIDE[risk.side]}{'_ahead' if ahead else ''}", *([] if risk.clear else ["strain.close"])]
    sure, may = risk.share.value - COVER * risk.share.u > 1, risk.share.value + COVER * risk.share.u > 1
    if may:
        keys.append("strain.over" if sure else "strain.hardly_over" if risk.share.value > 1 else "strain.may_be_over")
    return Sentence("strain", " ".join(phrase(key, **words) for key in keys), "finding" if may else "plain")


def expected_set_words(risk: Risk, draw_mm: float, units: Units) -> list[Sentence]:
    """The set to expect of a bow held at this draw, and what makers think of so much."""
    found = risk.set_expected
    if found is None:
        return []
    return [set_sentence(found, phrase("set.expect", draw=say_length(draw_mm, units), set=say_set(found, units)), units)]


def set_sentence(found: SetExpected, said: str, units: Units) -> Sentence:
    """``said`` with what makers think of so much set."""
    words = {"said": said, "good": say_length(GOOD_SET_MM, units), "most": say_length(ACCEPTABLE_SET_MM, units)}
    if found.too_much:
        return Sentence("set", phrase("set.too_much", **words), "finding")
    if found.perhaps_too_much:
        return Sentence("set", phrase("set.perhaps", **words), "open")
    return Sentence("set", phrase("set.good" if found.high_mm <= GOOD_SET_MM else "set.bounds", **words), "fine")


def say_set(found: SetExpected, units: Units) -> str:
    """``1/4 to 1 1/2 in of set``, rounded outward to quarter inches or half centimetres."""
    step = 5.0 if units.length == "cm" else MM_PER_INCH / 4
    low, high = (math.floor(found.low_mm / step + 1e-9) * step, max(1, math.ceil(found.high_mm / step - 1e-9)) * step)
    if low <= 0:
        return f"up to {say_length(high, units)} of set"
    if low == high:
        return f"{say_length(high, units)} of set"
    return f"{say_length(low, units).rpartition(' ')[0]} to {say_length(high, units)} of set"


def limit_words(risk: Risk, sections_known: bool) -> list[Sentence]:
    """Where limit and set come from, what the strain's interval is made of, and what the strain rests on."""
    limit = risk.limit
    words = {"limit": f"{100 * limit.strain:.2f} %", "what": limit.what, "source": limit.source}
    out = [Sentence("limit", " ".join(phrase(key, **words) for key in ("limit", "limit.less", "limit.source")))]
    if risk.set_expected is not None:
        words = {"crushes": f"{100 * limit.crushes:.2f} %", "source": limit.crushes_source}
        out.append(Sentence("limit", phrase("limit.crush", low=f"{YIELDS[0]:g}", high=f"{YIELDS[1]:g}", **words)))
    if risk.strain.budget:
        parts = sorted(risk.strain.budget.items(), key=lambda part: -part[1])
        causes = ", ".join(f"{name} ±{up(1e4 * COVER * u) / 100:.2f} %" for name, u in parts if u > 0.1 * risk.strain.u)
        out.append(Sentence("limit", phrase("limit.causes", causes=causes)))
    if limit.said:
        out.append(Sentence("wood", limit.said))
    if risk.heat_factor is None:
        low, high = (f"{100 * (x - 1):.0f}" for x in HEAT_RANGE)
        out.append(Sentence("limit", phrase("limit.heat", low=low, high=f"{high} %")))
    elif risk.heat_factor != 1.0:
        out.append(Sentence("limit", phrase("limit.own_heat", factor=f"{risk.heat_factor:g}")))
    if not sections_known:
        out.append(Sentence("section", phrase("section.half")))
    return out


def _percent(strain: Value) -> str:
    return f"{100 * strain.value:.2f} % (±{up(1e4 * COVER * strain.u) / 100:.2f} %)"


def _set_words(bench: Bench, units: Units) -> list[Sentence]:
    if bench.set_found is None:
        return []
    told = [m for m in bench.set_found.limbs.values() if m.stretches]
    if not told:
        return [Sentence("set", phrase("set.seen_none"), "fine")]
    limb = max(told, key=lambda m: float(max(m.smooth_per_m)))
    start, end = max(limb.stretches, key=lambda s: s[1] - s[0])
    where = phrase("stiffness.where", from_=say_place(start, units), to=say_place(end, units), limb=limb.limb)
    return [Sentence("set", phrase("set.seen", where=where), "finding")]


# --- draw weight ----------------------------------------------------------------------------------------------


def force_words(curve: ForceCurve, full_mm: float, stacks: Stacking | None, units: Units) -> list[Sentence]:
    weight, energy = curve.weight_at(full_mm), curve.energy_at(full_mm)
    if not math.isfinite(weight.value):
        return []
    at = say_length(full_mm, units)
    key = "weight"
    if full_mm > curve.readings_to_mm + 1:
        key = "weight.expect" if curve.own_shape else "weight.expect_plain"
    words = {"at": at, "weight": say_weighed(weight, units), "last": say_length(curve.readings_to_mm, units)}
    out = [Sentence("weight", phrase(key, **words))]
    out.append(Sentence("energy", phrase("energy", at=at, energy=say_energy(energy, units))))
    for draw in curve.odd_mm:
        out.append(Sentence("reading", phrase("reading", draw=say_length(draw, units)), "finding"))
    if stacks is not None and math.isfinite(stacks.onset_mm):
        words = {"onset": say_place(stacks.onset_mm, units), "at": at, "rise": say_weighed(stacks.rise, units)}
        words |= {"inch": say_inch(units), "an_inch": say_inch(units, "an "), "share": f"{STACK_PERCENT_PER_INCH:g} %"}
        key = "stacking" if stacks.sure else "stacking.may"
        out.append(Sentence("stacking", phrase(key, **words), "finding" if stacks.sure else "open"))
    return out


def hung_words(hung: Hung, units: Units | None = None) -> list[Sentence]:
    """What hangs from the string, summed, and the care it takes."""
    out = [Sentence("hung", phrase("hung", weight=say_weighed(hung.weight, units or Units())))]
    return [*out, Sentence("care", phrase("hung.care"))]


# --- arrows ---------------------------------------------------------------------------------------------------


def cast_words(cast: Cast, units: Units) -> list[Sentence]:
    mass = cast.virtual_mass_kg
    words = {"mass": say_arrow(mass.value, units), "interval": say_arrow_reach(mass.u, units)}
    out = [Sentence("arrows", phrase("arrows", **words))]
    told = [e for e in cast.efficiency if math.isfinite(e.value)]
    if told:
        e, arrow = told[0], cast.masses_kg[0]
        words = {"share": f"{100 * e.value:.0f} %", "interval": f"±{up(100 * COVER * e.u):.0f} %"}
        out.append(Sentence("arrows", phrase("arrows.efficiency", arrow=say_arrow(arrow, units), **words)))
    return out


def speed_words(cast: Cast, arrow_kg: float, units: Units) -> Sentence:
    """The speed expected of another arrow."""
    v = cast.speed(arrow_kg)
    words = {"speed": say_speed(v.value, units), "interval": say_speed_reach(v.u, units), "arrow": say_arrow(arrow_kg, units)}
    far = cast.far(arrow_kg)
    return Sentence("speed", phrase("speed.far" if far else "speed", **words), "open" if far else "plain")


def usual_words(speeds: tuple[float, float], arrow_kg: float, units: Units) -> Sentence:
    """The speeds to expect where nobody measured any."""
    low, high = (say_speed(v, units) for v in speeds)
    words = {"arrow": say_arrow(arrow_kg, units), "low": low.rpartition(" ")[0], "high": high}
    return Sentence("speed", phrase("speed.usual", **words), "open")
