"""Where a person is: the open record, the settings, and the bow and stage that the address names.

The address keeps the place (``?bow=...&stage=...``), so that a reload or a locked phone comes back to it; the session remembers
it while the pages change, which empties the address.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any, NoReturn

import streamlit as st

from tillerlens.core.errors import TillerLensError
from tillerlens.record import Bow, Record, RecordError, Stage, open_record, store
from tillerlens.record.database import ORIGINALS_VARIABLE, PLACE_VARIABLE
from tillerlens.report.words.quantities import Units
from tillerlens.report.words.verdict import Wish
from tillerlens.server import LookingOnly, looking_only
from tillerlens.server.visit import ASK, LOOKING
from tillerlens.ui import workspace
from tillerlens.ui.text import distinct_labels, plain
from tillerlens.ui.typed import hold_units, said

_ROOMS = "rooms"  # the pages by name, set by ``ui.app`` on every run
_NAMES = ("bow", "stage")


@dataclass(frozen=True, eq=False)
class PageContext:
    """The shop as one run of a page sees it. bow, stage: what the address names, or None."""

    record: Record
    settings: workspace.Settings
    bow: Bow | None = None
    stage: Stage | None = None

    @property
    def units(self) -> Units:
        return self.settings.units

    @property
    def wish(self) -> Wish:
        """The tiller wished for: the bow's own, else the shop's."""
        usual, bow = self.settings.wish, self.bow
        low = usual.low_mm if bow is None or bow.wish_tiller_low_mm is None else bow.wish_tiller_low_mm
        high = usual.high_mm if bow is None or bow.wish_tiller_high_mm is None else bow.wish_tiller_high_mm
        return Wish(low, high)


def here() -> PageContext:
    """The place that the address and the session name. Raises RecordError when the record cannot be opened."""
    record = the_record()
    settings = workspace.settings(record.folder)
    units = hold_units(settings.units)
    settings = replace(settings, length=units.length, weight=units.weight)
    wanted = {name: st.query_params.get(name) or st.session_state.get(f"at_{name}") for name in _NAMES}
    bow, stage = _find(record, wanted["bow"], wanted["stage"])
    remember(bow, stage)
    return PageContext(record, settings, bow, stage)


def the_record() -> Record:
    """The record, opened once for all sessions, and once more for those who may only look."""
    where = os.environ.get(PLACE_VARIABLE), os.environ.get(ORIGINALS_VARIABLE)
    whole = _open(*where, looking=False)  # first of all, since it may have to be made or brought up to date
    return _open(*where, looking=True) if looking_only() else whole


@st.cache_resource(show_spinner="Opening the record")
def _open(place: str | None, originals: str | None, looking: bool) -> Record:
    return open_record(looking=looking)  # reads the same two from the environment


def _find(record: Record, bow_id: str | None, stage_id: str | None) -> tuple[Bow | None, Stage | None]:
    if bow_id is None and stage_id is None:
        return None, None
    try:
        stage = None if stage_id is None else store.get_stage(record, stage_id)
        bow = store.get_bow(record, bow_id or (stage.bow_id if stage else ""))
    except RecordError as error:
        if "id" not in error.fields:
            raise
        there = next((b for b in store.list_bows(record) if b.id == bow_id), None)
        what, do = ("bow", "Choose another one.") if there is None else ("picture", "Here is the rest of its bow.")
        with st.container(key="told_gone"):  # it was taken off, or the address is of another shop
            st.warning(f"The {what} that this address names is no longer in the record. {do}")
        return there, None
    return bow, stage if stage is not None and stage.bow_id == bow.id else None


def remember(bow: Bow | None, stage: Stage | None) -> None:
    """Keep the place in the address and in the session."""
    for name, entry in (("bow", bow), ("stage", stage)):
        st.session_state[f"at_{name}"] = None if entry is None else entry.id
        if entry is not None:
            if st.query_params.get(name) != entry.id:
                st.query_params[name] = entry.id
        elif name in st.query_params:
            del st.query_params[name]


# --- going about


def go(room: str | None = None, bow: Bow | None = None, stage: Stage | None = None) -> NoReturn:
    """Go to a room by its name (``shelf``, ``bow``, ``picture``, ...), or stay in this one, with this bow and stage."""
    remember(bow, stage)
    if room is None:
        st.rerun()
    st.switch_page(st.session_state[_ROOMS][room], query_params=query(bow, stage))


def link(room: str, label: str, bow: Bow | None = None, stage: Stage | None = None, **more: Any) -> None:
    """A link to another room that takes the bow and stage along."""
    st.page_link(st.session_state[_ROOMS][room], label=plain(label), query_params=query(bow, stage), **more)


def has_room(room: str) -> bool:
    return room in st.session_state.get(_ROOMS, {})


def query(bow: Bow | None, stage: Stage | None) -> dict[str, str]:
    return {name: e.id for name, e in (("bow", bow), ("stage", stage)) if e is not None}


def pick_bow(place: PageContext, quiet: bool = False) -> Bow:
    """The bow this page is about, with a field to take another one; ends the page's run when the shelf is empty. quiet: no field
    where the address names a bow.
    """
    bows = store.list_bows(place.record)
    if not bows:
        st.info("There is no bow on the shelf yet. Put one there first.")
        if has_room("shelf"):
            link("shelf", "To the shelf")
        st.stop()
    if quiet and place.bow is not None:
        return next((b for b in bows if b.id == place.bow.id), place.bow)
    names = distinct_labels({b.id: b.name for b in bows})
    ids: list[str] = list(names)
    at = None if place.bow is None or place.bow.id not in names else ids.index(place.bow.id)
    if at is None and len(ids) == 1:
        at = 0
    key = f"pick_bow_{'' if at is None else ids[at]}"
    chosen = st.selectbox("Bow", ids, at, format_func=names.__getitem__, key=key, placeholder="Choose a bow")
    if chosen is None:
        st.info("Choose a bow above, or put a new one on the shelf.")
        if has_room("shelf"):
            link("shelf", "To the shelf")
        st.stop()
    bow = next(b for b in bows if b.id == chosen)
    if at is not None and chosen != ids[at]:
        go(None, bow)  # on a run of its own: the field that takes the next choice is named for the bow
    remember(bow, place.stage if place.stage is not None and place.stage.bow_id == bow.id else None)
    return bow


def long_work(text: str, key: str) -> Callable[[float, str], None]:
    """A bar for work that takes a while, with a button that ends it: at the next step told to the bar the run is given up.

    Gives what tells the bar: the share done and what is being done.
    """
    left, right = st.columns([5, 1], vertical_alignment="center")
    bar = left.progress(0.0, text)
    right.button("Stop", key=f"stop_{key}", width="stretch")

    def tell(share: float, doing: str) -> None:
        bar.progress(share, doing)

    return tell


def was_stopped(key: str) -> bool:
    return bool(st.session_state.get(f"stop_{key}"))


# --- errors in place


@contextmanager
def errors_in_place() -> Iterator[None]:
    """Say an error in place, in words with the way out, and go on below it."""
    try:
        yield
    except TillerLensError as error:
        say_error(error)


def say_error(error: TillerLensError) -> None:
    """Say an error in words; where a small file of the app's own is damaged, with a button that sets it aside."""
    if error.code == LookingOnly.code and looking_only():  # nothing went wrong; the record's own remedy is for its owner
        st.info(f"{LOOKING} {ASK}")
        return
    st.error(plain(said(error)))
    damaged = error.fields.get("damaged")
    if damaged is not None and st.button("Set the damaged file aside and start again", key=f"aside_{damaged}"):
        with errors_in_place():
            st.toast(f"It lies beside it now as {workspace.set_aside(damaged).name}.")
            st.rerun()
