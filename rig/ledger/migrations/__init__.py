"""How a book of an earlier version of the program becomes one of this version (alembic). ``LATEST`` is its mark."""

from __future__ import annotations

import contextlib
from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, text

from rig.ledger.lock import alone

LATEST = "0002"
_ADVISORY_LOCK = 7302
"""Any number, the same for every program that migrates a book on a server."""


class TooNewError(RuntimeError):
    """The book was made by a later version of the program."""


def migrate(engine: Engine, path: Path | None) -> None:
    """Bring the tables to this version, one process at a time; ``path`` is the file, None on a server."""
    with engine.connect() as db:
        if _version(db) == LATEST:
            return
    with contextlib.nullcontext() if path is None else alone(path):
        if path is not None:
            # Kept in the file. Not a write-ahead log: even a reader would have to make files for it.
            with engine.connect() as db:
                db.exec_driver_sql("PRAGMA journal_mode=DELETE")
        with engine.begin() as db:
            if path is None:
                db.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_ADVISORY_LOCK})")
            check_version(db)
            if _version(db) != LATEST:
                _upgrade(db)


def check_version(db: Connection) -> None:
    """Refuse a book of a later version of the program (TooNewError)."""
    known = _version(db)
    if known is not None and known > LATEST:
        raise TooNewError(f"the book is of version {known}, this program of {LATEST}: update the program")


def _upgrade(db: Connection) -> None:
    # Loaded here only: opening a book that is up to date should not pay for it.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = db
    command.upgrade(config, "head")


def _version(db: Connection) -> str | None:
    if not inspect(db).has_table("alembic_version"):
        return None
    return db.execute(text("SELECT version_num FROM alembic_version")).scalar()
