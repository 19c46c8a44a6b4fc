"""Derive the target and the setup of one fill from a configuration and a question. No port is opened here."""

from __future__ import annotations

from dataclasses import dataclass, replace

from rig.control.words.checks import LEVER, Support, checks_for, checks_for_vessel, look_doubts
from rig.control.words.values import CavityFacts, Check, GaugeFacts, Setup
from rig.fluid import Fluid, Part, read_content, read_fluid, vapour_kpa
from rig.plan.physics import Line, hose_loss_kpa, series_bore_m
from rig.plan.strokes import Window
from rig.plan.target import Target, Wanted, half_percent_from_l, target_for
from rig.run.metering import meter_of, meters_of
from rig.run.mistakes import closest
from rig.run.readings import conversions
from rig.run.settings import Settings
from rig.sentence import Wording
from rig.wheel import Cavity, Learned, Measured, SizeError, cavity_of, read_size, valve_named
from rig.wheel.room import Room, missing_l

_LEVEL_STEPS = 40
_BOUND = 1.5
"""From the 95 % band of a size to what the controller takes for its bounds: from two standard deviations to three."""
_DEFAULT_VALVE = "air-water"
_LOOK_SHARE = 0.4
"""Largest share of the fill's duration for the stroke that measures the cavity."""
_CAN_C = 15.0
"""Water temperature at which a hose's loss is measured."""
_DISCHARGE = 0.7
"""Coefficient of the valve bore until the first stroke has measured the line's loss."""


@dataclass(frozen=True, slots=True)
class Question:
    """A person's request for one wheel."""

    size: str
    wanted: Wanted = Wanted()
    measured: Measured = Measured()
    taught_l: float | None = None
    taught_u_l: float | None = None
    """At 95 %, where strokes have measured it; None: by a reference fill."""
    valve: str = _DEFAULT_VALVE
    fluid: str | None = None
    """If None, the liquid in the tote."""
    temp_c: float | None = None
    assay: float | None = None
    """Share of calcium chloride in the flake by which a mix is specified; None: not stated."""
    make: str = ""
    """Maker and tread, as on the sidewall; empty: not stated."""
    learned: Learned | None = None
    """The cavity by measured wheels of this size; None: none that is known."""
    holds_fluid: str | None = None
    """What the tyre already holds: a fluid, or several with their volumes (``20 gal water + 180 L cacl2:20%``)."""
    support: Support = "jacked"
    room: Room | None = None
    """The room for air, where a look before the first drop has measured it."""


@dataclass(frozen=True, slots=True)
class Memory:
    """What the rig learned from earlier fills."""

    overruns: tuple[tuple[int, float], ...] = ()
    """Seconds of overrun after a stop with this fluid, by step of flow."""
    hose_air_l: float = 0.0
    curve: tuple[tuple[float, float], ...] = ()
    """The meter's linearisation, from its last proving."""
    tote_l: float | None = None
    """Litres left in the tote at the pump by the book; None if unknown."""


def answer(settings: Settings, question: Question) -> Target:
    """Compute the target for a question on this rig.

    Raises SizeError, ValveError, FluidError or TargetError with what to change.
    """
    cavity = cavity_asked(question)
    valve = valve_named(question.valve)
    if settings.flush.order is not None:
        valve = replace(valve, stop_order=settings.flush.order)
    fluid = fluid_of(settings, question.fluid or settings.tote.fluid, question.assay)
    temp_c = settings.tote.temperature if question.temp_c is None else question.temp_c
    rise_m = valve_above_gauge_m(settings, cavity, question.wanted.valve_at)
    line = line_of(settings, fluid, temp_c, valve.bore_m, rise_m)
    window = Window(settings.limits.floor, settings.limits.ceiling)
    wanted = question.wanted
    if question.holds_fluid is not None:
        holds = content_of(settings, question.holds_fluid)
        wanted = replace(wanted, known=replace(wanted.known, holds=holds))
    if wanted.margin_m == 0 and settings.limits.margin:
        wanted = replace(wanted, margin_m=settings.limits.margin)
    target = target_for(cavity, valve, fluid, temp_c, wanted, line, window, settings.air_out.method)
    return replace(target, half_percent_from_l=_half_percent_from_l(settings))


def cavity_asked(question: Question) -> Cavity:
    """The cavity of the wheel in question; SizeError or MeasureError with what to change."""
    return cavity_of(
        read_size(question.size), question.measured, question.taught_l, question.taught_u_l, question.learned
    )


def wheel_question(settings: Settings, name: str, question: Question) -> Question:
    """Question with the size, volume, valve and measurements of a configured wheel in place of its own.

    SizeError when the configuration has no such wheel.
    """
    wheel = settings.wheels.get(name)
    if wheel is None:
        near = closest(name, settings.wheels)
        if near is not None:
            words = Wording(
                "refused.no_shop_wheel_near", "no wheel '{name}' in the configuration; did you mean '{near}'?"
            )
            raise SizeError(words(name=name, near=near))
        words = Wording("refused.no_shop_wheel", "no wheel '{name}' in the configuration; known are {known}")
        raise SizeError(words(name=name, known=", ".join(sorted(settings.wheels))))
    return replace(
        question,
        size=wheel.size,
        wanted=replace(question.wanted, valve_at=wheel.valve_at),
        measured=wheel.measured,
        taught_l=wheel.taught_l,
        taught_u_l=wheel.cavity_u,
        make=question.make or wheel.make,
        valve=wheel.valve or question.valve,
    )


def content_of(settings: Settings | None, text: str) -> tuple[Part, ...]:
    """What a wheel holds by a text; FluidError or QuantityError where it cannot be read."""
    return read_content(text, lambda name: fluid_of(settings, name))


def fluid_of(settings: Settings | None, text: str, assay: float | None = None) -> Fluid:
    """The fluid that ``text`` names, with settings the shop's own among them; FluidError when there is none."""
    shop = {} if settings is None else {name: table.as_table(name) for name, table in settings.fluids.items()}
    return read_fluid(text, assay, shop)


def _half_percent_from_l(settings: Settings) -> float | None:
    meter = meter_of(settings, settings.meter.kind)
    return half_percent_from_l(
        meter.litres_per_pulse, settings.pipe.hose_volume, meter.uncertainty, meter.least_l, settings.air_out.method
    )


def valve_above_gauge_m(settings: Settings, cavity: Cavity, clock: float) -> float:
    """Height of the valve above the gauge.

    The axle is half a wheel above the ground; a few centimetres of jack height are a hundredth of a psi each.
    """
    return cavity.outline.diameter_m / 2 + cavity.valve_height_m(clock) - settings.pipe.gauge_height


def line_of(settings: Settings, fluid: Fluid, temp_c: float, bore_m: float, rise_m: float) -> Line:
    """The line from gauge to tyre as configured, filled with this fluid."""
    line = _line_as_drawn(settings, fluid, temp_c, bore_m, rise_m)
    if settings.pipe.hose_loss is None:
        return line
    # Method of equivalent lengths: a hose of that length and the same bore has the same loss, also with other liquids.
    water = fluid_of(settings, "water")
    tried = replace(line, density_kg_m3=water.density_kg_m3(_CAN_C), viscosity_mpas=water.viscosity_mpas(_CAN_C))
    share = settings.pipe.hose_loss / hose_loss_kpa(tried, settings.pump.flow)
    return replace(line, hose_length_m=share * line.hose_length_m)


def _line_as_drawn(settings: Settings, fluid: Fluid, temp_c: float, bore_m: float, rise_m: float) -> Line:
    pipe, pump = settings.pipe, settings.pump
    if pipe.gun_bore is not None:
        bore_m = series_bore_m(bore_m, pipe.gun_bore)
    return Line(
        pump_lps=pump.flow,
        slip_lps_per_kpa=pump.slip,
        relief_kpa=pump.relief,
        hose_length_m=pipe.hose_length,
        hose_bore_m=pipe.hose_bore,
        hose_l=pipe.hose_volume,
        suction_l=pipe.suction_volume,
        bore_m=bore_m,
        discharge=_DISCHARGE,
        rise_m=rise_m,
        density_kg_m3=fluid.density_kg_m3(temp_c),
        viscosity_mpas=fluid.viscosity_mpas(temp_c),
        vapour_kpa=vapour_kpa(fluid, temp_c),
        atmosphere_kpa_abs=settings.rig.atmosphere,
        vent_bore_m=settings.air_out.vent_bore,
        start_lag_s=pump.start_lag,
        coast_s=pump.coast,
        dry_run_s=pump.dry_run,
        dry_rest_s=pump.dry_rest,
        reverse_lps=pump.reverse_flow,
    )


def setup_of(settings: Settings, question: Question, target: Target, fill_id: str, memory: Memory) -> Setup:
    """Assemble everything that one fill needs."""
    rise_m = valve_above_gauge_m(settings, target.cavity, target.valve_at)
    line = line_of(settings, target.fluid, target.temp_c, target.valve.bore_m, rise_m)
    straight, *beside = meters_of(settings, line.density_kg_m3)
    return Setup(
        fill_id=fill_id,
        target_l=target.target_l,
        existing_l=target.existing_l,
        tolerance_l=settings.limits.tolerance,
        cavity=cavity_facts(target.cavity, target.valve_at),
        line=line,
        window=target.window,
        trip_kpa=settings.limits.trip,
        arrival_kpa=settings.limits.arrival,
        method=settings.air_out.method,
        stop_order=target.valve.stop_order,
        meter=replace(straight, curve=memory.curve),
        heel_l=settings.tote.heel,
        tote_l=settings.tote.content if memory.tote_l is None else memory.tote_l,
        tote_by_book=memory.tote_l is not None,
        checks=_checks(settings, question, target, proven=straight.proven),
        plan_reaches=target.foreseen.reaches_target,
        expected_s=target.foreseen.seconds,
        stroke_s=_longest_move_s(target),
        has_timeout="output_timeout" in settings.points,
        timeout_s=settings.limits.output_timeout,
        flush_s=settings.flush.seconds,
        dry_run_s=settings.pump.dry_run,
        dry_rest_s=settings.pump.dry_rest,
        late_s=settings.late_s,
        overrun_s=_usual_overrun_s(settings),
        overruns=memory.overruns,
        hose_air_l=memory.hose_air_l,
        by_hand=settings.rig.by_hand,
        has_supply="pump_run" in settings.points,
        beside=tuple(beside),
        strainer_limit_kpa=settings.limits.strainer,
        line_gauge=gauge_facts(settings, "line_pressure") or GaugeFacts(),
        tyre_gauge=gauge_facts(settings, "tyre_pressure"),
        fill_travel_s=settings.valves.fill_travel,
        vent_travel_s=settings.valves.vent_travel,
        cuts_gauge_off=cuts_gauge_off(settings),
    )


def _checks(settings: Settings, question: Question, target: Target, *, proven: bool) -> tuple[Check, ...]:
    """The ready check of a fill; what a look with air contradicts is asked first."""
    less_l = None if question.room is None else missing_l(question.room, target.cavity, target.existing_l)
    doubts = () if less_l is None else (look_doubts(target.cavity.designation.shown, less_l),)
    asked = checks_for(
        target.valve_at,
        target.window.ceiling_kpa,
        question.support,
        target.valve.stop_order,
        proven=proven,
        flammable=target.fluid.flammable,
    )
    return (*((LEVER,) if settings.rig.by_hand else ()), *doubts, *asked)


def cuts_gauge_off(settings: Settings) -> bool:
    """Whether a closed fill valve isolates the line gauge from the tyre."""
    return "fill_valve" in settings.points and settings.valves.fill_stands == "after the gauge"


def gauge_facts(settings: Settings, name: str) -> GaugeFacts | None:
    """What the configuration states of a pressure gauge, in kPa; ``None`` where it is not wired."""
    gauge = settings.points.get(name) or settings.line_points.get(name)
    if gauge is None:
        return None
    # The errors of an absolute transmitter need only the scale factor, not the offset.
    step_kpa, usual = conversions({name: gauge.quantity})[name].factor, GaugeFacts()
    return GaugeFacts(
        noise_kpa=None if gauge.noise is None else gauge.noise * step_kpa,
        damping_s=gauge.damping,
        u_kpa=usual.u_kpa if gauge.u is None else gauge.u * step_kpa,
        lag_s=gauge.lag or 0.0,
    )


def vessel_setup(
    settings: Settings, fluid: Fluid, temp_c: float, volume_l: float, fill_id: str, memory: Memory
) -> Setup:
    """Setup of a delivery of ``volume_l`` into an open vessel next to the rig: a known can, a drain can."""
    line = line_of(settings, fluid, temp_c, settings.pipe.hose_bore, -settings.pipe.gauge_height)
    straight, *beside = meters_of(settings, line.density_kg_m3)
    least_lps = 0.1 * settings.pump.flow
    return Setup(
        fill_id=fill_id,
        target_l=volume_l,
        existing_l=0.0,
        tolerance_l=settings.limits.tolerance,
        cavity=CavityFacts(volume_l, volume_l, volume_l, 1.0, (0.0, 0.0)),
        line=line,
        window=Window(settings.limits.floor, settings.limits.ceiling),
        trip_kpa=settings.limits.trip,
        arrival_kpa=settings.limits.arrival,
        method=settings.air_out.method,
        stop_order="core back, then gun off",
        meter=replace(straight, curve=memory.curve),
        heel_l=settings.tote.heel,
        tote_l=settings.tote.content if memory.tote_l is None else memory.tote_l,
        tote_by_book=memory.tote_l is not None,
        checks=checks_for_vessel(flammable=fluid.flammable),
        plan_reaches=True,
        expected_s=volume_l / settings.pump.flow,
        stroke_s=volume_l / least_lps,
        has_timeout="output_timeout" in settings.points,
        timeout_s=settings.limits.output_timeout,
        dry_run_s=settings.pump.dry_run,
        dry_rest_s=settings.pump.dry_rest,
        late_s=settings.late_s,
        overrun_s=_usual_overrun_s(settings),
        overruns=memory.overruns,
        hose_air_l=memory.hose_air_l,
        into="open vessel",
        beside=tuple(beside),
        strainer_limit_kpa=settings.limits.strainer,
        line_gauge=gauge_facts(settings, "line_pressure") or GaugeFacts(),
        tyre_gauge=gauge_facts(settings, "tyre_pressure"),
        fill_travel_s=settings.valves.fill_travel,
        vent_travel_s=settings.valves.vent_travel,
        cuts_gauge_off=cuts_gauge_off(settings),
    )


def _longest_move_s(target: Target) -> float:
    """The longest stroke to expect: one of the plan's, or the one that measures the cavity."""
    planned_s = max((stroke.seconds for stroke in target.foreseen.strokes), default=0.0)
    return max(planned_s, _LOOK_SHARE * target.foreseen.seconds)


def _usual_overrun_s(settings: Settings) -> float:
    return settings.clock.scan + settings.pump.coast / 2


def cavity_facts(cavity: Cavity, clock: float) -> CavityFacts:
    """What the controller needs to know of a cavity: volumes, and the liquid head above the valve."""
    valve_m = cavity.valve_height_m(clock)
    reach = 1.0 if cavity.basis == "taught" else _BOUND
    levels = [cavity.level_of_fraction(step / _LEVEL_STEPS) for step in range(_LEVEL_STEPS + 1)]
    return CavityFacts(
        volume_l=cavity.volume_l,
        low_l=cavity.volume_l - reach * (cavity.volume_l - cavity.low_l),
        high_l=cavity.volume_l + reach * (cavity.high_l - cavity.volume_l),
        fraction_at_valve=cavity.fraction_at_clock(clock),
        covered_m=tuple(max(0.0, level - valve_m) for level in levels),
        taught=cavity.basis == "taught",
    )
