"""What `rig serve` tells the service manager, heard at a socket as sd_notify(3) describes it."""

from __future__ import annotations

import json
import secrets
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
from pages import next_wheel, page_process
from processes import PATIENCE_S, ROOT, command, ends_within, serving, started, wait_for_phase

from rig.run.notify import notify

STUCK = """
import asyncio
from pathlib import Path
from rig.field.field import Field
scan = Field.scan

async def stuck(self, *idle):
    if Path("freeze").exists():
        Path("frozen").touch()
        await asyncio.Event().wait()
    return await scan(self, *idle)

Field.scan = stuck
"""
"""A planted defect: from the moment that a file exists a scan never ends. The page goes on in its own thread."""


class Manager:
    """The service manager's end of the socket."""

    def __init__(self, heard: socket.socket) -> None:
        self._heard = heard
        self._heard.settimeout(PATIENCE_S)

    def next(self) -> str:
        return self._heard.recv(4096).decode()

    def until(self, told: str) -> list[str]:
        """Everything up to ``told``."""
        heard = [self.next()]
        while heard[-1] != told:
            heard.append(self.next())
        return heard

    def silent_for(self, seconds: float) -> bool:
        """Whether nothing more comes, once what is under way has come."""
        self._heard.setblocking(False)
        try:
            while True:
                self._heard.recv(4096)
        except BlockingIOError:
            self._heard.settimeout(seconds)
        try:
            self._heard.recv(4096)
        except TimeoutError:
            return True
        return False


@contextmanager
def managing() -> Iterator[tuple[Manager, dict[str, str]]]:
    name = f"ballast-rig-test-{secrets.token_hex(6)}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(f"\0{name}")
        yield Manager(heard), {"NOTIFY_SOCKET": f"@{name}"}


def test_a_socket_in_the_file_system_is_told_too_and_none_is_no_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    notify("READY=1")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind("manager")
        monkeypatch.setenv("NOTIFY_SOCKET", "manager")
        notify("READY=1", "STATUS=well")
        assert heard.recv(4096) == b"READY=1\nSTATUS=well"
    # The manager has gone.
    notify("READY=1")


@pytest.mark.full
def test_ready_after_a_scan_with_outputs_off_then_a_feed_for_each_scan_then_stopping(tmp_path: Path) -> None:
    with managing() as (manager, environment), serving(tmp_path) as rig, page_process(rig, **environment) as served:
        assert manager.until("READY=1") == ["WATCHDOG=1", "READY=1"]
        assert not rig.truth()["pump_on"]
        assert [manager.next() for _ in range(3)] == ["WATCHDOG=1"] * 3
        assert served.end() == 0
        assert "READY=1" not in manager.until("STOPPING=1")


@pytest.mark.full
def test_ready_waits_for_modules_that_do_not_answer(tmp_path: Path) -> None:
    """The page is there all the while, and the watchdog is fed: a start anew would mend no cable."""
    with managing() as (manager, environment), serving(tmp_path) as rig:
        rig.stop()
        with page_process(rig, **environment) as served:
            assert {manager.next() for _ in range(4)} == {"WATCHDOG=1"}
            assert httpx.get(served.url).status_code == 200
            with next_wheel(rig):
                assert set(manager.until("READY=1")) == {"WATCHDOG=1", "READY=1"}


@pytest.mark.full
def test_a_scan_that_never_ends_stops_the_feed_though_the_page_lives(tmp_path: Path) -> None:
    (tmp_path / "sitecustomize.py").write_text(STUCK)
    with managing() as (manager, environment), serving(tmp_path) as rig:
        environment["PYTHONPATH"] = f"{tmp_path}:{ROOT}"
        with page_process(rig, **environment) as served:
            manager.until("READY=1")
            manager.until("WATCHDOG=1")
            (tmp_path / "freeze").touch()
            while not (tmp_path / "frozen").exists():
                assert not ends_within(served.process, 0.05)
            # Between fills a scan ends twice a second.
            assert manager.silent_for(3.0)
            assert httpx.get(served.url).status_code == 200


@pytest.mark.release
def test_after_a_kill_in_mid_fill_the_start_anew_switches_off_and_only_offers_to_go_on(tmp_path: Path) -> None:
    with managing() as (manager, environment), serving(tmp_path, scale="20") as rig:
        with started(tmp_path, "fill", "--config", "rig.toml", "--size", "11L-15", "--unattended") as fill:
            wait_for_phase(tmp_path, fill, "fill")
        with page_process(rig, **environment):
            manager.until("READY=1")
            assert rig.off()
            delivered_l = rig.truth()["delivered_l"]
            for _ in range(10):
                manager.until("WATCHDOG=1")
            assert not rig.truth()["pump_on"]
            assert rig.truth()["delivered_l"] == pytest.approx(delivered_l, abs=0.5)
        refused = command(tmp_path, "fill", "--config", "rig.toml", "--size", "11L-15", "--json")
        assert refused.returncode == 3
        assert "rig resume" in refused.stderr
        (listed,) = json.loads(command(tmp_path, "ledger", "list", "--config", "rig.toml", "--json").stdout)
        assert listed["outcome"] == "unfinished"
