"""Block reads: every point once, as few requests as allowed, never over the limits of the protocol.

Limits: Modbus Application Protocol Specification V1.1b3, sections 6.1 to 6.4: 2000 bits, 125 registers in one read.
"""

from __future__ import annotations

from itertools import pairwise
from typing import get_args

from hypothesis import given
from hypothesis import strategies as st

from rig.field.blocks import Block, plan_blocks
from rig.field.points import NumberType, Point, Table

BITS = ("coil", "discrete")


def register(address: int, kind: NumberType = "u16", table: Table = "input", unit: int = 1) -> Point:
    return Point(link="io", unit=unit, table=table, address=address, type=kind)


def bit(address: int, table: Table = "coil", unit: int = 1) -> Point:
    return Point(link="io", unit=unit, table=table, address=address)


def spans(points: list[Point], gap: int) -> list[tuple[int, int]]:
    blocks = plan_blocks({f"p{i}": point for i, point in enumerate(points)}, gap)
    return [(block.address, block.count) for block in blocks]


def test_neighbours_share_a_request() -> None:
    assert spans([register(0, "u32"), register(2), register(3, "f32")], 0) == [(0, 5)]


def test_a_gap_is_crossed_when_it_is_small_enough() -> None:
    assert spans([register(0), register(9)], 8) == [(0, 10)]
    assert spans([register(0), register(10)], 8) == [(0, 1), (10, 1)]
    # A 32-bit value before the gap ends one register later.
    assert spans([register(0, "u32"), register(10)], 8) == [(0, 11)]


def test_units_and_tables_are_read_apart() -> None:
    points = [register(0), register(1, table="holding"), register(2, unit=2), bit(3), bit(4, "discrete")]
    assert len(spans(points, 120)) == 5


def test_limits_of_the_protocol() -> None:
    assert spans([register(a) for a in range(125)], 0) == [(0, 125)]
    assert spans([register(a) for a in range(126)], 0) == [(0, 125), (125, 1)]
    assert spans([bit(a) for a in range(2000)], 0) == [(0, 2000)]
    assert spans([bit(a) for a in range(2001)], 0) == [(0, 2000), (2000, 1)]


def test_a_wide_value_at_the_limit_is_not_torn() -> None:
    # Register 124 and 125 hold one value: it is read in one request, or a carry between two would tear it.
    assert spans([*(register(a) for a in range(124)), register(124, "u32")], 0) == [(0, 124), (124, 2)]


def test_one_place_with_two_names_is_read_once() -> None:
    assert spans([register(5, "u32"), register(5), register(6)], 0) == [(5, 2)]


def test_nothing_to_read() -> None:
    assert plan_blocks({}, 8) == ()


POINTS = st.builds(
    lambda unit, table, address, kind: (
        bit(address, table, unit) if table in BITS else register(address, kind, table, unit)
    ),
    st.integers(1, 2),
    st.sampled_from(get_args(Table)),
    st.one_of(st.integers(0, 300), st.integers(0, 5000)),
    st.sampled_from([kind for kind in get_args(NumberType) if kind != "bool"]),
)
MAPS = st.lists(POINTS, max_size=40).map(lambda points: {f"p{i}": point for i, point in enumerate(points)})


@given(MAPS, st.integers(0, 120))
def test_every_point_is_covered_exactly_once_and_no_block_is_over_the_limit(points: dict[str, Point], gap: int) -> None:
    blocks = plan_blocks(points, gap)
    assert sorted(name for block in blocks for name in block.names) == sorted(points)
    for block in blocks:
        assert 1 <= block.count <= (2000 if block.table in BITS else 125)
        covered: set[int] = set()
        for name in block.names:
            point = points[name]
            assert (point.unit, point.table) == (block.unit, block.table)
            assert block.address <= point.address
            assert point.address + point.registers <= block.address + block.count
            covered.update(range(point.address, point.address + point.registers))
        assert covered >= {block.address, block.address + block.count - 1}
        assert longest_hole(covered, block) <= gap


def longest_hole(covered: set[int], block: Block) -> int:
    run = longest = 0
    for address in range(block.address, block.address + block.count):
        run = 0 if address in covered else run + 1
        longest = max(longest, run)
    return longest


@given(st.lists(st.integers(0, 400), min_size=1, max_size=12, unique=True), st.integers(0, 120))
def test_no_other_cut_needs_fewer_requests(addresses: list[int], gap: int) -> None:
    # Shortest path over the sorted points: best[i] is the fewest requests for the first i of them.
    ordered = sorted(addresses)
    best = [0]
    for end in range(1, len(ordered) + 1):
        ways = []
        for begin in range(end):
            part = ordered[begin:end]
            holes = [b - a - 1 for a, b in pairwise(part)]
            if part[-1] - part[0] < 125 and all(hole <= gap for hole in holes):
                ways.append(best[begin] + 1)
        best.append(min(ways))
    assert len(spans([register(address) for address in addresses], gap)) == best[-1]
