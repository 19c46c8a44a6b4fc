"""Conversion of registers to numbers and back, for every type and byte order of the point map. Pure."""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence

from rig.field.points import NumberType, Order, Point
from rig.sentence import Wording

_LAYOUTS: dict[NumberType, str] = {"u16": ">H", "i16": ">h", "u32": ">I", "i32": ">i", "f32": ">f"}
_NUMBERS = {kind: struct.Struct(layout) for kind, layout in _LAYOUTS.items()}
_WORDS = {order: {1: struct.Struct(f"{end}H"), 2: struct.Struct(f"{end}2H")}
          for order, end in (("ABCD", ">"), ("CDAB", ">"), ("BADC", "<"), ("DCBA", "<"))}  # fmt: skip
_STRAIGHT = 2
"""Number of points of a straight line."""
_BYTES_SWAPPED, _WORDS_SWAPPED = ("BADC", "DCBA"), ("CDAB", "DCBA")
_NOT_HELD = Wording("bus.not_held", "{value:number} is not a number that a {kind} can hold")
_NO_FIT = Wording("bus.no_fit", "{value:number} does not fit a {kind}")


class DecodeError(ValueError):
    """Registers that hold no number, for example the NaN that some modules send for a broken sensor."""


class EncodeError(ValueError):
    """A number that the registers cannot hold."""


def decode(registers: Sequence[int], kind: NumberType, order: Order) -> float | int:
    """The number in one or two 16-bit ``registers``, in wire order."""
    words = reversed(registers) if order in _WORDS_SWAPPED else registers
    (value,) = _NUMBERS[kind].unpack(_WORDS[order][len(registers)].pack(*words))
    if kind == "f32" and not math.isfinite(value):
        raise DecodeError(f"{value} is not a number")
    return value  # type: ignore[no-any-return]


def yes_or_no(registers: Sequence[int], point: Point) -> int:
    """1 or 0: the value of a bool in its coil, its bit or its whole register."""
    word = registers[0] if point.bit is None else int(decode(registers, "u16", point.order)) >> point.bit & 1
    return int((word != 0) is not point.inverted)


def encode(value: float, kind: NumberType, order: Order) -> list[int]:
    """The registers that hold ``value``; raises :class:`EncodeError` if it does not fit the type."""
    if not math.isfinite(value):
        raise EncodeError(_NOT_HELD(value=value, kind=kind))
    try:
        payload = _NUMBERS[kind].pack(value if kind == "f32" else round(value))
    except (struct.error, OverflowError) as error:
        raise EncodeError(_NO_FIT(value=value, kind=kind)) from error
    payload = _reorder(payload, order)
    return [int.from_bytes(payload[i : i + 2], "big") for i in range(0, len(payload), 2)]


def _reorder(payload: bytes, order: Order) -> bytes:
    """Convert between wire order and most significant byte first; each order is its own inverse."""
    if order in _BYTES_SWAPPED:
        payload = b"".join(payload[i : i + 2][::-1] for i in range(0, len(payload), 2))
    if order in _WORDS_SWAPPED:
        payload = b"".join(payload[i : i + 2] for i in range(len(payload) - 2, -1, -2))
    return payload


def scaled(raw: float, point: Point) -> float:
    """The raw number in the point's own quantity unit."""
    return _along(raw, point.at, point.span) if len(point.at) > _STRAIGHT else raw * point.scale + point.offset


def unscaled(value: float, point: Point) -> float:
    """The raw number for a value in the point's own quantity unit."""
    return _along(value, point.span, point.at) if len(point.at) > _STRAIGHT else (value - point.offset) / point.scale


def _along(x: float, xs: Sequence[float], ys: Sequence[float]) -> float:
    """Interpolate linearly between points in monotonic order; extrapolate the end pieces."""
    turn = 1 if xs[-1] > xs[0] else -1
    right = 1
    while right < len(xs) - 1 and turn * x > turn * xs[right]:
        right += 1
    left = right - 1
    return ys[left] + (x - xs[left]) / (xs[right] - xs[left]) * (ys[right] - ys[left])
