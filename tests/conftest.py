"""What more than one test file needs."""

import numpy as np
import pytest


@pytest.fixture
def rng():
    """Random numbers that are the same in every run."""
    return np.random.default_rng(20260)
