"""What the bowyer may say about a photograph, and what is refused in which words."""

import copy
import json
import math

import pytest
from jsonschema import Draft202012Validator

from tillerlens.core.errors import ShotError
from tillerlens.core.shot import Scale, Shot, shot_schema
from tillerlens.core.shot_file import read_shot

GRID = {
    "photo": "IMG_0031.jpg",
    "state": "drawn",
    "bow_length_nock_to_nock_in": 66.0,
    "handle_in": 8.0,
    "standoff_in": 2.25,
    "upper_limb": "left",
    "back": "up",
    "scale_reading_lb": 38.5,
    "scale": {"kind": "grid", "spacing_in": 2.0},
}
FOUR = {
    **GRID,
    "scale": {"kind": "four_marks", "width_in": 72.0, "height_in": 42.0},
    "marks_px": [[394.4, 551.3], [2798.0, 505.4], [2793.7, 1874.1], [455.2, 1942.6]],
}
TAGS = {
    **GRID,
    "scale": {
        "kind": "aruco",
        "dictionary": "DICT_4X4_50",
        "side_in": 4.0,
        "centres_in": {"0": [0, 0], "1": [80, 0], "2": [0, 26], "3": [80, 26]},
        "note": "x right, y down",
    },
}
TWO = [[508.0, 390.0], [2490.0, 310.0]]
KINDS = {
    "grid": GRID,
    "four_marks": FOUR,
    "aruco": TAGS,
    "lines_and_two_marks": {
        **GRID,
        "scale": {"kind": "lines_and_two_marks", "spacing_in": 2.0, "marks_apart_in": 60.0},
        "marks_px": TWO,
    },
    "tape": {**GRID, "scale": {"kind": "tape", "length_in": 60.0}, "marks_px": TWO},
    "stick": {
        **GRID,
        "standoff_in": -0.87,
        "scale": {"kind": "stick", "spacing_in": 1.0, "marks_apart_in": 20.0},
        "marks_px": TWO,
    },
    "two_marks": {**GRID, "scale": {"kind": "two_marks", "marks_apart_in": 48.0}, "marks_px": TWO},
    "bow_length": {**GRID, "scale": {"kind": "bow_length"}},
}


def changed(form, **fields):
    """A deep copy with fields replaced; ``scale_x=...`` reaches into the scale; None removes."""
    form = copy.deepcopy(form)
    for key, value in fields.items():
        if key.startswith("in_scale_"):
            place, key = form["scale"], key.removeprefix("in_scale_")
        else:
            place = form
        place[key] = value
        if value is None:
            del place[key]
    return form


def refusal(form, **context):
    with pytest.raises(ShotError) as caught:
        read_shot(form, **context)
    assert caught.value.remedy, "every refusal says what to do"
    return caught.value.text


def test_schema_is_itself_valid():
    Draft202012Validator.check_schema(shot_schema())


def test_lengths_become_millimetres_and_weights_newtons():
    shot = read_shot(GRID)
    assert shot == Shot(
        state="drawn",
        nock_to_nock_mm=66 * 25.4,
        handle_mm=8 * 25.4,
        upper_limb="left",
        back="up",
        scale=Scale("grid", spacing_mm=2 * 25.4),
        standoff_mm=2.25 * 25.4,
        standoff_u_mm=25.4 / 16,  # a ruler's division unless said otherwise
        draw_weight_n=38.5 * 4.4482216152605,
        photo_name="IMG_0031.jpg",
    )


def test_tags_and_marks_keep_their_places():
    tags = read_shot(TAGS).scale
    assert tags.side_mm == pytest.approx(101.6)
    assert tags.tag_centres_mm == {
        0: (0.0, 0.0),
        1: (pytest.approx(2032.0), 0.0),
        2: (0.0, pytest.approx(660.4)),
        3: (pytest.approx(2032.0), pytest.approx(660.4)),
    }
    assert read_shot(FOUR).marks_px[1] == (2798.0, 505.4)


@pytest.mark.parametrize("kind", KINDS)
def test_every_scale_kind_is_read_and_written_back_unchanged(kind, tmp_path):
    shot = read_shot(KINDS[kind], "img_0031.JPG", (3024, 2268))
    assert shot.scale.kind == kind
    file = tmp_path / "shot.json"
    file.write_text(json.dumps(shot.as_dict()))
    assert read_shot(file) == shot
    assert read_shot(str(file)) == shot


def test_every_kind_of_the_schema_is_tried_here():
    assert set(shot_schema()["properties"]["scale"]["properties"]["kind"]["enum"]) == set(KINDS)


def test_optional_facts_are_kept():
    form = changed(
        GRID,
        clicks={"nock_upper": [400, 1000], "hook": [1500.5, 1700]},
        limb_width_in=1.5,
        handle_thickness_in=1.25,
        upper_limb_length_in=33.5,
        minutes_since_unstrung=3,
        standoff_u_in=0.25,
        notes="after the second scrape",
        moon="full",
    )
    shot = read_shot(form, photo_size=(3024, 2268))
    assert shot.clicks == {"nock_upper": (400.0, 1000.0), "hook": (1500.5, 1700.0)}
    assert (shot.limb_width_mm, shot.handle_thickness_mm) == (pytest.approx(38.1), pytest.approx(31.75))
    assert shot.upper_limb_length_mm == pytest.approx(850.9)
    assert (shot.standoff_u_mm, shot.minutes_since_unstrung) == (pytest.approx(6.35), 3)
    assert shot.other == {"moon": "full"}, "what this version does not know is not lost"
    assert read_shot(shot.as_dict()) == shot


def test_the_bow_alone_needs_no_standoff():
    assert read_shot(changed(KINDS["bow_length"], standoff_in=None)).standoff_mm == 0.0


@pytest.mark.parametrize(
    ("form", "words"),
    [
        pytest.param(changed(GRID, standoff_in=300), "standoff is 300 in", id="standoff of 300 in"),
        pytest.param(changed(GRID, bow_length_nock_to_nock_in=-66), "-66 in", id="negative length"),
        pytest.param(changed(GRID, in_scale_spacing_in=-2), "spacing of the lines is -2 in", id="negative spacing"),
        pytest.param(changed(GRID, standoff_in=math.nan), "not a number", id="NaN"),
        pytest.param(changed(GRID, standoff_in="2 1/4"), "standoff_in' is not of the right form", id="text"),
        pytest.param(changed(GRID, standoff_in=True), "not of the right form", id="yes is no length"),
        pytest.param(changed(GRID, standoff_in=None), "standoff is missing", id="no standoff"),
        pytest.param(changed(GRID, state=None), "state of the bow is missing", id="no state"),
        pytest.param(changed(GRID, scale=None), "scale is missing", id="no scale"),
        pytest.param(changed(GRID, state="strung"), "state of the bow cannot be 'strung'", id="unknown state"),
        pytest.param(changed(GRID, in_scale_kind="laser"), "scale kind cannot be 'laser'", id="unknown scale"),
        pytest.param(changed(GRID, in_scale_spacing_in=None), "spacing of the lines is missing", id="no spacing"),
        pytest.param(changed(TAGS, in_scale_dictionary="DICT_5X5_50"), "DICT_5X5_50", id="other tags"),
        pytest.param(changed(TAGS, in_scale_centres_in={"99": [0, 0]}), "centres_in", id="no such tag"),
        pytest.param(
            changed(TAGS, in_scale_centres_in={"0": [0, 0], "1": [1, 0]}),
            "tags 0 and 1 lie closer",
            id="heap of tags",
        ),
        pytest.param(changed(KINDS["tape"], marks_px=None), "list of clicked marks is missing", id="no marks"),
        pytest.param(changed(KINDS["tape"], marks_px=TWO[:1]), "1 marks are clicked", id="one mark"),
        pytest.param(changed(FOUR, marks_px=FOUR["marks_px"][:3]), "needs 4", id="three marks"),
        pytest.param(changed(KINDS["tape"], marks_px=[TWO[0], [510, 391]]), "on top of each other", id="twice"),
        pytest.param(changed(KINDS["tape"], marks_px=[[1], [2]]), "marks_px", id="half a point"),
        pytest.param(changed(GRID, back="left"), "which no bow can do", id="back along the limb"),
        pytest.param(changed(GRID, handle_in=35), "longer than half the bow", id="all handle"),
        pytest.param(changed(GRID, upper_limb_length_in=70), "longer than the whole bow", id="limb over bow"),
        pytest.param(changed(GRID, standof_in=2), "'standof_in', which is not known", id="misspelt"),
        pytest.param(changed(GRID, version=2), "version of the shot file is 2", id="newer"),
    ],
)
def test_nonsense_is_refused_in_plain_words(form, words):
    assert words in refusal(form)


@pytest.mark.parametrize("order", [(1, 0, 2, 3), (0, 2, 1, 3), (3, 2, 1, 0), (1, 2, 3, 0)])
def test_four_marks_out_of_order_are_refused(order):
    marks = [FOUR["marks_px"][i] for i in order]
    assert "not in order" in refusal(changed(FOUR, marks_px=marks))


def test_a_board_hanging_sideways_in_the_picture_is_in_order():
    """Turned a quarter to the right: the board's top left is at the picture's top right, still clockwise."""
    marks = [[2268 - y, x] for x, y in FOUR["marks_px"]]
    assert read_shot(changed(FOUR, marks_px=marks)).marks_px


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"marks_px": [[508.0, 390.0], [3100.0, 310.0]]}, "mark 2 at (3100, 310) lies outside"),
        ({"marks_px": [[-3.0, 390.0], [2490.0, 310.0]]}, "mark 1"),
        ({"clicks": {"nock_lower": [100, 2300]}}, "click on the lower nock at (100, 2300)"),
    ],
)
def test_points_outside_the_picture_are_refused(fields, words):
    assert words in refusal(changed(KINDS["tape"], **fields), photo_size=(3024, 2268))


def test_the_outermost_pixels_are_inside():
    corners = [[-0.5, -0.5], [3023.5, 2267.5]]
    read_shot(changed(KINDS["tape"], marks_px=corners), photo_size=(3024, 2268))


def test_a_shot_of_another_photo_is_refused():
    assert "belongs to IMG_0031.jpg, not to IMG_0032.jpg" in refusal(GRID, photo_name="IMG_0032.jpg")
    read_shot(changed(GRID, photo=None), photo_name="IMG_0032.jpg")  # naming none, it serves any


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "not JSON"),
        (b"standoff: 2", "not JSON"),
        (b"[1, 2]", "no named fields"),
        (b"\xff\xd8\xff\xe0", "not JSON"),
        (b"[" * 100_000, "not JSON"),
    ],
)
def test_files_that_are_no_shot(tmp_path, content, words):
    file = tmp_path / "shot.json"
    file.write_bytes(content)
    text = refusal(file)
    assert words in text and "shot.json" in text


def test_a_missing_file_is_told(tmp_path):
    assert "cannot be opened" in refusal(tmp_path / "none.json")
