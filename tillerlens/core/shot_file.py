"""A shot file read and checked: what a bowyer typed and clicked for one photograph. Frame and units: as in ``shot``."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tillerlens.core.errors import DocumentError, ShotError
from tillerlens.core.reading import BRIEF, is_text, parse_json, read_file, shown
from tillerlens.core.shot import ACROSS, LENGTHS, MOST_PX, MOST_WHOLE, SCALE_LENGTHS, Form, Point, Scale, Shot, shot_schema
from tillerlens.core.units import MM_PER_INCH, newtons_from_pounds

MIN_MARK_DISTANCE_PX = 50.0  # closer than this a click's own couple of pixels spoil the scale by 5 %
MAX_FILE_MB = 2.0
MOST_DEEP, MOST_ENTRIES = 12, 20_000  # of a shot's fields within fields; a saved one has four and some hundred
_FIX = "Correct it and measure again."
PATH_SHOWN = 60  # characters of a field's place in the file: some are four names deep
ALIKE = 0.8  # share of letters in common from which a field counts as misspelt: one letter in five may be wrong


def read_shot(
    source: str | Path | Mapping[str, Any],
    photo_name: str | None = None,
    photo_size: tuple[int, int] | None = None,
) -> Shot:
    """Read and check a shot from its file or from a mapping of the same form.

    photo_name: the photograph it is meant for; a shot naming another one is refused. photo_size: (width,
    height) of the upright picture in pixels; marks and clicks that cannot be right in it are refused, as ``check_places`` tells.
    Raises ShotError with what to correct.
    """
    form = dict(source) if isinstance(source, Mapping) else _load(Path(source))
    _check_form(form)
    shot = _build(form)
    _check_sense(shot)
    if photo_name is not None and shot.photo_name is not None:
        _check_photo(shot.photo_name, photo_name)
    if photo_size is not None:
        from tillerlens.core.clicks import check_places

        check_places(shot, photo_size)
    return shot


def known_shot(form: Mapping[str, Any]) -> Shot | None:
    """The shot that a measurement carries, which was checked when it was made; None for an empty one. Raises DocumentError."""
    try:
        return _build(form) if form else None
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise DocumentError("A measurement holds a shot that is not of the right form.", "Measure the picture again.") from error


def _load(path: Path) -> Form:
    data, name = read_file(path, MAX_FILE_MB, ShotError), shown(path.name)
    try:
        form = parse_json(data)
    except ValueError as error:
        raise ShotError(
            f"{name} is not a shot file: it is not JSON ({error}).", "Save it again from the app, or mend it."
        ) from error
    if not isinstance(form, dict):
        raise ShotError(f"{name} is not a shot file: it holds no named fields.", "Save it again from the app.")
    return form


def _check_form(form: Mapping[str, Any]) -> None:
    from jsonschema import Draft202012Validator

    _check_entries(form)
    schema = shot_schema()
    _check_spelling(form, schema["properties"])
    scale = form.get("scale")
    if isinstance(scale, Mapping):
        _check_spelling(scale, schema["properties"]["scale"]["properties"])
    errors = sorted(Draft202012Validator(schema).iter_errors(form), key=lambda e: (len(e.path), str(list(e.path))))
    if errors:
        raise _in_words(errors[0])


def _check_spelling(form: Mapping[str, Any], known: Mapping[str, Any]) -> None:
    """A misspelt optional field would be ignored in silence, so anything close to a known name is refused."""
    for key in form:
        if key in known:
            continue
        meant = difflib.get_close_matches(str(key), known, n=1, cutoff=ALIKE)
        if meant:
            raise ShotError(
                f"The shot has a field '{shown(key, BRIEF)}', which is not known.", f"Write it '{meant[0]}'.", field=key
            )


def _check_entries(form: Mapping[str, Any]) -> None:
    """Everything in the form is a finite number, plain text, or a list or fields of them, and not endlessly many."""
    todo: list[tuple[Any, str, int]] = [(form, "", 0)]
    seen = 0
    while todo:
        value, path, deep = todo.pop()
        seen += 1
        if deep > MOST_DEEP or seen > MOST_ENTRIES:
            raise ShotError("The shot file holds far more than it should.", "Save it again from the app.")
        where = f"The shot's field '{shown(path, PATH_SHOWN)}'"
        if isinstance(value, float) and not math.isfinite(value):
            raise ShotError(f"{where} is not a number.", _FIX, field=path)
        if isinstance(value, int) and abs(value) > MOST_WHOLE:
            raise ShotError(f"{where} is far too large a number.", _FIX, field=path)
        if isinstance(value, str) and not is_text(value):
            raise ShotError(f"{where} holds characters that cannot be kept.", "Write it again as plain text.", field=path)
        if isinstance(value, Mapping):
            if not all(isinstance(key, str) and is_text(key) for key in value):
                raise ShotError(f"{where} has a name that cannot be kept.", "Write names as plain text.", field=path)
            todo += [(item, f"{path}.{key}".lstrip("."), deep + 1) for key, item in value.items()]
        elif isinstance(value, list | tuple):
            todo += [(item, f"{path}.{i}", deep + 1) for i, item in enumerate(value)]


def _in_words(error: Any) -> ShotError:
    """One jsonschema error as a sentence a bowyer can act on."""
    title = error.schema.get("title", "value")
    value, rule, unit = error.instance, error.validator, error.schema.get("x-unit", "")
    where = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in error.absolute_path).lstrip(".")
    if rule in ("minimum", "maximum"):
        low, high = error.schema.get("minimum"), error.schema.get("maximum")
        text = f"The {title} is {value:g} {unit}, but can only lie between {low:g} and {high:g} {unit}."
        return ShotError(text, _FIX, field=where, value=value)
    if rule == "required":
        missing = next(name for name in error.validator_value if name not in value)
        known = shot_schema()["properties"]
        title = {**known, **known["scale"]["properties"]}[missing]["title"]
        return ShotError(f"The {title} is missing.", f"Give it as '{missing}' in the shot.", field=missing)
    if rule == "enum":
        choices = ", ".join(map(str, error.validator_value))
        return ShotError(
            f"The {title} cannot be {shown(repr(value), BRIEF)}.", f"Choose one of: {choices}.", field=where, value=value
        )
    if rule == "const":
        return ShotError(
            f"The {title} is {shown(repr(value), BRIEF)}, which is not known here.", f"It must be {error.validator_value!r}."
        )
    if rule in ("minItems", "maxItems") and where == "marks_px":
        need = error.validator_value
        return ShotError(f"{len(value)} marks are clicked, but this scale needs {need}.", f"Click {need} marks.")
    return ShotError(
        f"The shot's field '{shown(where, PATH_SHOWN) or 'whole file'}' is not of the right form.", _FIX, field=where
    )


def _build(form: Mapping[str, Any]) -> Shot:
    known = shot_schema()["properties"]
    lengths = {name: form[key] * MM_PER_INCH for key, name in LENGTHS.items() if key in form}
    weight = form.get("scale_reading_lb")
    return Shot(
        state=form["state"],
        upper_limb=form["upper_limb"],
        back=form["back"] if form.get("view") != "front" else ACROSS[form["upper_limb"]],
        view=form.get("view", "side"),
        facing=form.get("facing"),
        belly_heated=form.get("belly_heated", False),
        scale=_build_scale(form["scale"]),
        marks_px=tuple(_point(mark) for mark in form.get("marks_px", ())),
        clicks={name: _point(point) for name, point in form.get("clicks", {}).items()},
        set_by_hand=tuple(form.get("set_by_hand", ())),
        edges_px={side: tuple(map(_point, places)) for side, places in form.get("edges_px", {}).items()},
        draw_weight_n=None if weight is None else newtons_from_pounds(weight),
        minutes_since_unstrung=form.get("minutes_since_unstrung"),
        notes=form.get("notes", ""),
        photo_name=form.get("photo"),
        other={key: value for key, value in form.items() if key not in known},
        **lengths,
    )


def _build_scale(form: Mapping[str, Any]) -> Scale:
    lengths = {name: form[key] * MM_PER_INCH for key, name in SCALE_LENGTHS.items() if key in form}
    centres = form.get("centres_in")
    tags: dict[int, Point] | None = None
    if centres is not None:
        tags = {int(tag): (x * MM_PER_INCH, y * MM_PER_INCH) for tag, (x, y) in centres.items()}
        if len(tags) < len(centres):  # "1" and "1\n"
            raise ShotError("One tag's centre is given twice.", "Give each tag once.")
    return Scale(kind=form["kind"], tag_centres_mm=tags, **lengths)


def _point(pair: list[float]) -> Point:
    return (float(pair[0]), float(pair[1]))


def _check_sense(shot: Shot) -> None:
    """What a schema cannot say: fields that contradict each other."""
    from tillerlens.core.clicks import CLICK_UPRIGHT, named_places

    for name, at in named_places(shot):
        if max(map(abs, at)) > MOST_PX:
            raise ShotError(f"The {name} at ({at[0]:g}, {at[1]:g}) lies outside any picture.", CLICK_UPRIGHT, point=at)
    if shot.view == "front" and shot.state == "drawn":
        raise ShotError(
            "A front view is of the bow braced or unstrung, and this one is said to be drawn.",
            "Give the state as braced or unstrung, or the view as side.",
        )
    if shot.view == "side" and shot.facing is not None:
        raise ShotError(
            f"The bow's {shot.facing} is said to face the camera, but the view isn't said to be from the front.",
            "Give the view as front, or leave 'facing' out.",
            field="facing",
        )
    level = shot.upper_limb in ("left", "right")
    if level != (shot.back in ("up", "down")):
        way = "up or down" if level else "left or right"
        raise ShotError(
            f"The upper limb points {shot.upper_limb} and the back looks {shot.back}, which no bow can do.",
            f"With the upper limb at the {shot.upper_limb}, the back looks {way}.",
        )
    if shot.handle_mm > shot.nock_to_nock_mm / 2:
        raise ShotError(
            f"The handle ({shot.handle_mm / MM_PER_INCH:g} in) is longer than half the bow.",
            "Give the length of grip plus fades, and the bow's length from nock to nock.",
        )
    if shot.upper_limb_length_mm is not None and shot.upper_limb_length_mm >= shot.nock_to_nock_mm:
        raise ShotError("The upper limb is longer than the whole bow.", "Give it from the handle's centre to the nock.")
    _check_tags(shot.scale)
    _check_marks(shot)


def _check_tags(scale: Scale) -> None:
    centres = list((scale.tag_centres_mm or {}).items())
    for i, (tag, here) in enumerate(centres):
        for other, there in centres[i + 1 :]:
            if scale.side_mm is not None and math.dist(here, there) < scale.side_mm:
                raise ShotError(
                    f"The centres given for tags {tag} and {other} lie closer together than one tag is wide.",
                    "Measure the distances between the tags' centres again.",
                )


def _check_marks(shot: Shot) -> None:
    marks = shot.marks_px
    for i, mark in enumerate(marks):
        if any(math.dist(mark, other) < MIN_MARK_DISTANCE_PX for other in marks[i + 1 :]):
            raise ShotError("Two of the clicked marks lie on top of each other.", "Click marks that are far apart.")
    if shot.scale.kind == "four_marks" and not _in_order(marks, shot.scale):
        raise ShotError(
            "The four marks are not in order round the board.",
            "Click top left, top right, bottom right, bottom left, as the board hangs.",
        )


def _in_order(marks: tuple[Point, ...], scale: Scale) -> bool:
    """Whether four marks run clockwise round a convex figure, the board's longer side along the picture's
    longer.
    """
    steps = [(b[0] - a[0], b[1] - a[1]) for a, b in zip(marks, (*marks[1:], marks[0]), strict=True)]
    turns = [a[0] * b[1] - a[1] * b[0] for a, b in zip(steps, (*steps[1:], steps[0]), strict=True)]
    if min(turns) <= 0:  # y runs down, so a clockwise turn is positive; a crossed figure turns both ways
        return False
    seen = (math.hypot(*steps[0]) + math.hypot(*steps[2])) / (math.hypot(*steps[1]) + math.hypot(*steps[3]))
    assert scale.width_mm is not None and scale.height_mm is not None  # the schema requires both
    # Started at the wrong corner, the shape reads on its side. Nearly square boards and very oblique views
    # can't tell.
    return abs(math.log(seen * scale.height_mm / scale.width_mm)) < math.log(2.0)


def _check_photo(named: str, photo_name: str) -> None:
    if Path(named).name.casefold() != Path(photo_name).name.casefold():
        raise ShotError(
            f"The shot belongs to {Path(named).name}, not to {Path(photo_name).name}.",
            "Give the shot file of this photograph, or change its 'photo' field.",
            named=named,
            photo=photo_name,
        )
