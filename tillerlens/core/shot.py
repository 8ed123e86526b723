"""What the bowyer knows, types and clicks about one photograph, checked before any pixel is measured.

The file's form (inches, pounds) is written down in ``schemas/shot.schema.json``; the ``Shot`` object is SI:
millimetres and newtons. Points are (x, y) pixels of the upright, full-size picture, x right, y down, (0, 0) =
centre of the top-left pixel.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal, TypeGuard

from tillerlens.core.json_form import JsonObject
from tillerlens.core.reading import schema_of
from tillerlens.core.units import MM_PER_INCH, pounds_from_newtons

State = Literal["unstrung", "braced", "drawn"]
UpperLimb = Literal["left", "right", "top", "bottom"]
Back = Literal["up", "down", "left", "right"]
View = Literal["side", "front"]
Facing = Literal["belly", "back"]
ScaleKind = Literal["aruco", "grid", "lines_and_two_marks", "tape", "stick", "four_marks", "two_marks", "bow_length"]
Point = tuple[float, float]
Form = JsonObject  # a shot as its file holds it, perhaps not yet whole

VERSION = 1
DEFAULT_STANDOFF_U_MM = MM_PER_INCH / 16  # one division of a bowyer's ruler (common practice, no source)

MOST_WHOLE = 2**53  # whole numbers beyond it are not exact in JSON
MOST_PX = 1e6  # no picture has a place so far out


@dataclass(frozen=True)
class Scale:
    """Where the picture's scale comes from. Lengths in mm; a field that the kind does not use is None.

    aruco: printed tags; ``side_mm`` of the black square, ``tag_centres_mm`` id -> (x, y), x right, y down.
    grid: both families of lines, ``spacing_mm``. lines_and_two_marks: horizontal lines at ``spacing_mm`` and
    two clicked marks ``marks_apart_mm`` along one horizontal. tape: ``length_mm`` between two clicked marks.
    stick: pegs of a tillering stick, ``marks_apart_mm`` between the two clicked, ``spacing_mm`` from peg to
    peg. four_marks: ``width_mm`` by ``height_mm``, clicked clockwise from the top left as the board hangs.
    two_marks: two clicked points of the board, ``marks_apart_mm``. bow_length: nothing but the bow's own
    length.
    """

    kind: ScaleKind
    spacing_mm: float | None = None
    marks_apart_mm: float | None = None
    length_mm: float | None = None
    width_mm: float | None = None
    height_mm: float | None = None
    side_mm: float | None = None
    tag_centres_mm: dict[int, Point] | None = None


@dataclass(frozen=True)
class Shot:
    """One photograph's facts, checked. Lengths in mm, force in N, points in pixels (see the module's frame).

    standoff_mm runs from the plane of the marks to the bow's mid-width plane, + toward the camera;
    standoff_u_mm is its standard uncertainty. ``clicks`` may hold nock_upper, nock_lower, handle and hook; those named in
    ``set_by_hand`` were set with care and rule. ``edges_px`` ("back", "belly") are places a person has put on an edge.
    In a front view (``view``) ``facing`` names the face that looks at the camera, the bow's depth is known by
    ``brace_height_mm``, ``belly_heated`` asks for the belly's colour (``clicks`` may hold white_paper and raw_wood, which was not
    cooked), ``standoff_mm`` runs to the middle of the handle's thickness, and ``back`` says nothing.
    ``other`` keeps entries of the file that this version does not know, so that writing it back loses
    nothing.
    """

    state: State
    nock_to_nock_mm: float
    handle_mm: float
    upper_limb: UpperLimb
    back: Back
    scale: Scale
    standoff_mm: float = 0.0
    standoff_u_mm: float = DEFAULT_STANDOFF_U_MM
    marks_px: tuple[Point, ...] = ()
    clicks: dict[str, Point] = field(default_factory=dict)
    set_by_hand: tuple[str, ...] = ()
    edges_px: dict[str, tuple[Point, ...]] = field(default_factory=dict)
    draw_weight_n: float | None = None
    limb_width_mm: float | None = None
    handle_thickness_mm: float | None = None
    upper_limb_length_mm: float | None = None
    minutes_since_unstrung: float | None = None
    notes: str = ""
    photo_name: str | None = None
    view: View = "side"
    facing: Facing | None = None
    brace_height_mm: float | None = None
    belly_heated: bool = False
    other: JsonObject = field(default_factory=dict)

    def as_dict(self) -> JsonObject:
        """Back in the file's form: ``read_shot(shot.as_dict()) == shot``."""
        lengths = {key: _inches(getattr(self, name)) for key, name in LENGTHS.items()}
        weight = self.draw_weight_n
        form = {
            "version": VERSION,
            "photo": self.photo_name,
            "state": self.state,
            **lengths,
            "upper_limb": self.upper_limb,
            "back": self.back if self.view == "side" else None,
            "view": self.view if self.view == "front" else None,
            "facing": self.facing,
            "belly_heated": self.belly_heated or None,
            "scale_reading_lb": None if weight is None else round(pounds_from_newtons(weight), 9),
            "marks_px": [list(mark) for mark in self.marks_px] or None,
            "clicks": {name: list(point) for name, point in self.clicks.items()} or None,
            "set_by_hand": list(self.set_by_hand) or None,
            "edges_px": {side: [list(p) for p in places] for side, places in self.edges_px.items()} or None,
            "minutes_since_unstrung": self.minutes_since_unstrung,
            "notes": self.notes or None,
            "scale": _scale_form(self.scale),
            **self.other,
        }
        return {key: value for key, value in form.items() if value is not None}


# The file's keys and the objects' fields for everything that is a length.
LENGTHS = {
    "bow_length_nock_to_nock_in": "nock_to_nock_mm",
    "handle_in": "handle_mm",
    "standoff_in": "standoff_mm",
    "standoff_u_in": "standoff_u_mm",
    "limb_width_in": "limb_width_mm",
    "handle_thickness_in": "handle_thickness_mm",
    "upper_limb_length_in": "upper_limb_length_mm",
    "brace_height_in": "brace_height_mm",
}
# Where a front view's shot names no back: a direction across the bow, so that every shot has one.
ACROSS: dict[str, Back] = {"left": "up", "right": "down", "top": "right", "bottom": "left"}
SCALE_LENGTHS = {
    "spacing_in": "spacing_mm",
    "marks_apart_in": "marks_apart_mm",
    "length_in": "length_mm",
    "width_in": "width_mm",
    "height_in": "height_mm",
    "side_in": "side_mm",
}


def shot_schema() -> JsonObject:
    """The JSON Schema of the shot file."""
    return schema_of("shot")


def _scale_form(scale: Scale) -> JsonObject:
    form: JsonObject = {"kind": scale.kind}
    form |= {key: _inches(getattr(scale, name)) for key, name in SCALE_LENGTHS.items()}
    if scale.tag_centres_mm is not None:
        form["centres_in"] = {str(tag): [_inches(x), _inches(y)] for tag, (x, y) in scale.tag_centres_mm.items()}
    return {key: value for key, value in form.items() if value is not None}


def _inches(mm: float | None) -> float | None:
    return None if mm is None else round(mm / MM_PER_INCH, 9)


def as_point(at: Any) -> Point | None:
    """A pair of numbers that may be a place in a picture; None for anything else."""
    if not isinstance(at, list | tuple) or len(at) != 2 or not all(map(is_number, at)):
        return None
    x, y = float(at[0]), float(at[1])
    return (x, y) if max(abs(x), abs(y)) <= MOST_PX else None


def is_number(value: Any) -> TypeGuard[float]:
    """Whether a value out of JSON is a number of a size that is meant anywhere; NaN is none."""
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= MOST_WHOLE
