"""Links, and the points on them by name. Pure data, validated on construction, no input or output.

Addresses are protocol addresses, counted from 0. A manual that writes 40001 or 30001 means table ``holding`` or
``input`` and address 0.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import partial
from itertools import pairwise
from typing import Annotated, Literal, Self, TypeGuard

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from rig.sentence import Wording
from rig.units import Kind, parse

Table = Literal["coil", "discrete", "input", "holding"]
NumberType = Literal["bool", "u16", "i16", "u32", "i32", "f32"]
Order = Literal["ABCD", "CDAB", "BADC", "DCBA"]

REGISTERS: dict[NumberType, int] = {"bool": 1, "u16": 1, "i16": 1, "u32": 2, "i32": 2, "f32": 2}
_BROKEN_MA, _OVER_MA = 3.6, 21.0
"""Currents of a 4 to 20 mA loop that indicate a failure (NAMUR NE 43, from memory)."""
BIT_TABLES = ("coil", "discrete")
_SCALED_TWICE = Wording("wiring.scaled_twice", "at and span are two points of the scale: leave out scale and offset")
_NO_PAIRS = Wording(
    "wiring.no_pairs",
    "write raw numbers that rise or fall, and as many values: at = [4000, 20000], span = [0, 60]",
)
_BITS = Wording("wiring.bits", "coils and discretes are bool, and one bit each: write no other type for a {table}")
_NO_YES = Wording("wiring.no_yes", "a {type} has no yes or no: leave out bit and inverted, or write type = 'bool'")
_NO_SCALE = Wording("wiring.no_scale", "scale is 0: every reading would be the offset; write the value of one raw step")
_LAST = Wording("wiring.last", "address {address} leaves no room for a {type}: the last register is 65535")
_EMPTY_RANGE = Wording(
    "wiring.empty_range", "low {low:number} is not below high {high:number}: no reading would be believed"
)


def quantity_field(kind: Kind) -> BeforeValidator:
    """Return a validator that turns text such as ``"18 psi"`` into the program's float for ``kind``."""
    return BeforeValidator(partial(_converted, kind))


def kind_of_field(metadata: Iterable[object]) -> Kind | None:
    """The kind of quantity that a :func:`quantity_field` among a field's annotations reads; ``None`` without one."""
    functions = (each.func for each in metadata if isinstance(each, BeforeValidator))
    return next((each.args[0] for each in functions if isinstance(each, partial)), None)


def _converted(kind: Kind, value: object) -> float:
    return parse(value if isinstance(value, str) else str(value), kind)


Seconds = Annotated[float, quantity_field("time"), Field(ge=0)]


class Strict(BaseModel):
    """A table of the configuration: frozen, and an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class TcpLink(Strict):
    """A Modbus TCP device or gateway."""

    kind: Literal["tcp"]
    """A device or gateway on the network."""
    host: str = Field(default="127.0.0.1", min_length=1)
    """Its address or host name."""
    port: int = Field(default=502, ge=1, le=65535)
    """Its port."""
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


def _share(text: str) -> float:
    """A text such as ``"0.5 %"`` as a share."""
    number, percent, rest = text.partition("%")
    if not percent or rest.strip():
        words = Wording(
            "wiring.no_share",
            '{text}: write a number in the point\'s quantity, or a share of its range such as "0.5 %"',
        )
        raise ValueError(words(text=repr(text)))
    return float(number) / 100


class Instrument(Strict):
    """What a data sheet or a comparison says of an instrument's errors: half-widths at 95 % in ``quantity`` units.

    A data sheet's limit of error is taken as such. A share in percent is of the range: from end to end of ``span``,
    else from ``low`` to ``high``.
    """

    quantity: str = ""
    """The unit of the scaled value, for example ``"psi"``; empty for counts and yes or no."""
    low: float | None = None
    """Least plausible value; below it the reading is a sensor fault."""
    high: float | None = None
    """Greatest plausible value; above it the reading is a sensor fault."""
    noise: float | None = Field(default=None, gt=0)
    """Noise of a pressure: one standard deviation of a single scan, in ``quantity`` units; by default it is learned."""
    damping: Seconds | None = None
    """Time constant of a pressure's filter here; by default derived from its noise."""
    accuracy: float | str | None = None
    """Limit of error of a pressure, linearity, hysteresis and repeatability together."""
    zero_error: float | str | None = None
    """What its zero may be off besides, by temperature and age."""
    resolution: float | None = Field(default=None, gt=0)
    """The smallest step that it shows."""
    lag: Seconds | None = Field(default=None, le=1)
    """Its own time constant: what it shows follows a sudden change by 63 % after this. A slower one guards no limit:
    set its damping lower."""

    @property
    def _ends(self) -> tuple[float, ...]:
        return () if self.low is None or self.high is None else (self.low, self.high)

    def _limit(self, name: str) -> float:
        """A stated limit in ``quantity`` units, 0 where nothing is stated."""
        stated = getattr(self, name)
        if not isinstance(stated, str):
            limit = float(stated or 0.0)
        else:
            ends = self._ends
            if not ends:
                words = Wording(
                    "wiring.no_range",
                    "{name} {stated} is of the range: give low and high, or a number of {quantity}",
                )
                raise ValueError(words(name=name, stated=repr(stated), quantity=self.quantity))
            limit = _share(stated) * (max(ends) - min(ends))
        if limit < 0 or (stated is not None and limit == 0):
            words = Wording(
                "wiring.no_error", "{name} {stated}: no instrument is without error; leave it out if it is not known"
            )
            raise ValueError(words(name=name, stated=repr(stated)))
        return limit

    @model_validator(mode="after")
    def _stated(self) -> Self:
        _ = self.u
        return self

    @property
    def u(self) -> float | None:
        """Uncertainty of a reading at 95 %, in ``quantity`` units; ``None`` where its accuracy is not stated."""
        accuracy, zero = self._limit("accuracy"), self._limit("zero_error")
        if not accuracy:
            return None
        # A step is a rectangular distribution, whose standard deviation is its width over the root of 12 (GUM 4.3.7).
        return math.hypot(accuracy, zero, 2 * (self.resolution or 0.0) / math.sqrt(12))


class Point(Instrument):
    """One value on a wire. ``value = raw × scale + offset``, in ``quantity`` units."""

    link: str
    """The link that it is read or written over, by its name."""
    unit: int = Field(default=1, ge=0, le=255)
    """Unit id of the device on that link."""
    table: Table
    """Table of the device in which it is; an output in coil or holding."""
    address: int = Field(ge=0, le=65535)
    """Address in that table, counted from 0."""
    type: NumberType = "bool"
    """How its registers are read: yes or no, 16 or 32 bit, with or without sign, or a float."""
    bit: int | None = Field(default=None, ge=0, le=15)
    """The bit of a register that holds a yes or no, 0 the lowest; else the whole register counts: 0 is no."""
    inverted: bool = False
    """A switch that opens when activated: 0 is yes, and so is a broken wire."""
    write_only: bool = False
    """An output without read-back: only the board's acknowledgement is known."""
    order: Order = "ABCD"
    """Byte order on the wire of a 32-bit value whose bytes are A (most significant) to D; 16-bit: AB or BA."""
    scale: float = 1.0
    """Value of one raw step."""
    offset: float = 0.0
    """Added after scaling."""
    at: tuple[float, ...] = ()
    """Raw numbers whose values are in ``span``."""
    span: tuple[float, ...] = ()
    """The values at these raw numbers, instead of ``scale`` and ``offset``: two, or the strapping table of a tank whose
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
            raise ValueError(_SCALED_TWICE())
        at, span = keys.get("at"), keys.get("span")
        if not (_one_way(at) and _one_way(span)) or len(at) != len(span):
            raise ValueError(_NO_PAIRS())
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
            raise ValueError(_BITS(table=self.table))
        if (self.bit is not None or self.inverted) and self.type != "bool":
            raise ValueError(_NO_YES(type=self.type))
        if self.scale == 0:
            raise ValueError(_NO_SCALE())
        if self.address + self.registers > 65536:
            raise ValueError(_LAST(address=str(self.address), type=self.type))
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise ValueError(_EMPTY_RANGE(low=self.low, high=self.high))
        return self

    @property
    def _ends(self) -> tuple[float, ...]:
        return self.span or super()._ends

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
