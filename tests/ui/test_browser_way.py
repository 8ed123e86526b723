"""How far it is from an empty shop to one's own measured photo, counted in a real browser: every click and every field typed.

The counts are promises to whoever stands at the bench: first photo 5 clicks and 3 fields without a board, 8 and 5 with one; each
later photo 2 clicks; ten at once 4.
"""

import json
import re

import pytest
from PIL import Image
from playwright.sync_api import expect

from tests.support.in_browser import PHONE, WIDE, marks, opened, running_app, settled
from tests.support.made_up import SAMPLES
from tests.ui.test_browser_pages import serious_faults
from tillerlens.record import open_record, store
from tillerlens.ui import workspace

pytestmark = marks
MEASURING_MS = 240_000  # ten photographs on a busy machine
WALK = ("linnet-unstrung", "linnet-braced", "linnet-drawn-18", "linnet-drawn-26", "linnet-rested")


class Walker:
    """A page and what a person did on it. A choice in a list is two clicks; handing over files is one, whatever their number."""

    def __init__(self, page):
        self.page, self.clicks, self.fields = page, 0, 0

    def click(self, place):
        self.clicks += 1
        place.click()

    def press(self, name):
        self.click(self.page.get_by_role("button", name=name).first)

    def type(self, label, text):
        """Type into a field and leave it as it is: the next click is what takes the cursor away."""
        self.fields += 1
        self.page.get_by_role("textbox", name=label).first.fill(text)

    def choose(self, label, option):
        field = self.page.get_by_role("combobox", name=label).first
        settled(self.page)
        field.scroll_into_view_if_needed()
        self.page.wait_for_timeout(400)  # a list that opens while the page still scrolls closes again
        self.click(field)
        self.click(self.page.get_by_role("option", name=option).first)

    def hand_over(self, *files):
        with self.page.expect_file_chooser() as chooser:
            self.click(self.page.locator('[data-testid="stFileUploader"] button').first)
        chooser.value.set_files(list(files))

    def at_most(self, clicks, fields):
        """Count what was done since this was last asked."""
        counted, self.clicks, self.fields = (self.clicks, self.fields), 0, 0
        assert counted[0] <= clicks and counted[1] <= fields, counted


@pytest.fixture(scope="module")
def app(tmp_path_factory):
    """One app for all of them: what it measured at the desk's width it need not measure again at the phone's."""
    folder = tmp_path_factory.mktemp("way")
    with running_app(folder) as url, open_record(folder / "record") as record:
        yield url, record


@pytest.fixture
def shop(app):
    """The app's address and its record, with the shop as empty as on the first day."""
    _, record = app
    for bow in store.list_bows(record):
        store.remove_bow(record, bow.id)
    for board in workspace.boards(record.folder):
        workspace.remove_board(record.folder, board.id)
    workspace.keep_settings(record.folder, workspace.Settings())
    return app


@pytest.fixture
def walker(visitor, shop):
    def _walker(size, path=""):
        page = visitor.page(size)
        page.goto(f"{shop[0]}/{path}")
        page.locator("h1").first.wait_for()
        return Walker(page)

    return _walker


def jpeg(name, **more):
    data = (SAMPLES / f"{name}.jpg").read_bytes() if not more else _turned(name, **more)
    return {"name": f"{name}{more or ''}.jpg", "mimeType": "image/jpeg", "buffer": data}


def _turned(name, quality):
    """The same picture in other bytes, as a second photograph is."""
    import io

    out = io.BytesIO()
    with Image.open(SAMPLES / f"{name}.jpg") as picture:
        picture.save(out, "JPEG", quality=quality)
    return out.getvalue()


def own_bow(walker, length="66 7/16", handle="7 1/2"):
    walker.type("What you call it", "Wren")
    walker.type(re.compile("Length along the back"), length)
    walker.type(re.compile("Stiff handle"), handle)
    walker.press("Put it on the shelf")
    walker.page.get_by_role("heading", name=re.compile("Add photos")).wait_for()


def kept_line(walker, count=1):
    walker.page.get_by_text(re.compile(rf"^Kept {count} photo")).wait_for(timeout=MEASURING_MS)
    settled(walker.page)


def in_first_screen(page, *places):
    """Whether each place stands whole in what is seen without scrolling."""
    height = page.viewport_size["height"]
    for place in places:
        box = place.bounding_box()
        assert box is not None and box["y"] >= 0 and box["y"] + box["height"] <= height, (place, box)


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["bench", "phone"])
def test_the_first_photo_without_a_board_and_each_later_one(walker, shop, size):
    _, record = shop
    walk = walker(size)
    own_bow(walk)
    walk.hand_over(jpeg("heron-braced"))
    walk.page.get_by_role("heading", name=re.compile("difference between the limbs|bends more")).wait_for(timeout=MEASURING_MS)
    walk.press("Keep")
    kept_line(walk)
    walk.at_most(5, 3)
    (bow,) = store.list_bows(record)
    (stage,) = store.list_stages(record, bow.id)
    assert (stage.state, stage.status, stage.shot["scale"]["kind"]) == ("braced", "measured", "bow_length")
    # a later one, drawn: what it was guessed to be gives way to what it shows, and the weight is asked at once
    walk.hand_over(jpeg("heron-drawn-23"))
    verdict = walk.page.get_by_role("heading", name=re.compile("difference between the limbs|bends more"))
    verdict.wait_for(timeout=MEASURING_MS)
    settled(walk.page)
    weight = walk.page.get_by_role("textbox", name=re.compile("Weight on the scale"))
    in_first_screen(walk.page, verdict, weight, walk.page.get_by_role("button", name="Keep", exact=True))
    walk.type(re.compile("Weight on the scale"), "33")
    walk.press("Keep")
    kept_line(walk)
    walk.at_most(2, 1)
    later = store.list_stages(record, bow.id)[-1]
    assert (later.state, later.status, later.shot["scale_reading_lb"]) == ("drawn", "measured", 33.0)
    assert not walk.page.trouble


def test_the_first_photo_with_a_board(walker, shop):
    _, record = shop
    shot = json.loads((SAMPLES / "bramble-drawn-grid.shot.json").read_text())
    walk = walker(WIDE)
    own_bow(walk, str(shot["bow_length_nock_to_nock_in"]), str(shot["handle_in"]))
    walk.hand_over(jpeg("bramble-drawn-grid"))
    walk.page.get_by_role("heading", name=re.compile("difference between the limbs|bends more")).wait_for(timeout=MEASURING_MS)
    walk.choose(re.compile("^Scale$|Scale. "), re.compile("ruled grid"))
    walk.type(re.compile("From line to line"), str(shot["scale"]["spacing_in"]))
    walk.type(re.compile("Standoff, marks to bow"), str(shot["standoff_in"]))
    walk.press("Keep")
    kept_line(walk)
    walk.at_most(8, 5)
    (bow,) = store.list_bows(record)
    (stage,) = store.list_stages(record, bow.id)
    assert stage.status == "measured" and stage.shot["scale"]["kind"] == "grid" and stage.state == "drawn"
    (board,) = workspace.boards(record.folder)  # described once, and guessed for the next
    assert board.standoff_in == shot["standoff_in"]
    walk.hand_over(jpeg("bramble-drawn-grid", quality=90))
    walk.press("Keep")
    kept_line(walk)
    walk.at_most(2, 0)
    assert [s.shot["scale"]["kind"] for s in store.list_stages(record, bow.id)] == ["grid", "grid"]


def test_ten_at_once(walker, shop):
    _, record = shop
    walk = walker(WIDE)
    own_bow(walk, "64", "8")
    walk.at_most(1, 3)
    names = [f"walk/{name}" for name in WALK]
    walk.hand_over(*(jpeg(name) for name in names), *(jpeg(name, quality=92) for name in names))
    walk.page.get_by_role("button", name="Keep all 10").wait_for(timeout=MEASURING_MS)
    walk.page.get_by_role("img", name=re.compile(r"^Photo 10")).wait_for()
    expect(walk.page.get_by_role("img", name=re.compile(r"^Photo \d"))).to_have_count(10)  # each has its own
    walk.press("Keep all 10")
    kept_line(walk, 10)
    walk.at_most(4, 0)
    (bow,) = store.list_bows(record)
    stages = store.list_stages(record, bow.id)
    assert len(stages) == 10 and workspace.on_bench(record.folder, bow.id) == []
    assert sorted(s.state for s in stages if s.status == "measured") == ["braced"] * 2 + ["drawn"] * 4 + ["unstrung"] * 4


# --- what a finger meets, and what is read

TAPPED = """
() => {
  const what = 'button, a[href], summary, input:not([type=hidden]):not([type=file]), textarea, [role=combobox], [role=radio], ' +
    '[role=tab], [role=switch], [role=checkbox]';
  const seen = (e) => { const b = e.getBoundingClientRect(), s = getComputedStyle(e);
    return b.width > 0 && b.height > 0 && s.visibility !== 'hidden' && e.getAttribute('aria-hidden') !== 'true' &&
      !e.closest('[aria-hidden=true], [data-testid=stElementToolbar], [data-testid=stToolbar]'); };
  const out = [];
  for (const e of document.querySelectorAll(what)) {
    if (!seen(e)) continue;
    // a finger may land on anything that passes the tap on: a field's frame, the words beside a box
    const frame = e.closest(`label, ${['input', 'base-input', 'select', 'textarea'].map((n) => `[data-baseweb=${n}]`)}`) || e;
    const boxes = [e, frame].map((f) => f.getBoundingClientRect());
    const w = Math.max(...boxes.map((b) => b.width)), h = Math.max(...boxes.map((b) => b.height));
    const inText = e.matches('a[href]') && e.closest('p, li');  // a link within a sentence
    const name = (e.innerText || e.getAttribute('aria-label') || e.dataset.testid || e.type || '').trim().slice(0, 40);
    const forReaders = e.innerText === 'Skip to main content';  // shown once it has the focus
    if (!inText && !forReaders && (w < 43.5 || h < 43.5)) out.push(`${e.tagName} ${name} ${Math.round(w)}x${Math.round(h)}`);
  }
  return [...new Set(out)];
}
"""
UNITS = r"\d[ \u00a0]*(?:in\b(?! (?:all|the|one|a)\b)|\"|″|inch|lb\b|pound)|\(in\)|\(lb\)|\binch(?:es)?\b|\bpounds?\b"
INCH = re.compile(UNITS, re.IGNORECASE)


def faults_of(page, stop, axe=True):
    """What is smaller than a finger, inaccessible, in inches or pounds, or beside the page."""
    settled(page)
    out = [f"smaller than 44 px: {e}" for e in page.evaluate(TAPPED)]
    out += serious_faults(page) if axe else []
    said = page.locator('[data-testid="stMain"]').inner_text()
    out += [f"not metric: {said[max(0, m.start() - 40) : m.end() + 20]!r}" for m in INCH.finditer(said)]
    wide = page.evaluate("[document.documentElement, ...document.querySelectorAll('.stMain')].map(e => e.scrollWidth)")
    out += [f"scrolls sideways: {max(wide)}"] if max(wide) > page.viewport_size["width"] else []
    return [f"{stop}: {fault}" for fault in out]


@pytest.mark.parametrize(("size", "scheme"), [(WIDE, "dark"), (PHONE, "light")], ids=["bench by lamplight", "phone by day"])
def test_every_stop_of_the_way_fits_a_finger_and_stays_in_centimetres(walker, shop, size, scheme):
    _, record = shop
    workspace.keep_settings(record.folder, workspace.Settings(length="cm", weight="kg"))
    walk = walker(size)
    page = walk.page
    page.emulate_media(color_scheme=scheme)
    faults = []
    page.get_by_text("cannot see grain").wait_for(timeout=MEASURING_MS)
    faults += faults_of(page, "an empty shop")
    own_bow(walk, "162.6", "20.3")
    faults += faults_of(page, "no photo yet")
    walk.hand_over(jpeg("walk/linnet-braced"))
    verdict = re.compile("bends more|difference between|may differ|are even")
    page.get_by_role("heading", name=verdict).wait_for(timeout=MEASURING_MS)
    settled(page)
    page.evaluate("() => document.querySelectorAll('details:not([open]) > summary').forEach(e => e.click())")
    faults += faults_of(page, "one photo")
    walk.choose(re.compile("^Scale$|Scale. "), re.compile("printed tags"))
    page.get_by_role("textbox", name=re.compile("^Right")).first.wait_for()
    faults += faults_of(page, "a board of tags described")
    walk.choose(re.compile("^Scale$|Scale. "), re.compile("no board"))
    settled(page)
    walk.press("Keep")
    kept_line(walk)
    faults += faults_of(page, "kept")
    walk.hand_over(jpeg("walk/linnet-drawn-18"), jpeg("walk/linnet-drawn-26"))
    page.get_by_role("button", name="Keep all 2").wait_for(timeout=MEASURING_MS)
    page.get_by_role("textbox", name="Weight on the scale (kg)").nth(1).wait_for(timeout=MEASURING_MS)
    page.get_by_role("textbox", name="Weight on the scale (kg)").nth(0).fill("10.5")
    page.get_by_role("textbox", name="Weight on the scale (kg)").nth(1).fill("17")
    walk.press("Keep all 2")
    kept_line(walk, 2)
    (bow,) = store.list_bows(record)
    pounds = [s.shot["scale_reading_lb"] for s in store.list_stages(record, bow.id) if s.state == "drawn"]
    assert pounds == pytest.approx([10.5 / 0.45359237, 17 / 0.45359237])
    for room in ("bow", "stage", "shelf", "compare", "weights", "boards", "settings"):
        opened(page, f"/{'' if room == 'shelf' else room}?bow={bow.id}")
        faults += faults_of(page, room, axe=False)  # ``test_browser_pages`` has it on each of them
    assert not page.trouble
    assert not faults, "\n".join(faults)
