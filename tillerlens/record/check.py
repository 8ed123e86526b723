"""The whole record held to its own word: every row, link, hash, document and small picture; what is wrong, and what to do."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, select

from tillerlens.core.errors import TillerLensError
from tillerlens.core.shot_file import read_shot
from tillerlens.record import originals, tidy
from tillerlens.record.connection import Record, reading, speaking, writing
from tillerlens.record.entries import Bow, Correction, DamagedEntry, Entry, Event, Measured, RecordError, Stage
from tillerlens.record.rows import NAMES, OLDEST_FIRST, ROWS, document_of, many, one
from tillerlens.record.store import check_document, refresh, summary_of

Progress = Callable[[int, int, str], None]
_FROM_EXPORT = "Import an export that holds it, or put it back from a backup."


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong. code: its kind; about: what it is about, for people; healed: it was put right."""

    code: str
    about: str
    text: str
    remedy: str
    healed: bool = False


@dataclass(eq=False)
class _Look:
    """What one check has read so far, and the faults it has met."""

    record: Record
    heal: bool
    faults: list[Fault] = field(default_factory=list)
    bows: dict[str, Bow] = field(default_factory=dict)
    stages: dict[str, Stage] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)  # of bows and stages, for people
    unsound: set[str] = field(default_factory=set)  # identities of rows that cannot be read

    def tell(self, code: str, about: str, text: str, remedy: str, healed: bool = False) -> None:
        self.faults.append(Fault(code, about, text, remedy, healed))

    def name(self, id: str | None) -> str:
        return self.names.get(id or "", f"[{(id or '?')[:8]}]")


def check(record: Record, heal: bool = False, progress: Progress | None = None) -> list[Fault]:
    """Everything that is wrong with a record, the worst first told. Raises RecordError when it cannot be read at all.

    heal: put right what can be without losing anything: originals come back from the bin, small pictures are made again when
    next shown, what is said beside a stage is taken from its measurement again.
    """
    look = _Look(record, heal and not record.looking)
    steps = (_database, _identity, _entries, _links, _originals, _documents, _small_pictures, _bench, _orphans)
    for done, step in enumerate(steps):
        if progress is not None:
            progress(done, len(steps), step.__name__.strip("_"))
        try:
            step(look)
        except TillerLensError as error:  # the other steps still tell what they can
            look.tell("database", str(record.address), error.text, error.remedy)
    return list(dict.fromkeys(look.faults))


def _database(look: _Look) -> None:
    if look.record.engine.dialect.name != "sqlite":
        return
    with reading(look.record) as connection:
        for (line,) in connection.exec_driver_sql("PRAGMA integrity_check(20)"):
            if line != "ok":
                look.tell(
                    "database",
                    look.record.address,
                    f"The database is damaged: {str(line).splitlines()[0]}.",
                    "Export what can be read, then put back a copy from the folder 'backups'.",
                )


def _identity(look: _Look) -> None:
    doubt = look.record.doubt
    if doubt is not None:
        look.tell("identity", look.record.address, doubt.text, doubt.remedy)


def _entries(look: _Look) -> None:
    with reading(look.record) as connection:
        look.bows = {b.id: b for b in _all(look, connection, Bow)}
        look.names |= {b.id: b.name for b in look.bows.values()}
        stages = _all(look, connection, Stage)
        look.stages = {s.id: s for s in stages}
        numbers = dict.fromkeys((s.bow_id for s in stages), 0)
        for stage in stages:
            numbers[stage.bow_id] += 1
            look.names[stage.id] = f"{look.name(stage.bow_id)}:{numbers[stage.bow_id]}"
    for stage in stages:
        try:
            shot = read_shot(stage.shot)
            if (shot.state, shot.minutes_since_unstrung) != (stage.state, stage.minutes_since_unstrung):
                raise RecordError("Its shot says another state than the stage.", "")
        except TillerLensError as error:
            text = f"The shot of {stage.photo_name} cannot be used: {error.text[:1].lower()}{error.text[1:]}"
            look.tell("shot", look.name(stage.id), text, "Correct the stage's shot.")


def _all(look: _Look, connection: Connection, kind: type[Entry]) -> list[Entry]:
    damaged: list[DamagedEntry] = []
    found = many(connection, kind, order=OLDEST_FIRST.get(kind, ()), damaged=damaged)
    for fault in damaged:
        look.unsound.add(fault.fields["id"])
        look.tell("entry", look.name(fault.fields.get("bow_id")), fault.text, _FROM_EXPORT)
    return found


def _links(look: _Look) -> None:
    bows, stages = {*look.bows} | look.unsound, {*look.stages} | look.unsound
    with reading(look.record) as connection:
        measured, corrections = _all(look, connection, Measured), _all(look, connection, Correction)
        events = _all(look, connection, Event)
    links: list[tuple[Any, str | None, set[str]]] = [(s, s.bow_id, bows) for s in look.stages.values()]
    links += [(e, e.bow_id, bows) for e in events] + [(e, e.stage_id, stages) for e in events]
    links += [(m, m.stage_id, stages) for m in measured] + [(c, c.stage_id, stages) for c in corrections]
    for entry, to, there in links:
        if to is not None and to not in there:
            what = "bow" if there is bows else "stage"
            text = f"The {NAMES[type(entry)]} [{entry.id[:8]}] belongs to a {what} that is not in the record."
            look.tell("link", look.name(entry.id), text, _FROM_EXPORT)
    for stage in look.stages.values():
        rest = look.stages.get(stage.rest_stage_id or "")
        if stage.rest_stage_id is not None and stage.rest_stage_id not in stages:
            text = "The stage at rest that it is judged against is not in the record."
            look.tell("link", look.name(stage.id), text, "Choose another one on the stage's page, and measure it again.")
        elif rest is not None and (rest.bow_id != stage.bow_id or rest.state != "unstrung"):
            text = "The stage at rest that it is judged against is another bow's, or was not unstrung."
            look.tell("link", look.name(stage.id), text, "Choose another one on the stage's page, and measure it again.")
    for event in events:
        stage_of = look.stages.get(event.stage_id or "")
        if stage_of is not None and stage_of.bow_id != event.bow_id:
            text = f"The event [{event.id[:8]}] belongs to another bow than its stage."
            look.tell("link", look.name(event.bow_id), text, _FROM_EXPORT)


def _originals(look: _Look) -> None:
    back = {p.name for p in tidy.put_back(look.record)} if look.heal and look.record.doubt is None else set()
    binned = tidy.whole_in_bin(look.record)
    seen = dict[str, bool]()
    for stage in look.stages.values():
        place = originals.place_of(look.record.folder, stage.sha256)
        whole = seen.setdefault(stage.sha256, originals.is_whole(place, stage.sha256))
        if whole and stage.sha256 in back:
            look.tell("original", look.name(stage.id), f"The original of {stage.photo_name} was put back.", "", healed=True)
        if not whole:
            text = f"The original of {stage.photo_name} is {'damaged' if place.exists() else 'gone'}."
            remedy = "'tillerlens check --heal' puts it back from the bin." if stage.sha256 in binned else _FROM_EXPORT
            look.tell("original", look.name(stage.id), text, remedy)
        elif place.stat().st_size != stage.size_bytes:
            look.tell("entry", look.name(stage.id), f"The size kept of {stage.photo_name} is wrong.", _FROM_EXPORT)


def _documents(look: _Look) -> None:
    with reading(look.record) as connection:
        ids = list(connection.execute(select(ROWS[Measured].id)).scalars())
    bad = set()
    for id in ids:
        with reading(look.record) as connection:
            try:
                measured = one(connection, Measured, id)
                stage = look.stages.get(measured.stage_id)
                document = document_of(connection, measured)[1]
                if stage is not None:
                    check_document(document, stage)
            except DamagedEntry as error:
                stage_id = error.fields.get("stage_id")
                bad.add(stage_id)
                if error.fields["id"] not in look.unsound:
                    look.tell("measurement", look.name(stage_id), error.text, error.remedy)
            except RecordError as error:
                bad.add(measured.stage_id)
                look.tell("measurement", look.name(measured.stage_id), error.text, "Measure the stage again.")
    for stage in look.stages.values():
        if stage.id in bad:
            continue
        with reading(look.record) as connection:
            fits = replace(stage, **summary_of(connection, stage)) == stage
        if not fits:
            if look.heal:
                with writing(look.record) as connection:
                    refresh(connection, one(connection, Stage, stage.id))
            text = "The values beside the stage are not those of its measurement."
            look.tell("summary", look.name(stage.id), text, "'tillerlens check --heal' takes them from it again.", look.heal)


def _small_pictures(look: _Look) -> None:
    from PIL import Image

    for path in sorted((look.record.folder / "thumbnails").glob("[!.]*")):
        try:
            with Image.open(path) as image:
                image.load()
        except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
            if look.heal:
                path.unlink(missing_ok=True)
            text = f"The small picture {path.name} is damaged."
            look.tell("thumbnail", path.name, text, "'tillerlens check --heal' has it made again.", look.heal)


def _bench(look: _Look) -> None:
    for path in _notes(look.record.folder):
        try:
            whole = isinstance(json.loads(path.read_text(encoding="utf-8")), dict)
        except (OSError, ValueError, RecursionError):
            whole = False
        if not whole:
            look.tell("bench", path.name, f"The file {path} is damaged.", "Put it back from a backup, or remove it.")
    for path in sorted((look.record.folder / "bench").glob("*/[!.]*.picture")):
        if path.with_suffix(".json").exists() and not originals.is_whole(path, path.stem):
            look.tell("bench", path.name, f"The picture {path} on the bench is damaged.", "Add it again.")


def _notes(folder: Path) -> Iterator[Path]:
    yield from (p for name in ("settings.json", "boards.json") if (p := folder / name).exists())
    yield from sorted((folder / "bench").glob("*/[!.]*.json"))


def _orphans(look: _Look) -> None:
    if look.record.doubt is not None:
        return
    with speaking(look.record):
        for path in tidy.plan_sweep(look.record).files:
            name = str(path.relative_to(look.record.folder))
            look.tell("orphan", name, f"Nothing in the record needs the file {name}.", "'tillerlens tidy' moves it to the bin.")
