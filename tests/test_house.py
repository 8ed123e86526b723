"""The rules of the house that a machine can check: a headless core, documents that match the code, pinned
packages.
"""

import ast
import json
import pkgutil
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from typer.main import get_command

import tillerlens
from tillerlens.cli.app import app as cli
from tillerlens.core.shot import shot_schema
from tillerlens.core.shot_file import read_shot
from tillerlens.server.answers import START

ROOT = Path(__file__).parent.parent
CORE = [
    name
    for _, name, _ in pkgutil.walk_packages(tillerlens.__path__, "tillerlens.")
    if not name.startswith(
        ("tillerlens.ui", "tillerlens.server", "tillerlens.__main__", "tillerlens.record.migrations")
    )  # run by Alembic alone
]


def test_the_core_imports_no_screen():
    code = f"import importlib, sys; [importlib.import_module(name) for name in {CORE}];"
    code += "sys.exit('streamlit' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr or "the core imports streamlit"


@pytest.mark.parametrize("name", [name for name in CORE if not name.startswith("tillerlens.cli")])
def test_the_core_does_not_print(name):
    place = ROOT / Path(*name.split("."))
    source = place / "__init__.py" if place.is_dir() else place.with_suffix(".py")
    calls = [node.func for node in ast.walk(ast.parse(source.read_text())) if isinstance(node, ast.Call)]
    assert "print" not in {call.id for call in calls if isinstance(call, ast.Name)}


def test_the_readme_explains_every_scale_and_its_example_is_valid():
    readme = (ROOT / "README.md").read_text()
    for kind in shot_schema()["properties"]["scale"]["properties"]["kind"]["enum"]:
        assert f"| `{kind}` |" in readme
    (example,) = re.findall(r"^    \{\n(?:    .*\n)+?    \}$", readme, re.MULTILINE)
    assert read_shot(json.loads(example)).scale.kind == "aruco"


def names(requirements):
    return {re.split(r"[<>=!~\[ ;]", line)[0].lower().replace("_", "-") for line in requirements}


def project():
    return tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]


def test_every_dependency_is_explained():
    text = (ROOT / "DEVELOPERS.md").read_text().split("## Dependencies")[1].split("\n## ")[0]
    wanted = names(project()["dependencies"] + project()["optional-dependencies"]["dev"])
    assert {name for name in wanted if not re.search(rf"\b{re.escape(name)}\b", text)} == set()


@pytest.mark.parametrize("file", ["requirements.txt", "requirements-dev.txt"])
def test_packages_are_pinned_with_hashes_and_without_addresses(file):
    text = (ROOT / file).read_text()
    assert not re.search(r"https?:|file:|^-", text, re.MULTILINE)
    entries = [entry for entry in re.split(r"\n(?=\S)", text) if not entry.startswith("#")]
    assert all("==" in entry and "--hash=sha256:" in entry for entry in entries)
    wanted = project()["dependencies"] + (project()["optional-dependencies"]["dev"] if "dev" in file else [])
    assert names(wanted) <= names(entry.splitlines()[0] for entry in entries)


def test_the_readmes_line_for_the_phone_is_the_one_that_the_app_shows_and_that_works():
    """Right after the two commands of the set-up, which install no command of their own, and word for word."""
    readme = (ROOT / "README.md").read_text()
    lines = [line.strip() for line in re.findall(r"^    (?!\{)\S.*$", readme, re.MULTILINE)]
    assert lines[:2] == [
        "python3 -m venv .venv && .venv/bin/pip install -r requirements.txt",
        ".venv/bin/streamlit run app.py",
    ]
    python, *words = lines[2].split()
    assert lines[2] == START and python == ".venv/bin/python"
    got = subprocess.run([sys.executable, *words, "--help"], cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert got.returncode == 0 and "--pin" in got.stdout


def test_every_command_in_the_readme_is_one():
    """Each ``tillerlens WORD``; where the line gives more than a word, its first two."""
    readme = (ROOT / "README.md").read_text()
    app = get_command(cli)
    blocks = re.findall(r"^    tillerlens ([a-z]+)(?: ([a-z]+))?", readme, re.MULTILINE)
    in_text = re.findall(r"`(?:tillerlens )?(bench|bow|stage|event) ([a-z-]+)", readme)
    for first, second in (*blocks, *in_text):
        command = app.commands[first]
        assert not hasattr(command, "commands") or second in command.commands
