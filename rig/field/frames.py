"""Detection of the answer to a request among the bytes on an RS-485 bus. Pure.

A serial bus numbers nothing: a late answer, or another device's, looks like any other. What can be compared is
compared: unit, function, length, echo and check sum (Modbus over serial line V1.02, section 2.5.1; Modbus application
protocol V1.1b3, section 6).
"""

from __future__ import annotations

from dataclasses import dataclass

_READ_BITS, _READ_REGISTERS, _WRITE_ONE = (1, 2), (3, 4), (5, 6)
_EXCEPTION = 0x80


@dataclass(frozen=True, slots=True)
class Expected:
    """Beginning and length of the answer to a request."""

    unit: int
    function: int
    address: int
    count: int
    """Bits or registers read or written."""
    value: int = 0
    """Value written to a single coil (0xFF00 or 0) or register."""

    @property
    def head(self) -> bytes:
        """The bytes before the data or the check sum."""
        if self.function in _READ_BITS:
            return bytes((self.unit, self.function, (self.count + 7) // 8))
        if self.function in _READ_REGISTERS:
            return bytes((self.unit, self.function, 2 * self.count))
        last = self.value if self.function in _WRITE_ONE else self.count
        return bytes((self.unit, self.function)) + self.address.to_bytes(2, "big") + last.to_bytes(2, "big")

    @property
    def size(self) -> int:
        """Length of the whole answer."""
        return len(self.head) + (self.head[2] if self.function in (*_READ_BITS, *_READ_REGISTERS) else 0) + 2

    @property
    def reads(self) -> bool:
        """Whether it is a read."""
        return self.function in (*_READ_BITS, *_READ_REGISTERS)


def answer_in(heard: bytes, expected: Expected) -> bytes:
    """The complete answer or exception frame in ``heard``; empty while there is none."""
    refusal = bytes((expected.unit, expected.function | _EXCEPTION))
    for head, size in ((expected.head, expected.size), (refusal, 5)):
        start = heard.find(head)
        while start >= 0:
            frame = heard[start : start + size]
            if len(frame) == size and check_sum(frame[:-2]) == frame[-2:]:
                return frame
            start = heard.find(head, start + 1)
    return b""


def check_sum(frame: bytes) -> bytes:
    """The two bytes that end a frame on a serial line, low byte first."""
    crc = 0xFFFF
    for byte in frame:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc.to_bytes(2, "little")
