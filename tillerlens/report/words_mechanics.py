"""What stiffness, strain, draw weight and arrows say, in plain words with intervals.

A verdict is spoken only where a difference exceeds its interval of two standard uncertainties. Of strain two things are told
apart: the set to expect, and whether it is over the limit, which lies near breaking; never that a draw will do no harm.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from tillerlens.measurement import Value
from tillerlens.mechanics.bench import Bench
from tillerlens.mechanics.cast import Cast
from tillerlens.mechanics.force_draw import STACK_PERCENT_PER_INCH, ForceCurve, ReadingsDisagree, Stacking
from tillerlens.mechanics.stiffness import Modulus, Stiffness, limbs_apart
from tillerlens.mechanics.strain import ACCEPTABLE_SET_MM, GOOD_SET_MM, HEAT_RANGE, YIELDS, Risk, SetExpected
from tillerlens.report.lengths import COVER, Units, say_length, say_place, say_weight
from tillerlens.report.words import CARE_ALWAYS, CARE_UNDER_TENSION, Sentence
from tillerlens.units import JOULE_PER_FOOT_POUND, MM_PER_INCH, NEWTON_PER_POUND, STANDARD_GRAVITY, grains_from_kg

FOOT_M = 0.3048


def bench_words(bench: Bench, units: Units | None = None, others: Sequence[float] = ()) -> list[Sentence]:
    """All that is said of one bow at the bench, the most pressing first, the care that goes with it last. ``others``: masses
    (kg) of arrows whose speed is asked for."""
    units = units or Units()
    out: list[Sentence] = []
    further = bench.risk_full is not None and not bench.full_draw_mm <= bench.draw_seen_mm + 1
    if bench.risk_full is not None and further:
        out.append(strain_words(bench.risk_full, bench.full_draw_mm, True, units))
    if bench.risk_seen is not None:
        out.append(strain_words(bench.risk_seen, bench.draw_seen_mm, False, units))
    if bench.risk_full is not None and further:
        out += expected_set_words(bench.risk_full, bench.full_draw_mm, units) + limit_words(bench.risk_full, bench.sections_known)
    elif bench.risk_seen is not None:
        out += expected_set_words(bench.risk_seen, bench.draw_seen_mm, units) + limit_words(bench.risk_seen, bench.sections_known)
    out += _set_words(bench, units)
    if bench.curve is not None:
        out += force_words(bench.curve, bench.full_draw_mm, bench.stacking, units)
    if bench.stiffness is not None:
        out += stiffness_words(bench.stiffness, units)
    if bench.modulus is not None:
        out += modulus_words(bench.modulus)
    if bench.cast is not None:
        out += cast_words(bench.cast)
        out += [speed_words(bench.cast, mass) for mass in others]
    out += [
        Sentence(r.code, f"{r.text} {r.remedy}".strip(), "finding" if r.code == ReadingsDisagree.code else "open")
        for r in bench.reasons
    ]
    out.sort(key=lambda s: s.tone != "finding")
    return out + [Sentence("care", text) for text in (*CARE_ALWAYS, *CARE_UNDER_TENSION)]


# --- stiffness ------------------------------------------------------------------------------------------------


def stiffness_words(stiffness: Stiffness, units: Units) -> list[Sentence]:
    count = len(stiffness.pictures)
    where = " and ".join(
        f"{say_place(float(m.from_nock_mm[m.told][0]), units)} to {say_place(float(m.from_nock_mm[m.told][-1]), units)} "
        f"from the {name} nock"
        for name, m in stiffness.limbs.items()
    )
    pictures = f"{count} pictures" if count > 1 else "one picture"
    text = f"Stiffness comes from {pictures}: {where}. Nearer the nocks and the handle it can't be measured."
    out = [Sentence("stiffness", text)]
    if not stiffness.rest_known:
        off = _up(100 * COVER * stiffness.u_unrested)
        text = (
            "No picture shows the bow unstrung, so its natural bend is guessed"
            f"{f': the whole stiffness may be off by ±{off:.0f} %' if stiffness.absolute else ''}. Measure it unstrung."
        )
        out.append(Sentence("stiffness", text, "open"))
    apart = limbs_apart(stiffness)
    interval = f"±{_up(COVER * apart.u):.0f} %"
    if abs(apart.value) > COVER * apart.u:
        limb, other = ("upper", "lower") if apart.value > 0 else ("lower", "upper")
        # said of the stiffer limb against the other
        by = apart.value if apart.value > 0 else 100 * (1 / (1 + apart.value / 100) - 1)
        out.append(Sentence("limbs", f"The {limb} limb is {by:.0f} % stiffer than the {other} ({interval})."))
    else:
        out.append(Sentence("limbs", f"Both limbs are equally stiff, as far as this can show ({interval}).", "fine"))
    if not stiffness.absolute:
        out.append(Sentence("stiffness", "Without a weighing this shows which places are stiffer, not how stiff.", "open"))
    return out


def modulus_words(modulus: Modulus) -> list[Sentence]:
    said = f"The wood's stiffness (modulus) is {modulus.value / 1000:.1f} GPa (±{_up(COVER * modulus.u / 100) / 10:.1f} GPa)"
    if not modulus.verdict:
        return [Sentence("modulus", f"{said}.")]
    book = f"the handbook's {modulus.expected / 1000:.1f} GPa for this wood, ±{100 * modulus.spread:.0f} %"
    if modulus.verdict == "as expected":
        return [Sentence("modulus", f"{said}. That agrees with {book}.", "fine")]
    return [
        Sentence("modulus", f"{said}, {modulus.verdict} than {book}. Check widths, thickness, moisture and the scale.", "finding")
    ]


# --- strain ---------------------------------------------------------------------------------------------------

_SIDE = {"belly": "pressed", "back": "stretched"}


def strain_words(risk: Risk, draw_mm: float, ahead: bool, units: Units) -> Sentence:
    """The most strained place at one draw. ``ahead``: expected by the statics, not seen."""
    place = f"the {risk.side} of the {risk.limb} limb, about {say_place(risk.from_nock_mm, units)} from the nock,"
    how = "will be" if ahead else "is"
    said = f"At {say_length(draw_mm, units)} of draw, {place} {how} {_SIDE[risk.side]} the most, by {_percent(risk.strain)}"
    said += "." if risk.clear else "; other places are so close that none stands out."
    limit = f"the limit of {100 * risk.limit.strain:.2f} %"
    sure, may = risk.share.value - COVER * risk.share.u > 1, risk.share.value + COVER * risk.share.u > 1
    if sure:
        said += f" That is over {limit}: don't draw it that far."
    elif may:
        over = "is over" if risk.share.value > 1 else "may be over"
        but = ", though by less than its interval" if risk.share.value > 1 else ""
        said += f" That {over} {limit}{but}: don't draw it that far until that place bends less."
    return Sentence("strain", said, "finding" if may else "plain")


def expected_set_words(risk: Risk, draw_mm: float, units: Units) -> list[Sentence]:
    """The set to expect of a bow held at this draw, and what makers think of so much."""
    found = risk.set_expected
    if found is None:
        return []
    return [set_sentence(found, f"Drawn to {say_length(draw_mm, units)}, expect {say_set(found, units)}", units)]


def set_sentence(found: SetExpected, said: str, units: Units) -> Sentence:
    """``said`` with what makers think of so much set."""
    good, most = say_length(GOOD_SET_MM, units), say_length(ACCEPTABLE_SET_MM, units)
    if found.too_much:
        return Sentence("set", f"{said}: more than the {most} that makers accept (common practice, no source).", "finding")
    if found.perhaps_too_much:
        text = f"That is hard on the wood: it may be more than the {most} that makers accept (common practice, no source)."
        return Sentence("set", f"{said}. {text}", "open")
    scale = "good" if found.high_mm <= GOOD_SET_MM else "within bounds"
    return Sentence("set", f"{said}: {scale}. Makers call up to {good} good, up to {most} acceptable (common practice).", "fine")


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
    out = [
        Sentence(
            "limit",
            f"The limit of {100 * limit.strain:.2f} % is {limit.what} (from {limit.source}). "
            "Knots, damp and old cracks make wood take less.",
        )
    ]
    if risk.set_expected is not None:
        text = (
            f"The set is reckoned from a belly that crushes at {100 * limit.crushes:.2f} % ({limit.crushes_source}) "
            f"and, bent, yields at {YIELDS[0]:g} to {YIELDS[1]:g} times that (common practice, no source)."
        )
        out.append(Sentence("limit", text))
    if risk.strain.budget:
        parts = sorted(risk.strain.budget.items(), key=lambda part: -part[1])
        causes = ", ".join(f"{name} ±{_up(1e4 * COVER * u) / 100:.2f} %" for name, u in parts if u > 0.1 * risk.strain.u)
        out.append(Sentence("limit", f"The strain's interval comes from {causes}."))
    if limit.said:
        out.append(Sentence("wood", limit.said))
    if risk.heat_factor is None:
        low, high = HEAT_RANGE
        text = (
            f"A heat-hardened belly is taken to yield {100 * (low - 1):.0f} to {100 * (high - 1):.0f} % later "
            "(common practice, no source). Give your own factor if you have one."
        )
        out.append(Sentence("limit", text))
    elif risk.heat_factor != 1.0:
        text = f"The belly is counted with your own factor of {risk.heat_factor:g} for heat-hardening; no book gives one."
        out.append(Sentence("limit", text))
    if not sections_known:
        text = (
            "Half of the thickness seen from the side was taken; a crowned back is stretched more than that says. "
            "Measure width, thickness and crown with a caliper."
        )
        out.append(Sentence("section", text))
    return out


def _percent(strain: Value) -> str:
    return f"{100 * strain.value:.2f} % (±{_up(1e4 * COVER * strain.u) / 100:.2f} %)"


def _set_words(bench: Bench, units: Units) -> list[Sentence]:
    if bench.set_found is None:
        return []
    told = [m for m in bench.set_found.limbs.values() if m.stretches]
    if not told:
        return [Sentence("set", "The two pictures at rest show no set anywhere along the limbs.", "fine")]
    limb = max(told, key=lambda m: float(max(m.smooth_per_m)))
    start, end = max(limb.stretches, key=lambda s: s[1] - s[0])
    where = f"{say_place(start, units)} to {say_place(end, units)} from the {limb.limb} nock"
    return [Sentence("set", f"Set shows clearly {where}. The wood gave way there, so let it bend less there.", "finding")]


# --- draw weight ----------------------------------------------------------------------------------------------


def force_words(curve: ForceCurve, full_mm: float, stacks: Stacking | None, units: Units) -> list[Sentence]:
    weight, energy = curve.weight_at(full_mm), curve.energy_at(full_mm)
    if not math.isfinite(weight.value):
        return []
    at = say_length(full_mm, units)
    out = []
    if full_mm > curve.readings_to_mm + 1:
        basis = "this bow's own bend" if curve.own_shape else "a plain bow of this length, so the interval is wide"
        out.append(
            Sentence(
                "weight",
                f"At {at} expect about {_weight(weight, units)}. The readings stop at "
                f"{say_length(curve.readings_to_mm, units)}; the rest comes from {basis}.",
            )
        )
    else:
        out.append(Sentence("weight", f"At {at} it draws {_weight(weight, units)}."))
    foot_pounds = energy.value / JOULE_PER_FOOT_POUND
    out.append(
        Sentence(
            "energy",
            f"From the brace to {at} the draw stores {foot_pounds:.1f} ft·lb (±{_tenth(energy.u / JOULE_PER_FOOT_POUND)} ft·lb), "
            f"{energy.value:.0f} J.",
        )
    )
    for draw in curve.odd_mm:
        text = f"The weight at {say_length(draw, units)} doesn't fit the others. Weigh it again."
        out.append(Sentence("reading", text, "finding"))
    if stacks is not None and math.isfinite(stacks.onset_mm):
        rule = f"common practice: more than {STACK_PERCENT_PER_INCH:g} % of the weight an inch"
        seems = "stacks" if stacks.sure else "may stack"
        out.append(
            Sentence(
                "stacking",
                f"From about {say_place(stacks.onset_mm, units)} of draw it {seems} ({rule}); at {at} the last inch adds "
                f"{_weight(stacks.rise, units)}.",
                "finding" if stacks.sure else "open",
            )
        )
    return out


def _weight(v: Value, units: Units) -> str:
    """``47.7 lb (±1.4 lb)``; the interval is rounded up."""
    pounds = units.weight == "lb"
    interval = _tenth(v.u / (NEWTON_PER_POUND if pounds else STANDARD_GRAVITY))
    return f"{say_weight(v.value, units)} (±{interval} {'lb' if pounds else 'kg'})"


# --- arrows ---------------------------------------------------------------------------------------------------


def cast_words(cast: Cast) -> list[Sentence]:
    said = f"The bow's virtual mass is {grains_from_kg(cast.virtual_mass_kg.value):.0f} gr "
    said += f"(±{_up(COVER * grains_from_kg(cast.virtual_mass_kg.u)):.0f} gr): its limbs and string move like so much more arrow."
    out = [Sentence("arrows", said)]
    told = [e for e in cast.efficiency if math.isfinite(e.value)]
    if told:
        e, mass = told[0], cast.masses_kg[0]
        out.append(
            Sentence(
                "arrows",
                f"An arrow of {grains_from_kg(mass):.0f} gr takes {100 * e.value:.0f} % (±{_up(100 * COVER * e.u):.0f} %) of the "
                "stored energy with it.",
            )
        )
    return out


def speed_words(cast: Cast, arrow_kg: float) -> Sentence:
    """The speed expected of another arrow."""
    v = cast.speed(arrow_kg)
    said = f"An arrow of {grains_from_kg(arrow_kg):.0f} gr is expected to fly at {v.value / FOOT_M:.0f} ft/s "
    said += f"(±{_up(COVER * v.u / FOOT_M):.0f} ft/s)"
    if cast.far(arrow_kg):
        return Sentence("speed", f"{said}, if the virtual mass still holds for an arrow so unlike those shot.", "open")
    return Sentence("speed", f"{said}.")


def _up(x: float) -> float:
    """Rounded up to a whole number, at least 1; a hair less, so that the last bit makes no step. NaN stays."""
    return max(1.0, math.ceil(x - 1e-9)) if math.isfinite(x) else math.nan


def _tenth(u: float) -> str:
    return f"{_up(10 * COVER * u) / 10:.1f}"
