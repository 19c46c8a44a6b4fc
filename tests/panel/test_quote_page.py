"""A job's quote and its fleet of wheels on the page: accepted and compared as `rig quote` and `rig compare` do it.

Independent figures: the mean and the standard deviation are numpy's, Cpk is worked from them by NIST/SEMATECH 6.1.6.
"""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pages import opened, page_served, press_and_hold, sign_in
from playwright.sync_api import Browser, expect
from processes import ROOT, command, configuration
from shop_books import fill_now, journal_with
from test_web import Door

from rig.cli import main

PRICES = str(ROOT / "config" / "prices.toml")
SIZE = "16.9-28"
FLEET = [f"{axle} {side}" for axle in ("front", "rear") for side in ("left", "right")]
WHEELS = [{"size": SIZE, "position": position} for position in FLEET]
NETS = (261.2, 260.1, 261.9, 262.6)
"""Four wheels of 261 L; the last is beyond half a per cent. Invented."""


class Office:
    """The command line over the same book as the page."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self._config = str(configuration(folder, name='"Bay 2"', data=json.dumps(str(folder))))
        self._capsys = capsys
        self.run("prices", PRICES)

    def run(self, *words: str) -> dict[str, Any]:
        """A command's document."""
        self._capsys.readouterr()
        assert main([*words, "--json", "--config", self._config]) == 0
        found: dict[str, Any] = json.loads(self._capsys.readouterr().out)
        return found


@pytest.fixture
def office(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Office:
    return Office(tmp_path, capsys)


async def job_kept(folder: Path) -> Door:
    door = Door(folder)
    await door.sign_in()
    await door.told("/api/jobs", job="J1", wheels=WHEELS)
    return door


def filled(folder: Path) -> None:
    """Every wheel of the job is filled."""
    journal_with(
        folder,
        *(
            fill_now(f"f{number}", position=position, net_l=net_l)
            for number, (position, net_l) in enumerate(zip(FLEET, NETS, strict=True))
        ),
    )


def quotes_of(door: Door) -> list[dict[str, Any]]:
    with door.book() as book:
        return [{"serial": each.serial, **each.document} for each in book.every() if each.kind == "quote"]


# --- the quote -------------------------------------------------------------------------------------------------------


async def test_a_quote_is_accepted_once_by_who_is_signed_in(tmp_path: Path, office: Office) -> None:
    door = await job_kept(tmp_path)
    assert (await door.client.get("/api/jobs/J1")).json()["quote"] is None
    made = office.run("quote", "J1", *[SIZE] * 4)
    (job,) = (await door.client.get("/api/jobs")).json()
    assert job["quote"] == made
    touch = {"id": "touch-0001", "serial": made["serial"]}
    first = await door.told("/api/jobs/J1/accept-quote", **touch)
    again = await door.told("/api/jobs/J1/accept-quote", **touch)
    # Another touch, even after the server began anew, does nothing either, and takes nothing from who accepted first.
    later = Door(tmp_path)
    await later.sign_in(name="Sam", pin="814072")
    other = await later.told("/api/jobs/J1/accept-quote", **touch | {"id": "touch-0002"})
    assert first["quote"] == again["quote"] == other["quote"]
    assert (first["quote"]["accepted_by"], first["quote"]["corrects"]) == ("Jo", made["serial"])
    assert first["quote"] == office.run("quote", "J1", "--accept", "Sam")
    assert [each["accepted_by"] for each in quotes_of(door)] == [None, "Jo"]


async def test_a_quote_accepted_by_the_page_is_the_record_that_the_command_writes(
    tmp_path: Path, office: Office
) -> None:
    door = await job_kept(tmp_path)
    office.run("quote", "J0", *[SIZE] * 4)
    office.run("quote", "J0", "--accept", "Jo")
    made = office.run("quote", "J1", *[SIZE] * 4)
    await door.told("/api/jobs/J1/accept-quote", id="touch-0001", serial=made["serial"])
    _, by_command, _, by_page = quotes_of(door)
    own = ("serial", "corrects", "origin", "job", "made_at", "accepted_at")
    assert list(by_command) == list(by_page)
    assert {k: v for k, v in by_command.items() if k not in own} == {k: v for k, v in by_page.items() if k not in own}


async def test_a_quote_that_was_replaced_is_not_accepted_unseen(tmp_path: Path, office: Office) -> None:
    door = await job_kept(tmp_path)
    seen = office.run("quote", "J1", *[SIZE] * 4)
    dearer = office.run("quote", "J1", *[SIZE] * 4, "--item", "core")
    for _ in range(2):
        reply = await door.client.post("/api/jobs/J1/accept-quote", json={"id": "touch-0001", "serial": seen["serial"]})
        assert reply.status_code == 422
        assert f"No. {dearer['serial']}" in reply.json()["error"]
    # What failed was not done: the same touch may come again for what stands now.
    job = await door.told("/api/jobs/J1/accept-quote", id="touch-0001", serial=dearer["serial"])
    assert (job["quote"]["accepted_by"], job["quote"]["total"]) == ("Jo", dearer["total"])


async def test_a_quote_is_of_the_job_s_wheels_until_it_is_accepted(tmp_path: Path, office: Office) -> None:
    door = await job_kept(tmp_path)
    made = (await door.told("/api/jobs/J1/quote", id="touch-0001"))["quote"]
    # The same sums as the command's, which is told the same four wheels and what stands in this rig's tote.
    by_command = office.run("quote", "J0", *[SIZE] * 4, "--fluid", door.facade.settings.tote.fluid)
    assert (made["total"], made["planned_l"]) == (by_command["total"], by_command["planned_l"])
    assert [place in line["text"] for place, line in zip(FLEET, made["lines"], strict=False)] == [True] * 4
    assert (await door.told("/api/jobs/J1/quote", id="touch-0001"))["quote"] == made
    anew = (await door.told("/api/jobs/J1/quote", id="touch-0002"))["quote"]
    assert anew["corrects"] == made["serial"]
    assert (await door.client.post("/api/jobs/J1/quote.pdf")).content.startswith(b"%PDF")
    assert (await door.client.post("/api/jobs/J0/none/quote.pdf")).status_code == 422
    await door.told("/api/jobs/J1/accept-quote", id="touch-0003", serial=anew["serial"])
    reply = await door.client.post("/api/jobs/J1/quote", json={"id": "touch-0004"})
    assert (reply.status_code, f"No. {anew['serial'] + 1} is accepted" in reply.json()["error"]) == (422, True)


async def test_a_quote_needs_prices_sign_in_and_a_job_that_is_to_be_done(tmp_path: Path) -> None:
    door = await job_kept(tmp_path)
    touch = {"id": "touch-0001"}
    reply = await door.client.post("/api/jobs/J1/quote", json=touch)
    assert (reply.status_code, "no price list" in reply.json()["error"]) == (422, True)
    stranger = door.another()
    assert (await stranger.post("/api/jobs/J1/quote", json=touch, headers={"X-Rig": "page"})).status_code == 401
    await door.told("/api/jobs/J1/put-away", why="entered twice")
    reply = await door.client.post("/api/jobs/J1/quote", json=touch)
    assert (reply.status_code, "put away" in reply.json()["error"]) == (422, True)


async def test_accepting_needs_sign_in_and_a_quote(tmp_path: Path) -> None:
    door = await job_kept(tmp_path)
    touch = {"id": "touch-0001", "serial": 1}
    reply = await door.client.post("/api/jobs/J1/accept-quote", json=touch)
    assert reply.status_code == 422
    assert "no quote" in reply.json()["error"]
    stranger = door.another()
    reply = await stranger.post("/api/jobs/J1/accept-quote", json=touch, headers={"X-Rig": "page"})
    assert reply.status_code == 401


async def test_what_was_done_stands_beside_what_was_quoted(tmp_path: Path, office: Office) -> None:
    door = await job_kept(tmp_path)
    made = office.run("quote", "J1", *[SIZE] * 4)
    assert made["done"] is None
    filled(tmp_path)
    done = (await door.client.get("/api/jobs/J1")).json()["quote"]["done"]
    assert Decimal(done["net_l"]) == sum(map(Decimal, map(str, NETS)))
    bill = office.run("bill", "J1")
    assert done["total"] == bill["total"]
    assert Decimal(done["over"]) == Decimal(bill["total"]) - Decimal(made["total"])
    assert done["over"][0] in "+-"


# --- the fleet -------------------------------------------------------------------------------------------------------


async def test_the_fleet_of_a_job_is_the_one_of_the_command(tmp_path: Path, office: Office) -> None:
    door = await job_kept(tmp_path)
    assert (await door.client.get("/api/jobs/J1")).json()["groups"] == []
    filled(tmp_path)
    (group,) = (await door.client.get("/api/jobs/J1")).json()["groups"]
    found = office.run("compare", "J1")
    assert [group] == found["groups"]
    mean, sd, allowed = np.mean(NETS), np.std(NETS, ddof=1), 0.005 * 261
    assert (group["mean_l"], group["sd_l"]) == pytest.approx((mean, sd), abs=6e-4)
    assert group["cpk"] == pytest.approx((allowed - abs(mean - 261)) / (3 * sd), abs=6e-4)
    assert (group["wheels"], group["inside"], group["worst_l"]) == (4, 3, 2.5)
    assert [each["side"] for each in group["each"]] == ["left", "right"] * 2
    assert [each["error_percent"] for each in group["each"]] == pytest.approx(
        [100 * (net_l / 261 - 1) for net_l in NETS], abs=6e-4
    )
    # Another job's wheel of the same kind is in the fleet of the whole book, and not in this job's.
    journal_with(tmp_path, fill_now("other", job="J2", position="rear left"))
    assert (await door.client.get("/api/jobs/J1")).json()["groups"] == [group]
    (every,) = (await door.client.get("/api/compare")).json()["groups"]
    assert every == office.run("compare")["groups"][0]
    assert every["wheels"] == 5


async def test_the_whole_book_is_compared_for_who_is_signed_in(tmp_path: Path) -> None:
    door = Door(tmp_path)
    assert (await door.client.get("/api/compare")).status_code == 401
    await door.sign_in()
    assert (await door.client.get("/api/compare")).json()["groups"] == []


@pytest.mark.full
def test_a_quote_is_accepted_and_its_fleet_seen(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path) as served:
        assert command(tmp_path, "prices", PRICES, "--config", "rig.toml").returncode == 0
        page = opened(browser, served.url)
        sign_in(page)
        page.locator("#new-job").click()
        page.locator("#job-size").fill(SIZE)
        page.locator("#add").click()
        page.locator("#keep-job").click()
        job = (page.locator(".job h3").text_content() or "").split(" · ")[0]
        page.get_by_text("All wheels: 0 of 2 done").click()
        page.get_by_role("button", name="Quote these wheels", exact=True).click()
        by_command = command(tmp_path, "quote", "another", SIZE, SIZE, "--json", "--config", "rig.toml")
        total = json.loads(by_command.stdout)["total"]
        summary = page.locator(".quote summary")
        expect(summary).to_have_text(f"Quote: {total} USD, not accepted yet")
        summary.click()
        press_and_hold(page, ".quote button.hold")
        expect(summary).to_have_text(f"Quote: {total} USD, accepted by Jo")
        told = json.loads(command(tmp_path, "quote", job, "--json", "--config", "rig.toml").stdout)
        assert told["accepted_by"] == "Jo"
        journal_with(
            tmp_path / "rig-data",
            *(
                fill_now(f"f{net_l:.0f}", job=job, position=f"rear {side}", net_l=net_l)
                for side, net_l in (("left", 261.2), ("right", 258.0))
            ),
        )
        page.reload()
        page.get_by_text("Finished jobs (1)").click()
        page.get_by_text("All wheels: 2 of 2 done").click()
        fleet = page.locator(".job figure.fleet")
        expect(fleet).to_contain_text("2 wheels, 1 within ±0.5 %")
        expect(fleet.locator("path.mark")).to_have_count(2)
        # 3.2 L apart; 3.785411784 L to the gallon by definition (NIST SP 811).
        expect(fleet).to_contain_text(f"{3.2 / 3.785411784:.2f} gal")
        page.locator(".quote summary").click()
        expect(page.locator(".quote .done")).to_contain_text("Done so far")
        page.locator(".menu").click()
        page.get_by_label("Units").select_option("kpa")
        page.get_by_role("button", name="History", exact=True).click()
        page.locator("#alike summary").click()
        expect(page.locator("#alike figure.fleet")).to_contain_text("3.20 L")
