"""An office in a file for each test, and a PostgreSQL for those that ask."""

from __future__ import annotations

import itertools
import json
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "ledger"))

from networks import Network
from offices import CONFIG, Desk, Run, desk
from postgres import Server, server
from test_office_service import serving
from test_way_down import Truck

from rig.cli import main

_NUMBERS = itertools.count(1)


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Desk]:
    with desk(f"sqlite:///{tmp_path / 'office.sqlite'}", tmp_path) as made:
        yield made


@pytest.fixture
def network(tmp_path: Path) -> Iterator[Network]:
    folder = tmp_path / "office"
    with (
        desk(f"sqlite:///{folder / 'o.sqlite'}", folder) as made,
        serving(made, folder, datetime(2019, 1, 1, tzinfo=UTC)) as address,
    ):
        yield Network(made.register, made.key, made.challenges, address)


@pytest.fixture
def two(network: Network, tmp_path: Path) -> tuple[Truck, Truck]:
    a, b = (Truck.of(network, tmp_path, name) for name in "ab")
    return a, b


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    with server() as running:
        yield running


@pytest.fixture
def url(postgres: Server) -> str:
    return postgres.create(f"office_{next(_NUMBERS)}")


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """A command at a place: the office, or one of three trucks; paths count from the stick."""
    monkeypatch.delenv("RIG_OFFICE_URL", raising=False)
    demo = (CONFIG / "demo.toml").read_text(encoding="utf-8")
    for place in ("truck1", "truck2", "truck3", "office", "stick"):
        (tmp_path / place).mkdir()
        text = demo.replace('name = "Demo rig (simulated)"', f'name = "{place}"')
        (tmp_path / place / "rig.toml").write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path / "stick")

    def run_one(place: str, *words: str, status: int = 0) -> dict[str, object]:
        where = ["--config", str(tmp_path / place / "rig.toml")]
        where += ["--url", f"sqlite:///{tmp_path / 'office' / 'o.sqlite'}"] if place == "office" else []
        assert main([*words, *where, "--json"]) == status, capsys.readouterr().err
        out = capsys.readouterr().out
        found = json.loads(out) if out else {}
        return found if isinstance(found, dict) else {"list": found}

    return run_one
