"""What a record holds of a bow, in words: what is known of it, and what was done to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from tillerlens.core.events import (
    ArrowSpeedDetails,
    BraceDetails,
    CaliperReading,
    CalipersDetails,
    Details,
    FindingDetails,
    HeatDetails,
    MassDetails,
    MoistureDetails,
    PlanDetails,
    RestDetails,
    ScrapeDetails,
    WeighingDetails,
)
from tillerlens.core.measurement import Value
from tillerlens.report.words.quantities import (
    Units,
    say_arrow,
    say_length,
    say_mass,
    say_place,
    say_speed,
    say_thin,
    say_weight,
    say_weight_reach,
)

_LENGTHS = {
    "length_mm": "length, nock to nock",
    "handle_mm": "handle and fades",
    "upper_limb_length_mm": "upper limb's length",
    "limb_width_mm": "limbs' width",
    "limb_thickness_mm": "limbs' thickness",
    "handle_thickness_mm": "handle's thickness",
    "form_reflex_mm": "form's reflex",
}


def bow_in_words(bow: Mapping[str, Any], units: Units) -> list[tuple[str, str]]:
    """What is known of a bow: each fact's name and what it is. bow: its fields in SI, as the record keeps them."""
    known = {name: v for name, v in bow.items() if v is not None}
    wished = ""
    if "wish_weight_n" in known:
        wished = say_weight(known["wish_weight_n"], units)
        if "wish_draw_mm" in known:
            wished += f" at {say_length(known['wish_draw_mm'], units)} to the {known.get('wish_draw_to') or 'back'}"
    said = [("wood", known.get("wood", "")), ("made", known.get("made", "")), ("target", wished)]
    if ends := [known[f"wish_tiller_{end}_mm"] for end in ("low", "high") if f"wish_tiller_{end}_mm" in known]:
        said.append(("target tiller", " to ".join(say_length(mm, units) for mm in ends)))
    said += [(words, say_length(known[name], units)) for name, words in _LENGTHS.items() if name in known]
    return [(what, it) for what, it in said if it]


def event_in_words(details: Details, units: Units) -> str:
    """An event in a few words."""
    kind, parts = details.kind.replace("_", " "), _parts(details, units)
    return f"{kind}: {', '.join(parts)}" if parts else kind


def _parts(d: Details, units: Units) -> list[str]:
    match d:
        case ScrapeDetails():
            start, end = (say_place(mm, units) for mm in d.from_nock_mm)
            off = None if d.thickness_mm is None else say_thin(d.thickness_mm, units)
            place = f"{d.limb} limb from {start} to {end} from the nock"
            return [place, *_with("{} strokes", d.strokes), *_with("{}", d.tool), *_with("{} off", off)]
        case HeatDetails():
            away = None if d.distance_mm is None else say_place(d.distance_mm, units)
            deep = None if d.browning_depth_mm is None else _depth(d.browning_depth_mm, units)
            form = None if d.form_reflex_mm is None else say_length(d.form_reflex_mm, units)
            where = "both limbs" if d.limb == "both" else d.limb and f"{d.limb} limb"
            parts = [f"{d.minutes:g} minutes", *_with("browning {}", d.browning), *_with("{}", where)]
            parts += [*_with("{} from the coals", away), *_with("{} deep", deep)]
            return [*parts, *_with("{:.0f} °C at the surface", d.temperature_c), *_with("on a form of {} reflex", form)]
        case RestDetails():
            return [f"{d.hours:g} hours"]
        case MoistureDetails():
            air = [] if d.air is None else [f"air {d.temperature_c:.0f} °C, {d.humidity_percent:.0f} %"]
            return [*_with("{:g} % by the meter", d.reading_percent), *_with("{}", d.place), *air]
        case MassDetails():
            return [say_mass(d.mass_kg, units)]
        case WeighingDetails():
            return [f"{say_weight(d.weight_n, units)} at {say_length(d.draw_mm, units)} to the {d.draw_to}"]
        case BraceDetails():
            return [f"{say_length(d.from_back_mm, units)} from the handle's back to the string"]
        case CalipersDetails():
            return [*_readings("upper", d.upper, units), *_readings("lower", d.lower, units)]
        case PlanDetails():
            weight = Value(d.weight_n, d.u_weight_n, "N")
            expected = f"{say_weight(d.weight_n, units)} {say_weight_reach(weight, units)} expected after it"
            return [f"{expected} at {say_length(d.draw_mm, units)} to the back"]
        case ArrowSpeedDetails():
            shot = f"{say_arrow(d.arrow_mass_kg, units)} at {say_speed(d.speed_m_s, units)}"
            return [shot, f"drawn {say_length(d.draw_mm, units)} to the {d.draw_to}"]
        case FindingDetails():
            return [*_with("{} limb", d.limb), "marked in the picture"]
    return []


def _readings(limb: str, readings: Sequence[CaliperReading], units: Units) -> list[str]:
    """Where a limb was read, and its width and thickness there."""
    out = []
    for r in readings:
        crown = "" if not r.crown_mm else f" with a crown of {say_length(r.crown_mm, units, 4)}"
        size = f"{say_length(r.width_mm, units, 2)} by {say_length(r.thickness_mm, units, 4)}{crown}"
        out.append(f"{size} at {say_place(r.from_nock_mm, units)}")
    return [f"{limb} limb {out[0]} from the nock", *out[1:]]


def _depth(mm: float, units: Units) -> str:
    return f"{mm:g} mm" if units.length == "cm" else say_length(mm, units)


def _with(words: str, value: object) -> list[str]:
    """``words`` with a value that is known, else nothing."""
    return [] if value is None else [words.format(value)]
