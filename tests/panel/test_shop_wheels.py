"""The shop's own wheels by name on the page: configured or taught from the book, known at the next question."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from pages import opened, page_served, sign_in, start_work, to_the_end
from playwright.sync_api import Browser, expect
from processes import command
from shop_books import fill_of, journal_with
from test_browser import gallons
from test_service import records
from test_web import Door

from rig.run.session import Errand

GAL = 3.785411784


def teach(door: Door, name: str, took_l: float, at: str, size: str = "16.9-28") -> None:
    """What `rig teach` writes into the book."""
    with door.book() as book:
        standing = book.one("wheel", name)
        body = {"wheel": name, "size": size, "took_l": took_l, "valve_at": 12.0, "from": 1, "fill_id": "f1"}
        book.append("wheel", f"{name} {at}", at, body | ({"corrects": standing.serial} if standing else {}))


async def answered(door: Door, name: str) -> float:
    found = await door.told("/api/answer", wheel=name)
    target_l = found["target_l"]
    assert isinstance(target_l, float)
    return target_l


async def test_a_wheel_taught_while_the_page_is_served_is_known_at_the_next_question(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    by_size_l = await answered(door, "rear")
    teach(door, "rear", 240.0, "2026-11-20T08:00:00.000+00:00")
    # Up to the valve goes what went up to the valve before.
    assert await answered(door, "rear") == pytest.approx(240.0, abs=0.1)
    assert by_size_l > 250
    teach(door, "rear", 244.0, "2026-11-21T08:00:00.000+00:00")
    assert await answered(door, "rear") == pytest.approx(244.0, abs=0.1)


async def test_the_wheel_taught_last_comes_first_and_says_what_it_took(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    (own,) = (await door.client.get("/api/wheels")).json()
    assert (own["name"], own["took_l"]) == ("rear", None)
    teach(door, "Miller front", 47.0, "2026-11-20T08:00:00.000+00:00", "11L-15")
    teach(door, "Miller rear", 250.0, "2026-11-21T08:00:00.000+00:00")
    listed = (await door.client.get("/api/wheels")).json()
    assert [each["name"] for each in listed] == ["Miller rear", "Miller front", "rear"]
    assert listed[1] == {"name": "Miller front", "size": "11L-15", "valve_at": 12.0, "took_l": 47.0}
    # A job takes it by its name, and knows its size.
    job = await door.told("/api/jobs", job="J1", wheels=[{"wheel": "Miller front", "position": "front left"}])
    assert job["wheels"][0]["size"] == "11L-15"


async def test_a_taught_wheel_is_ordered_with_its_own_cavity_and_an_unknown_one_is_refused(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    teach(door, "Miller rear", 250.0, "2026-11-21T08:00:00.000+00:00")
    whole = {"id": "order-0001", "kind": "fill", "wheel": {"wheel": "Miller rear"}}
    assert (await door.client.post("/api/order", json=whole)).status_code == 200
    taken = door.facade.take_order()
    assert taken is not None
    assert isinstance(taken.work, Errand)
    taught_l = taken.work.question.taught_l
    assert taught_l is not None
    # The cavity is more than what went up to a valve at the top.
    assert 250.0 < taught_l < 330.0
    reply = await door.client.post("/api/answer", json={"wheel": "Miller raer"})
    assert reply.status_code == 422
    assert "Miller rear" in reply.json()["error"]


async def test_a_wheel_that_was_taught_nonsense_is_told_in_words(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    teach(door, "rear", 1200.0, "2026-11-21T08:00:00.000+00:00")
    reply = await door.client.post("/api/answer", json={"wheel": "rear"})
    assert reply.status_code == 422
    assert "teach the wheel again" in reply.json()["error"]


async def test_looking_at_the_wheels_can_be_shut(tmp_path: Path) -> None:
    assert (await Door(tmp_path, looking=False).client.get("/api/wheels")).status_code == 401


@pytest.mark.release
def test_a_wheel_is_taught_and_filled_by_its_name_from_the_open_page(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path, scale="100") as served:
        page = opened(browser, served.url)
        sign_in(page)
        page.locator(".shop-wheels .tile").first.wait_for()
        journal_with(
            tmp_path / "rig-data", fill_of("f1", size="11L-15", net_l=49.0, cavity_low_l=60.0, cavity_high_l=73.0)
        )
        taught = command(tmp_path, "teach", "Mill rear", "--from", "f1", "--config", "rig.toml")
        assert taught.returncode == 0, taught.stderr
        # Nobody has loaded the page again: the new wheel is there, first of all, with what it took.
        tile = page.locator(".shop-wheels .tile").first
        expect(tile).to_contain_text("Mill rear 11L-15")
        expect(tile).to_contain_text("took 12.9 gal up to 12 o'clock")
        page.locator("#field-size").fill("mill REAR")
        page.locator("#ask").click()
        expect(page.locator(".answer h2")).to_contain_text("Mill rear, 11L-15")
        expect(page.locator("#sentence")).to_contain_text("12.9 gal")
        start_work(page)
        to_the_end(page)
        assert gallons(page) == pytest.approx(served.rig.truth()["delivered_l"] / GAL, abs=0.2)
        shown = command(tmp_path, "ledger", "show", records(tmp_path)[-1]["fill_id"], "--config", "rig.toml", "--json")
        assert json.loads(shown.stdout)["record"]["cavity_basis"] == "taught"
