"""What is typed into a field, read in the reader's own units: a bare number is what the field's label says."""

from __future__ import annotations

import re
from typing import Any

import streamlit as st

from tillerlens.core import units as reading
from tillerlens.core.errors import ShotError, TillerLensError
from tillerlens.core.shot import is_number
from tillerlens.core.units import MM_PER_INCH, NEWTON_PER_POUND, STANDARD_GRAVITY, format_inches
from tillerlens.record.typed import EVENT_WORDS, Reader
from tillerlens.report.words.quantities import Units, in_words
from tillerlens.report.words.quantities import in_units as in_units_of

_PAGE = "units_on_page"
_BARE = re.compile(r"\s*[-+−]?\s*[\d\s./⁄,½¼¾⅛⅜⅝⅞⅓⅔-]+\s*")  # a number and nothing that could be its unit
_HOURS, _DAYS = dict.fromkeys(("h", "hour", "hours"), 60.0), dict.fromkeys(("d", "day", "days"), 1440.0)
_MINUTES = {"": 1.0, "min": 1.0, "minutes": 1.0, **_HOURS, **_DAYS}


def units_now() -> Units:
    """The reader's units on this page. They stay while the page stays, so that no number already typed changes its meaning."""
    found = st.session_state.get(_PAGE)
    return found if isinstance(found, Units) else Units()


def hold_units(units: Units, anew: bool = False) -> Units:
    """Take the units for this page unless some are held already; those that hold. anew: take them at any rate."""
    if anew or not isinstance(st.session_state.get(_PAGE), Units):
        st.session_state[_PAGE] = units
    return units_now()


def forget_units() -> None:
    st.session_state.pop(_PAGE, None)


def in_length(label: str, units: Units | None = None) -> str:
    """A field's label with the unit that a bare number is read in."""
    return f"{label} ({length_unit(units or units_now())})"


def in_weight(label: str, units: Units | None = None) -> str:
    return f"{label} ({(units or units_now()).weight})"


def length_unit(units: Units) -> str:
    return "cm" if units.length == "cm" else "in"


def is_bare(text: str) -> bool:
    """Whether it is a number and nothing that could be its unit."""
    return _BARE.fullmatch(text) is not None and bool(text.strip())


def read_length(text: str, units: Units | None = None) -> float:
    """Millimetres; a bare number is in the reader's unit. Raises ShotError."""
    metric = (units or units_now()).length == "cm" and _BARE.fullmatch(text)
    return reading.parse_length(f"{text} cm" if metric else text)


def read_weight(text: str, units: Units | None = None, or_none: bool = False) -> float:
    """Newtons; a bare number is in the reader's unit. Raises ShotError."""
    metric = (units or units_now()).weight == "kg" and _BARE.fullmatch(text)
    return reading.parse_weight(f"{text} kg" if metric else text, or_none)


def read_minutes(text: str) -> float:
    """Minutes from a time like 5 min, 2 h or 3 days. Raises ShotError."""
    value = reading.parse_quantity(text, _MINUTES, "time", "5 min, 2 h or 3 days", most=1e7)
    if value < 0:
        raise ShotError("A time since unstringing can't be below zero.", "Write it like 5 min, 2 h or 3 days.")
    return value


def in_units(read: Reader) -> Reader:
    """The same reader of lengths, weights, masses or speeds with a bare number in the reader's unit."""
    bare = _bare_of(read)
    return read if bare is None else lambda text: read(f"{text} {bare}" if _BARE.fullmatch(text) else text)


def _bare_of(read: Reader) -> str | None:
    units = units_now()
    words = EVENT_WORDS
    if units.length == "cm" and read is reading.parse_length:
        return "cm"
    if units.length == "cm" and read is words["arrow_speed"]["speed"][1]:
        return "m/s"
    if units.weight == "kg" and read is reading.parse_weight:
        return "kg"
    if units.weight == "kg" and read in (words["mass"]["mass"][1], words["arrow_speed"]["arrow"][1]):
        return "g"
    return None


def length_text(mm: float | None, units: Units | None = None) -> str:
    """A length as it is typed under a label that names its unit, with nothing lost. Empty for None."""
    if mm is None:
        return ""
    if (units or units_now()).length == "cm":
        return f"{mm / 10:.9g}"
    inches = mm / MM_PER_INCH
    if abs(inches * 16 - round(inches * 16)) < 1e-9:
        return format_inches(mm).removesuffix('"')
    return f"{inches:.9g}"


def weight_text(newtons: float | None, units: Units | None = None) -> str:
    """A weight as it is typed under a label that names its unit. Empty for None."""
    if newtons is None:
        return ""
    per = STANDARD_GRAVITY if (units or units_now()).weight == "kg" else NEWTON_PER_POUND
    return f"{round(newtons / per, 9):.9g}"


def say_in(text: str, units: Units | None = None) -> str:
    """A sentence with its lengths and weights in the reader's units; it was made in inches and pounds."""
    return in_units_of(text, units or units_now())


def said(error: TillerLensError) -> str:
    """An error with its remedy, in the reader's units."""
    return in_words(error.reason, units_now())


def start(key: str, value: Any) -> str:
    """Put a field's first value into the session unless somebody has typed there already; the key."""
    st.session_state.setdefault(key, value)
    return key


def follow(key: str, value: Any) -> str:
    """Have a widget show a value that can change elsewhere too: it follows a new one, and is left alone otherwise. The key; hand
    what the widget gives to ``followed``."""
    # a widget's own value is dropped when its page is left, and comes back as the first choice
    if key not in st.session_state or st.session_state.get(f"{key}_was", st.session_state) != value:
        st.session_state[key] = value
        st.session_state[f"{key}_was"] = value
    return key


def followed(key: str, chosen: Any) -> Any:
    st.session_state[f"{key}_was"] = chosen
    return chosen


def as_text(inches: float | None) -> str:
    """A length as a person types it under a label with its unit: in sixteenths where it is one, else with all its digits. Empty
    for what is no number."""
    return length_text(inches * MM_PER_INCH) if is_number(inches) else ""
