"""A bow's numbers as CSV, for spreadsheets: they leave with an export and are never read back."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from tillerlens.record.entries import Event, Stage, say_time

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")  # a spreadsheet would compute a text that begins like this

if TYPE_CHECKING:
    from tillerlens.core.measurement import Measurement


def values_table(stages: Sequence[Stage]) -> str:
    """One line for each value of each stage; a stage without a measurement has one line without a value."""
    head = ["stage_id", "taken_at", "state", "minutes_since_unstrung", "status", "made_by", "name", "value", "u", "unit"]
    rows = []
    for s in stages:
        about = [s.id, say_time(s.taken_at), s.state, s.minutes_since_unstrung, s.status, s.made_by]
        rows += [[*about, name, v["value"], v["u"], v["unit"]] for name, v in sorted(s.values.items())]
        rows += [] if s.values else [[*about, None, None, None, None]]
    return write_csv(head, rows)


def gaps_table(gaps: Sequence[tuple[Stage, Measurement]]) -> str:
    """One line for each station of each stage's gap table (mm); gaps: stages with their measurements."""
    names = ("upper", "lower", "difference")
    head = ["stage_id", "taken_at", "from_handle_mm", *(f"{n}_mm" for n in names), *(f"u_{n}_mm" for n in names)]
    rows = []
    for stage, found in gaps:
        for g in found.gaps:
            numbers = [*(getattr(g, n).value for n in names), *(getattr(g, n).u for n in names)]
            known = [None if math.isnan(x) else x for x in numbers]
            rows.append([stage.id, say_time(stage.taken_at), g.from_handle_mm, *known])
    return write_csv(head, rows)


def events_table(events: Sequence[Event]) -> str:
    """One line for each event, with a column for every detail that any of them has."""
    noted = [e.details.as_dict() for e in events]
    details = sorted({name for d in noted for name in d})
    head = ["event_id", "happened_at", "kind", "stage_id", "who", "notes", *details]
    rows = [
        [e.id, say_time(e.happened_at), e.kind, e.stage_id, e.who, e.notes, *(d.get(name) for name in details)]
        for e, d in zip(events, noted, strict=True)
    ]
    return write_csv(head, rows)


def write_csv(head: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    """CSV text; nothing a person typed is left to be taken for a formula."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(head)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return out.getvalue()


def _cell(value: Any) -> Any:
    if isinstance(value, str) and value.startswith(_FORMULA):
        return "'" + value
    return " ".join(map(str, value)) if isinstance(value, list) else value
