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
    number_in_series,
    numbered,
    old_bill,
    same_bill,
    standing_invoice,
    to_issue,
)
from rig.books.looks import looks_of
from rig.books.month import month_of
from rig.books.paper import Paper
from rig.books.prices import head_of, list_now, read_list, shop_of
from rig.books.printing import (
    NOT_ISSUED,
    add_print_options,
    copy_marks,
    keep_print,
    printed,
    refuse_unwritable,
    write_file,
)
from rig.books.where import add_config, book_asked, book_written, now, print_answer
from rig.cli.table import OK, Add
from rig.record.base import Document
from rig.record.papers import Bill, Invoice
from rig.run.refused import Refused

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

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
                _einvoice(options, book, Invoice.of(standing) if standing else _as_if_issued(book, options.job))
            record = issued_bill(book, options.job, options.last)
            _hand_out(options, book, bill_in(record), record, keep_print(book, printed_as(record), [record]))
        return OK
    with book_asked(options) as book:
        bill, issued, marks = looked_at(book, options.job)
        _hand_out(options, book, bill, issued, None, marks)
    return OK


def looked_at(book: Book, job: str) -> tuple[Bill, Record | None, list[str]]:
    """A job's bill for display: the issued one if it equals the present one, else a draft. With its marks."""
    bill = job_bill(book, job)
    standing = standing_invoice(book, job)
    if standing is None:
        before = old_bill(book, job)
        if before is not None and same_bill(bill, before):
            return bill_in(before), before, [COPY]
        return bill, None, [NOT_ISSUED]
    if same_bill(bill, standing):
        return bill_in(standing), standing, [COPY]
    return bill, None, [NOT_ISSUED, changed(standing)]


def bill_in(record: Record) -> Bill:
    """The bill in a record; of an earlier version, one without a number of the series."""
    return Invoice.of(record) if record.kind == INVOICE else Bill.of(record)


def credit_command(options: argparse.Namespace) -> int:
    """Cancel an invoice and issue the credit note."""
    _check_outputs(options)
    with book_written(options) as book:
        record = credited(book, invoice_named(book, options.invoice), options.why, options.by, options.last)
        _hand_out(options, book, bill_in(record), record, keep_print(book, printed_as(record), [record]))
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
            _hand_out(options, written, bill_in(record), record, keep_print(written, printed_as(record), [record]))
        return OK
    with book_asked(options) as book:
        record = invoice_named(book, options.invoice)
        _hand_out(options, book, bill_in(record), record, None, [COPY])
    return OK


def _list(options: argparse.Namespace, book: Book) -> int:
    since, until = month_of(options.month) if options.month else ("", "~")
    found = [each for each in invoices(book) if since <= Invoice.of(each).date < until]
    if options.csv is not None:
        _write_table(options, book, [Invoice.of(each) for each in found])
    rows = [_row(book, each) for each in found]
    lines = [
        f"{row['invoice']:>10}  {row['date']}  {row['total']:>10} {row['currency']}  {row['what']:<12} job {row['job']}"
        f"  {row['customer'] or ''}" for row in rows
    ]  # fmt: skip
    print_answer(options, rows, "\n".join(lines) or "nothing was issued yet: `rig bill JOB --issue`")
    return OK


def _row(book: Book, record: Record) -> Document:
    kept = Invoice.of(record)
    cancelled = credit_of(book, record)
    what = f"cancels {kept.cancels_invoice}" if kept.type_code == CREDIT else "cancelled" if cancelled else ""
    names = ("invoice", "type_code", "date", "due", "job", "customer_number", "customer", "net", "tax", "total",
             "currency")  # fmt: skip
    return {"serial": record.serial, **{name: getattr(kept, name) for name in names}, "what": what}


# --- handing out ----------------------------------------------------------------------------------------------------


def printed_as(record: Record) -> str:
    """The name by which the prints of a bill are counted."""
    return f"invoice {number_in_series(record)}" if record.kind == INVOICE else f"bill {record.serial}"


def paper_of(book: Book, bill: Bill, issued: Record | None, marks: Sequence[str]) -> Paper:
    """A stored bill on paper; ``issued`` is its record if it was issued."""
    shop, number = shop_of(bill), ""
    if issued is not None:
        number = bill.invoice if isinstance(bill, Invoice) else f"{issued.serial} (of the book)"
    issued_at = issued.at if issued else ""
    return bill_paper(bill, looks_of(shop), head_of(book, shop), marks, now(), number, issued_at)


def _hand_out(
    options: argparse.Namespace,
    book: Book,
    bill: Bill,
    issued: Record | None,
    copies: int | None,
    marks: Sequence[str] = (),
) -> None:
    paper = paper_of(book, bill, issued, marks if copies is None else copy_marks(copies))
    facts: Document = {"serial": issued.serial if issued else None, "issued": issued is not None, "copies": copies}
    whole = facts | bill.document()
    if options.einvoice is not None:
        if not isinstance(bill, Invoice):
            raise Refused("only an issued bill is an invoice: write `rig bill JOB --issue --einvoice FILE`")
        write_file(options.einvoice, _einvoice(options, book, bill, paper))
        whole |= {"einvoice": str(options.einvoice)}
    if options.csv is not None:
        _write_table(options, book, [bill])
        whole |= {"csv": str(options.csv)}
    files = [str(file) for file in (options.einvoice, options.csv) if file is not None]
    if files and options.pdf is None:
        print_answer(options, whole, f"{paper.title} {paper.number}: {', '.join(files)}")
    else:
        printed(options, paper, whole)


def _check_outputs(options: argparse.Namespace) -> None:
    if options.einvoice is not None and options.einvoice.suffix.lower() not in (".xml", ".pdf"):
        raise Refused(f"{options.einvoice}: write a name that ends in .xml, or in .pdf for a PDF that holds it")
    for file in (options.einvoice, options.csv, options.pdf):
        if file is not None:
            refuse_unwritable(file)


def _einvoice(options: argparse.Namespace, book: Book, bill: Invoice, paper: Paper | None = None) -> bytes:
    if options.einvoice.suffix.lower() == ".pdf":
        return einvoice_pdf(bill, paper or paper_of(book, bill, None, ()))
    return einvoice_xml(bill, options.syntax)


def _as_if_issued(book: Book, job: str) -> Invoice:
    return numbered(to_issue(job_bill(book, job), DEBIT), 1, now())


def _write_table(options: argparse.Namespace, book: Book, bills: Sequence[Bill]) -> None:
    prices = list_now(book)
    wanted = read_list(prices).accounting if prices else None
    write_file(options.csv, table_of(bills, wanted).encode("utf-8-sig"))
