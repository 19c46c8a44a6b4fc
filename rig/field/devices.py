"""State of each device between two scans: its port, its faults, and the units in hold-off."""

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
"""Hold-off of a unit that did not answer, so that it does not delay the others on its bus."""


@dataclass(slots=True)
class Rest:
    """Hold-off of a unit, and its reason."""

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
    """Units in hold-off: silent ones on a shared link, and those that refuse to be switched off."""
    every_s: float | None = None
    """Read interval of a link that scans do not wait for."""
    reading: asyncio.Task[None] | None = None
    began_s: float = 0.0
    """When its last read began."""
    stubborn_s: dict[int, float] = field(default_factory=dict)
    """Units that do not perform an off, and since when."""

    def due(self, now_s: float) -> bool:
        """Whether another read is due; raises an unexpected error of the last one."""
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
        """Drop the connection and any read in progress."""
        if self.reading is not None:
            self.reading.cancel()
            self.reading = None
        self.port.close()

    @property
    def shared(self) -> bool:
        """Whether several units share the link."""
        return len({block.unit for block in self.blocks}) > 1

    def rest(self, unit: int, now_s: float, error: str) -> None:
        """Put a unit in hold-off, longer each time, at most two seconds."""
        times = self.resting[unit].times + 1 if unit in self.resting else 0
        self.resting[unit] = Rest(now_s + _RESTS_S[min(times, len(_RESTS_S) - 1)], times, error)

    def rested(self, unit: int, now_s: float) -> Rest | None:
        """The hold-off of a unit that is in force now, if any."""
        rest = self.resting.get(unit)
        return rest if rest is not None and now_s < rest.until_s else None


@dataclass(slots=True)
class Talker:
    """A device that sends lines."""

    port: LinePort
    fields: Mapping[str, LineField]
    error: str = ""


@dataclass(slots=True)
class Written:
    """The last acknowledged write to an output."""

    on: bool
    at_s: float
    connects: int
    """The connection used: a device that was disconnected may have restarted and lost what was written."""
