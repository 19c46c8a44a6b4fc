"""The look with air, step by step: on a plant with heat, and every way in which it must end with its valve shut."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.control.belief.creep import Creep
from rig.control.moves.air_look import AirLook, AirReading, AirSetup, advance, prompt_of
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


@given(st.lists(readings, min_size=1, max_size=40), st.sampled_from(["open", "equalise", "creep"]), st.booleans())
def test_whatever_is_read_the_valve_is_open_only_where_it_may_be(
    seen: list[AirReading], phase: str, by_hand: bool
) -> None:
    setup = BY_HAND if by_hand else SETUP
    look = replace(until(phase), valve=not by_hand and phase != "creep")
    now_s = look.since_s
    for each in seen:
        now_s += SCAN_S
        reading = replace(each, now_s=now_s)
        look = advance(setup, look, reading)
        if look.valve:
            assert not by_hand
            assert look.phase in ("open", "equalise")
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
