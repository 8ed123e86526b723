"""The app in a real browser: it shows a measured sample, fits a phone, and says in place what is wrong."""

import io
import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tests.support.in_browser import PHONE, RUNNING, WIDE, marks, running_app, settled

pytestmark = marks


@pytest.fixture
def visit(visitor, address):
    """A function that opens the app at a size and waits until the first sample is measured."""

    def _visit(size):
        page = visitor.page(size)
        page.goto(address)
        page.get_by_role("heading", name="TillerLens").wait_for()
        page.get_by_role("img", name="The photograph with limbs").wait_for()
        page.get_by_text("cannot see grain").wait_for()
        return page

    return _visit


def test_the_sample_shows_its_overlay(visit):
    page = visit(WIDE)
    image = page.get_by_role("img", name="The photograph with limbs")
    image.scroll_into_view_if_needed()
    page.wait_for_function("e => e.complete && e.naturalWidth > 1000", arg=image.element_handle())
    seen = np.asarray(Image.open(io.BytesIO(image.screenshot())).convert("RGB"))
    assert seen.shape[1] > 400
    assert seen.std() > 20  # a blank picture has 0
    yellow = (seen[..., 0] > 180) & (seen[..., 1] > 170) & (seen[..., 2] < 110)  # string and the map's upper end
    assert yellow.sum() > 50
    page.locator("canvas, svg.marks").first.wait_for()
    assert not page.trouble


def test_the_verdict_comes_before_the_picture_and_nothing_scrolls_sideways(visit):
    page = visit(PHONE)
    verdict = page.locator("h3").first.bounding_box()
    picture = page.get_by_role("img", name="The photograph with limbs").bounding_box()
    assert verdict["y"] < picture["y"]
    page.get_by_text("How sure is each number").click()
    settled(page)
    wide = page.evaluate(
        "[document.documentElement, ...document.querySelectorAll('.stMain, [data-testid=stMain]')].map(e => e.scrollWidth)"
    )
    assert max(wide) <= PHONE["width"]
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
    page.get_by_role("combobox").first.scroll_into_view_if_needed()  # a page that scrolls folds its lists up
    settled(page)
    page.get_by_role("combobox").first.click()
    page.get_by_role("option", name="my own photograph").click()
    upload = page.locator("input[type=file]").first
    upload.wait_for(state="attached")
    upload.set_input_files({"name": "bow.jpg", "mimeType": "image/jpeg", "buffer": b"\xff\xd8\xff\xe0 cut off"})
    page.get_by_text("damaged or cut off").wait_for()
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    assert not page.trouble


def test_where_the_framework_would_speak_of_itself_our_words_stand(visitor, tmp_path):
    """An address that leads nowhere, and an app that no longer answers: what to do then is said in our words."""
    said = """box => [getComputedStyle(box, '::before').content, box.innerText].join(' ')"""
    page = visitor.page(PHONE)
    with running_app(tmp_path) as address:
        page.goto(f"{address}/nonsense")
        box = page.get_by_role("dialog")
        box.wait_for()
        assert "no such page" in box.evaluate(said) and "Page not found" not in box.evaluate(said)
        page.goto(f"{address}/settings")
        settled(page)
        RUNNING[int(address.rpartition(":")[2])].terminate()
        box = page.get_by_role("dialog")
        box.wait_for()
        assert "does not answer" in box.evaluate(said) and "Streamlit" not in box.evaluate(said)
