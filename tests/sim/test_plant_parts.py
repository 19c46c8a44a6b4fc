"""Pump, relay, meter and column on their own."""

from __future__ import annotations

import itertools
import random

import pytest

from sim.plant.column import Column
from sim.plant.meter import Meter
from sim.plant.params import MeterParams, PumpParams
from sim.plant.pump import Pump, Relay
from sim.plant.upsets import Upsets

HEALTHY = Upsets()


def meter(**changes: object) -> Meter:
    return Meter(MeterParams(**changes), 0.6, random.Random(1))  # type: ignore[arg-type]


def test_pulses_are_whole_and_no_volume_is_lost_between_them() -> None:
    counter = meter(k_per_l=66.6)
    for _ in range(1000):
        counter.update(0.05, 0.0123, HEALTHY)
    assert abs(counter.pulses - 12.3 * 66.6) < 1
    for _ in range(1000):
        counter.update(0.05, -0.0123, HEALTHY)
    assert counter.pulses == 0


def test_what_a_meter_does_backwards() -> None:
    counts = {}
    for reverse in ("signed", "unsigned", "none"):
        counter = meter(reverse=reverse)
        counter.update(1.0, 5.0, HEALTHY)
        counter.update(1.0, -2.0, HEALTHY)
        counts[reverse] = counter.pulses
    assert counts == {"signed": 300, "unsigned": 700, "none": 500}
    second = meter(second_channel=True)
    second.update(1.0, 5.0, HEALTHY)
    second.update(1.0, -2.0, HEALTHY)
    assert second.shown()[:3] == (500, 200, pytest.approx(3.0))


def test_meter_faults() -> None:
    counter = meter()
    counter.update(1.0, 1.0, Upsets(meter_dead=True))
    assert counter.pulses == 0
    counter.update(1.0, 1.0, Upsets(meter_gain=2.0))
    assert counter.pulses == 200
    counter.hold(True)
    counter.update(1.0, 1.0, HEALTHY)
    assert counter.shown()[0] == 200
    counter.hold(False)
    assert counter.shown()[0] == 300
    counter.roll_back(2.0)
    assert counter.pulses == 100
    counter.reset()
    for _ in range(1000):
        counter.update(0.1, 0.0, Upsets(meter_noise_hz=40.0))
    assert counter.pulses == pytest.approx(4000, rel=0.1)


def test_linearity_error_differs_by_flow_and_has_the_stated_spread() -> None:
    ratios = []
    for seed in range(200):
        counter = Meter(MeterParams(k_per_l=1000.0, noise=0.01), 0.6, random.Random(seed))
        counter.update(100.0, 30.0, HEALTHY)
        ratios.append(counter.pulses / 30000 - 1)
    mean = sum(ratios) / len(ratios)
    spread = (sum((r - mean) ** 2 for r in ratios) / len(ratios)) ** 0.5
    assert abs(mean) < 0.003
    assert 0.006 < spread < 0.013


def test_a_flow_meter_lags_and_settles() -> None:
    counter = meter()
    for _ in range(100):
        counter.update(0.05, 0.03, HEALTHY)
    assert counter.shown()[3] == pytest.approx(0.6, rel=1e-3)


def test_ramps_are_linear_and_a_change_of_direction_passes_standstill() -> None:
    pump = Pump(PumpParams(start_lag_s=0.2, coast_s=1.0))
    assert pump.turn(0.1, 1.0) == pytest.approx(0.25)
    assert pump.turn(0.1, 1.0) == pytest.approx(0.75)
    assert pump.speed == 1.0
    assert pump.turn(2.0, 0.0) == pytest.approx(0.25)  # half a second's worth of full flow, spread over two
    pump.turn(1.0, 1.0)
    assert pump.turn(1.2, -1.0) == pytest.approx((0.5 - 0.1) / 1.2)
    assert pump.speed == -1.0


@pytest.mark.parametrize("speed", [-1.0, -0.3, 0.0, 0.3, 1.0])
@pytest.mark.parametrize("air", [0.0, 0.5, 1.0])
def test_flow_falls_as_the_line_pressure_rises(speed: float, air: float) -> None:
    pump = Pump(PumpParams(rest_slip_lps_per_kpa=1e-4))
    flows = [pump.flow_lps(speed, kpa, air, 101.3, 1.0) for kpa in range(1, 500)]
    assert all(a >= b for a, b in itertools.pairwise(flows))


def test_a_relay_follows_after_its_delay() -> None:
    relay = Relay(0.05)
    relay.command(1.0, True)
    assert not relay.update(1.04)
    assert relay.due_s == pytest.approx(1.05)
    assert relay.update(1.05)
    relay.command(2.0, False)
    relay.command(2.01, True)
    assert relay.update(3.0)


def test_plugs_keep_their_order_and_their_amounts() -> None:
    pipe = Column(2.0)
    pipe.push_tail(0.0, 100.0)
    pipe.push_tail(1.0, 0.0)
    assert pipe.volume_l(100.0) == pytest.approx(4.0)
    assert pipe.take_tail(1.5, 100.0) == (pytest.approx(1.0), pytest.approx(50.0))
    assert pipe.take_last_gas() == pytest.approx(50.0)
    assert pipe.take_last_gas() == 0.0
    assert pipe.take_head(5.0, 100.0) == (pytest.approx(2.0), 0.0)
    assert pipe.head == pipe.tail == (0.0, 0.0)


def test_froth_leaves_in_the_share_in_which_it_came() -> None:
    pipe = Column(1.0, 300.0)
    liquid, gas = pipe.take_head(1.0, 100.0)
    assert (liquid, gas) == (pytest.approx(0.25), pytest.approx(75.0))
