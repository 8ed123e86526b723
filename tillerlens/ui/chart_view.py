"""Charts on a sheet of paper of their own, so that ink stays ink on a dark screen too."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import Any

import streamlit as st

from tillerlens.core.json_form import JsonObject
from tillerlens.ui.text import plain

PAPER, LINE, INK = "#fdfbf5", "#e4dfd2", "#2b2b2b"


def chart(title: str, make: Callable[[], Any], key: str, alt: str, mark: str) -> None:
    """A chart under its title, or why there is none.

    make: gives it, or raises ValueError with the reason. alt: what it shows, in words. mark: tells everything that it shows from
    what it showed before a change; it is made once for each.
    """
    if title:
        st.markdown(f"#### {title}")
    try:
        specs = _specs(mark, key, make)
    except ValueError as error:
        st.caption(plain(f"Nothing to draw: {error}."))
        return
    for k, spec in enumerate(specs):
        st.vega_lite_chart(spec=spec, width="stretch", theme=None, key=f"chart_{key}_{k}", alt=alt)


def drawn(spec: JsonObject, key: str, alt: str) -> None:
    """A chart that is ready as a specification: for what changes with every touch of a control."""
    st.vega_lite_chart(spec=_on_paper(spec, in_column=False), width="stretch", theme=None, key=f"chart_{key}", alt=alt)


@st.cache_data(max_entries=64, show_spinner=False)
def _specs(mark: str, key: str, _make: Callable[[], Any]) -> list[JsonObject]:
    """Altair takes a quarter of a second for a chart; what it made is kept. Panels under each other are charts of their own,
    since only those follow the width of the page."""
    # Altair asks what is loaded and trips over a pandas that Streamlit, in another session, has only half loaded.
    import_module("pandas")

    made = _make()
    from altair import VConcatChart

    # tests hold each chart to the grammar's schema; here that would take as long as all the rest
    panels = made.vconcat if isinstance(made, VConcatChart) else [made]
    return [_on_paper(panel.to_dict(validate=False), in_column=len(panels) > 1) for panel in panels]


def _on_paper(spec: JsonObject, in_column: bool) -> JsonObject:
    """The chart's specification on a ground of its own. On the page a chart's height holds its title, axis and legend as well; in
    a column of panels it does not."""
    if in_column:
        legend = any(part.get("orient") == "top" for part in _parts(spec, "legend"))
        spec["height"] += 110 if legend else 65
    text = {"labelColor": INK, "titleColor": INK}
    axis = {"gridColor": LINE, "domainColor": "#8f8a7d", "tickColor": "#8f8a7d", "titleFontWeight": "normal"}
    config = {
        **spec.get("config", {}),
        "font": "Source Sans, sans-serif",
        "view": {"stroke": None},
        "axis": {**axis, **text, "labelFontSize": 12, "titleFontSize": 12},
        "legend": {**text, "labelFontSize": 13, "titleFontSize": 12, "columns": 2},
        "title": {"color": INK, "fontSize": 13, "anchor": "start"},
    }
    return {**spec, "background": PAPER, "padding": {"left": 8, "right": 12, "top": 8, "bottom": 8}, "config": config}


def _parts(spec: Any, name: str) -> list[JsonObject]:
    found: list[JsonObject] = []
    for key, value in spec.items() if isinstance(spec, dict) else enumerate(spec) if isinstance(spec, list) else ():
        found += [value] if key == name and isinstance(value, dict) else _parts(value, name)
    return found
