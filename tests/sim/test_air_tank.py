"""The tank of air in the simulated rig: Boyle's law at the end, the first law on the way by scipy, nothing lost."""

from __future__ import annotations

import math

import pytest
from scipy.integrate import solve_ivp
from sim_plants import ATM, IDLE, TYRE, gauge_psi, plant, replace

from sim.plant.air_tank import AirTank
from sim.plant.laws import gas_flow
from sim.plant.params import AirTankParams, FluidParams, HeatParams
from sim.plant.tyre import Tyre

OPEN = replace(IDLE, air_valve=True)
TANK = AirTankParams(60.0, start_kpa=600.0)
GAMMA = 1.4
PSI = 6.894757293168361


@pytest.mark.parametrize("hand", [False, True])
def test_joined_long_enough_both_have_the_pressure_of_boyle_s_law(hand: bool) -> None:
    rig = plant(air_tank=TANK)
    assert rig.air is not None
    before = rig.gas_total() + rig.air.gas
    rig.advance(600.0, replace(IDLE, hand_air_open=True) if hand else OPEN)
    expected_kpa = (700.0 + 1.325) * 60.0 / (60.0 + TYRE.cavity_l) + ATM * TYRE.cavity_l / (60.0 + TYRE.cavity_l)
    assert ATM + gauge_psi(rig) * PSI == pytest.approx(expected_kpa, abs=0.2)
    assert rig.air.pressure() == pytest.approx(expected_kpa, abs=0.2)
    assert rig.gas_total() + rig.air.gas == pytest.approx(before)
    assert rig.air.shown_kpa() == pytest.approx(rig.air.pressure() - ATM)


@pytest.mark.parametrize("commands", [IDLE, replace(OPEN, hand_valve_open=False)])
def test_nothing_moves_with_a_valve_shut(commands: object) -> None:
    rig = plant(air_tank=TANK)
    rig.advance(60.0, commands)  # type: ignore[arg-type]
    assert rig.air is not None
    assert rig.air.pressure() == pytest.approx(600.0 + ATM)


def test_out_of_an_open_hose_it_blows_by_the_choked_flow_and_down_to_the_air_around() -> None:
    rig, out = plant(air_tank=replace(TANK, heat_s=math.inf)), replace(OPEN, hand_gun_on=False)
    assert rig.air is not None
    rig.advance(0.5, out)
    before, warmth = rig.air.gas, rig.air.warmth
    rig.advance(0.5, out)
    # Choked flow of an ideal gas: p A C sqrt(gamma / (R T)) (2 / (gamma + 1)) ** 3 (ISO 6358-1 writes it otherwise).
    area = TANK.discharge * math.pi / 4 * TANK.valve_bore_m**2
    kelvin = 288.15 * (warmth + rig.air.warmth) / 2
    kpa = (before * warmth + rig.air.gas * rig.air.warmth) / 120.0
    volume_lps = 1000 * area * math.sqrt(GAMMA * 287.05 * kelvin) * (2 / (GAMMA + 1)) ** 3
    assert before - rig.air.gas == pytest.approx(0.5 * kpa * volume_lps / (kelvin / 288.15), rel=0.01)
    rig.advance(600.0, out)
    assert rig.air.pressure() == pytest.approx(ATM, abs=0.1)


def test_temperatures_on_the_way_are_those_of_the_first_law() -> None:
    """No heat from the walls: d(m u) = -h dm in the tank, +h dm in the tyre, with the tank's h; integrated by scipy."""
    fluid, room_l = FluidParams(temperature_c=15.0), 200.0
    heat = HeatParams(time_s=math.inf, wall_c=15.0)
    tyre = Tyre(replace(TYRE, cavity_l=room_l, heat=heat), fluid, ATM)
    tank = AirTank(replace(TANK, heat_s=math.inf), 15.0, ATM, 1)
    area = TANK.discharge * math.pi / 4 * TANK.valve_bore_m**2

    def slope(_: float, state: list[float]) -> list[float]:
        n_tank, u_tank, _, u_tyre = state
        warmth = u_tank / n_tank
        flow = gas_flow(area, u_tank / 60.0, u_tyre / room_l, 288.15 * warmth) / warmth
        return [-flow, -GAMMA * warmth * flow, flow, GAMMA * warmth * flow]

    n_tank, n_tyre = (600.0 + ATM) * 60.0, ATM * room_l
    found = solve_ivp(slope, (0.0, 20.0), [n_tank, n_tank, n_tyre, n_tyre], rtol=1e-8).y[:, -1]
    for _ in range(2000):
        tank.step(0.01, tyre)
        tyre.settle(0.01)
    assert tank.warmth == pytest.approx(found[1] / found[0], abs=2e-3)
    assert tyre.warmth == pytest.approx(found[3] / found[2], abs=2e-3)
    assert tank.pressure() == pytest.approx(found[1] / 60.0, rel=2e-3)
    assert tank.warmth < 0.95
    assert tyre.warmth > 1.05


def test_the_tank_takes_the_temperature_of_its_walls() -> None:
    tank = AirTank(replace(TANK, wall_c=25.0), 15.0, ATM, 1)
    tank.warmth = 0.9
    for _ in range(3000):
        tank.step(0.1, None)
    assert tank.warmth == pytest.approx(298.15 / 288.15, abs=1e-3)
