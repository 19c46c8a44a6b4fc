"""What the book knows before work on a wheel: the liquid in the tote, whether it is enough, the wheel's content.

The results are cautions; the person decides. Only a liquid other than the requested one is refused without an explicit
override. The module must not know how a fill is made, nor how any of it is shown.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from rig.caution import THE_BOOK, Caution
from rig.ledger.balance import Content
from rig.plan.target import Target
from rig.record.base import RecordError
from rig.run.assembly import Question, answer
from rig.run.clock_memory import now_in
from rig.run.outputs import UNGUARDED, slow_buses, unguarded
from rig.run.settings import Settings
from rig.sentence import Sentence, Value, Wording, said_by
from rig.shop.cavities import measured_before
from rig.shop.chart import asked_of
from rig.shop.posting import FILL, book_if_any
from rig.shop.totes import UNNAMED, Tote, content_text, liquids_in, read_as, same_fluid, totes_of
from rig.shop.wheels import OUT, REFILL, in_job, inside, work_on
from rig.wheel import read_size

if TYPE_CHECKING:
    from rig.ledger.book import Book

WIRES = Wording("source.configuration", "the configuration")()
TRACE_L = 1.0
"""Smaller volumes in a wheel or a tote are not reported. Assumed, no source."""
AT_THE_PUMP = Tote(UNNAMED, connected=True)
"""The tote of a rig that keeps no book."""
_OTHER_SIDE = {"left": "right", "right": "left"}


@dataclass(frozen=True, slots=True)
class Foreknown:
    """A question with the liquid that the tote gives, its answer with the book's cautions, and any reason to refuse."""

    question: Question
    target: Target
    cautions: tuple[Caution, ...] = ()
    """Cautions on the tote and the wheel, mostly from the book; they are also among the answer's cautions."""
    refusal: Sentence | None = None
    """Why this fill needs an explicit override; empty if it needs none."""
    measured: str = ""
    """Name under which a fill has measured this wheel; empty if none has."""


def foreknown(
    settings: Settings, question: Question, job: str = "", position: str = "", *, level_l: float | None = None
) -> Foreknown:
    """Answer a question with what the book knows; raises what ``answer`` raises.

    ``level_l`` is the tote level as read now, if it was read; it takes precedence over the book.
    """
    try:
        with book_if_any(settings) as book:
            return _by_book(settings, book, question, job, position, level_l)
    except RecordError as error:
        cautions = (unreadable(error),)
        return _answered(settings, replace(question, fluid=question.fluid or settings.tote.fluid), cautions)


def unreadable(error: RecordError) -> Caution:
    """That the book cannot be read."""
    text = Wording("caution.book.unreadable", "what the book knows of tote and wheel cannot be read: {error}")
    return Caution("caution", text(error=said_by(error)), THE_BOOK)


def _answered(
    settings: Settings, question: Question, cautions: tuple[Caution, ...], refusal: Sentence | None = None
) -> Foreknown:
    target = answer(settings, question)
    cautions = (*wiring_cautions(settings), *cautions)
    return Foreknown(question, replace(target, cautions=(*cautions, *target.cautions)), cautions, refusal)


def wiring_cautions(settings: Settings) -> tuple[Caution, ...]:
    """Cautions on the wiring, shown before every start: outputs that stay on without this program, slow buses."""
    danger = (Caution("danger", UNGUARDED, WIRES),) if unguarded(settings) else ()
    return (*danger, *(Caution("caution", text, WIRES) for text in slow_buses(settings)))


def left_in_tote_l(settings: Settings) -> float | None:
    """Litres left in the tote at the pump by the book; None if it does not know. BookError."""
    with book_if_any(settings) as book:
        left_l = None if book is None else totes_of(book)[0].content.left_l
    return None if left_l is None else max(left_l, 0.0)


def _by_book(
    settings: Settings, book: Book | None, question: Question, job: str, position: str, level_l: float | None
) -> Foreknown:
    tote, held = AT_THE_PUMP, Content()
    if book is not None:
        tote, held = totes_of(book)[0], inside(book, job, position)
        question = replace(question, learned=asked_of(book, question, job, position))
    refusal = _other_liquid(settings, tote, question.fluid)
    in_tote = liquids_in(settings, tote.content) or tote.fluids
    drawn = question.fluid or next((each for each in in_tote if read_as(settings, each)), settings.tote.fluid)
    asked = replace(question, fluid=drawn)
    if (held.left_l or 0.0) > TRACE_L and asked.holds_fluid is None:
        # The answer itself computes the mix, and warns of dangerous ones.
        asked = replace(asked, holds_fluid=content_text(settings, held))
    need_l, measured = answer(settings, asked).target_l, measured_before(settings, book, question, job, position)
    cautions = (
        *_measured(question),
        *_enough(
            settings,
            _in_tote(settings, tote, level_l),
            need_l,
            _twin_to_do(Path(settings.rig.data), book, job, position),
        ),
        *_held(settings, held, question, drawn, position),
        *(() if book is None else _steps(settings, book, drawn, job, position)),
        *(() if book is None else _below_the_hole(book, held, question, job, position)),
        *(() if measured is None else (measured.note,)),
    )
    if question.fluid is None and not same_fluid(settings, drawn, settings.tote.fluid):
        text = Wording(
            "caution.book.drawn", "{tote} holds {drawn} by the book, the configuration says {configured}: {drawn} it is"
        )(tote=tote.title, drawn=drawn, configured=settings.tote.fluid)
        cautions = (*cautions, Caution("note", text, THE_BOOK))
    return replace(_answered(settings, asked, cautions, refusal), measured="" if measured is None else measured.name)


_CHART = Wording(
    "caution.book.chart",
    "{counted} measured: whole cavity {cavity:volume} ± {half:volume} (`rig chart show {size}`)",
)


def _measured(question: Question) -> Iterator[Caution]:
    """Report that the cavity is by measured wheels, with their count and band."""
    if (found := question.learned) is not None:
        size = read_size(question.size).text
        text = _CHART(counted=found.counted, cavity=found.litres, half=found.half_l, size=size)
        yield Caution("note", text, THE_BOOK)


def _other_liquid(settings: Settings, tote: Tote, asked: str | None) -> Sentence | None:
    """Why the tote at the pump does not match the requested liquid; None if it does, or if its content is unknown."""
    left_l = tote.content.left_l
    if left_l is not None and left_l <= TRACE_L:
        return None
    fluids = liquids_in(settings, tote.content) or tote.fluids
    if len(fluids) > 1:
        words = Wording("refused.tote_mix", "{tote} holds a mix by the book ({fluids}): {way_out}")
        return words(tote=tote.title, fluids=" + ".join(fluids), way_out=_RIGHT_ONE())
    if asked is not None and fluids and not same_fluid(settings, asked, fluids[0]):
        words = Wording("refused.tote_other", "{tote} holds {fluid} by the book, {asked} was asked for: {way_out}")
        return words(tote=tote.title, fluid=fluids[0], asked=asked, way_out=_RIGHT_ONE())
    return None


_RIGHT_ONE = Wording(
    "refused.right_tote",
    "connect the right one (`rig stock connect --tote NAME`), enter what is in it (`rig stock dip --volume Q --fluid "
    "F`), "
    "or say --other-fluid to go on knowingly",
)


def _in_tote(settings: Settings, tote: Tote, level_l: float | None) -> tuple[float, Sentence, Sentence] | None:
    """Litres in the tote at the pump, a phrase that states them, and their source; None if unknown.

    From its level if it was read, else from the book; from the configuration only if no level is wired.
    """
    if level_l is not None:
        words = Wording("tote.by_level", "{tote} holds {volume:volume} by its level")
        return level_l, words(tote=tote.title, volume=level_l), Wording("source.level", "the tote's level")()
    if tote.content.left_l is not None:
        left_l = max(tote.content.left_l, 0.0)
        words = Wording("tote.by_book", "{tote} holds {volume:volume} by the book")
        return left_l, words(tote=tote.title, volume=left_l), THE_BOOK
    if "tote_level" in settings.points or "tote_level" in settings.line_points:
        return None
    content_l = settings.tote.content
    words = Wording("tote.as_configured", "{tote} holds {volume:volume} as configured")
    return content_l, words(tote=tote.title, volume=content_l), WIRES


def _enough(
    settings: Settings, content: tuple[float, Sentence, Sentence] | None, need_l: float, twin: str
) -> Iterator[Caution]:
    """Warn if the tote does not hold enough for this wheel, or for this and the other one of its axle."""
    if content is None:
        return
    left_l, have, source = content
    heel_l = settings.tote.heel
    if left_l < need_l + heel_l:
        text = Wording(
            "caution.tote.short",
            "{have}, this wheel needs {need:volume} besides {heel:volume} that the dip tube leaves: load it, or have "
            "another one ready",
        )(have=have, need=need_l, heel=heel_l)
        yield Caution("danger", text, source)
    elif twin and left_l < 2 * need_l + heel_l:
        text = Wording(
            "caution.tote.short_for_two",
            "{have}: enough for this wheel, not for {twin} too ({need:volume} besides {heel:volume} that the dip tube "
            "leaves): load it before the first, or have another one ready",
        )(have=have, twin=twin, need=2 * need_l, heel=heel_l)
        yield Caution("caution", text, source)


def _twin_to_do(folder: Path, book: Book | None, job: str, position: str) -> str:
    """The other wheel of the axle if it is not yet filled in this job; without a job, since midnight."""
    words = position.lower().split()
    if not any(word in _OTHER_SIDE for word in words):
        return ""
    twin = " ".join(_OTHER_SIDE.get(word, word) for word in words)
    if book is None:
        return twin
    since = None if job else _day_began(folder)
    return "" if in_job(book, FILL, job, twin, since) else twin


def _day_began(folder: Path) -> str:
    """The last local midnight by the rig's clock, in the format of record times."""
    midnight = datetime.fromisoformat(now_in(folder)).astimezone().replace(hour=0, minute=0, second=0, microsecond=0)
    return midnight.astimezone(UTC).isoformat(timespec="milliseconds")


def _held(settings: Settings, held: Content, question: Question, drawn: str, position: str) -> Iterator[Caution]:
    """Warn of what the wheel already holds by the book, if the person's entry does not agree with it."""
    left_l, entered_l = held.left_l or 0.0, question.wanted.existing_l
    if left_l <= TRACE_L:
        return
    fluids = liquids_in(settings, held)
    what = " + ".join(fluids) or "?"
    other = next((each for each in fluids if not same_fluid(settings, each, drawn)), None)
    if other is None and as_entered(left_l, entered_l):
        return
    holds: dict[str, Value] = {"position": position, "left": left_l, "what": what, "way_out": _COUNT_IT(left=left_l)}
    if other is None:
        words = Wording("caution.book.holds", "by the book {position} holds {left:volume} of {what}: {way_out}")
        yield Caution("caution", words(**holds), THE_BOOK)
    else:
        words = Wording(
            "caution.book.holds_other",
            "by the book {position} holds {left:volume} of {what}, and {drawn} is to go on it: {way_out}",
        )
        yield Caution("danger", words(**holds, drawn=drawn), THE_BOOK)


_COUNT_IT = Wording(
    "caution.book.count_it",
    "draw it out (`rig empty`), count it in ({left:volume} already inside, --holds), or enter what was found inside "
    "(`rig note holds --volume Q`)",
)


def as_entered(left_l: float, entered_l: float) -> bool:
    """Whether the entered volume agrees with the book's: within 1 L or 5 %, whichever is more."""
    return abs(left_l - entered_l) <= max(TRACE_L, 0.05 * left_l)


def _steps(settings: Settings, book: Book, drawn: str, job: str, position: str) -> Iterator[Caution]:
    """Warn of open conversion steps that precede the refill, and of a liquid other than the agreed one."""
    work = work_on(book, job, position)
    if work is None or work.to is None:
        return
    names = [step.name for step in work.steps]
    first = [name for name in work.open_steps if names.index(name) < names.index(REFILL)]
    if first:
        words = Wording("caution.book.steps", "before the refill of {position} by the book: {steps}")
        yield Caution("caution", words(position=position, steps=", ".join(first)), THE_BOOK)
    if not same_fluid(settings, work.to, drawn):
        words = Wording("caution.book.to", "{position} was to be converted to {to}, not to {drawn}")
        yield Caution("caution", words(position=position, to=work.to, drawn=drawn), THE_BOOK)


def _below_the_hole(book: Book, held: Content, question: Question, job: str, position: str) -> Iterator[Caution]:
    """Warn of what stays below the valve hole of a converted wheel, where neither person nor book count it."""
    work, wanted = work_on(book, job, position), question.wanted
    if work is None or work.to is None or wanted.existing_l or wanted.drained_at is not None or held.left_l is not None:
        return
    if any(step.name == OUT and step.record is not None for step in work.steps):
        text = Wording(
            "caution.book.below_hole",
            "what was below the valve hole when the old was drawn off is still inside: --drained 6 counts it",
        )()
        source = Wording("source.level_geometry", "the level geometry of the wheel; the book has no litres of it")
        yield Caution("caution", text, source())
