"""An issued bill as an electronic invoice of EN 16931: UBL 2.1 or CII, and a PDF that contains it (Factur-X).

The library that writes and checks them is loaded only here (``pip install 'ballast-rig[einvoice]'``). Terms of the
standard are named by their numbers (BT-…, BG-…); codes: UNTDID 1001 (type), 4461 (means of payment), 5305 (category of
tax), UN/ECE Recommendation 20 (units).
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import TYPE_CHECKING, Literal

from rig.books.bill_paper import CREDIT
from rig.books.prices import shop_of
from rig.ledger.moment import local_day
from rig.ledger.pricing import cents
from rig.ledger.shop import Party, Shop, party_of
from rig.record.base import Document
from rig.record.papers import BillLine, Invoice, TaxSum
from rig.run.refused import Refused

if TYPE_CHECKING:
    from rig.books.paper import Paper

Syntax = Literal["ubl", "cii"]
_UNITS = {
    "L": "LTR", "gal": "GLL", "kg": "KGM", "lb": "LBR", "hour": "HUR", "each": "H87", "wheel": "H87", "job": "C62",
}  # fmt: skip
"""Codes of Recommendation 20; GLL is the US gallon. A shop's own unit is C62, one."""
_STANDARD, _ZERO, _EXEMPT = "S", "Z", "E"
"""Categories of tax of UNTDID 5305: taxed, zero rated, exempt."""
_TRANSFER = "30"
"""Credit transfer, of UNTDID 4461."""


def einvoice_xml(bill: Invoice, syntax: Syntax) -> bytes:
    """An issued bill as XML, checked against the schema; Refused with what is missing."""
    try:
        from facturx import generate_xml
    except ImportError as error:
        raise Refused("electronic invoices need a library: pip install 'ballast-rig[einvoice]'") from error
    shop, to = _parties(bill)
    data = _document(bill, shop, to)
    try:
        made = generate_xml(
            data, flavor="ubl-2.1" if syntax == "ubl" else "factur-x", level="en16931", check_schematron=False
        )
    except ValueError as error:
        raise Refused(f"no electronic invoice can be made of this bill: {error}") from error
    assert isinstance(made, bytes)
    return made


def einvoice_pdf(bill: Invoice, paper: Paper) -> bytes:
    """The bill as PDF/A-3 with its XML (CII) embedded; Refused with what is missing."""
    xml = einvoice_xml(bill, "cii")
    from facturx import generate_from_binary

    from rig.books.pdf import NoFontError, as_pdf

    try:
        made = generate_from_binary(
            as_pdf(paper, archive=True), xml, flavor="factur-x", level="en16931", check_xsd=False, lang="en"
        )
    except NoFontError as error:
        raise Refused(str(error)) from error
    assert isinstance(made, bytes)
    return made


def _parties(bill: Invoice) -> tuple[Shop, Party]:
    """Seller and buyer; Refused if the standard requires data that are missing."""
    shop = shop_of(bill)
    missing = []
    if shop is None:
        missing.append("the [shop] table of the price file: name, country, tax_number")
    else:
        missing += [f"shop.{name} in the price file" for name in ("country", "tax_number") if not getattr(shop, name)]
        if shop.due_days is None and not shop.terms:
            missing.append("shop.due_days or shop.terms in the price file")
    if bill.to is None:
        missing.append("the customer: `rig job J --customer NAME`")
    if not _adds_up(bill):
        missing.append(
            '[tax] rounding = "sum" in the price file: EN 16931 (BR-CO-17) takes tax of the sum of each rate'
        )
    if missing:
        raise Refused("an electronic invoice needs " + "; ".join(missing))
    assert shop is not None
    assert bill.to is not None
    return shop, party_of(bill.to)


def _adds_up(bill: Invoice) -> bool:
    """Whether each rate's tax is computed on its sum, as BR-CO-17 requires."""
    return all(cents(Decimal(each.of) * Decimal(each.percent) / 100) == Decimal(each.tax) for each in bill.taxes)


def _document(bill: Invoice, shop: Shop, to: Party) -> Document:
    data: Document = {
        "BT-1": bill.invoice,
        "BT-2": bill.date,
        "BT-3": bill.type_code,
        "BT-5": bill.currency,
        "BT-9": bill.due,
        "BT-20": shop.terms,
        "BT-72": local_day(bill.done_at) if bill.done_at else "",
        "BT-106": bill.net,
        "BT-109": bill.net,
        "BT-110": bill.tax,
        "BT-112": bill.total,
        "BT-115": bill.total,
        "BG-1": [{"BT-22": note} for note in _notes(bill)],
        "BG-4": _party(shop, shop.country, seller=True),
        "BG-7": _party(to, to.country or shop.country),
        "BG-23": [_breakdown(bill, each) for each in bill.taxes],
        "BG-25": [_line(bill, number, line) for number, line in enumerate(bill.lines, start=1)],
    }
    if bill.type_code == CREDIT:
        data["BG-3"] = [{"BT-25": bill.cancels_invoice, "BT-26": bill.cancels_date}]
    if shop.iban:
        data |= {"BT-81": _TRANSFER, "BT-84": shop.iban.replace(" ", "")}
    return {name: value for name, value in data.items() if value not in (None, "", [])}


def _notes(bill: Invoice) -> list[str]:
    job = [f"Job {bill.job}"] if bill.job else []
    why = [bill.why] if bill.why else []
    return [*job, *why, *(["SIMULATED: no liquid was moved"] if bill.simulated else [])]


def _party(party: Party, country: str, *, seller: bool = False) -> Document:
    local = party.tax_number
    address = {f"addr_l{number}": line for number, line in enumerate(party.address[:3], start=1)}
    found: Document = {
        "name": party.name,
        **address,
        "country_code": country,
        **{name: text for name, text in (("city", party.city), ("postcode", party.postcode)) if text},
        # A VAT number begins with its country (BT-31, BT-48). Another one is local (BT-32), and identifies a seller
        # without any other number (BT-29, as BR-CO-26 requires).
        **({"vat_identifier": party.tax_number} if _of_vat(party) else {}),
        **({"tax_identifier": local, "identifiers": {None: local}} if seller and not _of_vat(party) else {}),
    }
    contact = {name: text for name, text in (("phone", party.phone), ("email", party.email)) if text}
    return found | ({"contacts": [{"name": party.name, **contact}]} if contact else {})


def _of_vat(party: Party) -> bool:
    return re.match(r"[A-Z]{2}", party.tax_number) is not None


def _category(bill: Invoice, percent: str) -> str:
    if Decimal(percent):
        return _STANDARD
    return _EXEMPT if bill.tax_exempt else _ZERO


def _breakdown(bill: Invoice, each: TaxSum) -> Document:
    category = _category(bill, each.percent)
    reason: Document = {"BT-120": bill.tax_exempt} if category == _EXEMPT else {}
    return {"BT-116": each.of, "BT-117": each.tax, "BT-118": category, "BT-119": each.percent} | reason


def _line(bill: Invoice, number: int, line: BillLine) -> Document:
    return {
        "BT-126": str(number),
        "BT-129": line.quantity,
        "BT-130": _UNITS.get(line.unit, "C62"),
        "BT-131": line.amount,
        "BT-146": line.price,
        "BT-151": _category(bill, line.tax_percent),
        "BT-152": line.tax_percent,
        "BT-153": line.text,
    }
