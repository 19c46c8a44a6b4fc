"""The bill of a job on the page: a draft to look at, issued by a touch of its own, refused once the job changed."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from pages import begin_conversion, opened, page_served, sign_in
from playwright.sync_api import Browser, Page, expect
from processes import ROOT, command

PRICES = ROOT / "config" / "prices.toml"


def paper(page: Page, button: str) -> str:
    with page.expect_download() as loaded:
        page.locator(button).click()
    done = subprocess.run(
        ["pdftotext", "-layout", str(loaded.value.path()), "-"], check=True, capture_output=True, text=True
    )
    return done.stdout


def part_added(page: Page, count: int) -> None:
    page.locator("#charge-item").fill("core")
    page.locator("#charge-keep").click()
    expect(page.locator("#charges li")).to_have_count(count)


@pytest.mark.full
def test_a_bill_is_a_draft_until_it_is_issued_from_the_page(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path, scale="30") as served:
        assert command(tmp_path, "prices", str(PRICES), "--config", "rig.toml").returncode == 0
        page = opened(browser, served.url)
        sign_in(page)
        begin_conversion(page)
        part_added(page, 1)
        assert "DRAFT" in paper(page, "#bill-pdf")
        # What issuing means stands at the button, which is not in the way of a look.
        expect(page.locator("#invoice-pdf")).to_be_hidden()
        page.get_by_text("Issue the bill").click()
        expect(page.get_by_text("only a credit note cancels it")).to_be_visible()
        first = paper(page, "#invoice-pdf")
        assert "INVOICE" in first
        assert "No. 1" in first
        assert "DUPLICATE" not in first
        assert "DUPLICATE" in paper(page, "#invoice-pdf")
        part_added(page, 2)
        page.get_by_text("Issue the bill").click()
        page.locator("#invoice-pdf").click()
        expect(page.get_by_text("rig credit 1")).to_be_visible()
