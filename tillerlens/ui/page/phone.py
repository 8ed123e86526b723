"""The app on a phone: its address in this network as text and as a code to read, the PINs, and who has it open now."""

from __future__ import annotations

import streamlit as st

from tillerlens.server import Access, Shop, looking_only, shop_now, visitor
from tillerlens.server.answers import START, WARNING
from tillerlens.server.uploads import MOST_MB
from tillerlens.server.visit import others_in_words
from tillerlens.ui.context import PageContext
from tillerlens.ui.text import plain


def show(place: PageContext) -> None:
    st.title("On the phone")
    shop = shop_now()
    if shop is None or shop.address is None:
        st.subheader("This shop is open to this computer only.", anchor=False)
        st.markdown("To reach it from a phone in the same network, stop it. Then start it in its own folder with")
        st.code(START, language=None, wrap_lines=True)
        st.markdown("It then shows an address, a PIN and a code here that the phone's camera reads.")
        st.warning(WARNING)
        return
    if looking_only():
        st.subheader("This shop is open to the network.", anchor=False)
        st.code(shop.address, language=None, wrap_lines=True)
        st.markdown("Others need its PIN; ask whoever runs the shop.")
    else:
        st.subheader("Point the phone's camera at a code, or type the address and the PIN.", anchor=False)
        st.code(shop.address, language=None, wrap_lines=True)
        _way_in(shop, "full", "To work in the shop", shop.keys.pins.full)
        _way_in(shop, "looking", "To look only", shop.keys.pins.looking)
        st.warning(WARNING)
        st.markdown(
            f"Add photos from the phone itself: open a bow, then the camera or the gallery. A photo can be up to {MOST_MB} MB."
        )
    st.markdown(plain(others_in_words(shop, visitor())))


def _way_in(shop: Shop, kind: Access, title: str, pin: str | None) -> None:
    link = shop.link(kind)
    if link is None or pin is None:
        return
    st.markdown(f"**{title}:** PIN")
    st.code(pin, language=None, wrap_lines=True)
    st.image(_code(link), width=260, alt=f"Code for the phone's camera: {title}")


@st.cache_data(max_entries=4, show_spinner=False)
def _code(link: str) -> str:
    """The code as a drawing, which comes within the page: a picture file could be fetched by whoever guesses its address."""
    import segno

    return segno.make(link, error="m").svg_inline(scale=8, border=4, dark="#000", light="#fff")
