"""Outputs that cannot be switched off, on a phone: the card above everything, the old figures grey, the way out."""

from __future__ import annotations

import json
import re
import signal
from pathlib import Path

import pytest
from pages import at_step, begin_fill, opened, page_served, press_and_hold, sign_in, start_work
from playwright.sync_api import Browser, Page, expect
from processes import command

CUT = "CANNOT BE SWITCHED OFF FROM HERE: cut the pump's supply."

_PUMPS = """async () => {
    const fill = (await import(document.querySelector('script[type=module]').src)).app.picture?.fill;
    return fill?.outputs.includes('pump_run') && fill.in_tyre_l > 8;
}"""


def pictured(page: Page, folder: Path, name: str) -> None:
    """The whole page as it is seen, for whoever looks at a failure."""
    page.screenshot(path=folder / f"{name}.png", full_page=True)


def colour(page: Page, selector: str) -> str:
    shown: str = page.evaluate(f"getComputedStyle(document.querySelector({selector!r})).color")
    return shown


def contrast(colour_text: str) -> float:
    """Against white, as WCAG 2.1 computes it (relative luminance, 1.4.3)."""
    parts = [int(each) / 255 for each in re.findall(r"\d+", colour_text)[:3]]
    red, green, blue = (part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 1.05 / (0.2126 * red + 0.7152 * green + 0.0722 * blue + 0.05)


@pytest.mark.full
def test_outputs_that_cannot_be_switched_off_stand_above_everything_on_a_phone(
    browser: Browser, tmp_path: Path
) -> None:
    unproven = {"without": "timeout_proven_on", "size": '"16.9-28"', "scale": "10"}
    with page_served(tmp_path, **unproven) as served:
        page = opened(browser, served.url)
        sign_in(page)
        begin_fill(page)
        # In the middle of a long stroke: the first ones are over in a moment.
        for _ in range(600):
            if page.evaluate(_PUMPS):
                break
            page.wait_for_timeout(100)
        expect(page.locator(".age")).to_be_empty()
        fresh = colour(page, ".big .figure")
        # The modules fall silent for good, the pump running; nobody has proven that they let it go.
        served.rig.process.send_signal(signal.SIGSTOP)
        card = page.locator("#cannot")
        expect(card).to_contain_text(CUT)
        expect(card).to_contain_text("breaker")
        expect(card).to_contain_text("pump")
        expect(page.locator(".age")).to_contain_text(re.compile(r"These figures are \d+ s old"))
        pictured(page, tmp_path, "cannot")
        place, stop = card.bounding_box(), page.locator("#stop").bounding_box()
        assert place is not None
        assert stop is not None
        # Its words stand in sight without scrolling, above the foot with STOP, and nothing runs out of the page.
        heading = card.locator("h2").bounding_box()
        assert heading is not None
        assert 0 <= heading["y"] < heading["y"] + heading["height"] <= stop["y"]
        assert place["x"] >= 0
        assert place["x"] + place["width"] <= 360
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
        # The figures are grey, and can still be read.
        old = colour(page, ".big .figure")
        assert old != fresh
        assert contrast(old) >= 4.5
        # No flow is read: that is not a flow of nothing.
        expect(page.locator("dl.figures")).not_to_contain_text("0.0 gpm")
        # No way to the end but by the word of a person.
        expect(page.locator("#step")).to_have_text("Stopped: reset needed")
        press_and_hold(page, "#end")
        expect(page.get_by_role("alert").filter(has_text="Not ready")).to_contain_text("CANNOT BE SWITCHED OFF")
        press_and_hold(page, "#supply_cut")
        expect(card).not_to_contain_text(CUT)
        expect(page.locator("#supply_cut")).to_have_count(0)
        pictured(page, tmp_path, "cut")
        press_and_hold(page, "#end")
        expect(page.locator("#outcome")).to_be_visible()
        pictured(page, tmp_path, "ended")
        served.rig.process.send_signal(signal.SIGCONT)
    (listed,) = json.loads(command(tmp_path, "ledger", "list", "--config", "rig.toml", "--json").stdout)
    shown = command(tmp_path, "ledger", "show", listed["fill_id"], "--config", "rig.toml", "--json").stdout
    record = json.loads(shown)["record"]
    assert "supply cut by hand" in record["flags"]
    assert record["unseen_l"] > 0
    assert record["final_static_kpa"] is None


@pytest.mark.release
def test_a_gauge_at_the_pressure_of_the_air_is_a_question_and_the_answer_starts(
    browser: Browser, tmp_path: Path
) -> None:
    """It was a refusal for good, whatever stood on the gun."""
    with page_served(tmp_path, size='"16.9-28"', scale="60", start_pressure='"14.5 psi"') as served:
        page = opened(browser, served.url)
        sign_in(page)
        begin_fill(page)
        asked = page.get_by_text("just what an absolute gauge shows in open air")
        expect(asked).to_be_visible()
        expect(asked).to_have_count(1)
        pictured(page, tmp_path, "asked")
        start_work(page)
        at_step(page, "Core or insert back")
        pictured(page, tmp_path, "started")


@pytest.mark.release
def test_what_moves_after_the_end_stands_above_the_outcome(browser: Browser, tmp_path: Path) -> None:
    """A fill was stopped, its valve is open, and the contactor welds while nobody fills any more."""
    onset_s = 60.0
    with page_served(tmp_path, "--fault", f"pump_welded@{onset_s:g}", size='"16.9-28"', scale="2") as served:
        page = opened(browser, served.url)
        sign_in(page)
        begin_fill(page)
        at_step(page, re.compile("Fill|Reading"))
        page.keyboard.press("Escape")
        expect(page.locator("#outcome")).to_be_visible()
        expect(page.locator("#unasked")).to_have_count(0)
        assert served.rig.truth()["time_s"] < onset_s, "this computer was too slow for the test to tell anything"
        card = page.locator("#unasked")
        # A busy computer gives the plant less than its pace.
        expect(card).to_contain_text("Liquid flows though the pump is off", timeout=150_000)
        expect(card).to_contain_text("Cut the pump supply")
        expect(page.locator("#outcome")).to_be_visible()
        place = card.bounding_box()
        assert place is not None
        assert place["y"] < 250
        pictured(page, tmp_path, "after")
