"""Onset of a single fault: uniform over the kinds of phase, so that a short phase is hit as often as a long one.

The fill is run once without its fault to find its phases and their times.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from rig.control.words.procedure import State
from sim.person import Scripted
from sim.scenarios import duration_s, lasting, set_up
from sim.virtual import VirtualFill

if TYPE_CHECKING:
    import random
    from collections.abc import Callable, Sequence

    from rig.control.moves.decide import Decision
    from sim.scenarios import Scenario

_AROUND_S = 10.0
"""A phase changes its criteria within this time of its ends."""

Times = dict[str, list[tuple[float, float]]]
"""Begin and end of every phase or idle state of a fill, by name, in plant time."""


class Spans(NamedTuple):
    """The phases of one fill."""

    times: Times
    expected_s: float
    """How long the plan expects it to take."""


def placed(scenario: Scenario, most_s: float) -> Scenario:
    """The scenario with the onset of each fault moved into a kind of phase, half of them near its ends."""
    spans = spans_of(scenario, most_s, lambda _: None)
    if spans is None:
        return scenario
    rng = scenario.case.always("place")
    onsets = [onset_s(rng, spans.times) / spans.expected_s for _ in scenario.faults]
    faults = ((name, onset, lasts_s) for onset, (name, _, lasts_s) in zip(onsets, scenario.faults, strict=True))
    return replace(scenario, faults=tuple(faults))


def placed_in(scenario: Scenario, fault: str, spans: Spans, rng: random.Random) -> Scenario:
    """The scenario with one given fault in a kind of phase."""
    onset = onset_s(rng, spans.times) / spans.expected_s
    return replace(scenario, faults=(lasting(fault, onset, duration_s(rng)),))


def spans_of(scenario: Scenario, most_s: float, watch: Callable[[Decision], None]) -> Spans | None:
    """The phases of the fill without its faults; None where the plan refuses it. ``watch`` gets every decision.

    It has no power cut, so that it equals the real one only until then.
    """
    sound = set_up(replace(scenario, faults=()))
    if sound is None:
        return None
    setup, rig = sound
    times: Times = {}
    last = [""]

    def note(decision: Decision) -> None:
        state, now_s = decision.state, rig.plant.time_s
        kind = state.phase.value if state.state is State.RUNNING else state.state.value
        began_s, _ = times[kind].pop() if kind == last[0] else (now_s, now_s)
        times.setdefault(kind, []).append((began_s, now_s))
        last[0] = kind
        watch(decision)

    VirtualFill(rig, setup, Scripted(scenario.habits, setup.expected_s, _unheard), note).run(most_s=most_s)
    return Spans(times, setup.expected_s)


def onset_s(rng: random.Random, times: Times) -> float:
    """Draw a kind of phase, one of its occurrences, and a time in that."""
    of_kind = times[rng.choice(sorted(times))]
    began_s, ended_s = rng.choice((of_kind[0], of_kind[-1], rng.choice(of_kind)))
    edge = rng.choice(("within", "within", "begin", "end"))
    if edge == "begin":
        return max(0.0, began_s + rng.uniform(-1.0, _AROUND_S / 2))
    if edge == "end":
        return max(0.0, began_s - 1.0, ended_s - rng.uniform(0.0, _AROUND_S))
    return rng.uniform(began_s, ended_s)


def _unheard(_requests: Sequence[object]) -> None:
    """Ignore requests: this fill is not judged."""
