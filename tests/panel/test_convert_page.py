"""A change of liquid on the page: the steps as `rig convert` has them, hand work noted, pump work ordered, the bill."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from pages import begin_conversion, next_wheel, opened, page_served, sign_in, start_work, to_the_end
from playwright.sync_api import Browser, Page, expect
from processes import ROOT, command
from shop_books import fill_now, journal_with
from test_browser import finish
from test_web import Door

from rig.books.prices import keep_prices

PAIR = [{"size": "16.9-28", "position": f"rear {side}"} for side in ("left", "right")]
LEFT = {"position": "rear left"}
PRICES = ROOT / "config" / "prices.toml"
VALVE_DOWN = 'existing = "60 L"\nvalve_at = 6\n'


async def begun(folder: Path) -> Door:
    door = Door(folder)
    await door.sign_in()
    await door.told("/api/jobs", job="J1", wheels=PAIR, customer="Hill Farm", machine="T7")
    await door.told("/api/jobs/J1/conversion", positions=["rear left", "rear right"], to="beet")
    return door


async def noted(door: Door, number: int, **what: object) -> dict[str, Any]:
    return await door.told("/api/jobs/J1/note", id=f"touch-{number:04}", **{**LEFT, **what})


async def test_the_steps_are_those_of_the_command_and_come_in_their_order(tmp_path: Path) -> None:
    door = await begun(tmp_path)
    found = await noted(door, 1, kind="return", volume="114 L", fluid="cacl2:20%", to="waste tank")
    left, right = found["wheels"]
    assert (left["next"], right["next"]) == ("rinse", "take the old out")
    assert left["steps"][0]["litres"] == 114.0
    for number, step in enumerate(("rinse", "inspect rim", "new valve")):
        found = await noted(door, 10 + number, kind="step", step=step)
    assert found["wheels"][0]["next"] == "refill"
    assert (found["wheels"][0]["steps"][3]["what"], found["wheels"][0]["steps"][3]["by"]) == ("new valve", "Jo")
    # The job's list goes by the steps, and its next touch leads to them.
    job = (await door.client.get("/api/jobs/J1")).json()
    assert [(each["status"], each["to"], each["step"]) for each in job["wheels"]] == [
        ("begun", "beet", "refill"),
        ("open", "beet", "take the old out"),
    ]
    journal_with(tmp_path, fill_now("f1", position="rear left"))
    job = (await door.client.get("/api/jobs/J1")).json()
    # Filled is not yet done: pressure, leak check and cap are a step of a conversion.
    assert (job["wheels"][0]["step"], job["next"]) == ("finish", 0)
    await door.told("/api/fills/f1/after", id="after-0001", pressure="16 psi", leak="none", cap=True)
    job = (await door.client.get("/api/jobs/J1")).json()
    assert (job["wheels"][0]["status"], job["next"]) == ("done", 1)


async def test_a_part_goes_on_the_bill_once_however_often_it_is_sent(tmp_path: Path) -> None:
    door = await begun(tmp_path)
    with door.book() as book:
        keep_prices(book, PRICES)
    for _ in range(2):
        found = await noted(door, 1, kind="charge", item="core", quantity="2")
    assert found["charges"] == [{"item": "core", "quantity": "2", "position": "rear left", "by": "Jo"}]
    assert "rim paint" in found["items"]
    # Two cores at 1.25, travel 75.00, and up to the least charge of 150.00; 8.25 % on parts (config/prices.toml).
    for name, issued in (("bill", 0), ("invoice", 1), ("invoice", 1)):
        reply = await door.client.post(f"/api/jobs/J1/{name}.pdf")
        assert reply.content.startswith(b"%PDF")
        with door.book() as book:
            bills = book.valid("invoice", job="J1")
            assert len(bills) == issued
    assert (bills[0].document["net"], bills[0].document["tax"], bills[0].document["invoice"]) == ("150.00", "0.21", "1")


@pytest.mark.parametrize(
    ("what", "word"),
    [
        ({"kind": "step"}, "which step"),
        ({"kind": "step", "step": "wave at it"}, "wave at it"),
        ({"kind": "return", "volume": "lots"}, "lots"),
        ({"kind": "charge", "item": "core", "quantity": "0"}, "above 0"),
    ],
)
async def test_what_cannot_be_noted_is_told_and_may_be_sent_anew(
    tmp_path: Path, what: dict[str, object], word: str
) -> None:
    door = await begun(tmp_path)
    for _ in range(2):
        reply = await door.client.post("/api/jobs/J1/note", json={"id": "touch-0001", **LEFT, **what})
        assert reply.status_code == 422
        assert word in reply.json()["error"]


async def test_a_conversion_needs_sign_in_a_known_job_and_its_bill_some_work(tmp_path: Path) -> None:
    door = await begun(tmp_path)
    assert (await door.client.post("/api/jobs/J1/bill.pdf")).status_code == 422
    assert (await door.client.get("/api/jobs/J9/conversion")).status_code == 422
    stranger = door.another()
    own = {"X-Rig": "page"}
    for path in ("conversion", "note", "bill.pdf", "put-away"):
        assert (await stranger.post(f"/api/jobs/J1/{path}", json={}, headers=own)).status_code == 401
    assert (await stranger.get("/api/jobs/J1/conversion")).status_code == 401


def emptied(page: Page) -> None:
    """What the pump draws out of the wheel, from the filled-in form to the last prompt."""
    expect(page.locator("#empty-size")).to_have_value("11L-15")
    expect(page.locator("#empty-position")).to_have_value("rear left")
    page.locator("#empty-holds").fill("60 L")
    page.locator("#empty-holds_fluid").fill("cacl2:20%")
    page.locator("#empty-to").fill("waste tank")
    page.locator("#empty-order").click()
    start_work(page)
    to_the_end(page)
    expect(page.locator("#outcome")).to_contain_text("Done")


@pytest.mark.release
def test_a_whole_conversion_from_the_page(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path, scale="100", start_pressure='"18 psi"', extra=VALVE_DOWN) as served:
        assert command(tmp_path, "prices", str(PRICES), "--config", "rig.toml").returncode == 0
        page = opened(browser, served.url)
        sign_in(page)
        begin_conversion(page)
        emptied(page)
        page.locator("#on-with-convert").click()
        for word in ("rinse", "inspect rim", "new valve"):
            page.locator(f"[data-note='{word}']").click()
        page.locator("#charge-item").fill("core")
        page.locator("#charge-keep").click()
        expect(page.locator("#charges")).to_contain_text("1 × core")
        config = served.rig.config
        empty = config.read_text(encoding="utf-8").replace(VALVE_DOWN, "").replace('"18 psi"', '"5 psi"')
        config.write_text(empty, encoding="utf-8")
        with next_wheel(served.rig):
            page.locator("[data-act='refill']").click()
            expect(page.locator(".answer")).to_contain_text("beet")
            start_work(page)
            finish(page)
        page.locator("#details").click()
        page.locator("#final-pressure").fill("16")
        page.get_by_label("no leak", exact=True).check()
        page.get_by_label("cap is on", exact=True).check()
        page.locator("#keep-after").click()
        page.locator("#on-with-convert").click()
        expect(page.locator(".steps li.done")).to_have_count(6)
        with page.expect_download() as bill:
            page.locator("#bill-pdf").click()
        assert Path(bill.value.path()).read_bytes().startswith(b"%PDF")
        (job,) = page.evaluate("fetch('/api/jobs').then((reply) => reply.json())")
        fills = page.evaluate("fetch('/api/fills').then((reply) => reply.json())")
        assert (job["next"], job["wheels"][0]["status"]) == (None, "done")
    name = job["job"]
    told = json.loads(command(tmp_path, "job", name, "--config", "rig.toml", "--json").stdout)
    (wheel,) = told["wheels"]
    assert (wheel["converted_to"], wheel["faults"]) == ("beet", [])
    assert all(step["done"] for step in wheel["steps"])
    # What came out is booked as what it was, not as what is in the tote.
    (drawn,) = [each for each in fills if each["kind"] == "return"]
    assert (drawn["fluid"], drawn["job"]) == ("cacl2:20%", name)
