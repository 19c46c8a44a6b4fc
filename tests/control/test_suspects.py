"""The faults that are named for an alarm: the table by itself, and in whole fills with one fault."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from virtual_fills import fill_of, rig_settings

from rig.control.belief.suspects import GROUPS, ROWS, SIGNS, Evidence, Sign, likely, suspects
from rig.control.moves.decide import Decision
from rig.control.safety.guards import GUARD_NAMED
from rig.control.words.changed import changed
from rig.control.words.values import Request, Setup
from rig.run.assembly import Question
from rig.run.person import Unattended
from sim.virtual import VirtualFill

VALUES: Sequence[Sign] = ("-", "0", "+")


def of_row(name: str) -> Evidence:
    """The commonest alarm and signs of a fault."""
    row = ROWS[name]
    signs = {
        sign: max(VALUES, key=lambda value: tenths[VALUES.index(value)])
        for sign, tenths in zip(SIGNS, row.shows.split(), strict=True)
    }
    return Evidence(row.alarms.split(":")[0], **signs)


def told(seen: Evidence) -> set[str]:
    """All faults that are named, those of a group too."""
    return {
        name for each in suspects(seen) for name in (GROUPS[each.name].names if each.name in GROUPS else {each.name})
    }


@pytest.mark.parametrize("name", ROWS)
def test_a_row_is_well_formed(name: str) -> None:
    row = ROWS[name]
    groups = row.shows.split()
    assert len(groups) == len(SIGNS)
    assert all(len(tenths) == 3 and 9 <= sum(map(int, tenths)) <= 11 for tenths in groups)
    shares = dict(each.split(":") for each in row.alarms.split())
    assert shares.keys() <= GUARD_NAMED.keys()
    assert 95 <= sum(map(int, shares.values())) <= 105


@pytest.mark.parametrize("name", ROWS)
def test_a_fault_that_shows_what_its_row_says_is_named(name: str) -> None:
    found = suspects(of_row(name))
    assert name in told(of_row(name))
    assert sum(each.share for each in found) <= 1.0 + 1e-9


def test_an_alarm_alone_names_what_raises_it() -> None:
    assert suspects(Evidence("meter_jumped"))[0].name == "counter"
    assert told(Evidence("bead_lost", vents=False)) == {"gun_off", "bead"}


def test_without_evidence_nothing_is_said() -> None:
    assert likely(None) is None


def test_the_sentence_names_the_most_probable_first() -> None:
    said = likely(Evidence("no_flow", push="-", count="-", tote="0", tyre="0", still="+", creep="0", runs="0"))
    assert said is not None
    assert said.startswith("Most likely: the pump does not turn")


@pytest.mark.parametrize(("push", "name"), [("-", "no_tyre"), ("0", "bead"), ("?", "no_tyre")])
def test_gun_and_bead_are_named_together_while_hardly_anything_tells_them_apart(push: Sign, name: str) -> None:
    """Only a pump that runs does: a gauge that rises as it should shows that the gun is on."""
    seen = Evidence("no_rise", push=push, count="0", tote="0", tyre="-", gauge="0", creep="0", runs="0", vents=False)
    assert suspects(seen)[0].name == name


def test_a_rig_without_a_vent_has_no_fault_of_a_vent() -> None:
    seen = of_row("vent_open")
    assert "vent_open" in told(seen)
    assert "vent_open" not in {each.name for each in suspects(changed(seen, vents=False))}


def test_with_a_level_an_empty_tote_and_a_suction_that_draws_air_are_told_apart() -> None:
    air = {"push": "-", "count": "0", "tyre": "0"}
    assert suspects(Evidence("air_pumped", empty="+", **air))[0].name == "tote_empty"  # type: ignore[arg-type]
    assert suspects(Evidence("air_pumped", empty="0", tote="-", **air))[0].name == "suction_air"  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("alarm", "signs", "name"),
    [
        ("no_flow", {"push": "-", "count": "-"}, "pump_dead"),
        ("no_flow", {"push": "0", "count": "-", "gauge": "+", "tyre": "0"}, "no_count"),
        ("no_flow", {"metered": False, "push": "0", "gauge": "+", "tyre": "0"}, "level_still"),
        ("no_flow", {"count": "-", "high": "+", "tyre": "+", "creep": "0"}, "blocked"),
        ("flow_while_stopped", {"tyre": "+", "creep": "+", "runs": "+", "draws": "+"}, "pump_on"),
        ("flow_while_stopped", {"tyre": "-", "creep": "-", "runs": "-", "draws": "-"}, "pump_back"),
        ("flow_while_stopped", {"tyre": "0", "creep": "0", "runs": "+", "draws": "0"}, "meter_more"),
        ("gauge_restless", {"tyre": "+", "creep": "+", "runs": "0", "draws": "0"}, "gauge_drifts"),
        ("gauge_stuck", {"push": "-", "count": "0", "still": "+"}, "gauge_still"),
        ("measures_differ", {"count": "0", "tote": "-", "tyre": "0"}, "level_still"),
    ],
)
def test_what_tells_two_faults_of_one_alarm_apart(alarm: str, signs: dict[str, Sign], name: str) -> None:
    assert suspects(Evidence(alarm, **signs))[0].name == name  # type: ignore[arg-type]


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
        ("pump_no_start@120", "vent", "pump_dead"), ("meter_dead@120", "vent", "no_count"),
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
