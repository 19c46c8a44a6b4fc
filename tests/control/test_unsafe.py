"""The pressure on the screen: of gauge and air space the one on the unsafe side, with its age."""

from __future__ import annotations

from dataclasses import replace

import pytest
from moments import moment
from plain import plain_setup, plain_state

from rig.control.belief.observe import Facts
from rig.control.belief.pressure import Band
from rig.control.belief.rest import Gauge
from rig.control.belief.state import FillState, Moved, Stroke
from rig.control.belief.unsafe import TyreShown, tyre_shown

SETUP = plain_setup()
GAS, LINE = Band(50.0, 60.0, 70.0), Band(40.0, 55.0, 80.0)
HEAD_KPA = 5.884
"""0.6 m of water in the full hose."""


def facts_of(line_kpa: float | None = 90.0, fresh: bool = True, **fields: object) -> Facts:
    _, facts = moment("fill")
    usual = {
        "valve_open": True, "venting": False, "forward": False, "reverse": False, "rests": False, "off_s": 2.1,
        "gas": GAS, "line": LINE, "tyre_kpa": 65.0, "covered_m": 0.0, "moves_kpa_s": 0.0, "stroke": Stroke(),
    }  # fmt: skip
    reading = replace(facts.reading, line_kpa=line_kpa, tyre_kpa=None, fresh=fresh)
    return replace(facts, **{**usual, **fields}, reading=reading)


def state_of(**fields: object) -> FillState:
    return plain_state(SETUP, **{"now_s": 100.0, "told_s": 90.0, "line": Gauge(at_s=97.0), **fields})


def shown(facts: Facts, **state: object) -> tuple[float | None, float]:
    seen: TyreShown = tyre_shown(SETUP, state_of(**state), facts)
    return seen.kpa, seen.age_s


def test_while_liquid_flows_in_the_higher_estimate_is_shown() -> None:
    assert shown(facts_of(forward=True)) == (60.0, 10.0)
    assert shown(facts_of(forward=True, line=Band(50.0, 61.0, 80.0))) == (61.0, 0.0)
    assert shown(facts_of(forward=True, line=None)) == (60.0, 10.0)
    assert shown(facts_of(forward=True, gas=None)) == (55.0, 0.0)


def test_while_air_or_liquid_leaves_the_lower_one() -> None:
    assert shown(facts_of(reverse=True)) == (60.0, 10.0)
    assert shown(facts_of(reverse=True, tyre_kpa=30.0)) == (30.0, 0.0)


def test_at_rest_the_gauge_tells_and_the_estimate_is_not_asked() -> None:
    assert shown(facts_of(rests=True)) == (65.0, 0.0)
    assert shown(facts_of(rests=True), fell=Moved(50.0, 9.0)) == (65.0, 0.0)


@pytest.mark.parametrize(
    ("off_s", "fields", "state", "kpa"),
    [
        # Before the gauge has followed the stop, a second after the pump has coasted, only the estimate is shown.
        (1.9, {}, {}, 60.0), (2.0, {}, {}, 90.0 - HEAD_KPA),
        (2.1, {"stroke": Stroke(lets_out=True)}, {}, 60.0),
        (2.1, {}, {"fell": Moved(50.0, 9.0), "rose": Moved(40.0, 9.0)}, 60.0),
        (2.1, {}, {"fell": Moved(40.0, 9.0), "rose": Moved(50.0, 9.0)}, 90.0 - HEAD_KPA),
        (2.1, {"moves_kpa_s": -0.5}, {}, 60.0), (2.1, {"moves_kpa_s": 0.5}, {}, 90.0 - HEAD_KPA),
    ],
)  # fmt: skip
def test_after_a_stop_high_is_unsafe_unless_the_pressure_was_let_down(
    off_s: float, fields: dict[str, object], state: dict[str, object], kpa: float
) -> None:
    assert shown(facts_of(off_s=off_s, **fields), **state)[0] == pytest.approx(kpa, abs=0.001)


def test_a_gauge_that_sees_the_line_and_not_the_tyre_is_not_shown() -> None:
    assert shown(facts_of(venting=True)) == (60.0, 10.0)
    assert shown(facts_of(valve_open=False)) == (60.0, 10.0)
    assert shown(facts_of(line_kpa=None)) == (60.0, 10.0)
    by_hand = replace(SETUP, by_hand=True)
    assert tyre_shown(by_hand, state_of(), facts_of(off_s=0.0)).kpa == 65.0


def test_values_that_are_held_grow_old() -> None:
    assert shown(facts_of(rests=True, fresh=False)) == (65.0, 3.0)
    assert shown(facts_of(rests=True, fresh=False), line=Gauge(at_s=101.0)) == (65.0, 0.0)
    assert shown(facts_of(venting=True), told_s=101.0) == (60.0, 0.0)
    assert shown(facts_of(venting=True, gas=None, fresh=False)) == (65.0, 3.0)
    assert shown(facts_of(venting=True, gas=None, tyre_kpa=None)) == (None, 0.0)
