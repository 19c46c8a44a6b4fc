"""Follow the rig's pressure gauges from scan to scan: smoothing, rest detection, and a watch while all should be off.

Pump action is distinguished from what the gas does by itself. Gas that was compressed or let out differs in temperature
from its walls, by 10 to 30 K after a usual vent; its pressure creeps back against the last movement and decays, with a
time constant of 5 to 40 s and to the adiabatic limit at most. A pump moves it evenly. No decisions here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from rig.control.belief import rest
from rig.control.belief.airspace import Laws
from rig.control.belief.pressure import NO_TYRE_KPA, gun_kpa, sealed_band
from rig.control.belief.rest import Gauge, Rest
from rig.control.belief.state import FillState, Moved, holds_l, offset_l, pump_way
from rig.control.belief.warmth import TIMES_S, pace
from rig.control.words.changed import changed
from rig.control.words.procedure import State
from rig.control.words.values import GaugeFacts, Reading, Setup
from rig.plan.physics import GAMMA, head_kpa
from rig.units import KPA_PER_PSI

_LONGEST_LAG_S = 15.0
"""Longest gauge lag, an assumption: a gauge that still moves after it indicates a leak, or drifts."""
_LONGEST_WAIT_S = 25.0
"""Time-out: then the rest is reported with the uncertainty that the noise has left."""
_WHOLE_S = rest.ENOUGH_S / 2
"""Window from which its slope is one of few."""
_THERMAL = 0.1
"""Largest thermal creep after a rise as a share of the absolute pressure: 30 K of 300 K. A stroke of liquid takes long,
and most of the heat goes meanwhile."""
_ADIABATIC = (GAMMA - 1) / GAMMA
"""Exponent of the adiabatic limit, T ∝ p^((γ − 1)/γ) (any textbook)."""
_FASTEST_S, _SLOWEST_S = TIMES_S[0], TIMES_S[-1]
_VENT_SHUTS_S = 1.5
"""Longest travel of a vent valve that the configuration does not state: common practice, no source."""
_EVAPORATES_S = 20.0, 60.0
"""Time constants in which the vapour comes back to its pressure over the liquid: an assumption."""
_CASING_S = 20.0, 300.0
"""Time constants of the part of a casing's growth that does not come at once: an assumption."""
_GROWS_LATER = Laws().growth_per_psi
"""That part, at most: as much as the mid-range of all growth, a share of the volume for each psi."""
PUMP_SHARE = 0.5
"""A pump that runs moves at least this share of its rated flow: a worn one, against pressure."""
_LEAST_KPA_S = 0.1
"""Slower movement than this comes from warm liquid or the sun within minutes: 6 kPa in one. An assumption."""
_SPAN_S = 1.25
"""The shortest window in which movement is detected: six blocks; with the block that confirms it, less than 2 s."""
FOLLOWS_S = 1.0
"""Time until a gauge without configured lag has followed the line at a stop. An assumption."""
HANDS_KPA = 1.25 * KPA_PER_PSI
"""What hands at the gun may do to the gauge; also a gauge's error above what a tyre is let down to. An assumption."""
_WENT_KPA = 3.0
"""A movement of the gas by this much starts a new creep against it: three times a usual gauge's uncertainty."""


@dataclass(frozen=True, slots=True)
class Shown:
    """Gauge results of one scan."""

    rest: Rest | None = None
    """From the gauge that a rest is read from, while nothing is commanded to move."""
    rests: bool = False
    restless: bool = False
    """Still moving after the slowest gauge's settling time, or moving as no gas does by itself."""


def follow(setup: Setup, state: FillState, reading: Reading) -> tuple[FillState, Reading, Shown]:
    """Take the gauges' scans in; return the state, the reading used for decisions, and the rest result.

    A steady gauge gives its window's mean, a moving one is smoothed as far as its noise requires.
    """
    if not reading.fresh:
        return state, _judged(reading, state, None), Shown()
    now_s = reading.now_s
    off_s = _off_s(setup, state, now_s)
    may_rest = off_s >= 0
    line, at_rest = _taken(state.line, now_s, reading.line_kpa, setup.line_gauge, may_rest=may_rest)
    tyre = state.tyre
    if reading.tyre_kpa is not None or tyre.raw_kpa is not None:
        tyre, at_rest = _taken(tyre, now_s, reading.tyre_kpa, setup.rest_gauge, may_rest=may_rest)
    shown_kpa, gauge_s = state.gauge_kpa, state.gauge_s
    if line.kpa is None or shown_kpa is None or abs(line.kpa - shown_kpa) > line.wavers_kpa:
        shown_kpa, gauge_s = line.kpa, gauge_s if line.kpa == shown_kpa else now_s
    state = changed(state, line=line, tyre=tyre, gauge_kpa=shown_kpa, gauge_s=gauge_s)
    state = _trends(off_s - setup.line_gauge.behind_s, state)
    if line.began_s == now_s or not line.blocks:
        # Evaluated once for each block and held in between; two in a row must agree, as a step on a gauge with a lag
        # looks even for a moment.
        slope, before = _moves_kpa_s(setup, state, now_s), state.moved_kpa_s
        moves_kpa_s, drops_kpa_s = slope if slope * before > 0 else 0.0, _drops_kpa_s(setup, state)
        state = changed(state, moved_kpa_s=slope, moves_kpa_s=moves_kpa_s, drops_kpa_s=drops_kpa_s)
    read = tyre if reading.tyre_kpa is not None else line
    shown = _shown(setup, state, read, at_rest, now_s) if may_rest else Shown()
    return state, _judged(reading, state, shown.rest), shown


def _off_s(setup: Setup, state: FillState, now_s: float) -> float:
    """How long pump and vent have been at rest; negative while one of them is commanded, runs or coasts."""
    if pump_way(setup, state) or state.outputs.vent_valve:
        return -1.0
    return min(now_s - state.changed_s - setup.line.coast_s, now_s - state.regime_s)


def _trends(off_s: float, state: FillState) -> FillState:
    """Keep the size of the pressure's last rise and fall, from one steady level to the next."""
    now_s, kpa, level_kpa = state.line.at_s, state.line.kpa, state.level_kpa
    if kpa is None or off_s < FOLLOWS_S:
        # Until the gauge has followed the stop, it shows the line and not the gas.
        return state
    went_kpa = 0.0 if level_kpa is None else kpa - level_kpa
    if level_kpa is not None and abs(went_kpa) <= _WENT_KPA + 3 * state.line.smoothed_kpa:
        return state
    before = state.rose if went_kpa > 0 else state.fell
    # The first steps of a movement in several steps have not crept back yet.
    kept_kpa = before.kpa * math.exp(-(now_s - before.at_s) / _SLOWEST_S) if before.kpa else 0.0
    moved = Moved(now_s - FOLLOWS_S, abs(went_kpa) + kept_kpa)
    if went_kpa > 0:
        return changed(state, level_kpa=kpa, rose=moved)
    return changed(state, level_kpa=kpa, fell=moved if went_kpa else state.fell)


def _taken(
    gauge: Gauge, now_s: float, raw_kpa: float | None, facts: GaugeFacts, *, may_rest: bool
) -> tuple[Gauge, Rest | None]:
    """Update the gauge by one scan and return its rest if it is steady; only then its noise is learned."""
    before_kpa, gauge = gauge.raw_kpa, rest.taken(gauge, now_s, raw_kpa, facts.damping_s, may_rest=may_rest)
    at_rest = rest.at_rest(gauge) if may_rest else None
    return (gauge if at_rest is None else rest.learned(gauge, before_kpa, at_rest)), at_rest


def _shown(setup: Setup, state: FillState, gauge: Gauge, found: Rest | None, now_s: float) -> Shown:
    moves = state.moves_kpa_s != 0.0
    if found is not None:
        return Shown(found, rests=True, restless=moves)
    waited_s = now_s - max(state.regime_s, state.since_s)
    longest = rest.at_rest(gauge, longest=True) if waited_s >= _LONGEST_LAG_S else None
    if longest is None:
        return Shown(restless=moves)
    # Three standard deviations; of a window cut short by its scatter, one of many that were tried, four and a half.
    share = 1.5 if longest.span_s >= _WHOLE_S else 2.25
    sure_kpa_s = abs(longest.slope_kpa_s) - share * longest.slope_u_kpa_s
    kpa_abs = max(longest.kpa, 0.0) + setup.line.atmosphere_kpa_abs
    up_kpa_s, down_kpa_s = _creeps_kpa_s(setup, state, kpa_abs, now_s)
    creeps = sure_kpa_s > rest.TYRE.creep_kpa_s + (up_kpa_s if longest.slope_kpa_s > 0 else down_kpa_s)
    if not creeps and (waited_s < _LONGEST_WAIT_S or sure_kpa_s > rest.TYRE.creep_kpa_s):
        # Gas that takes its walls' temperature creeps for so long.
        return Shown(restless=moves)
    return Shown(longest, rests=True, restless=creeps or moves)


def _judged(reading: Reading, state: FillState, found: Rest | None) -> Reading:
    """The reading with the gauge values used for decisions; the raw line value remains in ``raw_line_kpa``."""
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
    """Slope of a line gauge that moves with all off, faster than gas creep; 0 where it does not."""
    gauge = state.line
    if not _sealed(setup, state) or not gauge.blocks or gauge.kpa is None:
        return 0.0
    kpa_abs = max(gauge.kpa, 0.0) + setup.line.atmosphere_kpa_abs
    slowest_lps = PUMP_SHARE * min(setup.line.pump_lps, setup.line.back_lps)
    slowest_kpa_s = max(slowest_lps * kpa_abs / _air_l(setup, state), _LEAST_KPA_S)

    def most_kpa_s(ago_s: float) -> tuple[float, float]:
        up_kpa_s, down_kpa_s = _creeps_kpa_s(setup, state, kpa_abs, now_s - ago_s)
        up_kpa_s = math.inf if _vent_shuts(setup, state, now_s - ago_s) else up_kpa_s
        down_kpa_s = math.inf if _loss_drops(setup, state, now_s - ago_s) else down_kpa_s
        return max(slowest_kpa_s, up_kpa_s), max(slowest_kpa_s, down_kpa_s)

    slope_kpa_s = rest.moves(gauge, most_kpa_s, _SPAN_S) or 0.0
    # Where the pump has drawn the hose below what the sealed tyre holds, it fills slowly from there.
    fills = slope_kpa_s > 0 and state.direction < 0 and _below_tyre(setup, state)
    return 0.0 if fills else slope_kpa_s


def _vent_shuts(setup: Setup, state: FillState, at_s: float) -> bool:
    """Whether the gauge may still rise at ``at_s`` because a vent's valve shuts, and its loss drops off the gauge."""
    shuts_s = vent_shuts_s(setup) + setup.line_gauge.behind_s
    return setup.method == "vent" and state.stroke.lets_out and at_s < state.regime_s + shuts_s


def _loss_drops(setup: Setup, state: FillState, at_s: float) -> bool:
    """Whether the gauge may still fall at ``at_s`` because the line's loss drops off it as the pump comes to rest."""
    rests_s = state.changed_s + setup.line.coast_s + FOLLOWS_S
    return state.direction > 0 and at_s < rests_s + _hose_expands_s(setup, state)


def _hose_expands_s(setup: Setup, state: FillState) -> float:
    """How long the air of a hose that is not full goes on pushing after a stop: at most until it shows the tyre's."""
    stroke, line_kpa = state.stroke, state.line.kpa
    air_l = setup.line.hose_l - state.tally.hose_l
    if stroke.stop_gauge_kpa is None or line_kpa is None or not stroke.stop_flow_lps or air_l <= 0:
        return 0.0
    if _below_tyre(setup, state):
        return 0.0
    kpa_abs = max(line_kpa, 0.0) + setup.line.atmosphere_kpa_abs
    return expands_s(air_l, abs(stroke.stop_flow_lps), max(stroke.stop_gauge_kpa - line_kpa, 0.0) / kpa_abs)


def expands_s(air_l: float, flow_lps: float, over: float) -> float:
    """Seconds that air takes to expand from a pressure that exceeds the absolute one it ends at by the share ``over``.

    By Boyle's law, through a resistance whose loss grows with the square of the flow, at first ``flow_lps``.
    """
    root = math.sqrt(over)
    return air_l / flow_lps * (over + (1 + over) * root * math.atan(root))


def vent_shuts_s(setup: Setup) -> float:
    """How long a vent's valve may travel."""
    return max(setup.vent_travel_s, _VENT_SHUTS_S)


def _below_tyre(setup: Setup, state: FillState) -> bool:
    """Whether the gauge shows less than what the sealed tyre holds."""
    sealed = sealed_band(state.gas, setup, offset_l(setup, state, holds_l(setup, state)))
    shown_kpa = gun_kpa(setup, state.line.kpa, state.tally.hose_l)
    return sealed is not None and shown_kpa is not None and sealed.beyond(shown_kpa) < 0


def _sealed(setup: Setup, state: FillState) -> bool:
    """Whether only a fault can move the pressure with all off: by hand a person may fill or let air out."""
    return setup.into != "open vessel" and not (setup.by_hand and state.state is State.RUNNING)


def _drops_kpa_s(setup: Setup, state: FillState) -> float:
    """Rate at which a steady line gauge has dropped to its present level with all off; 0 where it has not.

    Not before a rest has given the tyre's pressure: until then the gun is put on, and air let out by hand. Gas creep
    and hands move it little, and with the gun off it shows ambient and the hose's column: what is left is a pump, and
    its line loss.
    """
    kpa, head = state.line.kpa, head_kpa(setup.line)
    rest_known = state.valve_open and state.gas.sealed and state.gas.rest_kpa is not None
    if not rest_known or not _sealed(setup, state) or kpa is None:
        return 0.0
    off_gun = min(head, 0.0) - NO_TYRE_KPA <= kpa <= max(head, 0.0) + NO_TYRE_KPA
    if off_gun:
        return 0.0
    kpa_abs, now_s = max(kpa, 0.0) + setup.line.atmosphere_kpa_abs, state.line.at_s

    def most_kpa(ago_s: float) -> float:
        return HANDS_KPA + max(_creeps_kpa_s(setup, state, kpa_abs, now_s - ago_s)) * ago_s

    return min(rest.stepped(state.line, most_kpa), 0.0)


def _creeps_kpa_s(setup: Setup, state: FillState, kpa_abs: float, at_s: float) -> tuple[float, float]:
    """The fastest creep at ``at_s``: up after the last fall, and down after the last rise."""
    air_share = _air_l(setup, state) / setup.cavity.high_l
    vapour_kpa = setup.line.vapour_kpa
    up, down = (
        creep_kpa_s(kpa_abs, moved, at_s, fell=fell, vapour_kpa=vapour_kpa, air_share=air_share)
        for moved, fell in ((state.fell, True), (state.rose, False))
    )
    if setup.existing_l + state.stroke.start_l <= 0 < state.stroke.began_s:
        # The first liquid in a dry tyre gives all of its vapour.
        up += _decays_kpa_s(vapour_kpa, at_s - state.stroke.began_s, *_EVAPORATES_S)
    return up, down


def _air_l(setup: Setup, state: FillState) -> float:
    """The largest air space."""
    return max(setup.cavity.high_l - holds_l(setup, state), 0.05 * setup.cavity.high_l)


def creep_kpa_s(
    kpa_abs: float, moved: Moved, now_s: float, *, fell: bool, vapour_kpa: float = 0.0, air_share: float = 1.0
) -> float:
    """The fastest creep at ``now_s`` against a movement that left ``kpa_abs``, whatever the time constants.

    Gas takes its surroundings' temperature: after a fall it is at most as cold as air that was let out at once, and a
    large difference decays faster than by the time constant (:func:`rig.control.belief.warmth.pace`). The vapour comes
    back to its pressure ``vapour_kpa``. The casing, of which ``air_share`` is air, goes on growing or shrinking.
    """
    since_s = max(now_s - moved.at_s, 0.0)
    if fell:
        heat_kpa = kpa_abs * (1 - float((kpa_abs / (kpa_abs + moved.kpa)) ** _ADIABATIC))
    else:
        heat_kpa = min(_THERMAL * kpa_abs, _ADIABATIC * moved.kpa)
    paced = max(pace(heat_kpa / kpa_abs), 1.0)
    before_kpa = kpa_abs + (moved.kpa if fell else -min(moved.kpa, kpa_abs / 2))
    vapour_kpa *= abs(before_kpa - kpa_abs) / before_kpa
    grows_kpa = kpa_abs * _GROWS_LATER * min(moved.kpa, kpa_abs) / KPA_PER_PSI / air_share
    return (
        _decays_kpa_s(heat_kpa, since_s, _FASTEST_S / paced, _SLOWEST_S)
        + _decays_kpa_s(vapour_kpa, since_s, *_EVAPORATES_S)
        + _decays_kpa_s(grows_kpa, since_s, *_CASING_S)
    )


def _decays_kpa_s(ends_kpa: float, since_s: float, fastest_s: float, slowest_s: float) -> float:
    """The fastest slope of an exponential towards ``ends_kpa`` with any time constant between the two."""
    constant_s = min(max(since_s, fastest_s), slowest_s)
    return ends_kpa / constant_s * math.exp(-since_s / constant_s)
