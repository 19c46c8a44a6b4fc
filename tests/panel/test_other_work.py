"""Emptying and rinsing from the page, over the wire: records as by command, and a rinse stands in the way of a fill."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import httpx
import pytest
from pages import at_step, opened, page_served, press_and_hold, sign_in, start_work, to_the_end
from playwright.sync_api import Browser, expect
from processes import command
from test_browser import gallons
from test_service import order, records, signed_in, until
from test_web import Door

from rig.run.removal import Removal

GAL = 3.785411784
VALVE_DOWN = 'existing = "60 L"\nvalve_at = 6\n'


def worked(client: httpx.Client, kind: str, **work: object) -> dict[str, Any]:
    """Order work, confirm what its ready check asks, start, answer; returns the record."""
    order(client, kind=kind, confirmed=[], start=False, **work)
    fill = until(client, "fill", state="idle")["fill"]
    for number, each in enumerate(fill["checks"]):
        client.post("/api/act/confirm", json={"id": f"{fill['id']}-{number}", "name": each["name"]})
    client.post("/api/act/start", json={"id": f"{fill['id']}-start"})
    record: dict[str, Any] = until(client, "record", answers=True)["record"]
    return record


@pytest.mark.full
def test_a_wheel_is_emptied_from_the_page_and_what_came_is_counted(tmp_path: Path) -> None:
    with page_served(tmp_path, scale="100", start_pressure='"18 psi"', extra=VALVE_DOWN) as served:
        with signed_in(served) as client:
            wheel = {"size": "11L-15", "position": "rear left", "holds": "60 L", "through_meter": True}
            record = worked(client, "empty", empty=wheel)
        truth = served.rig.truth()
        assert (record["outcome"], record["kind"], record["to"]) == ("complete", "return", "tote")
        assert record["recovered_l"] == pytest.approx(-truth["delivered_l"], abs=0.5)
        (listed,) = records(tmp_path)
        assert listed["fill_id"] == record["fill_id"]


@pytest.mark.full
def test_after_a_rinse_no_fill_until_the_first_liquid_was_diverted(tmp_path: Path) -> None:
    with page_served(tmp_path, scale="60") as served, signed_in(served) as client:
        assert worked(client, "rinse", rinse={"volume": "10 L"})["kind"] == "rinse"
        order(client)
        assert "rinse water" in until(client, "notice")["notice"]["words"]
        assert worked(client, "rinse", rinse={"divert": True})["kind"] == "divert"
        order(client)
        assert until(client, "fill", state="running")["fill"]["into"] == "tyre"


@pytest.mark.parametrize(
    ("empty", "word"),
    [
        ({"size": "11L-15"}, "how much does it hold"),
        ({"size": "11L-15", "holds": "60"}, "60"),
        ({"size": "11L-", "holds": "60 L"}, "11L-"),
        ({"size": "11L-15", "holds": "60 L", "target": "75 %"}, "75 %"),
    ],
)
async def test_what_cannot_be_drawn_is_told_before_the_rig_is_asked(
    tmp_path: Path, empty: dict[str, object], word: str
) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    reply = await door.client.post("/api/order", json={"id": "order-0001", "kind": "empty", "empty": empty})
    assert reply.status_code == 422
    assert word in reply.json()["error"]
    assert door.facade.take_order() is None


async def test_a_shop_wheel_is_emptied_with_its_valve_at_the_bottom(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    empty = {"wheel": "rear", "holds": "200 L"}
    reply = await door.client.post("/api/order", json={"id": "order-0001", "kind": "empty", "empty": empty})
    assert reply.status_code == 200
    taken = door.facade.take_order()
    assert taken is not None
    assert isinstance(taken.work, Removal)
    assert taken.work.question.wanted.valve_at == 6


@pytest.mark.full
def test_a_wheel_is_emptied_by_touches(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path, scale="100", start_pressure='"18 psi"', extra=VALVE_DOWN) as served:
        page = opened(browser, served.url)
        sign_in(page)
        page.get_by_text("Take liquid out of a wheel").click()
        page.locator("#empty-size").fill("11L-15")
        page.locator("#empty-holds").fill("60 L")
        page.get_by_role("radio", name="clean: by the meter").check()
        page.locator("#empty-order").click()
        start_work(page)
        expect(page.locator(".big .of")).to_contain_text("back into the tote")
        assert to_the_end(page)
        expect(page.locator("#outcome")).to_contain_text("Done")
        # What the plant says came out, which shares no code with the page. The last short stroke may be air; if so
        # and it is more than 5 %, the page says what was counted and within what.
        counted = re.search(r"([\d.]+) gal counted, within ([\d.]+) gal", page.locator("main").inner_text())
        out_gal, within_gal = (float(counted[1]), float(counted[2])) if counted else (gallons(page), 0.15)
        assert out_gal == pytest.approx(-served.rig.truth()["delivered_l"] / GAL, abs=within_gal)


@pytest.mark.release
def test_the_line_is_rinsed_and_diverted_by_touches_and_no_wheel_is_filled_between(
    browser: Browser, tmp_path: Path
) -> None:
    with page_served(tmp_path, scale="30") as served:
        page = opened(browser, served.url)
        sign_in(page)

        def work(name: str) -> None:
            page.get_by_text("Rinse the line").click()
            page.locator(name).click()
            start_work(page)
            to_the_end(page)
            expect(page.locator("#outcome")).to_contain_text("Done")
            page.locator("#another").click()

        work("#rinse")
        page.locator("#field-size").fill("11L-15")
        page.locator("#ask").click()
        start_work(page)
        expect(page.get_by_role("alert")).to_contain_text("rinse water")
        work("#divert")
        page.locator("#same").click()
        start_work(page)
        at_step(page, re.compile("Fill|settle|air"))
        expect(page.locator(".big .of")).to_contain_text("in the tyre")
        page.locator("#stop").click()
        expect(page.locator("#outcome")).to_contain_text("Stopped")


@pytest.mark.release
def test_another_liquid_than_the_totes_is_filled_only_with_a_word(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path, scale="100") as served:
        told = command(tmp_path, "stock", "load", "--volume", "900 L", "--fluid", "water", "--config", "rig.toml")
        assert told.returncode == 0, told.stderr
        page = opened(browser, served.url)
        sign_in(page)
        page.locator("#field-size").fill("11L-15")
        page.get_by_text("Target, fluid, job").click()
        page.locator("#field-fluid").fill("beet")
        page.locator("#ask").click()
        expect(page.locator(".answer")).to_contain_text("ANOTHER LIQUID? the tote holds water by the book")
        # There is nothing to start by until somebody says that it is known.
        expect(page.locator("#start")).to_have_count(0)
        press_and_hold(page, "#other-fluid")
        expect(page.locator(".answer")).not_to_contain_text("ANOTHER LIQUID?")
        start_work(page)
        to_the_end(page)
        expect(page.locator("#outcome")).to_contain_text("Done")
        (fill,) = page.evaluate("fetch('/api/fills').then((reply) => reply.json())")
        assert (fill["fluid"], fill["outcome"]) == ("beet", "complete")


@pytest.mark.full
def test_of_a_yard_tank_the_page_says_whose_loads_it_knows(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path) as served:
        for words in (("tote", "--yard"), ("dip", "--volume", "3000 L")):
            told = command(tmp_path, "stock", *words, "--tote", "North", "--config", "rig.toml")
            assert told.returncode == 0, told.stderr
        page = opened(browser, served.url)
        sign_in(page)
        page.locator(".menu").click()
        page.get_by_role("button", name="Stock", exact=True).click()
        yard = page.locator(".tote").filter(has_text="yard tank North")
        expect(yard).to_contain_text(re.compile(r"by this truck's own loads since .+ \(dipped\); other trucks'"))
