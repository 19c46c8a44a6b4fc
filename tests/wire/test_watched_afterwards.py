"""A fill at the terminal that ended with its valve open: the rig stays watched until the person has shut it."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest
from plain_board import Board, Mode, config_of, over_tcp

from rig.cli.face import Lines
from rig.cli.terminal import Terminal
from rig.control.moves.decide import Decision
from rig.control.words.procedure import State
from rig.control.words.values import Request, Setup
from rig.plan.target import Wanted
from rig.run.afterwards import AFTER_END
from rig.run.assembly import Question
from rig.run.interrupted import journal_of
from rig.run.loop import Fill
from rig.run.person import Unattended
from rig.run.session import Errand, fill_wheel
from rig.run.settings import load_settings

SPEED = 4.0


class Stops(Unattended):
    """Stops the fill for good once so much is in."""

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        if decision.state.state is State.RUNNING and decision.facts.in_tyre_l > 4:
            return [Request("stop", "stop", by="test")]
        return super().requests(setup, decision)


class Keyboard:
    """Standard input on which Enter is pressed when the test says so."""

    def __init__(self) -> None:
        self.enter = threading.Event()

    def __iter__(self) -> Iterator[str]:
        self.enter.wait()
        yield "\n"


def _no_signals(_fill: Fill) -> Callable[[], None]:
    return lambda: None


@pytest.mark.full
@pytest.mark.parametrize(
    ("breaks_to", "name"), [("welded forward", "flow_while_stopped"), ("welded reverse", "moves_while_off")]
)
async def test_a_contactor_that_welds_after_the_end_is_reported_and_kept(
    breaks_to: Mode, name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    board, keyboard, printer, alerts = Board(speed=SPEED), Keyboard(), Lines(), []
    monkeypatch.setattr("sys.stdin", keyboard)
    async with over_tcp(board) as link:
        config = tmp_path / "rig.toml"
        config.write_text(config_of(link, board), encoding="utf-8")
        settings = load_settings(config)
        ended = await fill_wheel(
            settings, Errand(Question("11L-15", Wanted(volume_l=20.0))), Stops(), printer, _no_signals
        )
        assert ended.work.outcome == "stopped"
        assert printer.last is not None
        board.step()
        board.mode = breaks_to

        def alert(text: str) -> None:
            alerts.append(text)
            keyboard.enter.set()

        async with asyncio.timeout(60):
            await Terminal("Jo", settings).watches(printer.last, alert)
    assert len(alerts) == 1
    with contextlib.closing(journal_of(Path(settings.rig.data))) as journal:
        found = [each.data for each in journal.entries(ended.work.fill_id) if each.kind == AFTER_END]
    assert [each["name"] for each in found] == [name]
    assert not any(board.coils)
