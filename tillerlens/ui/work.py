"""The app's memory: photographs decoded, measured and drawn once, keyed on the bytes that they came from."""

from __future__ import annotations

import io
import json
import time
from collections.abc import Callable
from typing import Any

import streamlit as st
from PIL import Image

from tillerlens.document import check_same_bow
from tillerlens.errors import ScaleError
from tillerlens.measure import Prepared, Remembered, measure_photo, prepare
from tillerlens.measurement import Measurement
from tillerlens.mechanics.evidence import check_rest
from tillerlens.photo.camera import CameraFit
from tillerlens.photo.intake import Photo, read_photo
from tillerlens.photo.scale import fit_scale
from tillerlens.report.lengths import Units
from tillerlens.report.overlay import draw_overlay
from tillerlens.shot import Shot, read_shot
from tillerlens.trace.read import TraceRead


def let_it_show() -> None:
    """Give the server's own thread the time to send what was just put on the page: it waits its turn while a page's run works on,
    so that what is there already would show half a second later, with the last chart."""
    time.sleep(0.05)


@st.cache_resource(max_entries=2, show_spinner=False)  # 150 MB each at 48 megapixels
def decoded(data: bytes, name: str) -> Photo:
    """The photograph; its array is read-only, so sharing it is harmless. Raises PhotoError."""
    return read_photo(data, name)


@st.cache_resource(max_entries=2, show_spinner=False)
def prepared(data: bytes, name: str) -> Prepared:
    """What the photograph gives before anything is known of the bow, so that a moved point costs only what hangs on it."""
    return prepare(decoded(data, name))


@st.cache_resource(max_entries=8, show_spinner=False)
def fitted(data: bytes, name: str, scale_json: str, _shot: Shot) -> CameraFit:
    """The camera; ``scale_json`` holds all of the shot that it hangs on. Raises ScaleError."""
    return fit_scale(decoded(data, name), _shot)


def _of_scale(form: dict[str, Any]) -> str:
    nocks = form.get("clicks") if form["scale"]["kind"] == "bow_length" else None
    length = (form["state"], form["bow_length_nock_to_nock_in"]) if nocks else None
    return json.dumps([form["scale"], form.get("marks_px"), nocks, length], sort_keys=True)


@st.cache_resource(max_entries=4, show_spinner=False)
def _traced(data: bytes, name: str, of: str, _read: Callable[[], TraceRead]) -> TraceRead:
    return _read()


def _remembered(data: bytes, name: str, form: dict[str, Any]) -> Remembered:
    """Traces of this shot, read once for all states and hooks; a refusal is not remembered."""
    clicks = {name: at for name, at in form.get("clicks", {}).items() if name != "hook"}
    of = {k: v for k, v in form.items() if k != "state"} | {"clicks": clicks, "camera": _of_scale(form)}
    return lambda how, read: _traced(data, name, json.dumps([of, how], sort_keys=True), read)


@st.cache_resource(max_entries=12, show_spinner=False)
def measured(data: bytes, name: str, shot_json: str, rest_json: str | None) -> Measurement:
    """The measurement of these bytes under this shot. Raises PhotoError, ShotError, and for a shape at rest that does not fit
    MechanicsError and DocumentError."""
    photo = decoded(data, name)
    shot = read_shot(json.loads(shot_json), photo_size=(photo.width, photo.height))
    rest: dict[str, Any] | None = json.loads(rest_json) if rest_json else None
    if rest is not None:
        check_rest(rest)
        check_same_bow(rest, shot)
    try:
        fit = fitted(data, name, _of_scale(shot.as_dict()), shot)
    except ScaleError:
        return measure_photo(photo, shot, rest)  # meets the same refusal and says it as a measurement does
    return measure_photo(photo, shot, rest, prepared(data, name), fit, _remembered(data, name, shot.as_dict()))


@st.cache_data(max_entries=8, show_spinner=False)
def overlay(
    data: bytes, name: str, shot_json: str, rest_json: str | None, units: Units, close: bool, form: str
) -> bytes:
    """The drawn-over photograph as a file. form: JPEG for the screen, PNG to keep."""
    picture = draw_overlay(
        decoded(data, name).rgb,
        measured(data, name, shot_json, rest_json),
        units=units,
        close=close,
        rest=json.loads(rest_json) if rest_json else None,
    )
    out = io.BytesIO()
    if form == "PNG":
        Image.fromarray(picture).save(out, form)
    else:
        Image.fromarray(picture).save(out, form, quality=88, subsampling=0)
    return out.getvalue()
