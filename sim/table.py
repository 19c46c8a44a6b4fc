"""The ``[sim]`` table of a configuration: true values of the simulated plant. The controller passes it over unread."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, ValidationError, model_validator

from rig.control.words.values import OnAir
from rig.field.points import Seconds, Strict
from rig.run.mistakes import explain
from rig.run.quantities import Flow, Height, Length, PerVolume, Pressure, Temperature, Volume
from rig.run.settings import Settings, SettingsError
from rig.units import KPA_PER_PSI

_WITH_HEAT = ("wall_temperature", "vapour_time", "dissolving_time")


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
    """Polytropic exponent of the air inside, without ``heat_time``: 1 is isothermal."""
    heat_time: Seconds | None = Field(default=None, gt=0)
    """Time constant in which air that fills the cavity takes the walls' temperature; without it none is exchanged."""
    wall_temperature: Temperature | None = None
    """Temperature of tyre, rim and the air inside at the start; by default the liquid's. Only with ``heat_time``."""
    vapour_time: Seconds | None = Field(default=None, gt=0)
    """Time constant in which the liquid's vapour saturates the air inside; only with ``heat_time``."""
    dissolving_time: Seconds | None = Field(default=None, gt=0)
    """Time constant in which air dissolves in the liquid; only with ``heat_time``."""
    growth_delayed: float = Field(default=0.0, ge=0, le=1)
    """Share of the growth that comes late, with the time constant ``growth_time``."""
    growth_time: Seconds = Field(default=60.0, gt=0)
    gauge_error: Pressure = Field(default=0.0, ge=0)
    """One standard deviation of the line gauge's error, drawn by seed."""
    gauge_split: Literal["each pressure", "data sheet"] = "each pressure"
    """How that error goes with the pressure: drawn for each by itself, or as zero, span and curve of a data sheet."""
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
    valve_length: Length | None = None
    """Length of the bore: with it the coefficient falls at low Reynolds numbers."""
    fittings_loss: Pressure = Field(default=0.0, ge=0)
    """Loss of meter, strainer and gun with water at the pump's full flow; grows with the square of the flow."""
    linear_loss: Pressure = Field(default=0.0, ge=0)
    """Their loss that grows in proportion to the flow, at the pump's full flow."""
    suction_length: Length | None = None
    """Length of the suction line: with it the pump gives no more than comes through the line without cavitation."""
    suction_bore: Length = 0.0254
    suction_lift: Height = 0.0
    """Height of the pump above the tote's surface."""
    vortex: Volume = 0.0
    """Content above the heel below which the dip tube draws air with the liquid."""
    k_factor: PerVolume | None = None
    """True pulses per litre; by default the meter's plate value divided by the meter factor."""
    meter_noise: float = Field(default=0.0, ge=0, le=0.05)
    """Relative linearity error of the meter over its flow range, one standard deviation, drawn by seed."""
    on_air: OnAir | None = None
    """True behaviour of the meter on air; by default as configured."""
    viscosity_drift: float = Field(default=0.0, ge=-0.2, le=0.2)
    """Relative change of the meter's pulses per litre between 1 and 500 mPa·s."""
    proven_viscosity: float = Field(default=1.0, gt=0, le=1000)
    """Viscosity in mPa·s of the liquid with which the meter was proven."""
    meter_slip: float = Field(default=0.0, ge=0, le=0.5)
    """Share that the meter misses once ``meter_slip_after`` has passed it."""
    meter_slip_after: Volume = 0.0
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
    tank_pressure: Pressure = Field(default=100 * KPA_PER_PSI, ge=0)
    """In the tank of air at the start, where one is configured."""
    tank_volume: Volume | None = None
    """True volume of that tank; by default as configured."""
    tank_heat_time: Seconds = Field(default=12.0, gt=0)
    """Time constant in which its air takes the temperature of its walls."""
    air_bore: Length = 0.003
    """Bore of the air valve."""
    relay_delay: Seconds = 0.05
    vent_travel: Seconds = 0.0
    seed: int = 1

    @model_validator(mode="after")
    def _one_law(self) -> SimTable:
        """The gas obeys one law."""
        if self.heat_time is None:
            given = [name for name in _WITH_HEAT if getattr(self, name) is not None]
            if given:
                raise ValueError(f"{given[0]}: give heat_time too, for example 20 s")
        elif self.exponent != 1.0:
            raise ValueError("exponent: leave it out with heat_time, which decides how the air follows compression")
        return self


def sim_of(settings: Settings) -> SimTable:
    """The table of a configuration, by default without any key; SettingsError names the keys that are wrong."""
    if isinstance(settings.sim, SimTable):
        return settings.sim
    try:
        return SimTable.model_validate(settings.sim)
    except ValidationError as error:
        lines = [f"sim.{line}" for fault in error.errors() for line in explain(fault, SimTable)]
        raise SettingsError("\n".join(lines)) from error


def with_sim(settings: Settings, **true: object) -> Settings:
    """The settings with true values replaced, in the units of the table's fields."""
    return settings.model_copy(update={"sim": sim_of(settings).model_copy(update=true)})
