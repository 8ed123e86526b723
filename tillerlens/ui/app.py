"""The app's rooms and the way between them. A new page is a module with ``show(place)`` and a row in ``ROOMS``."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

import streamlit as st

from tillerlens.core.errors import TillerLensError
from tillerlens.ui import context as places
from tillerlens.ui import error_net, walk
from tillerlens.ui.queue import answer_promptly
from tillerlens.ui.style import put_on
from tillerlens.ui.typed import forget_units
from tillerlens.ui.visitors import greet


@dataclass(frozen=True)
class Room:
    """A page. name: in its address, and its module's after ``page_``. section: under what heading it is listed. of_a_bow: whether
    it is about one bow."""

    name: str
    title: str
    section: str
    of_a_bow: bool = True


# in the order of the work: pick a bow, measure it, decide what to do, look it over; what is set up once comes last
BOWS, MEASURE, WORK, LOOK_BACK, SET_UP = "Bows", "Measure", "Work on it", "Look back", "Set up"
ROOMS: tuple[Room, ...] = (
    Room("shelf", "The shelf", BOWS, of_a_bow=False),
    Room("bow", "Timeline", BOWS),
    Room("picture", "Add photos", MEASURE),
    Room("stage", "One picture", MEASURE),
    Room("film", "Draw on film", MEASURE),
    Room("weights", "Weights and cast", MEASURE),
    Room("ear", "Without scale or chronograph", MEASURE),
    Room("plan", "Scraping plan", WORK),
    Room("wood", "Wood and heat", WORK),
    Room("compare", "Compare", LOOK_BACK),
    Room("report", "Report", LOOK_BACK),
    Room("guide", "Taking pictures", SET_UP, of_a_bow=False),
    Room("boards", "Boards", SET_UP, of_a_bow=False),
    Room("phone", "On the phone", SET_UP, of_a_bow=False),
    Room("settings", "Settings", SET_UP, of_a_bow=False),
)
LOOK = Room("look", "One photo, not kept", SET_UP, of_a_bow=False)


def run(samples: Path) -> None:
    """One run of the app. samples: the demo's pictures, NAME.jpg with NAME.shot.json."""
    error_net.log_to_the_server()
    answer_promptly()
    st.set_page_config(page_title="TillerLens", layout="wide")
    with error_net.net("house"):
        _run(samples)


def _run(samples: Path) -> None:
    put_on()
    greet()
    pages = {room.name: _page(room, samples) for room in (*ROOMS, LOOK)}
    st.session_state["rooms"] = pages
    st.session_state["samples"] = samples
    sections: dict[str, list[st.Page]] = {}
    for room in (*ROOMS, LOOK):
        sections.setdefault(room.section, []).append(pages[room.name])
    chosen = st.navigation(sections)
    _forget_fields(chosen.url_path)
    chosen.run()


def _page(room: Room, samples: Path) -> st.Page:
    return st.Page(_shown(room, samples), title=room.title, url_path=room.name, default=room is ROOMS[0])


def _shown(room: Room, samples: Path) -> Callable[[], None]:
    def show() -> None:
        with error_net.net(room.name):
            if room is LOOK:
                from tillerlens.ui.page.photo import show as look

                look(samples)
                return
            try:
                place = places.here()
            except TillerLensError:
                st.title(room.title)  # else nothing says which page cannot be shown
                raise
            walk.bar(place)
            import_module(f"tillerlens.ui.page.{room.name}").show(place)

    return show


def _forget_fields(page: str) -> None:
    """On another page the fields' contents are gone with their widgets, so the photograph there fills them anew."""
    if st.session_state.get("on_page") != page:
        st.session_state["on_page"] = page
        st.session_state.pop("filled", None)
        forget_units()
