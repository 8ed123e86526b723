"""``tillerlens measure`` on broken pictures with broken shot files: exit statuses 0, 2 and 3, sentences, never a traceback."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

from hypothesis import strategies as st
from typer.testing import CliRunner

from tests.fuzz.test_fuzz_images import torn as torn_picture
from tests.fuzz.test_fuzz_images import with_odd_exif
from tests.fuzz.test_fuzz_shots import broken
from tests.fuzz.test_fuzz_shots import torn as torn_shot
from tests.fuzz.trying import try_out
from tests.support.odd_exif import jpeg, picture
from tillerlens.cli import app

WHOLE = st.just(jpeg(picture(), b"Exif\0\0"))
PICTURES = st.one_of(WHOLE, WHOLE, torn_picture(), with_odd_exif(), st.binary(max_size=40))
SHOTS = st.one_of(broken().map(lambda form: json.dumps(form).encode()), torn_shot(), st.none())
NAMES = st.sampled_from(
    ["bow.jpg", "a\nb.jpg", "\u202egpj.jpg", "x" * 120 + ".jpg", "bow.JPG", "b\x1b[2J.jpg", "bow", ".jpg", "-v.jpg"]
)
ENDINGS = st.sampled_from([[], ["--json"], ["--json"], ["--overlay", "drawn"], ["--rest", "rest.json"]])


@st.composite
def cases(draw):
    pairs = draw(st.lists(st.tuples(NAMES, PICTURES, SHOTS), min_size=1, max_size=2, unique_by=lambda pair: pair[0]))
    return pairs, draw(st.booleans()), draw(ENDINGS), draw(torn_shot())


def check(case):
    pairs, by_folder, more, rest = case
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "in").mkdir()
        (folder / "drawn").mkdir()
        (folder / "rest.json").write_bytes(rest)
        for name, data, shot in pairs:
            photo = folder / "in" / name
            photo.write_bytes(data)
            if shot is not None:
                photo.with_suffix(".shot.json").write_bytes(shot)
        photos = [folder / "in"] if by_folder else [folder / "in" / name for name, _, _ in pairs]
        given = [str(folder / word) if word in ("drawn", "rest.json") else word for word in more]
        before = {p: p.read_bytes() for p in (folder / "in").iterdir()}
        done = CliRunner().invoke(app.app, ["measure", *map(str, photos), *given])
        assert done.exit_code in (0, 2, 3), done.output
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        assert "Traceback" not in done.output and "\x1b[2J" not in done.output
        assert done.exit_code == 0 or done.stderr.strip()
        assert {p: p.read_bytes() for p in (folder / "in").iterdir()} == before, "nothing is written beside the pictures"
        if "--json" in more and done.stdout:
            json.loads(done.stdout)


def test_broken_pictures_and_shots_are_answered_by_the_command_line():
    try_out("tillerlens measure", cases(), check, batch=25)
