"""`rig office stock`: content of the yard tanks by loads, deliveries and dips of all trucks, and what explains what is
missing in these and in the totes. Text; computes nothing."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from rig.books.explained import explain_command
from rig.books.stock import held_text, keep_entry, tote_document
from rig.books.where import local, print_answer, settings_of, surely
from rig.cli.table import OK
from rig.run.refused import Refused
from rig.shop.posting import called, place_of
from rig.shop.stock_history import all_histories
from rig.shop.yard import YardTank, yard_tanks
from rig.units import show_volume

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.writing import WritableBook

EXPLAIN = "explain"
TELLS = ("load", "dip", "tote")


def yard_command(options: argparse.Namespace, office: Book, month: tuple[str | None, str | None]) -> int:
    """Store what is entered at the office on a yard tank, if anything; show all tanks, with the sums of a period."""
    from rig.ledger.writing import WritableBook

    if options.what == EXPLAIN:
        return explain_command(options, office, all_histories)
    if isinstance(office, WritableBook):
        _keep_entry(options, office)
    tanks = yard_tanks(office, *month)
    names = {truck: called(office, truck) for truck in office.heads()}
    documents = [tank_document(tank, names) for tank in tanks]
    print_answer(options, {"yard_tanks": documents}, tanks_text(tanks, names))
    return OK


def _keep_entry(options: argparse.Namespace, office: WritableBook) -> None:
    if options.what not in TELLS or not (options.tote or "").strip():
        raise Refused(
            "what of which yard tank? for example `rig office stock load --tote NAME --volume Q`, "
            "`… stock dip --tote NAME --volume Q`, `… stock tote --tote NAME --capacity Q`; alone it shows them all"
        )
    totes = [tank.tote for tank in yard_tanks(office)]
    named = next((tote.name for tote in totes if place_of(tote.name) == place_of(options.tote)), options.tote)
    words = argparse.Namespace(**vars(options) | {"action": options.what, "tote": named, "yard": True})
    surely(words, lambda: keep_entry(office, words, settings_of(options), totes))


def tank_document(tank: YardTank, names: Mapping[str, str]) -> dict[str, object]:
    """A yard tank as a document, trucks by their ``names``. Litres."""
    balance = tank.balance
    return {
        **{name: value for name, value in tote_document(tank.tote).items() if name not in ("connected", "yard")},
        "brought_l": round(tank.brought_l, 3),
        "taken_l": {names[truck]: round(litres, 3) for truck, litres in tank.taken_l.items()},
        "unexplained_l": None if balance.rest_l is None else round(balance.rest_l + 0.0, 1),
    }


def tanks_text(tanks: Sequence[YardTank], names: Mapping[str, str]) -> str:
    """A few lines for each yard tank."""
    if not tanks:
        return "no truck has entered a yard tank: `rig office stock tote --tote NAME --capacity Q`"
    return "\n".join(line for tank in tanks for line in _lines(tank, names))


def _lines(tank: YardTank, names: Mapping[str, str]) -> list[str]:
    seen, rest_l = tank.tote.content.seen, tank.balance.rest_l
    taken = ", ".join(f"{names[truck]} {show_volume(litres)}" for truck, litres in tank.taken_l.items())
    unexplained = "not known, it was not dipped twice" if rest_l is None else show_volume(rest_l + 0.0)
    return [
        f"{tank.tote.title}: {held_text(tank.tote)}",
        f"  dipped last     {f'{local(seen.at)} by {names[seen.truck]}' if seen else 'never'}",
        f"  brought         {show_volume(tank.brought_l)}",
        f"  taken           {taken or 'nothing'}",
        f"  unexplained     {unexplained}, between the first and the last dip",
        *([f"ORDER AGAIN: {tank.tote.title} is below its mark"] if tank.tote.low else []),
    ]
