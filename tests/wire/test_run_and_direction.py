"""Whole fills of a pump behind run and direction: the simulated rig wired so, and a board of other hands.

Frames of that board: see plain_board.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from plain_board import Board, config_of, over_rtu, over_tcp
from serial_rigs import demo, fill, served

from rig.plan.target import Wanted
from rig.run.assembly import Question
from rig.run.person import Unattended
from rig.run.session import Errand, fill_wheel
from rig.run.settings import load_settings


@pytest.mark.full
@pytest.mark.parametrize("layout", ["demo.toml", "demo-draw-down.toml"])
async def test_a_fill_by_run_and_direction_ends_complete_and_lets_go_of_the_direction(
    layout: str, tmp_path: Path
) -> None:
    document = demo(tmp_path, layout=layout)
    points = document["points"]
    points["motor_run"], points["motor_direction"] = points.pop("pump_run"), points.pop("pump_reverse")
    points["motor_run_feedback"] = {"link": "io", "table": "discrete", "address": 6}
    points["motor_direction_feedback"] = {"link": "io", "table": "discrete", "address": 7}
    async with served(document) as (settings, rig):
        record = await fill(settings)
        truth, modules = rig.document(), rig.modules
        assert not modules.shown("motor_run")
        assert not modules.shown("motor_direction")
    assert (record["outcome"], record["first_out"]) == ("complete", None)
    assert abs(record["net_l"] - float(str(truth["delivered_l"]))) < 0.2


@pytest.mark.full
@pytest.mark.parametrize("wire", ["tcp", "rtu"])
async def test_a_board_of_other_hands_is_never_turned_while_it_runs(wire: str, tmp_path: Path) -> None:
    board = Board(speed=4.0, directed=True)
    async with over_rtu(board, tmp_path / "port") if wire == "rtu" else over_tcp(board) as link:
        config = tmp_path / "rig.toml"
        config.write_text(config_of(link, board), encoding="utf-8")
        settings, question = load_settings(config), Question("11L-15", Wanted(volume_l=12.0))
        record = (await fill_wheel(settings, Errand(question), Unattended(), lambda _setup, _decision: None)).document()
    assert record["outcome"] == "complete", (record["first_out"], record["flags"])
    assert board.litres == pytest.approx(12.0, abs=0.5)
    assert board.reversed_off, "the hose was never reversed off"
    assert board.turned_while_running == 0
    assert not any(board.coils[:2])
