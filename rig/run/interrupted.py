"""Before work begins: switch all outputs off, find an interrupted fill, and close such a fill as it is."""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import reduce
from pathlib import Path

from rig.control.belief.state import FillState, bases, in_tyre_l, out_of_use
from rig.control.moves.recover import recovered
from rig.control.safety.unconfirmed import CANNOT_SAID, in_doubt
from rig.control.words.flags import Flag
from rig.control.words.procedure import State
from rig.control.words.values import Reading, Setup
from rig.field.field import LATE, Field
from rig.field.modbus import FieldError
from rig.ledger.journal import Journal, StoredFill
from rig.ledger.moment import UNBELIEVED
from rig.run.clock_memory import now_in
from rig.run.loop import Unreachable
from rig.run.metering import MeterFace, faces
from rig.run.outputs import dropped_after_s, field_of
from rig.run.readings import PULSES, conversions, reading_of
from rig.run.recorder import restored
from rig.run.refused import Refused
from rig.run.settings import Settings
from rig.sentence import Sentence, Wording, joined, said_by
from rig.shop.posting import JOURNAL_NAME, not_to_be_filled


@dataclass(frozen=True, slots=True)
class Interrupted:
    """An interrupted fill, to be resumed or closed."""

    fill_id: str
    size: str
    position: str
    in_tyre_l: float
    target_l: float


def interrupted(stored: StoredFill) -> Interrupted:
    """What is shown of an interrupted fill; RecordError if its state cannot be read."""
    (setup, state), task = restored(stored), stored.task
    return Interrupted(stored.fill_id, task.size, task.position or "", in_tyre_l(setup, state), setup.target_l)


def journal_of(folder: Path) -> Journal:
    """The journal in a rig's folder."""
    return Journal(folder / JOURNAL_NAME)


async def all_off(settings: Settings) -> None:
    """Switch every output off; raises FieldError if a module does not acknowledge."""
    field = field_of(settings)
    try:
        await field.write(dict.fromkeys(settings.outputs, False))
    finally:
        field.close()


async def may_begin(settings: Settings, journal: Journal) -> None:
    """Refuse work while a fill is left interrupted (outputs are switched off), or if the book is unsound."""
    waiting = journal.unfinished()
    if waiting:
        outputs = Wording("notice.all_off", "outputs are off")()
        try:
            await all_off(settings)
        except FieldError as error:
            words = Wording("notice.not_all_off", "the outputs {cannot} ({error})")
            outputs = words(cannot=CANNOT_SAID, error=said_by(error))
        raise Refused(_one_below_another([_waiting_text(stored, outputs) for stored in waiting]))
    if (why := not_to_be_filled(Path(settings.rig.data))) is not None:
        raise Refused(why)


def _one_below_another(lines: Sequence[Sentence]) -> Sentence:
    words = Wording("notice.below", "{one}\n{other}")
    return reduce(lambda one, other: words(one=one, other=other), lines)


def _waiting_text(stored: StoredFill, outputs: Sentence) -> Sentence:
    setup, state = restored(stored)
    about = stored.task
    words = Wording(
        "notice.interrupted",
        "fill {fill_id} ({size} {position}) was interrupted in step '{phase}' with {counted:volume} of {target:volume} "
        "counted until then; {outputs}.\n  Go on: rig resume {fill_id}    Close it as it is: rig close {fill_id}",
    )
    return words(
        fill_id=stored.fill_id,
        size=about.size,
        position=about.position or "",
        phase=state.phase.value,
        counted=in_tyre_l(setup, state),
        target=setup.target_l,
        outputs=outputs,
    )


def unfinished(journal: Journal, fill_id: str) -> StoredFill:
    """The unfinished fill of that id; Refused if it is finished already."""
    stored = journal.fill(fill_id)
    if stored.work is not None:
        raise Refused(
            Wording("refused.finished", "fill {fill_id} is finished already; nothing to go on with")(fill_id=fill_id)
        )
    return stored


async def closed_state(
    settings: Settings | None, journal: Journal, fill_id: str, setup: Setup, state: FillState, *, supply_cut: bool
) -> FillState:
    """The state in which an interrupted fill is closed: from a current reading, or else from how much may have moved.

    Refused while an output may be on that cannot be switched off here, unless a person confirms that the supply is cut.
    """
    may_run = state.outputs.moving or in_doubt(state)
    fault: str = Wording("notice.no_configuration", "there is no configuration")()
    reading, dark_s, drop_s = None, math.inf, math.inf
    if settings is not None:
        try:
            await all_off(settings)
            fault = ""
        except FieldError as error:
            fault = said_by(error)
        reading = await _reading_if_any(settings, setup, state)
        dark_s, drop_s = _dark_s(settings, journal, fill_id), LATE * dropped_after_s(settings)
        if fault and dark_s > drop_s and not math.isinf(dark_s):
            # A person has seen the modules' own time-out work: it has switched off since.
            fault = ""
    if may_run and fault and not supply_cut:
        words = Wording(
            "notice.say_cut",
            "{cannot} ({fault})\n  When it is cut and the pump stands, say so: rig close {fill_id} --supply-cut",
        )
        raise Refused(words(cannot=CANNOT_SAID, fault=fault, fill_id=fill_id))
    state = recovered(setup, state, reading, ran_s=min(dark_s, drop_s))
    flags = {Flag.SUPPLY_CUT} if may_run and fault else set()
    return replace(state, state=State.STOPPED, flags=state.flags | flags, unconfirmed_s=None)


def ran_on_s(settings: Settings, journal: Journal, fill_id: str) -> float:
    """The longest that a pump may have run since the last journal entry of a fill, seconds; infinite if unknown.

    Up to now, when it is switched off, or up to the modules' own time-out if a person has seen that work.
    """
    return min(_dark_s(settings, journal, fill_id), LATE * dropped_after_s(settings))


def _dark_s(settings: Settings, journal: Journal, fill_id: str) -> float:
    """Age of the latest state of a fill, by the rig's clock; infinite if the time is not trusted."""
    now, last = now_in(Path(settings.rig.data)), journal.fill(fill_id).state_at
    if now.clock == UNBELIEVED:
        return math.inf
    return max((datetime.fromisoformat(now) - datetime.fromisoformat(last)).total_seconds(), 0.0) * settings.clock.scale


async def _reading_if_any(settings: Settings, setup: Setup, state: FillState) -> Reading | None:
    field = field_of(settings)
    with contextlib.closing(field), contextlib.suppress(Unreachable):
        return await one_reading(settings, field, setup, state)
    return None


async def one_reading(settings: Settings, field: Field, setup: Setup, state: FillState) -> Reading:
    """One current reading of the field; Unreachable if part of it does not answer."""
    began_s = asyncio.get_running_loop().time()
    await field.scan(out_of_use(setup, state))
    if field.errors:
        raise Unreachable(joined(field.errors.values()))
    return reading_now(
        settings,
        field,
        began_s,
        meters=faces(settings, setup.line, bases(setup, state)),
        acting=state.measure,
        idle=out_of_use(setup, state),
    )


def reading_now(
    settings: Settings,
    field: Field,
    began_s: float,
    *,
    now_s: float = 0.0,
    meters: Sequence[MeterFace] = PULSES,
    acting: int = 0,
    idle: Collection[str] = (),
) -> Reading:
    """The reading of a scan that began at ``began_s`` (wall clock) while no fill runs; ``now_s`` as it is to state."""
    return reading_of(
        settings.brought,
        conversions(settings.quantities, settings.rig.atmosphere),
        field.values,
        now_s=now_s,
        wall_s=asyncio.get_running_loop().time(),
        began_s=began_s,
        stale_s=settings.stale_s,
        own_stale_s=settings.own_stale_s,
        gap_s=0.0,
        journal_lag_s=0.0,
        meters=meters,
        acting=acting,
        spoken=settings.unhurried,
        idle=idle,
    )
