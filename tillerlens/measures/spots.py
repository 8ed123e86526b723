"""Hinges and stiff spots, judged on load."""

from __future__ import annotations

from typing import Any

from tillerlens.errors import Reason
from tillerlens.measurement import LimbProfile, Spot
from tillerlens.shape import BowShape
from tillerlens.shot import Shot


def find_spots(profile: dict[Any, LimbProfile], shot: Shot, rest: dict[str, Any] | None, shape: BowShape) -> tuple[tuple[Spot, ...], tuple[Reason, ...]]:
    return (), ()
