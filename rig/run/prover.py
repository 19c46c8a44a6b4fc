"""The runs of a proving: counted deliveries into an open vessel, then the verdict and its journal entry.

Each run is a delivery like any other: same ready check, guards and journal. The vessel is read by a person, or from
the simulated rig. The module must not know options or screen texts.
"""

from __future__ import annotations

import contextlib
from collections.abc import Awaitable, Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from rig.control.decide import Decision
from rig.control.state import new_fill
from rig.control.values import Setup
from rig.field.field import Field
from rig.field.modbus import FieldError
from rig.fluid import Fluid
from rig.ledger.journal import Journal, JournalError
from rig.meter.proving import Before, Gate, Proving, Run, prove
from rig.meter.references import Can, Scale
from rig.run.assembly import vessel_setup
from rig.run.clock_memory import records_of, utc_now
from rig.run.interrupted import journal_of
from rig.run.loop import Unreachable
from rig.run.metering import meter_of
from rig.run.person import Person
from rig.run.readings import conversions
from rig.run.session import (
    Refused,
    Stopper,
    Watch,
    carry_out,
    may_begin,
    metered,
    new_id,
    recalled,
)
from rig.run.settings import Settings
from rig.run.work import at_work
from rig.shop.before import wires_told
from rig.shop.calibration import Standing, meter_name, record_keys, standing
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
    with at_work(settings) as journal:
        await may_begin(settings, journal)
        settings, before = metered(settings, journal, trial.by)
        for number in range(trial.runs + 1):
            counted = await _run(settings, journal, trial, before, person(), watch, stopper)
            if number:
                found.append((counted, await read(number, counted)))
            await _empty(settings)
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
    about = _about(trial, temp_c) | record_keys(before, journal.event_counts())
    about |= {"warned": [caution.text for caution in wires_told(settings)]}
    flows = _Flow(watch)
    record = await carry_out(settings, journal, setup, new_fill(setup), about, person, flows, stopper, opened=False)
    if record["outcome"] != "complete":
        raise Refused(
            f"the run ended {record['outcome']} ({record['first_out'] or 'stopped by hand'}): nothing of this proving "
            "is kept; put that right and begin again"
        )
    pulses, fluid_c = record["pulses"], record["fluid_c"]
    assert isinstance(pulses, int)
    assert isinstance(fluid_c, float)
    thermometer = "fluid_temp" in settings.points or "fluid_temp" in settings.line_points
    return Counted(pulses, fluid_c if thermometer else liquid_c(settings, trial), flows.lps)


@dataclass(slots=True)
class _Flow:
    """Passes every decision on and keeps the flow just before the stop."""

    watch: Watch
    lps: float | None = None

    def __call__(self, setup: Setup, decision: Decision) -> None:
        self.lps = decision.state.stroke.stop_flow_lps or self.lps
        self.watch(setup, decision)


def _about(trial: Trial, temp_c: float) -> dict[str, object]:
    return {
        "kind": "proving run",
        "size": vessel_name(trial.reference),
        "fluid": trial.fluid.name,
        "fluid_text": trial.fluid_text,
        "temp_c": temp_c,
        "valve": None,
        "valve_at": None,
        "cavity_l": None,
        "cavity_basis": None,
        "working_kpa": None,
        "position": "proving",
        "job": "",
        "by": trial.by,
        "config": trial.config,
        "assay": 1.0,
        "density_kg_m3": round(trial.fluid.density_kg_m3(temp_c), 3),
        "ctl": round(trial.fluid.ctl(temp_c), 6),
    }


def vessel_name(reference: Can | Scale) -> str:
    """Name of the vessel, for the size field of a record."""
    return "known can" if isinstance(reference, Can) else "vessel on a scale"


def liquid_c(settings: Settings, trial: Trial) -> float:
    """The liquid's temperature as entered; by default the can's reference (no correction), or the tote's."""
    if trial.temp_c is not None:
        return trial.temp_c
    return trial.reference.ref_c if isinstance(trial.reference, Can) else settings.tote.temperature


async def _empty(settings: Settings) -> None:
    """Empty the vessel on a simulated rig; a real person does so before confirming the next ready check."""
    if "hand_in_vessel" in settings.points:
        with _field(settings) as field:
            await field.write({"hand_in_vessel": False})


async def simulated_eyes(settings: Settings) -> Seen:
    """Level of a simulated rig's open vessel, on a map with the point ``vessel_level``."""
    with _field(settings) as field:
        await field.scan()
        if field.errors:
            raise Unreachable("; ".join(field.errors.values()))
        unit = conversions(settings.quantities)["vessel_level"]
        return Seen(field.values["vessel_level"].scaled * unit.factor + unit.offset)


@contextlib.contextmanager
def _field(settings: Settings) -> Iterator[Field]:
    field = Field(settings.links, settings.points)
    try:
        yield field
    except FieldError as error:
        raise Unreachable(str(error)) from error
    finally:
        field.close()


def judge(settings: Settings, trial: Trial, counted: Sequence[tuple[Counted, Seen]]) -> Outcome:
    """Judge runs that were counted and read, here or elsewhere. Changes nothing but the journal's events."""
    folder = Path(settings.rig.data)
    with records_of(folder), contextlib.closing(journal_of(folder)) as journal:
        _, before = metered(settings, journal, trial.by)
        provings = journal.provings()
    name = meter_name(settings)
    history = [each.document["factor"] for each in provings if each.counts and each.meter == name][-_HISTORY:]
    density = _density(trial, counted[0][0].meter_c)
    meter = meter_of(settings, settings.meter.kind, density)
    known = Before(
        pulses_per_l=meter.k_per_l,
        least_l=meter.least_l,
        pump_lps=settings.pump.flow,
        in_force=before.factor,
        history=tuple(factor for factor in history if isinstance(factor, float)),
    )
    runs = tuple(_of_vessel(trial, count, seen) for count, seen in counted)
    proving = prove(runs, known, trial.fluid, _doubt(trial, counted), trial.gate)
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


def document_of(settings: Settings, outcome: Outcome, *, accepted: bool) -> dict[str, object]:
    """The stored document of a proving, also printed by ``--json``."""
    trial, proving = outcome.trial, outcome.proving
    reference = trial.reference
    known: dict[str, object] = (
        {"kind": "known can", "volume_l": reference.volume_l, "material": reference.material,
         "ref_c": reference.ref_c, "u_percent": 100 * reference.doubt}
        if isinstance(reference, Can)
        else {"kind": "scale", "u_kg": reference.doubt_kg, "air_kg_m3": reference.air.density_kg_m3(),
              "density_kg_m3": _density(trial, outcome.runs[0].vessel_c)}
    )  # fmt: skip
    runs = [
        {"pulses": run.pulses, "shown": seen.amount, "reference_l": run.reference_l, "vessel_c": run.vessel_c,
         "meter_c": run.meter_c, "flow_lps": run.flow_lps, "factor": factor}
        for run, seen, factor in zip(outcome.runs, outcome.seen, proving.factors, strict=True)
    ]  # fmt: skip
    return {
        "meter": meter_name(settings),
        "by": trial.by,
        "fluid": trial.fluid.name,
        "reference": known,
        "runs": runs,
        "factor": proving.factor,
        "factors": list(proving.factors),
        "factor_before": outcome.before.factor,
        "k_per_l": outcome.k_per_l,
        "k_effective_per_l": outcome.k_per_l / proving.factor,
        "range_percent": proving.range_percent,
        "u_percent": _finite(proving.u_percent),
        "u_runs_percent": _finite(proving.u_runs_percent),
        "u_reference_percent": proving.u_reference_percent,
        "u_delivery_percent": _finite(proving.u_delivery_percent),
        "petroleum_range_percent": proving.petroleum_range_percent,
        "curve": [list(point) for point in proving.curve],
        "flows_lps": list(proving.flows_lps),
        "passed": proving.passed,
        "accepted": accepted,
        "fails": list(proving.fails),
        "asks": list(proving.asks),
        "tells": list(proving.tells),
    }


def _finite(percent: float) -> float | None:
    """None for infinity: a single run has no spread, and JSON has no infinity."""
    return percent if percent < float("inf") else None


def keep(settings: Settings, outcome: Outcome, *, accepted: bool) -> dict[str, object]:
    """Write the proving, and the calibration event of an accepted one; returns the document with its number.

    A failed proving can never be accepted.
    """
    assert outcome.proving.passed or not accepted
    document = document_of(settings, outcome, accepted=accepted)
    with at_work(settings) as journal:
        at = utc_now()
        number = journal.append_proving(at, meter_name(settings), outcome.trial.by, document, accepted=accepted)
        found = standing(settings, journal.provings(), journal.events())
        counts = journal.event_counts()
    # The journal has it; if the book fails now, it is entered next time.
    with contextlib.suppress(JournalError):
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
