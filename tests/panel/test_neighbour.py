"""Somebody on the same network without a name here: sees the rig's state, no people and jobs; locks nobody out."""

from __future__ import annotations

import asyncio
from pathlib import Path

import httpx
import pytest
from near import Near
from shop import settings
from shop_books import fill_of, journal_with
from stills import moment
from test_web import OWN, Door

from rig.panel import jobs
from rig.panel.hub import Hub
from rig.panel.people import Someone
from rig.panel.sessions import Sessions
from rig.run.facade import Facade, Shown
from rig.run.settings import Settings


def test_the_stream_of_a_stranger_has_neither_people_nor_jobs() -> None:
    filling = moment("filling")
    assert filling.setup is not None
    assert filling.decision is not None
    facade, sessions = Facade(settings()), Sessions()
    sessions.open(Someone("Jo", "technician", ""), 0.0)
    facade.begins(Shown("16.9-28", "rear left", "Mill 104", "beet", "Jo"), filling.question)  # type: ignore[arg-type]
    facade(filling.setup, filling.decision)
    hub = Hub(Near(facade), sessions)
    hub.draw()
    for whole in (True, False):
        assert "Jo" in hub.line(whole=whole, named=True)
        assert "Mill 104" in hub.line(whole=whole, named=True)
        open_to_all = hub.line(whole=whole, named=False)
        assert "Jo" not in open_to_all
        assert "Mill 104" not in open_to_all
        # What the rig does is for everybody.
        assert '"in_tyre_l"' in open_to_all


@pytest.mark.parametrize(
    "path", ["fills", "fills/f1", "jobs", "jobs/J1", "compare", "wheels", "stock", "records", "meter", "provings"]
)
async def test_what_is_read_of_the_shop_needs_a_sign_in(tmp_path: Path, path: str) -> None:
    door = Door(tmp_path)
    journal_with(tmp_path, fill_of("f1"))
    assert (await door.client.get(f"/api/{path}")).status_code == 401
    await door.sign_in()
    assert (await door.client.get(f"/api/{path}")).status_code != 401


async def test_a_neighbour_s_guesses_lock_nobody_out(tmp_path: Path) -> None:
    door = Door(tmp_path)
    transport = httpx.ASGITransport(app=door.page.app(), client=("10.0.0.9", 4711))
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8080", headers=OWN) as neighbour:
        guesses = [await door.sign_in(neighbour, pin="000000") for _ in range(12)]
        assert [each.status_code for each in guesses] == [401] * 5 + [429] * 7
    assert (await door.sign_in()).status_code == 200


async def test_many_who_compare_read_the_book_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    door, read = Door(tmp_path), 0
    journal_with(tmp_path, fill_of("f1"), fill_of("f2", 20, position="rear right"))
    await door.sign_in()
    before = jobs.compare_view

    def counted(settings: Settings) -> jobs.View:
        nonlocal read
        read += 1
        return before(settings)

    monkeypatch.setattr(jobs, "compare_view", counted)
    replies = await asyncio.gather(*(door.client.get("/api/compare") for _ in range(20)))
    assert {each.status_code for each in replies} == {200}
    assert read == 1
    journal_with(tmp_path, fill_of("f3", 40))
    assert (await door.client.get("/api/compare")).status_code == 200
    assert read == 2
