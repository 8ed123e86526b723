"""The drawings of the pages on taking pictures, an SVG file each: ink on paper, readable on any ground."""

from __future__ import annotations

from importlib import resources


def drawing(name: str, **words: str) -> str:
    """The drawing of this file's name, with ``words`` in place of what stands in braces in it."""
    return resources.files(__name__).joinpath(f"{name}.svg").read_text(encoding="utf-8").format(**words)
