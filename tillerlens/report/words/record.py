"""What a record holds of a bow, in words: what is known of it, and what was done to it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

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


def event_in_words(kind: str, d: Mapping[str, Any], units: Units) -> str:
    """An event in a few words. d: its details in SI, as the record keeps them."""
    parts: list[str] = []
    if kind == "scrape":
        start, end = (say_place(d[k], units) for k in ("start_from_nock_mm", "end_from_nock_mm"))
        parts = [f"{d['limb']} limb from {start} to {end} from the nock"]
        parts += [*_with(d, "strokes", "{} strokes"), *_with(d, "tool", "{}")]
        if "thickness_mm" in d:
            parts.append(f"{say_thin(d['thickness_mm'], units)} off")
    elif kind == "heat":
        parts = [f"{d['minutes']:g} minutes", *_with(d, "browning", "browning {}")]
        parts += ["both limbs" if d["limb"] == "both" else f"{d['limb']} limb"] if "limb" in d else []
        parts += [f"{say_place(d['distance_mm'], units)} from the coals"] if "distance_mm" in d else []
        parts += [f"{_depth(d['browning_depth_mm'], units)} deep"] if "browning_depth_mm" in d else []
        parts += [f"{d['temperature_c']:.0f} °C at the surface"] if "temperature_c" in d else []
        parts += [f"on a form of {say_length(d['form_reflex_mm'], units)} reflex"] if "form_reflex_mm" in d else []
    elif kind == "rest":
        parts = [f"{d['hours']:g} hours"]
    elif kind == "moisture":
        parts = [*_with(d, "reading_percent", "{:g} % by the meter"), *_with(d, "place", "{}")]
        parts += [f"air {d['temperature_c']:.0f} °C, {d['humidity_percent']:.0f} %"] if "temperature_c" in d else []
    elif kind == "mass":
        parts = [say_mass(d["mass_kg"], units)]
    elif kind == "weighing":
        parts = [f"{say_weight(d['weight_n'], units)} at {say_length(d['draw_mm'], units)} to the {d['draw_to']}"]
    elif kind == "arrow_speed":
        parts = [f"{say_arrow(d['arrow_mass_kg'], units)} at {say_speed(d['speed_m_s'], units)}"]
    return f"{kind.replace('_', ' ')}: {', '.join(parts)}" if parts else kind


def _depth(mm: float, units: Units) -> str:
    return f"{mm:g} mm" if units.length == "cm" else say_length(mm, units)


def _with(details: Mapping[str, Any], name: str, words: str) -> list[str]:
    return [words.format(details[name])] if name in details else []
