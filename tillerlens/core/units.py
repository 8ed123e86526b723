"""Inches, pounds and grains at the edges; millimetres, newtons and kilograms inside.

Every conversion constant is exact by definition: the inch (25.4 mm) and the avoirdupois pound (0.45359237 kg)
by the international agreement of 1959 (Federal Register 59-5442), the grain as 1/7000 of that pound, and
standard gravity (9.80665 m/s2) by the 3rd CGPM, 1901.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Mapping
from fractions import Fraction

from tillerlens.core.errors import ShotError, TillerLensError
from tillerlens.core.reading import shown

MM_PER_INCH = 25.4
INCHES_PER_FOOT = 12
KG_PER_POUND = 0.45359237
KG_PER_GRAIN = KG_PER_POUND / 7000
STANDARD_GRAVITY = 9.80665  # m/s2
NEWTON_PER_POUND = KG_PER_POUND * STANDARD_GRAVITY
FOOT_M = 0.3048
JOULE_PER_FOOT_POUND = NEWTON_PER_POUND * FOOT_M

UNKNOWN = "unknown"
"""What is printed for a number that is not known (NaN)."""


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
    grains = grains_from_kg(kg)  # beyond all numbers before the kilograms are
    return f"{round(grains):d} gr" if math.isfinite(grains) else UNKNOWN


MOST_TYPED = 40  # letters; the longest length that anyone writes has half as many
MOST_LENGTH_MM = 1e5  # a hundred metres
MOST_FORCE_N = 1e5  # of twenty thousand pounds

_NUMBER = r"(?:\d+\.?\d*|\.\d+)"
_FRACTION = r"\d+\s*/\s*\d+"
_AMOUNT = rf"(?:(?P<whole>\d+)(?:\s+|\s*-\s*)(?P<part>{_FRACTION})|(?P<fraction>{_FRACTION})|(?P<number>{_NUMBER}))"
_QUANTITY = re.compile(rf"{_AMOUNT}\s*(?P<unit>[a-z/%#°\"'.]*)", re.ASCII)
_FEET = re.compile(rf"(?P<feet>{_NUMBER})\s*(?:'|ft|feet|foot)\s*(?P<rest>.*)", re.DOTALL | re.ASCII)
_INCH_WORDS = ('"', "''", "inches", "inch", "in", "in.")
_MM_PER = {"": MM_PER_INCH, **dict.fromkeys(_INCH_WORDS, MM_PER_INCH), "mm": 1.0, "cm": 10.0, "m": 1000.0}
_POUND_WORDS = ("lbs.", "lbs", "lb.", "lb", "pounds", "pound", "#")
_NEWTONS_PER = {"": NEWTON_PER_POUND, **dict.fromkeys(_POUND_WORDS, NEWTON_PER_POUND), "n": 1.0, "kg": STANDARD_GRAVITY}
_LENGTH_LIKE, _WEIGHT_LIKE = "28 3/16 in or 71.5 cm", "42.5 lb or 19 kg"


def parse_length(text: str) -> float:
    """Millimetres from what a person writes: ``28 3/16"``, ``28-1/2in``, ``28.25``, ``5/8``, ``5'6"``, ``71.5
    cm``.

    A bare number is inches. Raises ShotError for anything else, and beyond a hundred metres.
    """
    sign, clean = _sign_and_clean(text, "length", _LENGTH_LIKE, ShotError)
    feet = _FEET.fullmatch(clean)
    if feet:
        rest = feet["rest"].strip()
        mm = float(feet["feet"]) * INCHES_PER_FOOT * MM_PER_INCH
        if rest:
            mm += _amount(rest, text, _MM_PER, "length", _LENGTH_LIKE, ShotError)
    else:
        mm = _amount(clean, text, _MM_PER, "length", _LENGTH_LIKE, ShotError)
    return sign * _at_most(mm, MOST_LENGTH_MM, text, "length", ShotError)


def parse_weight(text: str, or_none: bool = False) -> float:
    """Newtons from what a person writes for a draw weight: ``42 1/2 lb``, ``42.5#``, ``190 N``, ``19 kg``.

    A bare number is pounds. ``or_none``: 0 is an answer too. Raises ShotError for anything else, for nothing or less, and beyond
    ten tons.
    """
    newtons = parse_quantity(text, _NEWTONS_PER, "weight", _WEIGHT_LIKE, most=MOST_FORCE_N)
    if newtons < 0 or (newtons == 0 and not or_none):
        raise ShotError(
            f"'{shown(text, MOST_TYPED)}' is not a draw weight: it must be more than zero.", "Correct it.", given=text
        )
    return newtons


def parse_quantity(
    text: str,
    factors: Mapping[str, float],
    what: str,
    example: str,
    error: type[TillerLensError] = ShotError,
    most: float = 1e6,
) -> float:
    """A number with its unit, as a person writes it: ``12``, ``12.5``, ``1 1/2``, ``½``, with a minus before it or not.

    Parameters
    ----------
    text : str
        What was typed; more than ``MOST_TYPED`` letters are refused unread.
    factors : Mapping[str, float]
        What a number is multiplied by, by its unit in small letters; "" for a bare number, where one is allowed.
    what, example : str
        What it should be, and how it is written, for the error.
    error : type[TillerLensError]
        What is raised for anything else.
    most : float
        The largest size, after the factor.
    """
    sign, clean = _sign_and_clean(text, what, example, error)
    return sign * _at_most(_amount(clean, text, factors, what, example, error), most, text, what, error)


def _sign_and_clean(text: str, what: str, example: str, error: type[TillerLensError]) -> tuple[float, str]:
    if len(text) > MOST_TYPED:
        begun = shown(text, MOST_TYPED)
        raise error(f"'{begun}' is too long for a {what}.", f"Write it like {example}.", given=begun)
    clean = "".join(map(_plain_sign, text)).strip().lower()
    return (-1.0, clean[1:].strip()) if clean.startswith("-") else (1.0, clean)


_PLAIN = {"\u2212": "-", "\u2033": '"', "\u201d": '"', "\u2032": "'", "\u2019": "'", "\u2044": "/"}


def _plain_sign(c: str) -> str:
    """One character as it is typed on a plain keyboard: any script's digits, ruler fractions, the typographer's signs."""
    if c.isascii():
        return c
    if c.isspace():
        return " "
    digit = unicodedata.decimal(c, None)
    if digit is not None:
        return str(digit)
    if unicodedata.category(c) == "No" and "\u2044" in (whole := unicodedata.normalize("NFKC", c)):
        return " " + whole.replace("\u2044", "/")  # a glyph like that of a half
    return _PLAIN.get(c, c)


def _amount(clean: str, text: str, factors: Mapping[str, float], what: str, example: str, error: type[TillerLensError]) -> float:
    match = _QUANTITY.fullmatch(clean)
    factor = None if match is None else factors.get(match["unit"])
    if match is None or factor is None:
        raise error(f"'{shown(text, MOST_TYPED)}' is not a {what}.", f"Write it like {example}.", given=text)
    try:
        if match["number"] is not None:
            amount = float(match["number"])
        else:
            fraction = Fraction(re.sub(r"\s", "", match["part"] or match["fraction"]))
            amount = float(int(match["whole"] or 0) + fraction)
    except ZeroDivisionError as fault:
        raise error(f"'{shown(text, MOST_TYPED)}' divides by zero.", f"Write it like {example}.", given=text) from fault
    return amount * factor


def _at_most(size: float, most: float, text: str, what: str, error: type[TillerLensError]) -> float:
    if size > most:
        raise error(f"'{shown(text, MOST_TYPED)}' is too large for a {what} here.", "Check the number and its unit.", given=text)
    return size
