"""Find the bow: from the networks' maps to one coarse path from the upper nock to the lower, or a reason to ask.

The maps only propose. A path is believed when it is as long as the bow is known to be, is supported along its whole
length, bends the way the state asks, and has no rival; otherwise the bowyer is asked for the nocks and the handle.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree
from skimage.graph import MCP_Geometric, route_through_array

from tillerlens.core.errors import NeedsHelp
from tillerlens.core.shot import Shot, State
from tillerlens.core.units import format_inches
from tillerlens.photo.camera import Camera, CameraFit
from tillerlens.trace.network import FinderMaps
from tillerlens.trace.path_fallback import evidence, smooth_paths

Array = NDArray[np.float64]

LIMB_LEVEL, GROUND_LEVEL = 0.35, 0.03  # of the finder's certainty: what counts as limb, and what the ground is given
GAPS = (1, 3, 6, 10, 15)  # map px that are bridged, from a clear bow to a faint one
LEAST_BLOB = 12  # map px: less is no limb
PATH_SIGMA = 6  # map px, by which a coarse path is smoothed
CLEAR_LENGTH, CLEAR_SUPPORT = 0.04, 0.9  # a path this close in length and this well supported ends the search
LEAST_SUPPORT = 0.6  # of a path: less is too faint to be followed with certainty
LENGTH_WEIGHT = 2.5  # of the logarithm of a path's length over the bow's, against its support
RIVAL_LEVEL, RIVAL_LENGTH, OWN_WIDTH = 0.5, 0.5, 15  # a rival's certainty and share of the bow's length; map px about the path
ARM_POINTS, LEAST_POINTS, END_PART = 5, 40, 5  # of a corner's arm; of a path, that may have a corner in its last such part
CORNER_ARM, CORNER_RAD = 10, np.radians(40)  # map px on either side of a corner, and what turns more than a tip does
LENGTH_TOLERANCE = 0.08  # of the bow's length, where the picture is squared
LENGTH_TOLERANCE_UNSQUARED = 0.15
LEAST_PART, PART_SEEN = 0.6, 0.8  # of the bow's length, and of that what the finder must see, for the rest to be followed from it
# Of what was followed first, where it was seen well, that the smooth path must run along, and how near: two ways to one bow.
SAME_WAY, SAME_WAY_MM = 0.6, 15.0
LEAST_EVIDENCE = (0.6, 0.45, 0.3, 0.2, 0.1)  # under a stride of the smooth path, from a clear bow to a faint one
# A strung bow carries its string, and timber none: the finder's certainty of string, the share of the way from tip to tip where
# it must be seen to say so, and what all of it adds to a path's merit.
STRING_LEVEL, STRING_SHARE, STRING_MERIT = 0.3, 0.7, 0.5
NOCK_OFF = 7  # map px, within which the string passes: a path ends on the limb's outline or past its nock
LEG_POINTS, MOST_HOOKS = 60, 500  # places looked at on each leg of a string; where a hand may hold it
LEAST_DRAW = 0.05  # of the tips' distance, how far behind them the string is held at least (common practice, no source)
BORDER, AT_BORDER = 3.0, 0.5  # map pixels; of merit, that an end at the picture's border costs
# Half a tape's or a stick's width and how far from its edge its marks may have been pointed at; the share of a thing on it.
RULES, RULE_MM, ON_RULE = ("tape", "stick"), 30.0, 0.8
CLICKS = ("nock_upper", "nock_lower", "handle")
# How far apart the nocks stand in the bow's plane, as shares of its length along the back (common practice, no source): a
# strongly recurved or reflexed bow has its nocks nearer together than a straight one, a drawn one the more so.
CHORDS = {"unstrung": (0.7, 1.0), "braced": (0.7, 1.0), "drawn": (0.45, 0.98)}
CHORD_SLACK, CHORD_SLACK_UNSQUARED = 0.05, 0.25
LEAST_LIMB, MOST_LIMB = 0.25, 0.6  # handle to nock, straight
FARTHEST_SAID_MM = 10_000.0


@dataclass(frozen=True, eq=False)
class CoarsePath:
    """A path within a few pixels of the bow's middle: px (N, 2) from the upper end to the lower, about 1 px apart.

    ``support``: share of it where the finder sees limb; ``length_ratio``: its length over the bow's; ``clicked``: it runs between
    clicked nocks.
    """

    px: Array
    support: float
    length_ratio: float
    clicked: bool = False


def resample(path: Array, step: float) -> Array:
    """Points ``step`` apart along a polyline (N, 2)."""
    s = np.r_[0, np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))]
    keep = np.r_[True, np.diff(s) > 1e-9]
    at = np.arange(0, s[-1] + 1e-9, step)
    return np.column_stack([np.interp(at, s[keep], path[keep, k]) for k in (0, 1)])


def smooth_path(path: Array, sigma: float, step: float = 1.0) -> Array:
    """Resample to ``step`` and smooth by ``sigma`` px along the path; the ends stay where they are."""
    p = resample(path, step)
    s = sigma / step
    # odd reflection about the end points keeps both the ends and the end tangents
    n = min(len(p) - 1, int(4 * s) + 1)
    head, tail = 2 * p[0] - p[n:0:-1], 2 * p[-1] - p[-2 : -n - 2 : -1]
    return np.asarray(ndimage.gaussian_filter1d(np.vstack([head, p, tail]), s, axis=0, mode="nearest")[n : n + len(p)])


def plane_length(camera: Camera, px: Array, standoff_mm: float) -> float:
    """Length in mm of a pixel polyline as it lies in the bow's plane."""
    return float(np.linalg.norm(np.diff(camera.to_plane(px[:: max(1, len(px) // 200)], standoff_mm), axis=0), axis=1).sum())


def _orient(path: Array, shot: Shot) -> Array:
    """Put the upper limb's end first."""
    a, b = path[0], path[-1]
    first = {"left": a[0] < b[0], "right": a[0] > b[0], "top": a[1] < b[1], "bottom": a[1] > b[1]}[shot.upper_limb]
    return path if first else path[::-1]


def _route(cost: Array, a: Array, b: Array) -> Array:
    h, w = cost.shape
    clip = lambda q: (int(np.clip(round(q[1]), 0, h - 1)), int(np.clip(round(q[0]), 0, w - 1)))  # noqa: E731
    rows, _ = route_through_array(cost, clip(a), clip(b), fully_connected=True, geometric=True)
    return np.asarray(rows, float)[:, ::-1]


def _between_clicks(maps: FinderMaps, shot: Shot) -> CoarsePath:
    cost = _path_cost(maps)
    stops = [maps.to_map(np.array(shot.clicks[k])) for k in ("nock_upper", "handle", "nock_lower") if k in shot.clicks]
    legs = [_route(cost, a, b) for a, b in zip(stops[:-1], stops[1:], strict=True)]
    on_map = np.vstack([legs[0]] + [leg[1:] for leg in legs[1:]])
    full = maps.to_full(on_map)
    full[0], full[-1] = shot.clicks["nock_upper"], shot.clicks["nock_lower"]
    return CoarsePath(smooth_path(full, PATH_SIGMA * maps.k[0]), _support(maps, on_map), 1.0, clicked=True)


def _path_cost(maps: FinderMaps) -> Array:
    """What a step through each place of the map costs: little on the limb, and some 30 times as much where none is seen."""
    return np.asarray(1.0 / (GROUND_LEVEL + maps.limb.astype(float)))


def _support(maps: FinderMaps, on_map: Array) -> float:
    """Share of a path (N, 2), map px, where the finder sees limb."""
    return float(np.mean(_at(maps.limb, on_map) > LIMB_LEVEL))


def _at(image: NDArray[np.float32], xy: Array) -> Array:
    return ndimage.map_coordinates(cv2.dilate(image, np.ones((3, 3), np.uint8)), xy[:, ::-1].T, order=1, mode="nearest")


def _longest(mask: NDArray[np.bool_], cost: Array) -> Array:
    """The path between the two places of a blob that are farthest apart along it; map px (N, 2)."""
    ys, xs = np.nonzero(mask)
    about = slice(ys.min(), ys.max() + 1), slice(xs.min(), xs.max() + 1)  # the map is many times as large as most blobs
    mask = mask[about]
    wall = np.where(mask, cost[about], -1.0)
    far = (int(ys[0] - ys.min()), int(xs[0] - xs.min()))
    steps = np.where(mask, 1.0, -1.0)
    start = far
    for _ in range(2):
        start = far
        reach, _ = MCP_Geometric(steps).find_costs([start])
        reach[~np.isfinite(reach)] = -1
        far = tuple(int(v) for v in np.unravel_index(int(np.argmax(reach)), reach.shape))  # type: ignore[assignment]
    route, _ = route_through_array(wall, start, far, fully_connected=True, geometric=True)
    return (np.asarray(route, float) + [ys.min(), xs.min()])[:, ::-1]


def _cut_at_corners(path: Array, arm: float) -> Array:
    """Cut the ends off at a corner: there the path has left the tip and runs on along the string."""
    p = resample(path, arm / ARM_POINTS)
    if len(p) < LEAST_POINTS:
        return p
    n, m = len(p) // END_PART, ARM_POINTS
    for _ in range(2):  # one end, then (turned round) the other
        before, after = p[m:-m] - p[: -2 * m], p[2 * m :] - p[m:-m]
        turn = np.abs(np.angle((after[:, 0] + 1j * after[:, 1]) / (before[:, 0] + 1j * before[:, 1])))
        sharp = np.nonzero(turn[:n] > CORNER_RAD)[0]
        if len(sharp):
            p = p[sharp[-1] + m + 2 :]
        p = p[::-1]
    return p


def followed_longest(maps: FinderMaps, blob: NDArray[np.bool_]) -> tuple[Array, float] | None:
    """The longest path (N, 2) px through a blob of the limb's map, cut off where it runs on along the string, and the share of it
    where the finder sees limb; None for a blob too small to be any limb."""
    if blob.sum() < LEAST_BLOB:
        return None
    on_map = _longest(blob, _path_cost(maps))
    if len(on_map) < LEAST_BLOB:
        return None
    return _cut_at_corners(maps.to_full(on_map), CORNER_ARM * maps.k[0]), _support(maps, on_map)


def likely_limbs(maps: FinderMaps) -> Iterator[tuple[NDArray[np.bool_], ...]]:
    """The three heaviest blobs of the limb's map as masks, with ever wider gaps bridged: from a clear bow to a faint one."""
    strong = (maps.limb > LIMB_LEVEL) & (maps.limb > maps.string)
    for gap in GAPS:
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * gap + 1, 2 * gap + 1))
        joined = cv2.morphologyEx(strong.astype(np.uint8), cv2.MORPH_CLOSE, disc) > 0
        labels, n = ndimage.label(joined, np.ones((3, 3)))
        if n:
            mass = ndimage.sum(maps.limb * strong, labels, np.arange(1, n + 1))
            yield tuple(labels == pick + 1 for pick in np.argsort(-mass)[:3])


def candidates(maps: FinderMaps) -> Iterator[list[tuple[Array, float]]]:
    """What may be the bow, with ever wider gaps bridged: paths (N, 2) px through the map's heaviest blobs, and the share of each
    where the finder sees limb."""
    for blobs in likely_limbs(maps):
        yield [found for found in (followed_longest(maps, blob) for blob in blobs) if found is not None]


def _brightest(maps: FinderMaps, camera: Camera, shot: Shot) -> CoarsePath:
    """The path through the map's brightest places whose length and support fit the bow best."""
    best, most = None, -np.inf
    for some in candidates(maps):
        for full, support in some:
            ratio = plane_length(camera, smooth_path(full, 4 * maps.k[0]), shot.standoff_mm) / shot.nock_to_nock_mm
            found = CoarsePath(smooth_path(full, PATH_SIGMA * maps.k[0]), support, ratio)
            if along_a_rule(found.px, camera, shot):
                continue
            merit = _merit(found) - AT_BORDER * _at_border(found.px, maps)
            merit += STRING_MERIT * string_carried(maps, found.px, shot.state)
            if best is None or merit > most:
                best, most = found, merit
        clear = best is not None and abs(best.length_ratio - 1) < CLEAR_LENGTH and best.support > CLEAR_SUPPORT
        if clear and best is not None and not _at_border(best.px, maps):
            break
    if best is None:
        raise _ask("No bow was found in the picture.")
    return best


def _smoothest(maps: FinderMaps, camera: Camera, shot: Shot) -> CoarsePath:
    """The dynamic-programming path: how little evidence still counts as bow follows from the length that comes of it."""
    upright = shot.upper_limb in ("top", "bottom")
    seen = evidence(maps.limb, maps.shadow)
    clicked = {"nock_upper", "nock_lower"} <= set(shot.clicks)
    ends = None
    if clicked:
        nocks = [maps.to_map(np.array(shot.clicks[k])) for k in ("nock_upper", "nock_lower")]
        turned = sorted((q[::-1] if upright else q for q in nocks), key=lambda q: float(q[0]))
        ends = (turned[0], turned[1])
    best: CoarsePath | None = None
    for line in smooth_paths(seen.T if upright else seen, LEAST_EVIDENCE[:1] if clicked else LEAST_EVIDENCE, ends):
        if ends is not None:
            line = np.vstack([ends[0], line[1:-1], ends[1]])
        on_map = resample(line[:, ::-1] if upright else line, 1.0)
        full = smooth_path(maps.to_full(on_map), PATH_SIGMA * maps.k[0])
        ratio = 1.0 if clicked else plane_length(camera, full, shot.standoff_mm) / shot.nock_to_nock_mm
        found = CoarsePath(full, _support(maps, on_map), ratio, clicked=clicked)
        if best is None or abs(np.log(ratio)) < abs(np.log(best.length_ratio)):
            best = found
    if best is None:
        raise _ask("No bow was found in the picture.")
    return best


def string_carried(maps: FinderMaps, path: Array, state: State) -> float:
    """Share of the way from tip to tip where the finder sees a string: straight where the bow is braced, in two legs where it is
    drawn, from wherever the poorer leg is seen best; 0 for an unstrung bow.

    Parameters
    ----------
    maps : where the finder sees limb and string.
    path : (N, 2) px along what may be the bow.
    state : how the bow is said to stand.
    """
    if state == "unstrung":
        return 0.0
    seen = cv2.dilate(maps.string, np.ones((NOCK_OFF, NOCK_OFF), np.uint8)) > STRING_LEVEL
    on_map = maps.to_map(path)
    a, b = on_map[0], on_map[-1]
    apart = float(np.linalg.norm(b - a))
    if apart < LEAST_BLOB:
        return 0.0

    def share(start: Array, end: Array) -> Array:
        """Of the straight ways between starts and ends (..., 2), where the string is seen."""
        t = np.linspace(0.02, 0.98, LEG_POINTS)[:, None]
        at = np.round(start[..., None, :] * (1 - t) + end[..., None, :] * t).astype(int)
        at = np.clip(at, 0, np.array(seen.shape[::-1]) - 1)
        return np.asarray(seen[at[..., 1], at[..., 0]].mean(-1))

    if state == "braced":
        return float(share(a, b))
    across = np.array([a[1] - b[1], b[0] - a[0]]) / apart
    behind = -np.sign((on_map - a) @ across @ np.ones(len(on_map))) * across  # away from the limbs
    hooks = np.argwhere(maps.string > STRING_LEVEL)[:, ::-1].astype(float)
    hooks = hooks[(hooks - a) @ behind > LEAST_DRAW * apart]
    hooks = hooks[:: max(1, len(hooks) // MOST_HOOKS)]
    return 0.0 if not len(hooks) else float(np.minimum(share(a, hooks), share(b, hooks)).max())


def _merit(p: CoarsePath) -> float:
    return p.support - LENGTH_WEIGHT * abs(np.log(max(p.length_ratio, 1e-3)))


def _at_border(path: Array, maps: FinderMaps) -> bool:
    """Whether one end of a path (N, 2) px lies at the picture's border, as a stave's or a shelf's does that is cut off there."""
    h, w = maps.limb.shape
    ends = maps.to_map(path[[0, -1]])
    return bool(((ends < BORDER) | (ends > [w - 1 - BORDER, h - 1 - BORDER])).any())


def along_a_rule(px: Array, camera: Camera, shot: Shot) -> bool:
    """Whether something (N, 2) px lies along the tape or stick whose two marks were pointed at: that is no bow."""
    return bool(np.mean(on_a_rule(px, camera, shot)) > ON_RULE)


def on_a_rule(px: Array, camera: Camera, shot: Shot) -> NDArray[np.bool_]:
    """Which places (N, 2) px lie on the tape or stick whose two marks were pointed at, or on the line it makes."""
    if shot.scale.kind not in RULES or len(shot.marks_px) != 2:
        return np.zeros(len(px), bool)
    a, b = camera.to_plane(np.array(shot.marks_px, float), 0.0)
    along = (b - a) / np.linalg.norm(b - a)
    off = np.abs((camera.to_plane(px, 0.0) - a) @ np.array([-along[1], along[0]]))
    return np.asarray(off < RULE_MM)


def _rival(maps: FinderMaps, path: Array, camera: Camera, shot: Shot, strung: bool) -> float:
    """How long the longest other limb-like thing is, as a share of the bow's length. Where the path carries its string
    (``strung``), what carries none is no rival."""
    on_map = maps.to_map(path)
    own = np.zeros(maps.limb.shape, np.uint8)
    cv2.polylines(own, [np.round(on_map).astype(np.int32).reshape(-1, 1, 2)], False, 1, OWN_WIDTH)
    rest = (maps.limb > RIVAL_LEVEL) & (own == 0)
    labels, n = ndimage.label(cv2.dilate(rest.astype(np.uint8), np.ones((3, 3), np.uint8)), np.ones((3, 3)))
    longest = 0.0
    for j, box in enumerate(ndimage.find_objects(labels), start=1):
        ys, xs = np.nonzero(labels[box] == j)
        if along_a_rule(maps.to_full(np.column_stack([xs + box[1].start, ys + box[0].start]).astype(float)), camera, shot):
            continue
        if strung:
            other = followed_longest(maps, (labels == j) & rest)
            if other is None or string_carried(maps, other[0], shot.state) <= STRING_SHARE / 2:
                continue  # half of it is enough for a rival: its ends may be hidden
        span = np.array([[box[1].start, box[0].start], [box[1].stop, box[0].stop]], float)
        longest = max(longest, plane_length(camera, maps.to_full(span), shot.standoff_mm))
    return longest / shot.nock_to_nock_mm


def _ask(text: str, **fields: object) -> NeedsHelp:
    return NeedsHelp(text, "Click the two nocks and the middle of the handle.", clicks=CLICKS, **{"fault": "lost"} | fields)


def not_its_length(ratio: float, support: float, path_px: Array) -> NeedsHelp:
    """The refusal of something that is not as long as the bow.

    Parameters
    ----------
    ratio : of its length to the bow's.
    support : share of it where the finder sees limb.
    path_px : (N, 2).
    """
    text = f"What looks like the bow is {100 * ratio:.0f} % of the bow's length."
    return _ask(text, fault="length", ratio=ratio, support=support, path_px=path_px)


def check_against_length(camera: Camera, shot: Shot, squared: bool) -> None:
    """Raise ``NeedsHelp`` when clicked nocks, or a handle between them, are as far apart on the board as this bow's cannot be."""
    if shot.scale.kind == "bow_length":  # the nocks themselves gave the scale
        return
    slack = CHORD_SLACK if squared else CHORD_SLACK_UNSQUARED
    low, high = CHORDS[shot.state]
    names = [name for name in ("nock_upper", "handle", "nock_lower") if name in shot.clicks]
    at = dict(zip(names, camera.to_plane(np.array([shot.clicks[name] for name in names], float), shot.standoff_mm), strict=True))
    length = shot.nock_to_nock_mm
    apart = float(np.linalg.norm(at["nock_upper"] - at["nock_lower"]))
    least, most = low * length * (1 - slack), high * length * (1 + slack)
    if not least <= apart <= most:
        raise NeedsHelp(
            f"The clicked nocks are {_said(apart)} apart on the board. On a bow of {_said(length)} they are {_said(least)} to "
            f"{_said(most)} apart when it is {shot.state}.",
            "Move the nock that is off, or check the bow's length and the marks' distances.",
            clicks=CLICKS,
            apart_mm=apart,
            fault="apart",
            ratio=apart / (length * (low + high) / 2),
        )
    for limb in ("upper", "lower") if "handle" in at else ():
        reach = float(np.linalg.norm(at[f"nock_{limb}"] - at["handle"]))
        if not LEAST_LIMB * length * (1 - slack) <= reach <= MOST_LIMB * length * (1 + slack):
            raise NeedsHelp(
                f"From the clicked handle to the {limb} nock is {_said(reach)} on the board, which fits no limb of a bow of "
                f"{_said(length)}.",
                "Move the handle to the middle of the grip.",
                clicks=CLICKS,
                reach_mm=reach,
                fault="click",
                wants="handle",
            )


def _said(mm: float) -> str:
    return format_inches(mm) if mm < FARTHEST_SAID_MM else "many yards"


def find_bow(maps: FinderMaps, fit: CameraFit, shot: Shot, smooth_path: bool = False) -> CoarsePath:
    """The coarse path of the bow, upper nock to lower.

    With ``nock_upper`` and ``nock_lower`` clicked the path runs between them, and through ``handle`` where it is clicked.

    Parameters
    ----------
    maps : where the finder sees limb, string and shadow.
    fit, shot : the camera, and what was typed and clicked.
    smooth_path : take the dynamic-programming path, for where the one through the map's brightest places came to nothing. The
        bow may be faint along it.

    Raises
    ------
    NeedsHelp
        When the evidence is not clear.
    """
    camera, squared = fit.camera, fit.squared
    # the smooth path may run on past a tip as its last stride did: the strip shows where, and the length is checked then
    tolerance = LENGTH_TOLERANCE if squared and not smooth_path else LENGTH_TOLERANCE_UNSQUARED
    if {"nock_upper", "nock_lower"} <= set(shot.clicks):
        check_against_length(camera, shot, squared)
        if not smooth_path:
            return _between_clicks(maps, shot)
        path = _smoothest(maps, camera, shot)
        return replace(path, px=_orient(path.px, shot))
    path = (_smoothest if smooth_path else _brightest)(maps, camera, shot)
    px = _orient(path.px, shot)
    if path.support < LEAST_SUPPORT and not smooth_path:
        raise _ask("The bow is too faint in the picture to be followed with certainty.", support=path.support, path_px=px)
    # where a part of it is seen well the rest may be followed from there
    part = not smooth_path and LEAST_PART < path.length_ratio < 1 and path.support > PART_SEEN and not _at_border(path.px, maps)
    if abs(path.length_ratio - 1) > tolerance and not part:
        raise not_its_length(path.length_ratio, path.support, px)
    strung = string_carried(maps, path.px, shot.state) > STRING_SHARE
    rival = _rival(maps, path.px, camera, shot, strung)
    other = _other_bright_path(maps, camera, shot, path.px) if smooth_path and not strung and rival <= RIVAL_LENGTH else 0.0
    if rival > RIVAL_LENGTH or other > 0:
        raise _ask("More than one thing in the picture looks like the bow.", rival=max(rival, other), path_px=px)
    return CoarsePath(px, path.support, path.length_ratio)


def _other_bright_path(maps: FinderMaps, camera: Camera, shot: Shot, px: Array) -> float:
    """How long (as a share of the bow) the path through the map's brightest places is, where it was seen well and hardly runs
    along the smooth path (N, 2) px; 0 where both follow the same thing or the bright one is faint itself.
    """
    bright = _brightest(maps, camera, shot)
    if bright.support < PART_SEEN:
        return 0.0
    off_px, _ = cKDTree(px).query(bright.px)
    mm_per_px = plane_length(camera, px, shot.standoff_mm) / float(np.linalg.norm(np.diff(px, axis=0), axis=1).sum())
    return 0.0 if np.mean(off_px * mm_per_px < SAME_WAY_MM) > SAME_WAY else bright.length_ratio
