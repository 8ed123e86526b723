"""A bow or the whole shop out as a zip, and back in without doubling or overwriting anything.

Out: equal records give equal bytes. In: ``plan_import`` reads the zip and says what is new, the same or in conflict; then
``apply_import`` takes in what is new. Of a bow that differs here and there, the caller says ``"skip"`` or ``"both"``; "both"
adds the incoming one as a second bow, once, however often it is imported.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
import uuid
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import Any, Literal

from sqlalchemy import Connection, update

from tillerlens import __version__
from tillerlens.core.files import unwritable
from tillerlens.core.json_form import JsonObject
from tillerlens.record import originals, tables
from tillerlens.record.bundle import (
    BOW_FORMAT,
    CONTENTS,
    FORMAT,
    FORMAT_VERSION,
    GAPS,
    Bundle,
    BundleError,
    Incoming,
    Limits,
    open_bundle,
    original_name,
)
from tillerlens.record.connection import Record, check_may_write, reading, speaking, writing
from tillerlens.record.entries import (
    LONGEST_NAME,
    Bow,
    Correction,
    DamagedEntry,
    Entry,
    Event,
    Measured,
    RecordError,
    Stage,
    as_document,
    as_json,
    canonical,
    check_entry,
)
from tillerlens.record.models import CorrectionRow, EventRow, MeasuredRow, StageRow
from tillerlens.record.rows import OLDEST_FIRST, ROWS, document_of, many, one, put, put_document
from tillerlens.record.store import drop_unused, refresh

Verdict = Literal["new", "same", "adds", "conflict"]
Choice = Literal["skip", "both"]
Progress = Callable[[int, int, str], None]
"""Called with how many bows are done, of how many, and the name of the next."""

_STAMP = (1980, 1, 1, 0, 0, 0)  # the zip format's first moment
_TIGHTEST = 50  # packed further than this, a file would look like a bomb to the import
_COPY = " (second)"


# --- out ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Gap:
    """Something that is missing in an export, since it is missing or damaged in the record. file: an original's name there."""

    bow_id: str
    stage_id: str | None
    text: str
    remedy: str
    file: str | None = None


@dataclass(frozen=True)
class Exported:
    """What an export holds, and what it lacks."""

    bows: tuple[Bow, ...]
    gaps: tuple[Gap, ...]


def export(record: Record, out: Path, bow_ids: Iterable[str] | None = None, progress: Progress | None = None) -> Exported:
    """Write bows, or the whole shop, to a zip; the old file stays until the new one is whole.

    What is missing or damaged in the record does not keep the rest from leaving: it is listed in the zip (gaps.json) and
    returned. Raises RecordError and FileError.
    """
    out = Path(out)
    damaged: list[DamagedEntry] = []
    with reading(record) as connection:
        if bow_ids is None:
            bows = sorted(many(connection, Bow, damaged=damaged), key=lambda b: b.id)
        else:
            bows = [one(connection, Bow, i) for i in sorted(set(bow_ids))]
        gaps = [Gap(d.fields["id"], None, d.text, d.remedy) for d in damaged]
        with _writing_to(out) as temporary:
            with zipfile.ZipFile(temporary, "w") as opened:
                writer = _Writer(opened, record.folder, {}, gaps)
                whole = []
                for done, bow in enumerate(bows):
                    if progress is not None:
                        progress(done, len(bows), bow.name)
                    if _write_bow(writer, connection, bow):
                        whole.append(bow)
                if gaps:
                    listed = [asdict(g) for g in gaps]
                    writer.add(GAPS, _pretty({"format": "tillerlens-gaps", "gaps": listed}))
                contents = {
                    "format": FORMAT,
                    "format_version": FORMAT_VERSION,
                    "made_by": __version__,
                    "bows": [b.id for b in whole],
                    "files": dict(writer.files),
                }
                writer.add(CONTENTS, _pretty(contents))
            with open(temporary, "rb") as written:
                os.fsync(written.fileno())
            os.chmod(temporary, 0o644)
            os.replace(temporary, out)
    return Exported(tuple(whole), tuple(gaps))


@contextmanager
def _writing_to(out: Path) -> Iterator[str]:
    """A file beside ``out`` that is gone afterwards unless it was renamed; faults of that disk as FileErrors."""
    temporary: str | None = None
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{out.name[:100]}.", dir=out.parent)
        os.close(handle)
        yield temporary
    except OSError as error:
        raise unwritable(out, error) from error
    finally:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)


@dataclass(frozen=True, eq=False)
class _Writer:
    """A zip being written; files: name -> hash of all that is in it; gaps: what is missing, added to as it is met."""

    zip: zipfile.ZipFile
    folder: Path
    files: dict[str, str]
    gaps: list[Gap]

    def add(self, name: str, text: str) -> None:
        data = text.encode()
        info = _info(name)
        if len(zlib.compress(data)) * _TIGHTEST > len(data):
            info.compress_type = zipfile.ZIP_DEFLATED
        self.zip.writestr(info, data, compresslevel=6)
        self.files[name] = hashlib.sha256(data).hexdigest()

    def add_original(self, stage: Stage) -> None:
        name = original_name(stage)
        if name in self.files:
            return
        place, what = originals.place_of(self.folder, stage.sha256), ""
        try:
            if not originals.is_whole(place, stage.sha256) or place.stat().st_size != stage.size_bytes:
                what = "damaged" if place.exists() else "gone"
            else:
                info = _info(name)
                info.file_size = stage.size_bytes
                with open(place, "rb") as file, self.zip.open(info, "w") as out:
                    shutil.copyfileobj(file, out, 1 << 20)
        except FileNotFoundError:
            what = "gone"
        if what:
            remedy = "Put it back with 'tillerlens tidy --undo', from another export or from a backup."
            self.gaps.append(Gap(stage.bow_id, stage.id, f"The original of {stage.photo_name} is {what}.", remedy, name))
        else:
            self.files[name] = stage.sha256


def _write_bow(writer: _Writer, connection: Connection, bow: Bow) -> bool:
    """Write a bow, all of it before its picture or nothing; False when it cannot be read."""
    from tillerlens.core.measurement import measurement_of

    try:
        found = _bow_of(connection, bow)
    except DamagedEntry as error:
        writer.gaps.append(Gap(bow.id, error.fields.get("stage_id"), f"{bow.name} is left out. {error.text}", error.remedy))
        return False
    folder, pictures = f"bows/{bow.id}", {}
    texts = []
    for measured in found.measurements:
        try:
            text, document = document_of(connection, measured)
        except DamagedEntry as error:
            writer.gaps.append(Gap(bow.id, measured.stage_id, error.text, error.remedy))
            continue
        texts.append((measured, text))
        stage = next(s for s in found.stages if s.id == measured.stage_id)
        if document["shot"] == stage.shot:
            pictures[stage.id] = measurement_of(document)  # the latest stays
    found = replace(found, measurements=tuple(m for m, _ in texts))
    for measured, text in texts:
        writer.add(f"{folder}/measurements/{measured.id}.json", text)
    for stage in found.stages:
        writer.add_original(stage)
    shown = [(s, pictures[s.id]) for s in found.stages if s.status != "unmeasured" and s.id in pictures]
    writer.add(f"{folder}/values.csv", tables.values_table(found.stages))
    writer.add(f"{folder}/gaps.csv", tables.gaps_table(shown))
    writer.add(f"{folder}/events.csv", tables.events_table(found.events))
    writer.add(f"{folder}/bow.json", _pretty(bow_document(found)))
    return True


def bow_document(found: Incoming) -> JsonObject:
    """A bow and all that belongs to it in the printed form."""
    lists = {name: [as_document(e) for e in getattr(found, name)] for name in ("stages", "measurements", "corrections", "events")}
    return {"format": BOW_FORMAT, "format_version": FORMAT_VERSION, "bow": as_document(found.bow), **lists}


def _bow_of(connection: Connection, bow: Bow) -> Incoming:
    stages = many(connection, Stage, StageRow.bow_id == bow.id, order=OLDEST_FIRST[Stage])
    ids = [s.id for s in stages]
    measured = _by_ids(connection, Measured, MeasuredRow.stage_id, ids)
    corrections = _by_ids(connection, Correction, CorrectionRow.stage_id, ids)
    events = many(connection, Event, EventRow.bow_id == bow.id, order=OLDEST_FIRST[Event])
    return Incoming(
        bow,
        tuple(stages),
        tuple(sorted(measured, key=lambda m: (m.sequence, m.made_at, m.id))),
        tuple(sorted(corrections, key=lambda c: (c.sequence, c.made_at, c.id))),
        tuple(events),
    )


def _by_ids(connection: Connection, kind: type[Entry], column: Any, ids: Sequence[str]) -> list[Entry]:
    """In portions: a query may name only so many values."""
    return [e for some in _portions(ids) for e in many(connection, kind, column.in_(some))]


def _portions(ids: Sequence[str], size: int = 500) -> list[Sequence[str]]:
    return [ids[i : i + size] for i in range(0, len(ids), size)]


def _info(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, _STAMP)
    info.create_system, info.external_attr = 3, 0o100644 << 16  # the same on every system
    return info


def _pretty(document: Any) -> str:
    return json.dumps(document, sort_keys=True, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


# --- in -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class BowPlan:
    """What an import would do with one bow.

    verdict: new; same (nothing to add); adds (only entries that are not here yet, counted in ``adds``); conflict (``differs``
    says what is otherwise here). copied: this conflict was settled with "both" before. heals: originals, measurements and
    entries that are here but missing or damaged, counted by kind; they are put back whatever the verdict. lacking: pictures
    that the zip itself lacks and that are not here either.
    """

    bow_id: str
    name: str
    verdict: Verdict
    adds: dict[str, int]
    differs: tuple[str, ...] = ()
    copied: bool = False
    heals: dict[str, int] = field(default_factory=dict)
    lacking: tuple[str, ...] = ()

    @property
    def asks(self) -> bool:
        return self.verdict == "conflict" and not self.copied


@dataclass(frozen=True)
class ImportPlan:
    """What an import would do; ``digest`` ties it to the very zip that was read."""

    path: Path
    digest: str
    bows: tuple[BowPlan, ...]


def plan_import(record: Record, path: Path, limits: Limits | None = None, progress: Progress | None = None) -> ImportPlan:
    """Read and check a zip whole, and say what importing it would do. Nothing is written. Raises BundleError."""
    plans, seen = [], set[str]()
    with open_bundle(path, limits) as bundle:
        _check_room(record, bundle)
        for done, bow_id in enumerate(bundle.bow_ids):
            incoming = bundle.bow(bow_id)
            if progress is not None:
                progress(done, len(bundle.bow_ids), incoming.bow.name)
            ids = {e.id for part in _parts(incoming) for e in part}
            if seen & ids:
                raise BundleError("The zip is refused: two of its bows share an entry.", "Ask for the export again.")
            seen |= ids
            with reading(record) as connection:
                known = {m.sha256 for m in _here(connection, incoming.measurements)}
                plan = _plan(connection, incoming)
                unsound = _unsound(record, connection, incoming)
                lacking = [s.photo_name for s in incoming.stages if s.sha256 in unsound.gone and not bundle.has_original(s)]
                heals = _count(incoming, bundle, unsound)
                plans.append(replace(plan, heals=heals, lacking=tuple(lacking)))
            bundle.check_files(bow_id, incoming, known - unsound.document_hashes)
        return ImportPlan(Path(path), bundle.digest, tuple(plans))


def apply_import(
    record: Record, plan: ImportPlan, choices: Mapping[str, Choice] | None = None, progress: Progress | None = None
) -> tuple[BowPlan, ...]:
    """Do what a plan says, bow by bow, each whole or not at all; returns what was done with each.

    choices: bow id -> "skip" or "both", for every bow whose plan ``asks``. What was imported stays when a later bow fails;
    importing again goes on from there.
    """
    check_may_write(record)
    choices, done = choices or {}, []
    for bow in plan.bows:
        if bow.asks and bow.bow_id not in choices:
            raise RecordError(
                f"The bow '{bow.name}' is here already and differs: {'; '.join(bow.differs[:3])}.",
                "Say whether to skip it or to keep both.",
                bow_id=bow.bow_id,
            )
    with open_bundle(plan.path) as bundle:
        if bundle.digest != plan.digest:
            raise BundleError("The zip was changed since it was looked at.", "Begin the import again.")
        for count, planned in enumerate(plan.bows):
            if progress is not None:
                progress(count, len(plan.bows), planned.name)
            done.append(_take_in(record, bundle, planned, choices.get(planned.bow_id)))
    return tuple(done)


@dataclass(frozen=True)
class _Unsound:
    """What of an incoming bow is not whole here. stages: identities of stages that are here. gone: hashes of originals that are
    missing or damaged. measurements: those whose document is damaged. entries: those whose row is damaged.
    """

    stages: frozenset[str]
    gone: frozenset[str]
    measurements: tuple[Measured, ...]
    entries: tuple[Any, ...]

    @property
    def document_hashes(self) -> frozenset[str]:
        return frozenset(m.sha256 for m in self.measurements)


def _unsound(record: Record, connection: Connection, incoming: Incoming) -> _Unsound:
    hashes = {s.sha256 for s in incoming.stages}
    gone = {h for h in hashes if not originals.is_whole(originals.place_of(record.folder, h), h)}
    theirs, damaged = {m.id: m for m in incoming.measurements}, []
    for measured in _here(connection, incoming.measurements):
        if theirs[measured.id].sha256 != measured.sha256:
            continue  # another one, which the plan tells
        try:
            document_of(connection, measured)
        except DamagedEntry:
            damaged.append(measured)
    here = frozenset(s.id for s in _here(connection, incoming.stages))
    rows = list[Any]()
    for part in _parts(incoming):
        _here(connection, part, rows)
    return _Unsound(here, frozenset(gone), tuple(damaged), tuple(rows))


def _count(incoming: Incoming, bundle: Bundle, unsound: _Unsound) -> dict[str, int]:
    back = {s.sha256 for s in incoming.stages if s.sha256 in unsound.gone and s.id in unsound.stages and bundle.has_original(s)}
    counts = {"originals": len(back), "measurements": len(unsound.measurements), "entries": len(unsound.entries)}
    return {name: n for name, n in counts.items() if n}


def _take_in(record: Record, bundle: Bundle, planned: BowPlan, choice: Choice | None) -> BowPlan:
    incoming = bundle.bow(planned.bow_id)
    with reading(record) as connection:
        unsound = _unsound(record, connection, incoming)
    heals = _count(incoming, bundle, unsound)
    only_heals = planned.verdict == "same" or (planned.verdict == "conflict" and (choice != "both" or planned.copied))
    wanted = {
        s.sha256: s
        for s in incoming.stages
        if s.sha256 in unsound.gone and bundle.has_original(s) and (s.id in unsound.stages or not only_heals)
    }
    fresh = list[str]()
    try:
        for sha256, stage in wanted.items():
            if not originals.place_of(record.folder, sha256).exists():
                fresh.append(sha256)
            _keep_original(record, bundle, stage)
        if only_heals and not unsound.measurements and not unsound.entries:
            return replace(planned, adds={}, heals=heals)
        with writing(record) as connection:
            for measured in unsound.measurements:
                text = bundle.measurement(incoming.bow.id, measured)
                connection.execute(update(MeasuredRow).where(MeasuredRow.id == measured.id).values(document=text))
            _put_rows_back(connection, unsound.entries)
            if only_heals:
                for stage_id in sorted({m.stage_id for m in unsound.measurements}):
                    refresh(connection, one(connection, Stage, stage_id))
                return replace(planned, adds={}, heals=heals)
            now = _plan(connection, incoming)
            if now.verdict == "conflict" and choice != "both":
                raise RecordError(f"The bow '{planned.name}' was changed during the import.", "Begin the import again.")
            taken = incoming
            if now.verdict == "conflict":
                taken = as_second(incoming)
                now = replace(now, adds=_plan(connection, taken).adds)
            _put_missing(connection, bundle, incoming, taken)
            for stage in {s.sha256: s for s in incoming.stages if bundle.has_original(s)}.values():
                if not originals.place_of(record.folder, stage.sha256).exists():
                    _keep_original(record, bundle, stage)  # swept away before its row stood
            return replace(now, heals=heals, lacking=planned.lacking)
    except BaseException:
        for sha256 in fresh:
            drop_unused(record, sha256)
        raise


def _keep_original(record: Record, bundle: Bundle, stage: Stage) -> None:
    with speaking(record), bundle.original(stage) as file:
        kept = originals.keep(record.folder, file, stage.photo_name)
    if kept.sha256 != stage.sha256:
        drop_unused(record, kept.sha256)
        raise BundleError("The zip was changed since it was looked at.", "Begin the import again.")


def _put_missing(connection: Connection, bundle: Bundle, source: Incoming, taken: Incoming) -> None:
    """Add every entry of ``taken`` that is not here yet. source: the same as it stands in the zip."""
    touched = set[str]()
    for given, part in zip(_parts(source), _parts(taken), strict=True):
        here = {e.id for e in _here(connection, part)}
        for as_given, entry in zip(given, part, strict=True):
            if entry.id in here:
                continue
            if isinstance(entry, Measured) and isinstance(as_given, Measured):
                put_document(connection, entry, bundle.measurement(source.bow.id, as_given))
                touched.add(entry.stage_id)
            else:
                put(connection, entry)
    for stage_id in sorted(touched):
        refresh(connection, one(connection, Stage, stage_id))


def as_second(incoming: Incoming) -> Incoming:
    """The same bow under other identities, which follow from its contents: the same copy each time."""
    # of what version 1 held, so that a copy made of an older export is known again
    known = {**bow_document(incoming), "format_version": 1}
    for name in ("measurements", "corrections", "events"):
        known[name] = [{k: v for k, v in d.items() if k != "sequence"} for d in known[name]]
    salt = hashlib.sha256(canonical(known).encode()).hexdigest()

    def other(id: str | None) -> Any:
        return None if id is None else str(uuid.uuid5(uuid.UUID(id), salt))

    bow = replace(incoming.bow, id=other(incoming.bow.id), name=incoming.bow.name[: LONGEST_NAME - len(_COPY)] + _COPY)
    return Incoming(
        bow,
        tuple(replace(s, id=other(s.id), bow_id=bow.id, rest_stage_id=other(s.rest_stage_id)) for s in incoming.stages),
        tuple(replace(m, id=other(m.id), stage_id=other(m.stage_id)) for m in incoming.measurements),
        tuple(replace(c, id=other(c.id), stage_id=other(c.stage_id)) for c in incoming.corrections),
        tuple(replace(e, id=other(e.id), bow_id=bow.id, stage_id=other(e.stage_id)) for e in incoming.events),
    )


def _plan(connection: Connection, incoming: Incoming) -> BowPlan:
    adds, differs = dict[str, int](), list[str]()
    for part in _parts(incoming):
        here = {e.id: e for e in _here(connection, part)}
        fresh = [e for e in part if e.id not in here]
        if fresh:
            adds[ROWS[type(fresh[0])].__tablename__] = len(fresh)
        differs += [_difference(here[e.id], e) for e in part if e.id in here and _said(here[e.id]) != _said(e)]
    verdict: Verdict = "conflict" if differs else "new" if "bows" in adds else "adds" if adds else "same"
    copied = verdict == "conflict" and bool(_here(connection, (as_second(incoming).bow,)))
    return BowPlan(incoming.bow.id, incoming.bow.name, verdict, adds, tuple(differs), copied)


def _parts(incoming: Incoming) -> tuple[tuple[Any, ...], ...]:
    """In the order in which they can be added."""
    return ((incoming.bow,), incoming.stages, incoming.measurements, incoming.corrections, incoming.events)


def _here(connection: Connection, part: Sequence[Any], damaged: list[Any] | None = None) -> list[Any]:
    """The entries of a part that are here. One whose row is damaged counts as the incoming one, which will be put in its place.

    damaged: takes those.
    """
    if not part:
        return []
    kind, theirs = type(part[0]), {e.id: e for e in part}
    faults = list[DamagedEntry]()
    found = [e for some in _portions([*theirs]) for e in many(connection, kind, ROWS[kind].id.in_(some), damaged=faults)]
    lost = [theirs[f.fields["id"]] for f in faults if f.fields["id"] in theirs]
    if damaged is not None:
        damaged += lost
    return found + lost


def _put_rows_back(connection: Connection, entries: Sequence[Any]) -> None:
    """Entries over their damaged rows. A stage's values follow from its measurements again."""
    for entry in entries:
        row = ROWS[type(entry)]
        values = {f.name: as_json(getattr(check_entry(entry), f.name)) for f in fields(entry)}
        connection.execute(update(row).where(row.id == entry.id).values(values))
    for entry in entries:
        if isinstance(entry, Stage):
            refresh(connection, one(connection, Stage, entry.id))


def _difference(here: Any, there: Any) -> str:
    mine, theirs = _said(here), _said(there)
    names = ", ".join(sorted(k for k in mine if mine[k] != theirs[k]))
    what = {Bow: "the bow itself", Stage: "a stage", Event: "an event", Correction: "a correction", Measured: "a measurement"}
    about = f" ({there.photo_name})" if isinstance(there, Stage) else f" ({there.kind})" if isinstance(there, Event) else ""
    return f"{what[type(there)]}{about} has another {names}"


def _said(entry: Any) -> JsonObject:
    """An entry without its number where that only orders it: two shops may have counted otherwise."""
    document = as_document(entry)
    if not isinstance(entry, Stage):
        document.pop("sequence", None)
    return document


def _check_room(record: Record, bundle: Bundle) -> None:
    with speaking(record):
        free = shutil.disk_usage(record.folder).free
    missing = [i for i in bundle.zip.infolist() if i.filename.startswith("originals/")]
    need = sum(i.file_size for i in missing if not originals.place_of(record.folder, Path(i.filename).stem).exists())
    if need > free:
        raise RecordError(
            f"The zip's pictures need {need / 1e6:.0f} MB, and {free / 1e6:.0f} MB are free.",
            "Make room and try again.",
            full=True,
        )
