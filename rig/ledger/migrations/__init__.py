"""How a book of an earlier version of the program becomes one of this version (alembic). ``LATEST`` is its mark."""

from __future__ import annotations

import contextlib
import threading
from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, text

from rig.ledger.lock import alone
from rig.sentence import Wording

LATEST = "0004"
_ADVISORY_LOCK = 7302
"""Any number, the same for every program that migrates a book on a server."""
_ONE_AT_A_TIME = threading.Lock()
"""The library has one context for a process: two books made by two threads at once would get each other's tables."""


_OWNED = text("SELECT pg_has_role(relowner, 'USAGE') FROM pg_class WHERE oid = to_regclass('records')")


class VersionError(RuntimeError):
    """The book is of another version of the program, and cannot be brought to this one from here."""


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
            else:
                # The driver begins no transaction for tables and triggers: a power cut would leave half of them.
                db.exec_driver_sql("BEGIN IMMEDIATE")
            check_version(db)
            if (found := _version(db)) != LATEST:
                if path is None and found is not None and not db.execute(_OWNED).scalar():
                    raise VersionError(
                        Wording(
                            "book.office_older",
                            "the office is of version {version}, this program of {latest}: a `rig office` command "
                            "with its owner's login, such as `rig office enroll TRUCK`, brings it to this one",
                        )(version=found, latest=LATEST)
                    )
                _upgrade(db)


def check_version(db: Connection) -> None:
    """Refuse a book of a later version of the program (VersionError)."""
    known = _version(db)
    if known is not None and known > LATEST:
        raise VersionError(
            Wording("book.newer", "the book is of version {version}, this program of {latest}: update the program")(
                version=known, latest=LATEST
            )
        )


def _upgrade(db: Connection) -> None:
    # Loaded here only: opening a book that is up to date should not pay for it.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = db
    with _ONE_AT_A_TIME:
        command.upgrade(config, "head")


def _version(db: Connection) -> str | None:
    if not inspect(db).has_table("alembic_version"):
        return None
    return db.execute(text("SELECT version_num FROM alembic_version")).scalar()
