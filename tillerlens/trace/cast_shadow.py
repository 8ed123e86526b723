"""Which of two lines side by side is the string, and which its shadow on what is behind it.

A lamp throws the shadows of limbs and string the same way. The ground is darker along one side of the limbs, as far out as the
shadow falls; of two lines as far apart, the one that lies that way is the other's shadow. Neither colour nor width tells them
apart: a black string is darker than its shadow, and the sun's shadows are as sharp as what throws them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tillerlens.photo.light import FULL, sample
from tillerlens.trace.outline import Zones

Array = NDArray[np.float64]

# Places beside a limb, as shares of how far its shadow is supposed to fall: in it, and past it. Clear of the edge's own blur.
IN_SHADOW, PAST_SHADOW, CLEAR_PX = np.array([0.3, 0.6, 0.85]), np.array([2.0, 2.3, 2.6]), 1.5
EVERY = 4  # stations
ACROSS = 0.6  # of the shift, that must lead off the limb's edge: along the limb a shadow can't be seen
LEAST_PX, LEAST_STATIONS = 3.0, 12
LEAST_LIGHT = 2e-3  # of full light: darker ground is as dark as can be told
# Of the natural logarithm of light: a shadow is so much darker than the ground past it, at so many of the stations, and than the
# ground at the limb's other side.
DARKER, AT_MOST_STATIONS, THAN_OTHER_SIDE = -0.1, 0.6, -0.2


def falls_toward(light: NDArray[np.uint16], back_px: Array, belly_px: Array, zones: Zones, shift_px: Array) -> bool:
    """Whether the limbs' shadow falls as far as ``shift_px`` (2,), and that way.

    Parameters
    ----------
    light : linear light of the picture.
    back_px, belly_px, zones : (N, 2) silhouettes, and which of their stations are the limbs'.
    """
    stations = np.concatenate([np.arange(*zones[limb], EVERY) for limb in ("upper", "lower")])
    back, belly = back_px[stations], belly_px[stations]
    out = belly - back
    out = out / np.linalg.norm(out, axis=1, keepdims=True)
    far = out @ shift_px
    clear = np.abs(far) > max(LEAST_PX, ACROSS * float(np.linalg.norm(shift_px)))  # nothing where an edge is not seen
    if clear.sum() < LEAST_STATIONS:
        return False
    back, belly, out, far = back[clear], belly[clear], out[clear], far[clear]
    side = np.sign(far)[:, None]
    shaded, other = np.where(side > 0, belly, back), np.where(side > 0, back, belly)

    def darker(edge: Array, way: Array) -> Array:
        """By how much what is near an edge is darker than what is further out."""

        def level(shares: Array) -> Array:
            away = shares[None] * np.abs(far)[:, None] + CLEAR_PX
            grey = sample(light, edge[:, None] + way[:, None] * away[..., None]).mean(-1) / FULL
            return np.asarray(np.median(np.log(grey + LEAST_LIGHT), axis=1))

        return level(IN_SHADOW) - level(PAST_SHADOW)

    here, there = darker(shaded, side * out), darker(other, -side * out)
    return bool(np.mean(here < DARKER) > AT_MOST_STATIONS and np.median(here) - np.median(there) < THAN_OTHER_SIDE)
