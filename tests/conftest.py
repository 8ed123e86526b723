"""What more than one test file needs."""

import uuid

import numpy as np
import pytest


@pytest.fixture(autouse=True)
def record_of_its_own(tmp_path_factory, monkeypatch):
    """No test ever opens the record of the person who runs it."""
    monkeypatch.setenv("TILLERLENS_RECORD", str(tmp_path_factory.getbasetemp() / "shops" / uuid.uuid4().hex))


@pytest.fixture
def rng():
    """Random numbers that are the same in every run."""
    return np.random.default_rng(20260)
