"""The process that `rig serve` starts beside itself: it sends what is there, and ends with its service."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import threading
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import pytest
from offices import Desk, chain_in, truck
from test_office_service import serving

from rig.cli import main
from rig.cli.serving import speaking_with_the_office
from rig.ledger.chain import Record, SignedHead
from rig.ledger.keeping import book_read
from rig.run.settings import load_settings

DEMO = (Path(__file__).parents[2] / "config" / "demo.toml").read_text(encoding="utf-8")


def configured(folder: Path, address: str) -> Path:
    """A configuration of the demonstration's rig whose records are in the folder of a truck."""
    path = folder / "rig.toml"
    text, found = re.subn("(?m)^data = .*$", f'data = "{folder / "a"}"', DEMO, count=1)
    assert found
    path.write_text(f'{text}\n[office]\naddress = "{address}"\n', encoding="utf-8")
    return path


def command(config: Path, parent: int) -> list[str]:
    words = ("office", "sync", "--config", str(config), "--parent", str(parent))
    return [sys.executable, "-m", "rig.cli", *words]


def test_it_sends_and_ends_with_its_service(office: Desk, tmp_path: Path) -> None:
    folder = truck(tmp_path, "a", 9)
    link = office.enrol(folder)
    with serving(office, tmp_path, datetime.now(UTC)) as address:
        config = configured(tmp_path, address)
        with subprocess.Popen(command(config, os.getpid()), stderr=subprocess.PIPE, text=True) as speaking:
            assert speaking.stderr is not None
            # Nine, and the rig's name.
            assert speaking.stderr.readline() == "10 records sent to the office, 0 came from it\n"
            speaking.terminate()
        assert office.chain(link.truck) == chain_in(folder)
        # Its parent is another process than the one it belongs to, as when that has died.
        done = subprocess.run(command(config, 1), stderr=subprocess.PIPE, text=True, check=False, timeout=60)
        assert (done.returncode, done.stderr) == (0, "")


def test_the_page_s_service_runs_whether_or_not_that_process_does(
    office: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    folder = truck(tmp_path, "a", 9)
    link = office.enrol(folder)
    with serving(office, tmp_path, datetime.now(UTC)) as address:
        config = configured(tmp_path, address)
        settings = load_settings(config)
        heard, take_in = threading.Event(), office.register.take_in

        def hearing(records: Sequence[Record], signed: SignedHead | None = None) -> int:
            new = take_in(records, signed)
            heard.set()
            return new

        monkeypatch.setattr(office.register, "take_in", hearing)
        # It ends when the body has: only then is this left.
        with speaking_with_the_office(settings, config):
            assert heard.wait(120)
        office.sync(folder, link)
        assert office.chain(link.truck) == chain_in(folder)
    monkeypatch.setattr(sys, "executable", str(tmp_path / "no-such-program"))
    ran = []
    with speaking_with_the_office(settings, config):
        ran.append(1)
    assert ran
    assert "nothing travels to the office: no process for it" in capfd.readouterr().err


def test_without_a_network_it_says_so_once_and_leaves_the_book(
    office: Desk, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = truck(tmp_path, "a", 3)
    office.enrol(folder)
    config = configured(tmp_path, "https://127.0.0.1:9")
    done = subprocess.run(command(config, 1), stderr=subprocess.PIPE, text=True, check=False, timeout=60)
    assert done.stderr.startswith("nothing travels to the office: ")
    assert done.stderr.count("\n") == 1
    assert main(["office", "send", "--config", str(config)]) == 3
    assert "the office is not reached" in capsys.readouterr().err
    with book_read(folder) as book:
        assert len(list(book.every())) == 3


@pytest.mark.parametrize(
    "address", ["http://office", "office", "https://", "https://x/y", "https://x:0x", "https://[::1"]
)
def test_an_address_that_is_none_is_refused_by_its_key(
    tmp_path: Path, address: str, capsys: pytest.CaptureFixture[str]
) -> None:
    config = configured(tmp_path, address)
    assert main(["check", "--config", str(config)]) == 2
    assert "office.address: " in capsys.readouterr().err
