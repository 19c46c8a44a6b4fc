"""Commissioning on simulated modules that nobody has described to it: other maps, orders, units, speeds, channels."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest
from commissioned import RIGS, commissioned, hidden_rig

from rig.commission.found import Checked
from rig.field.points import Point
from rig.run.air_look import air_setup
from rig.run.check import check_text
from rig.run.settings import Settings, load_settings

QUICK = "three units, words swapped"


@pytest.mark.parametrize(
    "name", [each if each == QUICK else pytest.param(each, marks=pytest.mark.release) for each in RIGS]
)
async def test_a_rig_that_nobody_described_is_commissioned(name: str, tmp_path: Path) -> None:
    drawn = RIGS[name]
    async with hidden_rig(name, tmp_path) as (rig, hands):
        ended = await commissioned(hands, tmp_path / "rig.toml", drawn)
        on = [each for each in ("pump_run", "pump_reverse", "vent_valve") if rig.modules.shown(each)]
        truth = hands.settings
    assert on == [], "something was left on"
    assert ended.whole
    found = load_settings(tmp_path / "rig.toml")
    same_map(found, truth)
    tests = [test for each in ended.progress.done.values() for test in each.tests]
    assert {test.what: test.seen for test in tests if not test.good}.keys() == drawn.odd.keys(), tests
    assert all(seen in _seen(tests, what) for what, seen in drawn.odd.items())
    _measured(found, truth)
    assert drawn.shown({each: point.model_dump() for each, point in found.points.items()})
    assert check_text(found)[0]["name"] == "Bay 9"


def _seen(tests: Sequence[Checked], what: str) -> str:
    return next(test.seen for test in tests if test.what == what)


def same_map(found: Settings, truth: Settings) -> None:
    """Every point is where it is, and reads as it should."""
    assert found.points.keys() == truth.points.keys()
    for name, point in truth.points.items():
        mine = found.points[name]
        keys = ("unit", "table", "address", "order", "bit", "inverted")
        there = [getattr(mine, key) for key in keys]
        assert there == [getattr(point, key) for key in keys] or mine == low_word_of(point, mine), name
        if name in ("meter_count", "meter_reverse_count", "output_timeout"):
            assert mine.type in (point.type, "u16"), name
    for link in found.links.values():
        assert link.kind == truth.links["io"].kind
        for key in ("baud", "parity", "stop_bits", "framer"):
            assert getattr(link, key, None) == getattr(truth.links["io"], key, None)
    for name, psis in (("line_pressure", (-3.0, 0.0, 20.0, 55.0)), ("tank_pressure", (0.0, 40.0, 140.0))):
        for psi in psis if name in truth.points else ():
            # The same raw number means the same pressure, to a hundredth of the range.
            raw = _psi_to_raw(truth.points[name], psi)
            assert _raw_to_psi(found.points[name], raw) == pytest.approx(psi, abs=psis[-1] / 90)
    assert found.air_tank == truth.air_tank
    if found.air_tank is not None:
        assert air_setup(found).by_hand is ("air_valve" not in truth.points)


def low_word_of(point: Point, mine: Point) -> Point:
    """A count of which only the low word has moved may be read as that: the same pulses."""
    swapped = point.order in ("BADC", "DCBA")
    low = point.address + (point.order in ("ABCD", "BADC"))
    return mine.model_copy(update={"address": low, "order": "BADC" if swapped else "ABCD", "type": "u16"})


def _psi_to_raw(point: Point, psi: float) -> float:
    value = psi * {"psi": 1.0, "bar": 0.0689476}[point.quantity]
    return (value - point.offset) / point.scale


def _raw_to_psi(point: Point, raw: float) -> float:
    return (raw * point.scale + point.offset) / {"psi": 1.0, "bar": 0.0689476}[point.quantity]


def _measured(found: Settings, truth: Settings) -> None:
    """What the short runs show, against the plant; the wall clock of a busy machine is in them."""
    assert found.meter.reverse == truth.meter.reverse
    assert found.pump.flow == pytest.approx(truth.pump.flow, rel=0.1)
    # Half the coast, and the relay's own delay.
    assert found.pump.coast == pytest.approx(truth.pump.coast + 0.1, abs=0.4)
    assert found.pump.start_lag == pytest.approx(truth.pump.start_lag + 0.1, abs=0.4)
