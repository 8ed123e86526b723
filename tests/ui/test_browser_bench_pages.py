"""The bench's pages in a real browser on a filled record, at desk and phone size: readable, reachable, nothing sideways.

What axe finds on these pages is told by ``test_browser_pages``, which opens them for the same bow.
"""

import pytest

from tests.support.bench_shop import fill_bench
from tests.support.in_browser import PHONE, WIDE, marks, opened, running_app, settled
from tillerlens.record import open_record

pytestmark = marks

PAGES = {"compare": 5, "weights": 3, "ear": 0, "wood": 2, "plan": 2, "report": 0}  # and how many charts each has at least


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """The app's address and the identity of the bow on its shelf."""
    folder = tmp_path_factory.mktemp("bench")
    with open_record(folder / "record") as record:
        bow = fill_bench(record)
    with running_app(folder) as address:
        yield address, bow.id


def open_page(page, shop, name):
    address, bow = shop
    page.goto(f"{address}/{name}?bow={bow}")
    page.locator("h3").first.wait_for()
    settled(page)


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["bench", "phone"])
def test_each_page_can_be_read_and_reached(visitor, shop, size):
    page = visitor.page(size)
    for n, name in enumerate(PAGES):
        if n == 0:
            open_page(page, shop, name)
        else:
            opened(page, f"/{name}?bow={shop[1]}")
        can_be_read_and_reached(page, name)
    assert not page.trouble


def can_be_read_and_reached(page, name):
    charts = page.locator('[data-testid="stVegaLiteChart"]')
    for k in range(PAGES[name]):
        charts.nth(k).locator("canvas, svg.marks").first.wait_for()
    verdict, first = page.locator("h3").first.bounding_box(), page.locator('[data-testid="stVegaLiteChart"], img').first
    if first.count():
        assert verdict["y"] < first.bounding_box()["y"]
    wide = page.evaluate("[...document.querySelectorAll('html, [data-testid=stMain]')].map(e => e.scrollWidth)")
    assert max(wide) <= page.viewport_size["width"]
    for chart in charts.all():
        box = chart.bounding_box()
        assert box["height"] > 60 and box["x"] + box["width"] <= page.viewport_size["width"] + 1
    if PAGES[name]:
        charts.first.hover()
        menus = page.get_by_test_id("stElementContainer").filter(has=charts).get_by_test_id("stElementToolbar")
        shown = menus.evaluate_all("all => all.map(e => getComputedStyle(e).display)")
        assert shown and set(shown) == {"none"} and not page.locator(".vega-actions").count()  # none lies over the verdict


def test_the_pictures_fade_by_the_keyboard(visitor, shop):
    page = visitor.page(WIDE)
    open_page(page, shop, "compare")
    overlaid = page.get_by_role("img", name="laid over each other")
    overlaid.wait_for()
    before = overlaid.get_attribute("src")
    page.get_by_role("slider", name="Fade").focus()
    page.keyboard.press("End")
    page.get_by_role("img", name="100 parts in 100 of the later").wait_for()
    assert page.get_by_role("img", name="laid over each other").get_attribute("src") != before
    assert not page.trouble


def test_the_address_keeps_what_is_compared(visitor, shop):
    page = visitor.page(PHONE)
    open_page(page, shop, "compare")
    page.get_by_role("combobox", name="Earlier").click()
    page.get_by_role("option").filter(has_text="1 · unstrung").first.click()
    settled(page)
    said, address = page.locator("h3").first.inner_text(), page.url
    assert "earlier=" in address and "later=" in address
    page.goto(address)
    page.locator("h3").first.wait_for()
    settled(page)
    assert page.locator("h3").first.inner_text() == said


def test_a_report_is_taken_home(visitor, shop, tmp_path):
    page = visitor.page(WIDE)
    open_page(page, shop, "report")
    with page.expect_download() as download:
        page.get_by_role("button", name="Download the report (PDF)").click()
    download.value.save_as(tmp_path / "report.pdf")
    assert (tmp_path / "report.pdf").read_bytes().startswith(b"%PDF-")
    with page.expect_download() as download:
        page.get_by_role("button", name="Download as a page").click()
    download.value.save_as(tmp_path / "report.html")
    html = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "<h1" in html and "&lt;b&gt;plain&lt;/b&gt;" in html
