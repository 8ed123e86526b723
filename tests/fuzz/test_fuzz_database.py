"""A record whose SQLite file a disk has spoiled: every command says so in a sentence, names what it can, and shows the rest."""

import json
import shutil
import sqlite3
from contextlib import closing, contextmanager

import pytest
from hypothesis import strategies as st

from tests.fuzz.commands import a_copy_of, net, run  # noqa: F401
from tests.fuzz.trying import try_out
from tests.support import shop
from tests.support.shop import fill
from tillerlens.record import open_record, store
from tillerlens.record.exchange import export

# ruff: noqa: F811  # fixtures come by import

COMMANDS = [
    ("bow", "list"),
    ("bow", "list", "--json"),
    ("bow", "show", "Heron"),
    ("bow", "show", "Plover", "--json"),
    ("stage", "list", "Heron"),
    ("stage", "show", "Heron:2"),
    ("stage", "show", "Heron:3", "--json"),
    ("event", "list", "Heron"),
    ("check",),
    ("check", "--heal", "--json"),
    ("export", "OUT"),
    ("import", "ZIP", "--differing", "skip"),
    ("compare", "Heron:1", "Plover:1"),
    ("compare", "Heron:2", "Heron:3"),
    ("shelf",),
    ("tidy", "--yes"),
    ("tidy", "--undo"),
    ("bow", "change", "Heron", "wood=elm"),
    ("event", "add", "Heron", "note", "--notes", "x"),
    ("stage", "remove", "Heron:2", "--yes"),
]
COLUMNS = {
    "bows": ["id", "name", "wood", "length_mm", "wish_draw_to", "notes", "added_at", "version"],
    "stages": ["id", "bow_id", "sequence", "taken_at", "state", "photo_name", "sha256", "media", "size_bytes", "shot",
               "minutes_since_unstrung", "video_time_s", "rest_stage_id", "notes", "status", "made_by", "values", "version"],
    "measurements": ["id", "stage_id", "made_at", "made_by", "sha256", "document", "sequence"],
    "corrections": ["id", "stage_id", "who", "made_at", "changes", "reason", "sequence"],
    "events": ["id", "bow_id", "stage_id", "kind", "happened_at", "details", "notes", "who", "sequence", "version"],
    "identity": ["id"],
    "tillerlens_schema": ["version_num"],
}  # fmt: skip
JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=10),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=10), inner, max_size=3),
    max_leaves=8,
)
VALUES = (
    st.text(max_size=30)
    | st.binary(max_size=30)
    | st.integers(-(2**63), 2**63 - 1)
    | st.floats()
    | st.sampled_from(["", "null", "[]", "{}", '{"a', "NaN", "[" * 5000, "9" * 400, "1e999", "0001-01-01 00:00:00.000000",
                       "9999-12-31 23:59:59.999999", "\x1b[2J", "\x9b2J", "../../x", '{"reflex":{"value":1}}'])
    | st.builds(json.dumps, JSON)
)  # fmt: skip
UPDATES = st.sampled_from([(t, c) for t, cs in COLUMNS.items() for c in cs]).flatmap(
    lambda place: st.tuples(st.just("update"), st.just(place), VALUES, st.booleans())
)
BYTES = st.tuples(
    st.just("bytes"),
    st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 255), st.integers(1, 40)), min_size=1, max_size=20),
    st.just(None),
    st.booleans(),
)
CUTS = st.tuples(st.just("cut"), st.floats(0, 1), st.just(None), st.booleans())


@pytest.fixture(scope="module")
def template(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fuzzed")
    with small_documents(), open_record(folder / "record") as record:
        fill(record)
        fill(record, "Plover")
        assert len(store.list_stages(record)) == 6
        export(record, folder / "whole.zip")
    return folder


@contextmanager
def small_documents():
    """Measurements with few points of the profile, so that the rest of the file is as large a target."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(shop, "document_of", shop.small_document)
        yield


def spoil(file, how):
    kind, what, value, _ = how
    if kind == "update":
        table, column = what
        with closing(sqlite3.connect(file)) as connection:
            connection.execute("PRAGMA foreign_keys=OFF")
            row = connection.execute(f"SELECT rowid FROM {table} ORDER BY rowid DESC LIMIT 1").fetchone()
            given = value.encode("utf-8", "surrogatepass") if isinstance(value, str) else value
            new = "CAST(? AS TEXT)" if isinstance(value, str) else "?"
            try:
                connection.execute(f'UPDATE {table} SET "{column}" = {new} WHERE rowid = ?', (given, *row))
            except sqlite3.IntegrityError:  # an identity that is there, or none
                connection.rollback()
            connection.commit()
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return
    data = bytearray(file.read_bytes())
    if kind == "replace":
        assert what in data
        file.write_bytes(data.replace(what, value))
        return
    if kind == "cut":
        del data[int(what * len(data)) :]
    else:
        for at, byte, count in what:
            begin = int(at * len(data))
            data[begin : begin + count] = bytes([byte]) * len(data[begin : begin + count])
    file.write_bytes(data)


def words_of(command, folder):
    return [{"OUT": folder / "out.zip", "ZIP": folder / "whole.zip"}.get(word, word) for word in command]


def test_no_spoiled_database_brings_a_command_down(template, net):
    def check(example):
        how, which = example
        with a_copy_of(template / "record") as folder:
            shutil.copy(template / "whole.zip", folder / "whole.zip")
            spoil(folder / "record" / "record.sqlite", how)
            run(net, folder, *words_of(COMMANDS[which], folder))

    for command in COMMANDS:  # everything is imported and compiled here, and is right when nothing is spoiled
        with a_copy_of(template / "record") as folder:
            shutil.copy(template / "whole.zip", folder / "whole.zip")
            assert run(net, folder, *words_of(command, folder)).exit_code == 0, command
    examples = st.tuples(UPDATES | BYTES | UPDATES | CUTS, st.integers(0, len(COMMANDS) - 1))
    assert try_out("database", examples, check, least=10, batch=20) >= 10


# What gave tracebacks before rows were held to their form as they are read; the last bow, stage and event are spoiled.
FOUND = [
    (("update", ("stages", "shot"), '{"a', False), ("stage", "list", "Plover")),
    (("update", ("events", "happened_at"), "yesterday", False), ("event", "list", "Plover")),
    (("update", ("bows", "name"), b"\xff\xfe", False), ("bow", "list")),
    (("update", ("measurements", "document"), "[" * 5000, False), ("stage", "show", "Plover:3", "--json")),
    (("update", ("tillerlens_schema", "version_num"), "", False), ("bow", "list")),
    (("update", ("stages", "sequence"), "x", False), ("check",)),
    (("replace", b"minutes_since_unstrung", b"minutes_since_unstru\x80g", False), ("bow", "list")),
]


@pytest.mark.parametrize(("how", "words"), FOUND, ids=range(len(FOUND)))
def test_what_brought_a_command_down_once(template, net, how, words):
    with a_copy_of(template / "record") as folder:
        spoil(folder / "record" / "record.sqlite", how)
        done = run(net, folder, *words)
        assert done.exit_code in (2, 3)
        others = "Plover" in run(net, folder, "bow", "list").stdout
        assert others or how[0] == "replace" or how[1][0] in ("bows", "tillerlens_schema")
