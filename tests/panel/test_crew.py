"""People on the page: the first enters themself by the printed code, a supervisor enters and removes the others."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from near import Near
from pages import PIN, browsing, opened
from playwright.sync_api import expect
from processes import ROOT, serving
from test_web import CODE, OWN, Door

from rig.panel.people import People
from rig.panel.web import Page


def fresh(folder: Path) -> Door:
    """The page of a rig without people."""
    door = Door(folder)
    people = People(folder)
    people.path.unlink()
    door.page = Page(Near(door.facade), people, "rig.toml", CODE)
    door.client = door.another()
    door.client.headers.update(OWN)
    return door


async def first(door: Door, code: str, name: str = "Kim", pin: str = PIN) -> Any:  # noqa: ANN401
    return await door.client.post("/api/first", json={"code": code, "name": name, "pin": pin})


async def test_the_first_enters_themself_once_and_is_the_supervisor(tmp_path: Path) -> None:
    door = fresh(tmp_path)
    code = door.page.crew.code
    assert re.fullmatch(r"\d{8}", code)
    assert (await first(door, "00000000" if code != "00000000" else "1")).status_code == 401
    assert "a PIN" in (await first(door, code, pin="1234")).json()["error"]
    reply = await first(door, f"{code[:4]} {code[4:]}")
    assert (reply.status_code, reply.json()["role"]) == (200, "supervisor")
    assert (await door.client.get("/api/me")).json()["name"] == "Kim"
    assert (await first(door, code, "Eve")).status_code == 409
    assert [each.name for each in People(tmp_path).all()] == ["Kim"]


async def test_tries_of_the_code_are_limited(tmp_path: Path) -> None:
    door = fresh(tmp_path)
    replies = [(await first(door, "1")).status_code for _ in range(6)]
    assert replies == [401] * 5 + [429]
    assert (await first(door, door.page.crew.code)).status_code == 429
    assert not People(tmp_path).all()


def test_where_people_are_entered_there_is_no_code(tmp_path: Path) -> None:
    assert Door(tmp_path).page.crew.code == ""


async def test_a_supervisor_enters_and_removes_and_the_removed_are_signed_out(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in(name="Sam", pin=PIN[::-1])
    jo = door.another()
    await door.sign_in(jo)
    listed = await door.client.post("/api/people", json={"id": "people-0001", "name": "Kim", "pin": "590317"})
    assert {"name": "Kim", "role": "technician"} in listed.json()
    assert (await door.sign_in(door.another(), "Kim", "590317")).status_code == 200
    gone = await door.client.post("/api/people/remove", json={"id": "people-0002", "name": "Jo"})
    assert "Jo" not in [each["name"] for each in gone.json()]
    assert (await jo.get("/api/me")).json()["name"] is None


async def test_whoever_another_program_removes_or_changes_is_signed_out_with_the_next_request(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in(name="Sam", pin=PIN[::-1])
    jo = door.another()
    await door.sign_in(jo)
    elsewhere = People(tmp_path)
    elsewhere.add("Kim", "technician", "590317")
    assert [(await each.get("/api/me")).json()["name"] for each in (door.client, jo)] == ["Sam", "Jo"]
    elsewhere.remove("Jo")
    assert [(await each.get("/api/me")).json()["name"] for each in (door.client, jo)] == ["Sam", None]
    elsewhere.add("Sam", "technician", PIN[::-1])
    assert (await door.client.get("/api/me")).json()["name"] is None
    await door.sign_in(name="Sam", pin=PIN[::-1])
    assert (await door.client.get("/api/me")).json()["role"] == "technician"
    # STOP is heard though nobody can be looked up.
    elsewhere.path.write_text("{", encoding="utf-8")
    assert (await door.client.post("/api/stop", json={"id": "stop-0001"})).status_code == 200


@pytest.mark.parametrize(
    ("path", "form"),
    [
        ("/api/people", {"name": "Sam", "role": "technician", "pin": "590317"}),
        ("/api/people/remove", {"name": "Sam"}),
    ],
)
async def test_the_only_supervisor_stays(tmp_path: Path, path: str, form: dict[str, str]) -> None:
    door = Door(tmp_path)
    await door.sign_in(name="Sam", pin=PIN[::-1])
    reply = await door.client.post(path, json={"id": "people-0001", **form})
    assert (reply.status_code, "enter another one first" in reply.json()["error"]) == (422, True)


async def test_only_a_supervisor_may(tmp_path: Path) -> None:
    door = Door(tmp_path)
    assert (await door.client.get("/api/people")).status_code == 401
    await door.sign_in()
    assert (await door.client.get("/api/people")).status_code == 403
    form = {"id": "people-0001", "name": "Jo", "role": "supervisor", "pin": "590317"}
    assert (await door.client.post("/api/people", json=form)).status_code == 403


@pytest.mark.full
def test_a_new_rig_from_the_code_to_a_second_person_by_touches(tmp_path: Path) -> None:
    """The code as `rig serve` prints it; a phone's viewport."""
    with serving(tmp_path) as rig:
        process = subprocess.Popen(
            [sys.executable, "-m", "rig.cli", "serve", "--config", "rig.toml", "--port", "0"],
            cwd=rig.folder, env={**os.environ, "PYTHONPATH": str(ROOT)}, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert process.stdout is not None
        try:
            url = re.search(r"(http\S+)", process.stdout.readline())
            code = re.search(r"code (\d{8})", process.stdout.readline())
            assert url is not None
            assert code is not None
            with browsing() as browser:
                page = opened(browser, url[1])
                page.get_by_role("button", name="Sign in", exact=True).click()
                page.locator("#first-code").fill(code[1])
                page.locator("#first-name").fill("Kim")
                page.locator("#first-pin").fill(PIN)
                page.get_by_role("button", name="Enter me as supervisor").click()
                page.get_by_role("button", name="Menu").click()
                page.get_by_role("button", name="Settings").click()
                expect(page.locator("#crew li")).to_have_count(1)
                page.locator("#person-name").fill("Jo")
                page.locator("#person-pin").fill("590317")
                page.locator("#person-enter").click()
                expect(page.locator("#crew li")).to_have_text(["Jo, technicianRemove", "Kim, supervisor"])
        finally:
            process.kill()
            process.wait()
            process.stdout.close()
