"""Every page in a real browser for every state that a bow can be in, as wide as a desk and as narrow as a phone.

A fault is: an error that does not belong there, our box for what nobody foresaw or the framework's own, an error in the browser's
console, a request that failed, a picture that is not shown, a page that scrolls sideways or stays empty, and anything in the
server's log. The pages are opened in one browser session as its back button opens them, which takes a fraction of a load.
"""

import json
import time
from collections import Counter

import pytest

from tests.support.bow_states import (
    ROOM_NAMES,
    State,
    address,
    bad_click_states,
    damaged_shops,
    nobody,
    put_up,
    put_up_demo,
    walk_states,
)
from tests.support.every_page import Watched, log_faults
from tests.support.in_browser import PHONE, WIDE, marks, running_app
from tillerlens.record import open_record
from tillerlens.ui import workspace

pytestmark = marks
SIZES = (WIDE, PHONE)


class Look:
    """Pages opened one by one; what was opened, how long it took, and every fault."""

    def __init__(self, watched):
        self.watched, self.rows, self.faults, self.wide = watched, [], [], WIDE
        self.begin = time.monotonic()

    def at(self, state, room, load=False):
        """One page at both widths; the one it is opened at is the one it last had, so that each page is opened at either."""
        began = time.monotonic()
        path = f"/{address(state, room)}"
        seen = self.watched.load(self.base + path) if load else self.watched.go(path)
        self._row(state.name, room, seen, state.expected(room))
        self.faults += [
            f"{room}, {state.name}: {name} is {seen['address'].get(name)}"
            for name in state.stays
            if seen["address"].get(name) != state.query[name]
        ]
        if state.open:
            self.watched.page.evaluate("tillerTest.open()")
        self.wide = PHONE if self.wide is WIDE else WIDE
        seen = self.watched.after(lambda: self.watched.page.set_viewport_size(self.wide), runs=False)
        self._row(state.name, room, seen, state.expected(room))
        self.rows[-1]["s"] = self.rows[-2]["s"] = round((time.monotonic() - began) / 2, 3)

    def flip(self, name, act, runs=True, expected=None):
        """Something on the page is switched or chosen."""
        state, room = self.rows[-1]["state"], self.rows[-1]["page"]
        self._row(f"{state}, {name}", room, self.watched.after(act, runs), expected)

    def _row(self, state, room, seen, expected):
        found = self.watched.faults(seen, expected)
        self.rows.append({"page": room, "state": state, "width": seen["width"], "s": 0.0, "cut": seen["cut"]})
        self.faults += [f"{room}, {state}, {seen['width']} px: {fault}" for fault in found]

    def told(self, folder):
        """The summary in a line; the table lies in the folder."""
        (folder / "pages.json").write_text(json.dumps(self.rows, indent=1))
        pages, states = Counter(r["page"] for r in self.rows), {r["state"] for r in self.rows}
        took = time.monotonic() - self.begin
        return (
            f"{len(self.rows)} views: {len(pages)} pages, {len(states)} states, {len(SIZES)} widths, {took:.0f} s; "
            f"{len(self.faults)} faults; the table: {folder / 'pages.json'}"
        )


@pytest.fixture(scope="module")
def shop(tmp_path_factory, a_browser):
    folder = tmp_path_factory.mktemp("every")
    with open_record(folder / "record") as record, running_app(folder) as base:
        look = Look(Watched(a_browser.page(WIDE)))
        look.base = base
        yield look, record, folder
        a_browser.leave()


def test_every_page_in_every_state(shop, capsys):
    look, record, folder = shop
    empty = State("an empty shelf", rooms=ROOM_NAMES, open=True)
    for n, room in enumerate(empty.rooms):
        look.at(empty, room, load=n == 0)
    for state, file in damaged_shops(record):
        file.write_text("[1")
        for room in state.rooms:
            look.at(state, room)
        file.unlink()
    demo_bow, pictures = put_up_demo(record)
    walk = walk_states(record, demo_bow)
    states = [*put_up(record, pictures), *bad_click_states(record, pictures), nobody()]
    for n, state in enumerate((*walk, *states)):
        if n == len(walk):
            look.flip("ended", lambda: look.watched.page.get_by_role("button", name="End the walk").click())
        for room in state.rooms:
            look.at(state, room)
    by_name = {state.name: state for state in states}
    flip_what_can_be_flipped(look, by_name)
    in_other_units(look, by_name, record)
    look.faults += [f"later: {trouble}" for trouble in look.watched.trouble]
    with capsys.disabled():
        print(f"\n{look.told(folder)}")
    log = log_faults((folder / "log").read_text())
    assert not look.faults and not log, "\n".join([*look.faults, *log])


def flip_what_can_be_flipped(look, states):
    """What leads to another rendering of a page, each once."""
    page = look.watched.page

    def press(words, exact=True):
        return lambda: page.locator('[data-testid="stMain"]').get_by_text(words, exact=exact).first.click()

    def choose(label, words):
        def act():
            page.get_by_role("combobox", name=label).first.click()
            page.wait_for_timeout(300)
            if not page.get_by_role("option").count():  # a page that has just been widened or scrolled folds the list up again
                page.keyboard.press("ArrowDown")
            page.get_by_role("option", name=words).first.click()

        return act

    def unfold():
        page.evaluate("tillerTest.open()")
        page.wait_for_timeout(500)

    full, plan = states["after the scrape"], states["bench, with a plan"]
    look.at(full, "stage")
    look.flip("put right", press("Fix this measurement"))
    look.flip("pointed at", press("Point at the marks and the bow"))
    page.locator(".stage").wait_for()  # the editor
    look.flip("the whole photograph", press("Only the bow"))
    look.at(states["only a belly view"], "stage")
    look.flip("a belly view put right", press("Fix this measurement"))
    look.flip("a belly view pointed at", press("Point at the marks and the bow"))
    page.locator(".stage").wait_for()
    look.at(full, "compare")
    look.flip("side by side", press("side by side"))
    look.flip("laid over each other", press("laid over each other"))
    look.flip("without lines", press("Draw both bows' lines"))
    look.at(plan, "plan")
    unfold()
    for bend in ("the wood strained evenly", "the lower limb like the upper"):
        look.flip(bend, choose("How the bend should be spread", bend))
    look.at(full, "report")
    look.flip("A4", press("A4"))
    unfold()
    look.flip("without notes of weights", lambda: page.locator('[data-testid="stCheckbox"] label').first.click())
    look.at(full, "shelf")
    for order in ("name", "wood", "pictures that wait for you"):
        look.flip(order, choose("Sort by", order))
    look.at(states["full, scraped and not looked at since"], "bow")
    unfold()
    for kind in ("a weight on the scale", "heat", "moisture", "an arrow's speed", "something seen on the wood", "a note"):
        look.flip(f"noting {kind}", choose("What was it?", kind))
    look.flip("an event to be changed", press("Change it or take it off"))
    look.at(State("boards"), "boards")
    unfold()
    look.flip("worked out from a tape", press("Work out the places"), expected="not enough to place four tags")
    for kind in ("a ruled grid", "four marks of a rectangle", "nothing but the bow itself"):
        look.flip(kind, choose("The scale comes from", kind))
    look.at(State("look"), "look")
    look.flip("whole photograph", press("Only the bow"))
    look.flip("own photograph", choose("Photograph", "my own photograph"))


def in_other_units(look, states, record):
    """Centimetres and kilograms, on every page of a full bow."""
    usual = workspace.settings(record.folder)
    workspace.keep_settings(record.folder, workspace.Settings(length="cm", weight="kg", draw_to="belly"))
    state = states["bench, with a plan"]
    for room in (*state.rooms, "settings", "shelf"):
        look.at(State("in centimetres", state.query), room)
    workspace.keep_settings(record.folder, usual)
