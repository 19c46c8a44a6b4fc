"""When a truck speaks with its office: often enough for a minute, seldom enough without a network, not all at once."""

from __future__ import annotations

import itertools
import random

import pytest

from rig.office.carrying import Moved
from rig.office.keys import OfficeError
from rig.office.pace import keep_exchanging, wait_s


@pytest.mark.parametrize("drawn", [0.0, 0.5, 1.0])
def test_up_and_down_within_a_minute(drawn: float) -> None:
    """A truck's next exchange brings it up, the other truck's next one down, whichever waits are drawn."""
    assert 2 * wait_s(0, drawn) < 60
    # A network that comes back after any time is used within a minute.
    assert max(wait_s(failures, drawn) for failures in range(1, 3000)) < 60


def test_waits_rise_while_nobody_answers() -> None:
    waits = [wait_s(failures, 0.5) for failures in range(1, 9)]
    assert waits == sorted(waits)
    assert waits[0] < wait_s(0, 0.5) < waits[-1]


def test_two_hundred_trucks_do_not_come_back_at_once() -> None:
    chance = random.Random(3)
    waits = sorted(wait_s(20, chance.random()) for _ in range(200))
    assert max(sum(low <= each < low + 1 for each in waits) for low in waits) < 30


def test_what_changes_is_said_once() -> None:
    found = iter([Moved(3, 0), OSError("no route"), OSError("no route"), OfficeError("revoked"), Moved(), Moved(0, 2)])
    waits, said = [], []

    def exchange() -> Moved:
        each = next(found)
        if isinstance(each, Exception):
            raise each
        return each

    counted = itertools.count(1)

    def ended(wait: float) -> bool:
        waits.append(wait)
        return next(counted) == 6

    keep_exchanging(exchange, ended, lambda: 0.5, said.append)
    assert waits == [wait_s(failures, 0.5) for failures in (0, 1, 2, 3, 0, 0)]
    assert [each.split(":")[0] for each in said] == [
        "3 records sent to the office, 0 came from it",
        "nothing travels to the office",
        "nothing travels to the office",
        "the office is reached again",
        "0 records sent to the office, 2 came from it",
    ]
