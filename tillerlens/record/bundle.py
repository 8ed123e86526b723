"""A zip with bows, read as if a stranger had made it: nothing of it is used before all of it is found in order.

``tillerlens.json`` lists every file with its hash. Names are never paths to write to: originals go by their hash, and every
other name must be one of the few known here.
"""

from __future__ import annotations

import hashlib
import json
import re
import stat
import struct
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import IO, Any, NoReturn

from tillerlens.core.errors import TillerLensError
from tillerlens.core.files import NO_ROOM
from tillerlens.core.json_form import JsonObject
from tillerlens.core.shot_file import read_shot
from tillerlens.record import originals
from tillerlens.record.entries import Bow, Correction, Event, Measured, RecordError, Stage, check_entry, check_form, from_document
from tillerlens.record.old_notes import fields_of_note
from tillerlens.record.store import check_document

FORMAT, BOW_FORMAT, FORMAT_VERSION = "tillerlens-record", "tillerlens-bow", 3  # 1 carried no order, 2 fields as notes
MEASUREMENT_VERSION = 1
NOTES_UNTIL = 2  # the last form that kept brace heights, calipers and plans as notes
CONTENTS, GAPS = "tillerlens.json", "gaps.json"
_ID, _HASH = r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}", r"[0-9a-f]{64}"
_BOW_FILES = rf"bow\.json|values\.csv|gaps\.csv|events\.csv|measurements/{_ID}\.json"
_ENDINGS = "|".join(re.escape(e) for e in sorted(originals.ENDINGS.values()))
_NAME = re.compile(rf"tillerlens\.json|gaps\.json|bows/{_ID}/(?:{_BOW_FILES})|originals/{_HASH}(?:{_ENDINGS})")
_ASK_AGAIN = "Ask for the export again; nothing was taken from this one."


class BundleError(RecordError):
    """A zip that cannot be trusted or is not one of ours."""

    code = "bundle"


@dataclass(frozen=True)
class Limits:
    """More than this is not taken in. ratio: how far a file may have been packed; honest ones stay below 50."""

    total_bytes: int = 64 << 30
    document_bytes: int = 64 << 20
    files: int = 500_000
    ratio: float = 200.0


@dataclass(frozen=True)
class Incoming:
    """One bow of a zip with all that belongs to it."""

    bow: Bow
    stages: tuple[Stage, ...]
    measurements: tuple[Measured, ...]
    corrections: tuple[Correction, ...]
    events: tuple[Event, ...]

    @cached_property
    def stage_ids(self) -> frozenset[str]:
        return frozenset(s.id for s in self.stages)


@dataclass(frozen=True, eq=False)
class Unpacked:
    """A file of the zip; faults of the zip are told as such, and not as those of who writes what is read."""

    file: IO[bytes]

    def read(self, size: int) -> bytes:
        with _unpacking():
            return self.file.read(size)


@dataclass(frozen=True, eq=False)
class Bundle:
    """An open zip whose names, sizes and list of contents are in order; files are checked as they are read."""

    zip: zipfile.ZipFile
    contents: JsonObject
    digest: str  # of the list of contents, which holds the hashes of all else
    limits: Limits

    @property
    def bow_ids(self) -> list[str]:
        ids: list[str] = self.contents["bows"]
        return ids

    def read(self, name: str) -> bytes:
        """A document's bytes, in full and as listed."""
        data = _read(self.zip, name, self.limits)
        if hashlib.sha256(data).hexdigest() != self.contents["files"].get(name):
            _refuse(f"'{name}' is not what its hash says")
        return data

    def bow(self, bow_id: str) -> Incoming:
        """One bow's file, of the right form and with nothing missing that it refers to."""
        name = f"bows/{bow_id}/bow.json"
        form = _json(self.read(name), name)
        _check_version(form, BOW_FORMAT, name)
        with _refusing():
            check_form("bow_file", form)
            found = Incoming(
                check_entry(from_document(Bow, form["bow"])),
                tuple(from_document(Stage, d) for d in form["stages"]),
                tuple(from_document(Measured, d) for d in form["measurements"]),
                tuple(from_document(Correction, d) for d in form["corrections"]),
                tuple(check_entry(from_document(Event, _with_fields(d, form["format_version"]))) for d in form["events"]),
            )
        if form["format_version"] == 1:
            found = replace(
                found,
                measurements=_numbered(found.measurements, lambda m: m.stage_id, lambda m: m.made_at),
                corrections=_numbered(found.corrections, lambda c: c.stage_id, lambda c: c.made_at),
                events=_numbered(found.events, lambda e: e.bow_id, lambda e: e.added_at),
            )
        self._check_whole(bow_id, found)
        return found

    def measurement(self, bow_id: str, measured: Measured) -> str:
        """A measurement document's text."""
        return self.read(f"bows/{bow_id}/measurements/{measured.id}.json").decode()

    @cached_property
    def lacking(self) -> frozenset[str]:
        """Originals that were missing or damaged already where the zip was made, by their names here."""
        if GAPS not in self.contents["files"]:
            return frozenset()
        form = _json(self.read(GAPS), GAPS)
        with _refusing():
            check_form("gaps_file", form)
        return frozenset(g["file"] for g in form["gaps"] if g["file"] is not None)

    def has_original(self, stage: Stage) -> bool:
        return original_name(stage) in self.contents["files"]

    @contextmanager
    def original(self, stage: Stage) -> Iterator[Unpacked]:
        """A picture's bytes, to be read in portions."""
        with _unpacking():
            file = self.zip.open(original_name(stage))
        with file:
            yield Unpacked(file)

    def check_files(self, bow_id: str, found: Incoming, known: Collection[str]) -> None:
        """Read every file of a bow once, and hold each to its hash and form. known: hashes of measurements checked before."""
        stages = {s.id: s for s in found.stages}
        for measured in found.measurements:
            name = f"bows/{bow_id}/measurements/{measured.id}.json"
            data = self.read(name)
            if measured.sha256 in known:
                continue
            document = _json(data, name)
            _check_version(document, "tillerlens-measurement", name, MEASUREMENT_VERSION)
            with _refusing():
                check_document(document, stages[measured.stage_id])
        for table in ("values", "gaps", "events"):
            self.read(f"bows/{bow_id}/{table}.csv")
        for name in sorted({original_name(s) for s in found.stages if self.has_original(s)}):
            _check_original(self.zip, name)

    def _check_whole(self, bow_id: str, found: Incoming) -> None:
        files = self.contents["files"]
        inside = found.stage_ids
        bows = [found.bow.id, *(s.bow_id for s in found.stages), *(e.bow_id for e in found.events)]
        if any(i != bow_id for i in bows):
            _refuse("it mixes up its bows")
        for kind in (found.stages, found.measurements, found.corrections, found.events):
            if len({e.id for e in kind}) < len(kind):
                _refuse("it holds an entry twice")
        links = [s.rest_stage_id for s in found.stages] + [e.stage_id for e in found.events]
        links += [m.stage_id for m in found.measurements] + [c.stage_id for c in found.corrections]
        if any(link is not None and link not in inside for link in links):
            _refuse("it refers to a stage that it does not hold")
        for s in found.stages:
            with _refusing():
                shot = read_shot(s.shot)
            if (shot.state, shot.minutes_since_unstrung) != (s.state, s.minutes_since_unstrung):
                _refuse("a stage contradicts its own shot")
            if original_name(s) in self.lacking and original_name(s) not in files:
                continue
            if files.get(original_name(s)) != s.sha256 or self.zip.getinfo(original_name(s)).file_size != s.size_bytes:
                _refuse(f"the picture {s.photo_name} is missing or another one")
        for m in found.measurements:
            if files.get(f"bows/{bow_id}/measurements/{m.id}.json") != m.sha256:
                _refuse("a measurement is missing or another one")


def _with_fields(event: JsonObject, version: int) -> JsonObject:
    """An event of an export as this version has it."""
    read = fields_of_note(event["notes"]) if version <= NOTES_UNTIL and event["kind"] == "note" else None
    return event if read is None else {**event, "kind": read.kind, "details": read.details, "notes": read.notes}


def _numbered(entries: tuple[Any, ...], owner: Callable[[Any], str], time: Callable[[Any], Any]) -> tuple[Any, ...]:
    """What an export without numbers holds, numbered by time within each owner, as older records are."""
    last: Counter[str] = Counter()
    numbers = {}
    for entry in sorted(entries, key=lambda e: (time(e), e.id)):
        numbers[entry.id] = last[owner(entry)]
        last[owner(entry)] += 1
    return tuple(replace(e, sequence=numbers[e.id]) for e in entries)


def original_name(stage: Stage) -> str:
    return f"originals/{stage.sha256}{originals.ENDINGS[stage.media]}"


@contextmanager
def open_bundle(path: Path, limits: Limits | None = None) -> Iterator[Bundle]:
    """Open a zip and check all that can be told without unpacking it. Raises BundleError with why it is refused."""
    limits = limits or Limits()
    with _unpacking(Path(path).name):
        opened = zipfile.ZipFile(path)
    with opened:
        with _unpacking(Path(path).name):
            _check_directory(opened, limits)
            data = _read(opened, CONTENTS, limits)
            contents = _json(data, CONTENTS)
            _check_version(contents, FORMAT, CONTENTS)
            with _refusing():
                check_form("contents", contents)
            listed, there = {*contents["files"], CONTENTS}, set(opened.namelist())
            if listed != there:
                _refuse(f"its list of contents does not fit ('{min(listed ^ there)}')")
            if {f"bows/{i}/bow.json" for i in contents["bows"]} != {n for n in there if n.endswith("/bow.json")}:
                _refuse("its list of bows does not fit")
        yield Bundle(opened, contents, hashlib.sha256(data).hexdigest(), limits)


@contextmanager
def _unpacking(name: str = "The zip") -> Iterator[None]:
    """Everything that Python's zipfile raises at odd files, in a sentence."""
    try:
        yield
    except FileNotFoundError as error:
        raise BundleError(f"{name} cannot be opened: no such file.", "Check the file's name and folder.") from error
    except IsADirectoryError as error:
        raise BundleError(f"{name} is a folder, not a zip.", "Give the zip that export wrote.") from error
    except PermissionError as error:
        raise BundleError(f"{name} cannot be opened: you may not read it.", "Check who may read the file.") from error
    except (zipfile.BadZipFile, zlib.error, struct.error, EOFError, RuntimeError, ValueError, OverflowError, KeyError) as error:
        cause = "".join(c for c in str(error) if c.isprintable()) or "it ends too early"
        raise BundleError(f"{name} is not a whole zip file ({cause[:200]}).", _ASK_AGAIN) from error
    except OSError as error:
        if error.errno in NO_ROOM:
            raise  # the record's disk, which who writes there tells
        cause = (error.strerror or str(error)).lower()
        raise BundleError(f"{name} cannot be read: {cause}.", "Copy it again, or ask for the export again.") from error


@contextmanager
def _refusing() -> Iterator[None]:
    """A fault of one entry is a fault of the zip."""
    try:
        yield
    except TillerLensError as error:
        raise BundleError(f"The zip is refused: {error.text[:1].lower()}{error.text[1:]}", _ASK_AGAIN) from error


def _check_directory(opened: zipfile.ZipFile, limits: Limits) -> None:
    infos = opened.infolist()
    if len(infos) > limits.files:
        _refuse(f"it holds more than {limits.files} files")
    for info in infos:
        if not _NAME.fullmatch(info.filename) or info.orig_filename != info.filename:
            _refuse(f"it holds a file that does not belong there ({info.filename[:80]!r})")
        mode = info.external_attr >> 16
        if stat.S_IFMT(mode) not in (0, stat.S_IFREG):
            _refuse(f"'{info.filename}' is a link or not a plain file")
        if info.flag_bits & 0x1:
            _refuse("it is locked with a password")
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            _refuse("it is packed in a way that is not used here")
        if info.file_size > max(1, info.compress_size) * limits.ratio and info.file_size > 4096:
            _refuse(f"'{info.filename}' would swell to {info.file_size / max(1, info.compress_size):.0f} times its size")
        if not info.filename.startswith("originals/") and info.file_size > limits.document_bytes:
            _refuse(f"'{info.filename}' is larger than any such document")
    twice = [n for n, count in Counter(i.filename for i in infos).items() if count > 1]
    if twice:
        _refuse(f"'{twice[0]}' is there twice")
    if sum(i.file_size for i in infos) > limits.total_bytes:
        _refuse(f"it is larger than {limits.total_bytes >> 30} GB")
    if CONTENTS not in opened.namelist():
        _refuse("it is no export of TillerLens")


def _read(opened: zipfile.ZipFile, name: str, limits: Limits) -> bytes:
    if name not in opened.NameToInfo:
        _refuse(f"'{name}' is missing")
    with _unpacking(), opened.open(name) as file:
        data = file.read(limits.document_bytes + 1)
    if len(data) > limits.document_bytes:
        _refuse(f"'{name}' is larger than any such document")
    return data


def _check_original(opened: zipfile.ZipFile, name: str) -> None:
    digest, head = hashlib.sha256(), b""
    with _unpacking(), opened.open(name) as file:
        while piece := file.read(1 << 20):
            head = head or piece[:32]
            digest.update(piece)
    with _refusing():
        ending = originals.ENDINGS[originals.media_of(head, name)]
    if f"originals/{digest.hexdigest()}{ending}" != name:
        _refuse(f"'{name}' is not what its hash says")


def _check_version(document: Any, form: str, name: str, newest: int = FORMAT_VERSION) -> None:
    if not isinstance(document, dict) or document.get("format") != form:
        _refuse(f"'{name}' is of an unknown form")
    version = document.get("format_version")
    if isinstance(version, int) and version > newest:
        raise BundleError(
            "The zip was made by a newer TillerLens.", "Install the newer TillerLens, then import it.", version=version
        )
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        _refuse(f"'{name}' is of an unknown version")


def _json(data: bytes, name: str) -> Any:
    def constant(text: str) -> NoReturn:
        raise ValueError(text)

    try:
        return json.loads(data.decode(), parse_constant=constant)
    except (ValueError, RecursionError) as error:
        raise BundleError(f"The zip is refused: '{name}' is not JSON.", _ASK_AGAIN) from error


def _refuse(why: str) -> NoReturn:
    raise BundleError(f"The zip is refused: {why}.", _ASK_AGAIN)
