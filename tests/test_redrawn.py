"""A kept photograph is drawn over from its document as it was when measured: the lines fall on the same pixels."""

from __future__ import annotations

import json

import pytest
from against_truth import SAMPLES, measure_sample

from tillerlens.report.lengths import Units
from tillerlens.report.redrawn import redrawn, with_trace

NAME = "heron-drawn-27"


@pytest.fixture(scope="module")
def found():
    return measure_sample(SAMPLES, NAME, False)


def test_gap_lines_come_back_to_a_pixel_or_two(found):
    again = with_trace(json.loads(json.dumps(found.as_document())))
    assert again.trace is not None and found.trace is not None
    # documents are rounded to hundredths, and the thickness is the smooth one: what is drawn is two pixels wide
    assert again.trace.gap_lines_px == pytest.approx(found.trace.gap_lines_px, abs=2.0)
    nocks = again.trace.back_px[[0, -1]]
    assert nocks == pytest.approx(found.trace.nocks_px, abs=12.0)  # a tip is some 20 px thick


def test_the_drawn_over_photograph_is_a_picture_with_the_figures_below_it(found):
    import io

    from PIL import Image

    data = (SAMPLES / f"{NAME}.jpg").read_bytes()
    with Image.open(io.BytesIO(redrawn(data, f"{NAME}.jpg", found.as_document(), Units(), 900))) as picture:
        assert picture.format == "JPEG" and max(picture.size) >= 900
