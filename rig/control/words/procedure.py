"""The procedure as plain data: states of the batch standard IEC 61512, phases of the trade, and their transitions.

Two coupled machines. ``STATES``: whether the fill runs, waits or has ended; ``PHASES``: which step of the trade a
running fill is in. A trigger that a table does not contain for the present state is an error, never a silent no-op.
Everything that affects transitions is in this file; conditions live with the phases and guards.
"""

from __future__ import annotations

from enum import StrEnum
from functools import cache
from typing import TypedDict

from transitions import Machine, MachineError


class State(StrEnum):
    """Procedural states, IEC 61512. States in -ing act, the others wait."""

    IDLE = "idle"
    RUNNING = "running"
    HOLDING = "holding"
    HELD = "held"
    RESTARTING = "restarting"
    STOPPING = "stopping"
    STOPPED = "stopped"
    ABORTING = "aborting"
    ABORTED = "aborted"
    COMPLETE = "complete"


class Phase(StrEnum):
    """Steps of the trade in a running fill."""

    SETTLE = "settle"
    VENT = "vent"
    DRAW_DOWN = "draw-down"
    FILL = "fill"
    TOP_UP = "top-up"
    SHUT = "shut"
    BACK_FLUSH = "back-flush"
    UNCOUPLE = "uncouple"
    BY_HAND = "by-hand"
    EMPTY = "empty"


class Transition(TypedDict):
    """One row of a table."""

    trigger: str
    source: list[str] | str
    dest: str


def _row(trigger: str, source: list[str] | str, dest: str) -> Transition:
    return {"trigger": trigger, "source": source, "dest": dest}


ENDED = frozenset({State.COMPLETE, State.STOPPED})
"""Final states. An aborted fill is latched, not ended: reset leads to held, end closes it."""

STATES: list[Transition] = [
    _row("start", "idle", "running"),
    _row("finish", "running", "complete"),
    _row("hold", ["running", "restarting"], "holding"),
    _row("stand", "holding", "held"),
    _row("resume", "held", "restarting"),
    _row("go", "restarting", "running"),
    _row("stop", ["idle", "running", "holding", "held", "restarting"], "stopping"),
    _row("stand", "stopping", "stopped"),
    _row("trip", ["idle", "running", "holding", "held", "restarting", "stopping"], "aborting"),
    _row("stand", "aborting", "aborted"),
    _row("reset", "aborted", "held"),
    _row("end", "aborted", "stopped"),
]

PHASES: list[Transition] = [
    _row("vent", "settle", "vent"),
    _row("draw", "settle", "draw-down"),
    _row("fill", "settle", "fill"),
    _row("top_up", "settle", "top-up"),
    _row("rest", ["vent", "draw-down", "fill", "top-up"], "settle"),
    _row("shut", ["settle", "uncouple"], "shut"),
    _row("flush", ["shut", "settle"], "back-flush"),
    _row("uncouple", "back-flush", "uncouple"),
    _row("by_hand", "settle", "by-hand"),
    _row("empty", "settle", "empty"),
    _row("rest", "empty", "settle"),
    _row("uncouple", "settle", "uncouple"),
    _row("break_off", "empty", "settle"),
    _row("uncouple", "by-hand", "uncouple"),
    _row("reopen", "uncouple", "by-hand"),
    _row("break_off", "by-hand", "by-hand"),
    # A hold breaks a move off: it continues from a rest, and a shut valve is asked for again.
    _row("break_off", ["settle", "vent", "draw-down", "fill", "top-up"], "settle"),
    _row("break_off", ["shut", "back-flush"], "shut"),
    # Where the gun comes off first there is nothing to shut: whether the tyre is let down is decided again.
    _row("judge_anew", ["back-flush", "uncouple"], "settle"),
    _row("break_off", "uncouple", "uncouple"),
]


class ProcedureError(RuntimeError):
    """A trigger missing from the tables: a defect of the program, turned into a trip by the loop."""


class _Token:
    """A throw-away model: the machine moves it once, and the caller reads its new state."""

    state: str


@cache
def _machine(name: str) -> Machine:
    tables = {"states": (State, STATES, State.IDLE), "phases": (Phase, PHASES, Phase.SETTLE)}
    names, rows, initial = tables[name]
    return Machine(
        model=None,
        states=[n.value for n in names],
        transitions=rows,
        initial=initial.value,
        auto_transitions=False,
    )


@cache
def _step(name: str, source: str, trigger: str) -> str:
    token = _Token()
    machine = _machine(name)
    machine.add_model(token, initial=source)
    try:
        machine.events[trigger].trigger(token)
    except (MachineError, KeyError) as error:
        raise ProcedureError(f"{trigger!r} does not follow {source!r}") from error
    finally:
        machine.remove_model(token)
    return token.state


def next_state(state: State, trigger: str) -> State:
    """Where ``trigger`` leads from ``state``; :class:`ProcedureError` when the table does not contain it."""
    return State(_step("states", state.value, trigger))


def next_phase(phase: Phase, trigger: str) -> Phase:
    """Where ``trigger`` leads from ``phase``; :class:`ProcedureError` when the table does not contain it."""
    return Phase(_step("phases", phase.value, trigger))


def diagram(rows: list[Transition]) -> str:
    """The table as a Mermaid state diagram, so that a drawing cannot drift from the code."""
    lines = ["stateDiagram-v2"]
    for row in rows:
        sources = row["source"] if isinstance(row["source"], list) else [row["source"]]
        lines += [f"    {_word(s)} --> {_word(row['dest'])}: {row['trigger']}" for s in sources]
    return "\n".join(lines)


def _word(state: str) -> str:
    return state.replace("-", "_")
