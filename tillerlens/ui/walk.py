"""The demo's walk: which step one is at, and the bar that leads to the next."""

from __future__ import annotations

import streamlit as st

from tillerlens.record import Bow
from tillerlens.ui import demo
from tillerlens.ui.context import PageContext, go, has_room


def bar(place: PageContext) -> None:
    """The walk's bar, while somebody walks: the address says so (``?walk=2``), or the session."""
    at = _step_now()
    if at is None:
        return
    bow = demo.demo_bow(place.record)
    if bow is None:
        _end()
        return
    steps = _steps(place, bow)
    at = min(at, len(steps) - 1)
    st.query_params["walk"] = str(at)
    step = steps[at]
    with st.container(border=True, key="told_walk"):
        st.markdown(f"Walk with the demo bow, {at + 1} of {len(steps)}: **{step.title}.** {step.says}")
        back, on, end = st.columns(3)
        if back.button("Back", disabled=at == 0, key="walk_back", width="stretch"):
            _step_to(place, bow, at - 1)
        last = at == len(steps) - 1
        if last:
            if on.button("Put your own bow on the shelf", key="walk_own", type="primary", width="stretch"):
                _end()
                st.session_state["own_bow_next"] = True
                go("shelf")
        elif on.button(f"Next: {steps[at + 1].title}", key="walk_on", type="primary", width="stretch"):
            _step_to(place, bow, at + 1)
        if end.button("End the walk", key="walk_end", width="stretch"):
            _end()
            go("shelf")


def _steps(place: PageContext, bow: Bow) -> list[demo.Step]:
    return [s for s in demo.steps_of(place.record, bow) if has_room(s.room)]


def _step_now() -> int | None:
    asked = st.query_params.get("walk", "")
    at = int(asked) if asked.isdecimal() else st.session_state.get("walk")
    st.session_state["walk"] = at
    return at


def _step_to(place: PageContext, bow: Bow, at: int) -> None:
    st.session_state["walk"] = at
    st.query_params.pop("walk", None)
    step = _steps(place, bow)[at]
    go(step.room, bow, demo.stage_of(place.record, bow, step))


def _end() -> None:
    st.session_state["walk"] = None
    st.query_params.pop("walk", None)
