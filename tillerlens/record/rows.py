"""Rows of the tables and the entries they stand for. A row that a fault of the disk has changed is told, never handed on.

Every row is held to the schema as it is read, with checks compiled from it once: a library's validation of each row would take
longer than all the rest of showing a shelf.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields
from datetime import datetime
from functools import cache
from typing import Any

from sqlalchemy import Connection, insert, select

from tillerlens.core.json_form import JsonObject
from tillerlens.core.reading import is_text
from tillerlens.record.entries import (
    Bow,
    Correction,
    DamagedEntry,
    Entry,
    Event,
    Measured,
    RecordError,
    Stage,
    as_json,
    check_entry,
    details_of,
    read_changes,
    record_schema,
)
from tillerlens.record.models import BowRow, CorrectionRow, EventRow, MeasuredRow, StageRow

ROWS: dict[type, Any] = {Bow: BowRow, Stage: StageRow, Measured: MeasuredRow, Correction: CorrectionRow, Event: EventRow}
# Numbers from the database come before the clock, which may be set back. Entries made in two shops may share a number; their
# times and identities then decide, the same in both shops.
OLDEST_FIRST: dict[type, tuple[Any, ...]] = {
    Stage: (StageRow.taken_at, StageRow.sequence, StageRow.id),
    Measured: (MeasuredRow.sequence, MeasuredRow.made_at, MeasuredRow.id),
    Correction: (CorrectionRow.sequence, CorrectionRow.made_at, CorrectionRow.id),
    Event: (EventRow.happened_at, EventRow.sequence, EventRow.id),
}
NAMES: dict[type, str] = {Bow: "bow", Stage: "stage", Measured: "measurement", Correction: "correction", Event: "event"}
_REMEDY = "'tillerlens check' tells what else is; put it back from an export or from the folder 'backups'."
Fits = Callable[[Any], bool]


def columns(kind: type[Entry]) -> list[Any]:
    """The table's columns in the order of the entry's fields, so that ``kind(*row)`` makes one."""
    return [getattr(ROWS[kind], f.name) for f in fields(kind)]


def put(connection: Connection, entry: Entry) -> Entry:
    check_entry(entry)
    connection.execute(insert(ROWS[type(entry)]).values({f.name: as_json(getattr(entry, f.name)) for f in fields(entry)}))
    return entry


def put_document(connection: Connection, measured: Measured, text: str) -> None:
    check_entry(measured)
    row = {f.name: getattr(measured, f.name) for f in fields(measured)}
    connection.execute(insert(MeasuredRow).values({**row, "document": text}))


def one(connection: Connection, kind: type[Entry], id: str) -> Entry:
    row = connection.execute(select(*columns(kind)).where(ROWS[kind].id == id)).first()
    if row is None:
        raise RecordError(f"This {kind.__name__.lower()} is no longer in the record.", "Look at the list again.", id=id)
    return _entry(kind, row)


def many(
    connection: Connection,
    kind: type[Entry],
    *where: Any,
    order: Sequence[Any] = (),
    damaged: list[DamagedEntry] | None = None,
) -> list[Entry]:
    """The entries that fit. damaged: takes what is said of rows that cannot be read; without it the first one is raised."""
    found = []
    for row in connection.execute(select(*columns(kind)).where(*where).order_by(*order)).all():
        try:
            found.append(_entry(kind, row))
        except DamagedEntry as error:
            if damaged is None:
                raise
            damaged.append(error)
    return found


def document_of(connection: Connection, measured: Measured) -> tuple[str, JsonObject]:
    """A measurement document's text and what it says, held to the hash that was taken when it was kept."""
    text = connection.execute(select(MeasuredRow.document).where(MeasuredRow.id == measured.id)).scalar()
    if text is None:
        raise RecordError("This measurement is no longer in the record.", "Look at the list again.", id=measured.id)
    if not isinstance(text, str) or hash_of(text) != measured.sha256:
        raise DamagedEntry(
            f"The measurement [{measured.id[:8]}] of the stage [{measured.stage_id[:8]}] is damaged.",
            "Measure the stage again, or import an export that holds it.",
            kind="measurement",
            id=measured.id,
            stage_id=measured.stage_id,
        )
    document: JsonObject = json.loads(text)
    return text, document


def hash_of(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()


# --- is a row still what was kept? ----------------------------------------------------------------------------


def _entry(kind: type[Entry], row: Sequence[Any]) -> Entry:
    for check, value in zip(_checks(NAMES[kind]), row, strict=True):
        name, title, fits = check
        if not fits(value):
            raise _damaged(kind, row, title or name)
    if kind is Event or kind is Correction:
        return kind(*_read(kind, row))
    return kind(*row)


def _read(kind: type[Entry], row: Sequence[Any]) -> list[Any]:
    """A row with its JSON made into what an entry holds."""
    names, read = [f.name for f in fields(kind)], list(row)
    if kind is Correction:
        at = names.index("changes")
        read[at] = read_changes(row[at])
    else:
        at, event = names.index("details"), row[names.index("kind")]
        if not _fits_def(event)(row[at]):
            raise _damaged(kind, row, "details")
        read[at] = details_of(event, row[at])
    return read


def _damaged(kind: type, row: Sequence[Any], what: str) -> DamagedEntry:
    known: JsonObject = {f.name: v for f, v in zip(fields(kind), row, strict=True)}
    name = next((v for k in ("name", "photo_name", "kind") if isinstance(v := known.get(k), str) and v.isprintable()), "")
    about = f"{NAMES[kind]} {name} " if name else f"{NAMES[kind]} "
    short = str(known["id"])[:8]
    return DamagedEntry(
        f"The {about}[{short if short.isprintable() else '?'}] is damaged in the record: its {what} cannot be read.",
        _REMEDY,
        kind=NAMES[kind],
        id=str(known["id"]),
        bow_id=known.get("bow_id", known["id"] if kind is Bow else None),
        stage_id=known.get("stage_id", known["id"] if kind is Stage else None),
        name=name,
    )


@cache
def _checks(name: str) -> tuple[tuple[str, str, Fits], ...]:
    """For each field of an entry: its name, its title, and whether a value from the database fits."""
    kind = next(k for k, n in NAMES.items() if n == name)
    form = record_schema()["$defs"]["measured" if kind is Measured else name]["properties"]
    own: dict[str, Fits] = {
        "status": _among("measured", "needs_help", "refused", "unmeasured"),
        "made_by": _is_text,
        "values": _are_values,
        "version": _is_whole,
    }
    found = []
    for f in fields(kind):
        schema = form.get(f.name, {})
        fits = _is_time if f.name.endswith("_at") else _compiled(schema) if schema else own[f.name]
        found.append((f.name, schema.get("title", f.name.replace("_", " ")), fits))
    return tuple(found)


def _is_time(value: Any) -> bool:
    return isinstance(value, datetime)


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and (value.isascii() or is_text(value))  # bytes that were no text are halves of characters


def _are_values(values: Any) -> bool:
    return isinstance(values, dict) and all(
        isinstance(v, dict)
        and isinstance(v.get("unit"), str)
        and all(k in v and (v[k] is None or _is_number(v[k])) for k in ("value", "u"))
        for v in values.values()
    )


def _among(*choices: Any) -> Fits:
    allowed = {c for c in choices if c is not None}
    null = None in choices
    return lambda value: null if value is None else isinstance(value, str) and value in allowed


@cache
def _fits_def(name: str) -> Fits:
    return _compiled(record_schema()["$defs"].get(name, {"type": "object", "properties": {}, "additionalProperties": False}))


def _resolved(schema: Mapping[str, Any]) -> Mapping[str, Any]:
    if "$ref" in schema:
        return {**record_schema()["$defs"][schema["$ref"].rpartition("/")[2]], **schema}
    return schema


_TYPES: dict[str, Fits] = {
    "number": _is_number,
    "integer": lambda v: _is_number(v) and v == int(v),
    "string": _is_text,
    "object": lambda v: isinstance(v, dict),
    "array": lambda v: isinstance(v, list),
    "null": lambda v: v is None,
}


def _compiled(schema: Any) -> Fits:
    """What of a schema holds of one value, as a plain function; knows the words that the record's schema uses."""
    if schema is True:
        return lambda value: True
    schema = _resolved(schema)
    if "enum" in schema:
        return _among(*schema["enum"])
    if "anyOf" in schema and "type" not in schema:
        some = [_compiled(s) for s in schema["anyOf"]]
        return lambda value: any(fits(value) for fits in some)
    names = schema.get("type", [])
    types = [_TYPES[n] for n in ([names] if isinstance(names, str) else names)]
    low, high, above = (schema.get(k, default) for k, default in (("minimum", -math.inf), ("maximum", math.inf),
                                                                  ("exclusiveMinimum", -math.inf)))  # fmt: skip
    shortest, longest = schema.get("minLength", 0), schema.get("maxLength", math.inf)
    pattern = re.compile(schema["pattern"]) if "pattern" in schema else None
    item = _compiled(schema["items"]) if "items" in schema else None
    fewest, most = schema.get("minItems", 0), schema.get("maxItems", math.inf)
    known = {k: _compiled(s) for k, s in schema.get("properties", {}).items()}
    required, open_ = schema.get("required", ()), schema.get("additionalProperties", True) is not False

    def fits(value: Any) -> bool:
        if types and not any(t(value) for t in types):
            return False
        if isinstance(value, str):
            return shortest <= len(value) <= longest and (pattern is None or pattern.search(value) is not None)
        if isinstance(value, int | float):
            return bool(low <= value <= high and (value > above or above == -math.inf))
        if isinstance(value, list):
            return fewest <= len(value) <= most and (item is None or all(map(item, value)))
        if isinstance(value, dict):
            return all(k in value for k in required) and all(known[k](v) if k in known else open_ for k, v in value.items())
        return True

    return fits
