"""What is latest no longer hangs on the clock: measurements, corrections and events get numbers in their present order.

And a table for the record's identity, which the folder of its originals repeats.
"""

import sqlalchemy as sa
from alembic import op

revision, down_revision = "0003", "0002"

NUMBERED = {"measurements": ("stage_id", "made_at"), "corrections": ("stage_id", "made_at"), "events": ("bow_id", "added_at")}


def upgrade() -> None:
    op.create_table("identity", sa.Column("id", sa.String(36), nullable=False), sa.PrimaryKeyConstraint("id", name="pk_identity"))
    for table, (owner, time) in NUMBERED.items():
        with op.batch_alter_table(table) as altered:
            altered.add_column(sa.Column("sequence", sa.Integer, nullable=False, server_default="0"))
        op.execute(
            f"UPDATE {table} SET sequence = (SELECT count(*) FROM {table} AS e WHERE e.{owner} = {table}.{owner} "
            f"AND (e.{time} < {table}.{time} OR (e.{time} = {table}.{time} AND e.id < {table}.id)))"
        )
    for table, old, new in (
        ("measurements", ["stage_id", "made_at", "id"], ["stage_id", "sequence", "made_at", "id"]),
        ("events", ["bow_id", "kind", "happened_at", "id"], ["bow_id", "kind", "happened_at", "sequence", "id"]),
    ):
        op.drop_index(f"ix_{table}_" + "_".join(old), table)
        op.create_index(f"ix_{table}_" + "_".join(new), table, new)
