"""Commissioning at one rig: reading only before the relays, everything off on every way out, half-done ones."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from commissioned import RIGS, TODAY, commissioned, hidden_rig
from hidden import Hands

from rig.commission.acts import Isolate, Say, Switch, Talk
from rig.commission.dialogue import commission
from rig.commission.found import STEPS, Finding, Known, Progress
from rig.commission.talk import ask
from rig.commission.walk import Looking
from rig.commission.wires import Place
from rig.ledger.keeping import book_read
from rig.record.commissioning import Commissioned
from rig.run.commissioning.bench import Bench, NotIsolatedError
from rig.run.commissioning.session import Session, progress_file, read_progress
from rig.run.relays import NotAnswered
from rig.run.settings import SettingsError, load_settings
from sim.devices import Rig

NAME = "three units, words swapped"
OUTPUTS = ("pump_run", "pump_reverse", "vent_valve", "beacon")


def on(rig: Rig) -> list[str]:
    return [name for name in OUTPUTS if rig.modules.shown(name)]


def recorded(rig: Rig) -> list[tuple[Any, ...]]:
    """Every write that arrives at the modules from now on."""
    writes: list[tuple[Any, ...]] = []
    whole = rig.modules.write

    def write(where: Any, address: int, raws: Sequence[int]) -> None:  # noqa: ANN401
        writes.append((where, address, list(raws)))
        whole(where, address, raws)

    rig.modules.write = write  # type: ignore[method-assign]
    return writes


async def again(hands: Hands, config: Path, step: str) -> Progress:
    progress = read_progress(config).without(step)  # type: ignore[arg-type]
    session = Session(hands, config, "Jo", progress, Bench(hands.settings.clock.scale))
    ended = await session.run(commission(Known(progress, TODAY), Looking(patience_s=1.0, module_s=1.0)))
    return ended.progress


@pytest.mark.full
async def test_reading_only_then_off_on_every_way_out_and_one_step_again(tmp_path: Path) -> None:
    config = tmp_path / "rig.toml"
    async with hidden_rig(NAME, tmp_path) as (rig, hands):
        writes = recorded(rig)
        before: list[int] = []
        hands.seen = lambda text: before.append(len(writes)) if text.startswith("Now relays") else None
        ended = await commissioned(hands, config, RIGS[NAME])
        assert ended.whole
        assert before == [0], "something was written before the person's word"
        assert writes
        assert on(rig) == []
        await _left_at_every_dangerous_question(rig, hands, config)
        await _stopped_in_between(rig, hands, config)
        hands.said[f"{config} exists"] = "y"
        progress = await again(hands, config, "stop")
        assert progress.next is None
        assert on(rig) == []
    with book_read(tmp_path) as book:
        sheets = [Commissioned.of(record) for record in book.valid("commissioning", truck=book.own)]
    assert len(sheets) == 2
    assert {test.what for test in sheets[0].tests} >= {"Emergency stop", "Cable pulled", "Relief valve", "Dry run"}
    assert sheets[0].by == "Jo"


async def _left_at_every_dangerous_question(rig: Rig, hands: Hands, config: Path) -> None:
    """The terminal is lost while something is on, or has just been."""
    for step, question in (
        ("relays", "net1 unit 3 coil 0 was on"), ("dry", "pump_run is on. Press"), ("dry", "pump_run is on. Pull"),
        ("timeout", "Did pump_run drop"), ("wet", "pump_run: which way"),
    ):  # fmt: skip
        hands.said[question] = None
        with pytest.raises(NotAnswered):
            await again(hands, config, step)
        del hands.said[question]
        assert on(rig) == [], question


async def _stopped_in_between(rig: Rig, hands: Hands, config: Path) -> None:
    """A stop signal comes while a relay is on."""
    task = asyncio.create_task(again(hands, config, "dry"))

    def stop(text: str) -> None:
        if text.startswith("pump_run is on. Press"):
            assert on(rig) == ["pump_run"]
            task.cancel()

    hands.seen = stop
    with pytest.raises(NotAnswered, match="stopped"):
        await task
    hands.seen = None
    assert on(rig) == []
    await hands._release("the stop, which was pressed when the signal came")


@pytest.mark.full
async def test_a_half_done_one_goes_on_and_an_old_configuration_is_asked_about(tmp_path: Path) -> None:
    config = tmp_path / "rig.toml"
    config.write_text("# mine\n", encoding="utf-8")
    async with hidden_rig(NAME, tmp_path) as (_rig, hands):
        hands.said["Put a known"] = None
        with pytest.raises(NotAnswered):
            await commissioned(hands, config, RIGS[NAME])
        kept = json.loads(progress_file(config).read_text(encoding="utf-8"))
        assert [*kept["done"]] == ["look", "meter", "stop"]
        del hands.said["Put a known"]
        hands.said |= {f"{config} exists": "n"}
        ended = await commissioned(hands, config, RIGS[NAME], read_progress(config))
        assert hands.asked.count("What measures the liquid?\n  p = pulses, which a module counts") <= 1
        assert (ended.whole, ended.progress.next) == (False, "write")
        assert config.read_text(encoding="utf-8") == "# mine\n"
        hands.said |= {f"{config} exists": "y"}
        ended = await commissioned(hands, config, RIGS[NAME], read_progress(config))
    assert ended.whole
    assert load_settings(config).rig.name == "Bay 9"
    assert config.with_name("rig.toml.before").read_text(encoding="utf-8") == "# mine\n"


def test_a_progress_that_cannot_be_read_is_told_and_left(tmp_path: Path) -> None:
    path = progress_file(tmp_path / "rig.toml")
    path.write_text("{", encoding="utf-8")
    with pytest.raises(SettingsError, match="move it away"):
        read_progress(tmp_path / "rig.toml")
    assert path.read_text(encoding="utf-8") == "{"


def test_a_step_again_takes_the_file_and_the_sheet_with_it() -> None:
    progress = Progress()
    for step in STEPS:
        progress = progress.with_done(step, Finding())
    assert progress.next is None
    again_ = progress.without("meter")
    assert [step for step in STEPS if step not in again_.done] == ["meter", "write", "sheet"]
    assert again_.next == "meter"


@pytest.mark.full
async def test_nothing_is_switched_before_the_word(tmp_path: Path) -> None:
    """A dialogue that wants to switch at once is a defect, and a wrong word is no word."""

    def rash() -> Talk[Any]:
        yield Switch(Place("net1", 3, "coil", 0), on=True)

    def polite() -> Talk[Any]:
        yield Say("now")
        return (yield Isolate("Is it isolated?")), (yield from ask("more?"))

    async with hidden_rig(NAME, tmp_path) as (rig, hands):
        writes = recorded(rig)
        with pytest.raises(NotIsolatedError):
            await Session(hands, tmp_path / "rig.toml", "", Progress()).run(rash())
        hands.said |= {"Is it isolated": "yes", "more?": "no"}
        assert await Session(hands, tmp_path / "rig.toml", "", Progress()).run(polite()) == (False, "no")
        assert writes == []
