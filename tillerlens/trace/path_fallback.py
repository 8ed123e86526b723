"""A second way to the bow's coarse path: the best smooth path over the network's map, by dynamic programming.

Where the map is broken by a dark wrap, faint along a limb, or torn between the bow and its shadow, a path through its
brightest places leaves the bow. The bow itself is one slender piece of wood that turns only slowly: of all the lines from
left to right that bend no faster than a limb does, this finds the one with the most limb under it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

import numpy as np
from numpy.lib.stride_tricks import as_strided, sliding_window_view
from numpy.typing import NDArray

Array = NDArray[np.float64]
Values = TypeVar("Values", NDArray[np.float64], NDArray[np.int8])

STRIDE = 16  # map px along the bow from knot to knot
STEEPEST = 40  # map px across it in one stride: limbs at full draw stand up to 68 degrees off the bow's run
TURN_COST = (0.0, 0.15, 0.6)  # by how many px a stride differs from the one before, in strides of full evidence
FAINT = 0.02  # of the finder's certainty: from here on a place counts
BEGIN = 99  # in the table of turns: the path begins here
NEVER = -1e9
ENDS_WITHIN = 3  # map px, of the places that it must run between


def evidence(limb: NDArray[np.float32], shadow: NDArray[np.float32]) -> Array:
    """How much each place speaks for wood, 0 ... 1, on a scale on which faint wood counts too and a shadow less."""
    seen = np.log1p(limb / FAINT) / np.log1p(1 / FAINT)
    return np.asarray(seen * (1 - 0.5 * np.clip(shadow - limb, 0, 1)), float)


def smooth_paths(
    seen: Array, leasts: Sequence[float], ends: tuple[Array, Array] | None = None, steepest: int = STEEPEST
) -> list[Array]:
    """The best smooth path for each of some levels of evidence, by dynamic programming.

    Each stride gains the mean evidence under it less the level, times its length, less what its turn costs. The path begins and
    ends where that pays. Where no path gains there is none.

    Parameters
    ----------
    seen : (h, w) evidence.
    leasts : the levels.
    ends : two places (2,) that it must run between.
    steepest : rows that a stride may rise or fall.

    Returns
    -------
    Paths (N, 2: x, y) from left to right.
    """
    h, w = seen.shape
    first, last = (0, w - 1) if ends is None else (round(float(ends[0][0])), round(float(ends[1][0])))
    xs = np.arange(first, last + 1, STRIDE)
    if len(xs) < 4:
        return []
    slopes = np.arange(-steepest, steepest + 1)
    tall = np.pad(seen.T, ((0, STRIDE), (steepest, steepest)))
    from_row = sliding_window_view(tall, h, axis=1)
    under = [_under(from_row, int(x), slopes) for x in xs[:-1]]
    lines = (_bend(xs, slopes, under, least, ends) for least in leasts)
    return [line for line in lines if line is not None]


def _bend(
    xs: NDArray[np.intp], slopes: NDArray[np.intp], under: list[Array], least: float, ends: tuple[Array, Array] | None
) -> Array | None:
    h = len(under[0])
    rows = np.arange(h)
    long = np.hypot(1.0, slopes / STRIDE)
    value = np.full(under[0].shape, 0.0 if ends is None else NEVER)
    if ends is not None:
        value[np.abs(rows - ends[0][1]) <= ENDS_WITHIN] = 0.0
    values, turns = [value], []
    for below in under:
        best, turn = _after_turning(value, begin=ends is None)
        best += (below - least) * long
        value = _arrived(best, NEVER)
        values.append(value)
        turns.append(_arrived(turn, BEGIN))
    if ends is None:
        k = int(np.argmax([v.max() for v in values]))
    else:
        k = len(values) - 1
        values[k][np.abs(rows - ends[1][1]) > ENDS_WITHIN + STRIDE] = NEVER
    row, j = (int(i) for i in np.unravel_index(int(np.argmax(values[k])), value.shape))
    if k == 0 or values[k][row, j] < NEVER / 2:
        return None
    line = [(float(xs[k]), float(row))]
    for i in range(k - 1, -1, -1):
        by = int(turns[i][row, j])  # the turn before stride i, noted where that stride arrives
        row -= int(slopes[j])
        line.append((float(xs[i]), float(row)))
        if by == BEGIN:
            break
        j -= by
    return np.array(line[::-1])


def _after_turning(value: Array, begin: bool) -> tuple[Array, NDArray[np.int8]]:
    """For each row and slope of the coming stride, the best that leads there and by how much it turned."""
    n = value.shape[1]
    best, turn = np.full(value.shape, NEVER), np.full(value.shape, BEGIN, np.int8)
    most = len(TURN_COST) - 1
    for by in range(-most, most + 1):
        of, to = slice(max(0, -by), n - max(0, by)), slice(max(0, by), n - max(0, -by))
        moved = value[:, of] - TURN_COST[abs(by)]
        better = moved > best[:, to]
        np.copyto(best[:, to], moved, where=better)
        np.copyto(turn[:, to], np.int8(by), where=better)
    if begin:
        fresh = best <= 0
        np.copyto(best, 0.0, where=fresh)
        np.copyto(turn, np.int8(BEGIN), where=fresh)
    return best, turn


def _arrived(at: Values, outside: float) -> Values:
    """What was at each row and slope (h, slopes), at the row where that slope leads; ``outside`` where none leads."""
    h, n = at.shape
    tall = np.full((h + n - 1, n), outside, at.dtype)
    tall[n // 2 : n // 2 + h] = at
    row, column = tall.strides
    # row r of slope j came from row r - (j - n // 2): one step along the slopes goes one row up
    return as_strided(tall[n - 1 :], at.shape, (row, column - row), writeable=False).copy()


def _under(from_row: Array, x: int, slopes: NDArray[np.intp]) -> Array:
    """Mean evidence (h, slopes) along the stride from each row at ``x``. ``from_row`` (w, slopes, h): the columns of the evidence
    as each slope begins to see them."""
    out = np.zeros(from_row.shape[1:])
    for k in range(0, STRIDE, 2):
        out += from_row[x + k, len(slopes) // 2 + np.round(k * slopes / STRIDE).astype(int)]
    return np.ascontiguousarray(out.T) / (STRIDE / 2)
