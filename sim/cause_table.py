"""Whether the faults named to the person are the right ones: single faults, begun in any kind of phase.

``python -m sim campaign --cause-table`` prints it as Markdown, then how often each sign was seen, in the order of the
table in :mod:`rig.control.belief.suspects`. Not counted are rigs whose sound fill raises an alarm, faults without an
alarm, and fills with an alarm before the fault.
"""

from __future__ import annotations

import random
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rig.control.belief.suspects import GROUPS, SIGNS, suspects
from sim.faults import FAULTS
from sim.person import Scripted
from sim.placing import placed_in, spans_of
from sim.scenarios import Case, drawn, set_up
from sim.virtual import VirtualFill

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from rig.control.belief.suspects import Evidence
    from rig.control.moves.decide import Decision
    from rig.control.words.values import Request, Setup
    from sim.scenarios import Scenario

_MOST_S = 4 * 3600.0
_SEEN_S = 8.0
"""Time after the alarm until which evidence is collected: a person reads and looks, and then acts."""
_ON_EACH = 11
"""Faults that are tried on one rig: a third of them, the next third on the next one."""
_LEAST = 0.75
"""Share of faults that must be named first; below it the command fails."""
_SECOND = ("slip", "stall", "vortex", "heat", "vapour", "growth")
"""Parts of a rig unlike the demonstration's that are a second fault, or stop a sound fill."""
TRULY: dict[str, str] = {
    "meter_stuck": "meter_silent", "meter_dead": "meter_silent", "meter_noise": "meter_more",
    "meter_double": "meter_more", "meter_backwards": "meter_turned", "meter_reset": "counter",
    "meter_rollback": "counter", "air_in_line": "suction_air", "pump_no_start": "pump_dead",
    "pump_welded": "pump_on", "reverse_welded": "pump_back", "pump_slow": "strainer",
    "valve_stuck_open": "vent_open", "valve_stuck_shut": "vent_shut", "hose_off": "gun_off", "leak": "leak",
    "blocked": "blocked", "pressure_stuck": "gauge_still", "pressure_high": "gauge_wire",
    "pressure_low": "gauge_wire", "pressure_drift": "gauge_drifts", "tote_empty": "tote_empty",
    "level_stuck": "level_still", "estop": "estop", "bus_silent": "bus", "bus_slow": "bus",
    "exception_reply": "bus", "write_ignored": "outputs", "device_restart": "restart", "liquid_in_vent": "covered",
    "insert_not_seated": "seat", "bead_loss": "bead", "already_full": "inside",
}  # fmt: skip
"""The suspect that is right for each simulated fault."""


@dataclass(frozen=True, slots=True)
class Named:
    """What was named in one fill."""

    fault: str
    evidence: Evidence
    names: tuple[str, ...]
    """The suspects, the most probable first."""

    @property
    def alone(self) -> bool:
        """Whether the most probable one is the right fault by itself."""
        return self.names[:1] == (TRULY[self.fault],)

    @property
    def first(self) -> bool:
        """Whether the most probable one is right, alone or in a group."""
        return any(_holds(name, self.fault) for name in self.names[:1])

    @property
    def among(self) -> bool:
        """Whether one of them is right."""
        return any(_holds(name, self.fault) for name in self.names)


class Reads:
    """A scripted person who reads what is named before acting on an alarm."""

    def __init__(self, person: Scripted) -> None:
        self._person, self._alarm_s = person, -1e9

    @property
    def gave_up(self) -> bool:
        """As the other person does."""
        return self._person.gave_up

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        """None until it is read."""
        now_s, alarms = decision.state.now_s, decision.state.alarms
        if alarms.first_out is None:
            self._alarm_s = now_s
        reads = alarms.first_out is not None and now_s <= self._alarm_s + _SEEN_S + 1.0
        return [] if reads else self._person.requests(setup, decision)


def _holds(name: str, fault: str) -> bool:
    return TRULY[fault] in _faults_of(name)


def _faults_of(name: str) -> frozenset[str]:
    """The faults that a name stands for: those of a group, or itself."""
    return GROUPS[name].names if name in GROUPS else frozenset({name})


def named(seed: int) -> tuple[Named, ...]:
    """Run fills with one fault each on one rig; none where the plan refuses it, or its sound fill raises an alarm."""
    scenario = _rig(seed)
    alarms: list[str] = []

    def heard(decision: Decision) -> None:
        alarms.extend(filter(None, [decision.state.alarms.first_out]))

    spans = spans_of(scenario, _MOST_S, heard)
    if spans is None or alarms:
        return ()
    found = list[Named | None]()
    for fault in sorted(FAULTS)[seed % 3 :: 3]:
        if fault.startswith("valve_") and scenario.layout != "vent":
            # That rig has no such valve.
            continue
        rng = random.Random(f"{seed} {fault}")  # a simulation, not a secret
        found.append(_named(placed_in(scenario, fault, spans, rng)))
    return tuple(filter(None, found))


def _rig(seed: int) -> Scenario:
    """Of four rigs two are drawn as in the campaign of single faults, one is unlike them, one has no level."""
    kind = seed // 3 % 4
    case = Case(seed, single=True, wide=True, dropped=_SECOND) if kind == 2 else Case(seed, single=True)
    scenario = drawn(case)
    if kind != 3:
        return scenario
    points = {name: point for name, point in scenario.settings.points.items() if name != "tote_level"}
    return replace(scenario, settings=scenario.settings.model_copy(update={"points": points}))


def _named(scenario: Scenario) -> Named | None:
    found = set_up(scenario)
    assert found is not None, "its sound fill was not refused"
    setup, rig = found
    event = scenario.events(setup.expected_s)[0]
    seen: list[tuple[float, Evidence]] = []
    early = [False]

    def watch(decision: Decision) -> None:
        evidence, now_s = decision.state.alarms.evidence, decision.state.now_s
        if rig.plant.time_s < event.onset_s:
            early[0] = early[0] or evidence is not None
        elif evidence is not None and (not seen or now_s <= seen[0][0] + _SEEN_S):
            seen[1:] = [(now_s, evidence)]

    def enough(decision: Decision) -> bool:
        return early[0] or (bool(seen) and decision.state.now_s > seen[0][0] + _SEEN_S)

    person = Reads(Scripted(scenario.habits, setup.expected_s, lambda _: None))
    VirtualFill(rig, setup, person, watch).run(max(_MOST_S, 3 * setup.expected_s), enough)
    if early[0] or not seen:
        return None
    evidence = seen[-1][1]
    return Named(event.name, evidence, tuple(each.name for each in suspects(evidence)))


def cause_table(seeds: Sequence[int], jobs: int, say: Callable[[str], None]) -> int:
    """Print a line for each fault, and the shares of signs; returns 1 if too few are named first."""
    by_fault: dict[str, list[Named]] = defaultdict(list)
    with ProcessPoolExecutor(jobs) as pool:
        for found in pool.map(named, seeds[: -(-len(seeds) // _ON_EACH)]):
            for each in found:
                by_fault[each.fault].append(each)
    say("| fault | alarms | named first | alone | among two | same named first | alarms, named instead |")
    say("| --- " * 7 + "|")
    for fault in sorted(by_fault):
        say(_line(fault, by_fault[fault]))
    whole = [each for found in by_fault.values() for each in found]
    if not whole:
        return 0
    say(_line("all", whole))
    same_name = sum(map(same, by_fault.values())) / len(by_fault)
    say(f"| mean of the faults | | {_mean(by_fault):.0%} | | | {same_name:.0%} | |")
    say("")
    for name in sorted(set(TRULY.values())):
        say(_shares(name, [each.evidence for each in whole if TRULY[each.fault] == name]))
    return int(too_few(by_fault))


def too_few(by_fault: Mapping[str, Sequence[Named]]) -> bool:
    """Whether too few are named first, each fault weighing the same."""
    return _mean(by_fault) < _LEAST


def _mean(by_fault: Mapping[str, Sequence[Named]]) -> float:
    return sum(_share(each.first for each in found) for found in by_fault.values()) / len(by_fault)


def same(found: Sequence[Named]) -> float:
    """Share of one fault's alarms in which the same cause is named first, right or not, alone or in a group."""
    firsts = Counter(fault for each in found for name in each.names[:1] for fault in _faults_of(name))
    return max(firsts.values(), default=0) / len(found)


def _line(what: str, found: Sequence[Named]) -> str:
    wrong = Counter(f"{e.evidence.alarm}: {', '.join(e.names) or '–'}" for e in found if not e.first)
    same_name = "" if what == "all" else f"{same(found):.0%}"
    flags = [(each.first, each.alone, each.among) for each in found]
    first, alone, among = (f"{_share(column):.0%}" for column in zip(*flags, strict=True))
    instead = "" if what == "all" else "; ".join(text for text, _ in wrong.most_common(3))
    return f"| {what} | {len(found)} | {first} | {alone} | {among} | {same_name} | {instead} |"


def _shares(name: str, seen: Sequence[Evidence]) -> str:
    """A suspect's alarms, and of each sign how often it was less, as expected, more."""
    alarms = Counter(each.alarm for each in seen)
    signs = [Counter(getattr(each, sign) for each in seen) for sign in SIGNS]
    shown = " ".join("/".join(str(counts[value]) for value in "-0+") for counts in signs)
    return f"{name}: {' '.join(f'{alarm}:{count}' for alarm, count in alarms.most_common())} | {shown}"


def _share(flags: Iterable[bool]) -> float:
    listed = list(flags)
    return sum(listed) / len(listed)
