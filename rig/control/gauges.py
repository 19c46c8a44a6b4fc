"""The pressure gauges of the rig from scan to scan: smoothed, judged for rest, and watched while all should stand.

What only a pump can do is told from what gas does by itself. Gas that was compressed or let out has another
temperature than its walls, by 10 to 30 K after a vent; it goes back against its last movement, ever more slowly, with a
time constant of 5 to 40 s and by no more than a tenth of its absolute pressure. A pump goes on evenly. Nothing here
decides.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from rig.control import rest
from rig.control.changed import changed
from rig.control.pressure import NO_TYRE_KPA
from rig.control.procedure import State
from rig.control.rest import Gauge, Rest
from rig.control.state import FillState, Moved, in_tyre_l, pump_way
from rig.control.values import Damped, Reading, Setup
from rig.plan.physics import head_kpa
from rig.units import KPA_PER_PSI

_LONGEST_LAG_S = 15.0
"""No gauge follows more slowly: one that still moves tells of air that leaves, or drifts."""
_LONGEST_WAIT_S = 25.0
"""What the noise has not let be told by then is told with the uncertainty that it has."""
_THERMAL = 0.1
"""Share of its absolute pressure by which gas may creep back to its walls' temperature: 30 K of 300 K."""
_ADIABATIC = 2 / 7
"""And share of the movement itself: no gas of two atoms that loses no heat is warmer (1 - 1/1.4)."""
_FASTEST_S, _SLOWEST_S = 5.0, 40.0
"""Time constants of that. Common practice, no source."""
_PUMP_SHARE = 0.5
"""A pump that was not told to run moves at least this share of what its plate says: a worn one, against pressure."""
_LEAST_KPA_S = 0.1
"""What is slower than this, warm liquid and the sun do in minutes."""
_SPAN_S = 1.25
"""The shortest window in which movement is told; with the block that confirms it, less than 2 s."""
_FOLLOWS_S = 1.0
HANDS_KPA = 1.25 * KPA_PER_PSI
"""What hands at the gun may do to the gauge; also a gauge's error above what a tyre is let down to."""
_WENT_KPA = 3.0
"""A movement of the gas by so much begins a new creep against it."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What the gauges say in one scan."""

    rest: Rest | None = None
    """Of the gauge that a rest is read from, while nothing is told to move."""
    rests: bool = False
    restless: bool = False
    """It had the time that the slowest gauge needs, and moves all the same, or it moves as no gas does by itself."""


def follow(setup: Setup, state: FillState, reading: Reading) -> tuple[FillState, Reading, Shown]:
    """Take the gauges' scans in: the state with them, the reading as it is judged by, and what they say of rest.

    A gauge that stands shows its window's mean, one that moves is smoothed as far as its noise asks for.
    """
    if not reading.fresh:
        return state, _judged(reading, state, None), Shown()
    now_s = reading.now_s
    off_s = _off_s(setup, state, now_s)
    may_stand = off_s >= 0
    line, stands = _taken(state.line, now_s, reading.line_kpa, setup.line_gauge, may_stand=may_stand)
    tyre = state.tyre
    if reading.tyre_kpa is not None or tyre.raw_kpa is not None:
        tyre, stands = _taken(tyre, now_s, reading.tyre_kpa, setup.tyre_gauge, may_stand=may_stand)
    shown_kpa, gauge_s = state.gauge_kpa, state.gauge_s
    if line.kpa is None or shown_kpa is None or abs(line.kpa - shown_kpa) > line.wavers_kpa:
        shown_kpa, gauge_s = line.kpa, gauge_s if line.kpa == shown_kpa else now_s
    state = _trends(off_s, changed(state, line=line, tyre=tyre, gauge_kpa=shown_kpa, gauge_s=gauge_s))
    if line.began_s == now_s or not line.blocks:
        # Asked once for each block: what is judged in between is the last one's.
        # Twice: a step on a gauge with a lag looks even for a moment.
        slope, before = _moves_kpa_s(setup, state, now_s), state.moved_kpa_s
        moves_kpa_s, drops_kpa_s = slope if slope * before > 0 else 0.0, _drops_kpa_s(setup, state)
        state = changed(state, moved_kpa_s=slope, moves_kpa_s=moves_kpa_s, drops_kpa_s=drops_kpa_s)
    shown = _shown(state, tyre if reading.tyre_kpa is not None else line, stands, now_s) if may_stand else Shown()
    return state, _judged(reading, state, shown.rest), shown


def _off_s(setup: Setup, state: FillState, now_s: float) -> float:
    """How long the pump and the vent have stood; negative while one of them runs, coasts or is told to."""
    if pump_way(setup, state) or state.outputs.vent_valve:
        return -1.0
    return min(now_s - state.changed_s - setup.line.coast_s, now_s - state.regime_s)


def _trends(off_s: float, state: FillState) -> FillState:
    """Keep how far the pressure last rose and fell, from one level at which it stood to the next."""
    now_s, kpa, level_kpa = state.line.at_s, state.line.kpa, state.level_kpa
    if kpa is None or off_s < _FOLLOWS_S:
        # Until the gauge has followed the stop, it tells of the line and not of the gas.
        return state
    went_kpa = 0.0 if level_kpa is None else kpa - level_kpa
    if level_kpa is not None and abs(went_kpa) <= _WENT_KPA + 3 * state.line.smoothed_kpa:
        return state
    before = state.rose if went_kpa > 0 else state.fell
    # Of a movement in several steps the first ones have not crept back yet.
    kept_kpa = before.kpa * math.exp(-(now_s - before.at_s) / _SLOWEST_S) if before.kpa else 0.0
    moved = Moved(now_s - _FOLLOWS_S, abs(went_kpa) + kept_kpa)
    if went_kpa > 0:
        return changed(state, level_kpa=kpa, rose=moved)
    return changed(state, level_kpa=kpa, fell=moved if went_kpa else state.fell)


def _taken(
    gauge: Gauge, now_s: float, raw_kpa: float | None, damped: Damped, *, may_stand: bool
) -> tuple[Gauge, Rest | None]:
    """The gauge with one scan more, and what it shows if it stands; only then its noise is learned."""
    before_kpa, gauge = gauge.raw_kpa, rest.taken(gauge, now_s, raw_kpa, damped.damping_s, may_stand=may_stand)
    stands = rest.at_rest(gauge) if may_stand else None
    return (gauge if stands is None else rest.learned(gauge, before_kpa, stands)), stands


def _shown(state: FillState, gauge: Gauge, found: Rest | None, now_s: float) -> Shown:
    moves = state.moves_kpa_s != 0.0
    if found is not None:
        return Shown(found, rests=True, restless=moves)
    waited_s = now_s - max(state.regime_s, state.since_s)
    longest = rest.at_rest(gauge, longest=True) if waited_s >= _LONGEST_LAG_S else None
    if longest is None:
        return Shown(restless=moves)
    creeps = abs(longest.slope_kpa_s) - 1.5 * longest.slope_u_kpa_s > rest.TYRE.creep_kpa_s
    if not creeps and waited_s < _LONGEST_WAIT_S:
        return Shown(restless=moves)
    return Shown(longest, rests=True, restless=creeps or moves)


def _judged(reading: Reading, state: FillState, found: Rest | None) -> Reading:
    """The reading with its gauges as they are judged by; what came over the wire stays in ``raw_line_kpa``."""
    line_kpa = reading.line_kpa if reading.line_kpa is None else state.line.kpa
    tyre_kpa = reading.tyre_kpa if reading.tyre_kpa is None else state.tyre.kpa
    if found is not None and tyre_kpa is not None:
        tyre_kpa = found.kpa
    elif found is not None:
        line_kpa = found.kpa
    if line_kpa == reading.line_kpa and tyre_kpa == reading.tyre_kpa:
        return reading
    return replace(reading, line_kpa=line_kpa, tyre_kpa=tyre_kpa, raw_line_kpa=reading.line_kpa)


def _moves_kpa_s(setup: Setup, state: FillState, now_s: float) -> float:
    """The slope of a line gauge that moves though all is off, faster than gas does by itself; 0 where it does not."""
    gauge = state.line
    if not _sealed(setup, state) or not gauge.blocks or gauge.kpa is None:
        return 0.0
    kpa_abs = max(gauge.kpa, 0.0) + setup.line.atmosphere_kpa_abs
    air_l = max(setup.cavity.high_l - setup.existing_l - in_tyre_l(setup, state), 0.05 * setup.cavity.high_l)
    slowest_kpa_s = max(_PUMP_SHARE * min(setup.line.pump_lps, setup.line.back_lps) * kpa_abs / air_l, _LEAST_KPA_S)

    def most_kpa_s(ago_s: float) -> tuple[float, float]:
        began_s = now_s - ago_s
        return (
            max(slowest_kpa_s, creep_kpa_s(kpa_abs, state.fell, began_s)),
            max(slowest_kpa_s, creep_kpa_s(kpa_abs, state.rose, began_s)),
        )

    return rest.moves(gauge, most_kpa_s, _SPAN_S) or 0.0


def _sealed(setup: Setup, state: FillState) -> bool:
    """Whether nothing but a fault moves the pressure while all is off: by hand a person may fill or let air out."""
    return setup.into != "open vessel" and not (setup.by_hand and state.state is State.RUNNING)


def _drops_kpa_s(setup: Setup, state: FillState) -> float:
    """How fast a line gauge that stood has fallen though all is off, to where it stands now; 0 where it has not.

    Before a rest has told the tyre's pressure the gun is put on, and air let out by hand.
    Gas creeps, hands move it by little, and behind a gun that comes off it shows the air outside, and the hose's
    column: what is left is a pump, and what its flow loses on the way.
    """
    kpa, head = state.line.kpa, head_kpa(setup.line)
    told = state.valve_open and state.gas.sealed and state.gas.rest_kpa is not None
    if not told or not _sealed(setup, state) or kpa is None:
        return 0.0
    off_gun = min(head, 0.0) - NO_TYRE_KPA <= kpa <= max(head, 0.0) + NO_TYRE_KPA
    if off_gun:
        return 0.0
    kpa_abs, now_s = max(kpa, 0.0) + setup.line.atmosphere_kpa_abs, state.line.at_s

    def most_kpa(ago_s: float) -> float:
        began_s = now_s - ago_s
        creeps_kpa_s = max(creep_kpa_s(kpa_abs, moved, began_s) for moved in (state.rose, state.fell))
        return HANDS_KPA + creeps_kpa_s * ago_s

    return min(rest.stepped(state.line, most_kpa), 0.0)


def creep_kpa_s(kpa_abs: float, moved: Moved, now_s: float) -> float:
    """The fastest that gas at ``kpa_abs`` creeps back at ``now_s`` after it was moved, whatever its time constant."""
    since_s = max(now_s - moved.at_s, 0.0)
    constant_s = min(max(since_s, _FASTEST_S), _SLOWEST_S)
    return min(_THERMAL * kpa_abs, _ADIABATIC * moved.kpa) / constant_s * math.exp(-since_s / constant_s)
