"""How the commands print what the record holds: nothing that anybody once typed may steer the terminal."""

from __future__ import annotations

import json
import re
from typing import Any

import typer

# What json leaves as it is and a terminal may obey: C1 controls, marks that turn or hide text, halves of characters.
_STEERING = re.compile("[\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u2069\ud800-\udfff\ufeff]")


def plain(text: str) -> str:
    """Text with every character that does not print, ends of lines aside, turned into a space."""
    return "".join(c if c.isprintable() or c == "\n" else " " for c in text)


def on_a_line(text: str) -> str:
    """Plain text without ends of lines."""
    return plain(text).replace("\n", " ").strip()


def say(text: Any, err: bool = False) -> None:
    """Print text, or an error's sentence."""
    typer.echo(plain(str(text)), err=err)


def say_json(document: Any) -> None:
    """Print a document; the same document comes out when it is read."""
    text = json.dumps(document, ensure_ascii=False, allow_nan=False)
    typer.echo(_STEERING.sub(lambda found: f"\\u{ord(found[0]):04x}", text))
