"""`rig stock`, `rig balance`: content and lot of each tote, a day's balance, and what explains what is missing."""

from __future__ import annotations

import argparse
import secrets
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from rig.books.explained import add_explain_options, explain_command
from rig.books.fields import volume_above_zero_l, volume_l_of, within_l_of
from rig.books.loading import check_liquid, check_room, parts
from rig.books.where import (
    add_config,
    add_sure,
    book_asked,
    book_written,
    day_of,
    local,
    now,
    print_answer,
    settings_of,
    surely,
)
from rig.cli.table import OK, Add
from rig.ledger.balance import Balance, Move, balances, together
from rig.ledger.moment import local_day
from rig.record.notes import Connect, Dip, Load, ToteFacts
from rig.run.mistakes import nearest
from rig.run.refused import Refused
from rig.run.settings import Settings
from rig.sentence import Wording
from rig.shop.plausible import refuse_doubtful
from rig.shop.stock_history import own_histories
from rig.shop.totes import UNNAMED, Tote, as_written, by_name, mix_in, movements, totes_of
from rig.units import show_volume

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.writing import WritableBook

_SEEN_BY = {"dip": "dipped", "told": "told by the office"}


def add_stock(add: Add) -> None:
    """The commands ``stock`` and ``balance``."""
    stock = add("stock", stock_command)
    stock.add_argument("action", nargs="?", choices=("show", "explain", *_ACTIONS), default="show")
    add_telling_options(stock)
    stock.add_argument("--yard", action="store_true", help="of `tote`: a tank that stays in the yard")
    add_config(stock)
    nightly = add("balance", balance_command)
    nightly.add_argument("--date", metavar="YYYY-MM-DD", help="local day (default: today)")
    add_config(nightly)


def add_telling_options(stock: argparse.ArgumentParser) -> None:
    """Options of an entry on a tote: which, how much, of what."""
    stock.add_argument("--tote", metavar="NAME", help="which one (default: the one that is connected)")
    stock.add_argument("--volume", metavar="Q", help="loaded, or what stands in the tote")
    stock.add_argument("--from", dest="source", metavar="NAME", help="loaded out of this tote or yard tank")
    stock.add_argument("--lot", default="", help="which lot was loaded")
    stock.add_argument("--fluid", help="what was loaded; of `tote`, what it is for")
    stock.add_argument("--mixed", action="store_true", help="another liquid on the rest of the last: it is known")
    stock.add_argument("--capacity", metavar="Q", help="of `tote`: how much it takes")
    stock.add_argument("--reorder", metavar="Q", help="order again when less than this is left")
    stock.add_argument("--within", metavar="Q", help="how well the volume is known, at 95 %% (default: 0.5 %%)")
    stock.add_argument("--by", default="", metavar="NAME")
    add_explain_options(stock)
    add_sure(stock)


# --- entries --------------------------------------------------------------------------------------------------------


def stock_command(options: argparse.Namespace) -> int:
    """Show the totes' content, explain what is missing, or enter what was loaded, dipped, connected, a tote's data."""
    if options.action == "explain":
        with book_asked(options) as book:
            return explain_command(options, book, own_histories)
    if options.action == "show":
        with book_asked(options) as book:
            totes = totes_of(book)
    else:
        with book_written(options) as written:
            surely(options, lambda: keep_entry(written, options, settings_of(options)))
            totes = totes_of(written)
    if options.tote is not None and options.action == "show":
        totes = [_named(totes, options.tote)]
    settings = settings_of(options)
    print_answer(options, stock_document(totes, settings), stock_text(totes, settings))
    return OK


def keep_entry(
    book: WritableBook,
    options: argparse.Namespace,
    settings: Settings | None,
    totes: Sequence[Tote] | None = None,
    once: str = "",
) -> None:
    """Store what was loaded, dipped or connected, or a tote's data, for a request ``once``.

    Refused, Doubtful, QuantityError with what to do. ``totes`` are those that may be named; by default, all that the
    book's own truck knows.
    """
    known = totes_of(book) if totes is None else totes
    options.once = once or secrets.token_hex(12)
    _ACTIONS[options.action](book, known, options, settings)


def _named(totes: Sequence[Tote], name: str | None) -> Tote:
    found = by_name(totes, name)
    if found is None:
        known = [each.name for each in totes if each.name]
        words = Wording(
            "stock.no_tote",
            "no tote '{name}'{near}: enter it first, for example "
            '`rig stock tote --tote "{name}" --capacity "1000 L"`',
        )
        raise Refused(words(name=str(name), near=nearest(str(name), known) if known else ""))
    return found


def _volume_l(options: argparse.Namespace) -> float:
    if options.volume is None:
        words = Wording("stock.how_much", 'how much? write for example `rig stock {action} --volume "900 L"`')
        raise Refused(words(action=options.action))
    return volume_above_zero_l(options.volume) if options.action == "load" else volume_l_of(options.volume)


def _within_l(options: argparse.Namespace) -> float | None:
    return None if options.within is None else within_l_of(options.within)


def _described(
    book: WritableBook, totes: Sequence[Tote], options: argparse.Namespace, settings: Settings | None
) -> None:
    """Store a tote's data; earlier values remain unless entered again."""
    name = UNNAMED if options.tote is None else options.tote.strip()
    standing = book.one("tote", f"tote {name}")
    before = ToteFacts.of(standing) if standing else None
    facts = ToteFacts(
        tote=name,
        capacity_l=None if options.capacity is None else volume_l_of(options.capacity),
        reorder_l=None if options.reorder is None else volume_l_of(options.reorder),
        fluid=None if options.fluid is None else as_written(settings, options.fluid),
        yard=True if options.yard else None,
    )
    refuse_doubtful(book, settings, facts, sure=options.sure)
    said = before.changed(facts.document()) if before else facts
    at = now()
    if before != said:
        book.put("tote", f"tote {name}", at, said, standing)
    if name and not said.yard and not book.valid("connect", truck=book.own):
        # The first named tote is connected, until another one is.
        book.note("connect", at, Connect(tote=name, by=options.by))


def _loaded(book: WritableBook, totes: Sequence[Tote], options: argparse.Namespace, settings: Settings | None) -> None:
    volume_l = _volume_l(options)
    tote = _named(totes, options.tote)
    source = None if options.source is None else _named(totes, options.source)
    fluid = as_written(settings, options.fluid) if options.fluid else ""
    mix = parts(source, tote, volume_l, fluid, options.lot)
    check_room(tote, volume_l)
    if not options.mixed:
        check_liquid(settings, tote, [part[0] for part in mix])
    said = Load(
        tote=tote.name,
        loaded_l=volume_l,
        fluid=mix[0][0],
        lot=mix[0][1],
        by=options.by,
        from_=None if source is None else source.name,
        parts=None if source is None else tuple(mix),
        mixed=True if options.mixed else None,
        loaded_u_l=_within_l(options),
    )
    refuse_doubtful(book, settings, said, sure=options.sure)
    book.note("load", now(), said, options.once)
    if options.reorder is not None:
        options.tote, options.fluid, options.yard = tote.name, None, tote.yard
        _described(book, totes, options, settings)


def _dipped(book: WritableBook, totes: Sequence[Tote], options: argparse.Namespace, settings: Settings | None) -> None:
    """Store a tote's measured content and, if given, its liquid."""
    volume_l, tote = _volume_l(options), _named(totes, options.tote)
    fluid = as_written(settings, options.fluid) if options.fluid else ""
    if options.lot and not fluid:
        fluid = next(iter(tote.fluids), "")
    within_l = _within_l(options)
    said = Dip(tote=tote.name, tote_l=volume_l, fluid=fluid, lot=options.lot, by=options.by, tote_u_l=within_l)
    refuse_doubtful(book, settings, said, sure=options.sure)
    book.note("dip", now(), said, options.once)


def _connected(
    book: WritableBook, totes: Sequence[Tote], options: argparse.Namespace, settings: Settings | None
) -> None:
    """Store which tote the pump draws from now on."""
    tote = _named(totes, options.tote)
    book.note("connect", now(), Connect(tote=tote.name, by=options.by), options.once)


_ACTIONS: dict[str, Callable[[WritableBook, Sequence[Tote], argparse.Namespace, Settings | None], None]] = {
    "load": _loaded,
    "dip": _dipped,
    "connect": _connected,
    "tote": _described,
}


# --- display --------------------------------------------------------------------------------------------------------


def stock_document(totes: Sequence[Tote], settings: Settings | None = None) -> dict[str, object]:
    """The first tote, the connected one, as a document, and all of them."""
    rows = [tote_document(tote, settings) for tote in totes]
    return {**rows[0], "totes": rows}


def tote_document(tote: Tote, settings: Settings | None = None) -> dict[str, object]:
    """One tote, or a yard tank; of several liquids with their mix and its frost point, None if unknown.

    ``seen_at`` is the time of its last reading, ``seen_by`` the source.
    """
    left_l, seen = tote.content.left_l, tote.content.seen
    return {
        **_mix_keys(tote, settings),
        "tote": tote.name,
        "left_l": None if left_l is None else round(left_l + 0.0, 1),
        "capacity_l": tote.capacity_l,
        "fluid": " + ".join(tote.fluids) or None,
        "lot": tote.content.lot_text or None,
        "lots": {lot: round(share, 3) for lot, share in tote.content.lots if lot},
        "reorder_l": tote.reorder_l,
        "reorder": tote.low,
        "connected": tote.connected,
        "yard": tote.yard,
        "seen_at": None if seen is None else seen.at,
        "seen_by": None if seen is None else _SEEN_BY[seen.move],
    }


def _mix_keys(tote: Tote, settings: Settings | None) -> dict[str, object]:
    """The mix of several liquids and its frost point, None if unknown; nothing of a single liquid."""
    mix = mix_in(settings, tote.content) if len(tote.content.fluids) > 1 else None
    if mix is None:
        return {}
    return {"mix": mix.name, "freeze_c": None if mix.freeze_c is None else round(mix.freeze_c, 1)}


def stock_text(totes: Sequence[Tote], settings: Settings | None = None) -> str:
    """A line for each tote, and a reorder notice under it if due."""
    lines = []
    for tote in totes:
        name = "in the tote" if not tote.name else f"{tote.title}{' (connected)' if tote.connected else ''}"
        lines.append(f"{name}: {held_text(tote, settings)}")
        if tote.yard:
            lines.append(f"  {_own_only(tote)}")
        if tote.low:
            lines.append(f"ORDER AGAIN: {tote.title} is below the mark of {show_volume(tote.reorder_l or 0.0)}")
    return "\n".join(lines)


def _own_only(tote: Tote) -> str:
    """The limits of a truck's knowledge of a yard tank that others may load from."""
    seen = tote.content.seen
    since = f"since {local(seen.at)} ({_SEEN_BY[seen.move]})" if seen else "since it keeps this book (never dipped)"
    return f"by this truck's own loads {since}; others' are added up at the office: `rig office stock`"


def held_text(tote: Tote, settings: Settings | None = None) -> str:
    """The content of a tote, in words."""
    left_l = tote.content.left_l
    of = f" of {show_volume(tote.capacity_l)}" if tote.capacity_l is not None else ""
    own = f" --tote {tote.name}" if tote.name else ""
    held = f"not known{of}: `rig stock dip{own} --volume Q`" if left_l is None else f"{show_volume(left_l)}{of}"
    mixed = "MIXED: " if len(tote.content.fluids) > 1 else ""
    mix = mix_in(settings, tote.content) if mixed else None
    made = (
        ""
        if mix is None
        else ", frost point not known"
        if mix.freeze_c is None
        else f", that is {mix.name}, first ice at {mix.freeze_c:.0f} °C"
    )
    what = [mixed + " + ".join(tote.fluids) + made] if tote.fluids else []
    lot = [f"lot {tote.content.lot_text}"] if tote.content.lot_text else []
    return ", ".join([held, *([" ".join([*what, *lot])] if what or lot else [])])


# --- balance --------------------------------------------------------------------------------------------------------


def balance_command(options: argparse.Namespace) -> int:
    """The day's balance of this truck."""
    since, until = day_of(options)
    with book_asked(options) as book:
        each, truck = balances(movements(book, since, until)), _called(options, book)
        mixes = {tote.name: _mix_keys(tote, settings_of(options)) for tote in totes_of(book)}
    found = together(each)
    document = {
        "truck": truck,
        "since": since,
        "until": until,
        "drop_l": _tenth(found.drop_l),
        "sums_l": {move: round(litres, 3) for move, litres in found.sums_l.items()},
        "booked_l": round(found.booked_l, 3),
        "unexplained_l": _tenth(found.rest_l),
        "not_dipped_twice": list(found.undipped),
        "totes": [
            {"tote": name, "drop_l": _tenth(own.drop_l), "unexplained_l": _tenth(own.rest_l)} | mixes.get(name, {})
            for name, own in each.items()
        ],
    }
    print_answer(options, document, balance_line(truck, since, found))
    return OK


def _called(options: argparse.Namespace, book: Book) -> str:
    """The rig's name in its configuration, else the id of its book."""
    settings = settings_of(options)
    return settings.rig.name if settings else book.truck


def _tenth(value: float | None) -> float | None:
    return None if value is None else round(value + 0.0, 1)


def balance_line(truck: str, since: str, found: Balance) -> str:
    """A day in one line."""

    def sum_of(*moves: Move) -> str:
        return f"{sum(found.sums_l.get(move, 0.0) for move in moves):.1f}"

    which = [f"tote {name}" for name in found.undipped if name]
    drop = " ".join(["not dipped twice", *which]) if found.drop_l is None else f"{found.drop_l:.1f} L"
    rest = "not known" if found.rest_l is None else f"{found.rest_l + 0.0:.1f} L"
    return (
        f"{truck} {local_day(since)}: tote drop {drop} = tickets {sum_of('ticket')} + hose {sum_of('hose')} + vented "
        f"{sum_of('vent')} + rinse {sum_of('rinse')} + spills {sum_of('spill')} - returns {sum_of('return')}; "
        f"unexplained {rest}"
    )
