"""Fields that a person may correct in each kind of record, and the parser of each. Writes nothing."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING

from rig.books.prices import list_now, read_list
from rig.fluid import FluidError, figures_of
from rig.ledger.pricing import tenths
from rig.record.base import Sealed, values_of
from rig.record.notes import Load
from rig.record.work import PumpWork
from rig.run.assembly import content_of, fluid_of
from rig.run.mistakes import nearest
from rig.run.refused import Refused
from rig.run.settings import Settings
from rig.sentence import Sentence, Wording, said_by
from rig.shop.totes import as_written, by_name, returned_to, totes_of
from rig.units import parse, show_pressure
from rig.wheel import cavity_of, read_size

if TYPE_CHECKING:
    from rig.ledger.book import Book

Changes = dict[str, object]
"""Changed fields of a record, by JSON key; :meth:`rig.record.base.Sealed.changed` validates them."""
VOLUMES = {
    "return": "drawn_l", "rinse": "rinsed_l", "spill": "spilled_l", "holds": "holds_l", "figure": "figure_l",
    "load": "loaded_l", "dip": "tote_l",
}  # fmt: skip
"""The field that holds the litres in each kind of record."""
_MAY_BE_NOTHING = ("holds", "figure", "dip")
BASES = ("counted", "estimated", "scale", "level", "chart")
_WHOSE = ("job", "position", "by")
CORRECTABLE: dict[str, tuple[str, ...]] = {
    "fill": ("size", "make", "fluid", "tote", "lot", *_WHOSE),
    "vessel": ("tote", "lot", *_WHOSE),
    "return": ("volume", "fluid", "to", "basis", *_WHOSE),
    "rinse": ("volume", "fluid", "tote", *_WHOSE),
    "spill": ("volume", "tote", *_WHOSE),
    "charge": ("item", "quantity", *_WHOSE),
    "step": ("step", *_WHOSE),
    "holds": ("volume", "fluid", *_WHOSE),
    "finish": ("pressure", "leak", "cap", *_WHOSE),
    "figure": ("volume", "basis", "by"),
    "load": ("volume", "within", "fluid", "lot", "tote", "by"),
    "dip": ("volume", "within", "fluid", "lot", "tote", "by"),
    "connect": ("tote", "by"),
}
"""Correctable fields of each kind of record, by the name of the option."""
_COUNTED = {"volume", "basis"}
"""Fields not correctable for pump work: its count is kept."""


NO_TOTE = Wording("note.no_tote", "no tote '{name}'; `rig stock` shows them")


def volume_l_of(text: str) -> float:
    """A volume that may be zero; Refused for less."""
    volume_l = parse(text, "volume")
    if volume_l < 0:
        raise Refused(Wording("note.negative", "{text}: a volume is not negative")(text=text))
    return round(volume_l, 3)


def volume_above_zero_l(text: str) -> float:
    """A volume that was moved; Refused for zero."""
    volume_l = volume_l_of(text)
    if volume_l == 0:
        words = Wording(
            "note.nothing_moved",
            "{text}: nothing was moved then; a wrong note is taken out by `rig note void RECORD --why …`",
        )
        raise Refused(words(text=text))
    return volume_l


def within_l_of(text: str) -> float:
    """How well a volume is known, at 95 %; Refused for zero or less."""
    volume_l = volume_l_of(text)
    if volume_l == 0:
        raise Refused(Wording("note.within", "{text}: no reading is exact; write for example 2 L")(text=text))
    return volume_l


def quantity_of(text: str) -> str:
    """Quantity of an item for a record; Refused unless a number above 0 with at most one decimal."""
    try:
        quantity = Decimal(text)
        whole = tenths(quantity) == quantity and 0 < quantity <= 100_000
    except InvalidOperation:
        whole = False
    if not whole:
        words = Wording("note.quantity", "a quantity of {text}: write a number above 0 with at most one decimal")
        raise Refused(words(text=text))
    return str(quantity)


def refuse_unpriced(book: Book, item: str) -> None:
    """Refuse an item without a price in the list in force; without a list, any item is accepted."""
    prices = list_now(book)
    if prices is None:
        return
    items = read_list(prices).items
    if item not in items:
        known = nearest(item, items) if items else "; it has no items at all"
        words = Wording("note.no_price", "'{item}' has no price in the list of record {serial}{known}")
        raise Refused(words(item=item, serial=str(prices.serial), known=known))


def changed(
    book: Book, settings: Settings | None, kind: str, before: Sealed, options: argparse.Namespace
) -> tuple[Changes, list[str]]:
    """The corrected fields of a record, and the options that gave them; Refused for fields that are not correctable."""
    counts = isinstance(before, PumpWork)
    may = [name for name in CORRECTABLE.get(kind, ()) if not (counts and name in _COUNTED)]
    given = [name for name in _READERS if getattr(options, name, None) not in (None, "")]
    other = next((name for name in given if name not in may), None)
    if other is not None or not given:
        raise Refused(_not_correctable(kind, other, may, counts=counts))
    changes: Changes = {}
    for name in given:
        changes |= _READERS[name](book, settings, kind, before, getattr(options, name))
    return changes, given


def _not_correctable(kind: str, other: str | None, may: Sequence[str], *, counts: bool) -> Sentence:
    if not may:
        return Wording("undo.only_void", "nothing of a {kind} is corrected: void it")(kind=kind)
    named = ", ".join(f"--{name}" for name in may)
    if other is None:
        return Wording("undo.what", "what is to be corrected? write {may}.")(may=named)
    counted = Wording(
        "undo.not_of_count", "--{other} is not of a {kind}: write {may}. What was counted stays as counted."
    )
    words = Wording("undo.not_of", "--{other} is not of a {kind}: write {may}.")
    return (counted if counts else words)(other=other, kind=kind, may=named)


_Reader = Callable[["Book", Settings | None, str, Sealed, str], Changes]


def _volume(book: Book, settings: Settings | None, kind: str, before: Sealed, text: str) -> Changes:
    volume_l = volume_l_of(text) if kind in _MAY_BE_NOTHING else volume_above_zero_l(text)
    changes: Changes = {VOLUMES[kind]: volume_l}
    if isinstance(before, Load) and before.parts:
        whole = sum(litres for _, _, litres in before.parts)
        changes["parts"] = [[fluid, lot, volume_l * litres / whole] for fluid, lot, litres in before.parts]
    return changes


def _within(book: Book, settings: Settings | None, kind: str, before: Sealed, text: str) -> Changes:
    return {"loaded_u_l" if kind == "load" else "tote_u_l": within_l_of(text)}


def _fluid(book: Book, settings: Settings | None, kind: str, before: Sealed, text: str) -> Changes:
    if kind == "fill" and isinstance(before, PumpWork):
        return _fluid_of_fill(settings, before, text)
    _not_out_of_another(before)
    return {"fluid": as_written(settings, text)}


def _not_out_of_another(before: Sealed) -> None:
    if isinstance(before, Load) and before.from_ is not None:
        words = Wording("note.out_of", "it came out of {tote}: void it and load it again with what it was")
        raise Refused(words(tote=before.from_))


def _fluid_of_fill(settings: Settings | None, before: PumpWork, text: str) -> Changes:
    """Another liquid for a fill with the derived figures; the counted litres are kept."""
    temp_c, fluid = before.fluid_c, fluid_of(settings, text)
    try:
        holds = () if before.existing_fluid is None else content_of(settings, before.existing_fluid)
        figures, ctl = figures_of(fluid, before.net_l, temp_c, holds, before.existing_l), fluid.ctl(temp_c)
    except FluidError as error:
        raise Refused(
            Wording("note.not_at", "{text}: not at the {temp:temperature} of this fill: {error}")(
                text=text, temp=temp_c, error=said_by(error)
            )
        ) from error
    return {"fluid": fluid.name, "fluid_text": text, "ctl": round(ctl, 6), **values_of(figures)}


def _size(book: Book, settings: Settings | None, kind: str, before: Sealed, text: str) -> Changes:
    size = read_size(text)
    cavity = cavity_of(size)
    figures = (cavity.volume_l, cavity.low_l, cavity.high_l)
    names = ("cavity_l", "cavity_low_l", "cavity_high_l")
    return {
        "size": size.text,
        "size_as_marked": None if size.shown == size.text else size.shown,
        **{name: round(value, 2) for name, value in zip(names, figures, strict=True)},
        "cavity_basis": cavity.basis,
    }


def _tote(book: Book, settings: Settings | None, kind: str, before: Sealed, text: str) -> Changes:
    tote = by_name(totes_of(book), text)
    if tote is None:
        raise Refused(NO_TOTE(name=text))
    return {"tote": tote.name}


def _lot(book: Book, settings: Settings | None, kind: str, before: Sealed, text: str) -> Changes:
    _not_out_of_another(before)
    return {"lot": text}


def _to(book: Book, settings: Settings | None, kind: str, before: Sealed, text: str) -> Changes:
    return {"to": text, "tote": returned_to(book, text)}


def _item(book: Book, settings: Settings | None, kind: str, before: Sealed, text: str) -> Changes:
    refuse_unpriced(book, text)
    return {"item": text}


def _pressure(book: Book, settings: Settings | None, kind: str, before: Sealed, text: str) -> Changes:
    kpa = parse(text, "pressure")
    return {"final_kpa": round(kpa, 1), "told": show_pressure(kpa)}


def _basis(book: Book, settings: Settings | None, kind: str, before: Sealed, text: str) -> Changes:
    fits = ("scale", "level", "chart") if kind == "figure" else ("counted", "estimated")
    if text not in fits:
        words = Wording("note.basis", "a {kind} is not known by '{basis}': write {fits}")
        raise Refused(words(kind=kind, basis=text, fits=", ".join(fits)))
    return {"basis": text}


def _as_said(name: str) -> _Reader:
    return lambda book, settings, kind, before, text: {name: text}


_READERS: dict[str, _Reader] = {
    "volume": _volume,
    "within": _within,
    "fluid": _fluid,
    "size": _size,
    "make": _as_said("make"),
    "tote": _tote,
    "lot": _lot,
    "to": _to,
    "item": _item,
    "quantity": lambda book, settings, kind, before, text: {"quantity": quantity_of(text)},
    "pressure": _pressure,
    "basis": _basis,
    **{name: _as_said(name) for name in ("leak", "cap", "step", "job", "position", "by")},
}
"""The parser of each option."""
