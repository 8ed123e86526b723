"""What the app says about its visitors: who else is here, that somebody may only look, and which upload was refused."""

from __future__ import annotations

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx

from tillerlens.server import Shop, looking_only, shop_now, visitor
from tillerlens.server.visit import others_in_words
from tillerlens.ui.text import plain

LOOKING_LINE = "You are here to look only: what would change something is hidden. Ask whoever runs the shop for the other PIN."
EVERY_S = 10.0  # how often the line about the others is made anew

# How the keys begin of what changes the shop, and of what does not; a test sorts every button of the app into one of the two.
CHANGES = (
    "keep",
    "off_",
    "back_do_",
    "back_to_found",
    "put_up_demo",
    "hand_over_",
    "photo",
    "its_shot",
    "rest_file",
    "change_",
    "right_",
    "aside_",
    "restore_",
)
LOOKS = (
    "stop_", "new_picture", "open_", "picture_", "walk_", "taped_work_out", "fade_lines", "close", "measure", "earlier", "later",
    "pointing_", "again_", "closer_", "more_rows_", "backup_",
)  # fmt: skip

_HIDDEN = ", ".join(
    [f'[class*="st-key-{begin.replace("_", "-")}"], [class*="st-key-{begin}"]' for begin in CHANGES]
    + ['[data-testid="stFormSubmitButton"]', '[data-testid="stFileUploader"]']
)


def greet() -> None:
    """Say it at the top of the page and in the list of pages; nothing where the shop is this computer's alone."""
    shop = shop_now()
    if looking_only():
        below_the_bar = ".stMainBlockContainer.stMainBlockContainer { padding-top: 4.2rem; }"
        st.html(f"<style>{_HIDDEN} {{ display: none !important; }} {below_the_bar}</style>")
        st.info(LOOKING_LINE)
    if shop is None:
        return
    if shop.open_to_others:
        with st.sidebar:
            _kept_up(shop)
    else:
        _say_refused(shop)


@st.fragment(run_every=EVERY_S)
def _kept_up(shop: Shop) -> None:
    st.caption(plain(others_in_words(shop, visitor())))
    _say_refused(shop)


def _say_refused(shop: Shop) -> None:
    context = get_script_run_ctx()
    why = None if context is None else shop.uploads.take_refusal(context.session_id)
    if why is not None:
        st.toast(why, duration="infinite")
