"""The pages around the photograph in a real browser: the walk, a locked phone, two tabs, phones' files, accessibility."""

import io
import re

import pytest
from PIL import Image

from tests.support.bench_shop import fill_bench
from tests.support.in_browser import PHONE, WIDE, marks, opened, settled
from tests.support.made_up import SAMPLES
from tillerlens.core.units import MM_PER_INCH
from tillerlens.record import Bow, open_record, store
from tillerlens.ui import demo, workspace
from tillerlens.ui.app import ROOMS

pytestmark = marks
FILLED = "Kestrel"
STEPS_MS = 240_000  # five photographs on a busy machine


@pytest.fixture
def record(folder, address):
    with open_record(folder / "record") as record:
        yield record


@pytest.fixture
def filled(record):
    return next((b for b in store.list_bows(record) if b.name == FILLED), None) or fill_bench(record, FILLED)


@pytest.fixture
def visit(visitor, address):
    """A function that opens a page of the app."""

    def _visit(size, path="", **more):
        page = visitor.page(size, **more)
        page.goto(f"{address}/{path}")
        page.locator("h1").first.wait_for()
        settled(page)
        return page

    return _visit


def fits(page, size):
    wide = page.evaluate("[document.documentElement, ...document.querySelectorAll('.stMain')].map(e => e.scrollWidth)")
    assert max(wide) <= size["width"]


def put_bow(record, name):
    return store.add_bow(record, Bow(name, length_mm=63 * MM_PER_INCH, handle_mm=8 * MM_PER_INCH))


def test_the_walk_leads_from_rest_to_the_report_and_survives_a_lock(visit, record):
    """On the desk first, since it needs an empty shelf; then the same walk on a phone, from its address alone."""
    page = visit(WIDE)
    page.get_by_text("Your shelf is empty").wait_for()
    page.get_by_role("button", name="Walk along with the demo bow").click()
    page.get_by_role("button", name="Stop", exact=True).click()  # thought better of it
    page.get_by_role("button", name="Stop", exact=True).wait_for(state="detached")
    settled(page)
    assert store.list_bows(record) == []
    page.get_by_role("button", name="Walk along with the demo bow").click()
    page.get_by_text("Walk with the demo bow, 1 of").wait_for(timeout=STEPS_MS)
    (bow,) = store.list_bows(record)
    steps = demo.steps_of(record, bow)
    assert {"Braced", "Drawn", "Scrape", "Report"} <= {s.title for s in steps}
    phone = visit(PHONE, page.url.split("/", 3)[3])
    for at, step in enumerate(steps, start=1):
        for p, size in ((page, WIDE), (phone, PHONE)):
            p.get_by_text(f"{at} of {len(steps)}: ").wait_for()
            p.get_by_text(f"{step.title}.", exact=True).first.wait_for()
            settled(p)
            p.locator("h3").first.wait_for()
            fits(p, size)
            assert not p.get_by_text("Nothing is measured yet").count()
            if step.title == "Drawn":  # locked and opened again: nothing but the address is left
                where = p.url
                p.goto("about:blank")
                p.goto(where)
                p.get_by_text(f"{at} of {len(steps)}: ").wait_for()
                settled(p)
                assert p.get_by_text("drawn").count() and p.url == where
            if at < len(steps):
                p.get_by_role("button", name="Next:").click()
    page.get_by_role("button", name="End the walk").click()
    phone.get_by_role("button", name="Put your own bow on the shelf").click()
    for p in (page, phone):
        p.get_by_role("heading", name="The shelf").wait_for()
        assert not p.trouble
    settled(phone)
    phone.get_by_role("textbox", name="What you call it").fill("Wren")  # as from an empty shop
    phone.get_by_role("button", name="Put it on the shelf and add photos").click()
    phone.get_by_role("heading", name="Add photos: Wren").wait_for()
    assert {b.name for b in store.list_bows(record)} == {demo.NAME, "Wren"}


def test_two_tabs_on_one_bow_lose_nothing_in_silence(visit, record):
    bow = put_bow(record, "Two tabs")
    one, two = visit(WIDE, f"bow?bow={bow.id}"), visit(PHONE, f"bow?bow={bow.id}")
    for page, words in ((one, "from the desk"), (two, "from the phone")):
        page.get_by_text("The bow itself").click()
        page.get_by_role("textbox", name="Notes").last.wait_for()
        settled(page)
        page.locator("textarea").last.fill(words)
    for page in (one, two):
        page.get_by_role("button", name="Keep the change").click()
        settled(page)
    two.get_by_text("Somebody else changed this bow meanwhile").wait_for()
    assert store.get_bow(record, bow.id).notes == "from the desk"


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["bench", "phone"])
def test_a_heic_is_measured_and_a_cut_off_picture_is_told(visit, record, size):
    import pillow_heif

    bow = put_bow(record, f"Files {size['width']}")
    workspace.keep_board(record.folder, workspace.Board("slate", {"kind": "grid", "spacing_in": round(4 / 2.54, 4)}, 2.4375))
    with Image.open(SAMPLES / "bramble-drawn-grid.jpg") as picture:
        out = io.BytesIO()
        pillow_heif.from_pillow(picture).save(out, quality=90)
    jpeg = (SAMPLES / "bramble-drawn-grid.jpg").read_bytes()
    page = visit(size, f"picture?bow={bow.id}")
    field = page.locator("input[type=file]").first
    field.wait_for(state="attached")
    field.set_input_files(
        [
            {"name": "cut.jpg", "mimeType": "image/jpeg", "buffer": jpeg[: len(jpeg) // 3]},
            {"name": "phone.heic", "mimeType": "image/heic", "buffer": out.getvalue()},
        ]
    )
    page.get_by_text("cut.jpg").and_(page.locator("p")).first.wait_for()
    page.get_by_text("damaged or cut off").wait_for()
    page.get_by_role("button", name="Keep", exact=True).wait_for()
    settled(page)
    page.get_by_text("as the photo shows").wait_for()  # the bow's first picture was taken to be unstrung
    page.get_by_role("button", name="Keep", exact=True).click()
    page.get_by_text("Kept 1 photo").wait_for()
    page.get_by_role("button", name="Open this photo").click()
    page.get_by_text("Stage 1 of 1").wait_for()
    fits(page, size)
    (stage,) = store.list_stages(record, bow.id)
    assert stage.media == "image/heic" and stage.status == "measured" and stage.photo_name == "phone.heic"
    assert store.original(record, stage) == out.getvalue()
    assert not page.trouble


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_has_a_serious_fault_of_accessibility_or_scrolls_sideways(visit, filled, scheme):
    """A bow with all that its pages can show: by day as wide as a desk's, then as a phone's; by lamplight as a phone's."""
    page = visit(WIDE, "guide", color_scheme=scheme)
    ground = page.locator(".stApp").evaluate("e => getComputedStyle(e).backgroundColor")
    assert (max(int(part) for part in re.findall(r"\d+", ground)[:3]) < 64) == (scheme == "dark")
    faults = []
    for room in ROOMS:
        opened(page, f"/{'' if room.name == 'shelf' else room.name}?bow={filled.id}")
        for size in (WIDE, PHONE) if scheme == "light" else (PHONE,):
            page.set_viewport_size(size)
            settled(page)
            faults += [f"{room.name}, {size['width']} px: {fault}" for fault in serious_faults(page)]
            fits(page, size)
    assert not faults, "\n".join(faults)
    assert not page.trouble


def serious_faults(page):
    from axe_playwright_python.sync_playwright import Axe

    faults = Axe().run(page, context={"exclude": OF_STREAMLIT}).response["violations"]
    return [f"{f['id']}: {n['target']}" for f in faults if f["impact"] in ("serious", "critical") for n in f["nodes"]]


# What Streamlit itself draws and no page can change: its list of pages holds headings between the entries.
OF_STREAMLIT = [["[data-testid=stSidebarNav]"], ["[data-testid=stToolbar]"]]
