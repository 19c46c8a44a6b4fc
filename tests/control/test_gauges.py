"""A gauge followed from scan to scan: when it rests, what it then shows, and what it tells while all should be off."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest
from plain import AIR, plain_setup, plain_state
from scipy.integrate import solve_ivp
from virtual_fills import PSI

from rig.control.belief.gauges import Shown, creep_kpa_s, expands_s, follow
from rig.control.belief.state import FillState, Moved, Stroke
from rig.control.belief.warmth import TIMES_S
from rig.control.words.procedure import State
from rig.control.words.values import GaugeFacts, Outputs, Reading, Setup

SETUP = plain_setup(beside=(), line_gauge=GaugeFacts(noise_kpa=0.02))
Truth = Callable[[float], float]


@dataclass
class Watched:
    state: FillState
    reading: Reading
    shown: Shown


def watched(
    truth: Truth, seconds: float, setup: Setup = SETUP, state: FillState | None = None, at_gun: bool = False
) -> Watched:
    """The last of the scans of so many seconds, a tenth each; pump and vent have been off since long before."""
    state = begun(setup) if state is None else state
    for scan in range(round(seconds / 0.1) + 1):
        kpa = truth(scan * 0.1)
        reading = Reading(100.0 + scan * 0.1, line_kpa=3.0 if at_gun else kpa, tyre_kpa=kpa if at_gun else None)
        state, judged, shown = follow(setup, state, reading)
    return Watched(state, judged, shown)


def begun(setup: Setup = SETUP, **fields: object) -> FillState:
    """A tyre at rest at 100 kPa, foreseen by its air space."""
    state = plain_state(setup, **{"changed_s": 0.0, "regime_s": 0.0, **fields})
    return replace(state, gas=replace(state.gas, rest_kpa=100.0, sealed=True))


def test_a_steady_gauge_rests_after_a_second_and_the_reading_is_its_mean() -> None:
    assert not watched(lambda _: 100.0, 0.9).shown.rests
    rests = watched(lambda t: 100.0 + (0.02 if round(t * 10) % 2 else 0.0), 3.0)
    assert rests.shown.rests
    assert not rests.shown.restless
    assert rests.shown.rest is not None
    assert rests.reading.line_kpa == rests.shown.rest.kpa == pytest.approx(100.01, abs=0.005)
    assert rests.reading.raw_line_kpa == pytest.approx(100.0, abs=0.03)


def test_the_gauge_at_the_gun_is_read_for_the_tyre_where_there_is_one() -> None:
    setup = replace(SETUP, tyre_gauge=GaugeFacts(noise_kpa=0.02))
    rests = watched(lambda _: 70.0, 3.0, setup, at_gun=True)
    assert rests.shown.rest is not None
    assert (rests.reading.tyre_kpa, rests.reading.line_kpa) == (pytest.approx(70.0), 3.0)


@pytest.mark.parametrize(
    ("fields", "rests"),
    [
        ({"outputs": Outputs(pump_run=True)}, False), ({"outputs": Outputs(pump_reverse=True)}, False),
        ({"outputs": Outputs(vent_valve=True)}, False), ({"outputs": Outputs(beacon=True)}, True),
        # A second of coasting, and a second to be steady.
        ({"changed_s": 101.6}, False), ({"changed_s": 100.5}, True), ({"regime_s": 102.5}, False),
        ({"regime_s": 101.5}, True),
    ],
)  # fmt: skip
def test_nothing_rests_while_pump_or_vent_move_or_the_pump_coasts(fields: dict[str, object], rests: bool) -> None:
    assert watched(lambda _: 100.0, 3.0, state=begun(**fields)).shown.rests is rests


def test_a_gap_in_the_readings_begins_a_new_window() -> None:
    state = watched(lambda _: 100.0, 3.0).state
    state, _, shown = follow(SETUP, state, Reading(103.1))
    assert not shown.rests
    assert state.line.blocks == ()


def test_the_age_of_a_gauge_is_since_it_last_showed_another_value() -> None:
    assert watched(lambda t: 100.0 + (0.01 if t > 1.05 else 0.0), 3.0).state.gauge_s == pytest.approx(101.1)
    assert watched(lambda _: 100.0, 3.0).state.gauge_s == pytest.approx(100.0)
    noisy = replace(SETUP, line_gauge=GaugeFacts(noise_kpa=0.2))
    assert watched(lambda t: 100.0 + 0.1 * math.sin(9 * t), 3.0, noisy).state.gauge_s == pytest.approx(100.0)


# --- what does not settle --------------------------------------------------------------------------------------------


def wave(kpa_s: float) -> Truth:
    """A movement that is even in no window: a fast wave lies on it."""
    return lambda t: 100.0 + kpa_s * t + math.copysign(1.5, kpa_s) * math.sin(1.9 * t)


@pytest.mark.parametrize(
    ("kpa_s", "seconds", "rests", "restless"),
    [(1.5, 14.0, False, None), (1.5, 17.0, True, True), (-1.5, 17.0, True, True)],
)
def test_what_still_moves_after_the_slowest_gauge_s_lag_is_restless(
    kpa_s: float, seconds: float, rests: bool, restless: bool | None
) -> None:
    state = begun(regime_s=100.0, since_s=100.0, changed_s=99.0)
    state = replace(state, gas=replace(state.gas, sealed=False))
    shown = watched(
        wave(kpa_s), seconds, plain_setup(beside=(), line_gauge=GaugeFacts(noise_kpa=0.02), into="open vessel"), state
    ).shown
    assert shown.rests is rests
    assert restless is None or shown.restless is restless


def test_noise_alone_is_waited_for_and_then_read_as_it_is() -> None:
    noisy = replace(SETUP, line_gauge=GaugeFacts(noise_kpa=6.0))
    state = begun(noisy, regime_s=100.0, since_s=100.0, changed_s=99.0)

    def shakes(t: float) -> float:
        return 100.0 + 12.0 * math.sin(37.0 * t)

    assert not watched(shakes, 24.0, noisy, state).shown.rests
    late = watched(shakes, 26.0, noisy, state).shown
    assert (late.rests, late.restless) == (True, False)
    assert late.rest is not None
    assert late.rest.kpa == pytest.approx(100.0, abs=1.0)
    assert late.rest.u_kpa > 0.5


# --- movement with all off -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kpa_s", [-2.0, 2.0])
def test_a_pump_s_even_movement_is_told_within_three_seconds_by_two_blocks(kpa_s: float) -> None:
    moved = watched(lambda t: 100.0 + kpa_s * t, 3.0)
    assert moved.state.moves_kpa_s == pytest.approx(kpa_s, rel=0.02)
    assert moved.shown.restless
    one = next(t / 10 for t in range(40) if watched(lambda s: 100.0 + kpa_s * s, t / 10).state.moved_kpa_s)
    assert watched(lambda t: 100.0 + kpa_s * t, one).state.moves_kpa_s == 0.0
    assert watched(lambda t: 100.0 + kpa_s * t, one + 0.3).state.moves_kpa_s != 0.0


@pytest.mark.parametrize(("from_kpa_abs", "to_kpa_abs"), [(210.0, 200.0), (298.0, 186.0), (400.0, 150.0)])
def test_air_of_a_hose_expands_for_as_long_as_its_differential_equation_says(
    from_kpa_abs: float, to_kpa_abs: float
) -> None:
    """Boyle's law with a square root for the flow, integrated by SciPy; to nearly the end, where it has a root."""
    air_l, flow_lps = 1.8, 0.57

    def grows_lps(_: float, volume: np.ndarray) -> np.ndarray:
        above = np.maximum(from_kpa_abs * air_l / volume - to_kpa_abs, 0.0)
        return flow_lps * np.sqrt(above / (from_kpa_abs - to_kpa_abs))

    ends_s = expands_s(air_l, flow_lps, from_kpa_abs / to_kpa_abs - 1)
    ran = solve_ivp(grows_lps, (0.0, ends_s), [air_l], rtol=1e-8, dense_output=True)
    whole_l = air_l * from_kpa_abs / to_kpa_abs
    assert ran.y[0, -1] == pytest.approx(whole_l, rel=1e-4)
    assert ran.sol(0.8 * ends_s)[0] < whole_l - 0.01 * (whole_l - air_l)


@pytest.mark.parametrize(
    ("hose_air_l", "from_kpa", "moves"), [(0.0, 190.0, True), (2.0, 190.0, False), (2.0, 100.0, True)]
)
def test_after_a_stop_the_air_of_a_hose_lets_the_gauge_fall_to_the_tyre_s(
    hose_air_l: float, from_kpa: float, moves: bool
) -> None:
    """At 0.5 L/s and faster than any creep of the gas; below the 100 kPa that the tyre holds it is a pump."""
    state = begun(changed_s=100.0, regime_s=100.0, direction=1)
    stroke = replace(state.stroke, stop_gauge_kpa=from_kpa, stop_flow_lps=0.5)
    hose_l = SETUP.line.hose_l - hose_air_l
    state = replace(state, stroke=stroke, tally=replace(state.tally, hose_l=hose_l))
    ran = watched(lambda t: from_kpa - 20.0 * t, 4.5, state=state)
    assert (ran.state.moves_kpa_s < 0) is moves


def slowest_kpa_s(kpa: float, air_l: float) -> float:
    """Half of what the weaker direction of the pump, 0.5 L/s, presses that air by."""
    return 0.5 * 0.5 * (kpa + AIR) / air_l


@pytest.mark.parametrize(("share", "told"), [(0.9, False), (1.15, True)])
@pytest.mark.parametrize("held_l", [0.0, 300.0])
def test_slower_than_half_a_pump_is_none(share: float, told: bool, held_l: float) -> None:
    """With 120 L of air in the largest cavity, or with 420."""
    state = begun()
    state = replace(state, tally=replace(state.tally, pulses_forward=round(100 * held_l)))
    least = max(slowest_kpa_s(100.0, 420.0 - held_l), 0.1)
    assert (watched(lambda t: 100.0 - share * least * t, 8.0, state=state).state.moves_kpa_s != 0.0) is told


def test_nothing_is_watched_into_a_vessel_or_while_a_person_works_the_lever() -> None:
    for setup, fields, told in (
        (replace(SETUP, into="open vessel"), {}, False),
        (replace(SETUP, by_hand=True), {"state": State.RUNNING}, False),
        (replace(SETUP, by_hand=True), {"state": State.HELD}, True),
    ):
        moved = watched(lambda t: 100.0 - 2.0 * t, 4.0, setup, begun(setup, **fields))
        assert (moved.state.moves_kpa_s != 0.0) is told


@pytest.mark.parametrize(
    ("existing_l", "start_l", "began_s", "told"),
    [(0.0, 0.0, 100.0, False), (1.0, 0.0, 100.0, True), (0.0, 1.0, 100.0, True), (0.0, 0.0, -100.0, True)],
)
def test_the_first_liquid_in_a_dry_tyre_gives_all_of_its_vapour(
    existing_l: float, start_l: float, began_s: float, told: bool
) -> None:
    """10 kPa in 20 s and more: 0.3 kPa/s up, which a pump of half its flow into 420 L exceeds not by far."""
    setup = replace(SETUP, line=replace(SETUP.line, vapour_kpa=10.0), existing_l=existing_l)
    state = begun(setup, stroke=Stroke(began_s=began_s, start_l=start_l))
    assert (watched(lambda t: 100.0 + 0.3 * t, 8.0, setup, state).state.moves_kpa_s != 0.0) is told


@pytest.mark.parametrize(("direction", "told"), [(1, False), (-1, True)])
def test_a_line_s_loss_drops_off_for_a_second_after_the_pump_has_coasted(direction: int, told: bool) -> None:
    state = begun(direction=direction, changed_s=99.9, regime_s=99.9)
    moving = [watched(lambda t: 200.0 - 40.0 * t, until, state=state).state.moves_kpa_s for until in (2.0, 2.5, 3.0)]
    assert any(moving) is told


def falls(by_kpa: float, from_kpa: float = 100.0) -> Truth:
    return lambda t: from_kpa - (by_kpa if t > 6.0 else 0.0)


def test_a_step_down_is_a_pump_that_draws() -> None:
    """More than 1.25 psi, which hands do; up it is no drop."""
    assert watched(falls(40.0), 8.5).state.drops_kpa_s < -8.0
    assert watched(falls(8.0), 8.5).state.drops_kpa_s == 0.0
    assert watched(falls(-40.0), 8.5).state.drops_kpa_s == 0.0


@pytest.mark.parametrize(
    ("to_kpa", "told"),
    [
        (20.0, True),
        (4.0, False),
        (-0.7 * PSI + 0.1, False),
        (-0.7 * PSI - 0.3, True),
        (5.884 + 0.7 * PSI - 0.1, False),
        (5.884 + 0.7 * PSI + 0.3, True),
    ],
)
def test_with_the_gun_off_the_gauge_shows_the_hose_and_no_pump(to_kpa: float, told: bool) -> None:
    """Ambient, or a column of 0.6 m of water: 5.9 kPa."""
    assert (watched(falls(100.0 - to_kpa), 8.5).state.drops_kpa_s != 0.0) is told


def test_before_a_rest_or_behind_a_shut_valve_a_step_is_hands() -> None:
    state = begun()
    for other in (
        replace(state, valve_open=False), replace(state, gas=replace(state.gas, sealed=False)),
        replace(state, gas=replace(state.gas, rest_kpa=None)),
    ):  # fmt: skip
        assert watched(falls(40.0), 8.5, state=other).state.drops_kpa_s == 0.0


# --- the gas's own creep ---------------------------------------------------------------------------------------------


def fastest_kpa_s(ends_kpa: float, since_s: float, least_s: float, most_s: float) -> float:
    """The largest slope e/τ·exp(−t/τ) of all time constants between the two."""
    taus = np.linspace(least_s, most_s, 20_000)
    return float(np.max(ends_kpa / taus * np.exp(-since_s / taus)))


@pytest.mark.parametrize("since_s", [0.0, 2.0, 5.0, 12.0, 40.0, 90.0])
@pytest.mark.parametrize(
    ("fell", "heat_kpa"), [(True, 200.0 * (1 - (200 / 240) ** (0.4 / 1.4))), (False, 0.4 / 1.4 * 40.0)]
)
def test_a_creep_is_the_fastest_of_all_time_constants(since_s: float, fell: bool, heat_kpa: float) -> None:
    """Heat to its adiabatic end, T ∝ p^((γ − 1)/γ) with γ 1.4 (any textbook), for a small rise to first order; by more
    than 15 K, a twentieth, convection is faster by the cube root. And a casing's late growth, 0.15 % for each psi."""
    least_s = TIMES_S[0] / max((heat_kpa / 200.0 / 0.05) ** (1 / 3), 1.0)
    grows_kpa = 200.0 * 0.0015 * 40.0 / PSI
    creep = fastest_kpa_s(heat_kpa, since_s, least_s, TIMES_S[-1]) + fastest_kpa_s(grows_kpa, since_s, 20.0, 300.0)
    assert creep_kpa_s(200.0, Moved(50.0, 40.0), 50.0 + since_s, fell=fell) == pytest.approx(creep, rel=1e-3)


@pytest.mark.parametrize(("fell", "left"), [(True, 40 / 240), (False, 40 / 160)])
def test_vapour_comes_back_and_a_fuller_casing_grows_more(fell: bool, left: float) -> None:
    """Of a vapour's 6 kPa the share by which its partial pressure has changed; with half of the room the growth is
    twice the pressure."""

    def creep(since_s: float, **more: float) -> float:
        return creep_kpa_s(200.0, Moved(50.0, 40.0), 50.0 + since_s, fell=fell, **more)

    for since_s in (0.0, 30.0, 100.0):
        vapour = fastest_kpa_s(6.0 * left, since_s, 20.0, 60.0)
        assert creep(since_s, vapour_kpa=6.0) - creep(since_s) == pytest.approx(vapour, rel=1e-3)
        grows = fastest_kpa_s(200.0 * 0.0015 * 40.0 / PSI, since_s, 20.0, 300.0)
        assert creep(since_s, air_share=0.5) - creep(since_s) == pytest.approx(grows, rel=1e-3)


def test_after_nothing_moved_nothing_creeps_and_no_rise_heats_by_more_than_thirty_kelvin() -> None:
    assert creep_kpa_s(200.0, Moved(), 50.0, fell=True) == 0.0
    assert creep_kpa_s(200.0, Moved(50.0, 0.0), 50.0, fell=True) == 0.0
    most = creep_kpa_s(200.0, Moved(50.0, 500.0), 50.0, fell=False) - 200.0 * 0.0015 * 200.0 / PSI / 20.0
    assert most * TIMES_S[0] == pytest.approx(20.0 * 2 ** (1 / 3)), "a tenth of the pressure, twice 15 K"
    early = creep_kpa_s(200.0, Moved(60.0, 40.0), 50.0, fell=True)
    assert early == creep_kpa_s(200.0, Moved(50.0, 40.0), 50.0, fell=True), "before it has ended"


def moved(by_kpa: float, at_s: float = 4.0, level_kpa: float = 100.0) -> Watched:
    return watched(lambda t: level_kpa + (by_kpa if t > at_s else 0.0), at_s + 2.0)


@pytest.mark.parametrize(
    ("by_kpa", "rose_kpa", "fell_kpa"),
    [(10.0, 10.0, 0.0), (-10.0, 0.0, 10.0), (2.9, 0.0, 0.0), (-2.9, 0.0, 0.0), (3.2, 3.2, 0.0)],
)
def test_the_last_rise_and_fall_from_one_level_to_the_next_are_kept(
    by_kpa: float, rose_kpa: float, fell_kpa: float
) -> None:
    state = moved(by_kpa).state
    assert (state.rose.kpa, state.fell.kpa) == (pytest.approx(rose_kpa), pytest.approx(fell_kpa))
    if abs(by_kpa) > 3.1:
        assert (state.rose if by_kpa > 0 else state.fell).at_s == pytest.approx(103.1)
        assert state.level_kpa == pytest.approx(100.0 + by_kpa)
    else:
        assert state.level_kpa == pytest.approx(100.0)


def test_what_has_not_crept_back_of_an_earlier_step_adds_to_the_next() -> None:
    """Forty seconds' worth of the slowest time constant, here over four seconds."""
    state = watched(lambda t: 100.0 - (10.0 if t > 4.05 else 0.0) - (10.0 if t > 8.05 else 0.0), 11.0).state
    assert state.fell.kpa == pytest.approx(10.0 + 10.0 * math.exp(-5.0 / TIMES_S[-1]), abs=0.3)


def test_until_the_gauge_has_followed_the_stop_it_shows_the_line_and_no_movement() -> None:
    state = begun(changed_s=99.0, regime_s=100.0)
    assert watched(lambda _: 100.0, 0.9, state=state).state.level_kpa is None
    assert watched(lambda _: 100.0, 1.1, state=state).state.level_kpa == 100.0
    slow = replace(SETUP, line_gauge=GaugeFacts(noise_kpa=0.02, lag_s=0.8))
    assert watched(lambda _: 100.0, 2.9, slow, state).state.level_kpa is None
    assert watched(lambda _: 100.0, 3.1, slow, state).state.level_kpa == 100.0


def test_a_creep_that_gas_may_have_is_not_told_as_movement() -> None:
    """After a fall of 60 kPa gas at 200 kPa absolute may rise by up to 14 kPa: at first by nearly 3 kPa/s."""
    state = begun(fell=Moved(99.0, 60.0))
    creeps = creep_kpa_s(200.0, Moved(99.0, 60.0), 103.0, fell=True)
    assert creeps > 0.6
    assert watched(lambda t: 100.0 + 0.5 * t, 3.0, state=state).state.moves_kpa_s == 0.0
    assert watched(lambda t: 100.0 - 0.5 * t, 3.0, state=state).state.moves_kpa_s != 0.0
    assert watched(lambda t: 100.0 + 0.5 * t, 3.0).state.moves_kpa_s != 0.0
