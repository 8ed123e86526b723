"""Rows of fields for numbers that come in pairs and threes: one number in each field, and a row more where they run out."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Literal

import streamlit as st

from tillerlens.core.errors import ShotError
from tillerlens.core.reading import shown
from tillerlens.core.shot import as_point
from tillerlens.core.units import inches_from_mm
from tillerlens.ui.text import plain
from tillerlens.ui.typed import as_text, in_length, read_length, said, start

MOST_ROWS = 40
TAG_NUMBERS = tuple(map(str, range(50)))  # of the printed set
TAG_ROWS = "shot_tags"  # begins the keys of the rows that say where tags hang


def field_rows(key: str, labels: Sequence[str], first: Sequence[Sequence[str]], hints: Sequence[str] = ()) -> list[list[str]]:
    """Rows of text fields side by side; the texts of those with anything in them.

    Parameters
    ----------
    key : str
        Begins the keys of the fields.
    labels : Sequence[str]
        What the fields of a row are called; shown once, above.
    first : Sequence[Sequence[str]]
        What the rows hold at first; as many rows as are shown.
    hints : Sequence[str]
        Examples for the first row.
    """
    count = min(MOST_ROWS, max(len(first), st.session_state.get(f"{key}_count", 0)))
    out = []
    with st.container(key=f"rows_{key}", gap="xsmall"):
        for row in range(count):
            texts = []
            for at, (column, label) in enumerate(zip(st.columns(len(labels), gap="xsmall"), labels, strict=True)):
                start(f"{key}_{row}_{at}", first[row][at] if row < len(first) else "")
                hint = hints[at] if row == 0 and at < len(hints) else None
                name = label if row == 0 else f"{label}, row {row + 1}"
                seen: Literal["visible", "collapsed"] = "visible" if row == 0 else "collapsed"
                texts.append(column.text_input(name, key=f"{key}_{row}_{at}", label_visibility=seen, placeholder=hint))
            if any(map(str.strip, texts)):
                out.append(texts)
    return out


def more_rows(key: str, shown: int) -> None:
    """A button for one more row."""
    count = max(shown, st.session_state.get(f"{key}_count", 0))
    if count < MOST_ROWS and st.button("One more row", key=f"more_rows_{key}"):
        st.session_state[f"{key}_count"] = count + 1
        st.rerun()


def pairs_of(
    rows: Sequence[Sequence[str]], left: Callable[[str], float], right: Callable[[str], float], what: str
) -> list[tuple[float, float]]:
    """The numbers of rows of two fields; what: what a row holds, for the error. Raises ShotError with the row that is not whole,
    and what the readers raise."""
    out = []
    for a, b in rows:
        if not a.strip() or not b.strip():
            raise ShotError(f"A row has only '{shown((a or b).strip(), 40)}' in it.", f"Fill in {what}, or empty the row.")
        out.append((left(a), right(b)))
    if not out:
        raise ShotError("Nothing was typed.", f"Fill in {what}.")
    return out


def row_keys(key: str, columns: int) -> list[str]:
    """The keys of every field that the rows have now."""
    ours = re.compile(rf"{re.escape(key)}_\d+_[0-{columns - 1}]")
    return [str(k) for k in st.session_state if ours.fullmatch(str(k))]


def read_tag(number: str, right: str, down: str) -> tuple[str, list[float]]:
    """A tag's number and the place of its centre in inches, as they are typed. Raises ShotError."""
    tag = number.strip()
    if tag not in TAG_NUMBERS:
        raise ShotError(f"'{shown(tag, 40)}' is no tag's number.", "Give each row the number printed on its tag, 0 to 49.")
    return tag, [round(inches_from_mm(read_length(text)), 9) for text in (right, down)]


def ask_centres(key: str, had: Mapping[str, Any] | None, bad: list[str]) -> dict[str, list[float]]:
    """Where printed tags hang: number, right and down of each, in inches. What cannot be read is said, and goes into ``bad``."""
    first = [[tag, as_text(at[0]), as_text(at[1])] for tag, place in (had or {}).items() if (at := as_point(place)) is not None]
    usual = first or [[str(tag), "", ""] for tag in range(4)]
    st.caption("Needed: how far each tag's centre is to the right of one of them, and how far below it.")
    rows = field_rows(key, ("Tag", in_length("Right"), in_length("Down")), usual, ("0", "0", "0"))
    more_rows(key, len(usual))
    centres: dict[str, list[float]] = {}
    for number, right, down in rows:
        if not right.strip() and not down.strip():
            continue
        try:
            tag, place = read_tag(number, right, down)
            if tag in centres:
                raise ShotError(f"Tag {tag} is there twice.", "Give each row the number printed on its own tag.")
            centres[tag] = place
        except ShotError as error:
            bad.append("centres")
            st.error(plain(said(error)))
    if not centres and "centres" not in bad:
        bad.append("centres")
    return centres


def put_tags(places: Sequence[tuple[str, str, str]]) -> None:
    """Put where tags hang (number, right, down, as they are typed) into their rows of fields; four rows at the least."""
    state = st.session_state
    for row, cells in enumerate([*places, *((str(tag), "", "") for tag in range(len(places), 4))]):
        for at, text in enumerate(cells):
            state[f"{TAG_ROWS}_{row}_{at}"] = text
    state[f"{TAG_ROWS}_count"] = max(4, len(places))
