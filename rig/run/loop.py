"""The loop of one fill: read, decide, journal, act. A stop acts first and is journalled after.

The only place where reading, clock, disk and relays meet. Any error in here ends with every output off.
"""

from __future__ import annotations

import asyncio
import dataclasses
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass

from rig.control.belief.state import FillState, out_of_use
from rig.control.moves.decide import Decision, decide
from rig.control.safety.unconfirmed import CANNOT_SAID, in_doubt, unconfirmed_for_s
from rig.control.words.procedure import ENDED, ProcedureError, State
from rig.control.words.values import Entry, Outputs, Reading, Request, RequestKind, Setup
from rig.field.field import Field
from rig.field.modbus import FieldError
from rig.ledger.journal import JournalError
from rig.ledger.lock import LockedError
from rig.run.black_box import BlackBox
from rig.run.clock import Clock
from rig.run.metering import MeterFace
from rig.run.names import HEARTBEAT, MOVING, SIGNALS
from rig.run.person import ALONE_S, Person
from rig.run.readings import Conversion, conversions, plant_s, reading_of
from rig.run.recorder import Recorder
from rig.run.settings import Settings
from rig.run.stand_in import StandIn, stand_in_of
from rig.sentence import Wording, joined, said_by


class Unreachable(RuntimeError):
    """The field does not answer, and nothing has moved yet."""


class NotOff(Unreachable):
    """Outputs cannot be switched off and no one is there to cut the supply: the fill is left open."""


class Impossible(RuntimeError):
    """A state that the controller's own rules exclude: a defect. All outputs are off, and the count is kept."""


@dataclass(slots=True)
class Fill:
    """One fill on one rig."""

    settings: Settings
    setup: Setup
    state: FillState
    field: Field
    recorder: Recorder
    person: Person
    clock: Clock
    meters: Sequence[MeterFace]
    watch: Callable[[Setup, Decision], None]
    box: BlackBox
    stop_asked: bool = False
    _beat: bool = False
    _beat_s: float = -1e9
    _inbox: list[Request] = dataclasses.field(default_factory=list)
    _before: list[Entry] = dataclasses.field(default_factory=list)
    """Entries of a fill not started yet: written together with its start, or never."""
    _wired: frozenset[str] = dataclasses.field(init=False)
    """Outputs that the fill switches."""
    _brought: frozenset[str] = dataclasses.field(init=False)
    """Points that every scan updates."""
    _unhurried: frozenset[str] = dataclasses.field(init=False)
    _stand_in: StandIn | None = dataclasses.field(init=False)
    _stale_s: float = dataclasses.field(init=False)
    _own_stale_s: Mapping[str, float] = dataclasses.field(init=False)

    def __post_init__(self) -> None:
        settings = self.settings
        self._wired, self._brought, self._unhurried = settings.outputs, settings.brought, settings.unhurried
        self._stand_in = stand_in_of(settings)
        self._stale_s, self._own_stale_s = settings.stale_s, settings.own_stale_s

    async def run(self) -> Decision:
        """Run until the fill has ended, or until the person gives up before its start.

        Raises :class:`Unreachable` if the field does not answer at the start, :class:`NotOff` if outputs cannot be
        switched off and no one is there, :class:`JournalError` if the disk fails, :class:`Impossible` on a defect.
        Outputs are off whenever this returns or raises, as far as the field can be reached.
        """
        units = conversions(self.settings.quantities, self.settings.rig.atmosphere)
        await self._arm()
        try:
            while True:
                decision = await self._turn(units)
                if decision.state.state in ENDED:
                    return decision
                if self.person.gave_up or self.stop_asked:
                    self._leave(decision.state)
                if self.person.gave_up:
                    return decision
                await self._pause()
        except (AssertionError, ProcedureError) as error:
            raise Impossible(
                Wording("refused.defect", "the controller met what its own rules exclude ({what})")(
                    what=str(error or "assertion")
                )
            ) from error
        finally:
            await self._everything_off()

    def _leave(self, state: FillState) -> None:
        """Raise NotOff, leaving the fill open, once outputs that may be on have been retried for long enough."""
        if in_doubt(state) and (self.person.gave_up or unconfirmed_for_s(state) > ALONE_S):
            words = Wording(
                "notice.stays_open",
                "{cannot}\n  {faults}\n  Fill {fill_id} stays open: when the supply is cut, or the modules answer "
                "again, end it by `rig close`, or go on by `rig resume`",
            )
            faults = joined(self.field.unconfirmed.values())
            raise NotOff(words(cannot=CANNOT_SAID, faults=faults, fill_id=self.setup.fill_id))

    async def _arm(self) -> None:
        """Switch all off and write the output module's time-out, before anything else is relied on.

        Raises :class:`LockedError` if an output was on before a new fill: another controller may work this rig.
        """
        try:
            found_on = await self._found_on()
            await self.field.write(self._all_off())
            if found_on:
                self.field.close()
                raise LockedError(
                    Wording(
                        "refused.was_on",
                        "{names} was on before this program switched anything: another controller may work "
                        "this rig, or an output was left on. It is off now; find out which, then start again",
                    )(names=", ".join(found_on))
                )
            await self._write_timeout()
            await self.field.scan()
        except FieldError as error:
            raise Unreachable(said_by(error)) from error
        if self.field.errors:
            raise Unreachable(joined(self.field.errors.values()))

    async def _write_timeout(self) -> None:
        if self.setup.has_timeout:
            unit = conversions(self.settings.quantities)["output_timeout"]
            await self.field.write_number("output_timeout", (self.setup.timeout_s - unit.offset) / unit.factor)

    async def _found_on(self) -> list[str]:
        """Outputs that are on before the start of a new fill; an interrupted fill may have left its own on."""
        if self.state.state is not State.IDLE:
            return []
        await self.field.scan()
        values = self.field.values
        return sorted(name for name in self._wired & MOVING if name in values and values[name].raw)

    async def _turn(self, units: Mapping[str, Conversion]) -> Decision:
        began_s = asyncio.get_running_loop().time()
        idle = out_of_use(self.setup, self.state)
        await self.field.scan(idle)
        requests = await self._requests()
        wall_s = asyncio.get_running_loop().time()
        now_s = self.clock.tick(plant_s(self.field.values, units, began_s))
        reading = reading_of(
            self._brought,
            units,
            self.field.values,
            now_s=now_s,
            wall_s=wall_s,
            began_s=began_s,
            stale_s=self._stale_s,
            own_stale_s=self._own_stale_s,
            gap_s=self.clock.gap_s,
            bus_s=round(self.field.waited_s, 3),
            journal_lag_s=self._journal_lag_s(),
            meters=self.meters,
            acting=self.state.measure,
            spoken=self._unhurried,
            idle=idle,
            unconfirmed=self.field.unconfirmed,
            unrenewed=self.field.unrenewed,
            elsewhere=self.field.elsewhere,
        )
        if reading.output_timeout_s is not None:
            self.field.armed = self.setup.armed(reading.output_timeout_s)
        decision = self._decided(reading, requests)
        self.state = decision.state
        await self._carry_out(decision)
        self.watch(self.setup, decision)
        self._inbox.extend(self.person.requests(self.setup, decision))
        return decision

    def _decided(self, reading: Reading, requests: Sequence[Request]) -> Decision:
        """The decision, recorded; so is the scan that a defect makes impossible."""
        try:
            decision = decide(self.setup, self.state, reading, requests)
        except (AssertionError, ProcedureError) as error:
            self.box.scan(reading, requests, None, repr(error))
            raise
        self.box.scan(reading, requests, decision)
        return decision

    def _journal_lag_s(self) -> float:
        try:
            return round(self.recorder.lag_s, 3)
        except JournalError:
            # Do not retry a failed write: its guard puts the fill on hold.
            return float("inf")

    async def _requests(self) -> list[Request]:
        requests, self._inbox = self._inbox, []
        if self.stop_asked:
            # Repeated in every scan until the fill has ended: a fill about to trip can only be closed.
            kind: RequestKind = "end" if self.state.state is State.ABORTED else "stop"
            requests.append(Request(f"signal-{self.state.now_s}", kind, by="signal"))
        if self._stand_in is not None:
            for request in requests:
                await self._move_hands(self._stand_in, request)
        return requests

    async def _move_hands(self, stand_in: StandIn, request: Request) -> None:
        moves = stand_in.moves(request.kind, request.name)
        known = {name: on for name, on in moves.items() if name in self.settings.points}
        if known:
            await self._write(known)

    async def _carry_out(self, decision: Decision) -> None:
        wanted = self._outputs(decision.outputs) | self._heartbeat(decision)
        first = any(entry.first for entry in decision.entries) and decision.outputs.moving
        if not first:
            await self._write(wanted)
        await self._journal(decision, wait=first)
        if first:
            await self._write(wanted)
        if decision.arm:
            with suppress(FieldError):
                # The next scan shows whether it was taken.
                await self._write_timeout()

    def _heartbeat(self, decision: Decision) -> dict[str, bool]:
        """Next state of the heartbeat output: it pulses while something is to move and every scan is fresh."""
        if HEARTBEAT not in self.settings.points:
            return {}
        now_s = decision.state.now_s
        if not decision.outputs.moving:
            self._beat = False
        elif decision.facts.reading.fresh and now_s - self._beat_s >= self.settings.clock.heartbeat / 2:
            self._beat, self._beat_s = not self._beat, now_s
        return {HEARTBEAT: self._beat}

    async def _journal(self, decision: Decision, *, wait: bool) -> None:
        entries = [*self._before, *decision.entries]
        if decision.state.state is State.IDLE or not (self.recorder.opened or decision.state.opened_s):
            self._before = entries
        elif entries:
            self._before = []
            await self.recorder.append(self.setup, decision.state, entries, wait=wait)

    def _outputs(self, outputs: Outputs) -> dict[str, bool]:
        wired = self._wired
        return {name: getattr(outputs, name) for name in Outputs.__dataclass_fields__ if name in wired}

    def _all_off(self) -> dict[str, bool]:
        return dict.fromkeys(self._wired, False)

    async def _write(self, wanted: dict[str, bool]) -> None:
        try:
            await self.field.write(wanted, SIGNALS)
        except FieldError:
            # The next scan detects a field that does not answer or a relay that does not obey; the guards act on that.
            return

    async def _everything_off(self) -> None:
        with suppress(FieldError):
            # Outputs not known to be off are in the state already.
            await self.field.let_go(self._wired)
        self.field.close()

    async def _pause(self) -> None:
        await asyncio.sleep(self.settings.clock.scan / self.settings.clock.scale)
