"""What nobody foresaw on a page: said in words with a number, logged with its traceback, and the rest of the page stays."""

import ast
import logging
import re

import pytest
from streamlit.testing.v1 import AppTest

from tests.support import bow_states, shop
from tests.support.app_visits import APP, errors, said, visit
from tillerlens.record import Bow, open_record, store
from tillerlens.server.error_box import WHAT
from tillerlens.ui import workspace
from tillerlens.ui.page import bow as page_bow
from tillerlens.ui.page import guide, picture
from tillerlens.ui.page import stage as page_stage

UI = APP.parent / "tillerlens" / "ui"


class Panic(BaseException):
    """As a compiled library's panic comes to Python: it is no Exception."""


@pytest.fixture
def record():
    with open_record() as record:
        yield record


def break_down(error):
    def broken(*args, **kwargs):
        raise error

    return broken


def number_in(page, log):
    """The number that the page says, which the log must have, with the traceback; nothing of that is on the page."""
    (box,) = [e.value for e in page.error if WHAT in e.value]
    assert not page.exception and "Traceback" not in box and "broken" not in box and "secret" not in box
    assert "Nothing on the shelf, the timeline or the bench is lost" in box and "Load the page again" in box
    (number,) = re.findall(r"\d{3}-\d{3}", box)
    (entry,) = [r for r in log.records if number in r.getMessage()]
    assert entry.levelno == logging.ERROR and "secret" in str(entry.exc_info[1])
    return number


@pytest.mark.parametrize(
    "error", [ZeroDivisionError("secret"), Panic("secret"), MemoryError("secret")], ids=lambda e: type(e).__name__
)
def test_a_page_that_breaks_down_half_way_says_so_at_its_top(monkeypatch, caplog, error):
    monkeypatch.setattr(guide, "CARE_ALWAYS", Breaking(error))  # nearly the last that the page shows
    page = visit("guide")
    number_in(page, caplog)
    shown = [e.value for e in page.main if e.type in ("error", "title")]
    assert WHAT in shown[0] and shown[1] == "Taking pictures"


class Breaking(tuple):
    """A sequence that cannot be gone through."""

    def __new__(cls, error):
        made = super().__new__(cls)
        made.error = error
        return made

    def __iter__(self):
        raise self.error


def test_a_fragment_that_breaks_down_leaves_the_page_around_it(caplog):
    def page():
        import streamlit as st

        from tillerlens.ui import error_net

        @error_net.fragment
        def part():
            if st.toggle("Break it", key="broken"):
                raise ValueError("secret")

        with error_net.net("test"):
            st.title("Before")
            part()
            st.markdown("after")

    at = AppTest.from_function(page).run()
    assert not at.error
    at.toggle(key="broken").set_value(True).run()
    number_in(at, caplog)
    assert at.title and at.markdown[-1].value == "after"


def test_a_callback_that_breaks_down_is_told_on_the_page_that_follows(caplog):
    def page():
        import streamlit as st

        from tillerlens.ui import error_net

        @error_net.callback
        def broken():
            raise KeyError("secret")

        with error_net.net("test"):
            st.button("Do it", on_click=broken, key="do")
            st.markdown("the whole page")

    at = AppTest.from_function(page).run()
    at.button(key="do").click().run()
    number_in(at, caplog)
    assert at.markdown[-1].value == "the whole page"
    assert not at.run().error  # said once


def test_what_the_framework_catches_first_is_told_alike(caplog):
    def page():
        import streamlit as st
        from streamlit.runtime.scriptrunner import get_script_run_ctx

        from tillerlens.server.error_box import by_the_framework

        get_script_run_ctx().on_script_error = by_the_framework  # as st.App hands it on
        st.title("Before")
        raise ValueError("secret")

    number_in(AppTest.from_function(page).run(), caplog)


def test_going_elsewhere_and_stopping_are_no_trouble():
    def page():
        import streamlit as st

        from tillerlens.ui import error_net

        with error_net.net("test"):
            if not st.session_state.setdefault("again", False):
                st.session_state["again"] = True
                st.rerun()
            st.title("Here")
            st.stop()

    at = AppTest.from_function(page).run()
    assert not at.error and not at.exception and at.title[0].value == "Here"


def test_whatever_a_widget_calls_and_every_fragment_has_the_net():
    """The framework handles what those raise by itself, before a page's net could."""
    bare = []
    for path in UI.rglob("*.py"):
        tree = ast.parse(path.read_text())
        functions = [f for f in ast.walk(tree) if isinstance(f, ast.FunctionDef)]
        guarded = {f.name for f in functions if "error_net.callback" in map(ast.unparse, f.decorator_list)}
        for node in ast.walk(tree):
            if (
                isinstance(node, ast.Attribute)
                and ast.unparse(node) in ("st.fragment", "st.dialog")
                and path.name != "error_net.py"
            ):
                bare.append(f"{path.name}:{node.lineno} {ast.unparse(node)}")
            if isinstance(node, ast.keyword) and re.fullmatch("on_(click|change|submit|select|.*_change)", node.arg or ""):
                what = ast.unparse(node.value)
                if what not in guarded and what not in ("'ignore'", "'rerun'", "lambda: None"):
                    bare.append(f"{path.name}:{node.value.lineno} {what}")
    assert not bare


# --- the rest of the page stays


def test_a_picture_that_breaks_the_bench_can_be_taken_off_it(record, monkeypatch, caplog):
    bow = store.add_bow(record, Bow("Wren"))
    workspace.lay_down(record.folder, shop.small_picture(1, (960, 720)), "a.jpg", bow.id, {"version": 1})
    monkeypatch.setattr(picture, "point_at", break_down(ValueError("secret")))
    page = visit("picture", bow)
    number_in(page, caplog)
    next(b for b in page.button if b.key.startswith("off_bench")).click().run()
    assert errors(page) == [] and workspace.on_bench(record.folder, bow.id) == []


def test_a_kept_picture_that_breaks_its_page_keeps_its_notes_and_the_way_back(record, monkeypatch, caplog):
    bow = shop.fill(record)
    stage = store.list_stages(record, bow.id)[0]
    monkeypatch.setattr(page_stage, "show_result", break_down(ValueError("secret")))
    page = visit("stage", bow, stage)
    number_in(page, caplog)
    assert page.text_area(key=f"notes_{stage.id}") and page.button(key=f"off_{stage.id}")


def test_one_entry_that_breaks_down_hides_no_other(record, monkeypatch, caplog):
    bow = shop.fill(record)
    first, other, *_ = store.list_stages(record, bow.id)
    monkeypatch.setattr(page_bow, "_AT_ONCE", 99)
    pictures = page_bow.small_picture

    def one_breaks(record, stage):
        if stage.id == first.id:
            raise ValueError("secret")
        return pictures(record, stage)

    monkeypatch.setattr(page_bow, "small_picture", one_breaks)
    page = visit("bow", bow)
    number_in(page, caplog)
    assert page.button(key=f"open_{other.id}")


def test_a_picture_gone_from_the_bench_meanwhile_is_told(record):
    bow = store.add_bow(record, Bow("Wren"))
    laid = workspace.lay_down(record.folder, shop.small_picture(1), "a.jpg", bow.id, {"version": 1})
    (record.folder / "bench" / bow.id / f"{laid.sha256}.picture").unlink()
    page = visit("picture", bow)
    assert any("no longer on the bench" in e for e in errors(page))
    next(b for b in page.button if b.key.startswith("off_bench")).click().run()
    assert errors(page) == [] and workspace.on_bench(record.folder, bow.id) == []


@pytest.mark.parametrize(("name", "room"), [("settings.json", "guide"), ("boards.json", "boards")])
def test_a_damaged_file_is_set_aside_where_it_is_told(record, name, room):
    damaged = record.folder / name
    damaged.write_text("[1")
    page = visit(room)
    (told,) = errors(page)
    assert "damaged" in told and page.title[0].value
    page.button(key=f"aside_{damaged}").click().run()
    assert errors(page) == [] and not damaged.exists()
    (aside,) = record.folder.glob(f"{name}.damaged-*")
    assert aside.read_text() == "[1"


# --- a kept picture that was not measured


@pytest.fixture(scope="module")
def braced():
    folder = bow_states.SAMPLES / "walk"
    return bow_states.picture_of(folder / "linnet-braced.jpg")


@pytest.mark.parametrize("kind", ["refused", "asks"])
def test_a_kept_picture_that_was_not_measured_says_why_and_what_to_do(record, braced, kind):
    made = {"refused": bow_states.refused_picture, "asks": bow_states.asking_picture}[kind]({"braced": braced})
    bow = store.add_bow(record, Bow("Wren"))
    stage = store.add_stage(record, bow.id, made.data, made.shot, document=made.document, name="a.jpg")
    page = visit("stage", bow, stage)
    assert errors(page) == []
    (reason, *_) = made.document.reasons
    first = page.subheader[0].value.replace("\\", "")
    assert reason.text in first and reason.remedy in first
    pictures = len(page.get("image")) + len(page.get("imgs")) + len(page.get("bidi_component"))
    assert pictures == 1  # once: to be looked at, or to be pointed at
    if kind == "asks":
        assert "on the photograph below" in said(page) and "Switch on 'Point" not in said(page)
    page.toggle(key=f"right_{stage.id}").set_value(False).run()
    assert errors(page) == [] and reason.text in page.subheader[0].value.replace("\\", "")
    assert len(page.get("image")) + len(page.get("imgs")) == 1
