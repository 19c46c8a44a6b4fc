"""Values to raw registers and back in the simulated devices, with code independent of the controller's.

A wrong byte order or scale in either therefore gives a wrong reading instead of agreement.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from rig.units import Kind, parse, referenced

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.field.points import Point

COUNTERS = frozenset({"meter_count", "meter_reverse_count", "meter_total"})
"""Points that wrap around at the end of their register; all others clamp."""
KINDS: dict[str, Kind] = {
    "meter_total": "volume", "flow_rate": "flow", "line_pressure": "pressure", "tyre_pressure": "pressure",
    "tote_level": "volume", "tote_mass": "mass", "strainer_dp": "pressure", "fluid_temp": "temperature",
    "output_timeout": "time", "tank_pressure": "pressure",
}  # fmt: skip
_LAYOUTS = {"u16": ">H", "i16": ">h", "u32": ">I", "i32": ">i", "f32": ">f"}
_ENDS = 2
_NARROW = ("u16", "i16")
_LIMITS = {"u16": (0, 0xFFFF), "i16": (-0x8000, 0x7FFF), "u32": (0, 0xFFFF_FFFF), "i32": (-0x8000_0000, 0x7FFF_FFFF)}


@dataclass(frozen=True, slots=True)
class Codec:
    """Conversion of one point between the program's unit and its registers."""

    type: str
    order: str
    scale: float
    offset: float
    unit_zero: float
    """Zero of the wire's unit, in the program's unit."""
    unit_step: float
    wraps: bool
    inverted: bool = False
    table: tuple[tuple[float, float], ...] = ()
    """For a tank with a nonlinear level: values of the wire's unit, rising, and raw numbers."""

    def encode(self, value: float) -> Sequence[int]:
        """Registers for a value in the program's unit."""
        if self.type == "bool":
            return [int(bool(value) is not self.inverted)]
        shown = (value - self.unit_zero) / self.unit_step
        raw = self._by_table(shown) if self.table else (shown - self.offset) / self.scale
        if self.type == "f32":
            bits = int.from_bytes(struct.pack(">f", max(-3.4e38, min(3.4e38, raw))), "big")
        else:
            bits = self._fit(round(raw))
        words = [bits & 0xFFFF] if self.type in _NARROW else [bits >> 16 & 0xFFFF, bits & 0xFFFF]
        return words if self.order == "ABCD" else self._ordered(words)

    def decode(self, registers: Sequence[int]) -> float:
        """Value of registers in the program's unit."""
        if self.type == "bool":
            return float(registers[0] & 1)
        data = b"".join(word.to_bytes(2, "big") for word in self._ordered(registers))
        raw = float(struct.unpack(_LAYOUTS[self.type], data)[0])
        if not math.isfinite(raw):
            return raw
        return (raw * self.scale + self.offset) * self.unit_step + self.unit_zero

    def _by_table(self, shown: float) -> float:
        last = len(self.table) - 1
        (low, start), (high, end) = next(
            (pair for n, pair in enumerate(pairwise(self.table), 1) if shown <= pair[1][0] or n == last)
        )
        return start + (shown - low) * (end - start) / (high - low)

    def _fit(self, raw: int) -> int:
        low, high = _LIMITS[self.type]
        if self.wraps:
            return (raw - low) % (high - low + 1) + low
        return min(max(raw, low), high)

    def _ordered(self, words: Sequence[int]) -> Sequence[int]:
        """Convert between the wire's order and A (most significant) to D; each order is its own inverse."""
        if self.order in ("BADC", "DCBA"):
            words = [(word & 0xFF) << 8 | word >> 8 for word in words]
        return words[::-1] if self.order in ("CDAB", "DCBA") else words


def codec_for(name: str, point: Point, atmosphere_kpa: float = 101.325) -> Codec:
    """The codec of a configured point; the plant's sensors show gauge pressures."""
    zero, step = 0.0, 1.0
    kind = KINDS.get(name)
    if kind is not None and point.quantity:
        unit, absolute = referenced(point.quantity) if kind == "pressure" else (point.quantity, False)
        zero = parse(f"0 {unit}", kind)
        step = parse(f"1 {unit}", kind) - zero
        zero -= atmosphere_kpa if absolute else 0.0
    table = tuple(sorted(zip(point.span, point.at, strict=True))) if len(point.at) > _ENDS else ()
    return Codec(
        point.type, point.order, point.scale, point.offset, zero, step, name in COUNTERS, point.inverted, table
    )
