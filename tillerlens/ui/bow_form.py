"""What is known of a bow itself, as a form: for a new one and for changing one."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import streamlit as st

from tillerlens.errors import TillerLensError
from tillerlens.record import Bow
from tillerlens.report.lengths import Units, say_length, say_weight
from tillerlens.ui.fields import as_text, plain
from tillerlens.units import MM_PER_INCH, parse_length, parse_weight

# (field, label); both columns of the form
_SIZES = (
    ("length_mm", "Length along the back, nock to nock, not overall"),
    ("handle_mm", "Stiff handle with its fades"),
    ("limb_width_mm", "Limbs' greatest width"),
    ("limb_thickness_mm", "Limbs' greatest thickness"),
    ("handle_thickness_mm", "Handle's thickness, back to belly"),
    ("upper_limb_length_mm", "Upper limb, handle's centre to nock"),
    ("form_reflex_mm", "Reflex of the form it was bent on"),
)
_NEEDED = ("length_mm", "handle_mm")  # by every picture of it


def ask_bow(bow: Bow | None, units: Units, key: str, button: str) -> dict[str, Any] | None:
    """Show the form; the fields of a bow once the button was pressed and everything could be read, else None."""
    with st.form(key):
        given = _ask(bow, units, key)
        pressed = st.form_submit_button(button, type="primary")
        if not pressed:
            return None
        out: dict[str, Any] = {}
        for name, (label, text, read) in given.items():
            try:
                out[name] = read(text) if text.strip() else None
            except TillerLensError as error:
                st.error(f"{label}: {plain(str(error))}")
                return None
        if not (out["name"] or "").strip():
            st.error("The bow has no name yet. Write what you call it.")
            return None
        out |= {name: out[name] or "" for name in ("wood", "made", "notes")}
        return out


def _ask(bow: Bow | None, units: Units, key: str) -> dict[str, tuple[str, str, Callable[[str], Any]]]:
    out: dict[str, tuple[str, str, Callable[[str], Any]]] = {}

    def put(column: Any, name: str, label: str, read: Callable[[str], Any] = str.strip, usual: str = "", **more: Any) -> None:
        out[name] = (label, column.text_input(label, usual, key=f"{key}_{name}", **more), read)

    was = (lambda name: getattr(bow, name)) if bow is not None else (lambda name: None)
    left, right = st.columns(2)
    put(left, "name", "What you call it", usual=was("name") or "")
    put(right, "wood", "Wood", usual=was("wood") or "")
    for i, (name, label) in enumerate(_SIZES):
        hint = "Every picture of the bow needs it." if name in _NEEDED else None
        put((left, right)[i % 2], name, label, parse_length, length_text(was(name), units), help=hint)
    put(right, "made", "When it was made", usual=was("made") or "")
    st.markdown("**Target**")
    left, right = st.columns(2)
    weight = was("wish_weight_n")
    put(left, "wish_weight_n", "Draw weight", parse_weight, "" if weight is None else say_weight(weight, units))
    put(right, "wish_draw_mm", "at a draw of", parse_length, length_text(was("wish_draw_mm"), units))
    faces = ["back", "belly"]
    face = left.segmented_control(
        "Draw measured to the handle's", faces, default=was("wish_draw_to") or "back", key=f"{key}_face", required=True
    )
    out["wish_draw_to"] = ("Draw", face or "back", str)
    right.caption("Tiller, upper minus lower gap at the fades. Leave it empty to use the shop's target.")
    low, high = right.columns(2)
    put(low, "wish_tiller_low_mm", "Least tiller", parse_length, length_text(was("wish_tiller_low_mm"), units))
    put(high, "wish_tiller_high_mm", "Most tiller", parse_length, length_text(was("wish_tiller_high_mm"), units))
    notes = st.text_area("Notes", was("notes") or "", key=f"{key}_notes")
    out["notes"] = ("Notes", notes, str)
    return out


def length_text(mm: float | None, units: Units) -> str:
    """A length as it is typed, in the reader's unit, with nothing lost."""
    if mm is None:
        return ""
    return f"{round(mm / 10, 4):g} cm" if units.length == "cm" else as_text(mm / MM_PER_INCH)


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
