"""What a judge may use: one tick of a virtual fill as it goes over the wire, and the plant's true state.

It reads values and names of the controller's decision without computing; it must not know how they were decided.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.control.moves.decide import Decision
    from rig.control.words.values import Request
    from sim.plant.whole import Plant

OnBreach = Callable[[str, str], None]
"""Takes the name and the text of a breach."""
Used = Callable[[str, float], None]
"""Takes the name of a requirement and the share of its limit that was used."""
MEASURED = frozenset({
    "I3 every pulse", "I4 record true", "I5 floor", "I5 tyre pressure", "I6 emergency stop", "I6 field lost",
    "I6 flow without command", "I6 no flow", "I6 time-out armed", "I6 trip pressure", "I9 totals as journalled",
    "dry run", "gun off at rest", "overfilled", "pressure left", "pumped astray", "record's pressures", "target met",
    "vented liquid",
})  # fmt: skip
"""Requirements with a distance: the share of their limit that a fill used, 1 and more in a breach."""
LIVE = ("running", "holding", "held", "restarting", "stopping")
"""States of a fill that is in progress."""


@dataclass(frozen=True, slots=True)
class Breach:
    """A requirement that was broken."""

    name: str
    at_s: float
    text: str


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits of a fill as plain numbers; gauge pressures."""

    target_l: float
    floor_kpa: float
    ceiling_kpa: float
    trip_kpa: float
    pump_lps: float
    coast_s: float
    scan_s: float
    relay_s: float
    sensor_s: float
    relief_kpa: float
    head_kpa: float
    """The liquid column between gauge and valve."""
    dry_run_s: float
    dry_rest_s: float
    suction_l: float
    hose_l: float
    checks: frozenset[str]
    """Confirmations that a start needs."""
    faults: frozenset[str]
    """Faults injected into this fill, at any time."""
    delivers: bool = True
    """No person interferes, so a sound rig must complete the fill and meet the target."""
    counts_back: bool = True
    gun_off_first: bool = False
    """The gun comes off an open valve, and the remaining tyre pressure is lost."""
    rise_kpa: float = 0.0
    """Column of liquid in the hose from the gauge up to the valve."""
    column_kpa: float = 0.0
    """Liquid column above the valve of a tyre that is emptied, and in the hose: the gauge may read this much high."""
    stalled_s: float = 0.0
    """Time for which the outputs stay as they are while the controller stalls, up to their module's time-out."""

    def reacted_l(self, detect_s: float) -> float:
        """Litres that still pass after the onset of a condition detected within ``detect_s``.

        A stall, two scans to read and to command, the relay's delay, and half the coast-down, all at the full flow.
        """
        waits_s = detect_s + self.stalled_s + 2 * self.scan_s
        return self.pump_lps * (waits_s + self.relay_s + self.coast_s / 2)


@dataclass(slots=True)
class Seen:
    """One tick. Not frozen: one is created in every tick, and a frozen one would take three times as long."""

    now_s: float
    dt_s: float
    state: str
    phase: str
    run: bool
    reverse: bool
    vent: bool
    other: bool
    """Fill valve or flush valve on."""
    first_out: str | None
    prompt: str | None
    forward: int
    back: int
    """Pulses in the controller's account."""
    stop_pressed: bool
    requests: Sequence[tuple[str, str, str]]
    """Id, kind and name of a person's requests before this tick."""
    moving: bool
    """Anything that moves liquid or air is commanded."""
    notes: Sequence[str] = ()
    """Kinds of everything noted in this tick."""
    steps: Sequence[tuple[str, str]] = ()
    """Changes of state noted in this tick."""
    alarms: Sequence[str] = ()
    outcomes: Sequence[str] = ()


def seen_of(decision: Decision, requests: Sequence[Request], before_s: float | None) -> Seen:
    """Convert a decision to a tick for the judge; ``before_s`` is the time of the previous tick."""
    state, outputs, entries = decision.state, decision.outputs, decision.entries
    run, reverse, vent = outputs.pump_run, outputs.pump_reverse, outputs.vent_valve
    other = outputs.fill_valve or outputs.flush_valve
    seen = Seen(
        now_s=state.now_s,
        dt_s=state.now_s - before_s if before_s is not None else 0.0,
        state=state.state.value,
        phase=state.phase.value,
        run=run,
        reverse=reverse,
        vent=vent,
        other=other,
        first_out=state.alarms.first_out,
        prompt=decision.prompt.name if decision.prompt else None,
        forward=state.tally.pulses_forward,
        back=state.tally.pulses_returned,
        stop_pressed=bool(decision.facts.reading.stop_pressed),
        requests=[(r.id, r.kind, r.name) for r in requests],
        moving=run or reverse or vent or other,
    )
    if entries:
        seen.notes = [e.kind for e in entries]
        seen.steps = [(str(e.data["was"]), str(e.data["now"])) for e in entries if e.kind == "state"]
        seen.alarms = [str(e.data["name"]) for e in entries if e.kind == "alarm"]
        seen.outcomes = [str(e.data["outcome"]) for e in entries if e.kind == "outcome"]
    return seen


def tyre_kpa(plant: Plant) -> float:
    """The tyre's true gauge pressure."""
    return plant.tyre.pressure() - plant.tyre.atmosphere


def delivered_l(plant: Plant) -> float:
    """True liquid in the tyre, less that at the start."""
    return plant.tyre.liquid_l - plant.start_liquid_l


def at_valve(plant: Plant) -> bool:
    """Whether the tyre's liquid stands at its valve, within a hundredth of the cavity."""
    return plant.tyre.fraction() >= plant.params.tyre.valve_fraction - 0.01
