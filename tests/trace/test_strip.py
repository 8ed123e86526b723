"""The straightened strip's small tools."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import savgol_filter

from tillerlens.trace.straighten import smooth_rows


@pytest.mark.parametrize("window", [3, 31, 61])
def test_rows_are_smoothed_as_scipy_smooths_them(window: int) -> None:
    y = np.random.default_rng(4).normal(size=200)
    np.testing.assert_allclose(smooth_rows(y, window), savgol_filter(y, window, 2), rtol=0, atol=1e-12)
