"""From what went wrong to the one thing to ask: in words, by name, and with the place in the picture.

A refusal says what was seen, asks for one thing that is still missing, and shows where. Whoever raises ``NeedsHelp`` names what
went wrong in its field ``fault``:

=============  ==============================================================================
``lost``       nothing, too little or something else was followed
``length``     what was followed is as long as this bow cannot be; ``ratio`` to its length
``apart``      the clicked nocks are as far apart as this bow's cannot be; ``ratio``
``cut``        the limb at ``end`` runs out of the picture
``unseen``     a stretch of a limb shows no edge; ``limb``, ``share``
``edge``       an edge followed something else; ``limb``, ``share``
``click``      what was clicked contradicts itself; ``wants`` names the click that is off
``beside``     the click that ``wants`` names lies beside what was followed: one of the two is off
=============  ==============================================================================
"""

from __future__ import annotations

from typing import get_args

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.errors import Ask, NeedsHelp, PixelPoint, Reason, Wants
from tillerlens.core.measurement import Followed
from tillerlens.core.shot import Shot
from tillerlens.core.units import format_inches
from tillerlens.photo.camera import CameraFit
from tillerlens.photo.view import View, view_by_halves, view_by_marks
from tillerlens.trace.network import FinderMaps
from tillerlens.trace.picture_border import runs_out
from tillerlens.trace.reading import Prepared
from tillerlens.trace.sketch import Traced
from tillerlens.trace.verify import UNSEEN_ASK, Proof, doubtful_stretch, prove

Array = NDArray[np.float64]

ENDS = ("upper", "lower")
STAND = "Stand opposite the handle, the phone as high as the bow, and step back until both tips are in the picture."
PLAINER = "Hang the bow clear of other things, before something of another colour than its wood, and take the picture again."
LONGER_BY = 1.15  # of the bow's length: what is one clear thing and so much longer has its scale wrong
GRIP_STANDS_OUT = 2.0  # of the limbs' width in the finder's map
LEAST_ON_MAP = 0.97  # of a path that the map shows, if it is the bow's from end to end
ON_THE_BOW = 0.6  # of both lines that show as edges: what was followed is the bow, but for a stretch
REACHES = 0.04  # of the span: how near a path comes to the nocks that were clicked, if it is the bow's
AT_BORDER = 0.015  # of the picture's longer side: the finder's map ends so far inside it at most
FILLS = 0.3  # of the picture, from its middle to either end of a bow that fills it
ROUNDED_DEG = 5  # of an angle that is said
LIKELY_RATIO = (0.6, 1.6)  # of a path's length to the bow's, that may be the bow
WELL_SEEN = 0.9  # of a path, that the finder sees
# A grip on the finder's map: places along the path, map px to either side, the finder's certainty, and how near to the middle of
# the bow it must be, of its length.
GRIP_PLACES, ACROSS_PX, GRIP_LEVEL, NEAR_MIDDLE = 201, 14, 0.4, 0.25
MOST_STRETCH = 60  # places of a stretch that is shown


def one_thing(
    error: NeedsHelp,
    shot: Shot,
    size: tuple[int, int],
    fit: CameraFit | None,
    prepared: Prepared | None,
) -> Reason:
    """The refusal as reported: first the view is judged, then what went wrong, in the light of what was already given.

    Parameters
    ----------
    error : what went wrong.
    shot : what has been typed and clicked.
    size : of the picture, width and height px.
    fit, prepared : the camera and the picture; None where it did not come so far.
    """
    maps, light = (None, None) if prepared is None else (prepared.maps, prepared.light)
    followed: Followed | None = error.fields.get("followed")
    if fit is not None and (view := _view(shot, size, fit, maps, error, followed)) is not None and view.too_far:
        return aslant(view, shot)
    if "view" in error.fields:
        return aslant(error.fields["view"], shot)
    fault, code = error.fields.get("fault"), error.code
    if fault is None:
        wants = next((c for c in error.fields.get("clicks", ()) if c not in shot.clicks and c in get_args(Wants)), None)
        return Reason(code, error.text, error.remedy, None if wants is None else Ask(wants))
    text = error.text
    if fault == "cut":
        return Reason(code, text, *_cut(error, shot, followed))
    if fault == "length" and (out := _out_at(error, size)) is not None:
        return Reason(code, out.text, *_cut(out, shot, followed))
    if fault in ("length", "apart"):
        return Reason(code, *_length(error, shot, followed))
    if fault == "beside" and not {"nock_upper", "nock_lower", "handle"} <= set(shot.clicks):
        return Reason(code, text, *_find_it(shot, None))
    if fault in ("click", "beside"):
        wants = error.fields["wants"]
        place = shot.clicks.get(wants, error.fields.get("place_px"))
        return Reason(code, text, error.remedy, Ask(wants, place))
    stretch = _stretch(error, followed)
    if followed is None or light is None or stretch is None or len(followed.back_px) != len(followed.middle_px):
        return Reason(code, text, *_find_it(shot, stretch))
    if {"nock_upper", "nock_lower"} <= set(shot.clicks) or prove(light, followed.back_px, followed.belly_px).whole > ON_THE_BOW:
        return Reason(code, text, *_put_edge_right(error, shot, followed, light, stretch))
    remedy, ask = _find_it(shot, stretch)  # most of what was followed is no edge: first the bow must be found
    line = _line(followed.middle_px, followed.middle_px, stretch)
    return Reason(code, text, remedy, Ask(ask.wants, ask.place_px, line))


def check_view(fit: CameraFit, shot: Shot, size: tuple[int, int], path_px: Array | None = None, grip: int | None = None) -> None:
    """Raise ``NeedsHelp`` for a picture taken from too far aside to be measured, by the marks or by the bow's own halves.

    Parameters
    ----------
    fit, shot, size : the camera, what was typed and clicked, and the picture's width and height.
    path_px : (N, 2) from nock to nock, where it is known.
    grip : the grip's middle in it, where it is known.
    """
    view: View | None
    if fit.squared:
        view = view_by_marks(fit.camera, _ends_about(size, shot), shot.standoff_mm)
    else:
        handle = shot.clicks.get("handle") or (None if grip is None or path_px is None else tuple(path_px[grip]))
        if path_px is None or handle is None:
            return
        view = view_of_path(path_px, handle, fit.camera.focal_px, shot)
    if view is not None and view.too_far:
        reason = aslant(view, shot)
        raise NeedsHelp(reason.text, reason.remedy, clicks=(), view=view)


def outline_doubts(proof: Proof, trace: Traced) -> tuple[Reason, ...]:
    """The finished outline held against the picture: a doubt, with its stretch, where no edge shows at the line for long or where
    a back's line steps aside. Raises ``NeedsHelp`` where half of a limb's edge does not show."""
    found = doubtful_stretch(proof, trace.back_px, trace.belly_px, trace.zones["handle"])
    if found is None:
        return ()
    where = f"{found.side}'s edge of the {found.limb} limb"
    remedy = f"Set a place on the {where}, where the line is marked, if the line runs beside it."
    if found.why == "unseen":
        text = f"Along {100 * found.amount:.0f} % of its length the {where} does not show where it was drawn."
    else:
        text = f"The line drawn on the {where} jumps sideways; an edge does not."
    if found.why == "unseen" and found.amount > UNSEEN_ASK:
        raise NeedsHelp(text, remedy, clicks=(), fault="unseen", limb=found.limb, share=found.share, side=found.side)
    followed = Followed(trace.path_px, trace.back_px, trace.belly_px, trace.zones["handle"])
    stretch = _places(found.limb, found.share, followed)
    if stretch is None:
        return (Reason("outline_doubtful", text, remedy),)
    line = _line(trace.back_px if found.side == "back" else trace.belly_px, trace.path_px, stretch)
    return (Reason("outline_doubtful", text, remedy, Ask(_wants(f"edge_{found.side}"), line[len(line) // 2], line)),)


def _ends_about(size: tuple[int, int], shot: Shot) -> Array:
    """Where the bow has its ends, (2, 2) px, upper first: as clicked, else where those of one that fills the picture lie. Not as
    followed: that may be anything."""
    nocks = [shot.clicks[name] for name in ("nock_upper", "nock_lower") if name in shot.clicks]
    if len(nocks) == 2:
        return np.array(nocks, float)
    along = {"left": (-1, 0), "right": (1, 0), "top": (0, -1), "bottom": (0, 1)}[shot.upper_limb]
    out, middle = FILLS * np.array(along, float) * size, np.array(size, float) / 2
    return np.array([middle + out, middle - out])


def aslant(view: View, shot: Shot) -> Reason:
    """A picture taken from too far aside."""
    degrees = round(float(np.degrees(view.aslant)) / ROUNDED_DEG) * ROUNDED_DEG
    if view.by == "halves":
        near = "upper" if view.along > 0 else "lower"
        text = f"The {near} limb looks far longer than the other, as if seen from beside that end, about {degrees}° off square."
        known = shot.upper_limb_length_mm is not None
        uneven = "" if known else " If the limbs really are that uneven, type in the upper limb's length."
        return Reason("view", text, STAND + uneven, Ask("retake"))
    if abs(view.along) > abs(view.across):
        side = "upper" if view.along > 0 else "lower"
        text = f"The picture was taken from beside the {side} end of the bow, about {degrees}° off square."
    else:
        text = f"The picture was taken from about {degrees}° off the bow's own plane, so the limbs show their broad faces."
    return Reason("view", text, STAND, Ask("retake"))


def _view(
    shot: Shot, size: tuple[int, int], fit: CameraFit, maps: FinderMaps | None, error: NeedsHelp, followed: Followed | None
) -> View | None:
    if fit.squared:
        return view_by_marks(fit.camera, _ends_about(size, shot), shot.standoff_mm)
    if followed is None or len(followed.middle_px) < 3 or error.fields.get("fault") == "cut":  # of a cut bow one half is short
        return None
    handle = shot.clicks.get("handle")
    if shot.scale.kind == "bow_length" and not {"nock_upper", "nock_lower"} <= set(shot.clicks):
        return None  # nothing says yet whether what was followed is as long as the bow
    if handle is None and maps is not None and LIKELY_RATIO[0] < error.fields.get("ratio", 1.0) < LIKELY_RATIO[1]:
        handle = grip_on_map(maps, followed.middle_px)
    return None if handle is None else view_of_path(followed.middle_px, handle, fit.camera.focal_px, shot)


def view_of_path(path_px: Array, handle: PixelPoint, focal_px: float, shot: Shot) -> View | None:
    """The view by the two halves of a path, at either side of the handle.

    Parameters
    ----------
    path_px : (N, 2) from nock to nock.
    handle : its middle, px.
    focal_px, shot : of the lens; what was typed and clicked.

    Returns
    -------
    None where the path does not reach a nock that was clicked, and so is not the whole bow.
    """
    span = float(np.linalg.norm(path_px[0] - path_px[-1]))
    for name, end in (("nock_upper", path_px[0]), ("nock_lower", path_px[-1])):
        if name in shot.clicks and np.linalg.norm(end - np.array(shot.clicks[name])) > REACHES * span:
            return None
    step = np.linalg.norm(np.diff(path_px, axis=0), axis=1)
    at = int(np.argmin(np.linalg.norm(path_px - np.array(handle), axis=1)))
    halves = (float(step[:at].sum()), float(step[at:].sum()))
    share = None if shot.upper_limb_length_mm is None else shot.upper_limb_length_mm / shot.nock_to_nock_mm
    return view_by_halves(halves, span, focal_px, share)


def grip_on_map(maps: FinderMaps, path_px: Array) -> PixelPoint | None:
    """The middle of the grip along a path (N, 2) px, where it stands out clearly in the finder's map; else None."""
    on_map = maps.to_map(path_px)
    step = np.r_[0, np.cumsum(np.linalg.norm(np.diff(on_map, axis=0), axis=1))]
    if step[-1] < 100:
        return None
    at = np.linspace(0, step[-1], GRIP_PLACES)
    p = np.column_stack([np.interp(at, step, on_map[:, k]) for k in (0, 1)])
    along = np.gradient(p, axis=0)
    across = np.column_stack([-along[:, 1], along[:, 0]]) / np.linalg.norm(along, axis=1, keepdims=True)
    off = np.arange(-ACROSS_PX, ACROSS_PX + 0.1, 0.5)
    xy = np.round(p[:, None] + off[:, None] * across[:, None]).astype(int)
    h, w = maps.limb.shape
    seen = maps.limb[np.clip(xy[..., 1], 0, h - 1), np.clip(xy[..., 0], 0, w - 1)] > GRIP_LEVEL
    width = np.array([_run_through(row, len(off) // 2) for row in seen]) / 2
    width = np.array([np.median(width[max(0, i - 4) : i + 5]) for i in range(len(width))])
    share = np.linspace(0, 1, len(width))
    inner = np.abs(share - 0.5) < NEAR_MIDDLE
    usual, most = float(np.median(width)), float(width[inner].max())
    if usual <= 0 or np.mean(width > 0) < LEAST_ON_MAP or most < GRIP_STANDS_OUT * usual:
        return None
    over = np.nonzero(inner & (width > usual + 0.5 * (most - usual)))[0]
    x, y = maps.to_full(p[(over[0] + over[-1]) // 2])
    return float(x), float(y)


def _run_through(row: NDArray[np.bool_], middle: int) -> int:
    """How many places of a row hang together with the one nearest its middle."""
    near = np.nonzero(row[middle - 4 : middle + 5])[0]
    if len(near) == 0:
        return 0
    at = middle - 4 + int(near[np.argmin(np.abs(near - 4))])
    gaps = np.nonzero(~row)[0]
    first, last = gaps[gaps < at], gaps[gaps > at]
    return int((last[0] if len(last) else len(row)) - (first[-1] + 1 if len(first) else 0))


# --- where


def _stretch(error: NeedsHelp, followed: Followed | None) -> tuple[int, int] | None:
    """First and last place, of those that were followed, of the doubtful stretch."""
    limb, share = error.fields.get("limb"), error.fields.get("share")
    return None if followed is None or limb is None or share is None else _places(limb, share, followed)


def _places(limb: str, share: tuple[float, float], followed: Followed) -> tuple[int, int] | None:
    if followed.handle is None:
        return None
    n, (a, b) = len(followed.middle_px), followed.handle
    if limb == "handle":
        return max(a, 0), min(b, n - 1)
    nock, root = (0, a) if limb == "upper" else (n - 1, b)
    at = sorted(round(nock + s * (root - nock)) for s in share)
    first, last = max(0, min(at[0], n - 2)), min(n - 1, max(at[1], 1))
    return (first, last) if last > first else None


def _line(px: Array, middle: Array, stretch: tuple[int, int]) -> tuple[PixelPoint, ...]:
    """The stretch of an edge, or of the middle where the edge is not there."""
    a, b = stretch
    part = px[a : b + 1] if len(px) == len(middle) else middle[a : b + 1]
    part = np.where(np.isfinite(part), part, middle[a : b + 1])
    keep = np.unique(np.linspace(0, len(part) - 1, min(len(part), MOST_STRETCH)).round().astype(int))
    return tuple((float(x), float(y)) for x, y in part[keep])


# --- what


def _find_it(shot: Shot, stretch: tuple[int, int] | None) -> tuple[str, Ask]:
    """Which click is still missing; none: another picture."""
    nocks = [name for name in ("nock_upper", "nock_lower") if name not in shot.clicks]
    if len(nocks) == 2:
        return "Click the two nocks.", Ask("nock_upper")
    if nocks:
        return f"Click the {nocks[0].removeprefix('nock_')} nock too.", Ask(_wants(nocks[0]))
    if "handle" not in shot.clicks:
        return "Click the middle of the handle too.", Ask("handle")
    return PLAINER, Ask("retake")


def _put_edge_right(
    error: NeedsHelp, shot: Shot, followed: Followed, light: NDArray[np.uint16], stretch: tuple[int, int]
) -> tuple[str, Ask]:
    """Ask for a place on the edge that shows less along the stretch; where one is set there already, on the other or a retake."""
    side = error.fields.get("side")
    a, b = stretch
    if side is None:
        side = prove(light, followed.back_px, followed.belly_px).weaker_side(a, b + 1)
    lines = {"back": followed.back_px, "belly": followed.belly_px}
    other = "belly" if side == "back" else "back"
    reach = max(float(np.linalg.norm(followed.middle_px[b] - followed.middle_px[a])), 1.0)
    middle = followed.middle_px[(a + b) // 2]
    set_there = {s: any(np.linalg.norm(np.array(q) - middle) < reach for q in shot.edges_px.get(s, ())) for s in lines}
    side = other if set_there[side] else side
    line = _line(lines[side], followed.middle_px, stretch)
    if all(set_there.values()):
        return PLAINER, Ask("retake", line[len(line) // 2], line)
    limb = error.fields.get("limb")
    part = "handle" if limb == "handle" else f"{limb} limb"
    remedy = f"Set a place on the {side}'s edge of the {part}, where the line is marked."
    return remedy, Ask(_wants(f"edge_{side}"), line[len(line) // 2], line)


def _cut(error: NeedsHelp, shot: Shot, followed: Followed | None) -> tuple[str, Ask]:
    name = ENDS[error.fields["end"]]
    nock = f"nock_{name}"
    place = error.fields.get("place_px") or shot.clicks.get(nock)
    if place is None and followed is not None:
        x, y = followed.middle_px[0 if name == "upper" else -1]
        place = (float(x), float(y))
    back = "Step back and take the picture again with both tips well inside it."
    if nock in shot.clicks:
        return f"Is the {name} tip outside the picture? {back}", Ask("retake", place)
    return f"Is the {name} tip outside the picture? {back} If it is inside, click the {name} nock.", Ask(_wants(nock), place)


def _out_at(error: NeedsHelp, size: tuple[int, int]) -> NeedsHelp | None:
    """The refusal of a bow cut off, where what was followed is shorter than the bow and ends at the picture's border."""
    path = np.asarray(error.fields.get("path_px", ()), float)
    if len(path) < 2 or error.fields.get("ratio", 1.0) >= 1.0:
        return None
    room = np.minimum(path[[0, -1]], np.array(size) - 1.0 - path[[0, -1]]).min(axis=1)
    end = int(np.argmin(room))
    return runs_out(end, path[-end]) if room[end] < AT_BORDER * max(size) else None


def _length(error: NeedsHelp, shot: Shot, followed: Followed | None) -> tuple[str, str, Ask]:
    f, nocks = error.fields, {"nock_upper", "nock_lower"} <= set(shot.clicks)
    ratio = f["ratio"] if "ratio" in f else f["length_mm"] / shot.nock_to_nock_mm
    scale = said_scale(shot)
    sure = nocks or (ratio > LONGER_BY and error.fields.get("support", 0.0) > WELL_SEEN)
    if scale is None:
        wants = "length" if nocks else "nock_upper"
        check = f"Check the bow's length, {format_inches(shot.nock_to_nock_mm)} nock to nock."
        return error.text, check if nocks else "Click the two nocks.", Ask(_wants(wants))
    if sure:
        what, check = scale
        who = "the bow between the clicked nocks" if nocks else "the bow"
        also = ", and the nocks" if nocks else ""
        return f"{what} makes {who} {100 * ratio:.0f} % of its length.", f"Check {check}{also}.", Ask("scale")
    return (error.text, *_find_it(shot, None))


def said_scale(shot: Shot) -> tuple[str, str] | None:
    """The scale that was typed, as the subject of a sentence, and what of it to check; None for the bow's own length."""
    s = shot.scale
    if s.kind in ("grid", "lines_and_two_marks") and s.spacing_mm:
        return f"A spacing of {format_inches(s.spacing_mm)}", "the spacing"
    if s.kind == "aruco" and s.side_mm:
        return f"A tag side of {format_inches(s.side_mm)}", "the tags' side and places"
    if s.kind == "four_marks" and s.width_mm and s.height_mm:
        size = f"{format_inches(s.width_mm)} by {format_inches(s.height_mm)}"
        return f"A rectangle of {size}", "the distances between the four marks"
    apart = s.length_mm if s.kind == "tape" else s.marks_apart_mm
    if s.kind in ("tape", "two_marks", "stick") and apart:
        return f"A distance of {format_inches(apart)} between the marks", "that distance"
    return None


def _wants(name: str) -> Wants:
    known = {w: w for w in get_args(Wants)}
    wants: Wants = known[name]
    return wants
