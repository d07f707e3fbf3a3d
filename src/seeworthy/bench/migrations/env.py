"""Alembic's entry: run the migrations on the connection that the program hands over."""

from __future__ import annotations

from alembic import context

from seeworthy.bench.models import CameraRow

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=CameraRow.metadata,
    # SQLite cannot alter most things in place; Alembic then rebuilds the table.
    render_as_batch=connection.dialect.name == "sqlite",
    # The caller opened one transaction around everything, SQLite included.
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
