"""The page's requests about its office, and the wheel that a fill has measured: offered, then gone by."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from shop_books import posted_of
from test_web import PIN, Door

from rig.books.notes import keep_job
from rig.office.link import copy_of_office
from rig.record.notes import Shared
from rig.shop.posting import place_of
from rig.shop.sites import new_site

AT = "2026-11-20T08:00:00.000+00:00"
NAME = "Hill Farm: Loader, rear left"
FORM = {"size": "16.9-28", "position": "rear left", "job": "J1"}


def measured_elsewhere(door: Door, folder: Path) -> None:
    """As the office hands it out: another truck's fill of this wheel."""
    said: dict[str, object] = {
        "wheel": "Loader, rear left", "size": "16.9-28", "cavity_l": 340.0, "cavity_u_l": 9.0, "valve_at": 12.0,
        "fill_id": "f1", "number": "7", "device": "Alpha", "at": AT,
        "simulated": door.facade.settings.rig.simulated,
    }  # fmt: skip
    with copy_of_office(folder) as copy:
        copy.append("shared cavity", place_of(NAME), AT, Shared(name=NAME, said=said))


async def answer(door: Door, **form: str) -> dict[str, Any]:
    return await door.told("/api/answer", **form)


async def test_a_measured_wheel_is_offered_and_gone_by_when_it_is_asked_for(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    with door.book() as book:
        keep_job(book, "J1", {"customer": "Hill Farm", "machine": "Loader"})
        book.append("fill", "x", AT, posted_of("x", job="J0"))
    assert (await answer(door, **FORM))["measured"] == ""
    measured_elsewhere(door, tmp_path)
    found = await answer(door, **FORM)
    assert (found["measured"], found["cavity_basis"]) == (NAME, "table")
    assert any((each["source"].get("values") or {}).get("device") == "Alpha" for each in found["cautions"])
    gone_by = await answer(door, **FORM | {"wheel": NAME, "size": ""})
    assert (gone_by["cavity_basis"], gone_by["cavity_l"], gone_by["measured"]) == ("measured", 340.0, "")
    assert (await answer(door, **FORM | {"size": "18.4-38"}))["measured"] == ""


async def test_the_office_and_the_sites_are_for_whoever_is_signed_in(tmp_path: Path) -> None:
    door = Door(tmp_path)
    for path in ("/api/office", "/api/sites"):
        assert (await door.client.get(path)).status_code == 401
    await door.sign_in(pin=PIN)
    assert (await door.client.get("/api/office")).json() == {"joined": False}
    with door.book() as book:
        keep_job(book, "J1", {"customer": "Hill Farm"})
        new_site(book, "1", {"name": "North yard"}, AT)
    assert (await door.client.get("/api/sites")).json() == [
        {"number": "1", "name": "North yard", "customer": "Hill Farm"}
    ]
    kept = await door.told(
        "/api/jobs", job="J1", customer="1", site="1", wheels=[{"size": "16.9-28", "position": "rear left"}]
    )
    assert (kept["site"], kept["site_number"], kept["day"]) == ("North yard", "1", None)
