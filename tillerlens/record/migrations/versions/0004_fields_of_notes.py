"""Brace heights, caliper readings and plans get fields of their own; until now they were notes in a fixed wording."""

import sqlalchemy as sa
from alembic import op

from tillerlens.record.old_notes import BEGINNINGS, fields_of_note

revision, down_revision = "0004", "0003"


def upgrade() -> None:
    connection = op.get_bind()
    events = sa.table("events", *(sa.column(name) for name in ("id", "kind", "notes")), sa.column("details", sa.JSON))
    begins = sa.or_(*(events.c.notes.startswith(text, autoescape=True) for text in BEGINNINGS))
    for event_id, notes in connection.execute(
        sa.select(events.c.id, events.c.notes).where(events.c.kind == "note", begins)
    ).all():
        read = fields_of_note(notes)
        if read is not None:
            row = {"kind": read.kind, "details": read.details, "notes": read.notes}
            connection.execute(events.update().where(events.c.id == event_id).values(row))
