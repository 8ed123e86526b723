"""One bow's timeline: its pictures with what they say, what was done between them, and its numbers over time."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import streamlit as st

from tillerlens.core.errors import TillerLensError
from tillerlens.history.of_record import reflexes_of, trends_of
from tillerlens.record import Bow, Event, Stage, store
from tillerlens.record.views import Timeline, timeline
from tillerlens.report.charts.bow import reflex_chart, trends_chart
from tillerlens.report.words.quantities import say_interval, say_minutes, say_value, say_weight
from tillerlens.ui import backup, error_net, workspace
from tillerlens.ui.bow_form import ask_bow, facts
from tillerlens.ui.context import PageContext, errors_in_place, go, has_room, link, pick_bow, say_error
from tillerlens.ui.event_form import KINDS, ask_event, say_event
from tillerlens.ui.fields import in_words
from tillerlens.ui.page.picture import hand_over
from tillerlens.ui.stages import line_of, small_picture
from tillerlens.ui.style import badge
from tillerlens.ui.text import plain
from tillerlens.ui.widgets import BowContext, chart, scrape_of

_MORE_ROOMS = {
    "compare": "Compare",
    "plan": "Scraping plan",
    "weights": "Weights and cast",
    "wood": "Wood and heat",
    "report": "Report",
}
_AT_ONCE = 12  # entries shown before one asks for more


def show(place: PageContext) -> None:
    head = st.empty()
    head.title("Timeline")
    bow = pick_bow(place)
    head.title(plain(bow.name))
    trouble = st.session_state.pop("trouble", None)
    if trouble is not None:
        say_error(trouble)
    found = timeline(place.record, bow.id)
    place = PageContext(place.record, place.settings, found.bow)
    _first(place, found)
    _ways(place, found)
    with st.expander("Note what was done or seen"):
        _add_event(place, found)
    _entries(place, found)
    _over_time(place, found)
    _bow_itself(place, found.bow)


def _first(place: PageContext, found: Timeline) -> None:
    """The sentence of the newest measured picture, before anything else."""
    measured = [s for s in reversed(found.stages) if s.status == "measured"]
    newest = next((s for s in measured if not s.from_front), measured[0] if measured else None)
    if newest is not None:
        said = line_of(place.record, newest, place.units, place.wish)
        st.subheader(in_words(f"{newest.pose.capitalize()}: {said.text}"), anchor=False)
    else:
        st.subheader("Nothing is measured on this bow yet.", anchor=False)
    known = facts(found.bow, place.units)
    if known:
        st.caption(known)
    if found.bow.notes:
        st.caption(plain(found.bow.notes))


def _ways(place: PageContext, found: Timeline) -> None:
    waiting = 0
    with errors_in_place():  # a damaged note on the bench must not hide the timeline
        waiting = len(workspace.on_bench(place.record.folder, found.bow.id))
    if waiting:
        label = f"{waiting} {'photo waits' if waiting == 1 else 'photos wait'} to be kept"
        if st.button(label, type="primary", key="new_picture"):
            go("picture", found.bow)
    hand_over(place, found.bow)
    rooms = [(room, name) for room, name in _MORE_ROOMS.items() if has_room(room)]
    if rooms and found.stages:
        with st.container(horizontal=True):
            for room, name in rooms:
                link(room, name, found.bow)


# --- pictures and events


def _entries(place: PageContext, found: Timeline) -> None:
    entries = list(reversed(found.in_order()))
    if not entries:
        st.info("Nothing here yet. Add a picture, or note what was done.")
        return
    key = f"all_{found.bow.id}"
    shown = entries if st.session_state.get(key) else entries[:_AT_ONCE]
    numbers = {s.id: k for k, s in enumerate(found.stages, start=1)}
    said: set[str] = set()
    for entry in shown:
        with error_net.net("an entry of the timeline"):  # one entry's trouble must not hide the others
            if isinstance(entry, Stage):
                _stage(place, found.bow, entry, numbers[entry.id])
                continue
            together = scrape_of(found.events, entry)
            if len(together) > 1 and entry.id not in said:
                _scrape(place, found, together)
            elif len(together) < 2:
                _event(place, found, entry)
            said |= {e.id for e in together}
    if len(shown) < len(entries):
        st.checkbox(f"Show what came before ({len(entries) - len(shown)} more)", key=key)


def _stage(place: PageContext, bow: Bow, stage: Stage, number: int) -> None:
    with st.container(border=True):
        picture, words = st.columns([1, 3], gap="medium", vertical_alignment="center")
        data = small_picture(place.record, stage)
        if data is None:
            picture.caption("The picture cannot be shown; open it to read why.")
        else:
            picture.image(data, width="stretch", alt=f"Stage {number}, {stage.pose}, with the traced bow")
        with words:
            after = stage.minutes_since_unstrung
            since = "" if after is None else f", {say_minutes(after)} after unstringing"
            when = f"{stage.taken_at.astimezone():%d %b %Y, %H:%M}"
            st.markdown(f"**{number}. {stage.pose.capitalize()}**{since} · {when}")
            said = line_of(place.record, stage, place.units, place.wish)
            st.markdown(f"{badge(said)} {in_words(said.text)}".strip())
            numbers = _numbers(place, stage)
            if numbers:
                st.caption(numbers)
            if stage.notes:
                st.caption(plain(stage.notes))
            if st.button("Open the picture", key=f"open_{stage.id}"):
                go("stage", bow, stage)


def _numbers(place: PageContext, stage: Stage) -> str:
    """Draw or brace, weight and tiller of a picture, in a line; what was not measured is left out."""
    if stage.status != "measured":
        return ""
    units, parts = place.units, []
    for name, what in (("draw_length_back", "draw"), ("brace_height_belly", "brace"), ("tiller_at_fades", "tiller")):
        read = stage.value(name)
        if read is not None:
            parts.append(f"{what} {say_value(read, units)} ({say_interval(read, units)})")
    if stage.scale_reading_n is not None:
        parts.insert(1, say_weight(stage.scale_reading_n, units))
    return " · ".join(parts)


def _scrape(place: PageContext, found: Timeline, together: Sequence[Event]) -> None:
    """All stretches of one scrape as one entry, which is undone in one press."""
    first = together[0]
    scrapes = [e for e in together if e.kind == "scrape"]
    with st.container(border=True):
        who = f" ({plain(first.who)})" if first.who else ""
        st.markdown(f"{first.happened_at.astimezone():%d %b %Y, %H:%M} · **Wood taken off as planned**{who}")
        for event in scrapes:
            what, _ = say_event(event, place.units)
            st.markdown(f"- {plain(what.partition(': ')[2] or what)}")
        if st.button("Undo this scrape", key=f"off_scrape_{first.id}"):
            _change(lambda: _remove_all(place, together))
        if st.toggle("Change a part of it", key=f"change_scrape_{first.id}"):
            for event in scrapes:
                _change_event(place, found, event)


def _remove_all(place: PageContext, events: Sequence[Event]) -> None:
    for event in events:
        store.remove_event(place.record, event.id)


def _event(place: PageContext, found: Timeline, event: Event) -> None:
    with st.container(border=True):
        what, notes = say_event(event, place.units)
        who = f" ({plain(event.who)})" if event.who else ""
        st.markdown(f"{event.happened_at.astimezone():%d %b %Y, %H:%M} · **{plain(what)}**{who}")
        if notes:
            st.markdown(plain(notes))
        if not st.toggle("Change it or take it off", key=f"change_{event.id}"):
            st.session_state.pop(f"held_{event.id}", None)
            return
        _change_event(place, found, event)
        sure = st.checkbox("I want to take this off the timeline for good", key=f"sure_{event.id}")
        if st.button("Take it off", disabled=not sure, key=f"off_{event.id}"):
            with errors_in_place():
                store.remove_event(place.record, event.id)
                st.rerun()


def _change_event(place: PageContext, found: Timeline, event: Event) -> None:
    held = f"held_{event.id}"
    opened: Event = st.session_state.setdefault(held, event)  # as this person saw it when the form was opened
    changed = ask_event(event.kind, opened, found, place, f"event_{event.id}_{opened.version}", "Keep the change")
    if changed is not None:
        st.session_state.pop(held)
        _change(lambda: store.update_event(place.record, changed))


def _add_event(place: PageContext, found: Timeline) -> None:
    kind = st.selectbox("What was it?", list(KINDS), format_func=KINDS.__getitem__, key="event_kind")
    if kind == "finding" and not found.stages:
        st.info("A finding is pinned on a picture. Add a picture first.")
        return
    count = st.session_state.get("events_added", 0)
    event = ask_event(kind, None, found, place, f"new_event_{kind}_{count}", "Put it on the timeline")
    if event is not None:
        with errors_in_place():
            store.add_event(place.record, event)
            st.session_state["events_added"] = count + 1
            st.toast("It is on the timeline.")
            st.rerun()


def _change(change: Callable[[], object]) -> None:
    """Make a change and show the timeline anew; why it could not be made is said at the page's top, where it is seen."""
    try:
        change()
        st.toast("Changed.")
    except TillerLensError as error:
        st.session_state["trouble"] = error
    st.rerun()


# --- over time, and the bow itself


def _over_time(place: PageContext, found: Timeline) -> None:
    if len(found.stages) < 2:
        return
    known = BowContext(place.record, found.bow, found.stages, found.events, place.units, place.wish, place.settings)
    with st.expander("Over time"):
        points = trends_of(place.record, found.bow.id)
        chart(
            known,
            "Tiller, reflex, weight and mass",
            lambda: trends_chart(points, place.units),
            "trends",
            "Each number of the bow over time in a panel of its own, with its interval",
        )
        readings = reflexes_of(found.stages, found.events)
        if len(readings) > 1:
            chart(
                known,
                "Reflex, by how long it had been unstrung",
                lambda: reflex_chart(readings, place.units),
                "reflex",
                "Reflex over the bow's life, each reading with its interval",
            )


def _bow_itself(place: PageContext, bow: Bow) -> None:
    with st.expander("The bow itself: sizes, target, notes"):
        held = f"held_{bow.id}"
        opened: Bow = st.session_state.setdefault(held, bow)
        given = ask_bow(opened, place.units, f"bow_{bow.id}_{opened.version}", "Keep the change")
        if given is not None:
            st.session_state.pop(held)
            _change(lambda: store.update_bow(place.record, given))
    with st.expander("Take this bow off the shelf"):
        st.markdown("Its photos, measurements and notes go with it. A backup made first can bring it back.")
        backup.offer(place.record, [bow.id], bow.id, "Make a backup of this bow")
        text = st.text_input("To be sure, write the bow's name", key=f"off_name_{bow.id}")
        if st.button("Take it off for good", key=f"off_bow_{bow.id}"):
            with errors_in_place():
                if text.strip() != bow.name:
                    raise workspace.AppFileError("Nothing was taken off.", f"Write the bow's name first: {bow.name}.")
                store.remove_bow(place.record, bow.id)
                go("shelf")
