"""Which fault explains an alarm best: what each fault shows, a row each, and the ranking by what was seen.

A naive Bayes classifier over signs: each row gives the shares in which its fault shows them; an unknown sign carries
no information. The ranking is for the person who looks for the fault; no decision depends on it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from rig.control.words.changed import changeable
from rig.sentence import Sentence, Wording

Sign = Literal["-", "0", "+", "?"]
"""Less than expected, as expected, more; ``?`` where unknown."""


@changeable
class Evidence:
    """Signs of the residuals as the first alarm came; the gauge's once everything is off, where that is known."""

    alarm: str
    vents: bool = True
    """The rig has a vent at the gun."""
    metered: bool = True
    """The meter is in use, and not given up for a level or the pump's time."""
    push: Sign = "?"
    """What the pump moved the line gauge by, against the loss of its flow."""
    count: Sign = "?"
    """The meter against the pump's time; less: it was silent."""
    tote: Sign = "?"
    """What left the tote against the meter."""
    tyre: Sign = "?"
    """The tyre's pressure against its sealed air space."""
    gauge: Sign = "?"
    """The line gauge: below ambient, that of no tyre, a tyre's."""
    high: Sign = "?"
    """More: the gauge is at the relief valve's setting."""
    still: Sign = "?"
    """More: the gauge has not moved since the pump started or stopped."""
    empty: Sign = "?"
    """More: the tote's level is at its heel."""
    creep: Sign = "?"
    """Movement of the pressure since everything is off."""
    runs: Sign = "?"
    """Counts of the meter since everything is off."""
    draws: Sign = "?"
    """What has left the tote since everything is off."""
    calm_kpa: float | None = None
    """The line gauge, and below what had passed the meter, once the pump had coasted to rest."""
    calm_l: float = 0.0
    calm_tote_l: float | None = None
    """And the tote's content."""


SIGNS = ("push", "count", "tote", "tyre", "gauge", "high", "still", "empty", "creep", "runs", "draws")
_LISTED = 0.98
"""Probability that a fault raises an alarm that its row has. An assumption."""
_ALARMS = 45
"""Number of alarms over which the remaining probability is spread evenly."""
_NEVER = 0.2
"""Added to each sign's tenths: no share is known to be nothing."""
_LEAST = 0.15
"""Probability below which a fault is not worth naming. An assumption."""
_ALIKE = 10.0
"""Ratio of probabilities from which the evidence is strong (Jeffreys 1961, from memory)."""
_MOST_NAMED = 2
_ONE = Wording("suspect.one", "Most likely: {first}.")
_TWO = Wording("suspect.two", "Most likely: {first}; else: {second}.")


@dataclass(frozen=True, slots=True)
class Suspect:
    """One fault, or a group of them, with its probability among those of the table."""

    name: str
    text: Sentence
    share: float


@dataclass(frozen=True, slots=True)
class _Row:
    """What one fault shows."""

    text: Wording
    alarms: str
    """The alarms that it raises, with their shares in percent."""
    shows: str
    """For each of the signs in how many tenths of the alarms it is less, as expected, more."""
    vents: bool = False
    """It is a fault of the vent."""
    meters: bool = False
    """It is a fault of the meter."""
    prior: float = 1.0
    """How often it happens, relative to the others."""


@dataclass(frozen=True, slots=True)
class _Group:
    """Faults that often leave the same behind: the shared first action is named where nothing distinguishes them."""

    text: Wording
    names: frozenset[str]


ROWS: Mapping[str, _Row] = {
    # push count tote tyre gauge high still empty creep runs draws, each: - 0 +
    "estop": _Row(
        Wording("suspect.estop", "the emergency stop is pressed, or its wire broken"),
        "emergency_stop:100",
        "181 190 090 090 216 090 091 090 091 090 090"),
    "bus": _Row(
        Wording("suspect.bus", "cable or supply of the modules"),
        "field_lost:99 reading_untrusted:1 off_unconfirmed:1 bus_late:1",
        "181 090 090 090 217 090 091 181 090 090 090"),
    "outputs": _Row(
        Wording("suspect.outputs", "the relay module does not do what it confirms"),
        "output_not_obeyed:46 off_unconfirmed:45 field_lost:5 air_stays:4",
        "910 091 090 090 019 090 055 090 360 172 090"),
    "restart": _Row(
        Wording("suspect.restart", "the relay module has restarted: its supply"),
        "output_timeout_lost:98 air_stays:2",
        "090 090 090 190 127 090 091 090 091 090 090"),
    "other": _Row(
        Wording("suspect.other", "another program or person switches the outputs"),
        "another_controller:100",
        "191 191 191 191 136 191 191 191 191 191 191"),
    "pump_on": _Row(
        Wording("suspect.pump_on", "the pump's forward contactor is welded"),
        "flow_while_stopped:92 liquid_in_vent:2 insert_not_seated:2 pressure_high:1 gauge_stuck:1 overfill:1 "
        "moves_while_off:1",
        "181 091 090 019 009 028 091 090 046 037 055"),
    "pump_back": _Row(
        Wording("suspect.pump_back", "the pump's reverse contactor is welded"),
        "flow_while_stopped:40 moves_while_off:25 no_flow:21 gauge_restless:6 no_rise:4 pressure_low:2 "
        "liquid_in_vent:2 insert_not_seated:1 reverse_flow:1 both_directions:1",
        "910 460 090 540 119 090 090 090 712 441 730"),
    "vent_open": _Row(
        Wording("suspect.vent_open", "the vent stands open"),
        "moves_while_off:28 bead_lost:18 gauge_restless:16 pressure_low:11 no_rise:11 estimates_disagree:8 "
        "insert_not_seated:5 overfill:4",
        "360 091 090 810 073 090 090 090 540 090 090", vents=True, prior=2.0),
    "vent_shut": _Row(
        Wording("suspect.vent_shut", "the vent does not open"),
        "air_stays:100",
        "181 090 090 091 009 090 046 090 090 090 090", vents=True),
    "gun_off": _Row(
        Wording("suspect.gun_off", "the gun is off the valve, or the hose has burst"),
        "bead_lost:52 no_rise:19 estimates_disagree:9 insert_not_seated:7 pressure_low:4 air_gone:3 "
        "gauge_stuck:2 air_pumped:1 moves_while_off:1 gauge_restless:1",
        "820 090 090 820 090 090 090 090 090 090 090"),
    "bead": _Row(
        Wording("suspect.bead", "a bead has let go"),
        "bead_lost:48 no_rise:22 pressure_low:10 air_gone:8 moves_while_off:5 estimates_disagree:4 "
        "gauge_restless:2",
        "190 091 090 900 090 090 090 090 090 090 090"),
    "leak": _Row(
        Wording("suspect.leak", "the tyre or a joint leaks"),
        "no_rise:27 gauge_restless:27 moves_while_off:23 cavity_differs:9 bead_lost:7 estimates_disagree:4 "
        "flow_while_stopped:1 pressure_low:1 air_gone:1",
        "090 091 090 730 028 090 090 090 550 090 090"),
    "blocked": _Row(
        Wording("suspect.blocked", "the valve is blocked, or the plunger up"),
        "no_flow:41 pressure_low:23 flow_while_stopped:12 pressure_high:9 air_gone:6 moves_while_off:4 "
        "valve_blocked:2 gauge_stuck:2 no_progress:1 air_stays:1",
        "091 730 190 118 127 046 090 090 090 090 090"),
    "seat": _Row(
        Wording("suspect.seat", "core or insert is not seated"),
        "insert_not_seated:96 flow_while_stopped:4",
        "090 181 090 460 009 090 090 090 090 090 090"),
    "inside": _Row(
        Wording("suspect.inside", "liquid was inside already, or the size is another one"),
        "cavity_differs:79 estimates_disagree:14 liquid_in_vent:3 liquid_drawn:2 air_gone:1 pressure_high:1 "
        "overfill:1 no_flow:1",
        "090 090 090 081 009 090 090 090 090 090 090"),
    "covered": _Row(
        Wording("suspect.covered", "the liquid stands at the valve"),
        "liquid_in_vent:93 valve_covered:4 liquid_drawn:4",
        "181 090 090 181 009 090 090 090 018 090 090"),
    "tote_empty": _Row(
        Wording("suspect.tote_empty", "the tote is empty"),
        "tote_empty:45 meter_jumped:24 estimates_disagree:9 suction_dry:7 no_rise:6 gauge_restless:5 "
        "moves_while_off:2 dry_run:1 cavity_differs:1 air_pumped:1",
        "360 190 090 181 019 090 090 009 181 090 090"),
    "suction_air": _Row(
        Wording("suspect.suction_air", "the suction draws air"),
        "estimates_disagree:29 gauge_restless:25 no_rise:21 moves_while_off:13 measures_differ:4 "
        "flow_while_stopped:4 insert_not_seated:2 liquid_in_vent:1 air_pumped:3",
        "090 090 190 072 009 090 090 090 721 090 090"),
    "pump_dead": _Row(
        Wording("suspect.pump_dead", "the pump does not turn"),
        "no_flow:67 insert_not_seated:16 gauge_stuck:13 flow_while_stopped:2 air_stays:1",
        "900 900 090 090 019 090 055 090 090 090 090"),
    "strainer": _Row(
        Wording("suspect.strainer", "the strainer is blocked, or the pump worn"),
        "suction_dry:22 estimates_disagree:15 cavity_differs:10 air_stays:10 no_rise:9 no_flow:8 overfill:5 "
        "bead_lost:5 gauge_stuck:5 dry_run:5 strainer_fouled:4 run_over:4",
        "361 370 090 271 019 090 091 090 090 090 090"),
    "meter_silent": _Row(
        Wording("suspect.meter_silent", "the meter does not count"),
        "no_flow:97 flow_while_stopped:2 no_progress:1 measures_differ:1 gauge_stuck:1",
        "090 900 090 091 009 090 090 090 090 090 090", meters=True),
    "meter_more": _Row(
        Wording("suspect.meter_more", "the meter counts too much: air, stray pulses, or wrong pulses per litre"),
        "flow_while_stopped:48 estimates_disagree:19 flow_too_high:14 measures_differ:10 no_rise:6 "
        "air_stays:1 overfill:1 pressure_high:1",
        "082 046 280 370 119 090 090 090 090 055 090", meters=True),
    "meter_less": _Row(
        Wording("suspect.meter_less", "the meter counts too little"),
        "overfill:25 measures_differ:25 estimates_disagree:25 cavity_differs:25",
        "191 631 119 119 136 191 191 191 191 191 191", meters=True),
    "meter_turned": _Row(
        Wording("suspect.meter_turned", "the meter counts backwards: its channels are exchanged"),
        "reverse_flow:50 no_flow:39 meter_jumped:6 flow_while_stopped:3 dry_run:2",
        "190 451 091 091 019 090 090 090 190 090 090", meters=True),
    "counter": _Row(
        Wording("suspect.counter", "the counter restarted: its supply"),
        "meter_jumped:98 flow_while_stopped:2",
        "090 090 090 190 217 090 091 090 091 090 090", meters=True),
    "level_still": _Row(
        Wording("suspect.level_still", "the tote's level sticks"),
        "measures_differ:52 no_flow:29 valve_covered:10 estimates_disagree:5 gauge_stuck:5",
        "190 090 820 091 019 090 090 090 090 091 091"),
    "gauge_still": _Row(
        Wording("suspect.gauge_still", "the gauge sticks, or its line is blocked"),
        "gauge_stuck:65 air_stays:10 pressure_low:8 insert_not_seated:6 pressure_high:3 estimates_disagree:3 "
        "gauge_restless:2 cavity_differs:2 no_rise:1",
        "900 090 090 082 028 091 037 090 190 090 090"),
    "gauge_drifts": _Row(
        Wording("suspect.gauge_drifts", "the gauge drifts"),
        "gauge_restless:55 flow_while_stopped:29 moves_while_off:5 cavity_differs:5 estimates_disagree:3 "
        "no_rise:1 line_high:1 air_stays:1",
        "090 090 090 072 009 090 090 090 128 090 090"),
    "gauge_wire": _Row(
        Wording("suspect.gauge_wire", "a sensor's wire or supply"),
        "reading_untrusted:100",
        "181 090 090 090 117 090 090 090 090 090 090"),
}  # fmt: skip
"""Faults by name. The shares are those of 1,078 alarms by single faults in the simulated rig, mixed with ten of each in
an earlier table (decisions 204 and 215); on a truck they are other ones."""

GROUPS: Mapping[str, _Group] = {
    "no_tyre": _Group(
        Wording("suspect.no_tyre", "the gauge sees no tyre: look at gun and hose, then at the bead"),
        frozenset({"gun_off", "bead"})),
    "no_fall": _Group(
        Wording("suspect.no_fall", "the vent does not open, or the gauge sticks: listen at the vent"),
        frozenset({"vent_shut", "gauge_still"})),
    "no_motion": _Group(
        Wording("suspect.no_motion", "the pump does not turn, or the gauge sticks: listen at the pump"),
        frozenset({"pump_dead", "gauge_still"})),
    "no_liquid": _Group(
        Wording("suspect.no_liquid", "air comes instead of liquid: look at tote and suction hose"),
        frozenset({"tote_empty", "suction_air"})),
    "no_count": _Group(
        Wording("suspect.no_count", "the meter does not count: look at its cable, and at the order of its wires"),
        frozenset({"meter_silent", "meter_turned"})),
    "stays_high": _Group(
        Wording("suspect.stays_high", "the pump turns, or the valve is blocked: cut its supply, then look at the gun"),
        frozenset({"pump_on", "blocked"})),
    "tote_differs": _Group(
        Wording("suspect.tote_differs", "the meter counts too much, or the tote's level sticks: look into the tote"),
        frozenset({"meter_more", "level_still"})),
    "air_leaves": _Group(
        Wording("suspect.air_leaves", "air leaves: shut the vent by hand, then listen at valve and bead"),
        frozenset({"leak", "vent_open", "bead"})),
    "cut_off": _Group(
        Wording("suspect.cut_off", "the gauge sees no tyre: look at the gun, its plunger and valves, then at the bead"),
        frozenset({"gun_off", "bead", "blocked", "vent_open"})),
    "falls": _Group(
        Wording("suspect.falls", "the pressure falls: see whether the pump turns, then listen at vent, valve and bead"),
        frozenset({"leak", "vent_open", "bead", "pump_back"})),
}  # fmt: skip
"""Faults that are named together, by the name of the group; the smaller group first."""


def suspects(seen: Evidence) -> tuple[Suspect, ...]:
    """The faults that explain an alarm best, the most probable first; empty if none is worth naming."""
    scores = {name: _likelihood(row, seen) for name, row in ROWS.items()}
    whole = sum(scores.values())
    shares = {name: scores[name] / whole for name in sorted(scores, key=lambda name: -scores[name])}
    together = _group(shares)
    named = [Suspect(name, ROWS[name].text(), share) for name, share in shares.items()]
    if together is not None:
        names = GROUPS[together].names
        share = sum(shares[name] for name in names)
        named = [each for each in named if each.name not in names]
        named.insert(0, Suspect(together, GROUPS[together].text(), share))
    return tuple(each for each in named[:_MOST_NAMED] if each.share >= _LEAST)


def likely(seen: Evidence | None) -> Sentence | None:
    """The suspects in a sentence; None without evidence, or where none is worth naming."""
    found = () if seen is None else suspects(seen)
    if not found:
        return None
    if len(found) == 1:
        return _ONE(first=found[0].text)
    return _TWO(first=found[0].text, second=found[1].text)


def _group(shares: Mapping[str, float]) -> str | None:
    """The smallest group of the best fault that holds all of its like, where there is another one."""
    best = next(iter(shares))
    near = {name for name, share in shares.items() if share * _ALIKE > shares[best]}
    for name, group in GROUPS.items():
        alike = near & group.names
        if best in group.names and len(alike) > 1 and alike == near & _ever_with(best):
            return name
    return None


def _ever_with(name: str) -> frozenset[str]:
    return frozenset().union(*(group.names for group in GROUPS.values() if name in group.names))


def _likelihood(row: _Row, seen: Evidence) -> float:
    if (row.vents and not seen.vents) or (row.meters and not seen.metered):
        return 0.0
    found = row.prior * _of_alarm(row, seen.alarm)
    for name, tenths in zip(SIGNS, row.shows.split(), strict=True):
        found *= _of_sign(tenths, getattr(seen, name))
    return found


def _of_alarm(row: _Row, alarm: str) -> float:
    shares = {name: int(share) for name, _, share in (each.partition(":") for each in row.alarms.split())}
    return _LISTED * shares.get(alarm, 0) / sum(shares.values()) + (1 - _LISTED) / _ALARMS


def _of_sign(tenths: str, sign: Sign) -> float:
    if sign == "?":
        return 1.0
    return (int(tenths["-0+".index(sign)]) + _NEVER) / (sum(map(int, tenths)) + 3 * _NEVER)
