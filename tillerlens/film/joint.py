"""What all measured frames of a pull tell together: how the limbs' gaps part as the bow is drawn.

Frames of one clip share bow, light and lens, so an edge that is off in one is off in all. Averaging takes nothing off that: of a
gap difference's variance hardly a hundredth is a frame's own. But from the lowest draw to the longest it stays what it is, and
what changes shows all the sharper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.measurement import Measurement, Value

Array = NDArray[np.float64]

LEAST_FRAMES, LEAST_PULL_MM = 7, 150.0  # fewer, or nearer together, tell no change from their scatter
# Of the error that all frames share, what a bow's bend changes: the limbs turn in the light and run over other parts of the lens.
# On three rendered bows it was 0.05 of its standard uncertainty (root mean square; 0.1 at most): twice that. On three clips that
# it was not taken from all 18 changes lay within two standard uncertainties of the truth, at 0.84 of one (root mean square).
CHANGES = 0.1


@dataclass(frozen=True)
class GapChange:
    """How much more the upper limb's gap grows than the lower's between two draws, at a place along the limbs."""

    from_handle_mm: float
    from_draw_mm: float
    to_draw_mm: float
    change: Value


def gap_changes(frames: Sequence[tuple[float, Measurement]]) -> tuple[GapChange, ...]:
    """From frames of one pull, each with its draw (mm): one change for each place that all of them show; none for too few.

    A cubic over draw follows the truth of rendered bows to 0.005 mm; what strays from it is each frame's own.
    """
    drawn = [(draw, m) for draw, m in frames if m.state == "drawn" and m.gaps]
    draws = np.array([draw for draw, _ in drawn])
    if len(drawn) < LEAST_FRAMES or np.ptp(draws) < LEAST_PULL_MM:
        return ()
    low, high = float(draws.min()), float(draws.max())
    x = (draws - low) / (high - low)
    design, ends = np.vander(x, 4), np.array([1.0, 1.0, 1.0, 0.0])  # the cubic at the longest draw less that at the lowest
    free = len(x) - design.shape[1]
    out = []
    for place in sorted(set.intersection(*({g.from_handle_mm for g in m.gaps} for _, m in drawn))):
        rows = [next(g for g in m.gaps if g.from_handle_mm == place).difference for _, m in drawn]
        told = np.array([v.value for v in rows])
        fit = np.linalg.lstsq(design, told, rcond=None)[0]
        own = float(np.sqrt(np.sum((told - design @ fit) ** 2) / free))
        own *= float(np.sqrt(free / (free - 2)))  # a scatter is told by few (variance of Student's t)
        own *= float(np.sqrt(ends @ np.linalg.inv(design.T @ design) @ ends))
        shared = CHANGES * float(np.median([v.u for v in rows]))
        change = Value(float(ends @ fit), float(np.hypot(own, shared)), "mm", {"frames": own, "edge": shared})
        out.append(GapChange(place, low, high, change))
    return tuple(out)
