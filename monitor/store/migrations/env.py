"""Runs the migrations on the connection that the caller has open, inside its transaction."""

from alembic import context

from monitor.store.schema import metadata

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=metadata, render_as_batch=True)
with context.begin_transaction():
    context.run_migrations()
