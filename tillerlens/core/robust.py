"""Robust statistics that several rooms share (P. J. Huber, Robust Statistics, 1981)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

MAD_TO_U = 1.4826  # a normal distribution's standard deviation over its median absolute deviation
CAUCHY = 1.5  # standard deviations at which a Cauchy weight 1 / (1 + (r / c)^2) has fallen to a half; 95 % efficient at 2.4


def mad_u(values: NDArray[np.floating], about: float | None = None) -> float:
    """Robust standard deviation of ``values`` (N,) by their median absolute deviation, about their median or what is given."""
    middle = np.median(values) if about is None else about
    return MAD_TO_U * float(np.median(np.abs(values - middle)))
