"""Measures side by side: what each says of the others, and a fill that ends on the next best one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import cast

import pytest
from virtual_fills import GivesTheMeterUp, GoesOn, Ran, fill_of, record_of, rig_settings, run_fill

from rig.control.belief.state import new_fill
from rig.control.moves.decide import Decision
from rig.control.words.procedure import State
from rig.control.words.values import Request, RequestKind, Setup
from rig.run.assembly import Question
from rig.wheel import cavity_of, read_size
from sim.virtual import VirtualRig

# Whole fills in virtual time: CI runs them on compiled code.
pytestmark = pytest.mark.full

SCALE = {"link": "io", "table": "input", "address": 40, "type": "u32", "scale": 0.1, "quantity": "kg"}


def finished(ran: Ran, flag: str) -> dict[str, object]:
    record = ran.record
    assert record["outcome"] == "complete"
    assert record["net_basis"] == "estimated"
    assert f"meter given up: went on by {flag}" in cast("list[str]", record["flags"])
    assert abs(cast("float", record["net_l"]) - ran.truth_l) <= cast("float", record["net_u_l"])
    return record


@pytest.mark.parametrize("fault", ["meter_dead@70", "meter_stuck@70", "meter_reset@70"])
def test_a_fill_ends_on_the_scale_when_the_meter_fails(fault: str) -> None:
    ran = run_fill("16.9-28", faults=[fault], person=GivesTheMeterUp(), points__tote_mass=SCALE)
    record = finished(ran, "the scale under the tote")
    assert cast("float", record["net_l"]) == pytest.approx(ran.truth_l, rel=0.005)
    assert cast("float", record["net_u_l"]) < 0.01 * ran.truth_l


@pytest.mark.parametrize("size", ["11L-15", "11.2-24", "16.9-28", "18.4-38", "480/80R42"])
def test_a_sound_fill_by_the_tote_s_level_alone_is_left_alone(size: str) -> None:
    """Its steps of 2 L are no flow of their own, no leak when one comes late, no overfill when one comes last."""
    fill = fill_of(rig_settings(tote__content="2500 L"), Question(size))
    fill.state = replace(new_fill(fill.setup), measure=1)
    last = fill.run()
    assert (last.state.state, last.state.alarms.first_out, last.state.flags) == (State.COMPLETE, None, frozenset())
    plant = fill.rig.plant
    assert -4.0 <= plant.tyre.liquid_l - plant.start_liquid_l - fill.setup.target_l <= 0.5


def test_without_a_scale_it_ends_on_the_tote_s_level_and_then_on_run_time() -> None:
    by_level = run_fill("16.9-28", faults=["meter_dead@70"], person=GivesTheMeterUp())
    finished(by_level, "the tote's level")
    by_time = run_fill("16.9-28", faults=["meter_dead@70"], person=GivesTheMeterUp(), points__tote_level=None)
    record = finished(by_time, "the pump's run time")
    assert cast("float", record["net_l"]) == pytest.approx(by_time.truth_l, rel=0.15)


def test_a_draw_down_never_goes_on_by_the_tote() -> None:
    ran = run_fill("16.9-28", "draw-down", faults=["meter_dead@70"], person=GivesTheMeterUp(), points__tote_mass=SCALE)
    finished(ran, "the pump's run time")


def test_when_nothing_else_counts_the_request_is_refused() -> None:
    ran = run_fill("11L-15", faults=["meter_dead@40"], person=GivesTheMeterUp(times=9))
    assert ran.record["outcome"] in ("complete", "stopped")
    refusals: list[str] = []

    def watch(decision: Decision) -> None:
        refusals.extend(item.name for item in decision.missing)

    run_fill("11L-15", faults=["estop@40"], person=GivesTheMeterUp(times=60), watch=watch)
    assert {"standing", "measure"} <= set(refusals)


@pytest.mark.parametrize("layout", ["vent", "draw-down"])
def test_witnesses_agree_with_a_true_meter_and_tell_a_slipping_one(layout: str) -> None:
    def ratios(**keys: object) -> dict[str, float]:
        record = run_fill("16.9-28", layout, person=GoesOn(), points__tote_mass=SCALE, **keys).record  # type: ignore[arg-type]
        compared = cast("list[dict[str, float]]", record["comparisons"])
        return {str(each["reference"]): each["meter_l"] / each["reference_l"] for each in compared}

    true, slipping = ratios(), ratios(sim__k_factor="97 pulse/L", meter__k_factor="100 pulse/L")
    assert set(true) == {"scale", "tote level", "run time"}
    assert true["scale"] == pytest.approx(1.0, abs=0.004)
    assert true["tote level"] == pytest.approx(1.0, abs=0.01)
    for reference, ratio in true.items():
        # Another count stops the strokes elsewhere, and the pump's flow is known only roughly.
        spread = 0.02 if reference == "run time" else 0.006
        assert slipping[reference] / ratio == pytest.approx(0.97, abs=spread), reference


def test_a_meter_that_the_scale_contradicts_holds_the_fill_and_the_record_says_how_far_apart_they_are() -> None:
    ran = run_fill(points__tote_mass=SCALE, sim__k_factor="97 pulse/L", meter__k_factor="100 pulse/L")
    assert ran.alarms[0][1] == "measures_differ"
    assert ran.record["net_l"] == pytest.approx(0.97 * ran.truth_l, rel=0.002)
    assert cast("float", ran.record["net_u_l"]) == pytest.approx(0.03 * ran.truth_l, rel=0.3)
    on = run_fill(person=GoesOn(), points__tote_mass=SCALE, sim__k_factor="97 pulse/L", meter__k_factor="100 pulse/L")
    assert on.record["outcome"] == "complete"
    assert on.record["net_basis"] == "estimated"
    assert abs(cast("float", on.record["net_l"]) - on.truth_l) < cast("float", on.record["net_u_l"])


class FillsTheToteUp(GoesOn):
    """Holds the fill at its middle, fills the tote up by 300 L in five minutes, and goes on."""

    def __init__(self, rig: VirtualRig) -> None:
        super().__init__()
        self._rig, self._held_s = rig, 0.0

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        state = decision.state
        if state.state is State.RUNNING and not self._held_s and decision.facts.in_tyre_l > setup.target_l / 2:
            self._held_s = state.now_s
            return [Request("hold", "hold", by="test")]
        if state.state is State.HELD and state.now_s < self._held_s + 300:
            self._rig.plant.line.tote_l += 0.1
            return []
        return (
            GoesOn.requests(GoesOn(), setup, decision)
            if state.state is State.HELD
            else super().requests(setup, decision)
        )


def test_a_tote_that_is_filled_up_in_a_pause_is_no_witness_any_more() -> None:
    settings = rig_settings(tote__content="900 L")
    fill = fill_of(settings, Question("16.9-28"))
    fill.person = FillsTheToteUp(fill.rig)
    record = record_of(fill.setup, fill.run().state)
    assert record["outcome"] == "complete"
    assert record["first_out"] is None
    assert record["net_basis"] == "counted"
    assert [each["reference"] for each in cast("list[dict[str, object]]", record["comparisons"])] == ["run time"]


def test_a_taught_wheel_s_air_space_is_a_witness() -> None:
    question = Question("16.9-28", taught_l=cavity_of(read_size("16.9-28")).volume_l)
    compared = {
        k: {str(each["reference"]): each for each in cast("list[dict[str, float]]", run.record["comparisons"])}
        for k, run in {
            "true": run_fill(question=question),
            "slipping": run_fill(question=question, sim__k_factor="97 pulse/L", meter__k_factor="100 pulse/L"),
        }.items()
    }
    ratios = {k: each["air space"]["meter_l"] / each["air space"]["reference_l"] for k, each in compared.items()}
    assert ratios["slipping"] / ratios["true"] == pytest.approx(0.97, abs=0.01)
    assert ratios["true"] == pytest.approx(1.0, abs=3 * compared["true"]["air space"]["u_l"] / 348)
    untaught = cast("list[dict[str, str]]", run_fill("11L-15").record["comparisons"])
    assert "air space" not in {each["reference"] for each in untaught}


class BreaksOff(GivesTheMeterUp):
    """Gives the meter up, then presses while the pump fills; looks on for half a minute before it ends."""

    def __init__(self, kind: RequestKind, at_s: float) -> None:
        super().__init__()
        self._kind, self._at_s = kind, at_s

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        now_s, state = decision.state.now_s, decision.state.state
        if now_s < self._at_s:
            return super().requests(setup, decision)
        if now_s > self._at_s + 30.0 and state in (State.HELD, State.ABORTED):
            return [Request(f"end-{now_s}", "end", by="test")]
        return [Request("break-off", self._kind, by="test")]


@pytest.mark.parametrize("kind", ["hold", "stop"])
@pytest.mark.parametrize("level", [True, False], ids=["by level", "by run time"])
@pytest.mark.parametrize("welded", [True, False])
def test_where_no_meter_counts_the_gauge_tells_a_pump_that_runs_on_as_a_person_breaks_off(
    kind: RequestKind, level: bool, welded: bool
) -> None:
    at_s = 75.0
    rig = {"pump__flow": "20 L/min"} if level else {"pump__flow": "20 L/min", "points__tote_level": None}
    faults = ["meter_dead@40", *([f"pump_welded@{at_s:g}"] if welded else [])]
    ran = run_fill("18.4-38", faults=faults, person=BreaksOff(kind, at_s), **rig)  # type: ignore[arg-type]
    told = [at for at, name in ran.alarms if name == "flow_while_stopped"]
    assert len(told) == welded
    assert all(at < at_s + 4 for at in told)
    record = ran.record
    assert abs(cast("float", record["net_l"]) - ran.truth_l) <= cast("float", record["net_u_l"])
