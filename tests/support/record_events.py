"""One event of a record by its identity, for tests that look whether it was written."""

from __future__ import annotations

from tillerlens.record import Event
from tillerlens.record.connection import Record, reading
from tillerlens.record.rows import one


def get_event(record: Record, event_id: str) -> Event:
    with reading(record) as connection:
        return one(connection, Event, event_id)
