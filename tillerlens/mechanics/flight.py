"""An arrow's speed from the time between two sounds: the string as the arrow leaves it, and the arrow as it strikes.

Both sounds have to come to the phone, so the flight takes T = dt - (b - a) / c, with the phone a from the bow and b from the
target. On the way the air brakes the arrow by k = rho Cd A / 2 m of its speed for each metre, so that the speed along the ground
at the bow is (exp(k d) - 1) / (k T); and it is shot upward as fast as it falls in half of the flight. SI throughout.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields

import numpy as np

from tillerlens.core.measurement import Value
from tillerlens.core.units import MM_PER_INCH, STANDARD_GRAVITY
from tillerlens.mechanics.cast import SPEED_U, ArrowSpeed
from tillerlens.mechanics.evidence import check_arrow, check_arrow_mass
from tillerlens.mechanics.observed import MechanicsError
from tillerlens.mechanics.wood import KELVIN

INCH, FOOT, YARD = MM_PER_INCH / 1000, 0.3048, 0.9144

SOUND_AT_0C = 331.3  # m/s in dry air (Cramer, J. Acoust. Soc. Am. 93, 1993, 2510; value from memory), as sqrt(T) from there
AIR_U = 0.003  # of that: dampness and altitude (a few in a thousand in the same paper; from memory)
WIND_U = 1.0  # m/s along the flight, of a day on which one can shoot (common practice, no source)
GAS, PRESSURE, PRESSURE_U = 287.05, 101325.0, 0.06  # J/(kg K); Pa, as at sea level; up to some 1000 m of altitude
# Drag by the shaft's cross section. Slim target arrows in a wind tunnel and in free flight: 1.5 with a laminar boundary layer,
# 2.6 with a turbulent one (Miyazaki et al., Sports Engineering 16, 2013, 43; Okawa et al., Procedia Engineering 60, 2013, 67;
# values from memory). Wooden shafts with large feathers lie higher (common practice, no source).
DRAG = 1.5, 3.7
LOUDEST_U = 0.001  # s: the string is loudest about as the arrow leaves it (common practice, no source)
AVERAGE_M_S = 20.0, 85.0  # arrows of wooden bows over a flight (common practice, no source); beyond, it was another sound


@dataclass(frozen=True)
class InputQuantity:
    """A length, temperature or the like with its standard uncertainty."""

    value: float
    u: float


# What is taken where nobody says (common practice, no source).
BESIDE = 1.5  # m: a phone so near the bow is as far from the target as the archer
USUAL_PHONE = InputQuantity(2 * FOOT, 0.2)  # lying by the archer's feet
USUAL_AIR = InputQuantity(15.0, 8.0)
USUAL_ARROW = InputQuantity(29 * INCH, 1.5 * INCH)
USUAL_BRACE = InputQuantity(6 * INCH, 0.75 * INCH)
USUAL_SHAFT = InputQuantity(11 / 32 * INCH, 1 / 32 * INCH)
# How well a tape or a rule gives what is said.
DISTANCE_U, PHONE_U, TEMPERATURE_U, ARROW_U, SHAFT_U, MASS_U = 0.05, 0.1, 2.0, 0.006, 0.0002, 0.00007


@dataclass(frozen=True)
class Range:
    """Where a shot was heard. ``distance``: from the bow's handle to the target's face; ``to_target``: from the phone, None where
    it lies beside the archer. ``arrow`` and ``shaft``: the arrow's length and its shaft's diameter."""

    distance: InputQuantity
    to_bow: InputQuantity = USUAL_PHONE
    to_target: InputQuantity | None = None
    temperature_c: InputQuantity = USUAL_AIR
    arrow: InputQuantity = USUAL_ARROW
    brace: InputQuantity = USUAL_BRACE
    shaft: InputQuantity = USUAL_SHAFT

    @property
    def to_target_m(self) -> float:
        return self.distance.value if self.to_target is None else self.to_target.value


@dataclass(frozen=True)
class Flight:
    """One arrow's speed at the bow and at the target, its average along the ground (m/s) and its time of flight (s), each with
    its causes. ``own``: names of the causes that differ from shot to shot; the others are common to all on one range."""

    arrow_kg: float
    at_bow: Value
    at_target: Value
    average: Value
    time_s: Value

    own = ("the beginnings of the two sounds", "what the string's sound marks")


@dataclass(frozen=True)
class Shots:
    """Several flights of one arrow or of arrows alike: the mean's interval holds what is common to all, and their spread.

    ``spread``: standard deviation between shots, m/s; NaN for a single one."""

    arrow_kg: float
    at_bow: Value
    at_target: Value
    spread: float
    count: int

    def reading(self) -> ArrowSpeed:
        """As the cast takes it; a hand's loose counts as for a chronograph."""
        return ArrowSpeed(self.arrow_kg, self.at_bow.value, max(self.at_bow.u, SPEED_U / math.sqrt(self.count)))


def speed_of_sound(celsius: float) -> float:
    """m/s in dry air."""
    return SOUND_AT_0C * math.sqrt(1 + celsius / KELVIN)


def slowing(arrow_kg: float, shaft_m: float, drag: float, celsius: float, pressure: float = PRESSURE) -> float:
    """1/m: the share of its speed that the arrow loses in each metre of air."""
    density = pressure / (GAS * (celsius + KELVIN))
    return density * drag * math.pi * shaft_m**2 / 4 / (2 * arrow_kg)


def time_between(at: Range, time_s: float) -> float:
    """Seconds between the two sounds at the phone of a flight that takes ``time_s``."""
    return time_s + (at.to_target_m - at.to_bow.value) / speed_of_sound(at.temperature_c.value)


# What a range and an arrow may be, m; beyond it is a slip of the pen.
BOUNDS = {
    "distance": (3 * YARD, 120 * YARD, "distance", "yd", YARD),
    "to_bow": (0.0, 120 * YARD, "phone's distance from the bow", "yd", YARD),
    "to_target": (0.0, 120 * YARD, "phone's distance from the target", "yd", YARD),
    "arrow": (15 * INCH, 45 * INCH, "arrow's length", "in", INCH),
    "brace": (2 * INCH, 14 * INCH, "brace height", "in", INCH),
    "shaft": (0.15 * INCH, 0.6 * INCH, "shaft's diameter", "in", INCH),
}
COLDEST_C, HOTTEST_C = -30.0, 50.0  # nobody shoots beyond


def check_range(at: Range, arrow_kg: float) -> None:
    """Raise MechanicsError for what no range, arrow or day has."""
    check_arrow_mass(arrow_kg)
    for f in fields(at):
        given: InputQuantity | None = getattr(at, f.name)
        if given is None or f.name not in BOUNDS:
            continue
        low, high, what, unit, per = BOUNDS[f.name]
        if not low <= given.value <= high:
            raise MechanicsError(
                f"A {what} of {given.value / per:.4g} {unit} cannot be right; "
                f"{low / per:g} to {high / per:g} {unit} is possible.",
                f"Check the {what} and its unit.",
                given=given.value,
            )
    if not COLDEST_C <= at.temperature_c.value <= HOTTEST_C:
        raise MechanicsError("Nobody shoots in air so cold or so hot.", "Check the temperature: 21C or 70F.")
    a, b, d = at.to_bow.value, at.to_target_m, at.distance.value
    if at.to_target is None and a > BESIDE:
        raise MechanicsError(
            f"The phone lay {a / YARD:.1f} yd from the bow, but how far from the target isn't said.", "Measure that distance too."
        )
    if not abs(a - b) <= d + 1.0 <= a + b + 3.0:
        raise MechanicsError(
            f"The phone cannot lie {a / YARD:.1f} yd from the bow and {b / YARD:.1f} yd from a target {d / YARD:.1f} yd away.",
            "Measure the three distances again.",
        )


def _speeds(p: dict[str, float], at: Range) -> np.ndarray:
    """Speed at the bow, at the target, on the average, and the time. p: the inputs by their names in ``fly``."""
    b = p["aside"] if at.to_target is not None else p["distance"] + p["aside"]
    c = speed_of_sound(p["air"]) * p["gain"]
    time = p["between"] - b / (c + p["wind"]) + p["to_bow"] / c
    way = p["distance"] - p["ahead"]
    if time <= 0 or way <= 0:
        raise MechanicsError(
            "The second sound comes before any arrow could: sound alone takes longer over that distance.",
            "Check the distance and where the phone lay.",
        )
    k = slowing(p["arrow"], p["shaft"], p["drag"], p["air"], p["pressure"])
    level = math.expm1(k * way) / (k * time)
    rise = STANDARD_GRAVITY * time / 2  # target and bow about level
    return np.array([math.hypot(level, rise), math.hypot(level * math.exp(-k * way), rise), way / time, time])


def fly(between_s: Value, at: Range, arrow_kg: float) -> Flight:
    """The arrow's speed from the time between string and thump at the phone.

    Raises
    ------
    MechanicsError
        For what cannot be: the range's or the arrow's numbers, or a flight that takes no time.
    """
    check_range(at, arrow_kg)
    start = {
        "between": between_s.value,
        "distance": at.distance.value,
        "to_bow": at.to_bow.value,
        "aside": at.to_target_m - at.distance.value,  # beside the archer it moves with the distance
        "air": at.temperature_c.value,
        "gain": 1.0,
        "wind": 0.0,
        "ahead": at.arrow.value - at.brace.value,
        "drag": sum(DRAG) / 2,
        "shaft": at.shaft.value,
        "arrow": arrow_kg,
        "pressure": PRESSURE,
    }
    if at.to_target is not None:
        start["aside"] = at.to_target.value
    u_target = PHONE_U if at.to_target is None else at.to_target.u
    doubts = {
        Flight.own[0]: {"between": between_s.u},
        Flight.own[1]: {"between": LOUDEST_U},
        "the distance": {"distance": at.distance.u},
        "where the phone lay": {"to_bow": at.to_bow.u, "aside": u_target},
        "the air": {"air": at.temperature_c.u, "gain": AIR_U, "wind": WIND_U},
        "the arrow's length": {"ahead": math.hypot(at.arrow.u, at.brace.u)},
        "drag": {
            "drag": (DRAG[1] - DRAG[0]) / 2 / math.sqrt(3),  # a rectangle over the range
            "shaft": at.shaft.u,
            "arrow": MASS_U,
            "pressure": PRESSURE_U * PRESSURE,
        },
    }

    found, budgets = _propagate(lambda p: _speeds(p, at), start, doubts)
    values = []
    for i, unit in enumerate(("m/s", "m/s", "m/s", "s")):
        budget = {cause: float(u[i]) for cause, u in budgets.items()}
        values.append(Value(float(found[i]), math.hypot(*budget.values()), unit, budget))
    check_arrow(arrow_kg, values[0].value)
    return Flight(arrow_kg, *values)


def _propagate(
    told: Callable[[dict[str, float]], np.ndarray], start: dict[str, float], doubts: dict[str, dict[str, float]]
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """The answer, and by cause how far one standard uncertainty of each of its parts moves it, halfway both sides."""
    out = {}
    for cause, parts in doubts.items():
        moved = [0.5 * (told({**start, n: start[n] + u}) - told({**start, n: start[n] - u})) for n, u in parts.items()]
        out[cause] = np.sqrt(np.sum(np.square(moved), axis=0))
    return told(start), out


def together(flights: Sequence[Flight]) -> Shots:
    """Several shots of one arrow on one range, taken together.

    What differs from shot to shot is averaged, by the larger of what was promised and what the shots show; the rest is not.
    """
    if not flights or any(f.arrow_kg != flights[0].arrow_kg for f in flights):
        raise MechanicsError("Only shots of arrows alike have a mean.", "Give each arrow's shots by themselves.")
    n = len(flights)
    if n == 1:
        return Shots(flights[0].arrow_kg, flights[0].at_bow, flights[0].at_target, math.nan, 1)
    means = []
    spread = float(np.std([f.at_bow.value for f in flights], ddof=1))
    for name in ("at_bow", "at_target"):
        values: list[Value] = [getattr(f, name) for f in flights]
        budget = {k: float(np.mean([v.budget[k] for v in values])) for k in values[0].budget}
        own = math.hypot(*(budget.pop(k) for k in Flight.own))
        between = float(np.std([v.value for v in values], ddof=1))
        budget["shot to shot"] = max(own, between) / math.sqrt(n)
        u = math.sqrt(sum(b**2 for b in budget.values()))
        means.append(Value(float(np.mean([v.value for v in values])), u, "m/s", budget))
    return Shots(flights[0].arrow_kg, means[0], means[1], spread, n)
