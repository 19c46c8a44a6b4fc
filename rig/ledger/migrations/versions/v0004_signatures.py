"""Signed heads, keys, codes for enrolment, and how far the office has read each chain for what it offers.

A signed head is never changed or deleted; of a key only that it is revoked, which is not taken back.
"""

from alembic import op
from sqlalchemy import MetaData

from rig.ledger.tables import codes_table, keys_table, shared_table, signed_table

revision = "0004"
down_revision = "0003"

_SQLITE = (
    "CREATE TRIGGER signed_no_update BEFORE UPDATE ON signed "
    "BEGIN SELECT RAISE(ABORT, 'signed heads are only appended to'); END",
    "CREATE TRIGGER signed_no_delete BEFORE DELETE ON signed "
    "BEGIN SELECT RAISE(ABORT, 'signed heads are only appended to'); END",
    "CREATE TRIGGER keys_no_delete BEFORE DELETE ON keys BEGIN SELECT RAISE(ABORT, 'keys stay'); END",
    "CREATE TRIGGER keys_stay BEFORE UPDATE ON keys WHEN NEW.chain <> OLD.chain OR NEW.generation <> OLD.generation "
    "OR NEW.public <> OLD.public OR NEW.revoked < OLD.revoked "
    "BEGIN SELECT RAISE(ABORT, 'a key is only revoked'); END",
)
_POSTGRESQL = (
    "CREATE TRIGGER signed_stay BEFORE UPDATE OR DELETE ON signed FOR EACH ROW EXECUTE FUNCTION only_appended()",
    "CREATE TRIGGER signed_not_emptied BEFORE TRUNCATE ON signed EXECUTE FUNCTION only_appended()",
    "CREATE TRIGGER keys_only_revoked BEFORE UPDATE ON keys FOR EACH ROW "
    "WHEN ((NEW.chain, NEW.generation, NEW.public) <> (OLD.chain, OLD.generation, OLD.public) "
    "OR NEW.revoked < OLD.revoked) EXECUTE FUNCTION only_appended()",
    "CREATE TRIGGER keys_stay BEFORE DELETE ON keys FOR EACH ROW EXECUTE FUNCTION only_appended()",
    "CREATE TRIGGER keys_not_emptied BEFORE TRUNCATE ON keys EXECUTE FUNCTION only_appended()",
)


def upgrade() -> None:
    """Make the tables and what keeps them as they are."""
    connection = op.get_bind()
    metadata = MetaData()
    for made in (signed_table, keys_table, codes_table, shared_table):
        made(metadata)
    metadata.create_all(connection)
    for statement in _SQLITE if connection.dialect.name == "sqlite" else _POSTGRESQL:
        op.execute(statement)
