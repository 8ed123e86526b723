"""The string on the traced bow: where it runs, and where it places the nocks.

A limb's outline ends where its wood does, or where a shadow does; the string shows where the nocks are.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.shot import Shot
from tillerlens.shape.bow_shape import BowShape, Evidence, LimbFit, ShapeLayout, bow_shape
from tillerlens.trace.cast_shadow import falls_toward
from tillerlens.trace.string import (
    ALONGSIDE_MM,
    CANDIDATES,
    FAINT,
    PLAIN,
    PULLED_MM,
    BowPose,
    DrawnString,
    alongside,
    find_braced_string,
    find_string,
    likely_braced,
    line_beside,
    normal_of,
)
from tillerlens.trace.trace import Trace

Array = NDArray[np.float64]

# Wood past the nock: less is within the tip's own uncertainty, more is no nock (common practice: half an inch to an inch and a
# half).
OVERHANG_LEAST_MM, OVERHANG_MOST_MM = 3.5, 50.0
# Standard uncertainties of a string's line across it and of its loop along the limb; the flatter the line meets the limb, the
# less sharp the nock.
LINE_U_MM, LOOP_U_MM = 0.8, 1.0
AT_END_U = 2.0  # a nock by the string within so many standard uncertainties of the limb's end is at it: the end is the sharper
# Offsets of the nocks inside the ends that are tried where no string is found; a tip lost on its ground ends short.
TRIED_MM = (0.0, 14.0, 28.0, 42.0, -10.0)
NEARER_MM = 7.0  # about the best of those, one limb at a time: half of their spacing
PASSED_BY_PX = 5.0  # a string that passes its nocks by so much may not be theirs
CLEARLY_BETTER = 0.3  # of merit
BETTER_SEEN, PLAINLY_SEEN = 0.1, 0.85  # of a braced string's length
FAR_INSIDE_MM, FAR_BEYOND_MM = 6.0, 12.0  # of a nock from the limb's end: it is followed again, to the nock
# Past a limb's end and inside it: how far off its nock a string is looked for that starts from neither end, and in what steps.
AFAR_MM, AFAR_STEP_MM = 120.0, 2.5
BELOW_MM = 100.0  # from the handle towards the belly: a place that gives the direction in the picture
LEAST_BEND = 0.05  # sine of the angle between a drawn string's halves: less tells no shift along them
PULLED_WORTH = 0.75  # a pulled string this nearly as clear as a straight line is taken for the string of a bow said to be drawn


@dataclass(frozen=True, eq=False)
class ShapeModel:
    """The fixed parts of the computation, which maps evidence to a shape."""

    layout: ShapeLayout
    state: str

    def shape(self, e: Evidence) -> BowShape:
        """The shape with its numbers."""
        return bow_shape(e, self.layout, self.state)

    def bare(self, e: Evidence) -> BowShape:
        """The shape without its numbers."""
        return bow_shape(e, self.layout, self.state, numbers=False)


class NockOffset(NamedTuple):
    """How far inside the limb's end the nock lies, and that place's standard uncertainty; 0 is the end itself, known to what the
    end is."""

    mm: float
    u_mm: float


Offsets = tuple[NockOffset | None, NockOffset | None]  # upper, lower; None where it is not known


def string_of(
    light: NDArray[np.uint16], trace: Trace, e: Evidence, model: ShapeModel, shot: Shot
) -> tuple[DrawnString | None, bool]:
    """The drawn string, sought from the limbs' ends and, where it does not start there, from further in.

    Returns
    -------
    The string, or None where it was not found; and whether it was only found from inside the limbs' ends.
    """
    pose = pose_of(e, model)
    found = _sought(light, trace, e, model, shot, pose)
    if found[0] is None or "hook" in shot.clicks:
        return found
    itself = _that_casts(light, trace, pose, found[0])
    return found if itself is None else (itself, True)


def _that_casts(light: NDArray[np.uint16], trace: Trace, pose: BowPose, shadow: DrawnString) -> DrawnString | None:
    """The string whose shadow was taken for it; None where it wasn't."""
    normals = np.array([normal_of(line) for line in shadow.lines])
    if abs(np.linalg.det(normals)) < LEAST_BEND:
        return None
    off = [alongside(light, trace.maps, line, pose.px_per_mm) for line in shadow.lines]
    shifts = np.linalg.solve(normals, np.array([(a, b) for a in off[0] for b in off[1]]).reshape(-1, 2).T).T
    far = np.linalg.norm(shifts, axis=1)
    shifts = shifts[np.argsort(far)][: int((far < ALONGSIDE_MM * pose.px_per_mm).sum())]  # the nearest first
    if any(_falls(light, trace, shift) for shift in shifts):
        return None  # that has a shadow of its own
    strings = [
        find_string(
            light,
            trace.maps,
            replace(pose, nocks=np.array([line[0] for line in shadow.lines]) + shift),
            shadow.hook + shift,
        )
        for shift in [one for one in shifts if _falls(light, trace, -one)][:CANDIDATES]
    ]
    return max((one for one in strings if one is not None), key=lambda one: one.merit, default=None)


def _falls(light: NDArray[np.uint16], trace: Trace, shift_px: Array) -> bool:
    return falls_toward(light, trace.back_px, trace.belly_px, trace.zones, shift_px)


def _sought(
    light: NDArray[np.uint16], trace: Trace, e: Evidence, model: ShapeModel, shot: Shot, pose: BowPose
) -> tuple[DrawnString | None, bool]:
    """As ``string_of``, whether or not it is the string or its shadow."""
    clicked = np.array(shot.clicks["hook"]) if "hook" in shot.clicks else None

    def found(nocks: Array, least_mm: float | None = None, by_hue: bool = True) -> DrawnString | None:
        return find_string(light, trace.maps, replace(pose, nocks=nocks), clicked, least_mm, by_hue)

    string = found(pose.nocks)
    if clicked is None and string is not None and not pose.is_pulled(string):
        # a plank's joint or a ruled line may run from nock to nock; a bow said to be drawn has its string further on
        pulled = found(pose.nocks, pose.chord_mm + PULLED_MM)
        if pulled is not None and min(pulled.clear) > FAINT and pulled.merit > PULLED_WORTH * string.merit:
            string = pulled
    near = string is not None and max(np.abs(string.offset_px)) < PASSED_BY_PX
    if string is not None and (string.merit > PLAIN or near) and min(string.clear) > FAINT:
        return string, False
    # the limb runs on past its nock, or was followed past it into a shadow, further than the string's start is looked for; where
    # a person has set the nock it was not
    fixed = np.array([cause != "tip" for cause in trace.tip_cause])
    if fixed.all():
        return string, False
    first = _inside(e, model, np.zeros(2))
    tried: list[tuple[Array, DrawnString]] = []

    def attempt(mm: Array) -> None:
        nocks = np.where(fixed[:, None], first, _inside(e, model, mm))
        if (one := found(nocks, by_hue=string is None)) is not None:
            tried.append((mm, one))

    for mm in TRIED_MM:
        attempt(np.full(2, mm))
    if not tried:
        return string, False
    # tips need not stand past their nocks alike: one limb at a time, first as far as any, then nearer about the best
    at = max(tried, key=lambda t: t[1].merit)[0]
    for k in np.nonzero(~fixed)[0]:
        for mm in TRIED_MM:
            if mm != at[k]:
                attempt(np.where(np.arange(2) == k, mm, at))
    at = max(tried, key=lambda t: t[1].merit)[0]
    for k in np.nonzero(~fixed)[0]:
        for step in (-NEARER_MM, NEARER_MM):
            attempt(np.clip(at + step * np.eye(2)[k], min(TRIED_MM), OVERHANG_MOST_MM))
    best = max((one for _, one in tried), key=lambda one: one.merit)
    better = string is None or best.merit > string.merit + CLEARLY_BETTER or min(best.clear) > min(string.clear) + CLEARLY_BETTER
    return (best, True) if better else (string, False)


def _inside(e: Evidence, model: ShapeModel, mm: Array) -> Array:
    """Places (2, 2) px on the limbs, upper and lower, ``mm`` (2,) inside their ends."""
    s = model.bare(e)
    out = []
    for k, m in enumerate((s.upper, s.lower)):
        out.append(_along(m, np.array([mm[k] - e.overhang_mm[k]]))[0])
    return to_px(e, s, np.array(out))


def _along(limb: LimbFit, from_nock_mm: Array) -> Array:
    """Places (N, 2) mm on a limb's curve, and straight on past its end."""
    x = limb.from_nock_mm
    past = np.minimum(from_nock_mm - x[0], 0.0)[:, None] * limb.curve.tangent[0] / np.hypot(*limb.curve.tangent[0])
    return np.column_stack([np.interp(from_nock_mm, x, limb.curve.xy[:, j]) for j in (0, 1)]) + past


def pose_of(e: Evidence, model: ShapeModel) -> BowPose:
    """Where the bow stands in the picture."""
    s = model.bare(e)
    handle, below = to_px(e, s, np.array([[0.0, 0.0], [0.0, -BELOW_MM]]))
    length = float(np.linalg.norm(below - handle))
    return BowPose(to_px(e, s, s.nocks_mm), handle, (below - handle) / length, length / BELOW_MM)


def nocks_by_string(
    light: NDArray[np.uint16], trace: Trace, e: Evidence, model: ShapeModel, string: DrawnString | None
) -> Offsets:
    """Where the string meets each limb.

    Where it meets a limb clearly inside its end, wood stands past the nock; where it meets it beyond, less than 0, the tip was
    lost on the ground.

    Returns
    -------
    None for a limb where no string is seen or the nock was set otherwise.
    """
    lines: list[Array | None] = [None, None]
    if string is not None and min(string.clear) > FAINT:  # both, since the two lines share one hook
        lines = list(string.lines)
    elif string is None and model.state == "braced":
        line = braced_line(light, trace, e, model)
        lines = [line, None if line is None else line[::-1]]
    s = model.bare(e)
    inside = [None if line is None or trace.tip_cause[k] != "tip" else _met(e, s, k, line) for k, line in enumerate(lines)]
    return inside[0], inside[1]


def _met(
    e: Evidence, s: BowShape, k: int, line: Array, beyond_mm: float = 0.0, most_mm: float = OVERHANG_MOST_MM
) -> NockOffset | None:
    """Where a line (2, 2) px from near a limb's nock meets it, at most so far inside its end, or beyond the end on the limb's
    straight continuation; None where it doesn't."""
    limb = (s.upper, s.lower)[k]
    board = e.camera.to_plane(line, e.standoff_mm)
    p = np.column_stack([(board - s.origin_mm) @ s.x_axis, (board - s.origin_mm) @ s.y_axis])
    d = (p[1] - p[0]) / np.linalg.norm(p[1] - p[0])
    across = np.array([-d[1], d[0]])
    x, xy, tangent = limb.from_nock_mm, limb.curve.xy, limb.curve.tangent
    if beyond_mm > 0:
        past = np.array([x[0] - beyond_mm])
        x, xy, tangent = np.r_[past, x], np.vstack([_along(limb, past), xy]), np.vstack([tangent[:1], tangent])
    away = (xy - p[0]) @ across
    x = x + e.overhang_mm[k]  # from the end
    cross = np.nonzero((x[1:] < most_mm) & (np.sign(away[1:]) != np.sign(away[:-1])))[0]
    if not len(cross):
        return None
    at = x[cross] + away[cross] / (away[cross] - away[cross + 1]) * (x[cross + 1] - x[cross])
    pick = int(np.argmin(np.abs(at)))
    steep = abs(float(tangent[cross[pick]] @ across))
    met = NockOffset(float(at[pick]), float(np.hypot(LOOP_U_MM, LINE_U_MM / max(steep, 1e-3))))
    return met if abs(met.mm) > max(OVERHANG_LEAST_MM, AT_END_U * met.u_mm) else NockOffset(0.0, 0.0)


def nocks_afar(light: NDArray[np.uint16], trace: Trace, e: Evidence, model: ShapeModel) -> Offsets | None:
    """Where a braced string meets the limbs that starts from neither end: one was followed past its nock, or lost before it.

    Returns
    -------
    None where none is seen, or a nock was set otherwise.
    """
    if any(cause != "tip" for cause in trace.tip_cause):
        return None
    pose, s = pose_of(e, model), model.bare(e)
    mm = np.arange(-AFAR_MM, AFAR_MM + 1, AFAR_STEP_MM)
    limbs = [to_px(e, s, _along(m, mm - over)) for m, over in zip((s.upper, s.lower), e.overhang_mm, strict=True)]
    best = _plainest(light, trace, likely_braced(light, trace.maps, (limbs[0], limbs[1]), pose.px_per_mm), pose.px_per_mm)
    if best is None or best[1] < PLAINLY_SEEN:
        return None
    met = [_met(e, s, k, line, AFAR_MM, AFAR_MM) for k, line in enumerate((best[0], best[0][::-1]))]
    return None if met[0] is None or met[1] is None else (met[0], met[1])


def braced_line(light: NDArray[np.uint16], trace: Trace, e: Evidence, model: ShapeModel) -> Array | None:
    """The braced string's straight line (2, 2) px from the upper limb to the lower, sought from the limbs' ends and from further
    in; None where none is seen, or one of the board's lines may as well be it."""
    fixed = np.array([cause != "tip" for cause in trace.tip_cause])
    first = _inside(e, model, np.zeros(2))
    tried = (np.where(fixed[:, None], first, _inside(e, model, np.full(2, mm))) for mm in TRIED_MM)
    best = _plainest(light, trace, [first] if fixed.all() else tried, pose_of(e, model).px_per_mm)
    return None if best is None else best[0]


def _plainest(light: NDArray[np.uint16], trace: Trace, tried: Iterable[Array], px_per_mm: float) -> tuple[Array, float] | None:
    """The line that shows best of those between pairs of nocks (2, 2) px, the first that plainly does, and the share of it that
    shows; None where none does."""
    best: tuple[Array, float] | None = None
    for nocks in tried:
        found = find_braced_string(light, trace.maps, nocks, px_per_mm)
        if found is not None and (best is None or found[1] > best[1] + BETTER_SEEN):
            best = found
        if best is not None and best[1] > PLAINLY_SEEN:
            break
    return best if best is None else _itself(light, trace, best, px_per_mm)


def _itself(light: NDArray[np.uint16], trace: Trace, found: tuple[Array, float], px_per_mm: float) -> tuple[Array, float]:
    """The braced string where its shadow was taken for it, else what was found."""
    line = found[0]
    off, normal = alongside(light, trace.maps, line, px_per_mm), normal_of(line)
    if any(_falls(light, trace, px * normal) for px in off):
        return found  # it has a shadow of its own
    beside = [line_beside(light, trace.maps, line, px, px_per_mm) for px in off if _falls(light, trace, -px * normal)]
    return max((one for one in beside if one is not None and one[1] > FAINT), key=lambda one: one[1], default=found)


def combine(
    known: Offsets,
    by_string: Offsets,
    e: Evidence,
    model: ShapeModel,
    clicks: Sequence[tuple[float, float] | None],
) -> Offsets:
    """Where each nock lies: as it was set, else as the string shows it.

    A tip of the ground's own colour ends a little before its nock, and a click between the two agrees with both. The string's
    place counts if the click is nearer to it than to the end; else the nock is between them, and as unsure as they are apart.

    Parameters
    ----------
    known : nocks that are known without the string.
    by_string : nocks as the string shows them.
    e, model : the shape by the limbs' ends.
    clicks : those that agree with an end, upper and lower.
    """
    ends, met = (_inside(e, model, np.array(mm)) for mm in ((0.0, 0.0), tuple(0.0 if m is None else m.mm for m in by_string)))
    out: list[NockOffset | None] = []
    for k, click in enumerate(clicks):
        mine, seen = known[k], by_string[k]
        if mine is None or seen is None or not seen.mm or click is None:
            out.append(mine or seen)
        elif np.linalg.norm(met[k] - click) < np.linalg.norm(ends[k] - click):
            out.append(seen)
        else:
            out.append(NockOffset(seen.mm / 2, abs(seen.mm) / 2))
    return out[0], out[1]


def nocks_far_off(e: Evidence, model: ShapeModel, inside: Offsets) -> dict[str, tuple[float, float]]:
    """Places in the picture of the nocks that the string shows so far from the limb's end that the end was something else."""
    places = _inside(e, model, np.array([0.0 if met is None else met.mm for met in inside]))
    out = {}
    for name, met, (x, y) in zip(("nock_upper", "nock_lower"), inside, places, strict=True):
        if met is not None and (met.mm > FAR_INSIDE_MM or met.mm < -FAR_BEYOND_MM):
            out[name] = (float(x), float(y))
    return out


def to_px(e: Evidence, s: BowShape, bow_mm: Array) -> Array:
    """Places (N, 2) mm in the bow's frame to the picture, (N, 2) px."""
    board = s.origin_mm + bow_mm[:, :1] * s.x_axis + bow_mm[:, 1:] * s.y_axis
    return e.camera.project(np.column_stack([board, np.full(len(board), -e.standoff_mm)]))
