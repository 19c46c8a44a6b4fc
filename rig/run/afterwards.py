"""Supervision after a fill that ended with its valve open: no fill runs, and the gun may still be on the tyre.

The field is judged by the guard rows that detect a pump running uncommanded. What they find is written into the fill's
journal. The module must not know front ends.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from rig.control.belief.observe import observe
from rig.control.belief.state import FillState, bases, in_force
from rig.control.moves.decide import Decision
from rig.control.safety.guard import Guard
from rig.control.safety.guards import GUARD_NAMED
from rig.control.words.procedure import ENDED
from rig.control.words.values import Reading, Setup
from rig.field.field import Field
from rig.field.modbus import FieldError
from rig.ledger.journal import JournalError
from rig.run.alone import controlling
from rig.run.clock import Clock
from rig.run.clock_memory import utc_now
from rig.run.interrupted import journal_of, reading_now
from rig.run.metering import MeterFace, faces
from rig.run.outputs import field_of
from rig.run.readings import conversions, plant_s
from rig.run.settings import Settings

_ROWS = "flow_while_stopped", "moves_while_off"
AFTER_END = "after_end"
"""Kind of the journal's entry for what moved after a fill had ended."""


@dataclass(slots=True)
class Afterwards:
    """One fill that has ended, and the rig since then."""

    setup: Setup
    state: FillState
    meters: Sequence[MeterFace]
    clock: Clock
    detected: Guard | None = None
    """The guard that was detected; latched until the next work begins."""

    def see(self, reading: Reading) -> None:
        """Take in one scan; its time continues the fill's."""
        self.state, facts = observe(self.setup, self.state, reading)
        setup = in_force(self.setup, self.state)
        rows = (GUARD_NAMED[name] for name in _ROWS)
        self.detected = self.detected or next((row for row in rows if row.condition(setup, facts)), None)


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


async def look(settings: Settings, field: Field, after: Afterwards | None) -> Reading:
    """Scan the field once while no fill runs, and judge it by ``after``.

    What is found for the first time switches every output off once more and the beacon on, and goes into the journal.
    """
    began_s = asyncio.get_running_loop().time()
    await field.scan()
    if after is None:
        return reading_now(settings, field, began_s)
    units = conversions(settings.quantities, settings.rig.atmosphere)
    now_s = after.clock.tick(plant_s(field.values, units, began_s))
    reading = reading_now(settings, field, began_s, now_s=now_s, meters=after.meters, acting=after.state.measure)
    before = after.detected
    after.see(reading)
    if after.detected is not None and before is None:
        await _call(settings, field)
        _keep(settings, after, after.detected, reading.line_kpa)
    return reading


async def watch(settings: Settings, after: Afterwards, done: Callable[[], bool], say: Callable[[Guard], None]) -> None:
    """Look once a scan until ``done``; ``say`` is called once, with what was found. Outputs are off at the end.

    Raises LockedError if another controller works the rig by now.
    """
    with controlling(settings), contextlib.closing(field_of(settings)) as field:
        while not done():
            before = after.detected
            await look(settings, field, after)
            if after.detected is not None and before is None:
                say(after.detected)
            await asyncio.sleep(settings.clock.scan / settings.clock.scale)
        with contextlib.suppress(FieldError):
            await field.write(dict.fromkeys(settings.outputs, False))


async def _call(settings: Settings, field: Field) -> None:
    """Switch everything off once more, and the beacon on."""
    with contextlib.suppress(FieldError):
        await field.write({name: name == "beacon" for name in settings.outputs})


def _keep(settings: Settings, after: Afterwards, found: Guard, line_kpa: float | None) -> None:
    """Write what was found into the fill's journal; a disk that fails must not end the watch."""
    data: dict[str, object] = {"name": found.name, "text": found.text, "line_kpa": line_kpa}
    with contextlib.suppress(JournalError), contextlib.closing(journal_of(Path(settings.rig.data))) as journal:
        journal.append(after.setup.fill_id, utc_now(), [(AFTER_END, data)], None)
