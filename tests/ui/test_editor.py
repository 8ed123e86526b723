"""The point editor's Python side: what is sent to the browser, what is believed of its answer, and what the page says."""

import json
import logging

import numpy as np
import pytest
from streamlit.testing.v1 import AppTest

from tests.support.made_up import SAMPLES, from_truth, measured
from tillerlens.report.words.quantities import Units
from tillerlens.ui import editor
from tillerlens.ui.editor import Curve, found, placed
from tillerlens.ui.page.photo import OWN

APP = SAMPLES.parent / "tillerlens" / "ui" / "main.py"
STICK = "bramble-drawn-stick"
INCHES = Units()


@pytest.fixture(scope="module")
def page():
    """The page with the editor open on a sample whose scale is pointed at."""
    logging.getLogger("streamlit").setLevel(logging.ERROR)
    page = AppTest.from_file(str(APP), default_timeout=120).run()
    page.selectbox(key="which").select(STICK).run()
    toggle(page).set_value(True).run()
    assert not page.exception
    return page


def toggle(page):
    return next(t for t in page.toggle if t.label.startswith("Point at"))


def sent(page):
    """The data that the editor was given."""
    (component,) = page.get("bidi_component")
    return json.loads(component.proto.json)


# --- what the browser is given


def test_the_data_hold_places_and_lines_and_no_picture(page):
    data, raw = sent(page), page.get("bidi_component")[0].proto.json
    assert [data["width"], data["height"]] == [3000, 2250]
    assert data["image"].endswith(".jpg") and "/media/" in data["image"]
    tiles = data["tiles"]
    assert tiles["columns"] * tiles["side"] >= 3000 and len(tiles["urls"]) == 3 * 3 == len(set(tiles["urls"]))
    assert "base64" not in raw and len(raw) < 60_000
    assert {c["kind"] for c in data["curves"]} == {"edge", "middle", "string"}
    at = np.array([p for c in data["curves"] for run in c["runs"] for p in run])
    assert (at > 0).all() and (at < [3000, 2250]).all()


def test_places_start_where_they_were_found_and_marks_where_they_were_set(page):
    data, truth = sent(page), json.loads((SAMPLES / f"{STICK}.truth.json").read_text())["outline_px"]
    places = {p["id"]: p for p in data["places"]}
    assert list(places)[:6] == ["mark_1", "mark_2", "nock_upper", "nock_lower", "handle", "hook"]
    assert [p["role"] for p in places.values()][:6] == ["mark", "mark", "nock", "nock", "handle", "hook"]
    assert {k: p["role"] for k, p in list(places.items())[6:]} == {"edge_back_1": "edge", "edge_belly_1": "edge"}
    for name, px in (("nock_upper", 8), ("nock_lower", 8), ("hook", 12)):  # the tracer's own reach, not the editor's
        assert places[name]["found"] == pytest.approx(truth[name], abs=px)
    shot = json.loads((SAMPLES / f"{STICK}.shot.json").read_text())
    assert [data["points"][f"mark_{i}"] for i in (1, 2)] == shot["marks_px"]
    assert set(data["points"]) == {"mark_1", "mark_2"}


def test_a_point_that_moved_is_measured_without_a_button(page):
    """As if the browser had sent it: the page follows, says how far it was moved, and remembers what was found."""
    before = sent(page)
    nock = {p["id"]: p["found"] for p in before["places"]}["nock_upper"]
    line = np.array(before["curves"][2]["runs"][0])
    far = np.hypot(*(line - nock).T)
    inward = [float(v) for v in line[np.argmin(np.abs(far - 8))]]
    page.session_state["points"] = {**page.session_state["points"], "nock_upper": tuple(inward)}
    page.session_state["revision"] += 1
    page.run()
    assert not page.exception and not any(b.key == "measure" for b in page.button)
    after = sent(page)
    assert after["rev"] == before["rev"] + 1 and after["points"]["nock_upper"] == inward
    assert {p["id"]: p["found"] for p in after["places"]}["nock_upper"] == nock
    assert after["curves"] != before["curves"]
    (said,) = [c for c in (c.value.replace("\\", "") for c in page.caption) if c.startswith("Upper nock: set by you, ")]
    assert "pixels" in said and "from where it was found" in said
    points = dict(page.session_state["points"])
    del points["nock_upper"]
    page.session_state["points"] = points
    page.session_state["revision"] += 1
    page.run()
    assert sent(page)["curves"] == before["curves"]
    assert not any("set by you" in c.value for c in page.caption)


def test_without_its_marks_the_editor_is_shown_and_nothing_is_measured():
    page = AppTest.from_file(str(APP), default_timeout=120).run()
    page.selectbox(key="which").select(OWN).run()
    page.file_uploader(key="photo").set_value(("bow.jpg", (SAMPLES / f"{STICK}.jpg").read_bytes(), "image/jpeg")).run()
    assert not page.get("bidi_component")  # printed tags need no pointing
    page.selectbox(key="shot_kind").select("four_marks").run()
    data = sent(page)
    corners = ("top left", "top right", "bottom right", "bottom left")
    assert [p["label"] for p in data["places"]][:4] == [f"mark {corner}" for corner in corners]
    assert data["points"] == {} and data["curves"] == []
    assert all(p["found"] is None for p in data["places"])
    assert not page.exception and not page.subheader
    toggle(page).set_value(False).run()
    assert any("this scale's marks first" in c.value for c in page.caption)


# --- what is believed


class Asked:
    sha256 = "0" * 64


@pytest.mark.parametrize(
    ("state", "expected"),
    [
        (None, {"hook": (1, 2)}),
        ({"placed": None}, {"hook": (1, 2)}),
        ({"placed": {"rev": 2, "seq": 9, "points": {"hook": [7, 8]}}}, {"hook": (1, 2)}),  # stale
        ({"placed": {"rev": 3, "seq": 9, "points": {"hook": [7, 8]}}}, {"hook": (7.0, 8.0)}),
        ({"placed": {"rev": 3, "seq": 9, "points": {}}}, {}),  # all taken back is an answer too
    ],
    ids=["unasked", "untouched", "older revision", "newest", "taken back"],
)
def test_an_answer_to_an_older_revision_is_not_believed(monkeypatch, state, expected):
    monkeypatch.setattr(editor.st, "session_state", {} if state is None else {f"editor_{'0' * 16}": state})
    assert placed(Asked(), {"hook": (1, 2)}, 3) == expected


def test_lines_are_thinned_broken_where_unseen_and_keep_their_ends():
    px = np.column_stack([np.arange(3001.0), np.arange(3001.0) / 3])
    px[1000:1010] = np.nan
    first, second = editor._runs(px)
    assert first[0] == [0, 0] and first[-1] == [999, 333]
    assert second[0] == [1010, 336.7] and second[-1] == [3000, 1000]
    assert len(first) + len(second) <= editor.MOST_CURVE_POINTS + 3
    assert editor._runs(np.full((5, 2), np.nan)) == []


def test_the_tiles_are_the_photograph():
    """Put together again, the tiles are the picture to within what a JPEG loses."""
    import io

    from PIL import Image

    from tests.support.made_up import sample_photo

    photo = sample_photo(STICK)
    pictures = editor._pictures(photo.sha256, photo)
    whole = Image.new("RGB", (photo.width, photo.height))
    for i, data in enumerate(pictures.tiles):
        row, column = divmod(i, pictures.columns)
        whole.paste(Image.open(io.BytesIO(data)), (column * editor.TILE_PX, row * editor.TILE_PX))
    off = np.asarray(whole, float) - photo.rgb
    assert np.sqrt(np.mean(off**2)) < 6  # grey levels; a tile in the wrong place makes it tens
    assert abs(off.mean()) < 0.5
    with Image.open(io.BytesIO(pictures.small)) as small:
        assert small.size == (2048, 1536)


# --- from a measurement


def test_lines_by_state():
    drawn = found.traced_curves(from_truth())
    assert [c.kind for c in drawn] == ["edge", "edge", "middle", "string"] and isinstance(drawn[0], Curve)
    assert drawn[3].px.shape == (3, 2)
    assert found.traced_curves(from_truth("heron-braced"))[3].px.shape == (2, 2)
    assert [c.kind for c in found.traced_curves(from_truth("heron-unstrung"))] == ["edge", "edge", "middle"]
    assert found.traced_curves(measured()) == () and found.found_places(measured()) == {}


def test_corrections_are_told_in_pixels_and_inches_and_whether_they_were_followed():
    made = from_truth()
    made.evidence["px_per_mm"] = 2.0
    places = found.found_places(made)
    x, y = places["nock_upper"]
    labels = {"nock_upper": "upper nock", "nock_lower": "lower nock", "handle": "handle"}
    points = {"nock_upper": (x + 30.0, y + 40.0), "handle": places["handle"], "mark_1": (1.0, 2.0)}
    upper, handle = found.say_corrections(labels, points, {"nock_upper": (x, y)}, made, INCHES)
    assert upper == (
        "Upper nock: set by you, 50 pixels (1 in) from where it was found; the limb's own end 50 pixels from your point was used."
    )  # 50 px at 2 px/mm are 25 mm, an inch to the sixteenth
    assert handle == "Handle: set by you; it is followed only when both nocks are set by you too."
    followed = found.say_corrections(labels, {"nock_upper": (x, y)}, {}, made, INCHES)
    assert followed == ["Upper nock: set by you."]
