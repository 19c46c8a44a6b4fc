"""An office in a file for each test, and a PostgreSQL for those that ask."""

from __future__ import annotations

import itertools
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "ledger"))

from offices import Desk, desk
from postgres import Server, server

_NUMBERS = itertools.count(1)


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Desk]:
    with desk(f"sqlite:///{tmp_path / 'office.sqlite'}", tmp_path) as made:
        yield made


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    with server() as running:
        yield running


@pytest.fixture
def url(postgres: Server) -> str:
    return postgres.create(f"office_{next(_NUMBERS)}")
