"""`rig target --load`: what the ballast does to axles, tyre and road weight, and its price by weight next to iron.

Options to values and values to text; computes nothing.
"""

from __future__ import annotations

import argparse
import contextlib
import re
from typing import TYPE_CHECKING

from rig.ledger.journal import JournalError
from rig.plan.loads import AxleName, Loads, Stated
from rig.plan.target import Target
from rig.run.settings import Settings
from rig.units import Kind, QuantityError, parse
from rig.wheel.load_index import load_index_in, load_index_kg

if TYPE_CHECKING:
    from rig.ledger.by_weight import ByWeight

_EXAMPLE = '--load "front 2400 kg, rear 3600 kg"'
_AXLES: tuple[AxleName, ...] = ("front", "rear")


def add_load_options(command: argparse.ArgumentParser) -> None:
    """Options for the machine's axles."""
    command.add_argument("--load", metavar="AXLES", help='axle loads without ballast: "front 2400 kg, rear 3600 kg"')
    command.add_argument("--wheels", type=int, default=2, help="equal wheels of this axle (default %(default)s)")
    command.add_argument("--load-index", type=int, metavar="N", help="of the tyre, if its size as typed has none")
    command.add_argument("--rated-pressure", metavar="Q", help="pressure at which the tyre carries its load index")
    command.add_argument("--road-limit", metavar="Q", help="most that this axle may weigh on the road")
    command.add_argument("--power", metavar="Q", help='of the machine, for example "90 hp"')


def loads_of(options: argparse.Namespace, mark: str, target: Target) -> Loads | None:
    """The axles as stated; None without ``--load``. QuantityError for text that cannot be read."""
    if options.load is None:
        return None
    axle: AxleName = "front" if "front" in options.position.casefold() else "rear"
    axle_kg = _axles(options.load)
    if axle not in axle_kg:
        raise QuantityError(f"--load {options.load!r} has no {axle} axle, and this wheel is on it: write {_EXAMPLE}")
    if options.wheels < 1:
        raise QuantityError("--wheels: write 1 or more, usually 2")
    index = load_index_in(mark) if options.load_index is None else options.load_index
    if index is not None:
        _checked(index)
    stated = Stated(
        axle=axle,
        axle_kg=axle_kg,
        wheels=options.wheels,
        load_index=index,
        rated_kpa=_above_zero("--rated-pressure", options.rated_pressure, "pressure"),
        road_limit_kg=_above_zero("--road-limit", options.road_limit, "mass"),
        power_kw=_above_zero("--power", options.power, "power"),
    )
    return Loads(stated, options.wheels * target.added_kg, target.afterwards.set_kpa)


def _checked(index: int) -> None:
    try:
        load_index_kg(index)
    except ValueError as error:
        raise QuantityError(f"--load-index {index}: {error}") from error


def _axles(text: str) -> dict[AxleName, float]:
    found: dict[AxleName, float] = {}
    for part in re.split(r"\s*[,;]\s*", text.strip()):
        name, _, mass = part.partition(" ")
        axle = next((each for each in _AXLES if each == name.casefold().rstrip(":=")), None)
        if axle is None or axle in found:
            raise QuantityError(f"{text!r} names no axles that can be read: write {_EXAMPLE}")
        found[axle] = _above_zero(f"--load {name}", mass, "mass") or 0.0
    return found


def _above_zero(option: str, text: str | None, kind: Kind) -> float | None:
    if text is None:
        return None
    value = parse(text, kind)
    if value <= 0:
        raise QuantityError(f"{option} {text}: write more than nothing")
    return value


def price_by_weight(settings: Settings, target: Target) -> ByWeight | None:
    """The price by weight at the list in force; None without a book, a list or a price for this liquid."""
    from rig.books.prices import list_now, read_list
    from rig.ledger.by_weight import by_weight
    from rig.ledger.pricing import PriceError, Work, exact
    from rig.shop.posting import book_if_any

    # The answer itself reports a book that cannot be read.
    with contextlib.suppress(PriceError, JournalError):
        with book_if_any(settings) as book:
            prices = None if book is None else list_now(book)
        if prices is None:
            return None
        names = tuple(dict.fromkeys((target.fluid.name, target.fluid.kind)))
        litres, mass_kg = exact(round(target.target_l, 3)), exact(round(target.added_kg, 2))
        work = Work("", 0, names, target.cavity.designation.text, "", litres, mass_kg)
        return by_weight(read_list(prices), work)
    return None


def price_json(found: ByWeight | None) -> dict[str, object]:
    """For a program; money as decimal text."""
    if found is None:
        return {"ballast_per_lb": None, "iron_per_lb": None, "currency": None}
    liquid, iron = found.per_lb
    return {
        "ballast_per_lb": str(liquid),
        "iron_per_lb": None if iron is None else str(iron),
        "currency": found.currency,
    }


def price_line(found: ByWeight) -> str:
    """For a person."""
    liquid, iron = found.per_lb
    iron_words = "; the price list has no iron" if iron is None else f", {found.iron} {iron}"
    return f"  price       {liquid} {found.currency} per pound of ballast{iron_words}"
