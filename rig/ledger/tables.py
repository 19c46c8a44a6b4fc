"""The book's tables in SQLAlchemy: records, the head of each truck's chain, and the book's identity.

Searched fields are extracted from a record's body by the database itself (generated columns), so that they can never
differ from the record. The triggers that refuse changes are in the migrations.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Computed, Index, MetaData, Table, Text, UniqueConstraint

METADATA = MetaData()
_TEXT = Text().with_variant(Text(collation="C"), "postgresql")
"""Times and keys are compared bytewise, regardless of the server's locale."""
SEARCHED: dict[str, type[Text | BigInteger]] = {"job": Text, "customer": Text, "wheel": Text, "corrects": BigInteger}
"""Fields of a body that are searched for."""


def records_table(metadata: MetaData, dialect: str) -> Table:
    """The table of records for a dialect, ``sqlite`` or ``postgresql``, with its indexes."""

    def taken(name: str) -> str:
        if dialect == "sqlite":
            return f"json_extract(body, '$.{name}')"
        return f"((body::jsonb)->>'{name}')::bigint" if name == "corrects" else f"(body::jsonb)->>'{name}'"

    # SQLite computes them when read or indexed; PostgreSQL stores them.
    table = Table(
        "records",
        metadata,
        Column("truck", _TEXT, primary_key=True),
        Column("serial", BigInteger(), primary_key=True, autoincrement=False),
        Column("kind", _TEXT, nullable=False),
        Column("key", _TEXT, nullable=False),
        Column("at", _TEXT, nullable=False),
        Column("body", Text(), nullable=False),
        Column("previous", Text(), nullable=False),
        Column("hash", Text(), nullable=False),
        *(
            Column(name, kind, Computed(taken(name), persisted=dialect == "postgresql"))
            for name, kind in SEARCHED.items()
        ),
        UniqueConstraint("truck", "kind", "key", name="records_once"),
    )
    Index("records_of_kind", table.c.truck, table.c.kind, table.c.at)
    Index("records_of_job", table.c.job, table.c.kind)
    Index("records_of_customer", table.c.customer, table.c.kind, table.c.at)
    Index("records_of_wheel", table.c.wheel, table.c.kind)
    Index("records_corrected", table.c.truck, table.c.corrects)
    return table


def heads_table(metadata: MetaData) -> Table:
    """The table of heads."""
    return Table(
        "heads",
        metadata,
        Column("truck", _TEXT, primary_key=True),
        Column("serial", BigInteger(), nullable=False),
        Column("hash", Text(), nullable=False),
    )


def identity_table(metadata: MetaData) -> Table:
    """The table with one row: the book's identity."""
    return Table(
        "identity",
        metadata,
        Column("truck", _TEXT, primary_key=True),
        Column("collects", BigInteger(), nullable=False),
    )


def logins_table(metadata: MetaData) -> Table:
    """The table of a server: which login writes a chain."""
    return Table(
        "logins",
        metadata,
        Column("chain", _TEXT, primary_key=True),
        Column("login", _TEXT, nullable=False),
    )


def signed_table(metadata: MetaData) -> Table:
    """The table of signed heads: who vouches for a chain up to a record, and the office's countersignature."""
    return Table(
        "signed",
        metadata,
        Column("chain", _TEXT, primary_key=True),
        Column("serial", BigInteger(), primary_key=True, autoincrement=False),
        Column("hash", Text(), nullable=False),
        Column("generation", BigInteger(), nullable=False),
        Column("signature", Text(), nullable=False),
        Column("countersignature", Text(), nullable=False),
    )


def keys_table(metadata: MetaData) -> Table:
    """The table of public keys: of each chain the first, second … one."""
    return Table(
        "keys",
        metadata,
        Column("chain", _TEXT, primary_key=True),
        Column("generation", BigInteger(), primary_key=True, autoincrement=False),
        Column("public", Text(), nullable=False),
        Column("revoked", BigInteger(), nullable=False),
    )


def codes_table(metadata: MetaData) -> Table:
    """The table of enrolment codes; ``chain`` is empty for a new truck, ``used_by`` the public key that used it."""
    return Table(
        "codes",
        metadata,
        Column("code", _TEXT, primary_key=True),
        Column("secret", Text(), nullable=False),
        Column("chain", _TEXT, nullable=False),
        Column("used_by", Text(), nullable=False),
        Column("generation", BigInteger(), nullable=False),
    )


def shared_table(metadata: MetaData) -> Table:
    """The table of how far each truck's chain was read for what the office offers to all."""
    return Table(
        "shared",
        metadata,
        Column("chain", _TEXT, primary_key=True),
        Column("serial", BigInteger(), nullable=False),
    )


RECORDS = records_table(METADATA, "sqlite")
HEADS = heads_table(METADATA)
IDENTITY = identity_table(METADATA)
SIGNED = signed_table(METADATA)
KEYS = keys_table(METADATA)
CODES = codes_table(METADATA)
SHARED = shared_table(METADATA)
LOGINS = logins_table(MetaData())
"""Only on a server, made by its migration."""
SEALED = [RECORDS.c[name] for name in ("truck", "serial", "kind", "key", "at", "body", "previous", "hash")]
"""The columns of a record, in its order."""
