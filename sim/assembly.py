"""Build a simulated rig from a shop's configuration: the only conversion of settings to plant parameters."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rig.fluid import FluidError
from rig.run.assembly import fluid_of
from rig.run.settings import Settings
from rig.units import KPA_PER_PSI
from rig.wheel import Cavity, SizeError, cavity_of, read_size
from sim.liquids import air_solubility, vapour_kpa
from sim.plant.params import (
    AirTankParams,
    FluidParams,
    HeatParams,
    MeterParams,
    PipeParams,
    PlantParams,
    PumpParams,
    TyreParams,
)
from sim.plant.sensors import split_of
from sim.table import SimTable, sim_of

if TYPE_CHECKING:
    from rig.run.meter_table import MeterTable

_PULSES_PER_L = 100.0
"""Pulses per litre of the plant's meter, where the rig reads another kind."""
_HEIGHTS = 65
"""Points of the table of surface height by fraction of the cavity."""
_GAUGE_RANGE_KPA = 60 * KPA_PER_PSI
"""Range at whose end a gauge's span error is whole."""


class AssemblyError(ValueError):
    """A configuration from which no plant can be built; the message says what to write instead."""


def plant_params(settings: Settings, size: str | None = None) -> PlantParams:
    """The plant that a configuration describes; ``size`` replaces the one in ``[sim]``.

    :class:`AssemblyError` for a size or fluid that cannot be read, or more existing liquid than the cavity's volume.
    """
    sim = sim_of(settings)
    pump, pipe = settings.pump, settings.pipe
    return PlantParams(
        tyre=_tyre(sim, size, settings.tote.temperature),
        fluid=_fluid(settings),
        pipe=PipeParams(
            suction_l=pipe.suction_volume,
            hose_l=pipe.hose_volume * sim.hose_volume_factor,
            length_m=pipe.hose_length,
            bore_m=pipe.hose_bore,
            gauge_height_m=pipe.gauge_height,
            start_liquid_l=sim.hose_liquid,
            fittings_kpa=sim.fittings_loss,
            linear_kpa=sim.linear_loss,
            suction_length_m=sim.suction_length or 0.0,
            suction_bore_m=sim.suction_bore,
            suction_lift_m=sim.suction_lift,
        ),
        pump=PumpParams(
            flow_lps=pump.flow,
            reverse_lps=sim.reverse_flow or pump.reverse_flow,
            slip_lps_per_kpa=pump.slip,
            rest_slip_lps_per_kpa=sim.rest_slip,
            start_lag_s=pump.start_lag,
            coast_s=pump.coast,
            relay_delay_s=sim.relay_delay,
            relief_kpa=pump.relief,
        ),
        meter=_meter(settings.meter, sim, "meter_reverse_count" in settings.points),
        vent_bore_m=settings.air_out.vent_bore,
        tote_l=settings.tote.content,
        heel_l=settings.tote.heel,
        vortex_l=sim.vortex,
        brim_l=sim.tote_brim,
        atmosphere_kpa_abs=settings.rig.atmosphere,
        sensor_lag_s=sim.sensor_lag,
        gauge_error_kpa=sim.gauge_error,
        gauge_split=split_of(sim.gauge_split, _GAUGE_RANGE_KPA),
        gauge_noise_kpa=sim.gauge_noise,
        air_tank=_air_tank(settings, sim),
        has_fill_valve="fill_valve" in settings.points,
        fill_travel_s=settings.valves.fill_travel,
        vent_travel_s=sim.vent_travel,
        lever=settings.rig.by_hand,
        has_supply_relay="pump_run" in settings.points,
        seed=sim.seed,
    )


def size_of(settings: Settings, size: str | None = None) -> str:
    """The size designation of the simulated tyre."""
    return size or sim_of(settings).size


def _tyre(sim: SimTable, size: str | None, liquid_c: float) -> TyreParams:
    try:
        cavity = cavity_of(read_size(size or sim.size))
    except SizeError as error:
        raise AssemblyError(f"sim.size: {error}") from error
    # A cavity in litres belongs to the size in the same table; another size on the command line has its own.
    stated = sim.cavity if size is None else None
    volume_l = stated if stated is not None else cavity.volume_l * sim.cavity_factor
    if sim.existing >= volume_l:
        raise AssemblyError(f"sim.existing: {sim.existing:.0f} L do not go into a cavity of {volume_l:.0f} L")
    # The wheel stands on the ground, its tread undeflected.
    axle_m = 0.5 * cavity.outline.diameter_m
    return TyreParams(
        cavity_l=volume_l,
        growth_per_psi=sim.growth,
        sag_per_psi=sim.sag,
        exponent=sim.exponent,
        heat=_heat(sim, liquid_c),
        growth_delayed=sim.growth_delayed,
        growth_s=sim.growth_time,
        valve_fraction=cavity.fraction_at_clock(sim.valve_at),
        valve_height_m=axle_m + cavity.valve_height_m(sim.valve_at),
        surface_heights_m=_heights(cavity, axle_m),
        bore_m=sim.valve_bore,
        discharge=sim.discharge,
        bore_length_m=sim.valve_length or 0.0,
        bead_limit_kpa=sim.bead_limit,
        start_kpa=sim.start_pressure,
        existing_l=sim.existing,
    )


def _heat(sim: SimTable, liquid_c: float) -> HeatParams | None:
    if sim.heat_time is None:
        return None
    return HeatParams(
        time_s=sim.heat_time,
        wall_c=liquid_c if sim.wall_temperature is None else sim.wall_temperature,
        vapour_s=math.inf if sim.vapour_time is None else sim.vapour_time,
        dissolves_s=math.inf if sim.dissolving_time is None else sim.dissolving_time,
    )


def _air_tank(settings: Settings, sim: SimTable) -> AirTankParams | None:
    if settings.air_tank is None:
        return None
    volume_l = settings.air_tank.volume if sim.tank_volume is None else sim.tank_volume
    return AirTankParams(
        volume_l=volume_l,
        start_kpa=sim.tank_pressure,
        valve_bore_m=sim.air_bore,
        heat_s=sim.tank_heat_time,
        gauge_error_kpa=sim.gauge_error,
        gauge_split=split_of(sim.gauge_split, _GAUGE_RANGE_KPA),
        gauge_noise_kpa=sim.gauge_noise,
    )


def _heights(cavity: Cavity, axle_m: float) -> tuple[float, ...]:
    return tuple(axle_m + cavity.level_of_fraction(step / (_HEIGHTS - 1)) for step in range(_HEIGHTS))


def _fluid(settings: Settings) -> FluidParams:
    tote = settings.tote
    try:
        fluid = fluid_of(settings, tote.fluid)
        density = fluid.density_kg_m3(tote.temperature)
        viscosity = fluid.viscosity_mpas(tote.temperature)
    except FluidError as error:
        raise AssemblyError(f"tote.fluid: {error}") from error
    vapour = vapour_kpa(fluid, tote.temperature)
    return FluidParams(density, viscosity, tote.temperature, vapour, air_solubility(fluid))


def _meter(meter: MeterTable, sim: SimTable, second_channel: bool) -> MeterParams:
    # The meter factor is true over indicated volume, so the true pulses per litre are the plate's divided by it.
    plate_k = _PULSES_PER_L if meter.k_factor is None else meter.k_factor
    true_k = sim.k_factor if sim.k_factor is not None else plate_k / meter.meter_factor
    return MeterParams(
        k_per_l=true_k,
        plate_k_per_l=plate_k,
        reverse=meter.reverse,
        second_channel=second_channel and meter.reverse == "signed",
        on_air=sim.on_air or meter.on_air,
        flow_lag_s=sim.rate_lag,
        noise=sim.meter_noise,
        viscosity_drift=sim.viscosity_drift,
        proven_mpas=sim.proven_viscosity,
        slip=sim.meter_slip,
        slip_after_l=sim.meter_slip_after,
    )
