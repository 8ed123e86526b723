"""The printed tags are the size they claim. The detector of OpenCV is the outside judge of what was drawn."""

import io
import math

import cv2
import numpy as np
import pytest
from PIL import Image

from tillerlens.core.errors import ShotError
from tillerlens.report.tag_sheets import CORNERS, SIDE_RANGE_MM, render_tag_sheets

DPI = 254.0  # ten pixels a millimetre
PAGE_MM = {"letter": (215.9, 279.4), "a4": (210.0, 297.0)}  # ANSI Y14.1 and ISO 216
SIDE_ATOL_MM = 0.1  # one pixel: the renderer draws rectangles without half-covered pixels


def pages(paper, side_mm):
    sheets = render_tag_sheets(paper, side_mm, DPI)
    return [np.asarray(Image.open(io.BytesIO(png)).convert("L")) for png in sheets]


def detect(page):
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, settings).detectMarkers(page)
    return {int(tag): quad.reshape(4, 2) for tag, quad in zip(np.ravel(ids), corners, strict=True)}


@pytest.mark.parametrize("paper", ["letter", "a4"])
@pytest.mark.parametrize("side_mm", [60.0, SIDE_RANGE_MM[1]])
def test_each_page_holds_one_upright_tag_of_the_size_it_claims(paper, side_mm):
    drawn = pages(paper, side_mm)
    assert len(drawn) == len(CORNERS)
    for expected, page in zip(CORNERS, drawn, strict=True):
        assert page.shape[::-1] == pytest.approx(np.array(PAGE_MM[paper]) / 25.4 * DPI, abs=1.0)
        ((tag, quad),) = detect(page).items()
        assert tag == expected
        sides = [math.dist(quad[i], quad[(i + 1) % 4]) * 25.4 / DPI for i in range(4)]
        assert sides == pytest.approx([side_mm] * 4, abs=SIDE_ATOL_MM)
        assert quad[1, 0] > quad[0, 0] and abs(quad[1, 1] - quad[0, 1]) < 1  # its own top edge is on top


def test_the_lines_to_check_are_100_mm_and_4_in():
    page = pages("a4", 101.6)[0]
    dark_runs = [longest_run(row < 128) for row in page[int(page.shape[0] * 0.6) :]]
    lengths = sorted({round(run * 25.4 / DPI) for run in dark_runs if run > 800})
    assert lengths == [100, 102]


def longest_run(on):
    edges = np.flatnonzero(np.diff(np.r_[0, on.astype(int), 0]))
    return max(np.diff(edges)[::2], default=0)


def test_white_surrounds_the_black_by_more_than_the_cell_that_detectors_need():
    page = pages("letter", 101.6)[2]
    quad = detect(page)[2]
    cell = int(101.6 / 6 / 25.4 * DPI)
    (left, top), (right, bottom) = quad.min(axis=0).astype(int), quad.max(axis=0).astype(int)
    assert page[top - cell : top - 2, left - cell : right + cell].min() > 250
    assert page[bottom + 3 : bottom + cell, left - cell : right + cell].min() > 250


def test_pdf_is_written():
    (pdf,) = render_tag_sheets("letter", 101.6)
    assert pdf.startswith(b"%PDF-")


@pytest.mark.parametrize("side_mm", [0.0, -5.0, 20.0, 200.0, math.nan])
def test_a_side_that_does_not_fit_is_refused(side_mm):
    with pytest.raises(ShotError, match="does not fit"):
        render_tag_sheets("a4", side_mm)


def test_an_unknown_paper_is_refused():
    with pytest.raises(ShotError, match="a3"):
        render_tag_sheets("a3", 100.0)
