"""Alembic's entry: runs the migrations on the connection that the book hands over. Opens nothing by itself."""

from alembic import context
from sqlalchemy import Connection

from rig.ledger.tables import METADATA

_connection = context.config.attributes["connection"]
assert isinstance(_connection, Connection)
context.configure(connection=_connection, target_metadata=METADATA)
with context.begin_transaction():
    context.run_migrations()
