"""One PostgreSQL server for the tests of a file, and a database of its own for each."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from postgres import Server, server


@pytest.fixture(scope="module")
def postgres() -> Iterator[Server]:
    with server() as running:
        yield running


@pytest.fixture
def url(postgres: Server, request: pytest.FixtureRequest) -> str:
    return postgres.create("t_" + re.sub(r"\W", "_", request.node.name).lower()[-50:])
