"""What more than one test file needs."""

import logging
import uuid
from functools import cache

import numpy as np
import pytest

from tests.support import measured_once
from tests.support.in_browser import Visitor, chromium, running_app
from tillerlens.core.unforeseen import caught


def pytest_configure():
    """Before any test's file is read: those take ``measure_photo`` by its name."""
    measured_once.remember()


@pytest.fixture(autouse=True, scope="session")
def measured_by_one_of_them(tmp_path_factory, worker_id):
    """What one process of a test run has measured, the others take from it."""
    if worker_id != "master":
        measured_once.share(tmp_path_factory.getbasetemp().parent / "measured")


@pytest.fixture
def measured_anew():
    """For tests that compare two measurements of one photograph: each is made."""
    with measured_once.anew():
        yield


@pytest.fixture(autouse=True)
def record_of_its_own(tmp_path_factory, monkeypatch):
    """No test ever opens the record of the person who runs it."""
    monkeypatch.setenv("TILLERLENS_RECORD", str(tmp_path_factory.getbasetemp() / "shops" / uuid.uuid4().hex))


@pytest.fixture(autouse=True, scope="session")
def log_of_its_own(tmp_path_factory):
    """No test ever writes to the log, or keeps half-done clips, of the person who runs it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TILLERLENS_LOG", str(tmp_path_factory.mktemp("log") / "tillerlens.log"))
        patch.setenv("TILLERLENS_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(autouse=True)
def nothing_reaches_the_net(request):
    """What a test brings on is either handled or refused in words; the net is for what nobody knows yet."""
    before = caught()
    yield
    if request.node.get_closest_marker("reaches_the_net") is None:
        assert caught() == before, "a fault that nobody foresaw: see the log above"


@pytest.fixture(autouse=True, scope="session")
def components_are_looked_for_once():
    """Else each page visited without a browser reads what every installed package says of itself: a third of a second."""
    from streamlit.components.v2 import manifest_scanner

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(manifest_scanner, "scan_component_manifests", cache(manifest_scanner.scan_component_manifests))
        yield


@pytest.fixture(autouse=True, scope="session")
def commands_are_read_once():
    """Else every command run in this process reads the signatures of all of them first: a tenth of a second each time."""
    from typer import testing

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(testing, "_get_command", cache(testing._get_command))
        yield


@pytest.fixture(autouse=True)
def streamlit_is_quiet():
    """It logs that no browser is there."""
    logging.getLogger("streamlit").setLevel(logging.ERROR)


@pytest.fixture(scope="session")
def a_browser():
    with chromium() as browser:
        yield Visitor(browser)


@pytest.fixture
def visitor(a_browser):
    """Opens pages in a real browser, and closes them after the test."""
    yield a_browser
    a_browser.leave()


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Where the app of this module keeps its record and log."""
    return tmp_path_factory.mktemp("app")


@pytest.fixture(scope="module")
def address(folder):
    """A running app's."""
    with running_app(folder) as url:
        yield url


@pytest.fixture
def rng():
    """Random numbers that are the same in every run."""
    return np.random.default_rng(20260)
