"""What is done to a bow or learnt of it between pictures: one frozen type a kind. SI: mm, N, kg, m/s; degrees Celsius by name.

``record.entries.read_details`` makes them of what is typed or kept, ``as_dict`` writes them; ranges and titles stand in
``schemas/record.schema.json``. None: not noted.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, ClassVar, Literal, Self

from tillerlens.core.json_form import JsonDocument, JsonValue

EventKind = Literal[
    "scrape", "heat", "rest", "moisture", "weighing", "brace", "mass", "calipers", "plan", "arrow_speed", "finding", "note"
]  # fmt: skip
Face = Literal["back", "belly"]
LimbName = Literal["upper", "lower"]


@dataclass(frozen=True)
class Details:
    """What every kind has in common."""

    kind: ClassVar[EventKind]
    of_parts: ClassVar[Mapping[str, type]] = {}  # fields that are lists of something with fields of its own

    @classmethod
    def of(cls, known: Mapping[str, Any]) -> Self:
        """From what ``as_dict`` wrote, once it is checked."""
        return cls(**{name: cls._read(name, v) if isinstance(v, list | tuple) else v for name, v in known.items()})

    @classmethod
    def _read(cls, name: str, values: list[Any] | tuple[Any, ...]) -> tuple[Any, ...]:
        part = cls.of_parts.get(name)
        return tuple(values if part is None else (part(**v) for v in values))

    def as_dict(self) -> JsonDocument:
        """As the record keeps it: what is not noted is left out."""
        known = {f.name: getattr(self, f.name) for f in fields(self)}
        return {name: _written(v) for name, v in known.items() if v is not None}


def _written(value: Any) -> JsonValue:
    if isinstance(value, tuple):
        return [{k: w for k, w in vars(v).items() if w is not None} if hasattr(v, "__dict__") else v for v in value]
    kept: JsonValue = value
    return kept


@dataclass(frozen=True)
class ScrapeDetails(Details):
    """Wood taken off the belly between two places, both measured along the limb from its nock."""

    kind = "scrape"
    limb: LimbName
    start_from_nock_mm: float
    end_from_nock_mm: float
    strokes: int | None = None
    thickness_mm: float | None = None
    tool: str | None = None

    @property
    def from_nock_mm(self) -> tuple[float, float]:
        return float(self.start_from_nock_mm), float(self.end_from_nock_mm)


@dataclass(frozen=True)
class HeatDetails(Details):
    kind = "heat"
    minutes: float
    limb: Literal["upper", "lower", "both"] | None = None
    distance_mm: float | None = None
    browning: str | None = None
    browning_depth_mm: float | None = None
    temperature_c: float | None = None  # of the wood's surface
    form_reflex_mm: float | None = None


@dataclass(frozen=True)
class RestDetails(Details):
    kind = "rest"
    hours: float


@dataclass(frozen=True)
class MoistureDetails(Details):
    """A meter's reading, or the air that the bow has lain in, or both; the air's two numbers come together."""

    kind = "moisture"
    reading_percent: float | None = None
    temperature_c: float | None = None
    humidity_percent: float | None = None
    place: str | None = None

    @property
    def air(self) -> tuple[float, float] | None:
        """The air's temperature, degrees Celsius, and its relative humidity, 0 to 1."""
        if self.temperature_c is None or self.humidity_percent is None:
            return None
        return float(self.temperature_c), float(self.humidity_percent) / 100


@dataclass(frozen=True)
class WeighingDetails(Details):
    kind = "weighing"
    draw_mm: float
    draw_to: Face
    weight_n: float
    u_weight_n: float | None = None  # where it is not a scale's


@dataclass(frozen=True)
class BraceDetails(Details):
    """A brace height, from the handle's back to the string."""

    kind = "brace"
    from_back_mm: float


@dataclass(frozen=True)
class CaliperReading:
    """A limb's section at one place. thickness_mm: over the crown's top; crown_mm: how much higher the back's middle is than its
    edges."""

    from_nock_mm: float
    width_mm: float
    thickness_mm: float
    crown_mm: float = 0.0


@dataclass(frozen=True)
class CalipersDetails(Details):
    """Both limbs' sections by calipers, two places or more on each."""

    kind = "calipers"
    of_parts = dict.fromkeys(("upper", "lower"), CaliperReading)
    upper: tuple[CaliperReading, ...]
    lower: tuple[CaliperReading, ...]


@dataclass(frozen=True)
class LeftAlone:
    """A stretch of a limb, measured from its nock, that a plan takes no wood from. ln_after: how much more than wood beside it
    a hinge was expected to bend after the step, as a logarithm, with its standard uncertainty."""

    limb: LimbName
    start_from_nock_mm: float
    end_from_nock_mm: float
    ln_after: float | None = None
    u_ln_after: float | None = None


@dataclass(frozen=True)
class PlanDetails(Details):
    """A plan's step that was taken, and what the plan expected of it: the weight after it at a draw to the handle's back, the
    weight before it, and the hand as known then (taken over told, its standard uncertainty, and from how many steps). left: the
    hinges that it named; skipped: what else it left out."""

    kind = "plan"
    of_parts = dict.fromkeys(("left", "skipped"), LeftAlone)
    draw_mm: float
    weight_n: float
    u_weight_n: float
    weight_before_n: float | None = None
    hand_ratio: float | None = None
    u_hand_ratio: float | None = None
    hand_steps: int | None = None
    left: tuple[LeftAlone, ...] = ()
    skipped: tuple[LeftAlone, ...] = ()


@dataclass(frozen=True)
class MassDetails(Details):
    kind = "mass"
    mass_kg: float


@dataclass(frozen=True)
class ArrowSpeedDetails(Details):
    kind = "arrow_speed"
    arrow_mass_kg: float
    speed_m_s: float
    draw_mm: float
    draw_to: Face
    u_speed_m_s: float | None = None  # where it is not a chronograph's


@dataclass(frozen=True)
class FindingDetails(Details):
    """Something seen on inspection. at_px: pixels of the upright picture, (0, 0) the centre of the top-left one."""

    kind = "finding"
    at_px: tuple[float, float]
    limb: LimbName | None = None


@dataclass(frozen=True)
class NoteDetails(Details):
    """A note stands in the event's own notes."""

    kind = "note"


DETAILS: dict[str, type[Details]] = {
    d.kind: d
    for d in (
        ScrapeDetails, HeatDetails, RestDetails, MoistureDetails, WeighingDetails, BraceDetails, MassDetails, CalipersDetails,
        PlanDetails, ArrowSpeedDetails, FindingDetails, NoteDetails,
    )
}  # fmt: skip
