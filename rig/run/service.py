"""The service: one fill after another in one process; in between it scans the field and waits for orders.

Every order is carried out by the same functions as on the command line. A stop signal stops the fill first, outputs
off, and ends the service once its record is on the disk. The module must not know what a page is.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import signal
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from rig.control.moves.air_look import AirLook, AirSetup
from rig.field.modbus import FieldError
from rig.fluid import FluidError
from rig.ledger.journal import StoredFill
from rig.ledger.lock import LockedError
from rig.plan.target import TargetError, Wanted
from rig.record.base import RecordError
from rig.record.work import About, Ended
from rig.run.afterwards import Afterwards, afterwards_of, look
from rig.run.air_look import AirWanted, Heard, Looked, air_setup, look_with_air, room_by
from rig.run.alone import controlling
from rig.run.assembly import Question, cavity_asked
from rig.run.clock_memory import utc_now
from rig.run.facade import Facade, Live, Order, Shown
from rig.run.idle_ring import IdleRing
from rig.run.interrupted import interrupted
from rig.run.loop import Fill, Impossible, Unreachable
from rig.run.notify import READY, STOPPING, notify
from rig.run.outputs import field_of
from rig.run.prover import Counted, Seen, check_of, count_runs, judge, keep, vessel_name
from rig.run.refused import Refused
from rig.run.removal import Removal, Rinse, empty_wheel, rinse
from rig.run.session import Errand, all_off, close_as_is, fill_wheel, go_on
from rig.run.settings import Settings
from rig.sentence import Wording, joined, said_by
from rig.shop.posting import entered, journal_to_read
from rig.shop.second_copy import after_record
from rig.shop.trials import TrialText, trial_of
from rig.units import QuantityError
from rig.wheel import SizeError, ValveError

Answer = TypeVar("Answer")
_LOOK_S = 0.1
_SCAN_EVERY = 5
"""Between fills the field is scanned on every fifth look: for display only."""
_TOLD = (
    Refused, Unreachable, Impossible, FieldError, LockedError, RecordError,
    SizeError, ValveError, FluidError, TargetError, QuantityError,
)  # fmt: skip
"""Errors that prevent an order: reported to whoever gave it, and the service goes on."""


_VESSEL = Question(size="open vessel")
"""Placeholder without a wheel to draw."""


class Service:
    """The controller of one rig for a whole day."""

    def __init__(self, settings: Settings, facade: Facade) -> None:
        self._settings = settings
        self._facade = facade
        self._fill: Fill | None = None
        self._ended = False
        self._off = False
        self._ready = False
        self._after: Afterwards | None = None
        self._looked: Looked | None = None
        self._field = field_of(settings)
        self._ring = IdleRing(Path(settings.rig.data))

    async def run(self) -> None:
        """Work until a stop signal. LockedError or FieldError if the rig is not available at the start."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, self.end)
        try:
            # A module that does not answer yet is reported by the scans between fills.
            self._off = await self._switched_off()
            # The page's views only read; a faulty book is reported when work begins.
            with contextlib.suppress(RecordError):
                entered(self._settings)
                after_record(self._settings, wait_s=0.0)
            await self._work()
        finally:
            self._field.close()
            self._ring.end()
            for number in (signal.SIGINT, signal.SIGTERM):
                loop.remove_signal_handler(number)

    async def _switched_off(self) -> bool:
        """Switch every output off; whether all acknowledged. LockedError if another controller works the rig."""
        with controlling(self._settings), contextlib.suppress(FieldError):
            await all_off(self._settings)
            return True
        return False

    def end(self) -> None:
        """Stop the running work, then leave."""
        self._ended = True
        notify(STOPPING)
        if self._fill is not None:
            self._fill.stop_asked = True

    def _stoppable(self, fill: Fill) -> Callable[[], None]:
        self._fill = fill
        fill.stop_asked = self._ended

        def gone() -> None:
            self._fill = None

        return gone

    async def _work(self) -> None:
        self._show_interrupted()
        looks = 0
        while not self._ended:
            order = self._facade.take_order()
            if order is not None:
                # One connection at a time: some modules accept no second.
                self._field.close()
                self._ring.close()
                await self._carry_out(order)
                self._field = field_of(self._settings)
                self._show_interrupted()
                looks = 0
            if looks % _SCAN_EVERY == 0 or self._after is not None:
                live = await self._look()
                self._facade.beat(live)
                if not self._ready:
                    await self._become_ready(live)
            looks += 1
            await asyncio.sleep(_LOOK_S)

    async def _become_ready(self, live: Live) -> None:
        """After a scan: report to the service manager once that all outputs are off, as soon as they are."""
        if not self._off and not live.error:
            self._field.close()
            with contextlib.suppress(LockedError):
                self._off = await self._switched_off()
            self._field = field_of(self._settings)
        if self._off:
            self._ready = True
            notify(READY)

    async def _carry_out(self, order: Order) -> None:
        self._after = None
        try:
            ended = await self._do(order)
        except _TOLD as error:
            self._facade.ends(None, said_by(error))
        else:
            seen = self._facade.snapshot()
            self._after = afterwards_of(self._settings, seen.setup, seen.decision)
            # What a look has found is of the wheel as it was.
            self._looked = None if ended else self._looked
            self._facade.ends(ended, ended.second_copy_fault if ended else "")

    async def _do(self, order: Order) -> Ended | None:
        facade, settings = self._facade, self._settings
        match order.work:
            case Errand() as errand:
                facade.begins(_about(errand, errand.question.fluid or settings.tote.fluid), errand.question)
                return await fill_wheel(settings, errand, facade, facade, self._stoppable)
            case Removal() as removal:
                facade.begins(_about(removal, removal.fluid or settings.tote.fluid), removal.question)
                return await empty_wheel(settings, removal, facade, facade, self._stoppable)
            case Rinse() as wanted:
                facade.begins(Shown("drain vessel", by=wanted.by), _VESSEL)
                return await rinse(settings, wanted, facade, facade, self._stoppable)
            case TrialText() as typed:
                await self._prove(typed)
                return None
            case AirWanted() as looks:
                await self._look_with_air(looks)
                return None
            case None:
                return await self._take_up(order)

    async def _take_up(self, order: Order) -> Ended:
        """Go on with an interrupted fill, or close it."""
        facade, settings = self._facade, self._settings
        about = self._stored(order.fill_id).task
        shown = Shown(about.size, about.position, about.job, about.fluid, about.by, about.valve_at)
        facade.begins(shown, question_about(about))
        if order.kind == "close":
            return await close_as_is(settings, Path(settings.rig.data), order.fill_id, facade, self._stoppable)
        return await go_on(settings, order.fill_id, facade, facade, self._stoppable)

    async def _prove(self, typed: TrialText) -> None:
        """Make the runs, each read by a person before the next; then judge, ask, and store the result."""
        facade, settings, bench = self._facade, self._settings, self._facade.bench
        trial = trial_of(typed, settings)
        numbers = itertools.count()

        def at_the_vessel() -> Facade:
            number = next(numbers)
            which = f"run {number} of {trial.runs}" if number else "a run to wet the vessel"
            about = Shown(vessel_name(trial.reference), which, fluid=trial.fluid.name, by=trial.by)
            facade.begins(about, _VESSEL)
            return facade

        async def read(run: int, counted: Counted) -> Seen:
            bench.asks_reading(run, counted)
            seen = await self._answered(lambda: bench.seen)
            bench.goes_on()
            return seen

        bench.begins(trial.runs, trial.reference, typed.tare)
        try:
            counted = await count_runs(settings, trial, at_the_vessel, read, facade, self._stoppable)
            outcome = judge(settings, trial, counted)
            bench.asks_verdict(check_of(settings, outcome, accepted=False).document())
            taken = await self._answered(lambda: bench.accepted)
            keep(settings, outcome, accepted=taken and outcome.proving.passed)
        finally:
            bench.ends()

    async def _look_with_air(self, wanted: AirWanted) -> None:
        """Look at a wheel with air, the person answering its prompts; the result is kept until other work is done."""
        settings, facade = self._settings, self._facade

        def front(setup: AirSetup, look: AirLook) -> Heard:
            self._looked = Looked(wanted, setup, look)
            facade.beat(Live(None, looked=self._looked))
            asked = facade.take_asked()
            answered = [request.name for request in asked if request.kind == "answer"]
            stopped = self._ended or any(request.kind == "stop" for request in asked)
            return Heard(stopped, answered[-1] if answered else "")

        room_l = cavity_asked(wanted.wheel).volume_l
        setup = air_setup(settings, room_l)
        look = await look_with_air(settings, front, room_l)
        self._looked = Looked(wanted, setup, look, room_by(settings, setup, look))

    async def _answered(self, answer: Callable[[], Answer | None]) -> Answer:
        """Wait for a person's answer between two runs, scanning the field meanwhile. Refused on a stop."""
        self._field = field_of(self._settings)
        try:
            while (found := answer()) is None:
                if self._ended or self._facade.take_stop():
                    raise Refused(
                        Wording("notice.between_runs", "stopped between two runs: nothing of this proving is kept")()
                    )
                self._facade.beat(await self._look())
                await asyncio.sleep(_LOOK_S)
            return found
        finally:
            self._field.close()

    def _stored(self, fill_id: str) -> StoredFill:
        with contextlib.closing(journal_to_read(Path(self._settings.rig.data))) as journal:
            return journal.fill(fill_id)

    def _show_interrupted(self) -> None:
        with contextlib.closing(journal_to_read(Path(self._settings.rig.data))) as journal:
            self._facade.waiting([interrupted(stored) for stored in journal.unfinished()])

    async def _look(self) -> Live:
        reading = await look(self._settings, self._field, self._after)
        errors = joined(self._field.errors.values())
        self._ring.sees(reading, errors, utc_now(), asyncio.get_running_loop().time())
        return Live(reading, errors, None if self._after is None else self._after.detected, self._looked)


def _about(work: Errand | Removal, fluid: str) -> Shown:
    question = work.question
    return Shown(question.size, work.position, work.job, fluid, work.by, question.wanted.valve_at)


def question_about(about: About) -> Question:
    """The wheel of a journalled fill, as far as its picture needs it."""
    wanted = Wanted() if about.valve_at is None else Wanted(valve_at=about.valve_at)
    return replace(Question(size=about.size), wanted=wanted)
