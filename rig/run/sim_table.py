"""Configuration of the simulated plant. The controller never reads it."""

from __future__ import annotations

from pydantic import Field

from rig.control.values import OnAir
from rig.field.points import Seconds, Strict
from rig.run.quantities import Flow, Length, PerVolume, Pressure, Volume
from rig.units import KPA_PER_PSI


class SimTable(Strict):
    """True values of the simulated plant, read by the simulator only."""

    size: str = "16.9-28"
    cavity: Volume | None = None
    """True cavity; by default the size designation's volume times ``cavity_factor``."""
    cavity_factor: float = Field(default=1.0, gt=0.5, lt=1.5)
    growth: float = Field(default=0.0, ge=0, le=0.005)
    """Cavity growth per psi."""
    sag: float = Field(default=0.0, ge=0, le=0.1)
    """Share of the cavity lost to wall deflection for each psi below ambient, besides the growth."""
    exponent: float = Field(default=1.0, ge=1.0, le=1.4)
    """Polytropic exponent of the air inside: 1 is isothermal."""
    liquid_warmer: float = Field(default=0.0, ge=-30, le=30)
    """Kelvin by which the liquid is warmer than the air inside at the start."""
    gauge_error: Pressure = Field(default=0.0, ge=0)
    """One standard deviation of the line gauge's error, drawn by seed."""
    gauge_noise: Pressure = Field(default=0.0, ge=0)
    """One standard deviation of a scan's noise of either gauge, mostly white, a little of it slow."""
    start_pressure: Pressure = 0.0
    existing: Volume = 0.0
    """Liquid already in the tyre."""
    valve_bore: Length = 0.008
    valve_at: float = Field(default=12.0, ge=1.0, le=12.99)
    """Clock position of the valve, hours."""
    discharge: float = Field(default=0.7, gt=0.3, lt=1.0)
    """Discharge coefficient of the valve bore for liquid."""
    k_factor: PerVolume | None = None
    """True pulses per litre; by default the meter's plate value divided by the meter factor."""
    meter_noise: float = Field(default=0.0, ge=0, le=0.05)
    """Relative linearity error of the meter over its flow range, one standard deviation, drawn by seed."""
    on_air: OnAir | None = None
    """True behaviour of the meter on air; by default as configured."""
    rate_lag: Seconds = Field(default=0.5, gt=0)
    """True damping of the meter's flow rate."""
    reverse_flow: Flow | None = None
    """True reverse flow of the pump; by default as configured."""
    tote_brim: Volume | None = None
    """Content at which the float at the tote's rim rises."""
    hose_volume_factor: float = Field(default=1.0, gt=0.5, lt=1.5)
    hose_liquid: Volume | None = None
    """Liquid in the hose at the start; by default the hose is full."""
    bead_limit: Pressure = -4 * KPA_PER_PSI
    """Gauge pressure below which a bead leaves the rim."""
    rest_slip: float = Field(default=0.0, ge=0)
    """Leak-back through the pump at rest, L/s per kPa."""
    sensor_lag: Seconds = 0.2
    relay_delay: Seconds = 0.05
    seed: int = 1
