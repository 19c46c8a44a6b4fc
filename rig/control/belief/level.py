"""Where liquid and air are: the level in the tyre and its uncertainty, the fronts in hose and suction line.

By the account and the cavity; near the level either may leave at the valve, whatever the account says. No decisions.
"""

from __future__ import annotations

from rig.control.belief.accounting import FRONT_NEAR_LEVEL, GUESS, Enters
from rig.control.belief.pressure import weighed_cavity
from rig.control.belief.state import FillState, gun_off_first, holds_l, pump_way
from rig.control.words.flags import Flag
from rig.control.words.values import Setup
from rig.plan.moves import UNDER_OPEN_VALVE

LEVEL_DOUBT = 0.05
"""Share of the cavity: this near to the valve a reverse may bring liquid or air, whatever the account says."""
_AIR_TOLD = frozenset({Flag.MEASURES_DIFFER, Flag.ESTIMATES_DISAGREE, Flag.NO_RISE, Flag.AIR_PUMPED})
"""Alarms that air in the suction line sets off."""


def entering(setup: Setup, state: FillState) -> Enters:
    """What comes into the hose when the pump draws: liquid where the open valve is covered, otherwise air."""
    if not state.valve_open:
        return "air"
    return "liquid" if setup.cavity.covered(level(setup, state)) > 0 else "air"


def near_level(setup: Setup, state: FillState) -> bool:
    """Whether the liquid's surface is so near to the valve that either may leave there."""
    return abs(below_valve(setup, state)) < LEVEL_DOUBT


def below_valve(setup: Setup, state: FillState) -> float:
    """How far the liquid is below the valve, as a share of the cavity; negative above."""
    return setup.cavity.fraction_at_valve - level(setup, state)


def goal_l(setup: Setup, state: FillState) -> float:
    """Litres at which the fill is done: its target; below an open valve at last, where the gun comes off one.

    The plan keeps that distance by the size's cavity; here it is that of the cavity as measured.
    """
    if not gun_off_first(setup):
        return setup.target_l
    share = setup.cavity.fraction_at_valve - UNDER_OPEN_VALVE
    return min(setup.target_l, share * weighed_cavity(state.gas, setup)[0] - setup.existing_l)


def level(setup: Setup, state: FillState) -> float:
    """Share of the cavity that is liquid, best estimate."""
    return holds_l(setup, state) / weighed_cavity(state.gas, setup)[0]


def air_at_pump(setup: Setup, state: FillState) -> bool:
    """Whether the pump moves air, according to the account."""
    if pump_way(setup, state) < 0:
        return state.tally.hose_l <= 0.0 and state.tally.suction_air_kpa_l > 0.0
    return state.tally.suction_air_kpa_l > 0.0


def perhaps_air(setup: Setup, state: FillState) -> bool:
    """Whether a running pump may move air, whatever is booked: near the level, by an estimated hose, or after an alarm.

    After unobserved air the hose holds less liquid than booked; flow counted with the pump off has not cleared the air
    that a draw left in the suction line; and an alarm that a person overrode may be right.
    """
    if pump_way(setup, state) > 0:
        if any(name == "air_pumped" for name, _ in state.alarms.timers):
            return True
        lasts_s = state.now_s - state.changed_s
        return Flag.FLOW_WHILE_STOPPED in state.flags and lasts_s < setup.line.carries_air_off_s
    if _AIR_TOLD & state.flags:
        return True
    guessed = setup.meter.reverse == "none" and state.tally.hose_l <= GUESS * setup.line.hose_l
    return guessed or (state.valve_open and near_level(setup, state))


def hose_air_l(setup: Setup, state: FillState) -> float:
    """Air that the hose may hold: by the account and its uncertainty, and what came with liquid near the level."""
    tally, full_l = state.tally, setup.line.hose_l
    near_l = FRONT_NEAR_LEVEL * full_l if Flag.NEAR_LEVEL in state.flags and tally.air_drawn_l > 0 else 0.0
    return full_l - tally.hose_l + max(tally.hose_less_l, near_l)


def hose_wet(setup: Setup, state: FillState) -> bool:
    """Whether liquid fills the whole path from tote to valve, according to the account."""
    return state.tally.hose_l >= setup.line.hose_l and not state.tally.suction_air_kpa_l
