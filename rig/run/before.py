"""What the book knows before a fill: the liquid in the tote at the pump, whether there is enough, what the wheel holds.

Words for a person, who decides; only another liquid than the one asked for is refused without an explicit word. It
must not know how a fill is made, nor how any of it is shown.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from rig.ledger.balance import Content
from rig.ledger.journal import JournalError
from rig.plan.target import Target
from rig.run.assembly import Question, answer
from rig.run.posting import FILL, book_if_any
from rig.run.settings import Settings
from rig.run.totes import Tote, read_as, same_fluid, totes_of
from rig.run.wheels import REFILL, in_job, inside, work_on
from rig.units import show_volume
from rig.wheel import Caution

if TYPE_CHECKING:
    from rig.ledger.book import Book

_SOURCE = "the shop's own book"
_TRACE_L = 1.0
"""Less than this in a wheel or a tote is not told of. Assumed, no source."""
_OTHER_SIDE = {"left": "right", "right": "left"}


@dataclass(frozen=True, slots=True)
class Foreknown:
    """A question with the liquid that is drawn, its answer with the book's cautions first, and what is against it."""

    question: Question
    target: Target
    told: tuple[Caution, ...] = ()
    """What the book alone has to say; it stands among the answer's cautions too."""
    refusal: str = ""
    """Why this fill needs an explicit word; empty where it needs none."""


def foreknown(settings: Settings, question: Question, job: str = "", position: str = "") -> Foreknown:
    """The answer to a question with what the book knows; raises what ``answer`` raises."""
    try:
        with book_if_any(settings) as book:
            if book is not None:
                return _by_book(settings, book, question, job, position)
    except JournalError as error:
        told = (Caution("caution", f"what the book knows of tote and wheel is not to be had: {error}", _SOURCE),)
        return _answered(settings, replace(question, fluid=question.fluid or settings.tote.fluid), told)
    return _answered(settings, replace(question, fluid=question.fluid or settings.tote.fluid))


def _answered(settings: Settings, question: Question, told: tuple[Caution, ...] = (), refusal: str = "") -> Foreknown:
    target = answer(settings, question)
    return Foreknown(question, replace(target, cautions=(*told, *target.cautions)), told, refusal)


def _by_book(settings: Settings, book: Book, question: Question, job: str, position: str) -> Foreknown:
    tote, held = totes_of(book)[0], inside(book, job, position)
    refusal = _other_liquid(settings, tote, question.fluid)
    drawn = question.fluid or next((each for each in tote.fluids if read_as(settings, each)), settings.tote.fluid)
    asked = replace(question, fluid=drawn)
    if (held.left_l or 0.0) > _TRACE_L and asked.holds_fluid is None:
        # What is dangerous on top of what is told by the answer itself.
        asked = replace(asked, holds_fluid=next((each for each in held.fluids if read_as(settings, each)), None))
    need_l = answer(settings, asked).target_l
    told = (
        *_enough(settings, book, tote, need_l, job, position),
        *_held(settings, held, question, drawn, position),
        *_steps(settings, book, drawn, job, position),
    )
    if question.fluid is None and not same_fluid(settings, drawn, settings.tote.fluid):
        text = f"{tote.title} holds {drawn} by the book, the configuration says {settings.tote.fluid}: {drawn} it is"
        told = (*told, Caution("note", text, _SOURCE))
    return _answered(settings, asked, told, refusal)


def _other_liquid(settings: Settings, tote: Tote, asked: str | None) -> str:
    """Why the tote at the pump is not what was asked for; empty where it is, or nobody has told."""
    way_out = (
        "connect the right one (`rig stock connect --tote NAME`), tell what is in it (`rig stock dip --volume Q "
        "--fluid F`), or say --other-fluid to go on knowingly"
    )
    left_l = tote.content.left_l
    if left_l is not None and left_l <= _TRACE_L:
        return ""
    if len(tote.fluids) > 1:
        return f"{tote.title} holds a mix by the book ({' + '.join(tote.fluids)}): {way_out}"
    if asked is not None and tote.fluids and not same_fluid(settings, asked, tote.fluids[0]):
        return f"{tote.title} holds {tote.fluids[0]} by the book, {asked} was asked for: {way_out}"
    return ""


def _enough(settings: Settings, book: Book, tote: Tote, need_l: float, job: str, position: str) -> Iterator[Caution]:
    """Whether the tote lasts for this wheel, and for the other one of its axle."""
    left_l, heel_l = tote.content.left_l, settings.tote.heel
    if left_l is None:
        return
    have = f"{tote.title} holds {show_volume(max(left_l, 0.0))} by the book"
    heel = f"{show_volume(heel_l)} that the dip tube leaves"
    if left_l < need_l + heel_l:
        text = f"{have}, this wheel needs {show_volume(need_l)} besides {heel}: load it, or have another one ready"
        yield Caution("danger", text, _SOURCE)
        return
    twin = _twin_to_do(book, job, position)
    if twin and left_l < 2 * need_l + heel_l:
        text = (
            f"{have}: enough for this wheel, not for {twin} too ({show_volume(2 * need_l)} besides {heel}): load it "
            "before the first, or have another one ready"
        )
        yield Caution("caution", text, _SOURCE)


def _twin_to_do(book: Book, job: str, position: str) -> str:
    """The other wheel of the axle where it is not filled in this job yet; without a job, since the day began."""
    words = position.lower().split()
    if not any(word in _OTHER_SIDE for word in words):
        return ""
    twin = " ".join(_OTHER_SIDE.get(word, word) for word in words)
    since = None if job else datetime.now().astimezone().replace(hour=0, minute=0, second=0).astimezone(UTC).isoformat()
    return "" if in_job(book, FILL, job, twin, since) else twin


def _held(settings: Settings, held: Content, question: Question, drawn: str, position: str) -> Iterator[Caution]:
    """What the wheel holds already by the book, where the person has not told it."""
    left_l, told_l = held.left_l or 0.0, question.wanted.existing_l
    if left_l <= _TRACE_L:
        return
    what = " + ".join(held.fluids) or "liquid"
    other = next((each for each in held.fluids if not same_fluid(settings, each, drawn)), None)
    if other is None and abs(left_l - told_l) <= max(_TRACE_L, 0.05 * left_l):
        return
    text = f"by the book {position} holds {show_volume(left_l)} of {what}"
    if other is not None:
        text += f", and {drawn} is to go on it"
    way_out = (
        f'draw it out (`rig empty`), count it in (--holds "{left_l:.0f} L"), or tell what was found inside '
        "(`rig note holds --volume Q`)"
    )
    yield Caution("caution" if other is None else "danger", f"{text}: {way_out}", _SOURCE)


def _steps(settings: Settings, book: Book, drawn: str, job: str, position: str) -> Iterator[Caution]:
    """Steps of a conversion that come before the refill and are not done, and another liquid than was agreed."""
    work = work_on(book, job, position)
    if work is None or work.to is None:
        return
    names = [step.name for step in work.steps]
    first = [name for name in work.open_steps if names.index(name) < names.index(REFILL)]
    if first:
        yield Caution("caution", f"before the refill of {position} by the book: {', '.join(first)}", _SOURCE)
    if not same_fluid(settings, work.to, drawn):
        yield Caution("caution", f"{position} was to be converted to {work.to}, not to {drawn}", _SOURCE)
