"""A rig of round figures, for expected values that are worked by hand."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from virtual_fills import fill_of, rig_settings

from rig.control.belief.state import FillState, new_fill
from rig.control.words.changed import changed
from rig.control.words.values import Meter, Setup
from rig.run.assembly import Question

AIR = 101.325
METER = Meter(100.0, 1.0, 32, "signed", second_channel=False, uncertainty=0.01, proven=True, least_l=2.0)


@cache
def _demonstration() -> Setup:
    return fill_of(rig_settings(tote__fluid="water"), Question("16.9-28", fluid="water")).setup


def plain_setup(
    line: dict[str, object] | None = None, meter: dict[str, object] | None = None, **fields: object
) -> Setup:
    """A cavity of 400 L known to 20 L, water, 100 pulses a litre; the pump moves 0.6 L/s."""
    setup = _demonstration()
    pipe = {
        "pump_lps": 0.6, "reverse_lps": 0.5, "hose_l": 4.0, "suction_l": 1.5, "rise_m": 0.6, "density_kg_m3": 1000.0,
        "atmosphere_kpa_abs": AIR, "vapour_kpa": 1.7, "start_lag_s": 0.2, "coast_s": 1.0,
    }  # fmt: skip
    about = {
        "cavity": replace(setup.cavity, volume_l=400.0, low_l=380.0, high_l=420.0),
        "line": replace(setup.line, **{**pipe, **(line or {})}),
        "meter": replace(METER, **(meter or {})),
        "existing_l": 0.0,
        "target_l": 300.0,
    }
    return replace(setup, **{**about, **fields})


def plain_state(setup: Setup, tally: dict[str, object] | None = None, **fields: object) -> FillState:
    """A fill that was just opened, its valve open and its hose full, with these changes."""
    state = new_fill(setup)
    booked = changed(state.tally, hose_start_l=4.0, hose_l=4.0)
    return changed(state, **{"valve_open": True, "tally": changed(booked, **(tally or {})), **fields})
