"""Measurements set against the exact answers beside the project's rendered pictures."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from tillerlens.core.measurement import LIMBS, Measurement, Value
from tillerlens.core.shot_file import read_shot
from tillerlens.measure import measure_photo
from tillerlens.photo.intake import read_photo

SAMPLES = Path(__file__).resolve().parents[2] / "samples"
SPOT_REACH_MM = 51.0  # a spot told within two inches of a planned one is that one
CLICK_U_PX = 2.0  # of a finger, in the full-size picture
_GROUPS = {
    "string_angle": "string angle",
    "tip_height_difference": "tip height difference",
    "tip_height": "tip height",
    "reflex_difference": "reflex difference",
    "reflex_": "limb reflex",
    "reflex": "reflex",
    "brace_height": "brace height",
    "draw_length": "draw length",
    "length": "length",
}


@dataclass(frozen=True)
class Row:
    """One number against its truth, in mm or degrees; ``u`` is its standard uncertainty."""

    group: str
    name: str
    got: float
    want: float
    u: float

    @property
    def error(self) -> float:
        return self.got - self.want

    @property
    def inside(self) -> bool:
        """Whether value ± 2u covers the truth; an unknown interval (NaN) covers nothing."""
        return abs(self.error) <= 2 * self.u

    def __str__(self) -> str:
        off = self.error / self.u
        return f"{self.name}: got {self.got:.2f}, truth {self.want:.2f}, u {self.u:.2f} ({off:+.1f} u)"


def truth_of(folder: Path, name: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads((folder / f"{name}.truth.json").read_text())
    return document


def measure_sample(folder: Path, name: str, clicks: bool = False, rest: Any = None) -> Measurement:
    """Measure NAME.jpg with NAME.shot.json; with ``clicks`` as if nocks and handle had been pointed at."""
    photo = read_photo(folder / f"{name}.jpg")
    shot = read_shot(folder / f"{name}.shot.json", photo.name, (photo.width, photo.height))
    if clicks:
        rng = np.random.default_rng(sum(name.encode()))
        px = truth_of(folder, name)["outline_px"]
        points = {k: np.asarray(px[k]) + rng.normal(0, CLICK_U_PX, 2) for k in ("nock_upper", "nock_lower", "handle")}
        shot = replace(shot, clicks={k: (float(x), float(y)) for k, (x, y) in points.items()})
    return measure_photo(photo, shot, rest)


def rows(found: Measurement, truth: dict[str, Any]) -> list[Row]:
    """Every number that both have."""
    named = [name for name in truth["values"] if name in found.values]
    out = [_row(_group(name), name, found.values[name], truth["values"][name]) for name in named]
    planned = {round(g["from_handle_mm"], 1): g for g in truth["gaps"]}
    for gap in found.gaps:
        want = planned.get(round(gap.from_handle_mm, 1))
        for which in ("upper", "lower", "difference"):
            if want is not None:
                group = "gap difference" if which == "difference" else "gap"
                name = f"gap {which} at {gap.from_handle_mm:.0f} mm"
                out.append(_row(group, name, getattr(gap, which), want[which]))
    return out


def _group(name: str) -> str:
    return next(group for start, group in _GROUPS.items() if name.startswith(start))


def _row(group: str, name: str, value: Value, want: float) -> Row:
    return Row(group, name, value.value, float(want), value.u)


def curvature_rms(found: Measurement, truth: dict[str, Any]) -> float:
    """RMS error of curvature over the middle four fifths of the worse limb, relative to the truth's RMS."""
    shares = []
    for limb in LIMBS:
        t = truth["profile"][limb]
        at, want = np.array(t["from_nock_mm"])[::-1], np.array(t["curvature_per_m"])[::-1]
        keep = (at > 0.1 * at[-1]) & (at < 0.9 * at[-1])
        got = np.interp(at[keep], found.profile[limb].from_nock_mm, found.profile[limb].curvature_per_m)
        shares.append(float(np.sqrt(np.sum((got - want[keep]) ** 2) / np.sum(want[keep] ** 2))))
    return max(shares)


def spots_found(found: Measurement, truth: dict[str, Any]) -> tuple[int, int, int]:
    """Planned spots found, planned spots missed, spots that are none."""
    left, hit = list(found.spots), 0
    for planned in truth["spots"]:
        match = next((s for s in left if (s.limb, s.kind) == (planned["limb"], planned["kind"])
                      and abs(s.from_nock_mm - planned["from_nock_mm"]) < SPOT_REACH_MM), None)  # fmt: skip
        if match is not None:
            left.remove(match)
            hit += 1
    return hit, len(truth["spots"]) - hit, len(left)
