"""Runs migrations on the connection it is handed, inside that connection's transaction."""

from __future__ import annotations

from alembic import context

from polewright.records.history.tables import metadata

connection = context.config.attributes["connection"]
context.configure(
    connection=connection, target_metadata=metadata, transactional_ddl=True, compare_type=True
)
with context.begin_transaction():
    context.run_migrations()
