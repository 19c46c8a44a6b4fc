"""Removal of liquid from a wheel, and rinsing: with the same pump, guards and journal as a fill.

Liquid from a tyre carries rust and rubber, so it takes the bypass if the rig has one, and its volume is measured by the
tote's scale or level. Rinse water never goes into a tyre or the tote, nor does the first liquid after it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from rig.control.belief.state import new_fill
from rig.control.words.checks import checks_for_emptying
from rig.control.words.values import Setup
from rig.fluid import Fluid
from rig.plan.strokes import Window
from rig.record.work import About, Ended, MeterFacts
from rig.run.assembly import (
    Memory,
    Question,
    cavity_asked,
    cavity_facts,
    fluid_of,
    line_of,
    valve_above_gauge_m,
    vessel_setup,
)
from rig.run.person import Person
from rig.run.refused import Refused
from rig.run.session import (
    RINSE_WATER,
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
from rig.run.work import at_work
from rig.sentence import Wording
from rig.shop.before import wiring_cautions
from rig.shop.before_drawing import foredrawn
from rig.shop.calibration import meter_facts
from rig.units import KPA_PER_PSI
from rig.wheel.valve import valve_named

_JUST_ABOVE_AMBIENT_KPA = KPA_PER_PSI
_DIVERT = 1.2
"""Volume diverted after a rinse, in contents of hose and suction line: it includes mixed liquid."""


@dataclass(frozen=True, slots=True)
class Removal:
    """Request for a removal from one wheel."""

    question: Question
    """Size, valve and clock position of the valve; its fill target is ignored."""
    holds_l: float | None = None
    """Content of the tyre as entered; None to take it from the book."""
    fluid: str | None = None
    """The liquid; None to take it from the book, or else the tote's intended liquid."""
    volume_l: float | None = None
    """Volume to remove; None for all that comes."""
    through_meter: bool = False
    """The rig has no bypass, or the liquid is clean."""
    to: str = ""
    """Destination, for the record: which tote or drum, or who disposes of it."""
    by: str = ""
    job: str = ""
    position: str = ""
    config: str = ""
    other_fluid: bool = False
    """The book has another liquid in the wheel or the destination tote, and the person confirms the removal."""


async def empty_wheel(
    settings: Settings, removal: Removal, person: Person, watch: Watch, stopper: Stopper | None = None
) -> Ended:
    """Take liquid out of a wheel; returns the record, its net below zero and ``recovered_l`` above.

    Content that was not entered is taken from the book. Raises what a fill raises; Refused if only the meter could
    measure the volume; QuantityError if the content is unknown.
    """
    known = foredrawn(settings, removal)
    if known.refusal and not removal.other_fluid:
        raise Refused(known.refusal)
    removal = replace(removal, holds_l=known.holds_l, fluid=known.fluid)
    fluid = fluid_of(settings, known.fluid)
    with at_work(settings) as journal:
        await may_begin(settings, journal)
        settings, found = metered(settings, journal, removal.by, (fluid, settings.tote.temperature))
        setup = removal_setup(settings, removal, fluid, recalled(settings, journal, fluid, found))
        about = _removal_about(settings, removal, fluid, setup, meter_facts(found, journal.event_counts()))
        frost_c = about.freeze_c if known.frost_known else None
        about = replace(about, freeze_c=frost_c, lot=known.lot, warned=tuple(each.text for each in known.cautions))
        state = replace(new_fill(setup), measure=0 if removal.through_meter else _bypass_measure(setup))
        return await carry_out(settings, journal, setup, state, about, person, watch, stopper)


def removal_setup(settings: Settings, removal: Removal, fluid: Fluid, memory: Memory) -> Setup:
    """Setup of a removal whose content is known."""
    question, holds_l = removal.question, removal.holds_l
    assert holds_l is not None, "foredrawn knows it, or refuses"
    cavity, clock = cavity_asked(question), question.wanted.valve_at
    temp_c = settings.tote.temperature if question.temp_c is None else question.temp_c
    line = line_of(
        settings, fluid, temp_c, valve_named(question.valve).bore_m, valve_above_gauge_m(settings, cavity, clock)
    )
    # Liquid below the valve hole stays in, however the wheel is turned.
    comes_l = holds_l - cavity.fraction_at_clock(clock) * cavity.volume_l
    volume_l = comes_l if removal.volume_l is None else removal.volume_l
    if not 0 < volume_l <= comes_l:
        raise Refused(
            Wording(
                "refused.stands_below",
                "of {holds:volume} only {comes:volume} stand above a {clock:number} o'clock valve: turn it to the "
                "bottom "
                "(--valve-at 6), check --holds and --volume",
            )(holds=holds_l, comes=max(comes_l, 0.0), clock=clock)
        )
    return replace(
        vessel_setup(settings, fluid, temp_c, volume_l, new_id(), memory),
        existing_l=holds_l,
        cavity=cavity_facts(cavity, clock),
        line=line,
        window=Window(_JUST_ABOVE_AMBIENT_KPA, settings.limits.ceiling),
        arrival_kpa=settings.limits.ceiling,
        checks=checks_for_emptying(clock, question.support, flammable=fluid.flammable),
        into="tote",
        expected_s=volume_l / line.back_lps,
    )


def _bypass_measure(setup: Setup) -> int:
    """The measure that detects liquid in the bypass; Refused if there is none."""
    for number, meter in enumerate(setup.beside, start=1):
        if meter.of_tote or meter.by_time:
            return number
    raise Refused(
        Wording(
            "refused.unseen",
            "no scale or level under the tote: what goes round the meter is not seen; use --through-meter",
        )()
    )


def _removal_about(settings: Settings, removal: Removal, fluid: Fluid, setup: Setup, meter: MeterFacts) -> About:
    question = removal.question
    size = cavity_asked(question).designation.text
    return replace(
        about_liquid(fluid, str(removal.fluid), settings.tote.temperature, size, meter),
        kind="return",
        valve=valve_named(question.valve).name,
        valve_at=question.wanted.valve_at,
        cavity_l=round(setup.cavity.volume_l, 2),
        position=removal.position,
        job=removal.job,
        by=removal.by,
        config=removal.config,
        to=removal.to,
    )


@dataclass(frozen=True, slots=True)
class Rinse:
    """A rinse: water through pump, meter and hose into a drain vessel; or, after it, the first liquid diverted."""

    volume_l: float
    divert: bool = False
    by: str = ""
    config: str = ""


async def rinse(
    settings: Settings, wanted: Rinse, person: Person, watch: Watch, stopper: Stopper | None = None
) -> Ended:
    """Rinse, or divert the first liquid after a rinse; returns the record. The hose's new content is stored."""
    text = settings.tote.fluid if wanted.divert else "water"
    fluid = fluid_of(settings, text)
    with at_work(settings) as journal:
        await may_begin(settings, journal)
        settings, found = metered(settings, journal, wanted.by, (fluid, settings.tote.temperature))
        temp_c = settings.tote.temperature
        volume_l = max(wanted.volume_l, _DIVERT * (settings.pipe.hose_volume + settings.pipe.suction_volume))
        memory = recalled(settings, journal, fluid, found)
        if not wanted.divert:
            # Rinse water comes from elsewhere: an empty tote, as at the end of a day, is no obstacle.
            memory = replace(memory, tote_l=None)
        setup = vessel_setup(settings, fluid, temp_c, volume_l, new_id(), memory)
        about = replace(
            about_liquid(fluid, text, temp_c, "drain vessel", meter_facts(found, journal.event_counts())),
            kind="divert" if wanted.divert else "rinse",
            position="after a rinse" if wanted.divert else "rinse",
            by=wanted.by,
            config=wanted.config,
            hose_holds=fluid.name if wanted.divert else RINSE_WATER,
            warned=tuple(caution.text for caution in wiring_cautions(settings)),
        )
        return await carry_out(settings, journal, setup, new_fill(setup), about, person, watch, stopper)
