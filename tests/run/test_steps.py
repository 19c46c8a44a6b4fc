"""`rig check --steps`: a person tries meter, stop, gauge and pump, on a board of other hands with a pump behind it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest
from mapped_board import MappedBoard, served
from shop import GONE, number, settings

from rig.run.relays import NotAnswered
from rig.run.settings import Settings
from rig.run.steps import Trial, steps_text, take_steps

RUN_S = 0.2


class Rig(MappedBoard):
    """A pump behind coils 0 and 1, a meter of 32 bits, a gauge in hundredths of a psi, an emergency stop."""

    def __init__(
        self, *, crossed: bool = False, meter_crossed: bool = False, stuck_stop: bool = False, directed: bool = False
    ) -> None:
        super().__init__({(1, at): 0 for at in range(3)} | {(2, 0): 1, (4, 0): 0, (4, 1): 100, (4, 2): 0})
        self.crossed, self.meter_crossed, self.stuck_stop = crossed, meter_crossed, stuck_stop
        self.directed = directed
        """Coil 0 runs the pump, and coil 1 turns its direction."""
        self.ran: list[int] = []
        self.before_read = Rig._turn
        self.written = Rig._note

    @property
    def way(self) -> int:
        first, second = self.places[1, 0], self.places[1, 1]
        told = first * (1 - 2 * second) if self.directed else first - second
        return -told if self.crossed else told

    def _note(self, _address: int, _on: int) -> None:
        self.ran.append(self.way)

    def _turn(self) -> None:
        if self.places[2, 0]:
            self.count(5 * self.way)

    def count(self, pulses: int) -> None:
        count = (self.places[4, 0] << 16 | self.places[4, 1]) + (-pulses if self.meter_crossed else pulses)
        self.places[4, 0], self.places[4, 1] = count >> 16 & 0xFFFF, count & 0xFFFF

    def press_stop(self, on: bool) -> None:
        if not self.stuck_stop:
            self.places[2, 0] = int(not on)


def rig_of(port: int, **changes: object) -> Settings:
    return settings(
        links__io={"kind": "tcp", "port": port, "timeout": "200 ms"}, points__tote_level=GONE,
        points__output_timeout=GONE, points__line_pressure=number("input", 2, "i16", scale=0.01, quantity="psi"),
        **changes,
    )  # fmt: skip


def hands(board: Rig, said: dict[str, str]) -> Callable[[str], Any]:
    """Somebody who does as asked at the board, and says what was seen, or what ``said`` has for that step."""

    async def ask(text: str) -> str | None:
        await asyncio.sleep(0.01)
        for begins, word in said.items():
            if text.startswith(begins):
                return word
        if text.startswith("meter"):
            board.count(7 if "into a tyre" in text else -7)
            await asyncio.sleep(0.25)
        elif text.startswith("estop_ok"):
            board.press_stop(True)
            await asyncio.sleep(0.25)
            board.press_stop(False)
            await asyncio.sleep(0.25)
        elif text.startswith("Now the pump"):
            return "water"
        elif text.startswith("pump_"):
            ran = next((way for way in reversed(board.ran) if way), 0)
            return {1: "o", -1: "i", 0: "n"}[ran]
        return ""

    return ask


async def steps(board: Rig, said: dict[str, str] | None = None, **changes: object) -> dict[str, Trial]:
    async with served(board) as port:
        trials = await take_steps(rig_of(port, **changes), hands(board, said or {}), RUN_S)
    assert not any(board.places[1, at] for at in range(3)), "something was left on"
    return {trial.name: trial for trial in trials}


async def test_a_sound_rig_passes_every_step_the_pump_forward_and_in_reverse() -> None:
    board = Rig()
    trials = await steps(board)
    assert [*trials] == ["line_pressure", "meter forward", "meter back", "estop_ok", "pump_run", "pump_reverse"]
    assert all(trial.good for trial in trials.values()), steps_text([*trials.values()])
    assert {1, -1} <= set(board.ran)


async def test_a_pump_behind_run_and_direction_turns_both_ways_and_stands_in_between() -> None:
    board = Rig(directed=True)
    coils = {name: {"link": "io", "table": "coil", "address": at} for at, name in enumerate(("run", "direction"))}
    trials = await steps(
        board, points__pump_run=GONE, points__pump_reverse=GONE, points__motor_run=coils["run"],
        points__motor_direction=coils["direction"], pump__direction_settle="0.05 s",
    )  # fmt: skip
    assert trials["pump_run"].good, steps_text([*trials.values()])
    assert trials["pump_reverse"].good, steps_text([*trials.values()])
    assert {1, -1} <= set(board.ran)
    turned = [(before, after) for before, after in pairwise(board.ran) if before * after < 0]
    assert not turned, "it was turned without a stand between"


async def test_a_pump_that_turns_the_other_way_is_told_before_any_tyre() -> None:
    trials = await steps(Rig(crossed=True))
    assert "CUT ITS SUPPLY" in trials["pump_run"].found
    assert "CUT ITS SUPPLY" in trials["pump_reverse"].found


async def test_a_meter_that_counts_the_other_way_is_told_from_a_pump_that_turns_right() -> None:
    trials = await steps(Rig(meter_crossed=True))
    assert "swap its two channels" in trials["meter forward"].found
    assert "swap its two channels" in trials["pump_run"].found


@pytest.mark.parametrize(
    ("reverse", "found"), [("unsigned", "it counts down"), ("none", "it counts backwards too"), ("signed", "")]
)
async def test_what_a_meter_does_backwards_is_compared_with_the_configuration(reverse: str, found: str) -> None:
    trials = await steps(Rig(), {"Now the pump": "s"}, meter__reverse=reverse)
    assert trials["meter back"].found.startswith(found)
    assert trials["meter back"].good is not bool(found)


async def test_a_stop_whose_wire_is_dead_is_told_and_an_absolute_gauge() -> None:
    board = Rig(stuck_stop=True)
    board.places[4, 2] = 1470
    trials = await steps(board, {"Now the pump": "s"})
    assert "it read 1 all the time" in trials["estop_ok"].found
    assert "psia" in trials["line_pressure"].found


async def test_nothing_runs_while_the_stop_is_pressed() -> None:
    board = Rig()
    board.places[2, 0] = 0
    trials = await steps(board, dict.fromkeys(("line", "meter", "estop"), "s"))
    assert "emergency stop is pressed" in trials["pump_run"].found
    assert set(board.ran) <= {0}


async def test_nothing_runs_without_the_word() -> None:
    board = Rig()
    trials = await steps(board, {"Now the pump": "y"})
    assert "pump_run" not in trials
    assert set(board.ran) <= {0}


async def test_a_terminal_that_goes_away_ends_it_with_everything_off() -> None:
    board = Rig()

    async def gone(text: str) -> str | None:
        return None if text.startswith("pump_run") else await hands(board, {})(text)

    async with served(board) as port:
        with pytest.raises(NotAnswered):
            await take_steps(rig_of(port), gone, RUN_S)
    assert not any(board.places[1, at] for at in range(3))


async def test_a_pump_whose_supply_hangs_on_a_pulsing_relay_turns_in_the_steps_too() -> None:
    board, beats = Rig(), []
    board.places[1, 5] = 0
    note = board.written

    def written(each: MappedBoard, address: int, on: int) -> None:
        note(each, address, on)
        if address == 5:
            beats.append(on)

    board.written = written
    heartbeat = {"link": "io", "table": "coil", "address": 5}
    trials = await steps(board, points__heartbeat=heartbeat)
    assert trials["pump_run"].good
    assert beats.count(1) >= 2, "it pulses while the pump is to run"
    assert not board.places[1, 5]
