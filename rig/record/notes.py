"""What persons enter: work of theirs on wheels and jobs, stock, what is taught; and its corrections.

Litres and gauge kPa. A text is empty where nothing was said.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from rig.record.base import Document, Sealed, left_out
from rig.record.work import Basis

Leak = Literal["none", "core", "bead", "stem"]
FigureBasis = Literal["scale", "level", "chart"]
Offered = Literal["customer", "site", "job", "wheels of a job", "wheel", "cavity", "chart", "prices", "person",
                  "release"]  # fmt: skip
SHARED = "shared "
"""Before the kind of what is offered, in the kind of the office's record of it."""
HandStep = Literal["take the old out", "rinse", "inspect rim", "new valve", "new wheel", "valve kept"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Void(Sealed):
    """Declares void the record that it corrects."""

    voids: str
    """Kind of that record."""


# --- on a wheel -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class OnWheel(Sealed):
    """A note on a wheel or a job."""

    job: str | None = None
    position: str | None = None
    customer: str | None = None
    customer_number: str | None = None
    address: str | None = None
    machine: str | None = None
    site: str | None = None
    site_number: str | None = left_out()
    wheel: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved(OnWheel):
    """Liquid that was moved, stated or counted."""

    fluid: str | None = None
    to: str | None = None
    basis: Basis | FigureBasis | None = None
    tote: str | None = None
    lot: str | None = left_out()
    fill_id: str | None = left_out()
    number: int | None = left_out()
    """Of counted work: its number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Returned(Moved):
    """``return``: drawn out of a wheel, by a person's word or counted."""

    drawn_l: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Rinsed(Moved):
    """``rinse``: out of a tote, unless by water from elsewhere."""

    rinsed_l: float
    from_tote: bool | None = left_out()


@dataclass(frozen=True, slots=True, kw_only=True)
class Spilled(Moved):
    """``spill``: out of a tote, or of a fill that the meter had counted."""

    spilled_l: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Charge(OnWheel):
    """``charge``: an item of the price list; its quantity is decimal text."""

    item: str
    quantity: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HandWork(OnWheel):
    """``step``: of a conversion, done by hand."""

    step: HandStep


@dataclass(frozen=True, slots=True, kw_only=True)
class Holds(OnWheel):
    """``holds``: found in a wheel."""

    holds_l: float
    fluid: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finish(OnWheel):
    """``finish``: final pressure, leak check and cap."""

    final_kpa: float
    leak: Leak
    cap: bool
    fill_id: str | None = left_out()
    told: str = ""
    """The pressure in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure(OnWheel):
    """``figure``: a person's figure for the litres of pump work."""

    figure_l: float
    basis: FigureBasis
    fill_id: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Conversion(OnWheel):
    """``conversion``: a wheel is to hold another liquid."""

    to: str


# --- jobs -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Job(Sealed):
    """``job``: whose it is."""

    job: str
    customer: str | None = None
    customer_number: str | None = None
    address: str | None = None
    site: str | None = None
    """Its name, or free text."""
    site_number: str | None = left_out()
    day: str | None = left_out()
    """The day on which it is to be done, ISO 8601."""
    machine: str | None = None
    tax_exempt: str | None = None
    """The reason; None: taxed as its customer is."""
    from_office: int | None = left_out()
    """Serial number of the office's record that it was entered from."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JobWheels(Sealed):
    """``wheels of a job``: as the page's form has them."""

    job: str
    wheels: tuple[Document, ...]
    put_away: str | None = left_out()
    """Why the list is put away."""
    from_office: int | None = left_out()


@dataclass(frozen=True, slots=True, kw_only=True)
class Customer(Sealed):
    """``customer``: under a permanent number."""

    customer_number: str
    name: str
    address: tuple[str, ...] | None = left_out()
    postcode: str | None = left_out()
    city: str | None = left_out()
    country: str | None = left_out()
    tax_number: str | None = left_out()
    phone: str | None = left_out()
    email: str | None = left_out()
    tax_exempt: str | None = left_out()
    former_names: tuple[str, ...] | None = left_out()
    from_office: int | None = left_out()


@dataclass(frozen=True, slots=True, kw_only=True)
class Site(Sealed):
    """``site``: a place of a customer, under a permanent number."""

    site_number: str
    customer_number: str
    name: str
    address: tuple[str, ...] | None = left_out()
    note: str | None = left_out()
    from_office: int | None = left_out()


# --- stock ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class ToteFacts(Sealed):
    """``tote``: a tote or a yard tank."""

    tote: str
    capacity_l: float | None = left_out()
    reorder_l: float | None = left_out()
    fluid: str | None = left_out()
    yard: bool | None = left_out()


@dataclass(frozen=True, slots=True, kw_only=True)
class Load(Sealed):
    """``load``: into a tote, delivered or out of another one."""

    tote: str = ""
    loaded_l: float
    fluid: str | None = ""
    lot: str | None = ""
    from_: str | None = left_out()
    """The tote that it came out of."""
    parts: tuple[tuple[str, str, float], ...] | None = left_out()
    """What came out of that: liquid, lot, litres."""
    mixed: bool | None = left_out()
    """A person knows that two liquids are mixed."""
    loaded_u_l: float | None = left_out()
    """At 95 %; None: not stated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dip(Sealed):
    """``dip``: found in a tote; ``yard``: the office's figure for a yard tank."""

    tote: str = ""
    tote_l: float
    fluid: str | None = left_out()
    lot: str | None = left_out()
    tote_u_l: float | None = left_out()
    """At 95 %; None: not stated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Connect(Sealed):
    """``connect``: the pump draws from this tote from now on."""

    tote: str


# --- taught, named, printed -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Taught(Sealed):
    """``wheel``: what a wheel took in a reference fill, up to a valve at ``valve_at`` o'clock."""

    wheel: str
    size: str
    took_l: float
    valve_at: float
    from_: int
    """Serial number of the fill."""
    from_number: str | None = left_out()
    fill_id: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NotInChart(Sealed):
    """``not in chart``: what this pump work measured of a tyre does not count for others of its size."""

    fill_id: str
    """Or, of another shop's measurement, its id there."""


@dataclass(frozen=True, slots=True)
class ChartRow:
    """One measurement of a cavity by another shop; uncertainties in litres, at 95 %."""

    id: str
    size: str
    make: str
    wheel: str
    """Any name: the same for the same wheel."""
    litres: float
    u_l: float
    shared_u_l: float
    """That of the method, the same in all its measurements of such tyres."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart(Sealed):
    """``chart``: measurements of another shop, as taken over from its file."""

    shop: str
    sha256: str
    """Of the file."""
    rows: tuple[ChartRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Named(Sealed):
    """``named``: the rig's name from then on."""

    name: str


@dataclass(frozen=True, slots=True)
class Place:
    """A record by its chain and number."""

    truck: str
    serial: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Printed(Sealed):
    """``print``: a paper was handed out."""

    what: str
    copy: int
    """1: the original."""
    of_: tuple[Place, ...]
    prices: int | None = None
    """Serial number of the price list in force."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockSaid(Sealed):
    """``clock``: a person confirmed the clock, or said what time it is."""

    clock_showed: str
    confirmed: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored(Sealed):
    """``restored``: the book came back out of a backup."""

    records: int
    written_before: int | None
    """How many records the book in place had; None: not known."""
    backup_of: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture(Sealed):
    """``logo``."""

    base64: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Prices(Sealed):
    """``prices``: a price file, whose own model is in :mod:`rig.ledger.pricing`."""

    prices: Document
    from_office: int | None = left_out()
    first_day: str | None = left_out()
    """From which local day on it is in force; None: from the moment of this record."""


# --- offered by the office ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Source:
    """A truck's record that is contained in what the office offers."""

    truck: str
    name: str
    """Its name there, as the customer's number."""
    serial: int


@dataclass(frozen=True, slots=True)
class OtherWord:
    """What somebody entered in a field that another one has entered otherwise without knowing of it."""

    field: str
    value: object
    by: str
    truck: str
    serial: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared(Sealed):
    """``shared customer``, ``shared job`` …: what the office offers to its trucks, or to one of them."""

    name: str
    """Number of a customer or site; name of a wheel, job or person; first day of a price list; version of a release."""
    said: Document
    """As the record of that kind has it."""
    sources: tuple[Source, ...] = ()
    """The latest record of each truck that is contained in it."""
    others: tuple[OtherWord, ...] | None = left_out()
