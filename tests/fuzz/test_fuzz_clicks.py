"""Clicks, marks, edges and sizes of every kind on one real picture: measured, asked or refused, never a fault of the program."""

from __future__ import annotations

import io
import json
import math
from functools import cache

from hypothesis import strategies as st
from PIL import Image

from tests.fuzz.trying import try_out
from tests.support.against_truth import SAMPLES
from tillerlens.core.errors import TillerLensError
from tillerlens.core.measurement import Measurement
from tillerlens.core.shot_file import read_shot
from tillerlens.core.unforeseen import caught
from tillerlens.measure import measure_photo
from tillerlens.photo.intake import read_photo
from tillerlens.photo.scale import fit_scale
from tillerlens.trace.reading import prepare

NAME, LONG_PX = "heron-drawn-27", 1200


@cache
def subject():
    """A sample made smaller, what it gives before anything is clicked, its shot, and where nocks, handle and hook really are."""
    with Image.open(SAMPLES / f"{NAME}.jpg") as image:
        k = LONG_PX / max(image.size)
        small = image.resize((round(image.width * k), round(image.height * k)), Image.Resampling.LANCZOS)
        out = io.BytesIO()
        small.save(out, "JPEG", quality=92)
    photo = read_photo(out.getvalue(), f"{NAME}.jpg")
    form = json.loads((SAMPLES / f"{NAME}.shot.json").read_text())
    truth = json.loads((SAMPLES / f"{NAME}.truth.json").read_text())["outline_px"]
    true = {name: tuple((v + 0.5) * k - 0.5 for v in truth[name]) for name in ("nock_upper", "nock_lower", "handle", "hook")}
    edges = {side: [[(v + 0.5) * k - 0.5 for v in at] for at in truth[side][20:-20:40]] for side in ("back", "belly")}
    return photo, prepare(photo), {n: v for n, v in form.items() if n not in ("marks_px", "clicks", "photo")}, true, edges


@cache
def fit_of_tags():
    photo, _, form, _, _ = subject()
    return fit_scale(photo, read_shot(form))


def anywhere():
    photo = subject()[0]
    w, h = photo.width, photo.height
    inside = st.tuples(st.floats(-0.5, w - 0.5), st.floats(-0.5, h - 0.5))
    odd = st.sampled_from([0.0, -0.5, 1e300, -1e300, math.nan, math.inf, w - 0.5, 1e6, 5e-324])
    return st.one_of(inside, inside, inside, st.tuples(odd, st.floats(0, h)), st.tuples(st.floats(0, w), odd))


@st.composite
def near(draw, at):
    """A place some pixels off ``at``, as a finger is; or one on a bow's other places; or anywhere."""
    true = subject()[3]
    reach = draw(st.sampled_from([3.0] * 8 + [0.0, 15.0, 60.0, 250.0]))
    off = st.floats(-reach, reach)
    where = draw(st.integers(0, 49))
    if where == 0:
        at = draw(st.sampled_from(sorted(true.values())))
    elif where == 1:
        return draw(anywhere())
    return at[0] + draw(off), at[1] + draw(off)


@st.composite
def shots(draw):
    photo, _, base, true, edges = subject()
    form = json.loads(json.dumps(base))
    chosen = draw(st.sets(st.sampled_from(sorted(true))))
    form["clicks"] = {name: list(draw(near(true[name]))) for name in sorted(chosen)}
    if draw(st.integers(0, 49)) == 0:
        form["clicks"][draw(st.sampled_from(["nose", "Nock_upper", ""]))] = list(draw(anywhere()))
    form["set_by_hand"] = sorted(draw(st.sets(st.sampled_from(sorted(chosen)))) if chosen else ())
    if draw(st.booleans()):
        sides = draw(st.sets(st.sampled_from(["back", "belly"]), min_size=1))
        form["edges_px"] = {
            side: [list(draw(near(draw(st.sampled_from(edges[draw(st.sampled_from([side, side, "back", "belly"]))])))))]
            * draw(st.integers(1, 2))
            + [list(draw(near(draw(st.sampled_from(edges[side]))))) for _ in range(draw(st.integers(0, 6)))]
            for side in sides
        }
    if draw(st.integers(0, 4)) == 0:
        form["state"] = draw(st.sampled_from(["unstrung", "braced", "drawn"]))
    if draw(st.integers(0, 9)) == 0:
        form["upper_limb"], form["back"] = draw(
            st.sampled_from([("left", "down"), ("right", "up"), ("top", "left"), ("left", "left")])
        )
    if draw(st.integers(0, 3)) == 0:
        form["handle_in"] = draw(st.sampled_from([0, 0.001, 0.5, 1, 20, 33]))
    if draw(st.integers(0, 5)) == 0:
        form["bow_length_nock_to_nock_in"] = draw(st.one_of(st.floats(60, 70), st.floats(20, 100)))
    if draw(st.integers(0, 5)) == 0:
        form["standoff_in"], form["standoff_u_in"] = (
            draw(st.one_of(st.floats(0, 4), st.floats(-24, 36))),
            draw(st.sampled_from([0, 6])),
        )
    if draw(st.integers(0, 5)) == 0:
        form["limb_width_in"], form["handle_thickness_in"] = draw(st.floats(0.2, 6)), draw(st.floats(0.2, 6))
        form["upper_limb_length_in"] = draw(st.one_of(st.floats(30, 37), st.floats(6, 80)))
    kind = draw(st.sampled_from(["aruco"] * 5 + ["two_marks", "tape", "stick", "four_marks", "bow_length"]))
    apart = draw(st.one_of(st.floats(75, 85), st.floats(75, 85), st.floats(2, 240)))
    w, h = photo.width, photo.height
    corners = [(0.1 * w, 0.2 * h), (0.9 * w, 0.2 * h), (0.9 * w, 0.8 * h), (0.1 * w, 0.8 * h)]
    if kind in ("two_marks", "stick"):
        form["scale"] = {"kind": kind, "marks_apart_in": apart}
    elif kind == "tape":
        form["scale"] = {"kind": kind, "length_in": apart}
    elif kind == "four_marks":
        form["scale"] = {"kind": kind, "width_in": apart, "height_in": draw(st.one_of(st.just(0.6 * apart), st.floats(2, 240)))}
        form["scale"]["height_in"] = max(2.0, form["scale"]["height_in"])
    elif kind == "bow_length":
        form["scale"] = {"kind": kind}
    if kind not in ("aruco", "bow_length"):
        form["marks_px"] = [list(draw(near(at))) for at in corners[: 4 if kind == "four_marks" else 2]]
    return form


measured = 0


def check(form):
    global measured
    photo, prepared, _, _, _ = subject()
    try:
        shot = read_shot(form)  # as it is read back from a record: without the picture's size
    except TillerLensError as error:
        assert error.text and error.remedy
        return
    before = caught()
    found = measure_photo(photo, shot, prepared=prepared, fit=fit_of_tags() if shot.scale.kind == "aruco" else None)
    assert caught() == before, found.reasons
    assert isinstance(found, Measurement) and found.status in ("measured", "needs_help", "refused")
    assert found.status == "measured" or found.reasons
    for reason in found.reasons:
        assert reason.text and reason.code != "unforeseen"
    json.dumps(found.as_document(), allow_nan=False)
    measured += found.status == "measured"


def test_any_clicks_are_measured_asked_about_or_refused():
    subject(), fit_of_tags()
    try_out("clicks", shots(), check, batch=25)
    print(f"of these, measured: {measured}")
