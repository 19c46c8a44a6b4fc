"""A start and a stop button at the gun, on a module of their own on the wire: ordinary inputs of the point map."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest
from field_devices import DISCRETES, Bench, bench
from pages import PEOPLE, PIN, page_process
from processes import command, serving
from streams import Picture, merged

GUN = """
[links.gun]
kind = "tcp"
host = "127.0.0.1"
port = {port}
timeout = "0.3 s"

[points.start_button]
link = "gun"
table = "discrete"
address = 3

[points.stop_button]
link = "gun"
table = "discrete"
address = 4
"""
WHEEL = {"size": "11L-15"}
START, STOP = 3, 4


async def until(client: httpx.AsyncClient, sought: Callable[[Picture], object]) -> Picture:
    """Look until the picture has what is sought."""
    async with client.stream("GET", "/api/stream") as stream:
        picture: Picture = {}
        async for line in stream.aiter_lines():
            picture = merged(picture, line)
            if picture and sought(picture):
                return picture
    raise AssertionError("the page went away")


async def press(gun: Bench, address: int, *, down: bool) -> None:
    await gun.put(1, DISCRETES, address, [down])


def state_is(name: str) -> Callable[[Picture], bool]:
    return lambda picture: bool(picture["fill"]) and picture["fill"]["state"] == name


async def ordered(client: httpx.AsyncClient, number: int) -> None:
    """A fill with every check given, that waits for the button."""
    checks = (await client.post("/api/answer", json=WHEEL)).json()["checks"]
    whole = {"id": f"order-{number:04}", "kind": "fill", "wheel": WHEEL, "start": False}
    reply = await client.post("/api/order", json={**whole, "confirmed": [each["name"] for each in checks]})
    assert reply.status_code == 200


@pytest.mark.full
async def test_start_and_stop_at_the_gun(tmp_path: Path) -> None:
    async with bench() as gun:
        # The simulated rig knows nothing of the gun's module: it is another device on another port.
        with serving(tmp_path, scale="30") as rig:
            text = rig.config.read_text(encoding="utf-8")
            rig.config.write_text(text + GUN.format(port=gun.port), encoding="utf-8")
            words = "people", "add", "Jo", "--role", PEOPLE["Jo"][1], "--config", "rig.toml"
            added = command(tmp_path, *words, typed=f"{PIN}\n")
            assert added.returncode == 0, added.stderr
            with page_process(rig) as served:
                async with httpx.AsyncClient(base_url=served.url, timeout=60, headers={"X-Rig": "test"}) as client:
                    signed = (await client.post("/api/sign-in", json={"name": "Jo", "pin": PIN})).json()
                    client.headers["X-CSRF"] = signed["csrf"]
                    await until(client, lambda picture: picture["live"]["reachable"] and not picture["live"]["error"])
                    # Pressed with no wheel ordered: nothing comes of it, nor of a button that was down already.
                    await press(gun, START, down=True)
                    await ordered(client, 1)
                    waiting = await until(client, lambda seen: state_is("idle")(seen) and seen["fill"]["tyre_kpa"])
                    assert waiting["fill"]["checks"] == []
                    await press(gun, START, down=False)
                    # A press is fresh once the button was read as let go: at the second request from here, surely.
                    asked = len(gun.asked)
                    await until(client, lambda _: len(gun.asked) > asked + 1)
                    await press(gun, START, down=True)
                    await until(client, state_is("running"))
                    await press(gun, STOP, down=True)
                    record = (await until(client, lambda seen: seen["record"]))["record"]
                    assert record["outcome"] == "stopped"
                    assert rig.off()
                # The module at the gun goes on answering while the controller leaves.
                assert await asyncio.to_thread(served.end) == 0
