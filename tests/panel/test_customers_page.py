"""Customers and sites on the page: entered once, changed by further records with a reason, nothing lost on the way."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pages import opened, page_served, sign_in
from playwright.sync_api import Browser, expect
from test_web import Door

from rig.record.notes import Customer

FARM: dict[str, Any] = {
    "name": "Hill Farm (invented)",
    "address": ["1 Mill Lane"],
    "city": "Sampletown",
    "country": "DE",
}


class Desk:
    """A signed-in person with forms, each sent under an id of its own unless one is given."""

    def __init__(self, door: Door) -> None:
        self.door = door
        self.sent = 0

    async def keep(self, facts: dict[str, Any], at: str = "", **more: Any) -> Any:  # noqa: ANN401
        self.sent += 1
        form = {"id": f"customer-{self.sent:04}", "facts": facts, **more}
        return await self.door.client.post(f"/api/customers{at}", json=form)


async def desk(folder: Path) -> Desk:
    door = Door(folder)
    await door.sign_in()
    return Desk(door)


async def test_a_customer_is_entered_and_a_repeated_touch_enters_no_other(tmp_path: Path) -> None:
    jo = await desk(tmp_path)
    kept = await jo.keep(FARM, id="customer-once")
    again = await jo.keep(FARM, id="customer-once")
    assert kept.json() == again.json()
    assert (kept.json()["number"], kept.json()["facts"], kept.json()["earlier"]) == ("1", FARM, [])
    assert (await jo.keep({"name": "Vale"}, number="1042")).json()["number"] == "1042"
    listed = (await jo.door.client.get("/api/customers")).json()
    assert [each["number"] for each in listed] == ["1", "1042"]


async def test_a_change_is_a_further_record_and_the_earlier_one_stays(tmp_path: Path) -> None:
    jo = await desk(tmp_path)
    first = (await jo.keep(FARM)).json()
    new = {**FARM, "name": "Hill Farm & Son (invented)", "address": ["2 Mill Lane", "Yard"], "city": ""}
    changed = (await jo.keep(new, number="1", serial=first["serial"], why="moved")).json()
    assert changed["facts"] == {key: value for key, value in new.items() if value}
    (before,) = changed["earlier"]
    assert (before["facts"], before["why"], before["by"]) == (FARM, "moved", "Jo")
    with jo.door.book() as book:
        standing = book.one("customer", "1")
        assert standing is not None
        assert Customer.of(standing).former_names == (FARM["name"],)
        assert standing.corrects == first["serial"]
        assert book.faults() == []


@pytest.mark.parametrize(
    ("facts", "more", "status", "word"),
    [
        ({"name": " "}, {}, 422, "enter a name"),
        ({"name": "Vale", "country": "Deutschland"}, {}, 422, "country"),
        ({"name": "Vale", "colour": "red"}, {}, 422, "colour"),
        ({"name": "Vale"}, {"number": "1"}, 422, "leave the number out"),
        (FARM, {"number": "1", "serial": 1}, 409, "changed meanwhile"),
        (FARM, {"number": "7", "serial": 1}, 422, "no customer 7"),
    ],
)
async def test_what_cannot_be_kept_is_refused_with_words(
    tmp_path: Path, facts: dict[str, Any], more: dict[str, Any], status: int, word: str
) -> None:
    jo = await desk(tmp_path)
    first = (await jo.keep(FARM)).json()
    second = (await jo.keep(FARM, number="1", serial=first["serial"], why="as before")).json()
    assert second["serial"] != 1
    reply = await jo.keep(facts, **more)
    assert reply.status_code == status
    assert word in reply.json()["error"]
    assert (await jo.door.client.get("/api/customers/1")).json() == second
    assert len((await jo.door.client.get("/api/customers")).json()) == 1


async def test_a_change_wants_a_reason_and_a_like_name_is_asked_about(tmp_path: Path) -> None:
    jo = await desk(tmp_path)
    first = (await jo.keep(FARM)).json()
    assert "why is it changed" in (await jo.keep(FARM, number="1", serial=first["serial"])).json()["error"]
    like = {"name": "Hill Farms (invented)"}
    doubts = (await jo.keep(like)).json()["doubts"]
    assert doubts[0]["key"] == "doubt.customer"
    assert doubts[0]["values"] == {"name": FARM["name"], "number": "1"}
    assert (await jo.keep(like, sure=True)).json()["number"] == "2"


async def test_sites_belong_to_their_customer(tmp_path: Path) -> None:
    jo = await desk(tmp_path)
    await jo.keep(FARM)
    await jo.keep({"name": "Vale"})
    (site,) = (await jo.keep({"name": "North yard", "note": "back gate"}, "/1/sites")).json()["sites"]
    assert site["facts"] == {"name": "North yard", "note": "back gate"}
    change = {"number": site["number"], "serial": site["serial"], "why": "new gate"}
    (changed,) = (await jo.keep({"name": "North yard", "note": "front gate"}, "/1/sites", **change)).json()["sites"]
    assert [each["facts"]["note"] for each in changed["earlier"]] == ["back gate"]
    theirs = await jo.keep({"name": "Mine"}, "/2/sites", **{**change, "serial": changed["serial"]})
    assert (theirs.status_code, "of this customer" in theirs.json()["error"]) == (422, True)
    assert (await jo.keep({"name": "Yard"}, "/9/sites")).status_code == 422


async def test_customers_need_a_sign_in(tmp_path: Path) -> None:
    door = Door(tmp_path)
    assert (await door.client.get("/api/customers")).status_code == 401
    assert (await Desk(door).keep(FARM)).status_code == 403


@pytest.mark.full
def test_entered_changed_and_named_in_a_job_by_touches(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path) as served:
        page = opened(browser, served.url)
        sign_in(page)
        page.get_by_role("button", name="Menu").click()
        page.get_by_role("button", name="Customers", exact=True).click()
        page.locator("#customer-new").click()
        page.locator("#customer-name").fill("Hill Farm (invented)")
        page.locator("#customer-address").fill("1 Mill Lane; Yard")
        page.locator("#customer-keep").click()
        expect(page.locator("#said")).to_contain_text("Hill Farm (invented), No. 1")
        page.locator("#customer-city").fill("Sampletown")
        page.locator("#customer-keep").click()
        expect(page.locator("#said")).to_contain_text("why is it changed")
        page.locator("#customer-why").fill("city was missing")
        page.locator("#customer-keep").click()
        page.get_by_text("Before the last changes: 1").click()
        expect(page.locator(".earlier")).to_contain_text("by Jo: city was missing")
        page.get_by_text("New site").click()
        page.locator("#site-name").fill("North yard")
        page.locator("#site-keep").click()
        expect(page.get_by_text("North yard · 1")).to_be_visible()
        page.locator("#customer-find").fill("sample")
        expect(page.locator("#customers li")).to_have_count(1)
        page.get_by_role("button", name="Menu").click()
        page.get_by_role("button", name="Work", exact=True).click()
        page.locator("#new-job").click()
        expect(page.locator("#customers option")).to_have_attribute("value", "1")
        page.locator("#job-customer").fill("1")
        page.locator("#job-site").fill("north yard")
        page.locator("#job-size").fill("11L-15")
        page.locator("#add").click()
        page.locator("#keep-job").click()
        expect(page.locator(".job h3")).to_contain_text("Hill Farm (invented) · North yard 1")
