"""Requests, permissives, reversal and recovery of the pure decision."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from virtual_fills import PSI, Nobody, fill_of, rig_settings, run_fill

from rig.control.belief.state import new_fill
from rig.control.belief.uncertainty import net_within
from rig.control.moves.decide import Decision, decide
from rig.control.moves.recover import recovered
from rig.control.safety.permissives import missing, open_checks
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Outputs, Reading, Request, Setup
from rig.run.assembly import Question
from rig.run.person import Unattended
from rig.run.recorder import frozen, setup_from, state_from
from sim.virtual import VirtualFill


def _fill(**changes: object) -> VirtualFill:
    return fill_of(rig_settings(**changes), Question("11L-15"))  # type: ignore[arg-type]


def _until(fill: VirtualFill, phase: Phase) -> Decision:
    return fill.run(until=lambda d: d.state.state is State.RUNNING and d.state.phase is phase)


def test_nothing_moves_before_every_confirmation_is_given() -> None:
    fill = _fill()
    fill.person = Nobody()
    fill.run(most_s=2)
    for check in fill.setup.checks[:-1]:
        fill.ask(Request(f"c-{check.name}", "confirm", check.name, "me"))
    fill.ask(Request("s", "start", by="me"))
    refused = []
    fill.watch = lambda d: refused.extend(d.missing)
    last = fill.run(most_s=2)
    assert last.state.state is State.IDLE
    assert [item.name for item in refused] == [fill.setup.checks[-1].name]
    assert [c.by for c in last.state.confirmed] == ["me"] * (len(fill.setup.checks) - 1)


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("field", {"reachable": False}),
        ("field", {"untrusted": frozenset({"fluid_temp"})}),
        ("emergency_stop", {"estop_ok": False}),
        ("stop_button", {"stop_pressed": True}),
        ("output_timeout", {"output_timeout_s": 0.0}),
        ("output_timeout", {"output_timeout_s": 60.0}),
        ("output_timeout", {"output_timeout_s": None}),
        ("tote", {"tote_l": 30.0}),
        ("arrival_pressure", {"line_kpa": 125.0}),
    ],
)
def test_each_measured_permissive_acts_alone(name: str, change: dict[str, object]) -> None:
    fill = _fill()
    ready = fill.run(until=lambda d: not open_checks(fill.setup, d.state) and d.state.state is State.IDLE)
    fill.rig.advance(3.0)
    for _ in range(20):
        fill.rig.advance(0.1)
        ready = decide(fill.setup, ready.state, fill.rig.scan())
    reading = replace(fill.rig.scan(), now_s=fill.rig.now_s + 0.1)
    request = [Request("go", "start")]
    assert decide(fill.setup, ready.state, reading, request).state.state is State.RUNNING
    refused = decide(fill.setup, ready.state, replace(reading, **change), request)  # type: ignore[arg-type]
    assert refused.state.state is State.IDLE
    assert [item.name for item in refused.missing] == [name]


@pytest.mark.parametrize(
    ("seen_l", "told_l", "by_book", "words"),
    [
        (30.0, 900.0, True, "holds 30.0 L (7.9 gal) by its level"),
        (900.0, 30.0, True, ""),
        (None, 30.0, True, "holds 30.0 L (7.9 gal) by the book"),
        (None, 30.0, False, "holds 30.0 L (7.9 gal) as configured"),
        (None, 900.0, True, ""),
    ],
)
def test_the_tote_s_level_goes_before_what_was_told(
    seen_l: float | None, told_l: float, by_book: bool, words: str
) -> None:
    fill = _fill()
    ready = fill.run(until=lambda d: not open_checks(fill.setup, d.state) and d.state.state is State.IDLE)
    setup = replace(fill.setup, tote_l=told_l, tote_by_book=by_book)
    facts = replace(ready.facts, reading=replace(ready.facts.reading, tote_l=seen_l))
    texts = [each.text for each in missing(setup, ready.state, facts) if each.name == "tote"]
    assert len(texts) == bool(words)
    assert words in "".join(texts)


@pytest.mark.parametrize("change", [{"target_l": 64.0}, {"plan_reaches": False}, {"target_l": 0.0}], ids=str)
def test_a_target_beyond_the_cavity_or_the_plan_is_refused(change: dict[str, object]) -> None:
    fill = _fill()
    fill = VirtualFill(fill.rig, replace(fill.setup, **change), Unattended(patience_s=2))  # type: ignore[arg-type]
    last = fill.run(most_s=60)
    assert fill.person.gave_up
    assert last.state.state is State.IDLE


def test_an_unproven_meter_must_be_accepted_and_is_marked() -> None:
    settings = rig_settings()
    settings = settings.model_copy(update={"meter": settings.meter.model_copy(update={"proven_on": None})})
    fill = fill_of(settings, Question("11L-15"))
    assert "meter_unproven" in {check.name for check in fill.setup.checks}
    assert not fill.setup.meter.proven


def test_flammable_mixes_are_asked_for() -> None:
    fill = fill_of(rig_settings(tote__fluid="methanol:33.6%"), Question("11L-15", fluid="methanol:33.6%"))
    assert "flammable" in {check.name for check in fill.setup.checks}


def test_a_repeated_request_does_nothing_new() -> None:
    fill = _fill()
    last = _until(fill, Phase.FILL)
    fill.rig.advance(0.1)
    reading = fill.rig.scan()
    held = decide(fill.setup, last.state, reading, [Request("h", "hold", by="a")] * 3)
    assert held.state.state is State.HOLDING
    assert sum(entry.kind == "state" for entry in held.entries) == 1
    again = decide(fill.setup, held.state, replace(reading, now_s=reading.now_s + 0.1), [Request("h", "hold")])
    assert again.state.state is State.HOLDING


def test_hold_and_resume_keep_the_count_and_end_true() -> None:
    fill = _fill()
    _until(fill, Phase.FILL)
    fill.ask(Request("h", "hold", by="a"))
    fill.person = Nobody()
    held = fill.run(until=lambda d: d.state.state is State.HELD)
    assert held.outputs == Outputs(beacon=True)
    before = held.state.tally.net_l(fill.setup.meter)
    fill.run(most_s=30)
    assert fill.state is not None
    assert fill.state.tally.net_l(fill.setup.meter) == pytest.approx(before, abs=0.05)
    fill.ask(Request("r", "resume", by="a"))
    fill.person = Unattended()
    last = fill.run()
    assert last.state.state is State.COMPLETE
    plant = fill.rig.plant
    assert last.state.tally.net_l(fill.setup.meter) == pytest.approx(plant.tyre.liquid_l, abs=0.2)


@pytest.mark.parametrize("phase", [Phase.SETTLE, Phase.FILL, Phase.VENT, Phase.BACK_FLUSH])
def test_stop_switches_off_in_the_same_decision_and_closes_with_what_is_there(phase: Phase) -> None:
    fill = _fill()
    last = _until(fill, phase)
    fill.rig.advance(0.1)
    stopped = decide(fill.setup, last.state, fill.rig.scan(), [Request("stop", "stop", by="a")])
    assert not stopped.outputs.moving
    fill.state = stopped.state
    fill.rig.write(dict.fromkeys(("pump_run", "pump_reverse", "vent_valve"), False))
    fill.person = Nobody()
    end = fill.run(most_s=60)
    assert end.state.state is State.STOPPED
    assert end.state.tally.net_l(fill.setup.meter) == pytest.approx(fill.rig.plant.tyre.liquid_l, abs=0.1)


def test_the_stop_button_at_the_gun_stops_like_any_stop() -> None:
    fill = _fill()
    last = _until(fill, Phase.FILL)
    fill.rig.advance(0.1)
    pressed = replace(fill.rig.scan(), stop_pressed=True)
    stopped = decide(fill.setup, last.state, pressed)
    assert stopped.state.state is State.STOPPING
    assert not stopped.outputs.moving
    again = decide(fill.setup, stopped.state, replace(pressed, now_s=pressed.now_s + 0.1))
    assert again.state.state is State.STOPPING


def test_a_reversal_waits_until_the_pump_has_stood_still() -> None:
    fill = fill_of(rig_settings("draw-down"), Question("11L-15"))
    seen: list[tuple[float, int]] = []

    def watch(decision: Decision) -> None:
        outputs = decision.outputs
        turns = 1 if outputs.pump_run else -1 if outputs.pump_reverse else 0
        seen.append((decision.state.now_s, turns))

    fill.watch = watch
    fill.run()
    last_turn, stopped_s = 0, 0.0
    for at_s, turns in seen:
        if turns == 0:
            continue
        if last_turn and turns != last_turn:
            assert at_s - stopped_s >= 2.0
        last_turn, stopped_s = turns, at_s
    assert {turns for _, turns in seen} == {1, -1, 0}


def test_run_and_reverse_together_cannot_be_built() -> None:
    with pytest.raises(ValueError, match="one direction"):
        Outputs(pump_run=True, pump_reverse=True)


def test_the_same_arguments_give_the_same_decision() -> None:
    fill = _fill()
    last = _until(fill, Phase.FILL)
    fill.rig.advance(0.1)
    reading = fill.rig.scan()
    assert decide(fill.setup, last.state, reading) == decide(fill.setup, last.state, reading)


def test_a_state_written_and_read_back_is_the_same() -> None:
    fill = _fill()
    for phase in (Phase.FILL, Phase.VENT, Phase.SHUT):
        state = _until(fill, phase).state
        assert state_from(frozen(state)) == state
    assert setup_from(frozen(fill.setup)) == fill.setup


@pytest.mark.parametrize("layout", ["vent", "draw-down"])
@pytest.mark.parametrize("fraction", [0.1, 0.35, 0.6, 0.8, 0.95])
@pytest.mark.full
def test_a_fill_taken_up_again_anywhere_ends_true(layout: str, fraction: float) -> None:
    """As after a crash: the state from the journal, two dark seconds with the last outputs, then a new process."""
    whole = fill_of(rig_settings(layout), Question("11L-15"))
    whole.run()
    length_s = whole.rig.now_s
    fill = fill_of(rig_settings(layout), Question("11L-15"))
    fill.run(most_s=fraction * length_s)
    assert fill.state is not None
    if fill.state.opened_s == 0.0:
        pytest.skip("not started yet")
    fill.rig.advance(2.0)
    fill.rig.write(dict.fromkeys(("pump_run", "pump_reverse", "vent_valve"), False))
    fill.rig.advance(3.0)
    state = recovered(fill.setup, fill.state, fill.rig.scan())
    assert state.state is State.HELD
    assert not state.outputs.moving
    fill.state = replace(state, now_s=0.0)
    fill.person = Unattended("again", go_on=True)
    last = fill.run()
    assert last.state.state is State.COMPLETE, last.state.alarms
    u_l = net_within(fill.setup, last.state).u_l
    assert u_l < 2.5
    assert last.state.tally.net_l(fill.setup.meter) == pytest.approx(fill.rig.plant.tyre.liquid_l, abs=u_l)


def test_a_new_process_forgets_since_when_the_gauge_has_stood() -> None:
    """Its clock starts anew: by the old one's times a gauge that stands would never do so."""
    fill = fill_of(rig_settings(), Question("11L-15"))
    fill.run(until=lambda d: d.state.phase is Phase.FILL and d.facts.run_s > 5)
    assert fill.state is not None
    reading = replace(fill.rig.scan(), now_s=0.0, outputs_seen=None)
    state = recovered(fill.setup, fill.state, reading)
    for step in range(1, 200):
        now_s = 0.1 * step
        decision = decide(fill.setup, state, replace(reading, now_s=now_s))
        state, facts = decision.state, decision.facts
        assert not facts.restless
        assert min(facts.gauge_age_s, facts.pulse_age_s) >= 0
        assert max(facts.gauge_age_s, facts.pulse_age_s) <= now_s
    assert facts.rests


def test_an_idle_fill_is_safe_whatever_it_reads() -> None:
    fill = _fill()
    state = new_fill(fill.setup)
    for reading in (Reading(1.0), Reading(1.0, reachable=False), Reading(1.0, line_kpa=900.0, estop_ok=False)):
        assert decide(fill.setup, state, reading).outputs == Outputs()


def test_the_first_rest_waits_for_the_gauge_however_quickly_a_person_starts() -> None:
    """The gauge still rises after the gun went on: a rest read then would make the tyre look half its size."""

    class Quick(Unattended):
        """Walks about for a while, then puts the gun on and touches start at once."""

        def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
            unasked = open_checks(setup, decision.state)
            if decision.state.state is not State.IDLE:
                return super().requests(setup, decision)
            if unasked:
                return super().requests(setup, decision) if decision.state.now_s > 10.0 else []
            return [Request(f"start-{decision.state.now_s}", "start", by="test")]

    rests: list[float] = []

    def watch(decision: Decision) -> None:
        rests.extend(float(str(e.data["tyre_kpa"])) for e in decision.entries if e.kind == "rest")

    ran = run_fill("11L-15", person=Quick(), watch=watch, sim__start_pressure="5 psi", sim__sensor_lag="0.4 s")
    assert ran.record["outcome"] == "complete", ran.alarms
    assert rests[0] == pytest.approx(5 * PSI, abs=1.0)
