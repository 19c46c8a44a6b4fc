"""Whatever bytes come: a value, an answer or a line, or the one named error; decoders beside independent ones.

The check sum's oracle is the table method as the Modbus serial line specification V1.02 (appendix B) describes it,
built here from the polynomial; registers' oracle is integer arithmetic and IEEE 754 taken apart by hand.
RIG_FUZZ sets how many examples each property is tried with.
"""

from __future__ import annotations

import contextlib
import copy
import math
import os
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.field.codec import DecodeError, EncodeError, decode, encode
from rig.field.frames import Expected, answer_in, check_sum
from rig.field.lines import Splitter
from rig.field.points import NumberType, Order
from rig.run.settings import SettingsError, load_settings, settings_of

CONFIG = Path(__file__).parents[2] / "config" / "demo.toml"
fuzzed = settings(max_examples=int(os.environ.get("RIG_FUZZ", "300")))
KINDS: tuple[NumberType, ...] = ("u16", "i16", "u32", "i32", "f32")
ORDERS: tuple[Order, ...] = ("ABCD", "CDAB", "BADC", "DCBA")
PLACES = {"ABCD": (0, 1, 2, 3), "CDAB": (2, 3, 0, 1), "BADC": (1, 0, 3, 2), "DCBA": (3, 2, 1, 0)}
"""Where the bytes A (most significant) to D stand on the wire."""
REGISTER = st.integers(0, 0xFFFF)


def _float_of(bits: int) -> float:
    sign = -1.0 if bits >> 31 else 1.0
    exponent, fraction = (bits >> 23) & 0xFF, bits & 0x7FFFFF
    if exponent == 0xFF:
        return math.nan
    return sign * (math.ldexp(fraction, -149) if exponent == 0 else math.ldexp(fraction | 0x800000, exponent - 150))


def _read(registers: list[int], kind: NumberType, order: Order) -> float | int:
    """The number by arithmetic alone."""
    on_wire = [byte for register in registers for byte in divmod(register, 256)]
    places = PLACES[order] if len(registers) == 2 else ((1, 0) if order in ("BADC", "DCBA") else (0, 1))
    bits = 0
    for letter in range(len(on_wire)):
        bits = bits * 256 + on_wire[places.index(letter)]
    if kind == "f32":
        return _float_of(bits)
    span = 1 << (8 * len(on_wire))
    return bits - span if kind.startswith("i") and bits >= span // 2 else bits


@fuzzed
@given(st.lists(REGISTER, min_size=2, max_size=2), st.sampled_from(KINDS), st.sampled_from(ORDERS))
def test_registers_are_what_arithmetic_says(two: list[int], kind: NumberType, order: Order) -> None:
    registers = two if kind.endswith("32") else two[:1]
    told = _read(registers, kind, order)
    if math.isnan(told):
        with pytest.raises(DecodeError):
            decode(registers, kind, order)
        return
    assert decode(registers, kind, order) == told
    assert decode(encode(told, kind, order), kind, order) == told


@fuzzed
@given(st.floats(), st.sampled_from(KINDS), st.sampled_from(ORDERS))
def test_any_number_is_encoded_or_refused_by_name(value: float, kind: NumberType, order: Order) -> None:
    try:
        registers = encode(value, kind, order)
    except EncodeError:
        return
    assert abs(decode(registers, kind, order) - value) <= max(0.5, abs(value) * 2**-23)


def _crc_table() -> list[int]:
    table = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = (crc >> 1) ^ (0xA001 * (crc & 1))
        table.append(crc)
    return table


TABLE = _crc_table()


def _crc(frame: bytes) -> bytes:
    crc = 0xFFFF
    for byte in frame:
        crc = (crc >> 8) ^ TABLE[(crc ^ byte) & 0xFF]
    return bytes((crc & 0xFF, crc >> 8))


@fuzzed
@given(st.binary(max_size=260))
def test_the_check_sum_is_that_of_the_table_method(frame: bytes) -> None:
    assert check_sum(frame) == _crc(frame)


EXPECTED = st.builds(
    Expected,
    unit=st.integers(1, 247),
    function=st.sampled_from((1, 2, 3, 4, 5, 15, 16)),
    address=REGISTER,
    count=st.integers(1, 120),
    value=st.sampled_from((0, 0xFF00)),
)


def _whole(expected: Expected, filler: bytes) -> bytes:
    body = expected.head + filler[: expected.size - 2 - len(expected.head)].ljust(
        expected.size - 2 - len(expected.head), b"\0"
    )
    return body + _crc(body)


@fuzzed
@given(st.binary(max_size=300), EXPECTED)
def test_any_bytes_are_no_answer_or_a_whole_one(heard: bytes, expected: Expected) -> None:
    frame = answer_in(heard, expected)
    if not frame:
        return
    assert frame in heard
    assert frame[-2:] == _crc(frame[:-2])
    assert frame[0] == expected.unit
    assert frame[1] & 0x7F == expected.function


@fuzzed
@given(st.binary(max_size=40), EXPECTED, st.binary(max_size=250), st.binary(max_size=40))
def test_a_true_answer_is_found_in_any_noise(before: bytes, expected: Expected, data: bytes, after: bytes) -> None:
    true = _whole(expected, data)
    found = answer_in(before + true + after, expected)
    assert found
    assert found[-2:] == _crc(found[:-2])


@fuzzed
@given(EXPECTED, st.binary(max_size=250), st.data())
def test_up_to_three_flipped_bits_are_never_an_answer(expected: Expected, content: bytes, data: st.DataObject) -> None:
    true = bytearray(_whole(expected, content))
    bits = data.draw(st.sets(st.integers(0, 8 * len(true) - 1), min_size=1, max_size=3))
    for bit in bits:
        true[bit // 8] ^= 1 << (bit % 8)
    found = answer_in(bytes(true), expected)
    # What may still be found is a shorter refusal inside, by chance; never the frame that was asked for.
    assert len(found) != expected.size or found != bytes(true)


@fuzzed
@given(st.lists(st.binary(max_size=30), max_size=12), st.sampled_from((b"\r\n", b"\n", b"\r", b"END")), st.booleans())
def test_lines_do_not_depend_on_how_the_bytes_come(chunks: list[bytes], end: bytes, whole: bool) -> None:
    longest = 20
    splitter = Splitter(end, longest, whole=whole)
    lines = [line for chunk in chunks for line in splitter.take(chunk)]
    assert all(len(line) <= longest and end not in line for line in lines)
    stream = b"".join(chunks)
    for line in lines:
        assert line + end in stream
    once = Splitter(end, longest, whole=whole).take(stream)
    assert set(lines) <= {*once, *stream.split(end)}


JUNK = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=12), st.lists(st.integers(), max_size=2),
    st.dictionaries(st.text(max_size=5), st.integers(), max_size=2),
    st.sampled_from(("1 psi", "-5 psi", "nan psi", "1e400 L", "0 L", "3 furlong", "io", "tcp", "coil", "i32")),
)  # fmt: skip


@fuzzed
@given(st.data())
def test_a_configuration_with_anything_anywhere_is_read_or_refused_by_name(data: st.DataObject) -> None:
    document = copy.deepcopy(tomllib.loads(CONFIG.read_text(encoding="utf-8")))
    for _ in range(data.draw(st.integers(1, 3))):
        place = document
        key = data.draw(st.sampled_from(sorted(place)))
        while isinstance(place.get(key), dict) and place[key] and data.draw(st.integers(0, 3)):
            place = place[key]
            key = data.draw(st.sampled_from(sorted(place)))
        if data.draw(st.booleans()):
            place[key] = data.draw(JUNK)
        elif data.draw(st.booleans()):
            del place[key]
        else:
            place[data.draw(st.text(max_size=8))] = data.draw(JUNK)
        if not document:
            return
    with contextlib.suppress(SettingsError):
        settings_of(document, "fuzz")


@fuzzed
@given(data=st.data())
def test_a_file_with_any_bytes_is_read_or_refused_by_name(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    text = bytearray(CONFIG.read_bytes())
    at = data.draw(st.integers(0, len(text)))
    text[at : at + data.draw(st.integers(0, 40))] = data.draw(st.binary(max_size=40))
    path = tmp_path_factory.getbasetemp() / "fuzz.toml"
    path.write_bytes(bytes(text))
    with contextlib.suppress(SettingsError):
        load_settings(path)
