"""Jobs on the page: made by a technician, the next wheel one touch away, how far each is, left against right."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from pages import next_wheel, opened, page_served, press_and_hold, sign_in, start_work
from playwright.sync_api import Browser, Page, expect
from processes import command
from shop_books import fill_of, journal_with
from test_browser import finish, gallons
from test_web import Door

GAL = 3.785411784
PAIR = [{"size": "16.9-28", "position": f"rear {side}"} for side in ("left", "right")]


async def kept(door: Door, **more: object) -> dict[str, Any]:
    return await door.told("/api/jobs", **{"job": "J1", "wheels": PAIR, **more})


async def test_a_job_is_kept_in_the_book_and_its_fills_tell_how_far_it_is(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    job = await kept(door, customer="A. Miller", machine="Loader 7")
    assert [wheel["status"] for wheel in job["wheels"]] == ["open", "open"]
    assert (job["next"], job["customer"]) == (0, "A. Miller")
    journal_with(tmp_path, fill_of("f1", net_l=260.0, position="rear left"))
    (job,) = (await door.client.get("/api/jobs")).json()
    assert [wheel["status"] for wheel in job["wheels"]] == ["done", "open"]
    assert job["next"] == 1
    assert job["pairs"] == []
    # A fill that ended early has begun its wheel; the rest of it makes the wheel whole, and both went in.
    journal_with(
        tmp_path,
        fill_of("f2", 10, net_l=100.0, position="rear right", outcome="stopped"),
        fill_of("f3", 20, net_l=161.0, position="rear right"),
    )
    job = (await door.client.get("/api/jobs/J1")).json()
    assert [wheel["status"] for wheel in job["wheels"]] == ["done", "done"]
    assert job["wheels"][1]["net_l"] == 261.0
    assert job["next"] is None


async def test_a_wheel_that_ended_early_is_begun_and_still_the_next(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    await kept(door)
    journal_with(tmp_path, fill_of("f1", net_l=99.0, position="rear left", outcome="aborted"))
    job = (await door.client.get("/api/jobs/J1")).json()
    assert (job["wheels"][0]["status"], job["next"]) == ("begun", 0)


async def test_another_list_of_wheels_stands_in_for_the_first(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    await kept(door, customer="A. Miller")
    changed = await kept(door, wheels=PAIR[:1], machine="Loader 7")
    assert len(changed["wheels"]) == 1
    # What was told before stands where it is not told anew.
    assert (changed["customer"], changed["machine"]) == ("A. Miller", "Loader 7")
    assert len((await door.client.get("/api/jobs")).json()) == 1


async def test_jobs_without_a_name_are_numbered_by_the_day(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    names = [(await kept(door, job=""))["job"] for _ in range(2)]
    assert [name[-2:] for name in names] == ["-1", "-2"]


@pytest.mark.parametrize(
    ("wheels", "word"),
    [
        ([], "needs a wheel"),
        ([{"size": "16.9-", "position": "rear left"}], "16.9-"),
        ([{"size": "16.9-28"}], "where does"),
        ([{"size": "16.9-28", "position": "rear left", "target": "lots"}], "75 %"),
    ],
)
async def test_a_job_that_could_not_be_filled_is_refused_when_it_is_made(
    tmp_path: Path, wheels: list[object], word: str
) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    reply = await door.client.post("/api/jobs", json={"job": "J1", "wheels": wheels})
    assert reply.status_code == 422
    assert word in reply.json()["error"]
    assert (await door.client.get("/api/jobs")).json() == []


async def test_jobs_need_a_sign_in(tmp_path: Path) -> None:
    door = Door(tmp_path)
    own = {"X-Rig": "page"}
    assert (await door.client.post("/api/jobs", json={"job": "J", "wheels": PAIR}, headers=own)).status_code == 401
    assert (await door.client.get("/api/jobs")).status_code == 401


async def test_a_job_entered_by_mistake_is_put_away_with_its_reason_and_can_be_taken_up_again(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    await kept(door, customer="A. Miller")
    await kept(door, job="J2")
    away = await door.told("/api/jobs/J1/put-away", why="entered twice")
    assert (away["away"], away["next"]) == ("entered twice", None)
    # Again is no second record; a wheel of it that is filled all the same is filled.
    await door.told("/api/jobs/J1/put-away", why="for fun")
    jobs = {job["job"]: job for job in (await door.client.get("/api/jobs")).json()}
    assert (jobs["J1"]["away"], jobs["J2"]["away"], jobs["J2"]["next"]) == ("entered twice", "", 0)
    with door.book() as book:
        records = [each for each in book.every() if each.kind == "wheels of a job" and each.document["job"] == "J1"]
    assert len(records) == 2
    assert (records[1].document["corrects"], records[1].document["by"]) == (records[0].serial, "Jo")
    assert records[1].document["wheels"] == records[0].document["wheels"]
    again = await kept(door)
    assert (again["away"], again["next"], again["customer"]) == ("", 0, "A. Miller")


async def test_a_job_s_name_may_hold_a_slash(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    await kept(door, job="2026/11 spring")
    assert (await door.client.get("/api/jobs/2026%2F11%20spring")).json()["next"] == 0
    away = await door.told("/api/jobs/2026%2F11%20spring/put-away", why="entered twice")
    assert away["away"] == "entered twice"


async def test_a_job_is_not_put_away_without_a_reason_nor_an_unknown_one(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    await kept(door)
    for job, why, word in (("J1", " ", "why"), ("J9", "entered twice", "no list of wheels")):
        reply = await door.client.post(f"/api/jobs/{job}/put-away", json={"why": why})
        assert reply.status_code == 422
        assert word in reply.json()["error"]
    assert (await door.client.get("/api/jobs/J1")).json()["next"] == 0


def make_job(page: Page, size: str) -> None:
    """Two rear wheels, the same on both sides."""
    page.locator("#new-job").click()
    page.locator("#job-customer").fill("A. Miller")
    page.locator("#job-machine").fill("Loader 7")
    page.locator("#job-size").fill(size)
    page.locator("#add").click()
    expect(page.locator("#job-wheels li")).to_have_count(2)
    page.locator("#keep-job").click()


@pytest.mark.release
def test_a_whole_job_from_its_list_with_few_touches(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path, scale="100") as served:
        page = opened(browser, served.url)
        sign_in(page)
        make_job(page, "11L-15")
        page.locator(".next").click()
        start_work(page)
        first = 4 + finish(page)
        assert first <= 8
        # The job's other wheel is ready; nothing has to be picked.
        page.locator("#next-wheel").click()
        expect(page.locator(".answer h2")).to_contain_text("rear right")
        with next_wheel(served.rig) as second:
            start_work(page)
            later = 2 + finish(page)
            assert later <= 4
            assert gallons(page) == pytest.approx(second.truth()["delivered_l"] / GAL, abs=0.2)
            expect(page.locator("#job-done")).to_be_visible()
            page.locator("#details").click()
            expect(page.locator("figure.pair")).to_contain_text("more by")
            page.locator("#another").click()
            expect(page.locator(".jobs")).to_contain_text("No job is open")
        print(f"touches: first wheel of the job {first}, later {later}")
        name = page.locator(".job h3").text_content() or ""
        told = json.loads(command(tmp_path, "job", name.split(" · ")[0], "--config", "rig.toml", "--json").stdout)
        assert (told["customer"], told["machine"]) == ("A. Miller", "Loader 7")


@pytest.mark.release
def test_a_job_is_put_away_from_the_list_by_touches(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path, scale="100") as served:
        page = opened(browser, served.url)
        sign_in(page)
        make_job(page, "11L-15")
        page.get_by_text("All wheels: 0 of 2 done").click()
        page.get_by_role("button", name="Change this job").click()
        page.get_by_text("This job is not to be done").click()
        press_and_hold(page, "#put-away")
        expect(page.locator("#said")).to_contain_text("why is it put away?")
        page.locator("#why-away").fill("entered twice")
        press_and_hold(page, "#put-away")
        expect(page.locator(".jobs")).to_contain_text("No job is open")
        page.get_by_text("Finished jobs (1)").click()
        expect(page.locator(".job")).to_contain_text("Put away: entered twice")
        page.get_by_text("All wheels: 0 of 2 done").click()
        page.get_by_role("button", name="Take it up again").click()
        page.locator("#keep-job").click()
        expect(page.locator(".next")).to_contain_text("rear left 11L-15")
