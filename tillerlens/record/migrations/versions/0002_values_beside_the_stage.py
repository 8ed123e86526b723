"""A stage's status and values beside it: the shelf would otherwise read every measurement whole to show a few numbers."""

import json

import sqlalchemy as sa
from alembic import op

revision, down_revision = "0002", "0001"


def upgrade() -> None:
    with op.batch_alter_table("stages") as stages:
        stages.add_column(sa.Column("status", sa.String(10), nullable=False, server_default="unmeasured"))
        stages.add_column(sa.Column("made_by", sa.Text, nullable=False, server_default=""))
        stages.add_column(sa.Column("values", sa.JSON, nullable=False, server_default="{}"))
    columns = ["bow_id", "state", "status", "taken_at", "sequence", "id"]
    op.drop_index("ix_stages_bow_id_state_taken_at_sequence_id", "stages")
    op.create_index("ix_stages_" + "_".join(columns), "stages", columns)
    connection = op.get_bind()
    table = sa.table(
        "stages",
        *(sa.column(name) for name in ("id", "status", "made_by")),
        sa.column("shot", sa.JSON),
        sa.column("values", sa.JSON),
    )
    latest = sa.text("SELECT document FROM measurements WHERE stage_id = :id ORDER BY made_at DESC, id DESC LIMIT 1")
    for stage_id, shot in connection.execute(sa.select(table.c.id, table.c.shot)).all():
        text = connection.execute(latest, {"id": stage_id}).scalar()
        document = None if text is None else json.loads(text)
        if document is None or document["shot"] != shot:
            continue
        values = {name: {key: value[key] for key in ("value", "u", "unit")} for name, value in document["values"].items()}
        row = {"status": document["status"], "made_by": document["made_by"], "values": values}
        connection.execute(table.update().where(table.c.id == stage_id).values(row))
