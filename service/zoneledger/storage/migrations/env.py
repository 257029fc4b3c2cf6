"""Runs migrations on the connection that the caller hands over."""

from alembic import context

from zoneledger.storage.tables import metadata

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=metadata, render_as_batch=True)
with context.begin_transaction():
    context.run_migrations()
