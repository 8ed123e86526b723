"""The app's memory: photographs decoded, measured and drawn once, keyed on the bytes that they came from."""

from __future__ import annotations

import io
import json
import time
from collections.abc import Callable
from dataclasses import replace

import streamlit as st
from PIL import Image

from tillerlens.core.document import check_same_bow, from_json
from tillerlens.core.errors import Reason, ScaleError
from tillerlens.core.measurement import Measurement
from tillerlens.core.shot import Form, Shot
from tillerlens.core.shot_file import read_shot
from tillerlens.measure import Remembered, measure_photo
from tillerlens.mechanics.evidence import check_rest
from tillerlens.photo.camera import CameraFit
from tillerlens.photo.intake import Photo, read_photo
from tillerlens.photo.scale import fit_scale
from tillerlens.report.overlay import draw_overlay
from tillerlens.report.words.quantities import Units
from tillerlens.trace.reading import Prepared, prepare
from tillerlens.trace.trace import Trace
from tillerlens.ui.queue import MEASURING, in_turn

THUMBNAIL_PX = 640


def let_it_show() -> None:
    """Give the server's own thread the time to send what was just put on the page: it waits its turn while a page's run works on,
    so that what is there already would show half a second later, with the last chart."""
    time.sleep(0.05)


# What takes long is done in a turn, by a remembered function that refuses to begin outside one. So what is remembered is there at
# once however many measure. And since whoever makes a remembered value, and holds its lock, has a turn or needs none, nobody with
# a turn ever waits for somebody without.


@st.cache_resource(max_entries=2, show_spinner=False)  # at 48 megapixels 150 MB each
def decoded(data: bytes, name: str) -> Photo:
    """The photograph; its array is read-only, so sharing it is harmless. Raises PhotoError."""
    return read_photo(data, name)  # needs no turn: pictures are decoded one at a time, and a page needs this one to show anything


@st.cache_resource(max_entries=2, show_spinner=False)  # at 48 megapixels 450 MB each
def _prepared(data: bytes, name: str, _photo: Photo) -> Prepared:
    """What the photograph gives before anything is known of the bow: moving a point recomputes only what depends on it."""
    MEASURING.require()
    return prepare(_photo)


@st.cache_resource(max_entries=100, show_spinner=False)
def _doubts(data: bytes, name: str, _photo: Photo) -> tuple[Reason, ...]:
    MEASURING.require()
    return _prepared(data, name, _photo).doubts


def doubts(data: bytes, name: str) -> tuple[Reason, ...]:
    """What is amiss with the photograph itself. Raises PhotoError."""
    photo = decoded(data, name)
    return in_turn(lambda: _doubts(data, name, photo))


@st.cache_resource(max_entries=8, show_spinner=False)
def _fitted(data: bytes, name: str, scale_json: str, _shot: Shot, _photo: Photo) -> CameraFit:
    """The camera; ``scale_json`` holds everything of the shot that it depends on. Raises ScaleError."""
    MEASURING.require()
    return fit_scale(_photo, _shot)


def _of_scale(form: Form) -> str:
    nocks = form.get("clicks") if form["scale"]["kind"] == "bow_length" else None
    length = (form["state"], form["bow_length_nock_to_nock_in"]) if nocks else None
    return json.dumps([form["scale"], form.get("marks_px"), nocks, length], sort_keys=True)


@st.cache_resource(max_entries=8, show_spinner=False)
def _traced(data: bytes, name: str, of: str, _read: Callable[[], Trace]) -> Trace:
    return _read()


def _remembered(data: bytes, name: str, form: Form) -> Remembered:
    """Traces of this shot, read once for all states and hooks; a refusal is not remembered."""
    clicks = {name: at for name, at in form.get("clicks", {}).items() if name != "hook"}
    of = {k: v for k, v in form.items() if k != "state"} | {"clicks": clicks, "camera": _of_scale(form)}
    return lambda how, read: _traced(data, name, json.dumps([of, how], sort_keys=True), read)


# What the measuring never looks at: a changed weight measures nothing anew.
_BESIDE = ("scale_reading_lb", "minutes_since_unstrung", "notes")


@st.cache_resource(max_entries=100, show_spinner=False)  # 0.1 MB each
def _measured(data: bytes, name: str, shot_json: str, rest_json: str | None) -> Measurement:
    MEASURING.require()
    photo = decoded(data, name)
    shot = read_shot(json.loads(shot_json), photo_size=(photo.width, photo.height))
    rest = from_json(rest_json)
    if rest is not None:
        check_rest(rest)
        check_same_bow(rest, shot)
    try:
        fit = _fitted(data, name, _of_scale(shot.as_dict()), shot, photo)
    except ScaleError:
        return measure_photo(photo, shot, rest)  # meets the same refusal and says it as a measurement does
    return measure_photo(photo, shot, rest, _prepared(data, name, photo), fit, _remembered(data, name, shot.as_dict()))


def measured(data: bytes, name: str, shot_json: str, rest_json: str | None) -> Measurement:
    """The measurement of these bytes under this shot. Raises PhotoError and ShotError."""
    whole, bare = _apart(shot_json)
    return _with(in_turn(lambda: _measured(data, name, bare, rest_json)), whole)


def _apart(shot_json: str) -> tuple[Form, str]:
    form = json.loads(shot_json)
    return form, json.dumps({k: v for k, v in form.items() if k not in _BESIDE}, sort_keys=True)


def _with(measurement: Measurement, form: Form) -> Measurement:
    """The measurement under the whole shot. Raises ShotError where what stands beside it makes no sense."""
    return replace(measurement, shot=read_shot(form, photo_size=measurement.photo.size))


@st.cache_resource(max_entries=100, show_spinner=False)
def _measured_by_hash(sha256: str, name: str, bare: str, rest_json: str | None, _read: Callable[[], bytes]) -> Measurement:
    MEASURING.require()
    return _measured(_read(), name, bare, rest_json)


def measured_by_hash(sha256: str, name: str, shot_json: str, rest_json: str | None, read: Callable[[], bytes]) -> Measurement:
    """The same for one of many pictures: its bytes are read only where it was not measured so before."""
    whole, bare = _apart(shot_json)
    return _with(in_turn(lambda: _measured_by_hash(sha256, name, bare, rest_json, read)), whole)


@st.cache_resource(max_entries=100, show_spinner=False)
def _shows(sha256: str, name: str, scale_json: str, _form: Form, _data: bytes) -> bool:
    MEASURING.require()
    try:
        _fitted(_data, name, scale_json, read_shot(_form), decoded(_data, name))
    except ScaleError:
        return False
    return True


def shows(sha256: str, name: str, data: bytes, form: Form) -> bool:
    """Whether the marks that this form's scale names are seen in the picture. Raises PhotoError."""
    return in_turn(lambda: _shows(sha256, name, _of_scale(form), form, data))


@st.cache_data(max_entries=100, show_spinner=False)
def _small(sha256: str, _read: Callable[[], bytes], name: str) -> bytes:
    photo = Image.fromarray(decoded(_read(), name).rgb)
    photo.thumbnail((THUMBNAIL_PX, THUMBNAIL_PX), Image.Resampling.LANCZOS, reducing_gap=2.0)
    out = io.BytesIO()
    photo.save(out, "JPEG", quality=85)
    return out.getvalue()


def small(sha256: str, name: str, read: Callable[[], bytes]) -> bytes:
    """A small JPEG of a picture. Raises PhotoError."""
    return _small(sha256, read, name)


@st.cache_data(max_entries=24, show_spinner=False)  # 1 to 3 MB each
def _overlay(data: bytes, name: str, shot_json: str, rest_json: str | None, units: Units, close: bool, form: str) -> bytes:
    MEASURING.require()
    whole, bare = _apart(shot_json)
    measurement = _with(_measured(data, name, bare, rest_json), whole)
    picture = draw_overlay(decoded(data, name).rgb, measurement, units=units, close=close, rest=from_json(rest_json))
    out = io.BytesIO()
    if form == "PNG":
        Image.fromarray(picture).save(out, form)
    else:
        Image.fromarray(picture).save(out, form, quality=88, subsampling=0)
    return out.getvalue()


def overlay(data: bytes, name: str, shot_json: str, rest_json: str | None, units: Units, close: bool, form: str) -> bytes:
    """The drawn-over photograph as a file. form: JPEG for the screen, PNG to keep."""
    return in_turn(lambda: _overlay(data, name, shot_json, rest_json, units, close, form))
