"""What is known of a bow itself, as a form: for a new one and for changing one."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import streamlit as st

from tillerlens.core.errors import TillerLensError
from tillerlens.record import Bow
from tillerlens.record.entries import bow_of
from tillerlens.report.words.quantities import Units, say_length, say_weight
from tillerlens.ui.text import plain
from tillerlens.ui.typed import in_length, in_weight, length_text, read_length, read_weight, said, weight_text

# (field, label); both columns of the form
_NEEDED = (
    ("length_mm", "Length along the back, nock to nock"),
    ("handle_mm", "Stiff handle with its fades"),
)  # by every photo of it
_SIZES = (
    ("handle_thickness_mm", "Handle's thickness, back to belly"),
    ("upper_limb_length_mm", "Upper limb, handle's centre to nock"),
    ("limb_width_mm", "Limbs' greatest width"),
    ("limb_thickness_mm", "Limbs' greatest thickness"),
    ("form_reflex_mm", "Reflex of the form it was bent on"),
)


def ask_bow(bow: Bow | None, units: Units, key: str, button: str) -> Bow | None:
    """Show the form; the bow once the button was pressed and everything could be read, else None."""
    with st.form(key):
        given = _ask(bow, units, key)
        pressed = st.form_submit_button(button, type="primary")
        if not pressed:
            return None
        out: dict[str, object] = {}
        for name, (label, text, read) in given.items():
            try:
                out[name] = read(text) if text.strip() else None
            except TillerLensError as error:
                st.error(f"{label}: {plain(said(error))}")
                return None
        if not out["name"]:
            st.error("The bow has no name yet. Write what you call it.")
            return None
        return bow_of(out, bow)


def _ask(bow: Bow | None, units: Units, key: str) -> dict[str, tuple[str, str, Callable[[str], Any]]]:
    out: dict[str, tuple[str, str, Callable[[str], Any]]] = {}

    def put(column: Any, name: str, label: str, read: Callable[[str], Any] = str.strip, usual: str = "", **more: Any) -> None:
        out[name] = (label, column.text_input(label, usual, key=f"{key}_{name}", **more), read)

    was = (lambda name: getattr(bow, name)) if bow is not None else (lambda name: None)

    def length(column: Any, name: str, label: str, **more: Any) -> None:
        put(column, name, in_length(label, units), partial(read_length, units=units), length_text(was(name), units), **more)

    left, middle, right = st.columns(3)
    put(left, "name", "What you call it", usual=was("name") or "")
    for column, (name, label) in zip((middle, right), _NEEDED, strict=True):
        length(column, name, label)
    st.caption("Every photo needs these two lengths, and you give them only here. The handle is the part that doesn't bend.")
    with st.expander("More, if you know it: wood, sizes, target") if bow is None else st.container():
        left, right = st.columns(2)
        put(left, "wood", "Wood", usual=was("wood") or "")
        put(right, "made", "When it was made", usual=was("made") or "")
        for i, (name, label) in enumerate(_SIZES):
            length((left, right)[i % 2], name, label)
        st.caption("Leave the upper limb's length empty where both limbs are equal.")
        st.markdown("**Target**")
        left, right = st.columns(2)
        weight = weight_text(was("wish_weight_n"), units)
        put(left, "wish_weight_n", in_weight("Draw weight", units), partial(read_weight, units=units), weight)
        length(right, "wish_draw_mm", "at a draw of")
        faces = ["back", "belly"]
        face = left.segmented_control(
            "Draw measured to the handle's", faces, default=was("wish_draw_to") or "back", key=f"{key}_face", required=True
        )
        out["wish_draw_to"] = ("Draw", face or "back", str)
        right.caption("Tiller, upper minus lower gap at the fades. Leave it empty to use the shop's target.")
        low, high = right.columns(2)
        length(low, "wish_tiller_low_mm", "Least tiller")
        length(high, "wish_tiller_high_mm", "Most tiller")
        notes = st.text_area("Notes", was("notes") or "", key=f"{key}_notes")
        out["notes"] = ("Notes", notes, str)
    return out


def facts(bow: Bow, units: Units) -> str:
    """A bow in a line: wood, length, what it is wished to draw."""
    parts = [plain(bow.wood)] if bow.wood else []
    if bow.length_mm is not None:
        parts.append(f"{say_length(bow.length_mm, units)} nock to nock")
    if bow.wish_weight_n is not None:
        wished = f"target {say_weight(bow.wish_weight_n, units)}"
        if bow.wish_draw_mm is not None:
            wished += f" at {say_length(bow.wish_draw_mm, units)}"
        parts.append(wished)
    return " · ".join(parts)
