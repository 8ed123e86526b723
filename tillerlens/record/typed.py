"""What a person writes after a record's command, WORD=VALUE, turned into the record's fields and back into words."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from tillerlens.core import units
from tillerlens.core.errors import ShotError, TillerLensError
from tillerlens.core.events import CaliperReading, CalipersDetails
from tillerlens.core.reading import shown
from tillerlens.mechanics.wood import read_humidity, read_moisture
from tillerlens.record.entries import RecordError

if TYPE_CHECKING:
    from tillerlens.mechanics.flight import InputQuantity, Range

Reader = Callable[[str], Any]
Words = Mapping[str, tuple[str, Reader]]

_KG = {"kg": 1.0, "g": 0.001, "lb": units.KG_PER_POUND, "oz": units.KG_PER_POUND / 16, "gr": units.KG_PER_GRAIN}
_METRES = {**dict.fromkeys(("", "yd", "yds", "yard", "yards"), 0.9144), "m": 1.0, "cm": 0.01, "ft": 0.3048, "in": 0.0254}
_M_S = {"fps": units.FOOT_M, "ft/s": units.FOOT_M, "m/s": 1.0, "km/h": 1 / 3.6}


def _at_least_zero(text: str, factors: Mapping[str, float], what: str, example: str) -> float:
    value = units.parse_quantity(text, factors, what, example, RecordError)
    if value < 0:
        raise RecordError(f"'{shown(text, units.MOST_TYPED)}' is below zero.", f"Write it like {example}.", given=text)
    return value


def read_number(text: str) -> float:
    return _at_least_zero(text, {"": 1.0, "%": 1.0}, "number", "12 or 12.5")


def read_whole(text: str) -> int:
    number = read_number(text)
    if number != int(number):
        raise RecordError(f"'{shown(text, units.MOST_TYPED)}' is not a whole number.", "Write it like 20.", given=text)
    return int(number)


def read_mass(text: str) -> float:
    """Kilograms; a bare number is ounces."""
    return _at_least_zero(text, {**_KG, "": _KG["oz"]}, "mass", "19 oz or 540 g")


def read_arrow_mass(text: str) -> float:
    """Kilograms; a bare number is grains."""
    return _at_least_zero(text, {**_KG, "": _KG["gr"]}, "mass", "500 gr or 32 g")


def read_speed(text: str) -> float:
    """Metres per second; a bare number is feet per second."""
    return _at_least_zero(text, {**_M_S, "": _M_S["fps"]}, "speed", "150 fps or 46 m/s")


def read_distance(text: str) -> float:
    """Metres; a bare number is yards."""
    return _at_least_zero(text, _METRES, "distance", "20 yd or 18.3 m")


def read_temperature(text: str) -> float:
    """Degrees Celsius; the unit has to be said, for both are in use."""
    return read_celsius(text, RecordError)


def read_celsius(text: str, error: type[TillerLensError]) -> float:
    """Degrees Celsius from ``21C`` or ``70 F``. Raises ``error`` for anything else."""
    degrees = units.parse_quantity(text, dict.fromkeys(("c", "f", "°c", "°f"), 1.0), "temperature", "21C or 70F", error, 1000.0)
    return degrees if text.strip().lower().endswith("c") else (degrees - 32) / 1.8


def read_range(
    distance: str, phone: str | None = None, phone_to_target: str | None = None, temperature: str | None = None,
    arrow_length: str | None = None, shaft: str | None = None, brace: str | None = None,
) -> Range:  # fmt: skip
    """A range from what a person writes; what is left out or empty is taken as usual. Raises TillerLensError."""
    from tillerlens.mechanics import flight as f

    def given(text: str | None, read: Callable[[str], float], u: float, usual: InputQuantity) -> InputQuantity:
        return usual if text is None or not text.strip() else f.InputQuantity(read(text), u)

    def metres(text: str) -> float:
        return units.parse_length(text) / 1000

    return f.Range(
        f.InputQuantity(read_distance(distance), f.DISTANCE_U),
        given(phone, read_distance, f.PHONE_U, f.USUAL_PHONE),
        None if not (phone_to_target or "").strip() else f.InputQuantity(read_distance(str(phone_to_target)), f.PHONE_U),
        given(temperature, lambda text: read_celsius(text, ShotError), f.TEMPERATURE_U, f.USUAL_AIR),
        given(arrow_length, metres, f.ARROW_U, f.USUAL_ARROW),
        given(brace, metres, f.ARROW_U, f.USUAL_BRACE),
        given(shaft, metres, f.SHAFT_U, f.USUAL_SHAFT),
    )


def read_part(text: str) -> tuple[float, float]:
    """Seconds from and to, like ``1.5-3`` or ``1.5s-3s``. Raises ShotError."""
    first, sign, last = text.partition("-")
    seconds = {"": 1.0, "s": 1.0}
    example = "1.5-3"
    if sign:
        ends = [units.parse_quantity(t, seconds, "part of the clip", example) for t in (first, last)]
        if 0 <= ends[0] < ends[1]:
            return ends[0], ends[1]
    begun = shown(text, units.MOST_TYPED)
    raise ShotError(f"'{begun}' is not a part of the clip.", f"Write from and to in seconds, like {example}.", given=text)


def read_calipers(text: str) -> CalipersDetails:
    """Readings from lines like ``upper, 4, 1 3/8, 1/2, 1/16``, the crown optional; bare ones are inches. Raises ShotError."""
    readings: dict[str, list[CaliperReading]] = {"upper": [], "lower": []}
    for line in filter(str.strip, text.splitlines()):
        cells = [c.strip() for c in re.split(r"[,;\t]", line)]
        limb = cells[0].lower()
        if limb not in readings or len(cells) not in (4, 5):
            remedy = "Write limb, place from the nock, width, thickness, like: upper, 4, 1 3/8, 0.5"
            raise ShotError(f"'{shown(line.strip())}' is not a caliper reading.", remedy)
        readings[limb].append(CaliperReading(*(units.parse_length(c) for c in cells[1:])))
    if any(len(r) < 2 for r in readings.values()):
        raise ShotError("Each limb needs caliper readings at two places at least.", "Five places on each limb are better.")
    return CalipersDetails(tuple(readings["upper"]), tuple(readings["lower"]))


def _place(text: str) -> list[float]:
    parts = re.split(r"[,\s]+", text.strip()[: 2 * units.MOST_TYPED + 2])
    if len(parts) != 2 or not all(parts):
        raise RecordError(
            f"'{shown(text, units.MOST_TYPED)}' is not a place in the picture.",
            "Write it like 1200,845 (pixels from the left and top).",
        )
    return [read_number(part) for part in parts]


_LENGTH, _WEIGHT, _TEXT = units.parse_length, units.parse_weight, str

BOW_WORDS: Words = {
    "name": ("name", _TEXT),
    "wood": ("wood", _TEXT),
    "made": ("made", _TEXT),
    "length": ("length_mm", _LENGTH),
    "handle": ("handle_mm", _LENGTH),
    "upper_limb": ("upper_limb_length_mm", _LENGTH),
    "limb_width": ("limb_width_mm", _LENGTH),
    "limb_thickness": ("limb_thickness_mm", _LENGTH),
    "handle_thickness": ("handle_thickness_mm", _LENGTH),
    "form_reflex": ("form_reflex_mm", _LENGTH),
    "weight": ("wish_weight_n", _WEIGHT),
    "draw": ("wish_draw_mm", _LENGTH),
    "draw_to": ("wish_draw_to", _TEXT),
    "tiller_low": ("wish_tiller_low_mm", _LENGTH),
    "tiller_high": ("wish_tiller_high_mm", _LENGTH),
    "notes": ("notes", _TEXT),
}
EVENT_WORDS: Mapping[str, Words] = {  # calipers and plans have a form of their own
    "scrape": {
        "limb": ("limb", _TEXT),
        "from": ("start_from_nock_mm", _LENGTH),
        "to": ("end_from_nock_mm", _LENGTH),
        "strokes": ("strokes", read_whole),
        "thickness": ("thickness_mm", _LENGTH),
        "tool": ("tool", _TEXT),
    },
    "heat": {
        "minutes": ("minutes", read_number),
        "limb": ("limb", _TEXT),
        "distance": ("distance_mm", _LENGTH),
        "browning": ("browning", _TEXT),
        "depth": ("browning_depth_mm", _LENGTH),
        "temperature": ("temperature_c", read_temperature),
        "form_reflex": ("form_reflex_mm", _LENGTH),
    },
    "rest": {"hours": ("hours", read_number)},
    "moisture": {
        "reading": ("reading_percent", read_moisture),
        "temperature": ("temperature_c", read_temperature),
        "humidity": ("humidity_percent", read_humidity),
        "place": ("place", _TEXT),
    },
    "weighing": {"draw": ("draw_mm", _LENGTH), "to": ("draw_to", _TEXT), "weight": ("weight_n", _WEIGHT)},
    "brace": {"height": ("from_back_mm", _LENGTH)},
    "mass": {"mass": ("mass_kg", read_mass)},
    "arrow_speed": {
        "arrow": ("arrow_mass_kg", read_arrow_mass),
        "speed": ("speed_m_s", read_speed),
        "draw": ("draw_mm", _LENGTH),
        "to": ("draw_to", _TEXT),
    },
    "finding": {"at": ("at_px", _place), "limb": ("limb", _TEXT)},
    "note": {},
}


def read_words(given: Sequence[str], known: Words) -> dict[str, object]:
    """Fields from ``["length=66in", "wood=hazel"]``; an empty value gives None. Raises RecordError with the known words."""
    out: dict[str, object] = {}
    for item in given:
        word, equals, value = item.partition("=")
        word = word.strip().lower().replace("-", "_")
        if not equals or word not in known:
            choices = ", ".join(known) or "none here; use --notes"
            raise RecordError(f"'{shown(item)}' is not a field here.", f"Write WORD=VALUE with one of: {choices}.", given=item)
        name, reader = known[word]
        if name in out:
            raise RecordError(f"'{word}' is given twice.", "Give it once.", given=word)
        out[name] = reader(value.strip()) if value.strip() else None
    return out


def read_when(text: str | None) -> datetime:
    """A time in UTC from ``2025-03-14``, ``2025-03-14T16:30`` (this computer's zone) or with a zone; None: now."""
    if text is None:
        return datetime.now(UTC)
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise RecordError(
            f"'{shown(text, units.MOST_TYPED)}' is not a time.", "Write it like 2025-03-14 or 2025-03-14T16:30.", given=text
        ) from error
