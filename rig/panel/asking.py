"""Convert a form of the page to a question to the rig, and the answer for the page. Computes nothing.

The form's fields go through the parser of the command line's options, so both accept the same words.
"""

from __future__ import annotations

import contextlib
from dataclasses import replace
from pathlib import Path

from pydantic import Field

from rig.control.words.checks import Support
from rig.field.points import Strict
from rig.panel.looking import room_view, with_look
from rig.panel.view import checks_view, wheel_view
from rig.plan.target import Target
from rig.run.air_look import AirWanted, tank_of
from rig.run.assembly import Memory, Question, cavity_asked, setup_of, wheel_question
from rig.run.messages import Controller
from rig.run.removal import Removal, Rinse
from rig.run.session import Errand
from rig.run.settings import Settings
from rig.sentence import Wording
from rig.shop.before import Foreknown, foreknown
from rig.shop.before_drawing import foredrawn
from rig.shop.calibration import standing, with_factor
from rig.shop.posting import journal_to_read
from rig.shop.questions import QuestionText, question_of
from rig.shop.taught import with_taught, with_wheel
from rig.units import QuantityError, parse

_TEXT = Field(default="", max_length=60)


class Touch(Strict):
    """An operation to be done once: a repeat of the same id does nothing."""

    id: str = Field(min_length=8, max_length=64, pattern=r"^[!-~]+$")


class WheelForm(Strict):
    """One wheel as picked or typed; the rig decides an empty field."""

    wheel: str = Field(default="", max_length=200)
    """A wheel of the shop, or one that a fill has measured; otherwise ``size``."""
    size: str = _TEXT
    position: str = _TEXT
    job: str = _TEXT
    fluid: str = _TEXT
    make: str = _TEXT
    """Maker and tread, as on the sidewall."""
    valve: str = _TEXT
    valve_at: str = _TEXT
    support: Support = "jacked"
    target: str = _TEXT
    """Empty: the level at the valve. Otherwise a percent of the cavity, a volume or a weight."""
    holds: str = _TEXT
    """Liquid already in the tyre."""
    holds_fluid: str = Field(default="", max_length=200)
    """What it is; several with their volumes. Empty: by the book, if it knows."""
    assay: str = _TEXT
    """Calcium chloride in the flake by its bag."""
    coldest: str = _TEXT
    width: str = _TEXT
    """Section width at one place before and after a look with air: "430 mm -> 434 mm"; empty: not measured."""
    girth: str = _TEXT
    """Girth around the tread, likewise; only with the width."""
    other_fluid: bool = False
    """The person confirms that the tote holds another liquid by the book."""


def asked(settings: Settings, form: WheelForm) -> Question:
    """Convert a form to a question; a wheel of the shop is as last taught.

    QuantityError or SizeError with what to write instead; JournalError for a named wheel where the book cannot be read.
    """
    question = _typed(form)
    return wheel_question(with_wheel(settings, form.wheel), form.wheel, question) if form.wheel else question


def wheels_view(settings: Settings) -> list[dict[str, object]]:
    """The shop's own wheels by the present configuration and book, the last taught first."""
    return [
        {"name": name, "size": wheel.size, "valve_at": wheel.valve_at, "took_l": wheel.took}
        for name, wheel in with_taught(settings).wheels.items()
    ]


_GIVEN = ("valve_at", "fluid", "valve", "make", "holds", "holds_fluid", "assay", "coldest")
"""Fields that are options of the question by the same name."""


def _typed(form: WheelForm) -> Question:
    given = {name: getattr(form, name) for name in _GIVEN} | _target(form.target)
    typed = {name: text.strip() for name, text in given.items() if text.strip()}
    return question_of(QuestionText(**typed, support=form.support), form.size)


def _target(text: str) -> dict[str, str]:
    text = text.strip()
    if not text or text.endswith("%"):
        return {"fill": text}
    try:
        parse(text, "volume")
    except QuantityError:
        try:
            parse(text, "mass")
        except QuantityError as error:
            words = Wording(
                "question.target", "'{text}': write a percent, a volume or a weight: 75 %, 69 gal or 738 lb"
            )
            raise QuantityError(words(text=text)) from error
        return {"mass": text}
    return {"volume": text}


def answered(rig: Controller, question: Question, job: str = "", position: str = "") -> Foreknown:
    """The answer for a wheel with the book's cautions, by the tote's level as last read; raises ``answer``'s errors."""
    seen = rig.snapshot().live.reading
    return foreknown(rig.settings, question, job, position, level_l=None if seen is None else seen.tote_l)


def answer_view(rig: Controller, form: WheelForm, by: str) -> dict[str, object]:
    """The answer with its picture and the checks before a start; raises the errors of ``answer``."""
    settings = rig.settings
    job, position = form.job.strip(), form.position.strip()
    known = answered(rig, with_look(rig, asked(settings, form), position, job, form.width, form.girth), job, position)
    question, target = known.question, known.target
    with contextlib.closing(journal_to_read(Path(settings.rig.data))) as journal:
        proven = with_factor(settings, standing(settings, journal.provings(), journal.events()))
    checks = setup_of(proven, question, target, "question", Memory()).checks
    given = {check.name for check in checks if (by, check) in rig.snapshot().given}
    shown = checks_view(checks)
    return {
        **target.as_json(),
        "level": _level(target),
        "position": form.position,
        "refusal": "" if form.other_fluid else known.refusal or "",
        "measured": known.measured,
        "wheel": wheel_view(target.cavity, target.valve_at),
        "against": [{"text": each.text, "source": each.source} for each in target.against],
        **({} if settings.air_tank is None else {"look": room_view(question.room, target.cavity, target.existing_l)}),
        "checks": [{**each, "given": each["name"] in given} for each in shown],
    }


def _level(target: Target) -> str:
    """The liquid's level relative to the valve, as a name for the catalogue."""
    share = target.fill_fraction - target.cavity.fraction_at_clock(target.valve_at)
    if abs(share) < 0.005:
        return "at_valve"
    return "below_valve" if share < 0 else "above_valve"


def errand_of(rig: Controller, form: WheelForm, by: str, config: str) -> Errand:
    """The order with its person, for the record."""
    job, position = form.job.strip(), form.position.strip()
    question = with_look(rig, asked(rig.settings, form), position, job, form.width, form.girth)
    return Errand(question, by, job, position, config, other_fluid=form.other_fluid)


def look_asked(settings: Settings, form: WheelForm, by: str) -> AirWanted:
    """The order to look at a wheel with air; Refused without a tank, SizeError for a wheel that is none."""
    tank_of(settings)
    wheel = asked(settings, form)
    cavity_asked(wheel)
    return AirWanted(wheel, form.position.strip(), form.job.strip(), by)


# --- out of a wheel, and rinsing ---------------------------------------------------------------------------------


class EmptyForm(WheelForm):
    """A removal from a wheel that ``holds`` a volume: ``target`` is a volume, or empty for all that comes."""

    valve_at: str = Field(default="6", max_length=60)
    holds_fluid: str = _TEXT
    to: str = Field(default="tote", max_length=60)
    through_meter: bool = False


class RinseForm(Strict):
    """A rinse with water through the line into a drain vessel or, after it, diversion of the first liquid."""

    volume: str = Field(default="10 L", max_length=60)
    divert: bool = False


def removal_of(settings: Settings, form: EmptyForm, by: str, config: str) -> Removal:
    """Convert a form to a removal; QuantityError, SizeError with what to write instead."""
    wheel = WheelForm.model_validate({**form.model_dump(include=set(WheelForm.model_fields)), "target": ""})
    question = asked(settings, wheel)
    cavity_asked(question)
    # A wheel of the shop is filled at another valve position than it is emptied at.
    clock = _typed(wheel).wanted.valve_at
    removal = Removal(
        question=replace(question, wanted=replace(question.wanted, valve_at=clock)),
        holds_l=question.wanted.existing_l if form.holds.strip() else None,
        fluid=form.holds_fluid.strip() or None,
        volume_l=parse(form.target, "volume") if form.target.strip() else None,
        through_meter=form.through_meter,
        to=form.to.strip(),
        by=by,
        job=form.job.strip(),
        position=form.position.strip(),
        config=config,
        other_fluid=form.other_fluid,
    )
    foredrawn(settings, removal)
    return removal


def rinse_of(form: RinseForm, by: str, config: str) -> Rinse:
    """Convert a form to a rinse; QuantityError for a text that is no volume."""
    return Rinse(parse(form.volume, "volume"), form.divert, by, config)
