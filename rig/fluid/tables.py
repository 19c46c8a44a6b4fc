"""Density, viscosity and freeze point by strength and temperature, interpolated in packaged or shop tables.

Raises an error below the freeze point and outside a table instead of extrapolating. It must not know the notation of
fluids or their effects on people and metal.
"""

from __future__ import annotations

import itertools
import json
import math
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Protocol, runtime_checkable

from rig.fluid.errors import FluidError
from rig.sentence import Wording


@runtime_checkable
class Properties(Protocol):
    """Properties by a fluid's table; temperatures in Celsius, errors are :class:`FluidError`."""

    def density_kg_m3(self, temp_c: float) -> float:
        """Density at a temperature."""
        ...

    def viscosity_mpas(self, temp_c: float) -> float:
        """Viscosity at a temperature."""
        ...

    @property
    def span_c(self) -> tuple[float, float]:
        """Lowest and highest temperature at which it is liquid and in the table."""
        ...


def _cubic(xs: Sequence[float], ys: Sequence[float], x: float) -> float:
    """Lagrange polynomial through the (up to) four nodes around x."""
    start = max(0, min(bisect_right(xs, x) - 2, len(xs) - 4))
    nodes = range(start, min(start + 4, len(xs)))
    total = 0.0
    for i in nodes:
        part = ys[i]
        for j in nodes:
            if j != i:
                part *= (x - xs[j]) / (xs[i] - xs[j])
        total += part
    return total


@dataclass(frozen=True, slots=True)
class Solution:
    """An aqueous solution of one strength from the packaged tables (CoolProp's)."""

    name: str
    strength: float
    freeze_c: float
    low_c: float
    top_c: float
    density_row: tuple[float, ...]
    ln_viscosity_row: tuple[float, ...]
    drops_salt: bool = False
    """Above the eutectic: at ``freeze_c`` it is the salt that crystallises first."""

    @property
    def span_c(self) -> tuple[float, float]:
        """Lowest and highest temperature at which it is liquid and in the table."""
        return max(self.freeze_c, self.low_c), self.top_c

    def density_kg_m3(self, temp_c: float) -> float:
        """Density at a temperature between the freeze point and the top of the table."""
        return _cubic(_places(len(self.density_row)), self.density_row, self._place(temp_c))

    def viscosity_mpas(self, temp_c: float) -> float:
        """Viscosity at a temperature between the freeze point and the top of the table."""
        return math.exp(_cubic(_places(len(self.ln_viscosity_row)), self.ln_viscosity_row, self._place(temp_c)))

    def _place(self, temp_c: float) -> float:
        if self.drops_salt and temp_c < self.freeze_c:
            raise FluidError(
                Wording(
                    "liquid.salt",
                    "{liquid} drops salt at {drops:temperature} and the fluid is at {temp:temperature}: warm it or cut "
                    "it with water",
                )(liquid=self.name, drops=self.freeze_c, temp=temp_c)
            )
        check_range(self.name, temp_c, self.freeze_c, self.low_c, self.top_c)
        return (temp_c - self.low_c) / (self.top_c - self.low_c)


def check_range(name: str, temp_c: float, freeze_c: float, low_c: float, top_c: float) -> None:
    """Raise :class:`FluidError` for a temperature at which a table has no liquid."""
    if temp_c < freeze_c:
        raise FluidError(
            Wording(
                "liquid.freezes",
                "{liquid} freezes at {freeze:temperature} and the fluid is at {temp:temperature}: warm it or take a "
                "stronger mix",
            )(liquid=name, freeze=freeze_c, temp=temp_c)
        )
    if temp_c < low_c:
        words = Wording(
            "liquid.too_cold",
            "{liquid} at {temp:temperature} is below its table, which starts at {low:temperature}: warm it",
        )
        raise FluidError(words(liquid=name, temp=temp_c, low=low_c))
    if not temp_c <= top_c:
        words = Wording(
            "liquid.too_warm",
            "{liquid} at {temp:temperature} is above its table ({top:temperature}): let it cool before filling",
        )
        raise FluidError(words(liquid=name, temp=temp_c, top=top_c))


@cache
def _places(count: int) -> tuple[float, ...]:
    return tuple(k / (count - 1) for k in range(count))


@cache
def _packaged() -> dict[str, Any]:
    tables: dict[str, Any] = json.loads(files("rig.fluid").joinpath("tables.json").read_text(encoding="utf-8"))
    return tables


def strengths_of(kind: str) -> tuple[float, float]:
    """Weakest and strongest mix in the packaged table of a kind (fractions)."""
    table = _packaged()[kind]
    return table["rows"][0]["strength"], table.get("strong", table)["rows"][-1]["strength"]


_PAST_ICE = 0.02
"""How far past its last strength the line of first ice is continued, to where it meets that of the salt's crystals."""


@cache
def solution(kind: str, strength: float, name: str) -> Solution:
    """The mix of a kind at a strength (fraction by the table's basis) inside the packaged table."""
    weak = table = _packaged()[kind]
    ice_c = -math.inf
    if (ends := weak["rows"][-1]["strength"]) < strength:
        table = weak["strong"]
        ice_c = _across(weak["rows"], "freeze_c", strength) if strength < ends + _PAST_ICE else -math.inf
    crystals_c = _across(table["rows"], "freeze_c", strength)
    freeze_c = max(crystals_c, ice_c)
    rows = table["rows"]
    return Solution(
        name,
        strength,
        freeze_c,
        max(freeze_c, _across(rows, "low_c", strength)) if table is weak else rows[0]["low_c"],
        table["top_c"],
        tuple(_column(rows, "density_kg_m3", strength)),
        tuple(_column(rows, "ln_mpas", strength)),
        drops_salt=table is not weak and crystals_c > ice_c,
    )


def _across(rows: Sequence[dict[str, Any]], name: str, strength: float) -> float:
    """A property of rows by strength, interpolated."""
    return _cubic([row["strength"] for row in rows], [row[name] for row in rows], strength)


def _column(rows: Sequence[dict[str, Any]], name: str, strength: float) -> Iterator[float]:
    xs = [row["strength"] for row in rows]
    return (_cubic(xs, column, strength) for column in zip(*(row[name] for row in rows), strict=True))


@dataclass(frozen=True, slots=True)
class ShopTable:
    """A shop's own fluid by table: (temperature Celsius, density kg/m3, viscosity mPa s), rising in temperature.

    Two rows or more; :class:`FluidError` if they are implausible for a liquid. Density is interpolated linearly,
    viscosity linearly in its logarithm.
    """

    name: str
    rows: tuple[tuple[float, float, float], ...]
    freeze_c: float
    solid_c: float | None = None
    flammable: bool = False
    basis: str = "the shop's own table"

    def __post_init__(self) -> None:
        temps = [row[0] for row in self.rows]
        if len(temps) < 2 or any(b <= a for a, b in itertools.pairwise(temps)):
            raise FluidError(
                Wording("config.fluid_rows", "the table of {name} needs two rows or more, rising in temperature")(
                    name=self.name
                )
            )
        if any(not 500 < density < 2500 or not 0.1 < mpas < 1e6 for _, density, mpas in self.rows):
            raise FluidError(
                Wording(
                    "config.fluid_row",
                    "the table of {name} holds a row that is no liquid: density in kg/m3, viscosity in mPa s",
                )(name=self.name)
            )

    @property
    def span_c(self) -> tuple[float, float]:
        """Lowest and highest temperature at which it is liquid and in the table."""
        return max(self.freeze_c, self.rows[0][0]), self.rows[-1][0]

    def density_kg_m3(self, temp_c: float) -> float:
        """Density at a temperature inside the table."""
        return self._between(temp_c, [row[1] for row in self.rows])

    def viscosity_mpas(self, temp_c: float) -> float:
        """Viscosity at a temperature inside the table."""
        return math.exp(self._between(temp_c, [math.log(row[2]) for row in self.rows]))

    def _between(self, temp_c: float, values: Sequence[float]) -> float:
        temps = [row[0] for row in self.rows]
        check_range(self.name, temp_c, self.freeze_c, temps[0], temps[-1])
        k = min(max(bisect_right(temps, temp_c), 1), len(temps) - 1)
        share = (temp_c - temps[k - 1]) / (temps[k] - temps[k - 1])
        return values[k - 1] + share * (values[k] - values[k - 1])
