"""Values of points from a device's registers, bits and lines. Pure; it opens nothing and writes nothing."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.field.blocks import Block
from rig.field.codec import DecodeError, decode, scaled, yes_or_no
from rig.field.links import LineField
from rig.field.points import Point
from rig.units import QuantityError, converted

if TYPE_CHECKING:
    from rig.field.lines import Line


@dataclass(slots=True)
class Value:
    """One point as last read: the raw number, the scaled value, the time, and any fault."""

    raw: float
    scaled: float
    at_s: float
    """Wall-clock seconds, monotonic."""
    fault: str = ""
    registers: tuple[int, ...] = ()
    text: str = ""
    """The line that contained it, from a device that sends lines."""


Place = tuple[str, Point, slice]
"""A point, by name, and its slice of a block's registers."""


def places(block: Block, points: Mapping[str, Point]) -> list[Place]:
    """The place of each point in a block's registers."""
    starts = [(name, points[name], points[name].address - block.address) for name in block.names]
    return [(name, point, slice(start, start + point.registers)) for name, point, start in starts]


def take(values: dict[str, Value], own: Sequence[Place], registers: Sequence[int], now_s: float) -> None:
    """Update ``values`` from a block's ``registers``; unchanged registers are not decoded again."""
    registers = tuple(registers)
    for name, point, place in own:
        mine = registers[place]
        value = values.get(name)
        if value is not None and value.registers == mine:
            value.at_s = now_s
        else:
            values[name] = value_of(point, mine, now_s)


def value_of(point: Point, registers: tuple[int, ...], now_s: float) -> Value:
    """The value of a point from its ``registers`` (or one bit) at a time."""
    if point.type == "bool":
        shown = yes_or_no(registers, point)
        return Value(shown, shown, now_s, registers=registers)
    try:
        raw = decode(registers, point.type, point.order)
    except DecodeError as error:
        return Value(0, 0.0, now_s, str(error), registers)
    number = scaled(raw, point)
    return Value(raw, number, now_s, point.loop_fault(raw) or _range_fault(number, point), registers)


def value_of_field(name: str, each: LineField, line: Line) -> Value:
    """The value of one named field of a line; an unreadable number is a fault."""
    text = line.fields.get(name, "")
    try:
        raw = float(text.replace(" ", "").replace(",", "."))
        unit = line.fields.get(each.unit_from, "") if each.unit_from else ""
        number = (converted(raw, unit, each.quantity) if each.unit_from else raw) * each.scale + each.offset
    except (ValueError, QuantityError) as error:
        return Value(0, 0.0, line.at_s, f"{text!r} is no number ({error})", text=line.text)
    if not math.isfinite(number):
        return Value(0, 0.0, line.at_s, f"{text!r} is no number", text=line.text)
    return Value(raw, number, line.at_s, _range_fault(number, each), text=line.text)


def _range_fault(number: float, point: Point | LineField) -> str:
    if point.low is None and point.high is None:
        return ""
    outside = (point.low is not None and number < point.low) or (point.high is not None and number > point.high)
    return f"{number:g} {point.quantity} is outside {_shown(point.low)} … {_shown(point.high)}" if outside else ""


def _shown(limit: float | None) -> str:
    return "" if limit is None else f"{limit:g}"
