"""How fast the app answers in a real browser: its start to the first page, page to page, a photograph to its verdict, a moved
nock to the new numbers.

    .venv/bin/python tests/benchmarks/app_speed.py

Medians in seconds. The first page is the empty shop's heading; the photograph is a sample of 6.8 megapixels enlarged to 12.
"""

import io
import statistics
import sys
import tempfile
import time
from pathlib import Path

from PIL import Image

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.support.in_browser import AT_REST, ROOT, WIDE, chromium, running_app, settled  # noqa: E402
from tillerlens.core.units import MM_PER_INCH  # noqa: E402
from tillerlens.record import Bow, open_record, store  # noqa: E402
from tillerlens.ui import workspace  # noqa: E402

PAGES = ("Boards", "Settings", "Timeline", "The shelf", "Taking pictures")
ANSWER_MS = 120_000


def twelve_megapixels() -> bytes:
    with Image.open(ROOT / "samples" / "bramble-drawn-grid.jpg") as picture:
        out = io.BytesIO()
        picture.resize((4032, 3024), Image.Resampling.LANCZOS).save(out, "JPEG", quality=90)
    return out.getvalue()


def main() -> None:
    with tempfile.TemporaryDirectory() as name, chromium() as browser:
        folder = Path(name)
        page = browser.new_page(viewport=WIDE)
        page.set_default_timeout(ANSWER_MS)
        page.add_init_script(path=AT_REST)
        begun = time.monotonic()
        with running_app(folder) as url:
            page.goto(url)
            page.get_by_role("heading", name="TillerLens").wait_for()
            print(f"start to first page: {time.monotonic() - begun:.2f}")
            page.get_by_role("img", name="The photograph with limbs").wait_for()
            print(f"start to the sample's verdict: {time.monotonic() - begun:.2f}")
            with open_record(folder / "record") as record:
                bow = store.add_bow(record, Bow("Bramble", length_mm=63 * MM_PER_INCH, handle_mm=8 * MM_PER_INCH))
                workspace.keep_board(
                    record.folder, workspace.Board("slate", {"kind": "grid", "spacing_in": round(4 / 2.54, 4)}, 2.4375)
                )
            page.goto(f"{url}/bow?bow={bow.id}")
            page.get_by_role("heading", name="Bramble").wait_for()
            print(f"page to page, warm: {statistics.median(change(page) for _ in range(3)):.2f}")
            page.goto(f"{url}/picture?bow={bow.id}")
            field = page.locator("input[type=file]").first
            field.wait_for(state="attached")
            picture = {"name": "bow.jpg", "mimeType": "image/jpeg", "buffer": twelve_megapixels()}
            begun = time.monotonic()
            field.set_input_files(picture)
            page.locator("h3").first.wait_for()
            print(f"12 megapixels to the verdict: {time.monotonic() - begun:.2f}")
            settled(page)
            page.get_by_text("Point at the marks and the bow", exact=True).click()
            page.locator(".stage").wait_for()
            settled(page)
            print(f"12 megapixels, a nock let go to the numbers: {statistics.median(moved(page) for _ in range(5)):.2f}")


def change(page) -> float:
    """The median time of going once round the pages."""
    times = []
    for title in PAGES:
        begun = time.monotonic()
        page.get_by_test_id("stSidebarNav").get_by_role("link", name=title, exact=True).click()
        heading = "Bramble" if title == "Timeline" else title
        page.get_by_role("heading", name=heading, level=1).wait_for()
        times.append(time.monotonic() - begun)
    return statistics.median(times)


def moved(page) -> float:
    """How long the numbers take to follow a nock that is dragged a little and let go."""
    nock = page.locator(".spot", has_text="upper nock")
    nock.scroll_into_view_if_needed()
    box = nock.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 2, y + 1, steps=3)
    page.mouse.up()
    begun = time.monotonic()
    page.locator(".editor.busy").wait_for()
    page.locator(".editor:not(.busy)").wait_for()
    took = time.monotonic() - begun
    settled(page)
    return took


if __name__ == "__main__":
    main()
