"""Charts: one description each, for the screen and for paper."""

from __future__ import annotations

from tillerlens.core.json_form import JsonObject

Rows = list[JsonObject]  # what a chart draws, each row by its columns' names
