"""The wires during a commissioning: single reads, films of many places, outputs that are renewed while they are on.

Reads use functions 1 to 4. Writes are refused until a person has stated that the pump is isolated.
"""

from __future__ import annotations

import asyncio
import os
import termios
from collections import deque
from collections.abc import Collection, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from itertools import groupby

import serial

from rig.commission.acts import Seen
from rig.commission.wires import BusLink, Film, Place, Shot, View, Wires, blocks_of, places_of
from rig.field.blocks import Block
from rig.field.codec import EncodeError, encode
from rig.field.links import RtuLink
from rig.field.modbus import FieldError, ModbusPort, RefusedError, SilentError
from rig.ledger.lock import LockedError
from rig.run.alone import on_wire

_EVERY_S = 0.04
"""Time between two sweeps, by the rig's own clock."""
_LEAST_S = 0.005
_MOST_SHOTS = 3000
"""Sweeps of a film that are kept while a person takes their time: the latest."""
_LAST_SHOTS = 2
"""Sweeps after the person's answer."""
_RENEW_S = 0.4
_LONGEST_ON_S = 30.0
"""Longest time that an output stays on while a person is asked."""
_NO_TARGET = (10, 11)
"""Exceptions of a gateway without a path to a unit, or without its answer (Modbus Application Protocol V1.1b3, 7)."""
_TRIES = 4


class NotIsolatedError(AssertionError):
    """A dialogue wanted to switch before the person's word: a defect."""


class _SettingsRefused(OSError):
    """A serial port does not take its speed or parity."""


def _try_settings(link: BusLink) -> None:
    """Open a serial port with its settings and close it again; _SettingsRefused.

    pyserial leaves the file open and locked where the driver refuses a setting: then nothing could open it any more.
    """
    if not isinstance(link, RtuLink):
        return
    port = serial.Serial(baudrate=link.baud, parity=link.parity, stopbits=link.stop_bits, timeout=0)
    port.port = link.port
    try:
        port.open()
    except termios.error as error:
        os.close(port.fd)
        raise _SettingsRefused(f"{link.port} does not take {link.baud} baud, parity {link.parity} ({error})") from error
    except (OSError, ValueError) as error:
        raise _SettingsRefused(str(error)) from error
    port.close()


@dataclass(slots=True)
class _Output:
    """An output that was written in this session."""

    on: bool = False
    may_be_on: bool = False
    owed: bool = False
    """An off that the device has not taken yet."""
    renewed_s: float = 0.0
    since_s: float = 0.0


@dataclass(slots=True)
class Bench:
    """All links of a session; ``scale`` is the speed of a simulated rig's clock."""

    scale: float = 1.0
    isolated: bool = False
    """A person has stated in this session that the pump is isolated."""
    _ports: dict[BusLink, ModbusPort] = field(default_factory=dict)
    _locks: dict[BusLink, ExitStack] = field(default_factory=dict)
    _outputs: dict[Place, _Output] = field(default_factory=dict)
    _links: Mapping[str, BusLink] = field(default_factory=dict)
    _all: tuple[Place, ...] = ()

    def know(self, wires: Wires) -> None:
        """Take in the links and places that were found."""
        self._links = {name: wire.link for name, wire in wires.items()}
        self._all = tuple(places_of(wires))

    def close(self) -> None:
        """Drop every connection and lock."""
        for link in [*self._locks]:
            self._drop(link)

    def _drop(self, link: BusLink) -> None:
        port = self._ports.pop(link, None)
        if port is not None:
            port.close()
        self._locks.pop(link).close()

    def _port(self, link: BusLink) -> ModbusPort:
        """The wire to a link; LockedError while another program works there."""
        if link not in self._locks:
            stack = ExitStack()
            stack.enter_context(on_wire(link))
            self._locks[link] = stack
        if link not in self._ports:
            _try_settings(link)
            self._ports[link] = ModbusPort(next((n for n, each in self._links.items() if each == link), "wire"), link)
        return self._ports[link]

    # --- reading ------------------------------------------------------------------------------------------------------

    async def peek(self, link: BusLink, block: Block) -> Seen:
        """One read. After a silent one the next begins anew: a late answer names its unit and length."""
        clock = asyncio.get_running_loop().time
        began_s = clock()

        def seen(kind: str, **more: object) -> Seen:
            return Seen(kind, took_s=clock() - began_s, **more)  # type: ignore[arg-type]

        try:
            values = await self._port(link).read(block)
        except RefusedError as error:
            code = error.code or 0
            return seen("absent" if code in _NO_TARGET else "refused", code=code)
        except SilentError:
            self._drop(link)
            return seen("silent")
        except (FieldError, LockedError, _SettingsRefused) as error:
            if link in self._locks:
                self._drop(link)
            return seen("closed", why=str(error))
        return seen("values", values=tuple(values))

    async def shot(self, places: Collection[Place] | None) -> Shot:
        """One sweep: what can be read of the places now, all links at once. Outputs that are on are renewed."""
        await self._renew()
        words: dict[Place, int] = {}
        asked = blocks_of(self._all if places is None else places)
        links = [[*group] for _, group in groupby(asked, key=lambda each: each[0])]
        await asyncio.gather(*(self._sweep(group, words) for group in links))
        return Shot(asyncio.get_running_loop().time() * self.scale, words)

    async def _sweep(self, asked: list[tuple[str, Block]], words: dict[Place, int]) -> None:
        silent = set[int]()
        for name, block in asked:
            if block.unit in silent:
                continue
            try:
                values = await self._port(self._links[name]).read(block)
            except RefusedError:
                continue
            except (FieldError, _SettingsRefused):
                silent.add(block.unit)
                continue
            first = Place(name, block.unit, block.table, block.address)
            words.update({first.next(step): value for step, value in enumerate(values)})

    async def look(self, seconds: float, places: Collection[Place] | None) -> Film:
        """A film of a time, at least two sweeps."""
        clock, film = asyncio.get_running_loop().time, list[Shot]()
        end_s = clock() + seconds / self.scale
        while clock() < end_s or len(film) < _LAST_SHOTS:
            film.append(await self.shot(places))
            await self._pause()
        return film

    async def watch(self, answer: asyncio.Future[str], places: Collection[Place] | None) -> Film:
        """A film until an answer, and two sweeps more."""
        film = deque[Shot](maxlen=_MOST_SHOTS)
        while not answer.done():
            film.append(await self.shot(places))
            await self._pause()
        film.extend([await self.shot(places) for _ in range(_LAST_SHOTS)])
        return [*film]

    async def _pause(self) -> None:
        await asyncio.sleep(max(_EVERY_S / self.scale, _LEAST_S))

    # --- writing ------------------------------------------------------------------------------------------------------

    async def switch(self, place: Place, *, on: bool) -> str:
        """Write one output; returns the fault, empty if the device took it."""
        if not self.isolated:
            raise NotIsolatedError(f"{place}: the pump was not stated to be isolated")
        output, now_s = self._outputs.setdefault(place, _Output()), asyncio.get_running_loop().time()
        output.since_s = output.since_s if output.on and on else now_s
        output.on, output.renewed_s = on, now_s
        output.may_be_on |= on
        try:
            await self._port(self._links[place.link]).switch(place.unit, place.table, place.address, on=on)
        except (FieldError, LockedError, _SettingsRefused) as error:
            # Nothing goes on again by itself once a device has not taken it.
            output.on = False
            return str(error)
        output.may_be_on, output.owed = on, False
        return ""

    async def _renew(self) -> None:
        """Write again what is on, and an off that was not taken; what was on for too long goes off."""
        now_s = asyncio.get_running_loop().time()
        for place, output in self._outputs.items():
            if output.owed or (output.on and now_s - output.since_s > _LONGEST_ON_S):
                await self.switch(place, on=False)
            elif output.on and now_s - output.renewed_s > _RENEW_S / self.scale:
                await self.switch(place, on=True)

    async def all_off(self) -> str:
        """Write everything off that was ever written on, whether it shows so or not; returns the first fault."""
        for output in self._outputs.values():
            output.on, output.owed = False, output.may_be_on
        faults = list[str]()
        for attempt in range(_TRIES):
            faults = [fault for place in self._outputs if (fault := await self._off(place, again=attempt > 0))]
            if not faults:
                return ""
            await asyncio.sleep(_RENEW_S / 4)
        return faults[0]

    async def _off(self, place: Place, *, again: bool) -> str:
        """Write an output off; a second time only where the first was not taken."""
        return "" if again and not self._outputs[place].may_be_on else await self.switch(place, on=False)

    async def put(self, view: View, raw: float) -> str:
        """Write a number to holding registers; returns the fault."""
        if not self.isolated:
            raise NotIsolatedError(f"{view}: the pump was not stated to be isolated")
        place = view.place
        try:
            words = encode(raw, view.type, view.order)
            await self._port(self._links[place.link]).write_registers(place.unit, place.address, words)
        except (EncodeError, FieldError, _SettingsRefused) as error:
            return str(error)
        return ""

    async def silence(self, seconds: float) -> None:
        """Send nothing to any device; what was on is not renewed afterwards."""
        for output in self._outputs.values():
            output.on = False
        await asyncio.sleep(seconds / self.scale)
