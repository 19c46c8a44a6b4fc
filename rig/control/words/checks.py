"""The confirmations of the ready check, by their validity: a shift, a machine, a wheel.

Texts are the usual cautions of the work. Local codes and licensed practice take precedence.
"""

from __future__ import annotations

from typing import Literal

from rig.control.words.values import Check, Scope
from rig.sentence import Value, Wording
from rig.wheel.valve import StopOrder

Support = Literal["jacked", "ground"]


def _check(name: str, scope: Scope, words: Wording, **values: Value) -> Check:
    return Check(name, scope, words(**values))


_SUPPORT: dict[Support, Check] = {
    "jacked": _check(
        "supported",
        "machine",
        Wording(
            "check.supported.jacked",
            "Machine chocked, brake on; wheel off the ground on two supports (jack and stand)?",
        ),
    ),
    "ground": _check(
        "supported",
        "machine",
        Wording("check.supported.ground", "Machine on level ground, chocked, brake on; wheel carries its load?"),
    ),
}


_PROTECTION = _check(
    "protection",
    "shift",
    Wording("check.protection", "Eye protection, gloves and boots on; emergency stop and relief valve tried today?"),
)
LEVER = _check("lever", "wheel", Wording("check.lever", "Pump lever at stop?"))
_TOTE = _check("tote_vent", "machine", Wording("check.tote_vent", "Tote vent open, suction under the liquid?"))
_FLAMMABLE = _check(
    "flammable",
    "machine",
    Wording(
        "check.flammable",
        "Flammable mix: pump, relays and controller rated for it, hose bonded, no spark or flame near?",
    ),
)
_VESSEL = _check(
    "vessel",
    "wheel",
    Wording("check.vessel", "Vessel empty, level and large enough; hose end held in it and open?"),
)
_GAUGE_ZEROED = _check("gauge_zeroed", "shift", Wording("check.gauge_zeroed", "Pressure gauge reads zero open to air?"))
_TOTE_ROOM = _check(
    "tote_room",
    "machine",
    Wording("check.tote_room", "Tote vented, with room, and meant for what comes out? Old chloride goes apart."),
)
_PEOPLE_CLEAR = _check(
    "people_clear", "wheel", Wording("check.people_clear", "Nobody in line with the sidewall or the valve?")
)
_CORE_DRAWN = _check("valve_open", "wheel", Wording("check.valve_open.drawn", "Gun on, core or insert drawn?"))
_CORE_KEPT = _check("valve_open", "wheel", Wording("check.valve_open.kept", "Core out and kept, gun on?"))
_UNPROVEN = _check(
    "meter_unproven",
    "shift",
    Wording("check.meter_unproven", "The meter is not proven: go on, volume marked so?"),
)
_VALVE_POSITION = Wording("check.valve_position", "Valve stands at {clock:number} o'clock?")
_TYRE_RATING = Wording("check.tyre_rating", "Tyre good for {ceiling:pressure} at least, sidewalls and rim sound?")
_LIKE_AIR = Wording(
    "check.like_air",
    "The gauge shows {line:pressure}, just what an absolute gauge shows in open air. Is the gun on a tyre that holds "
    "this pressure, and did the gauge show zero with the gun off? If not, leave, and write its unit as absolute "
    "(psia, kPa abs).",
)


_LESS_ROOM = Wording(
    "check.look_less",
    "The look with air found {litres:volume} less room than a {size} has: liquid inside already, or another size. "
    "Fill it all the same?",
)
_MORE_ROOM = Wording(
    "check.look_more",
    "The look with air found {litres:volume} more room than a {size} has: another size, or less inside than said. "
    "Fill it all the same?",
)


def look_doubts(size: str, missing_l: float) -> Check:
    """The question before a fill of a wheel whose room a look has contradicted: by so many litres less, or more."""
    words = _LESS_ROOM if missing_l > 0 else _MORE_ROOM
    return _check("look_doubts", "wheel", words, litres=abs(missing_l), size=size)


def like_air(line_kpa: float) -> Check:
    """The question before a fill whose gauge reads what an absolute gauge reads in open air."""
    return _check("like_air", "wheel", _LIKE_AIR, line=line_kpa)


def checks_for_vessel(*, flammable: bool) -> tuple[Check, ...]:
    """The confirmations before liquid goes into an open vessel, in order."""
    return (_PROTECTION, _TOTE, *((_FLAMMABLE,) if flammable else ()), _VESSEL)


def checks_for_emptying(valve_clock: float, support: Support, *, flammable: bool) -> tuple[Check, ...]:
    """The confirmations before liquid is taken out of a tyre, in order."""
    return (
        _PROTECTION,
        _GAUGE_ZEROED,
        _SUPPORT[support],
        _TOTE_ROOM,
        *((_FLAMMABLE,) if flammable else ()),
        _check("valve_position", "wheel", _VALVE_POSITION, clock=valve_clock),
        _PEOPLE_CLEAR,
        _CORE_DRAWN,
    )


def checks_for(
    valve_clock: float, ceiling_kpa: float, support: Support, stop_order: StopOrder, *, proven: bool, flammable: bool
) -> tuple[Check, ...]:
    """The confirmations that this fill asks for, in order."""
    checks = [
        _PROTECTION,
        _GAUGE_ZEROED,
        _SUPPORT[support],
        _TOTE,
        _check("tyre_rating", "wheel", _TYRE_RATING, ceiling=ceiling_kpa),
        _check("valve_position", "wheel", _VALVE_POSITION, clock=valve_clock),
        _PEOPLE_CLEAR,
        _CORE_KEPT if stop_order == "gun off, then core back" else _CORE_DRAWN,
    ]
    if not proven:
        checks.insert(1, _UNPROVEN)
    if flammable:
        checks.insert(-3, _FLAMMABLE)
    return tuple(checks)
