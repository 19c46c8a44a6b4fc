"""A counter module that goes silent: not run compiled, since it replaces a class that is."""

from __future__ import annotations

from collections.abc import Collection
from typing import cast

from virtual_fills import GivesTheMeterUp, fill_of, record_of, rig_settings

from rig.control.words.flags import End
from rig.control.words.values import Reading
from rig.run.assembly import Question
from sim.virtual import VirtualFill, VirtualRig


class LosesItsMeter(VirtualRig):
    """A rig whose counter module goes silent."""

    silent_from_s = 0.0

    def scan(self, acting: int = 0, idle: Collection[str] = ()) -> Reading:
        super().scan(acting, idle)
        if self.now_s > self.silent_from_s:
            self.values["meter_count"].at_s = self.silent_from_s
        return self.reading(acting, idle)


def test_a_silent_meter_module_is_left_out_and_the_rest_goes_on() -> None:
    sound = fill_of(rig_settings(), Question("11L-15"))
    rig = LosesItsMeter(sound.rig.settings)
    looks = sound.run(until=lambda d: d.state.stroke.ended_by is End.LOOK and d.facts.off_s > 3.5)
    rig.silent_from_s = looks.state.now_s
    last = VirtualFill(rig, sound.setup, GivesTheMeterUp()).run()
    record = record_of(sound.setup, last.state)
    assert record["outcome"] == "complete"
    assert record["measured_by"] == "tote level"
    true_l = rig.plant.tyre.liquid_l - rig.plant.start_liquid_l
    assert abs(cast("float", record["net_l"]) - true_l) <= cast("float", record["net_u_l"])
