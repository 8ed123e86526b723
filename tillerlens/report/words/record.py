"""What a record holds of a bow, in words: what is known of it, and what was done to it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tillerlens.core.events import (
    ArrowSpeedDetails,
    Details,
    HeatDetails,
    MassDetails,
    MoistureDetails,
    RestDetails,
    ScrapeDetails,
    WeighingDetails,
)
from tillerlens.report.words.quantities import Units, say_arrow, say_length, say_mass, say_place, say_speed, say_thin, say_weight

_LENGTHS = {
    "length_mm": "length, nock to nock",
    "handle_mm": "handle and fades",
    "limb_width_mm": "limbs' width",
    "limb_thickness_mm": "limbs' thickness",
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
        case ArrowSpeedDetails():
            return [f"{say_arrow(d.arrow_mass_kg, units)} at {say_speed(d.speed_m_s, units)}"]
    return []


def _depth(mm: float, units: Units) -> str:
    return f"{mm:g} mm" if units.length == "cm" else say_length(mm, units)


def _with(words: str, value: object) -> list[str]:
    """``words`` with a value that is known, else nothing."""
    return [] if value is None else [words.format(value)]
