"""Whole fills of a pump behind run and direction: the simulated rig wired so, air drawn out by the reversed pump."""

from __future__ import annotations

from pathlib import Path

import pytest
from serial_rigs import demo, fill, served


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
    assert record["outcome"] == "complete", record
    assert abs(record["net_l"] - float(str(truth["delivered_l"]))) < 0.2
