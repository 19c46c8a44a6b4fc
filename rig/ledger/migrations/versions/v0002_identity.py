"""A book that knows whose it is: one row, written when the book is made or first opened by this version."""

from alembic import op
from sqlalchemy import MetaData

from rig.ledger.tables import identity_table

revision = "0002"
down_revision = "0001"

_SQLITE = (
    "CREATE TRIGGER identity_no_delete BEFORE DELETE ON identity BEGIN SELECT RAISE(ABORT, 'the identity stays'); END",
    "CREATE TRIGGER identity_once BEFORE INSERT ON identity WHEN EXISTS (SELECT 1 FROM identity) "
    "BEGIN SELECT RAISE(ABORT, 'a book has one identity'); END",
    "CREATE TRIGGER identity_stays BEFORE UPDATE ON identity WHEN EXISTS (SELECT 1 FROM records) "
    "BEGIN SELECT RAISE(ABORT, 'the identity of a book with records stays'); END",
)
_POSTGRESQL = (
    "CREATE UNIQUE INDEX identity_once ON identity ((true))",
    "CREATE TRIGGER identity_stays BEFORE UPDATE OR DELETE ON identity FOR EACH ROW EXECUTE FUNCTION only_appended()",
)


def upgrade() -> None:
    """Make the table and what keeps it as it is."""
    connection = op.get_bind()
    metadata = MetaData()
    identity_table(metadata)
    metadata.create_all(connection)
    for statement in _SQLITE if connection.dialect.name == "sqlite" else _POSTGRESQL:
        op.execute(statement)
