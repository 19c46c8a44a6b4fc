"""The runs of a proving: counted deliveries into an open vessel, then the verdict and its journal entry.

Each run is a delivery like any other: same ready check, guards and journal. The vessel is read by a person, or from
the simulated rig. The module must not know options or screen texts.
"""

from __future__ import annotations

import contextlib
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from rig.control.belief.state import new_fill
from rig.control.moves.decide import Decision
from rig.control.words.values import Setup
from rig.fluid import Fluid
from rig.ledger.journal import Journal
from rig.meter.proving import Before, Gate, Proving, Run, prove
from rig.meter.references import Can, Scale
from rig.record.base import Document, RecordError
from rig.record.proving import KnownCan, KnownScale, MeterCheck, ProvingRun
from rig.run.assembly import vessel_setup
from rig.run.clock_memory import records_of, utc_now
from rig.run.interrupted import journal_of
from rig.run.metering import meter_of
from rig.run.person import Person
from rig.run.refused import Refused
from rig.run.session import (
    Stopper,
    Watch,
    about_liquid,
    carry_out,
    may_begin,
    metered,
    new_id,
    recalled,
)
from rig.run.settings import Settings
from rig.run.stand_in import stand_in_of
from rig.run.work import at_work
from rig.sentence import Wording
from rig.shop.before import wiring_cautions
from rig.shop.calibration import Standing, meter_facts, meter_name, standing
from rig.shop.posting import entered
from rig.shop.second_copy import COPY_FAULT, after_record

_HISTORY = 10
"""Number of earlier provings that a new one is compared with."""


@dataclass(frozen=True, slots=True)
class Trial:
    """Parameters of a proving."""

    reference: Can | Scale
    volume_l: float
    """Litres of one run."""
    runs: int
    fluid: Fluid
    fluid_text: str
    density_kg_m3: float | None = None
    """Hydrometer reading; by default the fluid's own density."""
    temp_c: float | None = None
    """Liquid temperature, if no thermometer is wired."""
    vessel_c: float | None = None
    gate: Gate = Gate()
    by: str = ""
    config: str = ""


@dataclass(frozen=True, slots=True)
class Counted:
    """A run as counted, before the vessel is read."""

    pulses: int
    meter_c: float
    flow_lps: float | None = None


@dataclass(frozen=True, slots=True)
class Seen:
    """Reading of the vessel: litres, or kilograms on a scale; its temperature if taken."""

    amount: float
    vessel_c: float | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """A judged proving, not written yet."""

    trial: Trial
    runs: tuple[Run, ...]
    seen: tuple[Seen, ...]
    proving: Proving
    before: Standing
    k_per_l: float


Read = Callable[[int, Counted], Awaitable[Seen]]
"""Reads the vessel after a run (1, 2 …); raises Refused if that is impossible."""


async def count_runs(
    settings: Settings,
    trial: Trial,
    person: Callable[[], Person],
    read: Read,
    watch: Watch,
    stopper: Stopper | None = None,
) -> list[tuple[Counted, Seen]]:
    """Make one conditioning run that is not counted, then the runs of ``trial``, each read before the next.

    Raises Refused if a run does not complete, and what a fill raises; outputs are off afterwards.
    """
    found: list[tuple[Counted, Seen]] = []
    stand_in = stand_in_of(settings)
    with at_work(settings) as journal:
        await may_begin(settings, journal)
        settings, before = metered(settings, journal, trial.by)
        for number in range(trial.runs + 1):
            counted = await _run(settings, journal, trial, before, person(), watch, stopper)
            if number:
                found.append((counted, await read(number, counted)))
            if stand_in is not None:
                await stand_in.empties(settings)
    return found


async def _run(
    settings: Settings,
    journal: Journal,
    trial: Trial,
    before: Standing,
    person: Person,
    watch: Watch,
    stopper: Stopper | None,
) -> Counted:
    temp_c = settings.tote.temperature if trial.temp_c is None else trial.temp_c
    setup = vessel_setup(
        settings, trial.fluid, temp_c, trial.volume_l, new_id(), recalled(settings, journal, trial.fluid, before)
    )
    facts = meter_facts(before, journal.event_counts())
    about = replace(
        about_liquid(trial.fluid, trial.fluid_text, temp_c, vessel_name(trial.reference), facts),
        kind="proving run",
        position="proving",
        by=trial.by,
        config=trial.config,
        freeze_c=None,
        warned=tuple(caution.text for caution in wiring_cautions(settings)),
    )
    flows = _Flow(watch)
    ended = await carry_out(settings, journal, setup, new_fill(setup), about, person, flows, stopper)
    work = ended.work
    if work.outcome != "complete":
        raise Refused(
            Wording(
                "notice.run_ended",
                "the run ended {outcome} ({why}): nothing of this proving is kept; put that right and begin again",
            )(outcome=work.outcome, why=work.first_out or "stopped by hand")
        )
    thermometer = "fluid_temp" in settings.points or "fluid_temp" in settings.line_points
    return Counted(work.pulses, work.fluid_c if thermometer else liquid_c(settings, trial), flows.lps)


@dataclass(slots=True)
class _Flow:
    """Passes every decision on and keeps the flow just before the stop."""

    watch: Watch
    lps: float | None = None

    def __call__(self, setup: Setup, decision: Decision) -> None:
        self.lps = decision.state.stroke.stop_flow_lps or self.lps
        self.watch(setup, decision)


def vessel_name(reference: Can | Scale) -> str:
    """Name of the vessel, for the size field of a record."""
    return "known can" if isinstance(reference, Can) else "vessel on a scale"


def liquid_c(settings: Settings, trial: Trial) -> float:
    """The liquid's temperature as entered; by default the can's reference (no correction), or the tote's."""
    if trial.temp_c is not None:
        return trial.temp_c
    return trial.reference.ref_c if isinstance(trial.reference, Can) else settings.tote.temperature


def judge(settings: Settings, trial: Trial, counted: Sequence[tuple[Counted, Seen]]) -> Outcome:
    """Judge runs that were counted and read, here or elsewhere. Changes nothing but the journal's events."""
    folder = Path(settings.rig.data)
    with records_of(folder), contextlib.closing(journal_of(folder)) as journal:
        _, before = metered(settings, journal, trial.by)
        provings = journal.provings()
    name = meter_name(settings)
    before_it = [each for each in provings if each.counts and each.meter == name][-_HISTORY:]
    density = _density(trial, counted[0][0].meter_c)
    meter = meter_of(settings, settings.meter.kind, density)
    known = Before(
        pulses_per_l=meter.k_per_l,
        least_l=meter.least_l,
        pump_lps=settings.pump.flow,
        in_force=before.factor,
        history=tuple(each.check.factor for each in before_it),
    )
    runs = tuple(_of_vessel(trial, count, seen) for count, seen in counted)
    proving = prove(runs, known, trial.fluid, _doubt(trial, counted), trial.gate)
    if isinstance(trial.reference, Can) and (clings := trial.reference.clingage_note(trial.fluid, runs[0].vessel_c)):
        proving = replace(proving, tells=(*proving.tells, clings))
    return Outcome(trial, runs, tuple(seen for _, seen in counted), proving, before, meter.k_per_l)


def _density(trial: Trial, temp_c: float) -> float:
    return trial.fluid.density_kg_m3(temp_c) if trial.density_kg_m3 is None else trial.density_kg_m3


def _of_vessel(trial: Trial, count: Counted, seen: Seen) -> Run:
    taken_c = trial.vessel_c if seen.vessel_c is None else seen.vessel_c
    vessel_c = count.meter_c if taken_c is None else taken_c
    if isinstance(trial.reference, Can):
        litres = trial.reference.litres(seen.amount, vessel_c)
    else:
        litres = trial.reference.litres(seen.amount, _density(trial, vessel_c))
    return Run(count.pulses, litres, vessel_c, count.meter_c, count.flow_lps)


def _doubt(trial: Trial, counted: Sequence[tuple[Counted, Seen]]) -> float:
    if isinstance(trial.reference, Can):
        return trial.reference.doubt
    return trial.reference.doubt(min(seen.amount for _, seen in counted))


def check_of(settings: Settings, outcome: Outcome, *, accepted: bool) -> MeterCheck:
    """The proving as stored; its document is also printed by ``--json``."""
    trial, proving = outcome.trial, outcome.proving
    runs = zip(outcome.runs, outcome.seen, proving.factors, strict=True)
    mpas = [trial.fluid.viscosity_mpas(trial.fluid.liquid_c(run.meter_c)) for run in outcome.runs]
    return MeterCheck(
        meter=meter_name(settings),
        by=trial.by,
        fluid=trial.fluid.name,
        reference=_reference_of(outcome),
        runs=tuple(
            ProvingRun(run.pulses, seen.amount, run.reference_l, run.vessel_c, run.meter_c, run.flow_lps, factor)
            for run, seen, factor in runs
        ),
        factor=proving.factor,
        factors=proving.factors,
        factor_before=outcome.before.factor,
        k_per_l=outcome.k_per_l,
        k_effective_per_l=outcome.k_per_l / proving.factor,
        range_percent=proving.range_percent,
        u_percent=_finite(proving.u_percent),
        u_runs_percent=_finite(proving.u_runs_percent),
        u_reference_percent=proving.u_reference_percent,
        u_delivery_percent=_finite(proving.u_delivery_percent),
        petroleum_range_percent=proving.petroleum_range_percent,
        viscosity_mpas=(min(mpas), max(mpas)),
        curve=proving.curve,
        flows_lps=proving.flows_lps,
        passed=proving.passed,
        accepted=accepted,
        fails=proving.fails,
        asks=proving.asks,
        tells=proving.tells,
    )


def _reference_of(outcome: Outcome) -> KnownCan | KnownScale:
    trial, reference = outcome.trial, outcome.trial.reference
    if isinstance(reference, Can):
        return KnownCan(
            volume_l=reference.volume_l,
            material=reference.material,
            ref_c=reference.ref_c,
            u_percent=100 * reference.doubt,
        )
    return KnownScale(
        u_kg=reference.doubt_kg,
        air_kg_m3=reference.air.density_kg_m3(),
        density_kg_m3=_density(trial, outcome.runs[0].vessel_c),
    )


def _finite(percent: float) -> float | None:
    """None for infinity: a single run has no spread, and JSON has no infinity."""
    return percent if percent < float("inf") else None


def keep(settings: Settings, outcome: Outcome, *, accepted: bool) -> Document:
    """Write the proving, and the calibration event of an accepted one; returns the document with its number.

    A failed proving can never be accepted.
    """
    assert outcome.proving.passed or not accepted
    document = check_of(settings, outcome, accepted=accepted).document()
    with at_work(settings) as journal:
        at = utc_now()
        number = journal.append_proving(at, meter_name(settings), outcome.trial.by, document, accepted=accepted)
        found = standing(settings, journal.provings(), journal.events())
        counts = journal.event_counts()
    # The journal has it; if the book fails now, it is entered next time.
    with contextlib.suppress(RecordError):
        entered(settings)
    fault = after_record(settings)
    return {
        **({COPY_FAULT: fault} if fault else {}),
        "number": number,
        "at": at,
        **document,
        "factor_in_force": found.factor,
        "calibration_events": counts["calibration"],
        "configuration_events": counts["configuration"],
    }
