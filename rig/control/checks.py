"""The confirmations of the ready check, by their validity: a shift, a machine, a wheel.

Texts are the usual cautions of the work. Local codes and licensed practice take precedence.
"""

from __future__ import annotations

from typing import Literal

from rig.control.values import Check
from rig.units import show_pressure
from rig.wheel.valve import StopOrder

Support = Literal["jacked", "ground"]

_SUPPORT: dict[Support, Check] = {
    "jacked": Check(
        "supported",
        "machine",
        "Machine chocked, brake on; wheel off the ground on two supports (jack and stand)?",
    ),
    "ground": Check("supported", "machine", "Machine on level ground, chocked, brake on; wheel carries its load?"),
}


_PROTECTION = Check(
    "protection",
    "shift",
    "Eye protection, gloves and boots on; emergency stop and relief valve tried today?",
)
LEVER = Check("lever", "wheel", "Pump lever at stop?")
_TOTE = Check("tote_vent", "machine", "Tote vent open, suction under the liquid?")
_FLAMMABLE = Check(
    "flammable",
    "machine",
    "Flammable mix: pump, relays and controller rated for it, hose bonded, no spark or flame near?",
)


def like_air(line_kpa: float) -> Check:
    """The question before a fill whose gauge reads what an absolute gauge reads in open air."""
    return Check(
        "like_air",
        "wheel",
        f"The gauge shows {show_pressure(line_kpa)}, just what an absolute gauge shows in open air. Is the gun on a "
        "tyre that holds this pressure, and did the gauge show zero with the gun off? If not, leave, and write its "
        "unit as absolute (psia, kPa abs).",
    )


def checks_for_vessel(*, flammable: bool) -> tuple[Check, ...]:
    """The confirmations before liquid goes into an open vessel, in order."""
    vessel = Check("vessel", "wheel", "Vessel empty, level and large enough; hose end held in it and open?")
    return (_PROTECTION, _TOTE, *((_FLAMMABLE,) if flammable else ()), vessel)


def checks_for_emptying(valve_clock: float, support: Support, *, flammable: bool) -> tuple[Check, ...]:
    """The confirmations before liquid is taken out of a tyre, in order."""
    return (
        _PROTECTION,
        Check("gauge_zeroed", "shift", "Pressure gauge reads zero open to air?"),
        _SUPPORT[support],
        Check("tote_room", "machine", "Tote vented, with room, and meant for what comes out? Old chloride goes apart."),
        *((_FLAMMABLE,) if flammable else ()),
        Check("valve_position", "wheel", f"Valve stands at {valve_clock:g} o'clock?"),
        Check("people_clear", "wheel", "Nobody in line with the sidewall or the valve?"),
        Check("valve_open", "wheel", "Gun on, core or insert drawn?"),
    )


def checks_for(
    valve_clock: float, ceiling_kpa: float, support: Support, stop_order: StopOrder, *, proven: bool, flammable: bool
) -> tuple[Check, ...]:
    """The confirmations that this fill asks for, in order."""
    out = "Core out and kept, gun on" if stop_order == "gun off, then core back" else "Gun on, core or insert drawn"
    checks = [
        _PROTECTION,
        Check("gauge_zeroed", "shift", "Pressure gauge reads zero open to air?"),
        _SUPPORT[support],
        _TOTE,
        Check("tyre_rating", "wheel", f"Tyre good for {show_pressure(ceiling_kpa)} at least, sidewalls and rim sound?"),
        Check("valve_position", "wheel", f"Valve stands at {valve_clock:g} o'clock?"),
        Check("people_clear", "wheel", "Nobody in line with the sidewall or the valve?"),
        Check("valve_open", "wheel", f"{out}?"),
    ]
    if not proven:
        checks.insert(1, Check("meter_unproven", "shift", "The meter is not proven: go on, volume marked so?"))
    if flammable:
        checks.insert(-3, _FLAMMABLE)
    return tuple(checks)
