"""From both edges of a front view to the bow seen squarely, and every number: one smooth function of all that is doubtful.

The bow's limbs stand before its handle, or behind it, by the brace height. The camera, a little to one side, sees them shifted by
that; so each place of the bow is put into its own depth first, and then looked at along the marks' normal.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tillerlens.core.errors import NeedsHelp
from tillerlens.core.robust import mad_u
from tillerlens.core.shot import Shot
from tillerlens.photo.camera import N_PARAMETERS, Camera, CameraFit, with_theta
from tillerlens.shape.settle import LENGTH_U_MM, UNEVEN_MM
from tillerlens.shape.uncertainty import as_seen, from_seen, seen_by_theta
from tillerlens.trace.path import CLICKS

Array = NDArray[np.float64]

# Half a grip's depth less half a limb's: so far behind the grip's middle the limbs leave the fades (common practice, no source).
HALF_LIMB_MM, ROOT_U_MM = 6.5, 4.0
USUAL_GRIP_MM, USUAL_GRIP_U_MM = 38.0, 8.0  # where no thickness is given
RULER_U_MM = 1.5  # brace height and thickness by ruler, to a sixteenth, and where on the handle it was laid
USUAL_BRACE_MM, USUAL_BRACE_U_MM = 150.0, 20.0  # where none is given (common practice, no source)
# A bow hangs parallel to its marks to a degree or so, and one limb bends more than the other: its nocks stand so much further and
# nearer than the string's middle.
NOD_U_MM = 14.0
REST_U_MM, REST_NOD_U_MM = 18.0, 6.0  # of the nocks before or behind the handle, where the bow is unstrung
BEND_POWER, BEND_POWER_U = 2.4, 0.3  # depth grows as that power of the way from fade to nock, when braced
PAST_MM, PAST_U_MM, PAST_APART_U_MM = 20.0, 12.0, 4.0  # of wood past a nock, alike at both ends (common practice, no source)
# Seen from one side a limb shows some of its side wall: as much of its thickness as is not rounded off.
WALL_MM, WALL_U_MM = 3.5, 2.5
NOCK_FIT_MM = (8.0, 70.0)  # inside a nock, where its limb's middle is read: the loop hides the nock itself
HANDLE_FIT, LEAST_FIT_MM = 0.33, 12.0  # of the handle's length, at either side of its centre; and at the least
STRAY, STRAY_MM, STRAY_ROUNDS = 1.5, 0.05, 8  # of the scatter about the handle's line, from where on a place counts for less
LEAST_SEEN = 3  # columns beside a station, for its width to be told
STATION_MM, HALF_WINDOW_MM = 100.0, 12.0
SMOOTH_MM = 12.0
# Of a grip's middle, alone: a wrap's shaded side is as dark as the ground, and what it hangs on crosses its edges.
GRIP_U_MM = 0.6
END_MM = 40.0  # of a limb's end: there it lies on the line between handle and nock by definition
PAST_NOCK = 1.1  # of the way from fade to nock, up to which the bend goes on
KNOTS = np.linspace(-1.0, 1.0, 7)  # along the bow, lower nock to upper: an edge strays for so long at a time
_EXTRA = ("standoff", "depth", "nod", "root", "power", "nock", "nock_lower", "middle", "wall", "string", "grip")
STANDOFF, DEPTH, NOD, ROOT, POWER, PAST_UP, PAST_LOW, MIDDLE, WALL, STRING, GRIP = range(N_PARAMETERS, N_PARAMETERS + len(_EXTRA))
RIGHT = N_PARAMETERS + len(_EXTRA)
LEFT = RIGHT + len(KNOTS)
SIZE = LEFT + len(KNOTS)
CAUSES = [*6 * ["marks"], "focal", *3 * ["lens"], "standoff", *4 * ["depth"], *2 * ["tip"], "middle", "wall", "string", "edge"]
CAUSES += 2 * len(KNOTS) * ["edge"]


@dataclass(frozen=True, eq=False)
class Outline:
    """What was seen: ``right_px``, ``left_px`` (N, 2) from the upper tip to the lower, NaN where not; ``string_px`` (K, 2) of the
    string's line over the handle, or None."""

    right_px: Array
    left_px: Array
    string_px: Array | None


@dataclass(frozen=True, eq=False)
class FrontShape:
    """The bow seen squarely. ``numbers`` by name, mm; ``way_mm`` (N,) along its middle from the upper tip, where ``handle`` and
    ``nocks`` are its centre and both nocks; ``middle_px``, ``right_px``, ``left_px`` (N, 2) there, gaps filled."""

    numbers: dict[str, float]
    way_mm: Array
    middle_px: Array
    right_px: Array
    left_px: Array
    handle: float
    nocks: tuple[float, float]
    depth_mm: Array = field(default_factory=lambda: np.zeros(0))  # toward the camera

    @property
    def length_mm(self) -> float:
        """Nock to nock along the limbs."""
        return self.nocks[1] - self.nocks[0]


def not_as_long(shorter: bool, **facts: float) -> NeedsHelp:
    """What to raise where the wood that was followed can't be the bow that was typed."""
    return NeedsHelp(
        f"What was followed is {'shorter' if shorter else 'longer'} than the length typed for the bow.",
        "Check the bow's length nock to nock, the marks' distances and the standoff.",
        clicks=CLICKS,
        fault="length",
        **facts,
    )


def prior(fit: CameraFit, shot: Shot, edge_u_mm: Array, string_u_mm: float) -> tuple[Array, Array]:
    """Mean (SIZE,) and covariance (SIZE, SIZE) of all that is doubtful, before the bow's length is held against it.

    ``edge_u_mm`` (2, 7): of the right and the left edge about each of the ``KNOTS``; ``string_u_mm``: of the string across.
    """
    to_seen = seen_by_theta(fit.camera.theta)
    mean, u = np.zeros(SIZE), np.zeros(SIZE)
    mean[:N_PARAMETERS] = as_seen(fit.camera.theta)
    sign = 1.0 if shot.facing == "belly" else -1.0
    thick, thick_u = (shot.handle_thickness_mm, RULER_U_MM) if shot.handle_thickness_mm else (USUAL_GRIP_MM, USUAL_GRIP_U_MM)
    mean[STANDOFF], u[STANDOFF] = shot.standoff_mm, shot.standoff_u_mm
    mean[ROOT], u[ROOT] = -sign * (thick / 2 - HALF_LIMB_MM), float(np.hypot(ROOT_U_MM, thick_u / 2))
    if shot.state == "braced":
        brace, brace_u = (shot.brace_height_mm, RULER_U_MM) if shot.brace_height_mm else (USUAL_BRACE_MM, USUAL_BRACE_U_MM)
        mean[DEPTH], u[DEPTH] = sign * (thick / 2 + brace), float(np.hypot(brace_u, thick_u / 2))
        u[NOD] = NOD_U_MM
    else:
        mean[DEPTH], u[DEPTH], u[NOD] = mean[ROOT], REST_U_MM, REST_NOD_U_MM
    mean[POWER], u[POWER] = BEND_POWER, BEND_POWER_U
    mean[WALL], u[WALL] = WALL_MM, WALL_U_MM
    mean[[PAST_UP, PAST_LOW]] = PAST_MM
    if shot.upper_limb_length_mm is not None:
        mean[MIDDLE], u[MIDDLE] = shot.nock_to_nock_mm / 2 - shot.upper_limb_length_mm, LENGTH_U_MM
    else:
        u[MIDDLE] = UNEVEN_MM
    u[STRING], u[GRIP] = string_u_mm, GRIP_U_MM
    u[RIGHT:] = edge_u_mm.ravel()
    covariance = np.diag(u**2)
    covariance[:N_PARAMETERS, :N_PARAMETERS] = to_seen @ fit.covariance @ to_seen.T
    both, apart = PAST_U_MM**2, PAST_APART_U_MM**2
    covariance[PAST_UP : PAST_LOW + 1, PAST_UP : PAST_LOW + 1] = [[both + apart, both - apart], [both - apart, both + apart]]
    return mean, covariance


def settled(mean: Array, covariance: Array, length: Callable[[Array], float], length_mm: float) -> tuple[Array, Array, float]:
    """The bow's known length held against the picture: mean, covariance, and by how many standard uncertainties they differed."""
    at, off = mean.copy(), 0.0
    for turn in range(2):
        slope = slopes(lambda x: np.array([length(x)]), at, covariance)[0]
        spread = float(slope @ covariance @ slope) + LENGTH_U_MM**2
        miss = length_mm - length(at) - float(slope @ (mean - at))
        off = miss / np.sqrt(spread) if turn == 0 else off
        gain = covariance @ slope / spread
        at = mean + gain * miss
    return at, covariance - np.outer(gain, gain) * spread, off


def slopes(values: Callable[[Array], Array], at: Array, covariance: Array) -> Array:
    """How ``values`` (M,) change with each doubt: (M, SIZE), by central differences of half a standard uncertainty."""
    u = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    out = []
    for k in range(SIZE):
        step = np.zeros(SIZE)
        step[k] = 0.5 * u[k]
        out.append((values(at + step) - values(at - step)) / u[k] if u[k] > 0 else np.zeros_like(values(at)))
    return np.asarray(out).T


def shape(x: Array, outline: Outline, camera: Camera, shot: Shot) -> FrontShape:
    """Every number of the front view at one setting ``x`` (SIZE,) of all that is doubtful."""
    cam = with_theta(camera, from_seen(x[:N_PARAMETERS]))
    right_px, left_px = _gaps_filled(outline.right_px, outline.left_px)
    s, nocks, handle, depth = laid(cam, (right_px + left_px) / 2, x, shot)
    if any(_window(s, nocks[k], k).sum() < 2 for k in (0, 1)):
        raise not_as_long(shorter=True, ratio=float(s[-1]) / shot.nock_to_nock_mm)
    right, left = (cam.to_plane(px, x[STANDOFF] + depth) for px in (right_px, left_px))
    ends = [_middle_at(s, (right + left) / 2, nocks[k], k) for k in (0, 1)]
    up = (ends[0] - ends[1]) / np.linalg.norm(ends[0] - ends[1])
    across = np.array([-up[1], up[0]])
    at = np.where(s < handle, (handle - s) / (handle - nocks[0]), (handle - s) / (nocks[1] - handle))
    r = (right - ends[1]) @ across + np.interp(at, KNOTS, x[RIGHT:LEFT])
    le = (left - ends[1]) @ across + np.interp(at, KNOTS, x[LEFT:])
    along = ((right + left) / 2 - ends[1]) @ up
    mid, width = (r + le) / 2, r - le
    # the edges' own doubts move the nocks' middles too: once more onto the line between them
    tips = [_at(s, mid, nocks[k], k) for k in (0, 1)]
    a_tips = [float(np.interp(nocks[k], s, along)) for k in (0, 1)]
    slope = (tips[0] - tips[1]) / (a_tips[0] - a_tips[1])
    mid = mid - tips[1] - slope * (along - a_tips[1])
    near = np.abs(s - handle) < max(HANDLE_FIT * shot.handle_mm, LEAST_FIT_MM)
    line = _steady_line(s[near] - handle, mid[near])
    h, a_h = float(line[1]) + x[GRIP], float(np.interp(handle, s, along))
    numbers = {"tip_line": h}
    smooth = ndimage.gaussian_filter1d(mid, SMOOTH_MM / float(np.median(np.diff(s))), mode="nearest")
    for k, name in enumerate(("upper", "lower")):
        part = (s > nocks[0]) & (s < handle) if k == 0 else (s > handle) & (s < nocks[1])
        rise = a_tips[k] - a_h
        off = (smooth[part] - h * (1 - (along[part] - a_h) / rise)) / np.hypot(1, h / rise)
        # the nock lies on the line by definition; on the stiff handle wrap, string and what it hangs on cross the edges
        from_handle = np.abs(s[part] - handle) - shot.handle_mm / 2
        off = off * np.clip(np.minimum(np.abs(s[part] - nocks[k]), from_handle) / END_MM, 0, 1)
        numbers[f"side_bend_{name}"] = float(off[np.argmax(np.abs(off))])
        numbers[f"bend_at_{name}"] = float(np.abs(s[part] - handle)[np.argmax(np.abs(off))])
        numbers[f"other_way_{name}"] = float(off.max() if off[np.argmax(np.abs(off))] < 0 else off.min())
        from_nock = np.abs(s - nocks[k])
        reach = np.abs(handle - nocks[k]) - shot.handle_mm / 2
        numbers[f"reach_{name}"] = float(reach)
        # more of them, and from farther beside each, than are told: where nocks and depth are moved a little, none may go missing
        for d in np.arange(STATION_MM, np.abs(handle - nocks[k]), STATION_MM):
            here = part & (np.abs(from_nock - d) < HALF_WINDOW_MM)
            if here.sum() < LEAST_SEEN:
                here = part & (np.abs(from_nock - d) < 2 * HALF_WINDOW_MM)
            if here.sum() < 2:
                continue
            w = float(np.polyfit(from_nock[here] - d, width[here], 1)[1])
            lean = float(np.polyfit(along[here], mid[here], 1)[0])
            seen_from = abs(float((cam.centre_mm[:2] - ends[1]) @ across - np.mean(r[here] + le[here]) / 2)) / (
                -float(cam.centre_mm[2]) - x[STANDOFF] - float(np.mean(depth[here]))
            )
            numbers[f"width_{name}_{d:.0f}"] = (w - seen_from * x[WALL]) / float(np.hypot(1, lean))
    if outline.string_px is not None and shot.state == "braced":
        lower_at = cam.to_plane(outline.string_px, x[STANDOFF] + x[DEPTH])
        sa, sr = (lower_at - ends[1]) @ up, (lower_at - ends[1]) @ across
        sr = sr - tips[1] - slope * (sa - a_tips[1])
        p = np.polyfit(sa - a_h, sr, 1)
        numbers["string_line"] = float(p[1]) + x[STRING] - h
    return FrontShape(numbers, s, (right_px + left_px) / 2, right_px, left_px, handle, nocks, depth)


def laid(cam: Camera, middle_px: Array, x: Array, shot: Shot) -> tuple[Array, tuple[float, float], float, Array]:
    """The limb's middle (N, 2) px, from tip to tip, laid into its depth: way along it (N,), both nocks and the handle's centre on
    that way, and depth (N,), all mm."""
    depth = np.zeros(len(middle_px))
    for _ in range(3):
        xy = cam.to_plane(middle_px, x[STANDOFF] + depth)
        s = np.r_[0, np.cumsum(np.linalg.norm(np.diff(np.column_stack([xy, depth]), axis=0), axis=1))]
        nocks = (float(x[PAST_UP]), float(s[-1] - x[PAST_LOW]))
        handle = (nocks[0] + nocks[1]) / 2 - float(x[MIDDLE])
        depth = _depth(s, nocks, handle, x, shot)
    return s, nocks, handle, depth


def _depth(s: Array, nocks: tuple[float, float], handle: float, x: Array, shot: Shot) -> Array:
    """How far (N,) each place of the limb's middle stands before the handle's: mm toward the camera."""
    out = np.zeros(len(s))
    half = shot.handle_mm / 2
    for k, way in ((0, 1.0), (1, -1.0)):
        reach = abs(handle - nocks[k])
        on = (s < handle) if k == 0 else (s >= handle)
        d = np.abs(s[on] - handle)
        root = x[ROOT] * np.clip(d / max(half, 1.0), 0, 1) ** 2
        share = np.clip((d - half) / (reach - half), 0, PAST_NOCK)
        out[on] = root + (x[DEPTH] + way * x[NOD] - x[ROOT]) * share ** x[POWER]
    return out


def _gaps_filled(right: Array, left: Array) -> tuple[Array, Array]:
    """Both edges with the gaps of one filled by the other's and the width between them, and those of both straight across."""
    at = np.arange(len(right), dtype=float)
    have = [np.isfinite(e[:, 0]) for e in (right, left)]
    both = have[0] & have[1]
    across = np.column_stack([np.interp(at, at[both], (right - left)[both, k]) for k in (0, 1)])
    out = []
    for own, other, mine, way in ((right, left, have[0], 1), (left, right, have[1], -1)):
        e = np.where(mine[:, None], own, other + way * across)
        ok = np.isfinite(e[:, 0])
        out.append(np.column_stack([np.interp(at, at[ok], e[ok, k]) for k in (0, 1)]))
    return out[0], out[1]


def _steady_line(at: Array, values: Array) -> Array:
    """Slope and value at 0 of a straight line through most of the values: what a handle hangs on hides its edges in part."""
    weight = np.ones(len(at))
    for _ in range(STRAY_ROUNDS):
        line = np.polyfit(at, values, 1, w=np.sqrt(weight))
        off = np.abs(values - np.polyval(line, at))
        weight = 1 / (1 + (off / (STRAY * mad_u(off, 0.0) + STRAY_MM)) ** 2)
    return np.asarray(line)


def _window(s: Array, nock: float, end: int) -> NDArray[np.bool_]:
    inward = (s - nock) * (1 if end == 0 else -1)
    return np.asarray((inward > NOCK_FIT_MM[0]) & (inward < NOCK_FIT_MM[1]))


def _at(s: Array, values: Array, nock: float, end: int) -> float:
    near = _window(s, nock, end)
    return float(np.polyfit(s[near] - nock, values[near], 1)[1])


def _middle_at(s: Array, xy: Array, nock: float, end: int) -> Array:
    return np.array([_at(s, xy[:, k], nock, end) for k in (0, 1)])
