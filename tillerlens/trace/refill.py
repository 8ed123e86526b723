"""Stretches of a limb where its silhouettes were lost, between two where they are sure: looked for again along the fair line.

A ruled line, a tool or a joint that runs beside a limb can draw both edges away for a hand's breadth. The limb itself goes on
between what is known on both sides, with the thickness it has there.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tillerlens.trace.edges import Side, measure_side
from tillerlens.trace.strip import Strip

Array = NDArray[np.float64]

LEAST_LOST = 6  # stations
LEAST_BESIDE, BESIDE = 10, 60  # known stations at either side of a lost stretch: enough to carry the line over it, and the most
MOST_ISLAND = 24  # stations


def without_islands(weight: Array) -> Array:
    """Weights (N,) of a limb's stations without short stretches that were seen amid longer unseen ones: two edges that belong to
    nothing may lie a limb's thickness apart for a few columns."""
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


def refill(
    light: NDArray[np.uint16],
    strip: Strip,
    sides: tuple[Side, Side],
    cols: NDArray[np.intp],
    rows: tuple[Array, Array],
    weight: Array,
) -> tuple[Side, Side] | None:
    """Both sides with the lost stretches of one limb measured again; None where nothing was lost between two known stretches.

    ``cols`` (N,): the strip's columns of the limb's stations; ``rows``: both silhouettes there; ``weight`` (N,), 0 where lost.
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


def _runs(true: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """(start, stop) of each stretch that is true."""
    edges = np.flatnonzero(np.diff(np.r_[False, true, False]))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]
