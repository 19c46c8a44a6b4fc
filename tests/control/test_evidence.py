"""The sign of each residual: as expected in every scan of a sound fill, and told once its instrument is far enough off.

Simulated moments of a sound fill; the errors are put into them. A column is computed by its weight (any handbook).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache

import pytest
from virtual_fills import fill_of, rig_settings

from rig.control.belief.accounting import Count
from rig.control.belief.evidence import with_evidence
from rig.control.belief.observe import Facts
from rig.control.belief.state import FillState, in_force
from rig.control.belief.suspects import SIGNS, Evidence
from rig.control.moves.decide import Decision
from rig.control.words.changed import changed
from rig.control.words.procedure import Phase
from rig.control.words.values import Setup
from rig.run.assembly import Question
from rig.units import KPA_PER_PSI
from sim.virtual import VirtualFill

Moment = tuple[Setup, FillState, Facts]
NORMAL = {"gauge": "0+?", "high": "0+?"}
"""A narrow bore takes the gauge up to the relief valve's setting, and without a tyre it is at nothing."""


@cache
def sound(layout: str) -> Sequence[Moment]:
    """Every tenth scan of a sound fill."""
    fill: VirtualFill = fill_of(rig_settings(layout, sim__size="11.2-24"), Question("11.2-24"))
    moments: list[Moment] = []

    def watch(decision: Decision) -> None:
        moments.append((in_force(fill.setup, decision.state), decision.state, decision.facts))

    fill.watch = watch
    assert fill.run().state.state.value == "complete"
    return moments[::10]


def seen(moment: Moment, before: Evidence | None = None) -> Evidence:
    """The evidence on an alarm that comes, or came, at a moment."""
    setup, state, facts = moment
    alarms = with_evidence(
        setup, changed(state, alarms=changed(state.alarms, first_out="no_flow", evidence=before)), facts
    )
    assert alarms.evidence is not None
    return alarms.evidence


def pumping(layout: str = "vent") -> Moment:
    """Well into the longest stroke, the line's loss known."""
    strokes = [each for each in sound(layout) if each[2].phase is Phase.FILL and each[2].loss_known and each[2].wet]
    return max(strokes, key=lambda each: each[2].run_s)


def resting(layout: str = "vent") -> Moment:
    """At rest, the valve open, after a stroke."""
    return next(
        each for each in reversed(sound(layout)) if each[2].rests and each[2].valve_open and each[2].gas and each[2].wet
    )


def on_line(moment: Moment, kpa: float) -> Moment:
    setup, state, facts = moment
    return setup, state, replace(facts, reading=replace(facts.reading, line_kpa=kpa))


def tyre_kpa(moment: Moment) -> float:
    """What the gauge shows at rest: the air space, and the column of the hose up to it."""
    setup, _, facts = moment
    assert facts.gas is not None
    column_kpa = setup.line.density_kg_m3 * 9.80665 * (setup.line.rise_m + facts.covered_m) / 1000
    return facts.gas.best + column_kpa


def with_counts(moment: Moment, measure: int, litres: float) -> Moment:
    """One measure ahead by so many litres since the last rest."""
    setup, state, facts = moment
    meter = setup.beside[measure - 1] if measure else setup.meter
    counts = list(state.counts)
    was = counts[measure]
    counts[measure] = changed(was, forward=was.forward + round(litres / meter.litres_per_pulse))
    return setup, changed(state, counts=tuple[Count, ...](counts)), facts


def beside(moment: Moment, name: str) -> int:
    return next(at for at, meter in enumerate(moment[0].beside, 1) if getattr(meter, name))


@pytest.mark.parametrize("layout", ["vent", "draw-down"])
def test_in_a_sound_fill_no_residual_shows(layout: str) -> None:
    for moment in sound(layout):
        evidence = seen(moment)
        wrong = {name for name in SIGNS if getattr(evidence, name) not in NORMAL.get(name, "0?")}
        assert not wrong, (moment[2].phase, moment[2].run_s, evidence)


def test_a_pump_that_does_not_turn_raises_nothing_and_a_narrowed_way_too_much() -> None:
    moment = pumping()
    assert seen(moment).push == "0"
    assert seen(on_line(moment, tyre_kpa(moment))).push == "-"
    assert seen(on_line(moment, moment[0].line.relief_kpa + 100)).push == "+"


def test_before_a_rest_measured_the_loss_no_way_is_called_narrowed() -> None:
    setup, state, facts = on_line(pumping(), 400.0)
    assert seen((setup, state, replace(facts, loss_known=False))).push == "0"


def test_while_the_hose_is_being_filled_a_pump_raises_nothing() -> None:
    moment = pumping()
    setup, state, facts = on_line(moment, tyre_kpa(moment))
    assert seen((setup, state, replace(facts, wet=False))).push == "?"


@pytest.mark.parametrize(("pulse_age_s", "sign"), [(0.1, "0"), (5.0, "-")])
def test_a_silent_meter_counts_less(pulse_age_s: float, sign: str) -> None:
    setup, state, facts = pumping()
    assert seen((setup, state, replace(facts, pulse_age_s=pulse_age_s))).count == sign


@pytest.mark.parametrize(("off_s", "pulse_age_s", "sign"), [(10.0, 9.0, "0"), (10.0, 20.0, "-")])
def test_of_a_pump_at_rest_it_is_what_it_counted_until_the_stop(off_s: float, pulse_age_s: float, sign: str) -> None:
    setup, state, facts = resting()
    assert seen((setup, state, replace(facts, off_s=off_s, pulse_age_s=pulse_age_s))).count == sign


def test_a_meter_that_counts_double_counts_more_and_one_within_the_pump_s_uncertainty_does_not() -> None:
    moment = pumping()
    setup, state, _ = moment
    at = beside(moment, "by_time")
    ran = state.counts[at].forward - state.mark.counts[at].forward
    timed_l = ran * setup.beside[at - 1].litres_per_pulse
    assert seen(with_counts(moment, 0, timed_l)).count == "+"
    assert seen(with_counts(moment, 0, setup.beside[at - 1].uncertainty * timed_l)).count == "0"


@pytest.mark.parametrize(("litres", "sign"), [(-20.0, "-"), (-1.0, "0"), (1.0, "0"), (20.0, "+")])
def test_a_tote_is_compared_within_its_own_uncertainty(litres: float, sign: str) -> None:
    moment = resting()
    assert seen(with_counts(moment, beside(moment, "of_tote"), litres)).tote == sign


def test_a_less_accurate_level_tells_less() -> None:
    setup, state, facts = with_counts(resting(), beside(resting(), "of_tote"), 20.0)
    stroke_l = facts.in_tyre_l - facts.stroke.start_l
    loose = tuple(replace(each, uncertainty=1.0 + 20.0 / stroke_l) if each.of_tote else each for each in setup.beside)
    assert seen((setup, state, facts)).tote == "+"
    assert seen((changed(setup, beside=loose), state, facts)).tote == "0"


def test_the_acting_measure_is_no_witness_of_itself() -> None:
    """After the meter was given up, the level stands in its place."""
    setup, state, facts = with_counts(resting(), beside(resting(), "of_tote"), 20.0)
    state = changed(state, measure=beside(resting(), "of_tote"))
    assert seen((in_force(setup, state), state, facts)).tote == "?"


@pytest.mark.parametrize(("psi", "sign"), [(-3.0, "-"), (-0.5, "0"), (0.5, "0"), (3.0, "+")])
def test_a_tyre_is_compared_with_its_air_space(psi: float, sign: str) -> None:
    moment = resting()
    assert seen(on_line(moment, tyre_kpa(moment) + psi * KPA_PER_PSI)).tyre == sign


@pytest.mark.parametrize(("behind_gun_kpa", "sign"), [(-30.0, "-"), (0.0, "0"), (60.0, "+")])
def test_the_gauge_tells_vacuum_nothing_and_a_tyre_apart(behind_gun_kpa: float, sign: str) -> None:
    moment = resting()
    setup, state, facts = moment
    column_kpa = setup.line.density_kg_m3 * 9.80665 * setup.line.rise_m / 1000
    hose = state.tally.hose_l / setup.line.hose_l
    assert seen(on_line((setup, state, facts), behind_gun_kpa + hose * column_kpa)).gauge == sign


def test_a_gauge_at_the_relief_valve_s_setting_is_high() -> None:
    moment = pumping()
    assert seen(on_line(moment, moment[0].line.relief_kpa)).high == "+"


def test_a_gauge_that_has_not_moved_since_the_pump_started_is_still() -> None:
    setup, state, facts = pumping()
    began_s = changed(state.stroke, began_s=0.0)
    assert seen((setup, state, replace(facts, gauge_age_s=facts.run_s + 1, stroke=began_s))).still == "+"


def test_a_level_at_the_heel_is_an_empty_tote() -> None:
    setup, state, facts = pumping()
    assert seen((setup, state, replace(facts, reading=replace(facts.reading, tote_l=setup.heel_l)))).empty == "+"


def without_level(moment: Moment) -> Moment:
    setup, state, facts = moment
    by_time = beside(moment, "by_time")
    counts = tuple(each for at, each in enumerate(state.counts) if at in (0, by_time))
    marked = replace(state.mark, counts=tuple(each for at, each in enumerate(state.mark.counts) if at in (0, by_time)))
    lone = changed(setup, beside=(setup.beside[by_time - 1],))
    return lone, changed(state, counts=counts, mark=marked), replace(facts, reading=replace(facts.reading, tote_l=None))


def test_without_a_level_its_signs_are_unknown_and_the_others_stay() -> None:
    evidence = seen(without_level(resting()))
    assert (evidence.tote, evidence.empty, evidence.draws) == ("?", "?", "?")
    assert (evidence.count, evidence.tyre) == ("0", "0")


# --- once everything is off ------------------------------------------------------------------------------------------


def later(change: Callable[[Moment], Moment]) -> Evidence:
    """The evidence of a later moment, the one before it being as it was."""
    moment = resting()
    first = seen(moment)
    assert first.calm_kpa is not None
    return seen(change(moment), first)


@pytest.mark.parametrize(("kpa", "sign"), [(-4.0, "-"), (0.0, "0"), (4.0, "+")])
def test_a_pressure_that_moves_with_all_off_creeps(kpa: float, sign: str) -> None:
    evidence = later(lambda moment: on_line(moment, (moment[2].reading.line_kpa or 0.0) + kpa))
    assert evidence.creep == sign


@pytest.mark.parametrize(("litres", "sign"), [(-10.0, "+"), (0.0, "0"), (10.0, "-")])
def test_a_level_that_falls_with_all_off_is_drawn_from(litres: float, sign: str) -> None:
    def moved(moment: Moment) -> Moment:
        setup, state, facts = moment
        tote_l = (facts.reading.tote_l or 0.0) + litres
        return setup, state, replace(facts, reading=replace(facts.reading, tote_l=tote_l))

    assert later(moved).draws == sign


def test_a_meter_that_counts_with_all_off_runs() -> None:
    def counted(moment: Moment) -> Moment:
        setup, state, facts = moment
        more = state.tally.pulses_forward + round(5.0 / setup.meter.litres_per_pulse)
        return setup, changed(state, tally=changed(state.tally, pulses_forward=more)), facts

    assert later(counted).runs == "+"


def test_nothing_is_told_of_later_while_the_pump_runs() -> None:
    evidence = seen(pumping())
    assert (evidence.creep, evidence.runs, evidence.draws, evidence.calm_kpa) == ("?", "?", "?", None)
