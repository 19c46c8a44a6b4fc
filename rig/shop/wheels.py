"""What the book knows of one wheel: its content, and which steps of the work on it are done. Reads only.

A wheel is a position on a customer's machine; if the machine is not known, a position in a job. The module must not
know how a fill is made, nor how any of it is shown.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rig.fluid import UNKNOWN, content_names
from rig.ledger.balance import Booked, Content
from rig.record.notes import Conversion, Finish, HandWork, Holds, Moved, OnWheel
from rig.record.work import PumpWork
from rig.sentence import Wording
from rig.shop.filled import OF_A_FILL, filled
from rig.shop.posting import FILL, RETURN, job_facts, place_of, pumped
from rig.shop.totes import same_fluid
from rig.units import KPA_PER_PSI

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

FINISH, STEP, HOLDS, CONVERSION = "finish", "step", "holds", "conversion"
"""Finish of a fill; a step done by hand; content found by a person; conversion of a wheel to another liquid."""
OF_A_WHEEL = (FILL, RETURN, FINISH, STEP, HOLDS, CONVERSION)
OUT, RINSED, RIM, FITTED, REFILL, END = (
    "take the old out", "rinse", "inspect rim", "valve or wheel", "refill", "finish",
)  # fmt: skip
STEPS = (OUT, RINSED, RIM, FITTED, REFILL, END)
"""The steps of a conversion, in order."""
BY_HAND = {OUT: OUT, RINSED: RINSED, RIM: RIM, "new valve": FITTED, "new wheel": FITTED, "valve kept": FITTED}
"""What a person may enter, and the step that it completes."""
_EMPTIES = ("new wheel",)
"""After these steps nothing is left inside. A rinse leaves water in place of what was below the valve hole."""


def same_position(one: str | None, other: str | None) -> bool:
    """Whether two texts name the same place on a machine."""
    return place_of(one) == place_of(other)


def of_wheel(book: Book, kind: str | Collection[str], job: str, position: str) -> list[Record]:
    """Records of one wheel, of one or several kinds, in any job if its machine is known; none without a position."""
    if not position.strip():
        return []
    facts = job_facts(book, job, position)
    if facts["wheel"] is None:
        return in_job(book, kind, job, position)
    found = book.valid(kind, wheel=str(facts["wheel"]))
    return [each for each in found if _same_customer(OnWheel.of(each), facts)]


def _same_customer(one: OnWheel, other: Mapping[str, str | None]) -> bool:
    """Compare by number if both have one: a name may have been corrected since."""
    if one.customer_number and other["customer_number"]:
        return one.customer_number == other["customer_number"]
    return one.customer == other["customer"]


def in_job(book: Book, kind: str | Collection[str], job: str, position: str, since: str | None = None) -> list[Record]:
    """Records of one or several kinds, of one position in one job."""
    found = book.valid(kind, job=job, since=since)
    return [each for each in found if same_position(OnWheel.of(each).position, position)]


# --- what is inside -------------------------------------------------------------------------------------------------


def inside(book: Book, job: str, position: str) -> Content:
    """What a wheel holds by the book; its litres are None if unknown.

    After work of unknown volume they are None until a person enters the content again.
    """
    return after(book, of_wheel(book, (FILL, RETURN, STEP, HOLDS), job, position))


def after(book: Book, records: Sequence[Record]) -> Content:
    """What a wheel holds after these records of it, in their order."""
    pumped = [each for each in records if each.kind in (FILL, RETURN)]
    noted = book.valid(OF_A_FILL, truck={each.truck for each in pumped}) if pumped else []
    counted = {each.record: each for each in filled(book, pumped, noted)}
    held, known = Content(), True
    for record in records:
        if record.kind == STEP and HandWork.of(record).step == RINSED and held.left_l:
            held = held.after(Booked(record.at, "dip", held.left_l, fluid="water"))
        work = counted.get(record)
        if record.kind == FILL:
            held = _as_found(held, PumpWork.of(record), record.at)
        for move in _moved(record, work.moved_l if work else 0.0):
            held, known = held.after(move), known or move.move == "dip"
        known = known and (work is None or work.known)
    return held if known else replace(held, left_l=None)


def _as_found(held: Content, fill: PumpWork, at: str) -> Content:
    """What a wheel held before a fill: a person's volume, and liquids that are not the book's, go before its sum."""
    if not fill.existing_l:
        return held
    named = content_names(fill.existing_fluid or "")
    if {name for _, name in named} <= {*held.fluids, UNKNOWN}:
        return held.after(Booked(at, "dip", fill.existing_l))
    shares = [1.0 if litres is None else litres for litres, _ in named]
    held = held.after(Booked(at, "dip", 0.0))
    for (_, name), share in zip(named, shares, strict=True):
        part_l = fill.existing_l * share / sum(shares)
        held = held.after(Booked(at, "load", part_l, fluid="" if name == UNKNOWN else name))
    return held


def _moved(record: Record, pumped_l: float) -> Iterator[Booked]:
    """One record's movements into or out of a wheel, or the content found; ``pumped_l`` counts of the pump's work."""
    if record.kind == FILL:
        fill = PumpWork.of(record)
        yield Booked(record.at, "load", pumped_l, fluid=fill.fluid, lot=fill.lot or "")
    elif record.kind == RETURN:
        yield Booked(record.at, "out", pumped_l)
    elif record.kind == HOLDS:
        found = Holds.of(record)
        yield Booked(record.at, "dip", found.holds_l, fluid=found.fluid)
    elif HandWork.of(record).step in _EMPTIES:
        yield Booked(record.at, "dip", 0.0)


# --- the end of a fill ----------------------------------------------------------------------------------------------


def finish_of(book: Book, fill: Record) -> Record | None:
    """The last record of final pressure, leak check and cap for this fill; None if there is none."""
    work = PumpWork.of(fill)
    job, position = work.job or "", work.position or ""
    noted = [each for each in book.valid(FINISH, truck=fill.truck) if Finish.of(each).fill_id == work.fill_id]
    if job and position:
        known = [each.serial for each in noted]
        later = book.in_order([fill, *in_job(book, FINISH, job, position)])
        noted += [each for each in later[later.index(fill) + 1 :] if each.serial not in known]
    return next(reversed(book.in_order(noted)), None)


_LEAKS = {
    "core": Wording("finish.leak_core", "LEAK at the core"), "bead": Wording("finish.leak_bead", "LEAK at the bead"),
    "stem": Wording("finish.leak_stem", "LEAK at the stem"),
}  # fmt: skip


def finish_faults(finish: Finish, working_kpa: float | None) -> list[str]:
    """List the faults found at the end of a fill; empty if there are none."""
    found: list[str] = []
    if finish.leak in _LEAKS:
        found.append(_LEAKS[finish.leak]())
    if not finish.cap:
        found.append(Wording("finish.no_cap", "NO SEALING CAP")())
    if working_kpa is not None and abs(finish.final_kpa - working_kpa) > KPA_PER_PSI:
        up = Wording("finish.air_up", "working pressure is {working:pressure}: air it up")
        down = Wording("finish.let_down", "working pressure is {working:pressure}: let it down")
        found.append((up if finish.final_kpa < working_kpa else down)(working=working_kpa))
    return found


# --- the steps of a job ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the work on a wheel, and the record that completes it."""

    name: str
    record: Record | None


@dataclass(frozen=True, slots=True)
class Work:
    """The work on one wheel in one job."""

    position: str
    to: str | None
    """The liquid it is converted to; None if it is only filled."""
    steps: tuple[Step, ...]
    faults: tuple[str, ...]
    """Faults, in words."""

    @property
    def open_steps(self) -> tuple[str, ...]:
        """Steps still to be done, in order."""
        return tuple(step.name for step in self.steps if step.record is None)


def work_of_job(book: Book, job: str) -> list[Work]:
    """The work on every wheel of a job with a known position, in the order of its begin."""
    records = book.valid(OF_A_WHEEL, job=job)
    by_position: dict[str, list[Record]] = {}
    for record in records:
        position = place_of(OnWheel.of(record).position)
        if position:
            by_position.setdefault(position, []).append(record)
    return [_work(position, own) for position, own in by_position.items()]


def work_on(book: Book, job: str, position: str) -> Work | None:
    """The work on one wheel of a job; None if the book has none."""
    if not job:
        return None
    return next((each for each in work_of_job(book, job) if same_position(each.position, position)), None)


def _work(position: str, records: Sequence[Record]) -> Work:
    conversion = next((each for each in reversed(records) if each.kind == CONVERSION), None)
    to = None if conversion is None else Conversion.of(conversion).to
    done = {name: record for record in records if (name := _step_of(record, to)) is not None}
    fill, finish = done.get(REFILL), done.get(END)
    place = {id(record): number for number, record in enumerate(records)}
    if finish is not None and (place[id(finish)] < place[id(fill)] if fill is not None else to is not None):
        # A check made before the last fill does not apply to it.
        finish = None
        del done[END]
    names = STEPS if to is not None else (REFILL, END)
    working_kpa = PumpWork.of(fill).working_kpa if fill else None
    faults = finish_faults(Finish.of(finish), working_kpa) if finish else []
    if to is not None and fill is not None:
        early = [name for name in STEPS[:4] if (step := done.get(name)) is None or place[id(step)] > place[id(fill)]]
        faults += [f"refilled before: {', '.join(early)}"] if early else []
    if conversion is not None:
        fills = (each for each in records[place[id(conversion)] :] if each.kind == FILL)
        faults += [f"{PumpWork.of(each).fluid} went in, not {to}" for each in fills if not _is_of(each, to)]
    return Work(position, to, tuple(Step(name, done.get(name)) for name in names), tuple(faults))


def _step_of(record: Record, to: str | None) -> str | None:
    """The step that a record completes, if any; in a conversion, only with the right liquid."""
    if record.kind == STEP:
        return BY_HAND[HandWork.of(record).step]
    if record.kind == FILL and (PumpWork.of(record).outcome != "complete" or not _is_of(record, to)):
        return None
    if record.kind == RETURN:
        work = pumped(record)
        if (work and work.known_as == "nothing") or (to is not None and _is_of(record, to)):
            return None
    return {FILL: REFILL, RETURN: OUT, FINISH: END}.get(record.kind)


def _is_of(record: Record, fluid: str | None) -> bool:
    """Whether a record is about this liquid, or True if ``fluid`` is None. An unnamed liquid is the old one."""
    return fluid is None or same_fluid(None, Moved.of(record).fluid or "", fluid)
