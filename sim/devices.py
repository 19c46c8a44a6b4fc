"""The simulated rig on real transports: Modbus TCP, RS-485 buses, text lines. Wall time outside, plant time inside.

One server for each endpoint, bus or port of the configuration, one device for each unit number on it. Every request
first advances the plant, so that a reading is never older than its request.
"""

from __future__ import annotations

import asyncio
import logging
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Final, TypeAlias

from pymodbus.constants import ExcCodes
from pymodbus.exceptions import NoSuchIdException
from pymodbus.framer import FramerType
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from rig.field.links import LineLink, RtuLink
from rig.field.points import TcpLink
from sim.assembly import plant_params, size_of
from sim.faults import Event, Schedule
from sim.lines import LineServer, line_of
from sim.modules import Modules, UnknownAddress, Where
from sim.pace import Pace
from sim.plant.whole import Plant
from sim.ports import PortError
from sim.rtu import Bus, RtuServer
from sim.truth import Truth, write_truth

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from rig.field.points import Table
    from rig.run.settings import Settings

Values: TypeAlias = "list[int] | list[bool] | None"
"""Values of a write; None for a read."""
_TICK_S = 0.01
_TRUTH_PLANT_S = 1.0
_TRUTH_WALL_S = 0.1
_TABLES: Final[dict[int, Table]] = {
    1: "coil", 5: "coil", 15: "coil", 2: "discrete", 3: "holding", 6: "holding", 16: "holding", 4: "input",
}  # fmt: skip
_BIT_TABLES = ("coil", "discrete")
_ADDRESSES = 65536
"""Of each table, by the Modbus protocol."""


class ServeError(OSError):
    """A port on which listening fails; the message says which and what to do."""


@dataclass(frozen=True, slots=True)
class Endpoint:
    """One TCP server: its internal name (``host:port`` of the configuration) and its listening address."""

    name: str
    host: str
    port: int
    timeout_s: float
    gap: int
    framer: FramerType = FramerType.SOCKET


class Rig:
    """A running simulated rig; made by :func:`serve`."""

    def __init__(
        self, modules: Modules, speed: float, truth: Truth, truth_file: Path | None, *, free: bool = False
    ) -> None:
        self.modules = modules
        self.ports: list[tuple[str, int]] = []
        """Listening host and port of each server, in the order of the configuration's links."""
        self._truth, self._truth_file = truth, truth_file
        self._clock = asyncio.get_running_loop().time
        self._pace = Pace(speed, self._clock(), free=free)
        self._servers: list[ModbusTcpServer] = []
        self.wires: dict[str, RtuServer | LineServer] = {}
        """Servers on serial ports by link; each can be closed and reopened, like a pulled plug."""
        self._task: asyncio.Task[None] | None = None
        self._failure: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._written_plant_s = self._written_wall_s = -1e9

    # --- life -------------------------------------------------------------------------------------------------------

    @property
    def places(self) -> list[str]:
        """Addresses and ports of all servers, as text."""
        return [*(f"{host}:{port}" for host, port in self.ports), *(wire.port.path for wire in self.wires.values())]

    def hang(self, settings: Settings, *, paced: bool) -> None:
        """Create the servers of serial links, not yet open."""
        for name, link in settings.links.items():
            if isinstance(link, RtuLink):
                units = frozenset(where.unit for where in self.modules.spans if where.endpoint == link.port)
                self.wires[name] = RtuServer(Bus(link.port, link, units), self.modules, self.ask, self.fail, paced)
            elif isinstance(link, LineLink):
                self.wires[name] = LineServer(link, partial(self._line, link), self._pace.speed)

    def _line(self, link: LineLink) -> str | None:
        self.modules.advance_to(self._pace.advance(self._clock()))
        return None if self.modules.plant.upsets.bus_silent else line_of(link, self.modules.shown)

    async def open(self, endpoints: Iterable[Endpoint]) -> None:
        """Listen on every endpoint and port, then run the plant; :class:`ServeError` if one is not available."""
        try:
            for endpoint in endpoints:
                self.ports.append((endpoint.host, await self._listen(endpoint)))
            for wire in self.wires.values():
                _open(wire)
        except ServeError:
            await self.close()
            raise
        self._task = asyncio.create_task(self._run())

    async def _listen(self, endpoint: Endpoint) -> int:
        devices = [
            _device(self, endpoint, unit)
            for unit in sorted({where.unit for where in self.modules.spans if where.endpoint == endpoint.name})
        ]
        if all(device.id != 0 for device in devices):
            devices.append(_stranger())
        server = ModbusTcpServer(
            devices, framer=endpoint.framer, address=(endpoint.host, endpoint.port), ignore_missing_devices=True
        )
        try:
            await server.serve_forever(background=True)
        except RuntimeError as error:
            raise ServeError(
                f"cannot listen on {endpoint.host}:{endpoint.port}: in use or not allowed; "
                "stop what holds it, or choose another with --port"
            ) from error
        self._servers.append(server)
        return _bound_port(server)

    async def close(self) -> None:
        """Stop, and write the truth file a last time."""
        if self._task is not None:
            self._task.cancel()
            # run_until raised the error that ended the task, if any; closing goes on in any case.
            await asyncio.gather(self._task, return_exceptions=True)
        self._failure.cancel()
        for wire in self.wires.values():
            wire.close()
        for server in self._servers:
            await server.shutdown()  # type: ignore[no-untyped-call]  # the library leaves it unannotated
        if self._truth_file is not None:
            write_truth(self._truth_file, self.document())

    async def _run(self) -> None:
        due = self._clock()
        while True:
            self.modules.advance_to(self._pace.advance(self._clock()))
            self._write_truth()
            due = max(due + _TICK_S, self._clock())
            await asyncio.sleep(due - self._clock())

    def _write_truth(self) -> None:
        plant_s, wall_s = self.modules.plant.time_s, self._clock()
        if self._truth_file is None or plant_s - self._written_plant_s < _TRUTH_PLANT_S:
            return
        if wall_s - self._written_wall_s >= _TRUTH_WALL_S:
            self._written_plant_s, self._written_wall_s = plant_s, wall_s
            write_truth(self._truth_file, self.document())

    async def run_until(self, stop: asyncio.Event) -> None:
        """Wait for ``stop`` or a failure inside the rig, which is raised."""
        assert self._task is not None
        stopping = asyncio.create_task(stop.wait())
        parts: list[asyncio.Future[None]] = [self._task, self._failure]
        waited: list[asyncio.Future[Any]] = [stopping, *parts]
        await asyncio.wait(waited, return_when=asyncio.FIRST_COMPLETED)
        stopping.cancel()
        for part in parts:
            if part.done():
                part.result()

    def fail(self, error: Exception) -> None:
        """Keep an error from a request, to be raised; the library would only turn it into an exception reply."""
        if not self._failure.done():
            self._failure.set_exception(error)

    def document(self) -> dict[str, object]:
        """The present truth document; the keys are those of :mod:`sim.truth`."""
        modules = self.modules
        return {
            **self._truth.document(),
            "requests": modules.requests,
            "output_timeouts": modules.output_timeouts,
            "faults": modules.schedule.document(modules.plant.time_s),
        }

    # --- requests ---------------------------------------------------------------------------------------------------

    def ask(self, endpoint: str, unit: int) -> bool:
        """Advance the plant for a request; False if a dead bus kept it from arriving."""
        self.modules.advance_to(self._pace.asked(self._clock()))
        if self.modules.plant.upsets.bus_silent:
            return False
        self.modules.asked(endpoint, unit)
        return True


class _Answer:
    """Answers the requests for one unit of one endpoint."""

    def __init__(self, rig: Rig, endpoint: Endpoint, unit: int) -> None:
        self._rig, self._endpoint, self._unit = rig, endpoint, unit
        self._latest = 0

    async def __call__(
        self, function: int, start: int, address: int, count: int, registers: list[int], values: Values
    ) -> ExcCodes | None:
        """Serve one access from pymodbus; ``registers`` begins at ``start`` and is edited in place."""
        if function not in _TABLES:
            return ExcCodes.ILLEGAL_FUNCTION
        if function in (5, 6) and values is None:
            # pymodbus reads back the stored value for the echo of a single write.
            return None
        if not self._rig.ask(self._endpoint.name, self._unit):
            raise NoSuchIdException
        upsets = self._rig.modules.plant.upsets
        if upsets.bus_late and not await self._wait(upsets.bus_late * self._endpoint.timeout_s):
            raise NoSuchIdException
        if upsets.bus_exception:
            return ExcCodes.DEVICE_FAILURE
        where = Where(self._endpoint.name, self._unit, _TABLES[function])
        try:
            if values is not None:
                if not upsets.write_ignored:
                    self._rig.modules.write(where, address, [int(value) for value in values])
            elif where.table in _BIT_TABLES:
                self._read_bits(where, address, count, registers, start)
            else:
                registers[address - start : address - start + count] = self._rig.modules.read(where, address, count)
        except UnknownAddress:
            return ExcCodes.ILLEGAL_ADDRESS
        return None

    async def _wait(self, delay_s: float) -> bool:
        """Delay an answer; False if a newer request came meanwhile, which a real device would answer instead."""
        self._latest += 1
        mine = self._latest
        await asyncio.sleep(delay_s)
        return mine == self._latest

    def _read_bits(self, where: Where, address: int, groups: int, registers: list[int], start: int) -> None:
        # pymodbus gives the first bit, but the length only in groups of sixteen: bits beyond the run read 0.
        span = next((span for span in self._rig.modules.spans.get(where, ()) if address in span), None)
        if span is None:
            raise UnknownAddress(f"{where}: {address}")
        first = address // 16
        stop = min(span.stop, (first + groups) * 16)
        bits = self._rig.modules.read(where, address, stop - address)
        for group in range(groups):
            base = (first + group) * 16 - address
            word = sum(bits[base + bit] << bit for bit in range(16) if 0 <= base + bit < len(bits))
            registers[first + group - start] = word


def _device(rig: Rig, endpoint: Endpoint, unit: int) -> SimDevice:
    answer = _Answer(rig, endpoint, unit)

    async def action(
        function: int, start: int, address: int, count: int, registers: list[int], values: Values
    ) -> ExcCodes | None:
        try:
            return await answer(function, start, address, count, registers, values)
        except NoSuchIdException:
            raise
        except Exception as error:
            rig.fail(error)
            raise

    # Each table spans every address, so that the answer sees every request and decides which addresses exist.
    bits, words = SimData(0, values=[False] * _ADDRESSES, datatype=DataType.BITS), _words()
    return SimDevice(unit, simdata=([bits], [bits], [words], [words]), action=action)


def _words() -> SimData:
    # By count: a list of values is checked and packed value by value, which takes half a second.
    return SimData(0, count=_ADDRESSES, values=0, datatype=DataType.REGISTERS)


def _stranger() -> SimDevice:
    """Answer for every unit number without a device: a gateway reports no response."""

    async def action(*_request: object) -> ExcCodes | None:
        return ExcCodes.GATEWAY_NO_RESPONSE

    return SimDevice(0, simdata=[_words()], action=action)


def _open(wire: RtuServer | LineServer) -> None:
    try:
        wire.open()
    except PortError as error:
        raise ServeError(str(error)) from error


def _bound_port(server: ModbusTcpServer) -> int:
    listener = server.transport
    assert isinstance(listener, asyncio.Server)
    return int(listener.sockets[0].getsockname()[1])


def endpoints_of(settings: Settings, port: int | None = None) -> list[Endpoint]:
    """The servers for a configuration; ``port`` replaces the first one's port, the others follow after it.

    Port 0 lets the system choose. Links with the same host and port share a server, like units behind one gateway.
    """
    found: dict[str, Endpoint] = {}
    for link in settings.links.values():
        if isinstance(link, TcpLink) and (name := f"{link.host}:{link.port}") not in found:
            here = link.port if port is None else port + len(found) if port else 0
            framer = FramerType.RTU if link.framer == "rtu" else FramerType.SOCKET
            found[name] = Endpoint(name, link.host, here, link.timeout, link.max_gap, framer)
    return list(found.values())


async def serve(
    settings: Settings,
    *,
    speed: float | None = None,
    port: int | None = None,
    size: str | None = None,
    faults: Iterable[Event] = (),
    truth_file: Path | None = None,
    ready: Callable[[list[str]], None] | None = None,
    paced: bool = False,
    open_vessel: bool = False,
    free: bool = False,
) -> Rig:
    """Start a simulated rig and return it running; the caller closes it.

    ``paced`` delays the answers on a bus by their transmission time. ``open_vessel`` puts the hose's end in an open
    vessel instead of on the tyre. ``free``: a fast plant does not wait for a busy controller. ``speed`` is plant
    seconds per wall second (default: the configured clock scale).
    Raises :class:`sim.assembly.AssemblyError` for a configuration without a plant, :class:`ServeError` for a port.
    """
    _quiet_library()
    plant = Plant(plant_params(settings, size))
    endpoints = endpoints_of(settings, port)
    modules = Modules(plant, settings.points, *_ends(settings), Schedule(faults), open_vessel=open_vessel)
    truth = Truth(plant, size_of(settings, size))
    rig = Rig(modules, settings.clock.scale if speed is None else speed, truth, truth_file, free=free)
    if truth_file is not None:
        write_truth(truth_file, rig.document())
    rig.hang(settings, paced=paced)
    await rig.open(endpoints)
    if ready is not None:
        ready(rig.places)
    return rig


def _ends(settings: Settings) -> tuple[dict[str, str], dict[str, int]]:
    """The endpoint of each link with registers, and the longest gap that each endpoint bridges."""
    names: dict[str, str] = {}
    gaps: dict[str, int] = {}
    for link_name, link in settings.buses.items():
        names[link_name] = link.port if isinstance(link, RtuLink) else f"{link.host}:{link.port}"
        gaps.setdefault(names[link_name], link.max_gap)
    return names, gaps


def _quiet_library() -> None:
    # The library logs refused requests and busy ports itself; here they become replies and one clear line.
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)
