"""Wood and air: the moisture that wood comes to in its air, and its strength and stiffness at that moisture.

Sources: USDA Forest Products Laboratory, *Wood Handbook* (FPL-GTR-282, 2021; FPL-GTR-190, 2010), chapters 4 and 5.
Temperatures in deg C, relative humidity as a share 0 ... 1, moisture content in percent of the dry mass, MPa, kg/m3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from tillerlens.errors import TillerLensError
from tillerlens.measurement import Value

EMC_U = 0.5  # %; Simpson (1973): the formula strays from 72 printed values by up to 0.9, by less than 0.13 in the mean
KELVIN = 273.15
_TEMPERATURES = (-40.0, 100.0)  # deg C, far beyond any shop; outside it is a slip of the pen

Model = Literal["hailwood-horrobin", "glass-2014"]


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


def _hailwood_horrobin(t: float, h: float) -> float:
    w = 349 + 1.29 * t + 0.0135 * t**2
    # some public copies print the last term as -2.73e-7; the Fahrenheit set of the same equation shows -2.73e-6
    k = 0.805 + 0.000736 * t - 0.00000273 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    kh = k * h
    return 1800 / w * (kh / (1 - kh) + (k1 * kh + 2 * k1 * k2 * kh**2) / (1 + k1 * kh + k1 * k2 * kh**2))


_A, _B, _C, _D, _TC = -0.000612, 2.43, 0.0577, 0.430, 647.1


def _glass(celsius: float, h: float) -> float:
    t = celsius + KELVIN
    return 100 * (_A * t * (1 - t / _TC) ** _B * math.log(1 - h)) ** (_C * t**_D)


def humidity_for(celsius: float, moisture: float) -> float:
    """Relative humidity in which wood comes to this moisture (%): Wood Handbook Eq. 4-7, the inverse of Eq. 4-6."""
    _check_air(celsius, 0.0)
    if not 0 <= moisture < 30:
        raise WoodError("Air alone brings wood to between 0 and 30 % moisture.", "Give the moisture in percent of the dry mass.")
    t = celsius + KELVIN
    return 1 - math.exp((moisture / 100) ** (1 / (_C * t**_D)) / (_A * t * (1 - t / _TC) ** _B))


def _check_air(celsius: float, humidity: float) -> None:
    if not 0 <= humidity < 1:
        raise WoodError("Relative humidity must be at least 0 and below 100 %.", "Read the hygrometer again.", humidity=humidity)
    if not _TEMPERATURES[0] <= celsius <= _TEMPERATURES[1]:
        raise WoodError("This temperature is not a shop's.", "Give it in degrees Celsius, or with its unit.", celsius=celsius)


# --- species --------------------------------------------------------------------------------------------------

HANDBOOK = "Wood Handbook FPL-GTR-190 (2010), table 5-3a"
HANDBOOK_GREEN_M = f"{HANDBOOK}; green row from memory, unverified"
TB479 = "FPL Technical Bulletin 479 (1935), from memory, unverified"


@dataclass(frozen=True)
class Strength:
    """At one moisture: specific gravity (dry mass over volume at that moisture), moduli of rupture and elasticity and
    crushing strength along the grain, MPa. NaN: not in the source.
    """

    gravity: float
    rupture: float
    elasticity: float
    crushing: float = math.nan


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
        """MOR / MOE at 12 %: the strain at which the wood would break if it stayed elastic; no bow should come near it."""
        return self.dry.rupture / self.dry.elasticity if self.dry else math.nan


def _dry(sg: float, mor: float, moe: float, crushing: float) -> Strength:
    return Strength(sg, mor / 1000, moe, crushing / 1000)  # the tables print kPa and MPa


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
_DRY = {  # at 12 %: specific gravity, MOR kPa, MOE MPa, crushing kPa
    "mockernut hickory": (0.72, 132_000, 15_300, 61_600),
    "pignut hickory": (0.75, 139_000, 15_600, 63_400),
    "shagbark hickory": (0.72, 139_000, 14_900, 63_500),
    "shellbark hickory": (0.69, 125_000, 13_000, 55_200),
    "pecan": (0.66, 94_000, 11_900, 54_100),
    "bitternut hickory": (0.66, 118_000, 12_300, 62_300),
    "American elm": (0.50, 81_000, 9_200, 38_100),
    "rock elm": (0.63, 102_000, 10_600, 48_600),
    "slippery elm": (0.53, 90_000, 10_300, 43_900),
    "white oak": (0.68, 105_000, 12_300, 51_300),
    "northern red oak": (0.63, 99_000, 12_500, 46_600),
    "black locust": (0.69, 134_000, 14_100, 70_200),
    "honeylocust": (math.nan, 101_000, 11_200, 51_700),
    "sweetgum": (0.52, 86_000, 11_300, 43_600),
    "white ash": (0.60, 103_000, 12_000, 51_100),  # another print has 106,000; the handbook's own example uses 103,000
    "sugar maple": (0.63, 109_000, 12_600, 54_000),
    "eastern redcedar": (0.47, 61_000, 6_100, 41_500),
}
_MEETING = {"white ash": 24.0}
_PSI = 0.006894757293


def species_table() -> dict[str, Species]:
    """Bow woods by name. Means of many trees: a single stave may differ by a fifth and more either way."""
    out = {}
    for name, row in _DRY.items():
        green = _dry(*_GREEN[name]) if name in _GREEN else None
        source = HANDBOOK_GREEN_M if name in _GREEN_FROM_MEMORY else HANDBOOK
        out[name] = Species(name, _dry(*row), green, source, True, _MEETING.get(name, 25.0))
    for name, moe, mor in (("persimmon", 2.01e6, 17_700), ("flowering dogwood", 1.5e6, 14_900), ("Pacific yew", 1.35e6, 15_200)):
        out[name] = Species(name, Strength(math.nan, mor * _PSI, moe * _PSI), None, TB479, False)
    osage = Strength(math.nan, 13_700 * _PSI, 1.33e6 * _PSI)
    out["Osage-orange"] = Species("Osage-orange", None, osage, TB479, False)
    return out


def at_moisture(dry: float, green: float, moisture: float, meeting: float = 25.0) -> float:
    """A strength or stiffness at a moisture (%), from that at 12 % and green: Wood Handbook Eq. 5-3.

    From ``meeting`` on it is the green value. Not for work to maximum load, impact, or tension across the grain.
    """
    if not (dry > 0 and green > 0) or not moisture >= 0 or not meeting > 12:
        raise WoodError("Strength and moisture must be above zero.", "Give the values at 12 % and green.", moisture=moisture)
    return dry * (dry / green) ** ((12 - min(moisture, meeting)) / (meeting - 12))


def strength_at(wood: Species, moisture: float) -> Strength:
    """Moduli and crushing strength of a species at a moisture (%); NaN where its dry or green value is not known."""

    def one(name: str) -> float:
        a, b = (getattr(side, name) if side else math.nan for side in (wood.dry, wood.green))
        return at_moisture(a, b, moisture, wood.meeting) if math.isfinite(a) and math.isfinite(b) else math.nan

    return Strength(math.nan, one("rupture"), one("elasticity"), one("crushing"))


# --- dry enough? ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class DryBand:
    """Moisture (%) at which a stave may be bent. The defaults are common practice, no source: makers' own settings."""

    low: float = 8.0
    high: float = 11.0

    @classmethod
    def of(cls, species: str) -> DryBand:
        return cls(5.0, 8.0) if "hickory" in species.lower() or "pecan" in species.lower() else cls()


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
    "within": "Within the band in which such wood is bent, as far as this reading tells.",
    "perhaps_too_dry": "Perhaps too dry: dry wood is stiff but breaks more readily; leave it a week in damper air.",
    "too_dry": "Too dry: it may break without warning; leave it in damper air before it is bent.",
    "unknown": "Its moisture is not known well enough to say whether it may be bent: measure it before bending.",
}
