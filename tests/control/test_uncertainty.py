"""The parts of the uncertainty of a net volume, each by hand: 100 L by a meter of 1 % with steps of 0.01 L."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from plain import METER, plain_setup, plain_state

from rig.control.belief.accounting import Count, Register
from rig.control.belief.airspace import Found
from rig.control.belief.doubts import Doubt
from rig.control.belief.state import FillState, Mark
from rig.control.belief.uncertainty import (
    Within,
    account,
    combined,
    estimated,
    net_within,
    unattended_uncertainty_l,
)
from rig.control.words.flags import Flag
from rig.control.words.values import Setup
from rig.plan.physics import flow_lps

SETUP = plain_setup(beside=())
LEVEL = replace(METER, kind="tote level", k_per_l=10.0, uncertainty=0.05, repeat=0.01, behind_s=2.0)


def at(tally: dict[str, object] | None = None, setup: Setup = SETUP, **fields: object) -> FillState:
    return plain_state(setup, {"pulses_forward": 10_000, **(tally or {})}, **fields)


def parts(state: FillState, setup: Setup = SETUP) -> dict[str, tuple[float, float]]:
    return {each.reason: (each.less_l, each.more_l) for each in account(setup, state) if each.less_l or each.more_l}


def even(litres: float) -> tuple[float, float]:
    return pytest.approx(litres), pytest.approx(litres)


def test_of_a_plain_count_only_meter_and_pulses_are_uncertain() -> None:
    assert parts(at()) == {"meter": even(1.0), "pulse": even(0.02)}
    within = net_within(SETUP, at())
    assert within.u_l == within.less_l == within.more_l == pytest.approx(math.hypot(1.0, 0.02))
    assert not estimated(SETUP, at())


def test_an_earlier_meter_keeps_its_own_share() -> None:
    state = at({"earlier_forward_l": 60.0, "earlier_returned_l": 10.0, "earlier_u_l": 0.7})
    assert parts(state) == {"earlier meter": even(0.7), "meter": even(1.0), "pulse": even(0.02)}


def test_after_an_air_draw_front_and_refilled_hose_are_uncertain_too() -> None:
    """A twentieth of the hose's 4 L; a hundredth of what went into it again, here 3 L less than came forward."""
    state = at({"air_returned_l": 20.0, "pulses_returned": 2300, "hose_l": 4.0})
    assert state.tally.net_l(SETUP.meter) == pytest.approx(97.0)
    found = parts(state)
    assert found["air front"] == even(0.05 * 4.0 + 0.01 * 3.0)
    assert found["meter"] == even(1.0), "of all that came forward"
    near = replace(state, flags=frozenset({Flag.NEAR_LEVEL}))
    assert parts(near)["air front"] == even(0.3 * 4.0 + 0.01 * 3.0)
    assert estimated(SETUP, near)
    drawn_liquid = at({"pulses_returned": 2300}, flags=frozenset({Flag.NEAR_LEVEL}))
    assert parts(drawn_liquid)["air front"] == even(1.2)
    assert parts(drawn_liquid)["meter"] == even(0.77)


def test_a_meter_that_counts_part_of_the_air_does_not_locate_it() -> None:
    """Three quarters of the suction line's 1.5 L."""
    part = plain_setup(meter={"on_air": "part"}, beside=())
    assert parts(at({"air_untold_l": 5.0}), part)["air in the suction"] == even(1.125)
    assert "air in the suction" not in parts(at(), part)


def test_one_that_counts_it_is_wrong_by_the_gauge_s_lag_with_each_refilling() -> None:
    """3 % of the suction line's 1.5 L, and the hose of 4 L refilled twice: 8 L more came than stayed."""
    twice = {"air_returned_l": 20.0, "pulses_returned": 2800}
    assert parts(at(twice))["air in the suction"] == even(0.03 * 1.5 * 2)
    assert "air in the suction" not in parts(at(twice), plain_setup(meter={"on_air": "blind"}, beside=()))
    assert "air in the suction" not in parts(at({"pulses_returned": 800}))


def test_a_vented_hose_gives_back_what_it_had_stretched_by() -> None:
    """3e-5 of its 4 L for each kPa from ceiling to floor, in each of three strokes."""
    falls_kpa = SETUP.window.ceiling_kpa - SETUP.window.floor_kpa
    vents = plain_setup(beside=(), method="vent")
    assert parts(at(fills=3), vents)["hose stretch"] == (pytest.approx(3e-5 * falls_kpa * 4.0 * 3), 0.0)
    assert "hose stretch" not in parts(at(fills=3), plain_setup(beside=(), method="draw-down"))


def test_a_return_by_the_pump_s_time_is_a_fifth_in_doubt_until_the_air_front_confirms_it() -> None:
    state = at({"unsure_l": 2.0, "draws_l": 1.0, "emptied_l": 8.0, "estimated_returned_l": 11.0})
    assert parts(state)["return by time"] == even(0.2 * 3.0 + 0.05 * 8.0)
    assert estimated(SETUP, state)


def test_a_front_of_a_return_by_time_is_counted_there() -> None:
    found = parts(at({"air_returned_l": 8.0, "emptied_l": 8.0, "estimated_returned_l": 16.0}))
    assert found["return by time"] == even(0.05 * 8.0)
    assert found["air front"] == even(0.01 * 8.0)


def test_by_run_time_the_relief_may_have_taken_what_the_bore_does_not() -> None:
    """The count has the flow at the floor; at the ceiling, and through a bore a seventh narrower, less goes in. Since
    the last rest all may have gone back."""
    narrow = {"bore_m": 0.004}
    setup = plain_setup(line=narrow, meter={"kind": "run time"}, beside=())
    state = at(setup=setup, mark=Mark(replace(at().tally, pulses_forward=9000)))
    share = 1 - 6 / 7 * flow_lps(setup.line, setup.window.ceiling_kpa) / flow_lps(setup.line, setup.window.floor_kpa)
    assert 0.1 < share < 0.7
    assert parts(state, setup)["relief valve"] == (pytest.approx(math.hypot(share * 100, 10.0)), 0.0)
    wide = plain_setup(line={"bore_m": 0.020}, meter={"kind": "run time"}, beside=())
    assert parts(state, wide)["relief valve"] == (pytest.approx(10.0), 0.0), "the pump's flow goes through such a bore"
    assert "relief valve" not in parts(state, plain_setup(line=narrow, beside=()))
    assert estimated(setup, state)


@pytest.mark.parametrize(
    ("kind", "verdict", "cavity_l", "more_l"),
    [
        ("tote level", "less", 370.0, 30.0 + 12.0), ("tote level", "less", 410.0, 12.0),
        ("tote level", "more", 370.0, 0.0), ("tote level", "agrees", 370.0, 0.0), ("pulses", "less", 370.0, 0.0),
    ],
)  # fmt: skip
def test_room_that_is_missing_by_an_estimate_may_be_liquid_that_came_unseen(
    kind: str, verdict: str, cavity_l: float, more_l: float
) -> None:
    setup = plain_setup(meter={"kind": kind}, beside=())
    state = at(setup=setup)
    state = replace(state, gas=replace(state.gas, found=Found(cavity_l, 6.0, 0.0), verdict=verdict))
    assert parts(state, setup).get("air space", (0.0, 0.0)) == (0.0, pytest.approx(more_l))
    assert "air space" not in parts(at(setup=setup), setup)


def witnessed(reference_l: float, **fields: object) -> tuple[Setup, FillState]:
    setup = plain_setup(beside=(LEVEL,))
    counts = (Count(Register(0), forward=10_000), Count(Register(0), forward=round(reference_l * 10)))
    return setup, at(setup=setup, counts=counts, **fields)


def bias_l(reference_l: float) -> float:
    return math.hypot(0.05 * reference_l, 0.2 / math.sqrt(6))


def test_a_witness_that_contradicts_widens_the_side_that_it_speaks_for() -> None:
    """Towards it by the difference and its own uncertainty."""
    setup, state = witnessed(120.0)
    assert parts(state, setup)["witness"] == (0.0, pytest.approx(20.0 + bias_l(120.0)))
    assert estimated(setup, state)
    setup, state = witnessed(80.0)
    assert parts(state, setup)["witness"] == (pytest.approx(20.0 + bias_l(80.0)), 0.0)
    setup, state = witnessed(101.0)
    assert "witness" not in parts(state, setup)
    assert not estimated(setup, state)


@pytest.mark.parametrize(
    ("flag", "reference_l", "less_l", "more_l"),
    [
        # A count that was too fast is believed no more than the witness; a gauge may itself have been wrong.
        (Flag.FLOW_TOO_HIGH, 99.0, 1.0 + bias_l(99.0), 0.0), (Flag.ESTIMATES_DISAGREE, 99.0, 0.0, 0.0),
        (Flag.ESTIMATES_DISAGREE, 94.0, 6.0 + bias_l(94.0), 0.0), (Flag.AIR_PUMPED, 107.0, 0.0, 7.0 + bias_l(107.0)),
        (Flag.NO_RISE, 94.0, 0.0, 0.0),
    ],
)  # fmt: skip
def test_after_an_alarm_that_doubted_the_meter_every_witness_is_used(
    flag: Flag, reference_l: float, less_l: float, more_l: float
) -> None:
    setup, state = witnessed(reference_l, flags=frozenset({flag}))
    assert parts(state, setup).get("witness", (0.0, 0.0)) == (pytest.approx(less_l), pytest.approx(more_l))


def test_without_a_witness_a_count_that_was_too_fast_is_a_third_in_doubt() -> None:
    assert parts(at(flags=frozenset({Flag.FLOW_TOO_HIGH})))["flow too high"] == (pytest.approx(30.0), 0.0)
    assert set(parts(at(flags=frozenset({Flag.MEASURES_DIFFER})))) == {"meter", "pulse"}
    later = at(flags=frozenset({Flag.FLOW_TOO_HIGH}), measure=1)
    assert "flow too high" not in parts(later, plain_setup(beside=(LEVEL,)))


def test_an_estimate_is_whatever_rests_on_more_than_a_count() -> None:
    assert estimated(SETUP, at(unseen_s=0.1))
    assert estimated(SETUP, at({"doubts": (Doubt("a", 1.0, 0.0),)}))
    assert estimated(plain_setup(beside=(LEVEL,)), at(measure=1))
    assert estimated(plain_setup(meter={"kind": "scale"}, beside=()), at())


def test_doubts_add_up_and_the_other_parts_come_in_quadrature() -> None:
    """JCGM 100:2008 5.1.2 for independent parts."""
    within = combined((Doubt("a", 2.0, 0.0), Doubt("b", 1.0, 5.0)), (Doubt("c", 4.0, 12.0),))
    assert within == Within(5.0, 13.0)
    assert (within.u_l, Within(5.0, 3.0).u_l) == (13.0, 5.0)


def test_what_moved_unattended_is_as_uncertain_as_its_count_and_its_doubt() -> None:
    state = at({"unattended_l": 30.0, "unattended_doubt_l": 0.4})
    assert unattended_uncertainty_l(SETUP, state) == pytest.approx(math.hypot(0.3, 0.02, 0.4))
    assert unattended_uncertainty_l(SETUP, at({"unattended_doubt_l": 0.4})) == pytest.approx(math.hypot(0.02, 0.4))
    assert unattended_uncertainty_l(SETUP, at()) == 0.0
