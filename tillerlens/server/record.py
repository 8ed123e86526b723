"""The record as a visitor gets it: whole, or for looking only."""

from __future__ import annotations

from tillerlens.record import Record, open_record


def open_for(looking: bool) -> Record:
    """Open the record. looking: so that it refuses every write."""
    return open_record(looking=looking)
