"""Conditions for the pump to move: measured ones, and the confirmations that only a person can give.

A permissive blocks a start (and a resume); it never stops a fill that runs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rig.control.checks import like_air
from rig.control.observe import Facts
from rig.control.procedure import Phase
from rig.control.state import FillState, gun_off_first
from rig.control.unasked import moves
from rig.control.values import Check, Setup
from rig.units import KPA_PER_PSI, show_pressure, show_volume

Permissive = Callable[[Setup, FillState, Facts], str | None]
"""Returns what is missing and how to fix it, or ``None``."""

_LIKE_AIR_KPA = 5.0
"""Distance from ambient pressure within which a gauge is suspected of being an absolute one."""


@dataclass(frozen=True, slots=True)
class Missing:
    """One unmet permissive."""

    name: str
    text: str


def _reachable(setup: Setup, state: FillState, facts: Facts) -> str | None:
    if not facts.reading.reachable:
        return "The modules do not answer: check power and cable."
    if facts.reading.untrusted:
        return f"Not fresh or out of range: {', '.join(sorted(facts.reading.untrusted))}. Check those sensors."
    return None


def _estop(setup: Setup, state: FillState, facts: Facts) -> str | None:
    return "The emergency stop is pressed: release it." if facts.reading.estop_ok is False else None


def _stop_button(setup: Setup, state: FillState, facts: Facts) -> str | None:
    return "The stop button at the gun is pressed: let it go." if facts.reading.stop_pressed else None


def _timeout(setup: Setup, state: FillState, facts: Facts) -> str | None:
    shown_s = facts.reading.output_timeout_s
    if setup.armed(shown_s):
        return None
    shown = "cannot be read" if shown_s is None else f"reads {shown_s:g} s, not {setup.timeout_s:g} s"
    return (
        f"The relay module's time-out {shown}: it would hold its outputs. It was written anew just now: ask again; "
        "if this stays, look at the module's supply and settings."
    )


def _tote(setup: Setup, state: FillState, facts: Facts) -> str | None:
    if setup.into == "tote":
        return None
    level, source, way_out = setup.tote_l, "by the book" if setup.tote_by_book else "as configured", ", or dip it"
    if facts.reading.tote_l is not None:
        level, source, way_out = facts.reading.tote_l, "by its level", ""
    # The hose volume of a draw-down comes back each time; a fill consumes the target.
    need = setup.target_l - facts.in_tyre_l + setup.heel_l
    if level < need:
        return (
            f"The tote holds {show_volume(level)} {source}, this wheel needs {show_volume(need)} with the heel: fill "
            f"it first{way_out}."
        )
    return None


def _cavity(setup: Setup, state: FillState, facts: Facts) -> str | None:
    if setup.target_l <= 0:
        return "The target is not above zero: check size, level and what the tyre already holds."
    filled = setup.existing_l + setup.target_l
    if filled > setup.brim_l:
        return (
            f"{show_volume(filled)} is more than 90 % of the cavity ({show_volume(setup.cavity.volume_l)}): "
            "check size and target."
        )
    if not setup.plan_reaches:
        return (
            "The plan does not reach this target between floor and ceiling: a lower floor, a vent or a smaller target."
        )
    if gun_off_first(setup):
        most = (setup.cavity.fraction_at_valve - 0.01) * setup.cavity.volume_l
        if filled > most:
            return f"With the gun off an open valve the level must stay below it: at most {show_volume(most)}."
    return None


def _arrival(setup: Setup, state: FillState, facts: Facts) -> str | None:
    if state.fills or state.gas.rest_kpa is not None or not state.valve_open:
        return None
    if setup.cuts_gauge_off and facts.tyre_kpa is None:
        # Seen only once the fill valve is open: checked at the first rest.
        return None
    if facts.tyre_kpa is None:
        return "The pressure at rest is not read yet: wait a moment."
    if facts.tyre_kpa > setup.arrival_kpa:
        return (
            f"The tyre stands at {show_pressure(facts.tyre_kpa)}: let it down below "
            f"{show_pressure(setup.arrival_kpa)} at the valve first."
        )
    return None


def _hose_quiet(setup: Setup, state: FillState, facts: Facts) -> str | None:
    line = facts.reading.line_kpa
    if state.phase in (Phase.SHUT, Phase.UNCOUPLE):
        # Resuming reverses it off.
        return None
    if not state.valve_open and line is not None and line > setup.arrival_kpa + 15 * KPA_PER_PSI:
        return "The hose stands under pressure: reverse or bleed it first."
    return None


def _pressure_stands(setup: Setup, state: FillState, facts: Facts) -> str | None:
    return "The pressure moves though everything is off: cut the pump's supply." if moves(setup, facts) else None


def _settled(setup: Setup, state: FillState, facts: Facts) -> str | None:
    return None if abs(facts.flow_lps) < 0.2 / 60 else "Liquid is flowing already: find out why."


PERMISSIVES: tuple[tuple[str, Permissive], ...] = (
    ("field", _reachable),
    ("emergency_stop", _estop),
    ("stop_button", _stop_button),
    ("output_timeout", _timeout),
    ("tote", _tote),
    ("target", _cavity),
    ("arrival_pressure", _arrival),
    ("hose", _hose_quiet),
    ("pressure_stands", _pressure_stands),
    ("no_flow", _settled),
)


def missing(setup: Setup, state: FillState, facts: Facts) -> tuple[Missing, ...]:
    """The measured permissives that are not met."""
    found = ((name, rule(setup, state, facts)) for name, rule in PERMISSIVES)
    return tuple(Missing(name, text) for name, text in found if text is not None)


def asked_by_gauge(setup: Setup, state: FillState, facts: Facts) -> tuple[Check, ...]:
    """Extra confirmations required by the gauge before a start; once asked they stay unchanged."""
    line_kpa = facts.reading.line_kpa
    if state.asked or setup.into != "tyre" or not state.valve_open or facts.tyre_kpa is None or line_kpa is None:
        return state.asked
    if abs(line_kpa - setup.line.atmosphere_kpa_abs) >= _LIKE_AIR_KPA:
        return ()
    return (like_air(line_kpa),)


def open_checks(setup: Setup, state: FillState) -> tuple[Check, ...]:
    """The outstanding confirmations, in the order in which they are asked."""
    given = {confirmation.name for confirmation in state.confirmed}
    return tuple(check for check in (*setup.checks, *state.asked) if check.name not in given)
