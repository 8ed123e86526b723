"""The shelf: every bow with its picture and the sentence that matters most; a new bow; and the first start, with the demo."""

from __future__ import annotations

import time
from pathlib import Path

import streamlit as st

from tillerlens.core.errors import TillerLensError
from tillerlens.record import store
from tillerlens.record.views import ShelfRow, shelf
from tillerlens.ui import demo, error_net
from tillerlens.ui.bow_form import ask_bow, facts
from tillerlens.ui.context import PageContext, errors_in_place, go, long_work, say_error, was_stopped
from tillerlens.ui.fields import in_words
from tillerlens.ui.stages import line_of, small_picture
from tillerlens.ui.style import badge
from tillerlens.ui.text import plain

_SORTS = {
    "newest": "last worked on",
    "name": "name",
    "wood": "wood",
    "asking": "pictures that wait for you",
}


STOPPING_S = 20.0  # one picture's measuring on a slow machine


def show(place: PageContext) -> None:
    if was_stopped("demo"):
        with st.spinner("Stopping"):
            _until_it_is_gone(place)
    _doubt(place)
    rows = shelf(place.record)
    samples = Path(st.session_state["samples"])
    if not rows:
        _first_start(place, samples)
        return
    st.title("The shelf")
    own = bool(st.session_state.pop("own_bow_next", False))  # led here by the walk's end
    if own:
        with st.container(border=True):
            st.markdown("**Put your own bow on the shelf.** Three fields, then its first photo.")
            _ask_new(place)
    left, right = st.columns([3, 1], vertical_alignment="bottom")
    left.markdown(f"{len(rows)} {'bow' if len(rows) == 1 else 'bows'}.")
    by = right.selectbox("Sort by", list(_SORTS), format_func=_SORTS.__getitem__, key="shelf_by")
    for row in _sorted(rows, by):
        with error_net.net("a bow on the shelf"):  # one bow's trouble must not hide the others
            _row(place, row)
    if not own:
        _new_bow(place)
    if demo.demo_bow(place.record) is None and demo.can_be_put_up(samples):
        with st.expander("The demo bow"):
            _offer_demo(place, samples, "Put the demo bow on the shelf")


def _doubt(place: PageContext) -> None:
    """Say it where the pictures beside the record seem to be another record's: nothing of theirs is then moved or taken away."""
    if place.record.doubt is not None:
        st.warning(plain(f"{place.record.doubt.text} {place.record.doubt.remedy}"))


def _sorted(rows: list[ShelfRow], by: str) -> list[ShelfRow]:
    if by == "newest":
        return sorted(rows, key=lambda r: r.newest.taken_at if r.newest else r.bow.added_at, reverse=True)
    if by == "wood":
        return sorted(rows, key=lambda r: (not r.bow.wood, r.bow.wood.casefold()))
    if by == "asking":
        return sorted(rows, key=lambda r: -r.asking)
    return rows


def _row(place: PageContext, row: ShelfRow) -> None:
    bow, newest = row.bow, row.newest
    at = PageContext(place.record, place.settings, bow)
    with st.container(border=True):
        picture, words = st.columns([1, 3], gap="medium", vertical_alignment="center")
        with picture:
            data = None if newest is None else small_picture(place.record, newest)
            if data is not None:
                st.image(data, width="stretch", alt=f"{bow.name}, {newest.state if newest else ''}, traced")
            else:
                st.caption("No measured picture yet.")
        with words:
            st.markdown(f"#### {plain(bow.name)}")
            if row.damage:
                st.error(plain(row.damage))
            if newest is not None:
                try:
                    said = line_of(place.record, newest, at.units, at.wish)
                    st.markdown(f"{badge(said)} **{newest.state.capitalize()}:** {in_words(said.text)}".strip())
                except TillerLensError as error:
                    say_error(error)
            known = facts(bow, place.units)
            pictures = f"{row.stages} {'picture' if row.stages == 1 else 'pictures'}"
            waits = "" if not row.asking else ", not measured" if row.stages == 1 else f", {row.asking} of them not measured"
            st.caption(" · ".join(part for part in (known, pictures + waits) if part))
            one, two = st.columns(2)
            if one.button("Open the timeline", key=f"open_{bow.id}", width="stretch"):
                go("bow", bow)
            if two.button("Add photos", key=f"picture_{bow.id}", width="stretch"):
                go("picture", bow)


def _new_bow(place: PageContext) -> None:
    with st.expander("Put a new bow on the shelf"):
        _ask_new(place)


def _ask_new(place: PageContext) -> None:
    """The fields of a new bow; once it is on the shelf, its first photos are asked for."""
    count = st.session_state.get("bows_added", 0)
    given = ask_bow(None, place.units, f"new_bow_{count}", "Put it on the shelf and add photos")
    if given is None:
        return
    with errors_in_place():
        bow = store.add_bow(place.record, given)
        st.session_state["bows_added"] = count + 1
        go("picture", bow)


# --- the first start


def _first_start(place: PageContext, samples: Path) -> None:
    """An empty shop: a bow of one's own can be put up, the walk is offered, and a sample is measured at once."""
    st.title("TillerLens")
    with st.container(border=True):
        st.markdown("**Your shelf is empty.** Put your own bow on it: three fields, then drop in its first photo.")
        _ask_new(place)
    if demo.can_be_put_up(samples):
        with st.container(border=True):
            st.markdown("**Or look first.** Walk along with an invented bow, from rest to its report.")
            _offer_demo(place, samples, "Walk along with the demo bow")
    from tillerlens.ui.page.photo import show as look  # by now the page says where one is

    look(samples, title=False)


def _until_it_is_gone(place: PageContext) -> None:
    """The run that was stopped takes its half of the demo away when it hears of it, which this one does not see."""
    end = time.monotonic() + STOPPING_S
    while demo.demo_bow(place.record) is not None and time.monotonic() < end:
        time.sleep(0.2)


def _offer_demo(place: PageContext, samples: Path, label: str) -> None:
    st.caption("Everything of the demo is invented, and its pictures are made up. It takes half a minute to measure them.")
    if not st.button(label, type="primary", key="put_up_demo"):
        return
    tell = long_work("Measuring the demo's pictures", "demo")  # stopped, the demo is taken off the shelf again
    with errors_in_place():
        bow = demo.put_up(place.record, samples, lambda part, name: tell(part, f"Measuring {name}"))
        st.session_state["walk"] = 0
        step = demo.steps_of(place.record, bow)[0]
        go(step.room, bow, demo.stage_of(place.record, bow, step))
