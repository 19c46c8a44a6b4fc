"""Which bit follows a switch: a discrete input, a bit of a status word, a register of its own; as it rests."""

from __future__ import annotations

import random

from drawn import film, place, still, times, wavering
from hypothesis import given
from hypothesis import strategies as st

from rig.commission.switching import Switch, switches_of
from rig.commission.wires import Film, Place, Shot

REST, MORE = times(0, 2, 9), times(3, 4, 5)


def shown(words: dict[Place, int], seed: int = 0) -> Film:
    return film([still(range(4), 9), wavering(2, random.Random(seed), 500), lambda _now_s: words], MORE)


@given(kind=st.sampled_from(["discrete", "bit", "register"]), rests=st.booleans(), at=st.integers(10, 30),
       bit=st.integers(0, 15), word=st.integers(0, 65535))  # fmt: skip
def test_a_drawn_switch_is_found_as_it_rests(kind: str, rests: bool, at: int, bit: int, word: int) -> None:
    where = place(at, "discrete" if kind == "discrete" else "holding")
    if kind == "discrete":
        words = {on: int(on) for on in (False, True)}
    elif kind == "bit":
        words = {False: word & ~(1 << bit), True: word | 1 << bit}
    else:
        words = {False: 0, True: 0x00FF}
    rest, acted = shown({where: words[rests]}), shown({where: words[not rests]})
    found = switches_of(rest, [acted, acted], [rest, rest], set())
    assert found == [Switch(where, bit if kind == "bit" else None, int(rests))]
    assert ("inverted" in found[0].point(yes_at_rest=True)) is (not rests)
    assert ("inverted" in found[0].point(yes_at_rest=False)) is rests


def test_what_follows_once_only_or_does_not_come_back_is_no_switch() -> None:
    where = place(12, "discrete")
    off, on = shown({where: 0}), shown({where: 1})
    assert switches_of(off, [on, off], [off, off], set()) == []
    assert switches_of(off, [on], [on], set()) == []
    assert switches_of(off, [on], [off], {(where, None)}) == []
    assert switches_of([], [on], [off], set()) == []
    assert switches_of(off, [[]], [off], set()) == []


def test_a_switch_that_lies_on_two_inputs_is_told_twice() -> None:
    one, other = place(3, "discrete"), place(6, "discrete")
    rest, acted = [Shot(0, {one: 1, other: 0})], [Shot(1, {one: 0, other: 1})]
    assert [each.place for each in switches_of(rest, [acted], [rest], set())] == [one, other]
