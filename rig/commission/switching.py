"""Which bit follows a switch that a person presses and releases. Pure."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from rig.commission.wires import Film, Place, changed

_WORD = 0xFFFF
Bit = tuple[Place, object]
"""A place, and which bit of it; None: the whole."""


@dataclass(frozen=True, slots=True)
class Switch:
    """A yes or no on the wire: a bit, one bit of a register, or a register of its own."""

    place: Place
    bit: int | None
    rests: int
    """What it reads with nothing done."""

    def point(self, *, yes_at_rest: bool) -> dict[str, object]:
        """The keys of its point, which says yes at rest or when it is operated."""
        place = self.place
        found: dict[str, object] = {
            "link": place.link, "unit": place.unit, "table": place.table, "address": place.address,
        }  # fmt: skip
        found |= {} if self.bit is None else {"bit": self.bit}
        return found | ({} if bool(self.rests) is yes_at_rest else {"inverted": True})

    def __str__(self) -> str:
        return f"{self.place}{'' if self.bit is None else f' bit {self.bit}'}"


def switches_of(rest: Film, pressed: Sequence[Film], released: Sequence[Film], taken: Collection[Bit]) -> list[Switch]:
    """The switches that did not change at rest, turned each time it was pressed, and came back each time.

    Of a film in which a person acts the last shot counts. Registers that also waver are numbers, not switches.
    """
    if not rest or not all(pressed) or not all(released):
        return []
    before = rest[-1].words
    on, off = [film[-1].words for film in pressed], [film[-1].words for film in released]
    still = set(before) - changed(rest) - {place for place, bit in taken if bit is None}
    found: list[Switch] = []
    for place in sorted(still):
        word = before[place]
        pressed_words, released_words = {each.get(place) for each in on}, {each.get(place) for each in off}
        if released_words != {word} or len(pressed_words) != 1 or None in pressed_words:
            continue
        (acted,) = pressed_words
        found += [] if acted is None else _bits(place, word, acted)
    return [each for each in found if (each.place, each.bit) not in taken]


def _bits(place: Place, word: int, acted: int) -> list[Switch]:
    turned = (word ^ acted) & _WORD
    if not turned:
        return []
    if place.is_bit:
        return [Switch(place, None, word)]
    bits = [bit for bit in range(16) if turned >> bit & 1]
    if len(bits) > 1:
        # A register of its own is 0, or anything else.
        return [Switch(place, None, int(bool(word)))] if 0 in (word, acted) else []
    return [Switch(place, bits[0], word >> bits[0] & 1)]
