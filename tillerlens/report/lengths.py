"""How numbers are said to a bowyer: lengths, angles and weights with their intervals, in the units of choice.

An interval is two standard uncertainties to each side. A printed value is rounded to the division of its
ruler, and the printed interval is widened by that rounding and then rounded up, so that it always covers the
computed one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from tillerlens.measurement import Value
from tillerlens.units import (
    MM_PER_INCH,
    STANDARD_GRAVITY,
    UNKNOWN,
    format_inches,
    format_pounds,
)

LengthUnit = Literal["sixteenths", "inches", "cm"]
WeightUnit = Literal["lb", "kg"]

COVER = 2.0  # standard uncertainties to each side of a value: about 95 in 100
_DIVISION_MM: dict[LengthUnit, float] = {
    "sixteenths": MM_PER_INCH / 16,
    "inches": MM_PER_INCH / 100,
    "cm": 1.0,
}
_ANGLE_DIVISION_DEG = 0.1


@dataclass(frozen=True)
class Units:
    """What lengths and weights are said in; a setting of the reader, never of the measurement."""

    length: LengthUnit = "sixteenths"
    weight: WeightUnit = "lb"

    @property
    def division_mm(self) -> float:
        """The finest step that is printed."""
        return _DIVISION_MM[self.length]

    @property
    def axis(self) -> str:
        """The unit's name on an axis."""
        return "cm" if self.length == "cm" else "inches"

    def on_axis(self, mm: float) -> float:
        """A length as the number that an axis in this unit shows."""
        return mm / 10 if self.length == "cm" else mm / MM_PER_INCH


def is_told(value: Value) -> bool:
    """Whether a value differs from zero by more than its interval. Without a known interval nothing is
    told.
    """
    return math.isfinite(value.u) and abs(value.value) > COVER * value.u


def say_length(mm: float, units: Units, finer: int = 1) -> str:
    """``3/16 in``, ``0.19 in`` or ``0.5 cm``; ``unknown`` for NaN. finer: parts of the usual division, 1, 2
    or 4.
    """
    if not math.isfinite(mm):
        return UNKNOWN
    if units.length == "sixteenths":
        return format_inches(mm, 16 * finer).removesuffix('"') + " in"
    more = 0 if finer == 1 else 1
    if units.length == "inches":
        return f"{round(mm / MM_PER_INCH, 2 + more) + 0.0:.{2 + more}f} in"
    return f"{round(mm / 10, 1 + more) + 0.0:.{1 + more}f} cm"


def say_told(value: Value, units: Units) -> tuple[str, str]:
    """Size and interval of a length that ``is_told``, on a ruler fine enough that the printed two say so as
    well; where none of those is, a length of some divisions is said on the usual one.
    """
    size = Value(abs(value.value), value.u, "mm")
    for finer in (1, 2, 4) if size.value < 2 * units.division_mm or _tells(size, units.division_mm / 4) else (1,):
        division = units.division_mm / finer
        printed = math.floor(size.value / division + 0.5) * division
        interval = _covering(size, division)
        if _tells(size, division):
            break
    amount = (
        say_length(size.value, units, finer)
        if printed > 0
        else f"less than {say_length(division, units, finer)}"
    )
    return amount, "±" + say_length(interval, units, finer)


def _tells(size: Value, division_mm: float) -> bool:
    """Whether the length printed on this division is more than the interval printed beside it."""
    return _covering(size, division_mm) < math.floor(size.value / division_mm + 0.5) * division_mm


def say_place(mm: float, units: Units) -> str:
    """A place along the bow, to the division in which a pencil mark is set: half an inch, or half a cm."""
    if not math.isfinite(mm):
        return UNKNOWN
    step = 5.0 if units.length == "cm" else MM_PER_INCH / 2
    rounded = math.floor(mm / step + 0.5) * step
    if units.length == "cm":
        return f"{rounded / 10:g} cm"
    return (
        format_inches(rounded).removesuffix('"') + " in"
        if units.length == "sixteenths"
        else (f"{rounded / MM_PER_INCH:g} in")
    )


def say_interval(value: Value, units: Units) -> str:
    """The half width of a value's interval in its own unit: ``+-1/16 in``, ``+-0.4 deg``; in words when
    unknown.
    """
    if not math.isfinite(value.u):
        return "interval unknown"
    if value.unit == "mm":
        return "±" + say_length(_covering(value, units.division_mm), units)
    if value.unit == "deg":
        return f"±{_covering(value, _ANGLE_DIVISION_DEG):.1f}°"
    division = 10 ** math.floor(math.log10(max(COVER * value.u, 1e-9)))
    return f"±{_covering(value, division):.6g} {value.unit}".rstrip()


def say_value(value: Value, units: Units) -> str:
    """A value without its interval, in the reader's units."""
    if value.unit == "mm":
        return say_length(value.value, units)
    if not math.isfinite(value.value):
        return UNKNOWN
    if value.unit == "deg":
        return f"{round(value.value, 1) + 0.0:.1f}°"
    places = 2 if not math.isfinite(value.u) else max(0, -math.floor(math.log10(max(COVER * value.u, 1e-6))))
    return f"{round(value.value, places) + 0.0:.{places}f} {value.unit}".rstrip()


def say(value: Value, units: Units) -> str:
    """``6 1/8 in (+-1/16 in)``."""
    return f"{say_value(value, units)} ({say_interval(value, units)})"


def say_minutes(minutes: float) -> str:
    """``20 minutes``, ``5 hours``, ``2 days``: as a person says it, to two digits."""
    unit, long = next((u for u in (("day", 1440.0), ("hour", 60.0)) if minutes >= 2 * u[1]), ("minute", 1.0))
    count = minutes / long
    number = f"{count:.0f}" if count >= 10 else f"{count:.2g}"
    return f"{number} {unit}{'' if number == '1' else 's'}"


def say_weight(newtons: float, units: Units) -> str:
    """``41.0 lb`` or ``18.6 kg``."""
    if units.weight == "lb" or not math.isfinite(newtons):
        return format_pounds(newtons)
    return f"{newtons / STANDARD_GRAVITY:.1f} kg"


def _covering(value: Value, division: float) -> float:
    """2u, widened by what rounding the value to its division moves it, in whole divisions, at least one."""
    number = abs(value.value) if math.isfinite(value.value) else 0.0
    moved = abs(math.floor(number / division + 0.5) * division - number)
    # A hair less, so that 2u of exactly three divisions is not made four by the last bit.
    return max(1, math.ceil((COVER * value.u + moved) / division - 1e-9)) * division
