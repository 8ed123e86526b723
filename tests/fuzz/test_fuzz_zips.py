"""Zips as a stranger or a bad disk could make them: taken in whole, or refused in a sentence with nothing of them kept."""

import hashlib
import io
import json
import shutil
import warnings
import zipfile

import pytest
from hypothesis import strategies as st

from tests.fuzz.commands import a_copy_of, net, run  # noqa: F401
from tests.fuzz.test_fuzz_database import JSON, small_documents
from tests.fuzz.trying import try_out
from tests.support.shop import fill
from tillerlens.record import open_record
from tillerlens.record.exchange import export

# ruff: noqa: F811  # fixtures come by import

LONG = "<long>"  # stands for 70,000 characters, which no report of an example should print
NAMES = st.sampled_from(
    ["../evil", "/etc/evil", "C:\\evil", "originals/../../evil.jpg", "bows/x/bow.json", "originals/", LONG, "\x00",
     "originals/" + "0" * 64 + ".jpg", "originals/" + "0" * 64, "gaps.json", "tillerlens.json", "bows/../bow.json", "é\u202e",
     "bows/00000000-0000-4000-8000-000000000000/bow.json", "//server/evil", "CON", "originals\\" + "0" * 64 + ".jpg"]
) | st.text(max_size=20)  # fmt: skip
FLIPS = st.tuples(
    st.just("flip"), st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 7)), min_size=1, max_size=12)
)
ENDS = st.tuples(st.just("flip end"), st.lists(st.tuples(st.integers(1, 400), st.integers(0, 255)), min_size=1, max_size=12))
CUTS = st.tuples(st.just("cut"), st.tuples(st.floats(0, 1), st.floats(0, 1)))
EXTRA = st.tuples(st.just("extra"), st.tuples(NAMES, st.binary(max_size=40), st.integers(0, 0xFFFF), st.booleans()))
RENAMED = st.tuples(st.just("rename"), st.tuples(st.floats(0, 1, exclude_max=True), NAMES))
HASH = st.text("0123456789abcdef", min_size=64, max_size=64)
HASHES = st.tuples(st.just("hash"), st.tuples(st.floats(0, 1, exclude_max=True), HASH))
MANY = st.tuples(st.just("many"), st.integers(500, 3000))
ODD = JSON | st.sampled_from(
    [10**400, -1, 1e308, True, LONG, "\ud800", "\x1b[2J", {"a": [{}] * 100}, "../../x", [[[[[[[[[]]]]]]]]], None, "",
     "9999-12-31T23:59:59.999999+00:00", "0001-01-01T00:00:00.000000+00:00", "2026-13-01T00:00:00.000000+00:00"]
)  # fmt: skip
FIELDS = st.tuples(
    st.just("json"),
    st.lists(
        st.tuples(st.floats(0, 1, exclude_max=True), st.lists(st.floats(0, 1, exclude_max=True), max_size=6), ODD, st.booleans()),
        min_size=1,
        max_size=3,
    ),
)


@pytest.fixture(scope="module")
def template(tmp_path_factory):
    folder = tmp_path_factory.mktemp("zips")
    with small_documents(), open_record(folder / "other") as record:
        fill(record)
        export(record, folder / "whole.zip")
    with open_record(folder / "record"):
        pass
    return folder


def odd_zip(whole, how):
    """The bytes of an honest zip, spoiled."""
    kind, what = how
    data = bytearray(whole)
    if kind in ("flip", "flip end", "cut"):
        if kind == "flip":
            for at, bit in what:
                data[int(at * len(data))] ^= 1 << bit
        elif kind == "flip end":  # its directory
            for at, byte in what:
                data[-at] = byte
        else:
            begin, end = sorted(int(x * len(data)) for x in what)
            del data[begin:end]
        return bytes(data)
    with zipfile.ZipFile(io.BytesIO(whole)) as opened:
        files = {n: opened.read(n) for n in opened.namelist() if n != "tillerlens.json"}
    names = sorted(files)
    bows = [n.split("/")[1] for n in files if n.endswith("bow.json")]
    infos, wrong, contents = [], {}, {}
    if kind == "extra":
        name, content, mode, listed = what
        info = _info(name)
        info.external_attr, info.create_system = mode << 16, 3
        infos.append((info, content))
        if listed:
            wrong[name] = hashlib.sha256(content).hexdigest()
    elif kind == "rename":
        files[what[1]] = files.pop(names[int(what[0] * len(names))])
    elif kind == "hash":
        wrong[names[int(what[0] * len(names))]] = what[1]
    elif kind == "many":
        infos += [(f"originals/{n:064x}.jpg", b"") for n in range(what)]
    else:
        documents = [*(n for n in names if n.endswith(".json")), "tillerlens.json"]
        for at, path, value, gone in what:
            name = documents[int(at * len(documents))]
            if name == "tillerlens.json":
                key = ["format", "format_version", "made_by", "bows", "files"][int((path or [0.0])[0] * 5)]
                contents[key] = value
                continue
            before = hashlib.sha256(files[name]).hexdigest()
            files[name] = json.dumps(changed(json.loads(files[name]), path, value, gone)).encode("utf-8", "surrogatepass")
            after = hashlib.sha256(files[name]).hexdigest()
            for other in documents[:-1]:  # a measurement's hash is said in the bow's file too
                files[other] = files[other].replace(before.encode(), after.encode())
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # names that are there twice are wanted here
        for name, content in files.items():
            made.writestr(_info(name), content)
        for name, content in infos:
            made.writestr(name if isinstance(name, zipfile.ZipInfo) else _info(name), content)
        listed = {n: hashlib.sha256(d).hexdigest() for n, d in files.items()} | wrong
        form = {"format": "tillerlens-record", "format_version": 2, "made_by": "x", "bows": bows, "files": listed, **contents}
        made.writestr("tillerlens.json", json.dumps(form))
    return out.getvalue()


def _info(name):
    info = zipfile.ZipInfo("x")
    info.filename = "a" * 60_000 if name == LONG else name
    return info


def changed(document, path, value, gone):
    """A document with another value, or none, at a place that the numbers of the path choose."""
    if not path or not isinstance(document, dict | list) or not document:
        return "a" * 70_000 if value == LONG else value
    keys = sorted(document) if isinstance(document, dict) else range(len(document))
    key = keys[int(path[0] * len(keys))]
    if gone and len(path) == 1:
        del document[key]
    else:
        document[key] = changed(document[key], path[1:], value, gone)
    return document


def test_no_odd_zip_brings_an_import_down(template, net):
    whole = (template / "whole.zip").read_bytes()

    def check(how):
        try:
            data = odd_zip(whole, how)
        except (UnicodeEncodeError, ValueError, zipfile.LargeZipFile, OverflowError):
            return  # no zip can be made of it
        with a_copy_of(template / "record") as folder:
            (folder / "odd.zip").write_bytes(data)
            done = run(net, folder, "import", folder / "odd.zip", "--differing", "both")
            files = [p.name for p in (folder / "record").rglob("*") if p.is_file()]
            kept = [name for name in files if not name.startswith(("record.sqlite", "identity"))]
            if done.exit_code == 2:
                assert kept == [], kept
            else:
                assert run(net, folder, "check").exit_code == 0 or done.exit_code == 3

    check(("flip", []))  # imports and compiles all, and is taken in
    examples = FLIPS | ENDS | CUTS | EXTRA | RENAMED | HASHES | FIELDS | FIELDS | FIELDS | MANY
    assert try_out("zips", examples, check, least=10, batch=20) >= 10


@pytest.mark.parametrize("words", ["a folder", "no file", "an empty file", "text"])
def test_what_is_no_zip_is_told(template, net, words):
    with a_copy_of(template / "record") as folder:
        place = folder / "odd.zip"
        if words == "a folder":
            place.mkdir()
        elif words != "no file":
            place.write_text("" if words == "an empty file" else "bows")
        done = run(net, folder, "import", place)
        assert done.exit_code == 2 and done.stderr.startswith("odd.zip ")


def test_a_whole_zip_is_taken_in_and_checked(template, net):
    with a_copy_of(template / "record") as folder:
        shutil.copy(template / "whole.zip", folder / "odd.zip")
        assert "Heron: new" in run(net, folder, "import", folder / "odd.zip").stdout
        assert run(net, folder, "check").stdout == "Everything is in order.\n"
