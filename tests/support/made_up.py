"""Measurements made up from the samples' truth files, for testing what is drawn and said.

THE UNCERTAINTIES ARE INVENTED and nothing here was measured: the pipeline has tests of its own.
"""

import json
from pathlib import Path

import cv2
import numpy as np

from tillerlens.core.errors import Reason
from tillerlens.core.measurement import (
    LIMBS,
    BellyColour,
    BellyLimb,
    FrontView,
    GapRow,
    LimbProfile,
    Measurement,
    PhotoId,
    Spot,
    TracedBow,
    Value,
    Width,
)
from tillerlens.core.shot_file import known_shot
from tillerlens.photo.intake import read_photo

SAMPLES = Path(__file__).parents[2] / "samples"
SPOT_MM = 300.0  # from the nock


def sample_photo(name="heron-drawn-27"):
    return read_photo(SAMPLES / f"{name}.jpg")


def mm(value, u=0.5):
    return Value(value, u, "mm", {"edge": 0.6 * u, "standoff": 0.8 * u})


def gap_row(at_mm, upper, lower, u=0.2):
    return GapRow(at_mm, mm(upper), mm(lower), mm(upper - lower, u))


def measured(state="drawn", values=None, gaps=(), spots=(), shot=None, profile=None, reasons=()):
    """A measurement with only what a sentence needs."""
    unsaid = {"upper_limb": "left", "back": "up", "scale": {"kind": "bow_length"}}
    shot = known_shot({"state": state, "bow_length_nock_to_nock_in": 66.0, "handle_in": 8.0, **unsaid, **(shot or {})})
    return Measurement("measured", state, tuple(reasons), values or {}, tuple(gaps), profile or {}, tuple(spots), shot=shot)


def front(state="braced", values=None):
    """A front view with only what a sentence needs: the limbs bend most 10 in from the handle."""
    place = np.zeros((1, 2))
    view = FrontView("belly", (Width("upper", 100.0, mm(30.0)),), place, place, place, np.zeros((2, 2)), np.zeros(2))
    evidence = {"bend_at_mm": {"upper": 254.0, "lower": 254.0}}
    return Measurement("measured", state, values=values or {}, front=view, evidence=evidence)


def belly(upper=45.0, lower=45.0, patches=()):
    """A heat-treated belly, each limb evenly dark but for these patches."""
    at = np.arange(40.0, 600.0, 10.0)
    limbs = [
        BellyLimb(limb, at, np.full(at.shape, v), np.full(at.shape, 1.0)) for limb, v in zip(LIMBS, (upper, lower), strict=True)
    ]
    return BellyColour("paper", 1.5, tuple(limbs), tuple(patches))


def asking(state="drawn"):
    """Nothing found, clicks wanted."""
    reason = Reason("needs_help", "Two things look like the bow.", "Click the upper nock, the lower nock and the handle.")
    return Measurement("needs_help", state, (reason,))


def spot(
    kind="hinge",
    limb="lower",
    from_nock_mm=SPOT_MM,
    bend_percent=25.0,
    u_percent=4.0,
    confidence=0.95,
    at=(0, 0),
):
    return Spot(limb, kind, from_nock_mm, 75.0, bend_percent, u_percent, confidence, at)


def from_truth(name="heron-drawn-27", spots=True):
    """The sample's truth as a measurement, with a hinge and a stiff place that the bow does not have."""
    truth = json.loads((SAMPLES / f"{name}.truth.json").read_text())
    shot = json.loads((SAMPLES / f"{name}.shot.json").read_text())
    profile = {limb: _profile(truth, limb) for limb in LIMBS}
    values = {
        key: Value(v, 0.15, "deg", {"edge": 0.15}) if "angle" in key or "rock" in key else mm(v)
        for key, v in truth["values"].items()
    }
    gaps = [gap_row(g["from_handle_mm"], g["upper"], g["lower"]) for g in truth["gaps"]]
    marked = ()
    if spots:
        places = {limb: _at(profile[limb], SPOT_MM) for limb in LIMBS}
        marked = (
            spot("hinge", "lower", at=places["lower"]),
            spot("stiff", "upper", bend_percent=-15.0, confidence=0.7, at=places["upper"]),
        )
    return Measurement(
        "measured",
        truth["state"],
        (),
        values,
        tuple(gaps),
        profile,
        marked,
        _trace(truth),
        shot=known_shot(shot),
        photo=PhotoId(f"{name}.jpg"),
        version="made up",
    )


def _profile(truth, limb):
    p = {key: np.asarray(v, float)[::-1] for key, v in truth["profile"][limb].items()}  # nock first
    centre = np.asarray(truth["outline_px"]["centreline"])
    half = len(centre) // 2
    path = centre[:half] if limb == "upper" else centre[::-1][:half]
    reach = np.asarray(truth["outline_mm"]["centre"])
    reach = reach[:half] if limb == "upper" else reach[::-1][:half]
    s = np.r_[0, np.cumsum(np.hypot(*np.diff(reach, axis=0).T))]
    px = np.column_stack([np.interp(p["from_nock_mm"], s, path[:, k]) for k in (0, 1)])
    n = len(px)
    return LimbProfile(
        p["from_nock_mm"],
        p["curvature_per_m"],
        np.full(n, 0.04),
        p["thickness_mm"],
        np.full(n, 0.3),
        np.column_stack([np.interp(p["from_nock_mm"], s, reach[:, k]) for k in (0, 1)]),
        px,
        np.full(n, np.nan),
    )


def _at(profile, from_nock_mm):
    return tuple(float(np.interp(from_nock_mm, profile.from_nock_mm, profile.centre_px[:, k])) for k in (0, 1))


def _trace(truth):
    px = {key: np.asarray(v, float) for key, v in truth["outline_px"].items()}
    return TracedBow(
        px["back"],
        px["belly"],
        px["centreline"],
        np.stack([px["nock_upper"], px["nock_lower"]]),
        np.asarray(truth["outline_mm"]["centre"], float)[[0, -1]],
        None,
        px["handle"],
        px.get("hook"),
        _gap_lines(truth),
    )


def _gap_lines(truth):
    """Where each gap is measured: two a station, the upper limb's and the lower's."""
    bow = {key: np.asarray(v, float) for key, v in truth["outline_mm"].items()}
    px = {key: np.asarray(v, float) for key, v in truth["outline_px"].items()}
    to_px, _ = cv2.findHomography(
        np.concatenate([bow[k] for k in ("centre", "back", "belly")]),
        np.concatenate([px[k] for k in ("centreline", "back", "belly")]),
    )
    centre, belly, lines = bow["centre"], bow["belly"], []
    s = np.r_[0, np.cumsum(np.hypot(*np.diff(centre, axis=0).T))]
    middle = np.interp(0.0, -centre[:, 0], s)
    for gap in truth["gaps"]:
        for sign in (-1, 1):
            x, y = (float(np.interp(middle + sign * gap["from_handle_mm"], s, belly[:, k])) for k in (0, 1))
            chord = np.interp(-x, -centre[[0, -1], 0], centre[[0, -1], 1])
            lines.append(cv2.perspectiveTransform(np.array([[[x, y], [x, chord]]]), to_px)[0])
    return np.array(lines).reshape(-1, 2, 2)
