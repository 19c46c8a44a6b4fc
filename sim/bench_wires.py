"""Scan rate of the field relative to the wire and to a bare client in the same run. Ratios, not times.

TCP: a 40-point rig read by the field, against the bare library client reading the same blocks from the same server.
RTU: the demonstration rig on a bus with answers paced to the wire, against characters, silences and the server's
measured turnaround.
"""

from __future__ import annotations

import asyncio
import contextlib
import multiprocessing
import os
import select
import struct
import subprocess
import sys
import tempfile
import termios
import time
import tomllib
import tty
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from rig.field.blocks import Block, plan_blocks
from rig.field.field import Field
from rig.field.links import RtuLink
from rig.field.points import BIT_TABLES, Point, TcpLink
from rig.run.settings import Settings, settings_of
from rig.run.shipped import shipped
from sim.rtu import check_sum

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Iterator
    from multiprocessing.connection import Connection

_DEMO = shipped("demo.toml")
_READ_CODE = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
_SILENCE = 3.5
"""Characters of silence between frames (Modbus over serial line V1.02); above 19200 baud it is 1.75 ms instead."""
_FAST_SILENCE_S = 0.00175
_PATIENCE_S = 20.0
_BETWEEN_S = 0.004
"""Silence on the bus between the two clients."""


@dataclass(frozen=True, slots=True)
class Ratio:
    """One figure: the measured value relative to its reference."""

    name: str
    value: float
    aim: str
    detail: str


@dataclass(frozen=True, slots=True)
class Medians:
    """Median seconds of one scan, and of one answer beyond its characters."""

    scan_s: float
    turnaround_s: float


def forty_points() -> dict[str, Point]:
    """A rig of 40 points: 8 coils, 8 contacts, 12 inputs of every type, 12 holding registers with gaps."""
    orders = ("ABCD", "CDAB", "BADC", "DCBA")
    maps: dict[str, dict[str, object]] = {}
    for at in range(8):
        maps[f"coil{at}"] = {"table": "coil", "address": at}
        maps[f"contact{at}"] = {"table": "discrete", "address": at}
    for at, kind in enumerate(["u16", "i16", "u32", "i32", "f32", "f32"] * 2):
        order = orders[at % 4]
        maps[f"input{at}"] = {"table": "input", "address": 3 * at, "type": kind, "order": order, "scale": 0.1}
        maps[f"holding{at}"] = {"table": "holding", "address": 2 * at, "type": "u16", "scale": 0.01}
    return {name: Point.model_validate({"link": "io", **each}) for name, each in maps.items()}


def _serve_tcp(pipe: Connection) -> None:
    async def serve() -> None:
        bits = [SimData(0, count=100, values=False, datatype=DataType.BITS)]
        words = [SimData(0, count=100, values=7, datatype=DataType.REGISTERS)]
        server = ModbusTcpServer(SimDevice(1, simdata=(bits, bits, words, words)), address=("127.0.0.1", 0))
        await server.serve_forever(background=True)
        assert isinstance(server.transport, asyncio.Server)
        pipe.send(server.transport.sockets[0].getsockname()[1])
        await asyncio.get_running_loop().run_in_executor(None, pipe.recv)
        await server.shutdown()  # type: ignore[no-untyped-call]

    asyncio.run(serve())


@contextlib.contextmanager
def _tcp_server() -> Iterator[int]:
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_serve_tcp, args=(theirs,), daemon=True)
    process.start()
    try:
        yield ours.recv()
    finally:
        ours.send(None)
        process.join(5)
        process.kill()


async def _bare_scan(client: AsyncModbusTcpClient, blocks: tuple[Block, ...]) -> None:
    reads = {
        "coil": client.read_coils, "discrete": client.read_discrete_inputs,
        "holding": client.read_holding_registers, "input": client.read_input_registers,
    }  # fmt: skip
    for block in blocks:
        answer = await reads[block.table](block.address, count=block.count, device_id=block.unit)
        assert not answer.isError()


async def _tcp_ratio(port: int, rounds: int) -> tuple[float, int]:
    link = TcpLink.model_validate({"kind": "tcp", "port": port})
    points = forty_points()
    blocks = plan_blocks(points, link.max_gap)
    client = AsyncModbusTcpClient("127.0.0.1", port=port)
    await client.connect()
    field = Field({"io": link}, points)
    ratios = []
    for _ in range(rounds):
        # Alternate in short turns, so that a busy moment of this machine affects both.
        bare_s = await _timed(lambda: _bare_scan(client, blocks))
        field_s = await _timed(field.scan)
        ratios.append(bare_s / field_s)
    assert not field.errors
    field.close()
    client.close()
    return median(ratios), len(blocks)


async def _timed(work: Callable[[], Awaitable[None]], times: int = 20) -> float:
    started = time.perf_counter()
    for _ in range(times):
        await work()
    return time.perf_counter() - started


def tcp(rounds: int = 100) -> Ratio:
    """Scan rate of a 40-point rig, relative to a bare client reading the same blocks."""
    with _tcp_server() as port:
        ratio, requests = asyncio.run(_tcp_ratio(port, rounds))
    return Ratio("TCP scan, 40 points, over a bare client", ratio, ">= 0.8", f"{requests} requests a scan")


@contextlib.contextmanager
def _paced_rig(baud: int) -> Iterator[Settings]:
    document = tomllib.loads(_DEMO.read_text(encoding="utf-8"))
    with tempfile.TemporaryDirectory() as folder:
        port, config = Path(folder) / "bus", Path(folder) / "rig.toml"
        old = document["links"]["io"]
        link = {"kind": "rtu", "port": str(port), "baud": baud, "timeout": "0.5 s"}
        document["links"]["io"] = link
        text = _DEMO.read_text(encoding="utf-8")
        start = text.index("[links.io]")
        end = text.index("\n[", start + 1)
        lines = "\n".join(f"{key} = {value!r}" for key, value in link.items()).replace("'", '"')
        config.write_text(f"{text[:start]}[links.io]\n{lines}\n{text[end:]}", encoding="utf-8")
        assert old["kind"] == "tcp"
        command = [sys.executable, "-m", "sim", "serve", "--config", str(config), "--paced", "--speed", "1"]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        try:
            assert process.stdout is not None
            process.stdout.readline()
            yield settings_of(document, "bench")
        finally:
            process.terminate()
            process.wait(_PATIENCE_S)


def _request(block: Block) -> bytes:
    frame = struct.pack(">BBHH", block.unit, _READ_CODE[block.table], block.address, block.count)
    return frame + check_sum(frame)


def _reply_length(block: Block) -> int:
    return 5 + ((block.count + 7) // 8 if block.table in BIT_TABLES else 2 * block.count)


def _characters_s(block: Block, character_s: float) -> float:
    return (len(_request(block)) + _reply_length(block)) * character_s


class _BareBus:
    """A client that only writes and reads bytes."""

    def __init__(self, port: str) -> None:
        self._fd = os.open(port, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self._fd)
        termios.tcflush(self._fd, termios.TCIOFLUSH)

    def ask_s(self, block: Block) -> float:
        """Seconds from the first byte of the request to the last of the answer."""
        started = time.perf_counter()
        os.write(self._fd, _request(block))
        left = _reply_length(block)
        while left:
            assert select.select([self._fd], [], [], _PATIENCE_S)[0], "the simulated bus does not answer"
            left -= len(os.read(self._fd, left))
        return time.perf_counter() - started

    def close(self) -> None:
        """Close the bus."""
        os.close(self._fd)


async def _rtu_medians_s(settings: Settings, link: RtuLink, blocks: tuple[Block, ...], rounds: int) -> Medians:
    """Alternate on one bus, so that a busy moment of this machine affects both."""
    field, bare = Field(settings.links, settings.points), _BareBus(link.port)
    await field.scan()
    scans, turnarounds = [], []
    for turn in range(rounds):
        started = time.perf_counter()
        await field.scan()
        scans.append(time.perf_counter() - started)
        assert not field.errors, field.errors
        await asyncio.sleep(_BETWEEN_S)
        block = blocks[turn % len(blocks)]
        turnarounds.append(bare.ask_s(block) - _characters_s(block, link.character_s))
        await asyncio.sleep(_BETWEEN_S)
    bare.close()
    field.close()
    return Medians(median(scans), median(turnarounds))


def rtu(baud: int, rounds: int = 120) -> Ratio:
    """Median scan of the demonstration rig on a bus, relative to the time of characters, silences and turnaround."""
    with _paced_rig(baud) as settings:
        link = settings.links["io"]
        assert isinstance(link, RtuLink)
        blocks = plan_blocks(settings.points, link.max_gap)
        found = asyncio.run(_rtu_medians_s(settings, link, blocks, rounds))
    silence_s = _SILENCE * link.character_s if baud <= 19200 else _FAST_SILENCE_S
    between_s = found.turnaround_s + silence_s
    least_s = sum(_characters_s(block, link.character_s) + between_s for block in blocks)
    detail = (
        f"{1000 * found.scan_s:.1f} ms a scan, {len(blocks)} requests, turnaround {1000 * found.turnaround_s:.1f} ms"
    )
    return Ratio(f"RTU scan at {baud} baud over the wire's least", found.scan_s / least_s, "<= 1.15", detail)
