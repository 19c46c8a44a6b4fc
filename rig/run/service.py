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

from rig.control.state import in_tyre_l
from rig.control.values import Reading
from rig.field.modbus import FieldError
from rig.fluid import FluidError
from rig.ledger.journal import JournalError, StoredFill
from rig.ledger.lock import LockedError
from rig.plan.target import TargetError, Wanted
from rig.run.afterwards import Afterwards, afterwards_of
from rig.run.alone import controlling
from rig.run.assembly import Question
from rig.run.facade import Facade, Interrupted, Live, Order
from rig.run.loop import Fill, Impossible, Unreachable
from rig.run.names import OUTPUTS, SIGNALS
from rig.run.outputs import field_of
from rig.run.prover import Counted, Seen, Trial, count_runs, document_of, judge, keep, vessel_name
from rig.run.readings import PULSES, conversions, plant_s, reading_of
from rig.run.recorder import SETUP, STATE
from rig.run.removal import Removal, Rinse, empty_wheel, rinse
from rig.run.session import Errand, Refused, all_off, close_as_is, fill_wheel, go_on
from rig.run.settings import Settings
from rig.shop.posting import entered, journal_to_read
from rig.shop.second_copy import COPY_FAULT, after_record
from rig.units import QuantityError
from rig.wheel import SizeError, ValveError

Answer = TypeVar("Answer")
_LOOK_S = 0.1
_SCAN_EVERY = 5
"""Between fills the field is scanned on every fifth look: for display only."""
_TOLD = (
    Refused, Unreachable, Impossible, FieldError, LockedError, JournalError,
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
        self._after: Afterwards | None = None
        self._field = field_of(settings)

    async def run(self) -> None:
        """Work until a stop signal. LockedError or FieldError if the rig is not available at the start."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, self.end)
        try:
            with controlling(self._settings), contextlib.suppress(FieldError):
                # A module that does not answer yet is reported by the scans between fills.
                await all_off(self._settings)
            # The page's views only read; a faulty book is reported when work begins.
            with contextlib.suppress(JournalError):
                entered(self._settings)
                after_record(self._settings, wait_s=0.0)
            await self._work()
        finally:
            self._field.close()
            for number in (signal.SIGINT, signal.SIGTERM):
                loop.remove_signal_handler(number)

    def end(self) -> None:
        """Stop the running work, then leave."""
        self._ended = True
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
                await self._carry_out(order)
                self._field = field_of(self._settings)
                self._show_interrupted()
                looks = 0
            if looks % _SCAN_EVERY == 0 or self._after is not None:
                self._facade.beat(await self._look())
            looks += 1
            await asyncio.sleep(_LOOK_S)

    async def _carry_out(self, order: Order) -> None:
        self._after = None
        try:
            record = await self._do(order)
        except _TOLD as error:
            self._facade.ends(None, str(error))
        else:
            seen = self._facade.snapshot()
            self._after = afterwards_of(self._settings, seen.setup, seen.decision)
            self._facade.ends(record, str((record or {}).get(COPY_FAULT, "")))

    async def _do(self, order: Order) -> dict[str, object] | None:
        facade, settings = self._facade, self._settings
        match order.work:
            case Errand() as errand:
                facade.begins(_about(errand, errand.question.fluid or settings.tote.fluid), errand.question)
                return await fill_wheel(settings, errand, facade, facade, self._stoppable)
            case Removal() as removal:
                facade.begins(_about(removal, removal.fluid or settings.tote.fluid), removal.question)
                return await empty_wheel(settings, removal, facade, facade, self._stoppable)
            case Rinse() as wanted:
                facade.begins({"size": "drain vessel", "by": wanted.by}, _VESSEL)
                return await rinse(settings, wanted, facade, facade, self._stoppable)
            case Trial() as trial:
                await self._prove(trial)
                return None
            case None:
                return await self._take_up(order)

    async def _take_up(self, order: Order) -> dict[str, object]:
        """Go on with an interrupted fill, or close it."""
        facade, settings = self._facade, self._settings
        about = self._stored(order.fill_id).about
        facade.begins(about, question_about(about))
        if order.kind == "close":
            return await close_as_is(settings, Path(settings.rig.data), order.fill_id, facade, self._stoppable)
        return await go_on(settings, order.fill_id, facade, facade, self._stoppable)

    async def _prove(self, trial: Trial) -> None:
        """Make the runs, each read by a person before the next; then judge, ask, and store the result."""
        facade, settings, bench = self._facade, self._settings, self._facade.bench

        numbers = itertools.count()

        def at_the_vessel() -> Facade:
            number = next(numbers)
            which = f"run {number} of {trial.runs}" if number else "a run to wet the vessel"
            about = {"size": vessel_name(trial.reference), "fluid": trial.fluid.name, "by": trial.by}
            facade.begins({**about, "position": which}, _VESSEL)
            return facade

        async def read(run: int, counted: Counted) -> Seen:
            bench.asks_reading(run, counted)
            seen = await self._told(lambda: bench.seen)
            bench.goes_on()
            return seen

        bench.begins(trial.runs)
        try:
            counted = await count_runs(settings, trial, at_the_vessel, read, facade, self._stoppable)
            outcome = judge(settings, trial, counted)
            bench.asks_verdict(document_of(settings, outcome, accepted=False))
            taken = await self._told(lambda: bench.accepted)
            keep(settings, outcome, accepted=taken and outcome.proving.passed)
        finally:
            bench.ends()

    async def _told(self, answer: Callable[[], Answer | None]) -> Answer:
        """Wait for a person's answer between two runs, scanning the field meanwhile. Refused on a stop."""
        self._field = field_of(self._settings)
        try:
            while (found := answer()) is None:
                if self._ended or self._facade.take_stop():
                    raise Refused("stopped between two runs: nothing of this proving is kept")
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
            self._facade.waiting([_interrupted(stored) for stored in journal.unfinished()])

    async def _look(self) -> Live:
        began_s = asyncio.get_running_loop().time()
        await self._field.scan()
        errors, after = "; ".join(self._field.errors.values()), self._after
        reading = self._reading(began_s)
        if after is None:
            return Live(reading, errors)
        before = after.told
        after.see(reading)
        if after.told is not before:
            await self._call()
        return Live(reading, errors, after.told)

    async def _call(self) -> None:
        """Switch everything off once more, and the beacon on."""
        points = self._settings.points
        with contextlib.suppress(FieldError):
            await self._field.write({name: name == "beacon" for name in points if name in OUTPUTS | SIGNALS})

    def _reading(self, began_s: float) -> Reading:
        settings, after = self._settings, self._after
        units = conversions(settings.quantities, settings.rig.atmosphere)
        return reading_of(
            settings.brought,
            units,
            self._field.values,
            now_s=0.0 if after is None else after.clock.tick(plant_s(self._field.values, units, began_s)),
            wall_s=asyncio.get_running_loop().time(),
            began_s=began_s,
            stale_s=settings.stale_s,
            own_stale_s=settings.own_stale_s,
            gap_s=0.0,
            journal_lag_s=0.0,
            meters=PULSES if after is None else after.meters,
            acting=0 if after is None else after.state.measure,
            spoken=settings.unhurried,
        )


def _about(work: Errand | Removal, fluid: str) -> dict[str, object]:
    return {
        "size": work.question.size,
        "fluid": fluid,
        "position": work.position,
        "job": work.job,
        "by": work.by,
        "valve_at": work.question.wanted.valve_at,
    }


def _interrupted(stored: StoredFill) -> Interrupted:
    setup, state = SETUP.validate_json(stored.setup), STATE.validate_json(stored.state)
    return Interrupted(
        stored.fill_id,
        str(stored.about["size"]),
        str(stored.about["position"]),
        in_tyre_l(setup, state),
        setup.target_l,
    )


def question_about(about: dict[str, object]) -> Question:
    """The wheel of a journalled fill, as far as its picture needs it."""
    valve_at = about["valve_at"]
    wanted = Wanted(valve_at=valve_at) if isinstance(valve_at, float) else Wanted()
    return replace(Question(size=str(about["size"])), wanted=wanted)
