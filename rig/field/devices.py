"""What a field remembers of each device between two scans: its port, its faults, and the units that are left alone."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine, Mapping
from dataclasses import dataclass, field
from typing import Any

from rig.field.blocks import Block
from rig.field.lines import LinePort
from rig.field.links import LineField
from rig.field.modbus import ModbusPort

_RESTS_S = (0.1, 0.2, 0.5, 1.0, 2.0)
"""How long a unit that did not answer is left alone, so that it does not hold up the others on its bus."""


@dataclass(slots=True)
class Rest:
    """A unit that is left alone, and why."""

    until_s: float
    times: int
    error: str
    wholly: bool = False
    """Nothing at all is sent, not even an off."""


@dataclass(slots=True)
class Device:
    """A link that carries registers and coils."""

    port: ModbusPort
    blocks: tuple[Block, ...]
    error: str = ""
    resting: dict[int, Rest] = field(default_factory=dict)
    """Units that are left alone: silent ones where a link has several, and those that refuse to be switched off."""
    every_s: float | None = None
    """Time from one read to the next of a link that the scans do not wait for."""
    reading: asyncio.Task[None] | None = None
    began_s: float = 0.0
    """When its last read began."""
    stubborn_s: dict[int, float] = field(default_factory=dict)
    """Units that do not do an off, and since when."""

    def due(self, now_s: float) -> bool:
        """Whether it is time for another read; raises what ended the last one against all expectation."""
        if self.reading is None:
            return True
        if not self.reading.done():
            return False
        if not self.reading.cancelled():
            self.reading.result()
        return self.every_s is None or now_s - self.began_s >= self.every_s

    def begin(self, reading: Coroutine[Any, Any, None], now_s: float) -> asyncio.Task[None]:
        """Begin the next read."""
        self.began_s, self.reading = now_s, asyncio.create_task(reading)
        return self.reading

    def close(self) -> None:
        """Drop the connection, and what is asked for over it."""
        if self.reading is not None:
            self.reading.cancel()
            self.reading = None
        self.port.close()

    @property
    def shared(self) -> bool:
        """Whether several units hang on the link."""
        return len({block.unit for block in self.blocks}) > 1

    def rest(self, unit: int, now_s: float, error: str) -> None:
        """Leave a unit alone for a while, longer each time, at most two seconds."""
        times = self.resting[unit].times + 1 if unit in self.resting else 0
        self.resting[unit] = Rest(now_s + _RESTS_S[min(times, len(_RESTS_S) - 1)], times, error)

    def rested(self, unit: int, now_s: float) -> Rest | None:
        """Why a unit is left alone now."""
        rest = self.resting.get(unit)
        return rest if rest is not None and now_s < rest.until_s else None


@dataclass(slots=True)
class Talker:
    """A device that speaks in lines."""

    port: LinePort
    fields: Mapping[str, LineField]
    error: str = ""


@dataclass(slots=True)
class Written:
    """The last write to an output that was taken."""

    on: bool
    at_s: float
    connects: int
    """Which connection it went over: a device that was away may have restarted, and what was written may not hold."""
