"""Every kind of meter as a count: litres from steps, wraps and rollovers, damping, play, run time.

Water at 15 degC: 999.10 kg/m3 (IAPWS-95 as tabulated by NIST); buoyancy factor by OIML D 28.
"""

from __future__ import annotations

import itertools
import math

import pytest
from shop import GONE, number, settings

from rig.control.belief.accounting import Register, unwrap
from rig.control.words.values import Meter
from rig.field.values import Value
from rig.fluid import read_fluid
from rig.plan.physics import Line
from rig.run.assembly import line_of
from rig.run.metering import MeterFace, meter_face, meter_of
from rig.run.settings import Settings


def rig(kind: str, **more: object) -> Settings:
    points: dict[str, object] = {} if kind == "pulses" else {"points__meter_count": GONE}
    if kind == "scale":
        points["links__scale"] = {
            "kind": "line", "port": "tty", "pattern": r"(?P<w>\d+)",
            "fields": {"w": {"point": "tote_mass", "quantity": "lb"}},
        }  # fmt: skip
    return settings(**{"meter__kind": kind, **points, **more})


def line(of: Settings) -> Line:
    return line_of(of, read_fluid("water"), 15.0, 0.008, 0.5)


def face(of: Settings, base: int = 0) -> MeterFace:
    return meter_face(of, of.meter.kind, line(of), base)


def value(scaled: float, at_s: float, raw: float | None = None) -> Value:
    return Value(scaled if raw is None else raw, scaled, at_s)


def litres(meter: Meter, counts: list[int | None]) -> float:
    """What control makes of a row of counts."""
    register = Register()
    for count in counts:
        assert count is not None
        register, _ = unwrap(register, count, meter, most=10**6)
    return register.total * meter.litres_per_pulse


def test_a_totaliser_of_whole_registers_is_a_counter_and_wraps_like_one() -> None:
    of = rig("total", points__meter_total=number("input", 9, "u16", scale=0.01, quantity="gal"))
    meter = face(of)
    raws = [65500, 65535, 64, 164]
    counts = [meter.take({"meter_total": value(0.01 * raw, at, raw)}, at) for at, raw in enumerate(raws)]
    assert (meter_of(of, of.meter.kind).bits, meter_of(of, of.meter.kind).estimated) == (16, False)
    assert litres(meter_of(of, of.meter.kind), counts) == pytest.approx(2.00 * 3.785411784)


@pytest.mark.parametrize("rollover", ["1000 L", None])
def test_a_decimal_totaliser_rolls_over_where_it_is_told_to(rollover: str | None) -> None:
    more = {} if rollover is None else {"meter__rollover": rollover}
    of = rig("total", points__meter_total=number("input", 9, "f32", quantity="L"), **more)
    meter = face(of)
    counts = [meter.take({"meter_total": value(total, at)}, at) for at, total in enumerate([998.5, 999.9, 0.3, 2.0])]
    if rollover is None:
        # Without, it looks like a device that restarted: control flags it and takes only what stands there.
        register = Register()
        for count in counts:
            assert count is not None
            register, _ = unwrap(register, count, meter_of(of, of.meter.kind), most=500)
        assert register.restarts == 1
    else:
        assert litres(meter_of(of, of.meter.kind), counts) == pytest.approx(3.5)


@pytest.mark.parametrize("lag_s", [0.0, 0.5, 2.0])
def test_a_damped_rate_sums_to_the_true_volume_at_once(lag_s: float) -> None:
    of = rig("rate", points__flow_rate=number("input", 9, "f32", quantity="L/min"), meter__lag=f"{lag_s} s")
    meter, shown, dt_s = face(of), 0.0, 0.05
    counts = []
    for step in range(401):
        true_lpm = 30.0 if step * dt_s < 10 else 0.0
        shown = true_lpm if not lag_s else shown + (true_lpm - shown) * -math.expm1(-dt_s / lag_s)
        counts.append(meter.take({"flow_rate": value(shown, step)}, step * dt_s))
    assert litres(meter_of(of, of.meter.kind), counts) == pytest.approx(5.0, abs=0.04)
    assert litres(meter_of(of, of.meter.kind), counts[:201]) == pytest.approx(5.0, abs=0.04)
    assert meter_of(of, of.meter.kind).estimated
    assert meter_of(of, of.meter.kind).uncertainty == pytest.approx(0.02)


def test_a_rate_near_nought_sums_to_nothing_and_a_gap_is_not_made_up() -> None:
    of = rig("rate", points__flow_rate=number("input", 9, "f32", quantity="L/min"))
    meter = face(of, base=700)
    assert [meter.take({"flow_rate": value(0.3, at)}, at) for at in (0.0, 500.0, 1000.0)] == [700, 700, 700]
    assert meter.take({}, 1001.0) is None
    meter.take({"flow_rate": value(30.0, 2000.0)}, 2000.0)
    late = meter.take({"flow_rate": value(30.0, 3000.0)}, 3000.0)
    assert late is not None
    assert (late - 700) * 0.01 < 2.1, "at most two seconds of it at half a litre a second, and the damping"


def test_an_old_value_is_summed_once() -> None:
    of = rig("rate", points__flow_rate=number("input", 9, "f32", quantity="L/min"), meter__lag="0 s")
    meter = face(of)
    meter.take({"flow_rate": value(60.0, 0.0)}, 0.0)
    counts = [meter.take({"flow_rate": value(60.0, 1.0)}, now_s) for now_s in (1.0, 1.1, 1.2)]
    assert len(set(counts)) == 1


def test_a_scale_gives_litres_by_mass_density_and_the_air_it_stands_in() -> None:
    of = rig("scale", meter__division="0.2 lb")
    meter = face(of)
    counts = [meter.take({"tote_mass": value(pounds, at)}, at) for at, pounds in enumerate([2000.0, 1500.0, 1000.0])]
    kept = meter_of(of, of.meter.kind, 999.10)
    # 1000 lb are 453.59237 kg on the scale; mass = shown x (1 - 1.2/8000) / (1 - 1.2/999.1).
    true_l = 453.59237 * (1 - 1.2 / 8000) / (1 - 1.2 / 999.10) / 0.99910
    assert litres(kept, counts) == pytest.approx(true_l, abs=0.1)
    assert kept.litres_per_pulse == pytest.approx(0.2 * 0.45359237 / 0.9991, rel=2e-3)
    assert kept.estimated


def test_a_flickering_digit_is_no_flow_but_a_real_change_is() -> None:
    of = rig("scale", meter__division="0.2 lb")
    meter = face(of)
    flicker = [meter.take({"tote_mass": value(2000 + 0.2 * (at % 2), at)}, at) for at in range(20)]
    assert len(set(flicker)) == 1
    slow = [meter.take({"tote_mass": value(2000 - 0.1 * at, at)}, at) for at in range(100)]
    assert all(later is not None and sooner is not None and 0 <= later - sooner <= 1
               for sooner, later in itertools.pairwise(slow))  # fmt: skip


def test_run_time_counts_the_pump_forward_only_and_not_a_shut_down_one() -> None:
    of = rig("run time", meter__reverse="none", pump__slip=0, pump__start_lag="0 s", pump__coast="1 s")
    meter = face(of)

    def take(run: int, now_s: float, psi: float = 5.0) -> int | None:
        return meter.take({"pump_run": value(run, now_s), "line_pressure": value(psi, now_s)}, now_s)

    counts = [take(int(1 <= step < 101), 0.1 * step) for step in range(600)]
    # 10 s at 40 L/min, and half a second's worth of coast.
    assert litres(meter_of(of, of.meter.kind), counts) == pytest.approx(6.667 + 0.333, abs=0.1)
    assert meter_of(of, of.meter.kind).uncertainty == pytest.approx(0.15)
    assert meter.take({"line_pressure": value(5, 61.0)}, 61.0) is None


def test_run_time_at_the_relief_valve_counts_what_the_bore_lets_through() -> None:
    narrow = rig("run time", meter__reverse="none")
    meter = meter_face(narrow, narrow.meter.kind, line_of(narrow, read_fluid("water"), 15.0, 0.004, 0.5))
    counts = [meter.take({"pump_run": value(1, at), "line_pressure": value(30.0, at)}, at) for at in (0.0, 1.0, 61.0)]
    assert litres(meter_of(narrow, narrow.meter.kind), counts) < 0.5 * 40


def test_kinds_without_a_value_know_nothing() -> None:
    for kind, more in {"total": {"points__meter_total": number("input", 9, "f32", quantity="L")}, "scale": {}}.items():
        assert face(rig(kind, **more)).take({}, 1.0) is None
