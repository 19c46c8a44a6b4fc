"""The facade: repeats do nothing, one order at a time, checks remembered, an early start waits for the reading."""

from __future__ import annotations

from dataclasses import replace

import pytest
from shop import settings

from rig.control.belief.state import FillState, new_fill
from rig.control.moves.decide import Decision, decide
from rig.control.safety.permissives import open_checks
from rig.control.words.procedure import State
from rig.control.words.values import Entry, Prompt, Reading, Request, Setup
from rig.run.assembly import Memory, Question, answer, setup_of
from rig.run.facade import Facade, Order, Shown
from rig.run.session import Errand

RIG = settings()
QUESTION = Question(size="16.9-28")


class Bench:
    """A fill that a facade is put to, scan by scan, without a field."""

    def __init__(self) -> None:
        self.facade = Facade(RIG)
        self.setup: Setup = setup_of(RIG, QUESTION, answer(RIG, QUESTION), "fill-1", Memory())
        self.state: FillState = new_fill(self.setup)
        self.now_s = 1.0
        self.decision: Decision | None = None
        self.asked: list[Request] = []
        self.entries: list[Entry] = []

    def open(self, order: Order) -> None:
        assert self.facade.order(order)
        assert self.facade.take_order() is order
        self.facade.begins(Shown("16.9-28"), QUESTION)

    def scan(self, times: int = 1, **changes: object) -> None:
        """So many scans of a tenth of a second on a rig that stands still at 5 psi."""
        for _ in range(times):
            self.now_s += 0.1
            whole: dict[str, object] = {
                "counts": (0, None), "line_kpa": 34.5, "tote_l": 900.0, "estop_ok": True, "output_timeout_s": 2.0,
            }  # fmt: skip
            reading = Reading(self.now_s, **{**whole, **changes})  # type: ignore[arg-type]
            reading = replace(reading, counts=tuple(0 for _ in range(1 + len(self.setup.beside))))
            self.decision = decide(self.setup, self.state, reading, self.asked)
            self.state = self.decision.state
            self.entries.extend(self.decision.entries)
            self.facade(self.setup, self.decision)
            self.asked = list(self.facade.requests(self.setup, self.decision))


def order(number: int = 1, *, start: bool = True, names: tuple[str, ...] = ()) -> Order:
    return Order(f"order-{number}", "fill", "Jo", Errand(QUESTION, "Jo"), confirmed=names, start=start)


def every_check(bench: Bench) -> tuple[str, ...]:
    return tuple(check.name for check in bench.setup.checks)


def test_a_repeat_of_an_order_or_a_request_does_nothing() -> None:
    bench = Bench()
    bench.open(order(start=False))
    assert bench.facade.order(order(start=False))
    for _ in range(3):
        bench.facade.confirm("touch-1", "Jo", "protection")
    bench.scan()
    assert [request.id for request in bench.asked] == ["touch-1"]


def test_one_order_at_a_time() -> None:
    bench = Bench()
    bench.open(order())
    assert not bench.facade.order(order(2))
    assert bench.facade.snapshot().busy
    bench.facade.ends({"fill_id": "fill-1"})
    assert not bench.facade.snapshot().busy
    assert bench.facade.order(order(3))


def test_a_start_that_is_early_by_a_reading_is_asked_again_and_runs() -> None:
    bench = Bench()
    bench.open(order(names=every_check(bench)))
    bench.scan(60)
    assert bench.state.state is State.RUNNING
    assert bench.facade.snapshot().missing == ()
    # Refused once and asked once more: nobody wants the record full of refusals.
    assert len([entry for entry in bench.entries if entry.kind == "refused"]) == 1
    assert {each.by for each in bench.state.confirmed} == {"Jo"}


def test_a_start_against_the_emergency_stop_is_refused_and_not_kept() -> None:
    bench = Bench()
    bench.open(order(names=every_check(bench)))
    bench.scan(20, estop_ok=False)
    assert "emergency_stop" in {each.name for each in bench.facade.snapshot().missing}
    # Releasing it must not set the pump going: a person starts again.
    bench.scan(100)
    assert bench.state.state is State.IDLE
    bench.facade.start("touch-9", "Jo")
    bench.scan(5)
    assert bench.state.state is State.RUNNING


def test_checks_of_shift_and_machine_are_asked_once_and_again_when_the_machine_moves() -> None:
    bench = Bench()
    bench.open(order(names=every_check(bench), start=False))
    bench.scan(2)
    bench.facade.ends(None)
    again = Bench()
    again.facade = bench.facade
    again.open(order(2, start=False))
    again.scan(2)
    assert {check.scope for check in open_checks(again.setup, again.state)} == {"wheel"}
    bench.facade.ends(None)
    bench.facade.forget(("machine",), "Jo")
    moved = Bench()
    moved.facade = bench.facade
    moved.open(order(3, start=False))
    moved.scan(2)
    assert {check.scope for check in open_checks(moved.setup, moved.state)} == {"wheel", "machine"}


def test_what_one_person_said_is_asked_of_the_next() -> None:
    bench = Bench()
    bench.open(order(names=every_check(bench), start=False))
    bench.scan(2)
    assert bench.facade.given.recalled("Jo", bench.setup.checks)
    assert bench.facade.given.recalled("Sam", bench.setup.checks) == []


def test_stop_leaves_a_fill_that_never_started_and_stops_one_that_runs() -> None:
    bench = Bench()
    bench.open(order(start=False))
    bench.scan(2)
    bench.facade.stop("touch-1", "anyone")
    bench.scan()
    assert bench.facade.gave_up
    runs = Bench()
    runs.open(order(names=every_check(runs)))
    runs.scan(60)
    runs.facade.stop("touch-1", "anyone")
    runs.scan(2)
    assert runs.state.state is State.STOPPING
    assert runs.decision is not None
    assert not runs.decision.outputs.moving


@pytest.mark.parametrize("kind", ["hold", "resume", "reset", "end", "next_measure"])
def test_every_operation_becomes_one_request(kind: str) -> None:
    bench = Bench()
    bench.open(order(names=every_check(bench)))
    bench.scan(60)
    getattr(bench.facade, kind)("touch-1", "Jo")
    bench.scan()
    assert [(request.kind, request.by) for request in bench.asked] == [(kind, "Jo")]


def test_the_start_button_at_the_gun_starts_only_when_everything_was_said() -> None:
    bench = Bench()
    bench.open(order(start=False))
    # Down from the beginning, and pressed anew while questions are open: nothing.
    for pressed in (True, False, True, False):
        bench.scan(3, start_pressed=pressed)
    assert bench.state.state is State.IDLE
    for name in every_check(bench):
        bench.facade.confirm(f"touch-{name}", "Jo", name)
    bench.scan(60, start_pressed=False)
    assert bench.state.state is State.IDLE
    bench.scan(3, start_pressed=True)
    assert bench.state.state is State.RUNNING


def test_the_start_button_answers_the_prompt_once_for_each_press() -> None:
    bench = Bench()
    bench.open(order(names=every_check(bench)))
    bench.scan(60, start_pressed=False)
    assert bench.decision is not None
    prompted = replace(bench.decision, prompt=Prompt("insert_back", "Put it back."))
    pressed = replace(
        prompted, facts=replace(prompted.facts, reading=replace(prompted.facts.reading, start_pressed=True))
    )
    (answered,) = bench.facade.requests(bench.setup, pressed)
    assert (answered.kind, answered.name, answered.by) == ("answer", "insert_back", "Jo, start button")
    assert bench.facade.requests(bench.setup, pressed) == []
