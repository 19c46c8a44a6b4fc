"""One scan into the account and the facts: pulses, ages, flow, air, and what a scan shows of each direction.

A rig of round figures: 100 pulses a litre, a pump of 0.6 L/s (0.5 back), a hose of 4 L. Scans are a tenth of a second.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from plain import AIR, METER, plain_setup, plain_state

from rig.control.belief.accounting import Count, Register
from rig.control.belief.doubts import Doubt
from rig.control.belief.flow import Flow
from rig.control.belief.observe import Facts, count_pulses, observe, restarts
from rig.control.belief.state import FillState
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Outputs, Reading, Setup

SETUP = plain_setup(beside=())
FORWARD, BACK, VENT = Outputs(pump_run=True), Outputs(pump_reverse=True), Outputs(vent_valve=True)
EVEN = Flow(((90.0, 9400), (99.9, 10_000)), 60.0, 60.0)


def at(setup: Setup = SETUP, tally: dict[str, object] | None = None, **fields: object) -> FillState:
    """100 L counted; the pump's relays last changed at 50 s, and it is 100 s now."""
    usual = {
        "now_s": 100.0, "changed_s": 50.0, "regime_s": 50.0, "since_s": 50.0, "pulse_s": 99.9, "direction": 1,
        "counts": (Count(Register(10_000), 10_000),), "unread_s": (0.0,),
    }  # fmt: skip
    return plain_state(setup, {"pulses_forward": 10_000, **(tally or {})}, **{**usual, **fields})


def scan(
    state: FillState, pulses: int = 0, setup: Setup = SETUP, dt_s: float = 0.1, **reading: object
) -> tuple[FillState, Facts]:
    """The next scan, with so many more pulses."""
    raw = (state.counts[0].register.raw or 0) + pulses
    return observe(setup, state, Reading(state.now_s + dt_s, **{"counts": (raw,), "line_kpa": 50.0, **reading}))


def test_time_never_goes_back() -> None:
    with pytest.raises(AssertionError):
        scan(at(), dt_s=-0.1)
    assert scan(at(), dt_s=0.0)[1].dt_s == 0.0
    fresh, facts = observe(SETUP, at(now_s=0.0), Reading(77.0, counts=(10_000,), line_kpa=50.0))
    assert (facts.dt_s, fresh.now_s) == (0.0, 77.0), "the first scan has no length"


def test_pulses_are_litres_in_the_tyre_and_the_meter_s_age() -> None:
    state, facts = scan(at(outputs=FORWARD), 6)
    assert facts.in_tyre_l == pytest.approx(100.06)
    assert (state.pulse_s, facts.pulse_age_s, facts.dt_s) == (pytest.approx(100.1), 0.0, pytest.approx(0.1))
    assert (facts.forward, facts.reverse, facts.run_s, facts.off_s) == (True, False, pytest.approx(50.1), 0.0)
    state, facts = scan(state)
    assert facts.pulse_age_s == pytest.approx(0.1)
    back, facts = scan(at(outputs=BACK, direction=-1), -5)
    assert facts.in_tyre_l == pytest.approx(100.0), "out of the hose"
    assert back.tally.hose_l == pytest.approx(3.95)
    assert (facts.forward, facts.reverse) == (False, True)


def test_held_values_are_no_standstill() -> None:
    """While the field does not answer, ages are held."""
    state, facts = scan(at(gauge_s=95.0, pulse_s=99.0), fresh=False)
    assert (facts.pulse_age_s, facts.gauge_age_s) == (pytest.approx(1.0), pytest.approx(0.0, abs=5.1))
    assert state.pulse_s == pytest.approx(99.1)
    assert scan(at(pulse_s=0.0))[0].pulse_s == pytest.approx(100.1), "ages begin with the first scan"


def test_with_the_tyre_s_liquid_and_what_was_inside_before() -> None:
    setup = plain_setup(beside=(), existing_l=20.0)
    _, facts = scan(at(setup, {"hose_l": 3.0}), setup=setup)
    assert (facts.in_tyre_l, facts.filled_l, facts.offset_l) == (
        pytest.approx(101.0), pytest.approx(121.0), pytest.approx(120.0),
    )  # fmt: skip
    assert facts.covered_m == pytest.approx(setup.cavity.covered(121 / 400))
    over = 0.9 * 400
    _, facts = scan(at(setup, {"pulses_forward": round(100 * over)}), setup=setup)
    assert facts.covered_m == pytest.approx(setup.cavity.covered((over + 20) / 400))
    assert facts.covered_m > 0.1


# --- flow ------------------------------------------------------------------------------------------------------------


def test_flow_is_pulses_per_second_by_the_meter_and_even_where_both_windows_agree() -> None:
    _, facts = scan(at(outputs=FORWARD, flow=EVEN), 6)
    assert (facts.flow_lps, facts.slow_lps) == (pytest.approx(0.6, rel=0.02), pytest.approx(0.6, rel=0.02))
    assert facts.steady
    assert facts.slow_u == pytest.approx(1 / 606, rel=0.02)
    drops = Flow(((80.0, 8400), (98.5, 9990), (99.9, 10_000)), 0.0, 0.0)
    _, facts = scan(at(outputs=FORWARD, flow=drops))
    assert not facts.steady


@pytest.mark.parametrize(
    ("regime_s", "outputs", "kept"),
    [(99.5, FORWARD, False), (99.3, FORWARD, True), (99.5, VENT, False), (99.5, Outputs(), True)],
)
def test_while_the_pump_runs_up_its_flow_is_followed_anew(regime_s: float, outputs: Outputs, kept: bool) -> None:
    """A lag of 0.2 s and half a second."""
    state, _ = scan(at(outputs=outputs, regime_s=regime_s, flow=EVEN))
    assert (len(state.flow.samples) > 1) is kept


def test_a_clock_that_stalled_restarts_a_flow_that_was_fine() -> None:
    leapt, _ = scan(at(outputs=FORWARD, flow=EVEN), 150)
    assert len(leapt.flow.samples) == 1
    rough = Flow(((98.0, 9990), (99.5, 10_000)), 6.0, 6.0)
    assert len(scan(at(outputs=FORWARD, flow=rough), 150)[0].flow.samples) > 1


def test_liquid_is_still_once_the_pump_has_coasted_and_nothing_is_counted() -> None:
    quiet = Flow(((90.0, 10_000), (99.9, 10_000)))
    assert scan(at(flow=quiet))[1].still
    assert not scan(at(flow=quiet, outputs=FORWARD))[1].still
    assert not scan(at(flow=quiet, changed_s=99.2))[1].still
    assert scan(at(flow=quiet, changed_s=99.0))[1].still
    assert not scan(at(flow=EVEN))[1].still


def test_what_is_counted_after_the_liquid_should_stand_is_stray() -> None:
    """From two seconds after the pump was switched off: its coasting, and one more."""
    flow = Flow(((91.0, 9000), (91.9, 9800), (92.1, 9990), (99.9, 10_000)))
    assert scan(at(flow=flow, regime_s=90.0))[1].stray_l == pytest.approx(0.10)
    assert scan(at(flow=flow, regime_s=90.0, outputs=FORWARD))[1].stray_l == 0.0
    assert scan(at(flow=Flow(((99.9, 10_000),)), regime_s=99.0))[1].stray_l == 0.0
    back = Flow(((85.0, 10_005), (95.0, 10_000)))
    assert scan(at(flow=back))[1].stray_l == pytest.approx(0.05)


@pytest.mark.parametrize(
    ("fields", "pulses", "unmoved_s", "told_s"),
    [
        ({"outputs": FORWARD, "unmoved_s": 2.0}, 0, 2.1, 2.1), ({"outputs": FORWARD, "unmoved_s": 2.0}, 1, 0.0, 0.0),
        ({"unmoved_s": 2.0}, 0, 2.0, 0.0), ({"outputs": BACK, "unmoved_s": 2.0, "direction": -1}, 0, -0.1, 0.1),
        ({"outputs": BACK, "unmoved_s": -2.0, "direction": -1}, 0, -2.1, 2.1),
        # Not while it starts.
        ({"outputs": FORWARD, "unmoved_s": 2.0, "changed_s": 99.95}, 0, 2.0, 2.0),
    ],
)  # fmt: skip
def test_how_long_a_running_pump_has_counted_nothing(
    fields: dict[str, object], pulses: int, unmoved_s: float, told_s: float
) -> None:
    state, facts = scan(at(**fields), pulses)
    assert (state.unmoved_s, facts.unmoved_s) == (pytest.approx(unmoved_s), pytest.approx(told_s))
    assert scan(at(**fields), pulses, fresh=False)[0].unmoved_s == fields["unmoved_s"]


def test_by_hand_the_meter_shows_which_way_the_lever_stands() -> None:
    setup = plain_setup(beside=(), by_hand=True)
    ahead, _ = scan(at(setup, pulse_s=95.0), 5, setup)
    assert (ahead.by_lever, ahead.direction, ahead.changed_s, ahead.regime_s) == (1, 1, 100.1, 100.1)
    back, _ = scan(ahead, -5, setup)
    assert (back.by_lever, back.direction) == (-1, -1)
    silent = replace(back, pulse_s=98.85)
    assert scan(silent, 0, setup)[0].by_lever == -1
    stood, _ = scan(replace(back, pulse_s=98.75), 0, setup)
    assert (stood.by_lever, stood.direction, stood.changed_s) == (0, -1, 98.75), "since its last pulse"
    assert scan(at(by_lever=0), 5)[0].by_lever == 0, "by relays it is not asked"


# --- what is booked besides the count --------------------------------------------------------------------------------


def test_without_a_reverse_count_the_pump_s_flow_is_booked_from_an_open_valve() -> None:
    setup = plain_setup(meter={"reverse": "none"}, beside=())
    state, _ = scan(at(setup, outputs=BACK, direction=-1), setup=setup)
    assert state.tally.estimated_returned_l == pytest.approx(0.05)
    assert state.tally.hose_l == pytest.approx(3.95)
    for fields in ({"valve_open": False}, {"outputs": FORWARD}, {"outputs": Outputs()}):
        still = scan(at(setup, **{"outputs": BACK, "direction": -1, **fields}), setup=setup)[0]
        assert still.tally.estimated_returned_l == 0.0, fields
    assert scan(at(outputs=BACK, direction=-1))[0].tally.estimated_returned_l == 0.0


@pytest.mark.parametrize(("pulses", "doubt"), [(3, (0.03, 0.0)), (-3, (0.0, 0.03))])
def test_what_is_counted_with_all_at_rest_is_in_doubt(pulses: int, doubt: tuple[float, float]) -> None:
    """Two and a half seconds after the relays changed: coasting, and until liquid is quiet."""
    less_l, more_l = doubt
    booked = (Doubt("counted at rest", pytest.approx(less_l), pytest.approx(more_l)),)
    assert scan(at(), pulses)[0].tally.doubts == booked
    assert scan(at(changed_s=97.5), pulses)[0].tally.doubts == booked
    assert scan(at(changed_s=97.65), pulses)[0].tally.doubts == ()
    assert scan(at(outputs=FORWARD), pulses)[0].tally.doubts == ()
    assert scan(at(outputs=VENT), pulses)[0].tally.doubts == ()
    assert scan(at(), pulses, unconfirmed=frozenset({"pump_run"}))[0].tally.doubts == ()
    by_hand = plain_setup(beside=(), by_hand=True)
    assert scan(at(by_hand), pulses, by_hand)[0].tally.doubts == ()


@pytest.mark.parametrize(("direction", "outputs"), [(1, FORWARD), (-1, BACK)])
def test_what_is_counted_faster_than_the_pump_is_in_doubt_to_that_side(direction: int, outputs: Outputs) -> None:
    fast = Flow(((90.0, 0), (99.9, 1000)), 120.0 * direction, 120.0 * direction)
    state, _ = scan(at(outputs=outputs, direction=direction, flow=fast), 12 * direction)
    beyond_l = 0.1 * (1.2 - (0.6 if direction > 0 else 0.5))
    sides = (beyond_l, 0.0) if direction > 0 else (0.0, beyond_l)
    assert state.tally.doubts == (Doubt("beyond the pump's flow", *(pytest.approx(each) for each in sides)),)
    even = Flow(((90.0, 0), (99.9, 500)), 50.0 * direction, 50.0 * direction)
    assert scan(at(outputs=outputs, direction=direction, flow=even), 5 * direction)[0].tally.doubts == ()


def test_of_more_than_the_pump_moves_in_a_scan_the_rest_is_in_doubt() -> None:
    """1.5 L in a tenth of a second, in which the pump moves 0.078."""
    state, _ = scan(at(outputs=FORWARD, flow=EVEN), 65)
    assert state.tally.doubts == (Doubt("beyond the pump's flow", pytest.approx(0.65 - 0.078), 0.0),)


def near_level(**fields: object) -> FillState:
    """Liquid a hundredth of the cavity above the valve's hole."""
    litres = (SETUP.cavity.fraction_at_valve + 0.03) * 400
    return at(tally={"pulses_forward": round(litres * 100)}, **{"outputs": BACK, "direction": -1, **fields})


def test_liquid_drawn_near_the_level_may_have_been_air() -> None:
    state, _ = scan(near_level(), -5)
    assert state.tally.doubts == (Doubt("air near the level", 0.0, pytest.approx(0.05)),)
    can = plain_setup(beside=(), into="open vessel")
    assert scan(near_level(), -5, can)[0].tally.doubts == ()
    far = at(tally={"pulses_forward": 39_000}, outputs=BACK, direction=-1)
    assert scan(far, -5)[0].tally.doubts == ()
    assert scan(near_level(outputs=FORWARD, direction=1), 5)[0].tally.doubts == ()


def test_air_that_comes_forward_joins_the_tyre_s_gas_and_air_that_is_drawn_leaves_it() -> None:
    """At 50 kPa gauge: 0.06 L of air forward are 9.1 kPa·L; 0.05 L back as much less."""
    pressed = (50.0 + AIR) * 0.06
    dry = at(tally={"suction_air_kpa_l": 1.0 * AIR}, outputs=FORWARD, changed_s=99.0)
    assert scan(dry, 6)[0].gas.added_kpa_l == pytest.approx(pressed)
    assert scan(replace(dry, valve_open=False), 6)[0].gas.added_kpa_l == 0.0
    drawn = at(tally={"hose_l": 0.0}, outputs=BACK, direction=-1)
    state, _ = scan(drawn, -5)
    assert state.gas.added_kpa_l == pytest.approx(-(50.0 + AIR) * 0.05)
    assert state.gas.guessed_kpa_l == 0.0
    up_only = plain_setup(meter={"reverse": "none"}, beside=())
    guessed, _ = scan(replace(drawn, now_s=100.0), setup=up_only)
    assert guessed.gas.added_kpa_l == pytest.approx(-(50.0 + AIR) * 0.05)
    assert guessed.gas.guessed_kpa_l == pytest.approx((50.0 + AIR) * 0.05)


def test_a_blind_meter_s_air_is_followed_by_the_pump() -> None:
    blind = plain_setup(meter={"on_air": "blind"}, beside=())
    drawn = at(blind, {"hose_l": 0.0, "suction_air_kpa_l": 10.0}, outputs=BACK, direction=-1)
    state, _ = scan(drawn, setup=blind)
    assert state.tally.air_untold_l == pytest.approx(0.05)
    assert state.gas.added_kpa_l == pytest.approx(-(50.0 + AIR) * 0.05)
    assert state.gas.guessed_kpa_l == pytest.approx((50.0 + AIR) * 0.05)
    assert state.unmoved_s == 0.0, "a missing count is expected"


def test_the_meter_s_curve_is_read_at_the_even_flow() -> None:
    bent = plain_setup(meter={"curve": ((0.3, 1.02), (0.6, 1.0))}, beside=())
    slow = Flow(((80.0, 9400), (99.9, 10_000)), 30.0, 30.0)
    state, _ = scan(at(bent, outputs=FORWARD, flow=slow), 3, bent)
    assert state.tally.curve_forward_l == pytest.approx(0.03 * 0.02)


# --- air at the pump -------------------------------------------------------------------------------------------------


def test_the_time_that_a_pump_runs_dry_adds_up_until_it_has_rested() -> None:
    """A minute's rest clears it."""
    dry, facts = scan(at(tally={"suction_air_kpa_l": 99.0}, outputs=FORWARD, changed_s=99.0, dry_s=3.0))
    assert (dry.dry_s, dry.dry_ended_s) == (pytest.approx(3.1), pytest.approx(100.1))
    assert facts.air_at_pump
    assert scan(at(outputs=FORWARD, dry_s=3.0, dry_ended_s=40.2))[0].dry_s == 3.0
    assert scan(at(outputs=FORWARD, dry_s=3.0, dry_ended_s=40.0))[0].dry_s == 0.0
    assert scan(at(tally={"suction_air_kpa_l": 99.0}, dry_s=3.0, dry_ended_s=90.0))[0].dry_s == 3.0
    near = near_level(outputs=BACK, dry_s=1.0)
    assert scan(near)[0].dry_s == pytest.approx(1.1), "near the level air may come whatever is booked"


def test_a_commanded_move_to_another_medium_is_a_new_regime() -> None:
    filled = scan(at(tally={"hose_l": 3.97}, outputs=FORWARD), 6)[0]
    assert filled.regime_s == pytest.approx(100.1)
    assert scan(at(tally={"hose_l": 3.90}, outputs=FORWARD), 6)[0].regime_s == 50.0
    emptied = scan(at(tally={"hose_l": 0.03}, outputs=BACK, direction=-1), -5)[0]
    assert emptied.regime_s == pytest.approx(100.1)
    assert scan(at(tally={"hose_l": 0.0}, outputs=BACK, direction=-1), -5)[0].regime_s == 50.0, "air after air"
    assert scan(at(tally={"hose_l": 3.97}), 6)[0].regime_s == 50.0, "uncommanded flow must stay visible"


# --- registers -------------------------------------------------------------------------------------------------------


def test_a_restarted_register_is_told_in_that_scan() -> None:
    state, facts = scan(at(outputs=FORWARD, flow=EVEN), -9_990)
    assert facts.meter_restarted
    assert restarts(state) == 1
    assert not scan(state, 5)[1].meter_restarted
    assert restarts(replace(at(), counts=())) == 0
    assert restarts(replace(at(), reverse_register=Register(5, 5, 2))) == 2


def test_a_second_channel_counts_what_comes_back() -> None:
    setup = plain_setup(meter={"second_channel": True}, beside=())
    state = at(setup, outputs=BACK, direction=-1, reverse_register=Register(40, 40))
    after, _ = scan(state, setup=setup, reverse_raw=45)
    assert (after.tally.pulses_returned, after.counts[0].back) == (5, 5)
    jumped, facts = scan(state, setup=setup, reverse_raw=9_000)
    assert (jumped.tally.pulses_returned, facts.meter_restarted) == (0, True)


def test_plausible_is_what_the_pump_may_have_moved_unread_or_in_a_stall() -> None:
    """2 s of its module's time-out and one of coasting, at 0.78 L/s, are 2.34 L; 10 s without a time-out 8.58."""
    for setup, plausible in ((SETUP, 284 + 0), (plain_setup(beside=(), has_timeout=False), 858 + 50)):
        for pulses, restarted in ((plausible - 1, 0), (plausible + 60, 1)):
            state = at(setup, outputs=FORWARD)
            after, _, _ = count_pulses(setup, state, Reading(100.1, counts=(10_000 + pulses,)), 0.0, 0.1)
            assert after.counts[0].register.restarts == restarted, (plausible, pulses)
    stood = at(unread_s=(5.0,))
    after, forward, back = count_pulses(SETUP, stood, Reading(100.1, counts=(10_430,)), 0.0, 0.1)
    assert (forward, back, after.counts[0].register.restarts, after.unread_s) == (430, 0, 0, (0.0,))
    after, _, _ = count_pulses(SETUP, stood, Reading(100.1, counts=(None,)), 0.0, 0.1)
    assert after.unread_s == (5.1,)


def test_measures_that_are_not_read_are_followed_by_what_is() -> None:
    setup = plain_setup(beside=(replace(METER, kind="tote level", k_per_l=10.0),))
    state = at(setup, counts=(), unread_s=())
    after, forward, back = count_pulses(setup, state, Reading(100.1, counts=(500,)), 1.0, 0.1)
    assert (forward, back, len(after.counts), after.unread_s) == (0, 0, 2, (0.0, 0.1))
    by_level = replace(after, measure=1, counts=(after.counts[0], Count(Register(70), 70)))
    _, forward, _ = count_pulses(setup, by_level, Reading(100.2, counts=(500, 72)), 1.0, 0.1)
    assert forward == 2


# --- the tyre's pressure ---------------------------------------------------------------------------------------------


def test_peak_and_lowest_are_kept() -> None:
    state = at(flow=Flow(((90.0, 10_000), (99.9, 10_000))), peak_kpa=60.0, lowest_kpa=40.0, tally={"hose_l": 0.0})
    gas = replace(state.gas, rest_kpa=70.0, rest_offset_l=state.tally.net_l(SETUP.meter) - 4.0, sealed=True)
    higher, facts = scan(replace(state, gas=gas))
    assert facts.tyre_kpa == pytest.approx(70.0)
    assert (higher.peak_kpa, higher.lowest_kpa) == (pytest.approx(70.0), 40.0)
    lower, _ = scan(replace(state, gas=replace(gas, rest_kpa=30.0)))
    assert (lower.peak_kpa, lower.lowest_kpa) == (60.0, pytest.approx(30.0))
    first, _ = scan(replace(state, gas=gas, peak_kpa=None, lowest_kpa=None))
    assert first.peak_kpa == first.lowest_kpa == pytest.approx(70.0)
    none, _ = scan(replace(state, valve_open=False))
    assert (none.peak_kpa, none.lowest_kpa) == (60.0, 40.0)


def test_in_flow_before_a_rest_measured_the_loss_the_air_space_gives_the_peak() -> None:
    state = at(outputs=FORWARD, flow=EVEN)
    gas = replace(state.gas, rest_kpa=20.0, rest_offset_l=100.0, sealed=True)
    guessed, facts = scan(replace(state, gas=gas), 6, line_kpa=180.0)
    assert facts.line is not None
    assert facts.gas is not None
    assert facts.line.best > facts.gas.best
    assert guessed.peak_kpa == pytest.approx(facts.gas.best)
    known, facts = scan(replace(state, gas=gas, loss_known=True), 6, line_kpa=180.0)
    assert facts.line is not None
    assert known.peak_kpa == pytest.approx(facts.line.best)


def test_the_first_look_is_before_any_pressure_was_seen_behind_a_valve_that_cuts_the_gauge_off() -> None:
    cut = plain_setup(beside=(), cuts_gauge_off=True)
    assert scan(at(cut), setup=cut)[1].first_look
    assert not scan(at())[1].first_look
    assert not scan(at(cut, fills=1), setup=cut)[1].first_look
    assert not scan(at(cut, gas=replace(at().gas, rest_kpa=5.0)), setup=cut)[1].first_look


def test_facts_repeat_what_the_state_holds() -> None:
    _, facts = scan(
        at(state=State.RUNNING, phase=Phase.FILL, outputs=FORWARD, loss_gain=1.3, loss_known=True, since_s=70.0)
    )
    assert (facts.state, facts.phase, facts.outputs, facts.loss_gain, facts.loss_known) == (
        State.RUNNING, Phase.FILL, FORWARD, 1.3, True,
    )  # fmt: skip
    assert (facts.stroke_s, facts.wet, facts.valve_open, facts.last_way) == (pytest.approx(30.1), True, True, 1)
    returned = at(tally={"pulses_returned": 300}, flush_start_l=1.0)
    assert scan(returned)[1].flushed_l == pytest.approx(2.0)
