"""Conditions for the pump to move: measured ones, and the confirmations that only a person can give.

A permissive blocks a start (and a resume); it never stops a fill that runs.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from rig.control.belief.observe import Facts
from rig.control.belief.state import FillState, gun_off_first
from rig.control.belief.unasked import moves
from rig.control.words.checks import like_air
from rig.control.words.procedure import Phase
from rig.control.words.values import Check, Setup
from rig.plan.moves import UNDER_OPEN_VALVE
from rig.sentence import Sentence, Wording
from rig.units import KPA_PER_PSI

Permissive = Callable[[Setup, FillState, Facts], Sentence | None]
"""Returns what is missing and how to fix it, or ``None``."""

_LIKE_AIR_KPA = 5.0
"""Distance from ambient pressure within which a gauge is suspected of being an absolute one. An assumption."""

_NO_ANSWER = Wording("missing.field", "The modules do not answer: check power and cable.")
_UNTRUSTED = Wording("missing.untrusted", "Not fresh or out of range: {points}. Check those sensors.")
_ESTOP = Wording("missing.emergency_stop", "The emergency stop is pressed: release it.")
_STOP_BUTTON = Wording("missing.stop_button", "The stop button at the gun is pressed: let it go.")
_TIMEOUT = Wording(
    "missing.output_timeout",
    "The relay module's time-out {shown}: it would hold its outputs. It was written anew just now: ask again; if this "
    "stays, look at the module's supply and settings.",
)
_TIMEOUT_UNREAD = Wording("missing.output_timeout.unread", "cannot be read")
_TIMEOUT_OTHER = Wording("missing.output_timeout.other", "reads {shown:number} s, not {set:number} s")
_TOTE_BY_LEVEL = Wording(
    "missing.tote.level",
    "The tote holds {level:volume} by its level, this wheel needs {need:volume} with the heel: fill it first.",
)
_TOTE_BY_BOOK = Wording(
    "missing.tote.book",
    "The tote holds {level:volume} by the book, this wheel needs {need:volume} with the heel: "
    "fill it first, or dip it.",
)
_TOTE_AS_CONFIGURED = Wording(
    "missing.tote.configured",
    "The tote holds {level:volume} as configured, this wheel needs {need:volume} with the "
    "heel: fill it first, or dip it.",
)
_NO_TARGET = Wording(
    "missing.target", "The target is not above zero: check size, level and what the tyre already holds."
)
_OVER_BRIM = Wording(
    "missing.target.brim", "{filled:volume} is more than 90 % of the cavity ({cavity:volume}): check size and target."
)
_NOT_REACHED = Wording(
    "missing.target.reach",
    "The plan does not reach this target between floor and ceiling: a lower floor, a vent or a smaller target.",
)
_OVER_VALVE = Wording(
    "missing.target.valve", "With the gun off an open valve the level must stay below it: at most {most:volume}."
)
_UNREAD = Wording("missing.arrival_pressure.unread", "The pressure at rest is not read yet: wait a moment.")
_ARRIVED_HIGH = Wording(
    "missing.arrival_pressure",
    "The tyre stands at {tyre:pressure}: let it down below {most:pressure} at the valve first.",
)
_HOSE = Wording("missing.hose", "The hose stands under pressure: reverse or bleed it first.")
_MOVES = Wording("missing.pressure_stands", "The pressure moves though everything is off: cut the pump's supply.")
_FLOWS = Wording("missing.no_flow", "Liquid is flowing already: find out why.")


@dataclass(frozen=True, slots=True)
class Missing:
    """One unmet permissive."""

    name: str
    text: Sentence


def _reachable(setup: Setup, state: FillState, facts: Facts) -> Sentence | None:
    if not facts.reading.reachable:
        return _NO_ANSWER()
    if facts.reading.untrusted:
        return _UNTRUSTED(points=", ".join(sorted(facts.reading.untrusted)))
    return None


def _estop(setup: Setup, state: FillState, facts: Facts) -> Sentence | None:
    return _ESTOP() if facts.reading.estop_ok is False else None


def _stop_button(setup: Setup, state: FillState, facts: Facts) -> Sentence | None:
    return _STOP_BUTTON() if facts.reading.stop_pressed else None


def _timeout(setup: Setup, state: FillState, facts: Facts) -> Sentence | None:
    shown_s = facts.reading.output_timeout_s
    if setup.armed(shown_s):
        return None
    return _TIMEOUT(shown=_TIMEOUT_UNREAD() if shown_s is None else _TIMEOUT_OTHER(shown=shown_s, set=setup.timeout_s))


def _tote(setup: Setup, state: FillState, facts: Facts) -> Sentence | None:
    if setup.into == "tote":
        return None
    level, words = setup.tote_l, _TOTE_BY_BOOK if setup.tote_by_book else _TOTE_AS_CONFIGURED
    if facts.reading.tote_l is not None:
        level, words = facts.reading.tote_l, _TOTE_BY_LEVEL
    # The hose volume of a draw-down comes back each time; a fill consumes the target.
    need = setup.target_l - facts.in_tyre_l + setup.heel_l
    return words(level=level, need=need) if level < need else None


def _cavity(setup: Setup, state: FillState, facts: Facts) -> Sentence | None:
    if setup.target_l <= 0:
        return _NO_TARGET()
    filled = setup.existing_l + setup.target_l
    if filled > setup.brim_l:
        return _OVER_BRIM(filled=filled, cavity=setup.cavity.volume_l)
    if not setup.plan_reaches:
        return _NOT_REACHED()
    if gun_off_first(setup):
        most = (setup.cavity.fraction_at_valve - UNDER_OPEN_VALVE) * setup.cavity.volume_l
        # The plan's largest target is exactly that, but for rounding.
        if filled > most and not math.isclose(filled, most):
            return _OVER_VALVE(most=most)
    return None


def _arrival(setup: Setup, state: FillState, facts: Facts) -> Sentence | None:
    if state.fills or state.gas.rest_kpa is not None or not state.valve_open:
        return None
    if setup.cuts_gauge_off and facts.tyre_kpa is None:
        # Seen only once the fill valve is open: checked at the first rest.
        return None
    if facts.tyre_kpa is None:
        return _UNREAD()
    if facts.tyre_kpa > setup.arrival_kpa:
        return _ARRIVED_HIGH(tyre=facts.tyre_kpa, most=setup.arrival_kpa)
    return None


def _hose_quiet(setup: Setup, state: FillState, facts: Facts) -> Sentence | None:
    line = facts.reading.line_kpa
    if state.phase in (Phase.SHUT, Phase.UNCOUPLE):
        # Resuming reverses it off.
        return None
    if not state.valve_open and line is not None and line > setup.arrival_kpa + 15 * KPA_PER_PSI:
        return _HOSE()
    return None


def _pressure_stands(setup: Setup, state: FillState, facts: Facts) -> Sentence | None:
    return _MOVES() if moves(setup, facts) else None


def _settled(setup: Setup, state: FillState, facts: Facts) -> Sentence | None:
    return None if abs(facts.flow_lps) < 0.2 / 60 else _FLOWS()


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
