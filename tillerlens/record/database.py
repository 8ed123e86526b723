"""Where a record lives and how it is opened: SQLite in a folder or a PostgreSQL server; brought up to date, faults in words."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
import threading
import time
import weakref
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

import orjson
from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError

from tillerlens.record.connection import BUSY_S, Record, reading, speaking
from tillerlens.record.entries import NoRecord, RecordError
from tillerlens.record.models import Unreadable

SCHEMAS = ("0001", "0002", "0003", "0004")  # every version of the tables, oldest first; the last is this program's
PLACE_VARIABLE, ORIGINALS_VARIABLE = "TILLERLENS_RECORD", "TILLERLENS_ORIGINALS"
DATABASE_NAME = "record.sqlite"
_VERSION_TABLE = "tillerlens_schema"
_MIGRATING = 7_412_330_115  # PostgreSQL's advisory lock that one migration at a time holds
_ONE_MIGRATION = threading.Lock()  # alembic keeps what it is at in its module, for all threads


def default_folder() -> Path:
    """The folder of this user's record when no other place is given."""
    from platformdirs import user_data_path

    return user_data_path("tillerlens", appauthor=False) / "record"


def open_record(
    place: Path | str | None = None, originals: Path | str | None = None, *, looking: bool = False, new: bool = True
) -> Record:
    """Open a record, made new where there is none, and bring its tables up to this program's.

    place: a folder, or a PostgreSQL address (``postgresql://...``); else what TILLERLENS_RECORD says, else the user's data
    folder. originals: for PostgreSQL, the folder of the pictures, one for all who share the server; else what
    TILLERLENS_ORIGINALS says; there is no other. looking: open it for reading only: nothing is made, migrated or written. A
    record that cannot be written opens that way by itself. new: make one where there is none; else NoRecord is raised.
    Raises RecordError: newer tables, no such server, no room ...
    """
    place = place or os.environ.get(PLACE_VARIABLE) or default_folder()
    if str(place).startswith(("postgresql:", "postgres:")):
        url = _server_url(str(place))
        folder = _originals_folder(originals)
        looking = looking or (folder.is_dir() and not os.access(folder, os.W_OK))
        record = Record(_engine(url, looking=looking), folder, url.render_as_string(hide_password=True), looking)
    elif originals is not None:
        raise RecordError(
            "A record in a folder keeps its pictures in that folder.", "Leave --originals out; it is for a record on a server."
        )
    else:
        folder = Path(place).expanduser()
        file = folder / DATABASE_NAME
        if looking or (file.is_file() and not all(os.access(p, os.W_OK) for p in (folder, file))):
            return _look(folder)
        if not new and not _has_bytes(file):
            raise _no_record(str(folder))
        record = Record(_engine(URL.create("sqlite", database=str(file))), folder, str(folder))
    try:
        if looking:
            with reading(record) as connection:
                _check_current(_version(connection), record)
            return _with_doubt(record)
        if not new:
            with reading(record) as connection:
                if _version(connection) is None:
                    raise _no_record(record.address)
        _make_folder(folder, record)
        if record.engine.dialect.name == "sqlite":
            _write_ahead(record)
        with reading(record) as connection:
            known = _version(connection)
            if record.engine.dialect.name == "postgresql":  # a standby, or a role that may only read
                looking = connection.execute(text("SHOW transaction_read_only")).scalar() == "on"
        if looking:
            record.close()
            return open_record(place, originals, looking=True)
        if known != SCHEMAS[-1]:
            _migrate(record)
        return _with_doubt(record)
    except BaseException:
        record.close()
        raise


def _originals_folder(given: Path | str | None) -> Path:
    folder = given or os.environ.get(ORIGINALS_VARIABLE)
    if not folder:
        raise RecordError(
            "A record on a server needs a folder for its pictures.",
            f"Name it with --originals or {ORIGINALS_VARIABLE}: one folder for all who share the record.",
        )
    return Path(folder).expanduser()


def _has_bytes(file: Path) -> bool:
    try:
        return file.stat().st_size > 0
    except OSError:
        return False


def _no_record(where: str) -> NoRecord:
    return NoRecord(f"There is no record in {where}.", "Check the place, or make a new record there with --new.")


# --- opening ------------------------------------------------------------------------------------------------


def _server_url(address: str) -> URL:
    try:
        url = make_url(address)
    except (ArgumentError, ValueError) as error:  # a port that is no number
        raise RecordError("That is not a server's address.", "Write it like postgresql://name@host/database.") from error
    try:
        import psycopg  # noqa: F401
    except ImportError as error:
        raise RecordError(
            "A record on a PostgreSQL server needs the package psycopg.", "Install it with: pip install 'tillerlens[club]'."
        ) from error
    return url.set(drivername="postgresql+psycopg")


def _make_folder(folder: Path, record: Record) -> None:
    with speaking(record):
        for name in ("originals", "incoming"):
            (folder / name).mkdir(parents=True, exist_ok=True)


def _look(folder: Path) -> Record:
    """A SQLite record open for reading only, whatever may be written there."""
    file = folder / DATABASE_NAME
    if not file.is_file():
        raise NoRecord(f"There is no record in {folder}.", "Check the place.")
    # A log that is not yet in the file is only seen by a connection that can lock and map it. Without a log the file is whole
    # and SQLite may be told that nobody changes it (immutable), which needs no lock files in a folder that takes none.
    query = {"mode": "ro"} if os.access(folder, os.W_OK) or _log_pending(file) else {"mode": "ro", "immutable": "1"}
    record = Record(_reader(file, query), folder, str(folder), looking=True)
    try:
        with reading(record) as connection:
            if _version(connection) == SCHEMAS[-1]:
                return _with_doubt(record)
    except RecordError as error:
        record.close()
        if not isinstance(error.__cause__, DBAPIError) or "unable to open" not in str(error.__cause__.orig):
            raise
    record.close()
    return _look_at_copy(folder)


def _log_pending(file: Path) -> bool:
    try:
        return Path(f"{file}-wal").stat().st_size > 0 or Path(f"{file}-shm").exists()
    except FileNotFoundError:
        return False


def _look_at_copy(folder: Path) -> Record:
    """An older record, or one whose log cannot be read where it lies: copied aside and brought up to date there."""
    copy = Path(tempfile.mkdtemp(prefix="tillerlens-"))
    record = Record(
        _engine(URL.create("sqlite", database=str(copy / DATABASE_NAME)), looking=True), folder, str(folder), True, copy
    )
    weakref.finalize(record.engine, shutil.rmtree, copy, ignore_errors=True)
    try:
        with speaking(record):
            for ending in ("", "-wal"):
                if (source := folder / f"{DATABASE_NAME}{ending}").exists():
                    shutil.copyfile(source, copy / source.name)
        with reading(record) as connection:
            known = _version(connection)
        if known is None:
            raise NoRecord(f"There is no record in {folder}: its database is empty.", "Check the place.")
        if known != SCHEMAS[-1]:
            _migrate(record)
        return _with_doubt(record)
    except BaseException:
        record.close()
        raise


def _with_doubt(record: Record) -> Record:
    from tillerlens.record.identity import settle

    return replace(record, doubt=settle(record))


def _check_current(known: str | None, record: Record) -> None:
    if known is None:
        raise NoRecord(f"There is no record at {record.address}.", "Check the address.")
    if known != SCHEMAS[-1]:
        raise RecordError(
            f"The record {record.address} was last used with an older TillerLens and cannot be looked at as it is.",
            "Open it once from where you may write to it, which brings it up to date.",
            version=known,
        )


def _reader(file: Path, query: dict[str, str]) -> Engine:
    url = URL.create("sqlite", database=f"file:{quote(str(file.absolute()))}", query={**query, "uri": "true"})
    return _engine(url, looking=True)


def _engine(url: URL, foreign_keys: bool = True, looking: bool = False) -> Engine:
    if url.get_backend_name() != "sqlite":
        given = {"options": "-c default_transaction_read_only=on"} if looking else {}
        return create_engine(url, pool_pre_ping=True, json_deserializer=_read_json, connect_args=given)
    engine = create_engine(url, connect_args={"timeout": BUSY_S}, json_deserializer=_read_json)

    @event.listens_for(engine, "connect")
    def _connected(connection: Any, _: Any) -> None:
        connection.text_factory = _read_text
        connection.isolation_level = None  # we say ourselves when a transaction begins
        connection.execute(f"PRAGMA foreign_keys={'ON' if foreign_keys else 'OFF'}")
        connection.execute("PRAGMA synchronous=FULL")
        if looking:
            connection.execute("PRAGMA query_only=ON")

    @event.listens_for(engine, "begin")
    def _begun(connection: Connection) -> None:
        # a writer takes the lock at once: two that read first and write later would block each other
        writes = connection.get_execution_options().get("writing", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _read_text(data: bytes) -> str:
    return data.decode("utf-8", "surrogateescape")  # bytes that are no text are told by the entry that holds them


def _read_json(text: Any) -> Any:
    try:
        return orjson.loads(text)
    except (ValueError, TypeError, RecursionError):
        return Unreadable()  # so that the entry can be named, and the others be read


def _write_ahead(record: Record) -> None:
    """Switch to a write-ahead log, once for the file's life. Asked by two at once, SQLite refuses one without waiting."""
    until = time.monotonic() + BUSY_S
    while True:
        with speaking(record):
            connection = record.engine.raw_connection()
            try:
                connection.execute("PRAGMA journal_mode=WAL")
                return
            except sqlite3.OperationalError as error:
                if "locked" not in str(error) or time.monotonic() > until:
                    raise
            finally:
                connection.close()
        time.sleep(0.02)


def _version(connection: Connection) -> str | None:
    """The version of the tables, None for an empty database. Raises RecordError for a newer one."""
    if not inspect(connection).has_table(_VERSION_TABLE):
        return None
    version: str | None = connection.execute(text(f"SELECT version_num FROM {_VERSION_TABLE}")).scalar()
    if version is not None and version not in SCHEMAS:
        raise RecordError(
            f"This record was written by a newer TillerLens (its tables are version {version}, this one knows {SCHEMAS[-1]}).",
            "Install the newer TillerLens; the record was left as it is.",
            version=version,
        )
    return version


def _migrate(record: Record) -> None:
    """Bring the tables up to date in one transaction that only one process at a time is in."""
    url = record.engine.url
    engine = _engine(url, foreign_keys=False)  # tables may be made anew under their old names
    try:
        with speaking(record), engine.execution_options(writing=True).begin() as connection:
            if connection.dialect.name == "postgresql":
                connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _MIGRATING})
            known = _version(connection)
            if known == SCHEMAS[-1]:
                return  # another process was faster
            if known is not None and connection.dialect.name == "sqlite":
                _back_up(Path(str(url.database)), known)
            _run_migrations(connection)
            if connection.dialect.name == "sqlite" and connection.exec_driver_sql("PRAGMA foreign_key_check").first():
                raise RecordError("The record's tables do not fit together after the change.", "It was left as it was.")
    finally:
        engine.dispose()


def _run_migrations(connection: Connection, upto: str = "head") -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    with _ONE_MIGRATION:
        command.upgrade(config, upto)


def _back_up(file: Path, version: str) -> None:
    """A copy of the SQLite file as it is now, whole or not there."""
    folder = file.parent / "backups"
    folder.mkdir(exist_ok=True)
    place = folder / f"record-{version}-{datetime.now(UTC):%Y%m%dT%H%M%S%f}.sqlite"
    half = place.with_suffix(".half")
    try:
        with closing(sqlite3.connect(file)) as source, closing(sqlite3.connect(half)) as copy:
            source.backup(copy)
        os.replace(half, place)
    finally:
        half.unlink(missing_ok=True)
