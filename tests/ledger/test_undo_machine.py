"""Any order of notes, corrections, voids and take-backs of every kind: bill, stock and wheel are those of a plain list.

The model keeps what each record says and whether it counts, and adds up by itself; it knows nothing of chains.
"""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from shop_books import fill_now, journal_with

from rig.books.bill import job_bill
from rig.books.notes import add_notes, keep_note
from rig.books.prices import keep_prices
from rig.books.stock import add_stock, keep_entry
from rig.books.where import options_of
from rig.ledger.chain import Record
from rig.ledger.keeping import book_of
from rig.ledger.writing import WritableBook
from rig.run.refused import Refused
from rig.shop.filled import unknown_because
from rig.shop.totes import totes_of
from rig.shop.wheels import inside

PRICES = Path(__file__).parents[2] / "config" / "prices.toml"
ITEMS = {"core": Decimal("1.25"), "valve, air-water": Decimal("14.50"), "rim paint": Decimal("22.00")}
GAL = Decimal("3.785411784")
"""Exact by definition (NIST Handbook 44, Appendix C)."""
BEET, TRAVEL, DISPOSAL = Decimal("3.95"), Decimal("75.00"), Decimal("0.85")
LITRES = st.integers(1, 150)
JOBS = st.sampled_from(["J1", "J2"])
ANY = st.integers(0, 10_000)


@dataclass
class Told:
    """What one line of records says now."""

    kind: str
    serial: int
    says: dict[str, Any]
    counts: bool = True
    void: int = 0
    """The record that declared it void."""


@dataclass
class Model:
    """Everything that was told, in its order."""

    told: list[Told] = field(default_factory=list)

    def standing(self, *kinds: str) -> list[Told]:
        return [each for each in self.told if each.counts and each.kind in kinds]

    def spilled_l(self, fill_id: str) -> int:
        return sum(each.says["litres"] for each in self.standing("spill") if each.says.get("fill_id") == fill_id)

    def moved_l(self, fill: Told) -> Decimal:
        figures = [each for each in self.standing("figure") if each.says["fill_id"] == fill.says["fill_id"]]
        if figures:
            return Decimal(figures[-1].says["litres"])
        return Decimal(fill.says["litres"]) - self.spilled_l(fill.says["fill_id"])

    def tote_l(self) -> Decimal | None:
        """By hand: a dip says what is there, everything after it adds or takes away."""
        left: Decimal | None = None
        for each in self.told:
            if not each.counts:
                continue
            litres = Decimal(each.says.get("litres", 0))
            if each.kind == "dip":
                left = litres
            elif each.kind == "load":
                left = (left or Decimal(0)) + litres
            elif left is not None and each.kind in ("fill", "rinse", "spill") and "of_fill" not in each.says:
                left -= litres
            elif left is not None and each.kind == "return" and each.says["to"] == "tote":
                left += litres
        return left

    def figured(self, fill: Told) -> bool:
        return any(each.says["fill_id"] == fill.says["fill_id"] for each in self.standing("figure"))

    def wheel_l(self, job: str) -> Decimal | None:
        """None too after a fill that does not know its litres, until a person has looked inside or said them."""
        left: Decimal | None = None
        known = True
        for each in self.told:
            if not each.counts or each.says.get("job") != job:
                continue
            if each.kind == "holds":
                left, known = Decimal(each.says["litres"]), True
            elif each.kind == "fill":
                left = (left or Decimal(0)) + self.moved_l(each)
                known = known and (self.figured(each) or not each.says["doubtful"])
            elif each.kind == "return" and left is not None:
                left -= each.says["litres"]
        return left if known else None

    def total(self, job: str) -> Decimal | None:
        """Before tax, at the invented prices; None where a fill waits for its figure, or nothing was done."""
        mine = [each for each in self.standing("fill", "charge", "return") if each.says.get("job") == job]
        if not mine:
            return None
        lines = [TRAVEL]
        for each in mine:
            if each.kind == "charge":
                lines.append(ITEMS[each.says["item"]] * each.says["quantity"])
            elif each.kind == "fill":
                if each.says["doubtful"] and not self.figured(each):
                    return None
                lines.append(rounded(max(rounded(self.moved_l(each) / GAL, "0.1"), Decimal(0)) * BEET, "0.01"))
        drawn = sum((Decimal(each.says["litres"]) for each in mine if each.kind == "return"), Decimal(0))
        lines.append(rounded(rounded(drawn / GAL, "0.1") * DISPOSAL, "0.01"))
        return max(sum(lines, Decimal(0)), Decimal(150))


def rounded(value: Decimal, to: str) -> Decimal:
    return value.quantize(Decimal(to), ROUND_HALF_UP)


class Undoing(RuleBasedStateMachine):
    """One shop, two jobs with a wheel each."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="rig-undo-"))
        self.model = Model()
        self.fills = 0

    def teardown(self) -> None:
        shutil.rmtree(self.folder)

    @initialize()
    def opens(self) -> None:
        with book_of(self.folder) as book:
            keep_prices(book, PRICES)

    def note(self, *words: str) -> Record:
        with book_of(self.folder) as book:
            return keep_note(book, options_of(add_notes, "note", [*words, "--sure", "--config=none"]))

    def told(self, kind: str, record: Record, **says: object) -> None:
        self.model.told.append(Told(kind, record.serial, says))

    # --- told ---------------------------------------------------------------------------------------------------

    @rule(job=JOBS, item=st.sampled_from(sorted(ITEMS)), quantity=st.integers(1, 5))
    def charge(self, job: str, item: str, quantity: int) -> None:
        made = self.note("charge", f"--job={job}", f"--item={item}", f"--quantity={quantity}")
        self.told("charge", made, job=job, item=item, quantity=quantity)

    @rule(job=JOBS, litres=LITRES, to=st.sampled_from(["tote", "waste tank"]))
    def take_out(self, job: str, litres: int, to: str) -> None:
        made = self.note("return", f"--job={job}", "--position=rear left", f"--volume={litres} L", f"--to={to}")
        self.told("return", made, job=job, litres=litres, to=to)

    @rule(job=JOBS, litres=LITRES)
    def look_inside(self, job: str, litres: int) -> None:
        made = self.note("holds", f"--job={job}", "--position=rear left", f"--volume={litres} L")
        self.told("holds", made, job=job, litres=litres)

    @rule(kind=st.sampled_from(["rinse", "spill"]), litres=LITRES)
    def lose(self, kind: str, litres: int) -> None:
        self.told(kind, self.note(kind, f"--volume={litres} L"), litres=litres)

    @rule(job=JOBS, step=st.sampled_from(["inspect rim", "new valve"]))
    def step(self, job: str, step: str) -> None:
        made = self.note("step", f"--job={job}", "--position=rear left", f"--step={step}")
        self.told("step", made, job=job, step=step)

    @rule(action=st.sampled_from(["load", "dip"]), litres=LITRES)
    def stock(self, action: str, litres: int) -> None:
        with book_of(self.folder) as book:
            keep_entry(
                book, options_of(add_stock, "stock", [action, f"--volume={litres} L", "--mixed", "--sure"]), None
            )
            (*_, made) = book.every()
        self.told(action, made, litres=litres)

    @rule(job=JOBS, litres=LITRES, doubtful=st.booleans())
    def fill(self, job: str, litres: int, doubtful: bool) -> None:
        self.fills += 1
        fill_id = f"fill-{self.fills}"
        doubt = {"net_u_l": 0.5 * litres} if doubtful else {"net_u_l": 0.01 * litres}
        record = fill_now(fill_id, job=job, net_l=float(litres), forward_l=float(litres), **doubt)
        journal_with(self.folder, record)
        with book_of(self.folder) as book:
            made = book.one("fill", fill_id)
        assert made is not None
        assert (unknown_because(made) is None) is not doubtful
        self.told("fill", made, job=job, litres=litres, fill_id=fill_id, doubtful=doubtful)

    @precondition(lambda self: self.model.standing("fill"))
    @rule(which=ANY, litres=st.integers(1, 20))
    def spill_of_a_fill(self, which: int, litres: int) -> None:
        fills = self.model.standing("fill")
        fill_id = fills[which % len(fills)].says["fill_id"]
        made = self.note("spill", f"--fill={fill_id}", f"--volume={litres} L")
        self.told("spill", made, litres=litres, fill_id=fill_id, of_fill=True)

    @precondition(lambda self: any(each.says["doubtful"] for each in self.model.standing("fill")))
    @rule(which=ANY, litres=LITRES)
    def figure(self, which: int, litres: int) -> None:
        fills = [each for each in self.model.standing("fill") if each.says["doubtful"]]
        fill_id = fills[which % len(fills)].says["fill_id"]
        words = (f"--fill={fill_id}", f"--volume={litres} L", "--basis=scale", "--why=weighed")
        self.told("figure", self.note("figure", *words), litres=litres, fill_id=fill_id)

    # --- undone -------------------------------------------------------------------------------------------------

    @precondition(
        lambda self: self.model.standing("charge", "return", "rinse", "spill", "load", "dip", "holds", "figure")
    )
    @rule(which=ANY, litres=LITRES)
    def correct(self, which: int, litres: int) -> None:
        those = self.model.standing("charge", "return", "rinse", "spill", "load", "dip", "holds", "figure")
        told = those[which % len(those)]
        if told.kind == "charge":
            words, says = f"--quantity={litres}", {"quantity": litres}
        else:
            words, says = f"--volume={litres} L", {"litres": litres}
        self.note("correct", str(told.serial), words, "--why=looked again")
        told.says |= says

    @precondition(lambda self: any(each.counts for each in self.model.told))
    @rule(which=ANY)
    def void(self, which: int) -> None:
        those = [each for each in self.model.told if each.counts]
        told = those[which % len(those)]
        told.void = self.note("void", str(told.serial), "--why=never was").serial
        told.counts = False
        with pytest.raises(Refused, match="is void"):
            self.note("void", str(told.serial), "--why=again")

    @precondition(lambda self: any(not each.counts for each in self.model.told))
    @rule(which=ANY, by_void=st.booleans())
    def take_back(self, which: int, by_void: bool) -> None:
        those = [each for each in self.model.told if not each.counts]
        told = those[which % len(those)]
        self.note("take-back", str(told.void if by_void else told.serial), "--why=it was")
        told.counts = True

    # --- what always holds --------------------------------------------------------------------------------------

    @invariant()
    def bills_stock_and_wheels_are_those_of_the_model(self) -> None:
        with book_of(self.folder) as book:
            assert not book.faults(tail=5)
            self._stock(book)
            for job in ("J1", "J2"):
                self._bill(book, job)
                held, wanted = inside(book, job, "rear left").left_l, self.model.wheel_l(job)
                assert (held is None) is (wanted is None)
                assert wanted is None or held == pytest.approx(float(wanted), abs=0.01)

    def _stock(self, book: WritableBook) -> None:
        left, wanted = totes_of(book)[0].content.left_l, self.model.tote_l()
        assert (left is None) is (wanted is None)
        assert wanted is None or left == pytest.approx(float(wanted), abs=0.01)

    def _bill(self, book: WritableBook, job: str) -> None:
        wanted = self.model.total(job)
        if wanted is None:
            with pytest.raises(Refused):
                job_bill(book, job)
        else:
            assert Decimal(job_bill(book, job).net) == wanted


TestUndoing = Undoing.TestCase
TestUndoing.pytestmark = [pytest.mark.release]
TestUndoing.settings = settings(max_examples=25, stateful_step_count=25, deadline=None)
