"""The truck's page in a browser: the card of its office, and a measured wheel gone by with one touch."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from networks import NAME, PIN
from offices import AT, desk
from pages import browsing, opened, page_served, sign_in
from playwright.sync_api import Page, expect
from test_looks import badly_laid_out, violations

from rig.books.notes import keep_job
from rig.books.office_truck import follow_and_keep
from rig.ledger.keeping import book_of
from rig.office.carrying import Moved
from rig.office.sharing import write_offer
from rig.panel.people import People
from rig.record.notes import JobWheels, Shared
from rig.shop.posting import place_of

pytestmark = pytest.mark.full


def office_of(folder: Path) -> None:
    """A truck that has joined an office, with an invented offer of each kind that the card shows."""
    records = folder / "rig-data"
    cavity: dict[str, object] = {
        "wheel": "Loader, rear left", "size": "16.9-28", "cavity_l": 340.0, "cavity_u_l": 9.0, "valve_at": 12.0,
        "fill_id": "f1", "number": "7", "device": "Alpha", "at": AT, "simulated": True,
    }  # fmt: skip
    kim = People(folder).entry("Kim", "technician", PIN)
    with desk(f"sqlite:///{folder / 'office' / 'o.sqlite'}", folder / "office") as made:
        link = made.enrol(records)
        with book_of(records) as book:
            keep_job(book, "J1", {"customer": "Hill Farm", "machine": "Loader", "day": "2026-12-02"})
            wheel: dict[str, object] = {"size": "16.9-28", "position": "rear left", "job": "J1"}
            book.append("wheels of a job", "J1", AT, JobWheels(job="J1", wheels=(wheel,)))
        made.sync(records, link)
        for what, name, said in (
            ("cavity", NAME, cavity),
            ("person", "Kim", {"role": kim.role, "pin": kim.pin}),
            ("person", "Sam", {"removed": True}),
            ("release", "99.0", {"sha256": "ab" * 32, "day": "2026-12-01", "words": "quicker"}),
        ):
            key = place_of(name) if what == "cavity" else f"{what} {name}"
            write_offer(made.register, what, "office", None, Shared(name=name, said=said), key)  # type: ignore[arg-type]
        made.sync(records, link)
        follow_and_keep(records, AT, Moved(2, 4))


def looked_at(page: Page, name: str) -> list[str]:
    """Faults by day and by night, and a picture of it."""
    if pictures := os.environ.get("RIG_PICTURES"):
        page.screenshot(path=Path(pictures) / f"truck-{name}.png", full_page=True)
    faults: list[str] = []
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        faults += [f"{name} {scheme}: {each}" for each in (*badly_laid_out(page), *violations(page))]
    page.emulate_media(color_scheme="light")
    return faults


def test_the_card_and_the_measured_wheel(tmp_path: Path) -> None:
    faults: list[str] = []
    with page_served(tmp_path) as served, browsing() as browser:
        office_of(tmp_path)
        for width in (360, 1280):
            page = opened(browser, served.url, width=width, height=900)
            sign_in(page)
            if page.locator(".menu").is_visible():
                page.locator(".menu").click()
            page.get_by_role("button", name="Stock", exact=True).click()
            card = page.locator("#of-office")
            expect(card).to_contain_text("a release is offered: 99.0 of 2026-12-01: quicker")
            expect(card).to_contain_text("wheels measured: 1")
            expect(card).to_contain_text("Sam is removed by the office")
            card.scroll_into_view_if_needed()
            faults += looked_at(page, f"{width}-card")
            page.context.close()
        page = opened(browser, served.url)
        sign_in(page, "Kim", PIN)
        expect(page.locator(".jobs")).to_contain_text("J1 · 2026-12-02 · Hill Farm · Loader")
        page.locator(".job .next").click()
        page.locator("#details").click()
        page.locator("#measured").click()
        expect(page.locator(".picture h2")).to_contain_text(NAME)
        expect(page.locator("#measured")).to_have_count(0)
        faults += looked_at(page, "measured")
    assert faults == []
