"""PostgreSQL: a login per truck, which appends to its own chain and reads it, and nothing else.

Row-level security (https://www.postgresql.org/docs/15/ddl-rowsecurity.html) holds for every login but the owner of the
tables, its members and superusers. Heads are written by the trigger of the records alone, which runs as the owner with
a fixed search path (https://www.postgresql.org/docs/15/sql-createfunction.html#SQL-CREATEFUNCTION-SECURITY). The login
is ``session_user``, which no SET ROLE changes.
"""

from alembic import op
from sqlalchemy import MetaData, text

from rig.ledger.chain import START
from rig.ledger.tables import logins_table

revision = "0003"
down_revision = "0002"

# In PL/pgSQL where a statement asks for each record: the plan is kept for the session. As SQL functions, planned at
# each call, they halved what arrives in a second.
_FUNCTIONS = (
    """
CREATE FUNCTION own_chains() RETURNS SETOF text LANGUAGE plpgsql STABLE {as_owner} AS $$
BEGIN RETURN QUERY SELECT chain FROM logins WHERE login = session_user; END $$
""",
    """
CREATE FUNCTION writes_chain(whose text) RETURNS boolean LANGUAGE plpgsql STABLE {as_owner} AS $$
BEGIN
    RETURN EXISTS (SELECT FROM logins WHERE chain = whose AND login = session_user)
        OR pg_has_role(session_user, current_user, 'USAGE');
END $$
""",
    """
CREATE FUNCTION locked_head(whose text) RETURNS TABLE (serial bigint, hash text) LANGUAGE sql {as_owner} AS $$
    SELECT heads.serial, heads.hash FROM heads WHERE truck = whose AND writes_chain(whose) FOR UPDATE
$$
""",
    """
CREATE OR REPLACE FUNCTION records_in_order() RETURNS trigger LANGUAGE plpgsql {as_owner} AS $$
BEGIN
    IF NOT writes_chain(NEW.truck) THEN
        RAISE EXCEPTION 'the login % writes no records of %', session_user, NEW.truck;
    END IF;
    IF concat(NEW.truck, NEW.kind, NEW.key, NEW.at) ~ '[[:cntrl:]]' OR '' IN (NEW.truck, NEW.kind, NEW.key, NEW.at)
            OR jsonb_typeof(NEW.body::jsonb) <> 'object' THEN
        RAISE EXCEPTION 'record % of % is no record', NEW.serial, NEW.truck;
    END IF;
    IF NEW.hash <> encode(sha256(convert_to(concat_ws(E'\\n', NEW.truck, NEW.serial, NEW.kind, NEW.key, NEW.at,
                                                      NEW.previous, NEW.body), 'UTF8')), 'hex') THEN
        RAISE EXCEPTION 'record % of % is not what was sealed', NEW.serial, NEW.truck;
    END IF;
    IF NEW.serial = 1 THEN
        INSERT INTO heads (truck, serial, hash) VALUES (NEW.truck, 0, '{start}') ON CONFLICT DO NOTHING;
    END IF;
    UPDATE heads SET serial = NEW.serial, hash = NEW.hash
        WHERE truck = NEW.truck AND serial = NEW.serial - 1 AND hash = NEW.previous;
    IF NOT FOUND THEN
        RAISE EXCEPTION 'out of order: record % of % does not follow the last one', NEW.serial, NEW.truck;
    END IF;
    RETURN NEW;
END $$
""",
    """
CREATE FUNCTION heads_follow() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF pg_trigger_depth() < 2 THEN
        RAISE EXCEPTION 'heads are written by the records alone';
    END IF;
    RETURN NEW;
END $$
""",
)
_RULES = (
    "CREATE TRIGGER heads_follow BEFORE INSERT OR UPDATE ON heads FOR EACH ROW EXECUTE FUNCTION heads_follow()",
    "CREATE TRIGGER heads_not_emptied BEFORE TRUNCATE ON heads EXECUTE FUNCTION only_appended()",
    "ALTER TABLE records ENABLE ROW LEVEL SECURITY",
    "ALTER TABLE heads ENABLE ROW LEVEL SECURITY",
    "CREATE POLICY own_chain_read ON records FOR SELECT USING (truck = ANY (ARRAY(SELECT own_chains())))",
    "CREATE POLICY own_chain_written ON records FOR INSERT WITH CHECK (writes_chain(truck))",
    "CREATE POLICY own_head_read ON heads FOR SELECT USING (truck = ANY (ARRAY(SELECT own_chains())))",
    "REVOKE CREATE ON SCHEMA {schema} FROM PUBLIC",
    "REVOKE TEMPORARY ON DATABASE {database} FROM PUBLIC",
)


def upgrade() -> None:
    """Make the table of logins and the rules; nothing on SQLite, which has no logins."""
    connection = op.get_bind()
    if connection.dialect.name == "sqlite":
        return
    quoted = connection.dialect.identifier_preparer.quote_identifier
    [(schema, database)] = connection.execute(text("SELECT current_schema(), current_database()"))
    metadata = MetaData()
    logins_table(metadata)
    metadata.create_all(connection)
    as_owner = f"SECURITY DEFINER SET search_path = pg_catalog, {quoted(schema)}, pg_temp"
    names = {"as_owner": as_owner, "start": START, "schema": quoted(schema), "database": quoted(database)}
    for statement in (*_FUNCTIONS, *_RULES):
        connection.exec_driver_sql(statement.format(**names).replace("%", "%%"))
