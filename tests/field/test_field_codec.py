"""Registers and numbers: known bit patterns (IEEE 754, two's complement), the library's own conversion, round trips."""

from __future__ import annotations

import math
from itertools import product
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client import ModbusTcpClient

from rig.field.codec import DecodeError, EncodeError, decode, encode, scaled, unscaled
from rig.field.points import NumberType, Order, Point

TYPES = ModbusTcpClient.DATATYPE
ORDERS: tuple[Order, ...] = get_args(Order)
LIMITS: dict[NumberType, tuple[int, int]] = {
    "u16": (0, 65535),
    "i16": (-32768, 32767),
    "u32": (0, 4294967295),
    "i32": (-2147483648, 2147483647),
}

# Bytes A to D, most significant first, written out by hand. IEEE 754-2019 single precision: sign, eight bits of
# exponent with bias 127, 23 of fraction; 1.0 is 3F80 0000, -2.5 is C020 0000, the largest is 7F7F FFFF.
PATTERNS: list[tuple[NumberType, float, str]] = [
    ("f32", 1.0, "3F800000"),
    ("f32", -2.5, "C0200000"),
    ("f32", 0.15625, "3E200000"),
    ("f32", (2 - 2**-23) * 2.0**127, "7F7FFFFF"),
    ("f32", 0.0, "00000000"),
    ("u32", 0x01020304, "01020304"),
    ("u32", 4294967295, "FFFFFFFF"),
    ("i32", -1, "FFFFFFFF"),
    ("i32", -2, "FFFFFFFE"),
    ("i32", -2147483648, "80000000"),
    ("i32", 65536, "00010000"),
    ("u16", 0x0102, "0102"),
    ("u16", 65535, "FFFF"),
    ("i16", -1, "FFFF"),
    ("i16", -32768, "8000"),
    ("i16", 258, "0102"),
]


def on_the_wire(pattern: str, order: Order) -> list[int]:
    """The registers whose bytes come in the order that its letters name; 16-bit values have bytes A and B only."""
    letters = order if len(pattern) == 8 else ("AB" if order in ("ABCD", "CDAB") else "BA")
    octets = {letter: pattern[2 * i : 2 * i + 2] for i, letter in enumerate("ABCD")}
    text = "".join(octets[letter] for letter in letters)
    return [int(text[i : i + 4], 16) for i in range(0, len(text), 4)]


@pytest.mark.parametrize(("order", "words"), [("ABCD", [0x3F80, 0]), ("CDAB", [0, 0x3F80]),
                                              ("BADC", [0x803F, 0]), ("DCBA", [0, 0x803F])])  # fmt: skip
def test_float_one_in_every_order(order: Order, words: list[int]) -> None:
    assert encode(1.0, "f32", order) == words
    assert decode(words, "f32", order) == 1.0


@pytest.mark.parametrize(("pattern", "order"), list(product(PATTERNS, ORDERS)))
def test_known_patterns_in_every_order(pattern: tuple[NumberType, float, str], order: Order) -> None:
    kind, value, octets = pattern
    words = on_the_wire(octets, order)
    assert decode(words, kind, order) == value
    assert encode(value, kind, order) == words


LIBRARY: dict[NumberType, Any] = {"u16": TYPES.UINT16, "i16": TYPES.INT16, "u32": TYPES.UINT32, "i32": TYPES.INT32,
                                  "f32": TYPES.FLOAT32}  # fmt: skip


@given(st.lists(st.integers(0, 65535), min_size=2, max_size=2), st.sampled_from(list(LIBRARY)))
def test_any_registers_read_as_the_library_reads_them(words: list[int], kind: NumberType) -> None:
    mine = words if kind in ("u32", "i32", "f32") else words[:1]
    for order, theirs in (("ABCD", "big"), ("CDAB", "little")):
        known = ModbusTcpClient.convert_from_registers(mine, LIBRARY[kind], word_order=theirs)  # type: ignore[arg-type]
        assert isinstance(known, int | float)
        if math.isfinite(known):
            assert decode(mine, kind, order) == known  # type: ignore[arg-type]
        else:
            with pytest.raises(DecodeError, match="not a number"):
                decode(mine, kind, order)  # type: ignore[arg-type]


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("octets", ["7FC00000", "FFC00000", "7F800000", "FF800000", "7F800001"])
def test_not_a_number_and_infinity_are_refused(octets: str, order: Order) -> None:
    with pytest.raises(DecodeError):
        decode(on_the_wire(octets, order), "f32", order)


@given(st.sampled_from(list(LIMITS)), st.sampled_from(ORDERS), st.data())
def test_whole_numbers_come_back(kind: NumberType, order: Order, data: st.DataObject) -> None:
    value = data.draw(st.integers(*LIMITS[kind]))
    back = decode(encode(value, kind, order), kind, order)
    assert back == value
    assert isinstance(back, int)


@given(st.floats(width=32, allow_nan=False, allow_infinity=False), st.sampled_from(ORDERS))
def test_floats_come_back(value: float, order: Order) -> None:
    assert decode(encode(value, "f32", order), "f32", order) == value


@given(st.sampled_from(ORDERS), st.lists(st.integers(0, 65535), min_size=2, max_size=2))
def test_every_order_is_another_one(order: Order, words: list[int]) -> None:
    found = {tuple(encode(decode(words, "u32", "ABCD"), "u32", other)) for other in ORDERS}
    octets = {words[0] >> 8, words[0] & 255, words[1] >> 8, words[1] & 255}
    assert len(found) == 4 or len(octets) < 4


@pytest.mark.parametrize("kind", list(LIMITS))
@pytest.mark.parametrize("beyond", [-1, 1])
def test_a_number_outside_the_type_is_refused(kind: NumberType, beyond: int) -> None:
    value = LIMITS[kind][0 if beyond < 0 else 1] + beyond
    with pytest.raises(EncodeError, match=f"does not fit a {kind}"):
        encode(value, kind, "ABCD")


@pytest.mark.parametrize("kind", [*LIMITS, "f32"])
@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_not_written(kind: NumberType, value: float) -> None:
    with pytest.raises(EncodeError):
        encode(value, kind, "ABCD")


def test_a_float_beyond_single_precision_is_refused() -> None:
    with pytest.raises(EncodeError, match="does not fit a f32"):
        encode(1e39, "f32", "ABCD")


def test_scale_and_offset() -> None:
    # A 4 to 20 mA transmitter of -15 to 45 psi on a 0 to 3000 step input: 0.02 psi a step.
    point = Point(link="io", table="input", address=0, type="u16", scale=0.02, offset=-15)
    assert scaled(0, point) == -15
    assert scaled(3000, point) == pytest.approx(45)
    assert scaled(1650, point) == pytest.approx(18)
    assert unscaled(18, point) == pytest.approx(1650)


@given(st.integers(0, 65535), st.floats(0.001, 1000), st.floats(-1000, 1000))
def test_scaling_goes_back(raw: int, scale: float, offset: float) -> None:
    point = Point(link="io", table="input", address=0, type="u16", scale=scale, offset=offset)
    assert unscaled(scaled(raw, point), point) == pytest.approx(raw, abs=1e-6 * (1 + abs(offset) / scale))
