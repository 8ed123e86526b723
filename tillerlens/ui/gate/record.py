"""The record as a visitor gets it: whole, or for looking only."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from typing import Any

from tillerlens.record import Record, open_record


def open_for(looking: bool) -> Record:
    """Open the record. looking: so that it refuses every write."""
    if not looking:
        return open_record()
    # SHIM, to be dropped once open_record takes ``looking``: then this function is open_record(looking=looking).
    if "looking" in inspect.signature(open_record).parameters:
        opened: Callable[..., Record] = open_record
        return opened(looking=True)
    return _refusing(open_record())


def _refusing(record: Record) -> Record:
    """SHIM, see above: a record whose every write is refused."""
    from sqlalchemy import Engine, event

    from tillerlens.ui.gate.visit import ASK, LOOKING, LookingOnly

    def refuse(conn: Any, cursor: Any, statement: str, *_: object) -> None:
        if conn.get_execution_options().get("writing"):
            raise LookingOnly(LOOKING, ASK)

    assert isinstance(record.engine, Engine)
    event.listen(record.engine, "before_cursor_execute", refuse)
    return record
