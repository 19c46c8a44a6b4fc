"""The journal's tables, and the triggers that keep provings and events from any change."""

from __future__ import annotations

import zlib

VERSION = 2
"""Of the tables. 1: the latest state is in ``fills``, there is no table ``states``. 0: the same, from before it was
stated."""
_WITH_STATES = 2
SCHEMA = (
    """
CREATE TABLE IF NOT EXISTS fills (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    fill_id TEXT NOT NULL UNIQUE,
    opened_at TEXT NOT NULL,
    about TEXT NOT NULL,
    setup TEXT NOT NULL,
    state TEXT NOT NULL,
    record TEXT
);
CREATE TABLE IF NOT EXISTS states (
    number INTEGER PRIMARY KEY REFERENCES fills (number),
    at TEXT NOT NULL,
    state BLOB NOT NULL
);
CREATE TABLE IF NOT EXISTS entries (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    fill_id TEXT NOT NULL REFERENCES fills (fill_id),
    at TEXT NOT NULL,
    kind TEXT NOT NULL,
    data TEXT NOT NULL
);
CREATE INDEX IF NOT EXISTS entries_of_fill ON entries (fill_id, seq);
CREATE TABLE IF NOT EXISTS memory (
    name TEXT PRIMARY KEY,
    value TEXT NOT NULL
);
CREATE TABLE IF NOT EXISTS provings (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    at TEXT NOT NULL,
    meter TEXT NOT NULL,
    accepted INTEGER NOT NULL CHECK (accepted IN (0, 1)),
    document TEXT NOT NULL
);
CREATE TABLE IF NOT EXISTS events (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    kind TEXT NOT NULL CHECK (kind IN ('calibration', 'configuration')),
    number INTEGER NOT NULL,
    at TEXT NOT NULL,
    by TEXT NOT NULL,
    what TEXT NOT NULL,
    UNIQUE (kind, number)
);
"""
    + "".join(
        f"CREATE TRIGGER IF NOT EXISTS {table}_no_{act} BEFORE {act} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, '{table} are only appended to'); END;\n"
        for table in ("provings", "events")
        for act in ("update", "delete")
    )
    + f"PRAGMA user_version = {VERSION};\n"
)


def fills_query(version: int, clause: str) -> str:
    """The query for fills of a journal of that version: the row, then its latest state, packed, and when.

    A fill that an older version began has that in its row until the next is written.
    """
    found = "(SELECT {} FROM states WHERE number = fills.number)" if version >= _WITH_STATES else "NULL"
    last = "(SELECT at FROM entries WHERE fill_id = fills.fill_id ORDER BY seq DESC LIMIT 1)"
    return (
        f"SELECT number, fill_id, opened_at, about, setup, state, record, {found.format('state')}, "
        f"COALESCE({found.format('at')}, {last}) "
        f"FROM fills {clause}"
    )


def packed(state: str) -> bytes:
    """A state as the table has it: by itself and packed it is one page of the file, in the fill's row it was four."""
    return zlib.compress(state.encode())


def state_of(packed: bytes | None) -> str | None:
    """The state again; zlib.error for a damaged one."""
    return None if packed is None else zlib.decompress(packed).decode()
