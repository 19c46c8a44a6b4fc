"""Transfer from many trucks to one office: records in the order of each truck's chain, once, verified at arrival.

What was sent is known from the office's own head of the chain, never from a mark on the truck: either side may fail
at any moment, and the next transfer continues from the office's head. Knows books and files, not their content.
"""

from __future__ import annotations

import json
from collections.abc import Container, Iterable, Iterator
from itertools import groupby, islice
from pathlib import Path

from rig.ledger.book import Book, BookError
from rig.ledger.chain import START, Record
from rig.ledger.writing import WritableBook
from rig.office.logins import refuse_stranger

BATCH = 500
"""Records in one commit at the office."""
_FIELDS = tuple(Record.__dataclass_fields__)


def send(truck: Book, office: WritableBook, batch: int = BATCH) -> int:
    """Send what the office lacks of every chain in the truck's book; returns how many records were new there.

    BookError if the two chains differ, or if the office refuses a record; what it took before remains.
    """
    sent = 0
    for name, (serial, _) in truck.heads().items():
        refuse_stranger(office, name)
        head = office.heads().get(name, (0, START))
        _one_chain(truck, office, name)
        if head[0] > serial:
            raise BookError(f"the office has {head[0]} records of {name}, more than the truck: fetch them first")
        while head[0] < serial:
            records = list(truck.every(name, after=head[0], most=batch))
            sent += office.take_in(records)
            head = (records[-1].serial, records[-1].hash)
    return sent


def _one_chain(truck: Book, office: Book, name: str) -> None:
    """Refuse if truck and office have different records of one truck under one number, as after an old backup."""
    common = min(book.heads().get(name, (0, START))[0] for book in (truck, office))
    if common == 0:
        return
    [own], [there] = (list(book.every(name, after=common - 1, most=1)) for book in (truck, office))
    if own.hash != there.hash:
        raise BookError(
            f"record {common} of {name} is another one at the office: two chains, nothing is moved. The office's "
            "stands: copy the truck's folder, put book.sqlite and book.sqlite.head aside, and run `rig office fetch`. "
            "What the journal has is posted again behind it; notes since then are to be entered anew"
        )


def fetch(truck: WritableBook, office: Book, batch: int = BATCH) -> int:
    """Fetch records of a truck's chain that the office has and the truck has lost; returns how many came.

    BookError if the two chains differ.
    """
    name = truck.truck
    refuse_stranger(office, name)
    _one_chain(truck, office, name)
    came = 0
    while True:
        head = truck.heads().get(name, (0, START))
        records = list(office.every(name, after=head[0], most=batch))
        if not records:
            return came
        came += truck.take_in(records)


def receive(path: Path, office: WritableBook, signing: Container[str] = (), batch: int = BATCH) -> int:
    """Take in an exported file delivered by hand; returns how many records were new.

    BookError for records of a chain in ``signing``, whose trucks have a key: such a file carries no signature.
    """
    new = 0
    for truck, records in groupby(_read(path), key=lambda record: record.truck):
        if truck in signing:
            raise BookError(
                f"{path}: {truck} signs its records, and this file has no signature: bring one that "
                "`rig office send --file FILE` wrote on the truck"
            )
        while some := list(islice(records, batch)):
            new += office.take_in(some)
    return new


def _read(path: Path) -> Iterator[Record]:
    try:
        with path.open(encoding="utf-8") as lines:
            yield from _records(lines, path)
    except (OSError, UnicodeDecodeError) as error:
        raise BookError(f"{path}: cannot be read ({error})") from error


def _records(lines: Iterable[str], path: Path) -> Iterator[Record]:
    for number, line in enumerate(lines, 1):
        try:
            fields = json.loads(line)
            record = Record(**{name: fields[name] for name in _FIELDS})
        except (ValueError, KeyError, TypeError) as error:
            raise BookError(f"{path}, line {number}: is no record ({error}); the file is cut off or changed") from error
        texts = (getattr(record, name) for name in _FIELDS if name != "serial")
        if not (isinstance(record.serial, int) and all(isinstance(text, str) for text in texts)):
            raise BookError(f"{path}, line {number}: is no record; the file is changed")
        yield record
