"""Runs the migrations on the connection that ``database`` hands over, inside its transaction."""

from alembic import context

from tillerlens.record.models import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    version_table="tillerlens_schema",
    render_as_batch=True,
)
context.run_migrations()
