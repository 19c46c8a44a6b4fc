"""`rig bill`, `rig credit`, `rig invoice`: show, issue and cancel a bill; on paper, as a table, as XML.

Showing never writes. A file that cannot be written is detected before anything is issued.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rig.books.accounting import table_of
from rig.books.bill import job_bill
from rig.books.bill_paper import CREDIT, bill_paper
from rig.books.einvoice import einvoice_pdf, einvoice_xml
from rig.books.invoicing import (
    DEBIT,
    INVOICE,
    changed,
    credit_of,
    credited,
    invoice_named,
    invoices,
    issued_bill,
    numbered,
    old_bill,
    same_bill,
    standing_invoice,
)
from rig.books.looks import looks_of
from rig.books.office import month_of
from rig.books.paper import Paper
from rig.books.prices import head_of, price_lists, read_list, shop_of
from rig.books.printing import (
    NOT_ISSUED,
    add_print_options,
    copy_marks,
    keep_print,
    printed,
    refuse_unwritable,
    write_file,
)
from rig.books.where import add_config, book_asked, book_written, now, told
from rig.cli.table import OK, Add
from rig.run.session import Refused

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

Body = dict[str, object]
COPY = "COPY, not the original"


def add_billing(add: Add) -> None:
    """The commands ``bill``, ``credit`` and ``invoice``."""
    command = add("bill", bill_command)
    command.add_argument("job", metavar="JOB")
    _add_last(command)
    _add_outputs(command)
    command = add("credit", credit_command)
    command.add_argument("invoice", metavar="INVOICE")
    command.add_argument("--why", default="", metavar="TEXT")
    command.add_argument("--by", default="", metavar="NAME")
    _add_last(command)
    _add_outputs(command)
    command = add("invoice", invoice_command)
    command.add_argument("invoice", nargs="?", metavar="INVOICE")
    command.add_argument("--month", metavar="YYYY-MM", help="of the list: issued in that month")
    _add_outputs(command)


def _add_last(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--last", type=int, metavar="NUMBER", help="after a restore: the last invoice or credit note on paper"
    )


def _add_outputs(command: argparse.ArgumentParser) -> None:
    command.add_argument("--csv", type=Path, metavar="FILE", help="write the lines as a table for accounting")
    command.add_argument("--einvoice", type=Path, metavar="FILE", help="EN 16931: FILE.xml, or FILE.pdf with it inside")
    command.add_argument("--syntax", choices=("ubl", "cii"), default="ubl", help="of the .xml (%(default)s)")
    add_print_options(command)
    add_config(command)


# --- commands -------------------------------------------------------------------------------------------------------


def bill_command(options: argparse.Namespace) -> int:
    """Show a job's bill as a draft, or issue it: it is then stored, and the same bill again is a duplicate."""
    _check_outputs(options)
    if options.issue:
        with book_written(options) as book:
            if options.einvoice:
                # Detect violations of the standard before a number is used, or a print counted.
                standing = standing_invoice(book, options.job)
                _einvoice(options, book, standing.document if standing else _as_if_issued(book, options.job))
            record = issued_bill(book, options.job, options.last)
            _hand_out(options, book, record.document, record, keep_print(book, printed_as(record), [record]))
        return OK
    with book_asked(options) as book:
        document, issued, marks = looked_at(book, options.job)
        _hand_out(options, book, document, issued, None, marks)
    return OK


def looked_at(book: Book, job: str) -> tuple[Body, Record | None, list[str]]:
    """A job's bill for display: the issued one if it equals the present one, else a draft. With its marks."""
    document = job_bill(book, job)
    standing = standing_invoice(book, job)
    if standing is None:
        before = old_bill(book, job)
        if before is not None and same_bill(document, before):
            return before.document, before, [COPY]
        return document, None, [NOT_ISSUED]
    if same_bill(document, standing):
        return standing.document, standing, [COPY]
    return document, None, [NOT_ISSUED, changed(standing)]


def credit_command(options: argparse.Namespace) -> int:
    """Cancel an invoice and issue the credit note."""
    _check_outputs(options)
    with book_written(options) as book:
        record = credited(book, invoice_named(book, options.invoice), options.why, options.by, options.last)
        _hand_out(options, book, record.document, record, keep_print(book, printed_as(record), [record]))
    return OK


def invoice_command(options: argparse.Namespace) -> int:
    """List issued documents, or print one again, marked DUPLICATE."""
    _check_outputs(options)
    if options.invoice is None:
        with book_asked(options) as book:
            return _list(options, book)
    if options.issue:
        with book_written(options) as written:
            record = invoice_named(written, options.invoice)
            _hand_out(options, written, record.document, record, keep_print(written, printed_as(record), [record]))
        return OK
    with book_asked(options) as book:
        record = invoice_named(book, options.invoice)
        _hand_out(options, book, record.document, record, None, [COPY])
    return OK


def _list(options: argparse.Namespace, book: Book) -> int:
    since, until = month_of(options.month) if options.month else ("", "~")
    found = [each for each in invoices(book) if since <= str(each.document["date"]) < until]
    if options.csv is not None:
        _write_table(options, book, [each.document for each in found])
    rows = [_row(book, each) for each in found]
    lines = [
        f"{row['invoice']:>10}  {row['date']}  {row['total']:>10} {row['currency']}  {row['what']:<12} job {row['job']}"
        f"  {row['customer'] or ''}" for row in rows
    ]  # fmt: skip
    told(options, rows, "\n".join(lines) or "nothing was issued yet: `rig bill JOB --issue`")
    return OK


def _row(book: Book, record: Record) -> Body:
    kept = record.document
    cancelled = credit_of(book, record)
    what = f"cancels {kept['cancels_invoice']}" if kept["type_code"] == CREDIT else "cancelled" if cancelled else ""
    names = ("invoice", "type_code", "date", "due", "job", "customer_number", "customer", "net", "tax", "total",
             "currency")  # fmt: skip
    return {"serial": record.serial, **{name: kept.get(name) for name in names}, "what": what}


# --- handing out ----------------------------------------------------------------------------------------------------


def printed_as(record: Record) -> str:
    """The name by which the prints of a bill are counted."""
    return f"invoice {record.document['number_in_series']}" if record.kind == INVOICE else f"bill {record.serial}"


def paper_of(book: Book, document: Body, issued: Record | None, marks: Sequence[str]) -> Paper:
    """A stored bill on paper; ``issued`` is its record if it was issued."""
    shop = shop_of(document)
    number = ""
    if issued is not None:
        number = str(document["invoice"]) if issued.kind == INVOICE else f"{issued.serial} (of the book)"
    at = now()
    shown = document if issued is None or issued.kind == INVOICE else document | {"issued_at": issued.at}
    return bill_paper(shown, looks_of(shop), head_of(book, shop), marks, at, number)


def _hand_out(
    options: argparse.Namespace,
    book: Book,
    document: Body,
    issued: Record | None,
    copies: int | None,
    marks: Sequence[str] = (),
) -> None:
    paper = paper_of(book, document, issued, marks if copies is None else copy_marks(copies))
    facts: Body = {"serial": issued.serial if issued else None, "issued": issued is not None, "copies": copies}
    whole = facts | document
    if options.einvoice is not None:
        if issued is None or issued.kind != INVOICE:
            raise Refused("only an issued bill is an invoice: write `rig bill JOB --issue --einvoice FILE`")
        write_file(options.einvoice, _einvoice(options, book, document, paper))
        whole |= {"einvoice": str(options.einvoice)}
    if options.csv is not None:
        _write_table(options, book, [document])
        whole |= {"csv": str(options.csv)}
    files = [str(file) for file in (options.einvoice, options.csv) if file is not None]
    if files and options.pdf is None:
        told(options, whole, f"{paper.title} {paper.number}: {', '.join(files)}")
    else:
        printed(options, paper, whole)


def _check_outputs(options: argparse.Namespace) -> None:
    if options.einvoice is not None and options.einvoice.suffix.lower() not in (".xml", ".pdf"):
        raise Refused(f"{options.einvoice}: write a name that ends in .xml, or in .pdf for a PDF that holds it")
    for file in (options.einvoice, options.csv, options.pdf):
        if file is not None:
            refuse_unwritable(file)


def _einvoice(options: argparse.Namespace, book: Book, document: Body, paper: Paper | None = None) -> bytes:
    if options.einvoice.suffix.lower() == ".pdf":
        return einvoice_pdf(document, paper or paper_of(book, document, None, ()))
    return einvoice_xml(document, options.syntax)


def _as_if_issued(book: Book, job: str) -> Body:
    whole: Body = {**job_bill(book, job), "type_code": DEBIT}
    return whole | numbered(whole, 1, now())


def _write_table(options: argparse.Namespace, book: Book, bills: Sequence[Body]) -> None:
    lists = price_lists(book)
    wanted = read_list(lists[-1]).accounting if lists else None
    write_file(options.csv, table_of(bills, wanted).encode("utf-8-sig"))
