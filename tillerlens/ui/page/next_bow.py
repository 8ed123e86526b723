"""The next bow's sizes on the wood page: the same function and words as the command."""

from __future__ import annotations

from dataclasses import replace

import streamlit as st

from tillerlens.core.errors import TillerLensError
from tillerlens.core.units import MM_PER_INCH, newtons_from_pounds
from tillerlens.mechanics.find_wood import find_wood
from tillerlens.mechanics.layout import lay_out, wish_of_wood
from tillerlens.report.words.layout import LayoutWords, Rows, layout_words
from tillerlens.report.words.quantities import Units
from tillerlens.ui import widgets
from tillerlens.ui.context import say_error
from tillerlens.ui.text import plain
from tillerlens.ui.typed import in_length, in_weight, length_text, read_length, read_weight, units_now, weight_text
from tillerlens.ui.widgets import BowContext

# field, what it asks, what it holds at first where the bow does not tell, may it stay empty
_FIELDS = (
    ("length", "Length between the nocks", 66 * MM_PER_INCH, False),
    ("weight", "Draw weight", newtons_from_pounds(50), False),
    ("draw", "Draw, to the back of the handle", 28 * MM_PER_INCH, False),
    ("wood", "Wood", None, False),
    ("handle", "Stiff handle with its fades", 8 * MM_PER_INCH, False),
    ("width", "Width at the fades", None, True),
    ("set", "The most set you accept", 2 * MM_PER_INCH, False),
    ("tree", "The tree's diameter, for a crowned back", None, True),
)
_HINTS = {"width": "left empty: what makers usually cut", "tree": "left empty: a flat back", "wood": "hickory, osage, red oak"}


def show_next_bow(known: BowContext, moisture: float | None) -> None:
    """A form for the sizes and, below it, the layout. ``moisture``: the wood's, %, as last noted."""
    st.markdown("#### The next bow")
    key = f"laid_out_{known.bow.id}"
    with st.expander("Lay out a bow: width and thickness to a weight, and the set to expect", expanded=key in st.session_state):
        with st.form("next_bow", border=False):
            sides = st.columns(2)
            asked = {}
            for i, (name, label, usual, _) in enumerate(_FIELDS):
                with sides[i * 2 // len(_FIELDS)]:
                    label, start = _label(name, label), _start(known, name) or _usual(name, usual)
                    asked[name] = st.text_input(label, start, key=f"next_{name}_{known.bow.id}", placeholder=_HINTS.get(name, ""))
            heated = st.checkbox("The belly will be heat-hardened", key=f"next_heated_{known.bow.id}")
            if st.form_submit_button("Lay it out", type="primary"):
                st.session_state[key] = (asked, heated)
        if key in st.session_state:
            sizes, hot = st.session_state[key]
            _show(sizes, hot, moisture, known.units)


def _label(name: str, label: str) -> str:
    return label if name == "wood" else in_weight(label) if name == "weight" else in_length(label)


def _usual(name: str, usual: float | None) -> str:
    if usual is None:
        return ""
    if name == "weight":
        return f"{float(weight_text(usual)):.3g}"
    return length_text(round(usual, -1) if units_now().length == "cm" else usual)  # whole centimetres where those are read


def _start(known: BowContext, name: str) -> str:
    bow = known.bow
    if name == "length" and bow.length_mm is not None:
        return length_text(bow.length_mm)
    if name == "weight" and bow.wish_weight_n is not None:
        return weight_text(bow.wish_weight_n)
    if name == "draw" and known.full_draw_mm is not None:
        return length_text(known.full_draw_mm)
    return bow.wood if name == "wood" else ""


def _show(asked: dict[str, str], heated: bool, moisture: float | None, units: Units) -> None:
    missing = next((label for name, label, _, empty in _FIELDS if not empty and not asked[name].strip()), None)
    if missing is not None:
        st.error(f"{missing} is not given. Type it in above.")
        return
    try:
        said = _laid_out(tuple(sorted(asked.items())), heated, moisture, units)
    except TillerLensError as error:
        say_error(error)
        return
    widgets.say_rest(said.first)
    for table in (said.sizes, said.what_ifs):
        if table:
            st.markdown(_markdown(table))
    widgets.say_rest(said.rest)


@st.cache_data(max_entries=32, show_spinner="Working out the sizes")
def _laid_out(asked: tuple[tuple[str, str], ...], heated: bool, moisture: float | None, units: Units) -> LayoutWords:
    text = dict(asked)
    wood = find_wood(text["wood"])
    wish = replace(
        wish_of_wood(
            wood, read_length(text["length"]), read_weight(text["weight"]), read_length(text["draw"]), moisture=moisture,
            heat_factor=None if heated else 1.0,
        ),
        handle=read_length(text["handle"]), most_set=read_length(text["set"]),
        width=read_length(text["width"]) if text["width"].strip() else None,
        tree_diameter=read_length(text["tree"]) if text["tree"].strip() else None,
    )  # fmt: skip
    return layout_words(lay_out(wish), wish, wood, moisture, units)


def _markdown(table: Rows) -> str:
    head, *rows = [[plain(cell) for cell in row] for row in table]
    return "\n".join([f"| {' | '.join(head)} |", "|---" * len(head) + "|", *(f"| {' | '.join(row)} |" for row in rows)])
