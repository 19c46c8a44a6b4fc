"""Drafts, invoices and credit notes: who may write what, one series without a gap, and what stands until when.

Codes of the kinds of document: UNTDID 1001, 380 an invoice and 381 a credit note, as EN 16931 (BT-3) takes them.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import shutil
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from shop_books import fill_now, fill_of, journal_with

from rig.books.invoicing import invoices, issued_bill, number_in_series
from rig.ledger.keeping import book_of

PRICES = str(Path(__file__).parents[2] / "config" / "prices.toml")
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(ran: Run) -> Run:
    ran("prices", PRICES)
    ran("job", "J1", "--customer", "Hill Farm")
    return ran


def told(found: tuple[int, str, str]) -> dict[str, object]:
    assert found[0] == 0, found[2]
    read = json.loads(found[1])
    assert isinstance(read, dict)
    return read


def test_looking_at_a_bill_is_a_draft_and_writes_nothing(run: Run, tmp_path: Path) -> None:
    book = tmp_path / "rig-data" / "book.sqlite"
    before = hashlib.sha256(book.read_bytes()).hexdigest()
    for words in ((), ("--json",), ("--pdf", "x.pdf"), ("--csv", "x.csv"), ("--receipt",)):
        status, text, _ = run("bill", "J1", *words)
        assert status == 0
        assert "DUPLICATE" not in text
    assert "DRAFT" in run("bill", "J1")[1]
    assert hashlib.sha256(book.read_bytes()).hexdigest() == before


def test_only_the_second_issue_says_duplicate(run: Run) -> None:
    first = run("bill", "J1", "--issue")[1]
    assert "INVOICE" in first
    assert not {"DUPLICATE", "DRAFT", "COPY"} & set(first.replace(",", " ").split())
    assert "COPY, not the original" in run("bill", "J1")[1]
    assert "DUPLICATE" in run("bill", "J1", "--issue")[1]
    assert "DUPLICATE" in run("invoice", "1", "--issue")[1]
    assert told(run("bill", "J1", "--json"))["invoice"] == "1"


def test_a_changed_job_needs_a_credit_note_before_another_invoice(run: Run) -> None:
    first = told(run("bill", "J1", "--issue", "--json"))
    run("note", "charge", "--job", "J1", "--item", "core")
    draft = run("bill", "J1")[1]
    assert "DRAFT" in draft
    assert "rig credit 1" in " ".join(draft.split())
    status, _, why = run("bill", "J1", "--issue")
    assert (status, "rig credit 1" in why) == (3, True)
    assert run("credit", "1")[0] == 3, "a credit note without a reason"
    credit = told(run("credit", "1", "--why", "a part was forgotten", "--json"))
    assert (credit["type_code"], credit["cancels_invoice"], credit["invoice"]) == ("381", "1", "2")
    assert credit["total"] == first["total"]
    again = told(run("bill", "J1", "--issue", "--json"))
    assert (again["invoice"], again["type_code"]) == ("3", "380")
    assert again["total"] != first["total"]
    assert "cancelled by credit note 2" in run("credit", "1", "--why", "twice")[2]
    assert "is a credit note" in run("credit", "2", "--why", "of a credit note")[2]
    assert "no invoice '9'" in run("credit", "9", "--why", "x")[2]
    rows = json.loads(run("invoice", "--json")[1])
    assert [(row["invoice"], row["what"]) for row in rows] == [("1", "cancelled"), ("2", "cancels 1"), ("3", "")]


def test_an_invoice_stays_as_it_was_issued(run: Run, tmp_path: Path) -> None:
    run("customer", "correct", "1", "--address", "1 Lane", "--why", "told")
    run("bill", "J1", "--issue")
    run("customer", "correct", "1", "--name", "Hill Farm Ltd", "--address", "2 Road", "--why", "moved")
    other = Path(PRICES).read_text(encoding="utf-8").replace("1 Example Road", "99 Other Road")
    (tmp_path / "moved.toml").write_text(other, encoding="utf-8")
    run("prices", "moved.toml")
    text = run("bill", "J1", "--issue")[1]
    assert "1 Lane" in text
    assert "1 Example Road" in text
    assert "DUPLICATE" in text
    assert "99 Other Road" not in text


def test_nothing_is_issued_into_a_file_that_cannot_be_written(run: Run) -> None:
    for option in ("--pdf", "--csv", "--einvoice"):
        assert run("bill", "J1", "--issue", option, "no/such/folder.pdf")[0] == 3
    assert json.loads(run("invoice", "--json")[1]) == []


def test_numbers_run_without_a_gap_whoever_issues_at_once(run: Run, tmp_path: Path) -> None:
    """Eight programs issue the same twelve jobs at once: twelve numbers, each job once."""
    jobs = [f"K{n}" for n in range(12)]
    journal_with(tmp_path / "rig-data", *(fill_of(job, 20 + n, job=job) for n, job in enumerate(jobs)))
    failed: list[BaseException] = []

    def issue(start: int) -> None:
        try:
            with book_of(tmp_path / "rig-data") as book:
                for job in jobs[start:] + jobs[:start]:
                    issued_bill(book, job)
        except BaseException as error:  # noqa: BLE001 (told by the main thread)
            failed.append(error)

    threads = [threading.Thread(target=issue, args=(n,)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    with book_of(tmp_path / "rig-data") as book:
        found = invoices(book)
        assert [number_in_series(each) for each in found] == list(range(1, 13))
        assert sorted(str(each.document["job"]) for each in found) == sorted(jobs)
        assert book.faults() == []


def test_a_bill_of_an_earlier_version_stays_readable_and_is_no_second_invoice(run: Run, tmp_path: Path) -> None:
    draft = told(run("bill", "J1", "--json"))
    old = {name: value for name, value in draft.items() if name not in
           ("serial", "issued", "copies", "to", "shop", "customer_number", "tax_name", "done_at", "paper")}  # fmt: skip
    with book_of(tmp_path / "rig-data") as book:
        record = book.append("bill", "2026-11-20 J1", "2026-11-20T09:00:00.000+00:00", old)
        what = f"bill {record.serial}"
        book.append("print", f"{what} #1", "2026-11-20T09:00:00.000+00:00", {"what": what, "copy": 1, "of": []})
    text = run("bill", "J1", "--issue")[1]
    assert f"No. {record.serial} (of the book)" in text
    assert "DUPLICATE" in text
    assert "Hill Farm" in text
    # The job changes: a new invoice, which names the old bill.
    run("note", "charge", "--job", "J1", "--item", "core")
    new = told(run("bill", "J1", "--issue", "--json"))
    assert (new["invoice"], new["replaces_bill"]) == ("1", record.serial)


def test_the_prefix_tells_two_trucks_apart(run: Run, tmp_path: Path) -> None:
    text = Path(PRICES).read_text(encoding="utf-8").replace('# invoice_prefix = "T1-"', 'invoice_prefix = "T1-"')
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")
    run("prices", "own.toml")
    assert told(run("bill", "J1", "--issue", "--json"))["invoice"] == "T1-1"
    for name in ("1", "T1-1"):
        assert told(run("invoice", name, "--json"))["invoice"] == "T1-1"


def test_due_date_terms_and_tax_number_stand_on_the_paper(run: Run) -> None:
    run("customer", "correct", "1", "--tax-number", "99-9999999", "--address", "1 Lane", "--why", "told")
    found = told(run("bill", "J1", "--issue", "--json"))
    assert str(found["due"]) > str(found["date"])
    text = run("bill", "J1")[1]
    for words in ("Invented Tyre Service", "1 Example Road", "Tax number 00-0000000", "555 0100", "Net 30 days",
                  "account 000000", "Hill Farm", "1 Lane", "Tax number 99-9999999", str(found["due"])):  # fmt: skip
        assert words in text, words


# --- accounting -----------------------------------------------------------------------------------------------------

MAPPED = """
[accounting]
delimiter = ";"
decimal = ","
date = "%d.%m.%Y"
[accounting.columns]
"Beleg" = "invoice"
"Art" = "type"
"Datum" = "date"
"Konto" = "account"
"Netto" = "amount"
"Steuer" = "tax"
"Storno" = "cancels"
[accounting.accounts]
fluid = "4000"
service = "4020"
[accounting.tax_accounts]
"8.250" = "2200"
"""


def rows_of(path: str, delimiter: str = ",") -> list[dict[str, str]]:
    text = Path(path).read_text(encoding="utf-8-sig")
    return list(csv.DictReader(io.StringIO(text), delimiter=delimiter))


def cents_of(text: str) -> int:
    return round(float(text.replace(",", ".") or 0) * 100)


def test_the_table_has_the_columns_and_accounts_of_the_price_file(run: Run, tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text(Path(PRICES).read_text(encoding="utf-8") + MAPPED, encoding="utf-8")
    assert run("prices", "own.toml")[0] == 0
    total = told(run("bill", "J1", "--issue", "--json"))["total"]
    assert run("bill", "J1", "--csv", "one.csv")[0] == 0
    rows = rows_of("one.csv", ";")
    assert list(rows[0]) == ["Beleg", "Art", "Datum", "Konto", "Netto", "Steuer", "Storno"]
    assert [row["Konto"] for row in rows] == ["4000", "4000", "4020", "", "2200"]
    assert rows[0]["Netto"] == "272,55"
    assert sum(cents_of(row["Netto"]) + cents_of(row["Steuer"]) for row in rows) == cents_of(str(total))
    # With its credit note everything of the month adds up to nothing.
    run("credit", "1", "--why", "wrong customer")
    assert run("invoice", "--csv", "all.csv")[0] == 0
    rows = rows_of("all.csv", ";")
    assert {(row["Beleg"], row["Art"], row["Storno"]) for row in rows} == {("1", "380", ""), ("2", "381", "1")}
    assert sum(cents_of(row["Netto"]) + cents_of(row["Steuer"]) for row in rows) == 0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ('"Beleg" = "invoyce"', "did you mean 'invoice'"),
        ('"8.250" = "2200"', "is no percent"),
    ],
)
def test_a_wrong_mapping_says_what_to_write(run: Run, tmp_path: Path, change: str, words: str) -> None:
    text = MAPPED.replace('"Beleg" = "invoice"', change) if "Beleg" in change else MAPPED.replace('"8.250"', '"8,250"')
    (tmp_path / "own.toml").write_text(Path(PRICES).read_text(encoding="utf-8") + text, encoding="utf-8")
    status, _, error = run("prices", "own.toml")
    assert (status, words in error) == (2, True), error


# --- customers ------------------------------------------------------------------------------------------------------


def test_a_job_refers_to_a_customer_by_number(run: Run, tmp_path: Path) -> None:
    made = told(run("customer", "add", "--name", "Vale Farm", "--address", "3 Lane", "--json"))
    assert made["customer_number"] == "2"
    assert told(run("job", "J2", "--customer", "2", "--json"))["customer"] == "Vale Farm"
    # The name in any spelling of it is the same customer; nobody new.
    assert told(run("job", "J3", "--customer", "vale  FARM", "--json"))["customer_number"] == "2"
    journal_with(tmp_path / "rig-data", fill_now("c", job="J2"))
    run("customer", "correct", "2", "--name", "Vale Farm Ltd", "--why", "now a company")
    assert "Vale Farm Ltd" in run("bill", "J2")[1]
    shown = told(run("customer", "show", "2", "--json"))
    assert (shown["jobs"], shown["former_names"]) == (["J2", "J3"], ["Vale Farm"])
    assert "like it" in run("customer", "add", "--name", "Vale Farm Ltd.")[1]
    assert "no customer '77'" in run("customer", "show", "77")[2]
    assert "is Hill Farm" in run("customer", "add", "1", "--name", "Somebody")[2]
    assert run("customer", "add")[0] == 3
    assert "country" in run("customer", "add", "--name", "X", "--country", "Germany")[2]


def test_a_job_with_a_free_text_customer_stays_readable_and_is_linked(run: Run, tmp_path: Path) -> None:
    with book_of(tmp_path / "rig-data") as book:
        facts = dict.fromkeys(("address", "site", "machine", "tax_exempt"))
        body = facts | {"job": "OLD", "customer": "Farm, Hill", "address": "9 Lane"}
        book.append("job", "OLD", "2026-11-01T08:00:00.000+00:00", body)
    journal_with(tmp_path / "rig-data", fill_now("c", job="OLD"))
    text = run("bill", "OLD")[1]
    assert "Farm, Hill" in text
    assert "9 Lane" in text
    run("job", "OLD", "--customer", "1")
    linked = told(run("bill", "OLD", "--json"))
    assert (linked["customer"], linked["customer_number"]) == ("Hill Farm", "1")


def test_after_a_restore_the_series_goes_on_behind_the_last_paper(run: Run, tmp_path: Path) -> None:
    backup = str(tmp_path / "b.zip")
    run("bill", "J1", "--issue")
    assert run("backup", backup)[0] == 0
    # Issued after the backup, and gone with the folder: its paper is number 2.
    assert told(run("credit", "1", "--why", "twice", "--json"))["invoice"] == "2"
    shutil.rmtree(tmp_path / "rig-data")
    assert run("restore", backup)[0] == 0
    status, _, why = run("credit", "1", "--why", "twice")
    assert (status, "--last NUMBER" in why) == (3, True)
    assert run("credit", "1", "--why", "twice", "--last", "0")[0] == 3, "the book itself has number 1"
    again = told(run("credit", "1", "--why", "twice", "--last", "2", "--json"))
    assert (again["invoice"], again["numbers_lost"]) == ("3", [2, 2])
    # Asked once: the book knows its series again, and takes no gap.
    assert run("bill", "J1", "--issue", "--last", "9")[0] == 3
    assert told(run("bill", "J1", "--issue", "--json"))["invoice"] == "4"
