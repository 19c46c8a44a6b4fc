"""The tables of states and phases: complete, closed, safe, and drawn as they are."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.control.moves.phases import ACT
from rig.control.words.procedure import (
    ENDED,
    PHASES,
    STATES,
    Phase,
    ProcedureError,
    State,
    Transition,
    diagram,
    next_phase,
    next_state,
)

DRAWN = Path(__file__).parents[2] / "rig" / "control" / "PROCEDURE.md"


def _edges(rows: list[Transition]) -> set[tuple[str, str, str]]:
    return {
        (source, row["trigger"], row["dest"])
        for row in rows
        for source in (row["source"] if isinstance(row["source"], list) else [row["source"]])
    }


def test_every_pair_of_state_and_trigger_is_a_row_or_an_error() -> None:
    edges = {(source, trigger): dest for source, trigger, dest in _edges(STATES)}
    for state in State:
        for trigger in {row["trigger"] for row in STATES} | {"nonsense"}:
            if (state.value, trigger) in edges:
                assert next_state(state, trigger).value == edges[state.value, trigger]
            else:
                with pytest.raises(ProcedureError, match="does not follow"):
                    next_state(state, trigger)


def test_every_pair_of_phase_and_trigger_is_a_row_or_an_error() -> None:
    edges = {(source, trigger): dest for source, trigger, dest in _edges(PHASES)}
    for phase in Phase:
        for trigger in {row["trigger"] for row in PHASES}:
            if (phase.value, trigger) in edges:
                assert next_phase(phase, trigger).value == edges[phase.value, trigger]
            else:
                with pytest.raises(ProcedureError):
                    next_phase(phase, trigger)


def test_every_state_is_reached_and_only_ended_states_are_final() -> None:
    edges = _edges(STATES)
    assert {dest for _, _, dest in edges} | {"idle"} == {state.value for state in State}
    assert {state for state in State if state.value not in {source for source, _, _ in edges}} == ENDED


def test_a_stop_and_a_trip_are_open_from_everywhere_that_may_move() -> None:
    for state in (State.IDLE, State.RUNNING, State.HOLDING, State.HELD, State.RESTARTING):
        assert next_state(state, "stop") is State.STOPPING
        assert next_state(state, "trip") is State.ABORTING
    assert next_state(State.STOPPING, "trip") is State.ABORTING


def test_nothing_leads_from_a_trip_to_running_without_a_reset_and_a_resume() -> None:
    edges = _edges(STATES)
    assert {(trigger, dest) for source, trigger, dest in edges if source == "aborted"} == {
        ("reset", "held"),
        ("end", "stopped"),
    }
    assert {trigger for source, trigger, dest in edges if dest == "running"} == {"start", "go"}


def test_every_phase_has_its_act_and_can_be_broken_off() -> None:
    assert set(ACT) == set(Phase)
    for phase in Phase:
        next_phase(phase, "break_off")


def test_the_drawings_are_the_tables() -> None:
    text = DRAWN.read_text(encoding="utf-8")
    assert diagram(STATES) in text
    assert diagram(PHASES) in text
