"""Inches, pounds and grains at the edges; millimetres, newtons and kilograms inside.

Every conversion constant is exact by definition: the inch (25.4 mm) and the avoirdupois pound (0.45359237 kg)
by the international agreement of 1959 (Federal Register 59-5442), the grain as 1/7000 of that pound, and
standard gravity (9.80665 m/s2) by the 3rd CGPM, 1901.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction

from tillerlens.errors import ShotError

MM_PER_INCH = 25.4
KG_PER_POUND = 0.45359237
KG_PER_GRAIN = KG_PER_POUND / 7000
STANDARD_GRAVITY = 9.80665  # m/s2
NEWTON_PER_POUND = KG_PER_POUND * STANDARD_GRAVITY
JOULE_PER_FOOT_POUND = NEWTON_PER_POUND * 0.3048

UNKNOWN = "unknown"
"""What is printed for a number that is not known (NaN)."""


def mm_from_inches(inches: float) -> float:
    return inches * MM_PER_INCH


def inches_from_mm(mm: float) -> float:
    return mm / MM_PER_INCH


def newtons_from_pounds(pounds: float) -> float:
    """Newtons that a weight of so many pounds-force pulls with."""
    return pounds * NEWTON_PER_POUND


def pounds_from_newtons(newtons: float) -> float:
    return newtons / NEWTON_PER_POUND


def kg_from_grains(grains: float) -> float:
    return grains * KG_PER_GRAIN


def grains_from_kg(kg: float) -> float:
    return kg / KG_PER_GRAIN


def format_inches(mm: float, denominator: int = 16) -> str:
    """Millimetres as the nearest ruler fraction: ``28 3/16"``; ``unknown`` for NaN.

    The whole length is rounded to the ruler's divisions first and reduced afterwards, so 1.999 in reads
    ``2"`` and not ``1 16/16"``, and -0.01 in reads ``0"`` and not ``-0"``. Half a division rounds away from
    zero.
    """
    if not math.isfinite(mm):
        return UNKNOWN
    divisions = math.floor(abs(mm) / MM_PER_INCH * denominator + 0.5)
    if divisions == 0:
        return '0"'
    whole, rest = divmod(divisions, denominator)
    parts = [str(whole)] if whole else []
    if rest:
        parts.append(str(Fraction(rest, denominator)))
    return ("-" if mm < 0 else "") + " ".join(parts) + '"'


def format_pounds(newtons: float, decimals: int = 1) -> str:
    """Newtons as pounds, ``42.5 lb``; ``unknown`` for NaN."""
    if not math.isfinite(newtons):
        return UNKNOWN
    return f"{round(pounds_from_newtons(newtons), decimals) + 0.0:.{decimals}f} lb"


def format_grains(kg: float) -> str:
    """Kilograms as whole grains, ``500 gr``; ``unknown`` for NaN."""
    if not math.isfinite(kg):
        return UNKNOWN
    return f"{round(grains_from_kg(kg)):d} gr"


_GLYPHS = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8"}
_NUMBER = r"(?:\d+\.?\d*|\.\d+)"
_FRACTION = r"\d+\s*/\s*\d+"
_AMOUNT = (
    rf"(?:(?P<whole>\d+)(?:\s+|\s*-\s*)(?P<part>{_FRACTION})|(?P<fraction>{_FRACTION})|(?P<number>{_NUMBER}))"
)
_FEET = re.compile(rf"(?P<feet>{_NUMBER})\s*(?:'|ft|feet|foot)\s*(?P<rest>.*)", re.DOTALL)
_LENGTH = re.compile(rf"{_AMOUNT}\s*(?P<unit>\"|''|inches|inch|in\.?|mm|cm|m)?")
_MM_PER = {"mm": 1.0, "cm": 10.0, "m": 1000.0}
_FORCE = re.compile(rf"{_AMOUNT}\s*(?P<unit>lbs\.?|lb\.?|pounds|pound|#|n|kg)?")
_NEWTONS_PER = {"n": 1.0, "kg": STANDARD_GRAVITY}


def parse_length(text: str) -> float:
    """Millimetres from what a person writes: ``28 3/16"``, ``28-1/2in``, ``28.25``, ``5/8``, ``5'6"``, ``71.5
    cm``.

    A bare number is inches. Raises ShotError for anything else.
    """
    sign, clean = _sign_and_clean(text)
    feet = _FEET.fullmatch(clean)
    if feet:
        rest = feet["rest"].strip()
        mm = float(feet["feet"]) * 12 * MM_PER_INCH
        if rest:
            mm += _parse(_LENGTH, rest, text, _MM_PER, MM_PER_INCH, "length", '28 3/16" or 715 mm')
        return sign * mm
    return sign * _parse(_LENGTH, clean, text, _MM_PER, MM_PER_INCH, "length", '28 3/16" or 715 mm')


def parse_weight(text: str) -> float:
    """Newtons from what a person writes for a draw weight: ``42 1/2 lb``, ``42.5#``, ``190 N``, ``19 kg``.

    A bare number is pounds. Raises ShotError for anything else.
    """
    sign, clean = _sign_and_clean(text)
    return sign * _parse(_FORCE, clean, text, _NEWTONS_PER, NEWTON_PER_POUND, "weight", "42.5 lb or 190 N")


def _sign_and_clean(text: str) -> tuple[float, str]:
    clean = text.strip().lower().replace("\u2212", "-")  # the typographer's minus
    clean = clean.replace("\u2033", '"').replace("\u201d", '"').replace("\u2032", "'").replace("\u2019", "'")
    for glyph, plain in _GLYPHS.items():
        clean = clean.replace(glyph, f" {plain}")
    clean = clean.strip()
    return (-1.0, clean[1:].strip()) if clean.startswith("-") else (1.0, clean)


def _parse(
    pattern: re.Pattern[str],
    clean: str,
    text: str,
    units: dict[str, float],
    bare: float,
    what: str,
    example: str,
) -> float:
    match = pattern.fullmatch(clean)
    if match is None:
        raise ShotError(f"'{text}' is not a {what}.", f"Write it like {example}.", given=text)
    try:
        if match["number"] is not None:
            amount = float(match["number"])
        else:
            fraction = Fraction(re.sub(r"\s", "", match["part"] or match["fraction"]))
            amount = float(int(match["whole"] or 0) + fraction)
    except ZeroDivisionError as error:
        raise ShotError(f"'{text}' divides by zero.", f"Write it like {example}.", given=text) from error
    return amount * units.get(match["unit"] or "", bare)
