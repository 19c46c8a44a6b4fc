"""The field over real TCP: offs that nobody confirms, units that fall silent with an output on, other people's hands.

The devices are sockets of their own that read the frames by hand (Modbus messaging on TCP/IP guide V1.0b, section
3.1.3; application protocol V1.1b3, functions 1 and 5); none of them is the simulated rig.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

import pytest
from field_devices import COILS, DISCRETES, NEVER_S, RELAYS, TIMEOUT_S, bench, coil, link, odd_device, relays

from rig.field.field import Field
from rig.field.kept import Kept
from rig.field.modbus import FieldError
from rig.field.points import Point

OFF = dict.fromkeys(RELAYS, False)
_DEVICE_FAILURE = 4


@dataclass
class Board:
    """A relay board of eight coils that can be made to refuse, to lag behind, or to fall silent."""

    coils: list[bool] = field(default_factory=lambda: [False] * 8)
    asked: list[bytes] = field(default_factory=list)
    refuses_writes: bool = False
    silent: bool = False
    late_s: float = 0.0

    async def answer(self, body: bytes) -> bytes | None:
        unit, function, address = body[0], body[1], int.from_bytes(body[2:4], "big")
        self.asked.append(body)
        if self.silent:
            return None
        if function == 1:
            count = int.from_bytes(body[4:6], "big")
            bits = sum(on << n for n, on in enumerate(self.coils[address : address + count]))
            return bytes((unit, 1, 1, bits))
        if self.refuses_writes:
            return bytes((unit, function | 0x80, _DEVICE_FAILURE))
        self.coils[address] = body[4] == 0xFF
        await asyncio.sleep(self.late_s)
        return body

    def offs(self) -> list[int]:
        """Addresses of the offs that came, then forgotten."""
        found = [body[3] for body in self.asked if body[1] == 5 and body[4] == 0]
        self.asked.clear()
        return found


POINTS = {"pump_run": coil(0), "fill_valve": coil(3), "beacon": coil(5)}
ALL_OFF = {"pump_run": False, "fill_valve": False}


@asynccontextmanager
async def wired(board: Board, **more: object) -> AsyncIterator[Field]:
    async with odd_device(board.answer) as port:
        wires = Field({"io": link(port)}, POINTS, renew_s=NEVER_S, **more)  # type: ignore[arg-type]
        await wires.write({"pump_run": True, "fill_valve": True})
        await wires.scan()
        board.asked.clear()
        yield wires
        wires.close()


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """The second off that is not done is one too many."""
    monkeypatch.setattr("rig.field.field._REFUSES_S", 0.0)


async def test_a_fill_valve_behind_a_slow_bus_goes_off_though_the_pumps_off_was_not_answered_in_time() -> None:
    board = Board()
    async with wired(board) as wires:
        board.late_s = 3 * TIMEOUT_S
        with pytest.raises(FieldError):
            await wires.write(ALL_OFF)
        assert board.offs() == [0, 3]
        assert not any(board.coils)
        assert set(wires.unconfirmed) == {"pump_run", "fill_valve"}


async def test_an_off_that_is_refused_is_unconfirmed_until_the_module_takes_it() -> None:
    board = Board()
    async with wired(board) as wires:
        assert wires.unconfirmed == {}
        board.refuses_writes = True
        with pytest.raises(FieldError):
            await wires.write(ALL_OFF)
        await wires.scan()
        assert "the device refuses" in wires.unconfirmed["pump_run"]
        assert "coil 3" in wires.unconfirmed["fill_valve"]
        board.refuses_writes = False
        await wires.write(ALL_OFF)
        assert wires.unconfirmed == {}


async def test_an_off_is_confirmed_by_what_reads_back_though_no_write_is_taken() -> None:
    board = Board()
    async with wired(board) as wires:
        board.refuses_writes = True
        with pytest.raises(FieldError):
            await wires.write(ALL_OFF)
        board.coils = [False] * 8  # a hand at the board, or its own time-out
        await wires.scan()
        assert wires.unconfirmed == {}


async def test_the_beacon_is_lit_while_an_off_is_refused_and_nothing_that_moves_is() -> None:
    points = {**RELAYS, "beacon": coil(5, at="other")}
    async with bench() as device, bench() as other:
        wires = Field({"io": link(device.port), "other": link(other.port)}, points, renew_s=NEVER_S)
        await wires.write({**OFF, "pump_run": True})
        device.writes()
        device.refuse = lambda _function, _address: _DEVICE_FAILURE  # type: ignore[assignment,return-value]
        with pytest.raises(FieldError):
            await wires.write({"pump_run": False, "vent_valve": True, "beacon": True}, {"beacon"})
        assert await other.bits(1, 5) == [True]
        assert device.writes() == [17]
        wires.close()


@pytest.mark.usefixtures("impatient")
async def test_a_unit_that_falls_silent_with_its_pump_on_is_left_alone_so_that_its_watchdog_can_drop() -> None:
    board = Board()
    async with wired(board, leave_s=NEVER_S) as wires:
        board.silent = True
        for _ in range(2):
            with pytest.raises(FieldError):
                await wires.write(ALL_OFF)
        board.asked.clear()
        for _ in range(3):
            await wires.scan()
            with pytest.raises(FieldError):
                await wires.write(ALL_OFF)
        assert board.asked == []
        assert set(wires.unconfirmed) == {"pump_run", "fill_valve"}


@pytest.mark.usefixtures("impatient")
@pytest.mark.parametrize(("proven", "armed", "known"), [(False, True, False), (True, True, True), (True, False, False)])
async def test_a_time_out_switches_off_only_where_it_is_proven_and_armed(
    proven: bool, armed: bool, known: bool
) -> None:
    board = Board()
    proven_s = {("io", 1): 0.0} if proven else {}
    async with wired(board, leave_s=NEVER_S, proven_s=proven_s) as wires:
        wires.armed = armed
        board.silent = True
        for _ in range(2):
            with pytest.raises(FieldError):
                await wires.write(ALL_OFF)
        await asyncio.sleep(0)
        await wires.scan()
        assert (wires.unconfirmed == {}) is known


async def test_an_output_that_reads_on_after_it_read_off_is_somebody_elses(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rig.field.kept._STANDS_S", 0.0)
    async with bench() as device:
        wires = relays(device)
        await wires.write(OFF)
        await wires.scan()
        assert wires.elsewhere == frozenset()
        await device.put(1, COILS, 17, [True])
        await wires.scan()
        assert wires.elsewhere == {"pump_run"}
        await wires.write(OFF)
        await wires.scan()
        assert wires.elsewhere == frozenset()
        wires.close()


def test_an_output_that_lags_or_drops_once_is_nobody_elses_and_one_that_drops_twice_is() -> None:
    kept = Kept()
    kept.asks("pump_run", 0.0, on=True)
    kept.done("pump_run")
    kept.reads("pump_run", 0.1, on=True)
    kept.asks("pump_run", 2.0, on=False)
    kept.done("pump_run")
    kept.reads("pump_run", 2.1, on=True)  # the module shows its last state but one
    assert kept.elsewhere == frozenset()
    assert set(kept.unconfirmed) == {"pump_run"}
    kept.reads("pump_run", 2.2, on=False)
    assert kept.unconfirmed == {}
    kept.asks("pump_run", 10.0, on=True)
    found = []
    for at_s, on in ((10.1, True), (13.0, False), (13.5, True), (14.0, False)):
        kept.reads("pump_run", at_s, on=on)
        found.append(kept.elsewhere == {"pump_run"})
    assert found == [False, False, False, True]


async def test_a_contactor_that_stays_in_is_no_off_though_its_relay_reads_off() -> None:
    points = {**RELAYS, "pump_run_feedback": Point(link="io", table="discrete", address=4)}
    async with bench() as device:
        wires = Field({"io": link(device.port)}, points, renew_s=NEVER_S, feedback={"pump_run": "pump_run_feedback"})
        await wires.write({**OFF, "pump_run": True})
        await device.put(1, DISCRETES, 4, [True])
        await wires.scan()
        await wires.write(OFF)
        await wires.scan()
        assert wires.unconfirmed == {"pump_run": "its contactor stays in though its relay is off"}
        await device.put(1, DISCRETES, 4, [False])
        await wires.scan()
        assert wires.unconfirmed == {}
        wires.close()


def test_a_contactor_that_does_not_come_in_is_told() -> None:
    kept = Kept()
    kept.asks("pump_run", 0.0, on=True)
    kept.done("pump_run")
    kept.shows("pump_run", 0.2, is_in=False)
    assert kept.unrenewed == frozenset()
    kept.shows("pump_run", 1.5, is_in=False)
    assert kept.unrenewed == {"pump_run"}


async def test_a_board_that_cannot_be_read_is_not_asked_and_its_acknowledgements_count() -> None:
    points = {name: point.model_copy(update={"write_only": True}) for name, point in POINTS.items()}
    board = Board()
    async with odd_device(board.answer) as port:
        wires = Field({"io": link(port)}, points, renew_s=NEVER_S)
        await wires.write({"pump_run": True})
        await wires.scan()
        assert all(body[1] == 5 for body in board.asked)
        assert wires.errors == {}
        board.refuses_writes = True
        with pytest.raises(FieldError):
            await wires.write({"pump_run": False})
        assert set(wires.unconfirmed) == {"pump_run"}
        board.refuses_writes = False
        await wires.write({"pump_run": False})
        assert wires.unconfirmed == {}
        wires.close()


def test_a_valve_that_travels_is_given_its_time_and_no_more() -> None:
    kept = Kept()
    kept.asks("fill_valve", 0.0, on=True)
    kept.done("fill_valve")
    kept.shows("fill_valve", 5.0, is_in=False, takes_s=6.0)
    assert not kept.unrenewed
    kept.shows("fill_valve", 7.5, is_in=False, takes_s=6.0)
    assert kept.unrenewed == {"fill_valve"}
    kept.shows("fill_valve", 7.6, is_in=True, takes_s=6.0)
    kept.asks("fill_valve", 20.0, on=False)
    kept.done("fill_valve")
    kept.shows("fill_valve", 25.0, is_in=True, takes_s=6.0)
    assert not kept.unconfirmed
    kept.shows("fill_valve", 26.5, is_in=True, takes_s=6.0)
    assert kept.unconfirmed == {"fill_valve": "its valve stays open though its relay is off"}
