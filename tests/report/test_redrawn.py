"""A kept photograph is drawn over from its document as it was when measured: the lines fall on the same pixels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.against_truth import SAMPLES, measure_sample
from tillerlens.core.document import DocumentError
from tillerlens.core.measurement import Measurement
from tillerlens.report.redrawn import can_be_redrawn, redrawn, with_trace
from tillerlens.report.words.quantities import Units

NAME = "heron-drawn-27"


@pytest.fixture(scope="module")
def found():
    return measure_sample(SAMPLES, NAME, False)


def test_gap_lines_come_back_to_a_pixel_or_two(found):
    again = with_trace(found.as_printed())
    assert again.trace is not None and found.trace is not None
    # documents are rounded to hundredths, and the thickness is the smooth one: what is drawn is two pixels wide
    assert again.trace.gap_lines_px == pytest.approx(found.trace.gap_lines_px, abs=2.0)
    nocks = again.trace.back_px[[0, -1]]
    assert nocks == pytest.approx(found.trace.nocks_px, abs=12.0)  # a tip is some 20 px thick


@pytest.mark.parametrize("name", ["heron-unstrung", "plover-unstrung-tape", "heron-braced", "linnet-rested"])
def test_a_kept_picture_of_every_state_is_drawn_over(name):
    """An unstrung bow has no gaps: no line of them is to be drawn, and OpenCV gives None for no points."""
    import io

    from PIL import Image

    folder = SAMPLES if (SAMPLES / f"{name}.jpg").exists() else SAMPLES / "walk"
    found = measure_sample(folder, name, False)
    assert found.status == "measured"
    kept = found.as_printed()
    assert can_be_redrawn(kept)
    again = with_trace(kept)
    assert again.trace is not None and len(again.trace.gap_lines_px) == 2 * len(found.gaps)
    sides = np.vstack([again.trace.back_px, again.trace.belly_px])
    sides = sides[np.isfinite(sides).all(axis=1)]
    off = np.linalg.norm(sides[:, None] - again.trace.centre_px[None], axis=2).min(axis=1)
    assert off.max() < 60  # a limb is some 40 px thick: its edges lie beside it, whatever the plane map makes of a line
    with Image.open(io.BytesIO(redrawn((folder / f"{name}.jpg").read_bytes(), f"{name}.jpg", kept, Units(), 900))) as picture:
        assert picture.format == "JPEG" and max(picture.size) >= 900


@pytest.mark.parametrize("status", ["needs_help", "refused"])
def test_what_was_not_measured_is_not_drawn_over(status):
    assert not can_be_redrawn(Measurement(status, "unstrung"))


def test_a_document_with_places_missing_is_refused_in_words(found):
    lost = {limb: replace(p, centre_px=np.full_like(p.centre_px, np.nan)) for limb, p in found.profile.items()}
    with pytest.raises(DocumentError, match="does not say where the bow lies"):
        redrawn((SAMPLES / f"{NAME}.jpg").read_bytes(), f"{NAME}.jpg", replace(found, profile=lost), Units(), 900)


def test_the_drawn_over_photograph_is_a_picture_with_the_figures_below_it(found):
    import io

    from PIL import Image

    data = (SAMPLES / f"{NAME}.jpg").read_bytes()
    with Image.open(io.BytesIO(redrawn(data, f"{NAME}.jpg", found.as_printed(), Units(), 900))) as picture:
        assert picture.format == "JPEG" and max(picture.size) >= 900
