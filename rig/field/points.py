"""Links, and the points on them by name. Pure data, validated on construction, no input or output.

Addresses are protocol addresses, counted from 0. A manual that writes 40001 or 30001 means table ``holding`` or
``input`` and address 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Annotated, Literal, TypeGuard

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from rig.units import Kind, parse

Table = Literal["coil", "discrete", "input", "holding"]
NumberType = Literal["bool", "u16", "i16", "u32", "i32", "f32"]
Order = Literal["ABCD", "CDAB", "BADC", "DCBA"]

REGISTERS: dict[NumberType, int] = {"bool": 1, "u16": 1, "i16": 1, "u32": 2, "i32": 2, "f32": 2}
_BROKEN_MA, _OVER_MA = 3.6, 21.0
"""Currents of a 4 to 20 mA loop that indicate a failure (NAMUR NE 43, from memory)."""
BIT_TABLES = ("coil", "discrete")


def quantity_field(kind: Kind) -> BeforeValidator:
    """Return a validator that turns text such as ``"18 psi"`` into the program's float for ``kind``."""

    def convert(value: object) -> float:
        if not isinstance(value, str):
            return parse(str(value), kind)
        return parse(value, kind)

    return BeforeValidator(convert)


Seconds = Annotated[float, quantity_field("time"), Field(ge=0)]


class Strict(BaseModel):
    """A table of the configuration: frozen, and an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class TcpLink(Strict):
    """A Modbus TCP device or gateway."""

    kind: Literal["tcp"]
    host: str = Field(default="127.0.0.1", min_length=1)
    port: int = Field(default=502, ge=1, le=65535)
    framer: Literal["tcp", "rtu"] = "tcp"
    """rtu: a transparent gateway that carries the frames of an RS-485 bus unchanged."""
    timeout: Seconds = Field(default=0.3, gt=0, le=10)
    """The longest wait for one reply. A stop waits at most this long behind a poll."""
    late: Seconds | None = Field(default=None, gt=0, le=2)
    """Longest time for a read of all its points; else ``limits.late``. The rig waits for the longest of these, except
    links with a ``scan`` of their own."""
    scan: Seconds | None = Field(default=None, gt=0, le=5)
    """Read interval of its points, wall clock; else they are read in every scan of the rig."""
    stale: Seconds | None = Field(default=None, gt=0, le=10)
    """Maximum age of its points in a running fill; else as long as its reads may take."""
    max_gap: int = Field(default=8, ge=0, le=120)
    """Unused registers that a block read may cross, so that one request replaces two."""

    @property
    def silence_s(self) -> float:
        """Pause before each question."""
        return 0.0


def _one_way(value: object) -> TypeGuard[Sequence[float]]:
    """Whether it is two or more numbers that strictly rise, or strictly fall."""
    if not isinstance(value, list | tuple) or not all(isinstance(each, int | float) for each in value):
        return False
    steps = [after - before for before, after in pairwise(value)]
    return bool(steps) and (min(steps) > 0 or max(steps) < 0)


class Point(Strict):
    """One value on a wire. ``value = raw × scale + offset``, in ``quantity`` units."""

    link: str
    unit: int = Field(default=1, ge=0, le=255)
    table: Table
    address: int = Field(ge=0, le=65535)
    type: NumberType = "bool"
    bit: int | None = Field(default=None, ge=0, le=15)
    """The bit of a register that holds a yes or no, 0 the lowest; else the whole register counts: 0 is no."""
    inverted: bool = False
    """A switch that opens when activated: 0 is yes, and so is a broken wire."""
    write_only: bool = False
    """An output without read-back: only the board's acknowledgement is known."""
    order: Order = "ABCD"
    """Byte order on the wire of a 32-bit value whose bytes are A (most significant) to D; 16-bit: AB or BA."""
    scale: float = 1.0
    offset: float = 0.0
    quantity: str = ""
    """The unit of the scaled value, for example ``"psi"``; empty for counts and yes or no."""
    low: float | None = None
    high: float | None = None
    """Plausible range of the scaled value; outside it the reading is a sensor fault."""
    noise: float | None = Field(default=None, gt=0)
    """Noise of a pressure: one standard deviation of a single scan, in ``quantity`` units; by default it is learned."""
    damping: Seconds | None = None
    """Time constant of a pressure's filter; by default derived from its noise."""
    at: tuple[float, ...] = ()
    span: tuple[float, ...] = ()
    """Raw numbers and their values, instead of ``scale`` and ``offset``: two, or the strapping table of a tank whose
    volume is not linear in height. Linear interpolation between them, extrapolation of the end pieces outside."""
    current: Literal["", "4..20 mA", "0..20 mA"] = ""
    """The raw numbers ``at`` are these currents of a loop: below 3.6 mA its wire is broken, above 21 mA it is over
    range, and both are faults."""

    @model_validator(mode="before")
    @classmethod
    def _by_two_points(cls, keys: object) -> object:
        if not isinstance(keys, dict) or not ({"at", "span", "current"} & keys.keys()):
            return keys
        if "scale" in keys or "offset" in keys:
            raise ValueError("at and span are two points of the scale: leave out scale and offset")
        at, span = keys.get("at"), keys.get("span")
        if not (_one_way(at) and _one_way(span)) or len(at) != len(span):
            raise ValueError(
                "write raw numbers that rise or fall, and as many values: at = [4000, 20000], span = [0, 60]"
            )
        scale = (span[-1] - span[0]) / (at[-1] - at[0])
        found = {**keys, "scale": scale, "offset": span[0] - at[0] * scale}
        wire = keys.get("current", "")
        least = {"4..20 mA": (_BROKEN_MA - 4) / 16}.get(wire) if isinstance(wire, str) else None
        most = {"4..20 mA": (_OVER_MA - 4) / 16, "0..20 mA": _OVER_MA / 20}.get(wire) if isinstance(wire, str) else None
        ends = sorted(span[0] + share * (span[-1] - span[0]) for share in (least, most) if share is not None)
        if len(ends) == 2:
            found.setdefault("low", ends[0])
        if ends:
            found.setdefault("high", ends[-1])
        return found

    @model_validator(mode="after")
    def _consistent(self) -> Point:
        if self.table in BIT_TABLES and (self.type != "bool" or self.bit is not None):
            raise ValueError(f"coils and discretes are bool, and one bit each: write no other type for a {self.table}")
        if (self.bit is not None or self.inverted) and self.type != "bool":
            raise ValueError(f"a {self.type} has no yes or no: leave out bit and inverted, or write type = 'bool'")
        if self.scale == 0:
            raise ValueError("scale is 0: every reading would be the offset; write the value of one raw step")
        if self.address + self.registers > 65536:
            raise ValueError(f"address {self.address} leaves no room for a {self.type}: the last register is 65535")
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise ValueError(f"low {self.low:g} is not below high {self.high:g}: no reading would be believed")
        return self

    def loop_fault(self, raw: float) -> str:
        """The fault of the current loop that a raw number indicates; empty while the current is valid."""
        if not self.current:
            return ""
        zero_ma = 4.0 if self.current.startswith("4") else 0.0
        ma = zero_ma + (raw - self.at[0]) / (self.at[-1] - self.at[0]) * (20.0 - zero_ma)
        if zero_ma and ma < _BROKEN_MA:
            return f"{ma:.1f} mA: the wire is broken, or the transmitter has no supply"
        return f"{ma:.1f} mA: the transmitter is over its range, or its wires touch" if ma > _OVER_MA else ""

    @property
    def registers(self) -> int:
        """Number of registers (or bits) of the value."""
        return REGISTERS[self.type]
