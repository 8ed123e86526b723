"""One limb under a dead load at its nock, by the package's own chain of segments: what textbooks have tables of."""

from __future__ import annotations

import math

import numpy as np

from tillerlens.mechanics.elastica import (
    Chain,
    ElasticLimb,
    Floats,
    LimbShape,
    NoEquilibrium,
    joint_moments,
    limb_shape,
    make_chain,
    march,
    newton,
)


def under_tip_load(limb: ElasticLimb, outward: float, to_belly: float, segments: int = 160) -> LimbShape:
    """One limb clamped at s = 0 under a dead force (N) at its nock, given by its outward and belly-ward
    parts.
    """
    chain = make_chain(limb, 0.0, segments)
    pull, lean = math.hypot(outward, to_belly), math.atan2(to_belly, -outward)
    if pull == 0:
        return limb_shape(chain, np.zeros(segments + 1), 1)

    angle = lean + float(np.sum(chain.bend[:-1]))
    for part in (1.0, *np.linspace(0.1, 1.0, 10)):  # at once if it settles, else by tenths of the load
        got = _tip_angle(chain, pull * part, lean, angle)
        if got is not None and part == 1.0:
            return limb_shape(chain, joint_moments(chain, pull, got), 1)
        angle = got if got is not None else angle
    raise NoEquilibrium("No bent shape was found for this load.", "Check stiffness and load.", load=pull)


def _tip_angle(chain: Chain, pull: float, lean: float, start: float) -> float | None:
    def fun(v: Floats) -> tuple[Floats, Floats]:
        shot = march(chain, pull, v[1])
        return np.array([v[0] - 1.0, shot.lean - lean]), np.array([[1.0, 0.0], [0.0, shot.lean_a]])

    got = newton(fun, np.array([1.0, start]))
    return None if got is None else float(got[1])
