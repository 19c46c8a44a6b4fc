"""Convert a snapshot to the picture that the page draws: plain numbers in SI units, names for the catalogue of texts.

It must not judge: the state's name determines the buttons shown, and the controller refuses what is not permitted.
"""

from __future__ import annotations

import math
from functools import lru_cache

from rig.books.wording import room_text
from rig.control.belief.state import FillState, in_tyre_l
from rig.control.belief.suspects import likely
from rig.control.belief.unsafe import tyre_shown
from rig.control.moves.snapshot import cooling_s, seconds_left
from rig.control.safety.guard import Guard
from rig.control.safety.guards import GUARD_NAMED
from rig.control.safety.unconfirmed import figures_age_s, is_reported, unconfirmed_for_s
from rig.control.words.flags import Flag
from rig.control.words.procedure import State
from rig.control.words.values import Check, Reading
from rig.guide.asked import ready_checks
from rig.panel.looking import look_view
from rig.panel.proving import verdict_said
from rig.panel.sessions import Session
from rig.run.assembly import Question, cavity_asked
from rig.run.bench import Proof
from rig.run.facade import Live, Snapshot
from rig.run.messages import Controller
from rig.run.settings import Settings
from rig.wheel import Cavity, SizeError

STALE_S = 1.5
"""Age from which a snapshot says nothing of this moment."""
_FLOWS_LPS = 0.02
"""Less is not seen to move."""
_MOVING = ("pump_run", "pump_reverse", "vent_valve")
_OPEN = (
    "fill_id", "kind", "outcome", "first_out", "size", "position", "fluid", "target_l", "net_l", "recovered_l",
    "net_u_l", "net_less_l", "net_more_l", "net_basis", "delivery", "mass_kg", "fluid_mass_kg", "final_static_kpa",
    "existing_l", "valve",
)  # fmt: skip
"""What anybody may see of the last record."""
_LEVELS = 40
_PRESSES: dict[State, tuple[str, ...]] = {
    State.RUNNING: ("hold",),
    State.HELD: ("resume", "end"),
    State.ABORTED: ("reset", "end"),
}
"""Commands that each state accepts, besides STOP."""

Picture = dict[str, object]


def number(value: float | None, digits: int = 3) -> float | None:
    """Round a finite number; None for unknown or infinite."""
    return None if value is None or not math.isfinite(value) else round(value, digits)


def rig_view(settings: Settings) -> Picture:
    """What does not change while the page is served."""
    return {
        "name": settings.rig.name,
        "simulated": settings.rig.simulated,
        "by_hand": settings.rig.by_hand,
        "lever_tells": settings.rig.by_hand and settings.meter.reverse == "unsigned",
        "start_button": "start_button" in settings.points,
        "units": settings.panel.units,
        "fluid": settings.tote.fluid,
        "tote_l": settings.tote.content,
        "heel_l": settings.tote.heel,
    }


def picture(rig: Controller, now_s: float, driver: Session | None, asking: Session | None) -> Picture:
    """The present picture, the same for every viewer."""
    seen = rig.snapshot()
    return {
        "age_s": round(now_s - seen.seen_s, 2),
        "gap_s": round(rig.take_gap_s(), 4),
        "busy": seen.busy,
        "driver": None if driver is None else {"id": driver.id, "name": driver.name},
        "asking": None if asking is None else {"id": asking.id, "name": asking.name},
        "live": _live(seen.live, measured=seen.decision is None),
        "fill": _fill(seen),
        "record": None if seen.ended is None else seen.ended.document(),
        "notice": seen.notice,
        "proof": _proof(seen.proof),
        "look": look_view(seen.live.looked),
        "interrupted": [
            {
                "fill_id": each.fill_id,
                "size": each.size,
                "position": each.position,
                "in_tyre_l": number(each.in_tyre_l),
                "target_l": number(each.target_l),
            }
            for each in seen.interrupted
        ],
    }


def public(shown: Picture) -> Picture:
    """The same for whoever passes by: the rig's state, without people, jobs and customers."""
    driver, fill, record, proof = (shown[name] for name in ("driver", "fill", "record", "proof"))
    return {
        **shown,
        "driver": {**driver, "name": ""} if isinstance(driver, dict) else None,
        "asking": None,
        "fill": {**fill, "job": None, "by": None} if isinstance(fill, dict) else None,
        "record": {key: record[key] for key in _OPEN if key in record} if isinstance(record, dict) else None,
        "proof": {**proof, "document": None} if isinstance(proof, dict) else None,
        "interrupted": [],
    }


def stop_view(rig: Controller, now_s: float) -> Picture:
    """What is known of a STOP: whether anything runs, is commanded off, is seen off; None: not known."""
    seen = rig.snapshot()
    decision, reading = seen.decision, seen.live.reading
    ran = seen.busy if decision is None else decision.state.state is not State.IDLE
    if now_s - seen.seen_s > STALE_S or reading is None:
        return {"ran": True, "off": None, "seen": None}
    outputs = () if decision is None else (getattr(decision.outputs, name) for name in _MOVING)
    flows = decision is not None and abs(decision.facts.flow_lps) > _FLOWS_LPS
    known = reading.reachable and not reading.unconfirmed and seen.live.unasked is None
    return {"ran": ran, "off": not any(outputs), "seen": known and not flows}


def _proof(proof: Proof | None) -> Picture | None:
    if proof is None:
        return None
    return {
        "runs": proof.runs,
        "run": proof.run,
        "asks": proof.asks,
        "pulses": None if proof.counted is None else proof.counted.pulses,
        "document": proof.document and {**proof.document, **verdict_said(proof.document)},
    }


def _live(live: Live, *, measured: bool) -> Picture:
    """The field; its figures only where no fill has them."""
    reading = live.reading
    return {
        "error": live.error,
        "unasked": _unasked(live.unasked),
        "reachable": reading is not None and reading.reachable,
        **(_measured(reading) if measured else {}),
    }


def _unasked(guard: Guard | None) -> Picture | None:
    return None if guard is None else _said_by(guard.name)


def _said_by(name: str) -> Picture:
    """An alarm's name and sentences."""
    guard = GUARD_NAMED[name]
    return {"name": name, "text": guard.text, "first": guard.first}


def _measured(reading: Reading | None) -> Picture:
    if reading is None:
        return {"line_kpa": None, "tote_l": None, "fluid_c": None, "estop_ok": None, "untrusted": []}
    return {
        "line_kpa": number(reading.line_kpa, 2),
        "tote_l": number(reading.tote_l, 1),
        "fluid_c": number(reading.fluid_c, 1),
        "estop_ok": reading.estop_ok,
        "untrusted": sorted(reading.untrusted),
    }


def _fill(seen: Snapshot) -> Picture | None:
    setup, decision = seen.setup, seen.decision
    if setup is None or decision is None:
        return None
    state, facts = decision.state, decision.facts
    inside = in_tyre_l(setup, state)
    tyre = tyre_shown(setup, state, facts)
    return {
        "id": setup.fill_id,
        **{key: getattr(seen.about, key) for key in ("size", "position", "job", "fluid", "by", "valve_at")},
        "into": setup.into,
        "state": state.state.value,
        "phase": state.phase.value,
        "t_s": number(state.now_s - state.opened_s if state.opened_s else 0.0, 1),
        "in_tyre_l": number(inside),
        "target_l": number(setup.target_l),
        "existing_l": number(setup.existing_l),
        "cavity_l": number(setup.cavity.volume_l),
        "filled": number(min(1.0, max(0.0, (setup.existing_l + inside) / setup.cavity.volume_l)), 4),
        # A stale reading must not show as zero: the pump may be running.
        "flow_lps": None if figures_age_s(state) else number(facts.flow_lps, 4),
        "tyre_kpa": number(tyre.kpa, 2),
        "tyre_age_s": number(tyre.age_s, 1),
        "line_kpa": number(facts.reading.line_kpa, 2),
        "floor_kpa": number(setup.window.floor_kpa, 2),
        "ceiling_kpa": number(setup.window.ceiling_kpa, 2),
        "trip_kpa": number(setup.trip_kpa, 2),
        "left_s": number(seconds_left(setup, state), 0),
        "cooling_s": number(cooling_s(setup, state), 0),
        "outputs": [name for name in _MOVING if getattr(decision.outputs, name)],
        "prompt": None if decision.prompt is None else {"name": decision.prompt.name, "text": decision.prompt.text},
        "missing": [{"name": each.name, "text": each.text} for each in seen.missing],
        "checks": checks_view(seen.open_checks),
        "cautions": [each.text for each in seen.cautions] if state.state in (State.IDLE, State.HELD) else [],
        "presses": [*_PRESSES.get(state.state, ())],
        "other_measure": seen.other_measure if state.state in (State.HELD, State.ABORTED) else None,
        "held_for": _held_for(state),
        "cannot": _cannot(state, facts.reading),
        "figures_age_s": number(figures_age_s(state), 0),
        "alarm": _alarm(seen),
        "flags": sorted(state.flags),
        "wheel": _wheel(seen.question),
    }


def _held_for(state: FillState) -> str:
    """Why a fill without an alarm is held: by a person, or by an interruption; empty otherwise."""
    waits = state.state in (State.HOLDING, State.HELD) and state.alarms.first_out is None
    return "person" if waits and Flag.INTERRUPTED not in state.flags else "interruption" if waits else ""


def _cannot(state: FillState, reading: Reading) -> Picture | None:
    """Report outputs that may be on and cannot be switched off from here."""
    if not is_reported(state):
        return None
    return {
        "outputs": sorted(reading.unconfirmed),
        **_said_by("off_unconfirmed"),
        "for_s": number(unconfirmed_for_s(state), 0),
        "supply_cut": state.supply_cut,
    }


def _alarm(seen: Snapshot) -> Picture | None:
    assert seen.decision is not None
    assert seen.setup is not None
    first = seen.decision.state.alarms.first_out
    if first is None:
        return None
    guard = GUARD_NAMED[first]
    return {
        **_said_by(first),
        "trip": guard.action == "trip",
        "figures": room_text(seen.setup, seen.decision, first),
        "likely": likely(seen.decision.state.alarms.evidence),
        "may_accept": guard.may_accept,
        "followers": [{"name": name, "text": GUARD_NAMED[name].text} for name in seen.decision.state.alarms.followers],
    }


def checks_view(checks: tuple[Check, ...]) -> list[Picture]:
    """The confirmations requested."""
    return [{"name": check.name, "scope": check.scope, "text": _question(check)} for check in checks]


def _question(check: Check) -> str:
    """What is asked; the journal of an interrupted fill has its text alone."""
    if check.text.key:
        return check.text
    found = (each.text.words.read(str(check.text)) for each in ready_checks().get(check.name, ()))
    return next((said for said in found if said is not None), check.text)


def wheel_view(cavity: Cavity, valve_at: float) -> Picture:
    """The wheel's section to draw, metres from the axle, and the liquid's level at equal steps of its fraction."""
    return {
        "outer_m": number(cavity.outline.diameter_m / 2, 4),
        "crown_m": number(cavity.crown_m, 4),
        "rim_m": number(cavity.section.rim_radius_m, 4),
        "valve_m": number(cavity.valve_radius_m, 4),
        "valve_at": valve_at,
        "levels_m": [number(cavity.level_of_fraction(step / _LEVELS), 4) for step in range(_LEVELS + 1)],
    }


def _wheel(question: Question | None) -> Picture | None:
    return None if question is None else _wheel_of(question)


@lru_cache(maxsize=16)
def _wheel_of(question: Question) -> Picture | None:
    try:
        return wheel_view(cavity_asked(question), question.wanted.valve_at)
    except SizeError:
        # A delivery into an open vessel has no wheel to draw.
        return None
