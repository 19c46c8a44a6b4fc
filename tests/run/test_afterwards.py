"""What moves after a fill has ended, with the gun still on an open valve: told as it would be in a fill."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from virtual_fills import fill_of, rig_settings

from rig.control.moves.decide import Decision
from rig.control.words.procedure import State
from rig.control.words.values import Request, Setup
from rig.run.afterwards import Afterwards, afterwards_of
from rig.run.assembly import Question
from rig.run.person import Unattended
from sim.virtual import VirtualFill

BLIND = {"meter__reverse": "none", "tote__content": "2500 L", "sim__bead_limit": "-60 psi"}


class Stops(Unattended):
    """Stops the fill for good once so much is in."""

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        if decision.state.state is State.RUNNING and decision.facts.in_tyre_l > 15:
            return [Request("stop", "stop", by="test")]
        return super().requests(setup, decision)


def stopped(*faults: str, **keys: object) -> tuple[VirtualFill, Afterwards]:
    settings = rig_settings("vent", sim__size="11L-15", **{**BLIND, **keys})
    fill = fill_of(settings, Question("11L-15"), list(faults))
    fill.person = Stops()
    last = fill.run()
    assert last.state.state is State.STOPPED
    after = afterwards_of(settings, fill.setup, last)
    assert after is not None
    return fill, after


def watched(fill: VirtualFill, after: Afterwards, seconds: float) -> float | None:
    """When something is told, seconds from now on."""
    began_s = fill.rig.now_s
    while fill.rig.now_s < began_s + seconds and after.detected is None:
        fill.rig.advance(0.1)
        after.see(fill.rig.scan())
    return None if after.detected is None else fill.rig.now_s - began_s


def ended_s(**keys: object) -> float:
    return stopped(**keys)[0].rig.now_s


@pytest.mark.parametrize("noise", ["0 psi", "0.3 psi"])
@pytest.mark.parametrize(
    ("fault", "name"),
    [("reverse_welded", "moves_while_off"), ("valve_stuck_open", "moves_while_off"),
     ("pump_welded", "flow_while_stopped")],
)  # fmt: skip
def test_what_begins_to_move_after_the_end_is_told_within_two_seconds(fault: str, name: str, noise: str) -> None:
    """Nobody looked any more: the fill was over, and the gun on an open valve."""
    keys = {"sim__gauge_noise": noise}
    at_s = ended_s(**keys) + 12
    fill, after = stopped(f"{fault}@{at_s - 1:g}", **keys)
    told_s = watched(fill, after, 20.0)
    assert told_s is not None
    assert after.detected is not None
    assert after.detected.name == name
    assert told_s < 12 + 2.6


def test_a_tyre_that_stands_and_a_gun_that_comes_off_call_nobody() -> None:
    fill, after = stopped(sim__gauge_noise="0.2 psi")
    assert watched(fill, after, 120.0) is None
    fill.rig.write({"hand_valve_open": False})
    assert watched(fill, after, 20.0) is None
    fill.rig.write({"hand_gun_on": False})
    assert watched(fill, after, 60.0) is None


def test_after_a_fill_that_came_to_its_end_or_was_never_begun_nothing_is_watched() -> None:
    settings = rig_settings("vent", sim__size="11L-15", **BLIND)
    fill = fill_of(settings, Question("11L-15"))
    idle = fill.run(until=lambda decision: decision.state.state is State.IDLE)
    assert afterwards_of(settings, fill.setup, idle) is None
    whole = fill_of(settings, Question("11L-15"))
    last = whole.run()
    assert last.state.state is State.COMPLETE
    assert afterwards_of(settings, whole.setup, last) is None
    assert afterwards_of(settings, None, None) is None
