"""Plants for tests, built from plain numbers."""

from __future__ import annotations

from dataclasses import replace

from sim.plant.params import Coils, FluidParams, MeterParams, PipeParams, PlantParams, PumpParams, TyreParams
from sim.plant.whole import Plant

KPA_PER_PSI = 6.894757293168361
L_PER_GAL = 3.785411784
ATM = 101.325
IDLE = Coils(hand_gun_on=True, hand_valve_open=True)
FILL = replace(IDLE, pump_run=True)
DRAW = replace(IDLE, pump_reverse=True)
VENT = replace(IDLE, vent_valve=True)
CORE_IN = replace(IDLE, hand_valve_open=False)
GUN_OFF = Coils()

INSTANT = PumpParams(start_lag_s=0.0, coast_s=0.0, relay_delay_s=0.0)
# All at one height, so that no head of liquid disturbs a pressure that a test works out by hand.
TYRE = TyreParams(cavity_l=348.3, valve_height_m=1.0, surface_heights_m=(0.2, 1.0))
PIPE = PipeParams(gauge_height_m=1.0)


def params(**changes: object) -> PlantParams:
    """A plant without lags; change any of its parts by name."""
    base = PlantParams(tyre=TYRE, pipe=PIPE, pump=INSTANT, sensor_lag_s=0.0)
    return replace(base, **changes)  # type: ignore[arg-type]


def plant(**changes: object) -> Plant:
    """The plant of :func:`params`."""
    return Plant(params(**changes))


def gauge_psi(of: Plant) -> float:
    """Gauge pressure of the tyre's gas, psi."""
    return (of.tyre.pressure() - ATM) / KPA_PER_PSI


__all__ = [
    "ATM",
    "CORE_IN",
    "DRAW",
    "FILL",
    "GUN_OFF",
    "IDLE",
    "INSTANT",
    "KPA_PER_PSI",
    "L_PER_GAL",
    "PIPE",
    "TYRE",
    "VENT",
    "FluidParams",
    "MeterParams",
    "Plant",
    "PumpParams",
    "gauge_psi",
    "params",
    "plant",
    "replace",
]  # fmt: skip
