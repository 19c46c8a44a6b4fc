"""Output of papers: on the terminal, for a receipt printer, as PDF; with a record of each print."""

from __future__ import annotations

import argparse
import contextlib
import os
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING

from rig.books.paper import Paper, as_text
from rig.books.prices import list_now
from rig.books.where import book_asked, book_written, now, print_answer
from rig.record.notes import Place, Printed
from rig.run.refused import Refused

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.ledger.writing import WritableBook

_WIDTH = 64
NOT_ISSUED = "DRAFT, not issued"


def add_print_options(command: argparse.ArgumentParser) -> None:
    """Options for the form of a printed paper."""
    command.add_argument(
        "--issue", action="store_true", help="hand it out: the book keeps that, a second is a DUPLICATE"
    )
    how = command.add_mutually_exclusive_group()
    how.add_argument("--pdf", type=Path, metavar="FILE", help="write a PDF")
    how.add_argument("--receipt", action="store_true", help="plain text for a receipt printer")
    command.add_argument(
        "--columns", type=int, choices=(32, 42, 48, 64), default=42, help="of the receipt (%(default)s)"
    )


def prints_of(book: Book, what: str) -> int:
    """Number of earlier prints of a paper."""
    return sum(key.rpartition(" #")[0] == what for key in book.keys("print"))


def book_for(options: argparse.Namespace) -> AbstractContextManager[Book]:
    """The book for a paper: for reading if it is only shown, for writing if it is issued."""
    return book_written(options) if options.issue else book_asked(options)


def printed(options: argparse.Namespace, paper: Paper, document: Mapping[str, object]) -> None:
    """Output a paper as selected by the options: on the terminal, for a receipt printer, as PDF, as JSON."""
    if options.json and options.pdf is None:
        print_answer(options, {**document, "paper": paper.as_json()}, "")
        return
    if options.pdf is not None:
        from rig.books.pdf import as_pdf

        write_file(options.pdf, as_pdf(paper))
        print_answer(options, {**document, "pdf": str(options.pdf)}, f"{paper.title} {paper.number}: {options.pdf}")
    elif options.receipt:
        print(as_text(paper, options.columns, ascii_only=True))
    else:
        print(as_text(paper, _WIDTH))


def write_file(path: Path, content: bytes) -> None:
    """Write a file completely or not at all; Refused if that is impossible."""
    fresh = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        fresh.write_bytes(content)
        fresh.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            fresh.unlink()
        raise Refused(f"{path}: cannot be written ({error.strerror}); check the folder") from error


def refuse_unwritable(path: Path) -> None:
    """Refuse a file that could not be written, before anything is done for it."""
    if path.is_dir() or not os.access(path.absolute().parent, os.W_OK):
        raise Refused(f"{path}: cannot be written; check the folder")


def keep_print(book: WritableBook, what: str, records: Sequence[Record]) -> int:
    """Record the issue of a paper; returns the number of earlier issues: a further one is a duplicate."""
    copies = prints_of(book, what)
    of = tuple(Place(record.truck, record.serial) for record in records)
    # A ticket shows the shop's block of the price file in force.
    prices = list_now(book)
    said = Printed(what=what, copy=copies + 1, of_=of, prices=prices.serial if prices else None)
    book.append("print", f"{what} #{copies + 1}", now(), said)
    return copies


def copy_marks(copies: int | None) -> list[str]:
    """The marks of a paper issued so many times before; None: it is only shown."""
    if copies is None:
        return [NOT_ISSUED]
    return ["DUPLICATE"] if copies else []
