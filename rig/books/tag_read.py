"""The label of a wheel, read from a photograph: which wheel it is, and what that holds.

The book goes first, since the wheel may have been filled or emptied after its label was printed; a label of another rig
is taken at its word.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

import zxingcpp
from PIL import Image, UnidentifiedImageError

from rig.books.asked import fill_asked
from rig.books.tag import HEAD, NUMBER, UNKNOWN_LITRES
from rig.fluid import UNKNOWN
from rig.record.work import PumpWork
from rig.run.refused import Refused
from rig.sentence import Wording
from rig.shop.posting import book_if_any
from rig.shop.totes import content_text, read_as
from rig.shop.wheels import after, inside
from rig.units import QuantityError, parse
from rig.wheel import SizeError, read_size

if TYPE_CHECKING:
    from rig.ledger.balance import Content
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.run.settings import Settings
    from rig.sentence import Sentence

_MOST_PIXELS = 16_000_000
_QR = zxingcpp.barcode_formats_from_str("QRCode")
_NO_PICTURE = Wording("tag.no_picture", "this is no picture that can be read: take a photograph of the label")
_TOO_LARGE = Wording("tag.too_large", "this picture is too large: at most 16 megapixels")
_NO_CODE = Wording("tag.no_code", "no code is found in this picture: hold the camera straight and near, without glare")
_NO_LABEL = Wording("tag.no_label", "the code in this picture is not that of a wheel's label")
_BY_BOOK = Wording("tag.by_book", "Read: {label}. What is inside now is by the book.")
_BY_LABEL = Wording("tag.by_label", "Read: {label}. It is of another rig: ask what was done to the wheel since.")


@dataclass(frozen=True, slots=True)
class TaggedWheel:
    """The wheel of a label, as a question about it is typed."""

    size: str
    position: str
    holds: str
    """Its content in litres; empty if unknown."""
    holds_fluid: str
    says: Sentence
    """What was read, and from where its content is known."""


def codes_in(picture: bytes) -> list[str]:
    """The texts of the QR codes in a photograph (JPEG or PNG); Refused if there is none, or no such picture."""
    try:
        with Image.open(io.BytesIO(picture), formats=("JPEG", "PNG")) as image:
            if image.width * image.height > _MOST_PIXELS:
                raise Refused(_TOO_LARGE())
            grey = image.convert("L")
    except (UnidentifiedImageError, OSError, SyntaxError) as error:
        raise Refused(_NO_PICTURE()) from error
    found = [each.text for each in zxingcpp.read_barcodes(grey, formats=_QR)]
    if not found:
        raise Refused(_NO_CODE())
    return found


def wheel_of(settings: Settings, texts: list[str]) -> TaggedWheel:
    """The wheel of the first label among these texts; Refused if none is one. RecordError from the book."""
    label = next((text for text in texts if text.startswith(HEAD)), None)
    if label is None:
        raise Refused(_NO_LABEL())
    words = [each.strip() for each in label.split(";")]
    shown = ", ".join(words[1:])
    with book_if_any(settings) as book:
        record = None if book is None else _record_of(settings, book, words)
        if book is not None and record is not None:
            return _by_book(settings, book, record, _BY_BOOK(label=shown))
    return _by_label(settings, words, _BY_LABEL(label=shown))


def _record_of(settings: Settings, book: Book, words: list[str]) -> Record | None:
    """The fill of this rig that the label names, if the book has it."""
    for word in words:
        device, named, number = word.rpartition(NUMBER)
        if named and device == settings.rig.name:
            try:
                return fill_asked(book, number)
            except Refused:
                return None
    return None


def _by_book(settings: Settings, book: Book, record: Record, says: Sentence) -> TaggedWheel:
    fill = PumpWork.of(record)
    position = fill.position or ""
    # Without a job the book knows no other work on the same wheel.
    held = inside(book, fill.job, position) if fill.job and position else after(book, [record])
    return TaggedWheel(fill.shown_size, position, _litres(held), content_text(settings, held), says)


def _litres(held: Content) -> str:
    return "" if held.left_l is None else f"{held.left_l:.2f} L"


def _by_label(settings: Settings, words: list[str], says: Sentence) -> TaggedWheel:
    if len(words) < 3:
        raise Refused(_NO_LABEL())
    size, _, position = words[1].partition(", ")
    fluid, _, volume = words[2].rpartition(", ")
    known = read_as(settings, fluid)
    try:
        read_size(size)
        litres = "" if volume == UNKNOWN_LITRES else f"{parse(volume.partition(' (')[0], 'volume'):.2f} L"
    except (SizeError, QuantityError) as error:
        raise Refused(_NO_LABEL()) from error
    return TaggedWheel(size, position, litres, UNKNOWN if known is None else known.name, says)
