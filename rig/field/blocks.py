"""Read requests for all points: neighbours of one unit and table share a request, across small gaps. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import groupby

from rig.field.points import BIT_TABLES, Point, Table

MOST_REGISTERS = 125
MOST_BITS = 2000
"""Largest reads that the protocol allows (Modbus Application Protocol V1.1b3, functions 1 to 4)."""


@dataclass(frozen=True, slots=True)
class Block:
    """One read request and the points that it serves."""

    unit: int
    table: Table
    address: int
    count: int
    names: tuple[str, ...]


def plan_blocks(points: Mapping[str, Point], max_gap: int) -> tuple[Block, ...]:
    """The fewest reads for ``points`` (of one link) that cross no more than ``max_gap`` unused places."""

    def shelf(item: tuple[str, Point]) -> tuple[int, str]:
        return item[1].unit, item[1].table

    ordered = sorted(points.items(), key=lambda item: (*shelf(item), item[1].address))
    return tuple(block for _, shelved in groupby(ordered, key=shelf) for block in _merge(list(shelved), max_gap))


_TIGHT, _SHARED = 0, -1
"""Values of ``max_gap``: no unused places; only points of one place joined, such as bits of a word."""


def smaller(block: Block, points: Mapping[str, Point]) -> tuple[Block, ...]:
    """Smaller reads for a block's points: without its gaps, then each place alone, finally the block itself.

    The map does not say where a device refuses to answer, nor how much it answers at once.
    """
    mine = {name: points[name] for name in block.names}
    tight = plan_blocks(mine, _TIGHT)
    return tight if len(tight) > 1 else plan_blocks(mine, _SHARED)


def _merge(shelved: list[tuple[str, Point]], max_gap: int) -> list[Block]:
    blocks: list[Block] = []
    for name, point in shelved:
        end = point.address + point.registers
        last = blocks[-1] if blocks else None
        most = MOST_BITS if point.table in BIT_TABLES else MOST_REGISTERS
        if last and point.address - (last.address + last.count) <= max_gap and end - last.address <= most:
            count = max(last.count, end - last.address)
            blocks[-1] = Block(last.unit, last.table, last.address, count, (*last.names, name))
        else:
            blocks.append(Block(point.unit, point.table, point.address, point.registers, (name,)))
    return blocks
