"""The printed measurement document: its schema, and documents read back (the shape at rest)."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

from tillerlens.core.errors import DocumentError
from tillerlens.core.json_form import JsonObject
from tillerlens.core.measurement import LIMBS, Measurement, measurement_of
from tillerlens.core.reading import parse_json, read_file, schema_of, shown
from tillerlens.core.shot import Shot
from tillerlens.core.units import MM_PER_INCH, format_inches

# Two tapes along one bow, or along its stiff middle, agree to within this (common practice, no source); more is another bow.
SAME_BOW_MM = MM_PER_INCH
MAX_FILE_MB = 100.0  # some hundred measurements


def measurement_schema() -> JsonObject:
    """The JSON Schema of the measurement document."""
    return schema_of("measurement")


_NUMBER = {"type": ["number", "null"]}
_POINT = {"type": "array", "items": _NUMBER, "minItems": 2, "maxItems": 2}
_NUMBER_TYPES = {float, int, type(None)}  # and no bool, which Python takes for a whole number


@cache
def document_validator() -> Any:
    """The schema's validator.

    Most of a document is lists of numbers and of points. Each is looked at in one go, and number by number only where
    something in it is wrong: the errors are the same, and a good document takes a tenth of the time.
    """
    from jsonschema import Draft202012Validator
    from jsonschema.validators import extend

    one_by_one = Draft202012Validator.VALIDATORS["items"]
    points = {"$ref": "#/$defs/point"} if measurement_schema()["$defs"]["point"] == _POINT else None

    def items(validator: Any, form: Any, instance: Any, schema: Any) -> Iterator[Any]:
        if isinstance(instance, list):
            if form == _NUMBER and {type(v) for v in instance} <= _NUMBER_TYPES:
                return
            pairs = form == points and all(type(p) is list and len(p) == 2 for p in instance)
            if pairs and {type(v) for p in instance for v in p} <= _NUMBER_TYPES:
                return
        yield from one_by_one(validator, form, instance, schema)

    return extend(Draft202012Validator, {"items": items})(measurement_schema())


def read_documents(path: Path) -> list[Measurement]:
    """The measurements of a file: one, or the list printed for several photographs. Raises DocumentError."""
    return parse_documents(read_file(Path(path), MAX_FILE_MB, DocumentError), shown(Path(path).name))


def parse_documents(data: bytes, name: str) -> list[Measurement]:
    """The measurements in a file's bytes. name: what errors call it. Raises DocumentError."""
    again = "Measure the picture again with --json and keep what is printed."
    try:
        printed = parse_json(data)
    except ValueError as error:
        raise DocumentError(f"{name} is not a measurement: it is not JSON ({error}).", again) from error
    documents = printed if isinstance(printed, list) else [printed]
    if not documents:
        raise DocumentError(f"{name} holds no measurement.", again)
    for document in documents:
        if not isinstance(document, dict) or document.get("format") != "tillerlens-measurement":
            raise DocumentError(f"{name} is not a measurement document.", again)
        where = fault_in(document)
        if where is not None:
            raise DocumentError(f"The measurement {name} is not of the right form at '{where}'.", again)
    return [measurement_of(document) for document in documents]


def as_json(found: Measurement) -> str:
    """A measurement's document as one text, the same for the same measurement."""
    return json.dumps(found.as_document(), sort_keys=True)


def from_json(text: str | None) -> Measurement | None:
    """Back from what ``as_json`` wrote; None for none."""
    return None if text is None else measurement_of(json.loads(text))


def fault_in(document: object) -> str | None:
    """Where a document is not of the schema's form, its names joined with dots; None where it is."""
    fault = next(iter(document_validator().iter_errors(document)), None)
    return None if fault is None else ".".join(map(str, fault.absolute_path)) or "the whole"


def read_one(path: Path) -> Measurement:
    """The one measurement of a file. Raises DocumentError, also where the file holds several."""
    documents = read_documents(path)
    if len(documents) > 1:
        raise DocumentError(
            f"{Path(path).name} holds {len(documents)} measurements, but one is needed here.",
            "Give a file with that one picture's measurement.",
        )
    return documents[0]


def read_rest(path: Path) -> Measurement:
    """The measurement of an unstrung bow. Raises DocumentError with what to do."""
    return as_rest(read_one(path), shown(Path(path).name))


def as_rest(found: Measurement, name: str) -> Measurement:
    """The measurement, if it is of a bow unstrung; else raises DocumentError."""
    if found.status != "measured" or found.state != "unstrung" or len(found.profile) != len(LIMBS):
        raise DocumentError(f"{name} is not a measurement of the bow unstrung.", "Give that of the unstrung bow.")
    return found


def differing_size(a: Shot | None, b: Shot | None) -> tuple[str, float, float] | None:
    """What shows that two shots are of different bows: the word for it and both sizes (mm); None where they may be of one."""
    if a is None or b is None:
        return None
    for word, *sizes in (("length", a.nock_to_nock_mm, b.nock_to_nock_mm), ("handle", a.handle_mm, b.handle_mm)):
        if abs(sizes[0] - sizes[1]) > SAME_BOW_MM:
            return word, sizes[0], sizes[1]
    return None


def check_same_bow(rest: Measurement, shot: Shot) -> None:
    """Raise DocumentError when the bow at rest has another length or handle than the bow of this shot."""
    found = differing_size(rest.shot, shot)
    if found is not None:
        word, rest_mm, here_mm = found
        raise DocumentError(
            f"The bow at rest and this bow have different {word}s, {format_inches(rest_mm)} and {format_inches(here_mm)}.",
            f"Give the measurement of the same bow unstrung, or correct the {word} where it was mistyped.",
            rest_mm=rest_mm,
        )
