"""What JSON may be, for those who write it and those who read it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, TypeAlias

JsonValue: TypeAlias = "None | bool | int | float | str | Sequence[JsonValue] | Mapping[str, JsonValue]"
JsonDocument = dict[str, JsonValue]  # as it is written: whatever stands in it can be
JsonObject = dict[str, Any]  # as it is read, before anything checked it, and as the record's JSON columns hold it
