"""Modbus servers of other makes in front of the simulated plant: other languages, values over a side door."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import socket
import subprocess
import tty
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from sim.devices import Rig
from sim.modules import UnknownAddress, Where

HERE = Path(__file__).resolve().parent
NODE_MODULES = HERE.parents[1] / ".node" / "node_modules"


def libmodbus_device(folder: Path) -> Path:
    """The device in C on the library libmodbus, compiled; skips the test where it cannot be."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        pytest.skip("no C compiler is installed")
    built = folder / "device"
    source = HERE / "libmodbus_server.c"
    done = subprocess.run([compiler, str(source), "-o", str(built), "-lmodbus"], capture_output=True, check=False)
    if done.returncode:
        pytest.skip("libmodbus is not installed: apt-get install libmodbus-dev")
    return built


def why_no_node() -> str:
    """Why the server in Node cannot run here; empty when it can."""
    if shutil.which("node") is None:
        return "node is not installed"
    found = subprocess.run(
        ["node", "-e", "require('modbus-serial')"], env=_environment(), capture_output=True, check=False
    )
    return "" if found.returncode == 0 else "npm package missing: npm install --prefix .node modbus-serial@8.0.25"


def _environment() -> dict[str, str]:
    return {**os.environ, "NODE_PATH": str(NODE_MODULES)}


@asynccontextmanager
async def side_door(rig: Rig, endpoint: str) -> AsyncIterator[int]:
    """A port through which another process asks and sets the plant's registers, one JSON line each."""
    ended: list[asyncio.Task[None]] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        ended.append(task)
        while line := await reader.readline():
            writer.write(json.dumps(_answer(rig, endpoint, *json.loads(line))).encode() + b"\n")
        writer.close()
        await writer.wait_closed()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield int(server.sockets[0].getsockname()[1])
    finally:
        await asyncio.gather(*ended)
        server.close()
        await server.wait_closed()


def _answer(
    rig: Rig, endpoint: str, table: str, unit: int, address: int, count: int, values: list[int] | None
) -> list[int] | None:
    rig.ask(endpoint, unit)
    where = Where(endpoint, unit, table)  # type: ignore[arg-type]  # the other process names tables as we do
    try:
        if values is None:
            return rig.modules.read(where, address, count)
        rig.modules.write(where, address, values)
    except UnknownAddress:
        return None
    return values


@asynccontextmanager
async def null_modem(one: Path, other: Path) -> AsyncIterator[None]:
    """Two pseudo-terminals joined back to back: what goes into one comes out of the other."""
    ends = [os.openpty(), os.openpty()]
    loop = asyncio.get_running_loop()

    def carry(source: int, sink: int) -> None:
        os.write(sink, os.read(source, 4096))

    for path, (_, slave) in zip((one, other), ends, strict=True):
        tty.setraw(slave)
        path.symlink_to(os.ttyname(slave))
    for source, sink in ((ends[0][0], ends[1][0]), (ends[1][0], ends[0][0])):
        loop.add_reader(source, carry, source, sink)
    try:
        yield
    finally:
        for master, slave in ends:
            loop.remove_reader(master)
            os.close(master)
            os.close(slave)


@asynccontextmanager
async def node_server(plant_port: int, serial_port: Path | None = None) -> AsyncIterator[int]:
    """The server in Node on a serial port, or on a TCP port of its own, which it yields."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = int(free.getsockname()[1])
    process = await asyncio.create_subprocess_exec(
        "node", str(HERE / "modbus_serial_server.js"), str(plant_port), str(serial_port or port),
        env=_environment(), stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        assert await asyncio.wait_for(process.stdout.readline(), 20) == b"ready\n"
        yield port
    finally:
        process.kill()
        await process.wait()
