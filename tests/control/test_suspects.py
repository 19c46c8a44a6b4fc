"""The faults that are named for an alarm: the table by itself, and in whole fills with one fault."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from virtual_fills import fill_of, rig_settings

from rig.control.belief.suspects import ROWS, Evidence, likely, suspects
from rig.control.moves.decide import Decision
from rig.control.words.values import Request, Setup
from rig.run.assembly import Question
from rig.run.person import Unattended
from sim.virtual import VirtualFill


def of_row(name: str) -> Evidence:
    """What a fault shows that shows just what its row has first."""
    row = ROWS[name]
    signs = {sign: getattr(row, sign)[:1] or "?" for sign in ("push", "count", "tote", "tyre", "creep", "runs")}
    marks = {mark: bool(getattr(row, mark)) for mark in ("none", "still", "fast")}
    way = (row.ways.split() or ["in"])[0]
    return Evidence(row.alarms.split()[0], way, **signs, **marks)  # type: ignore[arg-type]


@pytest.mark.parametrize("name", ROWS)
def test_a_fault_that_shows_what_its_row_says_is_named(name: str) -> None:
    found = suspects(of_row(name))
    assert name in [each.name for each in found]
    assert sum(each.share for each in found) <= 1.0


def test_an_alarm_alone_names_what_raises_it() -> None:
    assert [each.name for each in suspects(Evidence("meter_jumped", "in"))] == ["counter"]
    assert {each.name for each in suspects(Evidence("bead_lost", "off", none=True, vents=False))} == {
        "gun_off",
        "bead",
    }


def test_without_evidence_nothing_is_said() -> None:
    assert likely(None) is None


def test_the_sentence_names_the_most_probable_first() -> None:
    said = likely(Evidence("no_flow", "in", push="-", count="-", tote="0", tyre="0", still=True, creep="0", runs="0"))
    assert said is not None
    assert said.startswith("Most likely: the pump does not turn")


# --- whole fills ------------------------------------------------------------------------------------------------------


class Looks(Unattended):
    """Starts a fill and answers its prompts, and does nothing about an alarm."""

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        return [] if decision.state.alarms.first_out else super().requests(setup, decision)


def seen_of(fault: str, layout: str, after_s: float = 8.0) -> Evidence:
    """The evidence so many seconds after the alarm of a fill with one fault, nobody acting."""
    fill: VirtualFill = fill_of(rig_settings(layout, sim__size="11.2-24"), Question("11.2-24"), [fault])
    fill.person = Looks()
    came: list[float] = []

    def enough(decision: Decision) -> bool:
        if decision.state.alarms.evidence is not None:
            came.append(decision.state.now_s)
        return bool(came) and decision.state.now_s > came[0] + after_s

    evidence = fill.run(until=enough).state.alarms.evidence
    assert evidence is not None
    return evidence


@pytest.mark.parametrize(
    ("fault", "layout", "name"),
    [
        ("pump_no_start@120", "vent", "pump_dead"), ("meter_dead@120", "vent", "meter_silent"),
        ("pump_welded@120", "vent", "pump_on"), ("reverse_welded@120", "vent", "pump_back"),
        ("valve_stuck_shut@0", "vent", "vent_shut"), ("pressure_stuck@120", "vent", "gauge_still"),
        ("meter_reset@120", "draw-down", "counter"), ("bus_silent@120", "draw-down", "bus"),
        ("already_full@0", "vent", "inside"), ("estop@120", "vent", "estop"), ("tote_empty@120", "vent", "tote_empty"),
        ("meter_backwards@120", "vent", "meter_turned"),
        ("write_ignored@120", "vent", "outputs"),
    ],
)  # fmt: skip
def test_the_fault_of_a_fill_is_named_first(fault: str, layout: str, name: str) -> None:
    evidence = seen_of(fault, layout)
    assert [each.name for each in suspects(evidence)][:1] == [name], evidence
