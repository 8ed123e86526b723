"""Text from people, made fit to stand on a page."""

from __future__ import annotations

from collections.abc import Mapping


def distinct_labels(names: Mapping[str, str]) -> dict[str, str]:
    """The names by key, the second of two alike and any further one with its number: a list to choose from goes by the words."""
    out: dict[str, str] = {}
    for key, name in names.items():
        label, n = name, 1
        while label in out.values():
            n += 1
            label = f"{name} ({n})"
        out[key] = label
    return out


def plain(text: str) -> str:
    """Text that a person or a file brought, kept from acting as markup."""
    for sign in "\\`*_[]<>$#~|:":
        text = text.replace(sign, f"\\{sign}")
    return text
