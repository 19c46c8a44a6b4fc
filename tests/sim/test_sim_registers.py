"""Register encoding against known bit patterns and against the library's own conversion."""

from __future__ import annotations

import math

import pytest
from pymodbus.client import ModbusTcpClient

from rig.field.points import Point
from sim.registers import Codec, codec_for

TYPES = ModbusTcpClient.DATATYPE


def codec(kind: str, order: str = "ABCD", *, wraps: bool = False, scale: float = 1.0, offset: float = 0.0) -> Codec:
    return Codec(kind, order, scale, offset, 0.0, 1.0, wraps)


@pytest.mark.parametrize(
    ("order", "words"),
    [("ABCD", [0x3F80, 0]), ("CDAB", [0, 0x3F80]), ("BADC", [0x803F, 0]), ("DCBA", [0, 0x803F])],
)
def test_float_one_in_every_order(order: str, words: list[int]) -> None:
    # IEEE 754 single precision: 1.0 is 3F80 0000.
    assert codec("f32", order).encode(1.0) == words
    assert codec("f32", order).decode(words) == 1.0


@pytest.mark.parametrize(("order", "words"), [("ABCD", [0x0102, 0x0304]), ("DCBA", [0x0403, 0x0201]),
                                              ("BADC", [0x0201, 0x0403]), ("CDAB", [0x0304, 0x0102])])  # fmt: skip
def test_integer_bytes_a_to_d(order: str, words: list[int]) -> None:
    assert codec("u32", order).encode(0x01020304) == words


@pytest.mark.parametrize(("word_order", "order"), [("big", "ABCD"), ("little", "CDAB")])
@pytest.mark.parametrize(("kind", "library", "value"), [("u32", TYPES.UINT32, 4_000_000_000), ("i32", TYPES.INT32, -7),
                                                        ("f32", TYPES.FLOAT32, -12.5), ("u16", TYPES.UINT16, 65535),
                                                        ("i16", TYPES.INT16, -300)])  # fmt: skip
def test_same_as_the_library(kind: str, library: object, value: float, word_order: str, order: str) -> None:
    expected = ModbusTcpClient.convert_to_registers(value, library, word_order=word_order)  # type: ignore[arg-type]
    assert codec(kind, order).encode(value) == expected
    assert codec(kind, order).decode(expected) == value


def test_sixteen_bits_swap_within_the_register() -> None:
    assert codec("u16", "BADC").encode(0x0102) == [0x0201]
    assert codec("u16", "CDAB").encode(0x0102) == [0x0102]


def test_counters_wrap_and_measurements_clamp() -> None:
    assert codec("u16", wraps=True).encode(65536 + 5) == [5]
    assert codec("u16", wraps=True).encode(-1) == [65535]
    assert codec("i16", wraps=True).encode(32768) == [0x8000]
    assert codec("u32", wraps=True).encode(2**32 + 9) == [0, 9]
    assert codec("i32", wraps=True).encode(2**31) == [0x8000, 0]
    assert codec("i16", scale=0.01).encode(5000.0) == [0x7FFF]
    assert codec("u16", scale=0.1).encode(-3.0) == [0]


def test_scale_offset_and_unit_of_a_configured_point() -> None:
    psi = Point(link="io", table="input", address=0, type="i16", scale=0.01, offset=-14.7, quantity="psi")
    raw = codec_for("line_pressure", psi).encode(100.0)[0]
    # 100 kPa is 14.504 psi (NIST SP 811).
    assert raw == round((14.5038 + 14.7) / 0.01)
    fahrenheit = Point(link="io", table="input", address=0, type="i16", scale=0.1, quantity="degF")
    assert codec_for("fluid_temp", fahrenheit).encode(15.0) == [590]
    seconds = Point(link="io", table="holding", address=0, type="u16", scale=10.0, quantity="ms")
    assert codec_for("output_timeout", seconds).decode([150]) == pytest.approx(1.5)
    gallons = Point(link="io", table="input", address=0, type="f32", quantity="gal")
    level = codec_for("tote_level", gallons)
    assert level.encode(378.5411784) == [0x42C8, 0]  # 100.0 in single precision
    assert level.decode([0x42C8, 0]) == pytest.approx(378.541, abs=1e-3)


def test_nonsense_in_a_float_register_is_not_scaled() -> None:
    assert math.isnan(codec("f32").decode([0x7FC0, 0]))
