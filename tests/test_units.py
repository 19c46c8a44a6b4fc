"""Quantities as text: what is read, what is refused and how, against published conversion factors.

Factors: NIST Special Publication 811 (2008 edition), appendix B.8, and the definitions in NIST Handbook 44, appendix C:
1 lbf/in2 = 6.894757 kPa, 1 US gal = 3.785412 L, 1 lb = 0.45359237 kg (exact), 1 in = 25.4 mm (exact),
1 lb/gal (US) = 119.8264 kg/m3, 1 gal/min = 0.06309020 L/s, 1 bar = 100 kPa, 1 cP = 1 mPa s,
t(degC) = (t(degF) - 32)/1.8.
"""

from __future__ import annotations

import math
import re
from decimal import Decimal
from typing import get_args

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rig import units
from rig.units import Kind, QuantityError, gallons, parse, psi

NIST = [
    ("1 psi", "pressure", 6.894757),
    ("18 psig", "pressure", 18 * 6.894757),
    ("2.5 bar", "pressure", 250.0),
    ("1 inHg", "pressure", 3.386389),
    ("1 inH2O", "pressure", 0.2490889),
    ("1 gal", "volume", 3.785412),
    ("5 m3", "volume", 5000.0),
    ("5 m^3", "volume", 5000.0),
    ("5 m³", "volume", 5000.0),
    ("1 ft^3", "volume", 28.31685),
    ("738 lb", "mass", 738 * 0.45359237),
    ("10.7 lb/gal", "density", 10.7 * 119.8264),
    ("1.282 g/cm3", "density", 1282.0),
    ("3.5 lb/gal", "mass_per_volume", 3.5 * 0.1198264),
    ("8 gpm", "flow", 8 * 0.06309020),
    ("30 lpm", "flow", 0.5),
    ("30 L/min", "flow", 0.5),
    ("68 degF", "temperature", 20.0),
    ("-40 degF", "temperature", -40.0),
    ("20 °C", "temperature", 20.0),
    ("40F", "temperature", 40 / 9),
    ("40 F", "temperature", 40 / 9),
    ("40 °F", "temperature", 40 / 9),
    ("104 deg F", "temperature", 40.0),
    ("-5 C", "temperature", -5.0),
    ("293.15 K", "temperature", 20.0),
    ("25 ft", "length", 7.62),
    ("3/4 in", "length", 0.01905),
    (".5 in", "length", 0.0127),
    ("10 min", "time", 600.0),
    ("250 ms", "time", 0.25),
    ("40 cP", "viscosity", 40.0),
    ("40 mPa·s", "viscosity", 40.0),
    ("100 pulse/L", "per_volume", 100.0),
    ("250 pulse/gal", "per_volume", 250 / 3.785412),
    ("100/L", "per_volume", 100.0),
    ("/gal", "per_volume", 1 / 3.785412),
    ("1,5 bar", "pressure", 150.0),
    ("1.5e2 kPa", "pressure", 150.0),
    ("  12   psi  ", "pressure", 12 * 6.894757),
]


@pytest.mark.parametrize(("text", "kind", "value"), NIST)
def test_published_factors(text: str, kind: Kind, value: float) -> None:
    assert parse(text, kind) == pytest.approx(value, rel=2e-6, abs=1e-9)


REFUSED = [
    ("18", "pressure", "no unit"),
    ("", "volume", "is not a volume"),
    ("psi", "pressure", "is not a pressure"),
    ("eighteen psi", "pressure", "is not a pressure"),
    ("18 psu", "pressure", "is not a pressure"),
    ("18 gal", "pressure", "is not a pressure"),
    ("18 psia", "pressure", "is absolute, and every pressure here is gauge"),
    ("20 coulomb", "temperature", "is not a temperature"),
    ("20 degF/min", "temperature", "is not a temperature"),
    ("1,500 L", "volume", "without the comma"),
    ("1,234,567 L", "volume", "is not a volume"),
    ("3/0 in", "length", "divides by zero"),
    ("1e999 L", "volume", "not finite"),
    ("inf L", "volume", "is not a volume"),
    ("nan L", "volume", "is not a volume"),
    ("5 L; import os", "volume", "is not a volume"),
    ("5 L*2", "volume", "is not a volume"),
    ("5 L L", "volume", "is not a volume"),
    ("--5 L", "volume", "is not a volume"),
    ("100 L/pulse", "per_volume", "is not a number per volume"),
    ("5 __class__", "volume", "is not a volume"),
    ("True", "volume", "is not a volume"),
]


@pytest.mark.parametrize(("text", "kind", "why"), REFUSED)
def test_refused_with_an_example_that_is_accepted(text: str, kind: Kind, why: str) -> None:
    with pytest.raises(QuantityError, match=why) as caught:
        parse(text, kind)
    advice = re.search(r"for example (.+?)(?:,| or |$)", str(caught.value))
    if "comma" not in why:
        assert advice is not None
        assert math.isfinite(parse(advice[1], kind))


@pytest.mark.parametrize("kind", get_args(Kind))
def test_every_example_in_the_messages_can_be_read(kind: Kind) -> None:
    with pytest.raises(QuantityError) as caught:
        parse("rubbish", kind)
    for text in re.split(r", | or ", str(caught.value).rpartition("for example ")[2]):
        assert math.isfinite(parse(text, kind))


@pytest.mark.timeout(30)
@pytest.mark.parametrize(
    "text", ["5 L*9^9^9^9", "5 m^999999999", "9" * 100_000 + " L", "5 " + "a " * 50_000, "1/" * 9999]
)
def test_no_text_keeps_the_parser_busy(text: str) -> None:
    with pytest.raises(QuantityError):
        parse(text, "volume")


@given(st.text(max_size=80), st.sampled_from(get_args(Kind)))
@example("1" * 59, "volume")
def test_any_text_is_a_finite_number_or_one_clear_error(text: str, kind: Kind) -> None:
    try:
        value = parse(text, kind)
    except QuantityError as error:
        said = str(error)
    else:
        said = ""
        assert math.isfinite(value)
    assert "\n" not in said
    assert len(said) < 500


@given(
    st.sampled_from([key for key in get_args(Kind) if key != "per_volume"]),
    st.floats(min_value=-1e6, max_value=1e6, allow_subnormal=False),
)
def test_a_value_in_the_programs_own_unit_comes_back(kind: Kind, value: float) -> None:
    number = f"{value:.6f}"
    assert parse(f"{number} {units.unit_of(kind)}", kind) == pytest.approx(float(number), rel=1e-12, abs=1e-9)


@given(st.floats(min_value=0, max_value=1e5))
def test_there_and_back_in_the_trades_units(value: float) -> None:
    number = f"{value:.4f}"
    assert gallons(parse(f"{number} gal", "volume")) == pytest.approx(float(number), rel=1e-9, abs=1e-9)
    assert psi(parse(f"{number} psi", "pressure")) == pytest.approx(float(number), rel=1e-9, abs=1e-9)
    celsius = parse(f"{number} degF", "temperature")
    assert celsius * 1.8 + 32 == pytest.approx(float(number), rel=1e-9, abs=1e-6)


@given(st.sampled_from(sorted(units.FACTORS)), st.decimals(-100_000, 100_000, places=4))
def test_what_is_converted_without_pint_is_what_pint_makes_of_it(entry: tuple[Kind, str], number: Decimal) -> None:
    kind, unit = entry
    assert parse(f"{number} {unit}", kind) == units.by_pint(float(number), unit, units.unit_of(kind))


def test_the_constants_are_the_published_ones() -> None:
    # NIST SP 811: exact definitions of the pound and the US gallon; psi = lb x standard gravity / in2.
    assert units.KG_PER_LB == 0.45359237
    assert units.L_PER_GAL == 3.785411784
    assert pytest.approx(0.45359237 * 9.80665 / 0.0254**2 / 1000, rel=1e-15) == units.KPA_PER_PSI


@pytest.mark.parametrize(
    ("shown", "text"),
    [
        (units.show_volume(69 * 3.785411784), "261.2 L (69.0 gal)"),
        (units.show_pressure(18 * 6.894757), "18.0 psi (124 kPa)"),
        (units.show_mass(738 * 0.45359237), "335 kg (738 lb)"),
        (units.show_flow(8 * 3.785411784 / 60), "30.3 L/min (8.0 gpm)"),
    ],
)
def test_shown_in_both_systems(shown: str, text: str) -> None:
    assert shown == text
