"""What the book knows before liquid is taken out of a wheel: how much there is, of which liquid, and where it may go.

As in :mod:`rig.shop.before` the results are cautions, and what would mix is refused without an explicit override.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rig.caution import THE_BOOK, Caution
from rig.fluid import content_names, mix_of, scaled
from rig.ledger.balance import Content
from rig.record.base import RecordError
from rig.run.assembly import content_of, fluid_of
from rig.run.settings import Settings
from rig.sentence import Sentence, Wording
from rig.shop.before import AT_THE_PUMP, TRACE_L, WIRES, as_entered, unreadable, wiring_cautions
from rig.shop.posting import book_if_any
from rig.shop.totes import Tote, by_name, liquids_in, read_as, returned_to, same_fluid, totes_of
from rig.shop.wheels import inside
from rig.units import QuantityError

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.run.removal import Removal


@dataclass(frozen=True, slots=True)
class Foredrawn:
    """The content of a wheel before removal: as entered by a person, or else from the book."""

    holds_l: float
    fluid: str
    lot: str = ""
    cautions: tuple[Caution, ...] = ()
    """Where the figures come from, and where the book disagrees."""
    refusal: Sentence | None = None
    """Why this removal needs an explicit override; empty if it needs none."""
    frost_known: bool = True
    """Whether what comes out is one liquid of known figures; else ``fluid`` is the largest part of it."""


def foredrawn(settings: Settings, removal: Removal) -> Foredrawn:
    """The content that a removal assumes; QuantityError if the volume is unknown, FluidError for an unknown liquid."""
    cautions = wiring_cautions(settings)
    removal, is_one = _as_one(settings, removal)
    held, into = Content(), AT_THE_PUMP if removal.to.strip().casefold() == "tote" else None
    try:
        with book_if_any(settings) as book:
            if book is not None:
                held, into = inside(book, removal.job, removal.position), _goes_into(book, removal.to)
    except RecordError as error:
        cautions += (unreadable(error),)
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
    if held.left_l is not None and held.left_l > TRACE_L:
        return held.left_l
    why = (
        Wording("refused.nothing_known", "the book knows nothing of it")
        if held.left_l is None
        else Wording("refused.nothing_left", "by the book nothing is left in it")
    )
    words = (
        Wording("refused.holds", 'how much does it hold, as far as anybody knows? for example --holds "69 gal"; {why}')
        if removal.position.strip()
        else Wording(
            "refused.holds_where",
            'how much does it hold, as far as anybody knows? for example --holds "69 gal"; {why} without --job and '
            "--position",
        )
    )
    raise QuantityError(words(why=why()))


def _volume_cautions(held: Content, removal: Removal) -> Iterator[Caution]:
    """Report that the volume is taken from the book, or that the book disagrees with the entered one."""
    left_l, entered_l = held.left_l, removal.holds_l
    if left_l is None or (entered_l is not None and as_entered(left_l, entered_l)):
        return
    if entered_l is None:
        words = Wording("caution.book.counted_on", "by the book {position} holds {left:volume}: that is counted on")
        yield Caution("note", words(position=removal.position, left=left_l), THE_BOOK)
        return
    words = Wording(
        "caution.book.told",
        "by the book {position} holds {left:volume}, {told:volume} were told: if the tyre holds what was told, go on; "
        "else leave --holds out",
    )
    yield Caution("caution", words(position=removal.position, left=left_l, told=entered_l), THE_BOOK)


def _liquid_cautions(
    settings: Settings, held: Content, fluids: tuple[str, ...], removal: Removal, fluid: str
) -> Iterator[Caution]:
    """Report where the liquid is taken from if none was entered, and whether the wheel holds a mix."""
    if len(held.fluids) > 1:
        words = Wording(
            "caution.book.mix",
            "{position} holds a mix by the book ({fluids}), counted as {fluid}: weigh a sample before it is used "
            "again or "
            "disposed of",
        )
        text = words(position=removal.position, fluids=" + ".join(held.fluids), fluid=fluid)
        yield Caution("caution", text, THE_BOOK)
    if removal.fluid is not None:
        return
    if fluid not in fluids:
        why = (
            Wording("caution.book.unknown_fluid", "the book's {fluid} is no liquid known here")(fluid=held.fluids[0])
            if held.fluids
            else Wording("caution.book.nobody_told", "nobody has told what is inside")()
        )
        words = Wording(
            "caution.book.counted_as",
            "{why}: counted as {fluid}, which the configuration says of the tote (--holds-fluid tells it)",
        )
        yield Caution("caution", words(why=why, fluid=fluid), WIRES)
        return
    words = Wording("caution.book.comes_out", "what comes out is {fluid} by the book, {first} at {frost:temperature}")
    lot = f"{fluid} ({held.lot_text})" if held.lot_text else fluid
    known = fluid_of(settings, fluid)
    yield Caution("note", words(fluid=lot, first=known.first, frost=known.freeze_c), THE_BOOK)


def _other_than_booked(settings: Settings, held: Content, removal: Removal) -> Sentence | None:
    """Why the entered liquid is refused; None if the book agrees or has none."""
    entered = removal.fluid
    fluids = (*held.fluids, *liquids_in(settings, held))
    if entered is None or not fluids or any(same_fluid(settings, entered, each) for each in fluids):
        return None
    words = Wording(
        "refused.other_than_booked",
        "by the book {position} holds {fluids}, {entered} was told: leave --holds-fluid out, tell the book what was "
        "found "
        "(`rig note holds --volume Q --fluid F`), or say --other-fluid to go on knowingly",
    )
    return words(position=removal.position, fluids=" + ".join(held.fluids), entered=entered)


def _would_mix(settings: Settings, into: Tote | None, fluid: str) -> Sentence | None:
    """Why the liquid must not go to the stated destination, because the two would mix; None if it may."""
    if into is None or (into.content.left_l is not None and into.content.left_l <= TRACE_L):
        return None
    there = into.fluids or ((settings.tote.fluid,) if into.connected else ())
    other = next((each for each in there if not same_fluid(settings, each, fluid)), None)
    if other is None:
        return None
    words = Wording(
        "refused.would_mix",
        "{tote} holds {other}, and what comes out is {fluid}: send it elsewhere (--to), or say --other-fluid to mix "
        "them "
        "knowingly",
    )
    return words(tote=into.title, other=other, fluid=fluid)
