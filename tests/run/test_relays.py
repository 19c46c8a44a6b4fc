"""The wiring check of the relays against the simulated rig: a person's words, one relay at a time, off afterwards."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from rig.cli import main
from rig.run.loop import Unreachable
from rig.run.relays import NotAnswered, click_relays, relays_text
from rig.run.settings import Settings, load_settings
from sim.devices import Rig, serve
from sim.faults import read_fault

CONFIG = Path(__file__).parents[2] / "config" / "demo.toml"
CLICK_S = 0.02


@asynccontextmanager
async def rig(*faults: str) -> AsyncIterator[tuple[Settings, Rig]]:
    of = load_settings(CONFIG)
    served = await serve(of, port=0, speed=1, faults=[read_fault(fault) for fault in faults])
    port = served.ports[0][1]
    try:
        yield of.model_copy(update={"links": {"io": of.links["io"].model_copy(update={"port": port})}}), served
    finally:
        await served.close()


def person(words: dict[str, Any], asked: list[str]) -> Any:  # noqa: ANN401
    """Somebody who types by what the question begins with."""

    async def ask(text: str) -> str | None:
        asked.append(text)
        return next((word for begins, word in words.items() if text.startswith(begins)), "")

    return ask


async def test_every_relay_clicks_once_and_is_off_again() -> None:
    asked: list[str] = []
    async with rig() as (of, served):
        ask = person({"Isolate": "isolated", "pump_run: did": "y", "pump_reverse: did": "n", "vent_valve (": "s",
                      "beacon: did": "yes"}, asked)  # fmt: skip
        clicks = await click_relays(of, ask, CLICK_S)
        truth = served.document()
    assert [(c.name, c.read_on, c.read_off, c.seen) for c in clicks] == [
        ("pump_run", True, True, True), ("pump_reverse", True, True, False), ("beacon", True, True, True),
    ]  # fmt: skip
    assert not truth["pump_on"]
    assert truth["both_relays_s"] == 0
    assert "pump_reverse   NOT GOOD, not seen to move rightly" in relays_text(clicks)
    assert "coil 0" in asked[1]


async def test_run_and_direction_are_clicked_each_alone(tmp_path: Path) -> None:
    text = (
        CONFIG.read_text(encoding="utf-8")
        .replace("pump_run ", "motor_run ")
        .replace("pump_reverse ", "motor_direction ")
    )
    config = tmp_path / "rig.toml"
    config.write_text(text, encoding="utf-8")
    of = load_settings(config)
    served = await serve(of, port=0, speed=1)
    try:
        of = of.model_copy(update={"links": {"io": of.links["io"].model_copy(update={"port": served.ports[0][1]})}})
        said = {"Isolate": "isolated", "motor_run: did": "y", "motor_direction: did": "y", "vent_valve (": "q"}
        clicks = await click_relays(of, person(said, []), CLICK_S)
    finally:
        await served.close()
    assert [(click.name, click.good) for click in clicks] == [("motor_run", True), ("motor_direction", True)]


@pytest.mark.full
@pytest.mark.parametrize("word", [None, "", "yes", "y"])
async def test_without_the_word_nothing_moves(word: str | None) -> None:
    async with rig() as (of, served):
        with pytest.raises(NotAnswered, match="isolated"):
            await click_relays(of, person({"Isolate": word}, []), CLICK_S)
        assert served.document()["requests"] == 0


async def test_a_terminal_that_goes_away_ends_it_with_everything_off() -> None:
    async with rig() as (of, served):
        with pytest.raises(NotAnswered, match="everything is off"):
            await click_relays(of, person({"Isolate": "isolated", "pump_reverse": None}, []), CLICK_S)
        assert not served.document()["pump_on"]


async def test_a_relay_that_does_not_obey_is_told() -> None:
    async with rig("write_ignored@0") as (of, _served):
        clicks = await click_relays(of, person({"Isolate": "isolated", "pump_reverse": "q"}, []), CLICK_S)
    assert "pump_run       NOT GOOD, never read on" in relays_text(clicks)


async def test_a_field_that_is_not_there(unused_tcp_port: int) -> None:
    of = load_settings(CONFIG)
    of = of.model_copy(update={"links": {"io": of.links["io"].model_copy(update={"port": unused_tcp_port})}})
    with pytest.raises(Unreachable):
        await click_relays(of, person({"Isolate": "isolated"}, []), CLICK_S)


async def test_a_stop_in_a_click_ends_with_everything_off() -> None:
    async with rig() as (of, served):
        task = asyncio.create_task(click_relays(of, person({"Isolate": "isolated"}, []), 2.0))
        async with asyncio.timeout(5):
            while not served.document()["pump_on"]:
                await asyncio.sleep(0.002)
        task.cancel()
        with pytest.raises(NotAnswered, match="everything is off"):
            await task
        assert served.modules.shown("pump_run") == 0


def test_the_command_is_refused_without_a_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    shutil.copy(CONFIG, "rig.toml")
    with Path("/dev/null").open(encoding="utf-8") as nobody:
        monkeypatch.setattr("sys.stdin", nobody)
        assert main(["check", "--relays", "--config", "rig.toml"]) == 3
    assert "isolated" in capsys.readouterr().err
