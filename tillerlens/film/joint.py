"""What all measured frames of a clip tell together: one handle, the limbs' gaps at full draw, and how they part as it is drawn.

Frames of one clip share bow, light and lens, so much that is off in one is off in all, and averaging takes nothing off that. But
the bow has one handle, wherever single frames saw it. Over an inch of draw a limb comes before other ground, so an edge that was
taken from the ground strays from frame to frame, and frames that agree tell that none was. And what all share stays what it is
from the lowest draw to the longest, so that what changes shows all the sharper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from tillerlens.core.measurement import GapRow, Measurement, Value
from tillerlens.shape.checks import HANDLE_KNOWN_MM
from tillerlens.shape.settle import GripSeen, handle_by_grips

Array = NDArray[np.float64]

LEAST_FRAMES, LEAST_PULL_MM = 7, 150.0  # fewer, or nearer together, tell no change from their scatter
# Of the error that all frames share, what a bow's bend changes: the limbs turn in the light and run over other parts of the lens.
# On three rendered bows it was 0.05 of its standard uncertainty (root mean square; 0.1 at most): twice that. On three clips that
# it was not taken from all 18 changes lay within two standard uncertainties of the truth, at 0.84 of one (root mean square).
CHANGES = 0.1
# Of what a single frame may be off by its edges and all else but the handle's place, what frames that agree still share. On the
# clips of 15 rendered bows it was 0.47 of its standard uncertainty (root mean square, where frames strayed by under 0.3 of it).
SHARED = 0.5
# Nothing that all frames tell is surer than the handle's place. On the clips of 24 rendered bows all looks at the grip together
# still had it 1.5 to 3 mm off in three, and with less than this those were told too sharply.
LEAST_PLACE_U_MM = 1.2
LEAST_GRIPS = 2  # one alone may be something else
LEAST_GAPS = 3  # of a frame, for a curve through them


@dataclass(frozen=True)
class GapChange:
    """How much more the upper limb's gap grows than the lower's between two draws, at a place along the limbs."""

    from_handle_mm: float
    from_draw_mm: float
    to_draw_mm: float
    change: Value


@dataclass(frozen=True)
class GapTogether:
    """The upper limb's gap less the lower's at a place along the limbs, at the longest draw, by all frames of the pull."""

    from_handle_mm: float
    draw_mm: float
    difference: Value


def at_one_handle(frames: Sequence[Measurement]) -> list[Measurement]:
    """The frames of one clip with their gaps counted from one place of the handle.

    Each frame looks for the grip's middle by itself, and where it is hidden takes the bow's; but the bow has one handle, that all
    looks at it tell together. What rests on it are the limbs' lengths and where along them gaps are taken. Where hardly any frame
    shows its grip each keeps its own.
    """
    told = [m for m in frames if _tells_handle(m)]
    grips = [g for m in told if (g := _grip_seen(m)) is not None]
    if len(grips) < LEAST_GRIPS:
        return list(frames)
    place, u = handle_by_grips(told[0].facts, grips)
    return [_from_handle(m, place, u) if _tells_handle(m) else m for m in frames]


def _grip_seen(m: Measurement) -> GripSeen | None:
    seen = m.evidence.get("grip_seen")
    return GripSeen(**seen) if isinstance(seen, dict) else None


def _tells_handle(m: Measurement) -> bool:
    lengths = [m.values.get(f"limb_length_{limb}") for limb in ("upper", "lower")]
    return len(m.gaps) >= LEAST_GAPS and all(v is not None and _of_middle(v) > 0 for v in lengths)


def _shift(m: Measurement) -> float:
    """Of the handle's centre from the bow's middle, + toward the upper nock."""
    return (m.values["limb_length_lower"].value - m.values["limb_length_upper"].value) / 2


def _of_middle(v: Value) -> float:
    return v.budget.get("middle", 0.0)


def _from_handle(m: Measurement, place: float, place_u: float) -> Measurement:
    """A frame with its handle's centre at ``place`` (mm from the bow's middle, + toward the upper nock)."""
    toward_upper, more = place - _shift(m), place_u / _of_middle(m.values["limb_length_upper"])
    at = np.array([g.from_handle_mm for g in m.gaps])
    upper = CubicSpline(at, [g.upper.value for g in m.gaps])(at + toward_upper)
    lower = CubicSpline(at, [g.lower.value for g in m.gaps])(at - toward_upper)
    gaps = [
        GapRow(g.from_handle_mm, _moved(g.upper, up, more), _moved(g.lower, low, more), _moved(g.difference, up - low, more))
        for g, up, low in zip(m.gaps, upper.tolist(), lower.tolist(), strict=True)
    ]
    lengths = {
        name: _moved(m.values[name], m.values[name].value + way * toward_upper, more)
        for name, way in (("limb_length_upper", -1), ("limb_length_lower", 1))
    }
    reasons = tuple(r for r in m.reasons if r.code != "limbs_not_known" or place_u >= HANDLE_KNOWN_MM)
    return replace(m, reasons=reasons, gaps=tuple(gaps), values={**m.values, **lengths})


def _moved(v: Value, value: float, more: float) -> Value:
    """A value that the handle's place moves, with that place ``more`` times as unsure."""
    budget = {c: u * more if c == "middle" else u for c, u in v.budget.items()}
    return Value(value, float(np.sqrt(max(v.u**2 - _of_middle(v) ** 2, 0.0) + budget.get("middle", 0.0) ** 2)), v.unit, budget)


def gaps_together(frames: Sequence[tuple[float, Measurement]]) -> tuple[GapTogether, ...]:
    """From frames of one pull at one handle, each with its draw (mm): the gap differences at the longest; none for too few."""
    out = []
    for fit in _fits(frames):
        rows = fit.rows
        last = rows[int(np.argmax(fit.draws))]
        middle = fit.less_sure * _of_middle(last)
        shared = SHARED * float(np.median([np.sqrt(max(v.u**2 - _of_middle(v) ** 2, 0.0)) for v in rows]))
        value = float(np.polyval(fit.cubic, 1.0))
        u = float(np.sqrt(shared**2 + middle**2 + fit.own**2))
        budget = {"edge": shared, "middle": middle, "frames": fit.own}
        out.append(GapTogether(fit.from_handle_mm, float(fit.draws.max()), Value(value, u, "mm", budget)))
    return tuple(out)


def gap_changes(frames: Sequence[tuple[float, Measurement]]) -> tuple[GapChange, ...]:
    """From frames of one pull, each with its draw (mm): one change for each place that all of them show; none for too few.

    A cubic over draw follows the truth of rendered bows to 0.005 mm; what strays from it is each frame's own.
    """
    out = []
    for fit in _fits(frames):
        own = fit.own * float(np.sqrt(_ENDS @ np.linalg.inv(fit.design.T @ fit.design) @ _ENDS))
        shared = CHANGES * float(np.median([v.u for v in fit.rows]))
        middle = np.polyfit(
            fit.draws, [_of_middle(v) for v in fit.rows], 1
        )  # one handle for all: what it moves grows with the draw
        moved = fit.less_sure * abs(float(middle[0])) * float(np.ptp(fit.draws))
        u = float(np.sqrt(own**2 + shared**2 + moved**2))
        change = Value(float(_ENDS @ fit.cubic), u, "mm", {"frames": own, "edge": shared, "middle": moved})
        out.append(GapChange(fit.from_handle_mm, float(fit.draws.min()), float(fit.draws.max()), change))
    return tuple(out)


_ENDS = np.array([1.0, 1.0, 1.0, 0.0])  # a cubic at the longest draw less that at the lowest


@dataclass(frozen=True, eq=False)
class _Fit:
    """At one place: the frames' ``draws`` (N,) and gap differences ``rows``, a ``cubic`` (4,) through them over the pull's share
    by its ``design`` (N, 4), and each frame's ``own`` standard uncertainty about it; ``less_sure``: by how much the handle's
    place is less sure than its frames tell."""

    from_handle_mm: float
    draws: Array
    rows: list[Value]
    design: Array
    cubic: Array
    own: float
    less_sure: float


def _fits(frames: Sequence[tuple[float, Measurement]]) -> list[_Fit]:
    """One for each place that all drawn frames show; none where they are too few or too near together."""
    drawn = [(draw, m) for draw, m in frames if m.state == "drawn" and m.gaps]
    draws = np.array([draw for draw, _ in drawn])
    if len(drawn) < LEAST_FRAMES or np.ptp(draws) < LEAST_PULL_MM:
        return []
    design = np.vander((draws - draws.min()) / np.ptp(draws), 4)
    free = len(draws) - design.shape[1]
    places = [u for _, m in drawn if "limb_length_upper" in m.values and (u := _of_middle(m.values["limb_length_upper"]))]
    less_sure = max(1.0, LEAST_PLACE_U_MM / float(np.median(places))) if places else 1.0
    out = []
    for place in sorted(set.intersection(*({g.from_handle_mm for g in m.gaps} for _, m in drawn))):
        rows = [next(g for g in m.gaps if g.from_handle_mm == place).difference for _, m in drawn]
        told = np.array([v.value for v in rows])
        cubic = np.linalg.lstsq(design, told, rcond=None)[0]
        own = float(np.sqrt(np.sum((told - design @ cubic) ** 2) / free))
        own *= float(np.sqrt(free / (free - 2)))  # a scatter is told by few (variance of Student's t)
        out.append(_Fit(place, draws, rows, design, cubic, own, less_sure))
    return out
