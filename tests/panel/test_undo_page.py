"""Mistakes undone on the page: corrected, voided and taken back with a reason, by whom it concerns, and once."""

from __future__ import annotations

from itertools import count
from pathlib import Path
from typing import Any

import pytest
from pages import opened, page_served, press_and_hold, sign_in
from playwright.sync_api import Browser, expect
from shop_books import fill_now, journal_with
from test_web import PIN, Door
from wordings import crossed

from rig.books.prices import keep_prices
from rig.ledger.keeping import book_of

PRICES = Path(__file__).parents[2] / "config" / "prices.toml"
IDS = count(1)
DOUBTFUL = {"kind": "fill", "net_l": 163.5, "net_u_l": 34.0, "mass_kg": 209.6}


def touch(**what: object) -> dict[str, object]:
    return {"id": f"touch-{next(IDS):04}", **what}


async def records(door: Door, query: str = "") -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = (await door.client.get(f"/api/records{query}")).json()["records"]
    return found


async def test_a_technician_undoes_a_step_but_a_supervisor_what_is_billed(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    journal_with(tmp_path, fill_now("a"))
    await door.told("/api/jobs", job="J1", wheels=[{"size": "16.9-28", "position": "rear left"}])
    for note in ({"kind": "step", "step": "rinse", "position": "rear left"}, {"kind": "charge", "item": "core"}):
        await door.told("/api/jobs/J1/note", **touch(**note))
    charge, step = (await records(door, "?job=J1"))[:2]
    assert (charge["kind"], step["kind"]) == ("charge", "step")
    await door.told(f"/api/records/{step['serial']}/correct", **touch(why="other", step="inspect rim"))
    refused = await door.client.post(f"/api/records/{charge['serial']}/void", json=touch(why="twice"))
    assert refused.status_code == 403
    await door.sign_in(name="Sam", pin=PIN[::-1])
    request = touch(why="twice")
    for _ in range(2):
        await door.told(f"/api/records/{charge['serial']}/void", **request)
    (void,) = [row for row in await records(door, "?job=J1") if row["kind"] == "void"]
    assert crossed(void["text"]).endswith("(charge) does not count, by Sam, twice")
    stale = await door.client.post(f"/api/records/{charge['serial']}/correct", json=touch(why="late", quantity="2"))
    assert stale.status_code == 409
    await door.told(f"/api/records/{void['serial']}/take-back", **touch(why="it was right"))
    with door.book() as book:
        assert len(book.valid("charge")) == 1
        assert [each.document["step"] for each in book.valid("step")] == ["inspect rim"]


async def test_a_request_that_comes_again_after_a_restart_does_nothing(tmp_path: Path) -> None:
    first = Door(tmp_path)
    await first.sign_in(name="Sam", pin=PIN[::-1])
    journal_with(tmp_path, fill_now("a"))
    notes = {"id": "the-same-note", "action": "dip", "volume": "900 L"}
    await first.told("/api/stock", **notes)
    dip = (await records(first, "?kinds=dip"))[0]
    void = {"id": "the-same-void", "why": "misread"}
    await first.told(f"/api/records/{dip['serial']}/void", **void)
    again = Door(tmp_path)
    await again.sign_in(name="Sam", pin=PIN[::-1])
    await again.told("/api/stock", **notes)
    await again.told(f"/api/records/{dip['serial']}/void", **void)
    with again.book() as book:
        assert [each.kind for each in book.every() if each.kind in ("dip", "void")] == ["dip", "void"]


async def test_what_can_hardly_be_is_asked_back_and_kept_when_said_again(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    load = touch(action="load", volume="90000 gal")
    reply = await door.client.post("/api/stock", json=load)
    assert reply.status_code == 422
    assert reply.json()["doubts"][0]["key"] == "doubt.volume"
    assert (await door.told("/api/stock", **load, sure=True))["left_l"] == pytest.approx(340_687, abs=1)


async def test_a_figure_is_asked_for_on_the_page_and_given_there(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in(name="Sam", pin=PIN[::-1])
    journal_with(tmp_path, fill_now("a", **DOUBTFUL))
    assert "not known" in crossed((await door.client.get("/api/fills/a")).json()["asks_figure"])
    told = touch(kind="figure", volume="41 gal", basis="scale", why="weighed")
    await door.told("/api/fills/a/note", **told)
    assert (await door.client.get("/api/fills/a")).json()["asks_figure"] is None
    assert "figure 155.2 L" in crossed((await records(door, "?fill_id=a"))[0]["text"])


async def test_a_job_that_an_earlier_version_put_away_is_put_away(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    await door.told("/api/jobs", job="J1", wheels=[{"size": "16.9-28", "position": "rear left"}])
    with book_of(tmp_path) as book:
        plan = book.one("wheels of a job", "J1")
        assert plan is not None
        book.replace(plan, plan.document | {"void": True, "why": "entered twice"}, "2026-11-28T08:00:00.000+00:00")
    assert (await door.client.get("/api/jobs/J1")).json()["away"] == "entered twice"
    taken = await door.told("/api/jobs", job="J1", wheels=[{"size": "16.9-28", "position": "rear left"}])
    assert taken["away"] == ""
    await door.told("/api/jobs/J1/put-away", why="not to be done")
    assert (await door.client.get("/api/jobs/J1")).json()["away"] == "not to be done"


# --- in a browser ---------------------------------------------------------------------------------------------------


@pytest.mark.full
def test_a_supervisor_undoes_a_charge_and_answers_a_question(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path) as served:
        data = tmp_path / "rig-data"
        with book_of(data) as book:
            keep_prices(book, PRICES)
        journal_with(data, fill_now("a", **DOUBTFUL))
        page = opened(browser, served.url)
        sign_in(page, "Sam")
        page.get_by_role("button", name="Menu").click()
        page.get_by_role("button", name="History", exact=True).click()
        page.locator(".fills button.row").first.click()
        page.locator("#figure-volume").fill("9000 gal")
        page.locator("#figure-why").fill("weighed")
        page.locator("#note-figure button").click()
        expect(page.locator("#doubts")).to_contain_text("can hardly be")
        # STOP is never behind a question.
        page.locator("#stop").click()
        expect(page.locator("#stop-said")).to_have_text("Nothing ran.")
        page.locator("#not-so").click()
        expect(page.locator("#doubts")).to_have_count(0)
        page.locator("#figure-volume").fill("41 gal")
        page.locator("#note-figure button").click()
        expect(page.locator("#note-figure")).to_have_count(0)
        page.get_by_text("What was noted of it").click()
        row = page.locator("li[data-record]", has_text="figure 41.0 gal")
        row.get_by_text("Void it").click()
        serial = row.get_attribute("data-record")
        page.locator(f"#why-void-{serial}").fill("the wrong wheel")
        press_and_hold(page, f"#void-{serial}")
        expect(page.locator("#figure-volume")).to_be_visible()
        with book_of(data) as book:
            assert not book.valid("figure")
