"""Run many fills in virtual time, each drawn from its seed and judged on every tick: ``python -m sim campaign``.

A seed with a breach is simplified part by part and printed as the one command that repeats it.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass, replace
from operator import attrgetter
from typing import TYPE_CHECKING

from rig.control.moves.recover import recovered
from rig.control.moves.snapshot import fill_record
from rig.control.words.procedure import ENDED
from rig.field.field import LATE
from rig.record.work import Counted
from rig.run.outputs import dropped_after_s
from sim.compiled import is_compiled
from sim.judge import Judge
from sim.person import Scripted
from sim.placing import placed
from sim.scenarios import Case, Scenario, drawn, set_up
from sim.score import Account, as_documents, print_scores, scored, worse
from sim.seen import Breach, at_valve, delivered_l
from sim.table import sim_of
from sim.trace import Trace
from sim.virtual import VirtualFill, VirtualRig
from sim.world import strata as world_strata

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from rig.control.belief.state import FillState
    from rig.control.moves.decide import Decision
    from rig.control.words.values import Setup
    from sim.virtual import Tape

_MOST_S = 6 * 3600.0
"""Time-out of a fill in virtual time: this, or three times the expected time if longer."""
_DARK_S = 5.0
_PRINTED = (
    "fills", "breaches", "seed", "fills_per_second", "virtual_hours", "times_real_time", "code", "outcomes",
    "replayed_scans",
)  # fmt: skip
_CLOSEST = 20
_DEFECTS = (AssertionError, ArithmeticError, AttributeError, LookupError, RuntimeError, TypeError, ValueError)
"""Exceptions by which a decision may reveal a program defect: in the loop they turn everything off."""
_OFF = dict.fromkeys(("pump_run", "pump_reverse", "vent_valve"), False)


@dataclass(frozen=True, slots=True)
class Judged:
    """The result of one fill. ``outcome`` is "refused" where the plan did not permit it."""

    case: Case
    outcome: str
    first_out: str | None
    faults: tuple[str, ...]
    breaches: tuple[Breach, ...]
    ticks: int = 0
    virtual_s: float = 0.0
    trace: str = ""
    used: tuple[tuple[str, float], ...] = ()
    """Requirements that this fill nearly broke, with the share of each limit that it used."""
    replayed: int = 0
    """Scans that were replayed, all the same to the bit."""
    account: Account | None = None
    """What its record states of its litres, and the truth."""
    at_valve: bool = False
    """At the end the liquid truly was at the valve: no more air could leave there."""


class JudgedFill:
    """A virtual fill with its judge, its scripted person and its trace."""

    def __init__(self, scenario: Scenario, setup: Setup, rig: VirtualRig, tape: Tape | None = None) -> None:
        self._scenario, self._setup, self._rig = scenario, setup, rig
        faults = frozenset(name for name, _, _ in scenario.faults)
        habits = scenario.habits
        disturbed = habits.hold_at, habits.stop_at, scenario.crash_at, scenario.stall
        alone = all(each is None for each in disturbed)
        self.judge = Judge(setup, rig, faults, delivers=alone)
        self.trace = Trace()
        self.person = Scripted(habits, setup.expected_s, self.judge.heard)
        self._fill = VirtualFill(rig, setup, self.person, self._see, tape=tape)

    def _see(self, decision: Decision) -> None:
        self.judge.see(decision)
        self.trace.see(decision)

    def run(self, most_s: float = _MOST_S, until: str = "") -> Decision:
        """Run to the end, through the interruption if there is one, or to a breach of the promise ``until``."""
        crash_at, interrupted = self._scenario.crash_at, False
        if crash_at is not None:
            last = self._fill.run(most_s=max(1.0, crash_at * self._setup.expected_s))
            interrupted = self._interrupt(last)
        last = self._fill.run(most_s, lambda _: any(breach.name == until for breach in self.judge.breaches))
        ended = last.state.state in ENDED or self.person.gave_up
        self.judge.close(fill_record(self._setup, last.state), ended=ended, interrupted=interrupted)
        return last

    def _interrupt(self, last: Decision) -> bool:
        """Simulate a restart: relays keep their last command until the module's time-out, then a new process starts."""
        state = last.state
        if state.state in ENDED or not state.opened_s or self.person.gave_up:
            return False
        self._rig.advance(_DARK_S)
        self._rig.write(_OFF)
        self._rig.arm(self._setup.timeout_s)
        self._rig.advance(_DARK_S)
        reading, ran_s = self._rig.scan(state.measure), min(_DARK_S, LATE * dropped_after_s(self._rig.settings))
        if self._fill.tape is not None:
            self._fill.tape.taken_up(state, reading, ran_s)
        taken_up: FillState = recovered(self._setup, state, reading, ran_s=ran_s)
        before, after = fill_record(self._setup, state), fill_record(self._setup, taken_up)
        self.judge.interrupted(before, after, taken_up.outputs.moving)
        self._fill.state = taken_up
        return True


def judged(
    scenario: Scenario, until: str = "", most_s: float = _MOST_S, recorder: Callable[[Setup], Tape] | None = None
) -> Judged:
    """Run one scenario under its judge, to a breach of the promise ``until`` if one is named.

    ``most_s`` is its time-out in virtual time; a fill has at least three times what it is expected to take.
    ``recorder`` makes what gets every scan.
    """
    found = set_up(scenario)
    names = tuple(name for name, _, _ in scenario.faults)
    blank = Judged(scenario.case, "refused", None, names, ())
    if found is None:
        return blank
    setup, rig = found
    fill = JudgedFill(scenario, setup, rig, None if recorder is None else recorder(setup))
    try:
        last = fill.run(max(most_s, 3 * setup.expected_s), until)
    except _DEFECTS as error:
        defect = Breach("nothing is raised", rig.now_s, repr(error))
        return replace(blank, outcome="defect", breaches=(*fill.judge.breaches, defect))
    record = fill_record(setup, last.state)
    return replace(
        blank,
        outcome="left" if fill.person.gave_up else record.outcome,
        first_out=last.state.alarms.first_out,
        breaches=tuple(fill.judge.breaches),
        ticks=fill.judge.ticks,
        virtual_s=rig.now_s,
        trace=fill.trace.digest,
        used=tuple(fill.judge.used.items()),
        account=_account(scenario, setup, rig, record),
        at_valve=at_valve(rig.plant),
    )


def _account(scenario: Scenario, setup: Setup, rig: VirtualRig, record: Counted) -> Account:
    names = sorted({name for name, _, _ in scenario.faults})
    # Liquid lost through a leak cannot be counted at the pump.
    leaked_l = rig.plant.line.books.spilled_l if "leak" in names else 0.0
    meter = f"meter {setup.meter.kind}, reverse {setup.meter.reverse}"
    strata = (*(f"fault {name}" for name in names), f"layout {scenario.layout}", meter)
    strata = (*strata, *world_strata(sim_of(scenario.settings)))
    interrupted = ("interrupted",) if scenario.crash_at is not None else ()
    return Account(
        record.net_l, record.within_l, delivered_l(rig.plant) + leaked_l, setup.target_l,
        ("faulty" if names else "sound", *interrupted, *strata),
    )  # fmt: skip


def run_case(case: Case) -> Judged:
    """Draw and run one fill."""
    scenario = drawn(case)
    scenario = placed(scenario, _MOST_S) if case.single else scenario
    if not case.replayed:
        return judged(scenario)
    # Campaigns that replay nothing need none of its imports.
    from sim.taping import Recorded

    with Recorded() as recorded:
        found, again = judged(scenario, recorder=recorded.of), recorded.replayed()
    differs = None if again is None else again.first_difference
    if differs is None:
        return replace(found, replayed=0 if again is None else again.scans)
    return replace(found, breaches=(*found.breaches, Breach("replays to the bit", differs.at_s, repr(differs))))


def shrunk(failing: Judged) -> Judged:
    """The simplest fill with one of the same breaches: leave each part out once, for good if the breach remains."""
    names, best = {breach.name for breach in failing.breaches}, failing
    for part in failing.case.parts:
        trial = run_case(best.case.without(part))
        if names & {breach.name for breach in trial.breaches}:
            best = trial
    return best


def campaign(cases: Sequence[Case], *, jobs: int, minutes: float | None, as_json: bool) -> int:
    """Run a fill for each case and print; returns the exit status: 1 with a breach or a score that is worse, else 0."""
    began_s = time.monotonic()
    until_s = None if minutes is None else began_s + 60 * minutes
    found: list[Judged] = []
    for each in _all(cases, jobs, until_s):
        found.append(each)
        if each.breaches:
            # Printed at once, so that an interrupted campaign is not lost.
            print(f"breach: {each.case.command}", file=sys.stderr, flush=True)
        _bar(len(found), len(cases), sum(bool(one.breaches) for one in found))
    took_s = time.monotonic() - began_s
    failing = _all_shrunk([each for each in found if each.breaches], jobs)
    rows = scored(each.account for each in found if each.account is not None)
    document = _document(found, failing, cases[0].seed, took_s) | {"scores": as_documents(rows)}
    if as_json:
        print(json.dumps(document))
    else:
        _print(document, failing)
        print_scores(rows, print)
    fallen = worse(rows)
    for text in fallen:
        print(f"uncertainty: {text}", file=sys.stderr, flush=True)
    return 1 if failing or fallen else 0


def _all(cases: Sequence[Case], jobs: int, until_s: float | None) -> Iterator[Judged]:
    if jobs == 1 or len(cases) == 1:
        for case in cases:
            if until_s is not None and time.monotonic() > until_s:
                return
            yield run_case(case)
        return
    with ProcessPoolExecutor(jobs) as pool:
        pending = [pool.submit(run_case, case) for case in cases]
        for future in as_completed(pending):
            yield future.result()
            if until_s is not None and time.monotonic() > until_s:
                pool.shutdown(cancel_futures=True)
                return


def _all_shrunk(broken: list[Judged], jobs: int) -> list[Judged]:
    if jobs == 1 or len(broken) < 2:
        return [shrunk(each) for each in broken]
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(shrunk, broken))


def _bar(done: int, of: int, breaches: int) -> None:
    if not sys.stderr.isatty():
        return
    filled = 40 * done // of
    end = "\n" if done == of else ""
    print(f"\r[{'#' * filled}{'.' * (40 - filled)}] {done}/{of}, {breaches} with a breach", end=end, file=sys.stderr)


def _document(found: list[Judged], failing: list[Judged], seed: int, took_s: float) -> dict[str, object]:
    outcomes: dict[str, int] = {}
    for each in found:
        outcomes[each.outcome] = outcomes.get(each.outcome, 0) + 1
    ran = [each for each in found if each.outcome != "refused"]
    virtual_s = sum(each.virtual_s for each in ran)
    traces = [each.trace for each in sorted(ran, key=attrgetter("case.seed"))]
    return {
        "fills": len(ran),
        "breaches": len(failing),
        "seed": seed,
        "fills_per_second": round(len(ran) / took_s, 3) if took_s else 0.0,
        "virtual_hours": round(virtual_s / 3600, 2),
        "times_real_time": round(virtual_s / took_s) if took_s else 0,
        "ticks": sum(each.ticks for each in ran),
        "replayed_scans": sum(each.replayed for each in ran),
        "wall_s": round(took_s, 1),
        "cores": os.cpu_count(),
        "code": "compiled" if is_compiled() else "interpreted",
        "outcomes": dict(sorted(outcomes.items())),
        "trace": hashlib.sha256("".join(traces).encode()).hexdigest(),
        "closest": _closest(ran),
        "failing": [
            {
                "command": each.case.command,
                "faults": each.faults,
                "breaches": [asdict(breach) for breach in each.breaches],
            }
            for each in failing
        ],
    }


def _closest(ran: list[Judged]) -> list[dict[str, object]]:
    """For every requirement with a measured share, the fills that came nearest to breaking it."""
    by_name: dict[str, list[tuple[float, str]]] = {}
    for each in ran:
        broken = {breach.name for breach in each.breaches}
        for name, share in each.used:
            if round(share, 3) and name not in broken:
                by_name.setdefault(name, []).append((share, each.case.command))
    return [
        {"promise": name, "share": round(share, 3), "command": command}
        for name, calls in sorted(by_name.items())
        for share, command in sorted(calls, reverse=True)[:_CLOSEST]
    ]


def _print(document: dict[str, object], failing: list[Judged]) -> None:
    for each in failing:
        print(each.case.command)
        for breach in each.breaches:
            print(f"    {breach.at_s:8.1f} s  {breach.name}: {breach.text}")
    for name in _PRINTED:
        print(f"{name:>18}  {document[name]}")
