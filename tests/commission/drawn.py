"""Registers of drawn maps for tests of the inference: encoded here by hand, apart from the program's own codec."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable, Iterable, Sequence

from rig.commission.wires import Film, Place, Shot

ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")


def place(address: int, table: str = "input", unit: int = 1) -> Place:
    return Place("bus1", unit, table, address)  # type: ignore[arg-type]


def encoded(value: float, kind: str, order: str) -> list[int]:
    """Registers in wire order; letters of ``order`` are bytes, A the most significant."""
    layout = {"u16": ">H", "i16": ">h", "u32": ">I", "i32": ">i", "f32": ">f"}[kind]
    if kind != "f32":
        bits = 8 * struct.calcsize(layout)
        value = int(value) % 2**bits
        value = value - 2**bits if kind[0] == "i" and value >= 2 ** (bits - 1) else value
    raw = struct.pack(layout, value)
    if len(raw) == 2:
        raw = raw if order in ("ABCD", "CDAB") else raw[::-1]
    else:
        raw = bytes(raw["ABCD".index(letter)] for letter in order)
    return [raw[at] << 8 | raw[at + 1] for at in range(0, len(raw), 2)]


Content = Callable[[float], dict[Place, int]]
"""What registers hold at a time."""


def number(address: int, kind: str, order: str, value: Callable[[float], float], table: str = "input") -> Content:
    def at(now_s: float) -> dict[Place, int]:
        words = encoded(value(now_s), kind, order)
        return {place(address + step, table): word for step, word in enumerate(words)}

    return at


def still(addresses: Iterable[int], word: int = 0, table: str = "input") -> Content:
    words = {place(address, table): word for address in addresses}
    return lambda _now_s: words


def wavering(address: int, rng: random.Random, middle: int) -> Content:
    return lambda _now_s: {place(address): (middle + rng.randint(-2, 2)) & 0xFFFF}


def film(contents: Sequence[Content], times_s: Sequence[float]) -> Film:
    """Later contents lie over earlier ones."""
    shots = []
    for now_s in times_s:
        words: dict[Place, int] = {}
        for content in contents:
            words |= content(now_s)
        shots.append(Shot(now_s, words))
    return shots


def times(begin_s: float, end_s: float, count: int) -> list[float]:
    return [begin_s + (end_s - begin_s) * at / (count - 1) for at in range(count)]
