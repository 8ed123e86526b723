"""Files read with an eye on what they are, and text from outside made fit to be shown."""

from __future__ import annotations

import json
import stat
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from tillerlens.core.errors import TillerLensError
from tillerlens.core.json_form import JsonObject

_NAME_SHOWN = 100
BRIEF = 40  # characters of a name that somebody typed, where a sentence goes on after it
_FIND = "Check the file's name and folder."


def shown(text: str, most: int = _NAME_SHOWN) -> str:
    """``text`` as it may stand in a sentence: no control characters, no halves of character pairs, and not too long."""
    clean = "".join(c if c.isprintable() else "?" for c in text[: most + 1])
    return clean if len(clean) <= most else clean[: most - 1] + "…"


def is_text(text: str) -> bool:
    """Whether it can be kept as text: no NUL, no half of a character pair."""
    return "\x00" not in text and not any("\ud800" <= c <= "\udfff" for c in text)


@cache
def schema_of(name: str) -> JsonObject:
    """One of the package's JSON Schemas, as shipped."""
    place = resources.files("tillerlens").joinpath("schemas", f"{name}.schema.json")
    schema: JsonObject = json.loads(place.read_text(encoding="utf-8"))
    return schema


def read_file(path: Path, most_mb: float, error: type[TillerLensError]) -> bytes:
    """The bytes of an ordinary file of at most ``most_mb`` megabytes.

    Raises ``error`` with what to do: a folder, a pipe (which might never end), a file too large or one that cannot be opened.
    """
    name = shown(path.name)
    try:
        there = path.stat()
        if stat.S_ISDIR(there.st_mode):
            raise error(f"{name} is a folder, not a file.", _FIND)
        if not stat.S_ISREG(there.st_mode):
            raise error(f"{name} is a pipe or a device, not a file.", "Save it as a file first.")
        if there.st_size > most_mb * 1e6:
            raise error(f"{name} is {there.st_size / 1e6:.0f} MB large; {most_mb:g} MB is the most that is read.", _FIND)
        return path.read_bytes()
    except (OSError, ValueError) as fault:  # ValueError: a name with a NUL in it
        cause = (getattr(fault, "strerror", None) or str(fault)).lower()
        raise error(f"{name} cannot be opened: {cause}.", _FIND) from fault


def parse_json(data: bytes | str) -> Any:
    """JSON in any of its encodings, with or without a byte-order mark. Raises ValueError that says what is wrong with it.

    An object that names a field twice is refused too: which of the two was meant, nobody knows.
    """

    def once(pairs: list[tuple[str, Any]]) -> JsonObject:
        out = dict(pairs)
        if len(out) < len(pairs):
            names = [name for name, _ in pairs]
            twice = next(name for name in names if names.count(name) > 1)
            raise ValueError(f"it names '{shown(twice, BRIEF)}' twice")
        return out

    try:
        return json.loads(data, object_pairs_hook=once)
    except UnicodeDecodeError as fault:
        raise ValueError("it is not text") from fault
    except RecursionError as fault:
        raise ValueError("it is nested too deeply") from fault
    except json.JSONDecodeError as fault:
        raise ValueError(f"line {fault.lineno}, column {fault.colno}: {fault.msg.lower()}") from fault
