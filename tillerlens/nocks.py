"""The string on the traced bow: where it hangs, and what it tells of the nocks.

A limb's outline ends where its wood does, or where a shadow does; the string shows where the nocks are.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tillerlens.shape import BowShape, Evidence, Layout, bow_shape
from tillerlens.shot import Shot
from tillerlens.trace.read import TraceRead
from tillerlens.trace.string import FAINT, PLAIN, DrawnString, find_braced_string, find_string
from tillerlens.trace.strung import PULLED_MM, Stand

Array = NDArray[np.float64]

# Wood past the nock: less is within what the tip's own outline is known to, more is no nock.
OVERHANG_LEAST_MM, OVERHANG_MOST_MM = 3.5, 35.0
WITHIN_MM = 10.0  # how far inside an end the string is sought as well
PASSED_BY_PX = 5.0  # a string that passes its nocks by so much may not be theirs
CLEARLY_BETTER = 0.3  # of merit
FAR_INSIDE_MM = 6.0
PULLED_WORTH = 0.75  # a pulled string this nearly as clear as a straight line is taken for the string of a bow said to be drawn


@dataclass(frozen=True, eq=False)
class Chain:
    """The fixed parts of the computation that the budget differentiates."""

    layout: Layout
    state: str

    def shape(self, e: Evidence) -> BowShape:
        return bow_shape(e, self.layout, self.state)


def string_of(
    light: NDArray[np.uint16], trace: TraceRead, e: Evidence, chain: Chain, shot: Shot
) -> tuple[DrawnString | None, bool]:
    """The drawn string; and whether it was only found from inside the limbs' ends."""
    s = stand_of(e, chain)
    clicked = np.array(shot.clicks["hook"]) if "hook" in shot.clicks else None

    def found(nocks: Array, least_mm: float | None = None, by_hue: bool = True) -> DrawnString | None:
        return find_string(light, trace.maps, nocks, s.handle, s.belly, s.px_per_mm, clicked, least_mm, by_hue)

    string = found(s.nocks)
    if clicked is None and string is not None and not s.is_pulled(string):
        # a plank's joint or a ruled line may run from nock to nock; a bow said to be drawn has its string further on
        pulled = found(s.nocks, s.chord_mm + PULLED_MM)
        if pulled is not None and min(pulled.clear) > FAINT and pulled.merit > PULLED_WORTH * string.merit:
            string = pulled
    if string is not None and (string.merit > PLAIN or max(np.abs(string.offset_px)) < PASSED_BY_PX):
        return string, False
    # the limb may have been followed past its nock, into a shadow, further than the string's start is looked for; where a person
    # has put the nock it was not
    within, put = _within(e, chain), np.array([cause != "tip" for cause in trace.tip_cause])
    sides = [np.array(side) for side in ((True, False), (False, True), (True, True))]
    others = [found(np.where(side[:, None], within, s.nocks), by_hue=string is None) for side in sides if not (side & put).any()]
    best = max((o for o in others if o is not None), key=lambda o: o.merit, default=None)
    better = best is not None and (string is None or best.merit > string.merit + CLEARLY_BETTER)
    return (best, True) if better else (string, False)


def _within(e: Evidence, chain: Chain) -> Array:
    """Places (2, 2) px on the limbs, upper and lower, ``WITHIN_MM`` inside the nocks as they were found."""
    s = chain.shape(e)
    limbs = (s.upper, s.lower)
    return np.array(
        [to_px(e, s, np.array([np.interp(WITHIN_MM, m.from_nock_mm, m.curve.xy[:, k]) for k in (0, 1)])) for m in limbs]
    )


def stand_of(e: Evidence, chain: Chain) -> Stand:
    s = chain.shape(e)
    handle, below = to_px(e, s, np.zeros(2)), to_px(e, s, np.array([0.0, -100.0]))
    length = float(np.linalg.norm(below - handle))
    return Stand(np.array([to_px(e, s, q) for q in s.nocks_mm]), handle, (below - handle) / length, length / 100)


def nocks_by_string(
    light: NDArray[np.uint16], trace: TraceRead, e: Evidence, chain: Chain, string: DrawnString | None
) -> Evidence:
    """Where the string meets a limb clearly inside its end, wood stands past the nock; where it meets it beyond, the tip was
    lost on the ground. Either is counted as overhang."""
    s = chain.shape(e)
    lines: list[Array | None] = [None, None]
    if string is not None:
        lines = [line if clear > FAINT else None for line, clear in zip(string.lines, string.clear, strict=True)]
    elif chain.state == "braced":
        line = find_braced_string(light, trace.maps, np.array([to_px(e, s, q) for q in s.nocks_mm]))
        lines = [line, None if line is None else line[::-1]]
    overhang = [0.0, 0.0]
    for k, (line, limb) in enumerate(zip(lines, (s.upper, s.lower), strict=True)):
        if line is None or trace.tip_cause[k] != "tip":
            continue
        board = e.camera.to_plane(line, e.standoff_mm)
        p = np.column_stack([(board - s.origin_mm) @ s.x_axis, (board - s.origin_mm) @ s.y_axis])
        d = (p[1] - p[0]) / np.linalg.norm(p[1] - p[0])
        away = (limb.curve.xy - p[0]) @ np.array([-d[1], d[0]])
        x = limb.from_nock_mm
        cross = np.nonzero((x[1:] < OVERHANG_MOST_MM) & (np.sign(away[1:]) != np.sign(away[:-1])))[0]
        if len(cross):
            at = x[cross] + away[cross] / (away[cross] - away[cross + 1]) * (x[cross + 1] - x[cross])
            nearest = float(at[np.argmin(np.abs(at))])
            overhang[k] = nearest if abs(nearest) > OVERHANG_LEAST_MM else 0.0
    return replace(e, overhang_mm=(overhang[0], overhang[1]))


def nocks_far_inside(e: Evidence, chain: Chain) -> dict[str, tuple[float, float]]:
    """Places in the picture of the nocks that the string put so far inside the limb's end that the end was something else."""
    s = chain.shape(e)
    out = {}
    for k, name in enumerate(("nock_upper", "nock_lower")):
        if e.overhang_mm[k] > FAR_INSIDE_MM:
            x, y = to_px(e, s, s.nocks_mm[k])
            out[name] = (float(x), float(y))
    return out


def to_px(e: Evidence, s: BowShape, bow_mm: Array) -> Array:
    """A place (2,) mm in the bow's frame to the picture."""
    board = s.origin_mm + bow_mm[0] * s.x_axis + bow_mm[1] * s.y_axis
    return e.camera.project(np.r_[board, -e.standoff_mm][None])[0]
