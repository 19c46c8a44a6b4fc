"""The first tables: records and heads, and the triggers that keep records as they are and in order.

On PostgreSQL the database seals again what arrives and refuses what does not fit: a truck cannot hand in a chain that
does not hold.
"""

from alembic import op
from sqlalchemy import MetaData

from rig.ledger.tables import heads_table, records_table

revision = "0001"
down_revision = None

_SQLITE = (
    "CREATE TRIGGER records_no_update BEFORE UPDATE ON records "
    "BEGIN SELECT RAISE(ABORT, 'records are only appended to'); END",
    "CREATE TRIGGER records_no_delete BEFORE DELETE ON records "
    "BEGIN SELECT RAISE(ABORT, 'records are only appended to'); END",
    "CREATE TRIGGER heads_no_delete BEFORE DELETE ON heads BEGIN SELECT RAISE(ABORT, 'heads stay'); END",
    "CREATE TRIGGER records_in_order BEFORE INSERT ON records WHEN NOT EXISTS ("
    "SELECT 1 FROM heads WHERE truck = NEW.truck AND serial = NEW.serial - 1 AND hash = NEW.previous) "
    "BEGIN SELECT RAISE(ABORT, 'out of order: the record does not follow the last one'); END",
    "CREATE TRIGGER records_move_head AFTER INSERT ON records "
    "BEGIN UPDATE heads SET serial = NEW.serial, hash = NEW.hash WHERE truck = NEW.truck; END",
)
_POSTGRESQL = (
    """
CREATE FUNCTION only_appended() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN RAISE EXCEPTION '% are only appended to', TG_TABLE_NAME; END $$
""",
    "CREATE TRIGGER records_stay BEFORE UPDATE OR DELETE ON records FOR EACH ROW EXECUTE FUNCTION only_appended()",
    "CREATE TRIGGER records_not_emptied BEFORE TRUNCATE ON records EXECUTE FUNCTION only_appended()",
    "CREATE TRIGGER heads_stay BEFORE DELETE ON heads FOR EACH ROW EXECUTE FUNCTION only_appended()",
    """
CREATE FUNCTION records_in_order() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NEW.hash <> encode(sha256(convert_to(concat_ws(E'\\n', NEW.truck, NEW.serial, NEW.kind, NEW.key, NEW.at,
                                                      NEW.previous, NEW.body), 'UTF8')), 'hex') THEN
        RAISE EXCEPTION 'record % of % is not what was sealed', NEW.serial, NEW.truck;
    END IF;
    UPDATE heads SET serial = NEW.serial, hash = NEW.hash
        WHERE truck = NEW.truck AND serial = NEW.serial - 1 AND hash = NEW.previous;
    IF NOT FOUND THEN
        RAISE EXCEPTION 'out of order: record % of % does not follow the last one', NEW.serial, NEW.truck;
    END IF;
    RETURN NEW;
END $$
""",
    "CREATE TRIGGER records_follow BEFORE INSERT ON records FOR EACH ROW EXECUTE FUNCTION records_in_order()",
)


def upgrade() -> None:
    """Make the tables, their indexes and their triggers."""
    connection = op.get_bind()
    metadata, dialect = MetaData(), connection.dialect.name
    heads_table(metadata)
    records_table(metadata, dialect)
    metadata.create_all(connection)
    for statement in _SQLITE if dialect == "sqlite" else _POSTGRESQL:
        op.execute(statement)
