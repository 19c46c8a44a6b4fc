"""A pump behind run and direction, over real TCP: the order of the writes, what keeps run off, what is shown of both.

The board reads the frames by hand (Modbus messaging on TCP/IP guide V1.0b, section 3.1.3; application protocol V1.1b3,
functions 1, 2 and 5) and keeps its own clock of run; it is not the simulated rig.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

import pytest
from field_devices import NEVER_S, coil, link, odd_device
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rig.field.field import Field
from rig.field.modbus import FieldError
from rig.field.points import Point
from rig.field.turning import Turning

RUN, DIRECTION, VALVE = 0, 1, 2
SETTLE_S = 0.05
FORWARD: dict[str, bool] = {"pump_run": True, "pump_reverse": False, "fill_valve": True}
REVERSE = {"pump_run": False, "pump_reverse": True, "fill_valve": True}
OFF = {"pump_run": False, "pump_reverse": False, "fill_valve": False}
_DEVICE_FAILURE = 4


@dataclass
class Board:
    """Three coils, of which the second is turned by nothing while the first is on; what came stands in ``written``."""

    coils: list[bool] = field(default_factory=lambda: [False] * 8)
    written: list[tuple[int, bool]] = field(default_factory=list)
    refuses: set[int] = field(default_factory=set)
    stuck: set[int] = field(default_factory=set)
    """Coils that take every write and stay as they are."""
    contact: bool | None = None
    """The direction contactor's auxiliary contact, discrete 0; None follows its relay."""
    run_welded: bool = False
    turned_while_running: int = 0
    wanted: dict[str, bool] = field(default_factory=lambda: OFF)
    ran_wrong: int = 0
    """How often run was switched on with the direction of another command than the one that stands."""
    run_off_s: float = -1e9
    soonest_s: float = 1e9
    """The least time between run off and another direction."""

    async def answer(self, body: bytes) -> bytes | None:
        unit, function, address = body[0], body[1], int.from_bytes(body[2:4], "big")
        if function in (1, 2):
            count = int.from_bytes(body[4:6], "big")
            turned = self.coils[DIRECTION] if self.contact is None else self.contact
            shown = self.coils if function == 1 else [turned, self.coils[RUN] or self.run_welded]
            bits = sum(on << n for n, on in enumerate(shown[address : address + count]))
            return bytes((unit, function, 1, bits))
        on = body[4] == 0xFF
        self.written.append((address, on))
        if address in self.refuses:
            return bytes((unit, function | 0x80, _DEVICE_FAILURE))
        if address not in self.stuck:
            self._switch(address, on)
        return body

    def _switch(self, address: int, on: bool) -> None:
        now_s, was = asyncio.get_running_loop().time(), self.coils[address]
        if address == DIRECTION and on is not was:
            self.turned_while_running += self.coils[RUN] or self.run_welded
            self.soonest_s = min(self.soonest_s, now_s - self.run_off_s)
        if address == RUN and was and not on:
            self.run_off_s = now_s
        if address == RUN and on:
            self.ran_wrong += self.wanted not in (FORWARD, REVERSE)
            self.ran_wrong += self.coils[DIRECTION] is not self.wanted["pump_reverse"]
        self.coils[address] = on

    def told(self) -> list[tuple[int, bool]]:
        """What was written so far, then forgotten."""
        found, self.written = self.written, []
        return found


@asynccontextmanager
async def wired(board: Board, *, feedback: bool = False, write_only: bool = False) -> AsyncIterator[Field]:
    """The field on this board, all off and at rest."""
    points = {"motor_run": coil(RUN), "motor_direction": coil(DIRECTION), "fill_valve": coil(VALVE)}
    points = {name: point.model_copy(update={"write_only": write_only}) for name, point in points.items()}
    shows = () if write_only else ("motor_direction",)
    if feedback:
        points["motor_direction_feedback"] = Point(link="io", table="discrete", address=0)
        points["motor_run_feedback"] = Point(link="io", table="discrete", address=1)
        shows += ("motor_direction_feedback",)
    async with odd_device(board.answer) as port:
        seen = {name: f"{name}_feedback" for name in points if f"{name}_feedback" in points}
        turning = Turning(SETTLE_S, 0.0, shows)
        wires = Field({"io": link(port)}, points, renew_s=NEVER_S, feedback=seen, turning=turning)
        await turn(wires, OFF, 2)
        await settled(wires)
        await turn(wires, OFF)
        board.told()
        yield wires
        wires.close()


async def turn(wires: Field, wanted: dict[str, bool], times: int = 1) -> None:
    """The loop's turns: read, then write."""
    for _ in range(times):
        await wires.scan()
        await wires.write(wanted)


async def settled(wires: Field) -> None:
    """Until the pump has been off for its settle time."""
    clock = asyncio.get_running_loop().time
    until_s = clock() + 1.2 * SETTLE_S
    while clock() < until_s:
        await wires.scan()


async def test_the_direction_is_written_first_and_run_goes_on_when_it_reads_back() -> None:
    board = Board()
    async with wired(board) as wires:
        await turn(wires, REVERSE)
        assert board.told() == [(DIRECTION, True), (VALVE, True)]
        assert wires.unrenewed == {"pump_reverse"}, "the controller is to know that the pump does not run yet"
        await turn(wires, REVERSE)
        assert board.told() == [(DIRECTION, True), (RUN, True)]
        await wires.scan()
        assert (wires.values["pump_run"].raw, wires.values["pump_reverse"].raw) == (0, 1)
        assert wires.unrenewed == frozenset()


async def test_forward_from_rest_needs_no_turn() -> None:
    board = Board()
    async with wired(board) as wires:
        await turn(wires, FORWARD)
        assert board.told() == [(DIRECTION, False), (VALVE, True), (RUN, True)]
        await wires.scan()
        assert (wires.values["pump_run"].raw, wires.values["pump_reverse"].raw) == (1, 0)


async def test_run_goes_off_first_and_the_direction_follows_after_the_settle_time() -> None:
    board = Board()
    async with wired(board) as wires:
        await turn(wires, REVERSE, 2)
        board.told()
        await turn(wires, OFF, 2)
        assert board.told() == [(RUN, False), (VALVE, False)]
        assert board.coils[DIRECTION], "the direction was changed on a pump that still coasts"
        await settled(wires)
        await turn(wires, OFF)
        assert board.told() == [(DIRECTION, False)]
    assert board.turned_while_running == 0
    assert board.soonest_s >= SETTLE_S


async def test_a_reversal_told_in_one_step_is_off_then_turned_then_on() -> None:
    board = Board()
    async with wired(board) as wires:
        await turn(wires, FORWARD)
        board.told()
        await turn(wires, REVERSE, 2)
        assert board.told() == [(RUN, False)]
        await settled(wires)
        await turn(wires, REVERSE, 3)
        assert board.told() == [(DIRECTION, True), (DIRECTION, True), (RUN, True)]
    assert board.turned_while_running == 0
    assert board.soonest_s >= SETTLE_S


async def test_a_pump_whose_direction_is_refused_never_runs() -> None:
    board = Board()
    async with wired(board) as wires:
        board.refuses = {DIRECTION}
        for _ in range(5):
            await wires.scan()
            with pytest.raises(FieldError, match="coil 1 of unit 1: the device refuses"):
                await wires.write(REVERSE)
        assert not any(address == RUN and on for address, on in board.told())
        assert wires.unrenewed == {"pump_reverse"}
        board.refuses.clear()
        await turn(wires, REVERSE, 2)
        assert board.told()[-1] == (RUN, True)


@pytest.mark.parametrize("wanted", [FORWARD, REVERSE])
async def test_a_pump_whose_direction_takes_every_write_and_stays_never_runs(wanted: dict[str, bool]) -> None:
    board = Board()
    async with wired(board) as wires:
        if wanted is FORWARD:
            await turn(wires, REVERSE, 2)
            await turn(wires, OFF, 2)
            await settled(wires)
        board.stuck = {DIRECTION}
        board.told()
        await turn(wires, wanted, 5)
        assert not any(address == RUN and on for address, on in board.told())
        assert wires.unrenewed == {"pump_run" if wanted is FORWARD else "pump_reverse"}


async def test_a_direction_contactor_that_does_not_follow_keeps_run_off() -> None:
    board = Board(contact=False)
    async with wired(board, feedback=True) as wires:
        await turn(wires, REVERSE, 4)
        assert board.coils[DIRECTION]
        assert not board.coils[RUN]
        board.contact = True
        await turn(wires, REVERSE)
        assert board.coils[RUN]


async def test_a_run_contactor_that_welds_is_told_by_what_it_does_and_is_never_turned() -> None:
    board = Board()
    async with wired(board, feedback=True) as wires:
        await turn(wires, REVERSE, 2)
        board.run_welded = True
        await turn(wires, OFF, 2)
        await wires.scan()
        assert wires.unconfirmed == {"pump_reverse": "its contactor stays in though its relay is off"}
        board.told()
        for _ in range(3):
            await settled(wires)
            await turn(wires, FORWARD)
        assert not any(address == DIRECTION or (address == RUN and on) for address, on in board.told())
    assert board.turned_while_running == 0


async def test_run_goes_off_when_the_direction_reads_another_way() -> None:
    board = Board()
    async with wired(board) as wires:
        await turn(wires, REVERSE, 2)
        board.told()
        board.coils[DIRECTION] = False  # a hand at the board
        await turn(wires, REVERSE)
        assert board.told() == [(RUN, False)]


async def test_the_direction_is_left_while_run_is_not_known_to_be_off() -> None:
    board = Board()
    async with wired(board) as wires:
        await turn(wires, REVERSE, 2)
        board.told()
        board.refuses = {RUN}
        for _ in range(3):
            await wires.scan()
            with pytest.raises(FieldError):
                await wires.write(FORWARD)
            await settled(wires)
        assert all(address == RUN and not on for address, on in board.told())
        assert set(wires.unconfirmed) == {"pump_reverse"}
        board.refuses.clear()
    assert board.turned_while_running == 0


async def test_a_board_that_cannot_be_read_is_believed_by_what_it_acknowledges() -> None:
    board = Board()
    async with wired(board, write_only=True) as wires:
        await turn(wires, REVERSE)
        assert board.told() == [(DIRECTION, True), (VALVE, True)]
        await turn(wires, REVERSE)
        assert board.told() == [(DIRECTION, True), (RUN, True)]
        assert "pump_reverse" not in wires.values
        board.refuses = {DIRECTION}
        await turn(wires, OFF, 2)
        await settled(wires)
        for _ in range(3):
            await wires.scan()
            with pytest.raises(FieldError):
                await wires.write(FORWARD)
        assert not any(address == RUN and on for address, on in board.told())


async def test_a_new_connection_to_the_board_proves_the_direction_again() -> None:
    board = Board()
    async with wired(board) as wires:
        await turn(wires, REVERSE, 2)
        wires.close()
        board.coils = [False] * 8  # it has restarted meanwhile
        board.told()
        await wires.write(REVERSE)
        assert (RUN, True) not in board.told(), "run went on before the direction was seen to stand"
        assert not board.coils[RUN]


_DEEDS = ("forward", "reverse", "off", "settle", "refuse run", "refuse direction", "stick direction", "sound", "again",
          "reconnect", "restart")  # fmt: skip


@pytest.mark.full
@settings(max_examples=40)
@given(st.lists(st.sampled_from(_DEEDS), min_size=1, max_size=25), st.booleans(), st.booleans())
@example(["reverse", "again", "restart", "again", "forward", "settle", "again"], False, True)
def test_whatever_the_board_does_run_never_meets_another_direction(
    deeds: list[str], write_only: bool, renews: bool
) -> None:
    async def live() -> Board:
        board, wanted = Board(), OFF
        async with wired(board, write_only=write_only) as wires:
            wires.renew_s = 0.0 if renews else NEVER_S
            for deed in deeds:
                board.wanted = wanted = {"forward": FORWARD, "reverse": REVERSE, "off": OFF}.get(deed, wanted)
                board.refuses = {"refuse run": {RUN}, "refuse direction": {DIRECTION}, "sound": set()}.get(
                    deed, board.refuses
                )
                if not write_only:  # nobody can know of a relay that acknowledges, does nothing, and cannot be read
                    board.stuck = {"stick direction": {DIRECTION}, "sound": set()}.get(deed, board.stuck)
                if deed == "settle":
                    await settled(wires)
                await wires.scan()
                if deed == "reconnect":
                    wires.close()
                if deed == "restart":
                    # Both drop at once, and the pump coasts the way that it ran: on again it is no reversal.
                    board.coils, board.run_off_s = [False] * 8, -1e9
                with contextlib.suppress(FieldError):
                    await wires.write(wanted)
        return board

    board = asyncio.run(live())
    assert board.turned_while_running == 0
    assert board.ran_wrong == 0
    assert board.soonest_s >= SETTLE_S
