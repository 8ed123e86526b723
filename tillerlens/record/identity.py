"""The bond between a record's database and the folder of its originals: both carry the same identity.

Without it, an empty or foreign database would take every picture in the folder for one that nobody needs.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, insert, select, text

from tillerlens.core.errors import Reason
from tillerlens.core.files import write_whole
from tillerlens.record.entries import RecordError, new_id
from tillerlens.record.models import IdentityRow, StageRow

if TYPE_CHECKING:
    from tillerlens.record.connection import Record

FILE_NAME = "identity.txt"
_FORM = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_WORDS = "\nThis identity ties the pictures in the folder 'originals' to their record. Leave this file here.\n"


def of_database(connection: Connection) -> str | None:
    """The identity in the database, None where it has none yet."""
    found: str | None = connection.execute(select(IdentityRow.id).limit(1)).scalar()
    return found


def of_folder(folder: Path) -> str | None:
    """The identity in the folder; "" for a file that holds none, None where there is no file."""
    try:
        words = (folder / FILE_NAME).read_text(encoding="utf-8", errors="replace").split(maxsplit=1)
    except FileNotFoundError:
        return None
    return words[0] if words and _FORM.fullmatch(words[0]) else ""


def originals_in(folder: Path) -> Iterator[Path]:
    """Every file that lies where originals lie."""
    return (p for p in (folder / "originals").glob("??/*") if p.is_file())


def settle(record: Record) -> Reason | None:
    """Give database and folder their common identity where one lacks it; the reason where they do not belong together."""
    from tillerlens.record.connection import reading, speaking, writing

    with speaking(record):
        there = of_folder(record.folder)
        with reading(record) as connection:
            mine = of_database(connection)
        if mine is None and not record.looking:
            belongs = bool(there) and _belongs(record)
            with writing(record) as connection:
                if connection.dialect.name == "postgresql":
                    connection.execute(text("LOCK TABLE identity IN EXCLUSIVE MODE"))
                mine = of_database(connection)
                if mine is None:  # else another process was faster
                    mine = there if there and belongs else new_id()
                    connection.execute(insert(IdentityRow).values(id=mine))
        if mine is not None and there == mine:
            return None
        if next(originals_in(record.folder), None) is None or (not there and _belongs(record)):
            if not record.looking and mine is not None:
                write_whole(record.folder / FILE_NAME, f"{mine}{_WORDS}".encode())
            return None
    return Reason(
        "foreign_originals",
        f"The pictures in {record.folder / 'originals'} do not belong to the record {record.address}.",
        "If its database was lost, put a copy back from the folder 'backups' or import an export. If the folder is the wrong "
        "one, give the right one. 'tillerlens check --claim' makes these pictures this record's own.",
    )


def claim(record: Record) -> None:
    """Make the folder's pictures this record's own, whatever the folder says: for a person to decide."""
    from tillerlens.record.connection import reading, speaking, writing

    with writing(record) as connection:
        if of_database(connection) is None:
            connection.execute(insert(IdentityRow).values(id=new_id()))
    with reading(record) as connection:
        mine = of_database(connection)
    with speaking(record):
        write_whole(record.folder / FILE_NAME, f"{mine}{_WORDS}".encode())


def check(record: Record) -> None:
    """Raise RecordError unless database and folder carry the same identity now."""
    from tillerlens.record.connection import reading, speaking

    with speaking(record), reading(record) as connection:
        mine, there = of_database(connection), of_folder(record.folder)
    if mine is None or mine != there:
        doubt = record.doubt
        raise RecordError(
            f"The pictures in {record.folder / 'originals'} do not belong to this record; none was moved.",
            doubt.remedy if doubt else "Open the record again.",
        )


def _belongs(record: Record) -> bool:
    """Whether most of the folder's originals are of this record's stages."""
    from tillerlens.record.connection import reading

    with reading(record) as connection:
        used = set(connection.execute(select(StageRow.sha256).distinct()).scalars())
    known = [p.name in used for p in originals_in(record.folder)]
    return 2 * sum(known) > len(known)
