"""What a pump may have moved while no count was read: a tenth more than its 0.6 L/s, and its second of coasting."""

from __future__ import annotations

from dataclasses import replace

import pytest
from moments import moment
from plain import METER, plain_setup, plain_state

from rig.control.belief.doubts import Doubt
from rig.control.belief.observe import Facts
from rig.control.belief.state import FillState
from rig.control.belief.unread import by_way, unseen_l, with_unread
from rig.control.words.values import Outputs

TIME = replace(METER, kind="run time", reverse="none")
SETUP = plain_setup(beside=(TIME,))
FORWARD, RUNS = Outputs(pump_run=True), frozenset({"pump_run"})


def facts_of(unconfirmed: frozenset[str] = frozenset(), now_s: float = 100.0, **fields: object) -> Facts:
    _, facts = moment("fill")
    reading = replace(facts.reading, now_s=now_s, unconfirmed=unconfirmed)
    return replace(facts, **{"dt_s": 0.5, "meter_restarted": False, **fields}, reading=reading)


def followed(facts: Facts, **fields: object) -> FillState:
    return with_unread(SETUP, plain_state(SETUP, **fields), facts)


def test_the_gap_begins_at_the_last_good_reading_and_goes_on_while_the_pump_may_run() -> None:
    """Fresh at 97 s: by 99.5 s two and a half seconds, and this scan's half."""
    first = followed(facts_of(), outputs=FORWARD, unread_s=(0.4, 0.0), fresh_s=97.0)
    assert first.unseen_s == pytest.approx(3.0)
    second = with_unread(SETUP, first, facts_of(now_s=100.5))
    assert second.unseen_s == pytest.approx(3.5)
    assert followed(facts_of(RUNS), unread_s=(0.4, 0.0), fresh_s=97.0).unseen_s == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("unconfirmed", "fields"),
    [
        (frozenset(), {"unread_s": (0.4, 0.0)}), (frozenset({"vent_valve"}), {"unread_s": (0.4, 0.0)}),
        (RUNS, {"unread_s": (0.4, 0.0), "supply_cut": True}), (RUNS, {"unread_s": (0.0, 0.4)}),
        (RUNS, {"unread_s": ()}),
    ],
)  # fmt: skip
def test_there_is_none_with_the_pump_off_its_supply_cut_or_the_count_read(
    unconfirmed: frozenset[str], fields: dict[str, object]
) -> None:
    assert followed(facts_of(unconfirmed), **fields).unseen_s == 0.0


def test_the_pump_s_time_counts_what_is_commanded_and_misses_only_what_is_not_confirmed() -> None:
    assert followed(facts_of(), measure=1, outputs=FORWARD, unread_s=(0.0, 0.4)).unseen_s == 0.0
    unsure = followed(facts_of(RUNS), measure=1, fresh_s=90.0)
    assert unsure.unseen_s == 0.5, "its own time was not lost"


def test_a_count_that_is_read_again_has_counted_it_unless_its_register_restarted() -> None:
    again = followed(facts_of(), unseen_s=4.0, unread_s=(0.0, 0.0), direction=1)
    assert (again.unseen_s, again.tally.doubts) == (0.0, ())
    restarted = followed(facts_of(meter_restarted=True), unseen_s=4.0, unread_s=(0.0, 0.0), direction=1)
    assert restarted.tally.doubts == (Doubt("unread", 0.0, pytest.approx(1.1 * 0.6 * 5.0)),)
    state = plain_state(SETUP)
    assert with_unread(SETUP, state, facts_of()) is state


@pytest.mark.parametrize(
    ("held_l", "direction", "most_l"),
    [
        (100.0, 1, 3.3), (100.0, -1, 3.3), (2.0, -1, 2.0), (0.0, -1, 0.0),
        # The largest cavity, grown by a twentieth, holds 441 L.
        (439.0, 1, 2.0), (450.0, 1, 0.0), (450.0, -1, 3.3), (440.0, 0, 1.0),
    ],
)  # fmt: skip
def test_no_more_comes_in_than_has_room_and_no_more_out_than_is_in(
    held_l: float, direction: int, most_l: float
) -> None:
    setup = replace(SETUP, existing_l=1.0)
    state = plain_state(setup, {"pulses_forward": round(100 * held_l) - 100}, direction=direction, unseen_s=4.0)
    assert unseen_l(setup, state) == pytest.approx(most_l)
    assert unseen_l(setup, replace(state, unseen_s=0.0)) == 0.0
    assert unseen_l(replace(setup, into="open vessel"), state) == pytest.approx(3.3)


def test_it_moves_the_way_the_pump_last_ran() -> None:
    assert by_way(plain_state(SETUP, direction=1), 3.0) == (0.0, 3.0)
    assert by_way(plain_state(SETUP, direction=0), 3.0) == (0.0, 3.0)
    assert by_way(plain_state(SETUP, direction=-1), 3.0) == (3.0, 0.0)
