"""What the strokes of sound fills measured of wheels: which of them are offered, and how a truck asks for them.

A wheel is known by its customer, machine and place; a fill without a machine measures a size, and is not offered.
Reads only; must not know how anything travels.
"""

from __future__ import annotations

import contextlib
import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rig.caution import Caution
from rig.ledger import COPY_NAME
from rig.ledger.moment import local_day
from rig.record.base import Document, RecordError
from rig.record.notes import SHARED, Shared
from rig.record.work import PumpWork
from rig.run.settings import Settings
from rig.run.shop_wheels import ShopWheel
from rig.sentence import Wording
from rig.shop.customers import customer_of, names_of
from rig.shop.posting import job_facts, number_of, place_of
from rig.wheel import read_size

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.run.assembly import Question

KIND = f"{SHARED}cavity"


def wheel_name(customer: str | None, wheel: str) -> str:
    """How a measured wheel is called among those of all trucks."""
    return f"{customer}: {wheel}" if customer else wheel


def measured_by(record: Record, truck: str) -> tuple[str, Document] | None:
    """The wheel and what a fill measured of it; None unless the fill is sound. ``truck`` is the rig's name.

    Sound: complete, counted, its litres known, its measured cavity within the bounds of its size.
    """
    work = PumpWork.of(record)
    cavity, doubt, low, high = work.measured_cavity_l, work.measured_cavity_u_l, work.cavity_low_l, work.cavity_high_l
    if None in (cavity, doubt, low, high, work.wheel, work.valve_at) or record.void_in_its_body:
        return None
    assert cavity is not None
    assert doubt is not None
    assert low is not None
    assert high is not None
    assert work.wheel is not None
    if not work.is_whole or not 0 < doubt < cavity or cavity + doubt < low or cavity - doubt > high:
        return None
    said: Document = {
        "wheel": work.wheel, "size": work.size, "cavity_l": cavity, "cavity_u_l": doubt, "valve_at": work.valve_at,
        "fill_id": work.fill_id, "number": number_of(record), "device": truck, "at": record.at,
        "simulated": work.simulated,
    }  # fmt: skip
    return wheel_name(work.customer, work.wheel), {name: each for name, each in said.items() if each is not None}


def counts_more(new: Document, standing: Document) -> bool:
    """Whether a later measurement of a wheel takes the place of one: of another size, contradicting it, or surer."""
    if new["size"] != standing["size"]:
        return True
    (cavity, doubt), (before, doubt_before) = _figures(new), _figures(standing)
    return abs(cavity - before) > math.hypot(doubt, doubt_before) or doubt <= doubt_before


def _figures(said: Document) -> tuple[float, float]:
    return float(str(said["cavity_l"])), float(str(said["cavity_u_l"]))


# --- on a truck -----------------------------------------------------------------------------------------------------


def with_measured(settings: Settings, name: str) -> Settings:
    """The settings with the wheel of a name as measured on any truck, unless they have a wheel of that name."""
    if name in settings.wheels:
        return settings
    found = _offered(settings, [name])
    if found is None:
        return settings
    _, said = found
    cavity, doubt = _figures(said)
    facts = {"size": said["size"], "cavity": f"{cavity} L", "cavity_u": f"{doubt} L", "valve_at": said["valve_at"]}
    return settings.model_copy(update={"wheels": {**settings.wheels, name: ShopWheel.model_validate(facts)}})


@dataclass(frozen=True, slots=True)
class Measured:
    """What is known of a wheel that a fill has measured."""

    name: str
    """By which the wheel is gone by; empty if its size is another one now."""
    note: Caution


_BY_FILL = Wording("source.fill", "No. {number} of {device}, {day}")
_WAS_ANOTHER = Wording(
    "caution.book.another_tyre", "this wheel was a {size} when it was filled last: is it another tyre now?"
)
_MEASURED = Wording(
    "caution.book.measured",
    'this wheel\'s cavity was measured: {cavity:volume} ± {half:volume}; --wheel "{name}" goes by it',
)


def measured_before(
    settings: Settings, book: Book | None, question: Question, job: str, position: str
) -> Measured | None:
    """What a fill has measured of this wheel of a job; None if none has, or if the question has a volume already."""
    facts = {} if book is None or not job or not position.strip() else job_facts(book, job, position)
    if book is None or not facts.get("wheel") or question.taught_l is not None:
        return None
    customer = customer_of(book, facts["customer_number"])
    names = [facts["customer"]] if customer is None else names_of(customer)
    found = _offered(settings, [wheel_name(name, facts["wheel"]) for name in names])
    if found is None:
        return None
    name, said = found
    (cavity, doubt), size = _figures(said), str(said["size"])
    source = _BY_FILL(number=str(said["number"]), device=str(said["device"]), day=local_day(str(said["at"])))
    if size != read_size(question.size).text:
        return Measured("", Caution("note", _WAS_ANOTHER(size=size), source))
    return Measured(name, Caution("note", _MEASURED(cavity=cavity, half=doubt, name=name), source))


def _offered(settings: Settings, names: list[str]) -> tuple[str, Document] | None:
    """What the office offers of a wheel by one of its names; None also if its copy is missing or cannot be read."""
    path = Path(settings.rig.data) / COPY_NAME
    if not path.exists():
        return None
    from rig.ledger.book import Book

    # What the office offers is an addition: a fault of it must not keep this truck from its work.
    with contextlib.suppress(RecordError), Book(f"sqlite:///{path}") as copy:
        for name in names:
            record = copy.one(KIND, place_of(name))
            offer = None if record is None else Shared.of(record)
            # What a simulated rig measured is none of a real wheel.
            if offer is not None and offer.said.get("simulated") == settings.rig.simulated:
                return offer.name, offer.said
    return None
