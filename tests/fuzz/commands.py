"""Commands run on fuzzed records and zips, each held to what every command promises."""

import logging
import shutil
import tempfile
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import pytest
import typer.testing
from typer.testing import CliRunner

from tillerlens.cli import app


class Net(logging.Handler):
    """Counts what only the last net of the commands caught."""

    def __init__(self):
        super().__init__(logging.DEBUG)
        self.caught = []

    def emit(self, line):
        if line.getMessage() == "unforeseen":
            self.caught.append(line)


@pytest.fixture
def net():
    """Listens while commands run; whatever reached the net is a fault."""
    handler, logger = Net(), logging.getLogger("tillerlens.cli.record")
    before = logger.level
    logger.addHandler(handler)
    logger.setLevel(logging.DEBUG)
    logger.propagate = False
    with pytest.MonkeyPatch.context() as patch:  # else every call reads all commands anew, which takes longer than most of them
        patch.setattr(typer.testing, "_get_command", cache(typer.testing._get_command))
        yield handler
    logger.removeHandler(handler)
    logger.setLevel(before)
    logger.propagate = True


@contextmanager
def a_copy_of(template):
    """A folder with nothing but ``record``, a copy of the template, in it."""
    with tempfile.TemporaryDirectory(prefix="tillerlens-fuzz-") as folder:
        shutil.copytree(template, Path(folder) / "record")
        yield Path(folder)


def run(net, folder, *arguments):
    """A command on ``record`` in a folder, which must end in an exit status of its own and touch nothing beside."""
    beside = {p: p.stat().st_mtime_ns for p in folder.iterdir() if p.name != "record"}
    done = CliRunner().invoke(app.app, [*map(str, arguments), "--record", str(folder / "record")])
    about = (arguments, done.exit_code, done.stdout[-500:], done.stderr[-500:])
    if net.caught:
        caught = net.caught.pop()
        raise AssertionError(about) from caught.exc_info[1]
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise AssertionError(about) from done.exception
    assert done.exit_code in (0, 2, 3), about
    assert "Traceback" not in done.stdout + done.stderr, about
    assert done.exit_code != 2 or done.stderr.strip(), about
    assert done.stdout.replace("\n", "").isprintable() and done.stderr.replace("\n", "").isprintable(), about
    after = {p: p.stat().st_mtime_ns for p in folder.iterdir() if p.name not in ("record", "out.zip")}
    assert after == {p: t for p, t in beside.items() if p.name != "out.zip"}, about
    return done
