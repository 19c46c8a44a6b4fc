"""Outputs that cannot be switched off: no fill ends on them without a person, and the record says what it cannot know.

The plant is the simulated one, without a time-out in its modules: what it truly did is compared with the record.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from virtual_fills import Nobody, fill_of, record_of, rig_settings

from rig.books.wording import cannot_text, progress_line, progress_of, ticket_text
from rig.control.belief.state import FillState
from rig.control.moves.decide import Decision, decide
from rig.control.safety.unconfirmed import CANNOT
from rig.control.words.procedure import State
from rig.control.words.values import Reading, Request, Setup
from rig.record.work import Ended, Work
from rig.run.assembly import Question
from rig.run.person import ALONE_S, Unattended
from sim.virtual import VirtualFill

NOTHING = {"points__output_timeout": None, "limits__timeout_proven_on": None}
"""A rig whose modules keep their outputs for ever."""
QUESTION = Question("16.9-28")


class CutsTheSupply(Unattended):
    """Asks for the end from the first moment on; after a while cuts the supply, and says so."""

    def __init__(self, fill: VirtualFill, after_s: float) -> None:
        super().__init__()
        self._fill, self._after_s = fill, after_s
        self.refused: set[str] = set()

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        self.refused |= {each.name for each in decision.missing}
        since_s, now_s = decision.state.unconfirmed_s, decision.state.now_s
        if since_s is None or decision.state.supply_cut:
            return [Request(f"end-{now_s}", "end")] if decision.state.supply_cut else super().requests(setup, decision)
        if now_s - since_s < self._after_s:
            return [Request(f"end-{now_s}", "end"), Request(f"stop-{now_s}", "stop")]
        plant = self._fill.rig.plant
        plant.upset(replace(plant.upsets, estop=True))
        return [Request(f"cut-{now_s}", "supply_cut", by="Jo")]


def _without_time_out(fault: str) -> VirtualFill:
    return fill_of(rig_settings(**NOTHING), QUESTION, [fault])


@pytest.mark.parametrize("fault", ["bus_silent@60", "exception_reply@60", "write_ignored@60"])
def test_no_fill_ends_on_an_off_that_nobody_confirms_until_the_supply_is_cut(fault: str) -> None:
    fill = _without_time_out(fault)
    person = CutsTheSupply(fill, after_s=45.0)
    fill.person = person
    seen: list[Decision] = []
    fill.watch = seen.append
    last = fill.run(most_s=400.0)
    doubted = [each for each in seen if each.state.unconfirmed_s is not None and not each.state.supply_cut]
    assert doubted[-1].state.now_s - doubted[0].state.now_s > 40.0
    assert not any(each.state.state in (State.STOPPED, State.COMPLETE) for each in doubted)
    assert "off_unconfirmed" in person.refused
    assert all(each.outputs.beacon for each in doubted if each.state.state is State.ABORTED)
    assert last.state.state is State.STOPPED
    record = record_of(fill.setup, last.state)
    plant = fill.rig.plant
    truth_l = plant.tyre.liquid_l - plant.start_liquid_l
    net_l, u_l = record["net_l"], record["net_u_l"]
    assert isinstance(net_l, float)
    assert isinstance(u_l, float)
    assert abs(net_l - truth_l) <= u_l
    assert "supply cut by hand" in str(record["flags"])
    if fault.startswith(("bus_silent", "exception")):
        # Nobody saw what the pump did for three quarters of a minute, nor what pressure it left.
        assert record["final_static_kpa"] is None
        assert isinstance(record["unseen_l"], float)
        assert record["unseen_l"] > 20.0
        assert record["net_basis"] == "estimated"


def test_unattended_goes_on_trying_for_a_while_and_then_leaves_the_fill_open() -> None:
    fill = _without_time_out("exception_reply@60")
    last = fill.run(most_s=400.0)
    assert fill.person.gave_up
    assert last.state.state is State.ABORTED
    assert last.state.now_s - (last.state.unconfirmed_s or 0.0) > ALONE_S


def test_a_proven_time_out_ends_the_doubt_by_itself() -> None:
    fill = fill_of(rig_settings(), QUESTION, ["bus_silent@60"])
    last = fill.run(most_s=400.0)
    assert last.state.state is State.STOPPED
    assert "supply cut by hand" not in last.state.flags


def test_a_time_out_that_nobody_proved_does_not() -> None:
    fill = fill_of(rig_settings(limits__timeout_proven_on=None), QUESTION, ["bus_silent@60"])
    last = fill.run(most_s=400.0)
    assert last.state.state is State.ABORTED
    assert last.state.unconfirmed_s is not None


def test_the_words_the_age_and_the_ticket() -> None:
    fill = _without_time_out("bus_silent@60")
    fill.person = CutsTheSupply(fill, after_s=30.0)
    seen: list[Decision] = []
    fill.watch = seen.append
    last = fill.run(most_s=400.0)
    while_it_lasts = next(each for each in reversed(seen) if each.state.unconfirmed_s and not each.state.supply_cut)
    assert not cannot_text(seen[0])
    assert cannot_text(while_it_lasts).startswith(CANNOT)
    assert "CANNOT BE SWITCHED OFF FROM HERE: cut the pump's supply" in cannot_text(while_it_lasts)
    assert "pump_run" in cannot_text(while_it_lasts)
    assert " s OLD" in progress_line(progress_of(fill.setup, while_it_lasts))
    about = {
        "size": "16.9-28", "valve": "air-water", "valve_at": 12.0, "fluid": "water", "fluid_c": 15.0, "mass_kg": 0.0,
        "density_kg_m3": 999.0, "ctl": 1.0, "cavity_l": None, "cavity_basis": None, "working_kpa": None,
        **dict.fromkeys(("position", "started_at", "ended_at", "by", "job"), ""),
    }  # fmt: skip
    work = Work.from_document({**record_of(fill.setup, last.state), **about})
    ticket = ticket_text(Ended(work=work), simulated=True)
    assert "NOT COUNTED     up to" in ticket
    assert "at rest, air space" not in ticket


def _running() -> tuple[VirtualFill, FillState, Reading]:
    fill = fill_of(rig_settings(), QUESTION)
    last = fill.run(until=lambda decision: decision.outputs.pump_run)
    return fill, last.state, last.facts.reading


def test_no_step_follows_on_an_off_that_is_not_known_to_be_done_and_a_trip_comes_after_a_second() -> None:
    fill, state, reading = _running()
    fill.person = Nobody()
    names = []
    for tick in range(1, 15):
        reading = replace(reading, now_s=state.now_s + 0.1, unconfirmed=frozenset({"vent_valve"}))
        decision = decide(fill.setup, state, reading, ())
        state = decision.state
        names += [(tick, str(entry.data["name"])) for entry in decision.entries if entry.kind == "alarm"]
    assert "off_unconfirmed" in {name for _, name in names}
    assert names[0][0] >= 10
    assert state.state in (State.ABORTING, State.ABORTED)
    assert not decision.outputs.moving


def test_an_output_that_somebody_else_switches_is_told_in_those_words_at_once() -> None:
    fill, state, reading = _running()
    reading = replace(reading, now_s=state.now_s + 0.1, elsewhere=frozenset({"pump_reverse"}))
    decision = decide(fill.setup, state, reading, ())
    assert decision.state.alarms.first_out == "another_controller"
    assert not decision.outputs.moving
    text = next(str(entry.data["text"]) for entry in decision.entries if entry.kind == "alarm")
    assert text.startswith("Another controller works this rig")


def test_the_supply_can_be_said_to_be_cut_only_while_an_off_is_not_known_to_be_done() -> None:
    fill, state, reading = _running()
    said = decide(fill.setup, state, replace(reading, now_s=state.now_s + 0.1), [Request("1", "supply_cut", by="Jo")])
    assert not said.state.supply_cut
    assert "supply cut by hand" not in said.state.flags


def test_a_welded_contactor_that_feeds_back_is_told_as_an_output_that_cannot_be_switched_off() -> None:
    contact = {"link": "io", "table": "discrete", "address": 9}
    welded = rig_settings(points__pump_run_feedback=contact)
    fill = fill_of(welded, QUESTION, ["pump_welded@30"])
    seen: list[tuple[float, str]] = []
    fill.watch = lambda decision: seen.append((decision.state.now_s, cannot_text(decision)))
    fill.run(most_s=200.0, until=lambda decision: bool(cannot_text(decision)))
    assert seen[-1][1].startswith(CANNOT)
    sound = fill_of(welded, QUESTION)
    assert sound.run().state.state is State.COMPLETE
