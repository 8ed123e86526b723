"""A bow's story as plain data, oldest first: its stages, what was done to it, its weighings and arrows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from tillerlens.core.events import Details
from tillerlens.core.measurement import Measurement
from tillerlens.history.trends import ReflexAt
from tillerlens.measures.compare import Scraped
from tillerlens.measures.set import WeighedDraw
from tillerlens.mechanics.bench import Bench

MOST_PICTURES = 9


@dataclass(frozen=True, eq=False)
class StageShown:
    """A stage as the report shows it. found: its measurement, None where there is none; picture: JPEG or PNG with the traced bow;
    pins: numbers of findings with their place in the picture as parts of its width and height."""

    title: str
    when: datetime
    found: Measurement | None
    picture: bytes | None = None
    pins: tuple[tuple[int, float, float], ...] = ()
    notes: str = ""

    @property
    def measured(self) -> bool:
        return self.found is not None and self.found.status == "measured"

    @property
    def from_front(self) -> bool:
        """Whether it shows the bow from its belly or back."""
        return self.found is not None and self.found.from_front

    @property
    def state(self) -> str:
        return "unknown" if self.found is None else self.found.state

    @property
    def measurement(self) -> Measurement:
        """Of a stage that is measured."""
        assert self.found is not None
        return self.found


@dataclass(frozen=True)
class Done:
    """Something done to the bow. notes: the bowyer's own."""

    when: datetime
    details: Details
    notes: str = ""


@dataclass(frozen=True)
class NotedFinding:
    """Something found on a picture: of which stage and limb, and the bowyer's own notes."""

    when: datetime
    where: str
    notes: str = ""


@dataclass(frozen=True)
class ArrowShot:
    """Arrow speed: mass in kg, speed in m/s, draw in mm, and the weight there in N where it is known."""

    when: datetime
    arrow_kg: float
    speed_m_s: float
    draw_mm: float
    weight_n: float | None = None

    @property
    def energy_j(self) -> float:
        return 0.5 * self.arrow_kg * self.speed_m_s**2


@dataclass(frozen=True, eq=False)
class Story:
    """One bow, oldest first throughout."""

    name: str
    bow: Mapping[str, Any] = field(default_factory=dict)  # what is known of it, in SI, as the record keeps it
    notes: str = ""
    stages: tuple[StageShown, ...] = ()
    events: tuple[Done, ...] = ()
    findings: tuple[NotedFinding, ...] = ()
    reflexes: tuple[ReflexAt, ...] = ()
    pulls: tuple[WeighedDraw, ...] = ()
    shots: tuple[ArrowShot, ...] = ()
    scrapes: tuple[tuple[datetime, Scraped], ...] = ()
    form_reflex_mm: float | None = None
    left_out: tuple[str, ...] = ()  # pictures, each with why
    to_belly: int = 0  # weighings to the belly of a handle whose thickness is not noted
    heated: tuple[datetime, ...] = ()  # after which an earlier shape at rest no longer holds
    weighed: Bench | None = None  # what it weighs over its draw now, where it was weighed


def spread(n: int, most: int) -> set[int]:
    """Indices of at most ``most`` out of n, evenly, with the first and the last."""
    return set(range(n)) if n <= most else {round(k * (n - 1) / (most - 1)) for k in range(most)}
