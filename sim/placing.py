"""Onset of a single fault: uniform over the kinds of phase, so that a short phase is hit as often as a long one.

The fill is run once without its fault to find its phases and their times.
"""

from __future__ import annotations

import random
from dataclasses import replace
from typing import TYPE_CHECKING

from rig.control.words.procedure import State
from sim.person import Scripted
from sim.scenarios import set_up
from sim.virtual import VirtualFill

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.control.moves.decide import Decision
    from sim.scenarios import Scenario

_AROUND_S = 10.0
"""A phase changes its criteria within this time of its ends."""

Spans = dict[str, list[tuple[float, float]]]
"""Begin and end of every phase or idle state of a fill, by name, in plant time."""


def placed(scenario: Scenario, most_s: float) -> Scenario:
    """The scenario with the onset of each fault moved into a kind of phase, half of them near its ends.

    The trial fill has no power cut, so that it equals the real one only until then.
    """
    sound = set_up(replace(scenario, faults=()))
    if sound is None:
        return scenario
    setup, rig = sound
    rng = random.Random(f"{scenario.case.seed} place")  # a simulation, not a secret
    spans: Spans = {}
    last = [""]

    def note(decision: Decision) -> None:
        state, now_s = decision.state, rig.plant.time_s
        kind = state.phase.value if state.state is State.RUNNING else state.state.value
        began_s, _ = spans[kind].pop() if kind == last[0] else (now_s, now_s)
        spans.setdefault(kind, []).append((began_s, now_s))
        last[0] = kind

    VirtualFill(rig, setup, Scripted(scenario.habits, setup.expected_s, _unheard), note).run(most_s=most_s)
    return replace(
        scenario,
        faults=tuple((name, onset_s(rng, spans) / setup.expected_s, lasts_s) for name, _, lasts_s in scenario.faults),
    )


def onset_s(rng: random.Random, spans: Spans) -> float:
    """Draw a kind of phase, one of its occurrences, and a time in that."""
    times = spans[rng.choice(sorted(spans))]
    began_s, ended_s = rng.choice((times[0], times[-1], rng.choice(times)))
    edge = rng.choice(("within", "within", "begin", "end"))
    if edge == "begin":
        return max(0.0, began_s + rng.uniform(-1.0, _AROUND_S / 2))
    if edge == "end":
        return max(0.0, began_s - 1.0, ended_s - rng.uniform(0.0, _AROUND_S))
    return rng.uniform(began_s, ended_s)


def _unheard(_requests: Sequence[object]) -> None:
    """Ignore requests: this fill is not judged."""
