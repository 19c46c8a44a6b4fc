"""A relay board with a pump behind it, in a few lines of other hands than the simulator's: Modbus TCP or RTU by hand.

Physics by the textbook: a pump of constant flow, a sealed air space (Boyle), an orifice (Bernoulli) between gauge and
tyre, a vent that lets the pressure fall exponentially. It can refuse every write, fall silent, lose its bus, weld a
contact, and has a watchdog that counts requests, or none. Frames as in the Modbus application protocol V1.1b3, the
messaging guide for TCP/IP V1.0b and the serial line guide V1.02.
"""

from __future__ import annotations

import asyncio
import math
import os
import time
import tty
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

PSI = 6.894757
_AIR_KPA = 101.325
_BORE_M, _CD, _WATER = 0.008, 0.7, 999.0
_VENT_S = 4.0
Mode = Literal["sound", "refuses", "silent", "lost", "welded forward", "welded reverse", "welded vent"]

CONFIG = """
[rig]
name = "Plain board"
simulated = true
[clock]
scale = {speed:g}
[links.io]
{link}
[points]
{pump}
vent_valve   = {{ link = "io", table = "coil", address = 2 }}
fill_valve   = {{ link = "io", table = "coil", address = 3 }}
beacon       = {{ link = "io", table = "coil", address = 4 }}
meter_count   = {{ link = "io", table = "input", address = 0, type = "u32" }}
line_pressure = {{ link = "io", table = "input", address = 2, type = "i16", scale = 0.01, quantity = "psi" }}
{points}
[meter]
k_factor = "100 pulse/L"
proven_on = 2026-11-02
uncertainty = 0.2
least_quantity = "2 L"
{meter}
[pipe]
hose_volume = "3.9 L"
suction_volume = "1.5 L"
hose_length = "10 ft"
hose_bore = "2 in"
[pump]
flow = "25 L/min"
relief = "30 psi"
[air_out]
method = "vent"
[limits]
late = "2 s"
{limits}
[tote]
content = "900 L"
fluid = "water"
"""
EACH_WAY = """pump_run     = { link = "io", table = "coil", address = 0 }
pump_reverse = { link = "io", table = "coil", address = 1 }"""
RUN_AND_DIRECTION = EACH_WAY.replace("pump_run", "motor_run").replace("pump_reverse", "motor_direction")
HEARTBEAT = 'heartbeat = { link = "io", table = "coil", address = 5 }'
REGISTER = 'output_timeout = { link = "io", table = "holding", address = 0, type = "u16", scale = 0.1, quantity = "s" }'
PROVEN = "timeout_proven_on = 2026-11-02"


@dataclass
class Board:
    """The board and its plant. Litres, kPa gauge, seconds of the plant's own time."""

    cavity_l: float = 60.0
    speed: float = 1.0
    mode: Mode = "sound"
    breaks_at_l: float = math.inf
    """From so much in the tyre on it is in the mode ``breaks_to``."""
    breaks_to: Mode = "refuses"
    watchdog: bool = False
    timers: bool = False
    """Two off-delay timers hang on the changeover contact of coil 5; both together hold the pump's supply."""
    directed: bool = False
    """Coil 0 runs the pump and coil 1 turns its direction, instead of one coil each way."""
    turned_while_running: int = 0
    supply_cut: bool = False
    gun_shut: bool = False
    """A person has shut the gun: the tyre is alone."""
    coils: list[bool] = field(default_factory=lambda: [False] * 8)
    timeout_s: float = 0.0
    litres: float = 0.0
    counted: float = 0.0
    """Forward: the meter is blind backwards."""
    lowest_kpa: float = math.inf
    highest_kpa: float = -math.inf
    """Of the tyre since the break."""
    air_kpa_l: float = 0.0
    reversed_off: bool = False
    """The pump was reversed behind a valve that was shut: the hose has no pressure, and nothing came back."""
    broke_s: float | None = None
    still_s: float | None = None
    """Since when, after the break, nothing has moved: the pump stands and the vent is shut, or the gun is."""
    _asked_s: float = 0.0
    _beat_s: float = -math.inf
    _now_s: float = 0.0
    _wall_s: float = field(default_factory=time.monotonic)

    def __post_init__(self) -> None:
        self.air_kpa_l = (_AIR_KPA + 5 * PSI) * self.cavity_l

    @property
    def answers_s(self) -> float:
        """The link's time-out: as long on the plant's clock, whatever its speed."""
        return 0.3 / self.speed

    @property
    def tyre_kpa(self) -> float:
        return self.air_kpa_l / (self.cavity_l - self.litres) - _AIR_KPA

    @property
    def now_s(self) -> float:
        """Seconds of the plant's own time."""
        return self._now_s

    @property
    def way(self) -> int:
        """The way that the pump turns: 1 forward, -1 in reverse out of an open valve, 0 for neither."""
        supplied = not self.timers or self._now_s - self._beat_s < 2.5
        if not supplied or self.supply_cut:
            return 0
        if (self.coils[0] and not (self.directed and self.coils[1])) or self.mode == "welded forward":
            return 1
        return -1 if self.mode == "welded reverse" else 0

    @property
    def pumping(self) -> bool:
        return self.way > 0

    @property
    def venting(self) -> bool:
        return self.coils[2] or self.mode == "welded vent"

    def step(self) -> None:
        """Bring the plant up to now."""
        wall_s = time.monotonic()
        left_s, self._wall_s = (wall_s - self._wall_s) * self.speed, wall_s
        if self.speed > 1:
            # As the controller's clock does, and the simulated rig: a stall of a busy computer is not physics.
            left_s = min(left_s, 0.5)
        while left_s > 0:
            dt_s = min(left_s, 0.05)
            left_s -= dt_s
            self._now_s += dt_s
            if self.watchdog and self.timeout_s and self._now_s - self._asked_s > self.timeout_s * self.speed:
                self.coils = [False] * 8
            self.reversed_off |= self.coils[1] and (self.coils[0] or not self.directed)
            if not self.gun_shut:
                self._move(dt_s)
            self._note()

    def _move(self, dt_s: float) -> None:
        passed_l = 25 / 60 * dt_s
        if self.way > 0 and self.tyre_kpa < 30 * PSI:
            self.litres += passed_l
            self.counted += passed_l
        elif self.way < 0 and self.litres > passed_l:
            self.litres -= passed_l
        if self.venting:
            lowest = _AIR_KPA * (self.cavity_l - self.litres)
            self.air_kpa_l += (lowest - self.air_kpa_l) * (1 - math.exp(-dt_s / _VENT_S))

    def _note(self) -> None:
        if self.broke_s is None and self.litres >= self.breaks_at_l:
            self.broke_s, self.mode = self._now_s, self.breaks_to
        if self.broke_s is None:
            return
        self.lowest_kpa, self.highest_kpa = min(self.lowest_kpa, self.tyre_kpa), max(self.highest_kpa, self.tyre_kpa)
        still = self.gun_shut or (self.way == 0 and not self.venting)
        self.still_s = (self._now_s if self.still_s is None else self.still_s) if still else None

    def gauge_kpa(self) -> float:
        if self.reversed_off:
            return 0.0
        loss_kpa = _WATER / 2 * (25 / 60000 / (_CD * math.pi / 4 * _BORE_M**2)) ** 2 / 1000
        return self.tyre_kpa + (0.0 if self.gun_shut else self.way * loss_kpa)

    def answer(self, body: bytes) -> bytes | None:
        """The answer to a unit and PDU."""
        self.step()
        if self.mode in ("silent", "lost"):
            # A board that only cannot answer has heard the request; over a cut wire it has not.
            self._asked_s = self._now_s if self.mode == "silent" else self._asked_s
            return None
        self._asked_s = self._now_s
        unit, function, address = body[0], body[1], int.from_bytes(body[2:4], "big")
        if self.mode == "refuses" and function in (5, 6, 16):
            return bytes((unit, function | 0x80, 4))
        if function == 1:
            count = int.from_bytes(body[4:6], "big")
            bits = sum(on << n for n, on in enumerate(self.coils[address : address + count]))
            return bytes((unit, 1, (count + 7) // 8)) + bits.to_bytes((count + 7) // 8, "little")
        if function in (3, 4):
            count = int.from_bytes(body[4:6], "big")
            return bytes((unit, function, 2 * count)) + b"".join(
                word.to_bytes(2, "big") for word in self._words(function)[address : address + count]
            )
        if function == 5:
            if address == 5 and self.coils[5] is not (body[4] == 0xFF):
                self._beat_s = self._now_s
            self.turned_while_running += address == 1 and self.coils[0] and self.coils[1] is not (body[4] == 0xFF)
            self.coils[address] = body[4] == 0xFF
            return body
        self.timeout_s = int.from_bytes(body[7:9], "big") / 10
        return body[:6]

    def _words(self, function: int) -> list[int]:
        if function == 3:
            return [round(self.timeout_s * 10)] + [0] * 130
        pulses, shown = int(self.counted * 100), round(self.gauge_kpa() / PSI * 100)
        return [pulses >> 16, pulses & 0xFFFF, shown & 0xFFFF] + [0] * 130


async def _runs(board: Board) -> None:
    """The plant goes on while nobody asks."""
    while True:
        board.step()
        await asyncio.sleep(0.02)


@asynccontextmanager
async def over_tcp(board: Board) -> AsyncIterator[str]:
    """The board behind a TCP port; yields the link's keys."""

    serving: set[asyncio.Task[None]] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        serving.add(task)
        try:
            while True:
                head = await reader.readexactly(6)
                reply = board.answer(await reader.readexactly(int.from_bytes(head[4:6], "big")))
                if reply is not None:
                    writer.write(head[:4] + len(reply).to_bytes(2, "big") + reply)
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    running = asyncio.create_task(_runs(board))
    port = server.sockets[0].getsockname()[1]
    try:
        yield f'kind = "tcp"\nport = {port}\ntimeout = "{board.answers_s:g} s"'
    finally:
        server.close()
        for task in (running, *serving):
            task.cancel()
        await asyncio.gather(running, *serving, return_exceptions=True)


def crc16(frame: bytes) -> bytes:
    """The check sum of a serial frame, low byte first (serial line guide V1.02, section 6.2.2)."""
    crc = 0xFFFF
    for byte in frame:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc.to_bytes(2, "little")


@asynccontextmanager
async def over_rtu(board: Board, port: Path) -> AsyncIterator[str]:
    """The board on a pseudo-terminal that ``port`` leads to; yields the link's keys."""
    master, slave = os.openpty()
    tty.setraw(slave)
    port.symlink_to(os.ttyname(slave))
    loop, heard = asyncio.get_running_loop(), bytearray()

    def take() -> None:
        heard.extend(os.read(master, 512))
        while len(heard) >= 8:
            size = 8 if heard[1] != 16 else 9 + heard[6]
            if len(heard) < size:
                return
            frame, heard[:size] = bytes(heard[:size]), b""
            if crc16(frame[:-2]) != frame[-2:]:
                heard.clear()
                return
            reply = board.answer(frame[:-2])
            if reply is not None:
                os.write(master, reply + crc16(reply))

    loop.add_reader(master, take)
    running = asyncio.create_task(_runs(board))
    try:
        yield f'kind = "rtu"\nport = "{port}"\nbaud = 115200\ntimeout = "{board.answers_s:g} s"'
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        loop.remove_reader(master)
        os.close(master)
        os.close(slave)


def config_of(link: str, board: Board, *, proven: bool = False, more: str = "", meter: str = "") -> str:
    """The configuration of a rig with this board."""
    points = f"{REGISTER}\n{more}" if board.watchdog else more
    return CONFIG.format(
        speed=board.speed,
        link=link,
        points=points,
        limits=PROVEN if proven else "",
        meter=meter,
        pump=RUN_AND_DIRECTION if board.directed else EACH_WAY,
    )
