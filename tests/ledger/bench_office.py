"""How an office on PostgreSQL grows with its trucks: `python tests/ledger/bench_office.py 1 20 200`.

Each office holds 5,000 fills of every truck, and every truck then brings 30 days more. Printed for each: arrival of one
truck's records over the same rows put into a bare table, a customer's month over the same in the first office, the
catch-up of all trucks at once, and the database's size.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import psycopg
from sqlalchemy.engine import make_url

sys.path += [str(Path(__file__).parents[1])]

from postgres import server
from shop_books import posted_of

from rig.books.month import month_bill
from rig.ledger.chain import START, Record, canonical, seal
from rig.ledger.pricing import read_prices
from rig.ledger.writing import WritableBook
from rig.office.direct import BATCH

FILLS, LATER = 5_000, 411
"""Of a truck's year, and of 30 days of it."""
SENDERS = 8
"""Trucks that send at the same time."""
COLUMNS = "truck, serial, kind, key, at, body, previous, hash"
PRICES = read_prices((Path(__file__).parents[2] / "config" / "prices.toml").read_text(), "prices").model_dump(
    mode="json"
)


def chain_of(number: int, trucks: int, count: int) -> Iterator[Record]:
    """A truck's price list and fills, of ten customers for each two trucks."""
    name = f"truck {number:03}"
    record = seal(name, (0, START), "prices", "p", "2025-01-01T00:00:00.000+00:00", canonical({"prices": PRICES}))
    yield record
    for n in range(count):
        month = n * 12 // FILLS
        at = f"{2025 + month // 12}-{1 + month % 12:02}-{1 + n % 28:02}T08:00:00.000+00:00"
        customer = f"customer {(number * 7 + n * 13) % (trucks * 5)}"
        body = canonical({**posted_of(f"{name}-{n}", n + 1), "customer": customer, "job": f"{name}/{n // 4}"})
        record = seal(name, (record.serial, record.hash), "fill", f"f{n}", at, body)
        yield record


def batches(records: list[Record]) -> Iterator[list[Record]]:
    return (records[start : start + BATCH] for start in range(0, len(records), BATCH))


def row_of(record: Record) -> tuple[object, ...]:
    return tuple(getattr(record, name) for name in COLUMNS.split(", "))


def loaded(address: str, trucks: int) -> list[list[Record]]:
    """Load the year of every truck, past the triggers; returns what each has besides."""
    later = []
    with psycopg.connect(address) as db:
        db.execute("SET session_replication_role = replica")
        for number in range(trucks):
            records = list(chain_of(number, trucks, FILLS + LATER))
            before, after = records[: FILLS + 1], records[FILLS + 1 :]
            with db.cursor().copy(f"COPY records ({COLUMNS}) FROM STDIN") as copy:
                for record in before:
                    copy.write_row(row_of(record))
            db.execute("INSERT INTO heads VALUES (%s, %s, %s)", (before[-1].truck, before[-1].serial, before[-1].hash))
            later.append(after)
    with psycopg.connect(address, autocommit=True) as db:
        db.execute("VACUUM ANALYZE")
    return later


def timed(work: Callable[[], object], times: int = 1) -> float:
    """The least time of several."""
    found = []
    for _ in range(times):
        began_s = time.perf_counter()
        work()
        found.append(time.perf_counter() - began_s)
    return min(found)


def bare(address: str, records: list[Record]) -> None:
    """The same rows in a table without triggers, keys and indexes."""
    with psycopg.connect(address, autocommit=True) as db:
        db.execute(f"CREATE TABLE bare AS SELECT {COLUMNS} FROM records LIMIT 0")
        for some in batches(records):
            with db.transaction(), db.cursor() as cursor:
                cursor.executemany(
                    f"INSERT INTO bare ({COLUMNS}) VALUES (%s, %s, %s, %s, %s, %s, %s, %s)", list(map(row_of, some))
                )
        db.execute("DROP TABLE bare")


def send_all(url: str, chains: list[list[Record]]) -> None:
    """Every truck's records, several trucks at a time, each with a connection of its own."""

    def one(records: list[Record]) -> None:
        with WritableBook(url) as office:
            for some in batches(records):
                office.take_in(some)

    with ThreadPoolExecutor(SENDERS) as pool:
        list(pool.map(one, chains))


def measured(url: str, trucks: int, first_bill_s: float | None) -> float:
    """Print one office's line; returns the time of the bill."""
    address = make_url(url).set(drivername="postgresql").render_as_string(hide_password=False)
    with WritableBook(url, "office", collects=True):
        pass
    later = loaded(address, trucks)
    newcomer = list(chain_of(999, trucks, FILLS // 2))
    bare_s = timed(lambda: bare(address, newcomer))
    arrival_s = timed(lambda: send_all(url, [newcomer]))
    with WritableBook(url) as office:
        bill_s = timed(lambda: month_bill(office, "customer 0", "2025-11-01", "2025-12-01"), 5)
        fills = month_bill(office, "customer 0", "2025-11-01", "2025-12-01")["fills"]
    catch_up_s = timed(lambda: send_all(url, later))
    with psycopg.connect(address) as db:
        [size] = db.execute("SELECT pg_database_size(current_database())").fetchone() or [0]
        [rows] = db.execute("SELECT count(*) FROM records").fetchone() or [0]
    many = sum(map(len, later))
    print(
        f"| {trucks} | {rows:,} | {len(newcomer) / arrival_s:,.0f} a second, {arrival_s / bare_s:.1f} times bare "
        f"| {1000 * bill_s:.0f} ms for {fills} fills, {bill_s / (first_bill_s or bill_s):.2f} "
        f"| {many:,} in {catch_up_s:.0f} s | {size / 1e9:.2f} GB, {size / rows:,.0f} bytes a record |",
        flush=True,
    )
    return bill_s


def main() -> None:
    print("| trucks | records | arrival | a customer's month, over the first office's | 30 days of all trucks | size |")
    print("| --- | --- | --- | --- | --- | --- |", flush=True)
    first = None
    with server() as own:
        for trucks in map(int, sys.argv[1:] or ("1", "20", "200")):
            spent_s = measured(own.create(f"office{trucks}"), trucks, first)
            first = first or spent_s


if __name__ == "__main__":
    main()
