"""A stage in words and as a small picture, for the shelf and the timeline."""

from __future__ import annotations

import json

import streamlit as st

from tillerlens.core.errors import TillerLensError
from tillerlens.record import Record, Stage, store
from tillerlens.record.thumbnails import thumbnail
from tillerlens.report.words.quantities import Units
from tillerlens.report.words.verdict import Sentence, Wish, verdict

_ASKING = {
    "needs_help": "It needs your help; open it to see where.",
    "refused": "It could not be measured; open it to read why.",
    "unmeasured": "It has not been measured yet.",
}


def line_of(record: Record, stage: Stage, units: Units, wish: Wish) -> Sentence:
    """The sentence that matters most of a stage."""
    while stage.status == "measured":
        said = json.dumps(stage.values, sort_keys=True)
        try:
            return _spoken(record.address, stage.id, said, stage.made_by, units, wish, record)
        except _Changed:
            stage = store.get_stage(record, stage.id)
    return Sentence(stage.status, _ASKING[stage.status], "plain" if stage.status == "unmeasured" else "finding")


class _Changed(Exception):
    """The stage has another measurement than when it was read."""


@st.cache_data(max_entries=500, show_spinner=False)
def _spoken(address: str, stage_id: str, values: str, made_by: str, units: Units, wish: Wish, _record: Record) -> Sentence:
    found = store.measurement(_record, stage_id)
    if found is None or found.version != made_by or json.dumps(store.values_of(found.as_document()), sort_keys=True) != values:
        raise _Changed  # else the one measurement's sentence would be remembered as the other's
    # The first sentence goes by gaps and reflex alone, so it needs none of the bow's other pictures, as hinges would.
    return verdict(found, units, wish).first


def small_picture(record: Record, stage: Stage) -> bytes | None:
    """The stage's thumbnail with its traced bow; None where the original does not give one."""
    try:
        return thumbnail(record, stage)
    except TillerLensError:  # said by the one who asked, beside the place that stays empty
        return None
