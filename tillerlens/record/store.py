"""The record's functions: bows, stages, corrections and events in and out, each change whole or not at all.

    with open_record() as record:
        bow = add_bow(record, Bow("Heron", wood="hazel"))
        stage = add_stage(record, bow.id, Path("IMG_0001.jpg"), shot, document=measurement.as_document())
        rows = shelf(record)

Everything returned is a frozen object of ``entries``. Changing one: ``update_bow(record, replace(bow, notes="..."))``; when
somebody else was faster, ChangedMeanwhile is raised and nothing is lost. All functions raise RecordError with what to do.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Iterator, Mapping
from dataclasses import fields, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from sqlalchemy import Connection, delete, func, select, text, update

from tillerlens.core.json_form import JsonObject
from tillerlens.core.shot_file import read_shot
from tillerlens.record import originals
from tillerlens.record.connection import Record, check_may_write, reading, speaking, writing
from tillerlens.record.entries import (
    Bow,
    ChangedMeanwhile,
    Correction,
    DamagedEntry,
    Entry,
    Event,
    FieldChange,
    Measured,
    RecordError,
    Stage,
    as_json,
    canonical,
    check_entry,
    now,
    plain_name,
)
from tillerlens.record.models import BowRow, CorrectionRow, EventRow, MeasuredRow, StageRow
from tillerlens.record.rows import OLDEST_FIRST, ROWS, document_of, many, one, put, put_document

if TYPE_CHECKING:
    from tillerlens.core.measurement import Measurement

Versioned = TypeVar("Versioned", Bow, Stage, Event)
_FIXED = ("id", "bow_id", "sequence", "sha256", "media", "size_bytes", "shot", "state", "minutes_since_unstrung", "added_at")
_LOG = logging.getLogger(__name__)


# --- bows ---------------------------------------------------------------------------------------------------


def add_bow(record: Record, bow: Bow) -> Bow:
    with writing(record) as connection:
        return put(connection, bow)


def get_bow(record: Record, bow_id: str) -> Bow:
    with reading(record) as connection:
        return one(connection, Bow, bow_id)


def list_bows(record: Record, damaged: list[DamagedEntry] | None = None) -> list[Bow]:
    """All bows by name. One that is damaged does not hide the others: it is left out here, and the shelf tells of it.

    damaged: takes what is said of those.
    """
    with reading(record) as connection:
        return sorted(many(connection, Bow, damaged=[] if damaged is None else damaged), key=lambda b: (b.name.casefold(), b.id))


def update_bow(record: Record, bow: Bow) -> Bow:
    with writing(record) as connection:
        return _replace(connection, bow)


def remove_bow(record: Record, bow_id: str) -> None:
    """Take a bow out with all that belongs to it; its pictures go with the next ``tidy.sweep``."""
    _remove(record, Bow, bow_id)


def find_bow(record: Record, words: str) -> Bow:
    """The bow that a person means: by its name, or by its identity's beginning (four characters at least)."""
    damaged: list[DamagedEntry] = []
    bows = list_bows(record, damaged)
    for fits in (
        [b for b in bows if words == b.id],
        [b for b in bows if b.name.casefold() == words.strip().casefold()],
        [b for b in bows if len(words) >= 4 and b.id.startswith(words.lower())],
    ):
        if len(fits) == 1:
            return fits[0]
        if fits:
            ids = ", ".join(b.id[:8] for b in fits)
            raise RecordError(f"Several bows are called '{words}': {ids}.", "Give the beginning of one's identity instead.")
    meant = words.strip().casefold()
    for fault in damaged:
        if fault.fields["name"].casefold() == meant or (len(meant) >= 4 and fault.fields["id"].startswith(meant)):
            raise fault
    raise RecordError(f"There is no bow '{words}'.", "List the bows to see their names.", given=words)


# --- stages -------------------------------------------------------------------------------------------------


def add_stage(
    record: Record,
    bow_id: str,
    photo: Path | bytes,
    shot: Mapping[str, Any],
    *,
    name: str = "",
    document: Measurement | None = None,
    taken_at: datetime | None = None,
    video_time_s: float | None = None,
    rest_stage_id: str | None = None,
    notes: str = "",
) -> Stage:
    """Keep a picture (or a moment of a video) with its shot and, where it has been measured, its measurement.

    photo: the file as it came from the phone. name: what it was called. taken_at: when; else what the camera wrote, else now.
    rest_stage_id: the unstrung stage that the measurement was judged against. Raises RecordError and ShotError.
    """
    check_may_write(record)
    name = plain_name(name or (photo.name if isinstance(photo, Path) else ""))
    form = read_shot(shot).as_dict()
    with speaking(record):
        kept = originals.keep(record.folder, photo, name)
    try:
        stage = Stage(
            bow_id=bow_id,
            sequence=0,
            taken_at=taken_at or originals.taken_at(photo) or now(),
            photo_name=name,
            sha256=kept.sha256,
            media=kept.media,
            size_bytes=kept.size_bytes,
            shot=form,
            video_time_s=video_time_s,
            rest_stage_id=rest_stage_id,
            notes=notes,
            **_said_by(form),
        )
        written = None if document is None else _written(document, stage)  # takes a while: not in the others' way
        with writing(record) as connection:
            lock_bow(connection, bow_id)
            _check_belongs(connection, stage.rest_stage_id, bow_id)
            stage = put(connection, replace(stage, sequence=_next(connection, StageRow, StageRow.bow_id == bow_id)))
            if written is not None:
                stage = _put_measurement(connection, stage, written)
            if not originals.place_of(record.folder, kept.sha256).exists():
                originals.keep(record.folder, photo, name)  # swept away before the row stood; nobody sweeps now
            return stage
    except BaseException:
        if kept.fresh:
            drop_unused(record, kept.sha256)
        raise


def get_stage(record: Record, stage_id: str) -> Stage:
    with reading(record) as connection:
        return one(connection, Stage, stage_id)


def list_stages(record: Record, bow_id: str | None = None) -> list[Stage]:
    """The stages of a bow, or of all bows, in order of time."""
    where = [] if bow_id is None else [StageRow.bow_id == bow_id]
    with reading(record) as connection:
        return many(connection, Stage, *where, order=OLDEST_FIRST[Stage])


def update_stage(record: Record, stage: Stage) -> Stage:
    """Change a stage's notes, time, place in the video or stage at rest. Its shot changes by ``correct_stage`` only."""
    with writing(record) as connection:
        before = one(connection, Stage, stage.id)
        if any(getattr(before, name) != getattr(stage, name) for name in _FIXED):
            raise RecordError(
                "A picture and its shot cannot be exchanged.", "Correct the shot, or add the other picture as a new stage."
            )
        _check_belongs(connection, stage.rest_stage_id, stage.bow_id)
        return _replace(connection, stage)


def remove_stage(record: Record, stage_id: str) -> None:
    _remove(record, Stage, stage_id)


def find_stage(record: Record, words: str) -> Stage:
    """The stage that a person means: ``BOW:3`` for a bow's third in time (``BOW:last``), or its identity's beginning."""
    bow_words, colon, number = words.rpartition(":")
    if colon:
        stages = list_stages(record, find_bow(record, bow_words).id)
        at = len(stages) if number == "last" else int(number) if number.isdecimal() else 0
        if not 1 <= at <= len(stages):
            raise RecordError(
                f"'{bow_words}' has {len(stages)} stages, and none is '{number}'.", "List its stages to see their numbers."
            )
        return stages[at - 1]
    with reading(record) as connection:
        fits = many(connection, Stage, StageRow.id.startswith(words.lower(), autoescape=True)) if len(words) >= 4 else []
    if len(fits) != 1:
        many_or_no = "Several stages begin" if fits else "No stage begins"
        raise RecordError(
            f"{many_or_no} with '{words}'.", "Write BOW:3 for a bow's third stage, or more of the identity.", given=words
        )
    return fits[0]


def original(record: Record, stage: Stage) -> bytes:
    """The picture's or video's bytes, checked against their hash."""
    return originals.read(record.folder, stage.sha256, stage.photo_name)


# --- measurements and corrections ---------------------------------------------------------------------------


def measurement(record: Record, stage_id: str) -> Measurement | None:
    """The stage's measurement, whole: the latest made with its present shot; None when there is none."""
    with reading(record) as connection:
        found = current(connection, one(connection, Stage, stage_id))
    if found is None:
        return None
    from tillerlens.core.measurement import measurement_of  # not before one is asked for: it takes its time

    return measurement_of(found[1])


def list_measurements(record: Record, stage_id: str) -> list[Measured]:
    """Every measurement ever made of a stage, oldest first."""
    with reading(record) as connection:
        return many(connection, Measured, MeasuredRow.stage_id == stage_id, order=OLDEST_FIRST[Measured])


def save_measurement(record: Record, stage_id: str, document: Measurement) -> Stage:
    """Keep a new measurement of a stage, made with its present shot; earlier ones stay in the history."""
    stage = get_stage(record, stage_id)
    written = _written(document, stage)
    with writing(record) as connection:
        lock_bow(connection, stage.bow_id)
        return _put_measurement(connection, one(connection, Stage, stage_id), written)


def correct_stage(
    record: Record,
    stage: Stage,
    shot: Mapping[str, Any],
    who: str,
    *,
    document: Measurement | None = None,
    reason: str = "",
) -> Stage:
    """Give a stage another shot (points moved, fields changed), with who did it, and the measurement made with it.

    stage: as it was read; ChangedMeanwhile when it is no longer so. Without a document the stage counts as unmeasured.
    """
    form = read_shot(shot).as_dict()
    changes = changed_fields(stage.shot, form)
    if not changes:
        raise RecordError("Nothing of the shot was changed.", "Move a point or change a field first.")
    correction = Correction(stage.id, who, tuple(changes), reason)
    written = None if document is None else _written(document, stage)
    with writing(record) as connection:
        lock_bow(connection, stage.bow_id)
        put(connection, replace(correction, sequence=_next(connection, CorrectionRow, CorrectionRow.stage_id == stage.id)))
        stage = _replace(connection, replace(stage, shot=form, status="unmeasured", made_by="", values={}, **_said_by(form)))
        return refresh(connection, stage) if written is None else _put_measurement(connection, stage, written)


def list_corrections(record: Record, stage_id: str) -> list[Correction]:
    with reading(record) as connection:
        return many(connection, Correction, CorrectionRow.stage_id == stage_id, order=OLDEST_FIRST[Correction])


def changed_fields(old: Mapping[str, Any], new: Mapping[str, Any], path: str = "") -> list[FieldChange]:
    """What differs between two shots, in order of the fields' names."""
    out: list[FieldChange] = []
    for key in sorted({*old, *new}):
        before, after, place = old.get(key), new.get(key), f"{path}{key}"
        if isinstance(before, Mapping) and isinstance(after, Mapping):
            out += changed_fields(before, after, f"{place}.")
        elif before != after:
            out.append(FieldChange(place, before, after))
    return out


# --- events -------------------------------------------------------------------------------------------------


def add_event(record: Record, event: Event) -> Event:
    with writing(record) as connection:
        lock_bow(connection, event.bow_id)
        _check_belongs(connection, event.stage_id, event.bow_id)
        return put(connection, replace(event, sequence=_next(connection, EventRow, EventRow.bow_id == event.bow_id)))


def list_events(record: Record, bow_id: str, kind: str | None = None) -> list[Event]:
    """The events of a bow in order of time."""
    where = [EventRow.bow_id == bow_id] + ([] if kind is None else [EventRow.kind == kind])
    with reading(record) as connection:
        return many(connection, Event, *where, order=OLDEST_FIRST[Event])


def update_event(record: Record, event: Event) -> Event:
    with writing(record) as connection:
        _check_belongs(connection, event.stage_id, event.bow_id)
        return _replace(connection, event)


def remove_event(record: Record, event_id: str) -> None:
    _remove(record, Event, event_id)


# --- care ---------------------------------------------------------------------------------------------------


def drop_unused(record: Record, sha256: str) -> None:
    """After a failed save: take its original away again, unless a stage has it."""
    if record.doubt is not None:
        return  # the folder may be another record's, and so may the picture
    try:
        with writing(record) as connection:
            if connection.dialect.name == "postgresql":
                connection.execute(text("LOCK TABLE stages IN EXCLUSIVE MODE"))
            if connection.execute(select(StageRow.id).where(StageRow.sha256 == sha256).limit(1)).first() is None:
                originals.place_of(record.folder, sha256).unlink(missing_ok=True)
    except RecordError as error:  # the fault that brought us here is the one to tell; the file waits for the sweep
        _LOG.warning("an original waits for the next sweep: %s", error)


# --- shared with exchange and check ---------------------------------------------------------------------------


def lock_bow(connection: Connection, bow_id: str) -> None:
    """Hold a bow until the end of the change, so that two writers take their turns. (SQLite has one writer anyway.)"""
    if connection.execute(select(BowRow.id).where(BowRow.id == bow_id).with_for_update()).first() is None:
        raise RecordError("This bow is no longer in the record.", "Look at the list of bows again.", id=bow_id)


def _next(connection: Connection, row: Any, where: Any) -> int:
    """The number after the highest; whoever asks holds the bow's lock."""
    last = connection.execute(select(func.max(row.sequence)).where(where)).scalar()
    if last is not None and not isinstance(last, int):
        raise DamagedEntry("A number that keeps this bow's order is damaged in the record.", "Run 'tillerlens check'.")
    return 0 if last is None else last + 1


def _replace(connection: Connection, entry: Versioned) -> Versioned:
    check_entry(entry)
    row, new = ROWS[type(entry)], replace(entry, version=entry.version + 1)
    values = {f.name: as_json(getattr(new, f.name)) for f in fields(new)}
    done = connection.execute(update(row).where(row.id == entry.id, row.version == entry.version).values(values))
    if done.rowcount == 1:
        return new
    there = one(connection, type(entry), entry.id)
    raise ChangedMeanwhile(
        f"Somebody else changed this {type(entry).__name__.lower()} meanwhile.",
        "Look at it again and repeat your change.",
        now=there,
    )


def _remove(record: Record, kind: type[Entry], id: str) -> None:
    with writing(record) as connection:
        one(connection, kind, id)
        connection.execute(delete(ROWS[kind]).where(ROWS[kind].id == id))


def _check_belongs(connection: Connection, stage_id: str | None, bow_id: str) -> None:
    if stage_id is not None and one(connection, Stage, stage_id).bow_id != bow_id:
        raise RecordError("The stage named belongs to another bow.", "Choose a stage of this bow.", stage_id=stage_id)


def _said_by(shot: Mapping[str, Any]) -> JsonObject:
    return {"state": shot["state"], "minutes_since_unstrung": shot.get("minutes_since_unstrung")}


def _written(found: Measurement, stage: Stage) -> JsonObject:
    """The document that is kept of a stage's measurement. Raises RecordError."""
    document = found.as_document()
    check_document(document, stage)
    return document


def check_document(document: Mapping[str, Any], stage: Stage) -> None:
    """Raise RecordError unless this is a measurement document of the stage's picture."""
    from tillerlens.core.document import fault_in

    where = fault_in(document)
    if where is not None:
        raise RecordError(
            f"The measurement of {stage.photo_name} is not of the right form at '{where}'.", "Measure the picture again."
        )
    # a video's frame is a picture of its own
    if stage.video_time_s is None and document["photo"].get("sha256", stage.sha256) != stage.sha256:
        raise RecordError(f"The measurement is of another picture than {stage.photo_name}.", "Measure this picture.")


def _put_measurement(connection: Connection, stage: Stage, document: Mapping[str, Any]) -> Stage:
    if document["shot"] != stage.shot:
        raise RecordError(
            "The measurement was made with another shot than the stage has.", "Measure again with the present shot."
        )
    text = canonical(document)
    sequence = _next(connection, MeasuredRow, MeasuredRow.stage_id == stage.id)
    made = Measured(stage.id, document["made_by"], hashlib.sha256(text.encode()).hexdigest(), sequence=sequence)
    put_document(connection, made, text)
    return refresh(connection, stage)


def _history(connection: Connection, stage: Stage) -> Iterator[tuple[Measured, JsonObject]]:
    latest_first = [c.desc() for c in OLDEST_FIRST[Measured]]
    for made in many(connection, Measured, MeasuredRow.stage_id == stage.id, order=latest_first):
        yield made, document_of(connection, made)[1]


def current(connection: Connection, stage: Stage) -> tuple[Measured, JsonObject] | None:
    return next((found for found in _history(connection, stage) if found[1]["shot"] == stage.shot), None)


def summary_of(connection: Connection, stage: Stage) -> JsonObject:
    """What stands beside a stage: the fields that follow from its measurements."""
    found = current(connection, stage)
    if found is None:
        return {"status": "unmeasured", "made_by": "", "values": {}}
    document = found[1]
    return {"status": document["status"], "made_by": document["made_by"], "values": values_of(document)}


def values_of(document: Mapping[str, Any]) -> JsonObject:
    """A measurement's values as its stage carries them."""
    return {name: {k: v[k] for k in ("value", "u", "unit")} for name, v in document["values"].items()}


def refresh(connection: Connection, stage: Stage) -> Stage:
    """The stage with the status and values that its measurements give it, written where they differ."""
    new = replace(stage, **summary_of(connection, stage))
    return stage if new == stage else _replace(connection, new)
