"""Which room may import from which: read from every import in the source, those inside functions and for types alone too."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

ROOT = next(p for p in Path(__file__).resolve().parents if (p / "pyproject.toml").is_file())
PACKAGE = ROOT / "tillerlens"

REPORT = ("report.words", "report.charts", "report")
# From the bottom up; a room stands above every room that it names. "" is the package itself with its version.
MAY_IMPORT: dict[str, set[str]] = {
    "": set(),
    "core": set(),
    "photo": {"core"},
    "trace": {"core", "photo"},
    "shape": {"core", "photo", "trace"},
    "measures": {"core", "shape"},
    "mechanics": {"core", "shape", "measures"},
    "front": {"core", "photo", "trace", "shape"},
    "measure": {"", "core", "photo", "trace", "shape", "measures", "mechanics", "front"},
    "film": {"", "core", "photo", "trace", "shape", "mechanics", "measure"},
    "record": {"", "core", "photo", "mechanics", "measure"},
    "history": {"core", "measures", "mechanics", "film", "record"},
    "report.words": {"core", "measures", "mechanics", "film"},
    "report.charts": {"core", "measures", "mechanics", "film", "history", "report.words"},
    "report": {"", "core", "photo", "measures", "mechanics", "film", "history", "report.words", "report.charts"},
    "server": {"core", "record"},
    "cli": {"", "core", "photo", "measures", "mechanics", "measure", "film", "record", "history", *REPORT, "server"},
    "ui": {"core", "photo", "trace", "measures", "mechanics", "measure", "film", "record", "history", *REPORT, "server"},
    "__main__": {"cli"},
}


class Import(NamedTuple):
    """One name that a module takes from another of the package."""

    by: str
    line: int
    module: str
    name: str | None

    def __str__(self) -> str:
        return f"{self.by}:{self.line} imports {self.name or 'all'} from {self.module or 'the package'}"


def source_files() -> dict[str, Path]:
    """Every module by its name within the package; a package by its folder's."""
    files = {}
    for file in sorted(PACKAGE.rglob("*.py")):
        parts = file.relative_to(PACKAGE).with_suffix("").parts
        files[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = file
    return files


FILES = source_files()


def imports_in(name: str, text: str, known: set[str]) -> Iterator[Import]:
    """What the module ``name`` with this text imports of the package, wherever in the text."""
    folder = FILES.get(name, Path()).name == "__init__.py"
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                if alias.name.split(".")[0] == "tillerlens":
                    yield Import(name, node.lineno, alias.name.partition(".")[2], None)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                here = ["tillerlens", *name.split(".")][: -(node.level - folder) or None]
                base = ".".join([*here, *([node.module] if node.module else [])])
            if base.split(".")[0] != "tillerlens":
                continue
            base = base.partition(".")[2]
            for alias in node.names:
                full = f"{base}.{alias.name}".lstrip(".")
                yield Import(name, node.lineno, full, None) if full in known else Import(name, node.lineno, base, alias.name)


def room_of(module: str) -> str:
    """The room a module stands in: the longest one that its name begins with."""
    parts = module.split(".")
    return next(r for r in (".".join(parts[:n]) for n in range(len(parts), -1, -1)) if r in MAY_IMPORT)


@pytest.fixture(scope="module")
def every():
    """All imports of the package: read when they are asked for, not wherever tests are collected."""
    return [i for name, file in FILES.items() for i in imports_in(name, file.read_text(encoding="utf-8"), set(FILES))]


def test_every_module_stands_in_a_room():
    loose = {name.split(".")[0] for name in FILES} - {r.split(".")[0] for r in MAY_IMPORT}
    assert loose == set()


def test_arrows_go_down(every):
    rooms = list(MAY_IMPORT)
    assert all(rooms.index(below) < rooms.index(room) for room, allowed in MAY_IMPORT.items() for below in allowed)
    up = [str(i) for i in every if room_of(i.module) not in {room_of(i.by), *MAY_IMPORT[room_of(i.by)]}]
    assert up == []


def test_no_arrow_is_allowed_that_nobody_needs(every):
    drawn = {(room_of(i.by), room_of(i.module)) for i in every}
    assert {(room, below) for room, allowed in MAY_IMPORT.items() for below in allowed} - drawn == set()


def test_nothing_private_is_imported(every):
    assert [str(i) for i in every if (i.name or "").startswith("_") and not (i.name or "").startswith("__")] == []


def test_no_modules_import_each_other_in_a_circle(every):
    wanted = {name: {i.module for i in every if i.by == name and i.module != name} for name in FILES}
    while free := [n for n in wanted if not wanted[n] & set(wanted) or not any(n in w for w in wanted.values())]:
        for name in free:  # it stands on none that is left, or none that is left stands on it
            del wanted[name]
    assert {name: sorted(w & set(wanted)) for name, w in wanted.items()} == {}


@pytest.mark.parametrize(
    "line",
    [
        "from tillerlens.ui import cache",
        "import tillerlens.ui.cache",
        "def late():\n    from tillerlens.ui.cache import measured",
        "from ..ui import cache",
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from tillerlens.ui.cache import measured",
    ],
)
def test_an_import_is_seen_however_it_is_written(line):
    (found,) = [i for i in imports_in("record.store", line, set(FILES))]
    assert room_of(found.module) == "ui"


# --- functions of the core: short, and of few parameters

CORE_ROOMS = {"core", "photo", "trace", "shape", "measures", "mechanics", "front", "measure"}
MOST_LINES, MOST_PARAMETERS = 60, 7


@pytest.fixture(scope="module")
def functions():
    """Every function of the core by its module and name, with its lines and parameters."""
    return list(_functions())


def _functions() -> Iterator[tuple[str, int, int]]:
    for module, file in FILES.items():
        if room_of(module) in CORE_ROOMS:
            for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
                if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                    named = (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs)
                    parameters = sum(a.arg not in ("self", "cls") for a in named)
                    yield f"{module}.{node.name}", (node.end_lineno or node.lineno) - node.lineno + 1, parameters


def test_functions_of_the_core_are_short(functions):
    assert [name for name, lines, _ in functions if lines > MOST_LINES] == []


def test_functions_of_the_core_have_few_parameters(functions):
    assert [name for name, _, parameters in functions if parameters > MOST_PARAMETERS] == []
