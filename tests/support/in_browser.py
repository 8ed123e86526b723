"""What tests in a real browser share: the app started as the README says, a browser, and waiting until both are at rest."""

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import contextmanager
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
NEEDED = os.environ.get("TILLERLENS_NEED_BROWSER") == "1"
# No card to draw with: a drawing process that only pretends to have one can stop painting, and then a page waits for ever.
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
START_S, ANSWER_MS = 60, 90_000
SOON_MS = 100  # until what was done is sent to the server
AT_REST = ROOT / "tests" / "support" / "at_rest.js"
RUNNING: dict[int, subprocess.Popen] = {}  # by port: for whoever kills one
WIDE, PHONE = {"width": 1280, "height": 900}, {"width": 390, "height": 844}

marks = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None and not NEEDED, reason="no browser; Debian's package is chromium"),
]


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@contextmanager
def running_app(folder, *options, port=None, entry="app.py"):
    """The app, on a port that is free unless one is given; yields its address. folder: for its log. entry: the script it runs."""
    port = port or free_port()
    command = [sys.executable, "-m", "streamlit", "run", entry, "--server.headless=true", f"--server.port={port}", *options]
    log = folder / "log"
    environment = {**os.environ, "TILLERLENS_RECORD": str(folder / "record")}
    with log.open("wb") as out, subprocess.Popen(command, cwd=ROOT, stdout=out, stderr=out, env=environment) as app:
        RUNNING[port] = app
        try:
            _wait(f"http://127.0.0.1:{port}/_stcore/health", app, log)
            yield f"http://127.0.0.1:{port}"
        finally:
            app.terminate()


def _wait(url, app, log):
    end = time.monotonic() + START_S
    while time.monotonic() < end:
        assert app.poll() is None, log.read_text()
        try:
            with urllib.request.urlopen(url, timeout=2) as answer:
                if answer.status == 200:
                    return
        except (urllib.error.URLError, OSError):
            time.sleep(0.2)
    pytest.fail(f"the app did not start in {START_S} s: {log.read_text()}")


@contextmanager
def chromium():
    from playwright.sync_api import sync_playwright

    assert CHROMIUM is not None, "a browser is required here (TILLERLENS_NEED_BROWSER=1) and none was found"
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


class Visitor:
    """Opens pages in one browser; pages of one size share what was fetched, since the app's own part takes seconds to load."""

    def __init__(self, browser):
        self._browser, self._contexts, self._pages = browser, {}, []

    def page(self, size, **more):
        """A new page of this size. more: as for a browser's context; a phone has touch and is dense."""
        phone = {"device_scale_factor": 2, "has_touch": True, "is_mobile": True} if size is PHONE else {}
        kind = (size["width"], *sorted(more.items()))
        if kind not in self._contexts:
            self._contexts[kind] = self._browser.new_context(viewport=size, **phone, **more)
        page = self._contexts[kind].new_page()
        page.set_default_timeout(ANSWER_MS)
        page.add_init_script(path=AT_REST)
        page.trouble = []
        page.on("pageerror", lambda error: page.trouble.append(str(error)))
        self._pages.append(page)
        return page

    def leave(self):
        """Close every page that was opened."""
        while self._pages:
            self._pages.pop().close()


def settled(page):
    """Wait until the app's script has run for all that was done, and what it shows stands still."""
    page.wait_for_timeout(SOON_MS)
    late = page.evaluate("most => tillerTest.rest(0, most)", ANSWER_MS)["late"]
    assert not late, f"never came to rest: {late}"


def opened(page, path):
    """Another page of the app in the same session, as the browser's own back button opens it: a fraction of a load."""
    before = page.evaluate("path => (tillerTest.go(path), tillerTest.runs.begun)", path)
    late = page.evaluate("([before, most]) => tillerTest.rest(before, most)", [before, ANSWER_MS])["late"]
    assert not late, f"{path} never came to rest: {late}"
