"""What was pointed at in a picture, held against itself and the picture before it is used. Frame: as in ``shot``."""

from __future__ import annotations

import math
from collections.abc import Iterator

from tillerlens.core.errors import ShotError
from tillerlens.core.reading import BRIEF, shown
from tillerlens.core.shot import Point, Shot, shot_schema
from tillerlens.core.units import MM_PER_INCH

# How nocks, handle and hook can lie in a picture, as shares of the distance between the nocks; all of them generous.
ONE_SPOT_PX = 25.0  # a double tap's two clicks lie nearer together
LEAST_APART = 0.1  # of the picture's longer side, nock to nock: a smaller bow cannot be measured
HANDLE_BETWEEN, HANDLE_BESIDE = (0.2, 0.8), 0.6
HOOK_BETWEEN = (0.1, 0.9)
LEAST_HANDLE_MM = 2 * MM_PER_INCH  # a hand is twice as broad
UPPER_SHARE = (0.3, 0.7)  # of the bow's length; the most uneven bows are gripped at a third of it
ASIDE = 0.03  # what a click may be off across the bow
LEAST_CORNER_PX = 25.0  # how far a corner stands off the line between its neighbours

CLICK_UPRIGHT = "Click in the upright, full-size picture."
_WAYS = {"left": (-1.0, 0.0), "right": (1.0, 0.0), "top": (0.0, -1.0), "bottom": (0.0, 1.0)}
_WAYS |= {"up": _WAYS["top"], "down": _WAYS["bottom"]}


def named_places(shot: Shot) -> Iterator[tuple[str, Point]]:
    """Every place that was pointed at, with its name."""
    clicks = shot_schema()["properties"]["clicks"]["properties"]
    yield from ((f"mark {i}", mark) for i, mark in enumerate(shot.marks_px, start=1))
    yield from ((clicks.get(name, {}).get("title", f"click {shown(name, BRIEF)}"), at) for name, at in shot.clicks.items())
    for side, places in shot.edges_px.items():
        yield from ((f"corrected place {i} of the {side}", at) for i, at in enumerate(places, start=1))


def check_places(shot: Shot, size: tuple[int, int]) -> None:
    """Raise ShotError when what was pointed at cannot be right in a picture of this size, (width, height) px, or nothing can have
    been weighed.

    Apart from ``read_shot``, so that a shot kept by an earlier version can be opened and put right.
    """
    width, height = size
    if shot.draw_weight_n == 0:
        raise ShotError("The draw weight is zero.", "Give what the scale read, or leave it out.", field="scale_reading_lb")
    known = shot_schema()["properties"]["clicks"]["properties"]
    for name in shot.clicks:
        if name not in known:
            choices = ", ".join(known)
            raise ShotError(
                f"There is no place called '{shown(name, BRIEF)}' to click.", f"Use one of: {choices}.", field="clicks"
            )
    for name, (x, y) in named_places(shot):
        if not (-0.5 <= x <= width - 0.5 and -0.5 <= y <= height - 0.5):
            raise ShotError(
                f"The {name} at ({x:g}, {y:g}) lies outside the picture of {width} x {height} pixels.",
                CLICK_UPRIGHT,
                point=(x, y),
                size=size,
            )
    if shot.handle_mm < LEAST_HANDLE_MM:
        raise ShotError(
            f"A handle of {shot.handle_mm / MM_PER_INCH:g} in is too short to show how the bow lies in the picture.",
            "Give the grip with its fades, or the grip alone if the bow bends through the handle.",
            field="handle_in",
        )
    if shot.upper_limb_length_mm is not None:
        share = shot.upper_limb_length_mm / shot.nock_to_nock_mm
        if not UPPER_SHARE[0] <= share <= UPPER_SHARE[1]:
            raise ShotError(
                f"The upper limb is said to be {100 * share:.0f} % of the bow's length, handle's centre to nock; no bow is that "
                "uneven.",
                "Give it from the handle's centre to the upper nock, or leave it out.",
                share=share,
            )
    _check_corners(shot)
    _check_nocks(shot, max(size))
    _check_handle(shot, max(size))
    _check_hook(shot)
    _check_edges(shot)


def _check_corners(shot: Shot) -> None:
    if shot.scale.kind != "four_marks":
        return
    corners = shot.marks_px
    for i, b in enumerate(corners):
        a, c = corners[i - 1], corners[(i + 1) % 4]
        off = abs((c[0] - a[0]) * (b[1] - a[1]) - (c[1] - a[1]) * (b[0] - a[0])) / math.dist(a, c)
        if off < LEAST_CORNER_PX:
            raise ShotError("Three of the four marks lie on one line.", "Click the four corners of a rectangle.", corner=i + 1)


def _check_nocks(shot: Shot, longer_px: int) -> None:
    if not {"nock_upper", "nock_lower"} <= set(shot.clicks):
        return
    upper, lower = shot.clicks["nock_upper"], shot.clicks["nock_lower"]
    apart = math.dist(upper, lower)
    if apart < ONE_SPOT_PX:
        raise ShotError("Both nocks are clicked on the same spot.", "Click each nock at its own end of the bow.", apart_px=apart)
    if apart < LEAST_APART * longer_px:
        raise ShotError(
            f"The clicked nocks are only {apart:.0f} pixels apart, too close for the two ends of a bow.",
            "Click each nock at its own end of the bow.",
            apart_px=apart,
        )
    toward = _WAYS[shot.upper_limb]
    if (upper[0] - lower[0]) * toward[0] + (upper[1] - lower[1]) * toward[1] <= 0:
        raise ShotError(
            f"The upper limb is said to be at the {shot.upper_limb}, but the upper nock is clicked at the bow's other end.",
            "Swap the two nocks, or say at which side the upper limb is.",
        )


def _check_handle(shot: Shot, longer_px: int) -> None:
    handle = shot.clicks.get("handle")
    if handle is None:
        return
    nocks = [shot.clicks[name] for name in ("nock_upper", "nock_lower") if name in shot.clicks]
    for nock in nocks:
        if math.dist(nock, handle) < LEAST_APART / 4 * longer_px:
            raise ShotError("The handle is clicked on a nock.", "Click the middle of the handle, and each nock at its own end.")
    if len(nocks) < 2:
        return
    along, across = _beside(handle, nocks, shot.back)
    if not HANDLE_BETWEEN[0] <= along <= HANDLE_BETWEEN[1] or abs(across) > HANDLE_BESIDE:
        raise ShotError(
            "The handle is not clicked between the two nocks.",
            "Move the handle or the nock that is off.",
            along=along,
            across=across,
        )
    if shot.state != "unstrung" and across < -ASIDE:
        raise ShotError(
            f"The back is said to look {shot.back}, but the handle is clicked on the other side of the nocks. A {shot.state} "
            f"bow bends away from its string.",
            "Say which way the back looks, or move the click that is off.",
        )


def _check_hook(shot: Shot) -> None:
    hook, handle = shot.clicks.get("hook"), shot.clicks.get("handle")
    if hook is None:
        return
    if shot.state != "drawn":
        raise ShotError(
            f"A hook is clicked, but the bow is said to be {shot.state}.", "Say that it is drawn, or leave the hook out."
        )
    back = _WAYS[shot.back]
    if handle is not None and (hook[0] - handle[0]) * back[0] + (hook[1] - handle[1]) * back[1] >= 0:
        raise ShotError(
            f"The back is said to look {shot.back}, but the hook is clicked on the back's side of the handle.",
            "Click where the string is drawn to, on the belly's side, or say which way the back looks.",
        )
    nocks = [shot.clicks[name] for name in ("nock_upper", "nock_lower") if name in shot.clicks]
    if len(nocks) < 2:
        return
    along, across = _beside(hook, nocks, shot.back)
    if not HOOK_BETWEEN[0] <= along <= HOOK_BETWEEN[1] or across > ASIDE:
        raise ShotError(
            "The hook is not clicked where a string could be drawn to: between the nocks, on the belly's side of them.",
            "Move the hook, or the nock that is off.",
            along=along,
            across=across,
        )


def _beside(at: Point, nocks: list[Point], back: str) -> tuple[float, float]:
    """Where a place lies along the line from nock to nock, 0 to 1, and how far beside it toward the back, in its lengths."""
    (ax, ay), (bx, by) = nocks
    dx, dy = bx - ax, by - ay
    long2 = dx * dx + dy * dy
    along = ((at[0] - ax) * dx + (at[1] - ay) * dy) / long2
    across = ((at[0] - ax) * -dy + (at[1] - ay) * dx) / long2
    toward = _WAYS[back]
    return along, across if -dy * toward[0] + dx * toward[1] >= 0 else -across


def _check_edges(shot: Shot) -> None:
    for one in shot.edges_px.get("back", ()):
        for other in shot.edges_px.get("belly", ()):
            if math.dist(one, other) < 1.0:
                raise ShotError(
                    f"A place at ({one[0]:g}, {one[1]:g}) is set on the back's edge and on the belly's.",
                    "Take one of the two away.",
                    point=one,
                )
