"""Two wheels of an axle from nothing to an issued bill: how many taps, holds, swipes and typed characters it takes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest
from pages import next_wheel, opened, page_served, press_and_hold, sign_in
from playwright.sync_api import Browser, Page, expect
from processes import ROOT, command
from test_browser import at_step

PRICES = ROOT / "config" / "prices.toml"
AIM = {"taps": 18, "holds": 4, "swipes": 0, "characters": 12}
"""Signed in already, which is once a shift: 9 taps."""
REACHED = """(face) => {
    const box = face.getBoundingClientRect();
    const hit = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
    return box.bottom <= innerHeight && (hit === face || face.contains(hit) || Boolean(hit?.contains(face)));
}"""


@dataclass
class Hand:
    """A finger on the page: what it does is counted, and whether the page had to be moved to reach it."""

    page: Page
    taps: int = 0
    holds: int = 0
    swipes: int = 0
    characters: int = 0

    def _reach(self, selector: str) -> None:
        face = self.page.locator(selector)
        expect(face).to_be_visible()
        self.swipes += not face.evaluate(REACHED)

    def tap(self, selector: str) -> None:
        self._reach(selector)
        self.page.locator(selector).click()
        self.taps += 1

    def hold(self, selector: str) -> None:
        self._reach(selector)
        expect(self.page.locator(f"{selector}.hold")).to_be_visible()
        press_and_hold(self.page, selector)
        self.holds += 1

    def type(self, selector: str, text: str) -> None:
        self.tap(selector)
        self.page.keyboard.type(text)
        self.characters += len(text)

    def fill(self) -> None:
        """From the ready check of a wheel until the gun is off."""
        asked = self.page.locator("#check-shift, #check-machine, #start")
        while (group := asked.first.get_attribute("id")) != "start":
            self.tap(f"#{group}")
            expect(self.page.locator(f"#{group}")).to_have_count(0)
        self.hold("#start")
        at_step(self.page, "Core or insert back")
        self.hold("#prompt-done")
        at_step(self.page, "Gun off")
        self.tap("#prompt-done")
        expect(self.page.locator("#outcome")).to_contain_text("Done")


@pytest.mark.release
def test_two_wheels_of_an_axle_from_nothing_to_an_issued_bill(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path, scale="100") as served:
        assert command(tmp_path, "prices", str(PRICES), "--config", "rig.toml").returncode == 0
        page = opened(browser, served.url)
        sign_in(page)
        hand = Hand(page)
        hand.tap("#new-job")
        hand.type("#job-customer", "Hill")
        hand.type("#job-size", "11L-15")
        hand.tap("#keep-and-fill")
        entered = hand.swipes
        hand.fill()
        hand.tap("#next-wheel")
        with next_wheel(served.rig):
            hand.fill()
            hand.tap("#bill")
            with page.expect_download():
                hand.tap("#invoice-pdf")
            expect(page.locator("#said")).to_contain_text("The bill is issued")
            expect(page.locator("#bill")).to_have_count(0)
        found = {name: getattr(hand, name) for name in AIM} | {"swipes": hand.swipes - entered}
        print(f"from nothing to an issued bill: {found}, and {entered} swipes in the form of the job")
        assert all(found[name] <= most for name, most in AIM.items()), found
        assert "INVOICE" in command(tmp_path, "invoice", "1", "--config", "rig.toml").stdout.upper()
