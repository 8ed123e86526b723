"""What is done to a bow or learnt of it between pictures: a form for each kind, and an event in a few words."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import streamlit as st

from tillerlens.core.errors import TillerLensError
from tillerlens.core.events import ScrapeDetails
from tillerlens.core.units import FOOT_M, KG_PER_GRAIN, KG_PER_POUND
from tillerlens.record import Event
from tillerlens.record.entries import check_entry, now, read_details
from tillerlens.record.typed import EVENT_WORDS
from tillerlens.record.views import Timeline
from tillerlens.report.words.quantities import Units
from tillerlens.report.words.record import event_in_words
from tillerlens.ui.context import PageContext, say_error
from tillerlens.ui.text import distinct_labels
from tillerlens.ui.typed import in_units, length_text, length_unit, weight_text

KINDS: dict[str, str] = {
    "scrape": "wood taken off",
    "weighing": "a weight on the scale",
    "heat": "heat",
    "rest": "rest",
    "moisture": "moisture",
    "brace": "the brace height",
    "mass": "the bow's mass",
    "arrow_speed": "an arrow's speed",
    "finding": "something seen on the wood",
    "note": "a note",
}
_HEADS = {**KINDS, "calipers": "caliper readings", "plan": "a planned step, taken"}  # these two are not typed on the timeline
_LABELS: dict[str, dict[str, str]] = {
    "scrape": {
        "limb": "Limb",
        "from": "From the nock: nearer end",
        "to": "From the nock: farther end",
        "strokes": "Strokes, if counted",
        "thickness": "Thickness taken off, if measured",
        "tool": "Tool",
    },
    "heat": {
        "minutes": "Minutes over the heat",
        "limb": "Limb",
        "distance": "Distance from the coals",
        "browning": "Browning of the belly",
        "depth": "Depth of browning",
        "temperature": "Surface, like 150C or 300F",
        "form_reflex": "Reflex of the form",
    },
    "rest": {"hours": "Hours of rest"},
    "moisture": {
        "reading": "Meter's reading, per cent",
        "temperature": "Air, like 21C or 70F",
        "humidity": "Humidity of the air, per cent",
        "place": "Where it was read",
    },
    "weighing": {"draw": "At a draw of", "to": "Draw measured to the handle's", "weight": "Weight"},
    "brace": {"height": "From the handle's back to the string"},
    "mass": {"mass": "Mass"},
    "arrow_speed": {
        "arrow": "Arrow",
        "speed": "Speed",
        "draw": "At a draw of",
        "to": "Draw measured to the handle's",
    },
    "finding": {"at": "Where in the picture: pixels from left and top, like 1200, 845", "limb": "Limb"},
    "note": {},
}
_CHOICES = {
    "limb": ["upper", "lower"],
    "face": ["back", "belly"],
    "browning": ["none", "straw", "tan", "brown", "dark"],
}


def ask_event(kind: str, event: Event | None, found: Timeline, place: PageContext, key: str, button: str) -> Event | None:
    """Show one kind's form; the event once the button was pressed and everything could be read, else None."""
    with st.form(key):
        when = st.datetime_input(
            "When", (event.happened_at if event else now()).astimezone().replace(tzinfo=None), key=f"{key}_when", step=60
        )
        texts = _ask_details(kind, event, place, key)
        stage_id = _ask_stage(event, found, key) if kind == "finding" else event.stage_id if event else None
        label = "In words" if kind in ("note", "finding") else "Notes"
        notes = st.text_area(label, event.notes if event else "", key=f"{key}_notes")
        if not st.form_submit_button(button, type="primary"):
            return None
        try:
            typed = _read(kind, texts)
            if event is not None:  # a hung weight's doubt, or that of a speed by ear, has no field here; nor has all of a plan
                shown = {EVENT_WORDS[kind][word][0] for word in texts}
                typed |= {k: v for k, v in event.details.as_dict().items() if k not in shown}
            details = read_details(kind, typed)
            if isinstance(details, ScrapeDetails):
                start, end = sorted((details.start_from_nock_mm, details.end_from_nock_mm))
                details = replace(details, start_from_nock_mm=start, end_from_nock_mm=end)
            happened = (when.astimezone() if when is not None else now()).astimezone()
            who = event.who if event else place.settings.who
            fresh = event or Event(found.bow.id, details.kind, happened)
            return check_entry(
                replace(fresh, happened_at=happened, details=details, notes=notes.strip(), who=who, stage_id=stage_id)
            )
        except TillerLensError as error:
            say_error(error)
            return None


def _ask_details(kind: str, event: Event | None, place: PageContext, key: str) -> dict[str, str]:
    texts: dict[str, str] = {}
    columns = st.columns(2)
    for i, (word, label) in enumerate(_LABELS.get(kind, {}).items()):
        column, name = columns[i % 2], EVENT_WORDS[kind][word][0]
        was = getattr(event.details, name, None) if event else None
        choices = _CHOICES.get("face" if name == "draw_to" else word)
        if choices is not None:
            choices = [*choices, "both"] if (kind, word) == ("heat", "limb") else choices
            usual = was or (place.settings.draw_to if name == "draw_to" else None)
            texts[word] = column.segmented_control(label, choices, default=usual, key=f"{key}_{word}") or ""
        else:
            unit = _unit(name, place.units)
            texts[word] = column.text_input(
                f"{label} ({unit})" if unit else label, _as_typed(name, was, place.units), key=f"{key}_{word}"
            )
    return texts


def _ask_stage(event: Event | None, found: Timeline, key: str) -> str | None:
    ids = [s.id for s in found.stages]
    names = {s.id: f"{k}. {s.pose}, {s.taken_at.astimezone():%d %b %Y}" for k, s in enumerate(found.stages, start=1)}
    at = ids.index(event.stage_id) if event is not None and event.stage_id in ids else len(ids) - 1
    return st.selectbox("On which picture", ids, at, format_func=distinct_labels(names).__getitem__, key=f"{key}_stage")


def _read(kind: str, texts: dict[str, str]) -> dict[str, object]:
    """What was typed, by the details' names. Raises RecordError and ShotError."""
    out: dict[str, object] = {}
    for word, text in texts.items():
        name, reader = EVENT_WORDS[kind][word]
        if text.strip():
            out[name] = in_units(reader)(text.strip())
    return out


_FINE = ("thickness_mm", "browning_depth_mm")  # said in millimetres whatever the units


def _unit(name: str, units: Units) -> str:
    """The unit that a bare number of this field is read in; empty where it has none, or must be typed with one."""
    if name.endswith("_mm"):
        return length_unit(units)
    metric = units.weight == "kg"
    weights = {"weight_n": units.weight, "mass_kg": "g" if metric else "oz", "arrow_mass_kg": "g" if metric else "gr"}
    return weights.get(name, {"speed_m_s": "m/s" if units.length == "cm" else "fps"}.get(name, ""))


def _as_typed(name: str, value: Any, units: Units) -> str:
    """A kept detail as it would be typed."""
    if value is None:
        return ""
    if isinstance(value, tuple):
        return ", ".join(f"{v:g}" for v in value)
    if name.endswith("_mm"):
        return f"{value:g} mm" if name in _FINE else length_text(value, units)
    if name == "weight_n":
        return weight_text(value, units)
    if name in ("arrow_mass_kg", "mass_kg") and units.weight == "kg":
        return f"{1000 * value:.6g} g"
    if name == "arrow_mass_kg":
        return f"{value / KG_PER_GRAIN:.6g} gr"
    if name == "mass_kg":
        return f"{value / KG_PER_POUND * 16:.6g} oz"
    if name == "speed_m_s":
        return f"{value:.6g} m/s" if units.length == "cm" else f"{value / FOOT_M:.6g} fps"
    return f"{value:g}C" if name.endswith("_c") else f"{value:g}" if isinstance(value, int | float) else str(value)


def say_event(event: Event, units: Units) -> tuple[str, str]:
    """An event's kind with its details in a few words, and its notes."""
    said = event_in_words(event.details, units)
    kind = event.kind.replace("_", " ")
    text = said.removeprefix(kind).lstrip(": ")
    head = _HEADS[event.kind]
    return (f"{head[:1].upper()}{head[1:]}{': ' if text else ''}{text}", event.notes)
