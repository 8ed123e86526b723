"""Second search for a limb's silhouettes where they were lost between two sure stretches, along the smooth line that joins these.

A ruled line, a tool or a joint beside a limb can capture both edges for a hand's breadth. The limb itself runs on between the
sure stretches, with their thickness.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tillerlens.core.stretches import stretches_of
from tillerlens.trace.edges import Side, measure_side
from tillerlens.trace.straighten import Strip

Array = NDArray[np.float64]

LEAST_LOST = 6  # stations
LEAST_BESIDE, BESIDE = 10, 60  # known stations at either side of a lost stretch: enough to carry the line over it, and the most
MOST_ISLAND = 24  # stations
LEAST_OFF, OFF_SHARE = 2.5, 0.2  # rows, and of the thickness, from which two sides stand apart otherwise than a limb's
LEAST_WRONG = 14  # stations
BRIDGED = 7  # stations between two wrong stretches that are one
NEVER_SO_FAR = 0.4  # of the thickness
JUMP, JUMP_OVER = 0.6, 20  # of what is too much, that it must come or go by; over so many stations at either side
NEAR_STEPS, SEEN_AGAIN, STRONG = 1.3, 0.6, 0.3  # of an edge looked for again: how near, over what share, how strong
SMOOTH_STEPS = 1.0  # rows that the middle may lie off its smooth line


def without_islands(weight: Array) -> Array:
    """Weights (N,) of a limb's stations without short seen stretches between longer unseen ones: two unrelated edges may lie a
    limb's thickness apart for a few columns."""
    out = weight.copy()
    while True:
        runs = _runs(out > 0)
        gaps = [b - a for a, b in zip([r[1] for r in runs[:-1]], [r[0] for r in runs[1:]], strict=True)]
        alone = [
            (stop - start, start, stop)
            for k, (start, stop) in enumerate(runs[1:-1], start=1)
            if stop - start < min(MOST_ISLAND, (gaps[k - 1] + gaps[k]) / 2)
        ]
        if not alone:
            return out
        _, start, stop = min(alone)
        out[start:stop] = 0.0


def look_again(
    light: NDArray[np.uint16],
    strip: Strip,
    sides: tuple[Side, Side],
    cols: NDArray[np.intp],
    rows: tuple[Array, Array],
    weight: Array,
) -> tuple[Side, Side] | None:
    """Both sides with the lost stretches of one limb measured again.

    Parameters
    ----------
    light, strip : linear light, and the picture along the bow.
    sides : both silhouettes.
    cols : (N,) the strip's columns of the limb's stations.
    rows : both silhouettes there, (N,) each.
    weight : (N,), 0 where lost.

    Returns
    -------
    None where nothing was lost between two known stretches.
    """
    known = weight > 0
    places = [s.row.copy() for s in sides]
    again = False
    for start, stop in _runs(~known):
        before, after = (np.nonzero(known[part])[0] for part in (slice(0, start), slice(stop, None)))
        if stop - start < LEAST_LOST or min(len(before), len(after)) < LEAST_BESIDE:
            continue
        near = np.r_[before[-BESIDE:], stop + after[:BESIDE]]
        x = (cols[near] - cols[start]) / max(cols[stop - 1] - cols[start], 1)
        middle = np.polynomial.polynomial.Polynomial.fit(x, (rows[0] + rows[1])[near] / 2, 3)
        thick = np.polynomial.polynomial.Polynomial.fit(x, (rows[1] - rows[0])[near], 1)
        inside = np.arange(cols[start], cols[stop - 1] + 1)
        at = (inside - cols[start]) / max(cols[stop - 1] - cols[start], 1)
        for k, sign in enumerate((-0.5, 0.5)):
            proposal = np.full(len(strip.path), np.nan)
            proposal[inside] = middle(at) + sign * thick(at)
            places[k][inside] = measure_side(light, strip, proposal).row[inside]
        again = True
    return (replace(sides[0], row=places[0]), replace(sides[1], row=places[1])) if again else None


def second_outline(
    light: NDArray[np.uint16], strip: Strip, sides: tuple[Side, Side], cols: NDArray[np.intp], thick: Array
) -> tuple[Side, Side, NDArray[np.bool_]]:
    """Both sides of one limb, put right where an edge inside the limb, or a shadow beside it, was followed.

    A colour line between sapwood and heartwood, a face that catches the light and the border of a shadow are edges as clear as
    the limb's own; what they lack is the limb's thickness. Where the two sides stand apart otherwise than both limbs together
    do, each is looked for again at that distance from the other; the one that is found there, and carries the limb's middle on
    smoothly from the stretches beside, is taken.

    Parameters
    ----------
    light, strip, sides : linear light, the picture along the bow, and both silhouettes.
    cols : (N,) the strip's columns of the limb's stations.
    thick : (N,) thickness in rows that both limbs agree on.

    Returns
    -------
    Both sides, and the stations (N,) that no edge puts right.
    """
    rows = [s.row[cols].copy() for s in sides]
    off = rows[1] - rows[0] - thick
    limit = np.maximum(LEAST_OFF, OFF_SHARE * thick)
    wrong = np.zeros(len(cols), bool)
    for sign in (-1.0, 1.0):  # a stretch reaches to half of the excess that reveals it
        leaning = ndimage.binary_closing(np.pad(sign * off > limit / 2, BRIDGED), np.ones(BRIDGED))[BRIDGED:-BRIDGED]
        for start, stop in _runs(leaning):
            if (sign * off[start:stop] > limit[start:stop]).sum() >= LEAST_WRONG:
                # two limbs may really differ in thickness, but then gradually, and not by nearly half
                jumps = any(_jump(off, at) > JUMP * limit[start:stop].mean() for at in (start, stop))
                wrong[start:stop] |= jumps or float(np.nanmedian(np.abs(off / thick)[start:stop])) > NEVER_SO_FAR
    open_ = np.zeros(len(cols), bool)
    places = [s.row.copy() for s in sides]
    for start, stop in _runs(wrong):
        inside = np.arange(cols[start], cols[stop - 1] + 1)
        trusted = np.nonzero(~wrong & np.isfinite(off) & (np.abs(off) < limit / 2))[0]
        near = trusted[(trusted > start - BESIDE) & (trusted < stop + BESIDE)]
        best: tuple[float, int, Array] | None = None
        for k, sign in ((0, -1.0), (1, 1.0)):
            other = np.interp(inside, cols, _filled(rows[1 - k]))
            want = other + sign * np.interp(inside, cols, thick)
            proposal = np.full(len(strip.path), np.nan)
            proposal[inside] = want
            found = measure_side(light, strip, proposal)
            row = found.row[inside]
            seen = np.isfinite(row) & (np.abs(row - want) < NEAR_STEPS)
            usual = float(np.median(sides[k].quality[cols[trusted]])) if len(trusted) else 0.0
            if seen.mean() < SEEN_AGAIN or float(np.median(found.quality[inside])) < STRONG * usual:
                continue
            middle = (other + np.where(seen, row, np.nan)) / 2
            known, at = (rows[0] + rows[1])[near] / 2, (inside - cols[0]) / (cols[1] - cols[0])
            rough = _roughness(near.astype(float), known, at, middle)
            if best is None or rough < best[0]:
                best = (rough, k, np.where(seen, row, np.nan))
        if best is not None and best[0] < SMOOTH_STEPS:
            places[best[1]][inside] = best[2]
        else:
            open_[start:stop] = True
    return replace(sides[0], row=places[0]), replace(sides[1], row=places[1]), open_


def _jump(off: Array, at: int) -> float:
    """By how much a run of values steps at a place; 0 where too few beside it are known."""
    before, after = off[max(0, at - 2 * JUMP_OVER) : at], off[at : at + 2 * JUMP_OVER]
    before, after = before[np.isfinite(before)][-JUMP_OVER:], after[np.isfinite(after)][:JUMP_OVER]
    return abs(float(np.median(after) - np.median(before))) if min(len(before), len(after)) >= JUMP_OVER // 2 else 0.0


def _filled(row: Array) -> Array:
    seen = np.nonzero(np.isfinite(row))[0]
    return np.interp(np.arange(len(row)), seen, row[seen])


def _roughness(at: Array, middle: Array, where: Array, shown: Array) -> float:
    """How far (rows, root mean square) the middles shown at some places lie off a cubic through known ones beside them; 0 where
    too few are known to tell."""
    seen = np.isfinite(shown)
    if len(at) < 2 * LEAST_BESIDE or not seen.any():
        return 0.0
    line = np.polynomial.polynomial.Polynomial.fit(at, middle, 3)
    return float(np.sqrt(np.mean((line(where[seen]) - shown[seen]) ** 2)))


def _runs(true: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """(start, stop) of each stretch that is true, as a slice takes them."""
    return [(a, b + 1) for a, b in stretches_of(true)]
