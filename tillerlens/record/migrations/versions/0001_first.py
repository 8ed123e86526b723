"""Bows, stages, measurements, corrections and events.

Written out rather than taken from ``models``: this is what version 1 was, whatever the models become.
"""

import sqlalchemy as sa
from alembic import op

revision, down_revision = "0001", None

ID, HASH, TIME = sa.String(36), sa.String(64), sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "bows",
        sa.Column("id", ID, nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("name", "wood", "made")),
        *(
            sa.Column(name, sa.Double)
            for name in (
                "length_mm",
                "handle_mm",
                "upper_limb_length_mm",
                "limb_width_mm",
                "limb_thickness_mm",
                "handle_thickness_mm",
                "form_reflex_mm",
                "wish_weight_n",
                "wish_draw_mm",
            )
        ),
        sa.Column("wish_draw_to", sa.String(5)),
        sa.Column("wish_tiller_low_mm", sa.Double),
        sa.Column("wish_tiller_high_mm", sa.Double),
        sa.Column("notes", sa.Text, nullable=False),
        sa.Column("added_at", TIME, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_bows"),
    )
    op.create_table(
        "stages",
        sa.Column("id", ID, nullable=False),
        sa.Column("bow_id", ID, nullable=False),
        sa.Column("sequence", sa.Integer, nullable=False),
        sa.Column("taken_at", TIME, nullable=False),
        sa.Column("state", sa.String(10), nullable=False),
        sa.Column("photo_name", sa.Text, nullable=False),
        sa.Column("sha256", HASH, nullable=False),
        sa.Column("media", sa.String(20), nullable=False),
        sa.Column("size_bytes", sa.Integer, nullable=False),
        sa.Column("shot", sa.JSON, nullable=False),
        sa.Column("minutes_since_unstrung", sa.Double),
        sa.Column("video_time_s", sa.Double),
        sa.Column("rest_stage_id", ID),
        sa.Column("notes", sa.Text, nullable=False),
        sa.Column("added_at", TIME, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_stages"),
        sa.ForeignKeyConstraint(["bow_id"], ["bows.id"], name="fk_stages_bow_id", ondelete="CASCADE"),
        sa.ForeignKeyConstraint(
            ["rest_stage_id"],
            ["stages.id"],
            name="fk_stages_rest_stage_id",
            ondelete="SET NULL",
            deferrable=True,
            initially="DEFERRED",
        ),
    )
    op.create_index("ix_stages_sha256", "stages", ["sha256"])
    op.create_index("ix_stages_bow_id_state_taken_at_sequence_id", "stages", ["bow_id", "state", "taken_at", "sequence", "id"])
    op.create_table(
        "measurements",
        sa.Column("id", ID, nullable=False),
        sa.Column("stage_id", ID, nullable=False),
        sa.Column("made_at", TIME, nullable=False),
        sa.Column("made_by", sa.Text, nullable=False),
        sa.Column("sha256", HASH, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_measurements"),
        sa.ForeignKeyConstraint(["stage_id"], ["stages.id"], name="fk_measurements_stage_id", ondelete="CASCADE"),
    )
    op.create_index("ix_measurements_stage_id_made_at_id", "measurements", ["stage_id", "made_at", "id"])
    op.create_table(
        "corrections",
        sa.Column("id", ID, nullable=False),
        sa.Column("stage_id", ID, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("made_at", TIME, nullable=False),
        sa.Column("changes", sa.JSON, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_corrections"),
        sa.ForeignKeyConstraint(["stage_id"], ["stages.id"], name="fk_corrections_stage_id", ondelete="CASCADE"),
    )
    op.create_index("ix_corrections_stage_id", "corrections", ["stage_id"])
    op.create_table(
        "events",
        sa.Column("id", ID, nullable=False),
        sa.Column("bow_id", ID, nullable=False),
        sa.Column("stage_id", ID),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("happened_at", TIME, nullable=False),
        sa.Column("details", sa.JSON, nullable=False),
        sa.Column("notes", sa.Text, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("added_at", TIME, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_events"),
        sa.ForeignKeyConstraint(["bow_id"], ["bows.id"], name="fk_events_bow_id", ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["stage_id"], ["stages.id"], name="fk_events_stage_id", ondelete="CASCADE"),
    )
    op.create_index("ix_events_stage_id", "events", ["stage_id"])
    op.create_index("ix_events_bow_id_kind_happened_at_id", "events", ["bow_id", "kind", "happened_at", "id"])
