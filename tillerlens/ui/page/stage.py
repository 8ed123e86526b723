"""One picture of a bow's timeline: what it says, where the bow was traced, and putting it right."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

import streamlit as st

from tillerlens.core.document import as_json, from_json
from tillerlens.core.measurement import Measurement, Value
from tillerlens.history.as_now import on_hand_with
from tillerlens.record import ChangedMeanwhile, Record, Stage, store
from tillerlens.record.thumbnails import thumbnail
from tillerlens.record.views import timeline
from tillerlens.report.redrawn import can_be_redrawn, redrawn
from tillerlens.report.words.front import belly_since
from tillerlens.report.words.quantities import Units
from tillerlens.report.words.verdict import verdict
from tillerlens.ui import context as places
from tillerlens.ui import error_net
from tillerlens.ui.context import PageContext, errors_in_place, go, link, pick_bow
from tillerlens.ui.documents import documents_of
from tillerlens.ui.fields import CLICKS
from tillerlens.ui.page.photo import Picked, look_at
from tillerlens.ui.queue import MEASURING, in_turn
from tillerlens.ui.result import Shown, show_result
from tillerlens.ui.text import plain

PICTURE_PX = 1600


def show(place: PageContext) -> None:
    st.title("One picture")
    bow = pick_bow(place)
    place = replace(place, bow=bow)
    stages = list(timeline(place.record, bow.id).stages)
    if not stages:
        st.info("This bow has no picture yet. Add one first.")
        link("picture", "New picture", bow)
        return
    stage = _choose(place, stages)
    bench = places.has_room("bow")
    if stage.media.startswith("video/"):
        st.info("This stage is a moment of a video; it is measured from the video.")
    correcting = st.toggle("Fix this measurement", stage.status != "measured", key=f"right_{stage.id}")
    shown = True  # or it is said why not
    with error_net.net("one picture"):  # whatever comes, notes and the way back stand below
        shown = _correct(place, stage) if correcting else _as_kept(place, stage)
    if not shown and not correcting:
        st.info("Switch on 'Fix this measurement' to measure it.")
    _about(place, stage)
    if bench:
        link("bow", "Back to the timeline", bow)


def _choose(place: PageContext, stages: list[Stage]) -> Stage:
    """The stage of the address, else the newest; a row to step through the others."""
    ids = [s.id for s in stages]
    at = ids.index(place.stage.id) if place.stage is not None and place.stage.id in ids else len(ids) - 1
    stage = stages[at]
    places.remember(place.bow, stage)
    with st.container(horizontal=True, vertical_alignment="center"):
        back = st.button("Earlier", disabled=at == 0, key="earlier")
        on = st.button("Later", disabled=at == len(stages) - 1, key="later")
        st.markdown(f"Stage {at + 1} of {len(stages)}, **{stage.pose}**, {stage.taken_at.astimezone():%d %b %Y, %H:%M}")
    if back or on:
        go(None, place.bow, stages[at + (1 if on else -1)])
    return stage


# --- as it is kept


def _as_kept(place: PageContext, stage: Stage) -> bool:
    found = _measured(place, stage)
    if found is None:
        return False
    earlier = earlier_reflex(place, stage)
    shot = json.dumps(stage.shot)
    rest = _at_rest(place, stage)
    also = _belly_since(place, stage, found)
    shown = Shown(b"", stage.photo_name, shot, rest, found, place.units, place.wish, earlier, also)
    show_result(shown, lambda: _picture(place, stage, found, rest))
    return True


def _belly_since(place: PageContext, stage: Stage, found: Measurement) -> tuple[str, ...]:
    """What a belly's colour has become since the last picture that shows it."""
    if found.belly is None:
        return ()
    earlier = [s for s in timeline(place.record, stage.bow_id).stages if s.from_front and s.taken_at < stage.taken_at]
    for one in reversed([s for s in earlier if s.status == "measured"]):
        before = store.measurement(place.record, one.id)
        if before is not None and before.belly is not None:
            return tuple(belly_since(before.belly, found.belly, f"{one.taken_at.astimezone():%d %b %Y, %H:%M}"))
    return ()


def _measured(place: PageContext, stage: Stage) -> Measurement | None:
    """The stage's measurement, with what all pictures of the bow at that time tell of hinges and stiff places."""
    if stage.status != "measured":
        return store.measurement(place.record, stage.id)
    found = timeline(place.record, stage.bow_id)
    return documents_of(place.record, found.stages, found.events).get(stage.id)


def _at_rest(place: PageContext, stage: Stage) -> str | None:
    """The measurement of the bow unstrung that this strung picture's bend is shown from, as JSON; None where there is none."""
    if stage.state == "unstrung" or stage.from_front:
        return None
    line = timeline(place.record, stage.bow_id)
    rest = on_hand_with(stage, line.stages, line.events).rest
    found = None if rest is None else store.measurement(place.record, rest.id)
    return None if found is None else as_json(found)


def _picture(place: PageContext, stage: Stage, found: Measurement, rest: str | None) -> None:
    with errors_in_place(), st.spinner("Drawing the picture"):
        if can_be_redrawn(found) and not stage.media.startswith("video/"):
            text = as_json(found)
            picture = in_turn(lambda: _drawn_over(place.record, stage, text, rest, place.units))
        else:
            picture = thumbnail(place.record, stage, PICTURE_PX)
        st.image(picture, width="stretch", alt="The photograph with limbs, string, gaps and hinges drawn on it")


@st.cache_data(max_entries=16, show_spinner=False)
def _drawn_over(_record: Record, _stage: Stage, document: str, rest: str | None, units: Units) -> bytes:
    MEASURING.require()
    found = from_json(document)
    assert found is not None
    return redrawn(store.original(_record, _stage), _stage.photo_name, found, units, PICTURE_PX, from_json(rest))


def earlier_reflex(place: PageContext, stage: Stage) -> Value | None:
    """The bow's first measured reflex, for telling set; none for the first picture itself, nor for a strung bow."""
    return earlier_reflex_of(store.list_stages(place.record, stage.bow_id), stage.state, stage.id)


def earlier_reflex_of(stages: Sequence[Stage], state: str, stage_id: str = "") -> Value | None:
    """The first measured reflex among these stages, for one in this state that is not itself the first."""
    if state != "unstrung":
        return None
    first = next((s for s in stages if s.state == "unstrung" and s.value("reflex") is not None), None)
    return None if first is None or first.id == stage_id else first.value("reflex")


# --- put right


def _correct(place: PageContext, stage: Stage) -> bool:
    """The photograph with its editor; every change that can be measured is kept at once, with who made it."""
    if stage.media.startswith("video/"):
        return True
    data = store.original(place.record, stage)
    rest = None if stage.rest_stage_id is None else store.measurement(place.record, stage.rest_stage_id)
    if rest is not None and rest.status != "measured":
        rest = None
    picked = Picked(data, stage.photo_name, stage.shot, None, f"stage {stage.id} {st.session_state.get('anew', 0)}")
    top = st.container()
    # a refusal is mostly of what was said about the picture: the fields to put that right are open
    _, shown = look_at(picked, lambda: rest, lambda: (place.units, place.wish), open_fields=stage.status == "refused")
    if shown is None:
        return True
    if _voids(place, stage, shown):
        return True
    _keep(place, stage, shown)
    put = any(name in stage.shot.get("clicks", {}) for name in CLICKS) or stage.shot.get("edges_px")
    if put and st.button("Back to what was found", key="back_to_found"):
        with errors_in_place():
            bare = {k: v for k, v in stage.shot.items() if k not in ("clicks", "set_by_hand", "edges_px")}
            _put(place, stage, bare, "back to what was found")
            st.session_state["anew"] = st.session_state.get("anew", 0) + 1
            st.rerun()
    show_result(replace(shown, earlier_reflex=earlier_reflex(place, stage)), top=top)
    return True


def _voids(place: PageContext, stage: Stage, shown: Shown) -> bool:
    """Whether a change undoes a measurement that stands; then that is said here, with what stands, and kept only if wanted."""
    changed = store.changed_fields(stage.shot, _as_filed(shown, stage).facts.as_dict())
    if stage.status != "measured" or shown.measurement.status == "measured" or not changed:
        return False
    before = _measured(place, stage)
    assert before is not None  # it is measured
    stands = verdict(before, place.units, place.wish, earlier_reflex(place, stage)).first
    with st.container(border=True, key=f"told_void_{stage.id}"):
        st.subheader(plain(stands.text), anchor=False)
        why = verdict(shown.measurement, place.units, place.wish).first
        st.warning(f"This still stands: your change isn't kept. With it the photo can't be measured. {plain(why.text)}")
        back, on = st.columns(2)
        if back.button("Undo the change", type="primary", key=f"again_undone_{stage.id}", width="stretch"):
            st.session_state["anew"] = st.session_state.get("anew", 0) + 1
            st.rerun()
        if on.button("Keep it all the same", key=f"keep_void_{stage.id}", width="stretch"):
            with errors_in_place():
                _put(place, stage, _as_filed(shown, stage), "kept though not measured")
                st.rerun()
    return True


def _as_filed(shown: Shown, stage: Stage) -> Measurement:
    """The measurement with the file's name in its shot, which the fields leave alone."""
    found = shown.measurement
    return replace(found, shot=replace(found.facts, photo_name=stage.shot.get("photo", found.facts.photo_name)))


def _keep(place: PageContext, stage: Stage, shown: Shown) -> None:
    measured = _as_filed(shown, stage)
    with errors_in_place():
        if store.changed_fields(stage.shot, measured.facts.as_dict()):
            _put(place, stage, measured, "")
            st.toast("Your correction is kept.")
        elif stage.status == "unmeasured":
            store.save_measurement(place.record, stage.id, measured)


def _put(place: PageContext, stage: Stage, new: Measurement | Mapping[str, Any], reason: str) -> None:
    """Keep a corrected measurement with its shot, or a shot alone."""
    form, found = (new.facts.as_dict(), new) if isinstance(new, Measurement) else (new, None)
    try:
        store.correct_stage(place.record, stage, form, place.settings.who, document=found, reason=reason)
    except ChangedMeanwhile as error:
        st.session_state.pop("filled", None)  # the other's points are shown on the next run
        raise error


# --- beside it


def _about(place: PageContext, stage: Stage) -> None:
    corrections = store.list_corrections(place.record, stage.id)
    if corrections:
        with st.expander(f"Corrections ({len(corrections)})"):
            for c in reversed(corrections):
                names = ", ".join(change.field.replace("_", " ") for change in c.changes)
                why = f" ({plain(c.reason)})" if c.reason else ""
                st.markdown(f"{c.made_at.astimezone():%d %b %Y, %H:%M}: {plain(c.who)} changed {plain(names)}{why}")
    with st.expander("Time and notes, and taking this picture off the timeline"):
        _notes(place, stage)
        sure = st.checkbox("I want to take this picture and its measurements off the timeline for good", key=f"sure_{stage.id}")
        if st.button("Take it off", disabled=not sure, key=f"off_{stage.id}"):
            with errors_in_place():
                store.remove_stage(place.record, stage.id)
                go("bow", place.bow)


def _notes(place: PageContext, stage: Stage) -> None:
    notes = st.text_area("Notes on this picture", stage.notes, key=f"notes_{stage.id}")
    was = stage.taken_at.astimezone().replace(tzinfo=None)
    given = st.datetime_input("Taken", was, key=f"when_{stage.id}", step=60)
    if st.button("Keep time and notes", key=f"keep_notes_{stage.id}"):
        same = not isinstance(given, datetime) or given.replace(second=0, microsecond=0) == was.replace(second=0, microsecond=0)
        with errors_in_place():
            taken_at = stage.taken_at if same else given.astimezone()
            store.update_stage(place.record, replace(stage, notes=notes, taken_at=taken_at))
            st.toast("Kept.")
            st.rerun()
