"""Mistakes between the tables of a configuration: what is missing, contradicts, or lies outside the trade's limits.

A sentence each, with its key first. It must not know files.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from rig.field.turning import FORWARD, REVERSE
from rig.run.names import DIRECTED, FEEDBACK, METER_POINT, SIMULATED, UNHURRIED
from rig.run.wiring import timeout_faults, too_slow
from rig.sentence import Wording
from rig.units import KPA_PER_PSI
from rig.wheel.bead import BEAD_LIMIT_KPA

if TYPE_CHECKING:
    from rig.run.settings import Settings

_ROUNDING_KPA = 1e-6
"""Rounding error of a conversion: 35 psi as written is not above 35 psi."""


def whole_faults(settings: Settings) -> Iterator[str]:
    """Every mistake between tables, but for wiring, pump and meter."""
    yield from _missing(settings)
    yield from _time_out(settings)
    yield from _pace(settings)
    yield from _pressures(settings)
    yield from _line(settings)
    yield from _simulation(settings)
    yield from _copy(settings)


def _missing(settings: Settings) -> Iterator[str]:
    meter, by_hand = METER_POINT.get(settings.meter.kind), settings.rig.by_hand
    pump = () if by_hand or not DIRECTED.isdisjoint(settings.points) else (FORWARD, REVERSE)
    missing = Wording("config.no_point", "points.{name}: missing; the rig cannot run without it")
    for name in (*pump, "line_pressure", *([meter] if meter else [])):
        if name not in settings.points and name not in settings.line_points:
            yield missing(name=name)
    stray = Wording(
        "config.stray_feedback", "points.{name}: there is no points.{output} that it could be the feedback of"
    )
    for output, feedback in FEEDBACK.items():
        if feedback in settings.points and output not in settings.points:
            yield stray(name=feedback, output=output)
    if settings.valves.fill_travel and "fill_valve" not in settings.points:
        yield Wording("config.no_fill_valve", "valves.fill_travel: there is no points.fill_valve; leave it out")()
    if settings.air_out.method == "vent" and "vent_valve" not in settings.points and not by_hand:
        yield Wording(
            "config.no_vent_valve", 'points.vent_valve: missing; without it write air_out.method = "draw-down"'
        )()


def _pace(settings: Settings) -> Iterator[str]:
    """Links whose interval or limits do not suit their points, or that are too slow for them."""
    count = METER_POINT.get(settings.meter.kind)
    hurried = Wording(
        "config.hurried",
        "links.{link}.scan: points.{name} is needed in every scan; give it another link, or leave scan out",
    )
    for name, link in settings.buses.items():
        mine = {each: point for each, point in settings.points.items() if point.link == name}
        late_s, least_s = settings.late_of(name), settings.late_s
        if link.scan is not None:
            least_s = link.scan + late_s
            for each in sorted(mine):
                if each not in UNHURRIED or each == count:
                    yield hurried(link=name, name=each)
        if link.stale is not None and link.stale < least_s:
            words = Wording(
                "config.stale", "links.{link}.stale: its points may be {age:number} s old when all is well; write more"
            )
            yield words(link=name, age=least_s)
        yield from too_slow(name, link, {each: point for each, point in mine.items() if not point.write_only}, late_s)


def _time_out(settings: Settings) -> Iterator[str]:
    point, limits = settings.points.get("output_timeout"), settings.limits
    if point is not None:
        yield from timeout_faults(point, limits.output_timeout)
    if point is not None and limits.timeout_fixed:
        yield Wording(
            "config.timeout_twice",
            "limits.timeout_fixed: points.output_timeout is a register that is written; leave out one",
        )()
    if point is None and not limits.timeout_fixed and limits.timeout_proven_on is not None:
        yield Wording(
            "config.no_timeout",
            "limits.timeout_proven_on: no time-out is configured; map points.output_timeout, or write "
            "timeout_fixed = true where the module has one without a register",
        )()


def _pressures(settings: Settings) -> Iterator[str]:
    limits = settings.limits
    above = Wording(
        "config.above_beads", "limits.{name}: above 35 psi, where beads burst off rims; write 25 psi or less"
    )
    for name in ("ceiling", "trip", "arrival"):
        if getattr(limits, name) > BEAD_LIMIT_KPA + _ROUNDING_KPA:
            yield above(name=name)
    if not limits.floor < limits.ceiling < limits.trip:
        yield Wording(
            "config.order", "limits: floor, ceiling and trip must rise in this order, for example 5, 20 and 25 psi"
        )()
    if limits.floor < -3 * KPA_PER_PSI - _ROUNDING_KPA:
        yield Wording(
            "config.collapse", "limits.floor: below -3 psi tubes collapse and beads let go; write -3 psi or more"
        )()
    elif limits.floor < 0 and settings.air_out.method == "vent":
        yield Wording(
            "config.vent_floor",
            "limits.floor: a vent stops at the air outside; write 0 psi or more, or take a draw-down",
        )()


def _line(settings: Settings) -> Iterator[str]:
    pipe, pump = settings.pipe, settings.pump
    if pump.relief > BEAD_LIMIT_KPA + _ROUNDING_KPA:
        yield Wording("config.relief", "pump.relief: above 35 psi; fit a relief valve of 30 psi or less")()
    if pipe.hose_loss is not None and pipe.hose_loss >= pump.relief:
        yield Wording(
            "config.hose_loss",
            "pipe.hose_loss: not below pump.relief, which would have opened; measure it with less flow",
        )()
    prime_s = pipe.suction_volume * (2 / pump.flow + 1 / (pump.reverse_flow or pump.flow))
    if settings.air_out.method == "draw-down" and pump.dry_run < prime_s:
        words = Wording(
            "config.dry_run",
            "pump.dry_run: this suction line takes {seconds:number} s of air to draw and prime; use a pump that may "
            'run dry for longer, or air_out.method = "vent"',
        )
        yield words(seconds=round(prime_s))


def _copy(settings: Settings) -> Iterator[str]:
    place, data = Path(settings.rig.second_copy).absolute(), Path(settings.rig.data).absolute()
    if settings.rig.second_copy and data in (place, *place.parents):
        yield Wording("config.copy", "rig.second_copy: lies in rig.data itself; write a folder on another medium")()


def _simulation(settings: Settings) -> Iterator[str]:
    if settings.rig.simulated:
        return
    if settings.clock.scale != 1:
        yield Wording("config.scale", "clock.scale: a real rig runs on the real clock; write 1 or leave it out")()
    only = Wording("config.only_simulated", "points.{name}: only a simulated rig has this point")
    for name in sorted(SIMULATED & set(settings.points)):
        yield only(name=name)
