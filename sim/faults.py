"""Faults by name: the effect of each on the plant or its wiring, and a schedule that applies them in plant time.

On the command line a fault is ``NAME@SECONDS`` or ``NAME@SECONDS:DURATION``; without a duration it stays.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from sim.plant.upsets import Upsets

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from sim.modules import Modules

_FAR_KPA = 5000.0
"""Beyond the range of any transmitter of such a rig."""
_ROLL_BACK_L = 20.0
_FULL_SHARE = 0.4


class FaultError(ValueError):
    """A fault that cannot be parsed; the message says what to write instead."""


@dataclass(frozen=True, slots=True)
class Fault:
    """The effect of a fault: switches held while it is active, or one action at its onset."""

    text: str
    holds: Mapping[str, object] = field(default_factory=dict)
    act: Callable[[Modules], None] | None = None
    only_at_start: bool = False


def _reset_meter(modules: Modules) -> None:
    modules.plant.meter.reset()


def _roll_back(modules: Modules) -> None:
    modules.plant.meter.roll_back(_ROLL_BACK_L)


def _drain(modules: Modules) -> None:
    modules.plant.line.drain_tote()


def _lose_bead(modules: Modules) -> None:
    modules.plant.tyre.lose_bead()


def _restart(modules: Modules) -> None:
    modules.restart()


def _already_full(modules: Modules) -> None:
    modules.plant.start_with(_FULL_SHARE)


FAULTS: Mapping[str, Fault] = {
    "meter_stuck": Fault("the count stands still while liquid flows, then jumps to the truth", {"meter_stuck": True}),
    "meter_dead": Fault("liquid flows and gives no pulses", {"meter_dead": True}),
    "meter_noise": Fault("stray pulses, 40 a second on average", {"meter_noise_hz": 40.0}),
    "meter_double": Fault("every pulse counts twice", {"meter_gain": 2.0}),
    "meter_backwards": Fault("the meter's channels are swapped: it counts down while filling", {"meter_gain": -1.0}),
    "meter_reset": Fault("the count goes to zero once", act=_reset_meter),
    "meter_rollback": Fault(f"the count jumps back by {_ROLL_BACK_L:.0f} L once", act=_roll_back),
    "air_in_line": Fault("the suction line draws air: a quarter of what is pumped", {"air_share": 0.25}),
    "pump_no_start": Fault("the pump does not turn, or stops", {"pump_dead": True}),
    "pump_welded": Fault("the run contactor is welded: the pump does not stop", {"pump_welded": True}),
    "reverse_welded": Fault("the reverse contactor is welded: the pump draws back", {"reverse_welded": True}),
    "pump_slow": Fault("the pump runs at half speed", {"pump_gain": 0.5}),
    "valve_stuck_open": Fault("the vent valve is open whatever its relay", {"vent_stuck": True}),
    "valve_stuck_shut": Fault("the vent valve is shut whatever its relay", {"vent_stuck": False}),
    "hose_off": Fault("the gun is blown off the valve", {"gun_blown": True}),
    "leak": Fault("the tyre leaks gas, and liquid if it holds some, by a hole of 2 mm", {"leak_bore_m": 0.002}),
    "blocked": Fault("the bore of the tyre valve is blocked", {"blocked": True}),
    "pressure_stuck": Fault("the line gauge stands still", {"pressure_stuck": True}),
    "pressure_high": Fault("the line gauge is over its range", {"pressure_offset_kpa": _FAR_KPA}),
    "pressure_low": Fault("the line gauge is under its range", {"pressure_offset_kpa": -_FAR_KPA}),
    "pressure_drift": Fault("the line gauge drifts up by 0.5 kPa/s", {"pressure_drift_kpa_s": 0.5}),
    "tote_empty": Fault("the tote is drained to its heel", act=_drain),
    "level_stuck": Fault("the tote's level stands still", {"level_stuck": True}),
    "estop": Fault("the emergency stop is pressed: the pump has no power", {"estop": True}),
    "bus_silent": Fault("no device answers", {"bus_silent": True}),
    "bus_slow": Fault("replies come later than the link's time-out", {"bus_late": 1.5}),
    "exception_reply": Fault("every request is answered with exception 4", {"bus_exception": True}),
    "write_ignored": Fault("writes are acknowledged and do nothing", {"write_ignored": True}),
    "device_restart": Fault("the output module restarts: outputs off, time-out register 0", act=_restart),
    "liquid_in_vent": Fault("the liquid-in-vent switch is closed", {"vent_wet": True}),
    "insert_not_seated": Fault("a hand that closes the tyre valve does not close it", {"insert_stuck": True}),
    "bead_loss": Fault("a bead leaves the rim", act=_lose_bead),
    "already_full": Fault("the tyre starts with 40 % liquid", act=_already_full, only_at_start=True),
}


@dataclass(frozen=True, slots=True)
class Event:
    """A fault with its onset and duration."""

    name: str
    onset_s: float
    duration_s: float | None = None

    def active(self, now: float) -> bool:
        """Whether the fault is active at a plant time."""
        since = now - self.onset_s
        return since >= 0.0 and (self.duration_s is None or since < self.duration_s)


def read_fault(text: str) -> Event:
    """Parse ``NAME@SECONDS[:DURATION]``; :class:`FaultError` if it is no event."""
    name, at, times = text.partition("@")
    onset, colon, duration = times.partition(":")
    fault = FAULTS.get(name)
    if fault is None:
        near = difflib.get_close_matches(name, FAULTS, n=3, cutoff=0.4)
        hint = f"did you mean {' or '.join(near)}?" if near else f"known are {', '.join(FAULTS)}"
        raise FaultError(f"{name!r} is no fault: {hint}")
    onset_s, duration_s = _seconds(onset), _seconds(duration) if colon else None
    if not at or onset_s is None or (colon and not duration_s):
        raise FaultError(f"{text!r}: write {name}@SECONDS or {name}@SECONDS:DURATION, for example {name}@20:5")
    if fault.only_at_start and onset_s > 0.0:
        raise FaultError(f"{text!r}: this is how the tyre starts; write {name}@0")
    return Event(name, onset_s, duration_s)


def _seconds(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) and value >= 0.0 else None


class Schedule:
    """Events in plant time, applied to the switches of a plant."""

    def __init__(self, events: Iterable[Event] = ()) -> None:
        self.events = tuple(sorted(events, key=lambda event: event.onset_s))
        times = {event.onset_s for event in self.events}
        times |= {event.onset_s + event.duration_s for event in self.events if event.duration_s is not None}
        self._changes = sorted(times)
        self._acted: set[Event] = set()

    def next_change(self) -> float:
        """Time of the next onset or end; infinite if there is none."""
        return self._changes[0] if self._changes else math.inf

    def apply(self, now: float, modules: Modules) -> None:
        """Set the switches for a plant time, and perform each due action once."""
        while self._changes and self._changes[0] <= now:
            self._changes.pop(0)
        upsets = Upsets()
        for event in self.events:
            fault = FAULTS[event.name]
            if event.active(now):
                upsets = replace(upsets, **fault.holds)  # type: ignore[arg-type]
            if fault.act is not None and event.onset_s <= now and event not in self._acted:
                self._acted.add(event)
                fault.act(modules)
        modules.plant.upset(upsets)

    def document(self, now: float) -> list[dict[str, object]]:
        """The events for the truth file."""
        return [
            {"name": e.name, "onset_s": e.onset_s, "duration_s": e.duration_s, "active": e.active(now)}
            for e in self.events
        ]
