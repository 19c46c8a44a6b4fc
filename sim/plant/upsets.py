"""Switches for faults of a plant. All off is a healthy rig. The faults' names are defined in :mod:`sim.faults`."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class Upsets:
    """The active upsets."""

    meter_stuck: bool = False
    meter_dead: bool = False
    meter_gain: float = 1.0
    meter_noise_hz: float = 0.0
    air_share: float = 0.0
    pump_dead: bool = False
    pump_welded: bool = False
    reverse_welded: bool = False
    pump_gain: float = 1.0
    vent_stuck: bool | None = None
    """Position of the vent valve regardless of its command; None: it obeys."""
    air_stuck: bool = False
    """The air valve is open whatever its command."""
    gun_blown: bool = False
    insert_stuck: bool = False
    """A hand that closes the tyre valve does not close it."""
    leak_bore_m: float = 0.0
    blocked: bool = False
    pressure_stuck: bool = False
    pressure_offset_kpa: float = 0.0
    pressure_drift_kpa_s: float = 0.0
    level_stuck: bool = False
    estop: bool = False
    vent_wet: bool = False
    """The liquid-in-vent switch is closed whether there is liquid or not."""
    bus_silent: bool = False
    bus_late: float = 0.0
    """Delay of replies, in multiples of the link's time-out."""
    bus_exception: bool = False
    write_ignored: bool = False
