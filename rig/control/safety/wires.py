"""Conditions of the wiring, the modules and the controller itself: plain limits, no estimates."""

from __future__ import annotations

from rig.control.belief.observe import Facts
from rig.control.words.values import Setup

_NEEDED = frozenset({"meter_count", "line_pressure"})


def estop(setup: Setup, facts: Facts) -> bool:
    """The emergency stop is pressed, or its wire is broken."""
    return facts.reading.estop_ok is False


def field_lost(setup: Setup, facts: Facts) -> bool:
    """The modules do not answer."""
    return not facts.reading.reachable


def untrusted(setup: Setup, facts: Facts) -> bool:
    """Meter or gauge is stale or out of range."""
    return not facts.reading.untrusted.isdisjoint(_NEEDED)


def both_on(setup: Setup, facts: Facts) -> bool:
    """Run and reverse read on together."""
    return facts.reading.both_seen


def not_obeyed(setup: Setup, facts: Facts) -> bool:
    """An output reads back differently from its command, or its module does not accept the command."""
    seen = facts.reading.outputs_seen
    if seen is None or facts.reading.unrenewed:
        return bool(facts.reading.unrenewed)
    sent = facts.outputs
    return (seen.pump_run, seen.pump_reverse, seen.vent_valve) != (sent.pump_run, sent.pump_reverse, sent.vent_valve)


def off_unconfirmed(setup: Setup, facts: Facts) -> bool:
    """An output that should be off is unconfirmed."""
    return bool(facts.reading.unconfirmed)


def elsewhere(setup: Setup, facts: Facts) -> bool:
    """An output is switched by someone else."""
    return bool(facts.reading.elsewhere)


def late(setup: Setup, facts: Facts) -> bool:
    """The loop was late while something moved."""
    return _too_late(setup, facts) and not _by_bus(facts)


def bus_late(setup: Setup, facts: Facts) -> bool:
    """The loop was late while something moved, mostly because of the bus."""
    return _too_late(setup, facts) and _by_bus(facts)


def _too_late(setup: Setup, facts: Facts) -> bool:
    moving = facts.forward or facts.reverse or facts.venting
    return moving and facts.reading.late_s > setup.late_s


def _by_bus(facts: Facts) -> bool:
    return facts.reading.bus_s > facts.reading.late_s / 2


def journal_behind(setup: Setup, facts: Facts) -> bool:
    """The journal's disk writes are behind."""
    return facts.reading.journal_lag_s > 3.0


def timeout_lost(setup: Setup, facts: Facts) -> bool:
    """The relay module's own time-out does not read back as written."""
    shown_s = facts.reading.output_timeout_s
    return shown_s is not None and not setup.armed(shown_s)
