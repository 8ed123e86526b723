"""The report of a bow: choose what goes in, look at it, take it along as PDF or as one page for a browser."""

from __future__ import annotations

import re
from dataclasses import replace

import streamlit as st

from tillerlens.core.errors import TillerLensError
from tillerlens.history.bench import weighed_now
from tillerlens.history.of_record import story_of
from tillerlens.record.views import Timeline
from tillerlens.report.content import Report
from tillerlens.report.page import render_page
from tillerlens.report.pdf import Paper, render_pdf
from tillerlens.report.story import lay_out
from tillerlens.ui import widgets
from tillerlens.ui.context import PageContext, say_error
from tillerlens.ui.text import plain
from tillerlens.ui.widgets import BowContext

PAPERS: dict[Paper, str] = {"letter": "Letter", "a4": "A4"}
ALWAYS = ("Inspection", "Take care")  # cautions are in every report
PREVIEW_DPI = 90.0


def show(place: PageContext) -> None:
    known = widgets.open_page(place, "Report")
    try:
        with st.spinner("Gathering the bow's pages"):
            content = _content(known)
    except TillerLensError as error:
        say_error(error)
        return
    if not known.stages and not known.events:
        st.subheader("There is nothing to report on this bow yet.", anchor=False)
        widgets.missing("It has no picture and no entry.", "Add a picture, then come back.", known, "picture", "Add a picture")
        return
    top = st.container()
    content, paper = _choose(content)
    with top:
        _first(known, content)
        _take_along(known, content, paper)
    _preview(content, paper)


def _first(known: BowContext, content: Report) -> None:
    summary = content.section("Summary").text
    measured = sum(s.status == "measured" for s in known.stages)
    text = summary[0] if summary else f"{measured} of {len(known.stages)} pictures are measured."
    st.subheader(plain(text), anchor=False)


def _choose(content: Report) -> tuple[Report, Paper]:
    with st.expander("What goes in", expanded=False):
        titles = [s.title for s in content.sections if s.title not in ALWAYS]
        columns = st.columns(2)
        wanted = {t for k, t in enumerate(titles) if columns[k % 2].checkbox(t, True, key=f"in_{t}")}
        notes = st.checkbox("My notes", True, key="in_notes") if content.notes else True
        st.caption("The inspection list and the cautions are in every report.")
    paper: Paper = st.segmented_control(
        "Paper", list(PAPERS), format_func=PAPERS.__getitem__, default="letter", required=True, key="paper"
    )
    kept = tuple(s for s in content.sections if s.title in wanted or s.title in ALWAYS)
    return replace(content, sections=kept, notes=content.notes if notes else ""), paper


def _take_along(known: BowContext, content: Report, paper: Paper) -> None:
    stem = re.sub(r"[^\w-]+", "-", known.bow.name).strip("-") or "bow"
    left, right = st.columns(2)
    left.download_button(
        "Download the report (PDF)", lambda: _pdf(content, paper), f"{stem}-report.pdf", "application/pdf", on_click="ignore",
        width="stretch", type="primary",
    )  # fmt: skip
    right.download_button(
        "Download as a page (HTML)", lambda: render_page(content), f"{stem}-report.html", "text/html", on_click="ignore",
        width="stretch",
    )  # fmt: skip


def _preview(content: Report, paper: Paper) -> None:
    try:
        with st.spinner("Setting the pages", show_time=True):
            pages = _pages(content, paper)
    except TillerLensError as error:
        say_error(error)
        return
    many = len(pages)
    st.caption(f"{many} page{'' if many == 1 else 's'}.")
    number = 1
    if many > 1:
        number = int(st.select_slider("Page", list(range(1, many + 1)), 1, key="report_page"))
    alt = f"Page {number} of {many} of the report of {content.title}, as it will be printed"
    st.image(pages[min(number, many) - 1], width="stretch", alt=alt)


# --- made once, by what goes in


def _content(known: BowContext) -> Report:
    return _laid_out(known.mark, known)


@st.cache_data(max_entries=6, show_spinner=False)
def _laid_out(key: str, _known: BowContext) -> Report:
    story = story_of(_known.record, _known.bow.id, found=Timeline(_known.bow, _known.stages, _known.events, {}))
    weighed = weighed_now(_known.bow, _known.stages, _known.events, _known.document)
    _known.unchanged()
    return lay_out(replace(story, weighed=weighed), _known.units)


@st.cache_data(max_entries=4, show_spinner=False)
def _pages(content: Report, paper: Paper) -> list[bytes]:
    return render_pdf(content, paper, PREVIEW_DPI)


@st.cache_data(max_entries=4, show_spinner=False)
def _pdf(content: Report, paper: Paper) -> bytes:
    return render_pdf(content, paper)[0]
