"""JSON of every kind of scale, broken in every way, through the reader of shots: a shot or a sentence."""

from __future__ import annotations

import copy
import json

from hypothesis import strategies as st

from tests.core.test_shot import KINDS
from tests.fuzz.trying import try_out
from tillerlens.core.errors import ShotError
from tillerlens.core.reading import parse_json
from tillerlens.core.shot import Shot
from tillerlens.core.shot_file import read_shot

SIZE = (3024, 2268)
ODD = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.sampled_from([0, -1, 10**400, 2**63, 1e300, -1e300, float("nan"), float("inf"), 5e-324, 1e-9, "", "\x00", "\ud800", "½"]),
    st.floats(),
    st.text(max_size=8),
    st.lists(st.one_of(st.floats(), st.integers(-100, 4000), st.text(max_size=2)), max_size=5),
    st.dictionaries(st.text(max_size=6), st.floats(allow_nan=False), max_size=3),
    st.lists(st.lists(st.one_of(st.floats(-1e4, 1e4), st.integers(0, 3000)), min_size=2, max_size=2), max_size=5),
)
NAMES = st.one_of(
    st.sampled_from(
        ["state", "handle_in", "scale", "marks_px", "clicks", "nock_upper", "hook", "edges_px", "back", "belly", "kind"]
    ),
    st.sampled_from(
        ["spacing_in", "side_in", "centres_in", "set_by_hand", "version", "notes", "photo", "0", "07", "1\n", "standof_in"]
    ),
    st.text(max_size=6),
)
CLICKS = {"nock_upper": [400, 1000], "nock_lower": [2600, 1010], "handle": [1500, 900], "hook": [1500, 1700]}
EDGES = {"back": [[800, 950]], "belly": [[800, 990], [1200, 930]]}


def places(form, at=()):
    """Every place in a form at which something can be put."""
    yield at
    items = form.items() if isinstance(form, dict) else enumerate(form) if isinstance(form, list) else ()
    for key, value in items:
        yield from places(value, (*at, key))


@st.composite
def broken(draw):
    form = copy.deepcopy(KINDS[draw(st.sampled_from(sorted(KINDS)))])
    if draw(st.booleans()):
        form["clicks"], form["edges_px"] = copy.deepcopy(CLICKS), copy.deepcopy(EDGES)
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.sampled_from(sorted(places(form), key=str)))
        if not at:
            form[draw(NAMES)] = draw(ODD)
            continue
        holder = form
        for key in at[:-1]:
            holder = holder[key]
        how = draw(st.sampled_from(["put", "take", "add"]))
        if how == "take":
            del holder[at[-1]]
        elif how == "add" and isinstance(holder, dict):
            holder[draw(NAMES)] = draw(ODD)
        else:
            holder[at[-1]] = draw(ODD)
    return form


def check(form):
    for size in (None, SIZE):
        try:
            shot = read_shot(form, photo_size=size)
        except ShotError as error:
            assert error.text and error.remedy and "Traceback" not in error.text
            str(error).encode()
        else:
            assert isinstance(shot, Shot)
            again = json.loads(json.dumps(shot.as_dict(), allow_nan=False))
            assert read_shot(again).as_dict() == shot.as_dict(), "what is kept reads back as it was"


def test_a_broken_shot_is_a_shot_or_a_sentence():
    try_out("shots", broken(), check)


@st.composite
def torn(draw):
    """The bytes of a shot file, cut, doubled, turned and in whatever encoding."""
    text = json.dumps(draw(broken()), ensure_ascii=draw(st.booleans()))
    data = bytearray(text.encode(draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-32", "utf-16-be"])), "surrogatepass"))
    for _ in range(draw(st.integers(0, 3))):
        at = draw(st.integers(0, max(0, len(data) - 1)))
        how = draw(st.sampled_from(["cut", "put", "double", "nest"]))
        if how == "cut":
            del data[at : at + draw(st.integers(1, 40))]
        elif how == "put":
            data[at:at] = draw(st.binary(max_size=4))
        elif how == "double":
            data[at:at] = data[at : at + 40]
        else:
            data[at:at] = draw(st.sampled_from([b"[" * 3000, b'{"a":' * 900, b"9" * 5000, b'"\\ud800"', b"-Infinity", b"1E999"]))
    return bytes(data)


def test_the_bytes_of_a_torn_shot_file_are_a_shot_or_a_sentence():
    def read(data):
        try:
            form = parse_json(data)
        except ValueError:
            return
        if isinstance(form, dict):
            check(form)

    try_out("shot files", torn(), read)
