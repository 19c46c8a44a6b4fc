"""The look with air on the rig: scans into :mod:`rig.control.moves.air_look`, its command to the air valve.

The rig is locked and its outputs are off before and afterwards, as for a fill. The module must not know front ends.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from rig.control.moves.air_look import AirLook, AirReading, AirSetup, Pair, advance, prompt_of
from rig.control.words.values import USUAL_U_KPA, Prompt
from rig.field.field import Field
from rig.field.modbus import FieldError
from rig.field.values import Value
from rig.run.air_tank_table import AirTankTable
from rig.run.assembly import Question, gauge_facts
from rig.run.clock import Clock
from rig.run.interrupted import may_begin
from rig.run.names import AIR_VALVE, TANK_PRESSURE
from rig.run.outputs import field_of
from rig.run.readings import Conversion, conversions, plant_s
from rig.run.refused import Refused
from rig.run.relays import all_off
from rig.run.settings import Settings
from rig.run.stand_in import stand_in_of
from rig.run.steps import arm
from rig.run.work import at_work
from rig.sentence import Wording, said_by
from rig.wheel import Cavity
from rig.wheel.room import Growth, Room, TwoVessels, growth_by_lengths, growth_by_width, room_of

_NO_TANK = Wording(
    "refused.no_air_tank",
    "no tank of air is configured: write [air_tank] and points.tank_pressure, or read two gauges by hand (`rig look`)",
)
_ENDED = Wording("refused.air_look_ended", "the look ended without a result: {why}")
_LITTLE = Wording(
    "refused.air_look_little",
    "the pressures moved too little to say how much room there is: more pressure in the tank, or finer gauges",
)


@dataclass(frozen=True, slots=True)
class Heard:
    """What the person asked since the last scan."""

    stopped: bool = False
    answered: str = ""


@dataclass(frozen=True, slots=True)
class AirWanted:
    """Request for a look at one wheel."""

    wheel: Question
    position: str = ""
    job: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True)
class Looked:
    """A look at a wheel, under way or ended."""

    wanted: AirWanted
    setup: AirSetup
    look: AirLook
    room: Room | None = None

    @property
    def prompt(self) -> Prompt | None:
        """What the person is asked to do now."""
        return prompt_of(self.setup, self.look)

    def is_of(self, size: str, position: str, job: str) -> bool:
        """Whether this wheel was looked at."""
        return (size, position, job) == (self.wanted.wheel.size, self.wanted.position, self.wanted.job)


Front = Callable[[AirSetup, AirLook], Heard]
"""Shows the state after each scan, and hears the person; must not block."""


def tank_of(settings: Settings) -> AirTankTable:
    """The configured tank; Refused without one."""
    if settings.air_tank is None:
        raise Refused(_NO_TANK())
    return settings.air_tank


def air_setup(settings: Settings, room_l: float | None = None) -> AirSetup:
    """The limits of a look on this rig, at a wheel with about this room; Refused without a tank."""
    tank, limits = tank_of(settings), settings.limits
    # So that the fill may begin afterwards without air being let out first.
    limit_kpa = min(limits.ceiling, limits.arrival)
    return AirSetup(
        tyre_limit_kpa=limit_kpa,
        tyre_trip_kpa=limits.trip,
        tank_rating_kpa=tank.rating,
        tank_u_kpa=_u_kpa(settings, TANK_PRESSURE),
        tyre_u_kpa=_u_kpa(settings, _tyre_gauge(settings)),
        open_longest_s=tank.open_longest,
        by_hand=AIR_VALVE not in settings.points,
        tank_suits_kpa=None if room_l is None else min(tank_suits_kpa(tank.volume, room_l, limit_kpa), tank.rating),
    )


def _tyre_gauge(settings: Settings) -> str:
    wired = {*settings.points, *settings.line_points}
    return "tyre_pressure" if "tyre_pressure" in wired else "line_pressure"


def _u_kpa(settings: Settings, name: str) -> float:
    facts = gauge_facts(settings, name)
    return USUAL_U_KPA if facts is None else facts.u_kpa


async def look_with_air(settings: Settings, front: Front, room_l: float | None = None) -> AirLook:
    """Look once, to the end; outputs are off afterwards.

    Raises Refused without a tank or while a fill is interrupted, LockedError, JournalError, and FieldError where the
    field does not answer at the start or the valve cannot be switched off at the end.
    """
    setup = air_setup(settings, room_l)
    with at_work(settings) as journal:
        await may_begin(settings, journal)
        with contextlib.closing(field_of(settings)) as field:
            await all_off(field, sorted(settings.outputs))
            await arm(settings, field)
            try:
                return await _scans(settings, setup, field, front)
            finally:
                await _off(settings, field)


async def _off(settings: Settings, field: Field) -> None:
    try:
        await field.let_go(settings.outputs)
    except FieldError as error:
        raise FieldError(
            Wording("bus.air_open", "{error}; shut the tank's hand valve: the air valve may be open")(
                error=said_by(error)
            )
        ) from error


async def _scans(settings: Settings, setup: AirSetup, field: Field, front: Front) -> AirLook:
    units, limits_s = conversions(settings.quantities, settings.rig.atmosphere), settings.own_stale_s
    look, clock, heard, stand_in = AirLook(), Clock(settings.clock.scale), Heard(), stand_in_of(settings)
    now = asyncio.get_running_loop().time
    while True:
        began_s = now()
        await field.scan()
        now_s, wall_s = clock.tick(plant_s(field.values, units, began_s)), now()
        fresh = {
            name: value for name, value in field.values.items()
            if not value.fault and wall_s - value.at_s <= limits_s.get(name, settings.stale_s)
        }  # fmt: skip
        reading = _reading(_tyre_gauge(settings), fresh, units, now_s, heard)
        look = advance(setup, look, reading)
        hands = {} if stand_in is None else dict(stand_in.moves("answer", heard.answered))
        # A field that takes no write shows in the next scan.
        with contextlib.suppress(FieldError):
            valve = {} if setup.by_hand else {AIR_VALVE: look.valve}
            await field.write(valve | {name: on for name, on in hands.items() if name in settings.points})
        heard = front(setup, look)
        if look.over:
            return look
        await asyncio.sleep(settings.clock.scan / settings.clock.scale)


def _reading(
    tyre_gauge: str, fresh: Mapping[str, Value], units: Mapping[str, Conversion], now_s: float, heard: Heard
) -> AirReading:
    def kpa(name: str) -> float | None:
        return units[name].of(fresh[name].scaled) if name in fresh else None

    def switched(name: str) -> bool | None:
        return bool(fresh[name].raw) if name in fresh else None

    return AirReading(
        now_s, kpa(TANK_PRESSURE), kpa(tyre_gauge), switched("estop_ok"), switched(AIR_VALVE),
        heard.stopped, heard.answered,
    )  # fmt: skip


_SUITS = 0.9
"""Share of the tyre's limit at which both vessels meet, so that a cavity 10 % less than known lets them meet too."""


def tank_suits_kpa(tank_l: float, room_l: float, limit_kpa: float, tyre_kpa: float = 0.0) -> float:
    """The tank's pressure from which both vessels come to one pressure, somewhat below the tyre's limit."""
    meet_kpa = _SUITS * limit_kpa
    return meet_kpa + room_l / tank_l * (meet_kpa - tyre_kpa)


def growth_by(
    look: AirLook,
    widths_m: tuple[float, float],
    wheel: Cavity | None = None,
    girths_m: tuple[float, float] | None = None,
) -> Growth:
    """The casing's growth by its section width before and after a look that has ended with a result, metres.

    With the girth too where the wheel is known.
    """
    assert look.before is not None
    assert look.after is not None
    rise_kpa = look.after.tyre.kpa - look.before.tyre.kpa
    if wheel is None or girths_m is None:
        return growth_by_width(*widths_m, rise_kpa)
    return growth_by_lengths(wheel, widths_m, girths_m, rise_kpa)


def room_by(settings: Settings, setup: AirSetup, look: AirLook, growth: Growth | None = None) -> Room:
    """The room by a look; Refused where it ended without a result, or too little air went over."""
    if look.before is None or look.after is None:
        raise Refused(_ENDED(why=look.why or ""))
    try:
        return room_of(vessels_of(tank_of(settings), settings.rig.atmosphere, setup, look, growth or Growth()))
    except ValueError as error:
        raise Refused(_LITTLE()) from error


def vessels_of(tank: AirTankTable, atmosphere: float, setup: AirSetup, look: AirLook, growth: Growth) -> TwoVessels:
    """What a look that has ended read, each reading with what is left of its creep.

    A tyre that shows nothing stood open to the air, as its prompt says: that is exactly nothing.
    """
    before, after = look.before, look.after
    assert before is not None
    assert after is not None
    if look.joined is not None:
        after = Pair(look.joined, look.joined)
    tank_u = tuple(math.hypot(setup.tank_u_kpa, each.tank.u_kpa) for each in (before, after))
    tyre_u = tuple(math.hypot(setup.tyre_u_kpa, each.tyre.u_kpa) for each in (before, after))
    flat = abs(before.tyre.kpa) <= setup.tyre_u_kpa
    return TwoVessels(
        tank.volume,
        (before.tank.kpa, after.tank.kpa),
        (0.0 if flat else before.tyre.kpa, after.tyre.kpa),
        atmosphere,
        tank.u_l,
        (tank_u[0], tank_u[1]),
        (tyre_u[0], tyre_u[1]),
        warmer_k=0.0,
        growth=growth,
    )
