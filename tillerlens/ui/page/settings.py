"""The shop's settings: units, how bows hang in its pictures, what tiller is wished, and whose name stands beside corrections."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import streamlit as st

from tillerlens.core.errors import ShotError
from tillerlens.core.events import Face
from tillerlens.report.words.quantities import LengthUnit, WeightUnit
from tillerlens.report.words.verdict import CARE_ALWAYS, CARE_UNDER_TENSION, Wish
from tillerlens.ui import backup, workspace
from tillerlens.ui.context import PageContext, errors_in_place, say_error
from tillerlens.ui.text import plain
from tillerlens.ui.typed import forget_units, in_length, length_text, read_length

_LENGTHS: dict[LengthUnit, str] = {"sixteenths": "inches and sixteenths", "inches": "inches, decimal", "cm": "centimetres"}
_WEIGHTS: dict[WeightUnit, str] = {"lb": "pounds", "kg": "kilograms"}
_LOWER = {"right": "on the left", "left": "on the right", "bottom": "at the top", "top": "at the bottom"}  # by the upper limb
_FACES: list[Face] = ["back", "belly"]


def show(place: PageContext) -> None:
    st.title("Settings")
    st.markdown("For everybody who opens this shop. Each change is kept at once.")
    now = place.settings
    left, right = st.columns(2)
    length = left.selectbox(
        "Lengths in", list(_LENGTHS), list(_LENGTHS).index(now.length), format_func=_LENGTHS.__getitem__, key="set_length"
    )
    weight = right.selectbox(
        "Weights in", list(_WEIGHTS), list(_WEIGHTS).index(now.weight), format_func=_WEIGHTS.__getitem__, key="set_weight"
    )
    upper_limb = left.selectbox(
        "In most pictures the lower limb is",
        list(_LOWER),
        list(_LOWER).index(now.upper_limb),
        format_func=_LOWER.__getitem__,
        key="set_lower",
    )
    level = upper_limb in ("left", "right")
    backs = ["up", "down"] if level else ["left", "right"]
    at = backs.index(now.back) if now.back in backs else 0
    back = right.selectbox("and the back looks", backs, at, key=f"set_back_{level}")
    draw_to = left.selectbox("Draw length is measured to the handle's", _FACES, _FACES.index(now.draw_to), key="set_draw_to")
    who = right.text_input("Name beside corrections and events", now.who, max_chars=80, key="set_who").strip() or now.who
    st.markdown("**Target tiller**")
    st.caption(Wish().usual(place.units))
    left, right = st.columns(2)
    changed = replace(now, length=length, weight=weight, upper_limb=upper_limb, back=back, draw_to=draw_to, who=who)
    low = _wish(left, "Least", now.wish_low_mm, place, "set_wish_low")
    high = _wish(right, "Most", now.wish_high_mm, place, "set_wish_high")
    if low is not None and high is not None:
        if low > high:
            st.error("The low end of the target is above the high end. Fix one of them; until then the earlier target holds.")
        else:
            changed = replace(changed, wish_low_mm=low, wish_high_mm=high)
    if changed != now:
        with errors_in_place():
            workspace.keep_settings(place.record.folder, changed, before=now)
            st.toast("Kept.")
            forget_units()
            st.rerun()
    with st.expander("Backup"):
        st.markdown("Everything of the shop in one zip: photos, measurements, notes. Keep it on another disk.")
        backup.offer(place.record, None, "shop", "Make a backup of the whole shop")
        backup.put_back(place.record)
    with st.container(border=True):
        st.markdown("**Cautions.** They stand beside every verdict and cannot be switched off.")
        for care in (*CARE_ALWAYS, *CARE_UNDER_TENSION):
            st.markdown(plain(care))
    st.caption(f"The record is kept in {plain(place.record.address)}")


def _wish(column: Any, label: str, usual_mm: float, place: PageContext, key: str) -> float | None:
    usual = length_text(usual_mm, place.units) or "0"
    with column:
        text = st.text_input(in_length(label), usual, key=f"{key}_{place.units.length}")
        try:
            mm = usual_mm if text == usual else read_length(text)
        except ShotError as error:
            say_error(error)
            return None
        return mm
