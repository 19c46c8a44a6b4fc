"""Tickets and bills from a journal to paper: every field, duplicates, corrections, sums that a hand adds up.

Fields of a ticket: NIST Handbook 130, method of sale, and the rules of Ohio (ORC 1327.56) for bulk deliveries ask for
seller, buyer, date, quantity, the identity of the product; the others are what a reader needs to compute it again.
"""

from __future__ import annotations

import csv
import io
import json
import shutil
import subprocess
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest
from shop_books import fill_of, journal_with

from rig.books.paper import Block, Paper, as_text
from rig.books.pdf import as_pdf

PRICES = str(Path(__file__).parents[2] / "config" / "prices.toml")
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(ran: Run) -> Run:
    return ran


def document(found: tuple[int, str, str]) -> dict[str, object]:
    assert found[0] == 0, found[2]
    read = json.loads(found[1])
    assert isinstance(read, dict)
    return read


def test_a_ticket_holds_what_a_reader_needs(run: Run) -> None:
    run("job", "J1", "--customer", "Hill Farm", "--address", "1 Lane", "--site", "yard", "--machine", "T7")
    status, text, _ = run("ticket", "a")
    assert status == 0
    text = " ".join(text.split())
    for words in (
        "No. 1-1", "Hill Farm", "1 Lane", "yard", "T7", "J1", "2026-11-20 08:00 UTC (UTC+00:00)", "Jo", "16.9-28",
        "rear left", "beet", "1282 kg/m³", "target 261.0", "forward 263.5", "returned 2.3", "261.2 L (69.0 gal)",
        "0.6 L", "by counted", "335 kg (738 lb)", "liquid 15.0 °C (59.0 °F)", "CTL 1.0003", "not temperature c",
        "pulses 26120", "K per L 100.0", "factor 1.0", "of 2026-11-02", "totaliser from 0.000", "to 263.500",
        "calibration 1", "configuration 1", "83 kPa (12.0 psi)", "valve at 12.0", "Valve at the top", "source ",
        "SIMULATED RIG",
        "Volume for information; not from a type-approved measuring",
    ):  # fmt: skip
        assert words in text, words
    assert "DUPLICATE" not in text


def test_only_a_second_issue_is_a_duplicate_and_a_look_is_a_draft(run: Run) -> None:
    assert "DRAFT" in run("ticket", "a", "--json")[1]
    assert "DRAFT" in run("ticket", "a")[1]
    first = run("ticket", "a", "--issue")[1]
    assert "DUPLICATE" not in first
    assert "DRAFT" not in first
    assert "DUPLICATE" in run("ticket", "a", "--issue", "--receipt")[1]
    assert "DUPLICATE" not in run("ticket", "b", "--issue")[1]
    assert "DUPLICATE" not in run("ticket", "--job", "J1")[1]


@pytest.mark.parametrize("columns", [32, 42])
def test_a_receipt_fits_its_printer(run: Run, columns: int) -> None:
    run("prices", PRICES)
    run("job", "J1", "--customer", "Grünwald & Søn")
    text = run("ticket", "--job", "J1", "--receipt", "--columns", str(columns))[1]
    assert text.isascii()
    assert max(len(line) for line in text.splitlines()) == columns
    assert "Grunwald" in text
    assert "TOGETHER" in text


def test_a_ticket_of_a_stopped_fill_says_why_and_what_next(run: Run, tmp_path: Path) -> None:
    stopped = fill_of(
        "c", 20, outcome="aborted", first_out="no_flow", net_basis="estimated", flags=["meter not proven"]
    )
    journal_with(tmp_path / "rig-data", stopped)
    text = run("ticket", "c")[1]
    for words in ("aborted", "stopped because", "estimated", "meter not proven", "before the gun comes off"):
        assert words in text


def test_a_job_s_ticket_adds_its_wheels_up(run: Run) -> None:
    text = run("ticket", "--job", "J1")[1]
    assert "521.1 L (137.7 gal)" in text
    assert text.count("IN THE TYRE") == 2


def test_a_bill_adds_up_and_stays_the_same(run: Run) -> None:
    run("prices", PRICES)
    run("job", "J1", "--customer", "Hill Farm")
    run("note", "charge", "--job", "J1", "--item", "core", "--quantity", "2")
    run("note", "return", "--job", "J1", "--volume", "114 L", "--to", "waste tank")
    bill = document(run("bill", "J1", "--json"))
    # By hand, as in the test of the prices: 69.0 and 68.7 gal at 3.95, two cores, travel, 30.1 gal drawn out at 0.85.
    # Tax of 8.25 % on the sum of its rate, 546.42: 45.0797.
    assert (bill["net"], bill["tax"], bill["total"]) == ("647.01", "45.08", "692.09")
    assert document(run("bill", "J1", "--json"))["serial"] == bill["serial"]
    status, sheet, _ = run("bill", "J1", "--csv", "bill.csv")
    assert (status, sheet) == (0, "BILL no number: bill.csv\n")
    rows = list(csv.DictReader(io.StringIO(Path("bill.csv").read_text(encoding="utf-8-sig"))))
    assert sum(Decimal(row["amount"] or 0) + Decimal(row["tax"] or 0) for row in rows) == Decimal("692.09")
    assert {row["customer"] for row in rows} == {"Hill Farm"}
    assert [row["tax_percent"] for row in rows] == ["8.25", "8.25", "8.25", "0", "0", "0", "8.25"]


def test_old_work_keeps_its_prices(run: Run, tmp_path: Path) -> None:
    run("prices", PRICES)
    before = document(run("bill", "J1", "--json"))["total"]
    dearer = Path(PRICES).read_text(encoding="utf-8").replace("price = 3.95", "price = 9.95")
    (tmp_path / "dearer.toml").write_text(dearer, encoding="utf-8")
    assert '"9.95"' in run("prices", "dearer.toml", "--json")[1]
    assert document(run("bill", "J1", "--json"))["total"] == before


def test_a_correction_is_a_new_record(run: Run) -> None:
    assert run("note", "correct", "--fill", "a", "--position", "front left", "--why", "mixed up")[0] == 0
    text = run("ticket", "a")[1]
    assert "No. 1-1" in text
    assert "CORRECTED mixed up" in " ".join(text.split())
    assert "front left" in text
    assert document(run("ledger", "verify", "--json"))["sound"] is True


@pytest.mark.parametrize(
    ("words", "status", "advice"),
    [
        (("ticket", "zzz"), 3, "rig ledger list"),
        (("ticket", "--job", "zzz"), 3, "no fill of job"),
        (("bill", "J1"), 3, "rig prices"),
        (("bill", "zzz"), 3, "nothing was done"),
        (("job", "zzz"), 3, "--customer"),
        (("prices", "zzz.toml"), 2, "cannot be read"),
        (("note", "spill"), 3, "--volume"),
        (("note", "spill", "--volume", "12"), 2, "unit"),
        (("note", "charge", "--job", "J1"), 3, "--item"),
        (("note", "charge", "--job", "J1", "--item", "core", "--quantity", "0.25"), 3, "one decimal"),
        (("note", "correct", "--fill", "a", "--why", "x"), 3, "--position"),
        (("note", "void", "--fill", "a"), 3, "--why"),
        (("ticket", "a", "--pdf", "no/such/folder.pdf"), 3, "cannot be written"),
    ],
)
def test_bad_input_gets_one_clear_text(run: Run, words: tuple[str, ...], status: int, advice: str) -> None:
    found, _, error = run(*words)
    assert found == status
    assert advice in error


# --- PDF ------------------------------------------------------------------------------------------------------------


def test_a_pdf_is_made_and_reads(run: Run, tmp_path: Path) -> None:
    run("prices", PRICES)
    found = document(run("ticket", "--job", "J1", "--pdf", "t.pdf", "--json"))
    assert found["pdf"] == "t.pdf"
    assert (tmp_path / "t.pdf").read_bytes().startswith(b"%PDF-")
    reader = shutil.which("pdftotext")
    if reader is None:
        pytest.skip("pdftotext (poppler-utils) is not installed: the page is not read back")
    text = subprocess.run([reader, "t.pdf", "-"], check=True, capture_output=True, text=True).stdout
    for words in ("DELIVERY TICKET", "69.0 gal", "272.55", "received", "SIMULATED"):
        assert words in text


def test_a_long_paper_and_foreign_letters_break_nothing() -> None:
    rows = tuple((f"row {n}", "Łódź Ελλάδα 日本 " * (n % 5)) for n in range(150))
    table = (("what", "price", "amount"), *((f"line {n} " * 9, "1.00", "2.00") for n in range(60)))
    paper = Paper("T", "No. 1", "2026-01-01T00:00:00+00:00", ("MARK",), (Block("B", rows, table),), ("foot",), ("who",))
    assert as_pdf(paper).count(b"/Type /Page\n") > 3
    for columns in (24, 32, 80):
        assert max(len(line) for line in as_text(paper, columns, ascii_only=True).splitlines()) <= columns
