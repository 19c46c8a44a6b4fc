"""Readings: units, age, range, and relays as read back.

Factors: NIST SP 811, appendix B.8 (1 psi = 6.894757 kPa, 1 US gal = 3.785412 L, degF to degC).
"""

from __future__ import annotations

from dataclasses import fields

import pytest
from shop import GONE, number, settings

from rig.control.words.values import Outputs, Reading
from rig.field.values import Value, value_of
from rig.run.readings import conversions, reading_of
from rig.run.settings import Settings

NOW_S = 100.0


def reading(of: Settings, registers: dict[str, list[int]], ages_s: dict[str, float] | None = None) -> Reading:
    """The reading of a rig whose points stand at these raw ``registers`` (all 0 otherwise), of these ages."""
    values = {
        name: value_of(point, tuple(registers.get(name, [0] * point.registers)), NOW_S - (ages_s or {}).get(name, 0.0))
        for name, point in of.points.items()
    }
    return read(of, values)


def read(of: Settings, values: dict[str, Value], own_stale_s: dict[str, float] | None = None) -> Reading:
    return reading_of(
        of.points,
        conversions(of.quantities),
        values,
        now_s=7.0,
        began_s=0.0,
        wall_s=NOW_S,
        stale_s=1.0,
        own_stale_s=own_stale_s or {},
        gap_s=0.2,
        journal_lag_s=0.3,
    )


@pytest.mark.parametrize(("age_s", "count", "untrusted"), [(0.0, 700, False), (0.5, None, False), (1.5, None, True)])
def test_a_register_that_this_scan_did_not_bring_is_not_read_though_it_is_not_stale_yet(
    age_s: float, count: int | None, untrusted: bool
) -> None:
    # What it counts meanwhile is then known to be missing: a pump moves so much, and its step is no jump.
    of = settings()
    values = {name: value_of(point, (0,) * point.registers, NOW_S) for name, point in of.points.items()}
    values["meter_count"] = value_of(of.points["meter_count"], (0, 700), NOW_S - age_s)
    seen = reading_of(of.points, conversions(of.quantities), values, now_s=7.0, began_s=NOW_S - 0.1, wall_s=NOW_S,
                      stale_s=1.0, gap_s=0.2, journal_lag_s=0.3)  # fmt: skip
    assert seen.counts == (count,)
    assert ("meter_count" in seen.untrusted) is untrusted


@pytest.mark.parametrize(("level_age_s", "gauge_age_s", "level", "gauge"), [(1.5, 0.0, True, True),
                                                                            (3.0, 0.0, False, True),
                                                                            (0.0, 1.5, True, False)])  # fmt: skip
def test_a_point_of_a_slow_link_is_stale_by_its_own_limit_and_no_other_is(
    level_age_s: float, gauge_age_s: float, level: bool, gauge: bool
) -> None:
    of = settings()
    values = {name: value_of(point, (0,) * point.registers, NOW_S) for name, point in of.points.items()}
    values["tote_level"].at_s, values["line_pressure"].at_s = NOW_S - level_age_s, NOW_S - gauge_age_s
    seen = read(of, values, {"tote_level": 2.5})
    assert (seen.tote_l is not None, seen.line_kpa is not None) == (level, gauge)
    assert seen.reachable is (level and gauge)


@pytest.mark.parametrize(
    ("quantity", "scale", "raw", "kpa"),
    [("psi", 0.01, 1800, 18 * 6.894757), ("bar", 0.001, 1241, 124.1), ("kPa", 0.1, 1241, 124.1),
     ("inHg", 0.1, 0x10000 - 200, -20 * 3.386389), ("psi", 1, 0x10000 - 3, -3 * 6.894757)],
)  # fmt: skip
def test_pressures(quantity: str, scale: float, raw: int, kpa: float) -> None:
    of = settings(points__line_pressure=number("input", 2, "i16", scale=scale, quantity=quantity))
    assert reading(of, {"line_pressure": [raw]}).line_kpa == pytest.approx(kpa, rel=1e-6)


@pytest.mark.parametrize(("quantity", "raw", "celsius"), [("degF", 680, 20.0), ("degF", 0x10000 - 400, -40.0),
                                                          ("degC", 155, 15.5), ("K", 2932, 20.05)])  # fmt: skip
def test_temperatures_have_their_zero(quantity: str, raw: int, celsius: float) -> None:
    of = settings(points__fluid_temp=number("input", 9, "i16", scale=0.1, quantity=quantity))
    assert reading(of, {"fluid_temp": [raw]}).fluid_c == pytest.approx(celsius)


@pytest.mark.parametrize(("quantity", "raw", "litres"), [("gal", 2378, 237.8 * 3.785412), ("L", 9000, 900.0),
                                                         ("m3", 9, 900.0)])  # fmt: skip
def test_volumes(quantity: str, raw: int, litres: float) -> None:
    of = settings(points__tote_level=number("input", 3, "u16", scale=0.1, quantity=quantity))
    assert reading(of, {"tote_level": [raw]}).tote_l == pytest.approx(litres, rel=1e-6)


def test_time_out_counts_and_switches() -> None:
    of = settings(
        points__output_timeout=number("holding", 0, "u16", quantity="ms"),
        points__meter_reverse_count=number("input", 20, "u16"),
        points__liquid_in_vent={"link": "io", "table": "discrete", "address": 1},
    )
    seen = reading(of, {"output_timeout": [2000], "meter_count": [0xFFFF, 0xFFFE], "meter_reverse_count": [65535],
                        "estop_ok": [1]})  # fmt: skip
    assert seen.output_timeout_s == pytest.approx(2.0)
    assert (seen.counts, seen.reverse_raw) == ((0xFFFFFFFE,), 65535)
    assert isinstance(seen.counts[0], int)
    assert (seen.estop_ok, seen.liquid_in_vent) == (True, False)
    assert (seen.now_s, seen.late_s, seen.journal_lag_s) == (7.0, 0.2, 0.3)
    assert seen.reachable
    assert seen.untrusted == frozenset()


def test_a_stale_point_is_no_number_and_named() -> None:
    of = settings()
    seen = reading(of, {"line_pressure": [1800], "tote_level": [100]}, {"line_pressure": 1.01, "tote_level": 0.99})
    assert seen.line_kpa is None
    assert seen.tote_l == 10.0
    assert seen.untrusted == {"line_pressure"}
    assert not seen.reachable


def test_a_point_out_of_range_is_no_number_but_the_field_is_reachable() -> None:
    for raw in (6001, 32767, 0x8000):
        seen = reading(settings(), {"line_pressure": [raw]})
        assert seen.line_kpa is None
        assert seen.untrusted == {"line_pressure"}
        assert seen.reachable
    assert reading(settings(), {"line_pressure": [6000]}).line_kpa == pytest.approx(60 * 6.894757, rel=1e-6)


def test_a_broken_float_sensor_is_no_number() -> None:
    of = settings(points__line_pressure=number("input", 2, "f32", quantity="psi"), points__tote_level=GONE)
    seen = reading(of, {"line_pressure": [0x7FC0, 0]})  # IEEE 754: not a number
    assert seen.line_kpa is None
    assert seen.untrusted == {"line_pressure"}


def test_a_point_that_was_never_read_is_untrusted() -> None:
    seen = read(settings(), {})
    assert not seen.reachable
    assert seen.untrusted == frozenset(settings().points)
    assert (seen.line_kpa, seen.counts, seen.estop_ok, seen.outputs_seen) == (None, (None,), None, None)


def test_what_a_rig_does_not_have_is_none_and_not_untrusted() -> None:
    seen = reading(settings(points__tote_level=GONE, points__estop_ok=GONE, points__output_timeout=GONE), {})
    assert (seen.tote_l, seen.estop_ok, seen.output_timeout_s, seen.fluid_c) == (None, None, None, None)
    assert seen.untrusted == frozenset()
    assert seen.reachable


def test_relays_as_read_back() -> None:
    of = settings()
    assert reading(of, {}).outputs_seen == Outputs()
    assert reading(of, {"pump_run": [1]}).outputs_seen == Outputs(pump_run=True)
    assert reading(of, {"pump_reverse": [1], "vent_valve": [1]}).outputs_seen == Outputs(
        pump_reverse=True, vent_valve=True
    )


def test_run_and_reverse_together_are_seen() -> None:
    seen = reading(settings(), {"pump_run": [1], "pump_reverse": [1]})
    assert seen.both_seen
    assert seen.outputs_seen is None
    assert not reading(settings(), {"pump_run": [1]}).both_seen


def test_relays_that_were_not_read_in_time_are_unknown() -> None:
    seen = reading(settings(), {"pump_run": [1]}, {"pump_reverse": 2.0})
    assert seen.outputs_seen is None
    assert not seen.both_seen
    assert seen.untrusted == {"pump_reverse"}


def test_every_quantity_of_a_reading_is_finite_for_any_raw_word() -> None:
    for word in (0, 1, 0x7FFF, 0x8000, 0xFFFF):
        seen = reading(settings(), {name: [word] * point.registers for name, point in settings().points.items()
                                    if point.type != "bool"})  # fmt: skip
        for field in fields(seen):
            value = getattr(seen, field.name)
            assert not isinstance(value, float) or abs(value) < 1e9, field.name
