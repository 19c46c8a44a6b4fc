"""A person at a terminal is a face of the facade: one Enter starts, keys hold and stop, nothing is asked twice."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
from virtual_fills import rig_settings

from rig.cli import main
from rig.cli.face import Region, alarm_words
from rig.cli.terminal import Terminal
from rig.control.words.procedure import State
from rig.plan.target import Wanted
from rig.run.assembly import Memory, Question, answer, setup_of
from sim.faults import read_fault
from sim.virtual import VirtualFill, VirtualRig


class Typed:
    """Standard input whose lines are there at once; it ends when it is told to."""

    def __init__(self, *lines: str) -> None:
        self._lines = lines
        self._taken, self._over = threading.Event(), threading.Event()

    def __iter__(self) -> Iterator[str]:
        yield from self._lines
        self._taken.set()
        self._over.wait()

    def taken(self) -> None:
        """Return when every line has been read."""
        assert self._taken.wait(10)

    def end(self) -> None:
        """The terminal is closed."""
        self._over.set()


def terminal(monkeypatch: pytest.MonkeyPatch, typed: Typed) -> VirtualFill:
    """A wheel that a person at a terminal is about to fill, everything typed already."""
    settings = rig_settings(sim__size="11L-15")
    question = Question("11L-15", Wanted(volume_l=5.0))
    setup = setup_of(settings, question, answer(settings, question), "test", Memory())
    monkeypatch.setattr("sys.stdin", typed)
    person = Terminal("Jo", settings)
    typed.taken()
    return VirtualFill(VirtualRig(settings, []), setup, person)


def test_a_start_before_the_tyre_was_read_stands(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    fill = terminal(monkeypatch, typed := Typed(*["\n"] * 20))
    last = fill.run(most_s=15, until=lambda d: d.state.state is State.RUNNING)
    typed.end()
    assert last.state.state is State.RUNNING
    assert {each.by for each in last.state.confirmed} == {"Jo"}
    asked = capsys.readouterr().err
    assert asked.count("Ready. [Enter = start, n = leave]") == 1
    assert asked.count("[Enter = yes, n = leave]") == len(fill.setup.checks)
    assert "not ready" not in asked


@pytest.mark.parametrize("line", ["n\n", "what?\n"])
def test_anything_but_yes_leaves_a_fill_that_has_not_begun(monkeypatch: pytest.MonkeyPatch, line: str) -> None:
    fill = terminal(monkeypatch, typed := Typed("\n", line))
    last = fill.run(most_s=15)
    typed.end()
    assert fill.person.gave_up
    assert last.state.state is State.IDLE


def test_keys_hold_go_on_and_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    """A line is heard in each scan; an Enter that nobody asked for does nothing."""
    waits = ["\n"] * 60
    fill = terminal(monkeypatch, typed := Typed(*waits, "h\n", *waits, "R\n", *waits, "s\n"))
    states: list[State] = []
    fill.watch = lambda decision: states.append(decision.state.state)
    fill.run(most_s=60)
    typed.end()
    whole = [State.IDLE, State.RUNNING, State.HOLDING, State.HELD, State.RUNNING, State.STOPPING, State.STOPPED]
    assert [state for n, state in enumerate(states) if n == 0 or state is not states[n - 1]] == whole


@pytest.mark.parametrize("port", ["80000", "-1", "page"])
def test_a_port_that_cannot_be_is_refused_with_words(port: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["serve", f"--port={port}"])
    assert left.value.code == 2
    assert "a port is 0 to 65535" in capsys.readouterr().err


def test_what_stopped_a_fill_names_its_entry_of_the_guide() -> None:
    settings = rig_settings(sim__size="11L-15")
    question = Question("11L-15", Wanted(volume_l=20.0))
    setup = setup_of(settings, question, answer(settings, question), "test", Memory())
    fill = VirtualFill(VirtualRig(settings, [read_fault("estop@10")]), setup)
    assert alarm_words(setup, fill.run(most_s=9)) == ""
    last = fill.run(most_s=60, until=lambda d: d.state.alarms.first_out is not None)
    words = alarm_words(setup, last)
    assert words.startswith("Stopped because: Emergency stop is pressed")
    assert words.endswith("\n  More: rig guide emergency_stop")


def test_an_alert_is_seen_although_the_region_has_gone(capsys: pytest.CaptureFixture[str]) -> None:
    """After a fill the region is closed, and what moves then was reported by the bell alone."""
    Region().alert("Liquid flows though the pump is off.\n  Cut the pump supply and shut the gun.")
    heard = capsys.readouterr().err
    assert "Liquid flows though the pump is off." in heard
    assert "Cut the pump supply and shut the gun." in heard
