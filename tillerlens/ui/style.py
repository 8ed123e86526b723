"""The page's look: a bench in daylight, and nothing that makes a phone scroll sideways."""

from __future__ import annotations

from functools import cache
from importlib import resources

import streamlit as st

from tillerlens.report.words.verdict import Sentence

_BADGES = {"finding": ":orange-badge[look here]", "open": ":gray-badge[cannot tell]"}
_OF_A_TARGET = ("wish", "plan")  # what these sentences are about is held against what the bowyer wants


def badge(said: Sentence) -> str:
    """The badge before a sentence. Green says one thing only: within the target. What needs nothing else, or only changed, has
    none."""
    if said.tone == "fine" and said.about in _OF_A_TARGET:
        return ":green-badge[on target]"
    return _BADGES.get(said.tone, "")


def put_on() -> None:
    """Dress the page; our own text only, nothing that a person or a file brought."""
    st.html(f"<style>\n{_css()}</style>")


@cache
def _css() -> str:
    return resources.files("tillerlens.ui").joinpath("style.css").read_text(encoding="utf-8")
