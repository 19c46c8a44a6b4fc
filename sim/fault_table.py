"""Every fault in every phase of both layouts, judged: time until the outputs are safe, and volume passed until then.

``python -m sim campaign --table`` prints it as Markdown. A fault that changes nothing in a phase is counted, not timed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import cache
from itertools import groupby
from typing import TYPE_CHECKING

from rig.control.moves.snapshot import fill_record
from rig.record.work import Counted
from sim.faults import FAULTS, Event
from sim.judge import Judge
from sim.person import Scripted
from sim.scenarios import PARTS, Case, Habits, Layout, drawn, set_up
from sim.seen import Breach, delivered_l, tyre_kpa
from sim.virtual import VirtualFill, VirtualRig

if TYPE_CHECKING:
    from rig.control.moves.decide import Decision
    from rig.control.words.values import Setup

_INTO_S = 0.7
"""Time into a phase at which the fault begins."""
LAYOUTS: tuple[Layout, ...] = ("vent", "draw-down")


@dataclass(frozen=True, slots=True)
class Met:
    """The result of one fault in one phase."""

    fault: str
    layout: Layout
    phase: str
    first_out: str | None
    outcome: str
    safe_s: float | None
    """From the onset until the last moving command; None where no alarm came."""
    passed_l: float
    """Liquid that left the hose's end or entered the tyre from the onset until standstill."""
    rise_kpa: float
    """Largest rise of the tyre's true pressure above that at the onset."""
    breaches: tuple[Breach, ...]


@dataclass(slots=True)
class _Timer:
    """Measures one fill from the onset on."""

    rig: VirtualRig
    onset_s: float
    began: tuple[float, float] | None = None
    moved_s: float = 0.0
    most_kpa: float = 0.0
    left_l: float = 0.0
    alarmed: bool = False
    phases: list[tuple[str, float]] = field(default_factory=list)

    def see(self, decision: Decision) -> None:
        """Evaluate one tick."""
        plant, state = self.rig.plant, decision.state
        if state.state.value == "running" and (not self.phases or self.phases[-1][0] != state.phase.value):
            self.phases.append((state.phase.value, plant.time_s))
        if plant.time_s < self.onset_s:
            return
        out_l = delivered_l(plant) + plant.line.books.spilled_l + plant.line.books.vented_l
        if self.began is None:
            self.began = tyre_kpa(plant), out_l
        self.alarmed |= state.alarms.first_out is not None
        if decision.outputs.moving:
            self.moved_s = plant.time_s
        if not self.alarmed or plant.time_s < self.moved_s + 3.0:
            self.most_kpa = max(self.most_kpa, tyre_kpa(plant) - self.began[0])
            self.left_l = max(self.left_l, out_l - self.began[1])


def _prepared(layout: Layout, events: Sequence[Event]) -> tuple[Setup, VirtualRig]:
    seed = next(seed for seed in range(100) if drawn(Case(seed, PARTS)).layout == layout)
    scenario = drawn(Case(seed, PARTS))
    found = set_up(scenario)
    assert found is not None
    return found[0], VirtualRig(scenario.settings, events)


def _run(layout: Layout, events: Sequence[Event], onset_s: float) -> tuple[_Timer, Judge, Counted]:
    setup, rig = _prepared(layout, events)
    judge = Judge(setup, rig, frozenset(event.name for event in events))
    timer = _Timer(rig, onset_s)

    def see(decision: Decision) -> None:
        judge.see(decision)
        timer.see(decision)

    person = Scripted(Habits(think_s=4.0), setup.expected_s, judge.heard)
    last = VirtualFill(rig, setup, person, see).run(most_s=3600.0)
    record = fill_record(setup, last.state)
    judge.close(record, ended=True)
    return timer, judge, record


@cache
def phases_of(layout: Layout) -> tuple[tuple[str, float], ...]:
    """The phases of a healthy fill, each with a plant time inside it; a repeated one also at its last occurrence."""
    timer, _, _ = _run(layout, (), 0.0)
    first: dict[str, float] = {}
    last: dict[str, float] = {}
    for name, at_s in timer.phases:
        first.setdefault(name, round(at_s + _INTO_S, 2))
        last[name] = round(at_s + _INTO_S, 2)
    late = {f"{name}, last": at_s for name, at_s in last.items() if at_s != first[name]}
    return tuple(sorted({**first, **late}.items(), key=lambda each: each[1]))


def met(fault: str, layout: Layout, phase: str, at_s: float) -> Met:
    """Run one fault that begins at a plant time."""
    onset_s = 0.0 if FAULTS[fault].only_at_start else at_s
    timer, judge, record = _run(layout, [Event(fault, onset_s)], onset_s)
    first_out = record.first_out
    return Met(
        fault,
        layout,
        phase,
        None if first_out is None else str(first_out),
        record.outcome,
        max(0.0, timer.moved_s - onset_s) if timer.alarmed else None,
        timer.left_l,
        timer.most_kpa,
        tuple(judge.breaches),
    )


def _job(job: tuple[str, Layout, str, float]) -> Met:
    return met(*job)


def jobs(faults: Sequence[str] = tuple(FAULTS)) -> Iterator[tuple[str, Layout, str, float]]:
    """Every fault in every phase of both layouts; one that is possible only at the start comes once per layout."""
    for fault in faults:
        for layout in LAYOUTS:
            places = phases_of(layout)
            yield from ((fault, layout, *place) for place in (places[:1] if FAULTS[fault].only_at_start else places))


def table(processes: int, say: Callable[[str], None]) -> int:
    """Print the table; returns the number of fills with a breach."""
    say("| fault | layout | phases | told as | worst s to safe | in phase | L passed | kPa risen | breaches |")
    say("| --- | --- | --: | --- | --: | --- | --: | --: | --: |")
    failing = []
    with ProcessPoolExecutor(processes) as pool:
        for (fault, layout), each in groupby(pool.map(_job, list(jobs())), key=lambda one: (one.fault, one.layout)):
            rows = list(each)
            say(_line(fault, layout, rows))
            failing += [row for row in rows if row.breaches]
    for row in failing:
        for breach in row.breaches:
            say(f"\n{row.fault} in {row.phase} ({row.layout}): {breach.name} at {breach.at_s} s: {breach.text}")
    return len(failing)


def _line(fault: str, layout: Layout, rows: list[Met]) -> str:
    first = sorted({each.first_out for each in rows if each.first_out})
    timed = [each for each in rows if each.safe_s is not None]
    breaches = sum(bool(each.breaches) for each in rows)
    if not timed:
        return f"| {fault} | {layout} | {len(rows)} | nothing to tell | – | – | – | – | {breaches} |"
    worst = max(timed, key=lambda each: each.safe_s or 0.0)
    most_l, most_kpa = max(each.passed_l for each in timed), max(each.rise_kpa for each in timed)
    return (
        f"| {fault} | {layout} | {len(timed)} of {len(rows)} | {', '.join(first)} | {worst.safe_s:.1f} | {worst.phase} "
        f"| {most_l:.2f} | {most_kpa:.1f} | {breaches} |"
    )
