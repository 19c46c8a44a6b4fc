"""Emptying and rinsing from the page, over the wire: records as by command, and a rinse stands in the way of a fill."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import httpx
import pytest
from pages import page_served
from test_service import order, records, signed_in, until
from test_web import Door

from rig.run.removal import Removal

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


def test_a_wheel_is_emptied_from_the_page_and_what_came_is_counted(tmp_path: Path) -> None:
    with page_served(tmp_path, scale="30", start_pressure='"18 psi"', extra=VALVE_DOWN) as served:
        with signed_in(served) as client:
            wheel = {"size": "11L-15", "position": "rear left", "holds": "60 L", "through_meter": True}
            record = worked(client, "empty", empty=wheel)
        truth = served.rig.truth()
        assert (record["outcome"], record["kind"], record["to"]) == ("complete", "return", "tote")
        assert record["recovered_l"] == pytest.approx(-truth["delivered_l"], abs=0.5)
        (listed,) = records(tmp_path)
        assert listed["fill_id"] == record["fill_id"]


def test_after_a_rinse_no_fill_until_the_first_liquid_was_diverted(tmp_path: Path) -> None:
    with page_served(tmp_path, scale="60") as served, signed_in(served) as client:
        assert worked(client, "rinse", rinse={"volume": "10 L"})["kind"] == "rinse"
        order(client)
        assert "rinse water" in until(client, "notice")["notice"]
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
