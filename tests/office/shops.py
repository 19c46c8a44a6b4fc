"""A shop of two trucks whose records are at an office; names and prices are invented."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from shop_books import posted_of

from rig.books.invoicing import issued_bill
from rig.ledger.keeping import book_of
from rig.ledger.pricing import read_prices
from rig.ledger.writing import WritableBook
from rig.office.direct import send
from rig.office.register import Register
from rig.panel.people import OFFICE_FILE, OFFICE_ROLES, People
from rig.record.notes import Dip, Load, Named, Prices, ToteFacts

NOW = datetime(2026, 11, 29, 12, tzinfo=UTC)
PIN = "271828"
PRICES = Path(__file__).parents[2] / "config" / "prices.toml"
HILL, MILL = "Hill Farm (invented)", "Mill Farm (invented)"


def at(day: int, minute: int = 0) -> str:
    """A time in November."""
    return f"2026-11-{day:02}T08:{minute:02}:00.000+00:00"


def fill(book: WritableBook, name: str, day: int, **facts: object) -> None:
    """Append a fill."""
    said = {"started_at": at(day), "ended_at": at(day, 9), "tote": "T1"}
    book.append("fill", name, at(day, 9), posted_of(name, **said, **facts))


@dataclass(frozen=True)
class Shop:
    """An office and who may look."""

    url: str
    folder: Path
    people: People


def shop(folder: Path, url: str = "") -> Shop:
    """Truck Alpha: Hill Farm's job J1 is billed, J2 is not. Truck Beta has no prices: Mill Farm's J3 has no sum."""
    url = url or f"sqlite:///{folder / 'office.sqlite'}"
    people = People(folder, OFFICE_FILE)
    for role in OFFICE_ROLES:
        people.add(role.title(), role, PIN)
    with Register(url) as office:
        for name in ("alpha", "beta"):
            with book_of(folder / name, f"truck-{name}") as book:
                (_alpha if name == "alpha" else _beta)(book)
                send(book, office)
    return Shop(url, folder, people)


def _alpha(book: WritableBook) -> None:
    book.note("named", at(1), Named(name="Alpha"))
    prices = read_prices(PRICES.read_text(encoding="utf-8"), "prices.toml")
    book.note("prices", at(1), Prices(prices=prices.model_dump(mode="json")))
    book.note("tote", at(1), ToteFacts(tote="T1", capacity_l=1000.0))
    book.note("load", at(1, 1), Load(tote="T1", loaded_l=1000.0, fluid="beet"))
    book.note("dip", at(1, 2), Dip(tote="T1", tote_l=1000.0, fluid="beet"))
    hill = {"customer": HILL, "machine": "Loader 1", "wheel": "Loader 1, rear left"}
    fill(book, "a1", 2, number=1, job="J1", net_l=200.0, **hill)
    book.append("job", "J1", at(2), {"job": "J1", "customer": HILL})
    issued_bill(book, "J1")
    right = {"wheel": "Loader 1, rear right", "position": "rear right"}
    fill(book, "a2", 10, number=2, job="J2", net_l=100.0, **hill | right)
    fill(book, "a3", 11, number=3, job="J2", net_l=50.0, size="11L-15", **hill)
    book.note("dip", at(12), Dip(tote="T1", tote_l=640.0))


def _beta(book: WritableBook) -> None:
    book.note("named", at(1), Named(name="Beta"))
    fill(book, "b1", 20, number=1, job="J3", net_l=70.0, customer=MILL)
    unknown = {"delivery": "not known", "not_billable_because": "the meter failed"}
    fill(book, "b2", 21, number=2, job="J3", net_l=30.0, net_u_l=20.0, customer=MILL, **unknown)
