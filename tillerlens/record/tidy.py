"""What no stage needs any more, and what interrupted work left: moved to a dated bin, from where it can come back."""

from __future__ import annotations

import os
import re
import shutil
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from sqlalchemy import Connection, select, text

from tillerlens.record import identity, originals
from tillerlens.record.connection import Record, check_may_write, reading, speaking, writing
from tillerlens.record.entries import RecordError
from tillerlens.record.models import BowRow, StageRow

STALE_S = 3600.0  # a file still coming in after this was left by a crash
KEPT_DAYS = 30  # how long the bin keeps what was moved there
_CHECK = "Run 'tillerlens check' first."
_HASH = re.compile("[0-9a-f]{64}")
_DAY = re.compile(r"\d{4}-\d\d-\d\d")


@dataclass(frozen=True)
class Sweep:
    """What a tidy would do. files: those it would move; old: days of the bin that it would empty for good."""

    files: tuple[Path, ...]
    size_bytes: int
    bin: Path
    old: tuple[Path, ...] = ()
    old_bytes: int = 0


def plan_sweep(record: Record) -> Sweep:
    """What ``sweep`` would do now; nothing is changed. Raises RecordError when the originals are not this record's."""
    identity.check(record)
    with speaking(record), reading(record) as connection:
        files = tuple(_unneeded(record, connection))
        old = tuple(_old_days(record))
        size = sum(p.stat().st_size for p in files if p.exists())
        old_size = sum(p.stat().st_size for day in old for p in day.rglob("*") if p.is_file())
    return Sweep(files, size, _today(record), old, old_size)


def sweep(record: Record, planned: Sweep | None = None) -> list[Path]:
    """Move what is not needed to the day's bin and empty the bin of what is older than 30 days. Returns what was moved.

    planned: only what was planned is moved, and of that only what is still not needed.
    """
    check_may_write(record)
    identity.check(record)
    said = None if planned is None else set(planned.files)
    gone = []
    with writing(record) as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(text("LOCK TABLE stages IN EXCLUSIVE MODE"))
        for path in _unneeded(record, connection):
            if said is None or path in said:
                _move(path, _today(record) / path.relative_to(record.folder))
                gone.append(path)
    with speaking(record):
        for day in _old_days(record) if planned is None else planned.old:
            shutil.rmtree(day, ignore_errors=True)
    return gone


def put_back(record: Record) -> list[Path]:
    """Bring originals that stages need, and that are missing or damaged, back from the bin. Returns their places."""
    check_may_write(record)
    back = []
    with speaking(record):
        binned = _binned(record)
        if not binned:
            return []
        with reading(record) as connection:
            used = set(connection.execute(select(StageRow.sha256).distinct()).scalars())
        for sha256 in sorted(used & binned.keys()):
            place = originals.place_of(record.folder, sha256)
            if originals.is_whole(place, sha256):
                continue
            whole = next((p for p in binned[sha256] if originals.is_whole(p, sha256)), None)
            if whole is not None:
                _move(whole, place)
                back.append(place)
    return back


def _binned(record: Record) -> dict[str, list[Path]]:
    found: dict[str, list[Path]] = {}
    for path in sorted((record.folder / "bin").glob("*/originals/??/*"), reverse=True):  # the newest first
        found.setdefault(re.sub(r"\.\d+$", "", path.name), []).append(path)
    return found


def whole_in_bin(record: Record) -> frozenset[str]:
    """The hashes of the originals that the bin holds whole."""
    return frozenset(h for h, places in _binned(record).items() if any(originals.is_whole(p, h) for p in places))


def _unneeded(record: Record, connection: Connection) -> Iterator[Path]:
    folder = record.folder
    used = set(connection.execute(select(StageRow.sha256).distinct()).scalars())
    if not all(isinstance(h, str) and _HASH.fullmatch(h) for h in used):  # a picture may be needed under a name now unknown
        raise RecordError("A stage is damaged in the record, so that its picture is not known; nothing was moved.", _CHECK)
    yield from sorted(p for p in identity.originals_in(folder) if p.name not in used)
    yield from sorted(p for p in (folder / "incoming").glob("*") if _stale(p))
    for place in (folder, folder / "thumbnails", *(folder / "bench").glob("*"), *(folder / "originals").glob("??")):
        yield from sorted(p for p in place.glob(".*") if p.is_file() and _stale(p))  # half of a file
    yield from sorted(p for p in (folder / "backups").glob("*.half") if _stale(p))
    bows = set(connection.execute(select(BowRow.id)).scalars())
    for bench in sorted((folder / "bench").glob("*")):
        laid = [p for p in sorted(bench.glob("*")) if p.suffix in (".json", ".picture") and not p.name.startswith(".")]
        for path in laid:
            other = path.with_suffix(".json" if path.suffix == ".picture" else ".picture")
            if bench.name not in bows or (not other.exists() and _stale(path)):
                yield path


def _stale(path: Path) -> bool:
    try:
        return path.is_file() and abs(time.time() - path.stat().st_mtime) > STALE_S  # before or after: a clock may be set
    except FileNotFoundError:
        return False


def _today(record: Record) -> Path:
    return record.folder / "bin" / date.today().isoformat()


def _old_days(record: Record) -> Iterator[Path]:
    last = (date.today() - timedelta(days=KEPT_DAYS)).isoformat()
    yield from sorted(p for p in (record.folder / "bin").glob("*") if _DAY.fullmatch(p.name) and p.name < last)


def _move(path: Path, place: Path) -> None:
    """Rename within the folder; what is there already is kept beside."""
    place.parent.mkdir(parents=True, exist_ok=True)
    if "bin" in place.parts and place.exists():
        place = next(p for n in range(1, 10_000) if not (p := place.with_name(f"{place.name}.{n}")).exists())
    try:
        os.replace(path, place)
    except FileNotFoundError as error:
        if path.exists():
            raise
        raise RecordError(f"{path.name} went away while it was moved.", "Run it again.") from error
    originals.settle(place.parent)
