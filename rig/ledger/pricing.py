"""Pricing: from a price list and the work done to lines, taxes and a total. Pure; money is Decimal, never a float.

Rounding: a quantity is priced as printed, rounded half up to a tenth of its unit; each line is rounded half up to
the cent. Tax is computed per line, or on the sum of lines per rate, as the list states, and rounded the same way;
totals are sums of printed figures. So a bill can be added up by hand from its own text.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import Annotated, Literal, get_args

from pydantic import Field, ValidationError, model_validator

from rig.ledger.shop import Accounting, Rounding, Shop, Strict, TaxRule
from rig.record.notes import Place
from rig.record.papers import BillLine, Priced, TaxSum
from rig.record.unfit import unfit_at
from rig.sentence import Faults, Wording

By = Literal["litre", "gallon", "kilogram", "pound", "wheel", "flat"]
Per = Literal["job", "wheel", "litre drawn out", "gallon drawn out"]
ROUNDING: dict[Rounding, str] = {
    "line": "quantities half up to 0.1, each line and its tax half up to the cent, totals are sums of lines",
    "sum": "quantities half up to 0.1, each line half up to the cent, tax half up to the cent on the sum of its rate",
}
_L_PER_GAL = Decimal("3.785411784")
_KG_PER_LB = Decimal("0.45359237")
"""Exact by definition (NIST Handbook 44, Appendix C)."""
_CENT, _TENTH = Decimal("0.01"), Decimal("0.1")
Money = Annotated[Decimal, Field(ge=0, le=1_000_000, decimal_places=4)]
_OTHER = "other"


_NO_TOML = Wording("price_list.no_toml", "{origin}: is not TOML: {error}")
_MISTAKE = Wording("price_list.mistake", "{origin}: {what}")


class PriceError(Faults):
    """A price list is invalid, or lacks a price for the work done; the text says what to write."""


class FluidPrice(Strict):
    """Price of a liquid in a tyre, and its unit of sale."""

    by: By
    price: Money
    category: str = "fluid"


class ItemPrice(Strict):
    """Price of a part or a piece of work billed by name."""

    price: Money
    unit: str = "each"
    category: str = "parts"


class Fee(Strict):
    """An additional fee of a job."""

    text: str
    price: Money
    per: Per = "job"
    category: str = "service"


class PriceList(Strict):
    """A shop's prices; ``taxes`` in percent by category."""

    name: str
    currency: str = Field(min_length=1, max_length=8)
    minimum: Money = Decimal(0)
    taxes: dict[str, Annotated[Decimal, Field(ge=0, le=100)]]
    fluids: dict[str, FluidPrice]
    items: dict[str, ItemPrice] = Field(default_factory=dict)
    fees: tuple[Fee, ...] = ()
    tax: TaxRule = TaxRule()
    shop: Shop | None = None
    accounting: Accounting | None = None

    @model_validator(mode="after")
    def _taxed(self) -> PriceList:
        priced: list[FluidPrice | ItemPrice | Fee] = [*self.fluids.values(), *self.items.values(), *self.fees]
        missing = sorted({each.category for each in priced} | ({"service"} if self.minimum else set()))
        missing = [name for name in missing if name not in self.taxes]
        if missing:
            raise ValueError(
                Wording("price_list.no_tax", "no tax rate for {names}: write taxes.{first} = 0, or its percent")(
                    names=", ".join(missing), first=missing[0]
                )
            )
        return self


def read_prices(text: str, origin: str) -> PriceList:
    """Parse the price list in a TOML text; PriceError lists every mistake."""
    try:
        return prices_of(tomllib.loads(text, parse_float=Decimal), origin)
    except tomllib.TOMLDecodeError as error:
        raise PriceError([_NO_TOML(origin=origin, error=str(error))]) from error


def prices_of(document: Mapping[str, object], origin: str) -> PriceList:
    """The price list in a document from a record."""
    try:
        return PriceList.model_validate(document)
    except ValidationError as error:
        raise PriceError([_MISTAKE(origin=origin, what=unfit_at(each)) for each in error.errors()]) from error


@dataclass(frozen=True, slots=True)
class Work:
    """Liquid that went into one wheel, by its record."""

    truck: str
    serial: int
    fluid: tuple[str, ...]
    """Names to look up in the price list, the closest first."""
    size: str
    position: str
    net_l: Decimal
    mass_kg: Decimal
    estimated: bool = False
    remark: str = ""
    """A person's note on the litres, printed on the line."""


@dataclass(frozen=True, slots=True)
class Extra:
    """A part or a piece of work added to the job by hand."""

    truck: str
    serial: int
    item: str
    quantity: Decimal


@dataclass(frozen=True, slots=True)
class Drawn:
    """Liquid that was taken out of a wheel."""

    truck: str
    serial: int
    drawn_l: Decimal


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a bill; ``of`` names the records it is based on."""

    text: str
    quantity: Decimal
    unit: str
    price: Decimal
    category: str
    tax_percent: Decimal
    of: tuple[tuple[str, int], ...] = ()

    @property
    def amount(self) -> Decimal:
        """Amount before tax."""
        return cents(self.quantity * self.price)

    @property
    def tax(self) -> Decimal:
        """Tax of this line, if tax is rounded per line."""
        return cents(self.amount * self.tax_percent / 100)


def cents(value: Decimal) -> Decimal:
    """An amount rounded half up to the cent."""
    return value.quantize(_CENT, ROUND_HALF_UP)


def tenths(value: Decimal) -> Decimal:
    """A quantity rounded half up to a tenth."""
    return value.quantize(_TENTH, ROUND_HALF_UP)


def exact(value: object) -> Decimal:
    """A record's number as an exact decimal."""
    return Decimal(str(value))


@dataclass(frozen=True, slots=True)
class RateSum:
    """Part of a bill taxed at one rate."""

    percent: Decimal
    of: Decimal
    tax: Decimal


def rate_sums(lines: Sequence[Line], rounding: Rounding) -> list[RateSum]:
    """Sums of the lines of each rate, and their tax."""
    found = []
    for rate in sorted({line.tax_percent for line in lines}):
        own = [line for line in lines if line.tax_percent == rate]
        of = sum((line.amount for line in own), Decimal(0))
        tax = sum((line.tax for line in own), Decimal(0)) if rounding == "line" else cents(of * rate / 100)
        found.append(RateSum(rate, of, tax))
    return found


def total_of(lines: Sequence[Line], rounding: Rounding = "line") -> tuple[Decimal, Decimal, Decimal]:
    """Sum before tax, tax, and total."""
    sums = rate_sums(lines, rounding)
    net, tax = sum((each.of for each in sums), Decimal(0)), sum((each.tax for each in sums), Decimal(0))
    return net, tax, net + tax


# --- lines ----------------------------------------------------------------------------------------------------------


def lines_of(
    prices: PriceList,
    works: Sequence[tuple[Work, PriceList]],
    extras: Sequence[Extra] = (),
    drawn: Sequence[Drawn] = (),
    *,
    exempt: bool = False,
) -> list[Line]:
    """The lines of a job: each fill at the list of its time, the rest at ``prices``; PriceError without a price."""
    found = [work for work in works if tenths(work[0].net_l) > 0]
    lines = [*_fluid_lines(found), *(_extra_line(prices, extra) for extra in extras)]
    for fee in prices.fees:
        quantity, unit, of = _fee_quantity(fee, found, drawn)
        if quantity:
            lines.append(_line(prices, fee.text, quantity, unit, fee, of))
    if lines and (short := prices.minimum - total_of(lines)[0]) > 0:
        rate = prices.taxes["service"]
        lines.append(Line("up to the least charge of a job", Decimal(1), "job", short, "service", rate))
    return [_untaxed(line) for line in lines] if exempt else lines


def _untaxed(line: Line) -> Line:
    return Line(line.text, line.quantity, line.unit, line.price, line.category, Decimal(0), line.of)


def _fluid_lines(works: Sequence[tuple[Work, PriceList]]) -> list[Line]:
    lines: list[Line] = []
    charged: set[tuple[str, str]] = set()
    for work, prices in works:
        name, fluid = fluid_price(prices, work)
        # A wheel with two fills is one wheel, and a flat price is per job.
        once = {"wheel": work.position or f"{work.truck} {work.serial}", "flat": ""}.get(fluid.by)
        if once is not None and (name, once) in charged:
            continue
        charged.add((name, once or ""))
        quantity, unit = _sold(fluid.by, work)
        what = f"{work.fluid[0]} in {work.size}" + (f", {work.position}" if work.position else "")
        said = "; ".join(["estimated"] * work.estimated + [work.remark] * bool(work.remark))
        text = f"{what} ({said})" if said else what
        lines.append(_line(prices, text, quantity, unit, fluid, ((work.truck, work.serial),)))
    return lines


def fluid_price(prices: PriceList, work: Work) -> tuple[str, FluidPrice]:
    """The price of a work's liquid and its name in the list; PriceError if there is none."""
    names = [*work.fluid, *(name.partition(":")[0] for name in work.fluid), _OTHER]
    for name in names:
        if name in prices.fluids:
            return name, prices.fluids[name]
    raise PriceError(
        [
            Wording(
                "price_list.no_fluid", "{list}: no price for '{fluid}'; add it under [fluids], or a price for '{other}'"
            )(list=prices.name, fluid=work.fluid[0], other=_OTHER)
        ]
    )


def _sold(by: By, work: Work) -> tuple[Decimal, str]:
    quantities = {
        "litre": (work.net_l, "L"),
        "gallon": (work.net_l / _L_PER_GAL, "gal"),
        "kilogram": (work.mass_kg, "kg"),
        "pound": (work.mass_kg / _KG_PER_LB, "lb"),
        "wheel": (Decimal(1), "wheel"),
        "flat": (Decimal(1), "job"),
    }
    assert set(quantities) == set(get_args(By))
    quantity, unit = quantities[by]
    return (quantity if by in ("wheel", "flat") else tenths(quantity)), unit


def _extra_line(prices: PriceList, extra: Extra) -> Line:
    item = prices.items.get(extra.item)
    if item is None:
        known = ", ".join(sorted(prices.items)) or "none"
        raise PriceError(
            [
                Wording(
                    "price_list.no_item", "{list}: no price for '{item}'; add it under [items]. There are: {known}"
                )(list=prices.name, item=extra.item, known=known)
            ]
        )
    return _line(prices, extra.item, extra.quantity, item.unit, item, ((extra.truck, extra.serial),))


def _fee_quantity(
    fee: Fee, works: Sequence[tuple[Work, PriceList]], drawn: Sequence[Drawn]
) -> tuple[Decimal, str, tuple[tuple[str, int], ...]]:
    if fee.per == "job":
        return Decimal(1), "job", ()
    if fee.per == "wheel":
        wheels = {work.position or f"{work.truck} {work.serial}" for work, _ in works}
        return Decimal(len(wheels)), "wheel", ()
    drawn_l = sum((each.drawn_l for each in drawn), Decimal(0))
    of = tuple((each.truck, each.serial) for each in drawn)
    gallons = fee.per == "gallon drawn out"
    return tenths(drawn_l / _L_PER_GAL if gallons else drawn_l), "gal" if gallons else "L", of


def _line(
    prices: PriceList,
    text: str,
    quantity: Decimal,
    unit: str,
    priced: FluidPrice | ItemPrice | Fee,
    of: tuple[tuple[str, int], ...],
) -> Line:
    return Line(text, quantity, unit, priced.price, priced.category, prices.taxes[priced.category], of)


# --- documents ------------------------------------------------------------------------------------------------------


def priced(currency: str, lines: Sequence[Line], rounding: Rounding = "line") -> Priced:
    """Lines and totals for a record.

    The tax of a line is None if tax is rounded on the sum: figures that are not summed are not printed.
    """
    net, tax, total = total_of(lines, rounding)
    return Priced(
        currency=currency,
        lines=tuple(
            BillLine(
                text=line.text,
                quantity=str(line.quantity),
                unit=line.unit,
                price=str(line.price),
                amount=str(line.amount),
                category=line.category,
                tax_percent=str(line.tax_percent),
                tax=str(line.tax) if rounding == "line" else None,
                of=tuple(Place(truck, serial) for truck, serial in line.of),
            )
            for line in lines
        ),
        net=str(net),
        taxes=tuple(TaxSum(str(each.percent), str(each.of), str(each.tax)) for each in rate_sums(lines, rounding)),
        tax=str(tax),
        total=str(total),
        rounding=ROUNDING[rounding],
    )
