"""The page in its own process: killed, frozen and flooded it changes nothing for a fill, and STOP goes through."""

from __future__ import annotations

import contextlib
import gzip
import json
import os
import random
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from crowd import CLIENTS
from near import Near
from pages import OTHER_PIN, PIN, Served, page_process, page_served
from processes import PATIENCE_S, command, ends_within, serving
from shop import settings
from shop_books import fill_now, journal_with
from streams import merged
from test_service import asked_for
from test_web import PIN as DOOR_PIN
from test_web import Door

from rig.meter.references import Scale
from rig.panel import process
from rig.panel.listening import PageError, listening
from rig.panel.people import People
from rig.panel.process import FROZEN_S
from rig.panel.web import Page
from rig.run.facade import Facade
from rig.run.prover import Counted, Seen

SIZE = "16.9-28"
WINDOW = 40
"""Pictures: eight seconds."""


def page_pid(served: Served) -> int:
    """The page's process: the child of `rig serve` that runs its module."""
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s and served.process.poll() is None:
        for task in Path(f"/proc/{served.process.pid}/task").iterdir():
            for child in (task / "children").read_text().split():
                with contextlib.suppress(OSError):
                    if b"rig.panel.child" in Path(f"/proc/{child}/cmdline").read_bytes():
                        return int(child)
        ends_within(served.process, 0.02)
    raise AssertionError("no process of the page")


def another_page(served: Served, before: int) -> int:
    while (found := page_pid(served)) == before:
        assert not ends_within(served.process, 0.02)
    return found


def gone(pid: int) -> bool:
    """Whether a process that need not be a child of this one ends."""
    try:
        handle = os.pidfd_open(pid)
    except ProcessLookupError:
        return True
    try:
        return bool(select.select([handle], [], [], PATIENCE_S)[0])
    finally:
        os.close(handle)


def sign_in(client: httpx.Client, name: str = "Jo", pin: str = PIN) -> None:
    reply = client.post("/api/sign-in", json={"name": name, "pin": pin})
    assert reply.status_code == 200, reply.text
    client.headers["X-CSRF"] = reply.json()["csrf"]


@contextmanager
def driven(served: Served) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=served.url, timeout=PATIENCE_S, headers={"X-Rig": "test"}) as client:
        sign_in(client)
        yield client


def begin(client: httpx.Client, size: str = SIZE) -> None:
    wheel = {"size": size}
    names = [each["name"] for each in client.post("/api/answer", json=wheel).json()["checks"]]
    order = {"id": "order-0001", "kind": "fill", "wheel": wheel, "confirmed": names}
    assert client.post("/api/order", json=order).status_code == 200


def pictures(client: httpx.Client) -> Iterator[dict[str, Any]]:
    with client.stream("GET", "/api/stream") as stream:
        picture: dict[str, Any] = {}
        for line in stream.iter_lines():
            if line:
                picture = merged(picture, line)
                yield picture


def running(client: httpx.Client) -> dict[str, Any]:
    """The first picture of a fill that pumps; whoever is held because the computer was busy goes on."""
    for number, picture in enumerate(pictures(client)):
        fill = picture["fill"]
        if fill and fill["state"] == "running":
            return picture
        if fill and fill["state"] == "held":
            client.post("/api/act/resume", json={"id": f"resume-{number:04}", "name": ""})
    raise AssertionError("the page went away")


def finished(client: httpx.Client) -> dict[str, Any]:
    """Answer what is asked until the work has ended; its record."""
    touched: tuple[str, ...] | None = None
    for number, picture in enumerate(pictures(client)):
        if picture["record"]:
            record: dict[str, Any] = picture["record"]
            return record
        wanted = asked_for(picture["fill"]) if picture["fill"] else None
        if wanted and wanted != touched:
            client.post(f"/api/act/{wanted[0]}", json={"id": f"touch-{number:05}", "name": wanted[1]})
        touched = wanted
    raise AssertionError("the page went away")


def requests_of(folder: Path, fill_id: str) -> list[str]:
    """Kinds of the requests that a fill heard, by its recording, which is replayed to the bit on the way."""
    told = json.loads(command(folder, "replay", fill_id, "--config", "rig.toml", "--json").stdout)
    assert told["identical"], told
    lines = (line for part in sorted(folder.glob(f"rig-data/black-box/*{fill_id}*")) for line in _lines(part))
    return [kind for line in lines for _, kind, *_ in json.loads(line).get("q", ())]


def _lines(part: Path) -> list[str]:
    with gzip.open(part, "rt", encoding="utf-8") as text:
        return text.read().splitlines()[1:]


@pytest.mark.full
def test_killed_at_random_the_page_changes_nothing_for_the_fill(tmp_path: Path) -> None:
    chance = random.Random(4)
    with page_served(tmp_path, size=f'"{SIZE}"', scale="20") as served:
        with driven(served) as client:
            begin(client)
            running(client)
        page, kills = page_pid(served), 0
        while kills < 4:
            os.kill(page, signal.SIGKILL)
            kills += 1
            page = another_page(served, page)
            assert not ends_within(served.process, chance.uniform(0.0, 3.0))
        with driven(served) as client:
            record = finished(client)
            # Nobody came in by the sign-in of before, and whoever has the controls now was let in anew.
            assert client.get("/api/me").json()["name"] == "Jo"
        assert record["outcome"] == "complete"
        assert abs(record["net_l"] - served.rig.truth()["delivered_l"]) < 0.5
        heard = requests_of(tmp_path, record["fill_id"])
        print(f"\n{kills} pages killed; the fill heard: {heard}")
        assert set(heard) <= {"confirm", "start", "answer", "resume"}
        assert served.end() == 0


@pytest.mark.release
def test_frozen_for_ten_seconds_the_page_changes_nothing_for_the_fill(tmp_path: Path) -> None:
    with page_served(tmp_path, size=f'"{SIZE}"', scale="5") as served, driven(served) as client:
        begin(client)
        before = running(client)
        page = page_pid(served)
        os.kill(page, signal.SIGSTOP)
        pumped_l = served.rig.truth()["delivered_l"]
        assert FROZEN_S > 10.0
        assert not ends_within(served.process, 10.0)
        assert served.rig.truth()["delivered_l"] > pumped_l + 1.0
        os.kill(page, signal.SIGCONT)
        after = next(each for each in pictures(client) if each["fill"]["t_s"] > before["fill"]["t_s"] + 10.0)
        print(f"\nlongest gap between two scans while the page was frozen: {1000 * after['gap_s']:.0f} ms")
        assert after["fill"]["alarm"] is None
        assert after["fill"]["state"] == "running"
        assert page_pid(served) == page
        # Who was signed in still is.
        assert client.post("/api/act/hold", json={"id": "touch-0001", "name": ""}).status_code == 200


def test_where_the_page_dies_another_one_serves_at_the_same_place(tmp_path: Path) -> None:
    """A touch that was taken is not taken twice: its id is in the book, and the sign-in has gone with the page."""
    journal_with(tmp_path / "rig-data", fill_now("f1"))
    with page_served(tmp_path) as served, driven(served) as client:
        before = page_pid(served)
        found = {"id": "after-0001", "pressure": "18 psi", "leak": "none", "cap": True}
        assert client.post("/api/fills/f1/after", json=found).status_code == 200
        written = client.get("/api/records").json()["records"]
        os.kill(before, signal.SIGKILL)
        # The address stays open: a touch that is sent again with the sign-in of before waits for the next page.
        client.close()
        with httpx.Client(base_url=served.url, timeout=PATIENCE_S, headers=client.headers) as again:
            again.cookies = client.cookies
            assert again.post("/api/fills/f1/after", json=found).status_code == 401
            assert another_page(served, before) != before
            sign_in(again)
            assert again.post("/api/fills/f1/after", json=found).status_code == 200
            assert again.get("/api/records").json()["records"] == written
        assert served.end() == 0


@pytest.mark.full
def test_the_page_ends_with_a_controller_that_was_killed(tmp_path: Path) -> None:
    with serving(tmp_path) as rig, page_process(rig) as served:
        page = page_pid(served)
        served.process.kill()
        assert gone(page)
        # Its address is free again, and its socket is cleared away by whoever comes next.
        assert len([*tmp_path.glob("rig-data/*.socket")]) == 1
        with page_process(rig, "--port", served.url.rsplit(":", 1)[1].strip("/")) as again:
            assert httpx.get(again.url).status_code == 200
            assert len([*tmp_path.glob("rig-data/*.socket")]) == 1
            assert again.end() == 0
        assert not [*tmp_path.glob("rig-data/*.socket")]


@pytest.mark.full
def test_a_stop_signal_to_the_page_alone_is_not_for_it(tmp_path: Path) -> None:
    """A service manager sends it to every process; the page ends last, after the record of a fill."""
    with serving(tmp_path) as rig, page_process(rig) as served:
        page = page_pid(served)
        for number in (signal.SIGTERM, signal.SIGINT):
            os.kill(page, number)
        assert httpx.get(served.url).status_code == 200
        assert page_pid(served) == page
        assert served.end() == 0
        assert gone(page)


@pytest.mark.full
def test_a_frozen_controller_shows_and_a_stop_to_it_is_not_known_to_have_arrived(tmp_path: Path) -> None:
    with page_served(tmp_path, scale="5") as served, driven(served) as client:
        begin(client, "11L-15")
        running(client)
        served.process.send_signal(signal.SIGSTOP)
        stale = next(each for each in pictures(client) if each["age_s"] > 1.5)
        assert stale["fill"]["state"] == "running"
        assert client.get("/api/stop").json() == {"ran": True, "off": None, "seen": None}
        began_s = time.monotonic()
        reply = client.post("/api/stop", json={"id": "stop-00001"})
        print(f"\na frozen controller: answer to STOP after {time.monotonic() - began_s:.2f} s")
        assert reply.status_code == 503
        assert "not known" in reply.json()["error"]
        served.process.send_signal(signal.SIGCONT)
        # What was said is heard as soon as it can be.
        while not (now := client.get("/api/stop").json())["off"]:
            assert now["ran"]
        assert served.rig.off()


async def test_a_page_that_was_started_in_the_middle_of_a_proving_reads_the_vessel(tmp_path: Path) -> None:
    door = Door(tmp_path)
    door.facade.bench.begins(3, Scale(0.05, 1e-3), "2 kg")
    door.facade.bench.asks_reading(1, Counted(25_000, 15.0))
    await door.sign_in(name="Sam", pin=DOOR_PIN[::-1])
    await door.told("/api/reading", id="touch-0001", text="22.01 kg")
    assert door.facade.bench.seen == Seen(pytest.approx(20.01))
    assert (await door.client.post("/api/verdict", json={"id": "touch-0002", "give": True})).status_code == 409


# --- kept running ----------------------------------------------------------------------------------------------------

BEGINS = "import os, sys, signal; print(os.getpid(), file=open(sys.argv[1], 'a'), flush=True); os.write(1, b's')"
LIVES = {
    "dies": f"{BEGINS}; os.kill(os.getpid(), signal.SIGKILL)",
    "freezes": f"{BEGINS}; os.kill(os.getpid(), signal.SIGSTOP)",
    "fails": f"{BEGINS}; sys.exit(3)",
}


@pytest.mark.parametrize("life", LIVES)
def test_what_dies_or_freezes_is_started_again_until_the_end_is_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], life: str
) -> None:
    began = tmp_path / "began"
    monkeypatch.setattr(process, "_COMMAND", (sys.executable, "-c", LIVES[life], str(began)))
    monkeypatch.setattr(process, "FROZEN_S", 0.05)
    monkeypatch.setattr(process, "_FIRST_PAUSE_S", 0.001)
    monkeypatch.setattr(process, "_LONGEST_PAUSE_S", 0.002)
    with contextlib.closing(listening("127.0.0.1", 0)) as bound:
        kept = process.PageProcess(b"start", bound)
        kept.start()
        while len(pids := began.read_text().split()) < 3:
            assert kept._thread.is_alive()
        kept.end()
    assert not kept._thread.is_alive()
    assert all(gone(int(pid)) for pid in began.read_text().split())
    assert len(set(pids)) == 3
    how = "status 3" if life == "fails" else "signal 9"
    assert f"has ended ({how}); it is started again" in capfd.readouterr().err


def test_what_does_not_begin_to_serve_is_no_page(monkeypatch: pytest.MonkeyPatch) -> None:
    with contextlib.closing(listening("127.0.0.1", 0)) as bound:
        for words in ((sys.executable, "-c", "raise SystemExit(1)"), ("/nowhere",)):
            monkeypatch.setattr(process, "_COMMAND", words)
            kept = process.PageProcess(b"start", bound)
            with pytest.raises(PageError, match="did not start"):
                kept.start()
            assert not kept._thread.is_alive()


# --- a crowd ---------------------------------------------------------------------------------------------------------


def routes_of(folder: Path, fill_id: str) -> list[list[str]]:
    """Method and address of every route of the page; but for STOP, and for the stream, which does not end."""
    page = Page(Near(Facade(settings(rig__data=str(folder)))), People(folder), "rig.toml", "")
    given = {"fill_id": fill_id, "job": "J1", "serial": "1", "operation": "hold", "name": "app.js"}
    found = []
    for route in page.app()._app.routes:  # type: ignore[attr-defined]
        path = re.sub(r"\{(\w+)[^}]*\}", lambda match: given.get(match[1], "nothing"), route.path)
        found += [[method, path] for method in route.methods - {"HEAD"}]
    return [each for each in found if each not in (["POST", "/api/stop"], ["GET", "/api/stream"])]


@contextmanager
def crowd(served: Served, routes: list[list[str]]) -> Iterator[dict[str, int]]:
    """The fifty; yields what is known afterwards: how many answers of each status they had."""
    had: dict[str, int] = {}
    words = [sys.executable, str(Path(__file__).parent / "crowd.py"), served.url, "Sam", OTHER_PIN, json.dumps(routes)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as program:
        assert program.stdout is not None
        assert program.stdin is not None
        assert program.stdout.readline() == "here\n"
        yield had
        program.stdin.close()
        had.update(json.loads(program.stdout.readline()))


def gaps(client: httpx.Client) -> list[float]:
    """The longest gap between two scans before each picture of a running fill, sorted."""
    found: list[float] = []
    for picture in pictures(client):
        fill = picture["fill"]
        assert fill["alarm"] is None, fill["alarm"]
        if fill["state"] == "running" and picture["gap_s"]:
            found.append(picture["gap_s"])
        if len(found) == WINDOW:
            break
    return sorted(found)


@pytest.mark.release
def test_fifty_who_ask_for_everything_do_not_make_the_loop_late(tmp_path: Path) -> None:
    journal_with(tmp_path / "rig-data", *(fill_now(f"f{number}", job=f"J{number % 40}") for number in range(400)))
    with page_served(tmp_path, size=f'"{SIZE}"', scale="2") as served, driven(served) as client:
        begin(client)
        fill_id = running(client)["fill"]["id"]
        routes = routes_of(tmp_path / "other", fill_id)
        alone = gaps(client)
        with crowd(served, routes) as had:
            crowded = gaps(client)
            began_s = time.monotonic()
            assert client.post("/api/stop", json={"id": "stop-00001"}).status_code == 200
            answered_s = time.monotonic() - began_s
            while not client.get("/api/stop").json()["off"]:
                assert time.monotonic() - began_s < PATIENCE_S
            off_s = time.monotonic() - began_s
        middle = WINDOW // 2
        print(
            f"\nlongest gap between scans, ms, over {WINDOW} pictures: alone median {1000 * alone[middle]:.0f}, worst "
            f"{1000 * alone[-1]:.0f}; with {CLIENTS} clients on {len(routes)} routes median "
            f"{1000 * crowded[middle]:.0f}, worst {1000 * crowded[-1]:.0f}; STOP answered after {answered_s:.2f} s, "
            f"off known after {off_s:.2f} s; answers by status {had}"
        )
        assert sum(had.values()) > CLIENTS
        # The guard holds a fill at 0.7 s, which ``gaps`` would have seen; single gaps are the computer's own business.
        assert crowded[middle] < max(0.1, 2 * alone[middle])
