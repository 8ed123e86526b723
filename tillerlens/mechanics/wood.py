"""Wood and air: the moisture that wood comes to in its air, and its strength and stiffness at that moisture.

Sources: USDA Forest Products Laboratory, *Wood Handbook* (FPL-GTR-282, 2021; FPL-GTR-190, 2010), chapters 4 and 5.
Temperatures in deg C, relative humidity as a share 0 ... 1, moisture content in percent of the dry mass, MPa, kg/m3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Literal

from tillerlens.core.errors import TillerLensError
from tillerlens.core.measurement import Value
from tillerlens.core.units import parse_quantity

MOST_MOISTURE = 250.0  # % of the dry mass; green sapwood of light woods holds about 200
EMC_U = 0.5  # %; Simpson (1973): the formula strays from 72 printed values by up to 0.9, by less than 0.13 in the mean
AT_DRY = 12.0  # %; what the handbook's dry values are printed for
MEETING = 25.0  # %; where strength stops falling, the handbook's usual value for a wood that it gives none for
MOST_OF_AIR = 30.0  # %; the fibres' saturation: moister wood than any air makes
_DRIER = (5.0, 8.0)  # %; hickory and pecan are bent drier (common practice, no source)
KELVIN = 273.15
_TEMPERATURES = (-40.0, 100.0)  # deg C, far beyond any shop; outside it is a slip of the pen

Model = Literal["hailwood-horrobin", "glass-2014"]
MODELS: tuple[Model, Model] = ("hailwood-horrobin", "glass-2014")


class WoodError(TillerLensError):
    """Air, moisture or species that cannot be."""

    code = "wood"


# --- moisture -------------------------------------------------------------------------------------------------


def equilibrium_moisture(celsius: float, humidity: float, model: Model = "hailwood-horrobin") -> Value:
    """Moisture content (%) that wood left in this air comes to, with the doubt that the handbook's own fit has.

    ``hailwood-horrobin``: Wood Handbook Eq. 4-5 (Simpson 1973). ``glass-2014``: Eq. 4-6 (Glass, Zelinka and Johnson 2014).
    """
    _check_air(celsius, humidity)
    got = _hailwood_horrobin(celsius, humidity) if model == "hailwood-horrobin" else _glass(celsius, humidity)
    return Value(got, EMC_U, "%", {"the formula": EMC_U})


def moisture_of_air(celsius: float, humidity: float) -> Value:
    """Moisture content (%) that wood comes to in this air: half way between the handbook's two published equations.

    They lie 0.1 to 0.6 % apart in a warm shop, 2 % and more in frost. Half of that is a cause of its own beside the fit's, so
    the interval of two standard uncertainties always covers both.
    """
    first, second = (equilibrium_moisture(celsius, humidity, m).value for m in MODELS)
    apart = abs(first - second) / 2
    budget = {"the equation's own fit": EMC_U, "two published equations": apart}
    return Value((first + second) / 2, math.hypot(EMC_U, apart), "%", budget)


def read_humidity(text: str) -> float:
    """Relative humidity in percent from ``45%`` or ``45``. A share such as 0.45 is asked about and not taken."""
    percent, given = parse_quantity(text, {"%": 1.0, "": 1.0}, "relative humidity", "45%", WoodError), text.strip()
    if 0 < percent < 1:
        raise WoodError(
            f"A humidity of {given} is drier than any shop.", f"Write percent: did you mean {100 * percent:g}%?", given=given
        )
    if not 1 <= percent < 100:
        raise WoodError(
            f"A relative humidity of {given} cannot be: it lies between 1 and 99 %.", "Read the hygrometer again.", given=given
        )
    return percent


def read_moisture(text: str) -> float:
    """A wood's moisture in percent of its dry mass, from ``9.5%`` or ``9.5``: what a meter or a scale told."""
    percent = parse_quantity(text, {"%": 1.0, "": 1.0}, "moisture", "9.5%", WoodError)
    if 0 < percent < 1:
        remedy = f"Write percent: did you mean {100 * percent:g}%?"
        raise WoodError(f"Wood is never as dry as {text.strip()} in any air.", remedy, given=text)
    if not 1 <= percent <= MOST_MOISTURE:
        raise WoodError(
            f"A moisture of {text.strip()} cannot be: wood holds from 1 to {MOST_MOISTURE:.0f} % of its dry mass.",
            "Read the meter again.",
            given=text,
        )
    return percent


# Wood Handbook Eq. 4-5 (Simpson 1973): the polynomials in degrees Celsius of W, K, K1, K2. Some public copies print the last term
# of K as -2.73e-7; the Fahrenheit set of the same equation shows -2.73e-6.
_HAILWOOD = ((349, 1.29, 0.0135), (0.805, 0.000736, -0.00000273), (6.27, -0.00938, -0.000303), (1.91, 0.0407, -0.000293))
_WATER = 1800  # of the same: 100 % times the molar mass of water, g/mol


def _hailwood_horrobin(t: float, h: float) -> float:
    w, k, k1, k2 = (a + b * t + c * t**2 for a, b, c in _HAILWOOD)
    kh = k * h
    return _WATER / w * (kh / (1 - kh) + (k1 * kh + 2 * k1 * k2 * kh**2) / (1 + k1 * kh + k1 * k2 * kh**2))


_A, _B, _C, _D, _TC = -0.000612, 2.43, 0.0577, 0.430, 647.1


def _glass(celsius: float, h: float) -> float:
    t = celsius + KELVIN
    return 100 * (_A * t * (1 - t / _TC) ** _B * math.log(1 - h)) ** (_C * t**_D)


def _check_air(celsius: float, humidity: float) -> None:
    if not 0 <= humidity < 1:
        raise WoodError("Relative humidity must be at least 0 and below 100 %.", "Read the hygrometer again.", humidity=humidity)
    if not _TEMPERATURES[0] <= celsius <= _TEMPERATURES[1]:
        raise WoodError("This temperature is not a shop's.", "Give it in degrees Celsius, or with its unit.", celsius=celsius)


# --- species --------------------------------------------------------------------------------------------------

HANDBOOK = "Wood Handbook FPL-GTR-190 (2010), table 5-3a"
HANDBOOK_GREEN_M = f"{HANDBOOK}; green row from memory, unverified"
HANDBOOK_M = f"{HANDBOOK}, from memory, unverified"
TB479 = "FPL Technical Bulletin 479 (1935), from memory, unverified"


@dataclass(frozen=True)
class Strength:
    """At one moisture: specific gravity (dry mass over volume at that moisture), moduli of rupture and elasticity and
    crushing strength along the grain, MPa; work to maximum load in bending, kJ/m3. NaN: not in the source.
    """

    gravity: float
    rupture: float
    elasticity: float
    crushing: float = math.nan
    work: float = math.nan


@dataclass(frozen=True)
class Species:
    """A wood by its common name: means of clear, straight-grained samples. ``dry``: at 12 %. ``meeting``: the moisture Mp
    from which on strength no longer changes (table 5-13; 25 where that names none).
    """

    name: str
    dry: Strength | None
    green: Strength | None
    source: str
    verified: bool = True
    meeting: float = 25.0

    @property
    def linear_limit(self) -> float:
        """MOR / MOE at 12 %: the strain at which the wood would break if it stayed elastic. It does not: the belly yields first,
        so wood breaks only beyond this strain, and takes set well before it (see ``strain``)."""
        return self.dry.rupture / self.dry.elasticity if self.dry else math.nan


def _printed(sg: float, mor: float, moe: float, crushing: float, work: float = math.nan) -> Strength:
    return Strength(sg, mor / 1000, moe, crushing / 1000, work)  # the tables print kPa, MPa and kJ/m3


_GREEN = {  # specific gravity, MOR kPa, MOE MPa, crushing kPa
    "white oak": (0.60, 57_000, 8_600, 24_500),
    "white ash": (0.55, 66_000, 9_900, 27_500),
    "sugar maple": (0.56, 65_000, 10_700, 27_700),
    "northern red oak": (0.56, 57_000, 9_300, 23_700),
    "shagbark hickory": (0.64, 76_000, 10_800, 31_600),
    "pignut hickory": (0.66, 81_000, 11_400, 33_200),
    "black locust": (0.66, 95_000, 12_800, 46_900),
    "American elm": (0.46, 50_000, 7_700, 20_100),
    "sweetgum": (0.46, 49_000, 8_300, 21_000),
}
_GREEN_FROM_MEMORY = {"shagbark hickory", "pignut hickory", "black locust", "American elm", "sweetgum"}
_DRY = {  # at 12 %: specific gravity, MOR kPa, MOE MPa, crushing kPa, work to maximum load kJ/m3
    "mockernut hickory": (0.72, 132_000, 15_300, 61_600, 156),
    "pignut hickory": (0.75, 139_000, 15_600, 63_400, 210),
    "shagbark hickory": (0.72, 139_000, 14_900, 63_500, 178),
    "shellbark hickory": (0.69, 125_000, 13_000, 55_200, 163),
    "pecan": (0.66, 94_000, 11_900, 54_100, 95),
    "bitternut hickory": (0.66, 118_000, 12_300, 62_300, 125),
    "American elm": (0.50, 81_000, 9_200, 38_100, 90),
    "rock elm": (0.63, 102_000, 10_600, 48_600, 132),
    "slippery elm": (0.53, 90_000, 10_300, 43_900, 117),
    "white oak": (0.68, 105_000, 12_300, 51_300, 102),
    "northern red oak": (0.63, 99_000, 12_500, 46_600, 100),
    "black locust": (0.69, 134_000, 14_100, 70_200, 127),
    "honeylocust": (math.nan, 101_000, 11_200, 51_700, 92),
    "sweetgum": (0.52, 86_000, 11_300, 43_600, 82),
    "white ash": (0.60, 103_000, 12_000, 51_100, 115),  # another print has 106,000; the handbook's own example uses 103,000
    "sugar maple": (0.63, 109_000, 12_600, 54_000, 114),
    "eastern redcedar": (0.47, 61_000, 6_100, 41_500, 57),
}
_DRY_FROM_MEMORY = {  # the same columns
    "red maple": (0.54, 92_000, 11_300, 45_100, 86),
    "bigleaf maple": (0.48, 74_000, 10_000, 41_000, 54),
    "green ash": (0.56, 97_000, 11_400, 48_800, 92),
    "Oregon ash": (0.55, 88_000, 9_400, 41_600, 99),
    "yellow birch": (0.62, 114_000, 13_900, 56_300, 143),
    "American beech": (0.64, 103_000, 11_900, 50_300, 104),
    "black cherry": (0.50, 85_000, 10_300, 49_000, 79),
    "black walnut": (0.55, 101_000, 11_600, 52_300, 74),
    "hackberry": (0.53, 76_000, 8_200, 37_500, 88),
}
_MEETING = {"white ash": 24.0, "yellow birch": 27.0}
_PSI = 0.006894757293
# Modulus of elasticity and of rupture in bending, psi: at 12 %, and green.
_TB479 = (("persimmon", 2.01e6, 17_700), ("flowering dogwood", 1.5e6, 14_900), ("Pacific yew", 1.35e6, 15_200))
_TB479_GREEN = ("Osage-orange", 1.33e6, 13_700)


@cache
def _species() -> dict[str, Species]:
    out = {}
    for name, row in (_DRY | _DRY_FROM_MEMORY).items():
        green = _printed(*_GREEN[name]) if name in _GREEN else None
        source = HANDBOOK_GREEN_M if name in _GREEN_FROM_MEMORY else HANDBOOK
        known = name not in _DRY_FROM_MEMORY
        out[name] = Species(name, _printed(*row), green, source if known else HANDBOOK_M, known, _MEETING.get(name, MEETING))
    for name, moe, mor in _TB479:
        out[name] = Species(name, Strength(math.nan, mor * _PSI, moe * _PSI), None, TB479, False)
    name, moe, mor = _TB479_GREEN
    out[name] = Species(name, None, Strength(math.nan, mor * _PSI, moe * _PSI), TB479, False)
    return out


def species_table() -> dict[str, Species]:
    """Bow woods by name. Means of many trees: a single stave may differ by a fifth and more either way."""
    return dict(_species())


def at_moisture(dry: float, green: float, moisture: float, meeting: float = MEETING) -> float:
    """A strength or stiffness at a moisture (%), from that at 12 % and green: Wood Handbook Eq. 5-3.

    From ``meeting`` on it is the green value. Not for work to maximum load, impact, or tension across the grain.
    """
    if not (dry > 0 and green > 0) or not moisture >= 0 or not meeting > AT_DRY:
        raise WoodError("Strength and moisture must be above zero.", "Give the values at 12 % and green.", moisture=moisture)
    return dry * (dry / green) ** ((AT_DRY - min(moisture, meeting)) / (meeting - AT_DRY))


@dataclass(frozen=True)
class Likely:
    """Strength at a moisture where some of it had to be filled in. ``spread``: relative standard uncertainty that the filling
    adds to the stiffness, 0 where nothing was filled; ``said``: what was filled in, a sentence, or empty."""

    strength: Strength
    spread: float = 0.0
    said: str = ""


_PARTS = ("rupture", "elasticity", "crushing")


def likely_strength(wood: Species, moisture: float | None = None) -> Likely:
    """Strength and stiffness at a moisture (%; None: 12, the handbook's own), by Wood Handbook Eq. 5-3.

    The equation needs a wood's value at 12 % and green. Where the table has only one of the two, the mean ratio of the woods
    that have both stands in, and is said.
    """
    at = AT_DRY if moisture is None else moisture
    if not 0 <= at <= MOST_MOISTURE:
        raise WoodError(f"A moisture of {at:g} % cannot be.", "Give it in percent of the dry mass, like 9.5%.", moisture=at)
    power = (AT_DRY - min(at, wood.meeting)) / (wood.meeting - AT_DRY)
    got, filled, spread = {}, False, 0.0
    for part in _PARTS:
        dry, green = (getattr(side, part) if side else math.nan for side in (wood.dry, wood.green))
        mean, scatter = _dry_over_green(part)
        if math.isfinite(dry) and math.isfinite(green):
            got[part] = at_moisture(dry, green, at, wood.meeting)
        elif math.isfinite(dry):
            got[part] = dry * mean**power
            filled, spread = filled or power != 0, max(spread, scatter * abs(power)) if part == "elasticity" else spread
        else:
            got[part] = green * mean ** (power + 1)
            lacks = math.isfinite(green) and power != -1
            filled, spread = filled or lacks, max(spread, scatter * abs(power + 1)) if part == "elasticity" else spread
    said = ""
    if filled:
        row = "green" if wood.dry else "dry"
        said = (
            f"The table has no {row} value for {wood.name}; the change with moisture is the mean of the {len(_both())} woods "
            "that have both."
        )
    return Likely(Strength(math.nan, **got), spread, said)


@cache
def _both() -> tuple[Species, ...]:
    return tuple(w for w in _species().values() if w.dry and w.green)


@cache
def _dry_over_green(part: str) -> tuple[float, float]:
    """Geometric mean of a strength at 12 % over green, over the woods whose both rows the table has, and its log's scatter."""
    logs = [math.log(getattr(w.dry, part) / getattr(w.green, part)) for w in _both()]
    mean = sum(logs) / len(logs)
    return math.exp(mean), math.sqrt(sum((x - mean) ** 2 for x in logs) / (len(logs) - 1))


# --- dry enough? ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class DryBand:
    """Moisture (%) at which a stave may be bent. The defaults are common practice, no source: makers' own settings."""

    low: float = 8.0
    high: float = 11.0

    def __post_init__(self) -> None:
        for end, what in ((self.low, "driest"), (self.high, "dampest")):
            if not 1 <= end <= MOST_OF_AIR:
                text = f"{end:g} % cannot be the {what} wood that you bend: air alone brings wood to between 1 and 30 %."
                raise WoodError(text, "Give both ends of the band in percent, like 8 and 11.", given=end)
        if self.low >= self.high:
            raise WoodError(
                f"The driest at which you bend it, {self.low:g} %, is not below the dampest, {self.high:g} %.",
                "Give the lower number as the driest.",
                low=self.low,
                high=self.high,
            )

    @classmethod
    def of(cls, species: str) -> DryBand:
        return cls(*_DRIER) if "hickory" in species.lower() or "pecan" in species.lower() else cls()


Dryness = Literal["too_wet", "perhaps_too_wet", "within", "perhaps_too_dry", "too_dry", "unknown"]


def dryness(moisture: Value, band: DryBand | None = None) -> Dryness:
    """Where a moisture (%) lies against the band, for all its interval (two standard uncertainties) allows.

    Doubt is on the cautious side: a stave that may be too wet is said to be perhaps so, and one of unknown moisture unknown.
    """
    band = band or DryBand()
    if not (math.isfinite(moisture.value) and math.isfinite(moisture.u)):
        return "unknown"
    low, high = moisture.value - 2 * moisture.u, moisture.value + 2 * moisture.u
    if low > band.high:
        return "too_wet"
    if high < band.low:
        return "too_dry"
    # of a band as narrow as the doubt, the value itself decides what is feared
    if moisture.value > band.high or (high > band.high and low >= band.low):
        return "perhaps_too_wet"
    return "perhaps_too_dry" if moisture.value < band.low else "within"


DRYNESS_WORDS: dict[Dryness, str] = {
    "too_wet": "Too wet to bend: do not string or draw it; let it dry on, lying flat, until its weight stops falling.",
    "perhaps_too_wet": "Perhaps too wet to bend: wait and weigh it again; bending damp wood gives set.",
    "within": "Dry enough to bend, by this reading.",
    "perhaps_too_dry": "Perhaps too dry: dry wood is stiff but breaks more readily; leave it a week in damper air.",
    "too_dry": "Too dry: it may break without warning; leave it in damper air before it is bent.",
    "unknown": "Its moisture is not known well enough to say whether it may be bent: measure it before bending.",
}
