"""A bow's measurements as its pages read them: all pictures of one time with the one finding of its hinges and stiff places."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import streamlit as st

from tillerlens.core.measurement import Measurement
from tillerlens.history.as_now import CHANGES, judged_together
from tillerlens.record import Event, Record, Stage, store


def documents_of(record: Record, stages: Sequence[Stage], events: Sequence[Event]) -> dict[str, Measurement]:
    """The measurements of one bow's measured stages, by their identity. Made once for each state of the record."""
    measured = tuple((s.id, s.version, s.made_by) for s in stages if s.status == "measured")
    changes = tuple((e.id, e.version) for e in events if e.kind in CHANGES)
    return _told(record.address, measured, changes, record, tuple(stages), tuple(events))


@st.cache_resource(max_entries=8, show_spinner=False)
def _told(
    address: str, measured: tuple[Any, ...], changes: tuple[Any, ...],
    _record: Record, _stages: tuple[Stage, ...], _events: tuple[Event, ...],
) -> dict[str, Measurement]:  # fmt: skip
    kept = {s.id: store.measurement(_record, s.id) for s in _stages if s.status == "measured"}
    return judged_together(_stages, _events, lambda stage: kept.get(stage.id))
