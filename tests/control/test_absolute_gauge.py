"""An absolute transmitter: a fill like any other where its unit says so, and no fill where it is wired as gauge."""

from __future__ import annotations

from dataclasses import replace

import pytest
from virtual_fills import fill_of, rig_settings, run_fill

from rig.control.decide import Decision
from rig.control.procedure import State
from rig.run.assembly import Question

GAUGE = {"link": "io", "table": "input", "address": 2, "type": "u16", "scale": 0.01}


def test_a_fill_by_an_absolute_transmitter_is_a_fill_like_any_other() -> None:
    ran = run_fill("11L-15", points__line_pressure={**GAUGE, "quantity": "psia"}, rig__atmosphere="90 kPa")
    assert ran.record["outcome"] == "complete"
    assert ran.net_l == pytest.approx(ran.truth_l, abs=0.1)
    assert ran.peak_kpa <= rig_settings().limits.ceiling + 1.0


def test_the_noise_of_an_absolute_transmitter_is_a_difference() -> None:
    settings = rig_settings(points__line_pressure={**GAUGE, "quantity": "psia", "noise": 0.1})
    # 0.1 psi is 0.689 kPa, whatever it counts from (NIST SP 811: 1 psi = 6.894757 kPa).
    assert fill_of(settings, Question("11L-15")).setup.line_gauge.noise_kpa == pytest.approx(0.6894757)


def test_an_absolute_transmitter_wired_as_gauge_is_not_filled_on() -> None:
    """The simulated transmitter shows 14.7 psi more than there is; an empty tyre so stands below the arrival limit."""
    refused: set[str] = set()

    def see(decision: Decision) -> None:
        refused.update(missing.text for missing in decision.missing)

    fill = fill_of(rig_settings(sim__start_pressure="0 psi"), Question("11L-15"))
    fill.rig.plant.upset(replace(fill.rig.plant.upsets, pressure_offset_kpa=101.325))
    fill.watch = see
    last = fill.run(most_s=120.0)
    assert last.state.state is State.IDLE
    assert any("just what an absolute gauge shows in open air" in text for text in refused)
