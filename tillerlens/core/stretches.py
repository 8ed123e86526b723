"""The stretches of a row in which something holds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def stretches_of(holds: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of every stretch of ``holds`` (N,) that is true."""
    ends = np.diff(np.r_[False, holds, False].astype(int))
    return list(zip(np.nonzero(ends == 1)[0].tolist(), (np.nonzero(ends == -1)[0] - 1).tolist(), strict=True))
