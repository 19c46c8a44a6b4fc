"""Registers, the output time-out and faults, without wires."""

from __future__ import annotations

import pytest
from sim_rigs import crooked_map, modules_of, plain_map, settings

from rig.run.settings import SettingsError
from sim.assembly import AssemblyError, plant_params
from sim.faults import FAULTS, FaultError, read_fault
from sim.modules import Modules, UnknownAddress, Where

COILS = Where("io", 1, "coil")
HOLDING = Where("io", 1, "holding")
INPUTS = Where("io", 1, "input")


def rig(*faults: str) -> Modules:
    return modules_of(settings(plain_map()), *faults)


def start(modules: Modules, *, pump: bool = True) -> None:
    modules.write(COILS, 8, [1, 1])
    if pump:
        modules.write(COILS, 0, [1])


def scan(modules: Modules, until_s: float, every_s: float = 0.1) -> None:
    """Advance as a living master would: ask, then wait."""
    while modules.plant.time_s < until_s - 1e-9:
        modules.asked("io", 1)
        modules.advance_to(min(until_s, modules.plant.time_s + every_s))


def test_a_fill_shows_in_the_registers() -> None:
    modules = rig()
    start(modules)
    scan(modules, 30.0)
    count, pressure, level = modules.read(INPUTS, 0, 3)
    # Hand arithmetic: 40 L/min for 30 s is 20 L at most; water through 8 mm takes most of it.
    assert 1200 < count < 2000
    assert 0.01 * pressure > 5.0
    assert 0.1 * level == pytest.approx(900 - count / 100, abs=0.3)


def test_unknown_addresses_and_writes_to_inputs_are_refused() -> None:
    modules = rig()
    assert modules.read(COILS, 0, 10) == [0] * 10
    for where, address, count in ((COILS, 10, 1), (COILS, 5, 6), (INPUTS, 3, 1), (Where("io", 2, "coil"), 0, 1)):
        with pytest.raises(UnknownAddress):
            modules.read(where, address, count)
    for where, address in ((COILS, 4), (INPUTS, 0), (HOLDING, 1)):
        with pytest.raises(UnknownAddress):
            modules.write(where, address, [1])


def test_a_refused_write_changes_nothing() -> None:
    modules = rig()
    with pytest.raises(UnknownAddress):
        modules.write(COILS, 2, [1, 1])
    assert modules.read(COILS, 0, 3) == [0, 0, 0]


def test_wide_gaps_are_unknown_and_narrow_ones_read_zero() -> None:
    modules = modules_of(settings(crooked_map()))
    assert modules.read(Where("io", 7, "input"), 9, 5)[2:3] == [0]
    with pytest.raises(UnknownAddress):
        modules.read(Where("io", 3, "coil"), 517, 14)


def test_outputs_drop_when_the_bus_is_quiet_and_hands_do_not() -> None:
    modules = rig()
    modules.write(HOLDING, 0, [15])
    assert modules.read(HOLDING, 0, 1) == [15]
    start(modules)
    scan(modules, 5.0)
    assert modules.read(COILS, 0, 10) == [1, 0, 0, 0, 0, 0, 0, 0, 1, 1]
    modules.advance_to(20.0)
    assert modules.read(COILS, 0, 10) == [0, 0, 0, 0, 0, 0, 0, 0, 1, 1]
    assert modules.output_timeouts == 1
    # Last request at 4.9 s, time-out 1.5 s: the pump had until 6.4 s and coasts for one more second.
    delivered = modules.plant.tyre.liquid_l
    steady = modules_of(settings(plain_map()))
    start(steady)
    scan(steady, 6.4)
    steady.write(COILS, 0, [0])
    scan(steady, 20.0)
    assert delivered == pytest.approx(steady.plant.tyre.liquid_l, abs=0.01)


def test_no_time_out_by_default() -> None:
    modules = rig()
    start(modules)
    modules.advance_to(60.0)
    assert modules.read(COILS, 0, 1) == [1]


def test_a_map_without_hands_has_its_gun_on() -> None:
    wiring = plain_map()
    del wiring["points"]["hand_gun_on"], wiring["points"]["hand_valve_open"]
    modules = modules_of(settings(wiring))
    modules.write(COILS, 0, [1])
    scan(modules, 10.0)
    assert modules.plant.tyre.liquid_l > 2.0


def test_second_channel_and_odd_places() -> None:
    modules = modules_of(settings(crooked_map()))
    modules.write(Where("io", 7, "coil"), 40000, [1, 1])
    modules.write(Where("io", 3, "coil"), 530, [1])
    modules.advance_to(5.0)
    low, high = modules.read(Where("io", 7, "holding"), 102, 2)
    assert low == 0
    assert int.from_bytes(high.to_bytes(2, "little"), "big") == modules.plant.meter.reverse_pulses > 200
    assert modules.read(Where("io", 7, "holding"), 100, 2) == [0, 0]


# --- faults ---------------------------------------------------------------------------------------------------------


def after(fault: str, seconds: float = 30.0, *, vent: bool = False) -> Modules:
    """A fill under a fault."""
    modules = rig(fault)
    start(modules)
    if vent:
        modules.write(COILS, 2, [1])
    scan(modules, seconds)
    return modules


def count(modules: Modules) -> int:
    return modules.read(INPUTS, 0, 1)[0]


def test_every_fault_is_described_and_runs() -> None:
    for name, fault in FAULTS.items():
        assert fault.text
        assert fault.holds or fault.act
        modules = after(f"{name}@0", 2.0)
        assert modules.schedule.document(2.0)[0]["active"]


@pytest.mark.parametrize("text", ["meter_stuk@3", "pump@1", "leak", "leak@", "leak@x", "leak@-1", "leak@3:", "leak@3:0",
                                  "leak@nan", "already_full@5", ""])  # fmt: skip
def test_a_fault_that_cannot_be_read_is_explained(text: str) -> None:
    with pytest.raises(FaultError, match=r"did you mean|known are|write"):
        read_fault(text)


def test_near_names_are_offered() -> None:
    with pytest.raises(FaultError, match="meter_stuck"):
        read_fault("meter_stuk@3")


def test_a_fault_comes_and_goes() -> None:
    modules = rig("meter_dead@5:10")
    start(modules)
    seen = []
    for until in (5.0, 15.0, 25.0):
        scan(modules, until)
        seen.append(count(modules))
    assert seen[0] > 100
    assert seen[1] == seen[0]
    assert seen[2] > seen[1] + 200


def test_meter_faults_against_the_truth() -> None:
    plain = after("level_stuck@0")
    true = count(plain)
    assert true == pytest.approx(100 * plain.plant.tyre.liquid_l, abs=6)
    assert count(after("meter_double@0")) == pytest.approx(2 * true, rel=0.01)
    assert count(after("meter_dead@0")) == 0
    assert count(after("meter_noise@0")) == pytest.approx(true + 1200, rel=0.1)
    assert count(after("meter_stuck@10")) < 0.5 * true
    assert count(after("meter_stuck@10:15")) == pytest.approx(true, abs=2)
    assert 0 < count(after("meter_reset@20")) < 0.5 * true
    assert (true - count(after("meter_rollback@20")) - 2000) % 65536 == pytest.approx(0, abs=2)


def test_pump_and_valve_faults_against_the_truth() -> None:
    assert after("pump_no_start@0").plant.tyre.liquid_l == 0
    assert after("estop@0").plant.tyre.liquid_l == 0
    assert after("pump_slow@0").plant.tyre.liquid_l < 0.8 * after("level_stuck@0").plant.tyre.liquid_l
    welded = after("pump_welded@5", 10.0)
    before = welded.plant.tyre.liquid_l
    welded.write(COILS, 0, [0])
    scan(welded, 20.0)
    assert welded.plant.tyre.liquid_l > before + 2
    assert after("valve_stuck_open@0").plant.line.books.vented_l > 1
    shut = after("valve_stuck_shut@0", vent=True)
    assert shut.plant.line.books.vented_l == 0
    assert after("blocked@0").plant.tyre.liquid_l == 0
    assert after("hose_off@10:5").plant.line.books.spilled_l > 2


def test_tyre_and_tote_faults_against_the_truth() -> None:
    leak = rig("leak@5")
    leak.write(COILS, 8, [1, 1])
    scan(leak, 60.0)
    assert leak.plant.tyre.pressure() < 101.325 + 34.4 - 1
    full = rig("already_full@0")
    assert full.plant.tyre.fraction() == pytest.approx(0.4)
    assert full.plant.start_liquid_l == full.plant.tyre.liquid_l
    assert full.plant.tyre.pressure() == pytest.approx(101.325 + 34.47, abs=0.01)
    assert after("bead_loss@10").plant.tyre.bead_lost
    empty = after("tote_empty@10", 40.0)
    assert empty.plant.line.tote_l == pytest.approx(20.0)
    assert count(empty) / 100 > empty.plant.tyre.liquid_l + 3  # air counted as liquid


def test_sensor_faults_in_the_registers() -> None:
    def pressure_psi(modules: Modules) -> float:
        raw = modules.read(INPUTS, 1, 1)[0]
        return 0.01 * (raw - 65536 if raw >= 32768 else raw)

    assert pressure_psi(after("pressure_high@5")) == pytest.approx(327.67)
    assert pressure_psi(after("pressure_low@5")) == pytest.approx(-327.68)
    plain = pressure_psi(after("level_stuck@0"))
    assert pressure_psi(after("pressure_drift@0")) == pytest.approx(plain + 30 * 0.5 / 6.894757, abs=0.05)
    assert pressure_psi(after("pressure_stuck@0")) == 0.0
    assert after("level_stuck@0").read(INPUTS, 2, 1) == [9000]
    assert after("estop@0").read(Where("io", 1, "discrete"), 0, 1) == [0]


def test_a_restarted_module_forgets_outputs_and_time_out() -> None:
    modules = rig("device_restart@10")
    modules.write(HOLDING, 0, [15])
    start(modules)
    scan(modules, 11.0)
    assert modules.read(COILS, 0, 1) == [0]
    assert modules.read(HOLDING, 0, 1) == [0]


def test_a_core_that_does_not_seat() -> None:
    modules = rig("insert_not_seated@0")
    start(modules)
    scan(modules, 10.0)
    modules.write(COILS, 9, [0])
    scan(modules, 11.0)
    assert modules.plant.valve_open


# --- assembly -------------------------------------------------------------------------------------------------------


def test_the_plant_has_the_truths_of_the_configuration() -> None:
    of = settings(
        plain_map(), sim={"cavity": "92 gal", "k_factor": "101 pulse/L", "hose_volume_factor": 1.1, "valve_at": 4},
        meter={"k_factor": "100 pulse/L", "meter_factor": 1.01},
    )  # fmt: skip
    params = plant_params(of)
    assert params.tyre.cavity_l == pytest.approx(348.3, abs=0.1)
    assert params.meter.k_per_l == 101
    assert params.pipe.hose_l == pytest.approx(4.29)
    # The trade's "40 %" at a valve at four o'clock.
    assert 0.3 < params.tyre.valve_fraction < 0.45
    of = settings(plain_map(), meter={"meter_factor": 1.01})
    assert plant_params(of).meter.k_per_l == pytest.approx(100 / 1.01)
    assert plant_params(of, "11.2-24").tyre.cavity_l < 0.6 * plant_params(of).tyre.cavity_l


@pytest.mark.parametrize(
    ("tables", "named"),
    [({"tote": {"fluid": "treacle"}}, "tote.fluid"), ({"sim": {"size": "huge"}}, "sim.size"),
     ({"sim": {"existing": "2000 L"}}, "sim.existing"),
     ({"sim": {"sise": "16.9-28"}}, "sim.sise: no such key; did you mean 'size'"),
     ({"sim": {"existing": "12"}}, "sim.existing: ")],
)  # fmt: skip
def test_a_configuration_without_a_plant_is_explained(tables: dict[str, dict[str, object]], named: str) -> None:
    of = settings(plain_map(), **tables)
    with pytest.raises((AssemblyError, SettingsError), match=named):
        plant_params(of)
