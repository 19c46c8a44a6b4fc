"""The whole field of one rig: reads all points in as few requests as the maps allow, keeps every output as commanded.

A scan never raises for a silent device: stale values keep the time of their last read.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Collection, Mapping, Sequence
from dataclasses import dataclass, field

from rig.field.blocks import Block, plan_blocks, smaller
from rig.field.codec import EncodeError, encode, unscaled
from rig.field.devices import Device, Rest, Talker, Written
from rig.field.kept import Kept
from rig.field.lines import LinePort
from rig.field.links import LineLink, Link
from rig.field.modbus import AddressError, FieldError, ModbusPort, RefusedError, SilentError
from rig.field.points import Point
from rig.field.turning import DIRECTION, FORWARD, REVERSE, RUN, Turning
from rig.field.values import Place, Value, places, take, value_of_field
from rig.sentence import Wording, joined, said_by

_REFUSES_S = 1.0
"""A unit that refuses an off or is silent for longer is treated as faulty, not busy."""
LATE = 1.25
"""Margin on a module's time-out: its outputs are assumed off only after 1.25 times the set time."""
_LEAVES_ON = Wording("bus.leaves_on", "{link}: unit {unit} takes every off of {name} and leaves it on")
_TOO_LARGE = Wording("bus.too_large", "{name}: {error}; check type and scale")


@dataclass(slots=True)
class Field:
    """All links of a rig."""

    links: Mapping[str, Link]
    points: Mapping[str, Point]
    renew_s: float = 0.5
    """Refresh interval of coils that are on: some modules count only writes as a sign of life."""
    leave_s: float = 2.5
    """Hold-off: a unit that refuses an off, acknowledges it and stays on, or falls silent with an output on, is sent
    nothing for this long. Many modules count any request as a sign of life; then their own time-out, which must be
    shorter, switches off."""
    proven_s: Mapping[tuple[str, int], float] = field(default_factory=dict)
    """By link and unit: a module's own time-out, verified by a person. After so long without a request an off counts as
    done."""
    feedback: Mapping[str, str] = field(default_factory=dict)
    """By output: the input that shows whether its contactor has pulled in, or its valve is open."""
    travel_s: Mapping[str, float] = field(default_factory=dict)
    """By output: travel time of its valve."""
    turning: Turning | None = None
    """For a pump with run and direction outputs: forward and reverse are written to these two and derived from them."""
    armed: bool = True
    """Whether the modules' time-outs read back as written: a lost setting would switch nothing off."""
    values: dict[str, Value] = field(default_factory=dict)
    faults: dict[str, str] = field(default_factory=dict)
    """By point: why its last reading failed."""
    took_s: dict[str, float] = field(default_factory=dict)
    """By link: duration of the last read of all its points."""
    waited_s: float = 0.0
    """How long the last scan waited for its links."""
    _devices: dict[str, Device] = field(default_factory=dict)
    _talkers: dict[str, Talker] = field(default_factory=dict)
    _written: dict[str, Written] = field(default_factory=dict)
    _places: dict[Block, list[Place]] = field(default_factory=dict)
    _kept: Kept = field(default_factory=Kept)
    _ended_s: dict[str, float] = field(default_factory=dict)
    """When the last write to each output ended, successful or not."""

    def __post_init__(self) -> None:
        for name, link in self.links.items():
            if isinstance(link, LineLink):
                self._talkers[name] = Talker(LinePort(name, link), link.fields)
                continue
            mine = {k: point for k, point in self.points.items() if point.link == name and not point.write_only}
            blocks = plan_blocks(mine, link.max_gap)
            self._devices[name] = Device(ModbusPort(name, link), blocks, every_s=link.scan)
            self._places |= {block: places(block, mine) for block in blocks}

    @property
    def errors(self) -> dict[str, str]:
        """The last fault of each link that failed in the last scan."""
        both: dict[str, Device | Talker] = {**self._devices, **self._talkers}
        return {name: device.error for name, device in both.items() if device.error}

    @property
    def unconfirmed(self) -> dict[str, str]:
        """Outputs commanded off that may be on, each with the first fault of switching it off."""
        found = self._kept.unconfirmed
        return found if self.turning is None else self.turning.unconfirmed(found)

    @property
    def unrenewed(self) -> frozenset[str]:
        """Outputs commanded on whose module has not acknowledged the last write."""
        found = self._kept.unrenewed
        return found if self.turning is None else self.turning.unrenewed(found)

    @property
    def elsewhere(self) -> frozenset[str]:
        """Outputs that are switched from elsewhere."""
        found = self._kept.elsewhere
        return found if self.turning is None else self.turning.named(found)

    async def scan(self, idle: Collection[str] = ()) -> None:
        """Read every point once; all links in parallel, each at most one time-out longer than its answers take.

        Blocks with only ``idle`` points are skipped: a dead device must not delay the others. Links with a scan
        interval of their own are awaited the first time only.
        """
        clock = asyncio.get_running_loop().time
        began_s = clock()
        links: list[Awaitable[None]] = [self._scan_line(talker) for talker in self._talkers.values()]
        for name, device in self._devices.items():
            if device.every_s is None:
                links.append(self._scan_link(name, device, idle))
            elif device.due(began_s):
                first = device.reading is None
                reading = device.begin(self._scan_link(name, device, idle), began_s)
                links += [reading] if first else []
        if len(links) == 1:
            # A separate task for a single link would cost a twentieth of the scan.
            await links[0]
        else:
            await asyncio.gather(*links)
        self.waited_s = clock() - began_s
        self._look_at_outputs()

    def _look_at_outputs(self) -> None:
        """Update the known state of the outputs: by read-back, or by the proven time-out of a unit left alone."""
        now_s = asyncio.get_running_loop().time()
        for name, ended_s in self._ended_s.items():
            value = self.values.get(name)
            if value is not None and value.at_s > ended_s:
                self._kept.reads(name, value.at_s, on=bool(value.raw))
            contactor = self.values.get(self.feedback.get(name, ""))
            if contactor is not None and contactor.at_s > ended_s:
                self._kept.shows(name, contactor.at_s, is_in=bool(contactor.raw), takes_s=self.travel_s.get(name, 0.0))
        for name in self._kept.unconfirmed if self.armed else ():
            point = self.points[name]
            timeout_s = self.proven_s.get((point.link, point.unit), math.inf)
            sent_s = self._devices[point.link].port.sent_s.get(point.unit, -math.inf)
            if now_s - sent_s > LATE * timeout_s:
                self._kept.timed_out(name)
        if self.turning is not None:
            self.values |= self.turning.shown(self.values)

    async def _scan_link(self, name: str, device: Device, idle: Collection[str]) -> None:
        clock = asyncio.get_running_loop().time
        began_s = clock()
        try:
            await self._scan_blocks(device, idle)
        finally:
            self.took_s[name] = clock() - began_s

    async def _scan_blocks(self, device: Device, idle: Collection[str]) -> None:
        device.error = ""
        clock = asyncio.get_running_loop().time
        waiting = [block for block in device.blocks if not all(name in idle for name in block.names)]
        while waiting:
            block = waiting.pop(0)
            rest = device.rested(block.unit, clock())
            if rest is not None:
                device.error = device.error or rest.error
                self._failed([block], rest.error)
                continue
            try:
                values = await device.port.read(block)
            except SilentError as error:
                device.error = said_by(error)
                if device.shared:
                    device.rest(block.unit, clock(), said_by(error))
                else:
                    # Read it last next time: a block that never answers must not keep the others from being read.
                    device.blocks = (*(each for each in device.blocks if each is not block), block)
                self._failed([block, *waiting], said_by(error))
                return
            except AddressError as error:
                parts = self._split(device, block)
                waiting = [*parts, *waiting]
                if not parts:
                    device.error = device.error or said_by(error)
                    self._failed([block], said_by(error))
            except RefusedError as error:
                # The device answers: its other blocks are still read, so that only this one's points go stale.
                device.error = device.error or said_by(error)
                self._failed([block], said_by(error))
            except FieldError as error:
                device.error = said_by(error)
                self._failed([block, *waiting], said_by(error))
                return
            else:
                device.resting.pop(block.unit, None)
                self._take(block, values)

    def _split(self, device: Device, block: Block) -> tuple[Block, ...]:
        """Split a refused block into smaller ones from now on; empty if it cannot be split further."""
        parts = smaller(block, self.points)
        if len(parts) == 1:
            return ()
        at = device.blocks.index(block)
        device.blocks = (*device.blocks[:at], *parts, *device.blocks[at + 1 :])
        self._places |= {part: places(part, self.points) for part in parts}
        return parts

    def _failed(self, blocks: Sequence[Block], why: str) -> None:
        self.faults |= {name: why for block in blocks for name in block.names}

    async def _scan_line(self, talker: Talker) -> None:
        talker.error = ""
        try:
            line = await talker.port.read()
        except FieldError as error:
            talker.error = said_by(error)
            self.faults |= {each.point: said_by(error) for each in talker.fields.values()}
            return
        for name, each in talker.fields.items():
            self.faults.pop(each.point, None)
            self.values[each.point] = value_of_field(name, each, line)

    def _take(self, block: Block, values: list[int]) -> None:
        take(self.values, self._places[block], values, asyncio.get_running_loop().time())
        if self.faults:
            for name in block.names:
                self.faults.pop(name, None)

    async def write(self, wanted: Mapping[str, bool], signals: Collection[str] = ()) -> None:
        """Bring the named outputs to the wanted states: off before on, only what changed or is due.

        Raises :class:`FieldError` if a device does not take a write. All other outputs to be switched off are still
        written, without delay on other links; after a fault nothing is switched on but ``signals``, which move nothing.
        """
        turning, clock = self.turning, asyncio.get_running_loop().time
        if turning is not None and not wanted.keys().isdisjoint((FORWARD, REVERSE)):
            run_on, run_off = self._kept.asked(RUN), self._is_off(RUN)
            wanted = turning.outputs(wanted, self.values, clock(), run_on=run_on, run_off=run_off)
            if wanted[RUN] and not run_on:
                # Write it again just before: a board without read-back may have restarted since.
                self._written.pop(DIRECTION, None)
        names = [name for name in wanted if name in self.points]
        faults: list[str] = []
        # Run goes on last and alone: by then the direction must be set, over the same connection.
        for on, alone in ((False, False), (True, False), (True, True)):
            turned = [
                name
                for name in names
                if wanted[name] is on and alone is (on and name == RUN) and (not faults or name in signals)
            ]
            if alone and turning is not None and turned:
                connects = self._devices[self.points[RUN].link].port.connects
                turned = turned if turning.confirmed(self.values, clock(), connects) else []
            if turned or not on:
                found = await asyncio.gather(*(self._write_link(link, turned, on=on) for link in self._devices))
                faults += [fault for link_faults in found for fault in link_faults]
        if faults:
            raise FieldError(joined(faults))

    async def let_go(self, names: Collection[str]) -> None:
        """Switch all of ``names`` off for good, a pump's direction after its settle time; :class:`FieldError`."""
        off = dict.fromkeys(names, False)
        await self.write(off)
        if self.turning is not None and self.turning.way:
            await asyncio.sleep(self.turning.settle_s)
            await self.write(off)

    async def _write_link(self, link: str, names: Sequence[str], *, on: bool) -> list[str]:
        faults: list[str] = []
        refusing: dict[int, tuple[str, float]] = {}
        gone = False
        device, clock = self._devices[link], asyncio.get_running_loop().time
        for name in names:
            point = self.points[name]
            if point.link != link or not self._due(name, on=on):
                continue
            rest = device.rested(point.unit, clock())
            if rest is not None and rest.wholly:
                if not on:
                    self._kept.asks(name, clock(), on=False)
                    self._kept.failed(name, rest.error)
                faults.append(rest.error)
                continue
            if gone and not self._kept.may_be_on(name):
                continue
            if not on and self._reads_on(name):
                fault = _LEAVES_ON(link=link, unit=str(point.unit), name=name)
                refusing[point.unit] = fault, math.inf
            try:
                await self._write_one(name, on=on)
            except FieldError as error:
                self._written.pop(name, None)
                self._kept.failed(name, said_by(error))
                faults.append(said_by(error))
                # No answer: do not wait a second time and delay the next scan, except for outputs that may be on.
                # Their off is sent all the same: a late answer does not mean that the request was lost.
                silent = not isinstance(error, RefusedError)
                gone |= silent
                if not on:
                    # For a silent unit the time counts from its last answer.
                    heard_s = device.port.heard_s.get(point.unit, math.inf) if silent else math.inf
                    refusing[point.unit] = said_by(error), heard_s
        if not on:
            # Only after every output was commanded: one may refuse and another obey.
            self._leave_alone(device, refusing)
        return faults

    def _leave_alone(self, device: Device, refusing: Mapping[int, tuple[str, float]]) -> None:
        """Leave units alone that have not done an off for a while; ``refusing`` says why, and since when if not now."""
        now_s = asyncio.get_running_loop().time()
        since = {unit: min(since_s, now_s) for unit, (_, since_s) in refusing.items()}
        device.stubborn_s = {unit: device.stubborn_s.get(unit, since_s) for unit, since_s in since.items()}
        for unit, since_s in device.stubborn_s.items():
            if now_s - since_s > _REFUSES_S:
                device.resting[unit] = Rest(now_s + self.leave_s, 0, refusing[unit][0], wholly=True)

    def _due(self, name: str, *, on: bool) -> bool:
        last = self._written.get(name)
        port = self._devices[self.points[name].link].port
        if last is None or last.on != on or last.connects != port.connects:
            return True
        return asyncio.get_running_loop().time() - last.at_s >= self.renew_s if on else self._reads_on(name)

    def _reads_on(self, name: str) -> bool:
        """Whether a coil written off reads on: a device that ignored the write or restarted is written again."""
        last, seen = self._written.get(name), self.values.get(name)
        if last is None or last.on or seen is None:
            return False
        return seen.at_s > last.at_s and bool(seen.raw)

    def _is_off(self, name: str) -> bool:
        """Whether an output commanded off is known to be off: acknowledged or read back."""
        if self._kept.asked(name) or self._kept.may_be_on(name):
            return False
        seen = self.values.get(name)
        return name in self._written or (
            seen is not None and seen.at_s > self._ended_s.get(name, math.inf) and not seen.raw
        )

    async def _write_one(self, name: str, *, on: bool) -> None:
        point, clock, turning = self.points[name], asyncio.get_running_loop().time, self.turning
        port = self._devices[point.link].port
        self._kept.asks(name, clock(), on=on)
        if turning is not None and name == DIRECTION:
            turning.asks(on=on)
        try:
            await port.switch(point.unit, point.table, point.address, on=on)
        except FieldError:
            if turning is not None and name == DIRECTION:
                turning.failed()
            raise
        finally:
            self._ended_s[name] = clock()
        self._kept.done(name)
        self._written[name] = Written(on, clock(), port.connects)
        if turning is not None:
            turning.done(name, clock(), port.connects, on=on)

    async def write_number(self, name: str, value: float) -> None:
        """Write a holding register point, the value in the point's own unit; :class:`FieldError` if it does not fit."""
        point = self.points[name]
        try:
            registers = encode(unscaled(value, point), point.type, point.order)
        except EncodeError as error:
            raise FieldError(_TOO_LARGE(name=name, error=said_by(error))) from error
        await self._devices[point.link].port.write_registers(point.unit, point.address, registers)

    def close(self) -> None:
        """Drop every connection."""
        for device in self._devices.values():
            device.close()
        for talker in self._talkers.values():
            talker.port.close()
