"""The controller's end of its socket: front ends in other processes look and ask here, in the controller's own loop.

An answer costs a fraction of a millisecond and is made only when it is asked for, so a front end that is frozen costs
nothing, and one that floods is rate-limited. An invalid message closes its connection. The module must not
know what a page is.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator

from pydantic import BaseModel

from rig.run.facade import Facade
from rig.run.messages import (
    HEAD_BYTES,
    MOST_ASKED_BYTES,
    Heard,
    LinkError,
    Look,
    ToLook,
    frame_of,
    heard,
    length_of,
    message_in,
    own_hello,
    same_program,
)  # fmt: skip
from rig.run.sockets import own_user

_AT_ONCE = 50
"""Messages that a connection may say in one go; then the others and the scans come first."""
_REST_S = 0.05


@contextlib.asynccontextmanager
async def attended(facade: Facade, bound: socket.socket) -> AsyncIterator[None]:
    """Answer at a listening socket while the body runs."""
    # Before the files on the disk can be another version's.
    own_hello()
    attending: dict[asyncio.Task[None], asyncio.StreamWriter] = {}

    async def attend(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        attending[task] = writer
        try:
            await _attend(facade, reader, writer)
        except (LinkError, OSError, asyncio.IncompleteReadError):
            # Whoever speaks no message, or goes away, is left alone; what was heard before stands.
            pass
        finally:
            del attending[task]
            writer.close()

    server = await asyncio.start_unix_server(attend, sock=bound)
    try:
        yield
    finally:
        server.close()
        for writer in attending.values():
            # What a frozen front end has not read is not waited for.
            writer.transport.abort()
        await asyncio.gather(*attending)


async def _attend(facade: Facade, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    own_user(writer.get_extra_info("socket"))
    greeting = await _read(reader)
    await _write(writer, own_hello())
    same_program(greeting)
    said = 0
    while True:
        message = message_in(await _read(reader))
        if isinstance(message, ToLook):
            await _write(writer, Look(snapshot=facade.snapshot(), gap_s=facade.take_gap_s()))
        else:
            await _write(writer, Heard(heard=heard(facade, message)))
        said += 1
        await asyncio.sleep(0 if said % _AT_ONCE else _REST_S)


async def _read(reader: asyncio.StreamReader) -> bytes:
    return await reader.readexactly(length_of(await reader.readexactly(HEAD_BYTES), MOST_ASKED_BYTES))


async def _write(writer: asyncio.StreamWriter, said: BaseModel) -> None:
    writer.write(frame_of(said))
    await writer.drain()
