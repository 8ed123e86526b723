"""The record of a shop: bows, their stages and events, kept in SQLite and a folder or on a PostgreSQL server.

``open_record`` opens one; ``store`` reads and writes it, ``views`` answers the shelf and a bow's page, ``exchange`` takes it
out and in as a zip, ``remeasure`` measures anew. What they hand around is in ``entries``.
"""

from tillerlens.record.connection import Record
from tillerlens.record.database import default_folder, open_record
from tillerlens.record.entries import (
    Bow,
    ChangedMeanwhile,
    Correction,
    DamagedEntry,
    Event,
    LookingOnly,
    Measured,
    NoRecord,
    RecordError,
    Stage,
)

__all__ = [
    "Bow",
    "ChangedMeanwhile",
    "Correction",
    "DamagedEntry",
    "Event",
    "LookingOnly",
    "Measured",
    "NoRecord",
    "Record",
    "RecordError",
    "Stage",
    "default_folder",
    "open_record",
]
