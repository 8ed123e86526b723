"""Two samples traced, for all tests of the shape."""

import pytest

from tests.support.traced_sample import traced


@pytest.fixture(scope="session")
def drawn():
    return traced("heron-drawn-27")


@pytest.fixture(scope="session")
def braced():
    return traced("heron-braced")
