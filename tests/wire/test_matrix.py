"""What a plain board does that stops obeying, and what comes of it: seconds to the words and to safe, litres, pressure.

The short form runs a few rows at four times real time. The whole table at real time, over TCP and over a serial line:
`RIG_MATRIX=1 pytest -n 4 -rP tests/wire/test_matrix.py`.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from plain_board import PSI, Board, Mode, config_of, over_rtu, over_tcp

from rig.control.moves.decide import Decision
from rig.control.safety.guards import GUARD_NAMED
from rig.control.words.procedure import State
from rig.control.words.values import Request, Setup
from rig.plan.target import Wanted
from rig.run.assembly import Question
from rig.run.loop import Fill
from rig.run.person import Unattended
from rig.run.session import Errand, fill_wheel
from rig.run.settings import load_settings

WHOLE = bool(os.environ.get("RIG_MATRIX"))
SPEED = 1.0 if WHOLE else 4.0
BREAKS_AT_L = 6.0
REACTS_S = 5.0
"""After so long a person who was called cuts the supply and shuts the gun."""


@dataclass(frozen=True)
class Case:
    """What breaks, over which wire, and what the board has against it."""

    breaks_to: Mode
    wire: str
    watchdog: bool = False

    def __str__(self) -> str:
        return f"{self.breaks_to}, {self.wire}{', watchdog' if self.watchdog else ''}"


_BREAKS: tuple[Mode, ...] = ("refuses", "silent", "lost")
_WELDS: tuple[Mode, ...] = ("welded forward", "welded reverse", "welded vent")
TABLE = [
    *(Case(mode, wire, watchdog) for mode in _BREAKS for watchdog in (False, True) for wire in ("tcp", "rtu")),
    *(Case(mode, wire) for mode in _WELDS for wire in ("tcp", "rtu")),
]
SHORT = [Case("lost", "rtu", watchdog=True), Case("welded forward", "tcp"), Case("welded reverse", "rtu"),
         Case("welded vent", "tcp")]  # fmt: skip
QUESTION = Question("11L-15", Wanted(volume_l=20.0))


@dataclass
class AtTheRig(Unattended):
    """Answers what is asked; some seconds after the first words cuts the supply, shuts the gun, says so, and ends."""

    board: Board
    called_s: float | None = None
    words: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__()

    def watch(self, _setup: Setup, decision: Decision) -> None:
        """What a face shows."""
        names = [str(entry.data["name"]) for entry in decision.entries if entry.kind == "alarm"]
        if self.board.broke_s is not None and names:
            self.called_s = self.board.now_s if self.called_s is None else self.called_s
            self.words += names

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        board, state = self.board, decision.state
        if self.called_s is None:
            return super().requests(setup, decision)
        board.step()
        if board.now_s - self.called_s < REACTS_S:
            return []
        if board.still_s is None:
            board.supply_cut = board.gun_shut = True
        if state.unconfirmed_s is not None and not state.supply_cut:
            return [Request(f"cut-{state.now_s}", "supply_cut", by="Jo")]
        ends = state.state in (State.HELD, State.ABORTED)
        return [Request(f"end-{state.now_s}", "end", by="Jo")] if ends else []


@dataclass(frozen=True)
class Row:
    """What came of one case."""

    case: Case
    told_s: float
    """From the break to the first words."""
    safe_s: float
    """From the break until nothing moved any more."""
    by_hand: bool
    truth_l: float
    net_l: float
    u_l: float
    lowest_psi: float
    highest_psi: float
    words: tuple[str, ...]

    @property
    def text(self) -> str:
        return (
            f"{self.case!s:<26} told {self.told_s:5.1f} s  safe {self.safe_s:5.1f} s"
            f" {'by hand' if self.by_hand else '':<7}  true {self.truth_l:5.2f} L"
            f"  record {self.net_l:5.2f} ± {self.u_l:5.2f} L"
            f"  {self.lowest_psi:5.1f} to {self.highest_psi:4.1f} psi  {GUARD_NAMED[self.words[0]].text}"
            f" ({', '.join(self.words)})"
        )


def _unhurried(_fill: Fill) -> Callable[[], None]:
    return lambda: None


async def outcome(case: Case, folder: Path) -> Row:
    """Run one fill that breaks in the middle, until its record is written."""
    board = Board(speed=SPEED, breaks_at_l=BREAKS_AT_L, breaks_to=case.breaks_to, watchdog=case.watchdog)
    person = AtTheRig(board)
    async with over_rtu(board, folder / "port") if case.wire == "rtu" else over_tcp(board) as link:
        config = folder / "rig.toml"
        config.write_text(config_of(link, board, proven=case.watchdog, meter='reverse = "none"'), encoding="utf-8")
        record = (
            await fill_wheel(load_settings(config), Errand(QUESTION), person, person.watch, _unhurried)
        ).document()
    assert board.broke_s is not None, f"{case}: the fill ended before anything broke: {record}"
    assert person.called_s is not None, f"{case}: nobody was told"
    assert board.still_s is not None, f"{case}: it still moves"
    net_l, u_l = record["net_l"], record["net_u_l"]
    assert isinstance(net_l, float)
    assert isinstance(u_l, float)
    return Row(
        case,
        person.called_s - board.broke_s,
        board.still_s - board.broke_s,
        board.supply_cut,
        board.litres,
        net_l,
        u_l,
        board.lowest_kpa / PSI,
        board.highest_kpa / PSI,
        tuple(person.words),
    )


@pytest.mark.full
@pytest.mark.timeout(600)
@pytest.mark.parametrize("case", TABLE if WHOLE else SHORT, ids=str)
async def test_whatever_breaks_is_told_and_made_safe_and_the_record_holds_the_truth(case: Case, tmp_path: Path) -> None:
    row = await outcome(case, tmp_path)
    print(row.text)
    assert row.lowest_psi > -1.0, row.text
    assert row.highest_psi < 25.0, row.text
    assert abs(row.net_l - row.truth_l) <= row.u_l + 0.1, row.text
