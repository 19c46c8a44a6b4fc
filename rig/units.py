"""The only place where quantities are parsed, converted and shown.

Inside the program a quantity is a float in the unit its name ends with: ``_l`` litres, ``_lps`` litres per second,
``_kpa`` kilopascals (gauge unless the name says ``_abs``), ``_m`` metres, ``_s`` seconds, ``_kg``, ``_c`` degrees
Celsius, ``_kg_m3``, ``_mpas`` millipascal seconds. Pulses are integers. Text with a unit becomes such a float here,
and nowhere else; it must not know tyres, fluids or rigs.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from pint import UnitRegistry

Kind = Literal[
    "volume", "flow", "pressure", "length", "time", "mass", "temperature",
    "density", "viscosity", "per_volume", "mass_per_volume", "power",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Measure:
    """How one kind of quantity is held inside the program, and an example to show when the text is wrong."""

    unit: str
    example: str
    named: str = ""
    """How a person calls the kind, where its key does not read well."""


_MEASURES: dict[Kind, _Measure] = {
    "volume": _Measure("L", "69 gal or 261 L"),
    "flow": _Measure("L/s", "8 gpm or 30 L/min"),
    "pressure": _Measure("kPa", "18 psi or 124 kPa"),
    "length": _Measure("m", "8 mm, 25 ft or 0.5 m"),
    "time": _Measure("s", "2 s or 10 min"),
    "mass": _Measure("kg", "738 lb or 335 kg"),
    "temperature": _Measure("degC", "20 degC or 68 degF"),
    "density": _Measure("kg/m^3", "1282 kg/m^3 or 10.7 lb/gal"),
    "viscosity": _Measure("mPa*s", "40 mPa*s or 40 cP"),
    "per_volume": _Measure("1/L", "100 pulse/L or 250 pulse/gal", "number per volume"),
    "mass_per_volume": _Measure("kg/L", "3.5 lb/gal or 0.42 kg/L"),
    "power": _Measure("kW", "90 hp or 67 kW"),
}

FACTORS: dict[tuple[Kind, str], float] = {
    ("volume", "L"): 1.0, ("volume", "gal"): 3.785411783999999, ("flow", "L/min"): 0.016666666666666666,
    ("flow", "gpm"): 0.06309019639999998, ("pressure", "psi"): 6.894757293168363, ("pressure", "kPa"): 1.0,
    ("pressure", "bar"): 100.0, ("length", "m"): 1.0, ("length", "mm"): 0.001, ("length", "in"): 0.0254,
    ("length", "ft"): 0.30479999999999996, ("time", "s"): 1.0, ("time", "ms"): 0.001, ("time", "min"): 60.0,
    ("mass", "kg"): 1.0, ("mass", "lb"): 0.4535923700000001,
    ("per_volume", "pulse/L"): 1.0, ("per_volume", "pulse/gal"): 0.26417205235814856,
    ("density", "kg/m^3"): 1.0, ("viscosity", "mPa*s"): 1.0,
}  # fmt: skip
"""What pint makes of the units that a configuration is mostly written in, to the last bit: loading it takes longer than
all else that a command does before it answers."""

KPA_PER_PSI = 6.894757293168361
L_PER_GAL = 3.785411784
KG_PER_LB = 0.45359237


FAULTS: Mapping[str, str] = {
    "absolute": "{text} is absolute, and every pressure here is gauge: write a {name} with its unit, for example "
    "{example}",
    "other": "{text} is not a {name}: write a {name} with its unit, for example {example}",
    "by_zero": "{text} divides by zero: write a {name} with its unit, for example {example}",
    "no_unit": "{text} has no unit: write a {name} with its unit, for example {example}",
    "two_numbers": "{text} may mean two numbers: write it without the comma",
    "not_finite": "{text} is not finite: write a {name} with its unit, for example {example}",
}
"""What a text can be that is no quantity, in words."""


class QuantityError(ValueError):
    """A text that is no quantity of the wanted kind; the message says what to write instead.

    With ``fault``, one of FAULTS, and ``kind`` for the words of another language.
    """

    fault: str = ""
    kind: Kind = "volume"
    text: str = ""


def _no_quantity(fault: str, kind: Kind, text: str) -> QuantityError:
    shown = repr(text[:_LONGEST])
    error = QuantityError(FAULTS[fault].format(text=shown, name=named(kind), example=example_of(kind)))
    error.fault, error.kind, error.text = fault, kind, shown
    return error


@cache
def _registry() -> UnitRegistry[Any]:
    # Built on first use: the registry costs a third of a second, which a command that parses nothing should not pay.
    from pint import UnitRegistry

    ureg: UnitRegistry[Any] = UnitRegistry(autoconvert_offset_to_baseunit=True)
    ureg.define("gpm = gallon / minute")
    ureg.define("lpm = liter / minute")
    ureg.define("pulse = count")
    return ureg


# A number (or a fraction such as 3/4), then names of units with one-digit powers. Nothing else reaches pint, whose
# parser evaluates expressions: a tower of powers would keep it busy for hours.
_NAME = r"[A-Za-z]+(?:\d[A-Za-z]+)?(?:\^?-?\d)?"
_QUANTITY = re.compile(
    r"\s*(?P<number>[-+]?\d*[.,]?\d+(?:[eE][-+]?\d{1,3})?)(?:/(?P<divisor>\d{1,4}))?"
    rf"\s*(?P<unit>/?\s*{_NAME}(?:\s*[ */]\s*{_NAME}){{0,4}})?\s*",
)
_DEGREES = re.compile(r"(?:deg(?:rees?)?)?\s*(?:(?P<fahrenheit>F|f|fahrenheit)|(?:C|c|celsius))")
"""What people write for degrees: alone C and F are other units."""
_POWER = re.compile(r"(?<=[A-Za-z])\d(?![A-Za-z])")
"""A power written without its sign, as in m3."""
_REFERENCED = re.compile(
    r"(?P<plain>.*?(?:psi|m?bar|[kMh]?Pa))[\s(]*(?:(?P<gauge>g(?:au?ge)?)|(?P<absolute>a(?:bs(?:olute)?)?))\)?\s*"
)
"""A pressure's unit that says what it is counted from: psig, "bar gauge", kPa(abs), psia."""
_LONGEST = 60
_THOUSANDS = re.compile(r"\d,\d{3}(?!\d)")


def referenced(unit: str) -> tuple[str, bool]:
    """A pressure's unit without its reference, and whether that is the vacuum (absolute) instead of the air (gauge)."""
    found = _REFERENCED.fullmatch(unit)
    return (unit, False) if found is None else (found["plain"], found["absolute"] is not None)


@lru_cache(maxsize=1024)
def parse(text: str, kind: Kind) -> float:
    """Return the quantity that ``text`` writes, as a float in the program's unit for ``kind``.

    A number without a unit, an unknown unit, a unit of another kind, infinity and a comma that may be a thousands
    mark raise :class:`QuantityError`. Gallons are US gallons; pressures are gauge.
    """
    measure = _MEASURES[kind]
    stated, absolute = referenced(text) if kind == "pressure" else (text, False)
    if absolute:
        raise _no_quantity("absolute", kind, text)
    plain = stated.strip().replace("°", "deg").replace("·", "*").replace("²", "^2").replace("³", "^3")
    match = _QUANTITY.fullmatch(f"1{plain}" if plain.startswith("/") else plain) if len(plain) <= _LONGEST else None
    if match is None:
        raise _no_quantity("other", kind, text)
    if match["divisor"] is not None and not int(match["divisor"]):
        raise _no_quantity("by_zero", kind, text)
    if match["unit"] is None:
        raise _no_quantity("no_unit", kind, text)
    if _THOUSANDS.search(match["number"]):
        raise _no_quantity("two_numbers", kind, text)
    number = float(match["number"].replace(",", ".")) / float(match["divisor"] or 1)
    unit = _POWER.sub(r"^\g<0>", match["unit"].strip())
    try:
        value = _celsius(number, unit) if kind == "temperature" else None
        if value is None:
            value = number * FACTORS[kind, unit] if (kind, unit) in FACTORS else by_pint(number, unit, measure.unit)
    # pint lets many kinds of exception out of its unit parser, and the text comes from a person: whatever it raises
    # means that the text is no quantity of this kind.
    except Exception as error:
        raise _no_quantity("other", kind, text) from error
    if not math.isfinite(value):
        raise _no_quantity("not_finite", kind, text)
    return value


def _celsius(number: float, unit: str) -> float | None:
    """A temperature in degrees; None in another unit."""
    degrees = _DEGREES.fullmatch(unit)
    if degrees is None:
        return None
    return (number - 32) / 1.8 if degrees["fahrenheit"] else number


def by_pint(number: float, unit: str, to: str) -> float:
    """A quantity in another unit, as pint converts it; raises whatever pint does."""
    return float(_registry().Quantity(number, f"1{unit}" if unit.startswith("/") else unit).to(to).magnitude)


def converted(value: float, unit: str, to: str) -> float:
    """``value`` of one unit in another of the same kind; a unit written in capitals is understood too."""
    factor, offset = _conversion(unit.strip(), to)
    return value * factor + offset


@lru_cache(maxsize=256)
def _conversion(unit: str, to: str) -> tuple[float, float]:
    for kind in _MEASURES:
        for written in (unit, unit.lower()):
            try:
                zero, one = parse(f"0 {written}", kind), parse(f"1 {written}", kind)
                to_zero, to_one = parse(f"0 {to}", kind), parse(f"1 {to}", kind)
            except QuantityError:
                continue
            step = to_one - to_zero
            return (one - zero) / step, (zero - to_zero) / step
    raise QuantityError(f"{unit!r} is no unit that converts to {to!r}")


def kinds() -> tuple[Kind, ...]:
    """Every kind of quantity."""
    return tuple(_MEASURES)


def unit_of(kind: Kind) -> str:
    """Return the unit text in which the program holds ``kind``."""
    return _MEASURES[kind].unit


def example_of(kind: Kind) -> str:
    """Return how a person writes a quantity of ``kind``, for example."""
    return _MEASURES[kind].example


def named(kind: Kind) -> str:
    """Return how a person calls ``kind``."""
    return _MEASURES[kind].named or kind.replace("_", " ")


def rounded(value: float, digits: int) -> float:
    """A figure for a record; what rounds to nothing has no sign."""
    return round(value, digits) + 0.0


def gallons(litres: float) -> float:
    """Litres as US gallons."""
    return litres / L_PER_GAL


def psi(kpa: float) -> float:
    """Kilopascals as pounds per square inch."""
    return kpa / KPA_PER_PSI


def show_volume(litres: float, *, us: bool = False) -> str:
    """A volume for a person, in both systems."""
    metric, gal = f"{litres:z.1f} L", f"{gallons(litres):z.1f} gal"
    return f"{gal} ({metric})" if us else f"{metric} ({gal})"


def show_pressure(kpa: float, *, us: bool = True) -> str:
    """A gauge pressure for a person, in both systems."""
    metric, pounds = f"{kpa:z.0f} kPa", f"{psi(kpa):z.1f} psi"
    return f"{pounds} ({metric})" if us else f"{metric} ({pounds})"


def show_mass(kg: float, *, us: bool = False) -> str:
    """A mass for a person, in both systems."""
    metric, pounds = f"{kg:z.0f} kg", f"{kg / KG_PER_LB:z.0f} lb"
    return f"{pounds} ({metric})" if us else f"{metric} ({pounds})"


def show_temperature(celsius: float, *, us: bool = False, digits: int = 0) -> str:
    """A temperature for a person, in both systems."""
    metric, fahrenheit = (f"{t:z.{digits}f} °{letter}" for t, letter in ((celsius, "C"), (celsius * 1.8 + 32, "F")))
    return f"{fahrenheit} ({metric})" if us else f"{metric} ({fahrenheit})"


def show_flow(lps: float) -> str:
    """A flow for a person, in both systems."""
    return f"{lps * 60:z.1f} L/min ({gallons(lps * 60):z.1f} gpm)"
