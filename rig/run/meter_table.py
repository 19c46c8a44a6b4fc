"""The meter's configuration: kind, uncertainty, and behaviour in reverse flow and on air."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Annotated, Literal

from pydantic import Field

from rig.control.words.values import OnAir
from rig.field.points import Seconds, Strict
from rig.meter.liquid import Mechanism
from rig.meter_kind import KINDS
from rig.plan.strokes import Method
from rig.record.work import MeterKind
from rig.run.quantities import Mass, PerVolume, Volume
from rig.sentence import Wording

Percent = Annotated[float, Field(gt=0, le=50)]


class MeterTable(Strict):
    """The meter and what is known of its accuracy."""

    kind: MeterKind = "pulses"
    """pulses: counts at meter_count. total: a totaliser at meter_total. rate: flow_rate, integrated. scale: tote_mass,
    what has left the tote. tote level: the same by its level. run time: the pump's flow times its run time, the last
    resort. Other wired measures count in parallel: they serve as a cross-check, and as back-up when the meter fails."""
    k_factor: PerVolume | None = None
    """Pulses per litre by the meter's plate; only for pulses."""
    step: Volume = Field(default=0.01, gt=0)
    """Resolution in volume of a decimal totaliser, a rate or run time."""
    lag: Seconds = 0.5
    """Damping of a rate: the time constant set in the transmitter."""
    division: Mass = Field(default=0.2, gt=0)
    """Resolution of the scale."""
    level_step: Volume = Field(default=2.0, gt=0)
    """Resolution of a tote's level, if that serves as back-up or cross-check."""
    rollover: Volume | None = Field(default=None, gt=0)
    """Where a decimal totaliser wraps to 0; one of whole registers does so by itself."""
    meter_factor: float = Field(default=1.0, ge=0.8, le=1.25)
    """True volume per indicated volume, from proving."""
    proven_on: date | None = None
    """Day of that proving. Without it, or a proving by `rig prove`, every record says that the meter is not proven."""
    mechanism: Mechanism = "displacement"
    """How it measures: displacement (oval gear, piston, disc), turbine, magnetic, coriolis. It decides how much a
    liquid of another viscosity than the proven one adds to the uncertainty."""
    least_quantity: Volume = 2.0
    """Minimum volume that the meter can measure; a smaller delivery is flagged."""
    reverse: Literal["signed", "unsigned", "none"] = "signed"
    """signed: counts down, or on a second channel; unsigned: counts up in both directions; none: no reverse pulses."""
    on_air: OnAir = "counts"
    """Reading while air passes: counts its volume; part: counts something; blind: nothing, like a magnetic meter."""
    same_meter: frozenset[Literal["meter_count", "meter_total", "flow_rate"]] = frozenset({"flow_rate"})
    """Other points of this same meter: they count on if its first one fails, but are no independent cross-check."""
    beside: dict[Literal["tote_level", "tote_mass", "flow_rate", "meter_total", "meter_count"], Percent] = Field(
        default_factory=dict
    )
    """Uncertainty in percent of the volume, at 95 %, of parallel measures; by default, what is usual for the kind."""
    uncertainty: float | None = Field(default=None, gt=0, le=50)
    """Uncertainty in percent of the volume, at 95 %, until a proving; by default, what is usual for the kind."""


def meter_faults(meter: MeterTable, method: Method, *, by_hand: bool) -> list[str]:
    """List where the meter does not fit the rest of the rig, a line each."""
    return [*_of_kind(meter, method), *_of_air(meter, by_hand=by_hand), *_of_reverse(meter, by_hand=by_hand)]


def _of_kind(meter: MeterTable, method: Method) -> Iterator[str]:
    if meter.kind == "pulses" and meter.k_factor is None:
        yield Wording("config.no_k_factor", "meter.k_factor: missing; it has no safe default")()
    if KINDS[meter.kind].of_tote and method == "draw-down":
        yield Wording(
            "config.tote_air", 'meter.kind: the tote does not show air being drawn; write air_out.method = "vent"'
        )()


def _of_air(meter: MeterTable, *, by_hand: bool) -> Iterator[str]:
    if meter.on_air != "counts" and not KINDS[meter.kind].in_line:
        yield Wording("config.no_air", "meter.on_air: by {kind} no air is counted; leave it out")(kind=meter.kind)
    elif meter.on_air != "counts" and by_hand:
        yield Wording(
            "config.air_by_hand",
            "meter.on_air: by hand the meter alone shows how long the pump drew; take one that counts it",
        )()


def _of_reverse(meter: MeterTable, *, by_hand: bool) -> Iterator[str]:
    if by_hand and KINDS[meter.kind].by_time:
        yield Wording(
            "config.time_by_hand",
            "meter.kind: by hand nobody knows how long the pump ran; take a meter or the tote's scale",
        )()
    elif by_hand and meter.reverse == "none":
        yield Wording(
            "config.back_by_hand", "meter.reverse: by hand only a meter that counts both ways shows what comes back"
        )()
    if KINDS[meter.kind].by_time and meter.reverse != "none":
        yield Wording("config.time_back", 'meter.reverse: nothing counts backwards by run time; write "none"')()
