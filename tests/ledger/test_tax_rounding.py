"""Tax by line and on the sum: public examples, and 1,000 drawn jobs added up from what their papers print.

Examples: invoices of the technical committee of EN 16931 (CEN/TC 434) that come with the standard's validation
artefacts: github.com/ConnectingEurope/eInvoicing-EN16931, ubl/examples/ubl-tc434-example1, 2 and 8.
"""

from __future__ import annotations

import random
import re
from decimal import Decimal

import pytest

from rig.books.bill_paper import bill_paper
from rig.books.looks import Looks
from rig.ledger.pricing import Drawn, Extra, Line, PriceList, Work, cents, lines_of, priced, prices_of, rate_sums
from rig.ledger.shop import Rounding
from rig.record.papers import Bill

EXAMPLE_1 = (
    "2x9.95@6 1x9.85@6 1x8.29@6 2x7.23@6 1x35.00@6 1x35.00@6 1x10.65@6 1x1.55@6 3x4.79@6 1x8.29@6 2x8.29@6 1x9.95@6 "
    "2x1.65@6 1x10.80@21 1x3.90@6 2x3.80@21 2x4.67@21 1x18.63@21 6x17.02@6 -6x18.33@6"
)
"""Quantity, price and rate of each line of example 1."""


def line_of(text: str) -> Line:
    quantity, price, rate = re.split("[x@]", text)
    return Line("x", Decimal(quantity), "each", Decimal(price), "parts", Decimal(rate))


def test_example_1_of_the_standard_is_met_on_the_sum() -> None:
    made = [line_of(text) for text in EXAMPLE_1.split()]
    sums = [(each.percent, each.of, each.tax) for each in rate_sums(made, "sum")]
    assert sums == [(6, Decimal("183.23"), Decimal("10.99")), (21, Decimal("46.37"), Decimal("9.74"))]
    assert priced("EUR", made, "sum").total == "250.33"


def test_half_a_cent_of_tax_goes_up_as_in_example_2() -> None:
    # 25 % of 1460.50 are 365.125; the example has 365.13.
    assert rate_sums([line_of("1x1460.50@25")], "sum")[0].tax == Decimal("365.13")


def test_example_8_differs_by_line_and_on_the_sum() -> None:
    amounts = ["140.80", "16.16", "167.64", "88.74", "36.75", "56.50", "83.34", "190.31", "64.21", "64.46"]
    made = [line_of(f"1x{amount}@21") for amount in amounts]
    assert [(each.of, each.tax) for each in rate_sums(made, "sum")] == [(Decimal("908.91"), Decimal("190.87"))]
    # By hand: 29.57 + 3.39 + 35.20 + 18.64 + 7.72 + 11.87 + 17.50 + 39.97 + 13.48 + 13.54.
    assert rate_sums(made, "line")[0].tax == Decimal("190.88")


# --- drawn jobs -----------------------------------------------------------------------------------------------------


def half_up(numerator: int, divisor: int) -> int:
    """A quotient of whole numbers, half up: no Decimal, none of the code that is tested."""
    return (2 * numerator + divisor) // (2 * divisor)


def whole(text: str, places: int) -> int:
    """A printed figure in units of its last place; refuses one that has more places than it may."""
    units, _, rest = text.partition(".")
    assert len(rest) <= places, text
    return int(units) * 10**places + int(rest.ljust(places, "0") or 0)


def drawn_list(draw: random.Random) -> PriceList:
    def price() -> str:
        return f"{draw.randrange(0, 20000)}.{draw.randrange(10 ** (places := draw.choice((1, 2, 3, 4)))):0{places}d}"

    by = ["litre", "gallon", "kilogram", "pound", "wheel", "flat"]
    return prices_of(
        {
            "name": "drawn", "currency": "USD", "minimum": f"{draw.choice((0, 0, 150, 90000))}.00",
            "taxes": {name: f"{draw.randrange(0, 2600) / 100:g}" for name in ("fluid", "parts", "service")},
            "fluids": {name: {"by": draw.choice(by), "price": price()} for name in ("beet", "other")},
            "items": {"core": {"price": price()}, "hour": {"price": price(), "unit": "hour", "category": "service"}},
            "fees": [
                {"text": "travel", "price": price()}, {"text": "waste", "price": price(), "per": "gallon drawn out"},
            ],
        },
        "drawn",
    )  # fmt: skip


def drawn_job(draw: random.Random, prices: PriceList) -> list[Line]:
    works = [
        Work("T", n, (draw.choice(("beet", "water")),), "16.9-28", f"wheel {n}",
             Decimal(draw.randrange(0, 900_000)) / 1000, Decimal(draw.randrange(0, 1_200_000)) / 1000)
        for n in range(draw.randrange(0, 25))
    ]  # fmt: skip
    extras = [
        Extra("T", 100 + n, draw.choice(("core", "hour")), Decimal(draw.randrange(1, 200)) / 10)
        for n in range(draw.randrange(0, 6))
    ]
    drawn = [Drawn("T", 200, Decimal(draw.randrange(0, 500_000)) / 1000)] * draw.randrange(0, 2)
    return lines_of(prices, [(work, prices) for work in works], extras, drawn, exempt=draw.random() < 0.1)


def added_up(document: Bill, rounding: Rounding) -> None:
    """Add a bill up from the text of its paper alone, in whole cents, as a person with a calculator does."""
    paper = bill_paper(document, Looks(), None, (), "2026-11-20T08:00:00+00:00")
    table, sums = next(each for each in paper.blocks if each.title == "Work").table, paper.blocks[1].rows
    net, taxes, of = 0, 0, dict[str, int]()
    for row in table[1:]:
        quantity, price, rate, amount = row[1].split()[0], row[2], row[3].removesuffix(" %"), row[-1]
        cent = half_up(whole(quantity, 1) * whole(price, 4), 1000)
        assert whole(amount, 2) == cent, row
        net += cent
        of[rate] = of.get(rate, 0) + cent
        if rounding == "line":
            assert whole(row[4], 2) == half_up(cent * whole(rate, 2), 10_000), row
            taxes += whole(row[4], 2)
    found = {name: whole(value.split()[0], 2) for name, value in sums}
    shown = {name: value for name, value in found.items() if name.startswith("tax ")}
    if rounding == "sum":
        assert len(table[0]) == 5, "a tax by line that is not summed must not be printed"
        taxes = sum(half_up(cent * whole(rate, 2), 10_000) for rate, cent in of.items())
    assert sum(shown.values()) == taxes
    assert (found["before tax"], found["TOTAL"]) == (net, net + taxes)


@pytest.mark.parametrize("rounding", ["line", "sum"])
def test_a_thousand_drawn_jobs_add_up_to_the_cent(rounding: Rounding) -> None:
    draw, unlike = random.Random(20261128), 0
    for _ in range(1000):
        prices = drawn_list(draw)
        lines = drawn_job(draw, prices)
        added_up(priced(prices.currency, lines, rounding).extended(Bill, job="J"), rounding)
        unlike += priced("USD", lines, "line").total != priced("USD", lines, "sum").total
    # The two are different rules, not one under two names.
    assert unlike > 300


def test_the_independent_calculator_rounds_as_the_law_of_the_half_has_it() -> None:
    assert [half_up(n, 10) for n in (4, 5, 14, 15, 25)] == [0, 1, 1, 2, 3]
    assert cents(Decimal("0.125")) == Decimal("0.13")
