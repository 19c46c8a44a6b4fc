"""The socket at which a page or an office listens."""

from __future__ import annotations

import asyncio
import socket

from rig.panel.listening import listening


async def test_an_answer_in_two_parts_does_not_wait_for_an_acknowledgement() -> None:
    """With Nagle's algorithm (RFC 896) the second part waits for the peer's delayed acknowledgement: 40 ms on Linux."""
    undelayed: asyncio.Future[bool] = asyncio.get_running_loop().create_future()

    def accepted(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        connection = writer.get_extra_info("socket")
        undelayed.set_result(bool(connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)))
        writer.close()

    with listening("127.0.0.1", 0) as bound:
        async with await asyncio.start_server(accepted, sock=bound):
            _, writer = await asyncio.open_connection(*bound.getsockname())
            assert await undelayed
            writer.close()
