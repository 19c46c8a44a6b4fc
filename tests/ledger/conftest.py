"""One PostgreSQL server for all tests of a process, and a database of its own for each."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import pytest
from office_shop import Shop, chain, owned
from postgres import Server, server

from rig.office.logins import Office

_NUMBERS = itertools.count(1)


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    with server() as running:
        yield running


@pytest.fixture
def url(postgres: Server) -> str:
    return postgres.create(f"test_{next(_NUMBERS)}")


@pytest.fixture(scope="module")
def shop(postgres: Server) -> Iterator[Shop]:
    """One for all tests of a file: each leaves it sound, and begins from its heads."""
    number = next(_NUMBERS)
    url = owned(postgres, f"office_{number}")
    mine, other = f"truck-{number}a", f"truck-{number}b"
    with Office(url) as office:
        logins = [office.enroll(truck) for truck in (mine, other)]
        for truck in (mine, other):
            office.take_in(chain(truck, 10))
        yield Shop(url, mine, other, *logins)
