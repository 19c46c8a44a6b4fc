"""The look with air before the first drop, step by step: a tank is joined to the tyre, and both are read at rest.

Pure: a reading in, the next state out, with the command of the air valve. Where a person's hand opens and shuts a ball
valve, the same steps ask for it. Each guard ends the look with its valve shut and says why. It must not know wheels.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

from rig.control.belief.creep import Creep, Rest
from rig.control.words.values import Prompt
from rig.sentence import Sentence, Wording

Phase = Literal["connect", "settle", "open", "equalise", "shut", "creep", "join", "joined", "read", "ended"]
_OVER = frozenset({"read", "ended"})
_SHUT = frozenset({"settle", "creep"})
"""Phases in which the valve is to be shut."""
_STEADY = 0.25
"""A pressure is at rest when what is to come is at most this share of a reading's uncertainty, which it then widens by
3 %: sqrt(1 + 1/16)."""
_LONG_S, _LONGEST_CREEP_S = 180.0, 300.0
"""Waits for it, and then for as much as a reading's uncertainty: three and five times the slowest creep that
`rig.control.belief.creep` allows for."""
_OBEYS_S = 2.0
"""A module may show an earlier state for a second (`rig.field.kept`); the rest is the valve's travel, an assumption."""
_FLOWS_S = 10.0
"""Time in which an open valve moves a gauge by twice its uncertainty, through any bore: an assumption, no source."""
_HAND_S = 120.0
"""Longest time until a person has opened the ball valve: an assumption, no source."""
_AHEAD_S, _AHEAD_BY_HAND_S = 0.6, 5.0
"""Time from the decision to shut until the valve is shut: gauge, scan, relay and valve; or a person. No source."""
_TYRE_ROSE, _TANK_FELL = 2.0, 0.5
"""Changes, in uncertainties of the gauges, by which a shut valve is seen to be open. After a transfer the tyre's
pressure falls, as its air cools, and the tank's rises; only air that goes on over moves both the other way."""
_RISE = 4.0
"""Least difference of the two pressures before, in uncertainties of both: as `rig.wheel.room` demands of the rise."""


@dataclass(frozen=True, slots=True)
class AirSetup:
    """Limits of one look."""

    tyre_limit_kpa: float
    tyre_trip_kpa: float
    tank_rating_kpa: float
    tank_u_kpa: float
    tyre_u_kpa: float
    open_longest_s: float
    by_hand: bool = False
    """A person opens and shuts the valve."""
    tank_suits_kpa: float | None = None
    """The tank's pressure from which both come to one pressure below the tyre's limit; None: the wheel is not known."""


@dataclass(frozen=True, slots=True)
class AirReading:
    """One scan: gauge pressures, None where untrusted or too old, and what a person asked."""

    now_s: float
    tank_kpa: float | None
    tyre_kpa: float | None
    estop_ok: bool | None = None
    valve_seen: bool | None = None
    """The valve's output as read back; None: not read back."""
    stopped: bool = False
    answered: str = ""
    """The prompt that was answered."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Both pressures at rest."""

    tank: Rest
    tyre: Rest


@dataclass(frozen=True, slots=True)
class AirLook:
    """The state of a look."""

    phase: Phase = "connect"
    since_s: float = 0.0
    """When the phase began."""
    valve: bool = False
    """Command of the air valve."""
    tank: Creep = Creep()
    tyre: Creep = Creep()
    last: tuple[float, float, float] | None = None
    """Time, tank and tyre of the last scan."""
    rate_kpa_s: float = 0.0
    """Rise of the tyre between the last two scans."""
    before: Pair | None = None
    after: Pair | None = None
    at_one: bool = False
    """The open valve has brought both to one pressure."""
    joined: Rest | None = None
    """That pressure by the tyre's gauge, once nothing crept any more and both were joined again."""
    shut_kpa: tuple[float, float] | None = None
    """Tank and tyre once the valve had to be shut, in a phase in which it is."""
    why: Sentence | None = None
    """Why it ended without a result."""

    @property
    def over(self) -> bool:
        """Whether it has ended."""
        return self.phase in _OVER


def advance(setup: AirSetup, look: AirLook, reading: AirReading) -> AirLook:
    """The next state."""
    if look.over:
        return look
    tank, tyre = reading.tank_kpa, reading.tyre_kpa
    why = next(_breaks(setup, look, reading), None)
    if why is not None:
        return _ended(look, reading.now_s, why)
    assert tank is not None
    assert tyre is not None
    if look.last is not None and reading.now_s > look.last[0]:
        look = replace(look, rate_kpa_s=(tyre - look.last[2]) / (reading.now_s - look.last[0]))
    if look.shut_kpa is None and look.phase in _SHUT and reading.now_s - look.since_s > _OBEYS_S:
        look = replace(look, shut_kpa=(tank, tyre))
    look = replace(
        look,
        last=(reading.now_s, tank, tyre),
        tank=look.tank.take(reading.now_s, tank),
        tyre=look.tyre.take(reading.now_s, tyre),
    )
    return _PHASES[look.phase](setup, look, reading)


def prompt_of(setup: AirSetup, look: AirLook) -> Prompt | None:
    """What the person is asked to do now."""
    if look.phase == "connect":
        connect = (_CONNECT_BY_HAND if setup.by_hand else _CONNECT)()
        suits = setup.tank_suits_kpa
        return Prompt("air_connect", connect if suits is None else _TANK_AT(tank=suits, connect=connect))
    if setup.by_hand and look.phase in ("open", "join"):
        return Prompt("air_open", _BY_HAND_OPEN())
    return Prompt("air_shut", _BY_HAND_SHUT()) if setup.by_hand and look.phase == "shut" else None


# --- guards -----------------------------------------------------------------------------------------------------------


def _breaks(setup: AirSetup, look: AirLook, reading: AirReading) -> Iterator[Sentence]:
    """Why the look cannot go on."""
    tank, tyre, since_s = reading.tank_kpa, reading.tyre_kpa, reading.now_s - look.since_s
    if reading.stopped:
        yield _STOPPED()
    if reading.estop_ok is False:
        yield _ESTOP()
    if tank is None:
        yield _NO_TANK()
    if tyre is None:
        yield _NO_TYRE()
    if tank is not None and tank > setup.tank_rating_kpa:
        yield _TANK_HIGH(tank=tank, rating=setup.tank_rating_kpa)
    if tyre is not None and tyre > setup.tyre_trip_kpa:
        yield _TYRE_HIGH(tyre=tyre)
    if reading.valve_seen not in (None, look.valve) and since_s > _OBEYS_S:
        yield _DISOBEYS()
    if tank is not None and tyre is not None and _goes_over(setup, look, tank, tyre):
        yield _STAYS_OPEN(tyre=tyre)
    if look.phase in _SHUT and since_s > _LONGEST_CREEP_S:
        yield _CREEPS()


def _goes_over(setup: AirSetup, look: AirLook, tank_kpa: float, tyre_kpa: float) -> bool:
    """Whether air goes over though the valve should be shut: an output that nobody can read back shows only so."""
    if look.shut_kpa is None:
        return False
    fell, rose = look.shut_kpa[0] - tank_kpa, tyre_kpa - look.shut_kpa[1]
    return fell > _TANK_FELL * setup.tank_u_kpa and rose > _TYRE_ROSE * setup.tyre_u_kpa


def _ended(look: AirLook, now_s: float, why: Sentence) -> AirLook:
    return replace(look, phase="ended", since_s=now_s, valve=False, why=why)


# --- phases -----------------------------------------------------------------------------------------------------------


def _turn(look: AirLook, now_s: float, phase: Phase, *, valve: bool = False) -> AirLook:
    """Begin a phase; the gauges begin anew with it."""
    return replace(look, phase=phase, since_s=now_s, valve=valve, tank=Creep(), tyre=Creep(), shut_kpa=None)


def _connect(setup: AirSetup, look: AirLook, reading: AirReading) -> AirLook:
    return _turn(look, reading.now_s, "settle") if reading.answered == "air_connect" else look


def _settle(setup: AirSetup, look: AirLook, reading: AirReading) -> AirLook:
    pair = _at_rest(setup, look, reading.now_s)
    if pair is None:
        return look
    tank, tyre = pair.tank.kpa, pair.tyre.kpa
    if tyre > setup.tyre_limit_kpa - _RISE * setup.tyre_u_kpa:
        return _ended(look, reading.now_s, _TYRE_FULL(tyre=tyre, limit=setup.tyre_limit_kpa))
    if tank - tyre < _RISE * (setup.tank_u_kpa + setup.tyre_u_kpa):
        return _ended(look, reading.now_s, _TANK_LOW(tank=tank))
    return _turn(replace(look, before=pair), reading.now_s, "open", valve=not setup.by_hand)


def _open(setup: AirSetup, look: AirLook, reading: AirReading) -> AirLook:
    """Wait until air flows: the tank's pressure falls, or the tyre's rises."""
    assert look.last is not None
    assert look.before is not None
    _, tank, tyre = look.last
    if look.before.tank.kpa - tank > 2 * setup.tank_u_kpa or tyre - look.before.tyre.kpa > 2 * setup.tyre_u_kpa:
        return _equalise(setup, _turn(look, reading.now_s, "equalise", valve=look.valve), reading)
    if reading.now_s - look.since_s > (_HAND_S if setup.by_hand else _FLOWS_S):
        return _ended(look, reading.now_s, _NO_FLOW())
    return look


def _equalise(setup: AirSetup, look: AirLook, reading: AirReading) -> AirLook:
    """Leave the valve open until nothing flows any more, the tyre is at its limit, or the time is up.

    Its open valve hides the creep: the tank's cold air grows warmer while the tyre's warm air grows colder.
    """
    pair = _at_rest(setup, look, reading.now_s)
    if pair is None and not _has_to_shut(setup, look, reading.now_s):
        return look
    return _turn(replace(look, at_one=pair is not None and _at_one(setup, pair)), reading.now_s, "shut")


def _has_to_shut(setup: AirSetup, look: AirLook, now_s: float) -> bool:
    """Whether the open valve has to shut: the tyre would pass its limit, or the time is up."""
    return _full(setup, look) or now_s - look.since_s > setup.open_longest_s


def _full(setup: AirSetup, look: AirLook) -> bool:
    """Whether the tyre would pass its limit before the valve is shut."""
    assert look.last is not None
    ahead_s = _AHEAD_BY_HAND_S if setup.by_hand else _AHEAD_S
    return look.last[2] + ahead_s * max(look.rate_kpa_s, 0.0) >= setup.tyre_limit_kpa


def _at_one(setup: AirSetup, pair: Pair) -> bool:
    """Whether both gauges may show one pressure; a regulator or a core that has shut keeps the tank above the tyre."""
    return abs(pair.tank.kpa - pair.tyre.kpa) <= setup.tank_u_kpa + setup.tyre_u_kpa


def _shut(setup: AirSetup, look: AirLook, reading: AirReading) -> AirLook:
    shut = reading.answered == "air_shut" if setup.by_hand else reading.valve_seen is not True
    return _turn(look, reading.now_s, "creep" if look.after is None else "read") if shut else look


def _creep(setup: AirSetup, look: AirLook, reading: AirReading) -> AirLook:
    """Wait for rest; two vessels that were at one pressure are joined once more, now with nothing left to creep."""
    pair = _at_rest(setup, look, reading.now_s)
    if pair is None:
        return look
    look = replace(look, after=pair)
    if not look.at_one or _full(setup, look):
        return replace(look, phase="read", since_s=reading.now_s)
    return _turn(look, reading.now_s, "join" if setup.by_hand else "joined", valve=not setup.by_hand)


def _join(setup: AirSetup, look: AirLook, reading: AirReading) -> AirLook:
    return _turn(look, reading.now_s, "joined") if reading.answered == "air_open" else look


def _joined(setup: AirSetup, look: AirLook, reading: AirReading) -> AirLook:
    """Read one pressure for both, by the finer gauge; where it is none, what was read at the second rest stands."""
    pair = _at_rest(setup, look, reading.now_s)
    if pair is None and not _has_to_shut(setup, look, reading.now_s):
        return look
    one = _one(look, pair.tyre.kpa - pair.tyre.left_kpa) if pair is not None and _at_one(setup, pair) else None
    return _turn(replace(look, joined=one), reading.now_s, "shut")


def _one(look: AirLook, kpa: float) -> Rest:
    """What a pressure read in both comes to: the creeps that were left before they were joined again, by volume.

    Joined, the one's creep hides the other's. A pressure is energy by volume, so letting air over between them changes
    neither.
    """
    assert look.before is not None
    assert look.after is not None
    tank, tyre = look.after.tank, look.after.tyre
    fell, rose = look.before.tank.kpa - kpa, kpa - look.before.tyre.kpa
    share = fell / (fell + rose)
    return Rest(
        kpa + share * tyre.left_kpa + (1 - share) * tank.left_kpa, share * tyre.u_kpa + (1 - share) * tank.u_kpa
    )


_PHASES = {
    "connect": _connect, "settle": _settle, "open": _open, "equalise": _equalise, "shut": _shut, "creep": _creep,
    "join": _join, "joined": _joined,
}  # fmt: skip
"""Phases that go on, and their steps."""


def _at_rest(setup: AirSetup, look: AirLook, now_s: float) -> Pair | None:
    """Both pressures, once neither creeps any more by as much as matters beside its gauge; after long, as much."""
    tank, tyre = look.tank.rest, look.tyre.rest
    if tank is None or tyre is None:
        return None
    share = _STEADY if now_s - look.since_s < _LONG_S else 1.0
    steady = tank.u_kpa <= share * setup.tank_u_kpa and tyre.u_kpa <= share * setup.tyre_u_kpa
    return Pair(tank, tyre) if steady else None


# --- words ------------------------------------------------------------------------------------------------------------

_CONNECT = Wording(
    "air_look.connect",
    "Compressor off; regulator below the tyre's rating. Core out (flat tyre: until nothing hisses), air hose on, hand "
    "valve open. Nobody in line with sidewall or valve.",
)
_CONNECT_BY_HAND = Wording(
    "air_look.connect_by_hand",
    "Compressor off; regulator below the tyre's rating. Ball valve shut, core out (flat tyre: until nothing hisses), "
    "air hose on. Nobody in line with sidewall or valve.",
)
_TANK_AT = Wording("air_look.tank_at", "Tank at about {tank:pressure}. {connect}")
_BY_HAND_OPEN = Wording("air_look.open", "Open the ball valve.")
_BY_HAND_SHUT = Wording("air_look.shut", "Shut the ball valve, then confirm.")
_STOPPED = Wording("air_look.stopped", "the look was stopped: nothing is known of the room")
_ESTOP = Wording("air_look.estop", "the emergency stop is pressed")
_NO_TANK = Wording("air_look.no_tank", "the tank's gauge is not read: look at its wire, then look again")
_NO_TYRE = Wording("air_look.no_tyre", "the tyre's gauge is not read: look at its wire, then look again")
_TANK_HIGH = Wording(
    "air_look.tank_high", "the tank shows {tank:pressure}, above its rating of {rating:pressure}: let it down"
)
_TYRE_HIGH = Wording("air_look.tyre_high", "the tyre shows {tyre:pressure}: shut the tank's hand valve, let air out")
_STAYS_OPEN = Wording(
    "air_look.stays_open",
    "the air valve stays open: the tank falls and the tyre rises, to {tyre:pressure}. Shut the tank's hand valve now",
)
_DISOBEYS = Wording("air_look.disobeys", "the air valve does not obey: shut the tank's hand valve")
_CREEPS = Wording(
    "air_look.creeps", "the pressures do not come to rest: a leak, or the air valve lets air through; look for it"
)
_TYRE_FULL = Wording(
    "air_look.tyre_full",
    "the tyre stands at {tyre:pressure}, hardly below the limit of {limit:pressure}: let air out, then look again",
)
_TANK_LOW = Wording("air_look.tank_low", "the tank stands at {tank:pressure}: too little to be measured; pump it up")
_NO_FLOW = Wording("air_look.no_flow", "no air flows: hose, hand valve or core is shut, or the air valve does not open")
