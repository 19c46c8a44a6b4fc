"""Whole fills on a board of other hands that stops obeying while its pump runs, over TCP and over a serial line.

The loop, the field and the wire are real; the board counts its own litres, and the record is held against them.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from plain_board import HEARTBEAT, Board, Mode, config_of, over_rtu, over_tcp

from rig.books.wording import cannot_text
from rig.control.moves.decide import Decision
from rig.control.words.values import Request, Setup
from rig.ledger.lock import LockedError
from rig.plan.target import Wanted
from rig.run.assembly import Question
from rig.run.interrupted import journal_of
from rig.run.loop import Fill, NotOff
from rig.run.person import Unattended
from rig.run.refused import Refused
from rig.run.session import Errand, close_as_is, fill_wheel
from rig.run.settings import Settings, load_settings

SPEED = 4.0
QUESTION = Question("11L-15", Wanted(volume_l=20.0))


@asynccontextmanager
async def rig(board: Board, folder: Path, wire: str, **more: object) -> AsyncIterator[Settings]:
    """A rig with this board, on a configuration of its own."""
    async with over_rtu(board, folder / "port") if wire == "rtu" else over_tcp(board) as link:
        config = folder / "rig.toml"
        config.write_text(config_of(link, board, **more), encoding="utf-8")  # type: ignore[arg-type]
        yield load_settings(config)


@dataclass
class Seen:
    """What a face was shown: the words, and the states that they came in."""

    words: list[str] = field(default_factory=list)
    states: list[str] = field(default_factory=list)
    alarms: list[str] = field(default_factory=list)

    def __call__(self, setup: Setup, decision: Decision) -> None:
        self.words.append(cannot_text(decision))
        self.states.append(decision.state.state.value)
        self.alarms += [str(entry.data["name"]) for entry in decision.entries if entry.kind == "alarm"]


class AtTheSwitch(Unattended):
    """Cuts the supply some seconds after it is asked for, and says so; until then asks for the end all the time."""

    def __init__(self, board: Board, after_s: float = 25.0) -> None:
        super().__init__()
        self._board, self._after_s = board, after_s
        self.refused = 0

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        state, now_s = decision.state, decision.state.now_s
        self.refused += any(each.name == "off_unconfirmed" for each in decision.missing)
        if state.supply_cut:
            return [Request(f"end-{now_s}", "end")]
        if state.unconfirmed_s is None:
            return super().requests(setup, decision)
        if now_s - state.unconfirmed_s < self._after_s:
            return [Request(f"end-{now_s}", "end")]
        self._board.step()
        self._board.supply_cut = True
        return [Request(f"cut-{now_s}", "supply_cut", by="Jo")]


def _unhurried(_fill: Fill) -> Callable[[], None]:
    return lambda: None


@pytest.mark.full
@pytest.mark.parametrize("wire", ["tcp", "rtu"])
@pytest.mark.parametrize("breaks_to", ["refuses", "silent"])
async def test_a_board_that_cannot_be_switched_off_keeps_the_fill_open_until_a_person_has_cut_the_supply(
    breaks_to: Mode, wire: str, tmp_path: Path
) -> None:
    board = Board(speed=SPEED, breaks_at_l=4.0, breaks_to=breaks_to)
    seen, person = Seen(), AtTheSwitch(board)
    async with rig(board, tmp_path, wire) as settings:
        record = (await fill_wheel(settings, Errand(QUESTION), person, seen, _unhurried)).document()
    assert any(text.startswith("CANNOT BE SWITCHED OFF FROM HERE: cut the pump's supply") for text in seen.words)
    assert person.refused > 0, "an end was accepted while the pump might run"
    assert "supply cut by hand" in str(record["flags"])
    assert record["outcome"] == "aborted"
    net_l, u_l = record["net_l"], record["net_u_l"]
    assert isinstance(net_l, float)
    assert isinstance(u_l, float)
    assert abs(net_l - board.litres) <= u_l
    if breaks_to == "silent":
        assert board.litres - net_l > 1.0, "the pump ran on unseen, or this test tells nothing"
        assert record["final_static_kpa"] is None


async def test_an_output_that_is_on_before_the_start_is_not_ours(tmp_path: Path) -> None:
    """Another machine's controller holds no lock here: its pump shows by the output that it has switched on."""
    board = Board(speed=SPEED)
    board.coils[0] = True
    async with rig(board, tmp_path, "tcp") as settings:
        with pytest.raises(LockedError, match=r"pump_run was on before .* another controller"):
            await fill_wheel(settings, Errand(QUESTION), Unattended(), Seen(), _unhurried)
    assert not any(board.coils)


@pytest.mark.full
async def test_unattended_the_fill_stays_open_and_is_closed_only_with_a_persons_word(tmp_path: Path) -> None:
    board = Board(speed=SPEED, breaks_at_l=2.0, breaks_to="silent")
    async with rig(board, tmp_path, "tcp") as settings:
        with pytest.raises(NotOff, match=r"CANNOT BE SWITCHED OFF FROM HERE(.|\n)*stays open"):
            await fill_wheel(settings, Errand(QUESTION), Unattended(), Seen(), _unhurried)
        folder = Path(settings.rig.data)
        with contextlib.closing(journal_of(folder)) as journal:
            (stored,) = journal.unfinished()
        with pytest.raises(Refused, match="--supply-cut"):
            await close_as_is(settings, folder, stored.fill_id)
        with pytest.raises(Refused, match="CANNOT BE SWITCHED OFF"):
            await fill_wheel(settings, Errand(QUESTION), Unattended(), Seen(), _unhurried)
        board.supply_cut = True
        record = (await close_as_is(settings, folder, stored.fill_id, supply_cut=True)).document()
    net_l, u_l = record["net_l"], record["net_u_l"]
    assert isinstance(net_l, float)
    assert isinstance(u_l, float)
    assert abs(net_l - board.litres) <= u_l


async def test_a_silent_board_whose_watchdog_counts_requests_drops_and_a_proven_one_ends_the_doubt(
    tmp_path: Path,
) -> None:
    board = Board(speed=SPEED, breaks_at_l=4.0, breaks_to="silent", watchdog=True)
    seen = Seen()
    async with rig(board, tmp_path, "tcp", proven=True) as settings:
        record = (await fill_wheel(settings, Errand(QUESTION), Unattended(), seen, _unhurried)).document()
    assert not board.coils[0], "the questions of a scan kept the watchdog from dropping"
    assert not board.supply_cut
    assert record["outcome"] == "aborted"
    net_l, u_l = record["net_l"], record["net_u_l"]
    assert isinstance(net_l, float)
    assert isinstance(u_l, float)
    assert abs(net_l - board.litres) <= u_l


@pytest.mark.full
async def test_the_heartbeat_keeps_the_supply_while_the_fill_runs_and_lets_it_go_when_the_board_is_lost(
    tmp_path: Path,
) -> None:
    board = Board(speed=SPEED, timers=True)
    async with rig(board, tmp_path, "tcp", more=HEARTBEAT) as settings:
        record = (await fill_wheel(settings, Errand(QUESTION), Unattended(), Seen(), _unhurried)).document()
    assert (record["outcome"], record["first_out"]) == ("complete", None)
    assert board.litres == pytest.approx(20.0, abs=0.5)
    lost, folder = Board(speed=SPEED, timers=True, breaks_at_l=4.0, breaks_to="lost"), tmp_path / "lost"
    folder.mkdir()
    async with rig(lost, folder, "tcp", more=HEARTBEAT) as settings:
        with pytest.raises(NotOff):
            await fill_wheel(settings, Errand(QUESTION), Unattended(), Seen(), _unhurried)
    # Told on for ever, and without supply: the timers let go, and a little more went in meanwhile.
    assert lost.coils[0]
    assert not lost.pumping
    assert lost.litres < 4.0 + 25 / 60 * 5.0


async def test_another_machine_on_the_same_board_is_told_as_another_controller(tmp_path: Path) -> None:
    board = Board(speed=SPEED)

    async def other() -> None:
        """Switches the reverse relay on whenever this fill runs its pump: nobody here told it to."""
        while not board.pumping:
            await asyncio.sleep(0.001)
        board.coils[1] = True

    seen = Seen()
    async with rig(board, tmp_path, "tcp") as settings:
        meddling = asyncio.create_task(other())
        record = (await fill_wheel(settings, Errand(QUESTION), Unattended(), seen, _unhurried)).document()
        await meddling
    assert record["first_out"] in ("another_controller", "both_directions")
    assert "another_controller" in seen.alarms
    assert not any(board.coils[:4])
