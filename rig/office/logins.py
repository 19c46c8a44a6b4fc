"""The office's book with its logins: one for each truck, made and ended by the owner of the tables.

What a login may do is in the migration ``v0003_logins``. Knows the server's roles; must not know what a record says.
"""

from __future__ import annotations

import hashlib
import re
import secrets

from sqlalchemy import URL, Connection, insert, select, text

from rig.ledger.book import Book, BookError
from rig.ledger.tables import LOGINS, SEALED
from rig.ledger.writing import WritableBook

_GRANTS = (
    ("SELECT", "records"),
    (f"INSERT ({', '.join(column.name for column in SEALED)})", "records"),
    ("SELECT", "heads"),
    ("SELECT", "identity"),
    ("SELECT", "alembic_version"),
)
_PASSWORD_BYTES = 24
_LONGEST = 40
"""Bytes of a login made from a chain's id; the server cuts names at 63."""
_CONNECTIONS = 5


class Office(WritableBook):
    """The office's book, for writing; on a server with the logins of its trucks."""

    def __init__(self, url: str) -> None:
        """Open it, create or migrate it; BookError if that fails."""
        super().__init__(url, "office", collects=True)

    def enroll(self, truck: str, same_as: str | None = None) -> URL:
        """Make the login of a chain, or give it a new password; returns its address with the password in it.

        ``same_as``: the chain is an older one in the book of that truck, whose login gets it too. BookError if the
        server refuses, or the book is a file.
        """
        self._refuse_file()
        if truck == self.truck:
            raise BookError(f"{truck!r} is the office's own chain: no truck has it")
        if not truck or not truck.isprintable():
            raise BookError(f"{truck!r} is no truck's id: `rig ledger verify` on the truck shows it")
        password = secrets.token_urlsafe(_PASSWORD_BYTES)
        with self._doing("written"), self._engine.begin() as db:
            login = _login_of(db, truck)
            if login is not None and same_as is not None and login != _login_of(db, same_as):
                raise BookError(f"{truck} has a login of its own, {login!r}: enroll it without --same-as")
            login = login or self._new_login(db, truck, same_as)
            quoted, sealed = _quoted(db, login), _verifier(db, login, password)
            if not _exists(db, login):
                db.exec_driver_sql(f"CREATE ROLE {quoted} NOINHERIT CONNECTION LIMIT {_CONNECTIONS}")
            db.exec_driver_sql(f"ALTER ROLE {quoted} LOGIN PASSWORD '{sealed}'")
            [(schema, database)] = db.execute(text("SELECT current_schema(), current_database()"))
            db.exec_driver_sql(f"GRANT CONNECT ON DATABASE {_quoted(db, database)} TO {quoted}")
            db.exec_driver_sql(f"GRANT USAGE ON SCHEMA {_quoted(db, schema)} TO {quoted}")
            for right, table in _GRANTS:
                db.exec_driver_sql(f"GRANT {right} ON {table} TO {quoted}")
        return self._engine.url.set(username=login, password=password)

    @staticmethod
    def _new_login(db: Connection, truck: str, same_as: str | None) -> str:
        login = login_named(truck) if same_as is None else _login_of(db, same_as)
        if login is None:
            raise BookError(f"{same_as} has no login yet: `rig office enroll {same_as}` makes it")
        if same_as is None and _exists(db, login):
            raise BookError(
                f"the server has a login {login!r} that this office has not made: rename or drop that one first"
            )
        db.execute(insert(LOGINS), {"chain": truck, "login": login})
        return login

    def revoke(self, truck: str) -> str:
        """End the login of a chain, at once also for its open connections; returns it. Its records stay.

        BookError if it has none, the server refuses, or the book is a file.
        """
        self._refuse_file()
        with self._doing("written"), self._engine.begin() as db:
            login = _login_of(db, truck)
            if login is None:
                raise BookError(f"{truck} has no login at this office: `rig office verify` lists the trucks")
            quoted = _quoted(db, login)
            db.exec_driver_sql(f"ALTER ROLE {quoted} NOLOGIN PASSWORD NULL")
            for right, table in _GRANTS:
                db.exec_driver_sql(f"REVOKE {right} ON {table} FROM {quoted}")
        return login

    def _refuse_file(self) -> None:
        if self._path is not None:
            raise BookError(
                f"{self.name}: a file has no logins, whoever may write it may write all; "
                "an office with a login for each truck is a PostgreSQL"
            )


def refuse_stranger(office: Book, truck: str) -> None:
    """Refuse (BookError) if the login with which the office is open has not the chain of ``truck``."""
    chains = office.granted
    if chains is not None and truck not in chains:
        whose = f"is that of {', '.join(chains)}" if chains else "is no truck's"
        raise BookError(
            f"{office.name}: the login {whose}, this truck is {truck}. The office's owner runs "
            f"`rig office enroll {truck}` and hands over the address that it prints"
        )


def login_named(truck: str) -> str:
    """The login of a truck's id: small letters, digits and dashes, beginning with ``truck-``; one for each id."""
    plain = re.sub("[^a-z0-9]+", "-", truck.lower()).strip("-").removeprefix("truck-")[:_LONGEST]
    same = f"truck-{plain}" == truck
    return f"truck-{plain}" if same else f"truck-{plain}-{hashlib.sha256(truck.encode()).hexdigest()[:10]}"


def _login_of(db: Connection, truck: str) -> str | None:
    return db.execute(select(LOGINS.c.login).where(LOGINS.c.chain == truck)).scalar()


def _exists(db: Connection, login: str) -> bool:
    """Whether the server has the role; a copy of the database restored on another server has it only by name."""
    return db.execute(text("SELECT 1 FROM pg_roles WHERE rolname = :login"), {"login": login}).first() is not None


def _quoted(db: Connection, name: str) -> str:
    return db.dialect.identifier_preparer.quote_identifier(name).replace("%", "%%")


def _verifier(db: Connection, login: str, password: str) -> str:
    """What the server keeps of a password (SCRAM-SHA-256, RFC 5803), so that its log never has the password."""
    server = db.connection.driver_connection
    assert server is not None
    sealed: bytes = server.pgconn.encrypt_password(password.encode(), login.encode(), b"scram-sha-256")
    return sealed.decode()
