"""A count that comes at once: a stalled clock, told from single pulses by the flow that is known."""

from __future__ import annotations

from dataclasses import replace

import pytest
from virtual_fills import fill_of, rig_settings

from rig.control.belief.passing import leapt_l
from rig.run.assembly import Question

pytestmark = pytest.mark.fast


@pytest.mark.parametrize(("flow_lps", "pulses", "leaps"), [(0.5, 25, False), (0.5, 40, True), (0.05, 4, True)])
def test_a_scan_may_count_half_a_second_of_its_flow_at_once(flow_lps: float, pulses: int, leaps: bool) -> None:
    """100 pulses a litre: 0.05 L of the scan itself at 0.5 L/s, and 0.25 L of half a second."""
    setup = fill_of(rig_settings("vent"), Question("16.9-28")).setup
    setup = replace(setup, meter=replace(setup.meter, k_per_l=100.0, factor=1.0))
    assert (leapt_l(setup, pulses, 0.1, flow_lps) > 0) is leaps


def test_single_pulses_of_a_slow_flow_are_no_leap() -> None:
    setup = fill_of(rig_settings("vent"), Question("16.9-28")).setup
    setup = replace(setup, meter=replace(setup.meter, k_per_l=20.0, factor=1.0))
    assert not leapt_l(setup, 3, 0.1, 0.02)
    assert leapt_l(setup, 4, 0.1, 0.02)
