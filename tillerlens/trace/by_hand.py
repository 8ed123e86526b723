"""Clicks and corrections mapped onto the straightened bow: nocks, the handle, places on an edge.

A click that agrees with the picture only sharpens it; one that disagrees overrides it. One beside the trace, or one that
contradicts another, raises ``NeedsHelp``.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.errors import NeedsHelp
from tillerlens.core.shot import Shot
from tillerlens.trace.ends import Ends
from tillerlens.trace.path import CLICKS
from tillerlens.trace.reading import NOCKS
from tillerlens.trace.straighten import MIDDLE_ROW, Band, Strip

Array = NDArray[np.float64]

CLICK_AGREES_PX = 6.0
BESIDE = 1.0  # of the limb's thickness: how far beside its middle a nock may be clicked
HANDLE_OFF_MM = 45.0  # from the line between the limbs to the middle of the deepest grip, and something for the hand
NOT_SEEN_BEFORE = 30  # columns before a clicked nock: the limb is carried on to it
CLICK_U_PX, BY_HAND_U_PX = 2.5, 1.0  # of a nock that is clicked, and of one that is set with care
LEAST_COLUMNS = 100  # of a strip: a shorter one shows no bow
END_STRETCH = 20  # points of the coarse path that give the direction at its end
FARTHEST_CORRECTED = 0.9  # of half the strip's width, which shows two limbs' thickness at either side
LEAST_THICK_ROWS = 2.0
CORRECTION_REACH = 25.0  # columns at either side of a corrected place that it influences
TO_BACK = {"up": (0, -1), "down": (0, 1), "left": (-1, 0), "right": (1, 0)}  # in the pixel frame


def column_at(strip: Strip, place: tuple[float, float]) -> int:
    """The strip's column nearest to a place (x, y) px."""
    return int(np.argmin(np.linalg.norm(strip.path - np.array(place), axis=1)))


def row_at(strip: Strip, column: int, place: tuple[float, float]) -> float:
    """The row, in a column of the strip, beside which a place (x, y) px lies."""
    return MIDDLE_ROW + float((np.array(place) - strip.path[column]) @ strip.normal[column]) / strip.step


def ask_to_move(text: str, wants: str) -> NeedsHelp:
    """The refusal of a click that contradicts what is seen or another click."""
    remedy = "Move the handle to where it is, or take it away." if wants == "handle" else "Move the nocks to where they are."
    return NeedsHelp(text, remedy, clicks=CLICKS, fault="click", wants=wants)


def path_to_clicks(coarse: Array, shot: Shot) -> Array:
    """The coarse path (N, 2) px, carried on to a clicked nock beyond its end. Raises ``NeedsHelp`` for one far beside it."""
    path = coarse
    for name, end, inward in zip(NOCKS, (0, -1), (END_STRETCH, -END_STRETCH - 1), strict=True):
        if name not in shot.clicks:
            continue
        click = np.array(shot.clicks[name])
        leg = click - path[end]
        run = path[end] - path[np.clip(inward, -len(path), len(path) - 1)]
        along = float(leg @ run) / max(float(np.linalg.norm(run)), 1e-9)
        if along <= 1.0:
            continue
        if np.linalg.norm(leg) > 2 * along:  # more to the side than onward
            raise _nock_beside(name)
        path = np.vstack([click[None], path] if end == 0 else [path, click[None]])
    return path


def between_clicks(strip: Strip, band: Band, found: tuple[float, float], shot: Shot) -> tuple[tuple[float, float], Band]:
    """The end columns with the clicked nocks in place of those found, and the band as far as they reach."""
    column, reach = list(found), [band.first, band.last]
    for k, name in enumerate(NOCKS):
        if name in shot.clicks:
            column[k] = float(column_at(strip, shot.clicks[name]))
            reach[k] = int(column[k])
    if column[1] - column[0] < LEAST_COLUMNS:
        raise ask_to_move("Too little of what was followed lies between the clicked nocks.", "nock_upper")
    return (column[0], column[1]), Band(band.upper_row, band.lower_row, reach[0], reach[1])


def middle_to_clicks(strip: Strip, columns: Array, middle: Array, shot: Shot) -> tuple[Array, Array]:
    """The limb's middle (rows at columns) carried on to the clicked nocks where it was not seen up to them."""
    for k, name in zip((0, -1), NOCKS, strict=True):
        if name not in shot.clicks:
            continue
        at = column_at(strip, shot.clicks[name])
        row = row_at(strip, at, shot.clicks[name])
        if abs(at - columns[k]) > NOT_SEEN_BEFORE:
            onward = [at, *columns] if k == 0 else [*columns, at]
            columns, middle = np.array(onward, float), np.array([row, *middle] if k == 0 else [*middle, row])
    return columns, middle


def clicked_ends(strip: Strip, ends: Ends, shot: Shot, thick_px: float) -> tuple[Ends, tuple[bool, bool]]:
    """The ends with the clicked nocks, and which of them a click has moved.

    A click that agrees with the limb's end leaves it alone, since the end is the sharper; one that does not rules, since tips
    often stand past the nocks. Raises ``NeedsHelp`` where one lies beside what was followed.
    """
    column, u, ruled = list(ends.column), list(ends.u_columns), [False, False]
    for k, name in enumerate(NOCKS):
        if name in shot.clicks:
            at = column_at(strip, shot.clicks[name])
            if np.linalg.norm(np.array(shot.clicks[name]) - strip.path[at]) > BESIDE * thick_px + CLICK_AGREES_PX:
                raise _nock_beside(name)
            by_hand = name in shot.set_by_hand
            if by_hand or abs(at - ends.column[k]) * strip.step > CLICK_AGREES_PX:
                column[k], u[k], ruled[k] = float(at), (BY_HAND_U_PX if by_hand else CLICK_U_PX) / strip.step, True
            else:
                u[k] = min(u[k], CLICK_U_PX / strip.step)
    return Ends((column[0], column[1]), ends.clear, (u[0], u[1])), (ruled[0], ruled[1])


def ends_at_nocks(strip: Strip, ends: Ends, nocks: Mapping[str, tuple[float, float]]) -> tuple[Ends, tuple[bool, bool]]:
    """The ends moved to the nocks that the string has shown, px, and which of them were."""
    column, u = list(ends.column), list(ends.u_columns)
    for k, name in enumerate(NOCKS):
        if name in nocks:
            column[k] = float(column_at(strip, nocks[name]))
            u[k] = CLICK_U_PX / strip.step
    return Ends((column[0], column[1]), ends.clear, (u[0], u[1])), (NOCKS[0] in nocks, NOCKS[1] in nocks)


def check_handle(strip: Strip, shot: Shot, px_per_mm: float) -> None:
    """Raise ``NeedsHelp`` unless what was followed passes the clicked handle, which may be the middle of the deepest grip."""
    if "handle" in shot.clicks:
        at = column_at(strip, shot.clicks["handle"])
        off = float(np.linalg.norm(np.array(shot.clicks["handle"]) - strip.path[at]))
        if off > HANDLE_OFF_MM * px_per_mm + CLICK_AGREES_PX:
            raise NeedsHelp(
                f"What was followed passes the clicked handle {off:.0f} px away.",
                "Move the handle to the middle of the grip, or retake with the bow clear of things of its own shape.",
                clicks=CLICKS,
                off_px=off,
                fault="beside",
                wants="handle",
            )


def corrections(strip: Strip, shot: Shot) -> tuple[Array, Array]:
    """Places (K, 2: column, row) that a person has put on the left-hand and the right-hand edge."""
    out: tuple[list[tuple[float, float]], list[tuple[float, float]]] = ([], [])
    for side, places in shot.edges_px.items():
        for place in places:
            at = column_at(strip, place)
            if np.linalg.norm(np.array(place) - strip.path[at]) > FARTHEST_CORRECTED * MIDDLE_ROW * strip.step:
                raise NeedsHelp(
                    f"The place set on the {side}'s edge at ({place[0]:.0f}, {place[1]:.0f}) lies nowhere near the bow.",
                    "Set it on the limb's edge, or take it away.",
                    clicks=CLICKS,
                    fault="click",
                    wants=f"edge_{side}",
                    place_px=place,
                )
            toward_back = float(strip.normal[at] @ np.array(TO_BACK[shot.back], float)) > 0
            out[int(toward_back == (side == "back"))].append((float(at), row_at(strip, at, place)))
    left, right = (np.array(sorted(side), float).reshape(-1, 2) for side in out)
    for column, row in left:
        if (right[np.abs(right[:, 0] - column) < CORRECTION_REACH / 2, 1] <= row + LEAST_THICK_ROWS).any():
            x, y = strip.px(np.array(column), np.array(row))
            raise NeedsHelp(
                f"Near ({x:.0f}, {y:.0f}) the places set on the back's and on the belly's edge leave no limb between them.",
                "Set each on its own edge, or take one away.",
                clicks=CLICKS,
                fault="click",
                wants="edge_back",
                place_px=(float(x), float(y)),
            )
    return left, right


def corrected(band: Band, places: tuple[Array, Array]) -> Band:
    """The network's rows shifted toward the corrected places (``corrections``), less with distance: where edges are sought."""
    rows = []
    for row, side in zip((band.upper_row, band.lower_row), places, strict=True):
        seen = np.nonzero(~np.isnan(row))[0]
        if len(side) == 0 or len(seen) == 0:
            rows.append(row)
            continue
        column = np.arange(len(row))
        known = np.interp(column, seen, row[seen])
        pull = np.exp(-0.5 * ((column[:, None] - side[:, 0]) / CORRECTION_REACH) ** 2)
        off = side[:, 1] - np.interp(side[:, 0], seen, row[seen])
        moved = known + (pull * off).sum(1) / np.maximum(pull.sum(1), 1.0)
        near = pull.max(1) > 0.5
        rows.append(np.where(near | ~np.isnan(row), moved, np.nan))
    return Band(rows[0], rows[1], band.first, band.last)


def string_beside(name: str, place: tuple[float, float]) -> NeedsHelp:
    """The refusal of a limb that was followed elsewhere than to where its string seems to sit."""
    limb = name.removeprefix("nock_")
    return NeedsHelp(
        f"The string seems to end beside the {limb} limb that was followed.",
        f"Click the {limb} nock, where the string sits.",
        clicks=CLICKS,
        fault="click",
        wants=name,
        place_px=place,
    )


def _nock_beside(name: str) -> NeedsHelp:
    limb = name.removeprefix("nock_")
    return NeedsHelp(
        f"The {limb} nock, as clicked, lies beside the limb that was followed.",
        f"Move the {limb} nock to the middle of the limb.",
        clicks=CLICKS,
        fault="beside",
        wants=name,
    )
