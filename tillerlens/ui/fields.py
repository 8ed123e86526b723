"""The fields for what the bowyer knows about a photograph, and their way to and from the shot file's form."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from contextlib import suppress
from typing import Any

import streamlit as st

from tillerlens.core.errors import ShotError
from tillerlens.core.reading import shown
from tillerlens.core.shot import Form, Point, as_point, is_number
from tillerlens.core.units import inches_from_mm, newtons_from_pounds, parse_quantity, pounds_from_newtons
from tillerlens.report.words.quantities import Units, in_units
from tillerlens.ui.editor import Role
from tillerlens.ui.rows import TAG_ROWS, ask_centres, put_tags
from tillerlens.ui.taped import ask_taped
from tillerlens.ui.text import plain
from tillerlens.ui.typed import as_text, in_length, in_weight, length_text, read_length, read_weight, said, units_now, weight_text

FACES = {"back": "to the back", "belly": "to the belly"}  # of the handle, that a draw is measured to
PICTURES = ["jpg", "jpeg", "png", "heic", "heif", "webp"]
STATES = {"unstrung": "unstrung", "braced": "braced", "drawn": "drawn"}
# From where the bow is seen; belly and back are front views, of a bow that isn't drawn.
SEEN_FROM = {"side": "side", "belly": "belly", "back": "back"}
SCALES = {
    "aruco": "printed tags",
    "grid": "a ruled grid",
    "lines_and_two_marks": "ruled lines and two marks",
    "four_marks": "four marks of a rectangle",
    "tape": "a tape",
    "two_marks": "two marks",
    "stick": "the pegs of a tillering stick",
    "bow_length": "nothing but the bow itself",
}
# What each kind of scale needs typed (file's field, label) and how many marks pointed at.
SCALE_FIELDS: dict[str, tuple[tuple[str, str], ...]] = {
    "aruco": (("side_in", "Side of a tag's black square"),),
    "grid": (("spacing_in", "From line to line"),),
    "lines_and_two_marks": (("spacing_in", "From line to line"), ("marks_apart_in", "From mark to mark")),
    "four_marks": (("width_in", "Rectangle's width"), ("height_in", "Rectangle's height")),
    "tape": (("length_in", "Length of tape between the two marks"),),
    "two_marks": (("marks_apart_in", "From mark to mark"),),
    "stick": (("marks_apart_in", "From mark to mark"), ("spacing_in", "From peg to peg, if known")),
    "bow_length": (),
}
SCALE_MARKS = {"lines_and_two_marks": 2, "four_marks": 4, "tape": 2, "two_marks": 2, "stick": 2}
# What a belly's lightness is read against, where the board bears no printed tags.
WHITES = {"white_paper": "white paper", "raw_wood": "wood that was not cooked"}
CLICKS = {"nock_upper": "upper nock", "nock_lower": "lower nock", "handle": "handle", "hook": "hook"}
_SIDES = {"left": "left", "right": "right", "top": "top", "bottom": "bottom"}
_FACES = {"up": "up", "down": "down", "left": "left", "right": "right"}
_OPTIONAL = {"spacing_in"}  # for the stick
HEATED = "The belly was heat-treated"
BRACE = ("brace_height_in", "Brace height, handle's belly to string")
DEEP = ("handle_thickness_in", "Handle's thickness, back to belly")
_MORE = (
    ("standoff_u_in", "Standoff ±"),
    ("limb_width_in", "Limbs' greatest width, near the fades"),
    DEEP,
    ("upper_limb_length_in", "Upper limb, handle's centre to nock"),
)
STANDOFF_FRONT_HELP = "How far the middle of the handle's thickness stands in front of the marks."
STANDOFF_HELP = (
    "How far the middle of the limb's width stands in front of the marks. Below zero where the marks are nearer the camera, as "
    "on a stick's pegs."
)
_LENGTHS = ("bow_length_nock_to_nock_in", "handle_in", "standoff_in", BRACE[0], *(name for name, _ in _MORE))
POINTED = ("marks_px", "clicks", "set_by_hand", "edges_px")  # a shot's fields that a person points at rather than types
_EDGE = "edge_"
MOST_EDGE_PLACES = 9
MOST_NUMBER = 1e7  # as the shot's schema has it for minutes
_SHOWN_IN = "shot_fields_in"  # the units that the fields' texts stand in


def fill(form: Mapping[str, Any]) -> int:
    """Put a shot into the fields, as far as they can show it; one kept by an earlier version may hold what none can.

    Must run before the fields are shown. Returns how many places that were pointed at are no places and were left out.
    """
    state = st.session_state
    scale = _mapping(form.get("scale"))
    for key in [k for k in state if str(k).startswith("shot_")]:
        del state[key]
    state["shot_state"] = _one_of(STATES, form.get("state"), "drawn")
    state["shot_seen_from"] = seen_from(form)
    state["shot_belly_heated"] = bool(form.get("belly_heated"))
    state["shot_upper_limb"] = _one_of(_SIDES, form.get("upper_limb"), "left")
    level = _is_level(state["shot_upper_limb"])
    faces = ("up", "down") if level else ("left", "right")
    state[f"shot_back_{level}"] = _one_of(faces, form.get("back"), faces[0])
    state["shot_kind"] = _one_of(SCALES, scale.get("kind"), "aruco")
    for name in _LENGTHS:
        state[f"shot_{name}"] = as_text(form.get(name))
    for name in {name for fields in SCALE_FIELDS.values() for name, _ in fields}:
        state[f"shot_{name}"] = as_text(scale.get(name))
    centres = {tag: as_point(at) for tag, at in _mapping(scale.get("centres_in")).items()}
    put_tags([(tag, as_text(at[0]), as_text(at[1])) for tag, at in centres.items() if at is not None])
    pounds, minutes = form.get("scale_reading_lb"), form.get("minutes_since_unstrung")
    state["shot_weight"] = weight_text(newtons_from_pounds(pounds)) if is_number(pounds) else ""
    state["shot_minutes"] = f"{minutes:g}" if is_number(minutes) else ""
    state[_SHOWN_IN] = units_now()
    state["kept"] = {"form": {k: v for k, v in form.items() if k not in ("photo", *POINTED)}}
    kept = {f"mark_{i}": at for i, at in enumerate(_list(form.get("marks_px")), start=1)}
    for side, places in _mapping(form.get("edges_px")).items():
        kept |= {f"{_EDGE}{side}_{i}": at for i, at in enumerate(_list(places), start=1)}
    kept |= _mapping(form.get("clicks"))
    points = {name: as_point(at) for name, at in kept.items() if name in (*CLICKS, *WHITES) or name.startswith(("mark_", _EDGE))}
    state["points"] = {name: at for name, at in points.items() if at is not None}
    state["revision"] = state.get("revision", 0) + 1
    return len(kept) - len(state["points"])


def _mapping(value: Any) -> Form:
    return {str(k): v for k, v in value.items()} if isinstance(value, Mapping) else {}


def _list(value: Any) -> list[Any]:
    return list(value) if isinstance(value, list | tuple) else []


def _one_of(choices: Collection[str], value: Any, usual: str) -> str:
    return value if isinstance(value, str) and value in choices else usual


def ask() -> tuple[Form, list[str]]:
    """Show the fields and read them: the shot's form without its points, and how many fields cannot be read.

    What cannot be read is said beside its field.
    """
    bad: list[str] = []
    state = st.session_state
    form: Form = {"version": 1}
    _in_other_units()
    left, right = st.columns(2)
    with left:
        front = _ask_view(form)
        put(form, "bow_length_nock_to_nock_in", "Bow's length along the back, nock to nock, not overall", bad, needed=True)
        put(form, "handle_in", "Stiff handle with its fades", bad, needed=True)
        form["upper_limb"] = st.segmented_control("Upper limb, in the picture", _SIDES, key="shot_upper_limb", required=True)
        if not front:
            level = _is_level(form["upper_limb"])
            faces = ("up", "down") if level else ("left", "right")
            form["back"] = st.segmented_control(
                "The back looks", faces, format_func=_FACES.__getitem__, key=f"shot_back_{level}", required=True
            )
            if form["back"] is None:
                form["back"] = faces[0]
        else:
            if form["state"] == "braced":
                put(form, *BRACE, bad)
            if form["facing"] == "belly" and st.checkbox(HEATED, key="shot_belly_heated"):
                form["belly_heated"] = True
        if form["state"] == "drawn":
            put(form, "scale_reading_lb", in_weight("Weight on the scale"), bad, "shot_weight", read_pounds)
        if form["state"] == "unstrung" and not front:
            put(form, "minutes_since_unstrung", "Minutes since unstringing", bad, "shot_minutes", read_number)
    with right:
        form["scale"] = ask_scale(bad)
        if form["scale"]["kind"] != "bow_length":
            note = STANDOFF_FRONT_HELP if front else STANDOFF_HELP
            put(form, "standoff_in", "Standoff, marks to bow", bad, needed=True, note=note)
        with st.expander("More, if you know it"):
            for name, label in _MORE:
                put(form, name, label, bad)
    kept = state.get("kept", {}).get("form", {})
    shown = {
        "state",
        "view",
        "facing",
        "belly_heated",
        "upper_limb",
        "back",
        "scale",
        "scale_reading_lb",
        "minutes_since_unstrung",
        *_LENGTHS,
    }
    return {**{k: v for k, v in kept.items() if k not in shown}, **form}, bad


def _ask_view(form: Form) -> bool:
    """State and view into the form; whether the view is a front view, which is of a bow that isn't drawn."""
    st.session_state.setdefault("shot_seen_from", "side")
    seen = st.segmented_control("Seen from", SEEN_FROM, key="shot_seen_from", required=True) or "side"
    states = [s for s in STATES if seen == "side" or s != "drawn"]
    if st.session_state.get("shot_state") not in states:
        st.session_state["shot_state"] = "braced"
    form["state"] = st.segmented_control("The bow is", states, key="shot_state", required=True)
    form |= view_fields(seen)
    return seen != "side"


def seen_from(form: Mapping[str, Any]) -> str:
    """Which of ``SEEN_FROM`` a shot's form says."""
    return _one_of(SEEN_FROM, form.get("facing"), "belly") if form.get("view") == "front" else "side"


def view_fields(seen: str) -> Form:
    """A shot's fields for one of ``SEEN_FROM``."""
    return {} if seen == "side" else {"view": "front", "facing": seen}


def _in_other_units() -> None:
    """Where the reader has chosen other units since the fields were filled, what stands in them is said in those."""
    state, now = st.session_state, units_now()
    was = state.get(_SHOWN_IN, now)
    state[_SHOWN_IN] = now
    if was == now:
        return
    lengths = [*_LENGTHS]
    lengths += [name for fields in SCALE_FIELDS.values() for name, _ in fields]
    keys = [f"shot_{name}" for name in lengths]
    keys += [f"{TAG_ROWS}_{row}_{at}" for row in range(state.get(f"{TAG_ROWS}_count", 0)) for at in (1, 2)]
    for key in keys:
        text = state.get(key, "")
        with suppress(ShotError):  # what cannot be read is said beside its field, as it was typed
            state[key] = length_text(read_length(text, was), now) if text.strip() else text
    with suppress(ShotError):
        text = state.get("shot_weight", "")
        state["shot_weight"] = weight_text(read_weight(text, was), now) if text.strip() else text


def ask_scale(bad: list[str]) -> Form:
    """The fields for what gives the scale; those that cannot be read go into ``bad``."""
    kind = st.selectbox("The scale comes from", list(SCALES), format_func=SCALES.__getitem__, key="shot_kind")
    scale: Form = {"kind": kind}
    for name, label in SCALE_FIELDS[kind]:
        put(scale, name, label, bad, needed=not (kind == "stick" and name in _OPTIONAL))
    if kind == "aruco":
        scale["centres_in"] = ask_centres(TAG_ROWS, None, bad)
        ask_taped()
    return scale


def put(
    form: Form,
    name: str,
    label: str,
    bad: list[str],
    key: str | None = None,
    read: Callable[[str], float] | None = None,
    needed: bool = False,
    note: str | None = None,
) -> None:
    """One text field; its number goes into the form, its trouble beneath it. Without ``read`` it is a length, and inches."""
    label = in_length(label) if read is None else label
    # said in the label: a line that goes once something is typed would move the button below from under the finger
    text = st.text_input(f"{label}, needed" if needed else label, key=key or f"shot_{name}")
    if note is not None:
        st.caption(note)
    if not text.strip():
        if needed:
            bad.append(name)
        return
    try:
        form[name] = round((read or inches)(text), 9)
    except ShotError as error:
        bad.append(name)
        st.error(plain(said(error)))


def marks_wanted(form: Mapping[str, Any], help_too: bool) -> list[tuple[str, str]]:
    """(id, label) of the places to point at for this scale, and, if asked, of the bow itself."""
    n = SCALE_MARKS.get(form["scale"]["kind"], 0)
    corners = ("top left", "top right", "bottom right", "bottom left")
    names = [(f"mark_{i + 1}", f"mark {corners[i]}" if n == 4 else f"mark {i + 1}") for i in range(n)]
    if help_too:
        names += [(k, v) for k, v in CLICKS.items() if k != "hook" or form["state"] == "drawn"]
        if form.get("belly_heated"):
            names += WHITES.items()
    return names


def edges_wanted(points: Mapping[str, Point]) -> list[tuple[str, str]]:
    """(id, label) of the places that a person has put on the limbs' edges, and of one more for each edge."""
    out = []
    for side in ("back", "belly"):
        numbers = (name.rpartition("_")[2] for name in points if name.startswith(f"{_EDGE}{side}_"))
        held = sorted(int(n) for n in numbers if n.isdecimal())
        free = next(i for i in range(1, len(held) + 2) if i not in held)
        more = [free] if len(held) < MOST_EDGE_PLACES else []
        out += [(f"{_EDGE}{side}_{i}", f"{side}'s edge, place {i}") for i in sorted([*held, *more])]
    return out


def role_of(place: str) -> Role:
    """What kind of place one of ``marks_wanted``'s or ``edges_wanted``'s ids is."""
    if place.startswith(_EDGE):
        return "edge"
    if place in WHITES:
        return "mark"
    return "handle" if place == "handle" else "hook" if place == "hook" else "nock" if place.startswith("nock") else "mark"


def with_points(form: Form, points: Mapping[str, Point], by_hand: Collection[str] = ()) -> Form:
    """The form with the places that were pointed at; marks of another kind of scale are left out. ``by_hand``: those that a
    person has put where they are on the enlarged photograph, which rule.
    """
    n = SCALE_MARKS.get(form["scale"]["kind"], 0)
    marks = [points.get(f"mark_{i + 1}") for i in range(n)]
    clicks = {k: _rounded(points[k]) for k in CLICKS if k in points and (k != "hook" or form["state"] == "drawn")}
    ruling = sorted(set(by_hand) & set(clicks))
    if form.get("belly_heated"):
        clicks |= {k: _rounded(points[k]) for k in WHITES if k in points}
    out = dict(form)
    edges = {
        side: [_rounded(points[name]) for name in sorted(points) if name.startswith(f"{_EDGE}{side}_")]
        for side in ("back", "belly")
    }
    if any(edges.values()):
        out["edges_px"] = {side: places for side, places in edges.items() if places}
    if n:
        out["marks_px"] = [_rounded(mark) for mark in marks if mark is not None]
    if clicks:
        out["clicks"] = clicks
    if ruling:
        out["set_by_hand"] = ruling
    return out


def in_words(text: str) -> str:
    """A sentence fit to be shown, in the reader's units: some reasons are made in inches."""
    return plain(in_units(text, units_now()))


def _is_level(upper_limb: str | None) -> bool:
    return upper_limb in ("left", "right")


def inches(text: str, units: Units | None = None) -> float:
    """Inches from a length in the reader's unit. Raises ShotError."""
    return inches_from_mm(read_length(text, units))


def read_number(text: str) -> float:
    """A bare number that is not less than nothing. Raises ShotError."""
    value = parse_quantity(text, {"": 1.0}, "number", "5 or 12.5", most=MOST_NUMBER)
    if value < 0:
        raise ShotError(f"'{shown(text, 40)}' is below zero.", "Write it like 5 or 12.5.")
    return value


def read_pounds(text: str) -> float:
    """Pounds from a weight in the reader's unit. Raises ShotError."""
    return pounds_from_newtons(read_weight(text))


def _rounded(at: Point) -> list[float]:
    return [round(at[0], 2), round(at[1], 2)]
