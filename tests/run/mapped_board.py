"""A Modbus TCP device by hand whose map has holes: other hands than the simulator's and than the client's library.

Frames as in the Modbus Application Protocol V1.1b3, sections 6 and 7, and the messaging guide for TCP/IP V1.0b: an
address that is not in the map, or a read that crosses one, is answered by exception 2.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

BITS = (1, 2)
"""Functions that read coils and discrete inputs; 3 and 4 read registers."""


@dataclass
class MappedBoard:
    """``places`` by function and address; what reads by a function in ``silent`` is never answered."""

    places: dict[tuple[int, int], int]
    silent: set[int] = field(default_factory=set)
    most: int = 125
    """More registers at once are answered by exception 3."""
    asked: list[tuple[int, int, int]] = field(default_factory=list)
    """Function, address and count of every read."""
    before_read: Callable[[MappedBoard], None] = lambda _board: None
    written: Callable[[MappedBoard, int, int], None] = lambda _board, _address, _on: None

    def answer(self, body: bytes) -> bytes | None:
        """The answer to a unit and PDU."""
        unit, function, address = body[0], body[1], int.from_bytes(body[2:4], "big")
        if function in self.silent:
            return None
        if function == 5:
            if (1, address) not in self.places:
                return bytes((unit, 0x85, 2))
            self.places[1, address] = int(body[4] == 0xFF)
            self.written(self, address, self.places[1, address])
            return body
        count = int.from_bytes(body[4:6], "big")
        self.asked.append((function, address, count))
        self.before_read(self)
        if count > self.most:
            return bytes((unit, function | 0x80, 3))
        found = [self.places.get((function, at)) for at in range(address, address + count)]
        if None in found:
            return bytes((unit, function | 0x80, 2))
        values = [value or 0 for value in found]
        if function in BITS:
            size = (count + 7) // 8
            return bytes((unit, function, size)) + sum(bit << n for n, bit in enumerate(values)).to_bytes(
                size, "little"
            )
        return bytes((unit, function, 2 * count)) + b"".join((word & 0xFFFF).to_bytes(2, "big") for word in values)


class _Wire(asyncio.Protocol):
    """One connection: frames put together from whatever comes."""

    def __init__(self, board: MappedBoard, open_wires: set[_Wire]) -> None:
        self._board, self._open, self._heard = board, open_wires, bytearray()
        self.transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport
        self._open.add(self)

    def connection_lost(self, _error: Exception | None) -> None:
        self._open.discard(self)

    def data_received(self, data: bytes) -> None:
        self._heard += data
        while len(self._heard) >= 6 and len(self._heard) >= (size := 6 + int.from_bytes(self._heard[4:6], "big")):
            frame, self._heard = bytes(self._heard[:size]), self._heard[size:]
            reply = self._board.answer(frame[6:])
            if reply is not None and self.transport is not None:
                self.transport.write(frame[:4] + len(reply).to_bytes(2, "big") + reply)


@asynccontextmanager
async def served(board: MappedBoard) -> AsyncIterator[int]:
    """The board behind a port."""
    wires: set[_Wire] = set()
    server = await asyncio.get_running_loop().create_server(lambda: _Wire(board, wires), "127.0.0.1", 0)
    try:
        yield int(server.sockets[0].getsockname()[1])
    finally:
        server.close()
        while wires:
            for wire in wires:
                if wire.transport is not None:
                    wire.transport.abort()
            await asyncio.sleep(0)
