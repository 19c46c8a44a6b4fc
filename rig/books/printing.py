"""Hands a paper out: on the terminal, for a receipt printer, as PDF; and keeps that it was printed."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rig.books.paper import Paper, as_text
from rig.books.where import now, told
from rig.run.session import Refused

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

_WIDTH = 64


def add_print_options(command: argparse.ArgumentParser) -> None:
    """Options that say how a paper is printed."""
    how = command.add_mutually_exclusive_group()
    how.add_argument("--pdf", type=Path, metavar="FILE", help="write a PDF")
    how.add_argument("--receipt", action="store_true", help="plain text for a receipt printer")
    command.add_argument(
        "--columns", type=int, choices=(32, 42, 48, 64), default=42, help="of the receipt (%(default)s)"
    )


def prints_of(book: Book, what: str) -> int:
    """How many times a paper was printed before."""
    return sum(key.rpartition(" #")[0] == what for key in book.keys("print"))


def printed(
    book: Book,
    options: argparse.Namespace,
    paper: Paper,
    what: str,
    document: dict[str, object],
    records: Sequence[Record],
) -> None:
    """Hand a paper out as the options say; a print, other than JSON for a program, is a record."""
    if options.json and options.pdf is None:
        told(options, document | {"paper": paper.as_json()}, "")
        return
    if options.pdf is not None:
        from rig.books.pdf import as_pdf

        try:
            options.pdf.write_bytes(as_pdf(paper))
        except OSError as error:
            raise Refused(f"{options.pdf}: cannot be written ({error.strerror}); check the folder") from error
        told(options, document | {"pdf": str(options.pdf)}, f"{paper.title} {paper.number}: {options.pdf}")
    elif options.receipt:
        print(as_text(paper, options.columns, ascii_only=True))
    else:
        print(as_text(paper, _WIDTH))
    keep_print(book, what, records)


def keep_print(book: Book, what: str, records: Sequence[Record]) -> None:
    """Keep that a paper was handed out, so that the next one of the same says that it is a duplicate."""
    copy = prints_of(book, what) + 1
    of = [{"truck": record.truck, "serial": record.serial} for record in records]
    book.append("print", f"{what} #{copy}", now(), {"what": what, "copy": copy, "of": of})
