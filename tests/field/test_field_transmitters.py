"""Transmitters: two-point scaling, current loops with their failure currents, gauge and absolute units.

The failure currents are those of NAMUR NE 43 (from memory): at most 3.6 mA and at least 21 mA.
"""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from rig.field.points import Point
from rig.field.values import value_of
from rig.run.readings import conversions
from rig.units import QuantityError, parse, referenced

PSI = 6.894757293168361
LOOP = {"link": "io", "table": "input", "address": 0, "type": "u16", "quantity": "psi",
        "at": [4000, 20000], "span": [0, 60], "current": "4..20 mA"}  # fmt: skip


@pytest.mark.parametrize(
    ("raw", "shown", "fault"),
    [
        (4000, 0.0, ""),
        (12000, 30.0, ""),
        (20000, 60.0, ""),
        (3800, -0.75, ""),
        (20500, 61.875, ""),
        (3500, -1.875, "3.5 mA: the wire is broken"),
        (0, -15.0, "0.0 mA: the wire is broken"),
        (21500, 65.625, "21.5 mA: the transmitter is over its range"),
    ],
)
def test_a_loop_shows_its_value_and_a_failure_current_is_a_fault_in_words(raw: int, shown: float, fault: str) -> None:
    value = value_of(Point.model_validate(LOOP), (raw,), 0.0)
    assert value.scaled == pytest.approx(shown)
    assert value.fault.startswith(fault)
    assert bool(value.fault) is bool(fault)


def test_two_points_without_a_loop_have_no_failure_current_and_may_fall() -> None:
    keys = {**LOOP, "at": [100, 900], "span": [60, 0]}
    del keys["current"]
    point = Point.model_validate(keys)
    assert value_of(point, (100,), 0.0).scaled == pytest.approx(60)
    assert value_of(point, (700,), 0.0).scaled == pytest.approx(15)
    assert value_of(point, (1000,), 0.0).fault == ""


def test_a_dead_loop_from_0_ma_is_not_told_from_zero_but_too_much_is() -> None:
    point = Point.model_validate({**LOOP, "at": [0, 20000], "current": "0..20 mA"})
    assert value_of(point, (0,), 0.0).fault == ""
    assert value_of(point, (21500,), 0.0).fault.startswith("21.5 mA")


@pytest.mark.parametrize(
    "keys",
    [
        {"scale": 0.1}, {"offset": 3}, {"at": [4000]}, {"at": [4000, 4000]}, {"span": [5, 5]}, {"span": None},
        {"current": "4-20"}, {"at": "4000..20000"},
    ],
)  # fmt: skip
def test_half_a_scale_or_two_of_them_are_refused(keys: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        Point.model_validate({**LOOP, **keys})


@pytest.mark.parametrize(
    ("unit", "plain", "absolute"),
    [
        ("psi", "psi", False), ("psig", "psi", False), ("psi gauge", "psi", False), ("psi(g)", "psi", False),
        ("barg", "bar", False), ("bar gauge", "bar", False), ("kPa", "kPa", False), ("kPag", "kPa", False),
        ("psia", "psi", True), ("psi abs", "psi", True), ("psi absolute", "psi", True), ("bara", "bar", True),
        ("kPa abs", "kPa", True), ("kPa(a)", "kPa", True), ("mbara", "mbar", True), ("MPa", "MPa", False),
        ("hPa", "hPa", False),
    ],
)  # fmt: skip
def test_units_say_what_they_count_from(unit: str, plain: str, absolute: bool) -> None:
    assert referenced(unit) == (plain, absolute)
    # NIST SP 811, appendix B.8: 1 psi = 6.894757 kPa, 1 bar = 100 kPa.
    found = conversions({"line_pressure": unit}, 98.0)["line_pressure"]
    assert found.offset == pytest.approx(-98.0 if absolute else 0.0)
    assert found.factor == pytest.approx(
        {"psi": 6.894757, "bar": 100, "kPa": 1, "mbar": 0.1, "MPa": 1000, "hPa": 0.1}[plain]
    )


def test_an_absolute_transmitter_in_open_air_reads_nothing() -> None:
    found = conversions({"line_pressure": "psia"}, 101.325)["line_pressure"]
    assert 14.695949 * found.factor + found.offset == pytest.approx(
        0.0, abs=1e-4
    )  # 1 atm = 14.695949 psi (NIST SP 811)


def test_a_setting_is_gauge_and_may_say_so() -> None:
    assert parse("18 psi gauge", "pressure") == parse("18 psig", "pressure") == pytest.approx(18 * PSI)
    assert parse("1.2 barg", "pressure") == pytest.approx(120.0)
    with pytest.raises(QuantityError, match="is absolute, and every pressure here is gauge"):
        parse("33 psia", "pressure")
