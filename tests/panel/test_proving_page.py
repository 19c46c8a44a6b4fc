"""Proving the meter on the page: run by run by the supervisor, taken or left, and seen by everybody afterwards."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pages import OTHER_PIN, opened, page_served, press_and_hold, sign_in, start_run
from playwright.sync_api import Browser, Page, expect
from test_web import PIN, Door

OFF = 1.004
"""How much more a test's can is read to hold than it does: the factor that must be found (API MPMS 4.8: true volume
per indicated volume)."""


async def test_only_the_supervisor_proves_and_everybody_sees(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    whole = {"id": "order-0001", "kind": "prove", "prove": {"can": "20 L"}}
    assert (await door.client.post("/api/order", json=whole)).status_code == 403
    assert (await door.client.get("/api/provings")).json() == []
    for path in ("/api/reading", "/api/verdict"):
        assert (await door.client.post(path, json={"id": "touch-0001", "text": "20 L"})).status_code == 403


@pytest.mark.parametrize(
    ("prove", "word"),
    [({}, "compared with"), ({"can": "20"}, "20"), ({"scale": "0.05 kg"}, "--volume"), ({"can": "0 L"}, "nothing")],
)
async def test_a_proving_that_cannot_be_made_is_refused(tmp_path: Path, prove: dict[str, object], word: str) -> None:
    door = Door(tmp_path)
    await door.sign_in(name="Sam", pin=PIN[::-1])
    reply = await door.client.post("/api/order", json={"id": "order-0001", "kind": "prove", "prove": prove})
    assert reply.status_code == 422
    assert word in reply.json()["error"]
    # An answer to what nobody asked is no answer.
    assert (await door.client.post("/api/verdict", json={"id": "touch-0001"})).status_code == 409


def order(page: Page, **fields: str) -> None:
    """The supervisor orders a proving of three runs."""
    sign_in(page, "Sam", OTHER_PIN)
    page.locator(".menu").click()
    page.get_by_role("button", name="Meter", exact=True).click()
    page.get_by_text("By weight instead").click()
    for field, text in fields.items():
        page.locator(f"#prove-{field}").fill(text)
    page.locator("#prove-order").click()


def taken(page: Page) -> dict[str, Any]:
    """Take the factor; returns the meter as it then stands."""
    expect(page.locator("#proof")).to_contain_text("The proving is good")
    press_and_hold(page, "#take")
    expect(page.locator("summary").filter(has_text="taken")).to_be_visible()
    found: dict[str, Any] = page.evaluate("fetch('/api/meter').then((reply) => reply.json())")
    return found


@pytest.mark.full
def test_a_can_is_read_run_by_run_and_the_factor_taken(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path, scale="60") as served:
        page = opened(browser, served.url)
        looking = opened(browser, served.url, width=1280, height=900, touch=False)
        order(page, can="20 L")
        start_run(page)
        for run in (1, 2, 3):
            start_run(page)
            expect(page.locator("#proof")).to_contain_text(f"Run {run} of 3")
            if run == 1:
                page.locator("#reading").fill("twenty")
                page.locator("#keep-reading").click()
                expect(page.locator("#said")).to_contain_text("twenty")
                expect(looking.locator("#proof")).to_contain_text("pulses")
                expect(looking.locator("#reading")).to_have_count(0)
            page.locator("#reading").fill(f"{OFF * served.rig.truth()['vessel_l']:.3f} L")
            page.locator("#keep-reading").click()
        meter = taken(page)
        assert meter["factor_from"] == "proving"
        assert meter["factor"] == pytest.approx(OFF, abs=0.001)
        assert meter["calibration_events"] == 1


@pytest.mark.full
def test_a_scale_under_the_vessel_proves_as_well(browser: Browser, tmp_path: Path) -> None:
    """Water of 15 degC is 999.10 kg/m3 (CRC Handbook, from memory); air 1.2 and weights 8000 kg/m3 by OIML D 28."""
    kg_per_l = (999.10 - 1.2) / (1 - 1.2 / 8000) / 1000
    with page_served(tmp_path, scale="60", fluid='"water"') as served:
        page = opened(browser, served.url)
        order(page, scale="0.002 kg", tare="2 kg", volume="20 L", temp="15 degC")
        start_run(page)
        for run in (1, 2, 3):
            start_run(page)
            expect(page.locator("#proof")).to_contain_text(f"Run {run} of 3")
            page.locator("#reading").fill(f"{OFF * kg_per_l * served.rig.truth()['vessel_l'] + 2:.3f} kg")
            page.locator("#keep-reading").click()
        meter = taken(page)
        assert meter["factor"] == pytest.approx(OFF, abs=0.001)
