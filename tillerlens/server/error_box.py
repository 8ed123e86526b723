"""What nobody foresaw, logged under a number and said on the page in words with that number."""

from __future__ import annotations

import logging
import secrets

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

MARK = "unforeseen"  # begins the box's key, and so its class on the page
WHAT = "Something went wrong here that TillerLens did not expect."
_LOG = logging.getLogger("tillerlens.ui")


def by_the_framework(error: Exception) -> bool:
    """For ``st.App(on_script_error=...)``: what the framework caught before any net of ours could, say on reading a widget."""
    say_unforeseen(st.container(), logged(error, "the framework"))
    return True  # its own box stays away


def logged(error: BaseException, where: str) -> str:
    """Log what nobody foresaw, with its traceback; the number that it can be found by."""
    number = f"{secrets.randbelow(1000):03}-{secrets.randbelow(1000):03}"
    _LOG.error("%s: unforeseen in %r at %r", number, where, dict(st.query_params.to_dict()), exc_info=error)
    return number


def say_unforeseen(place: DeltaGenerator, number: str) -> None:
    with place.container(key=f"told_{number}"), st.container(key=f"{MARK}_{number}"):
        st.error(
            f"**{WHAT}** Nothing on the shelf, the timeline or the bench is lost; only what you were just typing may be. "
            f"Load the page again. If this comes back, tell whoever looks after TillerLens the number **{number}**: "
            "the log has the details under it."
        )
        st.button("Load the page again", key=f"again_{number}")
