"""Which fault explains an alarm best: what each fault shows, a row each, and the ranking by what was seen.

A naive Bayes classifier over signs: a sign that a row expects raises its fault's probability, another one lowers it, an
unknown one leaves it as it is. The probabilities, and what each fault shows, are assumptions (the simulated rig and
common practice, no other source). The ranking is for the person who looks for the fault; no decision depends on it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from rig.control.words.changed import changeable
from rig.sentence import Sentence, Wording

Sign = Literal["-", "0", "+", "?"]
"""Less than expected, as expected, more; ``?`` where unknown."""
Way = Literal["in", "out", "vent", "off"]

_MARKS = ("none", "still", "fast")
_SIGNS = ("push", "count", "tote", "tyre", "creep", "runs")
_EXPECTED, _LISTED = 0.9, 0.98
"""Probability that a fault shows a sign, or raises an alarm, that its row has."""
_ALARMS = 45
"""Number of alarms over which the remaining probability is spread evenly."""
_LEAST = 0.15
"""Probability below which a fault is not worth naming."""
_MOST_NAMED = 2
_ONE = Wording("suspect.one", "Most likely: {first}.")
_TWO = Wording("suspect.two", "Most likely: {first}; else: {second}.")


@changeable
class Evidence:
    """Signs of the residuals when the first alarm came, and since everything is off."""

    alarm: str
    way: Way
    """What ran as it came."""
    push: Sign = "?"
    """What the pump raised the line gauge by, against the loss of its flow; less: hardly, or not at all."""
    count: Sign = "?"
    """The meter against the pump's time."""
    tote: Sign = "?"
    """What left the tote against the meter."""
    tyre: Sign = "?"
    """The tyre's pressure against its sealed air space."""
    none: bool = False
    """The gauge shows no tyre."""
    still: bool = False
    """The gauge has not moved since the pump started or stopped."""
    vents: bool = True
    """The rig has a vent at the gun."""
    creep: Sign = "?"
    """Movement of the pressure since everything is off."""
    fast: bool = False
    """The creep is larger than a drifting gauge's."""
    runs: Sign = "?"
    """Counts of the meter since everything is off."""
    calm_kpa: float | None = None
    """The line gauge, and below what had passed the meter, once the pump had coasted to rest."""
    calm_l: float = 0.0


@dataclass(frozen=True, slots=True)
class Suspect:
    """One fault with its probability among those of the table."""

    name: str
    text: Sentence
    share: float


@dataclass(frozen=True, slots=True)
class _Row:
    """What one fault shows; of each sign those that it may have, empty where any."""

    text: Wording
    alarms: str
    """The alarms that it usually raises."""
    push: str = ""
    count: str = ""
    tote: str = ""
    tyre: str = ""
    none: bool | None = None
    still: bool | None = False
    creep: str = ""
    fast: bool | None = False
    runs: str = ""
    ways: str = ""
    """What must run for it to show; empty where anything."""
    vents: bool = False
    """It is a fault of the vent."""
    prior: float = 1.0
    """How often it happens, relative to the others."""


ROWS: Mapping[str, _Row] = {
    "estop": _Row(Wording("suspect.estop", "the emergency stop is pressed, or its wire broken"), "emergency_stop"),
    "bus": _Row(
        Wording("suspect.bus", "cable or supply of the modules"),
        "field_lost reading_untrusted off_unconfirmed bus_late"),
    "outputs": _Row(
        Wording("suspect.outputs", "the relay module does not do what it confirms"),
        "output_not_obeyed off_unconfirmed", still=None, fast=None),
    "restart": _Row(Wording("suspect.restart", "the relay module has restarted: its supply"), "output_timeout_lost"),
    "other": _Row(Wording("suspect.other", "another program or person switches the outputs"), "another_controller"),
    "pump_on": _Row(
        Wording("suspect.pump_on", "the pump's forward contactor is welded"),
        "flow_while_stopped pressure_high moves_while_off gauge_stuck overfill both_directions",
        tyre="+", none=False, creep="+0", fast=None, runs="+0"),
    "pump_back": _Row(
        Wording("suspect.pump_back", "the pump's reverse contactor is welded"),
        "flow_while_stopped moves_while_off no_flow reverse_flow pressure_low both_directions",
        push="-", count="-0", tote="0-", tyre="-", creep="-+", fast=None, runs="-+"),
    "vent_open": _Row(
        Wording("suspect.vent_open", "the vent stands open"),
        "bead_lost no_rise gauge_restless moves_while_off pressure_low insert_not_seated",
        push="0-", count="0", tote="0", tyre="-", creep="-0", none=True, fast=None, runs="0", vents=True, prior=2.0),
    "vent_shut": _Row(
        Wording("suspect.vent_shut", "the vent does not open"),
        "air_stays", count="0", tyre="+0", none=False, creep="0", runs="0", vents=True),
    "gun_off": _Row(
        Wording("suspect.gun_off", "the gun is off the valve, or the hose has burst"),
        "bead_lost no_rise estimates_disagree air_pumped moves_while_off gauge_restless",
        push="-", count="0", tote="0", tyre="-", none=True, creep="0-", fast=None, runs="0"),
    "bead": _Row(
        Wording("suspect.bead", "a bead has let go"),
        "bead_lost no_rise estimates_disagree moves_while_off pressure_low",
        push="0", count="0", tote="0", tyre="-", none=True, creep="0-", fast=None, runs="0"),
    "leak": _Row(
        Wording("suspect.leak", "the tyre or a joint leaks"),
        "no_rise gauge_restless moves_while_off cavity_differs pressure_low air_gone",
        push="0", count="0", tote="0", tyre="-", none=False, creep="-0", fast=None, runs="0"),
    "blocked": _Row(
        Wording("suspect.blocked", "the valve is blocked, or the plunger up"),
        "no_flow no_progress valve_blocked air_stays pressure_high pressure_low gauge_stuck",
        push="+0", count="-0", tote="0", tyre="+0", none=None, creep="0", runs="0"),
    "seat": _Row(Wording("suspect.seat", "core or insert is not seated"), "insert_not_seated", none=False),
    "inside": _Row(
        Wording("suspect.inside", "liquid was inside already, or the size is another one"),
        "cavity_differs estimates_disagree pressure_high overfill",
        push="0", count="0", tote="0", tyre="+0", none=False, creep="0", runs="0"),
    "covered": _Row(
        Wording("suspect.covered", "the liquid stands at the valve"),
        "valve_covered liquid_in_vent liquid_drawn", count="0", none=False, creep="0", runs="0"),
    "tote_empty": _Row(
        Wording("suspect.tote_empty", "the tote is empty"),
        "tote_empty suction_dry air_pumped dry_run", push="-0", count="0-", none=False, runs="0", ways="in"),
    "suction_air": _Row(
        Wording("suspect.suction_air", "the suction draws air"),
        "air_pumped no_rise estimates_disagree measures_differ moves_while_off gauge_restless",
        push="0-", count="0+", tote="-0", none=False, runs="0"),
    "pump_dead": _Row(
        Wording("suspect.pump_dead", "the pump does not turn"),
        "no_flow gauge_stuck air_stays", push="-", count="-", tote="0", tyre="-0", none=False, still=None, creep="0",
        runs="0"),
    "strainer": _Row(
        Wording("suspect.strainer", "the strainer is blocked, or the pump worn"),
        "strainer_fouled run_over suction_dry no_flow",
        push="-", count="0-", tote="0", tyre="0-", none=False, creep="0", runs="0"),
    "meter_silent": _Row(
        Wording("suspect.meter_silent", "the meter does not count"),
        "no_flow gauge_stuck measures_differ", push="0", count="-", tote="+0", tyre="0", none=False, creep="0",
        runs="0+"),
    "meter_more": _Row(
        Wording("suspect.meter_more", "the meter counts too much: air, stray pulses, or wrong pulses per litre"),
        "measures_differ no_rise flow_too_high estimates_disagree flow_while_stopped",
        push="0", count="+0", tote="-0", tyre="0", none=False, creep="0", runs="0+"),
    "meter_less": _Row(
        Wording("suspect.meter_less", "the meter counts too little"),
        "measures_differ estimates_disagree cavity_differs overfill", push="0", count="-0", tote="+", tyre="+",
        none=False, creep="0", runs="0"),
    "meter_turned": _Row(
        Wording("suspect.meter_turned", "the meter counts backwards: its channels are exchanged"),
        "reverse_flow", push="0", count="-0", tote="+0", none=False, creep="0", runs="0"),
    "counter": _Row(Wording("suspect.counter", "the counter restarted: its supply"), "meter_jumped", none=False),
    "level_still": _Row(
        Wording("suspect.level_still", "the tote's level sticks"), "measures_differ", push="0", count="0", tote="-",
        tyre="0", none=False, creep="0", runs="0", prior=0.3),
    "gauge_still": _Row(
        Wording("suspect.gauge_still", "the gauge sticks, or its line is blocked"),
        "gauge_stuck air_stays pressure_high estimates_disagree no_rise",
        push="-", count="0", tote="0", tyre="0+", none=False, still=True, creep="0", runs="0"),
    "gauge_drifts": _Row(
        Wording("suspect.gauge_drifts", "the gauge drifts"),
        "gauge_restless moves_while_off flow_while_stopped estimates_disagree cavity_differs air_stays",
        count="0", tote="0", tyre="+0", none=None, creep="+", runs="0"),
    "gauge_wire": _Row(Wording("suspect.gauge_wire", "a sensor's wire or supply"), "reading_untrusted", none=None),
}  # fmt: skip
"""Faults by name."""


def suspects(seen: Evidence) -> tuple[Suspect, ...]:
    """The faults that explain an alarm best, the most probable first; empty if none is worth naming."""
    scores = {name: _likelihood(row, seen) for name, row in ROWS.items()}
    whole = sum(scores.values())
    best = sorted(scores, key=lambda name: -scores[name])[:_MOST_NAMED]
    named = [Suspect(name, ROWS[name].text(), scores[name] / whole) for name in best]
    return tuple(each for each in named if each.share >= _LEAST)


def likely(seen: Evidence | None) -> Sentence | None:
    """The suspects in a sentence; None without evidence, or where none is worth naming."""
    found = () if seen is None else suspects(seen)
    if not found:
        return None
    if len(found) == 1:
        return _ONE(first=found[0].text)
    return _TWO(first=found[0].text, second=found[1].text)


def _likelihood(row: _Row, seen: Evidence) -> float:
    if row.vents and not seen.vents:
        return 0.0
    alarms = row.alarms.split()
    found = row.prior
    found *= _LISTED / len(alarms) if seen.alarm in alarms else (1 - _LISTED) / _ALARMS
    for name in _SIGNS:
        found *= _of_sign(getattr(row, name), getattr(seen, name))
    for name in _MARKS:
        expected = getattr(row, name)
        found *= 0.5 if expected is None else _EXPECTED if expected is getattr(seen, name) else 1 - _EXPECTED
    if row.ways and seen.way not in row.ways.split():
        found *= 1 - _EXPECTED
    return found


def _of_sign(expected: str, sign: Sign) -> float:
    if sign == "?":
        return 1.0
    if not expected:
        return 1 / 3
    return _EXPECTED / len(expected) if sign in expected else (1 - _EXPECTED) / max(1, 3 - len(expected))
