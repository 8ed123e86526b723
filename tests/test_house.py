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

import tillerlens
from tillerlens.shot import read_shot, shot_schema

ROOT = Path(__file__).parent.parent
CORE = [
    name
    for _, name, _ in pkgutil.walk_packages(tillerlens.__path__, "tillerlens.")
    if not name.startswith(("tillerlens.ui", "tillerlens.__main__", "tillerlens.record.migrations"))  # run by Alembic alone
]


def test_the_core_imports_no_screen():
    code = f"import importlib, sys; [importlib.import_module(name) for name in {CORE}];"
    code += "sys.exit('streamlit' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr or "the core imports streamlit"


@pytest.mark.parametrize("name", [name for name in CORE if name != "tillerlens.cli"])
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
