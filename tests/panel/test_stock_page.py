"""The totes on the page: told as on the command line, shown by the book, another liquid only with an explicit word."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import pytest
from shop_books import fill_of, journal_with
from test_web import Door

from rig.ledger.keeping import book_of
from rig.record.notes import Dip

GAL = 3.785411784
IDS = itertools.count(1)


async def told(door: Door, **what: object) -> dict[str, Any]:
    """What a person tells of a tote, with an id of its own."""
    return await door.told("/api/stock", **{"id": f"touch-{next(IDS):04}", **what})


async def test_what_is_loaded_leaves_with_the_fills_and_is_ordered_again(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    loaded = await told(door, action="load", volume="240 gal", fluid="beet", lot="B-31", reorder="180 gal")
    assert loaded["left_l"] == pytest.approx(240 * GAL, abs=0.1)
    assert (loaded["lot"], loaded["reorder"]) == ("B-31", False)
    ended = "2099-01-01T00:00:00.000+00:00"
    journal_with(tmp_path, fill_of("f1", net_l=261.0, ended_at=ended))
    left = (await door.client.get("/api/stock")).json()
    assert left["left_l"] == pytest.approx(240 * GAL - 261.0, abs=0.1)
    assert left["reorder"] is True


async def test_a_touch_that_is_sent_twice_loads_once(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    for _ in range(2):
        loaded = await told(door, id="touch-twice", action="load", volume="200 L", fluid="water")
    assert loaded["left_l"] == 200.0
    assert (await told(door, action="load", volume="200 L", fluid="water"))["left_l"] == 400.0


async def test_a_dip_stands_above_what_was_added_up(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    await told(door, action="load", volume="900 L", fluid="water")
    assert (await told(door, action="dip", volume="850 L", within="0.5 gal"))["left_l"] == 850.0
    with book_of(tmp_path) as book:
        [dip] = book.valid("dip")
    assert Dip.of(dip).tote_u_l == pytest.approx(0.5 * GAL, abs=0.001)


@pytest.mark.parametrize(
    ("what", "word"),
    [
        ({"action": "load"}, "how much"),
        ({"action": "dip", "volume": "900"}, "900"),
        ({"action": "load", "volume": "-3 L"}, "not negative"),
        ({"action": "connect", "tote": "B"}, "no tote"),
    ],
)
async def test_what_cannot_be_so_is_refused(tmp_path: Path, what: dict[str, object], word: str) -> None:
    door = Door(tmp_path)
    own = {"X-Rig": "page"}
    assert (await door.client.post("/api/stock", json={"id": "touch-0001", **what}, headers=own)).status_code == 401
    await door.sign_in()
    reply = await door.client.post("/api/stock", json={"id": "touch-0001", **what})
    assert reply.status_code == 422
    assert word in reply.json()["error"]


async def test_another_liquid_in_the_tote_wants_an_explicit_word(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    await told(door, action="load", volume="900 L", fluid="water")
    form = {"size": "16.9-28", "fluid": "beet"}
    asked = (await door.client.post("/api/answer", json=form)).json()
    assert asked["refusal"]["values"]["fluid"] == "water"
    knows = (await door.client.post("/api/answer", json={**form, "other_fluid": True})).json()
    assert knows["refusal"] == ""
    # Without a word for a liquid it is what the book says stands in the tote.
    assert (await door.client.post("/api/answer", json={"size": "16.9-28"})).json()["fluid"] == "water"
