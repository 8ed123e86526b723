"""Boards, each described once: what marks it has, their measures, how far before them a bow hangs; sheets of tags to print."""

from __future__ import annotations

from dataclasses import replace

import streamlit as st

from tillerlens.core.errors import TillerLensError
from tillerlens.core.shot import Form
from tillerlens.core.units import MM_PER_INCH
from tillerlens.report.pdf import Paper
from tillerlens.report.tag_sheets import SIDE_RANGE_MM, render_tag_sheets
from tillerlens.ui import fields, typed, workspace
from tillerlens.ui.context import PageContext, errors_in_place, say_error
from tillerlens.ui.fields import SCALES
from tillerlens.ui.text import distinct_labels, plain
from tillerlens.ui.typed import in_length, length_text, length_unit, read_length, units_now
from tillerlens.ui.workspace import AppFileError, Board

_NEW = "a new board"


def show(place: PageContext) -> None:
    st.title("Boards")
    st.markdown("Describe a board or wall once. Later photos take their scale and standoff from it.")
    boards = workspace.boards(place.record.folder)
    _list(boards)
    _edit(place, boards)
    with st.expander("Print tags for a board"):
        _tags(place)


def _list(boards: list[Board]) -> None:
    if not boards:
        st.info("No board yet. Four printed tags, one at each corner, work best. Print them below.")
        return
    unit = length_unit(units_now())
    for i, board in enumerate(boards):
        standoff = "" if board.standoff_in is None else f", bow {typed.as_text(board.standoff_in)} {unit} in front of the marks"
        last = " · used for the next photo" if i == 0 else ""
        st.markdown(f"- **{plain(board.name)}**: {SCALES[board.scale['kind']]}{plain(standoff)}{last}")


def _edit(place: PageContext, boards: list[Board]) -> None:
    by_id: dict[str, Board | None] = {_NEW: None, **{b.id: b for b in boards}}
    ids = list(by_id)
    names = distinct_labels({_NEW: _NEW, **{b.id: b.name for b in boards}})
    chosen = st.selectbox("Describe", ids, 0, format_func=names.__getitem__, key="board_chosen")
    board = by_id[chosen]
    _fill_once(board, chosen)
    with st.container(border=True):
        name = st.text_input("What you call it", key="board_name")
        scale, more, bad = _ask()
        one, two = st.columns(2)
        if one.button("Keep this board", type="primary", key="keep_board"):
            with errors_in_place():
                if bad:
                    raise AppFileError("The board is not kept yet.", "Fill in what is marked above.")
                fresh = Board(name, scale, **more)
                workspace.keep_board(place.record.folder, fresh if board is None else replace(fresh, id=board.id))
                st.session_state.pop("filled", None)
                st.toast("The board is kept.")
                st.rerun()
        if board is None:
            return
        sure = two.checkbox("I want to take this board off the list", key=f"sure_{board.id}")
        if two.button("Take it off", disabled=not sure, key="off_board"):
            with errors_in_place():
                workspace.remove_board(place.record.folder, board.id)
                st.rerun()


def _fill_once(board: Board | None, chosen: str) -> None:
    mark = f"board {chosen} {board}"
    if st.session_state.get("filled") != mark:
        fields.fill({} if board is None else board.form())
        st.session_state["board_name"] = "" if board is None else board.name
        st.session_state["filled"] = mark


def _ask() -> tuple[Form, Form, list[str]]:
    """The scale as the shot file has it, standoff and its doubt, and which fields cannot be read."""
    bad: list[str] = []
    scale = fields.ask_scale(bad)
    more: Form = {}
    if scale["kind"] != "bow_length":
        fields.put(more, "standoff_in", "Standoff, marks to the middle of the bow's width", bad, note=fields.STANDOFF_HELP)
        fields.put(more, "standoff_u_in", "Standoff ±, if it varies", bad)
    return scale, more, bad


# --- tags


def _tags(place: PageContext) -> None:
    low, high = (length_text(round(mm / MM_PER_INCH * 10) / 10 * MM_PER_INCH) for mm in SIDE_RANGE_MM)
    st.markdown(
        "Four sheets with a tag each, for the corners of a board. Print at full size, glue them flat, and measure from centre to "
        "centre. Tag 0 belongs at the top left, 1 at the top right, 2 at the bottom left, 3 at the bottom right."
    )
    left, right = st.columns(2)
    papers: list[Paper] = ["letter", "a4"]
    paper = left.segmented_control("Paper", papers, default="letter", key="tag_paper", required=True) or "letter"
    text = right.text_input(in_length(f"Side of the black square, {low} to {high}"), length_text(4 * MM_PER_INCH), key="tag_side")
    try:
        (pdf,) = _sheets(paper, read_length(text))
    except TillerLensError as error:
        say_error(error)
        return
    st.download_button("Download the sheets (PDF)", pdf, "tags.pdf", "application/pdf", on_click="ignore")


@st.cache_data(max_entries=4, show_spinner="Setting the sheets")
def _sheets(paper: Paper, side_mm: float) -> list[bytes]:
    return render_tag_sheets(paper, side_mm)
