"""The look with air, step by step: on a plant with heat, and every way in which it must end with its valve shut."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.control.belief.creep import Creep, Rest
from rig.control.moves.air_look import AirLook, AirReading, AirSetup, Pair, advance, prompt_of
from rig.units import KPA_PER_PSI
from sim.look_table import WAYS, looked

PSI = KPA_PER_PSI
SETUP = AirSetup(20 * PSI, 25 * PSI, 150 * PSI, 0.75 * PSI, 0.15 * PSI, 60.0)
BY_HAND = replace(SETUP, by_hand=True)
SCAN_S = 0.5


def scanned(setup: AirSetup, look: AirLook, tank_psi: float, tyre_psi: float, seconds: float) -> AirLook:
    """Both gauges steady for a time, every prompt answered."""
    for _ in range(round(seconds / SCAN_S)):
        now_s = SCAN_S + (look.last[0] if look.last else 0.0)
        prompt = prompt_of(setup, look)
        reading = AirReading(
            now_s, tank_psi * PSI, tyre_psi * PSI, True, look.valve, answered="" if prompt is None else prompt.name
        )
        look = advance(setup, look, reading)
    return look


def until(phase: str, setup: AirSetup = SETUP) -> AirLook:
    """A look in this phase."""
    look = scanned(setup, AirLook(), 100, 0, 35)
    if phase != "open":
        look = scanned(setup, look, 90, 2, SCAN_S)
    if phase == "creep":
        look = scanned(setup, look, 40, 19.9, 2)
    if phase == "joined":
        look = replace(look, phase="joined")
    assert look.phase == phase
    return look


# --- a whole look -----------------------------------------------------------------------------------------------------


def test_a_look_reads_both_at_rest_and_never_passes_the_limit() -> None:
    seen = looked(3, WAYS[1], 0.5, 0.0)
    assert not seen.why
    room = seen.rooms[0]
    assert abs(room.litres - seen.true_l) < 1.5 * room.u_l
    # The cut-off foresees gauge and valve; the air that creeps afterwards only loses pressure.
    assert room.at_kpa < 20 * PSI + SETUP.tyre_u_kpa


def test_by_hand_the_same_steps_ask_for_the_valve() -> None:
    connect = prompt_of(BY_HAND, AirLook())
    assert connect is not None
    assert "Ball valve shut" in connect.text
    look = until("open", BY_HAND)
    assert not look.valve
    prompt = prompt_of(BY_HAND, look)
    assert prompt is not None
    assert prompt.name == "air_open"
    look = scanned(BY_HAND, look, 90, 2, SCAN_S)
    look = advance(BY_HAND, look, AirReading(look.since_s + 1.0, 40 * PSI, 19.9 * PSI))
    prompt = prompt_of(BY_HAND, look)
    assert prompt is not None
    assert prompt.name == "air_shut"
    look = scanned(BY_HAND, look, 40, 19.5, 36)
    assert look.phase == "read"
    assert look.after is not None
    assert look.after.tyre.kpa == pytest.approx(19.5 * PSI)


# --- guards -----------------------------------------------------------------------------------------------------------

NOW = {"tank_kpa": 80 * PSI, "tyre_kpa": 5 * PSI, "estop_ok": True, "valve_seen": True}


@pytest.mark.parametrize(
    ("what", "key"),
    [
        ({"stopped": True}, "stopped"),
        ({"estop_ok": False}, "estop"),
        ({"tank_kpa": None}, "no_tank"),
        ({"tyre_kpa": None}, "no_tyre"),
        ({"tank_kpa": 151 * PSI}, "tank_high"),
        ({"tyre_kpa": 26 * PSI}, "tyre_high"),
    ],
)
def test_a_guard_ends_it_at_once_with_the_valve_shut(what: dict[str, object], key: str) -> None:
    look = until("equalise")
    assert look.valve
    look = advance(SETUP, look, AirReading(look.since_s + SCAN_S, **{**NOW, **what}))  # type: ignore[arg-type]
    assert (look.phase, look.valve) == ("ended", False)
    assert look.why is not None
    assert look.why.key == f"air_look.{key}"


@pytest.mark.parametrize(("phase", "seen"), [("equalise", False), ("creep", True)])
def test_a_valve_that_does_not_obey_ends_it(phase: str, seen: bool) -> None:
    look = until(phase)
    for step in (1.0, 3.0):
        reading = AirReading(look.since_s + step, **{**NOW, "valve_seen": seen})  # type: ignore[arg-type]
        look = advance(SETUP, look, reading)
    assert look.why is not None
    assert look.why.key == "air_look.disobeys"


@pytest.mark.parametrize(
    ("tank", "tyre", "seconds", "key"),
    [
        (100, 19.9, 35, "tyre_full"),
        (2, 1, 35, "tank_low"),
        # The valve opens after 31 s, and nothing flows for 10 s.
        (100, 0, 45, "no_flow"),
    ],
)
def test_what_cannot_be_measured_ends_it_with_words(tank: float, tyre: float, seconds: float, key: str) -> None:
    look = scanned(SETUP, AirLook(), tank, tyre, seconds)
    assert look.why is not None
    assert look.why.key == f"air_look.{key}"


def shut_reading(look: AirLook, second: float, tank_psi: float, tyre_psi: float) -> AirReading:
    """A scan of a rig whose valve's output cannot be read back."""
    return AirReading(look.since_s + second, tank_psi * PSI, tyre_psi * PSI)


@pytest.mark.parametrize(("phase", "seconds"), [("settle", 1.0), ("creep", 1.0), ("creep", 8.0)])
def test_a_valve_that_stays_open_is_noticed_by_the_gauges(phase: str, seconds: float) -> None:
    """Through 3 mm air goes on over: a tank of 60 L falls by 1.5 psi a second, a tyre of 200 L rises by 0.45."""
    look = scanned(SETUP, AirLook(), 60, 0, SCAN_S) if phase == "settle" else until(phase)
    assert look.phase == phase
    begun, at = look, 0.0
    while not look.over and at < 30:
        at += seconds / 2
        look = advance(SETUP, look, shut_reading(begun, at, 60 - 1.5 * at, 10 + 0.45 * at))
    assert look.why is not None
    assert look.why.key == "air_look.stays_open"
    assert "hand valve now" in look.why
    assert not look.valve
    # The output obeys within two seconds; then 0.3 psi in the tyre, and in the tank half its gauge's uncertainty.
    assert at <= 2.0 + 2 * max(seconds, 1.0)


@given(st.floats(5, 40), st.floats(5, 20), st.floats(0.0, 8.0), st.integers(0, 99))
def test_a_shut_valve_is_never_said_to_stay_open(tyre_s: float, tank_s: float, apart_psi: float, seed: int) -> None:
    """After a transfer the tank's air warms and the tyre's cools; noise of 0.05 % of the ranges."""
    look, rng = until("creep"), random.Random(seed)
    begun = look
    for step in range(1, 240):
        at = step * SCAN_S
        tank = 40 + 3 * apart_psi * (1 - math.exp(-at / tank_s)) + rng.gauss(0, 0.075)
        tyre = 19 + apart_psi * math.exp(-at / tyre_s) / 4 + rng.gauss(0, 0.015)
        look = advance(SETUP, look, shut_reading(begun, at, tank, tyre))
        if look.phase != "creep":
            break
    assert look.why is None


def test_two_at_one_pressure_are_joined_again_and_read_by_the_tyre_s_gauge() -> None:
    look = until("equalise")
    look = replace(look, last=(look.since_s, 17.5 * PSI, 17 * PSI))
    look = scanned(SETUP, look, 17.5, 17, 33)
    assert (look.phase, look.at_one) == ("creep", True)
    look = scanned(SETUP, look, 18.5, 16.9, 33)
    assert (look.phase, look.valve) == ("joined", True)
    look = scanned(SETUP, look, 17.6, 17.1, 36)
    assert (look.phase, look.valve) == ("read", False)
    assert look.joined is not None
    assert look.joined.kpa == pytest.approx(17.1 * PSI)


@pytest.mark.parametrize(("tank", "tyre"), [(25, 17), (17.5, 19.99)])
def test_what_is_not_at_one_pressure_keeps_its_own_two(tank: float, tyre: float) -> None:
    """A regulator between that has shut; a tyre at its limit."""
    look = scanned(SETUP, until("equalise"), tank, tyre, 40)
    look = scanned(SETUP, look, tank, tyre, 40)
    assert (look.phase, look.valve, look.joined) == ("read", False, None)
    assert look.after is not None
    assert look.after.tank.kpa == pytest.approx(tank * PSI)


def test_joined_by_hand_the_ball_valve_is_opened_and_shut_once_more() -> None:
    look = replace(until("creep"), at_one=True)
    look = scanned(BY_HAND, look, 17.5, 17, 25)
    prompts = []
    while not look.over:
        prompt = prompt_of(BY_HAND, look)
        if prompt is not None:
            prompts.append(prompt.name)
        look = scanned(BY_HAND, look, 17.5, 17, SCAN_S)
    assert (prompts, look.phase) == (["air_open", "air_shut"], "read")
    assert look.joined is not None


def test_the_prompt_says_the_tank_s_pressure_where_the_wheel_is_known() -> None:
    prompt = prompt_of(replace(SETUP, tank_suits_kpa=90 * PSI), AirLook())
    assert prompt is not None
    assert "Tank at about 90.0 psi" in prompt.text
    assert "Compressor off" in prompt.text


def test_a_leak_ends_it() -> None:
    look = until("creep")
    for second in range(400):
        tyre = (19.0 - 0.01 * second) * PSI
        look = advance(SETUP, look, AirReading(look.since_s + second, 40 * PSI, tyre))
        if look.over:
            break
    assert look.why is not None
    assert look.why.key == "air_look.creeps"


def test_the_valve_shuts_before_the_limit_is_reached_and_after_the_longest_time() -> None:
    look = until("equalise")
    first = advance(SETUP, look, AirReading(look.since_s + 1, 80 * PSI, 17 * PSI))
    second = advance(SETUP, first, AirReading(look.since_s + 2, 70 * PSI, 19.2 * PSI))
    assert (first.valve, second.valve) == (False, False)
    slow = until("equalise")
    for second_ in range(1, 63):
        slow = advance(SETUP, slow, AirReading(slow.last[0] + 1 if slow.last else 1.0, (90 - second_) * PSI, 5 * PSI))
        if not slow.valve:
            break
    assert slow.last is not None
    assert slow.phase == "shut"
    assert slow.last[0] - until("equalise").since_s > SETUP.open_longest_s


readings = st.builds(
    AirReading,
    now_s=st.just(0.0),
    tank_kpa=st.one_of(st.none(), st.floats(-50, 1200)),
    tyre_kpa=st.one_of(st.none(), st.floats(-50, 200)),
    estop_ok=st.sampled_from([None, True, True, False]),
    valve_seen=st.sampled_from([None, True, False]),
    stopped=st.sampled_from([False, False, False, True]),
    answered=st.sampled_from(["", "air_connect", "air_open", "air_shut"]),
)


@given(
    st.lists(readings, min_size=1, max_size=40), st.sampled_from(["open", "equalise", "creep", "joined"]), st.booleans()
)
def test_whatever_is_read_the_valve_is_open_only_where_it_may_be(
    seen: list[AirReading], phase: str, by_hand: bool
) -> None:
    setup = BY_HAND if by_hand else SETUP
    look = replace(until(phase), valve=not by_hand and phase != "creep")
    if phase == "joined":
        rest = Pair(Rest(40 * PSI, 1.0), Rest(19 * PSI, 0.1))
        look = replace(look, before=Pair(Rest(100 * PSI, 1.0), Rest(0.0, 0.1)), after=rest)
    now_s = look.since_s
    for each in seen:
        now_s += SCAN_S
        reading = replace(each, now_s=now_s)
        look = advance(setup, look, reading)
        if look.valve:
            assert not by_hand
            assert look.phase in ("open", "equalise", "joined")
            assert reading.tyre_kpa is not None
            assert reading.tyre_kpa < SETUP.tyre_limit_kpa
            assert reading.tank_kpa is not None
            assert reading.tank_kpa <= SETUP.tank_rating_kpa
            assert not reading.stopped
            assert reading.estop_ok is not False
        assert (look.why is not None) == (look.phase == "ended")


# --- creep ------------------------------------------------------------------------------------------------------------


def crept(seconds: float, left_kpa: object) -> Creep:
    assert callable(left_kpa)
    creep = Creep()
    for step in range(round(10 * seconds)):
        creep = creep.take(step / 10, 100.0 + left_kpa(step / 10))
    return creep


def test_no_rest_before_three_windows() -> None:
    assert crept(30, lambda _: 0.0).rest is None


@pytest.mark.parametrize("tau_s", [5.0, 12.0, 20.0, 40.0])
def test_the_rest_of_an_exponential_is_within_its_uncertainty(tau_s: float) -> None:
    rest = crept(61, lambda t: 8.0 * math.exp(-t / tau_s)).rest
    assert rest is not None
    assert abs(rest.kpa - 100.0) <= rest.u_kpa + 1e-9


@pytest.mark.parametrize("tau_s", [5.0, 12.0, 20.0, 40.0])
def test_the_rest_by_natural_convection_is_within_its_uncertainty(tau_s: float) -> None:
    """Heat transfer by the cube root of the difference (McAdams): dT/dt = -T^(4/3)/tau gives (1 + t/3tau)^-3."""
    rest = crept(61, lambda t: 8.0 * (1 + t / (3 * tau_s)) ** -3).rest
    assert rest is not None
    assert abs(rest.kpa - 100.0) <= rest.u_kpa
