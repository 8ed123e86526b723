"""What is hidden from whoever may only look."""

import ast

from tests.support.serving import ROOT
from tillerlens.ui.visitors import CHANGES, LOOKS


def test_every_button_is_known_to_change_something_or_not():
    """What changes something is hidden from whoever may only look, by the key it has; forms and uploads are hidden as such."""
    calls = {"button", "toggle", "file_uploader", "data_editor", "camera_input", "chat_input", "audio_input"}
    unknown, hidden, seen = [], [], set()
    for path in sorted(p for room in ("ui", "server") for p in (ROOT / "tillerlens" / room).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in calls):
                continue
            key = next((k.value for k in node.keywords if k.arg == "key"), None)
            begin = _begin(key, path)
            changes, looks = begin.startswith(CHANGES), begin.startswith(LOOKS)
            if changes == looks:
                unknown.append(f"{path.name}:{node.lineno} {begin!r}")
            hidden += [begin] if changes else []
            seen.add(begin)
    assert unknown == []
    assert {b for b in (*CHANGES, *LOOKS) if not any(s.startswith(b) for s in seen)} == set()
    assert len(hidden) > 12


def _begin(key, path):
    """How a key begins, as far as it is written out."""
    if isinstance(key, ast.JoinedStr):
        key = key.values[0]
    if isinstance(key, ast.Name):  # handed over: what it is called with stands in the same file
        return {"photo.py": "pointing_"}.get(path.name, "")
    return key.value if isinstance(key, ast.Constant) else ""
