"""`rig ledger`: list, show, verify, export, backup, restore, schema. Options in, text or JSON out; decides nothing."""

from __future__ import annotations

import argparse
import contextlib
import json
import time
from collections.abc import Sequence
from pathlib import Path

from rig.books.backing import backup_command, restore_command
from rig.books.records import record_rows, rows_text
from rig.books.where import add_config, book_asked, book_written, folder_of, now, print_answer
from rig.books.wording import ticket_text
from rig.cli.table import OK, REFUSED, Add
from rig.ledger.journal import JournalReader, StoredFill
from rig.record.base import Document
from rig.record.kinds import schema
from rig.record.work import Ended
from rig.run.refused import Refused
from rig.shop.posting import JOURNAL_NAME, not_posted

_MOST_RECORDS = 10_000
_ACTIONS = ("list", "show", "verify", "repair", "post", "export", "backup", "restore", "schema")


def add_ledger(add: Add) -> None:
    """The command ``ledger``."""
    command = add("ledger", ledger_command)
    command.add_argument("action", choices=_ACTIONS)
    command.add_argument("id", nargs="?", metavar="ID|FILE", help="a fill, or the file to write or to restore from")
    command.add_argument("--records", action="store_true", help="of `list`: what the book holds, by record number")
    command.add_argument("--job", metavar="J", help="of `list --records`: of this job")
    add_config(command)


def ledger_command(options: argparse.Namespace) -> int:
    """Run one action; returns the exit status: 3 if the ledger is unsound."""
    actions = {
        "verify": _verify, "repair": _repair, "post": _post, "export": _export, "backup": _backup, "restore": _restore,
        "schema": _schema,
    }  # fmt: skip
    if options.records and options.action == "list":
        return _records(options)
    return actions.get(options.action, _journal)(options)


def _records(options: argparse.Namespace) -> int:
    """List the book, a line per record; the number is used by `rig note correct` and `void`."""
    with book_asked(options) as book:
        rows = record_rows(book, job=options.job, most=_MOST_RECORDS)
    print_answer(options, rows, rows_text(rows))
    return OK


def _journal(options: argparse.Namespace) -> int:
    folder = folder_of(options)
    if not (folder / JOURNAL_NAME).exists():
        raise Refused(f"no journal in {folder}: nothing was filled from here yet")
    with contextlib.closing(JournalReader(folder / JOURNAL_NAME)) as journal:
        if options.action == "show":
            stored = _stored(journal, options.id)
            entries = journal.entries(stored.fill_id)
            rows: list[Document] = [{"at": entry.at, "kind": entry.kind, **entry.data} for entry in entries]
            document = {"about": stored.about, "record": stored.record, "entries": rows}
            print_answer(options, document, _shown_fill(stored, rows))
        else:
            rows = [_row(fill) for fill in journal.fills()]
            print_answer(options, rows, _rows_text(rows))
    return OK


def _stored(journal: JournalReader, fill_id: str | None) -> StoredFill:
    if fill_id is None:
        raise Refused("which fill? `rig ledger list` shows their ids")
    return journal.fill(fill_id)


def _row(fill: StoredFill) -> Document:
    work = fill.work
    return {
        "number": fill.number,
        "fill_id": fill.fill_id,
        "opened_at": fill.opened_at,
        "size": fill.task.size,
        "outcome": work.outcome if work else "unfinished",
        "net_l": work.net_l if work else None,
        "delivery": work.known_as if work else "known",
    }


def _rows_text(rows: list[Document]) -> str:
    return "\n".join(
        f"{row['number']:>5}  {row['fill_id']}  {row['size']:<14} {row['outcome']:<11} {_net(row)}" for row in rows
    )


def _net(row: Document) -> str:
    if row["net_l"] is None:
        return "- L"
    return "not known" if row["delivery"] == "not known" else f"{row['net_l']} L"


def _shown_fill(fill: StoredFill, rows: Sequence[Document]) -> str:
    head = ticket_text(Ended(work=fill.work), simulated=False) if fill.work else "unfinished"
    return "\n".join([head, *(json.dumps(row) for row in rows if row["kind"] != "progress")])


def _verify(options: argparse.Namespace) -> int:
    began_s = time.monotonic()
    with book_asked(options) as book:
        found, heads = book.faults(), book.heads()
    count, spent_s = sum(serial for serial, _ in heads.values()), time.monotonic() - began_s
    document = {
        "sound": not found,
        "records": count,
        "seconds": round(spent_s, 3),
        "heads": {truck: {"serial": serial, "hash": hash_} for truck, (serial, hash_) in heads.items()},
        "faults": [{"truck": each.truck, "serial": each.serial, "text": each.text} for each in found],
    }
    ends = "\n".join(f"  {truck}: record {serial}, {hash_[:16]}" for truck, (serial, hash_) in heads.items())
    verdict = "SOUND" if not found else "NOT SOUND"
    text = f"{verdict}: {count} records in {spent_s:.1f} s\n{ends}"
    print_answer(options, document, "\n".join([text, *(f"  ! {each}" for each in found)]))
    return REFUSED if found else OK


def _repair(options: argparse.Namespace) -> int:
    """Declare void the copies of records that were posted into a second chain of this rig. Nothing is deleted."""
    with book_written(options) as book:
        copies = book.copies()
        why = "a copy: posted into a second chain of the same rig"
        made = [book.void(copy, now(), f"{why}, record {of.serial} of {of.truck} counts") for of, copy in copies]
    rows = [
        {"truck": copy.truck, "serial": copy.serial, "kind": copy.kind, "of": {"truck": of.truck, "serial": of.serial}}
        for of, copy in copies
    ]
    lines = [f"  {row['kind']}, record {row['serial']} of {row['truck']}: void" for row in rows]
    print_answer(options, {"voided": rows}, "\n".join([f"{len(made)} copies declared void", *lines]))
    return OK


def _post(options: argparse.Namespace) -> int:
    """Post into the book what the journal has and the book lacks."""
    from rig.ledger.keeping import book_or_empty

    folder = folder_of(options)
    with book_or_empty(folder) as book:
        waiting = not_posted(folder, book)
    with book_written(options):
        pass
    print_answer(options, {"posted": waiting}, f"{len(waiting)} fill(s) entered into the book")
    return OK


def _export(options: argparse.Namespace) -> int:
    from rig.ledger.keeping import export

    into = Path(options.id or "ledger.jsonl")
    with book_asked(options) as book:
        count, lines, table = export(book.every(), into)
    print_answer(
        options, {"records": count, "lines": str(lines), "table": str(table)}, f"{count} records: {lines} and {table}"
    )
    return OK


def _backup(options: argparse.Namespace) -> int:
    options.file = _file(options)
    return backup_command(options)


def _restore(options: argparse.Namespace) -> int:
    options.file, options.url = _file(options), None
    return restore_command(options)


def _schema(_: argparse.Namespace) -> int:
    """Print the JSON schema of the records; the file of the package is the same."""
    print(json.dumps(schema(), indent=1))
    return OK


def _file(options: argparse.Namespace) -> Path:
    if options.id is None:
        raise Refused(f"which file? write `rig ledger {options.action} FILE`")
    return Path(options.id)
