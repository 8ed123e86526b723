"""The shop opened to the network, in a real browser: with the PIN, for looking only, framed by a stranger, and no page in the way
of its own content policy.
"""

import re
import signal
import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from tests.support.bench_shop import fill_bench
from tests.support.in_browser import AT_REST, PHONE, WIDE, marks, opened, settled
from tests.support.serving import listens, serving
from tillerlens.record import open_record, store
from tillerlens.ui import workspace
from tillerlens.ui.app import LOOK, ROOMS

pytestmark = marks


@pytest.fixture(scope="module")
def shop_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lan")
    with open_record(folder / "record") as record:
        fill_bench(record)
    return folder


@pytest.fixture(scope="module")
def served(shop_folder):
    with serving(shop_folder, "--lan") as app:
        yield app


@pytest.fixture
def bow(shop_folder):
    with open_record(shop_folder / "record") as record:
        (bow,) = store.list_bows(record)
        stage = [s for s in store.list_stages(record, bow.id) if s.state == "drawn"][-1]
    return f"bow={bow.id}&stage={stage.id}"


@pytest.fixture
def enter(a_browser, served):
    """A function that opens the shop in a browser of its own; gives the page, which notes what its console complains of."""
    opened = []

    def _enter(size, address, pin=None):
        context = a_browser._browser.new_context(viewport=size)
        opened.append(context)
        page = context.new_page()
        page.set_default_timeout(40_000)
        page.add_init_script(path=AT_REST)
        page.trouble = []
        page.on("pageerror", lambda error: page.trouble.append(str(error)))
        if pin is not None:
            page.goto(address)
            page.get_by_label("PIN").fill(pin)
            page.get_by_role("button", name="Open the shop").click()
            page.locator("h1").filter(has_text="shelf").wait_for()
        page.on("console", lambda m: page.trouble.append(f"{m.text} {m.location}") if complains(m) else None)
        return page

    yield _enter
    for context in opened:
        context.close()


def complains(message):
    """Leaves out what Streamlit itself asks for in vain: it looks for its server below a page's path first."""
    below_a_page = re.search(r"/\w+/_stcore/(health|host-config)$", message.location.get("url", ""))
    return message.type in ("error", "warning") and not ("404" in message.text and below_a_page)


def open_room(page, address, room, bow):
    page.goto(f"{address}/{'' if room == 'shelf' else room}?{bow}")
    page.locator("h1").first.wait_for()
    settled(page)


def each_room(page, address, bow):
    """Open every page of the app, the first by its address and the others in the same session; yields their names."""
    for n, room in enumerate((*ROOMS, LOOK)):
        if n == 0:
            open_room(page, address, room.name, bow)
        else:
            opened(page, f"/{room.name}?{bow}")
        yield room.name


@pytest.mark.parametrize("where", ["here", "lan"])
def test_no_page_meets_its_own_content_policy(served, enter, bow, where):
    """Every page with its charts and pictures, the point editor, and a file taken home. One policy stands at every address."""
    address = getattr(served, where)
    page = enter(WIDE, address, None if where == "here" else served.pin)
    paths = ("/", *(f"/{room.name}" for room in (*ROOMS, LOOK)))
    said = {page.request.get(f"{address}{path}").headers["content-security-policy"] for path in paths}
    assert len(said) == 1
    page.trouble.clear()
    for room in each_room(page, address, bow):
        if room == LOOK.name:
            page.get_by_role("img", name="The photograph with limbs").wait_for()
            settled(page)
            page.get_by_text("Point at the marks and the bow", exact=True).click()
            page.locator(".stage").wait_for()
            settled(page)
            with page.expect_download():
                page.get_by_role("button", name="Download the numbers").click()
        for chart in page.locator('[data-testid="stVegaLiteChart"]').all():
            chart.locator("canvas, svg.marks").first.wait_for(state="attached")
        assert page.trouble == [], room


def read_code(image):
    """What a camera reads in a code on the screen."""
    import cv2

    image.scroll_into_view_if_needed()
    picture = cv2.imdecode(np.frombuffer(image.screenshot(), np.uint8), cv2.IMREAD_COLOR)
    text, *_ = cv2.QRCodeDetector().detectAndDecode(picture)
    return text


def test_a_phone_comes_in_by_the_code_and_the_key_goes_from_the_address(served, enter):
    desk = enter(WIDE, served.here)
    open_room(desk, served.here, "phone", "")
    codes = desk.get_by_role("img", name="Code for the phone's camera")
    codes.nth(1).wait_for()
    assert codes.count() == 2
    for code, looking in zip(codes.all(), (False, True), strict=True):
        link = read_code(code)
        assert link.startswith(f"{served.lan}/?key=")
        guest = enter(PHONE, served.lan)
        guest.goto(f"{link}&bow=none")
        guest.locator("h1").filter(has_text="shelf").wait_for()
        settled(guest)
        assert "key" not in guest.url
        assert bool(guest.get_by_text("You are here to look only").count()) == looking
        guest.context.close()
    desk.get_by_text("can see, change and remove").wait_for()
    assert desk.get_by_text(served.pin, exact=True).count() and desk.get_by_text(served.looking_pin, exact=True).count()
    assert "?key=" not in desk.content()  # in the drawing only
    phone = enter(PHONE, served.lan, served.pin)
    open_room(phone, served.lan, "phone", "")
    phone.get_by_text(served.pin, exact=True).first.wait_for()
    assert not phone.get_by_text("You are here to look only").count()
    (cookie,) = [c for c in phone.context.cookies() if c["name"].startswith("tillerlens")]
    assert cookie["httpOnly"] and cookie["sameSite"] == "Strict"
    phone.get_by_text("1 other has this shop open: the computer it runs on since").first.wait_for()
    desk.get_by_text(re.compile(r"1 other has this shop open: [\d.]+ since \d\d:\d\d")).first.wait_for()  # within its ten seconds


def test_the_link_of_the_code_is_exchanged_at_once(enter):
    """The code's link is nowhere in print, so a shop is made here whose link is known."""
    from tests.server.test_gate import PINS, Door, Shop

    at = "http://192.168.1.20:8501"
    door = Door(Shop(PINS, address=at))
    asked = []

    def answer(route):
        headers = {"cookie": "".join(route.request.all_headers().get("cookie", ""))}
        asked.append(route.request.url)
        with ThreadPoolExecutor(1) as elsewhere:  # there is a loop in this thread already
            got = elsewhere.submit(door.ask, route.request.url.removeprefix(at), **headers).result()
        route.fulfill(status=got.status, headers={n.decode(): v.decode() for n, v in got.headers}, body=got.body)

    page = enter(PHONE, at)
    page.route("**/*", answer)
    page.goto(door.shop.link("full") + "&bow=7")
    page.get_by_text("through").wait_for()
    assert page.url == f"{at}/?bow=7"
    assert [url for url in asked if "key=" in url] == asked[:1]


def test_whoever_may_only_look_sees_every_page_and_changes_nothing(served, enter, bow, shop_folder):
    page = enter(PHONE, served.lan, served.looking_pin)
    before = kept_in(shop_folder)
    for room in each_room(page, served.lan, bow):
        page.get_by_text("You are here to look only").first.wait_for()
        assert not page.locator('[data-testid="stAlertContentError"], [data-testid="stException"]').count(), room
        offered = page.locator("button:visible").all_inner_texts()
        assert not [text for text in offered if re.match("Keep|Take it off|Put|Remove|I did|Browse|Upload", text.strip())], room
        assert not page.locator('input[type="file"]:visible').count()
    open_room(page, served.lan, "phone", "")
    assert served.lan in page.content() and served.pin not in page.content() and served.looking_pin not in page.content()
    assert not page.get_by_role("img", name="Code for the phone's camera").count()
    told = page.evaluate("""async () => {
        const asked = await fetch("/_stcore/upload_file/s/f", {method: "PUT", body: "x"});
        return [asked.status, await asked.text()]}""")
    assert told[0] == 403 and "look only" in told[1]
    assert kept_in(shop_folder) == before


def kept_in(folder):
    """What the record's folder holds, but for SQLite's own log."""
    return {
        p: p.stat().st_mtime_ns
        for p in folder.rglob("*")
        if p.is_file() and "record" in p.parts and "-shm" not in p.name and "-wal" not in p.name
    }


def test_hidden_buttons_shown_again_still_change_nothing(served, enter, bow, shop_folder):
    """Hiding is for the eye; what refuses is the record, and what the app keeps beside it."""
    page = enter(WIDE, served.lan, served.looking_pin)
    open_room(page, served.lan, "bow", bow)
    with open_record(shop_folder / "record") as record:
        (before,) = store.list_bows(record)
    page.get_by_text("The bow itself").click()
    page.get_by_role("textbox", name="Notes").last.wait_for()
    settled(page)
    page.locator("textarea").last.fill("by a looker")
    page.add_style_tag(content="html body [data-testid=stFormSubmitButton] { display: block !important; }")
    page.get_by_role("button", name="Keep the change").click()
    page.get_by_text("so nothing was changed").first.wait_for()
    open_room(page, served.lan, "settings", bow)
    page.get_by_label("Name beside corrections and events").fill("A looker")
    page.get_by_label("Name beside corrections and events").press("Enter")
    page.get_by_text("so nothing was changed").first.wait_for()
    with open_record(shop_folder / "record") as record:
        assert store.list_bows(record) == [before]
    assert not (shop_folder / "record" / "settings.json").exists()


def test_no_stranger_frames_the_shop(served, enter):
    page = enter(WIDE, served.here)
    stranger = f"<iframe id='f' src='{served.here}/'></iframe><p>a stranger's page</p>"
    page.route("http://stranger.example/", lambda route: route.fulfill(body=stranger, content_type="text/html"))
    page.goto("http://stranger.example/")
    page.get_by_text("a stranger's page").wait_for()
    page.wait_for_timeout(1500)
    inside = page.frame_locator("#f")
    assert not inside.locator("#root").count() and not inside.get_by_text("shelf").count()


def test_too_many_files_are_told_in_the_app(served, enter, bow, tmp_path):
    """Five of 60 MB in one tab, which holds 200 MB: what is too much is told in a sentence, and the rest is looked at."""
    files = [tmp_path / f"{n}.jpg" for n in range(5)]
    for file in files:
        with file.open("wb") as out:
            out.truncate(60 * 1024 * 1024)
    page = enter(WIDE, served.here)
    open_room(page, served.here, "picture", bow)
    page.locator("input[type=file]").first.set_input_files(files)
    page.get_by_text("This tab already holds 200 MB of files").first.wait_for()


def test_a_phone_with_the_pin_hands_over_its_pictures(served, enter, shop_folder):
    """Over plain http by the network's address, as a phone does, the token against foreign forms included."""
    from tests.support.made_up import SAMPLES

    with open_record(shop_folder / "record") as record:
        (bow,) = store.list_bows(record)
    page = enter(PHONE, served.lan, served.pin)
    open_room(page, served.lan, "picture", f"bow={bow.id}")
    page.locator("input[type=file]").first.set_input_files(SAMPLES / "bramble-drawn-grid.jpg")
    page.get_by_text("Guess: ").first.wait_for()
    assert [p.name for p in workspace.on_bench(shop_folder / "record", bow.id)] == ["bramble-drawn-grid.jpg"]
    looker = enter(PHONE, served.lan, served.looking_pin)
    open_room(looker, served.lan, "picture", f"bow={bow.id}")
    looker.get_by_text("Guess: ").first.wait_for()
    settled(looker)
    assert not looker.locator('[data-testid="stAlertContentError"], [data-testid="stException"]').count()
    assert len(workspace.on_bench(shop_folder / "record", bow.id)) == 1


def test_an_open_tab_keeps_nothing_listening(tmp_path, enter):
    with serving(tmp_path, "--lan") as app:
        page = enter(WIDE, app.here)
        open_room(page, app.here, "shelf", "")
        app.process.send_signal(signal.SIGTERM)
        time.sleep(2)
        assert not listens(app.port)
        app.process.wait(20)
