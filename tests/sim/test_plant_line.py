"""Hose, pump, meter and tyre together: what moves, in which order, and what is conserved."""

from __future__ import annotations

import math
import random

import pytest
from sim_plants import (
    ATM,
    CORE_IN,
    DRAW,
    FILL,
    GUN_OFF,
    IDLE,
    INSTANT,
    KPA_PER_PSI,
    PIPE,
    TYRE,
    VENT,
    FluidParams,
    MeterParams,
    PumpParams,
    params,
    plant,
    replace,
)  # fmt: skip

from sim.plant.params import Coils, PipeParams, PlantParams, TyreParams
from sim.plant.upsets import Upsets
from sim.plant.whole import Plant

FLOW = INSTANT.flow_lps
NO_SLIP = replace(INSTANT, slip_lps_per_kpa=0.0)


def test_draw_down_returns_the_hose_liquid_first_then_pumps_the_gas_down_exponentially() -> None:
    rig = plant(pump=NO_SLIP, tyre=replace(TYRE, bead_limit_kpa=-90.0))
    clear_s = (PIPE.hose_l + PIPE.suction_l) / FLOW
    rig.advance(clear_s, DRAW)
    assert rig.line.hose.liquid_l == pytest.approx(0.0, abs=0.02)
    assert rig.line.tote_l == pytest.approx(900.0 + PIPE.hose_l + PIPE.suction_l, abs=0.05)
    start, room = rig.tyre.pressure(), TYRE.cavity_l + PIPE.hose_l
    rig.advance(120.0, DRAW)
    # Pump-down of a vessel at constant volume flow: p = p0·exp(-Q·t/V) (vacuum-technique textbook).
    assert rig.tyre.pressure() == pytest.approx(start * math.exp(-FLOW * 120 / room), rel=2e-3)


def test_after_a_draw_down_air_passes_the_meter_and_no_liquid_enters_until_the_hose_is_full() -> None:
    rig = plant(pump=NO_SLIP)
    rig.advance(60.0, DRAW)
    rig.advance(1.0, IDLE)
    counted, gas = rig.meter.pulses, rig.tyre.gas
    # Suction line full of air, hose full of tyre gas: both come before liquid.
    rig.advance((PIPE.suction_l + PIPE.hose_l) / FLOW - 0.5, FILL)
    assert rig.meter.pulses - counted > 100 * (PIPE.hose_l + PIPE.suction_l) * 0.9
    assert rig.tyre.liquid_l == 0.0
    rig.advance(2.0, FILL)
    assert rig.tyre.liquid_l > 0.5
    assert rig.tyre.gas > gas  # the suction line's air went in before the liquid


def test_meter_sees_suction_air_compressed_to_line_pressure() -> None:
    high_kpa = 100.0
    rig = plant(
        pump=NO_SLIP, tyre=replace(TYRE, cavity_l=5000.0, start_kpa=high_kpa), pipe=replace(PIPE, suction_l=8.0)
    )
    # Gun off: reversing draws air through hose and suction line; the gun then goes on again.
    rig.advance(30.0, replace(GUN_OFF, pump_reverse=True))
    rig.advance(0.5, GUN_OFF)
    rig.advance(0.5, IDLE)
    before = rig.meter.pulses
    rig.advance(2.0, FILL)
    counted_l = (rig.meter.pulses - before) / 100
    # Swept volume at ambient pressure, seen at line pressure (Boyle).
    assert counted_l == pytest.approx(2.0 * FLOW * ATM / (ATM + high_kpa), rel=0.02)


def test_overrun_is_flow_times_relay_delay_and_half_the_coast() -> None:
    # Linear coast-down: the volume after the command is Q·(delay + coast/2).
    pump = PumpParams(slip_lps_per_kpa=0.0, relay_delay_s=0.15, coast_s=1.0)
    rig = plant(pump=pump, tyre=replace(TYRE, bore_m=0.03))
    rig.advance(20.0, FILL)
    before_l = rig.tyre.liquid_l
    rig.advance(3.0, IDLE)
    assert rig.tyre.liquid_l - before_l == pytest.approx(pump.flow_lps * (0.15 + 0.5), rel=0.01)


def test_line_pressure_while_filling_is_tyre_and_bore_and_hose_and_head() -> None:
    fluid = FluidParams(density_kg_m3=1282.0, viscosity_mpas=500.0)
    pipe = PipeParams(gauge_height_m=0.4)
    rig = plant(pump=replace(INSTANT, flow_lps=0.25), fluid=fluid, pipe=pipe)
    rig.advance(20.0, FILL)
    flow = rig.line.flow_lps * 1e-3
    bore_kpa = 1282 / 2 * (flow / (0.7 * math.pi * 0.004**2)) ** 2 / 1000
    hose_kpa = 128 * 0.5 * pipe.length_m * flow / (math.pi * pipe.bore_m**4) / 1000  # Hagen-Poiseuille
    head_kpa = 1282 * 9.80665 * 0.6 / 1000
    assert rig.line.kpa_abs - rig.tyre.pressure() == pytest.approx(bore_kpa + hose_kpa + head_kpa, rel=2e-3)
    rig.advance(3.0, IDLE)
    assert rig.line.kpa_abs - rig.tyre.pressure() == pytest.approx(head_kpa, rel=1e-3)
    assert rig.readings().line_pressure == pytest.approx(rig.line.kpa_abs - ATM, rel=1e-6)


def test_thick_fluid_through_a_small_stem_opens_the_relief_and_the_meter_counts_only_what_goes_in() -> None:
    rig = plant(fluid=FluidParams(density_kg_m3=1282.0, viscosity_mpas=500.0), tyre=replace(TYRE, bore_m=0.004))
    rig.advance(60.0, FILL)
    assert rig.meter.pulses / 100 == pytest.approx(rig.tyre.liquid_l, abs=0.05)
    assert rig.tyre.liquid_l < 0.4 * 60 * FLOW
    assert rig.extremes.peak_line_kpa < 32 * KPA_PER_PSI


def test_closed_valve_is_a_dead_end_and_a_reverse_brings_back_millilitres() -> None:
    rig = plant()
    rig.advance(20.0, FILL)
    rig.advance(1.0, IDLE)
    rig.advance(2.0, replace(CORE_IN, pump_run=True))
    assert 29 * KPA_PER_PSI < rig.line.kpa_abs - ATM < 32 * KPA_PER_PSI
    inside, counted = rig.tyre.liquid_l, rig.meter.pulses
    rig.advance(1.0, replace(CORE_IN, pump_reverse=True))
    assert 0 <= counted - rig.meter.pulses < 20
    assert rig.readings().line_pressure < KPA_PER_PSI
    assert rig.tyre.liquid_l == inside


def test_a_core_that_is_not_seated_gives_liquid_or_gas_back() -> None:
    rig = plant()
    rig.advance(30.0, FILL)
    rig.upset(Upsets(insert_stuck=True))
    rig.advance(1.0, CORE_IN)
    counted = rig.meter.pulses
    rig.advance(2.0, replace(CORE_IN, pump_reverse=True))
    assert (counted - rig.meter.pulses) / 100 > 1.0


def test_gun_off_pumps_on_the_ground_and_the_open_tyre_blows_down_to_its_valve() -> None:
    tyre = replace(TYRE, valve_fraction=0.4, existing_l=0.6 * TYRE.cavity_l, start_kpa=100.0)
    rig = plant(tyre=tyre)
    rig.advance(1.0, CORE_IN)
    rig.advance(10.0, replace(GUN_OFF, pump_run=True))
    spilled = rig.line.books.spilled_l
    assert spilled == pytest.approx(10 * FLOW, rel=0.02)
    rig.advance(600.0, replace(GUN_OFF, hand_valve_open=True))
    assert rig.tyre.pressure() == pytest.approx(ATM, abs=0.2)
    assert rig.tyre.fraction() == pytest.approx(0.4, abs=0.005)
    assert rig.line.books.spilled_l - spilled == pytest.approx(0.2 * TYRE.cavity_l, rel=0.03)


def test_vent_spits_when_the_surface_reaches_the_valve() -> None:
    low = plant(tyre=replace(TYRE, existing_l=0.7 * TYRE.cavity_l, start_kpa=100.0))
    high = plant(tyre=replace(TYRE, existing_l=0.85 * TYRE.cavity_l, start_kpa=100.0))
    for rig in (low, high):
        rig.advance(1.0, IDLE)
        rig.advance(5.0, VENT)
    assert low.line.books.vented_l < 0.05
    assert not low.readings().liquid_in_vent
    assert high.line.books.vented_l > 1.0
    assert high.readings().liquid_in_vent


def test_gauge_while_venting_reads_the_gun_and_not_the_tyre() -> None:
    # Two equal bores in series: each takes about half the drop, so a gauge at the gun's side sees half.
    rig = plant(tyre=replace(TYRE, start_kpa=100.0), vent_bore_m=TYRE.bore_m)
    rig.advance(1.0, IDLE)
    rig.advance(2.0, VENT)
    inside = rig.tyre.pressure() - ATM
    assert rig.readings().line_pressure == pytest.approx(0.5 * inside, rel=0.05)
    rig.advance(2.0, IDLE)
    assert rig.readings().line_pressure == pytest.approx(rig.tyre.pressure() - ATM, rel=0.01)


def test_bead_lets_go_below_its_limit_and_stays_off() -> None:
    rig = plant()
    rig.advance(300.0, DRAW)
    assert rig.tyre.bead_lost
    assert rig.extremes.lowest_tyre_kpa == pytest.approx(-4 * KPA_PER_PSI, abs=0.5)
    assert rig.tyre.pressure() == ATM


def test_empty_tote_lets_air_in_and_the_meter_counts_it() -> None:
    rig = plant(tote_l=30.0, heel_l=20.0, tyre=replace(TYRE, bore_m=0.03))
    rig.advance(60.0, FILL)
    assert rig.line.tote_l == pytest.approx(20.0)
    assert rig.tyre.liquid_l == pytest.approx(10.0 + PIPE.suction_l + PIPE.hose_l, abs=0.1)
    assert rig.meter.pulses / 100 > rig.tyre.liquid_l + 5


def test_air_in_the_suction_is_counted_as_liquid() -> None:
    rig = plant(tyre=replace(TYRE, bore_m=0.03))
    rig.advance(5.0, FILL)
    rig.upset(Upsets(air_share=0.25))
    rig.advance(20.0, FILL)  # the hose fills with froth
    liquid, counted = rig.tyre.liquid_l, rig.meter.pulses
    rig.advance(20.0, FILL)
    assert rig.tyre.liquid_l - liquid == pytest.approx(0.75 * (rig.meter.pulses - counted) / 100, rel=0.03)


def test_both_relays_together_stall_the_pump_and_are_told() -> None:
    rig = plant()
    rig.advance(2.0, replace(FILL, pump_reverse=True))
    assert rig.meter.pulses == 0
    assert rig.extremes.both_relays_s == pytest.approx(2.0, abs=0.02)


def test_leak_back_at_rest_drains_the_tyre_through_the_pump() -> None:
    rig = plant(pump=replace(INSTANT, rest_slip_lps_per_kpa=1e-4), tyre=replace(TYRE, start_kpa=100.0))
    rig.advance(10.0, IDLE)
    # 1e-4 L/s per kPa at 100 kPa, both sides full of liquid: 0.1 L in 10 s, back to the tote.
    assert rig.line.tote_l - 900.0 == pytest.approx(0.1, rel=0.03)


def test_flush_valve_carries_returned_liquid_past_the_meter() -> None:
    rig = plant()
    rig.advance(2.0, replace(DRAW, flush_valve=True))
    assert rig.line.tote_l > 900.5
    assert rig.meter.pulses == 0


def test_growth_lets_more_in_for_the_same_pressure() -> None:
    rigid = plant(tyre=replace(TYRE, bore_m=0.03))
    soft = plant(tyre=replace(TYRE, bore_m=0.03, growth_per_psi=0.003))
    for rig in (rigid, soft):
        rig.advance(240.0, FILL)
    liquid = soft.tyre.liquid_l
    p = soft.tyre.pressure()
    room = TYRE.cavity_l * (1 + 0.003 * (p - ATM) / KPA_PER_PSI) - liquid
    assert p * room == pytest.approx(soft.tyre.gas, rel=1e-9)
    assert p < rigid.tyre.pressure()


def test_walls_that_give_flatten_the_pressure_under_vacuum() -> None:
    stiff, soft = (plant(tyre=replace(TYRE, sag_per_psi=sag)) for sag in (0.0, 0.03))
    for rig in (stiff, soft):
        rig.advance(60.0, DRAW)
    assert stiff.tyre.pressure() < soft.tyre.pressure() < ATM
    p = soft.tyre.pressure()
    cavity = TYRE.cavity_l * (1 + 0.03 * (p - ATM) / KPA_PER_PSI)
    assert p * (cavity + soft.tyre.pocket_l) == pytest.approx(soft.tyre.gas, rel=1e-9)


def test_same_seed_same_trace() -> None:
    runs = []
    for _ in range(2):
        rig = plant(meter=MeterParams(noise=0.01), seed=7)
        rig.advance(33.0, FILL)
        runs.append((rig.meter.pulses, rig.tyre.pressure()))
    assert runs[0] == runs[1]
    other = plant(meter=MeterParams(noise=0.01), seed=8)
    other.advance(33.0, FILL)
    assert other.meter.pulses != runs[0][0]


def _any_plant(rng: random.Random) -> PlantParams:
    tyre = TyreParams(
        rng.choice([20.0, 100.0, 348.0, 1500.0]), rng.choice([0.0, 0.002]), rng.choice([0.0, 0.03]),
        rng.choice([0.2, 0.38, 0.77, 0.95]),
        rng.uniform(0.3, 1.6), (0.1, 0.4, 1.0, 1.5), rng.choice([0.0035, 0.008, 0.012]), 0.7,
        rng.choice([-27.0, -500.0]), rng.uniform(-5, 130), 0.0,
    )  # fmt: skip
    return params(
        tyre=tyre,
        fluid=FluidParams(rng.uniform(900, 1400), rng.choice([1.0, 40.0, 5000.0]), rng.uniform(-20, 40)),
        pipe=PipeParams(rng.uniform(0.5, 5), rng.uniform(0.5, 20), start_liquid_l=rng.choice([None, 0.0, 0.3])),
        pump=PumpParams(
            rng.uniform(0.1, 2.5), rng.choice([0, 0.002]), rng.choice([0, 0.0002]), coast_s=rng.choice([0, 1])
        ),
        tote_l=rng.choice([30.0, 900.0]),
    )


@pytest.mark.parametrize("seed", range(25))
def test_whatever_is_done_liquid_and_gas_are_conserved(seed: int) -> None:
    rng = random.Random(seed)
    rig = Plant(_any_plant(rng))
    liquid, gas = rig.liquid_total_l(), rig.gas_total()
    turnover = gas
    for _ in range(25):
        rig.upset(
            Upsets(air_share=rng.choice([0, 0, 0.25]), gun_blown=rng.random() < 0.05, blocked=rng.random() < 0.05,
                   leak_bore_m=rng.choice([0, 0, 0.002]))
        )  # fmt: skip
        coils = Coils(*[rng.random() < share for share in (0.5, 0.25, 0.25, 0.5, 0.05, 0.5, 0.8, 0.8)])
        rig.advance(rng.choice([0.1, 1.0, 5.0, 30.0]), coils)
        turnover = max(turnover, abs(rig.tyre.gas_out), abs(rig.line.books.gas_out))
        assert rig.liquid_total_l() == pytest.approx(liquid, rel=1e-9)
        assert abs(rig.gas_total() - gas) <= 1e-9 * turnover
        assert 0.0 <= rig.tyre.liquid_l <= rig.tyre.cavity_l(rig.tyre.pressure()) + 1e-6
        assert 0.0 < rig.line.kpa_abs < ATM + 45 * KPA_PER_PSI
