"""One command's work on a rig: fill a wheel, resume an interrupted fill, or close it as it is."""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import signal
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from rig.control.belief.loaded import inside, loaded
from rig.control.belief.state import FillState, bases, new_fill
from rig.control.moves.decide import Decision
from rig.control.moves.learning import FLOW_STEPS
from rig.control.moves.recover import recovered
from rig.control.moves.snapshot import fill_record
from rig.control.safety.guards import AIR_SPACE_GUARDS
from rig.control.safety.permissives import Missing
from rig.control.words.procedure import State
from rig.control.words.values import Reading, Setup
from rig.field.modbus import FieldError
from rig.fluid import UNKNOWN, Figures, Fluid, FluidError, figures_of
from rig.ledger.journal import Journal
from rig.plan.target import Target
from rig.record.base import Document, values_of
from rig.record.work import About, Confirmed, Ended, MeterFacts, Work
from rig.run.assembly import Memory, Question, content_of, fluid_of, setup_of
from rig.run.black_box import TakenUp, box_of, with_box
from rig.run.clock import Clock
from rig.run.clock_memory import SOURCE, utc_now
from rig.run.interrupted import all_off, closed_state, journal_of, may_begin, one_reading, ran_on_s, unfinished
from rig.run.loop import Fill, Unreachable
from rig.run.metering import faces
from rig.run.outputs import field_of
from rig.run.person import Ending, Person
from rig.run.recorder import Recorder, restored
from rig.run.refused import Refused
from rig.run.settings import Settings
from rig.run.time_guard import Times, between, carried
from rig.run.work import at_work
from rig.sentence import Sentence, Wording
from rig.shop.before import foreknown, left_in_tote_l
from rig.shop.calibration import Standing, for_liquid, meter_facts, note_changes, standing, with_factor
from rig.shop.posting import begun, posted, software
from rig.shop.second_copy import copied_too
from rig.units import QuantityError, rounded

__all__ = [
    "HOSE_HOLDS", "RINSE_WATER", "Errand", "Stopper", "Watch", "all_off", "carry_out", "close_as_is",
    "fill_wheel", "go_on", "journal_of", "may_begin", "metered", "new_id", "recalled", "stop_on_signals",
]  # fmt: skip

RINSE_WATER = "rinse water"
_REPEATED = (
    "size", "size_as_marked", "make", "fluid", "valve", "valve_at", "position", "job", "by", "cavity_l", "cavity_basis",
    "working_kpa",
    "meter_factor_on", "meter_factor_u_percent", "meter_factor_why", "calibration_events", "configuration_events",
    "freeze_c", "existing_fluid", "warned", "kind",
)  # fmt: skip
"""What the record repeats of what the work was begun for."""
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
) -> Ended:
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
        settings, found = metered(settings, journal, errand.by, (target.fluid, target.temp_c))
        if journal.recall(HOSE_HOLDS) == RINSE_WATER:
            raise Refused(_RINSE_WATER())
        setup = setup_of(settings, question, target, new_id(), recalled(settings, journal, target.fluid, found))
        about = _about(errand, target, meter_facts(found, journal.event_counts()))
        about = replace(about, warned=tuple(caution.text for caution in known.cautions))
        state = new_fill(setup)
        if errand.asks_inside:
            state = replace(state, alarms=replace(state.alarms, accepted=AIR_SPACE_GUARDS))
        return await carry_out(settings, journal, setup, state, about, person, watch, stopper)


async def go_on(
    settings: Settings, fill_id: str, person: Person, watch: Watch, stopper: Stopper | None = None
) -> Ended:
    """Resume an interrupted fill: it is on hold until the person resumes it."""
    with at_work(settings) as journal:
        stored = unfinished(journal, fill_id)
        await all_off(settings)
        setup, state = restored(stored)
        field = field_of(settings)
        with contextlib.closing(field):
            reading = await one_reading(settings, field, setup, state)
        taken_up = TakenUp(state, reading, ran_on_s(settings, journal, fill_id))
        state = recovered(setup, state, reading, ran_s=taken_up.ran_s)
        about = stored.task
        return await carry_out(settings, journal, setup, state, about, person, watch, stopper, taken_up=taken_up)


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
) -> Ended:
    """End an interrupted fill as it is: outputs off, liquid at rest, then the record, with what moved unseen.

    If the field does not answer, or without settings, by the journal; what may have moved since is in doubt. Refused
    while an output may be on, unless a person confirms that the pump's supply is cut.
    """
    if settings is not None:
        with contextlib.suppress(Unreachable, FieldError):
            return await go_on(settings, fill_id, Ending(supply_cut=supply_cut), watch, stopper)
    with at_work(settings, folder) as journal:
        stored = unfinished(journal, fill_id)
        setup, state = restored(stored)
        state = await closed_state(settings, journal, stored.fill_id, setup, state, supply_cut=supply_cut)
        about = stored.task
        record = _whole_record(settings, setup, state, about, Times(stored.opened_at, utc_now(), 0.0), None)
        record = with_box(record, folder)
        recorder = Recorder(journal, about, opened=True)
        await recorder.close(setup.fill_id, record, _memory(setup, state, about))
        recorder.shut()
        return Ended(work=record) if settings is None else copied_too(settings, posted(settings, journal, record))


def metered(
    settings: Settings, journal: Journal, by: str, liquid: tuple[Fluid, float] | None = None
) -> tuple[Settings, Standing]:
    """The settings with the factor in force for a ``liquid`` at a temperature, and its source.

    Changes since the last start are journalled.
    """
    note_changes(journal, settings, utc_now(), by)
    found = standing(settings, journal.provings(), journal.events())
    if liquid is not None:
        found = for_liquid(settings, found, *liquid)
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
    about: About,
    person: Person,
    watch: Watch,
    stopper: Stopper | None = None,
    *,
    taken_up: TakenUp | None = None,
) -> Ended:
    """Run a fill to its end and write its record; raises Refused if it was never started."""
    heard, began, opened = SOURCE.get()(), utc_now(), taken_up is not None
    if not opened:
        # The journal opens the fill with the quality of its start time.
        about = replace(about, book_serial=begun(settings, journal), clock=began.clock, clock_said=began.said)
    recorder = Recorder(journal, about, opened=opened, times=lambda: carried(began, heard, SOURCE.get()()))
    seen = _LastSeen(watch)
    field = field_of(settings)
    meters = faces(settings, setup.line, bases(setup, state))
    box = box_of(settings, setup, state, str(began), software, taken_up)
    fill = Fill(settings, setup, state, field, recorder, person, Clock(settings.clock.scale), meters, seen, box)
    restore = (stopper or stop_on_signals)(fill)
    try:
        decision = await fill.run()
        if not recorder.opened:
            raise Refused(_reasons(seen.missing))
        times = between(began, heard, utc_now(), SOURCE.get()())
        if opened:
            times = replace(times, started_at=journal.fill(setup.fill_id).opened_at)
        box.close(fill_record(setup, decision.state))
        record = _whole_record(settings, setup, decision.state, about, times, decision.facts.reading)
        record = with_box(record, Path(settings.rig.data), box.fault)
        await recorder.close(setup.fill_id, record, _memory(setup, decision.state, about))
    finally:
        restore()
        box.close()
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


_RINSE_WATER = Wording(
    "notice.rinse_water", "pump and hose hold rinse water, which never goes into a tyre: run `rig rinse --divert` first"
)
_NOT_STARTED = Wording("notice.not_started", "stopped before the start; nothing has moved")
_NOT_READY = Wording("notice.not_ready", "not ready:\n{reasons}")
_REASON = Wording("notice.reason", "  - {reason}")
_REASON_AND = Wording("notice.reason_and", "  - {reason}\n{more}")


def _reasons(missing: tuple[Missing, ...]) -> Sentence:
    if not missing:
        return _NOT_STARTED()
    listed = _REASON(reason=missing[-1].text)
    for each in reversed(missing[:-1]):
        listed = _REASON_AND(reason=each.text, more=listed)
    return _NOT_READY(reasons=listed)


def stop_on_signals(fill: Fill, interrupt: Callable[[], None] | None = None) -> Callable[[], None]:
    """Let SIGINT and SIGTERM stop this fill; SIGINT does ``interrupt`` instead where that is given."""
    loop = asyncio.get_running_loop()

    def ask() -> None:
        fill.stop_asked = True

    loop.add_signal_handler(signal.SIGINT, interrupt or ask)
    loop.add_signal_handler(signal.SIGTERM, ask)

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


def _memory(setup: Setup, state: FillState, about: About) -> Document:
    learned = state.overruns if state.state is State.COMPLETE else ()
    return {
        **{f"overrun_s:{about.fluid}:{step}": round(value, 4) for step, value in learned},
        HOSE_HOLDS: about.hose_holds or about.fluid,
        "hose_air_l": round(max(0.0, setup.line.hose_l - state.tally.hose_l), 4),
    }


def about_liquid(fluid: Fluid, text: str | None, temp_c: float, size: str, meter: MeterFacts) -> About:
    """What work with a liquid is begun for, into or out of ``size``; ``text`` is the liquid as asked for."""
    return About(
        **values_of(meter),
        size=size,
        fluid=fluid.name,
        fluid_text=text,
        temp_c=temp_c,
        density_kg_m3=round(fluid.density_kg_m3(temp_c), 3),
        freeze_c=round(fluid.freeze_c, 1),
        ctl=round(fluid.ctl(temp_c), 6),
    )


def _about(errand: Errand, target: Target, meter: MeterFacts) -> About:
    size, question = target.cavity.designation, errand.question
    return replace(
        about_liquid(target.fluid, question.fluid, target.temp_c, size.text, meter),
        size_as_marked=None if size.shown == size.text else size.shown,
        make=question.make or None,
        valve=target.valve.name,
        valve_at=target.valve_at,
        cavity_l=round(target.cavity.volume_l, 2),
        cavity_basis=target.cavity.basis,
        working_kpa=question.wanted.working_kpa,
        position=errand.position,
        job=errand.job,
        by=errand.by,
        config=errand.config,
        asks_inside=errand.asks_inside,
        assay=question.assay,
        existing_fluid=question.holds_fluid,
        density_kg_m3=round(target.fluid_kg_m3, 3),
    )


def _whole_record(
    settings: Settings | None, setup: Setup, state: FillState, about: About, times: Times, reading: Reading | None
) -> Work:
    counted = fill_record(setup, state)
    measured = reading.fluid_c if reading is not None else None
    scopes = {check.name: check.scope for check in (*setup.checks, *state.asked)}
    fluid_c, ctl, figures = _fluid_figures(settings, about, measured, counted.net_l, setup.existing_l)
    drawn, found = setup.into == "tote", state.gas.found
    own = values_of(counted) | {name: getattr(about, name) for name in _REPEATED}
    if setup.into == "tyre":
        own |= values_of(figures)
    else:
        own |= {"density_kg_m3": figures.fluid_density_kg_m3, "mass_kg": figures.fluid_mass_kg}
    work = Work(
        **own | {"clock": times.ended_at.clock, "clock_said": times.ended_at.said},
        recovered_l=rounded(-counted.net_l, 3) if drawn else None,
        lot=(about.lot or "") if drawn else None,
        to=(about.to or "") if drawn else None,
        fluid_c=round(fluid_c, 2),
        ctl=round(ctl, 6),
        confirmed=tuple(Confirmed(each.name, scopes[each.name], each.by) for each in state.confirmed),
        # A clock corrected while the fill was interrupted may put the end before the begin.
        started_at=min(times.started_at, str(times.ended_at)),
        ended_at=str(times.ended_at),
        clock_jump_s=round(times.jump_s, 1) if times.jump_s else None,
    )
    if not about.asks_inside:
        return work
    volume = inside(setup.cavity, found, state.gas.verdict, setup.existing_l) if found else None
    return replace(work, **values_of(loaded(volume)))


def _fluid_figures(
    settings: Settings | None, about: About, measured_c: float | None, net_l: float, existing_l: float
) -> tuple[float, float, Figures]:
    """Temperature and factor to 60 degF at delivery, what came and what is inside; else as planned."""
    temp_c = about.temp_c if measured_c is None else measured_c
    try:
        fluid = fluid_of(settings, about.fluid_text or about.fluid, about.assay)
        holds = () if about.existing_fluid is None else content_of(settings, about.existing_fluid)
        return temp_c, fluid.ctl(temp_c), figures_of(fluid, net_l, temp_c, holds, existing_l)
    except (FluidError, QuantityError) as error:
        # A temperature outside the fluid's tables must not cost the record.
        return about.temp_c, about.ctl, _as_planned(about, net_l, existing_l, str(error))


def _as_planned(about: About, net_l: float, existing_l: float, why: str) -> Figures:
    density, mass_kg = round(about.density_kg_m3, 2), rounded(net_l * about.density_kg_m3 / 1000, 2)
    mixed = existing_l > 0 or about.existing_fluid is not None
    return Figures(
        mix=" + ".join([about.fluid, about.existing_fluid or UNKNOWN] if mixed else [about.fluid]),
        mix_unknown=why if mixed else None,
        freeze_c=None if mixed else about.freeze_c,
        density_kg_m3=None if mixed else density,
        mass_kg=None if mixed else mass_kg,
        fluid_freeze_c=about.freeze_c,
        fluid_density_kg_m3=density,
        fluid_mass_kg=mass_kg,
    )
