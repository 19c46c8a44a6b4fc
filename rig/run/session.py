"""One command's work on a rig: fill a wheel, resume an interrupted fill, or close it as it is."""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import signal
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from rig.control.decide import Decision
from rig.control.guards import AIR_SPACE_GUARDS
from rig.control.learning import FLOW_STEPS
from rig.control.loaded import as_json, inside
from rig.control.permissives import Missing
from rig.control.procedure import State
from rig.control.recover import recovered
from rig.control.snapshot import fill_record
from rig.control.state import FillState, bases, new_fill
from rig.control.values import Reading, Setup
from rig.field.modbus import FieldError
from rig.fluid import Fluid, FluidError
from rig.ledger.journal import Journal
from rig.plan.target import Target
from rig.run.assembly import Memory, Question, fluid_of, setup_of
from rig.run.clock import Clock
from rig.run.clock_memory import SOURCE, utc_now
from rig.run.interrupted import Refused, all_off, closed_state, journal_of, may_begin, one_reading, ran_on_s, unfinished
from rig.run.loop import Fill, Unreachable
from rig.run.metering import faces
from rig.run.outputs import field_of
from rig.run.person import Ending, Person
from rig.run.recorder import SETUP, STATE, Recorder
from rig.run.settings import Settings
from rig.run.time_guard import Times, between, carried
from rig.run.work import at_work
from rig.shop.before import foreknown, left_in_tote_l
from rig.shop.calibration import RECORD_KEYS, Standing, note_changes, record_keys, standing, with_factor
from rig.shop.posting import begun, posted
from rig.shop.second_copy import copied_too
from rig.units import rounded

__all__ = [
    "HOSE_HOLDS", "RINSE_WATER", "Errand", "Refused", "Stopper", "Watch", "all_off", "carry_out", "close_as_is",
    "fill_wheel", "go_on", "journal_of", "may_begin", "metered", "new_id", "recalled", "stop_on_signals",
]  # fmt: skip

RINSE_WATER = "rinse water"
HOSE_HOLDS = "hose_holds"
"""Key under which the rig stores which liquid is between tote and gun."""

Watch = Callable[[Setup, Decision], None]
Stopper = Callable[[Fill], Callable[[], None]]
"""Connects a fill to a stop signal; returns the function that disconnects it."""


@dataclass(frozen=True, slots=True)
class Errand:
    """The request for a fill and who made it, for the record."""

    question: Question
    by: str = ""
    job: str = ""
    position: str = ""
    config: str = ""
    other_fluid: bool = False
    """The tote at the pump holds another liquid by the book, and the person confirms the fill."""
    asks_inside: bool = False
    """The fill is to find out whether liquid is inside: an air space that does not fit is a result, not a fault."""


async def fill_wheel(
    settings: Settings, errand: Errand, person: Person, watch: Watch, stopper: Stopper | None = None
) -> dict[str, object]:
    """Fill one wheel from the ready check to the record; returns the record.

    Raises what ``answer`` raises, Refused, Unreachable, JournalError or LockedError; outputs are off afterwards.
    """
    known = foreknown(settings, errand.question, errand.job, errand.position)
    if known.refusal and not errand.other_fluid:
        raise Refused(known.refusal)
    question, target = known.question, known.target
    errand = replace(errand, question=question)
    with at_work(settings) as journal:
        await may_begin(settings, journal)
        settings, found = metered(settings, journal, errand.by)
        if journal.recall(HOSE_HOLDS) == RINSE_WATER:
            raise Refused(
                "pump and hose hold rinse water, which never goes into a tyre: run `rig rinse --divert` first"
            )
        setup = setup_of(settings, question, target, new_id(), recalled(settings, journal, target.fluid, found))
        about = _about(errand, target) | record_keys(found, journal.event_counts())
        about |= {"warned": [caution.text for caution in known.told]}
        state = new_fill(setup)
        if errand.asks_inside:
            state = replace(state, alarms=replace(state.alarms, accepted=AIR_SPACE_GUARDS))
        return await carry_out(settings, journal, setup, state, about, person, watch, stopper, opened=False)


async def go_on(
    settings: Settings, fill_id: str, person: Person, watch: Watch, stopper: Stopper | None = None
) -> dict[str, object]:
    """Resume an interrupted fill: it is on hold until the person resumes it."""
    with at_work(settings) as journal:
        stored = unfinished(journal, fill_id)
        await all_off(settings)
        setup = SETUP.validate_json(stored.setup)
        state = STATE.validate_json(stored.state)
        field = field_of(settings)
        with contextlib.closing(field):
            reading = await one_reading(settings, field, setup, state)
        state = recovered(setup, state, reading, ran_s=ran_on_s(settings, journal, fill_id))
        return await carry_out(settings, journal, setup, state, stored.about, person, watch, stopper, opened=True)


def _unwatched(_setup: Setup, _decision: Decision) -> None:
    """A watch that does nothing."""


async def close_as_is(
    settings: Settings | None,
    folder: Path,
    fill_id: str,
    watch: Watch = _unwatched,
    stopper: Stopper | None = None,
    *,
    supply_cut: bool = False,
) -> dict[str, object]:
    """End an interrupted fill as it is: outputs off, liquid at rest, then the record, with what moved unseen.

    If the field does not answer, or without settings, by the journal; what may have moved since is in doubt. Refused
    while an output may be on, unless a person confirms that the pump's supply is cut.
    """
    if settings is not None:
        with contextlib.suppress(Unreachable, FieldError):
            return await go_on(settings, fill_id, Ending(supply_cut=supply_cut), watch, stopper)
    with at_work(settings, folder) as journal:
        stored = unfinished(journal, fill_id)
        setup = SETUP.validate_json(stored.setup)
        state = await closed_state(settings, journal, stored, setup, supply_cut=supply_cut)
        record = _whole_record(settings, setup, state, stored.about, Times(stored.opened_at, utc_now(), 0.0), None)
        recorder = Recorder(journal, stored.about, opened=True)
        await recorder.close(setup.fill_id, record, _memory(setup, state, stored.about))
        recorder.shut()
        return record if settings is None else copied_too(settings, posted(settings, journal, record))


def metered(settings: Settings, journal: Journal, by: str) -> tuple[Settings, Standing]:
    """The settings with the factor in force, and its source; changes since the last start are journalled."""
    note_changes(journal, settings, utc_now(), by)
    found = standing(settings, journal.provings(), journal.events())
    return with_factor(settings, found), found


def new_id() -> str:
    """A new id for a fill that begins now."""
    day, _, time = utc_now()[:19].replace("-", "").replace(":", "").partition("T")
    return f"{day}T{time}-{secrets.token_hex(2)}"


async def carry_out(
    settings: Settings,
    journal: Journal,
    setup: Setup,
    state: FillState,
    about: dict[str, object],
    person: Person,
    watch: Watch,
    stopper: Stopper | None = None,
    *,
    opened: bool,
) -> dict[str, object]:
    """Run a fill to its end and write its record; raises Refused if it was never started."""
    heard, began = SOURCE.get()(), utc_now()
    if not opened:
        about |= begun(settings, journal)
        # The journal opens the fill with the quality of its start time.
        about |= began.words
    recorder = Recorder(journal, about, opened=opened, times=lambda: carried(began, heard, SOURCE.get()()))
    seen = _LastSeen(watch)
    field = field_of(settings)
    meters = faces(settings, setup.line, bases(setup, state))
    fill = Fill(settings, setup, state, field, recorder, person, Clock(settings.clock.scale), meters, seen)
    restore = (stopper or stop_on_signals)(fill)
    try:
        decision = await fill.run()
        if not recorder.opened:
            raise Refused(_reasons(seen.missing))
        times = between(began, heard, utc_now(), SOURCE.get()())
        if opened:
            times = replace(times, started_at=journal.fill(setup.fill_id).opened_at)
        record = _whole_record(settings, setup, decision.state, about, times, decision.facts.reading)
        await recorder.close(setup.fill_id, record, _memory(setup, decision.state, about))
    finally:
        restore()
        recorder.shut()
    return copied_too(settings, posted(settings, journal, record))


@dataclass(slots=True)
class _LastSeen:
    """Passes every decision on and keeps the last refusal."""

    watch: Watch
    missing: tuple[Missing, ...] = ()

    def __call__(self, setup: Setup, decision: Decision) -> None:
        self.missing = decision.missing or self.missing
        self.watch(setup, decision)


def _reasons(missing: tuple[Missing, ...]) -> str:
    if not missing:
        return "stopped before the start; nothing has moved"
    return "not ready:\n" + "\n".join(f"  - {item.text}" for item in missing)


def stop_on_signals(fill: Fill) -> Callable[[], None]:
    """Let SIGINT and SIGTERM stop this fill."""
    loop = asyncio.get_running_loop()

    def ask() -> None:
        fill.stop_asked = True

    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, ask)

    def restore() -> None:
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.remove_signal_handler(number)

    return restore


def recalled(settings: Settings, journal: Journal, fluid: Fluid, found: Standing) -> Memory:
    """What the rig learned for a fill with this fluid, and the tote's content by the book; BookError."""
    learned = ((step, journal.recall(f"overrun_s:{fluid.name}:{step}")) for step in FLOW_STEPS)
    hose_air = journal.recall("hose_air_l")
    return Memory(
        overruns=tuple((step, float(value)) for step, value in learned if isinstance(value, int | float)),
        hose_air_l=float(hose_air) if isinstance(hose_air, int | float) else 0.0,
        curve=found.curve,
        tote_l=left_in_tote_l(settings),
    )


def _memory(setup: Setup, state: FillState, about: dict[str, object]) -> dict[str, object]:
    learned = state.overruns if state.state is State.COMPLETE else ()
    return {
        **{f"overrun_s:{about['fluid']}:{step}": round(value, 4) for step, value in learned},
        HOSE_HOLDS: about.get(HOSE_HOLDS, about["fluid"]),
        "hose_air_l": round(max(0.0, setup.line.hose_l - state.tally.hose_l), 4),
    }


def _about(errand: Errand, target: Target) -> dict[str, object]:
    return {
        "size": target.cavity.designation.text,
        "fluid": target.fluid.name,
        "fluid_text": errand.question.fluid,
        "temp_c": target.temp_c,
        "valve": target.valve.name,
        "valve_at": target.valve_at,
        "cavity_l": round(target.cavity.volume_l, 2),
        "cavity_basis": target.cavity.basis,
        "working_kpa": errand.question.wanted.working_kpa,
        "position": errand.position,
        "job": errand.job,
        "by": errand.by,
        "config": errand.config,
        "asks_inside": errand.asks_inside,
        "assay": errand.question.assay,
        "density_kg_m3": round(target.density_kg_m3, 3),
        "freeze_c": round(target.fluid.freeze_c, 1),
        "ctl": round(target.fluid.ctl(target.temp_c), 6),
    }


def _whole_record(
    settings: Settings | None,
    setup: Setup,
    state: FillState,
    about: dict[str, object],
    times: Times,
    reading: Reading | None,
) -> dict[str, object]:
    record = fill_record(setup, state)
    measured = reading.fluid_c if reading is not None else None
    scopes = {check.name: check.scope for check in (*setup.checks, *state.asked)}
    fluid_c, density, ctl = _fluid_figures(settings, about, measured)
    net_l = _number(record["net_l"])
    return {
        **record,
        **(_inside(setup, state) if about.get("asks_inside") else {}),
        **{key: about[key] for key in ("size", "fluid", "valve", "valve_at", "position", "job", "by", "cavity_l",
                                       "cavity_basis", "working_kpa")},
        **{key: about.get(key) for key in (*RECORD_KEYS, "freeze_c")},
        "warned": about.get("warned", []),
        "kind": about.get("kind", "fill"),
        **(_drawn_out(net_l, about) if setup.into == "tote" else {}),
        "fluid_c": round(fluid_c, 2),
        "density_kg_m3": round(density, 2),
        "ctl": round(ctl, 6),
        "mass_kg": rounded(net_l * density / 1000, 2),
        "confirmed": [{"name": c.name, "scope": scopes[c.name], "by": c.by} for c in state.confirmed],
        # A clock corrected while the fill was interrupted may put the end before the begin.
        "started_at": min(times.started_at, str(times.ended_at)),
        "ended_at": str(times.ended_at),
        "clock_jump_s": round(times.jump_s, 1) if times.jump_s else None,
        **times.ended_at.words,
    }  # fmt: skip


def _drawn_out(net_l: float, about: dict[str, object]) -> dict[str, object]:
    """The removed volume, its lot by the book, and its destination."""
    return {"recovered_l": rounded(-net_l, 3), "lot": about.get("lot", ""), "to": about["to"]}


def _inside(setup: Setup, state: FillState) -> dict[str, object]:
    """Whether liquid was inside before this fill, and how much."""
    found = state.gas.found
    return as_json(inside(setup.cavity, found, state.gas.verdict, setup.existing_l) if found else None)


def _fluid_figures(
    settings: Settings | None, about: dict[str, object], measured_c: float | None
) -> tuple[float, float, float]:
    """Temperature, density and factor to 60 degF at delivery; the planned values if none can be measured."""
    planned = tuple(_number(about[name]) for name in ("temp_c", "density_kg_m3", "ctl"))
    if settings is None or measured_c is None:
        return planned[0], planned[1], planned[2]
    try:
        fluid = fluid_of(settings, str(about["fluid_text"]), _number(about["assay"]))
        return measured_c, fluid.density_kg_m3(measured_c), fluid.ctl(measured_c)
    except FluidError:
        # A temperature outside the fluid's tables must not cost the record.
        return planned[0], planned[1], planned[2]


def _number(value: object) -> float:
    assert isinstance(value, int | float)
    return float(value)
