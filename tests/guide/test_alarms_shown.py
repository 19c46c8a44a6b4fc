"""What the guide says shows an alarm on a simulated rig does so, whenever within some seconds the fill was started."""

from __future__ import annotations

import pytest
from virtual_fills import fill_of, rig_settings

from rig.control.safety.guards import GUARDS
from rig.guide.alarms import simulated
from rig.run.assembly import Question
from sim.faults import read_fault

_LATER_S = (30.0, 120.0)
"""Simulated time that passes between the start of the simulated rig and that of the fill: one and four seconds."""
SHOWN = {guard.name: shown for guard in GUARDS if (shown := simulated(guard.name)) is not None}


@pytest.mark.full
@pytest.mark.parametrize("later_s", _LATER_S)
@pytest.mark.parametrize("name", SHOWN)
def test_a_fault_that_the_guide_names_shows_its_alarm(name: str, later_s: float) -> None:
    shown = SHOWN[name]
    fault = shown.fault.partition("@")[0]
    onset_s = max(read_fault(shown.fault).onset_s - later_s, 0.0)
    layout = {"demo": "vent", "demo-draw-down": "draw-down"}[shown.config]
    fill = fill_of(rig_settings(layout), Question("16.9-28"), [f"{fault}@{onset_s:g}"])
    last = fill.run(most_s=1500, until=lambda d: d.state.alarms.first_out is not None)
    assert last.state.alarms.first_out == name
