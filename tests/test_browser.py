"""The app in a real browser: it shows a measured sample, fits a phone, and points where the finger points."""

import io
import json
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

ROOT = Path(__file__).parent.parent
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
NEEDED = os.environ.get("TILLERLENS_NEED_BROWSER") == "1"
START_S, ANSWER_MS = 60, 60_000
WIDE, PHONE = {"width": 1280, "height": 900}, {"width": 390, "height": 844}

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None and not NEEDED, reason="no browser; Debian's package is chromium"),
]


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    """The app, started as the README says, on a port that is free."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [
        sys.executable,
        "-m",
        "streamlit",
        "run",
        "app.py",
        "--server.headless=true",
        f"--server.port={port}",
    ]
    log = tmp_path_factory.mktemp("app") / "log"
    with log.open("wb") as out, subprocess.Popen(command, cwd=ROOT, stdout=out, stderr=out) as app:
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


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    assert CHROMIUM is not None, "a browser is required here (TILLERLENS_NEED_BROWSER=1) and none was found"
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture
def visit(browser, address):
    """A function that opens the app at a size and waits until the first sample is measured."""
    contexts = []

    def _visit(size):
        context = browser.new_context(viewport=size, device_scale_factor=2 if size is PHONE else 1)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(ANSWER_MS)
        page.trouble = []
        page.on("pageerror", lambda error: page.trouble.append(str(error)))
        page.goto(address)
        page.get_by_role("heading", name="TillerLens").wait_for()
        page.get_by_role("img", name="The photograph with limbs").wait_for()
        page.get_by_text("cannot see grain").wait_for()
        return page

    yield _visit
    for context in contexts:
        context.close()


def test_the_sample_shows_its_overlay(visit):
    page = visit(WIDE)
    image = page.get_by_role("img", name="The photograph with limbs")
    image.scroll_into_view_if_needed()
    page.wait_for_function("e => e.complete && e.naturalWidth > 1000", arg=image.element_handle())
    seen = np.asarray(Image.open(io.BytesIO(image.screenshot())).convert("RGB"))
    assert seen.shape[1] > 400
    assert seen.std() > 20  # a blank picture has 0
    yellow = (
        (seen[..., 0] > 180) & (seen[..., 1] > 170) & (seen[..., 2] < 110)
    )  # string and the map's upper end
    assert yellow.sum() > 50
    assert page.locator("canvas, svg.marks").count() >= 1
    assert not page.trouble


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["bench", "phone"])
def test_nothing_scrolls_sideways(visit, size):
    page = visit(size)
    page.get_by_text("How sure is each number").click()
    page.wait_for_timeout(1000)
    wide = page.evaluate(
        "[document.documentElement, ...document.querySelectorAll('.stMain, [data-testid=stMain]')].map(e => "
        "e.scrollWidth)"
    )
    assert max(wide) <= size["width"]
    assert not page.trouble


def test_the_verdict_comes_before_the_picture(visit):
    page = visit(PHONE)
    verdict = page.locator("h3").first.bounding_box()
    picture = page.get_by_role("img", name="The photograph with limbs").bounding_box()
    assert verdict["y"] < picture["y"]


def test_a_point_lands_where_the_finger_was(visit):
    """A click, and another after enlarging, come back in full-size pixels: within 1.5 px of one screen
    pixel.
    """
    page = visit(WIDE)
    view = page.locator(".view")
    if not view.count():  # it is there already where the photograph asks for help
        page.get_by_text("Point at the marks and the bow", exact=True).click()
    view.scroll_into_view_if_needed()
    page.wait_for_timeout(1000)
    width, height = 3000, 2250  # the first sample's
    box = view.bounding_box()
    per_px = width / box["width"]
    at = (box["x"] + 0.2 * box["width"], box["y"] + 0.5 * box["height"])
    page.mouse.click(*at)
    page.locator(".chips button", has_text="✓ upper nock").wait_for()
    upper = [(at[0] - box["x"]) * per_px - 0.5, (at[1] - box["y"]) * per_px - 0.5]
    page.mouse.move(box["x"] + 0.8 * box["width"], box["y"] + 0.5 * box["height"])
    page.mouse.wheel(0, -600)  # enlarged round the pointer, which stays over the same place
    page.wait_for_timeout(300)
    page.mouse.click(box["x"] + 0.8 * box["width"], box["y"] + 0.5 * box["height"])
    page.locator(".chips button", has_text="✓ lower nock").wait_for()
    lower = [0.8 * width - 0.5, 0.5 * height - 0.5]
    page.get_by_role("button", name="Measure", exact=True).click()
    page.get_by_role("button", name="Measure", exact=True).wait_for(state="detached")
    page.get_by_text("cannot see grain").wait_for()
    with page.expect_download() as download:
        page.get_by_role("button", name="Download the shot file").click()
    clicks = json.loads(Path(download.value.path()).read_text())["clicks"]
    assert clicks["nock_upper"] == pytest.approx(upper, abs=1.5 * per_px)
    assert clicks["nock_lower"] == pytest.approx(lower, abs=1.5)
    assert not page.trouble


def test_the_numbers_can_be_taken_home(visit):
    page = visit(WIDE)
    with page.expect_download() as download:
        page.get_by_role("button", name="Download the numbers").click()
    document = json.loads(Path(download.value.path()).read_text())
    assert document["format"] == "tillerlens-measurement"
    with page.expect_download() as download:
        page.get_by_role("button", name="Download the picture").click()
    with Image.open(download.value.path()) as picture:
        assert picture.format == "PNG" and picture.width == 2048


def test_a_bad_file_is_told_in_place(visit):
    page = visit(PHONE)
    page.get_by_role("combobox").first.click()
    page.get_by_role("option", name="my own photograph").click()
    upload = page.locator("input[type=file]").first
    upload.wait_for(state="attached")
    upload.set_input_files(
        {"name": "bow.jpg", "mimeType": "image/jpeg", "buffer": b"\xff\xd8\xff\xe0 cut off"}
    )
    page.get_by_text("damaged or cut off").wait_for()
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    assert not page.trouble
