"""The app on a phone: its address in this network as text and as a code to read, and what opening it to the network means."""

from __future__ import annotations

import io
import os

import streamlit as st

from tillerlens.cli_serve import ADDRESS_VARIABLE, WARNING
from tillerlens.ui.fields import plain
from tillerlens.ui.place import Place


def show(place: Place) -> None:
    st.title("On the phone")
    address = os.environ.get(ADDRESS_VARIABLE)
    if not address:
        st.subheader("This shop is open to this computer only.", anchor=False)
        st.markdown("To reach it from a phone in the same network, stop it and start it with")
        st.code("tillerlens serve --lan", language=None)
        st.markdown("It then shows an address and a code here that the phone's camera reads.")
        st.warning(WARNING)
        return
    st.subheader("Point the phone's camera at the code, or type the address.", anchor=False)
    st.code(address, language=None)
    st.image(_code(address), width=260, alt=f"Code that leads a phone to {address}")
    st.warning(WARNING)
    st.markdown(
        f"{plain('Pictures are best handed over from the phone itself: New picture, then the camera or the gallery.')} "
        "A picture may have 64 MB."
    )


@st.cache_data(max_entries=4, show_spinner=False)
def _code(address: str) -> bytes:
    import segno

    out = io.BytesIO()
    segno.make(address, error="m").save(out, kind="png", scale=8, border=4)
    return out.getvalue()
