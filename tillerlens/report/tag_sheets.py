"""Printable sheets with the four tags that give a tillering board its scale."""

from __future__ import annotations

import cv2

from tillerlens.core.errors import ShotError
from tillerlens.core.units import MM_PER_INCH
from tillerlens.report.pdf import Paper, typeset

CORNERS = {0: "top left", 1: "top right", 2: "bottom left", 3: "bottom right"}
CELLS = 6  # of DICT_4X4_50 along a side: four of code and one of black border on either side
QUIET_CELLS = 1.5  # of white all round; detectors want one
SIDE_RANGE_MM = (25.0, 106.0)  # smaller is lost from across the room; larger leaves no place for the words


def render_tag_sheets(paper: Paper, side_mm: float, png_dpi: float | None = None) -> list[bytes]:
    """The sheets as one PDF, or as one PNG a page at ``png_dpi`` for a preview."""
    low, high = SIDE_RANGE_MM
    if not low <= side_mm <= high:
        raise ShotError(f"A tag of {side_mm:g} mm does not fit the sheet.", f"Choose a side from {low:g} to {high:g} mm.")
    data = {
        "side_mm": side_mm,
        "side_text": f"{side_mm:g} mm ({side_mm / MM_PER_INCH:.3f} in)",
        "cells": CELLS,
        "quiet_cells": QUIET_CELLS,
        "sheets": [{"id": tag, "corner": where, "runs": _white_runs(tag)} for tag, where in CORNERS.items()],
    }
    return typeset("tagsheets.typ", data, paper, png_dpi)


def _white_runs(tag: int) -> list[tuple[int, int, int, int]]:
    """White stretches of a tag as (x, y, width, height) in cells: every row's, then every column's."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    white = cv2.aruco.generateImageMarker(dictionary, tag, CELLS) > 127
    rows = [(x, y, n, 1) for y, line in enumerate(white) for x, n in _runs(list(line))]
    columns = [(x, y, 1, n) for x, line in enumerate(white.T) for y, n in _runs(list(line))]
    return rows + columns


def _runs(line: list[bool]) -> list[tuple[int, int]]:
    """(start, length) of each stretch of True."""
    starts = [i for i, on in enumerate(line) if on and (i == 0 or not line[i - 1])]
    return [(i, next((j for j in range(i, len(line)) if not line[j]), len(line)) - i) for i in starts]
