"""Fifty browsers that ask for everything again and again: a program of its own, with the least share of the computer.

Arguments: the page's address, a name and its PIN, and the routes as JSON. It runs until its standard input ends, then
prints as JSON how many answers of each status it had.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import os
import sys
from collections import Counter
from contextlib import AsyncExitStack

import httpx

CLIENTS = 50


async def ask(client: httpx.AsyncClient, routes: list[list[str]], first: int, had: Counter[int]) -> None:
    """Ask in turns, each client from another place on."""
    for number in itertools.count(first):
        method, path = routes[number % len(routes)]
        try:
            reply = await client.request(method, path, json={} if method == "POST" else None)
            had[reply.status_code] += 1
        except httpx.HTTPError:
            had[0] += 1


async def main(url: str, name: str, pin: str, routes: list[list[str]]) -> None:
    """Half of them are signed in."""
    had: Counter[int] = Counter()
    async with AsyncExitStack() as stack:
        clients = [
            await stack.enter_async_context(httpx.AsyncClient(base_url=url, timeout=60, headers={"X-Rig": "crowd"}))
            for _ in range(CLIENTS)
        ]
        for client in clients[::2]:
            signed = (await client.post("/api/sign-in", json={"name": name, "pin": pin})).json()
            client.headers["X-CSRF"] = signed["csrf"]
        asking = [asyncio.create_task(ask(client, routes, number, had)) for number, client in enumerate(clients)]
        print("here", flush=True)
        await asyncio.to_thread(sys.stdin.read)
        for each in asking:
            each.cancel()
        await asyncio.gather(*asking, return_exceptions=True)
    print(json.dumps(had))


if __name__ == "__main__":
    os.nice(19)
    asyncio.run(main(*sys.argv[1:4], json.loads(sys.argv[4])))
