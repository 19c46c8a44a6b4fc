"""Whether the faults named to the person are the right ones: single faults, begun in any kind of phase.

``python -m sim campaign --cause-table`` prints it as Markdown. A fault without an alarm is not counted.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.control.belief.suspects import suspects
from sim.person import Scripted
from sim.placing import placed
from sim.scenarios import Case, drawn, set_up
from sim.virtual import VirtualFill

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from rig.control.belief.suspects import Evidence
    from rig.control.moves.decide import Decision

_MOST_S = 4 * 3600.0
_SEEN_S = 8.0
"""Time after the alarm until which evidence is collected: a person reads and looks."""
TRULY: dict[str, frozenset[str]] = {
    fault: frozenset(names.split())
    for fault, names in {
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
    }.items()
}  # fmt: skip
"""The suspects that are right for each simulated fault."""


@dataclass(frozen=True, slots=True)
class Named:
    """What was named in one fill."""

    fault: str
    alarm: str
    names: tuple[str, ...]
    """The suspects, the most probable first."""

    @property
    def first(self) -> bool:
        """Whether the most probable one is right."""
        return bool(self.names) and self.names[0] in TRULY[self.fault]

    @property
    def among(self) -> bool:
        """Whether one of them is right."""
        return not TRULY[self.fault].isdisjoint(self.names)


def named(seed: int) -> Named | None:
    """Run one single-fault fill; None without an alarm, or where the plan refuses it."""
    scenario = placed(drawn(Case(seed, single=True)), _MOST_S)
    found = set_up(scenario)
    if found is None or not scenario.faults:
        return None
    setup, rig = found
    seen: list[tuple[float, Evidence]] = []

    def watch(decision: Decision) -> None:
        evidence, now_s = decision.state.alarms.evidence, decision.state.now_s
        if evidence is not None and (not seen or now_s <= seen[0][0] + _SEEN_S):
            seen[1:] = [(now_s, evidence)]

    def enough(decision: Decision) -> bool:
        return bool(seen) and decision.state.alarms.evidence is None

    person = Scripted(scenario.habits, setup.expected_s, lambda _: None)
    VirtualFill(rig, setup, person, watch).run(max(_MOST_S, 3 * setup.expected_s), enough)
    if not seen:
        return None
    evidence = seen[-1][1]
    return Named(scenario.faults[0][0], evidence.alarm, tuple(each.name for each in suspects(evidence)))


def cause_table(seeds: Sequence[int], jobs: int, say: Callable[[str], None]) -> int:
    """Print a line for each fault; returns how many fills named neither fault right."""
    by_fault: dict[str, list[Named]] = defaultdict(list)
    with ProcessPoolExecutor(jobs) as pool:
        for each in pool.map(named, seeds, chunksize=4):
            if each is not None:
                by_fault[each.fault].append(each)
    say("| fault | alarms | named first | among two | same first name | alarms, named instead |")
    say("| --- " * 6 + "|")
    for fault in sorted(by_fault):
        say(_line(fault, by_fault[fault]))
    whole = [each for found in by_fault.values() for each in found]
    say(_line("all", whole))
    return sum(not each.among for each in whole)


def _line(what: str, found: Sequence[Named]) -> str:
    firsts = Counter(each.names[:1] for each in found)
    wrong = Counter(f"{each.alarm}: {', '.join(each.names) or '–'}" for each in found if not each.first)
    same = "" if what == "all" else f"{firsts.most_common(1)[0][1] / len(found):.0%}"
    first, among = (sum(flags) / len(found) for flags in ([e.first for e in found], [e.among for e in found]))
    told = "" if what == "all" else "; ".join(text for text, _ in wrong.most_common(3))
    return f"| {what} | {len(found)} | {first:.0%} | {among:.0%} | {same} | {told} |"
