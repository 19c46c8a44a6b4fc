"""The table of causes: every fault has a suspect that is right, and a group counts as right but not as told apart."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from rig.control.belief.suspects import GROUPS, ROWS, Evidence
from sim.cause_table import TRULY, Named, cause_table, same, too_few
from sim.faults import FAULTS


def of(fault: str, *names: str) -> Named:
    return Named(fault, Evidence("no_flow"), names)


def test_every_fault_has_a_row_that_is_right() -> None:
    assert TRULY.keys() == FAULTS.keys()
    assert set(TRULY.values()) <= ROWS.keys()


def test_a_group_holds_rows_and_is_none_itself() -> None:
    assert not GROUPS.keys() & ROWS.keys()
    assert all(len(group.names) > 1 and group.names <= ROWS.keys() for group in GROUPS.values())


@pytest.mark.parametrize(
    ("names", "alone", "first", "among"),
    [
        (("bead",), True, True, True),
        (("no_tyre", "leak"), False, True, True),
        (("leak", "no_tyre"), False, False, True),
        (("leak", "vent_open"), False, False, False),
        ((), False, False, False),
    ],
)
def test_what_counts_as_right(names: Sequence[str], alone: bool, first: bool, among: bool) -> None:
    found = of("bead_loss", *names)
    assert (found.alone, found.first, found.among) == (alone, first, among)


def test_a_group_names_the_same_cause_as_one_of_its_faults() -> None:
    found = [of("bead_loss", "bead"), of("bead_loss", "no_tyre", "leak"), of("bead_loss", "leak"), of("bead_loss")]
    assert same(found) == 0.5
    # Whether it is the right one does not count here.
    assert same([of("bead_loss", "leak"), of("bead_loss", "air_leaves")]) == 1.0


def test_the_command_fails_only_below_the_stated_share_of_faults() -> None:
    """Each fault weighs the same, however often it raises an alarm."""
    right, wrong = of("bead_loss", "bead"), of("leak", "bead")
    assert not too_few({"bead_loss": [right], "estop": [of("estop", "estop")], "leak": [of("leak", "leak"), wrong]})
    assert too_few({"bead_loss": 9 * [right], "leak": [wrong]})


@pytest.mark.full
def test_one_rig_s_faults_are_named_and_its_table_is_printed() -> None:
    """A small wheel, so that its fills are short."""
    said: list[str] = []
    cause_table([810_001], 1, said.append)
    assert said[0].startswith("| fault | alarms |")
    all_faults = next(line for line in said if line.startswith("| all |"))
    counts = [int(line.split("|")[2]) for line in said[2 : said.index(all_faults)]]
    assert int(all_faults.split("|")[2]) == sum(counts) > 0
    # Below the table a line for each suspect, in the form of its row.
    assert {line.partition(":")[0] for line in said[-len(set(TRULY.values())) :]} == set(TRULY.values())
