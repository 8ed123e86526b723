"""A tip that can't be seen: its nock is placed by the lengths as far as the limb's curve carries, and not a hair further."""

from __future__ import annotations

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.support.against_truth import SAMPLES
from tillerlens.core.measurement import Measurement
from tillerlens.core.shot_file import read_shot
from tillerlens.measure import measure_photo
from tillerlens.photo.intake import read_photo

NAME = "heron-drawn-23"
SWATH_MM, PAST_TIP_MM = 34.0, 60.0


def with_upper_tip_hidden(mm: float, px_per_mm: float) -> Measurement:
    """The sample measured with the last ``mm`` of its upper limb painted over with what surrounds it."""
    photo = read_photo(SAMPLES / f"{NAME}.jpg")
    shot = read_shot(SAMPLES / f"{NAME}.shot.json", photo.name, (photo.width, photo.height))
    outline = json.loads((SAMPLES / f"{NAME}.truth.json").read_text())["outline_px"]
    middle = (np.array(outline["back"]) + np.array(outline["belly"])) / 2
    along = np.r_[0, np.cumsum(np.linalg.norm(np.diff(middle, axis=0), axis=1))] / px_per_mm
    outward = (middle[0] - middle[5]) / np.linalg.norm(middle[0] - middle[5])
    hidden = np.vstack([middle[0] + outward * PAST_TIP_MM * px_per_mm, middle[along < mm]])
    mask = np.zeros(photo.rgb.shape[:2], np.uint8)
    cv2.polylines(mask, [np.round(hidden).astype(int)], False, 255, int(SWATH_MM * px_per_mm))
    painted = cv2.inpaint(cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2BGR), mask, 5, cv2.INPAINT_TELEA)
    return measure_photo(replace(photo, rgb=cv2.cvtColor(painted, cv2.COLOR_BGR2RGB)), shot)


@pytest.fixture(scope="module")
def px_per_mm() -> float:
    outline = json.loads((SAMPLES / f"{NAME}.truth.json").read_text())["outline_px"]
    shot = json.loads((SAMPLES / f"{NAME}.shot.json").read_text())
    middle = np.array(outline["centreline"])
    length_mm = 25.4 * shot["bow_length_nock_to_nock_in"]
    return float(np.linalg.norm(np.diff(middle, axis=0), axis=1).sum() / length_mm)


def test_which_tip_is_short_is_left_open_where_nothing_tells(px_per_mm: float) -> None:
    """The length says how much is missing, not at which end: the doubt of the limbs' difference is as large as its error."""
    truth = json.loads((SAMPLES / f"{NAME}.truth.json").read_text())["values"]["tip_height_difference"]
    found = with_upper_tip_hidden(50.0, px_per_mm)
    assert found.status == "measured"
    value = found.values["tip_height_difference"]
    assert abs(value.value - truth) < 2.5 * value.u < 100


def test_a_nock_further_out_than_the_limb_was_seen_to_go_is_asked_for(px_per_mm: float) -> None:
    """Carried on no further than the curve reaches, such a nock would stand in the wrong place without a word."""
    found = with_upper_tip_hidden(70.0, px_per_mm)
    assert found.status == "needs_help"
    reason = found.reasons[0]
    assert "short of its nock" in reason.text and "Click the upper nock" in reason.remedy
    assert reason.asks is not None and reason.asks.wants == "nock_upper" and reason.asks.place_px is not None
