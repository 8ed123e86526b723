"""The page's look: a bench in daylight, and nothing that makes a phone scroll sideways."""

from __future__ import annotations

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


_STYLE = """
<style>
.stMainBlockContainer { max-width: 82rem; padding-top: 2.4rem; }
h1 { letter-spacing: .02em; border-bottom: 3px double #8d8570; padding-bottom: .3rem; margin-bottom: .7rem !important; }
h3 { line-height: 1.35; }
[class*="st-key-told_"] { margin-top: 1.6rem; } /* clear of the framework's bar when it comes first */
[data-testid="stSliderThumbValue"], .stButtonGroup button { color: inherit !important; }
table { width: 100%; font-variant-numeric: tabular-nums; }
table th, table td { padding: .3rem .45rem !important; }
[class*="st-key-rows_"] [data-testid="stHorizontalBlock"] { flex-wrap: nowrap; }
[class*="st-key-rows_"] [data-testid="stColumn"] { min-width: 0; flex: 1 1 0; width: auto; }
/* whatever can be tapped is as large as a finger's tip */
.stMain button, .stMain summary, .stMain input, .stMain textarea, .stMain label:has(input), .stMain [role="option"],
.stMain [data-testid="stPageLink-NavLink"], [data-testid="stSidebarNavLink"] { min-height: 44px; }
.stMain button { min-width: 44px; }
/* so that the list of pages fits a screen */
[data-testid="stSidebarNavItems"] { gap: 0; padding-bottom: 0; }
[data-testid="stSidebarNavItems"] li { margin: 0; }
[data-testid="stSidebarNavLink"] { margin: 0; }
[data-testid="stSidebarHeader"] { height: 2rem; min-height: 2rem; padding: 0 .5rem; margin: 0; }
/* the framework's menu on a chart lies over the verdict, and shows the names of columns */
[data-testid="stElementContainer"]:has([data-testid="stVegaLiteChart"]) [data-testid="stElementToolbar"] { display: none; }
/* the framework's own boxes speak of itself: ours say what happened and what to do */
section[role="dialog"]:has(> h2[slot="title"]) > h2, section[role="dialog"]:has(> h2[slot="title"]) > div { display: none; }
section[role="dialog"]:has(> h2[slot="title"])::before {
  content: "There is no such page. The address is wrong or old, so this is the shelf.";
  display: block; padding: 1.6rem 3.2rem 1.6rem 1.6rem; font-size: 1.15rem; line-height: 1.45;
}
body:has(.stApp:not([data-test-connection-state="CONNECTED"])) section[role="dialog"]:has(> h2[slot="title"])::before {
  content: "TillerLens does not answer. Check that it still runs on the shop's computer and that this device is on the same "
    "network. Nothing that was kept is lost. The page comes back by itself.";
}
[data-testid="stHeaderActionElements"] { display: none; } /* the framework's link beside a heading */
@media (min-width: 641px) {
  [data-testid="stImage"] img { max-height: 92vh; object-fit: contain; object-position: left top; }
}
@media (max-width: 640px) {
  .stMainBlockContainer { padding: 2.2rem .8rem 3rem; }
  .stMainBlockContainer h1 { font-size: 1.9rem; }
  .stMainBlockContainer h3 { font-size: 1.3rem; }
  .stMainBlockContainer h4 { font-size: 1.1rem; }
  table { font-size: .9rem; }
  [class*="st-key-card_"] [data-testid="stImage"] img { max-height: 22vh; object-fit: contain; }
}
</style>
"""


def put_on() -> None:
    """Dress the page; our own text only, nothing that a person or a file brought."""
    st.html(_STYLE)
