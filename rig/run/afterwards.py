"""Supervision after a fill that ended with its valve open: no fill runs, and the gun may still be on the tyre.

The field is judged by the guard rows that detect a pump running uncommanded. The module must not know front ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.control.decide import Decision
from rig.control.guards import GUARD_NAMED, Guard
from rig.control.observe import observe
from rig.control.procedure import ENDED
from rig.control.state import FillState, bases, in_force
from rig.control.values import Reading, Setup
from rig.run.clock import Clock
from rig.run.metering import MeterFace, faces
from rig.run.settings import Settings

_ROWS = "flow_while_stopped", "moves_while_off"


@dataclass(slots=True)
class Afterwards:
    """One fill that has ended, and the rig since then."""

    setup: Setup
    state: FillState
    meters: Sequence[MeterFace]
    clock: Clock
    told: Guard | None = None
    """The guard that was detected; latched until the next work begins."""

    def see(self, reading: Reading) -> None:
        """Take in one scan; its time continues the fill's."""
        self.state, facts = observe(self.setup, self.state, reading)
        setup = in_force(self.setup, self.state)
        rows = (GUARD_NAMED[name] for name in _ROWS)
        self.told = self.told or next((row for row in rows if row.condition(setup, facts)), None)


def afterwards_of(settings: Settings, setup: Setup | None, decision: Decision | None) -> Afterwards | None:
    """Supervision after a fill's last decision; ``None`` if its valve was shut, or nothing was begun."""
    if setup is None or decision is None or setup.into == "open vessel":
        return None
    if setup.by_hand and not setup.has_supply:
        # The person operates the lever again.
        return None
    state = decision.state
    if state.state not in ENDED or not state.valve_open or not state.opened_s:
        return None
    clock = Clock(settings.clock.scale, since_s=state.now_s)
    return Afterwards(setup, state, faces(settings, setup.line, bases(setup, state)), clock)
