"""An open record, and reading and writing it with every fault said in words."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError, IntegrityError, SQLAlchemyError

from tillerlens.core.errors import Reason
from tillerlens.core.files import NO_ROOM
from tillerlens.record.entries import LookingOnly, RecordError

BUSY_S = 30.0  # how long one writer waits for another


@dataclass(frozen=True, eq=False)
class Record:
    """An open record: hand it to the functions of ``store``; close it, or use it in a ``with``. May be shared by threads.

    folder holds ``originals/`` by content hash, and what can be made again: ``thumbnails/``. address: for people.
    looking: it can be read but not changed; every write raises LookingOnly. copy: a temporary folder that goes at ``close``.
    doubt: why the originals in the folder seem to be another record's; they are then left alone.
    """

    engine: Engine
    folder: Path
    address: str
    looking: bool = False
    copy: Path | None = None
    doubt: Reason | None = None

    def close(self) -> None:
        self.engine.dispose()
        if self.copy is not None:
            shutil.rmtree(self.copy, ignore_errors=True)

    def __enter__(self) -> Record:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def check_may_write(record: Record) -> None:
    """Raise LookingOnly when the record is open for looking."""
    if record.looking:
        raise LookingOnly(
            "This record is open for looking only; nothing was changed.", "Open it from where you may write to its folder."
        )


@contextmanager
def reading(record: Record) -> Iterator[Connection]:
    """One consistent view of the record."""
    with speaking(record), record.engine.begin() as connection:
        yield connection


@contextmanager
def writing(record: Record) -> Iterator[Connection]:
    """One change of the record, kept whole at the end or not at all. On SQLite, the only one at that time."""
    check_may_write(record)
    with speaking(record), record.engine.execution_options(writing=True).begin() as connection:
        yield connection


@contextmanager
def speaking(record: Record) -> Iterator[None]:
    """Faults of the database and the disk as RecordErrors."""
    try:
        yield
    except IntegrityError as error:
        raise RecordError(
            "This is in the record already, or belongs to something that no longer is.", "Look again and repeat it."
        ) from error
    except DBAPIError as error:
        raise _in_words(str(error.orig).strip(), record) from error
    except sqlite3.Error as error:  # while connecting
        raise _in_words(str(error), record) from error
    except SQLAlchemyError as error:
        raise _in_words(str(error).strip(), record) from error
    except UnicodeError as error:
        # a table's name that is no text any more, or a server's that no network knows
        local = record.engine.dialect.name == "sqlite"
        raise _in_words("malformed table names" if local else "its name cannot be looked up", record) from error
    except OSError as error:
        if error.errno in NO_ROOM:
            raise _no_room(record) from error
        cause = (error.strerror or str(error)).lower()
        raise RecordError(
            f"The record in {record.folder} cannot be used: {cause}.", "Check the folder and who may write to it."
        ) from error


def _in_words(cause: str, record: Record) -> RecordError:
    low = cause.lower()
    where = f"The record {record.address}"
    if "disk is full" in low or "no space left" in low or "disk i/o error" in low:
        return _no_room(record)
    if "locked" in low or "busy" in low:
        return RecordError(f"{where} is held by another program.", "Wait until the other one has finished, then try again.")
    if "not a database" in low or "malformed" in low:
        return RecordError(f"{where} is damaged: {low}.", "Put back a copy from its backups folder or an export.")
    if "unable to open" in low or "readonly" in low:
        return RecordError(f"{where} cannot be written.", "Check the folder and who may write to it.")
    if record.engine.dialect.name != "sqlite":
        return RecordError(
            f"{where} cannot be used: {cause.splitlines()[0]}.", "Check the address and that the server is running."
        )
    return RecordError(f"{where} cannot be used: {low}.", "Export what you can, and try again.")


def _no_room(record: Record) -> RecordError:
    return RecordError(
        f"There is no room left on the disk of {record.folder}; nothing of this was kept.", "Make room and try again.", full=True
    )
