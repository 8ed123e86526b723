"""The point editor in a real browser: dragged, nudged, taken back, enlarged with two fingers, and measured anew."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tests.support.in_browser import PHONE, WIDE, free_port, marks, running_app, settled
from tests.support.made_up import SAMPLES

pytestmark = marks

STICK, STICK_PX = "bramble-drawn-stick", (3000, 2250)
ASTRAY_PX = 200.0


@pytest.fixture
def bench(visitor, address):
    """A function that opens the editor on a sample at a size."""

    def _bench(size=WIDE, sample=STICK, **more):
        page = visitor.page(size, **more)
        page.goto(address)
        page.get_by_text("cannot see grain").wait_for()
        settled(page)
        if sample is None:
            return page
        choose(page, "sample: " + sample.replace("-", " "))
        settled(page)
        if not page.locator(".stage").count():
            page.get_by_text("Point at the marks and the bow", exact=True).click()
        bring(page)
        return page

    return _bench


def choose(page, photograph):
    """One of the photographs that the first page offers."""
    box = page.get_by_role("combobox").first
    box.scroll_into_view_if_needed()
    page.wait_for_timeout(400)  # a list that opens while the page still scrolls closes again
    box.click()
    page.get_by_role("option", name=photograph).click()


def bring(page):
    """The whole editor into sight, as far as it goes, and at rest."""
    page.locator(".stage").wait_for()
    settled(page)
    page.locator(".stage").evaluate("e => e.scrollIntoView({block: 'center'})")
    settled(page)


def spot(page, name):
    return page.locator(".spot", has_text=name)


def middle(page, name):
    box = spot(page, name).bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def place(page, name):
    """Where a point says it is, in whole pixels of the photograph."""
    words = spot(page, name).get_attribute("aria-label").replace(",", "").split()
    return int(words[words.index("across") - 1]), int(words[words.index("down.") - 1])


def on_stage(page, px):
    """Where a pixel of the whole photograph lies on the screen."""
    box = page.locator(".stage").bounding_box()
    return box["x"] + (px[0] + 0.5) * box["width"] / STICK_PX[0], box["y"] + (px[1] + 0.5) * box["height"] / STICK_PX[1]


def drag(page, start, end):
    page.mouse.move(*start)
    page.mouse.down()
    page.mouse.move((start[0] + end[0]) / 2, (start[1] + end[1]) / 2, steps=4)
    page.mouse.move(*end, steps=4)
    page.mouse.up()


def measured_anew(page):
    page.locator(".editor:not(.busy)").wait_for()
    settled(page)


def state(page, name):
    return page.locator(".chips button", has_text=name).inner_text().split(": ")[1]


def download(page, button):
    with page.expect_download() as got:
        page.get_by_role("button", name=button).click()
    bring(page)  # the button lies below
    return json.loads(Path(got.value.path()).read_text())


def numbers(page):
    return download(page, "Download the numbers")


def truth():
    return json.loads((SAMPLES / f"{STICK}.truth.json").read_text())


def test_a_wrong_nock_is_dragged_right_and_the_numbers_follow(bench):
    """The upper nock is given 200 px inside the limb; dragged to its true place, the tip's height comes right."""
    page = bench(sample=None)
    outline = {key: np.asarray(truth()["outline_px"][key]) for key in ("centreline", "nock_upper", "nock_lower")}
    line = outline["centreline"]
    along = np.r_[0, np.cumsum(np.hypot(*np.diff(line, axis=0).T))]
    assert math.dist(line[0], outline["nock_upper"]) < 1
    wrong = [float(np.interp(ASTRAY_PX, along, line[:, k])) for k in (0, 1)]
    shot = json.loads((SAMPLES / f"{STICK}.shot.json").read_text())
    clicks = {"nock_upper": wrong, "nock_lower": outline["nock_lower"].tolist()}
    choose(page, "my own photograph")
    settled(page)
    for k, (name, kind, data) in enumerate(
        (
            ("bow.jpg", "image/jpeg", (SAMPLES / f"{STICK}.jpg").read_bytes()),
            ("bow.shot.json", "application/json", json.dumps({**shot, "clicks": clicks}).encode()),
        )
    ):
        page.locator("input[type=file]").nth(k).set_input_files({"name": name, "mimeType": kind, "buffer": data})
        settled(page)
    page.get_by_text("cannot see grain").wait_for()
    if not page.locator(".stage").count():
        page.get_by_text("Point at the marks and the bow", exact=True).click()
    bring(page)
    before = numbers(page)
    assert state(page, "upper nock") == "yours"
    drag(page, middle(page, "upper nock"), on_stage(page, outline["nock_upper"]))
    measured_anew(page)
    after = numbers(page)
    per_px = STICK_PX[0] / page.locator(".stage").bounding_box()["width"]
    assert after["shot"]["clicks"]["nock_upper"] == pytest.approx(outline["nock_upper"], abs=1.5 * per_px)
    assert after["shot"]["clicks"]["nock_lower"] == pytest.approx(clicks["nock_lower"], abs=0.01)
    assert after["status"] == "measured"
    true = truth()["values"]["tip_height_upper"]
    off = [abs(d["values"]["tip_height_upper"]["value"] - true) if d["values"] else math.inf for d in (before, after)]
    assert off[1] < 6 < 30 < off[0], off  # mm: a stick's marks cannot square the picture, so not nearer
    assert page.get_by_text("Upper nock: set by you").count() == 1
    assert not page.trouble


def test_what_was_moved_can_be_taken_back_and_done_again(bench):
    page = bench()
    first = numbers(page)
    assert state(page, "upper nock") == "found"
    found = place(page, "upper nock")
    x, y = middle(page, "upper nock")
    drag(page, (x, y), (x - 24, y - 20))
    measured_anew(page)
    moved = numbers(page)
    assert state(page, "upper nock") == "yours" and place(page, "upper nock") != found
    assert moved["values"] != first["values"]
    page.get_by_role("button", name="Undo", exact=True).click()
    measured_anew(page)
    assert place(page, "upper nock") == found and state(page, "upper nock") == "found"
    assert numbers(page)["values"] == first["values"]
    page.get_by_role("button", name="Redo", exact=True).click()
    measured_anew(page)
    assert numbers(page)["values"] == moved["values"]
    page.get_by_role("button", name="Back to what was found", exact=True).click()
    measured_anew(page)
    last = numbers(page)
    assert last["values"] == first["values"] and "clicks" not in last["shot"]
    assert page.get_by_role("button", name="All back to what was found").is_disabled()
    assert not page.trouble


def test_a_place_on_an_edge_is_set_where_it_was_chosen_and_taken_away_again(bench):
    page = bench()
    first = numbers(page)
    belly = truth()["outline_px"]["belly"]
    x, y = on_stage(page, belly[len(belly) // 5])
    page.mouse.click(x, y - 60)  # nothing is chosen: a tap beside the points sets none
    settled(page)
    assert state(page, "belly's edge, place 1") == "none"
    page.locator(".chips button", has_text="belly's edge, place 1").click()
    page.mouse.click(x, y)
    measured_anew(page)
    assert state(page, "belly's edge, place 1") == "yours" and state(page, "belly's edge, place 2") == "none"
    after = numbers(page)
    ((px, py),) = after["shot"]["edges_px"]["belly"]
    per_px = STICK_PX[0] / page.locator(".stage").bounding_box()["width"]
    assert (px, py) == pytest.approx(belly[len(belly) // 5], abs=1.5 * per_px)
    assert after["status"] == "measured" and "clicks" not in after["shot"]
    page.get_by_role("button", name="Take this place away", exact=True).click()
    measured_anew(page)
    last = numbers(page)
    assert last["values"] == first["values"] and "edges_px" not in last["shot"]
    assert not page.trouble


def test_every_point_can_be_moved_with_keys_alone(bench):
    """Tab goes from point to point; arrows move by one pixel, with Shift by ten; a burst of keys is one step to take back."""
    page = bench()
    spot(page, "mark 1").focus()
    for name in ("mark 2", "upper nock", "lower nock", "handle", "hook"):
        page.keyboard.press("Tab")
        assert page.locator(".spot:focus").get_attribute("aria-label").startswith(name)
    page.keyboard.press("Shift+Tab")
    page.keyboard.press("Shift+Tab")
    x, y = place(page, "lower nock")
    for key in ("ArrowRight", "ArrowDown", "Shift+ArrowUp", "ArrowDown"):
        page.keyboard.press(key)
    assert page.locator(".loupe").is_visible()
    assert place(page, "lower nock") == (x + 1, y - 8)
    assert page.locator(".spot:focus-visible").evaluate("e => getComputedStyle(e).outlineStyle") == "solid"
    page.wait_for_timeout(1500)  # a pause, and it is sent; what is measured quickly may be over by then
    measured_anew(page)
    clicks = download(page, "Download the shot file")["clicks"]
    assert list(clicks) == ["nock_lower"] and clicks["nock_lower"] == pytest.approx((x + 1, y - 8), abs=0.51)
    spot(page, "lower nock").focus()
    page.keyboard.press("Control+z")
    measured_anew(page)
    assert place(page, "lower nock") == (x, y) and state(page, "lower nock") == "found"
    page.keyboard.press("Control+y")
    measured_anew(page)
    assert state(page, "lower nock") == "yours"
    page.keyboard.press("Delete")
    measured_anew(page)
    assert state(page, "lower nock") == "found"
    assert not page.locator(".loupe").is_visible()
    from playwright.sync_api import expect

    spot(page, "lower nock").focus()  # the page may still be taking in what was measured
    page.keyboard.press("+")
    whole = page.get_by_role("button", name="Whole picture")
    expect(whole).to_be_enabled()
    page.keyboard.press("0")
    expect(whole).to_be_disabled()
    assert not page.trouble


def test_a_mark_taken_away_is_set_where_the_finger_is(bench):
    """To a screen pixel on the whole picture, to a photograph's pixel when enlarged."""
    page = bench()
    page.locator(".chips button", has_text="mark 1").click()
    true = place(page, "mark 1")
    page.get_by_role("button", name="Take this mark away").click()
    measured_anew(page)
    assert state(page, "mark 1") == "missing" and not spot(page, "mark 1").is_visible()
    page.get_by_text("1 marks are clicked, but this scale needs 2").wait_for()
    page.mouse.click(*on_stage(page, (true[0] + 300, true[1] + 500)))
    measured_anew(page)
    box = page.locator(".stage").bounding_box()
    per_px = STICK_PX[0] / box["width"]
    assert place(page, "mark 1") == pytest.approx((true[0] + 300, true[1] + 500), abs=1 + per_px)
    page.get_by_role("button", name="Undo", exact=True).click()
    measured_anew(page)
    page.locator(".chips button", has_text="mark 1").click()
    box = page.locator(".stage").bounding_box()  # the verdict above it has come back, which may move it
    at = [round(v) for v in on_stage(page, true)]  # a mouse stands on whole screen pixels
    true = (at[0] - box["x"]) * per_px - 0.5, (at[1] - box["y"]) * per_px - 0.5
    page.mouse.move(*at)
    page.mouse.wheel(0, -800)  # enlarged round the pointer, which stays over the same place
    page.wait_for_timeout(300)
    page.mouse.click(*at)
    measured_anew(page)
    assert place(page, "mark 1") == pytest.approx(true, abs=1.5)  # it is read in whole pixels
    assert numbers(page)["status"] == "measured"  # the mark's own dot settles the rest
    assert not page.trouble


def test_the_photograph_comes_once_and_never_in_the_data(bench):
    """Moving a point brings less than a tenth of the picture's bytes over the socket, and no picture anew."""
    page = bench(sample=None)
    received, fetched = [], []
    page.on("websocket", lambda ws: ws.on("framereceived", lambda data: received.append(len(data))))
    page.on("request", lambda r: fetched.append(r.url) if r.resource_type == "image" and "/media/" in r.url else None)
    page.reload()
    page.get_by_text("cannot see grain").wait_for()
    settled(page)
    page.get_by_text("Point at the marks and the bow", exact=True).click()
    bring(page)
    assert len(set(fetched)) > 2  # the small picture, and some of the full size for the loupe
    received.clear()
    fetched.clear()
    spot(page, "hook").focus()
    page.keyboard.press("ArrowDown")
    page.wait_for_timeout(1500)
    measured_anew(page)
    assert received and sum(received) < 0.2 * (SAMPLES / "bramble-drawn-grid.jpg").stat().st_size
    assert len(set(fetched)) <= 1  # the measured picture below; the editor has its own already
    assert not page.trouble


def test_a_server_started_anew_hears_of_the_corrections_again(visitor, tmp_path):
    """The browser owns what was set, so a server that lost its memory loses nothing that was on the page."""
    port, page = free_port(), visitor.page(WIDE)
    with running_app(tmp_path, port=port) as url:
        page.goto(url)
        page.get_by_text("cannot see grain").wait_for()
        settled(page)
        page.get_by_text("Point at the marks and the bow", exact=True).click()
        bring(page)
        spot(page, "hook").focus()
        page.keyboard.press("Shift+ArrowDown")
        page.get_by_text("Hook: set by you, 10 pixels").wait_for()
    page.wait_for_timeout(1500)
    with running_app(tmp_path, port=port):
        with page.expect_websocket():  # it finds the server again by itself; its run may be over before one can look
            pass
        page.wait_for_timeout(1500)
        settled(page)
        spot(page, "handle").focus()
        page.keyboard.press("Shift+ArrowDown")
        page.get_by_text("Handle: set by you, 10 pixels").wait_for()
        measured_anew(page)
        assert state(page, "hook") == state(page, "handle") == "yours"
        assert page.get_by_text("Hook: set by you, 10 pixels").count() == 1


# --- on a phone


class Fingers:
    """Touches as the phone's own, through the browser's debugging door."""

    def __init__(self, page):
        self.page, self.door = page, page.context.new_cdp_session(page)

    def _send(self, kind, points):
        touches = [{"x": x, "y": y, "id": i} for i, (x, y) in enumerate(points)]
        self.door.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": touches})

    def down(self, *points):
        self._send("touchStart", points)

    def move(self, *points):
        self._send("touchMove", points)

    def up(self):
        self._send("touchEnd", [])
        self.page.wait_for_timeout(300)


def test_two_fingers_enlarge_the_picture_and_not_the_page(bench):
    page = bench(PHONE)
    fingers, box = Fingers(page), page.locator(".stage").bounding_box()
    cx, cy = box["x"] + 0.5 * box["width"], box["y"] + 0.35 * box["height"]
    apart = math.dist(middle(page, "mark 1"), middle(page, "mark 2"))
    scrolled = page.locator("[data-testid=stMain]").evaluate("e => e.scrollTop")
    fingers.down((cx - 20, cy), (cx + 20, cy))
    for r in range(22, 61, 2):
        fingers.move((cx - r, cy), (cx + r, cy))
    fingers.up()
    assert math.dist(middle(page, "mark 1"), middle(page, "mark 2")) == pytest.approx(3 * apart, rel=0.12)
    assert page.evaluate("visualViewport.scale") == 1
    assert page.locator("[data-testid=stMain]").evaluate("e => e.scrollTop") == scrolled
    assert state(page, "mark 1") == "set" and page.locator(".undo").is_disabled()  # nothing was moved by it
    page.get_by_role("button", name="Whole picture").tap()
    page.wait_for_timeout(200)
    assert math.dist(middle(page, "mark 1"), middle(page, "mark 2")) == pytest.approx(apart, rel=0.01)
    assert not page.trouble


def test_the_loupe_shows_beside_the_finger_what_it_hides(bench):
    page = bench(PHONE)
    fingers, loupe = Fingers(page), page.locator(".loupe")
    x, y = middle(page, "lower nock")
    before, per_px = place(page, "lower nock"), STICK_PX[0] / page.locator(".stage").bounding_box()["width"]
    fingers.down((x + 6, y + 6))  # a finger beside the point carries it along and does not snatch it
    assert loupe.is_visible()
    for i in range(1, 11):
        fingers.move((x + 6 + i, y + 6 - i))
    page.wait_for_timeout(300)
    box = loupe.bounding_box()
    assert not (box["x"] <= x + 16 <= box["x"] + box["width"] and box["y"] <= y - 4 <= box["y"] + box["height"])
    shown = loupe.evaluate(
        "e => { const d = e.getContext('2d').getImageData(0, 0, e.width, e.height).data;"
        " let s = 0, q = 0; for (let i = 0; i < d.length; i += 4) { s += d[i]; q += d[i] * d[i]; }"
        " const n = d.length / 4; return q / n - (s / n) ** 2; }"
    )
    assert shown > 100  # grey levels squared: a blank loupe has none
    fingers.up()
    assert not loupe.is_visible()
    assert place(page, "lower nock") == pytest.approx((before[0] + 10 * per_px, before[1] - 10 * per_px), abs=1.5 + per_px)
    measured_anew(page)
    assert state(page, "lower nock") == "yours"
    assert not page.trouble


def test_the_page_scrolls_past_the_picture_and_fits(bench):
    page = bench(PHONE)
    fingers, box = Fingers(page), page.locator(".stage").bounding_box()
    main = page.locator("[data-testid=stMain]")
    before = main.evaluate("e => e.scrollTop")
    x, y = box["x"] + 12, box["y"] + box["height"] - 12
    fingers.down((x, y))
    for i in range(1, 13):
        fingers.move((x, y - 12 * i))
    fingers.up()
    assert main.evaluate("e => e.scrollTop") > before + 60
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    for button in page.locator(".editor button:visible").all():
        box = button.bounding_box()
        assert min(box["height"], box["width"]) > 43.9, button.inner_text()  # 44, but for the screen's own rounding
    assert not page.trouble


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_no_serious_fault_in_the_editor(bench, scheme):
    from axe_playwright_python.sync_playwright import Axe

    page = bench(color_scheme=scheme, reduced_motion="reduce")
    found = Axe().run(page, context={"include": [['[data-testid="stBidiComponentIsolated"]']]}).response
    ours = [
        (v["id"], node["target"], node["failureSummary"])
        for v in found["violations"]
        if v["impact"] in ("serious", "critical")
        for node in v["nodes"]
        if isinstance(node["target"][0], list)  # inside a shadow root: the editor is the only one on the page
    ]
    assert not ours
    assert any(isinstance(n["target"][0], list) for v in found["passes"] for n in v["nodes"])  # it was looked at


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["wide", "phone"])
def test_a_page_that_asks_shows_the_doubtful_place_enlarged_with_its_tool(bench, size, tmp_path):
    """The lower tip cut off: the editor is there, looks at where the limb meets the border, and the lower nock is chosen."""
    page = bench(size, sample=None)
    with Image.open(SAMPLES / "walk" / "linnet-braced.jpg") as whole:
        width, height = whole.size
        edge = round(0.9 * width)
        file = tmp_path / "cut.png"
        whole.convert("RGB").crop((0, 0, edge, height)).save(file)
    shot = (SAMPLES / "walk" / "linnet-braced.shot.json").read_bytes()
    choose(page, "my own photograph")
    settled(page)
    page.locator("input[type=file]").nth(0).set_input_files(file)
    settled(page)
    page.locator("input[type=file]").nth(1).set_input_files({"name": "a.json", "mimeType": "application/json", "buffer": shot})
    page.get_by_text("Is the lower tip outside the picture?").first.wait_for()
    bring(page)
    chosen = page.locator('.chips button[aria-pressed="true"]')
    assert chosen.inner_text().startswith("lower nock") and page.locator(".farther").is_enabled()  # not the whole picture
    page.locator(".chips button", has_text="lower nock").press("Enter")  # set in the middle of what is seen
    x, _ = place(page, "lower nock")
    assert x > 0.85 * edge
    assert not page.trouble and not page.locator('[data-testid="stException"]').count()
