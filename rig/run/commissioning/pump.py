"""Acts of a commissioning that work by a whole configuration: short runs, the controller's dry run, the proving."""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import Awaitable, Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

from rig.choice import YES_OR_NO, Choice
from rig.commission.acts import Proven, Rehearsed, Turned
from rig.commission.strokes import Sample
from rig.control.belief.state import new_fill
from rig.control.moves.decide import Decision
from rig.control.safety.guards import GUARD_NAMED
from rig.control.words.values import Setup
from rig.field.modbus import FieldError
from rig.field.values import Value
from rig.meter_kind import KINDS
from rig.run.assembly import fluid_of, vessel_setup
from rig.run.live import turned
from rig.run.loop import Unreachable
from rig.run.names import COUNTS, METER_POINT
from rig.run.person import Person, Unattended
from rig.run.prover import Counted, Seen, Trial, count_runs, judge, keep
from rig.run.readings import conversions
from rig.run.refused import Refused
from rig.run.relays import LONGEST_S, NotAnswered, all_off, switching
from rig.run.session import about_liquid, carry_out, metered, new_id, recalled
from rig.run.settings import Settings
from rig.run.steps import STOP_PRESSED, Courses, meter_fault, run_briefly, stop_pressed
from rig.run.work import at_work
from rig.shop.calibration import meter_facts
from rig.shop.trials import TrialText, seen_of, trial_of
from rig.units import KPA_PER_PSI, QuantityError

_AFTER_S = 3.0
"""How long a run's coasting is watched, by the rig's clock."""
_BEFORE = 5
"""Scans before a run."""
_OVER_RELIEF_KPA = 3 * KPA_PER_PSI
_GOES_ON = 60.0
"""Longest rehearsal beyond the pump's dry-run limit, seconds of the rig's clock."""


@dataclass(slots=True)
class _Film:
    """Samples of a run: litres past the meter, and the gauge."""

    settings: Settings
    samples: list[Sample] = field(default_factory=list)
    peak_kpa: float | None = None
    _litres: float = 0.0
    _raw: dict[str, float] = field(default_factory=dict)

    def take(self, values: Mapping[str, Value]) -> bool:
        """Take in a scan; returns whether the gauge is so high that the run ends."""
        kpa = self._kpa(values)
        self._litres += self._passed(values)
        now_s = asyncio.get_running_loop().time() * self.settings.clock.scale
        self.samples.append(Sample(now_s, self._litres, kpa))
        self.peak_kpa = kpa if self.peak_kpa is None or kpa is None else max(self.peak_kpa, kpa)
        return kpa is not None and kpa > self.settings.pump.relief + _OVER_RELIEF_KPA

    def _kpa(self, values: Mapping[str, Value]) -> float | None:
        gauge = values.get("line_pressure")
        if gauge is None or gauge.fault:
            return None
        unit = conversions(self.settings.quantities, self.settings.rig.atmosphere)["line_pressure"]
        return unit.of(gauge.scaled)

    def _passed(self, values: Mapping[str, Value]) -> float:
        """Litres since the last scan, those of a second channel taken off."""
        if self.settings.meter.kind == "pulses":
            per_l = self.settings.meter.k_factor or 1.0
            return (self._moved(values, "meter_count") - self._moved(values, "meter_reverse_count")) / per_l
        if self.settings.meter.kind == "total":
            unit = conversions(self.settings.quantities)["meter_total"]
            return self._moved(values, "meter_total") * unit.factor
        return 0.0

    def _moved(self, values: Mapping[str, Value], name: str) -> float:
        value = values.get(name)
        if value is None or value.fault:
            return 0.0
        now = value.raw if name in COUNTS else value.scaled
        step = now - self._raw.get(name, now)
        self._raw[name] = now
        point = self.settings.points[name]
        if name in COUNTS:
            return turned(step, 16 * point.registers)
        return step


async def turn(settings: Settings, output: str) -> Turned:
    """Run the pump for two seconds of the rig's clock by one of its outputs; everything off afterwards."""
    scale = settings.clock.scale
    film, courses = _Film(settings), Courses(settings)

    def scanned() -> bool:
        courses.take(wires.values)
        return film.take(wires.values)

    async with switching(settings, each_alone=False) as (wires, names):
        try:
            await all_off(wires, names)
            if stop_pressed(wires):
                return Turned(fault=STOP_PRESSED)
            for _ in range(_BEFORE):
                await asyncio.sleep(0.1 / scale)
                await wires.scan()
                scanned()
            on_s, off_s = await run_briefly(settings, wires, names, output, LONGEST_S / scale, scanned)
            clock = asyncio.get_running_loop().time
            while clock() < off_s + _AFTER_S / scale:
                await asyncio.sleep(0.1 / scale)
                await wires.scan()
                scanned()
        except FieldError as error:
            return Turned(fault=str(error))
    verdict = _verdict(settings, courses, 1 if output == "pump_run" else -1)
    return Turned("", tuple(film.samples), on_s * scale, off_s * scale, film.peak_kpa, verdict)


def _verdict(settings: Settings, courses: Courses, way: int) -> str:
    """What the meter's signals say against a run in this direction."""
    point = METER_POINT.get(settings.meter.kind)
    if not KINDS[settings.meter.kind].counts or point is None or point not in courses.of:
        return ""
    return meter_fault(courses.of, point, settings.meter.reverse, way)


# --- the controller's own dry run -------------------------------------------------------------------------------------


@dataclass(slots=True)
class _OnTime:
    """Passes nothing on; keeps how long the pump's output was commanded on, and why it was let go."""

    seconds: float = 0.0
    reason: str = ""
    _last_s: float | None = None

    def __call__(self, _setup: Setup, decision: Decision) -> None:
        now_s, on = decision.state.now_s, decision.outputs.pump_run
        if on and self._last_s is not None:
            self.seconds += now_s - self._last_s
        self._last_s = now_s
        first_out = decision.state.alarms.first_out
        if first_out and not self.reason:
            guard = GUARD_NAMED.get(first_out)
            self.reason = first_out if guard is None else guard.text


async def rehearse(settings: Settings, litres: float) -> Rehearsed:
    """A delivery into an open vessel while the pump is isolated: nothing flows, and the controller must let go.

    Its journal is thrown away: nothing has moved.
    """
    seen, fluid = _OnTime(), fluid_of(settings, "water")
    with tempfile.TemporaryDirectory() as folder:
        own = settings.model_copy(
            update={"rig": settings.rig.model_copy(update={"data": folder, "second_copy": "", "unattended": True})}
        )
        try:
            with at_work(own) as journal:
                known, before = metered(own, journal, "commissioning")
                memory = recalled(known, journal, fluid, before)
                setup = vessel_setup(known, fluid, known.tote.temperature, litres, new_id(), memory)
                facts = meter_facts(before, journal.event_counts())
                about = about_liquid(fluid, "water", known.tote.temperature, "known can", facts)
                about = replace(about, kind="proving run", position="commissioning", by="commissioning")
                async with asyncio.timeout((settings.pump.dry_run + _GOES_ON) / settings.clock.scale):
                    await carry_out(
                        known, journal, setup, new_fill(setup), about, Unattended("commissioning"), seen, None
                    )
        except TimeoutError:
            return Rehearsed(seen.seconds, "", "it never let go: the rehearsal was broken off")
        except (Refused, Unreachable) as error:
            return Rehearsed(seen.seconds, seen.reason, str(error))
    return Rehearsed(seen.seconds, seen.reason)


# --- the proving ------------------------------------------------------------------------------------------------------


class Ask(Protocol):
    """Puts a question, with the answers that it offers."""

    def __call__(self, text: str, choices: Sequence[Choice] = (), /) -> Awaitable[str]:
        """Put it and wait."""
        ...


async def prove(
    settings: Settings, can: str, by: str, config: Path, ask: Ask, person: Callable[[], Person],
    watch: Callable[[Setup, Decision], None],
) -> Proven:  # fmt: skip
    """Prove the meter with a known can, by a person who reads it and takes the factor."""
    try:
        trial = trial_of(TrialText(can=can, by=by, config=str(config)), settings)

        async def read(number: int, counted: Counted) -> Seen:
            return await _read(ask, trial, number, counted)

        counted = await count_runs(settings, trial, person, read, watch)
    except (QuantityError, Refused, Unreachable, NotAnswered) as error:
        return Proven(str(error), taken=False)
    outcome = judge(settings, trial, counted)
    found = outcome.proving
    text = f"factor {found.factor:.5f}, runs within {found.range_percent:.2f} %"
    if found.fails:
        text += f"; {'; '.join(found.fails)}"
    taken = found.passed and (await ask(f"{text}. Take this factor from now on?", YES_OR_NO)).lower() in ("y", "yes")
    kept = keep(settings, outcome, accepted=taken)
    return Proven(f"{text}; proving {kept['number']} {'taken' if taken else 'not taken'}", taken=taken)


async def _read(ask: Ask, trial: Trial, number: int, counted: Counted) -> Seen:
    """Ask for what the can shows until it is a quantity."""
    text = f'Run {number} of {trial.runs}: {counted.pulses} pulses. What does the can show? for example "20.03 L"'
    while True:
        answer = await ask(text)
        with suppress(QuantityError):
            return seen_of(answer, "0 kg", trial.reference)
        text = f'{answer!r} is no volume: write for example "20.03 L", or from the mark "+0.03 L"'
