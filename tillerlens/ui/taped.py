"""Fields for what a tape says between four printed tags, and where their centres hang worked out from it."""

from __future__ import annotations

import streamlit as st

from tillerlens.core.errors import ShotError
from tillerlens.core.units import MM_PER_INCH
from tillerlens.photo.marks.taped import CORNERS, PAIRS, Pair, places_from_tape
from tillerlens.ui import error_net
from tillerlens.ui.rows import put_tags
from tillerlens.ui.text import plain
from tillerlens.ui.typed import in_length, length_unit, read_length, said, units_now

_NAMES: dict[Pair, str] = {
    (0, 1): "Top: 0 to 1",
    (2, 3): "Bottom: 2 to 3",
    (0, 2): "Left: 0 to 2",
    (1, 3): "Right: 1 to 3",
    (0, 3): "Across: 0 to 3",
    (1, 2): "Across: 1 to 2",
}
_SAID = "taped_said"


def ask_taped() -> None:
    """The fields; what they give is put into the rows that say where the tags hang."""
    with st.expander("Have the places worked out from a tape"):
        st.caption(
            f"From centre to centre. Tag 0 hangs at the {CORNERS[0]}, 1 {CORNERS[1]}, 2 {CORNERS[2]}, 3 {CORNERS[3]}. "
            "One of the two ways across may stay empty; with both they check each other."
        )
        left, right = st.columns(2)
        for k, (pair, label) in enumerate(_NAMES.items()):
            (left, right)[k % 2].text_input(in_length(label), key=_field(pair))
        st.button("Work out the places", on_click=_work_out, key="taped_work_out")
        trouble = st.session_state.pop(_SAID, None)
        if trouble:
            st.error(plain(trouble))


def _field(pair: Pair) -> str:
    return f"taped_{pair[0]}{pair[1]}"


@error_net.callback
def _work_out() -> None:
    state = st.session_state
    try:
        texts = {pair: str(state.get(_field(pair), "")).strip() for pair in PAIRS}
        places = places_from_tape({pair: read_length(text) for pair, text in texts.items() if text})
    except ShotError as error:
        state[_SAID] = said(error)
        return
    per = 10 if length_unit(units_now()) == "cm" else MM_PER_INCH
    typed = [[f"{round(float(v) / per, 3):g}" for v in place] for place in places]
    put_tags([(str(tag), right, down) for tag, (right, down) in enumerate(typed)])
