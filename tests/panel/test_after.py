"""After a fill on the page: what was found at the wheel, the ticket to read and as PDF, and what was left out."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from pages import begin_fill, opened, page_served, sign_in
from playwright.sync_api import Browser, expect
from shop_books import fill_of, journal_with
from test_browser import finish
from test_web import Door

NOT_TOLD = "final pressure, leak check and cap are not recorded"
FOUND = {"id": "touch-0001", "pressure": "16 psi", "leak": "none", "cap": True}
AGAIN = {**FOUND, "id": "touch-0002", "leak": "core", "cap": False}


async def ticket(door: Door, fill_id: str = "f1") -> str:
    words = (await door.client.get(f"/api/fills/{fill_id}")).json()["ticket"]
    return re.sub(r"\s+", " ", words)


async def test_what_was_found_stands_on_the_ticket_and_what_was_not_told_too(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    journal_with(tmp_path, fill_of("f1"), fill_of("f2", 20, position="rear right"))
    assert NOT_TOLD in await ticket(door)
    told = await door.client.post("/api/fills/f1/after", json=FOUND)
    # 16 psi are 110.3 kPa: 6.894757 kPa each (NIST SP 811, appendix B.8).
    assert told.json()["after"] == {"final_kpa": 110.3, "leak": "none", "cap": True, "by": "Jo", "faults": []}
    words = await ticket(door)
    assert NOT_TOLD not in words
    assert "no leak" in words
    assert "16.0 psi" in words
    # The other wheel of the same job was not looked at.
    assert NOT_TOLD in await ticket(door, "f2")
    worse = await door.client.post("/api/fills/f1/after", json=AGAIN)
    assert worse.status_code == 200
    assert "LEAK at the core" in await ticket(door)
    assert (await door.client.get("/api/fills/f1")).json()["after"]["cap"] is False


async def test_it_is_kept_as_the_command_line_keeps_it(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    journal_with(tmp_path, fill_of("f1"))
    await door.client.post("/api/fills/f1/after", json=FOUND)
    with door.book() as book:
        (note,) = book.valid("finish", job="J1")
    assert note.document["position"] == "rear left"
    assert note.document["final_kpa"] == 110.3


@pytest.mark.parametrize(
    ("changes", "status"),
    [({"pressure": "much"}, 422), ({"pressure": "16"}, 422), ({"leak": "maybe"}, 422), ({"cap": None}, 422)],
)
async def test_a_word_that_is_no_finding_is_refused(tmp_path: Path, changes: dict[str, object], status: int) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    journal_with(tmp_path, fill_of("f1"))
    assert (await door.client.post("/api/fills/f1/after", json=FOUND | changes)).status_code == status
    assert (await door.client.post("/api/fills/nothing/after", json=FOUND)).status_code == 422


async def test_nothing_is_told_or_printed_without_sign_in(tmp_path: Path) -> None:
    door = Door(tmp_path)
    journal_with(tmp_path, fill_of("f1"))
    own = {"X-Rig": "page"}
    for path in ("/api/fills/f1/after", "/api/fills/f1/ticket.pdf", "/api/jobs/J1/ticket.pdf"):
        assert (await door.client.post(path, json=FOUND, headers=own)).status_code == 401


def words_of(pdf: bytes) -> str:
    """The text of a PDF, read by a program of another make."""
    reader = shutil.which("pdftotext")
    if reader is None:
        pytest.skip("pdftotext is missing: apt install poppler-utils")
    return subprocess.run([reader, "-", "-"], input=pdf, capture_output=True, check=True).stdout.decode()


async def test_a_second_pdf_says_that_it_is_a_duplicate(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    journal_with(tmp_path, fill_of("f1"), fill_of("f2", 20, position="rear right"))
    first, second = [await door.client.post("/api/fills/f1/ticket.pdf", json={}) for _ in range(2)]
    assert first.headers["content-type"] == "application/pdf"
    assert "DUPLICATE" not in words_of(first.content)
    assert "DUPLICATE" in words_of(second.content)
    job = words_of((await door.client.post("/api/jobs/J1/ticket.pdf", json={})).content)
    assert "rear left" in job
    assert "rear right" in job
    assert (await door.client.post("/api/jobs/J2/ticket.pdf", json={})).status_code == 422


@pytest.mark.release
def test_found_told_and_printed_after_a_fill(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path, size='"16.9-28"', scale="100") as served:
        page = opened(browser, served.url)
        sign_in(page)
        begin_fill(page)
        finish(page)
        page.locator("#details").click()
        page.locator("#final-pressure").fill("16,5")
        page.get_by_role("radio", name="no leak").check()
        page.get_by_role("radio", name="cap is on").check()
        page.locator("#keep-after").click()
        expect(page.locator("#after-said")).to_have_text("16.5 psi · no leak · cap is on")
        page.get_by_text("Ticket", exact=True).click()
        with page.expect_download() as handed:
            page.locator(".ticket-pdf").first.click()
        assert Path(handed.value.path()).read_bytes().startswith(b"%PDF")
        expect(page.locator("pre")).to_contain_text("16.5 psi")
