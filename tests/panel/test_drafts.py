"""A half-entered job: kept as it is typed, by person; there after a reload, on another device and after a new start."""

from __future__ import annotations

import json
import stat
from pathlib import Path
from typing import Any

import pytest
from pages import PIN, opened, page_process, page_served, press_and_hold, sign_in
from playwright.sync_api import Browser, expect
from test_web import Door

from rig.panel.drafts import Draft, Drafts
from rig.panel.people import Someone
from rig.panel.sessions import Sessions

WHEEL: dict[str, Any] = {"size": "16.9-28", "position": "rear left"}


async def drafts(door: Door, client: Any = None) -> list[dict[str, Any]]:  # noqa: ANN401
    found: list[dict[str, Any]] = (await (client or door.client).get("/api/drafts")).json()
    return found


async def test_a_draft_is_one_person_s_and_gone_when_the_job_is_kept(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    await door.told("/api/drafts", customer="Hill", typed={"size": "16.9"})
    await door.told("/api/drafts", customer="Hill Farm", wheels=[WHEEL])
    (draft,) = await drafts(door)
    assert (draft["job"], draft["customer"], draft["wheels"][0]["size"], draft["typed"]) == (
        "",
        "Hill Farm",
        "16.9-28",
        {},
    )
    sam = door.another()
    await door.sign_in(sam, "Sam", PIN[::-1])
    assert await drafts(door, sam) == []
    await door.told("/api/jobs", job="", customer="Hill Farm", wheels=[WHEEL])
    assert await drafts(door) == []


async def test_a_refused_job_leaves_its_draft(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    await door.told("/api/drafts", customer="Hill Farm", wheels=[])
    assert (await door.client.post("/api/jobs", json={"job": "", "wheels": []})).status_code == 422
    assert len(await drafts(door)) == 1
    await door.told("/api/drafts/drop", job="")
    assert await drafts(door) == []
    assert (await door.another().get("/api/drafts")).status_code == 401


def test_drafts_outlast_a_start_and_an_unreadable_file_stands_in_nobody_s_way(tmp_path: Path) -> None:
    Drafts(tmp_path).keep("Jo", Draft(customer="Hill"))
    Drafts(tmp_path).keep("Jo", Draft(job="J1", machine="loader"))
    again = Drafts(tmp_path)
    assert [(each.job, each.customer) for each in again.of("jo")] == [("", "Hill"), ("J1", "")]
    assert stat.S_IMODE(again.path.stat().st_mode) == 0o600
    before = again.path.read_bytes()
    again.drop("Sam", "J1")
    assert again.path.read_bytes() == before
    again.path.write_text("{", encoding="utf-8")
    assert again.of("Jo") == []
    assert again.path.read_text(encoding="utf-8") == "{"
    again.keep("Jo", Draft(customer="Vale"))
    assert [each.customer for each in again.of("Jo")] == ["Vale"]
    assert json.loads(again.path.read_text(encoding="utf-8")) == {"jo": [{"customer": "Vale"}]}


def test_of_many_drafts_the_oldest_makes_room(tmp_path: Path) -> None:
    kept = Drafts(tmp_path)
    for number in range(25):
        kept.keep("Jo", Draft(job=f"J{number}"))
    assert [each.job for each in kept.of("Jo")] == [f"J{number}" for number in range(5, 25)]


def test_who_asked_has_the_controls_when_the_driver_signs_out() -> None:
    sessions = Sessions()
    jo, sam = (sessions.open(Someone(name, "technician", ""), 0.0) for name in ("Jo", "Sam"))
    assert not sessions.ask_to_drive(sam, 1.0)
    sessions.close(jo)
    assert (sessions.driver, sessions.asking) == (sam, None)
    sessions.close(sam)
    assert sessions.driver is None


@pytest.mark.full
def test_half_a_job_is_there_after_a_reload_on_another_device_and_a_new_start(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path) as served:
        page = opened(browser, served.url)
        sign_in(page)
        page.locator("#new-job").click()
        page.locator("#job-customer").fill("Hill Farm (invented)")
        page.locator("#job-size").fill("11L-15")
        page.locator("#add").click()
        page.locator("#job-size").fill("16.9")
        # At once: what was typed last is sent as the page goes away.
        page.reload()
        begun = "Go on with the new job: Hill Farm (invented) · 2 wheels in this job"
        page.get_by_role("button", name=begun).click()
        expect(page.locator("#job-customer")).to_have_value("Hill Farm (invented)")
        expect(page.locator("#job-size")).to_have_value("16.9")
        expect(page.locator("#job-wheels li")).to_have_count(2)
        page.locator("#job-machine").fill("loader")
        page.locator("#leave-job").click()
        expect(page.get_by_role("button", name="Hill Farm (invented) · loader")).to_be_visible()
        served.end()
        with page_process(served.rig) as again:
            tablet = opened(browser, again.url, width=1280, height=800, touch=False)
            sign_in(tablet)
            tablet.locator("#new-job").click()
            expect(tablet.locator("#job-machine")).to_have_value("loader")
            tablet.locator("#job-size").fill("")
            tablet.locator("#keep-job").click()
            expect(tablet.locator(".job h3")).to_contain_text("Hill Farm (invented) · loader")
            expect(tablet.locator("#new-job")).to_have_text("New job")
            tablet.locator("#new-job").click()
            tablet.locator("#job-customer").fill("Vale (invented)")
            tablet.locator("#leave-job").click()
            tablet.get_by_role("button", name="Vale (invented)").click()
            press_and_hold(tablet, "#discard-job")
            expect(tablet.locator("#new-job")).to_have_text("New job")
