"""Random lives of two trucks and their office against a list of what was told: nothing lost, twice or out of order.

Appends, repeats, corrections, crashes at a commit, two programs at one book, backups, lost books, sending in pieces.
After every step each chain is verified and compared with the model, which is a plain list and a dictionary of litres.
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule
from shop_books import fill_of, journal_only
from sqlalchemy import event

from rig.books.notes import keep_job
from rig.books.undo import correct
from rig.ledger import BOOK_NAME
from rig.ledger.backup import back_up
from rig.ledger.book import BookError, CorrectedError, witness_of
from rig.ledger.chain import START, Record
from rig.ledger.journal import Journal
from rig.ledger.keeping import export, unsound
from rig.ledger.restoring import restore
from rig.ledger.writing import WritableBook
from rig.office.direct import fetch, receive, send
from rig.record.notes import Load
from rig.shop.posting import JOURNAL_NAME, post

AT = "2026-11-{day:02}T08:00:00.000+00:00"
TRUCKS = st.integers(0, 1)
KEYS = st.sampled_from("abcdefgh")
LITRES = st.integers(1, 500)


class Torn(Exception):
    """The plug was pulled."""


class Fragile(WritableBook):
    """A book whose next commit can be made to fail before or just after it is on the disk."""

    def __init__(self, url: str, truck: str, *, collects: bool = False) -> None:
        self.tears = ""
        super().__init__(url, truck, collects=collects)
        event.listen(self._engine, "commit", self._commits)

    def _commits(self, _: object) -> None:
        self._tear("before")

    def _witness(self) -> None:
        self._tear("after")
        super()._witness()

    def _tear(self, moment: str) -> None:
        if self.tears == moment:
            self.tears = ""
            raise Torn


@dataclass
class Truck:
    """A truck, and what was told to its book: kind and key of each record in order, litres of each key that count."""

    name: str
    folder: Path
    told: list[tuple[str, str]] = field(default_factory=list)
    litres: dict[tuple[str, str], float] = field(default_factory=dict)
    filled: dict[str, float] = field(default_factory=dict)
    """What its journal has, which outlives the book."""
    sent: int = 0
    backups: list[tuple[Path, list[tuple[str, str]], dict[tuple[str, str], float]]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.folder.mkdir()
        self.book, self.other = self.opened(), self.opened()

    def opened(self) -> Fragile:
        return Fragile(f"sqlite:///{self.folder / BOOK_NAME}", self.name)

    def shut(self) -> None:
        self.book.close()
        self.other.close()

    def reopen(self) -> None:
        self.shut()
        self.book, self.other = self.opened(), self.opened()

    def lose(self) -> None:
        """The book is gone, its witness is not."""
        self.shut()
        for name in ("", "-wal", "-shm"):
            (self.folder / f"{BOOK_NAME}{name}").unlink(missing_ok=True)

    def keeps(self, kind: str, key: str, litres: float) -> None:
        """What the model has after a record was told: the first of a key stands."""
        if (kind, key) not in self.told:
            self.told.append((kind, key))
            self.litres[kind, key] = litres


def litres_of(record: Record) -> float:
    body = record.document
    value = body.get("loaded_l", body.get("net_l", 0.0))
    assert isinstance(value, int | float)
    return float(value)


class Ledger(RuleBasedStateMachine):
    """Two trucks, one office."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="rig-ledger-"))
        self.trucks = [Truck(name, self.folder / name) for name in ("A", "B")]
        self.restored = 0
        self.office = Fragile(f"sqlite:///{self.folder / 'office.sqlite'}", "office", collects=True)

    def teardown(self) -> None:
        for truck in self.trucks:
            truck.shut()
        self.office.close()
        shutil.rmtree(self.folder)

    # --- a truck's own day --------------------------------------------------------------------------------------

    @rule(number=TRUCKS, keys=st.lists(KEYS, min_size=1, max_size=5), litres=LITRES, by_other=st.booleans())
    def tell(self, number: int, keys: list[str], litres: int, by_other: bool) -> None:
        truck = self.trucks[number]
        entries = [("load", key, AT.format(day=1 + ord(key) % 28), {"loaded_l": litres}) for key in keys]
        made = (truck.other if by_other else truck.book).append_all(entries)
        for key in keys:
            truck.keeps("load", key, litres)
        assert [record.key for record in made] == keys
        assert [litres_of(record) for record in made] == [
            litres_of(next(each for each in truck.book.every() if each.key == key)) for key in keys
        ]

    @rule(number=TRUCKS, key=KEYS, litres=LITRES)
    def correct(self, number: int, key: str, litres: int) -> None:
        truck = self.trucks[number]
        standing = truck.book.one("load", key)
        if standing is None:
            return
        made = correct(truck.book, standing, {"loaded_l": litres}, "looked again")
        assert made.corrects == standing.serial
        truck.told.append(("load", made.key))
        truck.litres[("load", key)] = litres
        # Somebody who still looks at what stood there before is told so; nothing of theirs is taken or lost silently.
        with pytest.raises(CorrectedError, match="meanwhile"):
            correct(truck.other, standing, {"loaded_l": litres + 1}, "looked again")

    @rule(number=TRUCKS, key=KEYS, litres=LITRES, moment=st.sampled_from(["before", "after"]))
    def pull_the_plug(self, number: int, key: str, litres: int, moment: str) -> None:
        truck = self.trucks[number]
        new = ("load", key) not in truck.told
        truck.book.tears = moment
        with pytest.raises(Torn) if new or moment == "before" else contextlib.nullcontext():
            entries = [("load", each, AT.format(day=3), {"loaded_l": litres}) for each in (key, key)]
            truck.book.append_all(entries)
        truck.reopen()
        if moment == "after":
            truck.keeps("load", key, litres)

    @rule(number=TRUCKS, litres=LITRES)
    def fill(self, number: int, litres: int) -> None:
        """A fill is closed in the journal; the program dies before the book hears of it."""
        truck = self.trucks[number]
        fill_id = f"fill-{len(truck.filled)}"
        journal_only(truck.folder, fill_of(fill_id, len(truck.filled) % 50, net_l=float(litres)))
        truck.filled[fill_id] = litres

    @rule(number=TRUCKS, moment=st.sampled_from(["", "before", "after"]))
    def post(self, number: int, moment: str) -> None:
        truck = self.trucks[number]
        truck.book.tears = moment
        with contextlib.closing(Journal(truck.folder / JOURNAL_NAME)) as journal:
            for _ in range(2):
                with contextlib.suppress(Torn):
                    post(truck.book, journal, device=truck.name, simulated=True)
                truck.reopen()
        # The journal gives them in the order of their closing, the book takes them in the order of their time.
        new = [each for each in truck.filled if ("fill", each) not in truck.told]
        for fill_id in sorted(new, key=lambda each: int(each.partition("-")[2]) % 50):
            truck.keeps("fill", fill_id, truck.filled[fill_id])

    # --- copies and losses --------------------------------------------------------------------------------------

    @rule(number=TRUCKS)
    def back_up(self, number: int) -> None:
        truck = self.trucks[number]
        into = self.folder / f"{truck.name}{len(truck.backups)}.zip"
        assert back_up(truck.folder, into, AT.format(day=5)).records == len(truck.told)
        truck.backups.append((into, list(truck.told), dict(truck.litres)))
        with pytest.raises(BookError, match="there already"):
            back_up(truck.folder, into, AT.format(day=5))

    @precondition(lambda self: any(truck.backups for truck in self.trucks))
    @rule(number=TRUCKS, which=st.integers(0, 9), lost=st.booleans())
    def restore(self, number: int, which: int, lost: bool) -> None:
        truck = self.trucks[number]
        if not truck.backups:
            return
        backup, told, litres = truck.backups[which % len(truck.backups)]
        if lost:
            truck.lose()
            seen = witness_of(truck.folder / BOOK_NAME).exists()
            assert ("is gone" in str(unsound(truck.folder))) is seen
        elif told[: len(truck.told)] != truck.told:
            with pytest.raises(BookError, match="is sound and holds"):
                restore(backup, truck.folder, JOURNAL_NAME, AT.format(day=5))
            return
        truck.shut()
        self.restored += 1
        at = f"2026-11-06T08:00:00.{self.restored:03}+00:00"
        record = restore(backup, truck.folder, JOURNAL_NAME, at).record
        assert record is not None
        truck.told, truck.litres = list(told), dict(litres)
        truck.keeps("restored", record.key, 0.0)
        truck.reopen()
        own, there = ([each.hash for each in book.every(truck.name)] for book in (truck.book, self.office))
        common = min(len(own), len(there))
        if own[:common] != there[:common]:
            self._two_chains(truck)

    def _two_chains(self, truck: Truck) -> None:
        """The office has more than the backup had: nothing is sent, and the office's copy is the way out."""
        for move in (lambda: send(truck.book, self.office), lambda: fetch(truck.book, self.office)):
            with pytest.raises(BookError, match="two chains, nothing is moved"):
                move()
        truck.lose()
        self._fetch(truck)

    @rule(number=TRUCKS, batch=st.integers(1, 4))
    def lose_everything(self, number: int, batch: int) -> None:
        truck = self.trucks[number]
        truck.lose()
        witness_of(truck.folder / BOOK_NAME).unlink(missing_ok=True)
        self._fetch(truck, batch)

    def _fetch(self, truck: Truck, batch: int = 500) -> None:
        truck.reopen()
        assert fetch(truck.book, self.office, batch) == truck.sent
        witness_of(truck.folder / BOOK_NAME).unlink(missing_ok=True) if not truck.sent else None
        told = [(each.kind, each.key) for each in self.office.every(truck.name)]
        litres: dict[tuple[str, str], float] = {}
        first: dict[int, tuple[str, str]] = {}
        for each in self.office.every(truck.name):
            # A correction has a key of its own.
            first[each.serial] = (each.kind, each.key) if each.corrects is None else first[each.corrects]
            litres[first[each.serial]] = litres_of(each)
        truck.told, truck.litres = told, litres

    # --- to the office ------------------------------------------------------------------------------------------

    @rule(number=TRUCKS, batch=st.integers(1, 4), moment=st.sampled_from(["", "before", "after"]))
    def send(self, number: int, batch: int, moment: str) -> None:
        truck = self.trucks[number]
        self.office.tears = moment
        try:
            assert send(truck.book, self.office, batch) == len(truck.told) - truck.sent
        except Torn:
            pass
        finally:
            self.office.tears = ""
        if not moment:
            assert send(truck.book, self.office, batch) == 0
        self._arrived(truck)

    @rule(number=TRUCKS, batch=st.integers(1, 4), cut=st.integers(0, 400))
    def carry_a_file(self, number: int, batch: int, cut: int) -> None:
        truck = self.trucks[number]
        path = self.folder / "carried.jsonl"
        export(truck.book.every(), path)
        whole = path.read_bytes()
        path.write_bytes(whole[: max(0, len(whole) - cut)])
        with contextlib.suppress(BookError):
            receive(path, self.office, batch=batch)
        self._arrived(truck)

    def _arrived(self, truck: Truck) -> None:
        there = self.office.heads().get(truck.name, (0, START))[0]
        assert truck.sent <= there <= len(truck.told)
        truck.sent = there

    # --- what always holds --------------------------------------------------------------------------------------

    @invariant()
    def every_chain_is_whole_and_says_what_was_told(self) -> None:
        for truck in self.trucks:
            records = list(truck.book.every())
            assert truck.book.faults() == []
            assert truck.book.faults(tail=3) == []
            assert [(each.kind, each.key) for each in records] == truck.told
            assert [each.serial for each in records] == list(range(1, len(truck.told) + 1))
            assert len({(each.kind, each.key) for each in records}) == len(records)

    @invariant()
    def sums_are_those_of_the_model(self) -> None:
        for truck in self.trucks:
            for kind in ("load", "fill"):
                booked = sum(litres_of(each) for each in truck.book.valid(kind))
                assert booked == sum(litres for (each, _), litres in truck.litres.items() if each == kind)
            end_ml = 0
            for each in (each for each in truck.book.every() if each.kind == "fill"):
                assert each.document["totaliser_start_ml"] == end_ml
                end_ml = each.document["totaliser_end_ml"]  # type: ignore[assignment]

    @invariant()
    def the_office_has_the_beginning_of_each_chain(self) -> None:
        assert self.office.faults() == []
        for truck in self.trucks:
            assert list(self.office.every(truck.name)) == list(truck.book.every())[: truck.sent]


TestLedger = Ledger.TestCase
TestLedger.settings = settings(max_examples=25, stateful_step_count=20, deadline=None)
TestLedger.pytestmark = [pytest.mark.release]


# --- what it found --------------------------------------------------------------------------------------------------


def test_a_correction_of_what_was_corrected_meanwhile_is_refused(tmp_path: Path) -> None:
    """It had the key of the one before, so the book gave that one back and nobody heard that nothing was written."""
    with WritableBook(f"sqlite:///{tmp_path / BOOK_NAME}", "A") as book:
        record = book.append("load", "a", AT.format(day=1), {"loaded_l": 1.0})
        first = correct(book, record, {"loaded_l": 2.0}, "one looked")
        with pytest.raises(CorrectedError, match=f"meanwhile, by record {first.serial}"):
            correct(book, record, {"loaded_l": 3.0}, "so did another")
        correct(book, first, {"loaded_l": 3.0}, "so did another")
        assert [Load.of(each).loaded_l for each in book.valid("load")] == [3.0]


def test_two_who_tell_of_one_job_at_once_do_not_both_stand(tmp_path: Path) -> None:
    """Each had looked at the same record; both were written, and which one counted was chance."""
    url = f"sqlite:///{tmp_path / BOOK_NAME}"
    with WritableBook(url, "A") as one, WritableBook(url, "A") as other:
        looked_at = keep_job(one, "7", {"customer": "a farm"})

        class Late(WritableBook):
            """Looks before the other has written, and writes after."""

            def one(self, kind: str, key: str) -> Record | None:
                return looked_at if kind == "job" else super().one(kind, key)

        keep_job(other, "7", {"site": "the north barn"})
        with Late(url, "A") as late, pytest.raises(CorrectedError, match="meanwhile"):
            keep_job(late, "7", {"site": "the south barn"})
        assert [each.document["site"] for each in one.valid("job")] == ["the north barn"]


def test_an_old_backup_of_a_truck_that_had_sent_more_has_a_way_out(tmp_path: Path) -> None:
    """The record of the restoring stands where the office has another: send said "fetch", and fetch could not."""
    truck = Truck("A", tmp_path / "A")
    office = WritableBook(f"sqlite:///{tmp_path / 'office.sqlite'}", "office", collects=True)
    truck.book.append_all([("load", key, AT.format(day=1), {"loaded_l": 1.0}) for key in "abc"])
    back_up(truck.folder, tmp_path / "old.zip", AT.format(day=1))
    truck.book.append_all([("load", key, AT.format(day=2), {"loaded_l": 1.0}) for key in "defg"])
    send(truck.book, office)
    truck.lose()
    restore(tmp_path / "old.zip", truck.folder, JOURNAL_NAME, AT.format(day=3))
    truck.reopen()
    for move in (lambda: send(truck.book, office), lambda: fetch(truck.book, office)):
        with pytest.raises(BookError, match=r"record 4 of A .* two chains, nothing is moved.*`rig office fetch`"):
            move()
    truck.lose()
    truck.reopen()
    assert fetch(truck.book, office) == 7
    assert truck.book.faults() == []
    truck.shut()
    office.close()
