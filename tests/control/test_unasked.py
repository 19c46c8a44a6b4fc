"""What moves though everything is off, and a suction that runs dry: told in seconds, in words that say what to do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import cast

import pytest
from virtual_fills import PSI, fill_of, record_of, rig_settings

from rig.control.belief.gauges import creep_kpa_s, follow
from rig.control.belief.state import Moved, new_fill
from rig.control.belief.unsafe import tyre_shown
from rig.control.moves.decide import Decision
from rig.control.safety.guards import GUARD_NAMED
from rig.control.safety.permissives import open_checks
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Reading, Request, Setup
from rig.run.assembly import Question
from rig.run.person import Unattended
from sim.virtual import VirtualFill

BLIND = {"meter__reverse": "none", "tote__content": "2500 L", "sim__bead_limit": "-60 psi"}
"""A meter that shows nothing backwards, and a bead that holds whatever is drawn."""


class Waits(Unattended):
    """Starts and answers, and looks on at whatever holds the fill."""

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        waits = decision.state.state in (State.HELD, State.ABORTED)
        return [] if waits else super().requests(setup, decision)


class GoesOnAgain(Unattended):
    """Goes on past every hold."""

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        if decision.state.state is State.HELD:
            return [Request(f"on-{decision.state.now_s}", "resume", by="test")]
        return super().requests(setup, decision)


@dataclass
class Story:
    """A fill with a fault, run for a while past it."""

    fill: VirtualFill
    alarms: list[tuple[float, str, float]]
    last: Decision

    def told_s(self, name: str) -> float | None:
        return next((at_s for at_s, each, _ in self.alarms if each == name), None)

    @property
    def tyre_kpa(self) -> float:
        plant = self.fill.rig.plant
        return plant.tyre.pressure() - plant.params.atmosphere_kpa_abs

    @property
    def truth_l(self) -> float:
        plant = self.fill.rig.plant
        return plant.tyre.liquid_l - plant.start_liquid_l


def story(
    size: str, layout: str, fault: str, until_s: float, person: Unattended | None = None, **keys: object
) -> Story:
    fill = fill_of(rig_settings(layout, sim__size=size, **keys), Question(size), [fault] if fault else [])
    alarms: list[tuple[float, str, float]] = []
    told = Story(fill, alarms, cast("Decision", None))

    def watch(decision: Decision) -> None:
        now_s = decision.state.now_s
        alarms.extend((now_s, str(e.data["name"]), told.tyre_kpa) for e in decision.entries if e.kind == "alarm")

    fill.watch, fill.person = watch, person or Waits()
    told.last = fill.run(most_s=until_s)
    return told


@cache
def phases(size: str, layout: str, keys: tuple[tuple[str, object], ...]) -> dict[str, list[tuple[float, float]]]:
    """Begin and end of each phase of the sound fill."""
    spans: dict[str, list[tuple[float, float]]] = {}
    last = ""
    fill = fill_of(rig_settings(layout, sim__size=size, **dict(keys)), Question(size))

    def watch(decision: Decision) -> None:
        nonlocal last
        kind, now_s = decision.state.phase.value, decision.state.now_s
        began_s = spans[kind].pop()[0] if kind == last else now_s
        spans.setdefault(kind, []).append((began_s, now_s))
        last = kind

    fill.watch = watch
    fill.run()
    return spans


# --- a contactor that welds ------------------------------------------------------------------------------------------


@pytest.mark.full
@pytest.mark.parametrize("before_end_s", [20.0, 1.0, 0.2])
@pytest.mark.parametrize("size", ["11L-15", "16.9-28"])
def test_a_reverse_contactor_that_welds_in_a_draw_trips_when_the_draw_is_over(size: str, before_end_s: float) -> None:
    """The meter is blind backwards: the gauge alone tells, before the tyre has lost a psi more."""
    _, ended_s = phases(size, "draw-down", tuple(BLIND.items()))["draw-down"][0]
    told = story(size, "draw-down", f"reverse_welded@{ended_s - 1 - before_end_s:g}", ended_s + 10, **BLIND)
    at_s = told.told_s("moves_while_off")
    assert at_s is not None, told.alarms
    # A second of coasting, then less than two.
    assert at_s < ended_s + 3.0
    assert next(kpa for _, name, kpa in told.alarms if name == "moves_while_off") > 3.5 * PSI
    assert told.last.state.state in (State.ABORTING, State.ABORTED)
    assert "Cut the pump's supply" in GUARD_NAMED["moves_while_off"].first


@pytest.mark.full
def test_a_reverse_contactor_that_welds_while_the_pump_is_to_fill_trips_too() -> None:
    """Both contactors: the motor stalls, nothing is counted; told off, it draws back."""
    began_s, _ = phases("16.9-28", "draw-down", tuple(BLIND.items()))["fill"][2]
    told = story("16.9-28", "draw-down", f"reverse_welded@{began_s + 9:g}", began_s + 40, **BLIND)
    held_s, tripped_s = told.told_s("no_flow"), told.told_s("moves_while_off")
    assert held_s is not None, told.alarms
    assert tripped_s is not None, told.alarms
    # The hose's liquid is drawn first: a vacuum that no leak makes.
    assert tripped_s < held_s + 6


@pytest.mark.parametrize("size", ["11L-15", "16.9-28"])
@pytest.mark.full
def test_one_that_welds_while_the_fill_is_held_trips_within_two_seconds(size: str) -> None:
    began_s, ended_s = phases(size, "draw-down", tuple(BLIND.items()))["draw-down"][0]

    class Holds(Waits):
        def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
            middle = decision.state.now_s > (began_s + ended_s) / 2
            if middle and decision.state.state is State.RUNNING:
                return [Request("hold", "hold", by="test")]
            return super().requests(setup, decision)

    onset_s = (began_s + ended_s) / 2 + 30
    told = story(size, "draw-down", f"reverse_welded@{onset_s - 1:g}", onset_s + 6, Holds(), **BLIND)
    at_s = told.told_s("moves_while_off")
    assert at_s is not None
    assert at_s < onset_s + 2.5


class LooksAway(Waits):
    """Does not answer when the fill asks for the valve to be shut."""

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        return [] if decision.state.phase is Phase.SHUT else super().requests(setup, decision)


@pytest.mark.full
@pytest.mark.parametrize("layout", ["vent", "draw-down"])
@pytest.mark.parametrize(
    ("fault", "name", "size", "within_s"),
    [
        ("reverse_welded", "moves_while_off", "16.9-28", 3.0),
        # The small tyre's gauge steps by the hose's loss and stays there until the hose's liquid is drawn off.
        ("reverse_welded", "moves_while_off", "11L-15", 8.0),
        ("valve_stuck_open", "moves_while_off", "16.9-28", 3.0),
        ("valve_stuck_open", "moves_while_off", "11L-15", 3.0),
        ("pump_welded", "flow_while_stopped", "16.9-28", 1.0),
        ("pump_welded", "flow_while_stopped", "11L-15", 1.0),
    ],
)
def test_what_welds_while_the_fill_waits_for_an_answer_trips(
    layout: str, fault: str, name: str, size: str, within_s: float
) -> None:
    onset_s = phases(size, layout, tuple(BLIND.items()))["shut"][-1][0] + 10
    told = story(size, layout, f"{fault}@{onset_s - 1:g}", onset_s + 10, LooksAway(), **BLIND)
    at_s = told.told_s(name)
    assert at_s is not None, told.alarms
    assert at_s < onset_s + within_s
    assert told.last.state.state in (State.ABORTING, State.ABORTED)


@pytest.mark.full
@pytest.mark.parametrize("size", ["11L-15", "16.9-28"])
def test_a_vent_that_welds_trips_within_two_seconds_of_its_end(size: str) -> None:
    for _, ended_s in phases(size, "vent", tuple(BLIND.items()))["vent"]:
        told = story(size, "vent", f"valve_stuck_open@{ended_s - 1.3:g}", ended_s + 10, **BLIND)
        at_s = told.told_s("moves_while_off")
        assert at_s is not None, told.alarms
        assert at_s < ended_s + 2.0
        assert told.last.state.state in (State.ABORTING, State.ABORTED)
    assert "a vent open" in GUARD_NAMED["moves_while_off"].first


def test_before_the_start_it_is_told_and_nothing_starts() -> None:
    """Gun on, core out, everything confirmed: the contactor welds while the person looks at something else."""
    refused: list[object] = []

    class Dawdles(Waits):
        def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
            refused.extend(each.name for each in decision.missing)
            waits = decision.state.now_s < 31 and not open_checks(setup, decision.state)
            return [] if waits else super().requests(setup, decision)

    told = story("11L-15", "draw-down", "reverse_welded@19", 34.0, Dawdles(), **BLIND)
    at_s = told.told_s("moves_while_off")
    # The hose's liquid first.
    assert at_s is not None
    assert at_s < 31
    assert told.last.state.state is State.IDLE
    assert "pressure_stands" in refused


def test_what_is_shown_meanwhile_is_the_gauge_that_falls_and_not_the_estimate() -> None:
    """The screen said 6.7 psi for half a minute while the tyre went below ambient."""
    _, ended_s = phases("16.9-28", "draw-down", tuple(BLIND.items()))["draw-down"][0]
    told = story("16.9-28", "draw-down", f"reverse_welded@{ended_s - 3:g}", ended_s + 40, **BLIND)
    shown = tyre_shown(told.fill.setup, told.last.state, told.last.facts)
    assert told.tyre_kpa < 3 * PSI
    assert shown.kpa == pytest.approx(told.tyre_kpa, abs=1.5)
    assert shown.age_s == 0.0


@pytest.mark.parametrize("seconds", [5.0, 15.0, 40.0])
@pytest.mark.parametrize("from_kpa", [5.0, 60.0, 240.0])
def test_gas_that_grows_warm_or_cold_again_is_no_pump(from_kpa: float, seconds: float) -> None:
    """After air was let out at once, and, up to a tenth of the absolute pressure, after a stroke."""
    kpa_abs = 101.325
    # Adiabatic, any textbook: T ∝ p^(0.4 / 1.4).
    cold_kpa = kpa_abs * (1 - (kpa_abs / (kpa_abs + from_kpa)) ** (0.4 / 1.4))
    warm_kpa = min(0.1 * kpa_abs, 2 / 7 * from_kpa)
    moved = Moved(0.0, from_kpa)
    for tenth in range(600):
        at_s = tenth / 10
        # The slope of an exponential creep with this time constant.
        share = math.exp(-at_s / seconds) / seconds
        assert creep_kpa_s(kpa_abs, moved, at_s, fell=True) >= share * cold_kpa - 1e-6
        assert creep_kpa_s(kpa_abs, moved, at_s, fell=False) >= share * warm_kpa - 1e-6


@pytest.mark.parametrize("seconds", [5.0, 15.0, 40.0])
@pytest.mark.parametrize("from_kpa", [5.0, 60.0, 110.0, 240.0])
def test_gas_that_convection_warms_again_is_no_pump(from_kpa: float, seconds: float) -> None:
    """Nu = 0.13·Ra^⅓ (McAdams, Heat Transmission): the rate goes with ΔT^(4/3); ``seconds`` holds at 15 K of 300 K."""
    kpa_abs, moved, step_s = 125.0, Moved(0.0, from_kpa), 0.01
    cold = 1 - (kpa_abs / (kpa_abs + from_kpa)) ** (0.4 / 1.4)
    for step in range(12000):
        rate = cold * (cold / 0.05) ** (1 / 3) / seconds
        # Slower movement than 0.1 kPa/s is never taken for a pump's.
        assert max(creep_kpa_s(kpa_abs, moved, step * step_s, fell=True), 0.1) >= kpa_abs * rate - 1e-6
        cold -= rate * step_s


@pytest.mark.parametrize("seconds", [20.0, 60.0])
def test_vapour_that_comes_back_after_a_vent_is_no_pump(seconds: float) -> None:
    """Dalton: what the vent took away comes back to the vapour's pressure over the liquid, water at 20 °C (2.34)."""
    kpa_abs, moved = 130.0, Moved(0.0, 70.0)
    comes_kpa = 2.34 * (1 - 130.0 / 200.0)
    for at_s in range(120):
        share = math.exp(-at_s / seconds) / seconds
        dry, wet = (creep_kpa_s(kpa_abs, moved, float(at_s), fell=True, vapour_kpa=each) for each in (0.0, 2.34))
        assert wet - dry >= share * comes_kpa - 1e-9


@pytest.mark.parametrize("full", [0.0, 0.75])
def test_a_casing_that_goes_on_growing_is_no_pump(full: float) -> None:
    """Boyle: a cavity that grows by 1.5 % in all has that over its share of air as fall of the pressure."""
    kpa_abs, moved = 200.0, Moved(0.0, 10 * PSI)
    falls_kpa = kpa_abs * 0.015 / (1 - full)
    for at_s in range(300):
        still = creep_kpa_s(kpa_abs, replace(moved, kpa=0.0), float(at_s), fell=False)
        grows = creep_kpa_s(kpa_abs, moved, float(at_s), fell=False, air_share=1 - full)
        assert grows - still >= math.exp(-at_s / 120.0) / 120.0 * falls_kpa - 1e-9


@pytest.mark.parametrize(("since_s", "moves"), [(0.5, False), (6.0, True)])
def test_a_vent_that_shuts_slowly_lets_the_gauge_rise(since_s: float, moves: bool) -> None:
    """Faster than any creep: as long as the loss of a vent that is still shutting may drop off the gauge."""
    setup = fill_of(rig_settings("vent"), Question("16.9-28")).setup
    stroke = replace(new_fill(setup).stroke, lets_out=True)
    state = replace(new_fill(setup), valve_open=True, state=State.RUNNING, stroke=stroke, regime_s=100.0)
    for scan in range(16):
        now_s = 100.0 + since_s + 0.1 * scan
        state, _, _ = follow(setup, state, Reading(now_s=now_s, line_kpa=20.0 + 30.0 * (now_s - 100.0)))
        state = replace(state, now_s=now_s)
    assert (state.moves_kpa_s > 20.0) is moves


@pytest.mark.parametrize(("way", "from_kpa", "moves"), [(-1, -70.0, False), (1, -70.0, True), (-1, 100.0, True)])
def test_a_hose_that_was_drawn_on_may_fill_from_the_tyre(way: int, from_kpa: float, moves: bool) -> None:
    """Below the tyre's pressure after a reverse; not without one, nor above the tyre."""
    setup = fill_of(rig_settings("draw-down"), Question("16.9-28")).setup
    gas = replace(new_fill(setup).gas, rest_kpa=90.0, sealed=True)
    state = replace(new_fill(setup), gas=gas, valve_open=True, direction=way, state=State.RUNNING, changed_s=0.0)
    for scan in range(40):
        now_s = 5.0 + 0.1 * scan
        state, _, _ = follow(setup, state, Reading(now_s=now_s, line_kpa=from_kpa + 6.0 * (now_s - 5.0)))
        state = replace(state, now_s=now_s)
    assert (state.moves_kpa_s > 5.0) is moves


# --- the sum of the reverses -----------------------------------------------------------------------------------------


@pytest.mark.full
@pytest.mark.parametrize("reverse", ["none", "signed"])
def test_reverses_that_a_person_repeats_do_not_draw_the_tyre_below_its_limit(reverse: str) -> None:
    """An insert that never seats: each "go on" drew two seconds more, down to less than nothing."""
    keys = BLIND | {"meter__reverse": reverse}
    told = story("11L-15", "vent", "insert_not_seated@20", 420.0, GoesOnAgain(), **keys)
    assert told.told_s("insert_not_seated") is not None
    assert told.told_s("pressure_low") is not None
    assert told.fill.rig.plant.extremes.lowest_tyre_kpa > 2.5 * PSI
    assert told.last.state.phase is Phase.SHUT


# --- a tote that runs dry --------------------------------------------------------------------------------------------

DRY = {"points__tote_level": None, "tote__content": "2500 L"}


@pytest.mark.full
@pytest.mark.parametrize("share", [0.02, 0.5, 0.97])
@pytest.mark.parametrize("rig", [
    {"sim__valve_bore": "8 mm"}, {"sim__valve_bore": "25 mm", "tote__fluid": "water"},
    {"tote__fluid": "water", "pump__flow": "20 L/min"},
], ids=["beet", "wide bore", "slow pump"])  # fmt: skip
def test_a_tote_that_runs_dry_without_a_level_is_told_by_flow_and_gauge_together(
    rig: dict[str, object], share: float
) -> None:
    size = "11L-15" if "pump__flow" in rig else "16.9-28"
    keys = DRY | rig
    began_s, ended_s = phases(size, "vent", tuple(keys.items()))["fill"][1]
    onset_s = began_s + share * (ended_s - began_s)
    told = story(size, "vent", f"tote_empty@{onset_s - 1:g}", onset_s + 40, **keys)
    if told.told_s("liquid_in_vent") is None:
        at_s = told.told_s("suction_dry")
        assert at_s is not None, told.alarms
        # The suction line's litre and a half first, perhaps a rest and the start of a stroke between.
        carries_s = told.fill.setup.line.suction_l / (0.6 * told.fill.setup.line.pump_lps)
        assert at_s < onset_s + carries_s + (6 if share < 0.9 else 30)
    record = record_of(told.fill.setup, told.last.state)
    net_l, u_l = cast("float", record["net_l"]), cast("float", record["net_u_l"])
    assert abs(net_l - told.truth_l) <= u_l
    assert u_l < 4.0


@pytest.mark.parametrize("fault", ["blocked", "hose_off", "meter_stuck"])
@pytest.mark.full
def test_a_shut_valve_a_lost_hose_and_a_stuck_meter_are_no_dry_tote(fault: str) -> None:
    began_s, ended_s = phases("16.9-28", "vent", tuple(DRY.items()))["fill"][1]
    told = story("16.9-28", "vent", f"{fault}@{(began_s + ended_s) / 2:g}", (began_s + ended_s) / 2 + 40, **DRY)
    assert told.alarms
    assert told.told_s("suction_dry") is None
