"""The kinds of link besides Modbus TCP: an RS-485 bus, and devices that send lines of text.

Pure data, validated on construction. Must not know what a point means to a fill.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Annotated, Literal

from pydantic import Field, model_validator

from rig.field.points import Instrument, Seconds, Strict, TcpLink
from rig.sentence import Faults, Wording

Parity = Literal["N", "E", "O"]
_BITS_BY_PARITY = {"N": 10, "E": 11, "O": 11}
_LEAST_SILENCE_S = 0.00175
"""Fixed silence between frames above 19200 baud (Modbus over serial line V1.02, section 2.5.1.1)."""

_NO_PATTERN = Wording(
    "wiring.no_pattern", "pattern is no regular expression ({error}); in TOML write it in single quotes"
)
_NOT_IN_PATTERN = Wording("wiring.not_in_pattern", "fields.{name} is not in the pattern; write (?P<{name}>…) there")
_NO_FIT = Wording("wiring.no_fit", "example {example} does not fit the pattern from its first to its last character")
_NO_STEP = Wording("wiring.no_step", "fields.{name}.scale is 0; write the value of one step")
_NO_ASCII = Wording("wiring.no_ascii", "poll, terminator and example are plain ASCII text")


class SerialLine(Strict):
    """Settings of every serial port."""

    port: str = Field(min_length=1)
    """The port's file, for example ``/dev/serial/by-id/usb-…``, which survives a replug."""
    baud: int = Field(default=9600, ge=300, le=1_000_000)
    """Bits a second, as every device on the line is set."""
    parity: Parity = "N"
    """None, even or odd."""
    stop_bits: Literal[1, 2] = 1
    """Stop bits of a character."""
    stale: Seconds | None = Field(default=None, gt=0, le=10)
    """Maximum age of its points in a running fill; else as long as its reads may take."""

    @property
    def character_s(self) -> float:
        """Time of one character on the wire: start bit, 8 bits, parity, stop bits."""
        return (_BITS_BY_PARITY[self.parity] + self.stop_bits - 1) / self.baud


class RtuLink(SerialLine):
    """A Modbus RTU bus; the defaults are those devices are shipped with, not the standard's 19200 8E1."""

    kind: Literal["rtu"]
    """A bus of devices on a serial port."""
    timeout: Seconds = Field(default=0.3, gt=0, le=10)
    """Must exceed the slowest device's response time. A stop waits at most this long behind a poll."""
    turnaround: Seconds = Field(default=0.0, ge=0, le=1)
    """Turnaround silence the slowest device needs between its answer and the next request, besides 3.5 characters."""
    echo: bool = False
    """The adapter echoes: what it sent is received before the answer."""
    late: Seconds | None = Field(default=None, gt=0, le=2)
    """Longest time for a read of all its points; else ``limits.late``. The rig waits for the longest of these, except
    links with a ``scan`` of their own."""
    scan: Seconds | None = Field(default=None, gt=0, le=5)
    """Read interval of its points, wall clock; else they are read in every scan of the rig."""
    max_gap: int = Field(default=8, ge=0, le=120)
    """Unused registers that a block read may cross."""

    @property
    def silence_s(self) -> float:
        """Pause before each question."""
        return max(3.5 * self.character_s, _LEAST_SILENCE_S, self.turnaround)

    def least_s(self, bytes_back: Iterable[int]) -> float:
        """Least time on the wire of reads that return so many data bytes each, without the devices' response times.

        A request has eight bytes, and an answer five besides its data (Modbus over serial line V1.02, section 2.5.1).
        """
        return sum((13 + each) * self.character_s + 2 * self.silence_s for each in bytes_back)


class LineField(Instrument):
    """One named field of a line, and its point. ``value = number × scale + offset``."""

    point: str
    """The point that this field is."""
    unit_from: str = ""
    """The pattern's field with the unit, for devices that can be switched between kg and lb; it is converted to
    ``quantity``."""
    scale: float = 1.0
    """Value of one step of the number."""
    offset: float = 0.0
    """Added after scaling."""


class LineLink(SerialLine):
    """A device that sends lines of text unprompted, or one line for each poll."""

    kind: Literal["line"]
    """A device that sends text on a serial port."""
    bits: Literal[7, 8] = 8
    """Data bits of a character."""
    pattern: str
    """Regular expression of a whole line without its end; named fields carry the values."""
    example: str = ""
    """A sample line of the device: checked against the pattern, and sent by a simulated device."""
    poll: str = ""
    """Text that requests one line; without it, the device sends unprompted."""
    terminator: str = Field(default="\r\n", min_length=1)
    """What ends a line, both ways."""
    max_line: int = Field(default=80, ge=1, le=4096)
    """Longest line; anything longer is noise and is discarded."""
    timeout: Seconds = Field(default=0.5, gt=0, le=10)
    """The longest wait for a line that fits."""
    fields: dict[str, LineField] = Field(min_length=1)
    """The named fields of the pattern, and the point of each."""

    @model_validator(mode="after")
    def _fits(self) -> LineLink:
        faults = [*self._pattern_faults(), *self._field_faults()]
        if faults:
            raise Faults(faults)
        return self

    def _pattern_faults(self) -> list[str]:
        try:
            found = re.compile(self.pattern)
        except re.error as error:
            return [_NO_PATTERN(error=str(error))]
        faults: list[str] = [
            _NOT_IN_PATTERN(name=name)
            for name in {*self.fields, *(f.unit_from for f in self.fields.values() if f.unit_from)}
            if name not in found.groupindex
        ]
        if self.example and not found.fullmatch(self.example):
            faults.append(_NO_FIT(example=repr(self.example)))
        return faults

    def _field_faults(self) -> list[str]:
        faults: list[str] = [_NO_STEP(name=name) for name, each in self.fields.items() if not each.scale]
        try:
            (self.poll + self.terminator + self.example).encode("ascii")
        except UnicodeEncodeError:
            faults.append(_NO_ASCII())
        return faults


Link = Annotated[TcpLink | RtuLink | LineLink, Field(discriminator="kind")]
BusLink = TcpLink | RtuLink
