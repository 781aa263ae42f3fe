"""Alembic's entry: runs the steps on the connection that `gonogo.store.upgrade` hands over, in its transaction."""

from __future__ import annotations

from alembic import context

from gonogo.store import schema
from gonogo.store.upgrade import VERSION_TABLE

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=schema.metadata,
    version_table=VERSION_TABLE,
    render_as_batch=True,
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
