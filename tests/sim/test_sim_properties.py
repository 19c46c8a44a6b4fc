"""Properties of the simulated plant by their keys in ``[sim]``: what reaches the plant, and what is refused."""

from __future__ import annotations

import math

import pytest
from virtual_fills import rig_settings

from rig.fluid import read_fluid
from rig.run.settings import SettingsError
from sim.assembly import plant_params
from sim.liquids import air_solubility, vapour_kpa


def test_a_plain_configuration_switches_nothing_on() -> None:
    params = plant_params(rig_settings())
    assert params.tyre.heat is None
    assert params.pipe.fittings_kpa == params.pipe.linear_kpa == params.pipe.suction_length_m == 0.0
    assert params.meter.viscosity_drift == params.meter.slip == params.vortex_l == params.tyre.bore_length_m == 0.0


def test_every_key_reaches_the_plant() -> None:
    params = plant_params(
        rig_settings(
            sim__heat_time="12 s", sim__wall_temperature="-10 degC", sim__vapour_time="40 s",
            sim__growth_delayed=0.4, sim__growth_time="2 min", sim__valve_length="45 mm", sim__fittings_loss="2 psi",
            sim__linear_loss="1 psi", sim__suction_length="2 m", sim__suction_lift="0.3 m", sim__vortex="15 L",
            sim__viscosity_drift=0.01, sim__meter_slip=0.1, sim__meter_slip_after="100 L", sim__vent_travel="1 s",
        )
    )  # fmt: skip
    heat = params.tyre.heat
    assert heat is not None
    assert (heat.time_s, heat.wall_c, heat.vapour_s, heat.dissolves_s) == (12.0, -10.0, 40.0, math.inf)
    assert (params.tyre.growth_delayed, params.tyre.growth_s, params.tyre.bore_length_m) == (0.4, 120.0, 0.045)
    assert params.pipe.fittings_kpa == pytest.approx(2 * 6.894757, rel=1e-6)
    assert (params.pipe.suction_length_m, params.pipe.suction_lift_m, params.vortex_l) == (2.0, 0.3, 15.0)
    assert (params.meter.slip, params.meter.slip_after_l, params.vent_travel_s) == (0.1, 100.0, 1.0)
    walls = plant_params(rig_settings(sim__heat_time="12 s")).tyre.heat
    assert walls is not None
    assert walls.wall_c == pytest.approx(15.0)


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        ({"sim__wall_temperature": "5 degC"}, "wall_temperature: give heat_time too"),
        ({"sim__heat_time": "20 s", "sim__exponent": 1.2}, "exponent: leave it out with heat_time"),
        ({"sim__heat_time": "0 s"}, "sim.heat_time"),
    ],
)
def test_what_does_not_go_together_is_refused(changes: dict[str, object], line: str) -> None:
    with pytest.raises(SettingsError, match=line):
        plant_params(rig_settings(**changes))


@pytest.mark.parametrize(("temp_c", "kpa"), [(5, 0.873), (20, 2.339), (30, 4.247), (40, 7.385)])
def test_vapour_over_water_is_that_of_the_steam_tables(temp_c: float, kpa: float) -> None:
    """Saturation pressures of IAPWS-IF97, as tabulated."""
    assert vapour_kpa(read_fluid("water"), temp_c) == pytest.approx(kpa, rel=2e-3)


def test_vapour_over_brine_and_glycol_is_less_and_over_methanol_more() -> None:
    """Calcium chloride of 20 % has a water activity of 0.85 at 25 °C (Robinson and Stokes; from memory)."""
    water = vapour_kpa(read_fluid("water"), 20.0)
    assert vapour_kpa(read_fluid("cacl2:20%"), 20.0) / water == pytest.approx(0.85, abs=0.03)
    assert vapour_kpa(read_fluid("pg:50%vol"), 20.0) < 0.9 * water
    # Computed outside this project: at least 4.6 kPa on top of air that already held some.
    assert 4.6 < vapour_kpa(read_fluid("methanol:33.6%"), 20.0) < 7.5
    assert air_solubility(read_fluid("cacl2:20%")) < air_solubility(read_fluid("water"))
