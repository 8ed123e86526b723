"""How numbers are said to a bowyer: lengths, angles and weights with their intervals, in the units of choice.

An interval is two standard uncertainties to each side. A printed value is rounded to the division of its
ruler, and the printed interval is widened by that rounding and then rounded up, so that it always covers the
computed one.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from tillerlens.core.errors import Reason
from tillerlens.core.measurement import COVER, Value
from tillerlens.core.units import (
    FOOT_M,
    JOULE_PER_FOOT_POUND,
    KG_PER_GRAIN,
    KG_PER_POUND,
    MM_PER_INCH,
    NEWTON_PER_POUND,
    STANDARD_GRAVITY,
    UNKNOWN,
    format_grains,
    format_inches,
    format_pounds,
    grains_from_kg,
)

LengthUnit = Literal["sixteenths", "inches", "cm"]
WeightUnit = Literal["lb", "kg"]

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

    @property
    def bend_axis(self) -> str:
        """What the numbers of a bend are: by how much the limb turns along a short way."""
        return "degrees in 10 cm" if self.length == "cm" else "degrees in an inch"

    def on_bend(self, per_m: float) -> float:
        """A curvature in 1/m as the number that an axis of bend shows."""
        return math.degrees(per_m * (100.0 if self.length == "cm" else MM_PER_INCH) / 1000)


def is_significant(value: Value) -> bool:
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
    places, per, unit = (2 + more, MM_PER_INCH, "in") if units.length == "inches" else (1 + more, 10.0, "cm")
    return f"{_steps(mm, per / 10**places) / 10**places + 0.0:.{places}f} {unit}"


def say_significant(value: Value, units: Units) -> tuple[str, str]:
    """Size and interval of a length that ``is_significant``, on the ruler of choice: ``3/16 in`` and ``±1/16 in``."""
    size = Value(abs(value.value), value.u, "mm")
    amount = say_length(size.value, units)
    if _steps(size.value, units.division_mm) == 0:
        amount = f"less than {say_length(units.division_mm, units)}"
    return amount, say_interval(size, units)


def is_plain(value: Value, units: Units) -> bool:
    """Whether a length is told and prints as more than the interval printed beside it: what a headline is made of."""
    if not is_significant(value):
        return False
    size = Value(abs(value.value), value.u, "mm")
    return covering(size, units.division_mm) < _steps(size.value, units.division_mm) * units.division_mm * (1 - 1e-9)


@dataclass(frozen=True)
class TwoLimbs:
    """The upper and the lower limb's length and their difference in print, each with its interval: the first two subtract to
    the third."""

    upper: str
    lower: str
    difference: str
    reach_upper: str
    reach_lower: str
    reach_difference: str


def say_two_limbs(upper: Value, lower: Value, difference: Value, units: Units) -> TwoLimbs:
    """Two lengths and their difference, printed so that they subtract.

    Each printed interval covers the computed one.

    Parameters
    ----------
    upper, lower, difference : Value
        Lengths in mm; the difference is the first less the second.
    units : Units
        What is printed.
    """
    three = [upper, lower, difference]
    if not all(math.isfinite(v.value) for v in three):
        said, reach = [say_length(v.value, units) for v in three], [say_interval(v, units) for v in three]
        return TwoLimbs(said[0], said[1], said[2], reach[0], reach[1], reach[2])
    step = units.division_mm
    printed = [n * step for n in agreeing(upper.value, lower.value, difference.value, step)]
    said = [say_length(mm, units) for mm in printed]
    reach = [
        "±" + say_length(covering(v, step, mm), units) if math.isfinite(v.u) else say_interval(v, units)
        for v, mm in zip(three, printed, strict=True)
    ]
    return TwoLimbs(said[0], said[1], said[2], reach[0], reach[1], reach[2])


def agreeing(a: float, b: float, difference: float, step: float) -> tuple[int, int, int]:
    """Three numbers in whole steps such that the first less the second is the third.

    The difference is the sharpest of the three and is rounded by itself. The other two are put to those steps, apart by the
    difference as rounded, that lie nearest to what was measured: none moves by more than three quarters of a step where the
    difference is that of the two.
    """
    apart = _steps(difference, step)
    low = _steps((a + b - apart * step) / 2, step)
    return low + apart, low, apart


def _steps(mm: float, step: float) -> int:
    """Whole divisions nearest to a length; half a division goes away from zero."""
    return int(math.copysign(math.floor(abs(mm) / step + 0.5), mm))


def as_printed(mm: float, units: Units) -> float:
    """A length as it is printed, in mm."""
    return _steps(mm, units.division_mm) * units.division_mm


def say_place(mm: float, units: Units) -> str:
    """A place along the bow, to the division in which a pencil mark is set: half an inch, or half a cm."""
    if not math.isfinite(mm):
        return UNKNOWN
    step = 5.0 if units.length == "cm" else MM_PER_INCH / 2
    rounded = math.floor(mm / step + 0.5) * step
    if units.length == "cm":
        return f"{rounded / 10:g} cm"
    return format_inches(rounded).removesuffix('"') + " in" if units.length == "sixteenths" else (f"{rounded / MM_PER_INCH:g} in")


def say_interval(value: Value, units: Units) -> str:
    """The half width of a value's interval in its own unit: ``+-1/16 in``, ``+-0.4 deg``; in words when
    unknown.
    """
    if not math.isfinite(value.u):
        return "interval unknown"
    if value.unit == "mm":
        return "±" + say_length(covering(value, units.division_mm), units)
    if value.unit == "deg":
        return f"±{covering(value, _ANGLE_DIVISION_DEG):.1f}°"
    division = 10 ** math.floor(math.log10(max(COVER * value.u, 1e-9)))
    return f"±{covering(value, division):.6g} {value.unit}".rstrip()


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


def say_weight_reach(weight: Value, units: Units) -> str:
    """The interval of a draw weight, the same on every page: ``±1.4 lb`` or ``±0.7 kg``, rounded up."""
    if not math.isfinite(weight.u):
        return "interval unknown"
    per = newtons_per(units)
    return f"±{covering(Value(weight.value / per, weight.u / per, ''), 0.1):.1f} {units.weight}"


def say_weighed(weight: Value, units: Units) -> str:
    """``47.7 lb (±1.4 lb)``; the interval is rounded up."""
    return f"{say_weight(weight.value, units)} ({say_weight_reach(weight, units)})"


def say_inch(units: Units, article: str = "") -> str:
    """The step of draw that a rise in weight is told for."""
    return "2.54 cm" if units.length == "cm" else f"{article}inch"


def say_arrow(kg: float, units: Units) -> str:
    """An arrow's mass: ``500 gr`` or ``32.4 g``; ``unknown`` for NaN."""
    if units.length == "cm" and math.isfinite(kg):
        return f"{1000 * kg:.1f} g"
    return format_grains(kg)


def say_arrow_reach(u_kg: float, units: Units) -> str:
    """The interval of an arrow's mass, rounded up: ``±12 gr`` or ``±0.8 g``."""
    if not math.isfinite(u_kg):
        return "interval unknown"
    if units.length == "cm":
        return f"±{up(COVER * 1e4 * u_kg) / 10:.1f} g"
    return f"±{up(COVER * grains_from_kg(u_kg)):.0f} gr"


def say_mass(kg: float, units: Units) -> str:
    """A bow's mass: ``19.0 oz`` or ``540 g``."""
    return f"{16 * kg / KG_PER_POUND:.1f} oz" if units.weight == "lb" else f"{1000 * kg:.0f} g"


def say_thin(mm: float, units: Units) -> str:
    """A thickness taken off, or a depth: ``3/64 in`` or ``1.2 mm``; tenths of a 64th where it is none of those."""
    if units.length == "cm":
        return f"{mm:.1f} mm"
    n = 64 * mm / MM_PER_INCH
    return f"{n:.0f}/64 in" if abs(n - round(n)) < 0.05 else f"{n:.1f}/64 in"


def say_speed(m_s: float, units: Units) -> str:
    """``172 fps`` or ``52.4 m/s``."""
    return f"{m_s:.1f} m/s" if units.length == "cm" else f"{m_s / FOOT_M:.0f} fps"


def say_speed_reach(u_m_s: float, units: Units) -> str:
    """The interval of a speed, rounded up: ``±6 fps`` or ``±1.8 m/s``."""
    if not math.isfinite(u_m_s):
        return "interval unknown"
    return f"±{up(COVER * 10 * u_m_s) / 10:.1f} m/s" if units.length == "cm" else f"±{up(COVER * u_m_s / FOOT_M):.0f} fps"


def say_energy(energy: Value, units: Units) -> str:
    """``38.2 ft·lb (±1.5 ft·lb)`` or ``51.8 J (±2.1 J)``; the interval is rounded up."""
    return "{} ({})".format(*energy_and_reach(energy, units))


def energy_and_reach(energy: Value, units: Units) -> tuple[str, str]:
    """``38.2 ft·lb`` and ``±1.5 ft·lb``, the same on every page."""
    per, unit = (1.0, "J") if units.length == "cm" else (JOULE_PER_FOOT_POUND, "ft·lb")
    reach = covering(Value(energy.value / per, energy.u / per, ""), 0.1)
    return f"{energy.value / per:.1f} {unit}", f"±{reach:.1f} {unit}"


def up(x: float) -> float:
    """Rounded up to a whole number, at least 1; a hair less, so that the last bit makes no step. NaN stays."""
    return max(1.0, math.ceil(x - 1e-9)) if math.isfinite(x) else math.nan


def covering(value: Value, division: float, printed: float | None = None) -> float:
    """2u, widened by what printing moves the value, in whole divisions, at least one. ``printed``: if not the nearest."""
    number = value.value if math.isfinite(value.value) else 0.0
    moved = abs((_steps(number, division) * division if printed is None else printed) - number)
    # A hair less, so that 2u of exactly three divisions is not made four by the last bit.
    return max(1, math.ceil((COVER * value.u + moved) / division - 1e-9)) * division


_TWO_LIMBS = ("reflex", "tip_height", "tip_movement")  # values of both limbs that stand beside their difference


def say_all(values: Mapping[str, Value], units: Units) -> dict[str, tuple[str, str]]:
    """Every value and its interval in print, by name: both limbs' lengths subtract to the difference beside them."""
    said = {name: (say_value(v, units), say_interval(v, units)) for name, v in values.items()}
    for what in _TWO_LIMBS:
        names = upper, lower, apart = f"{what}_upper", f"{what}_lower", f"{what}_difference"
        if all(name in values for name in names):
            two = say_two_limbs(values[upper], values[lower], values[apart], units)
            texts = (two.upper, two.lower, two.difference)
            reaches = (two.reach_upper, two.reach_lower, two.reach_difference)
            said |= dict(zip(names, zip(texts, reaches, strict=True), strict=True))
    return said


# --- sentences that were made in inches and pounds

_NUMBER = r"\d+(?:\.\d+)?(?: \d+/\d+)?(?!\d*/)|\d+/\d+"
_LAST_INCH, _AN_INCH = re.compile(r"\blast inch\b"), re.compile(r"\b(?:an|each|per) inch\b")
_IN_TEXT = re.compile(
    r"(?P<quoted>(?<![\w'])'[^']*'(?!\w))"  # what somebody typed stays as it was typed
    rf"|(?<![\w./])(?P<sign>[±−-]?)(?P<a>{_NUMBER})(?:(?P<between> to | and | by )(?P<b>{_NUMBER}))?"
    r"(?P<unit>\"|(?: in(?! (?:the|a|an|all|one|each|every|this|\d))| lb| oz| gr| ft| yd)(?![\w·/]|\.\w)| feet per second| fps)"
    r"(?P<other> or \d+(?:\.\d+)? (?:cm|mm|kg|g|m/s|m)\b)?"
)


def in_units(text: str, units: Units) -> str:
    """A reason's or an error's sentence in the reader's units.

    Whatever is kept or raised speaks inches, pounds, grains and feet, since it is the same for every reader. Here they are put
    into the reader's units where it is shown; what stands in single quotes is somebody's own and stays.

    Parameters
    ----------
    text : str
        One sentence or more, with lengths like ``28 3/16"`` or ``2.5 in``, weights like ``45.0 lb``; ``8 to 13 in`` is two.
    units : Units
        What the reader has chosen.
    """
    text = _IN_TEXT.sub(lambda match: _in_units(match, units), text)
    if units.length == "cm":  # rates by the inch
        text = _AN_INCH.sub("2.54 cm", _LAST_INCH.sub("last 2.54 cm", text))
    return text


def in_words(reason: Reason, units: Units) -> str:
    """A reason or an error's reason with its remedy, in the reader's units."""
    return in_units(f"{reason.text} {reason.remedy}".strip(), units)


def _in_units(match: re.Match[str], units: Units) -> str:
    if match["quoted"]:
        return match[0]
    unit = match["unit"].strip()
    if (units.weight == "lb") if unit in ("lb", "oz") else (units.length != "cm"):
        return match[0].replace('"', " in", 1) if unit == '"' else match[0]
    if match["other"]:  # an example that is given in the reader's unit besides
        return match["other"].removeprefix(" or ")
    per, new, least = _METRIC[unit]
    said = [_metric(part, per, least, match["sign"] == "±") for part in (match["a"], match["b"]) if part]
    return f"{match['sign']}{(match['between'] or '').join(said)} {new}"


_METRIC = {  # what one of the unit is in the new one, its name, and the least number of decimals
    '"': (MM_PER_INCH / 10, "cm", 1),
    "in": (MM_PER_INCH / 10, "cm", 1),
    "lb": (KG_PER_POUND, "kg", 1),
    "oz": (1000 * KG_PER_POUND / 16, "g", 0),
    "gr": (1000 * KG_PER_GRAIN, "g", 1),
    "ft": (12 * MM_PER_INCH / 1000, "m", 2),
    "yd": (36 * MM_PER_INCH / 1000, "m", 1),
    "fps": (FOOT_M, "m/s", 0),
    "feet per second": (FOOT_M, "m/s", 0),
}


def _metric(number: str, per: float, least: int, interval: bool) -> str:
    """A printed number in another unit, as finely as it was printed; an interval is rounded up."""
    value = per * float(sum(Fraction(part) for part in number.split()))
    places = max(least, len(number.partition(".")[2]))
    while 0 < value < 10 ** (1 - places) and places < 4:
        places += 1  # two digits at the least
    size = 10.0**-places
    return f"{math.ceil(value / size - 1e-9) * size if interval else value:.{places}f}"


def newtons_per(units: Units) -> float:
    return NEWTON_PER_POUND if units.weight == "lb" else STANDARD_GRAVITY


def in_columns(table: Sequence[Sequence[str]]) -> list[str]:
    """Lines with the cells of a table under each other."""
    widths = [max(len(row[i]) for row in table) for i in range(len(table[0]))] if table else []
    return ["  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in table]
