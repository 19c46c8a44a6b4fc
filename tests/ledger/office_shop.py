"""An office on a real PostgreSQL with the logins of two invented trucks, and records in their chains."""

from __future__ import annotations

from dataclasses import dataclass

import psycopg
from postgres import Server
from sqlalchemy import URL
from sqlalchemy.engine import make_url

from rig.ledger.book import Book
from rig.ledger.chain import START, Record, canonical, seal

AT = "2026-11-01T08:00:00.000+00:00"
INSERT = (
    "INSERT INTO records (truck, serial, kind, key, at, body, previous, hash) VALUES (%s, %s, %s, %s, %s, %s, %s, %s)"
)


def chain(truck: str, count: int, head: tuple[int, str] = (0, START), word: str = "n") -> list[Record]:
    """Records of a truck that follow a head, of an invented customer."""
    made: list[Record] = []
    for n in range(count):
        body = canonical({word: n, "customer": f"Hill Farm {truck}"})
        made.append(seal(truck, head, "fill", f"{truck} {word}{head[0]}", AT, body))
        head = (made[-1].serial, made[-1].hash)
    return made


@dataclass
class Shop:
    """An office with two enrolled trucks of ten records each; the attacker has the login of ``mine``."""

    owner: str
    mine: str
    other: str
    login: URL
    other_login: URL

    def attacker(self) -> psycopg.Connection[tuple[object, ...]]:
        return psycopg.connect(libpq(self.login), autocommit=True)

    def chains(self) -> list[Record]:
        with Book(self.owner) as book:
            assert book.faults() == []
            return list(book.every())


def owned(postgres: Server, name: str) -> str:
    """A database whose owner is no superuser, but may create logins, as the guide says."""
    with psycopg.connect(libpq(make_url(postgres.url())), autocommit=True) as db:
        db.execute(f"CREATE ROLE {name} LOGIN CREATEROLE")
        db.execute(f"CREATE DATABASE {name} OWNER {name}")
    return address(make_url(postgres.url(name)).set(username=name))


def address(login: URL) -> str:
    return login.render_as_string(hide_password=False)


def libpq(url: URL) -> str:
    return address(url.set(drivername="postgresql"))


def head(shop: Shop, truck: str) -> tuple[int, str]:
    with Book(shop.owner) as book:
        return book.heads()[truck]
