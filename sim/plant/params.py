"""True parameters of the simulated rig: plain numbers, no state. It knows neither configuration files nor tables."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from sim.plant.laws import KPA_PER_PSI
from sim.plant.sensors import ErrorSplit


@dataclass(frozen=True, slots=True)
class TyreParams:
    """Cavity, valve and bead. Heights are above the ground; fractions are of the cavity."""

    cavity_l: float
    growth_per_psi: float = 0.0
    sag_per_psi: float = 0.0
    """Additional share of the cavity lost per psi below ambient: radial walls yield, thick bias walls hardly."""
    valve_fraction: float = 0.79
    """Share of the cavity below the valve hole."""
    valve_height_m: float = 1.1
    surface_heights_m: tuple[float, ...] = (0.2, 1.4)
    """Height of the surface at equally spaced fractions from empty to full."""
    bore_m: float = 0.008
    discharge: float = 0.7
    bead_limit_kpa: float = -4.0 * KPA_PER_PSI
    """Gauge pressure below which a bead is lost."""
    start_kpa: float = 0.0
    existing_l: float = 0.0
    exponent: float = 1.0
    """Polytropic exponent of a gas without ``heat``: 1 is isothermal."""
    heat: HeatParams | None = None
    """Exchange of heat; None: the gas keeps the liquid's temperature, or follows ``exponent``."""
    growth_delayed: float = 0.0
    """Share of the growth that comes late."""
    growth_s: float = 60.0
    """Time constant of the late share."""
    bore_length_m: float = 0.0
    """Length of the bore; 0: ``discharge`` is the same for every Reynolds number, else that of a high one."""


@dataclass(frozen=True, slots=True)
class HeatParams:
    """Heat, vapour and dissolved air of the gas in the tyre."""

    time_s: float = 20.0
    """Time constant of the cavity full of air at 135 kPa absolute and 15 K from its walls; infinite: adiabatic."""
    wall_c: float = 15.0
    """Temperature of tyre, rim, outside air, and of gas and liquid inside at the start."""
    vapour_s: float = math.inf
    """Time constant in which vapour saturates the gas; infinite: no vapour."""
    dissolves_s: float = math.inf
    """Time constant in which air dissolves in the liquid; infinite: it does not."""


@dataclass(frozen=True, slots=True)
class FluidParams:
    """The liquid at its temperature, which is also that of gas in hose and suction line."""

    density_kg_m3: float = 1000.0
    viscosity_mpas: float = 1.1
    temperature_c: float = 15.0
    vapour_kpa: float = 0.0
    """Pressure of the saturated vapour over the liquid."""
    air_solubility: float = 0.02
    """Litres of air, at its own pressure, that saturate a litre of liquid (Ostwald coefficient)."""


@dataclass(frozen=True, slots=True)
class PipeParams:
    """Suction line and hose."""

    suction_l: float = 1.5
    hose_l: float = 3.9
    length_m: float = 7.62
    bore_m: float = 0.0254
    gauge_height_m: float = 0.6
    stretch_per_kpa: float = 3e-5
    """Relative growth of the hose's volume: a tight hose returns millilitres when relieved. No source."""
    start_liquid_l: float | None = None
    """Liquid in the hose at the start; None: full ("wet hose")."""
    fittings_kpa: float = 0.0
    """Loss of meter, strainer and gun that grows with the square of the flow: water at the pump's full flow."""
    linear_kpa: float = 0.0
    """Loss of meter, strainer and gun that grows in proportion to the flow: at the pump's full flow."""
    suction_length_m: float = 0.0
    """Length of the suction line; 0: without loss, so that the pump never cavitates."""
    suction_bore_m: float = 0.0254
    suction_lift_m: float = 0.0
    """Height of the pump above the tote's surface."""
    suction_needs_kpa: float = 25.0
    """Pressure above the liquid's vapour that the pump needs at its inlet. Assumed, no source."""


@dataclass(frozen=True, slots=True)
class PumpParams:
    """Reversible positive-displacement pump with its relief valve."""

    flow_lps: float = 40.0 / 60.0
    reverse_lps: float | None = None
    """Reverse flow; None: as forward."""
    slip_lps_per_kpa: float = 0.0004
    rest_slip_lps_per_kpa: float = 0.0
    """Leak-back through the pump at rest."""
    start_lag_s: float = 0.2
    coast_s: float = 1.0
    relay_delay_s: float = 0.05
    relief_kpa: float = 30.0 * KPA_PER_PSI
    relief_band_kpa: float = 10.0
    """Pressure above the setting at which the relief valve passes the whole flow."""


@dataclass(frozen=True, slots=True)
class MeterParams:
    """True properties of the meter: pulses per litre, and its behaviour in reverse."""

    k_per_l: float = 100.0
    plate_k_per_l: float = 100.0
    """Divisor of a totaliser."""
    reverse: Literal["signed", "unsigned", "none"] = "signed"
    second_channel: bool = False
    """Reverse pulses have their own register."""
    on_air: Literal["counts", "part", "blind"] = "counts"
    """What it counts of air: its volume, a part of it, or nothing."""
    flow_lag_s: float = 0.5
    """Time constant of the indicated flow."""
    noise: float = 0.0
    """Relative linearity error over the flow range, one standard deviation."""
    viscosity_drift: float = 0.0
    """Relative change of the pulses per litre between 1 and 500 mPa·s, in proportion to the logarithm."""
    proven_mpas: float = 1.0
    """Viscosity of the liquid with which ``k_per_l`` was found."""
    slip: float = 0.0
    """Share that is not counted any more after ``slip_after_l``."""
    slip_after_l: float = 0.0
    """Liquid past the meter, in both directions, after which it slips."""


@dataclass(frozen=True, slots=True)
class AirTankParams:
    """A tank of air at the gun, and the valve between."""

    volume_l: float
    start_kpa: float = 120.0 * KPA_PER_PSI
    valve_bore_m: float = 0.003
    discharge: float = 0.8
    heat_s: float = 12.0
    """Time constant of its air, at the density and difference for which the tyre's holds."""
    wall_c: float | None = None
    """Temperature of its walls, and of the air in it at the start; None: the liquid's."""
    gauge_error_kpa: float = 0.0
    gauge_split: ErrorSplit | None = None
    gauge_noise_kpa: float = 0.0


@dataclass(frozen=True, slots=True)
class PlantParams:
    """A whole rig."""

    tyre: TyreParams
    fluid: FluidParams = field(default_factory=FluidParams)
    pipe: PipeParams = field(default_factory=PipeParams)
    pump: PumpParams = field(default_factory=PumpParams)
    meter: MeterParams = field(default_factory=MeterParams)
    vent_bore_m: float = 0.008
    gas_discharge: float = 0.8
    """Discharge coefficient of a short bore for gas."""
    tote_l: float = 900.0
    heel_l: float = 20.0
    vortex_l: float = 0.0
    """Content above the heel below which the dip tube draws air with the liquid."""
    vortex_air: float = 0.3
    """Share of air at the heel; it grows in proportion. Assumed, no source."""
    brim_l: float | None = None
    """Content at which the float at the tote's rim rises; None: no float."""
    atmosphere_kpa_abs: float = 101.325
    sensor_lag_s: float = 0.2
    has_fill_valve: bool = False
    fill_travel_s: float = 0.0
    vent_travel_s: float = 0.0
    lever: bool = False
    """A person's lever drives the pump; the relay is its supply, where there is one."""
    has_supply_relay: bool = True
    seed: int = 1
    gauge_error_kpa: float = 0.0
    """One standard deviation of the line gauge's error, drawn by seed."""
    gauge_split: ErrorSplit | None = None
    """How it goes with the pressure; None: drawn at support points over its range."""
    gauge_noise_kpa: float = 0.0
    """One standard deviation of the noise of a single gauge reading."""
    air_tank: AirTankParams | None = None


@dataclass(frozen=True, slots=True)
class Coils:
    """Commands: the rig's outputs, and the simulated person's hands. All off is the state at the start."""

    pump_run: bool = False
    pump_reverse: bool = False
    vent_valve: bool = False
    fill_valve: bool = False
    flush_valve: bool = False
    beacon: bool = False
    air_valve: bool = False
    hand_gun_on: bool = False
    hand_valve_open: bool = False
    hand_in_vessel: bool = False
    """The hose's end, with or without the gun, is held in an open vessel, which was empty when it was put there."""
    hand_lever_forward: bool = False
    hand_lever_back: bool = False
    hand_vent_open: bool = False
    hand_air_open: bool = False
