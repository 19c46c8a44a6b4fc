"""`rig look --live` as its user runs it: a tank, its gauge and a relay on the wire of the simulated rig."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from air_tanks import BY_HAND, GAS, GAUGE, RIG, TANK, VALVE
from processes import command, configuration, serving

from rig.control.moves.air_look import AirLook, AirSetup, prompt_of
from rig.field.modbus import FieldError
from rig.ledger.lock import LockedError
from rig.run.air_look import Heard, air_setup, look_with_air, room_by
from rig.run.refused import Refused
from rig.run.settings import Settings, SettingsError, load_settings
from rig.run.work import at_work
from sim.devices import Rig, serve
from sim.faults import read_fault


@pytest.mark.full
def test_the_command_says_what_fits_and_leaves_everything_off(tmp_path: Path) -> None:
    with serving(tmp_path, extra=GAS + TANK + VALVE + GAUGE, **{**RIG, "scale": "60"}) as rig:
        done = command(tmp_path, "look", "--live", "--config", "rig.toml", "--unattended", "--json", "16.9-28")
        again = command(tmp_path, "look", "--live", "--config", "rig.toml", "--unattended")
        assert not rig.truth()["pump_on"]
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    # The shop's wheel of this size: 335 L, and a thousandth for each psi.
    assert abs(found["room_l"] - 335 * (1 + 0.001 * found["room_at_kpa"] / 6.895)) < found["room_u_l"]
    assert found["fits"][0]["liquid_l"] is None
    assert "Air goes over into the tyre" in done.stderr
    # The first look has emptied the tank and filled the tyre: a second one measures nothing, and is refused.
    assert (again.returncode, again.stdout) == (3, "")


# --- in this process --------------------------------------------------------------------------------------------------


@asynccontextmanager
async def rig(folder: Path, extra: str, *faults: str) -> AsyncIterator[tuple[Settings, Rig]]:
    of = load_settings(configuration(folder, extra=extra, **RIG))
    served = await serve(of, port=0, faults=[read_fault(fault) for fault in faults])
    try:
        link = of.links["io"].model_copy(update={"port": served.ports[0][1]})
        yield of.model_copy(update={"links": {"io": link}}), served
    finally:
        await served.close()


class Person:
    """Answers every prompt, or stops in a phase; keeps the phases and prompts."""

    def __init__(self, stops_in: str = "") -> None:
        self.stops_in = stops_in
        self.phases: list[str] = []
        self.prompts: list[str] = []

    def __call__(self, setup: AirSetup, look: AirLook) -> Heard:
        if look.phase not in self.phases:
            self.phases.append(look.phase)
        prompt = prompt_of(setup, look)
        if prompt is not None and prompt.name not in self.prompts:
            self.prompts.append(prompt.name)
        return Heard(look.phase == self.stops_in, "" if prompt is None else prompt.name)


STEPS = ["connect", "settle", "open", "equalise", "shut", "creep", "read"]


@pytest.mark.parametrize(
    ("valve", "prompts"), [(VALVE, ["air_connect"]), (BY_HAND, ["air_connect", "air_open", "air_shut"])]
)
async def test_a_relay_and_a_hand_take_the_same_steps(tmp_path: Path, valve: str, prompts: Sequence[str]) -> None:
    person = Person()
    async with rig(tmp_path, GAS + TANK + valve + GAUGE) as (of, served):
        look = await look_with_air(of, person)
        assert not served.modules.shown("air_valve")
        true_l = served.modules.plant.tyre.room_l()
    room = room_by(of, air_setup(of), look)
    assert abs(room.litres - true_l) < 2 * room.u_l
    assert (person.phases, person.prompts) == (STEPS, list(prompts))


@pytest.mark.parametrize("phase", ["settle", "equalise"])
async def test_a_stop_shuts_the_valve(tmp_path: Path, phase: str) -> None:
    async with rig(tmp_path, GAS + TANK + VALVE + GAUGE) as (of, served):
        look = await look_with_air(of, Person(phase))
        assert not served.modules.shown("air_valve")
    with pytest.raises(Refused, match="was stopped"):
        room_by(of, air_setup(of), look)


@pytest.mark.parametrize(("fault", "key"), [("bus_silent@45", "no_tank"), ("estop@45", "estop")])
async def test_a_lost_field_and_the_emergency_stop_end_it(tmp_path: Path, fault: str, key: str) -> None:
    ended: list[AirLook] = []

    def front(setup: AirSetup, look: AirLook) -> Heard:
        ended.append(look)
        return Heard(answered="air_connect")

    async with rig(tmp_path, GAS + TANK + VALVE + GAUGE, fault) as (of, served):
        if key == "no_tank":
            # The module's own time-out has shut the valve; that it is shut cannot be read here.
            with pytest.raises(FieldError, match="shut the tank's hand valve"):
                await look_with_air(of, front)
        else:
            await look_with_air(of, front)
        served.modules.advance_to(served.modules.plant.time_s + 5.0)
        assert not served.modules.shown("air_valve")
    assert ended[-1].why is not None
    assert ended[-1].why.key == f"air_look.{key}"
    assert "equalise" in [each.phase for each in ended]


async def test_a_valve_that_nobody_can_read_back_and_that_stays_open_is_noticed_by_the_gauges(tmp_path: Path) -> None:
    """A relay that sticks: the tank falls and the tyre rises while both should come to rest."""
    async with rig(tmp_path, GAS + TANK + VALVE + "write_only = true\n" + GAUGE) as (of, served):

        def front(setup: AirSetup, look: AirLook) -> Heard:
            served.modules.plant.upsets.air_stuck |= look.phase == "settle"
            return Heard(answered="air_connect")

        look = await look_with_air(of, front)
        rose_kpa = served.modules.plant.tyre.pressure() - of.rig.atmosphere
    assert look.why is not None
    assert look.why.key == "air_look.stays_open"
    assert look.phase == "ended"
    assert rose_kpa < 0.5 * air_setup(of).tyre_limit_kpa


async def test_a_rig_at_work_is_left_alone(tmp_path: Path) -> None:
    async with rig(tmp_path, GAS + TANK + VALVE + GAUGE) as (of, _):
        await asyncio.sleep(0)
        with at_work(of), pytest.raises(LockedError):
            await look_with_air(of, Person())


# --- the configuration ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("extra", "said"),
    [
        (VALVE, "points.air_valve: there is no [air_tank]"),
        (GAUGE, "points.tank_pressure: there is no [air_tank]"),
        (TANK, "points.tank_pressure: missing"),
        (TANK + GAUGE.replace("accuracy", "noise").replace('"0.5 %"', "0.1"), "points.tank_pressure.accuracy: missing"),
        (TANK.replace("145", "12") + GAUGE, "air_tank.rating: hardly above limits.arrival"),
        (TANK.replace('"60 L"', '"0 L"') + GAUGE, "air_tank.volume"),
    ],
)
def test_mistakes_are_told_with_their_key(tmp_path: Path, extra: str, said: str) -> None:
    with pytest.raises(SettingsError) as caught:
        load_settings(configuration(tmp_path, extra=extra))
    assert said in str(caught.value)


def test_without_a_tank_it_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="no tank of air is configured"):
        air_setup(load_settings(configuration(tmp_path)))
