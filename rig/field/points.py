"""What stands on the wires: links, and points by name. Pure data, checked when made, no input or output.

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
"""Currents of a 4 to 20 mA loop that stand for a failure (NAMUR NE 43, from memory)."""
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
    """A table of the configuration: frozen, and a key it does not know is an error."""

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
    """How long a read of all its points may take; else ``limits.late``. The rig waits for the longest of these, links
    with a ``scan`` of their own left out."""
    scan: Seconds | None = Field(default=None, gt=0, le=5)
    """Time from one read of its points to the next, by the wall clock; else they are read in every scan of the rig."""
    stale: Seconds | None = Field(default=None, gt=0, le=10)
    """Oldest value of its points that a running fill may rest on; else as long as its reads may take to come."""
    max_gap: int = Field(default=8, ge=0, le=120)
    """Unused registers that a block read may cross, so that one request serves where two would cost more."""

    @property
    def silence_s(self) -> float:
        """Pause before each question."""
        return 0.0


def _one_way(value: object) -> TypeGuard[Sequence[float]]:
    """Two numbers or more that rise, or that fall."""
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
    """Which bit of a register a yes or no is, 0 the lowest; without it the whole register is: 0 is no."""
    inverted: bool = False
    """A switch that opens when it acts: 0 is yes, and so is a broken wire."""
    write_only: bool = False
    """An output that its board cannot show: what the board acknowledges is all that is known of it."""
    order: Order = "ABCD"
    """Byte order on the wire of a 32-bit value whose bytes are A (most significant) to D; 16-bit: AB or BA."""
    scale: float = 1.0
    offset: float = 0.0
    quantity: str = ""
    """The unit of the scaled value, for example ``"psi"``; empty for counts and yes or no."""
    low: float | None = None
    high: float | None = None
    """Believable range of the scaled value; outside it the reading is a sensor fault, not a number."""
    noise: float | None = Field(default=None, gt=0)
    """One standard deviation of a single scan, in ``quantity`` units, of a pressure; without it, it is learned."""
    damping: Seconds | None = None
    """Time constant with which the scans of a pressure are smoothed; without it, as its noise asks for."""
    at: tuple[float, ...] = ()
    span: tuple[float, ...] = ()
    """Raw numbers and the values that they stand for, in place of ``scale`` and ``offset``: two, or the whole table of
    a tank whose litres do not go with its height. Between them a straight line, outside the nearest one goes on."""
    current: Literal["", "4..20 mA", "0..20 mA"] = ""
    """The raw numbers ``at`` are these currents of a loop: below 3.6 mA its wire is broken, above 21 mA it is over its
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
        """What a raw number says of the loop that it comes by; empty while the current is one that it may have."""
        if not self.current:
            return ""
        zero_ma = 4.0 if self.current.startswith("4") else 0.0
        ma = zero_ma + (raw - self.at[0]) / (self.at[-1] - self.at[0]) * (20.0 - zero_ma)
        if zero_ma and ma < _BROKEN_MA:
            return f"{ma:.1f} mA: the wire is broken, or the transmitter has no supply"
        return f"{ma:.1f} mA: the transmitter is over its range, or its wires touch" if ma > _OVER_MA else ""

    @property
    def registers(self) -> int:
        """How many registers (or bits) the value takes."""
        return REGISTERS[self.type]
