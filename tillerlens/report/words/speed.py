"""What a shot's sound tells of its arrow, in words. Every sentence is made from ``PATTERNS``."""

from __future__ import annotations

import math
from collections.abc import Sequence

from tillerlens.core.measurement import COVER, Value
from tillerlens.core.units import FOOT_M
from tillerlens.film.heard import Heard
from tillerlens.mechanics.cast import kinetic_energy
from tillerlens.mechanics.flight import (
    DRAG,
    USUAL_AIR,
    USUAL_ARROW,
    USUAL_BRACE,
    USUAL_PHONE,
    USUAL_SHAFT,
    YARD,
    Flight,
    InputQuantity,
    Range,
    Shots,
)
from tillerlens.report.words.quantities import Units, say_arrow, say_energy, say_interval, say_length, say_speed, say_speed_reach
from tillerlens.report.words.verdict import Sentence

PATTERNS = {
    "one": "The arrow left the bow at {speed} ({reach}) and struck at {end} ({end_reach}).",
    "several": "{count} shots left the bow at {speed} on average ({reach}) and struck at {end} ({end_reach}).",
    "spread": "From shot to shot they scatter by {spread} (standard deviation).",
    "sounds": "{name}: string at {string} s, thump at {thump} s. The arrow flew {time} s over {distance}.",
    "each": "{name}: {speed} ({reach}) at the bow. String at {string} s, thump at {thump} s.",
    "energy": "At the bow an arrow of {arrow} carries {energy}.",
    "doubts": "Most of the interval comes from {causes}.",
    "drag": "Drag counts as {low} to {high} times the shaft's section. Slim arrows in wind tunnels have 1.5 to 2.6 (Miyazaki and "
    "others, 2013; from memory), feathers more.",
    "taken": "{what} wasn't given, so {size} was taken.",
    "give": "Give what you know of these, and the interval shrinks.",
    "echo": "{name}: the sound at {at} s was taken for an echo.",
}


def speed_words(
    heard: Sequence[tuple[str, Heard]], flights: Sequence[Flight], shots: Shots, at: Range, units: Units | None = None
) -> list[Sentence]:
    """The speed first, then each shot, the energy, and what the interval is made of.

    Parameters
    ----------
    heard : sequence of (str, Heard)
        Each clip's name and what was heard in it.
    flights : sequence of Flight
        Of the same clips, in order.
    shots : Shots
        All of them together.
    at : Range
        Where they were shot.
    units : Units, optional
        The reader's.
    """
    units = units or Units()
    bow, end = shots.at_bow, shots.at_target
    words = {
        "speed": say_speed(bow.value, units),
        "reach": say_speed_reach(bow.u, units),
        "end": say_speed(end.value, units),
        "end_reach": say_speed_reach(end.u, units),
    }
    out = [_said("speed", "one" if shots.count == 1 else "several", count=shots.count, **words)]
    if shots.count > 1:
        out.append(_said("spread", "spread", spread=_speed_step(shots.spread, units)))
    for (name, h), f in zip(heard, flights, strict=True):
        times = {"string": f"{h.string.at_s:.3f}", "thump": f"{h.thump.at_s:.3f}", "time": f"{f.time_s.value:.3f}"}
        if shots.count > 1:
            each = {"speed": say_speed(f.at_bow.value, units), "reach": say_speed_reach(f.at_bow.u, units)}
            out.append(_said("shot", "each", name=name, **each, **times))
        else:
            out.append(_said("shot", "sounds", name=name, distance=say_distance(at.distance.value, units), **times))
        out += [_said("echo", "echo", "open", name=name, at=f"{t:.2f}") for t in h.echoes_s]
    joules = kinetic_energy(shots.arrow_kg, bow.value)
    energy = Value(joules, joules * 2 * bow.u / bow.value, "J")
    out.append(_said("energy", "energy", arrow=say_arrow(shots.arrow_kg, units), energy=say_energy(energy, units)))
    parts = sorted(bow.budget.items(), key=lambda part: -part[1])
    causes = [f"{name} ({say_speed_reach(u, units)})" for name, u in parts[:3] if u > 0.3 * bow.u]
    out.append(_said("doubts", "doubts", causes=_listed(causes)))
    out.append(_said("drag", "drag", low=f"{DRAG[0]:g}", high=f"{DRAG[1]:g}"))
    taken = [_said("taken", "taken", what=what, size=size) for what, size in _taken(at, units)]
    return out + taken + ([_said("taken", "give")] if taken else [])


def say_distance(metres: float, units: Units) -> str:
    """``20.0 yd`` or ``18.3 m``."""
    return f"{metres:.1f} m" if units.length == "cm" else f"{metres / YARD:.1f} yd"


def _taken(at: Range, units: Units) -> list[tuple[str, str]]:
    """What nobody gave, with what stands in for it."""
    metric = units.length == "cm"

    def length(g: InputQuantity, finer: int = 1) -> str:
        found = Value(1000 * g.value, 1000 * g.u, "mm")
        return f"{say_length(found.value, units, finer)} ({say_interval(found, units)})"

    t, u = USUAL_AIR.value, COVER * USUAL_AIR.u
    air = f"{t:.0f} °C (±{u:.0f} °C)" if metric else f"{32 + 1.8 * t:.0f} °F (±{math.ceil(1.8 * u)} °F)"
    near = f"{USUAL_PHONE.value:.1f} m" if metric else f"{USUAL_PHONE.value / FOOT_M:.0f} ft"
    every = (
        ("The air's temperature", air, at.temperature_c is USUAL_AIR),
        ("The arrow's length", length(USUAL_ARROW), at.arrow is USUAL_ARROW),
        ("The shaft's thickness", length(USUAL_SHAFT, 2), at.shaft is USUAL_SHAFT),
        ("The brace height", length(USUAL_BRACE), at.brace is USUAL_BRACE),
        ("The phone's distance from the bow", near, at.to_bow is USUAL_PHONE),
    )
    return [(what, size) for what, size, taken in every if taken]


def _speed_step(m_s: float, units: Units) -> str:
    return f"{m_s:.1f} m/s" if units.length == "cm" else f"{m_s / FOOT_M:.1f} fps"


def _listed(parts: Sequence[str]) -> str:
    return " and ".join([", ".join(parts[:-1]), parts[-1]]) if len(parts) > 1 else "".join(parts)


def _said(about: str, pattern: str, tone: str = "plain", **words: object) -> Sentence:
    return Sentence(about, PATTERNS[pattern].format(**words), tone)  # type: ignore[arg-type]
