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
from rig.fluid import content_names, mix_of, scaled
from rig.ledger.balance import Content
from rig.plan.target import Target
from rig.record.base import RecordError
from rig.run.assembly import Question, answer, content_of, fluid_of
from rig.run.clock_memory import now_in
from rig.run.outputs import UNGUARDED, slow_buses, unguarded
from rig.run.settings import Settings
from rig.shop.cavities import measured_before
from rig.shop.chart import asked_of
from rig.shop.posting import FILL, book_if_any
from rig.shop.totes import UNNAMED, Tote, by_name, content_text, liquids_in, read_as, returned_to, same_fluid, totes_of
from rig.shop.wheels import OUT, REFILL, in_job, inside, work_on
from rig.units import QuantityError, show_volume
from rig.wheel import read_size

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.run.removal import Removal

_WIRES = "the configuration"
_TRACE_L = 1.0
"""Smaller volumes in a wheel or a tote are not reported. Assumed, no source."""
_AT_THE_PUMP = Tote(UNNAMED, connected=True)
"""The tote of a rig that keeps no book."""
_OTHER_SIDE = {"left": "right", "right": "left"}


@dataclass(frozen=True, slots=True)
class Foreknown:
    """A question with the liquid that the tote gives, its answer with the book's cautions, and any reason to refuse."""

    question: Question
    target: Target
    cautions: tuple[Caution, ...] = ()
    """Cautions on the tote and the wheel, mostly from the book; they are also among the answer's cautions."""
    refusal: str = ""
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
        cautions = (_unreadable(error),)
        return _answered(settings, replace(question, fluid=question.fluid or settings.tote.fluid), cautions)


def _unreadable(error: RecordError) -> Caution:
    return Caution("caution", f"what the book knows of tote and wheel cannot be read: {error}", THE_BOOK)


def _answered(settings: Settings, question: Question, cautions: tuple[Caution, ...], refusal: str = "") -> Foreknown:
    target = answer(settings, question)
    cautions = (*wiring_cautions(settings), *cautions)
    return Foreknown(question, replace(target, cautions=(*cautions, *target.cautions)), cautions, refusal)


def wiring_cautions(settings: Settings) -> tuple[Caution, ...]:
    """Cautions on the wiring, shown before every start: outputs that stay on without this program, slow buses."""
    danger = (Caution("danger", UNGUARDED, _WIRES),) if unguarded(settings) else ()
    return (*danger, *(Caution("caution", text, _WIRES) for text in slow_buses(settings)))


def left_in_tote_l(settings: Settings) -> float | None:
    """Litres left in the tote at the pump by the book; None if it does not know. BookError."""
    with book_if_any(settings) as book:
        left_l = None if book is None else totes_of(book)[0].content.left_l
    return None if left_l is None else max(left_l, 0.0)


def _by_book(
    settings: Settings, book: Book | None, question: Question, job: str, position: str, level_l: float | None
) -> Foreknown:
    tote, held = _AT_THE_PUMP, Content()
    if book is not None:
        tote, held = totes_of(book)[0], inside(book, job, position)
        question = replace(question, learned=asked_of(book, question, job, position))
    refusal = _other_liquid(settings, tote, question.fluid)
    in_tote = liquids_in(settings, tote.content) or tote.fluids
    drawn = question.fluid or next((each for each in in_tote if read_as(settings, each)), settings.tote.fluid)
    asked = replace(question, fluid=drawn)
    if (held.left_l or 0.0) > _TRACE_L and asked.holds_fluid is None:
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
        text = f"{tote.title} holds {drawn} by the book, the configuration says {settings.tote.fluid}: {drawn} it is"
        cautions = (*cautions, Caution("note", text, THE_BOOK))
    return replace(_answered(settings, asked, cautions, refusal), measured="" if measured is None else measured.name)


def _measured(question: Question) -> Iterator[Caution]:
    """Report that the cavity is by measured wheels, with their count and band."""
    if (found := question.learned) is not None:
        size = read_size(question.size).text
        text = f"{found.counted} measured: whole cavity {show_volume(found.litres)} ± {found.half_l:.0f} L"
        text += f" (`rig chart show {size}`)"
        yield Caution("note", text, THE_BOOK)


def _other_liquid(settings: Settings, tote: Tote, asked: str | None) -> str:
    """Why the tote at the pump does not match the requested liquid; empty if it does, or if its content is unknown."""
    way_out = (
        "connect the right one (`rig stock connect --tote NAME`), tell what is in it (`rig stock dip --volume Q "
        "--fluid F`), or say --other-fluid to go on knowingly"
    )
    left_l = tote.content.left_l
    if left_l is not None and left_l <= _TRACE_L:
        return ""
    fluids = liquids_in(settings, tote.content) or tote.fluids
    if len(fluids) > 1:
        return f"{tote.title} holds a mix by the book ({' + '.join(fluids)}): {way_out}"
    if asked is not None and fluids and not same_fluid(settings, asked, fluids[0]):
        return f"{tote.title} holds {fluids[0]} by the book, {asked} was asked for: {way_out}"
    return ""


def _in_tote(settings: Settings, tote: Tote, level_l: float | None) -> tuple[float, str, str] | None:
    """Litres in the tote at the pump, a phrase that states them, and their source; None if unknown.

    From its level if it was read, else from the book; from the configuration only if no level is wired.
    """
    if level_l is not None:
        return level_l, f"{tote.title} holds {show_volume(level_l)} by its level", "the tote's level"
    if tote.content.left_l is not None:
        left_l = max(tote.content.left_l, 0.0)
        return left_l, f"{tote.title} holds {show_volume(left_l)} by the book", THE_BOOK
    if "tote_level" in settings.points or "tote_level" in settings.line_points:
        return None
    content_l = settings.tote.content
    return content_l, f"{tote.title} holds {show_volume(content_l)} as configured", "the configuration"


def _enough(settings: Settings, content: tuple[float, str, str] | None, need_l: float, twin: str) -> Iterator[Caution]:
    """Warn if the tote does not hold enough for this wheel, or for this and the other one of its axle."""
    if content is None:
        return
    left_l, have, source = content
    heel_l = settings.tote.heel
    heel = f"{show_volume(heel_l)} that the dip tube leaves"
    if left_l < need_l + heel_l:
        text = f"{have}, this wheel needs {show_volume(need_l)} besides {heel}: load it, or have another one ready"
        yield Caution("danger", text, source)
    elif twin and left_l < 2 * need_l + heel_l:
        text = (
            f"{have}: enough for this wheel, not for {twin} too ({show_volume(2 * need_l)} besides {heel}): load it "
            "before the first, or have another one ready"
        )
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
    if left_l <= _TRACE_L:
        return
    fluids = liquids_in(settings, held)
    what = " + ".join(fluids) or "liquid"
    other = next((each for each in fluids if not same_fluid(settings, each, drawn)), None)
    if other is None and _as_entered(left_l, entered_l):
        return
    text = f"by the book {position} holds {show_volume(left_l)} of {what}"
    if other is not None:
        text += f", and {drawn} is to go on it"
    way_out = (
        f'draw it out (`rig empty`), count it in (--holds "{left_l:.0f} L"), or tell what was found inside '
        "(`rig note holds --volume Q`)"
    )
    yield Caution("caution" if other is None else "danger", f"{text}: {way_out}", THE_BOOK)


def _as_entered(left_l: float, entered_l: float) -> bool:
    """Whether the entered volume agrees with the book's: within 1 L or 5 %, whichever is more."""
    return abs(left_l - entered_l) <= max(_TRACE_L, 0.05 * left_l)


def _steps(settings: Settings, book: Book, drawn: str, job: str, position: str) -> Iterator[Caution]:
    """Warn of open conversion steps that precede the refill, and of a liquid other than the agreed one."""
    work = work_on(book, job, position)
    if work is None or work.to is None:
        return
    names = [step.name for step in work.steps]
    first = [name for name in work.open_steps if names.index(name) < names.index(REFILL)]
    if first:
        yield Caution("caution", f"before the refill of {position} by the book: {', '.join(first)}", THE_BOOK)
    if not same_fluid(settings, work.to, drawn):
        yield Caution("caution", f"{position} was to be converted to {work.to}, not to {drawn}", THE_BOOK)


def _below_the_hole(book: Book, held: Content, question: Question, job: str, position: str) -> Iterator[Caution]:
    """Warn of what stays below the valve hole of a converted wheel, where neither person nor book count it."""
    work, wanted = work_on(book, job, position), question.wanted
    if work is None or work.to is None or wanted.existing_l or wanted.drained_at is not None or held.left_l is not None:
        return
    if any(step.name == OUT and step.record is not None for step in work.steps):
        text = "what was below the valve hole when the old was drawn off is still inside: --drained 6 counts it"
        yield Caution("caution", text, "the level geometry of the wheel; the book has no litres of it")


# --- out of a wheel -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Foredrawn:
    """The content of a wheel before removal: as entered by a person, or else from the book."""

    holds_l: float
    fluid: str
    lot: str = ""
    cautions: tuple[Caution, ...] = ()
    """Where the figures come from, and where the book disagrees."""
    refusal: str = ""
    """Why this removal needs an explicit override; empty if it needs none."""
    frost_known: bool = True
    """Whether what comes out is one liquid of known figures; else ``fluid`` is the largest part of it."""


def foredrawn(settings: Settings, removal: Removal) -> Foredrawn:
    """The content that a removal assumes; QuantityError if the volume is unknown, FluidError for an unknown liquid."""
    cautions = wiring_cautions(settings)
    removal, is_one = _as_one(settings, removal)
    held, into = Content(), _AT_THE_PUMP if removal.to.strip().casefold() == "tote" else None
    try:
        with book_if_any(settings) as book:
            if book is not None:
                held, into = inside(book, removal.job, removal.position), _goes_into(book, removal.to)
    except RecordError as error:
        cautions += (_unreadable(error),)
    by_mix = liquids_in(settings, held)
    by_book = next((each for each in by_mix if read_as(settings, each)), None)
    fluid = removal.fluid or by_book or settings.tote.fluid
    cautions += (*_volume_cautions(held, removal), *_liquid_cautions(settings, held, by_mix, removal, fluid))
    frost_known = is_one if removal.fluid is not None else len(by_mix) < 2
    refusal = _other_than_booked(settings, held, removal) or _would_mix(settings, into, fluid)
    return Foredrawn(_litres_inside(held, removal), fluid, held.lot_text, cautions, refusal, frost_known)


def _as_one(settings: Settings, removal: Removal) -> tuple[Removal, bool]:
    """A removal of several stated liquids as one of their mix, else of the largest; whether the mix is known."""
    if removal.fluid is None or len(content_names(removal.fluid)) < 2:
        return removal, True
    mix = mix_of(scaled(content_of(settings, removal.fluid), removal.holds_l or 1.0), settings.tote.temperature)
    largest = max(mix.parts, key=lambda part: part.litres or 0.0)
    return replace(removal, fluid=largest.name if mix.fluid is None else mix.name), mix.fluid is not None


def _goes_into(book: Book, to: str) -> Tote | None:
    name = returned_to(book, to)
    return None if name is None else by_name(totes_of(book), name)


def _litres_inside(held: Content, removal: Removal) -> float:
    if removal.holds_l is not None:
        return removal.holds_l
    if held.left_l is not None and held.left_l > _TRACE_L:
        return held.left_l
    why = "the book knows nothing of it" if held.left_l is None else "by the book nothing is left in it"
    raise QuantityError(
        f'how much does it hold, as far as anybody knows? for example --holds "69 gal"; {why}'
        + ("" if removal.position.strip() else " without --job and --position")
    )


def _volume_cautions(held: Content, removal: Removal) -> Iterator[Caution]:
    """Report that the volume is taken from the book, or that the book disagrees with the entered one."""
    left_l, entered_l = held.left_l, removal.holds_l
    if left_l is None or (entered_l is not None and _as_entered(left_l, entered_l)):
        return
    text = f"by the book {removal.position} holds {show_volume(left_l)}"
    if entered_l is None:
        yield Caution("note", f"{text}: that is counted on", THE_BOOK)
        return
    way_out = "if the tyre holds what was told, go on; else leave --holds out"
    yield Caution("caution", f"{text}, {show_volume(entered_l)} were told: {way_out}", THE_BOOK)


def _liquid_cautions(
    settings: Settings, held: Content, fluids: tuple[str, ...], removal: Removal, fluid: str
) -> Iterator[Caution]:
    """Report where the liquid is taken from if none was entered, and whether the wheel holds a mix."""
    if len(held.fluids) > 1:
        text = f"{removal.position} holds a mix by the book ({' + '.join(held.fluids)}), counted as {fluid}"
        yield Caution("caution", f"{text}: weigh a sample before it is used again or disposed of", THE_BOOK)
    if removal.fluid is not None:
        return
    if fluid not in fluids:
        why = (
            f"the book's {held.fluids[0]} is no liquid known here" if held.fluids else "nobody has told what is inside"
        )
        text = f"{why}: counted as {fluid}, which the configuration says of the tote (--holds-fluid tells it)"
        yield Caution("caution", text, "the configuration")
        return
    lot = f", lot {held.lot_text}" if held.lot_text else ""
    known = fluid_of(settings, fluid)
    freeze = f"{known.first} at {known.freeze_c:.0f} °C"
    yield Caution("note", f"what comes out is {fluid} by the book{lot}, {freeze}", THE_BOOK)


def _other_than_booked(settings: Settings, held: Content, removal: Removal) -> str:
    """Why the entered liquid is refused; empty if the book agrees or has none."""
    entered = removal.fluid
    fluids = (*held.fluids, *liquids_in(settings, held))
    if entered is None or not fluids or any(same_fluid(settings, entered, each) for each in fluids):
        return ""
    return (
        f"by the book {removal.position} holds {' + '.join(held.fluids)}, {entered} was told: leave --holds-fluid out, "
        "tell the book what was found (`rig note holds --volume Q --fluid F`), or say --other-fluid to go on knowingly"
    )


def _would_mix(settings: Settings, into: Tote | None, fluid: str) -> str:
    """Why the liquid must not go to the stated destination, because the two would mix; empty if it may."""
    if into is None or (into.content.left_l is not None and into.content.left_l <= _TRACE_L):
        return ""
    there = into.fluids or ((settings.tote.fluid,) if into.connected else ())
    other = next((each for each in there if not same_fluid(settings, each, fluid)), None)
    if other is None:
        return ""
    return (
        f"{into.title} holds {other}, and what comes out is {fluid}: send it elsewhere (--to), or say --other-fluid to "
        "mix them knowingly"
    )
