"""The page for one photograph: choose it, say what is known of it, see it measured."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import streamlit as st

from tillerlens.core.clicks import check_places
from tillerlens.core.document import as_json, as_rest, parse_documents
from tillerlens.core.errors import DocumentError, PhotoError, ShotError, TillerLensError
from tillerlens.core.json_form import JsonObject
from tillerlens.core.measurement import Measurement
from tillerlens.core.reading import parse_json, shown
from tillerlens.core.shot import Form
from tillerlens.core.shot_file import read_shot
from tillerlens.core.unforeseen import Unforeseen, net
from tillerlens.core.units import MM_PER_INCH
from tillerlens.photo.intake import Photo
from tillerlens.report.words.quantities import LengthUnit, Units, WeightUnit
from tillerlens.report.words.verdict import Wish
from tillerlens.ui import cache, fields
from tillerlens.ui.editor import EditorPoint, placed, show_editor
from tillerlens.ui.editor.found import focus_of, found_places, say_corrections, traced_curves
from tillerlens.ui.fields import PICTURES
from tillerlens.ui.result import Shown, can_be_pointed_at, show_result
from tillerlens.ui.text import plain
from tillerlens.ui.typed import hold_units, in_length, length_text, read_length, said, units_now

OWN = "my own photograph"
FIRST = "bramble-drawn-grid"  # shown at once, if it is there


@dataclass(frozen=True)
class Picked:
    """One photograph's bytes, its name for people, and the shot that came with it, if one did."""

    data: bytes
    name: str
    form: Mapping[str, Any] | None
    sample: str | None
    mark: str | None = None  # what tells this photograph from others; else its bytes, its shot and its sample's name


def show(samples: Path, title: bool = True) -> None:
    """The whole page. samples: folder of NAME.jpg with NAME.shot.json."""
    shop = units_now()
    st.session_state.setdefault("unit_length", shop.length)
    st.session_state.setdefault("unit_weight", shop.weight)
    hold_units(Units(st.session_state["unit_length"], st.session_state["unit_weight"]), anew=True)
    try:
        _show(samples, title)
    finally:
        hold_units(shop, anew=True)  # what else stands on the page is in the shop's units


def _show(samples: Path, title: bool) -> None:
    if title:
        st.title("One photo, not kept")
    st.markdown("One photograph of a bow, from the side: how its limbs bend, and how sure that is.")
    picked = _pick(samples)
    if picked is None:
        st.session_state.pop("filled", None)  # its fields are gone from the page, and so is what stood in them
        return
    top = st.container()
    _, found = look_at(picked, lambda: _rest(samples, picked), _settings, open_fields=picked.sample is None)
    if found is not None:
        show_result(found, top=top)


def look_at(
    picked: Picked,
    rest: Callable[[], Measurement | None],
    settings: Callable[[], tuple[Units, Wish]],
    open_fields: bool,
) -> tuple[Form | None, Shown | None]:
    """A photograph's fields, its editor and its measurement: the form as it stands, and what was measured, if anything was.

    rest: gives the measurement of the same bow unstrung, and may ask for it; settings: units and wish, likewise. Nothing
    of the result is shown yet. No form: the photograph cannot be used, and it was said why.
    """
    try:
        with net("showing", shown(picked.name)):
            return _look_at(picked, rest, settings, open_fields)
    except (PhotoError, Unforeseen) as error:
        st.error(plain(said(error)))
        return None, None


def _look_at(
    picked: Picked,
    rest: Callable[[], Measurement | None],
    settings: Callable[[], tuple[Units, Wish]],
    open_fields: bool,
) -> tuple[Form | None, Shown | None]:
    photo = cache.decoded(picked.data, picked.name)
    _fill_once(picked)
    with st.expander("What you know about this photograph", expanded=open_fields):
        form, bad = fields.ask()
        at_rest = rest()
    form, bench = _point(photo, form)
    units, wish = settings()
    asked = _asked(picked, form, bad, (photo.width, photo.height))
    found = None if asked is None else _measure(picked, asked, at_rest, units, wish)
    if bench is not None:
        with bench:
            _edit(photo, form, None if found is None else found.measurement, units)
        cache.let_it_show()
    return form, found


def point_at(picked: Picked, form: Form) -> tuple[Form, Callable[[Measurement | None, Units], None]]:
    """The photograph's form with the places that were pointed at, and what shows the photograph to point at, once it is measured.

    For a photograph whose fields stand elsewhere. Raises PhotoError.
    """
    photo = cache.decoded(picked.data, picked.name)
    _fill_once(picked)
    place = st.container()
    with place:
        form, bench = _point(photo, form)

    def edit(measurement: Measurement | None, units: Units) -> None:
        if measurement is not None:
            _offer_help(measurement)
        if bench is not None:
            with bench:
                _edit(photo, form, measurement, units)
            cache.let_it_show()

    return form, edit


# --- the photograph


def _pick(samples: Path) -> Picked | None:
    names = sorted(p.stem for p in samples.glob("*.jpg") if p.with_suffix(".shot.json").exists())
    choices = [*names, OWN]
    first = names.index(FIRST) if FIRST in names else 0
    chosen = st.selectbox("Photograph", choices, first, format_func=_title, key="which")
    if chosen != OWN:
        st.caption("An invented bow and a made-up picture, to show what TillerLens does.")
        form = json.loads((samples / f"{chosen}.shot.json").read_text(encoding="utf-8"))
        return Picked((samples / f"{chosen}.jpg").read_bytes(), f"{chosen}.jpg", form, chosen)
    left, right = st.columns(2)
    upload = left.file_uploader("Photograph (JPEG, PNG or HEIC)", PICTURES, key="photo")
    shot = right.file_uploader("Its shot file, if you have one", ["json"], key="its_shot")
    if upload is None:
        st.info("Use the phone's original file. The whole bow and the marks that give the scale must be in it.")
        return None
    return Picked(upload.getvalue(), upload.name, None if shot is None else _shot_form(shot), None)


def _title(name: str) -> str:
    return name if name == OWN else "sample: " + name.replace("-", " ")


def _shot_form(upload: Any) -> Mapping[str, Any] | None:
    """A shot file's form, if it is one; else the trouble is said and the fields stay empty."""
    try:
        form = parse_json(upload.getvalue())
    except ValueError as error:
        why = plain(str(error))
        st.error(f"That isn't a shot file: it is not JSON ({why}). Save it again from here, or fill the fields.")
        return None
    if not isinstance(form, dict):
        st.error("That isn't a shot file: it holds no named fields. Save it again from here, or fill the fields.")
        return None
    try:
        read_shot(form)
    except ShotError as error:
        st.error(plain(said(error)))
        return None
    return form


def _fill_once(picked: Picked) -> None:
    """The fields follow the photograph and its shot file once; after that they are the bowyer's."""
    text = json.dumps([picked.sample, picked.form], sort_keys=True)
    mark = picked.mark or hashlib.sha256(picked.data + text.encode()).hexdigest()
    if st.session_state.get("filled") != mark:
        st.session_state["left_out"] = fields.fill(picked.form or {})
        st.session_state["filled"] = mark
        st.session_state["asked"] = None
    if st.session_state.get("left_out"):
        st.warning(f"{st.session_state['left_out']} of the places kept with this photograph cannot be read and are left out.")


# --- settings of the reader


def _settings() -> tuple[Units, Wish]:
    with st.expander("Units and target tiller"):
        left, right = st.columns(2)
        lengths: list[LengthUnit] = ["sixteenths", "inches", "cm"]
        weights: list[WeightUnit] = ["lb", "kg"]
        length = left.selectbox(
            "Lengths in",
            lengths,
            format_func={
                "sixteenths": "inches and sixteenths",
                "inches": "inches, decimal",
                "cm": "centimetres",
            }.__getitem__,
            key="unit_length",
        )
        weight = right.selectbox("Weights in", weights, key="unit_weight")
        st.caption(Wish().usual(Units(length, weight)))
        low = _wish_field(left, "Least", 0.0, length)
        high = _wish_field(right, "Most", MM_PER_INCH / 4, length)
    if low is None or high is None or low > high:
        if low is not None and high is not None:
            st.error("The low end of the target is above the high end. The usual one is used.")
        return Units(length, weight), Wish()
    return Units(length, weight), Wish(low, high)


def _wish_field(column: Any, label: str, usual_mm: float, length: LengthUnit) -> float | None:
    text = column.text_input(in_length(label), length_text(usual_mm) or "0", key=f"wish_{label}_{length}")
    try:
        return read_length(text)
    except ShotError as error:
        column.error(plain(said(error)))
        return None


def _rest(samples: Path, picked: Picked) -> Measurement | None:
    """The measurement of the same bow unstrung: a sample's sister picture, or a file."""
    if picked.sample is not None:
        return _sister(samples, picked.sample)
    upload = st.file_uploader("The same bow unstrung: its measurement (JSON), if you have one", ["json"], key="rest_file")
    if upload is None:
        return None
    try:
        return as_rest(parse_documents(upload.getvalue(), shown(upload.name))[0], shown(upload.name))
    except DocumentError as error:
        st.error(plain(said(error)))
        return None


def _sister(samples: Path, name: str) -> Measurement | None:
    sister = next(iter(sorted(samples.glob(f"{name.split('-')[0]}-unstrung*.shot.json"))), None)
    stem = sister.name.removesuffix(".shot.json") if sister else name
    if sister is None or stem == name:
        return None
    label = f"Judge the bend against the same bow at rest ({_title(stem)})"
    if not st.checkbox(label, True, key=f"rest_{name}"):
        return None
    data, form = (samples / f"{stem}.jpg").read_bytes(), json.loads(sister.read_text(encoding="utf-8"))
    with st.spinner("Measuring the same bow at rest"):
        at_rest = cache.measured(data, f"{stem}.jpg", json.dumps(form, sort_keys=True), None)
    return at_rest.as_printed() if at_rest.status == "measured" else None


# --- what is known and pointed at


def _point(photo: Photo, form: Form) -> tuple[Form, Any]:
    """The form with its points, and the place on the page for the editor, where one is wanted."""
    state = st.session_state
    before = state.get("points", {})
    points = state["points"] = placed(photo, before, state["revision"])
    of = (photo.sha256, state["revision"])
    known = state["by_hand"][1] if state.get("by_hand", (None,))[0] == of else frozenset()
    by_hand = (known | {name for name, at in points.items() if before.get(name) != at}) & set(points)
    state["by_hand"] = (of, by_hand)
    missing = [name for name, _ in fields.marks_wanted(form, help_too=False) if name not in points]
    pointed = fields.with_points(form, points, by_hand)
    amiss = None if missing else _amiss(pointed, (photo.width, photo.height))
    key = f"pointing_{photo.sha256[:16]}"
    # brought once for each scale, and for each trouble with the places; who puts it away again is not argued with
    scale, trouble = (photo.sha256, form["scale"]["kind"]), (photo.sha256, amiss)
    if state.pop("help_wanted", None) == photo.sha256:
        state[key] = True
    if (missing and state.get("pointed_for") != scale) or (amiss and state.get("pointed_amiss") != trouble):
        state[key] = True
    state["pointed_for"], state["pointed_amiss"] = scale, trouble
    bench = None
    if st.toggle("Point at the marks and the bow", key=key):
        bench = st.container()
    elif missing:
        st.caption("Point at this scale's marks first.")
    return pointed, bench


def _amiss(form: Form, size: tuple[int, int]) -> str | None:
    """What cannot be right with the places pointed at, in a sentence."""
    try:
        shot = read_shot(form)
    except ShotError:
        return None  # a field above, which says so itself
    try:
        check_places(shot, size)
    except ShotError as error:
        return plain(said(error))
    return None


def _edit(photo: Photo, form: Form, measurement: Measurement | None, units: Units) -> None:
    """The photograph with its points, what was found on it, and what the person changed."""
    state = st.session_state
    points, found = state["points"], _found(photo, points=state["points"], measurement=measurement)
    wanted = [*fields.marks_wanted(form, help_too=True), *fields.edges_wanted(points)]
    places = [EditorPoint(name, fields.role_of(name), label, found.get(name)) for name, label in wanted]
    curves = () if measurement is None else traced_curves(measurement)
    focus = None if measurement is None else focus_of(measurement, [name for name, _ in wanted], points)
    show_editor(photo, places, points, state["revision"], curves, focus)
    if measurement is not None:
        labels = {name: label for name, label in wanted if name in fields.CLICKS}
        for sentence in say_corrections(labels, points, found, measurement, units):
            st.caption(plain(sentence))
    st.caption(
        "Set nocks, handle and hook only where they are missing or wrong. Where a traced line misses a limb's edge, "
        "choose that edge below the picture and tap where it really runs."
    )


def _found(photo: Photo, points: Mapping[str, Any], measurement: Measurement | None) -> Mapping[str, Any]:
    """Where each place was seen without the person's help, remembered from the measurements of this photograph."""
    kept: JsonObject = st.session_state.get("found", {})
    if kept.get("photo") != photo.sha256:
        kept = {"photo": photo.sha256, "places": {}}
    if measurement is not None:
        asked = {} if measurement.shot is None else measurement.shot.clicks
        kept["places"] |= {name: at for name, at in found_places(measurement).items() if name not in asked}
    st.session_state["found"] = kept
    places: Mapping[str, Any] = kept["places"]
    return places


def _asked(picked: Picked, form: Form, bad: list[str], size: tuple[int, int]) -> str | None:
    """The shot that is to be measured, as JSON: the sample's or file's own at once, moved points at once, others when the
    button says so.
    """
    state = st.session_state
    text = json.dumps(form, sort_keys=True)
    trouble = _trouble(form, bad, size)
    if trouble is None and (_unpointed(state["asked"]) == _unpointed(text) or (not state["asked"] and picked.form is not None)):
        state["asked"] = text  # a point that was moved is followed at once
    if state["asked"] != text:
        amiss = None if bad else _amiss(form, size)
        changed = "The fields have changed since this was measured." if state["asked"] else ""
        if amiss is not None:
            st.warning(amiss)
        else:
            st.caption(trouble or changed)
        if st.button("Measure", type="primary", key="measure"):  # never disabled, or a click right after typing would be lost
            if trouble is None:
                state["asked"] = text
                st.rerun()
            st.error(trouble)
    asked: str | None = state["asked"]
    return asked


def _unpointed(shot: str | None) -> Form | None:
    """The shot without what was pointed at."""
    return None if shot is None else {k: v for k, v in json.loads(shot).items() if k not in fields.POINTED}


def _trouble(form: Form, bad: list[str], size: tuple[int, int]) -> str | None:
    """Why this cannot be measured yet, in a sentence."""
    if bad:
        return f"{len(bad)} of the fields above still {'needs' if len(bad) == 1 else 'need'} a look."
    try:
        read_shot(form, photo_size=size)
    except ShotError as error:
        return plain(said(error))
    return None


def _measure(picked: Picked, shot: str, rest: Measurement | None, units: Units, wish: Wish) -> Shown | None:
    rest_text = None if rest is None else as_json(rest)
    try:
        text = f"Measuring {plain(picked.name)}: marks, bow, edges, bend"
        with net("measuring", shown(picked.name)), st.spinner(text, show_time=True):
            measurement = cache.measured(picked.data, picked.name, shot, rest_text)
    except TillerLensError as error:
        st.error(plain(said(error)))
        return None
    _offer_help(measurement)
    earlier = rest.values.get("reflex") if rest is not None and measurement.state == "unstrung" else None
    return Shown(picked.data, picked.name, shot, rest_text, measurement, units, wish, earlier)


def _offer_help(measurement: Measurement) -> None:
    """Bring the photograph to point at, once for each photograph that asks."""
    sha256 = measurement.photo.sha256
    offered = st.session_state.setdefault("help_offered", set())
    if can_be_pointed_at(measurement) and sha256 not in offered:
        offered.add(sha256)
        st.session_state["help_wanted"] = sha256
        st.rerun()
