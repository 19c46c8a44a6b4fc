"""Defects in the accounting, planted by patches: part of the table in ``defects``."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from rig.control.belief import accounting, observe, pressure, uncertainty
from rig.control.belief.accounting import Tally
from rig.control.belief.uncertainty import Within
from rig.control.moves import phases, recover, snapshot
from rig.control.moves.turn import Turn
from rig.control.words.procedure import State
from rig.control.words.values import Meter

Patch = pytest.MonkeyPatch


def net(make: Callable[[Tally, Meter], float]) -> Callable[[Patch], None]:
    return lambda patch: patch.setattr(Tally, "net_l", make)


def gross(tally: Tally, meter: Meter) -> float:
    return tally.forward_l(meter)


def attended(tally: Tally, meter: Meter) -> float:
    return tally.forward_l(meter) - tally.returned_l(meter) - tally.hose_change_l() - tally.unattended_l


def return_added(tally: Tally, meter: Meter) -> float:
    return tally.forward_l(meter) + tally.returned_l(meter) - tally.hose_change_l()


def hose_wrong_way(tally: Tally, meter: Meter) -> float:
    return tally.forward_l(meter) - tally.returned_l(meter) + tally.hose_change_l()


def gauge_as_absolute(patch: Patch) -> None:
    def sealed(gas: pressure.Gas, setup: object, cavity_l: float, offset_l: float, doubt_kpa_l: float = 0.0) -> float:
        assert gas.rest_kpa is not None
        before, after = cavity_l - gas.rest_offset_l, max(cavity_l - offset_l, 0.01 * cavity_l)
        return gas.rest_kpa * before / after

    patch.setattr(pressure, "_sealed", sealed)
    patch.setattr(phases, "_ceiling_estimate", lambda turn: turn.facts.gas.high if turn.facts.gas else None)


def suction_air_as_liquid(patch: Patch) -> None:
    def back(tally: Tally, *arguments: object) -> Tally:
        return replace(original(tally, *arguments), suction_air_kpa_l=0.0)

    original: Callable[..., Tally] = accounting.pass_back
    patch.setattr(accounting, "pass_back", back)


def a_pulse_lost(patch: Patch) -> None:
    def counted(*arguments: object, **how: bool) -> accounting.Count:
        count = original(*arguments, **how)
        return replace(count, forward=count.forward - (count.forward % 97 == 96))

    original: Callable[..., accounting.Count] = observe.counted
    patch.setattr(observe, "counted", counted)


def totals_restart(patch: Patch) -> None:
    def take_rest(turn: Turn, rest_kpa: float) -> None:
        original(turn, rest_kpa)
        turn.set(tally=replace(turn.state.tally, pulses_returned=0))

    original = phases._take_rest
    patch.setattr(phases, "_take_rest", take_rest)


def unattended_merged(patch: Patch) -> None:
    def dark(*arguments: object) -> object:
        state = original(*arguments)
        return replace(state, tally=replace(state.tally, unattended_l=0.0))

    original: Callable[..., recover.FillState] = recover._dark
    patch.setattr(recover, "_dark", dark)


def runs_on_after_a_crash(patch: Patch) -> None:
    import sim.campaign

    def taken_up(*arguments: object, **named: object) -> object:
        return replace(original(*arguments, **named), state=State.RUNNING)

    original: Callable[..., recover.FillState] = sim.campaign.recovered
    patch.setattr(sim.campaign, "recovered", taken_up)


def hose_always_full(patch: Patch) -> None:
    patch.setattr(accounting, "pass_back", lambda tally, *_: tally)


def sure_of_itself(patch: Patch) -> None:
    patch.setattr(snapshot, "combined", lambda doubts, parts: Within(0.001, 0.001))


def peak_unseen(patch: Patch) -> None:
    patch.setattr(observe, "_extremes", lambda state, facts: replace(state, peak_kpa=0.0, lowest_kpa=0.0))


def dry_time_uncounted(patch: Patch) -> None:
    patch.setattr(observe, "_dry", lambda setup, state, dt: state)


def unwitnessed(patch: Patch) -> None:
    patch.setattr(uncertainty, "_by_witness", lambda *_: uncertainty._NO_WITNESS)
    patch.setattr(uncertainty, "changed_ratio", lambda *_: (0.0, 0.0))
