"""Gas with a temperature in the simulated tyre, against integrations of the first law by scipy and textbook limits.

First law for an open volume (any thermodynamics textbook): m·cv·dT = -p·dV - ṁ_out·R·T·dt + ṁ_in·(cp·T_in - cv·T)·dt
+ G·(T_wall - T)·dt. Natural convection: Nu = 0.13·Ra^⅓ (McAdams, Heat Transmission), so G goes with (density²·|ΔT|)^⅓.
"""

from __future__ import annotations

import math
import random
from itertools import pairwise

import numpy as np
import pytest
import scipy
from sim_plants import (
    ATM,
    CORE_IN,
    DRAW,
    FILL,
    IDLE,
    INSTANT,
    KPA_PER_PSI,
    TYRE,
    VENT,
    FluidParams,
    Plant,
    gauge_psi,
    params,
    plant,
    replace,
)

from sim.plant.params import Coils, HeatParams, PipeParams
from sim.plant.tyre import Tyre
from sim.plant.upsets import Upsets

GAMMA, R = 1.4, 287.05
CV, CP = R / (GAMMA - 1.0), GAMMA * R / (GAMMA - 1.0)
START_K = 288.15
BORES_M = {"8 mm": 0.008, "4 mm": 0.004}
HOT = replace(TYRE, valve_fraction=0.9)


def hot(time_s: float, wall_c: float = 15.0, **changes: object) -> Plant:
    """A plant whose gas exchanges heat; other changes are the tyre's, but ``vent_bore_m`` and ``liquid_c``."""
    vent_m, liquid_c = changes.pop("vent_bore_m", 0.008), changes.pop("liquid_c", 15.0)
    pump = changes.pop("pump", INSTANT)
    heat = HeatParams(time_s=time_s, wall_c=wall_c)
    tyre = replace(HOT, **{"heat": heat, **changes})  # type: ignore[arg-type]
    return plant(tyre=tyre, vent_bore_m=vent_m, fluid=FluidParams(temperature_c=liquid_c), pump=pump)  # type: ignore[arg-type]


def vent_to_5_psi(rig: Plant) -> float:
    """Vent, then close the valve; returns the seconds."""
    rig.advance(1.0, IDLE)
    began_s = rig.time_s
    while gauge_psi(rig) > 5.0:
        rig.advance(0.01, VENT)
    took_s = rig.time_s - began_s
    rig.advance(0.001, CORE_IN)
    return took_s


def kelvin_above_start(rig: Plant) -> float:
    return (rig.tyre.warmth - 1.0) * START_K


# --- against an integration of our own ------------------------------------------------------------------------------


class Cavity:
    """The equations in SI units, written anew: a rigid cavity, gas alone, one wall temperature."""

    def __init__(self, litres: float, time_s: float, wall_k: float, bore_m: float, vent_m: float) -> None:
        self.volume_m3 = 1e-3 * litres
        self.wall_k = wall_k
        self.dense = 135e3 / (R * START_K)
        self.watts_per_k = self.dense * self.volume_m3 * CV / time_s
        areas = [math.pi / 4 * d * d for d in (bore_m, vent_m)]
        self.area_m2 = 0.8 / math.sqrt(sum(1 / a**2 for a in areas))

    def flow_kg_s(self, pascal: float, kelvin: float) -> float:
        """Gas through a nozzle into the open air (Shapiro 1953)."""
        ratio = 1e3 * ATM / pascal
        if ratio >= 1.0:
            return 0.0
        ratio = max(ratio, (2 / (GAMMA + 1)) ** (GAMMA / (GAMMA - 1)))
        speed = math.sqrt(2 * CP * kelvin * (1 - ratio ** ((GAMMA - 1) / GAMMA)))
        throat = pascal / (R * kelvin) * ratio ** (1 / GAMMA)
        return self.area_m2 * throat * speed

    def heat_w(self, kilograms: float, kelvin: float, volume_m3: float) -> float:
        apart = self.wall_k - kelvin
        dense = kilograms / volume_m3 / self.dense
        return self.watts_per_k * (dense**2 * abs(apart) / 15.0) ** (1 / 3) * apart

    def venting(self, _t: float, state: np.ndarray) -> list[float]:
        kilograms, kelvin = state
        pascal = kilograms * R * kelvin / self.volume_m3
        out = self.flow_kg_s(pascal, kelvin)
        heat = self.heat_w(kilograms, kelvin, self.volume_m3)
        return [-out, (heat - out * R * kelvin) / (kilograms * CV)]

    def closed(self, _t: float, state: np.ndarray) -> list[float]:
        kilograms, kelvin = state
        return [0.0, self.heat_w(kilograms, kelvin, self.volume_m3) / (kilograms * CV)]

    def psi(self, state: np.ndarray) -> np.ndarray:
        return (state[0] * R * state[1] / self.volume_m3 / 1e3 - ATM) / KPA_PER_PSI


VENTS = [
    # litres, time constant (s), from psi, vent; seconds, K, psi at closing and 5, 30, 120 s later, gas over isothermal:
    # computed outside this project, for the time constants of natural convection at these sizes.
    (339.0, 21.0, 14.0, "8 mm", 19.0, -22.0, (5.0, 5.3, 6.1, 6.5), 0.08),
    (270.0, 18.7, 9.8, "8 mm", 8.5, -15.0, (5.0, 5.2, 5.8, 6.1), 0.055),
    (115.0, 13.0, 12.0, "8 mm", 5.0, -21.0, (5.0, 5.5, 6.3, 6.5), 0.08),
    (200.0, 17.0, 20.0, "8 mm", 17.0, -30.0, (5.0, 5.6, 6.8, 7.2), 0.11),
    (339.0, 21.0, 14.0, "4 mm", 62.0, -13.0, (5.0, 5.2, 5.6, 5.9), 0.05),
]


@pytest.mark.parametrize(("litres", "time_s", "psi", "vent", "seconds", "kelvin", "shown", "more"), VENTS)
def test_a_vent_cools_the_gas_and_the_gauge_comes_back(
    litres: float, time_s: float, psi: float, vent: str, seconds: float, kelvin: float, shown: tuple[float, ...],
    more: float,
) -> None:  # fmt: skip
    rig = hot(time_s, cavity_l=litres, start_kpa=psi * KPA_PER_PSI, vent_bore_m=BORES_M[vent])
    first_kg = rig.tyre.gas
    took_s = vent_to_5_psi(rig)
    assert took_s == pytest.approx(seconds, rel=0.03)
    assert kelvin_above_start(rig) == pytest.approx(kelvin, abs=1.0)
    assert rig.tyre.gas / ((ATM + 5 * KPA_PER_PSI) * litres) - 1 == pytest.approx(more, abs=0.006)
    cavity = Cavity(litres, time_s, START_K, 0.008, BORES_M[vent])
    start = [(ATM + psi * KPA_PER_PSI) * litres / (R * START_K), START_K]
    ended = scipy.integrate.solve_ivp(cavity.venting, (0, took_s), start, rtol=1e-9, atol=1e-12)
    assert rig.tyre.gas / first_kg == pytest.approx(ended.y[0, -1] / start[0], rel=1e-3)
    assert kelvin_above_start(rig) == pytest.approx(ended.y[1, -1] - START_K, abs=0.15)
    later = scipy.integrate.solve_ivp(
        cavity.closed, (0, 120), ended.y[:, -1], t_eval=[0, 5, 30, 120], rtol=1e-9, atol=1e-12
    )
    for (before_s, at_s), expected, integrated in zip(
        pairwise((0, 0, 5, 30, 120)), shown, cavity.psi(later.y), strict=True
    ):
        if at_s > before_s:
            rig.advance(at_s - before_s, CORE_IN)
        assert gauge_psi(rig) == pytest.approx(expected, abs=0.06)
        assert gauge_psi(rig) == pytest.approx(integrated, abs=0.02)


def test_a_fill_warms_the_gas_by_its_work_and_by_the_liquid() -> None:
    """Against scipy: dV by the flow, heat from walls at 0 °C and from the surface of liquid at 20 °C."""
    litres, time_s, wall_k, liquid_k = 339.0, 20.0, 273.15, 293.15
    rig = hot(time_s, wall_c=0.0, liquid_c=20.0, cavity_l=litres, bore_m=0.03, start_kpa=35.0)
    kilograms = 1e3 * (ATM + 35.0) * 1e-3 * litres / (R * wall_k)
    cavity = Cavity(litres, time_s, wall_k, 0.008, 0.008)
    # The same reference amount: the time constant holds for air of the liquid's temperature.
    cavity.dense = 135e3 / (R * liquid_k)
    cavity.watts_per_k = cavity.dense * cavity.volume_m3 * CV / time_s
    walls_m2 = 8.3 * (1e-3 * litres) ** (2 / 3)
    surface_m2 = 1e-3 * litres / (TYRE.surface_heights_m[-1] - TYRE.surface_heights_m[0])
    times, inside = [0.0], [0.0]
    for _ in range(120):
        rig.advance(2.0, FILL)
        times.append(rig.time_s)
        inside.append(rig.tyre.liquid_l)

    def filling(t: float, state: np.ndarray) -> list[float]:
        liquid_l = float(np.interp(t, times, inside))
        flow_m3_s = 1e-3 * (np.interp(t + 0.5, times, inside) - np.interp(t - 0.5, times, inside))
        volume = 1e-3 * (litres - liquid_l)
        kelvin = state[0]
        dense = (kilograms / volume / cavity.dense) ** (2 / 3) * cavity.watts_per_k
        heat = 0.0
        for share, at_k in ((1 - liquid_l / litres, wall_k), (surface_m2 / walls_m2 * (liquid_l > 0), liquid_k)):
            heat += share * dense * (abs(at_k - kelvin) / 15.0) ** (1 / 3) * (at_k - kelvin)
        work = kilograms * R * kelvin / volume * flow_m3_s
        return [(work + heat) / (kilograms * CV)]

    ended = scipy.integrate.solve_ivp(
        filling, (0, times[-1]), [wall_k], rtol=1e-8, atol=1e-10, max_step=0.5, t_eval=[60, 120, 240]
    )
    assert rig.tyre.warmth * liquid_k == pytest.approx(ended.y[0, -1], abs=0.15)
    volume = 1e-3 * (litres - inside[-1])
    assert rig.tyre.pressure() == pytest.approx(kilograms * R * ended.y[0, -1] / volume / 1e3, rel=1e-3)


# --- the two limits -------------------------------------------------------------------------------------------------


def test_without_heat_a_vent_and_a_fill_are_isentropic() -> None:
    """What remains expands by T ∝ p^((γ - 1)/γ); a sealed fill keeps p·V^γ (any thermodynamics textbook)."""
    rig = hot(math.inf, cavity_l=339.0, start_kpa=14 * KPA_PER_PSI)
    first = rig.tyre.pressure()
    vent_to_5_psi(rig)
    assert rig.tyre.warmth == pytest.approx((rig.tyre.pressure() / first) ** (0.4 / 1.4), rel=2e-4)
    sealed = hot(math.inf, cavity_l=339.0, start_kpa=35.0, bore_m=0.03)
    first = sealed.tyre.pressure()
    while sealed.tyre.liquid_l < 120.0:
        sealed.advance(1.0, FILL)
    expected = first * (339.0 / (339.0 - sealed.tyre.liquid_l)) ** 1.4
    assert sealed.tyre.pressure() == pytest.approx(expected, rel=2e-3)


def test_with_heat_at_once_the_gas_is_isothermal() -> None:
    fast, plain = hot(1e-6, start_kpa=100.0), plant(tyre=replace(HOT, start_kpa=100.0))
    for coils, seconds in ((IDLE, 1.0), (VENT, 8.0), (IDLE, 2.0), (FILL, 120.0), (DRAW, 30.0), (FILL, 60.0)):
        for rig in (fast, plain):
            rig.advance(seconds, coils)
        assert fast.tyre.pressure() == pytest.approx(plain.tyre.pressure(), rel=2e-4)
        assert fast.tyre.liquid_l == pytest.approx(plain.tyre.liquid_l, abs=0.02)


def test_air_that_rushes_into_an_evacuated_cavity_warms_it() -> None:
    """Filling from a reservoir without heat (any textbook): n·θ grows by γ times the amount that came at θ = 1."""
    rig = hot(math.inf, cavity_l=100.0, start_kpa=-60.0, bead_limit_kpa=-95.0)
    before = rig.tyre.gas
    rig.advance(60.0, Coils(hand_valve_open=True))
    assert rig.tyre.pressure() == pytest.approx(ATM, abs=0.1)
    came = rig.tyre.gas - before
    assert rig.tyre.warmth == pytest.approx((before + GAMMA * came) / (before + came), rel=1e-3)


# --- liquid, vapour, dissolved air ----------------------------------------------------------------------------------


def test_warm_liquid_in_a_cold_tyre_shifts_the_gas_and_mixes_with_what_is_inside() -> None:
    rig = hot(10.0, wall_c=-10.0, liquid_c=20.0, existing_l=100.0, bore_m=0.03)
    assert rig.tyre.warmth == pytest.approx(263.15 / 293.15)
    began = rig.tyre.pressure() * (348.3 - 100.0)
    while rig.tyre.liquid_l < 200.0:
        rig.advance(0.5, FILL)
    rig.advance(600.0, CORE_IN)
    # Half old liquid at -10 °C, half new at 20 °C: 5 °C, so the gas ends between the walls and that.
    gas_k = rig.tyre.warmth * 293.15
    assert 263.15 < gas_k < 278.15
    assert rig.tyre.pressure() * (348.3 - rig.tyre.liquid_l) / began == pytest.approx(gas_k / 263.15, rel=1e-3)


def test_vapour_saturates_the_gas_in_its_time() -> None:
    """Dalton: saturated vapour adds its own pressure, 2.34 kPa over water at 20 °C (steam tables)."""
    heat = HeatParams(time_s=10.0, wall_c=20.0, vapour_s=30.0)
    wet, dry = (
        plant(
            tyre=replace(HOT, existing_l=100.0, heat=heat), fluid=FluidParams(temperature_c=20.0, vapour_kpa=kpa)
        )
        for kpa in (2.34, 0.0)
    )  # fmt: skip
    for seconds, share in ((30.0, 1 - math.exp(-1)), (300.0, 1.0)):
        for rig in (wet, dry):
            rig.advance(seconds, CORE_IN)
        assert wet.tyre.pressure() - dry.tyre.pressure() == pytest.approx(2.34 * share, rel=0.01)


@pytest.mark.parametrize(("solubility", "ends_psi"), [(0.020, 13.1), (0.033, 12.6), (0.004, 13.8)])
def test_air_that_dissolves_lowers_the_pressure_in_days(solubility: float, ends_psi: float) -> None:
    """14 psi over 77 % of water, methanol and brine: computed outside this project from handbook solubilities."""
    heat = HeatParams(time_s=20.0, wall_c=20.0, dissolves_s=3600.0)
    tyre = replace(HOT, cavity_l=339.0, existing_l=0.77 * 339, start_kpa=14 * KPA_PER_PSI, heat=heat)
    rig = plant(tyre=tyre, fluid=FluidParams(temperature_c=20.0, air_solubility=solubility))
    rig.advance(12 * 3600.0, CORE_IN)
    assert gauge_psi(rig) == pytest.approx(ends_psi, abs=0.1)


# --- what is conserved ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(12))
def test_whatever_is_done_gas_and_liquid_are_conserved_and_the_gas_stays_between_the_extremes(seed: int) -> None:
    rng = random.Random(seed)
    heat = HeatParams(rng.choice([5.0, 20.0, 40.0, math.inf]), rng.uniform(-15, 30), 30.0, 3000.0)
    tyre = replace(
        HOT, cavity_l=rng.choice([30.0, 100.0, 348.0]), start_kpa=rng.uniform(-5, 130), heat=heat,
        growth_per_psi=rng.choice([0.0, 0.002]), growth_delayed=0.4, bead_limit_kpa=rng.choice([-27.0, -90.0]),
        valve_fraction=rng.choice([0.2, 0.77]), bore_m=rng.choice([0.004, 0.008]),
        bore_length_m=rng.choice([0.0, 0.03]),
    )  # fmt: skip
    fluid = FluidParams(1100.0, rng.choice([1.0, 40.0, 500.0]), rng.uniform(-5, 30), vapour_kpa=2.0)
    pipe = PipeParams(fittings_kpa=rng.uniform(0, 30), linear_kpa=rng.uniform(0, 30), suction_length_m=2.0)
    rig = Plant(params(tyre=tyre, fluid=fluid, pipe=pipe, vortex_l=20.0, tote_l=rng.choice([30.0, 900.0])))
    liquid, gas = rig.liquid_total_l(), rig.gas_total()
    turnover = gas
    for _ in range(25):
        rig.upset(Upsets(gun_blown=rng.random() < 0.05, leak_bore_m=rng.choice([0, 0, 0.002])))
        rig.advance(
            rng.choice([0.1, 1.0, 5.0, 30.0]), Coils(*[rng.random() < s for s in (0.5, 0.25, 0.25, 0, 0, 0, 0.8, 0.8)])
        )
        turnover = max(turnover, abs(rig.tyre.gas_out), abs(rig.line.books.gas_out))
        assert rig.liquid_total_l() == pytest.approx(liquid, rel=1e-9)
        assert abs(rig.gas_total() - gas) <= 1e-9 * turnover
        assert 0.5 < rig.tyre.warmth < 2.0
        assert rig.line.kpa_abs > 0.0


def test_a_step_of_any_length_gives_the_same_gas() -> None:
    """The plant's own steps against ones of a hundredth of a second."""
    ends = []
    for step_s in (0.01, 5.0):
        rig = hot(12.0, wall_c=-5.0, start_kpa=90.0)
        for coils, seconds in ((VENT, 5.0), (IDLE, 10.0), (FILL, 90.0), (IDLE, 20.0)):
            for _ in range(round(seconds / step_s)):
                rig.advance(step_s, coils)
        ends.append((rig.tyre.pressure(), rig.tyre.warmth, rig.tyre.liquid_l))
    assert ends[1] == pytest.approx(ends[0], rel=1e-3)


def test_a_gas_that_follows_nothing_needs_no_step() -> None:
    assert not Tyre(TYRE, FluidParams(), ATM).settles
