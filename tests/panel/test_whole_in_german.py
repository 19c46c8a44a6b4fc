"""A supervisor's day in German on a real page: every screen, mistakes in the form, and a proving leave no English."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from pages import Served, page_served, signed_in_abroad, start_run
from playwright.sync_api import Browser, Page, expect
from test_languages import SEEN, WIDTH, left_over, taken
from wordings import texts, wordings

OPEN = """() => document.querySelectorAll('details').forEach((each) => {
  each.removeAttribute('name');
  each.open = true;
})"""
"""Of the groups of a form one alone is open, by their name."""
MORE = """() => [...document.querySelectorAll('option, .config pre, .columns pre')]
  .flatMap((each) => each.textContent.split('\\n')).map((text) => text.trim()).filter((text) => text)"""
"""Choices, and what the check of a configuration says."""
VALUE = re.compile(r'"[^"]*"|(?:after|before) the gauge|pump side of the meter|tote level|run time|[\w.-]+(?!.)')
"""Keys and values of the configuration, which are the same in any language; a word alone may be one."""
TABS = ("work", "history", "customers", "stock", "meter", "settings")
WRONG = {
    "clock.scale": "0", "limits.trip": "45 psi", "limits.floor": "40", "meter.k_factor": "x", "rig.simulated": "",
    "pipe.hose_volume": "-3 L", "panel.names": "7", "panel.languages": "nowhere", "meter.proven_on": "gestern",
    "points.tote_level.scale": "0", "points.tote_level.accuracy": "half", "points.line_pressure.low": "nan",
    "tote.fluid": "soup", "air_out.vent_bore": "1/0 mm", "office.address": "http://x", "links.io.port": "70000",
}  # fmt: skip
"""A mistake of each kind."""


class Looked:
    """What was seen that has no German words, by where it was."""

    def __init__(self, page: Page) -> None:
        self.page, self.faults = page, list[str]()
        self.words = texts() | wordings(), texts("texts.de.json")

    def at(self, name: str) -> None:
        """Open all that can be opened, one within another, and read."""
        for _ in range(3):
            self.page.evaluate(OPEN)
            self.page.wait_for_timeout(100)
        seen = [VALUE.sub("", text) for text in self.page.evaluate(SEEN) + self.page.evaluate(MORE)]
        self.faults += [f"{name}: {each}" for each in left_over([text for text in seen if text], *self.words)]
        if (wide := self.page.evaluate("document.documentElement.scrollWidth")) > WIDTH:
            self.faults.append(f"{name}: {wide} px wide")
        taken(self.page, name)


def go(page: Page, name: str) -> None:
    page.locator("button.menu").click()
    page.locator("#pages").get_by_role("button", name=texts("texts.de.json")[f"tab.{name}"], exact=True).click()
    page.wait_for_load_state("networkidle")


def refused(page: Page, looked: Looked) -> None:
    """Mistakes of every kind in the form; then a change that is written."""
    for key, text in WRONG.items():
        page.evaluate(OPEN)
        field = page.locator(f"[data-key='{key}']")
        if field.evaluate("(each) => each.tagName") == "INPUT":
            field.fill(text)
    page.locator("#write-keys").click()
    expect(page.locator(".against").first).to_be_visible()
    looked.at("refused")
    said = page.locator(".against").all_inner_texts()
    assert len(said) >= 10
    assert any("muss eine endliche Zahl sein" in line for line in said)
    page.locator("#undo-keys").click()
    page.evaluate(OPEN)
    page.locator("[data-key='limits.trip']").fill("24 psi")
    page.locator("#write-keys").click()
    expect(page.locator("#checked")).to_contain_text("trip 24,0 psi, Überdruckventil 30,0 psi")
    looked.at("written")


def proven(page: Page, served: Served, looked: Looked) -> None:
    """Three runs into a can, one reading that is none, and the verdict, now and when it is read again."""
    page.locator("#prove-can").fill("20 L")
    page.locator("#prove-order").click()
    for run in (0, 1, 2, 3):
        start_run(page)
        if run:
            expect(page.locator("#reading")).to_be_visible()
            if run == 1:
                page.locator("#reading").fill("zwanzig")
                page.locator("#keep-reading").click()
                expect(page.locator("#said")).to_contain_text("zwanzig")
                looked.at("reading")
            page.locator("#reading").fill(f"{served.rig.truth()['vessel_l'] * (1 + 0.01 * run):.3f} L")
            page.locator("#keep-reading").click()
    expect(page.locator("#leave-factor")).to_be_visible()
    expect(page.locator("#work")).to_contain_text("erlaubt sind 0,2 %: nach Luft in der Leitung")
    looked.at("verdict")
    page.locator("#leave-factor").click()
    again = page.locator("#work details", has_text="erlaubt sind 0,2 %")
    expect(again).to_have_count(1)
    looked.at("provings")


@pytest.mark.full
def test_every_screen_is_german(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path, scale="60") as served:
        page = signed_in_abroad(browser, served.url, "de-DE", "Sam")
        looked = Looked(page)
        for name in TABS:
            go(page, name)
            looked.at(name)
        refused(page, looked)
        go(page, "meter")
        proven(page, served, looked)
        assert looked.faults == []
