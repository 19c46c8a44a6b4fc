"""The price of ballast by its weight, and of iron weights where the price list has them. Pure; money is Decimal."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from rig.ledger.pricing import PriceList, Work, cents, lines_of

_LB_PER_KG = Decimal(1) / Decimal("0.45359237")
_PER_KG = {"kg": Decimal(1), "kilogram": Decimal(1), "lb": _LB_PER_KG, "pound": _LB_PER_KG}
"""Units of sale by weight, as a price list writes them, in units per kilogram."""


@dataclass(frozen=True, slots=True)
class ByWeight:
    """Prices per kilogram, before tax: of the liquid in the wheel, and of iron; None where the list has none."""

    currency: str
    liquid_per_kg: Decimal
    iron_per_kg: Decimal | None
    iron: str = ""
    """Name of the iron in the list."""

    @property
    def per_lb(self) -> tuple[Decimal, Decimal | None]:
        """The same per pound, to the cent."""
        iron = None if self.iron_per_kg is None else cents(self.iron_per_kg / _LB_PER_KG)
        return cents(self.liquid_per_kg / _LB_PER_KG), iron


def by_weight(prices: PriceList, work: Work) -> ByWeight | None:
    """The price of a work's liquid by its weight, without fees or a least charge; None for no weight.

    :class:`rig.ledger.pricing.PriceError` where the list has no price for the liquid.
    """
    if work.mass_kg <= 0:
        return None
    plain = prices.model_copy(update={"fees": (), "minimum": Decimal(0)})
    amount = sum((line.amount for line in lines_of(plain, [(work, plain)])), Decimal(0))
    found = next(
        ((name, item) for name, item in prices.items.items() if "iron" in name.casefold() and item.unit in _PER_KG),
        None,
    )
    if found is None:
        return ByWeight(prices.currency, amount / work.mass_kg, None)
    name, item = found
    return ByWeight(prices.currency, amount / work.mass_kg, item.price * _PER_KG[item.unit], name)
