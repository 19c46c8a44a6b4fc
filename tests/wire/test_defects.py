"""A defect of the controller itself: everything off, the count kept, the next start told."""

from __future__ import annotations

from pathlib import Path

import pytest
from serial_rigs import demo, fill, served

from rig.control.moves.decide import Decision
from rig.control.words.procedure import Phase
from rig.control.words.values import Setup
from rig.field.field import Field
from rig.run.loop import Impossible
from rig.run.refused import Refused
from rig.run.session import close_as_is


async def test_a_broken_rule_of_its_own_switches_everything_off_and_keeps_the_count(tmp_path: Path) -> None:
    ids = []

    def break_a_rule(setup: Setup, decision: Decision) -> None:
        ids.append(setup.fill_id)
        assert not (decision.state.phase is Phase.FILL and decision.facts.in_tyre_l > 5), "a rule of its own"

    async with served(demo(tmp_path, speed=20)) as (settings, rig):
        with pytest.raises(Impossible, match="a rule of its own"):
            await fill(settings, break_a_rule)
        wires = Field(settings.links, settings.points)
        await wires.scan()
        wires.close()
        assert [wires.values[name].raw for name in ("pump_run", "pump_reverse", "vent_valve")] == [0, 0, 0]
        with pytest.raises(Refused, match="was interrupted in step 'fill'"):
            await fill(settings)
        record = (await close_as_is(settings, Path(settings.rig.data), ids[0])).document()
        truth = rig.document()
    assert record["outcome"] == "stopped"
    assert record["net_l"] == pytest.approx(float(str(truth["delivered_l"])), abs=0.5)
