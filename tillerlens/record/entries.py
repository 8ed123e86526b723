"""What a record holds, as plain frozen objects: bows, stages, measurements made, corrections, events.

Their printed form is ``as_document``; its schema is ``schemas/record.schema.json``. SI inside: mm, N, kg, m/s, degrees
Celsius by name. Times are aware and in UTC. Notes and names are plain text: whoever shows them as HTML must escape them.
"""

from __future__ import annotations

import json
import math
import re
import time
import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, datetime
from functools import cache
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from tillerlens.core.errors import TillerLensError
from tillerlens.core.events import DETAILS, Details, EventKind, Face, NoteDetails, ScrapeDetails
from tillerlens.core.json_form import JsonObject
from tillerlens.core.reading import is_text, schema_of
from tillerlens.core.shot import State
from tillerlens.core.units import format_inches, format_pounds, newtons_from_pounds

if TYPE_CHECKING:
    from tillerlens.core.measurement import Value

StageStatus = Literal["measured", "needs_help", "refused", "unmeasured"]

LONGEST_NAME = 200
_TEXTS = ("name", "wood", "made", "notes")  # of a bow, empty where nothing is known
_DERIVED = {"derived": True}  # follows from other entries, so it does not travel


class RecordError(TillerLensError):
    """The record cannot be opened, read or written as asked."""

    code = "record"


class DamagedEntry(RecordError):
    """Something in the record is no longer what was kept. fields: ``kind``, ``id``, ``bow_id`` and ``stage_id`` where known."""

    code = "damaged"


class NoRecord(RecordError):
    """There is no record at the place named, and none was to be made."""

    code = "no_record"


class LookingOnly(RecordError):
    """The record is open for looking, and somebody tried to change it."""

    code = "looking_only"


class ChangedMeanwhile(RecordError):
    """Somebody else changed the same entry since it was read; ``fields['now']`` is the entry as it is."""

    code = "changed_meanwhile"


def new_id() -> str:
    return str(uuid.uuid4())


def now() -> datetime:
    return datetime.fromtimestamp(time.time(), UTC)


@dataclass(frozen=True)
class Bow:
    """A bow as its maker knows it, with what is wished of it. None: not known. ``version`` grows with every change."""

    name: str
    wood: str = ""
    made: str = ""  # in words: "March 2025"
    length_mm: float | None = None  # nock to nock
    handle_mm: float | None = None  # grip and fades
    upper_limb_length_mm: float | None = None
    limb_width_mm: float | None = None
    limb_thickness_mm: float | None = None
    handle_thickness_mm: float | None = None
    form_reflex_mm: float | None = None
    wish_weight_n: float | None = None
    wish_draw_mm: float | None = None
    wish_draw_to: Face | None = None
    wish_tiller_low_mm: float | None = None  # upper minus lower gap
    wish_tiller_high_mm: float | None = None
    notes: str = ""
    id: str = field(default_factory=new_id)
    added_at: datetime = field(default_factory=now)
    version: int = field(default=0, metadata=_DERIVED)


@dataclass(frozen=True)
class Stage:
    """One picture (or a moment of a video) of a bow. ``state`` and ``minutes_since_unstrung`` repeat the shot's.

    status, made_by, values: of the latest measurement made with this very shot; "unmeasured" when there is none. values:
    name -> {"value", "u", "unit"}, null where not known; the whole document is ``store.measurement``.
    """

    bow_id: str
    sequence: int
    taken_at: datetime
    state: State
    photo_name: str  # what the bowyer's file was called, for people
    sha256: str  # of the original's bytes
    media: str
    size_bytes: int
    shot: JsonObject  # as the shot file holds it, perhaps not yet whole
    minutes_since_unstrung: float | None = None
    video_time_s: float | None = None
    rest_stage_id: str | None = None
    notes: str = ""
    id: str = field(default_factory=new_id)
    added_at: datetime = field(default_factory=now)
    status: StageStatus = field(default="unmeasured", metadata=_DERIVED)
    made_by: str = field(default="", metadata=_DERIVED)
    values: JsonObject = field(default_factory=dict, metadata=_DERIVED)
    version: int = field(default=0, metadata=_DERIVED)

    def value(self, name: str) -> Value | None:
        """One number of the latest measurement, without its budget; None where it was not measured."""
        from tillerlens.core.measurement import read_value

        kept = self.values.get(name)
        return None if kept is None or kept["value"] is None else read_value(kept)

    @property
    def scale_reading_n(self) -> float | None:
        """What the scale read when the picture was taken."""
        pounds = self.shot.get("scale_reading_lb")
        return newtons_from_pounds(float(pounds)) if pounds else None

    @property
    def from_front(self) -> bool:
        """Whether the picture is of the bow from its belly or back; those tell nothing of how it bends."""
        return self.shot.get("view") == "front"

    @property
    def pose(self) -> str:
        """``braced``, or ``braced, belly view``: what a picture is called beside others."""
        return f"{self.state}, {self.shot.get('facing')} view" if self.from_front else self.state


@dataclass(frozen=True)
class Measured:
    """One measurement made of a stage; ``sha256`` is of its document's canonical text. sequence: the later, the higher."""

    stage_id: str
    made_by: str
    sha256: str
    id: str = field(default_factory=new_id)
    made_at: datetime = field(default_factory=now)
    sequence: int = 0


@dataclass(frozen=True)
class FieldChange:
    """One field of a shot before and after, parts of its name joined by dots; None: it was not there."""

    field: str
    old: Any
    new: Any


@dataclass(frozen=True)
class Correction:
    """Who changed what of a stage's shot."""

    stage_id: str
    who: str
    changes: tuple[FieldChange, ...]
    reason: str = ""
    id: str = field(default_factory=new_id)
    made_at: datetime = field(default_factory=now)
    sequence: int = 0


@dataclass(frozen=True)
class Event:
    """Something done to or learnt of a bow between pictures; ``details`` are of the kind's own type."""

    bow_id: str
    kind: EventKind
    happened_at: datetime
    details: Details = NoteDetails()
    notes: str = ""
    who: str = ""
    stage_id: str | None = None
    id: str = field(default_factory=new_id)
    added_at: datetime = field(default_factory=now)
    version: int = field(default=0, metadata=_DERIVED)
    sequence: int = 0


Entry = TypeVar("Entry", Bow, Stage, Measured, Correction, Event)
_SCHEMA_NAMES = {Bow: "bow", Stage: "stage", Measured: "measured", Correction: "correction", Event: "event"}


# --- printed form -------------------------------------------------------------------------------------------


def canonical(document: Any) -> str:
    """The one JSON text of a document: names sorted, so that equal documents are equal bytes. ValueError for NaN."""
    return json.dumps(document, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def as_document(entry: Bow | Stage | Measured | Correction | Event, whole: bool = False) -> JsonObject:
    """An entry as it is printed and exported. whole: with what follows from other entries (a stage's values) as well."""
    document = {f.name: getattr(entry, f.name) for f in fields(entry) if whole or not f.metadata.get("derived")}
    return {k: say_time(v) if isinstance(v, datetime) else as_json(v) for k, v in document.items()}


def as_json(value: Any) -> Any:
    """One field of an entry as the tables and the printed form hold it."""
    if isinstance(value, Details):
        return value.as_dict()
    return [vars(c) for c in value] if isinstance(value, tuple) else value


def bow_of(fields: Mapping[str, object], bow: Bow | None = None) -> Bow:
    """A bow of what was typed, or one with some of its fields changed; None: not known. ``check_entry`` says what cannot be."""
    typed: JsonObject = {name: "" if value is None and name in _TEXTS else value for name, value in fields.items()}
    return Bow(**typed) if bow is None else replace(bow, **typed)


def read_details(kind: str, given: Mapping[str, object]) -> Details:
    """An event's details from what is kept or typed; None: not noted. Raises RecordError when they are not of the kind's form."""
    if kind not in DETAILS:
        raise RecordError(f"The kind of event cannot be {kind!r}.", f"Choose one of: {', '.join(DETAILS)}.", field="kind")
    known = {name: value for name, value in given.items() if value is not None}
    if kind == "note" and known:
        raise RecordError("A note's details are not of the right form.", "Write all of it into the notes.", field="details")
    if kind != "note":
        check_form(kind, known)
    return details_of(kind, known)


def details_of(kind: str, known: Mapping[str, object]) -> Details:
    """``read_details`` of what is already checked."""
    return DETAILS[kind].of(known)


def from_document(kind: type[Entry], document: Mapping[str, Any]) -> Entry:
    """An entry from its printed form. Raises RecordError when it is not of the schema's form."""
    check_form(_SCHEMA_NAMES[kind], document)
    try:
        times = {k: datetime.fromisoformat(v).astimezone(UTC) for k, v in document.items() if k.endswith("_at")}
    except (ValueError, OverflowError) as error:
        raise RecordError("One of the times is on no calendar.", "Correct it.") from error
    read: JsonObject = {**document, **times}
    if kind is Event:
        read["details"] = read_details(document["kind"], document["details"])
    if kind is Correction:
        read["changes"] = read_changes(document["changes"])
    return kind(**read)


def read_changes(given: Sequence[Mapping[str, Any]]) -> tuple[FieldChange, ...]:
    return tuple(FieldChange(**c) for c in given)


def check_entry(entry: Entry) -> Entry:
    """The entry itself, when it is of the schema's form and makes sense; else RecordError says what to correct."""
    for f in fields(entry):
        value = getattr(entry, f.name)
        if isinstance(value, datetime) and value.tzinfo is None:
            raise RecordError("A time without its zone cannot be kept.", "Give the time with its zone.", field=f.name)
    check_form(_SCHEMA_NAMES[type(entry)], as_document(entry))
    if isinstance(entry, Event) and isinstance(entry.details, ScrapeDetails):
        start, end = entry.details.from_nock_mm
        if start >= end:
            raise RecordError("A scrape has to end nearer the handle than it starts.", "Give the place nearer the nock first.")
    if isinstance(entry, Bow):
        low, high = entry.wish_tiller_low_mm, entry.wish_tiller_high_mm
        if low is not None and high is not None and low > high:
            raise RecordError("The target tiller's low end is above its high end.", "Give the lower one first.")
    return entry


def say_time(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="microseconds")


def plain_name(name: str) -> str:
    """A file's name without folders and unprintable characters, for people only: nothing is ever opened by it."""
    last = re.split(r"[\\/]", name)[-1]
    clean = "".join(c for c in last if c.isprintable()).strip()
    stem, dot, ending = clean.rpartition(".")
    if len(clean) > LONGEST_NAME and stem:
        clean = stem[: LONGEST_NAME - len(ending[:10]) - 1] + dot + ending[:10]
    return clean[:LONGEST_NAME] or "picture"


# --- checks -------------------------------------------------------------------------------------------------


def record_schema() -> JsonObject:
    """The JSON Schema of everything that a record holds."""
    return schema_of("record")


@cache
def _validator(name: str) -> Any:
    from jsonschema import Draft202012Validator

    return Draft202012Validator({"$ref": f"#/$defs/{name}", "$defs": record_schema()["$defs"]})


def check_form(name: str, document: Any) -> None:
    """Raise RecordError when a document is not of the form that the schema gives under this name."""
    for value in _leaves(document):
        if isinstance(value, float) and not math.isfinite(value):
            raise RecordError("A number is missing or infinite.", "Give a number, or leave the field out.")
        if isinstance(value, str) and not is_text(value):
            raise RecordError("A text holds characters that cannot be kept.", "Write it again as plain text.")
    errors = sorted(_validator(name).iter_errors(document), key=lambda e: (len(e.absolute_path), str(list(e.absolute_path))))
    if errors:
        raise _in_words(errors[0])


def _leaves(value: Any) -> Iterator[Any]:
    if isinstance(value, Mapping):
        for key, item in value.items():
            yield key
            yield from _leaves(item)
    elif isinstance(value, list | tuple):
        for item in value:
            yield from _leaves(item)
    else:
        yield value


def _say_number(number: float, unit: str) -> str:
    if unit == "mm":
        return format_inches(number)
    return format_pounds(number) if unit == "N" else f"{number:g} {unit}".strip()


def _in_words(error: Any) -> RecordError:
    """One fault of form as a sentence a bowyer can act on."""
    rule, value, schema = error.validator, error.instance, error.schema
    path = ".".join(map(str, error.absolute_path))
    title, unit = schema.get("title", path or "entry"), schema.get("x-unit", "")
    if rule in ("minimum", "maximum", "exclusiveMinimum"):
        low, high = schema.get("minimum", schema.get("exclusiveMinimum")), schema.get("maximum")
        at, low, high = (None if n is None else _say_number(n, unit) for n in (value, low, high))
        span = f"between {low} and {high}" if high is not None else f"from {low}"
        return RecordError(f"The {title} is {at}, but can only lie {span}.", "Correct it.", field=path)
    if rule in ("required", "dependentRequired"):
        known = schema.get("properties", {})
        wanted = error.validator_value if rule == "required" else [w for ws in error.validator_value.values() for w in ws]
        missing = next((w for w in wanted if w not in value), "")
        field = known.get(missing, {})
        field = {**record_schema()["$defs"].get(field.get("$ref", "").rpartition("/")[2], {}), **field}
        return RecordError(f"The {field.get('title', missing)} is missing.", "Give it.", field=missing)
    if rule == "enum":
        choices = ", ".join(str(c) for c in error.validator_value if c is not None)
        return RecordError(f"The {title} cannot be {value!r}.", f"Choose one of: {choices}.", field=path)
    if rule in ("minLength", "pattern") and not str(value).strip():
        return RecordError(f"The {title} is empty.", "Write it.", field=path)
    if rule == "maxLength":
        return RecordError(f"The {title} is longer than {error.validator_value} characters.", "Shorten it.", field=path)
    if rule in ("anyOf", "minProperties") and title == "moisture":
        return RecordError("A moisture needs a reading, or the air's temperature and humidity.", "Give one of them.")
    if rule == "additionalProperties":
        extra = ", ".join(sorted(k for k in value if k not in schema.get("properties", {})))
        return RecordError(f"'{extra}' is not known here.", "Leave it out, or put it into the notes.", field=path)
    return RecordError(f"The {title} is not of the right form.", "Correct it.", field=path)
