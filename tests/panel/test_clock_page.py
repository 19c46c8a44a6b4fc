"""A signed-in person's device offers its time where the rig's clock is not sure; nothing is taken silently."""

from __future__ import annotations

from pathlib import Path

import pytest
from clocks import Courses
from test_web import OWN, PIN, Door

from rig.run.clock_memory import look
from rig.run.time_guard import iso, seconds

YEAR_S = 365 * 86400.0


async def signed_in(door: Door, at_s: float) -> dict[str, object] | None:
    """What is offered at the door to a device that shows ``at_s``."""
    body = {"name": "Jo", "pin": PIN, "at": iso(at_s)}
    reply = await door.client.post("/api/sign-in", json=body, headers=OWN)
    assert reply.status_code == 200
    door.client.headers.update({**OWN, "X-CSRF": reply.json()["csrf"]})
    found: dict[str, object] | None = reply.json()["clock"]
    return found


async def test_a_device_s_time_is_offered_and_taken_by_a_touch(tmp_path: Path) -> None:
    with Courses() as clock:
        clock.start(-2 * YEAR_S)
        door = Door(tmp_path)
        offered = await signed_in(door, clock.true_s)
        assert offered is not None
        assert "earlier than the program" in str(offered["why"])
        assert look(tmp_path)[0].trust == "not believed"
        found = await door.told("/api/clock", id="clock-0001", at=iso(clock.true_s))
        assert found == {"clock": "confirmed"}
        assert look(tmp_path)[0].at_s == pytest.approx(clock.true_s, abs=20)
        with door.book() as book:
            [kept] = book.valid("clock")
        assert kept.document["by"] == "Jo"
        assert kept.document["clock"] == "confirmed"
        assert seconds(str(kept.document["clock_showed"])) == pytest.approx(clock.true_s - 2 * YEAR_S, abs=20)
        assert await signed_in(door, clock.true_s + 900) is None, "what a person has confirmed is not asked again"


async def test_a_plausible_clock_is_asked_about_only_where_the_device_differs(tmp_path: Path) -> None:
    with Courses() as clock:
        door = Door(tmp_path)
        assert await signed_in(door, clock.true_s) is None
        assert await signed_in(door, clock.true_s + 3600) is not None
        assert (await door.told("/api/clock", id="clock-0001"))["clock"] == "plausible"
        for wrong in ("2020-01-01T08:00:00Z", "tomorrow", "2026-11-28"):
            reply = await door.client.post("/api/clock", json={"id": "clock-0002", "at": wrong})
            assert reply.status_code == 422, wrong
        assert look(tmp_path)[0].trust == "plausible"


async def test_only_a_signed_in_person_sets_it(tmp_path: Path) -> None:
    door = Door(tmp_path)
    reply = await door.client.post("/api/clock", json={"id": "clock-0001", "at": iso(2e9)}, headers=OWN)
    assert reply.status_code == 401
    # An older page sends no time: nothing is offered.
    assert (await door.sign_in()).json()["clock"] is None
