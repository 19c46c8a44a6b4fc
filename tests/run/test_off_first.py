"""Outputs off before anything slow is read: only where a fill was interrupted, and never against another controller."""

from __future__ import annotations

import contextlib
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from rig.cli import main
from rig.ledger.journal import Journal
from rig.ledger.lock import RigLock, tcp_ends
from rig.run.off_first import off_first

ROOT = Path(__file__).parents[2]
CONFIG = """
[rig]
name = "Bay"
[links.io]
kind = "tcp"
port = {port}
timeout = "300 ms"
[points]
pump_run = {{ link = "io", table = "coil", address = 7 }}
vent_valve = {{ link = "io", table = "coil", address = 9 }}
"""


class Listener:
    """A module that takes every write of a coil, and keeps which (Modbus messaging on TCP/IP guide V1.0b, 3.1.3)."""

    def __init__(self) -> None:
        self.offs: list[int] = []
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])

    def serve(self) -> None:
        """One connection after another, until closed."""
        with contextlib.suppress(OSError):
            while True:
                asking, _ = self._server.accept()
                with asking:
                    while len(frame := asking.recv(12)) == 12:
                        assert frame[7] == 5
                        self.offs += [int.from_bytes(frame[8:10], "big")] if frame[10] == 0 else []
                        asking.sendall(frame)

    @contextmanager
    def serving(self) -> Iterator[None]:
        thread = threading.Thread(target=self.serve)
        thread.start()
        try:
            yield
        finally:
            self._server.shutdown(socket.SHUT_RDWR)
            thread.join()
            self._server.close()


@pytest.fixture
def listener() -> Iterator[Listener]:
    made = Listener()
    with made.serving():
        yield made


def shop(folder: Path, port: int, *, interrupted: bool) -> Path:
    """A rig's folder: its configuration, and a journal with a fill that has no record, or with none."""
    config = folder / "rig.toml"
    config.write_text(CONFIG.format(port=port), encoding="utf-8")
    with contextlib.closing(Journal(folder / "rig-data" / "journal.sqlite")) as journal:
        if interrupted:
            journal.open_fill("F1", "2026-11-28T10:00:00+00:00", {"config": str(config)}, "{}", "{}")
    return config


@pytest.mark.parametrize(
    "words", [["resume", "F1"], ["close", "F1", "--supply-cut"], ["fill", "--size", "11L-15"], ["serve"], ["empty"]]
)
def test_every_output_goes_off_where_a_fill_was_interrupted(
    words: list[str], tmp_path: Path, listener: Listener
) -> None:
    config = shop(tmp_path, listener.port, interrupted=True)
    off_first([*words, "--config", str(config)])
    assert listener.offs == [7, 9]


def test_a_fill_is_found_by_its_id_in_the_folder_without_a_configuration(
    tmp_path: Path, listener: Listener, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop(tmp_path, listener.port, interrupted=True)
    monkeypatch.chdir(tmp_path)
    off_first(["resume", "F1"])
    assert listener.offs == [7, 9]


@pytest.mark.parametrize("words", [["target", "11L-15"], ["ledger", "list"], ["check"], ["--help"], []])
def test_what_only_reads_switches_nothing(words: list[str], tmp_path: Path, listener: Listener) -> None:
    config = shop(tmp_path, listener.port, interrupted=True)
    with contextlib.suppress(SystemExit):
        main([*words, *(["--config", str(config)] if words else [])])
    assert listener.offs == []


def test_without_an_interrupted_fill_nothing_is_written(tmp_path: Path, listener: Listener) -> None:
    config = shop(tmp_path, listener.port, interrupted=False)
    off_first(["fill", "--config", str(config)])
    assert listener.offs == []


def test_the_rig_of_another_controller_is_left_alone(tmp_path: Path, listener: Listener) -> None:
    config = shop(tmp_path, listener.port, interrupted=True)
    with RigLock(tmp_path / "elsewhere", tcp_ends("127.0.0.1", listener.port)):
        off_first(["resume", "F1", "--config", str(config)])
    assert listener.offs == []


@pytest.mark.parametrize("text", ["[rig", "", '[rig]\nname = 3\n[links.io]\nkind = "carrier pigeon"\n[points]\n'])
def test_what_cannot_be_read_is_left_to_the_command(text: str, tmp_path: Path) -> None:
    config = shop(tmp_path, 1, interrupted=True)
    config.write_text(text, encoding="utf-8")
    off_first(["resume", "F1", "--config", str(config)])
    off_first(["resume", "F1", "--config", str(tmp_path / "none.toml")])


def test_nothing_slow_is_imported_before() -> None:
    """Unit tables, the book and the page take seconds on a small computer."""
    script = "import sys, rig.cli; print(*sorted(sys.modules))"
    found = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True)
    assert not {"pint", "sqlalchemy", "alembic", "starlette", "rig.run.settings"} & set(found.stdout.split())


def test_looking_for_an_interrupted_fill_writes_nothing(tmp_path: Path, listener: Listener) -> None:
    """SQLite left the index of a log beside the journal, also for `rig prove --history`."""
    config = shop(tmp_path, listener.port, interrupted=False)
    before = {path.name for path in (tmp_path / "rig-data").iterdir()}
    off_first(["prove", "--history", "--config", str(config)])
    assert ({path.name for path in (tmp_path / "rig-data").iterdir()}, listener.offs) == (before, [])
