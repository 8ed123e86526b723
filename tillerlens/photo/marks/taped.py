"""Where four tags hang, from what a tape says between their centres: nobody hangs them in a true rectangle."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from tillerlens.core.errors import ShotError
from tillerlens.core.units import MM_PER_INCH

Pair = tuple[int, int]
CORNERS = ("top left", "top right", "bottom left", "bottom right")  # tags 0 to 3, as the printed sheets say
PAIRS: tuple[Pair, ...] = tuple(combinations(range(4), 2))
LEAST = 5  # lengths that four places depend on: two each, less where the whole lies and how it is turned
LEAST_MM, MOST_MM = 12.0, 20 * 12 * MM_PER_INCH  # from tag to tag: the smallest tag's side, and twenty feet
MOST_OFF_MM = 5.0  # three times what a tape read to a sixteenth is off, over six lengths


def places_from_tape(lengths_mm: Mapping[Pair, float]) -> NDArray[np.float64]:
    """Places (4, 2) mm of the tags, x right and y down, tag 0 at the origin and tag 1 level with it.

    ``lengths_mm``: between the centres of two tags, (0, 1) for the top side; five of the six or all, which then check each
    other: the places fit them best by least squares. Raises ``ShotError`` where there are too few or they cannot all be true.
    """
    missing = [pair for pair in PAIRS if pair not in lengths_mm]
    if len(PAIRS) - len(missing) < LEAST:
        raise ShotError(
            f"{len(lengths_mm)} lengths are not enough to place four tags.",
            "Tape the four sides and at least one way across from corner to corner.",
        )
    for (one, other), length in lengths_mm.items():
        if not LEAST_MM <= length <= MOST_MM:
            raise ShotError(
                f"Tags can't hang {length / MM_PER_INCH:g} in apart from {CORNERS[one]} to {CORNERS[other]}.",
                "Tape it from centre to centre.",
                length_mm=length,
            )
    pairs = [pair for pair in PAIRS if pair in lengths_mm]
    taped = np.array([lengths_mm[pair] for pair in pairs])
    first, second = (np.array([pair[k] for pair in pairs]) for k in (0, 1))

    def places(q: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.array([[0.0, 0.0], [q[0], 0.0], [q[1], q[2]], [q[3], q[4]]])

    def off(q: NDArray[np.float64]) -> NDArray[np.float64]:
        at = places(q)
        return np.asarray(np.hypot(*(at[first] - at[second]).T) - taped)

    across, down = (max(lengths_mm.get(pair, 0.0) for pair in sides) for sides in (((0, 1), (2, 3)), ((0, 2), (1, 3))))
    found = least_squares(off, np.array([across, 0.0, down, across, down]), x_scale=max(across, down))
    worst = int(np.argmax(np.abs(found.fun)))
    if abs(found.fun[worst]) > MOST_OFF_MM:
        a, b = (CORNERS[k] for k in pairs[worst])
        inches = abs(found.fun[worst]) / MM_PER_INCH
        raise ShotError(
            f"These lengths cannot all be true: that from {a} to {b} is off by {inches:.1f} in or more.",
            "Tape it again from centre to centre, and then the others.",
            off_mm=float(found.fun[worst]),
        )
    return places(found.x)
