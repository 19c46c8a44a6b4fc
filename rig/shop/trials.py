"""Parsing of a person's entries for a proving: its parameters as a trial, and the vessel's readings as numbers.

One parser for the terminal and the page. Unreadable text raises a :class:`QuantityError` that states what to write
instead.
"""

from __future__ import annotations

from rig.field.points import Strict
from rig.meter.proving import MOST_RUNS, Gate
from rig.meter.references import CAN_DOUBT, Air, Can, Material, Scale
from rig.run.assembly import fluid_of
from rig.run.prover import Counted, Seen, Trial, liquid_c
from rig.run.settings import Settings
from rig.sentence import Wording
from rig.units import Kind, QuantityError, parse

_WIDEST_RANGE = 0.5
"""Per cent; maintenance tolerance for such meters (NIST Handbook 44, 3.30, from memory)."""
_WATER_DENSITY_DOUBT, _HYDROMETER_DOUBT, _RECIPE_DOUBT = 2e-4, 1e-3, 5e-3
"""Density uncertainty in a proving by weight. Water is known; a hydrometer is read to a unit in the third place; a
recipe to half a per cent. Assumed, no source."""


class TrialText(Strict):
    """A proving as typed, each field named like its option; None leaves it to the rig."""

    can: str | None = None
    can_temp_ref: str = "60 degF"
    can_doubt: str | None = None
    material: Material = "mild steel"
    scale: str | None = None
    tare: str = "0 kg"
    volume: str | None = None
    density: str | None = None
    air_temp: str = "20 degC"
    humidity: float = 50.0
    fluid: str | None = None
    temp: str | None = None
    vessel_temp: str | None = None
    runs: int = 3
    readings: str | None = None
    pulses: str | None = None
    reference: str | None = None
    flows: str | None = None
    range: float = Gate().range_percent
    by: str = ""
    config: str = ""


def trial_of(typed: TrialText, settings: Settings) -> Trial:
    """The trial described by the texts; QuantityError if they contradict each other."""
    text = typed.fluid or settings.tote.fluid
    fluid = fluid_of(settings, text)
    if (typed.can is not None) + (typed.scale is not None) + (typed.reference is not None) != 1:
        raise QuantityError(
            Wording(
                "proving.with_what",
                'what is the meter compared with? write one of --can "20 L", --scale "0.05 kg", or --reference '
                '"100 gal" with --pulses',
            )()
        )
    if not 1 <= typed.runs <= MOST_RUNS:
        raise QuantityError(
            Wording("proving.runs", "--runs {runs}: write 3 to {most}")(runs=typed.runs, most=MOST_RUNS)
        )
    if not 0 < typed.range <= _WIDEST_RANGE:
        raise QuantityError(
            Wording("proving.range", "--range {range:number}: write at most {most:number}, the tolerance itself")(
                range=typed.range, most=_WIDEST_RANGE
            )
        )
    reference: Can | Scale
    if typed.scale is None:
        reference = _can(typed)
        volume_l = reference.volume_l
    else:
        reference = _scale(typed.scale, typed, settings, water=fluid.kind == "water")
        volume_l = 0.0 if typed.volume is None else parse(typed.volume, "volume")
    if volume_l <= 0 and typed.pulses is None:
        words = Wording("proving.how_much", 'how much is delivered in one run? for example --volume "40 L"')
        raise QuantityError(words())
    return Trial(
        reference=reference,
        volume_l=volume_l,
        runs=typed.runs,
        fluid=fluid,
        fluid_text=text,
        density_kg_m3=_maybe(typed.density, "density"),
        temp_c=_maybe(typed.temp, "temperature"),
        vessel_c=_maybe(typed.vessel_temp, "temperature"),
        gate=Gate(range_percent=typed.range),
        by=typed.by,
        config=typed.config,
    )


def _maybe(text: str | None, kind: Kind) -> float | None:
    return None if text is None else parse(text, kind)


def _can(typed: TrialText) -> Can:
    doubt = CAN_DOUBT[typed.material] if typed.can_doubt is None else _percent(typed.can_doubt)
    volume_l = parse(typed.can or typed.reference or "", "volume")
    if volume_l <= 0:
        words = Wording("proving.empty_can", "a can of nothing proves nothing: write what it holds up to its mark")
        raise QuantityError(words())
    return Can(volume_l, typed.material, parse(typed.can_temp_ref, "temperature"), doubt)


def _scale(text: str, typed: TrialText, settings: Settings, *, water: bool) -> Scale:
    density_doubt = _HYDROMETER_DOUBT if typed.density else _WATER_DENSITY_DOUBT if water else _RECIPE_DOUBT
    air = Air(settings.rig.atmosphere, parse(typed.air_temp, "temperature"), typed.humidity)
    return Scale(parse(text, "mass"), density_doubt, air)


def _percent(text: str) -> float:
    try:
        share = float(text.rstrip("% ")) / 100
    except ValueError:
        share = -1.0
    if not 0 <= share < 1:
        raise QuantityError(
            Wording("proving.percent", "'{text}' is no percentage: write for example --can-doubt 0.05")(text=text)
        )
    return share


# --- readings -------------------------------------------------------------------------------------------------------


def seen_of(text: str, tare: str, reference: Can | Scale) -> Seen:
    """Parse one reading: ``20.03 L``, from the mark ``+0.03 L``, by weight ``20.01 kg``, with a temperature
    after ``@`` if taken. QuantityError with what to write instead.
    """
    amount, _, temp = (part.strip() for part in text.partition("@"))
    vessel_c = parse(temp, "temperature") if temp else None
    if isinstance(reference, Scale):
        found = parse(amount, "mass") - parse(tare, "mass")
    elif amount[:1] in "+-":
        found = reference.volume_l + parse(amount, "volume")
    else:
        found = parse(amount, "volume")
    if found <= 0:
        words = Wording("proving.nothing", "'{text}': nothing in the vessel? write what it shows")
        raise QuantityError(words(text=text[:60]))
    return Seen(found, vessel_c)


def listed(text: str) -> list[str]:
    """Items separated by semicolons, or by commas if there are none."""
    return [item.strip() for item in text.split(";" if ";" in text else ",") if item.strip()]


def offline_runs(typed: TrialText, settings: Settings, trial: Trial) -> list[tuple[Counted, Seen]]:
    """Runs as typed: pulses, and the reference's reading in each (by default its volume)."""
    try:
        pulses = [int(item) for item in listed(typed.pulses or "")]
    except ValueError as error:
        raise QuantityError(f"--pulses {typed.pulses!r}: write whole numbers, for example 25010,25015,25012") from error
    if not pulses or min(pulses) <= 0 or len(pulses) > MOST_RUNS:
        raise QuantityError(f"--pulses: write the pulses of 3 to {MOST_RUNS} runs, each above zero")
    if typed.readings is not None:
        seen = [seen_of(item, typed.tare, trial.reference) for item in listed(typed.readings)]
    elif isinstance(trial.reference, Can):
        seen = [Seen(trial.reference.volume_l)] * len(pulses)
    else:
        raise QuantityError("--readings: what did the scale show in each run?")
    flows: list[float | None] = [None] * len(pulses)
    if typed.flows is not None:
        flows = [parse(item, "flow") for item in listed(typed.flows)]
    if not len(pulses) == len(seen) == len(flows):
        raise QuantityError(
            f"{len(pulses)} runs by --pulses, {len(seen)} readings, {len(flows)} flows: one of each a run"
        )
    meter_c = liquid_c(settings, trial)
    return [(Counted(count, meter_c, flow), each) for count, flow, each in zip(pulses, flows, seen, strict=True)]
