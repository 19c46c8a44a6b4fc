"""Plant time against wall time."""

from __future__ import annotations

import pytest

from sim.pace import LEAD_S, PATIENCE_S, Pace


def test_real_time_is_wall_time_whoever_asks() -> None:
    pace = Pace(1.0, 100.0)
    pace.asked(100.0)
    assert pace.asked(101.0) == pytest.approx(1.0)
    assert pace.advance(101.9) == pytest.approx(1.9)
    assert pace.advance(150.0) == pytest.approx(50.0)


def test_plant_time_begins_with_the_first_request() -> None:
    pace = Pace(30.0, 0.0)
    assert pace.advance(7.0) == 0.0
    assert pace.asked(8.0) == 0.0
    assert pace.advance(8.002) == pytest.approx(0.06)


def test_a_stalled_master_holds_the_plant_back_and_is_given_up_in_the_end() -> None:
    pace = Pace(30.0, 0.0)
    assert pace.asked(1.0) == 0.0
    assert pace.advance(1.002) == pytest.approx(0.06)
    assert pace.advance(1.5) == pytest.approx(LEAD_S)
    assert pace.advance(1.0 + PATIENCE_S) == pytest.approx(LEAD_S)
    assert pace.advance(1.0 + PATIENCE_S + 0.1) == pytest.approx(LEAD_S + 3.0)
    assert pace.asked(1.0 + PATIENCE_S + 0.2) == pytest.approx(LEAD_S + 6.0)
    assert pace.advance(1.0 + PATIENCE_S + 0.3) == pytest.approx(2 * LEAD_S + 6.0)


def test_one_long_look_is_the_same_as_many_short_ones() -> None:
    short, long = Pace(50.0, 0.0), Pace(50.0, 0.0)
    for pace in (short, long):
        pace.asked(0.3)
    for step in range(1, 301):
        short.advance(0.3 + step / 100)
    assert long.advance(3.3) == pytest.approx(short.advance(3.3))


def test_a_prompt_master_is_never_held_back() -> None:
    pace = Pace(30.0, 0.0)
    plant_s = pace.asked(0.0)
    for scan in range(1, 1000):
        plant_s = pace.asked(scan * 0.09 / 30)
    assert plant_s == pytest.approx(0.09 * 999)


def test_time_never_goes_back() -> None:
    pace = Pace(1.0, 5.0)
    pace.asked(5.0)
    assert pace.advance(6.0) == pytest.approx(1.0)
    assert pace.advance(5.5) == pytest.approx(1.0)
    assert pace.asked(4.0) == pytest.approx(1.0)
