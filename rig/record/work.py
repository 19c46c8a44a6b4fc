"""Work with the pump: what it is asked for, what was counted, its record when it ends, and what the book adds.

Litres, kilograms, degrees Celsius; pressures are gauge, kPa, but ``atm_kpa``. Times are ISO 8601 in UTC. The kinds
``fill`` (a wheel), ``vessel`` (an open vessel, as for a proving), ``return`` (out of a wheel) and ``rinse`` are of one
type: a fill by its ``valve``, a return by its ``drawn_l``, a rinse by its ``rinsed_l``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from rig.record.base import Document, Sealed, left_out

Outcome = Literal["complete", "stopped", "aborted"]
Basis = Literal["counted", "estimated"]
MeterKind = Literal["pulses", "total", "rate", "scale", "tote level", "run time"]
Delivery = Literal["known", "nothing", "not known"]
"""``known``: the record can be billed by itself. ``nothing``: no more than the meter could not measure anyway; there is
nothing to bill and nobody to ask. ``not known``: the record cannot tell where its litres are, a person's figure can."""
WorkKind = Literal["fill", "return", "rinse", "divert", "proving run"]
Inside = Literal["yes", "no", "cannot tell"]
_LEAST_L = 0.37854
"""A tenth of a gallon, the least that a bill has: the least quantity of a record that does not hold its meter's."""
_KNOWN_TO = 0.05
"""A volume is known where its uncertainty at 95 % is at most this share of it. The shop's rule, no source."""


@dataclass(frozen=True, slots=True)
class Compared:
    """The meter against another measure of the same liquid; ``u_l`` is a standard deviation."""

    reference: str
    meter_l: float
    reference_l: float
    u_l: float


@dataclass(frozen=True, slots=True)
class Doubted:
    """Litres that may be missing from the tyre, or in it besides the net volume, for one reason; at 95 %."""

    reason: str
    less_l: float
    more_l: float


@dataclass(frozen=True, slots=True)
class Confirmed:
    """A point of the ready check, and who confirmed it."""

    name: str
    scope: Literal["shift", "machine", "wheel"]
    by: str


@dataclass(frozen=True, slots=True)
class Software:
    """The program that wrote a record: its version, and a hash of its source."""

    version: str
    hash: str


@dataclass(frozen=True, slots=True)
class Loaded:
    """Whether liquid was inside before, and how much with its band (95 %); None: the air space was not measured."""

    loaded_l: float | None
    loaded_low_l: float | None
    loaded_high_l: float | None
    loaded_verdict: Inside


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterFacts(Sealed):
    """What a record states of its meter besides the factor itself; None: from before records stated it."""

    meter_factor_on: str | None = None
    """Day of the proving; None: not proven."""
    meter_factor_u_percent: float | None = None
    """Of one delivery, at 95 %."""
    meter_factor_why: str | None = left_out()
    """Why that is wider than at the proving: the liquid is another."""
    calibration_events: int | None = None
    configuration_events: int | None = None
    """How many such events there were so far."""


@dataclass(frozen=True, slots=True, kw_only=True)
class About(MeterFacts):
    """What work is begun for: the journal has it from the start, the record repeats it."""

    size: str
    """Designation of the tyre; of an open vessel, its name."""
    size_as_marked: str | None = left_out()
    """With its marks of strength and service (IF, VF, NHS), if it has any."""
    make: str | None = left_out()
    """Maker and tread, as a person stated them."""
    fluid: str
    fluid_text: str | None = None
    """The liquid as asked for."""
    temp_c: float
    valve: str | None = None
    """None: an open vessel has none."""
    valve_at: float | None = None
    """Clock position."""
    cavity_l: float | None = None
    cavity_basis: str | None = None
    working_kpa: float | None = None
    position: str | None = ""
    job: str | None = ""
    by: str | None = ""
    config: str = ""
    asks_inside: bool = False
    """It is to find out whether liquid is inside."""
    assay: float | None = None
    """Share of calcium chloride in the flake of a recipe; None: not stated."""
    density_kg_m3: float
    freeze_c: float | None = None
    existing_fluid: str | None = left_out()
    """What the wheel held before: a liquid, or several with their volumes; None: nothing, or nobody knows."""
    ctl: float
    kind: WorkKind = "fill"
    warned: tuple[str, ...] = ()
    lot: str | None = left_out()
    to: str | None = left_out()
    hose_holds: str | None = left_out()
    """What is in the hose afterwards, if not this liquid."""
    book_serial: int | None = left_out()
    """The book's last serial number when the work began."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted(Sealed):
    """What the controller counted and saw: its own part of the record."""

    fill_id: str
    outcome: Outcome
    first_out: str | None
    """The guard that stopped it first."""
    target_l: float
    net_l: float
    """Into the wheel or vessel; below zero for what came out."""
    forward_l: float
    returned_l: float
    hose_change_l: float
    net_basis: Basis
    net_u_l: float
    """At 95 %, to the wider side."""
    net_less_l: float | None = left_out()
    """How much less may be in the wheel, and below how much more, at 95 %; None: ``net_u_l`` either way."""
    net_more_l: float | None = left_out()
    doubts: tuple[Doubted, ...] | None = left_out()
    """What these consist of; those from events add up, the others add in quadrature."""
    delivery: Delivery | None = None
    """Whether the litres are known; None in records from before they said so: see :attr:`known_as`."""
    billable: bool | None = None
    not_billable_because: str | None = None
    measured_by: MeterKind = "pulses"
    comparisons: tuple[Compared, ...] = ()
    strokes: int
    peak_pressure_kpa: float | None
    lowest_pressure_kpa: float | None
    final_static_kpa: float | None
    """Read at rest after the last movement; None: not read. See :attr:`pressure_is_a_rest`."""
    final_low_kpa: float | None = None
    final_high_kpa: float | None = None
    vented_l: float = 0.0
    """Liquid known to have left by the vent. No instrument of a rig measures it: always 0, and what may have gone that
    way is in ``net_u_l``. It stays in the sum, as in the balance of a tote."""
    spilled_l: float = 0.0
    """The same for liquid on the ground; a person's own figure for it is a record of the kind ``spill``."""
    unattended_l: float
    """Part of the net volume that moved while no controller ran."""
    unattended_u_l: float = 0.0
    unseen_l: float = 0.0
    """The most that may have moved besides, by outputs that could not be switched off."""
    pulses: int
    k_per_l: float
    meter_factor: float
    existing_l: float
    cavity_low_l: float | None = None
    cavity_high_l: float | None = None
    measured_cavity_l: float | None
    measured_cavity_u_l: float | None
    measured_cavity_shared_u_l: float | None = left_out()
    """Part of that which all fills of such tyres have in common, by the growth of the casing and the meter; None: from
    before records stated it."""
    cavity_agrees: bool | None = None
    atm_kpa: float
    """Absolute."""
    overruns_s: Mapping[str, float] | None = None
    """Learned overruns in seconds of flow, by flow step."""
    flags: tuple[str, ...] = ()

    @property
    def known_as(self) -> Delivery:
        """Whether its litres are known; a record from before records said so is judged by its uncertainty."""
        return self.delivery or delivery_of(self.net_l, self.net_u_l, _LEAST_L)

    @property
    def within_l(self) -> tuple[float, float]:
        """The least and the most that may have gone in, at 95 %; below zero for what came out."""
        less_l = self.net_u_l if self.net_less_l is None else self.net_less_l
        more_l = self.net_u_l if self.net_more_l is None else self.net_more_l
        return self.net_l - less_l, self.net_l + more_l

    @property
    def is_whole(self) -> bool:
        """Whether it ended complete with its litres counted and known: what measures a wheel."""
        return self.outcome == "complete" and self.net_basis == "counted" and self.known_as == "known"

    @property
    def pressure_is_a_rest(self) -> bool:
        """Whether ``final_static_kpa`` was read after the last movement.

        Records without an interval kept the last rest, whatever came after it.
        """
        return self.sealed_as is None or "final_low_kpa" in self.sealed_as or self.outcome == "complete"


def delivery_of(net_l: float, net_u_l: float, least_l: float) -> Delivery:
    """Whether a net volume, either way, is known; ``net_u_l`` at 95 %, ``least_l`` the meter's least quantity.

    Nothing at all is consistent with nothing, and at most less than the meter is good for.
    """
    moved_l = abs(net_l)
    if moved_l > 0 and net_u_l <= _KNOWN_TO * moved_l:
        return "known"
    return "nothing" if moved_l <= net_u_l and moved_l + net_u_l < least_l else "not known"


@dataclass(frozen=True, slots=True, kw_only=True)
class Work(Counted):
    """The record of ended work, as the journal keeps it."""

    loaded_l: float | None = left_out(unless="loaded_verdict")
    loaded_low_l: float | None = left_out(unless="loaded_verdict")
    loaded_high_l: float | None = left_out(unless="loaded_verdict")
    loaded_verdict: Inside | None = left_out()
    size: str
    size_as_marked: str | None = left_out()
    make: str | None = left_out()
    fluid: str
    valve: str | None
    valve_at: float | None
    position: str | None
    job: str | None
    by: str | None
    cavity_l: float | None
    cavity_basis: str | None
    working_kpa: float | None
    meter_factor_on: str | None = None
    meter_factor_u_percent: float | None = None
    meter_factor_why: str | None = left_out()
    calibration_events: int | None = None
    configuration_events: int | None = None
    freeze_c: float | None = None
    """Of the mix in the wheel, as density and mass are; None where they are not known."""
    existing_fluid: str | None = left_out()
    mix: str | None = left_out()
    """The liquid in the wheel, of a fill; None: from before records distinguished it from what came."""
    mix_unknown: str | None = left_out()
    """Why its figures are not known."""
    fluid_freeze_c: float | None = left_out(unless="mix")
    """Of what came, as the next two; None: from before records distinguished it from the mix."""
    fluid_density_kg_m3: float | None = left_out(unless="mix")
    fluid_mass_kg: float | None = left_out(unless="mix")
    warned: tuple[str, ...] = ()
    kind: WorkKind = "fill"
    recovered_l: float | None = left_out()
    """What came out of a wheel, above zero."""
    lot: str | None = left_out()
    to: str | None = left_out()
    fluid_c: float
    density_kg_m3: float | None
    ctl: float
    mass_kg: float | None
    confirmed: tuple[Confirmed, ...] = ()
    started_at: str
    ended_at: str
    clock_jump_s: float | None = None
    """By how much the clock was set meanwhile."""
    black_box: str | None = left_out()
    """SHA-256 over the recording of its scans, part after part; None: nothing was recorded."""

    @property
    def loaded(self) -> Loaded | None:
        """Whether liquid was inside before; None of work that did not ask for it."""
        if self.loaded_verdict is None:
            return None
        return Loaded(self.loaded_l, self.loaded_low_l, self.loaded_high_l, self.loaded_verdict)

    @property
    def moved_l(self) -> float:
        """What it moved: into the wheel, or out of it."""
        return self.net_l if self.recovered_l is None else self.recovered_l

    @property
    def shown_size(self) -> str:
        """The size as a person reads it on the tyre."""
        return self.size_as_marked or self.size

    @property
    def moved_kg_m3(self) -> float:
        """Density of what it moved."""
        return (self.density_kg_m3 if self.mix is None else self.fluid_density_kg_m3) or 0.0

    @property
    def moved_kg(self) -> float:
        """Mass of what it moved; below zero for what came out."""
        return (self.mass_kg if self.mix is None else self.fluid_mass_kg) or 0.0

    @property
    def moved_freeze_c(self) -> float | None:
        """Freeze point of what it moved; None where it is not known."""
        return self.freeze_c if self.mix is None else self.fluid_freeze_c

    @property
    def is_mixed(self) -> bool:
        """Whether the liquid in the wheel is another than what came."""
        return self.mix is not None and (self.mix_unknown is not None or self.mix != self.fluid)


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpWork(Work):
    """The sealed record: with its number, the totaliser, and what the book knew of job, wheel and tote."""

    fluid_text: str | None = None
    config: str | None = None
    customer: str | None = None
    customer_number: str | None = None
    address: str | None = None
    machine: str | None = None
    site: str | None = None
    site_number: str | None = left_out()
    wheel: str | None = None
    """One wheel of a machine; None without a machine."""
    number: int
    totaliser_start_ml: int
    totaliser_end_ml: int
    device: str
    software: Software
    simulated: bool
    tote: str | None = None
    """The one it was drawn from or returned to; empty for the only one, None: elsewhere."""
    drawn_l: float | None = left_out()
    basis: Basis | None = left_out()
    rinsed_l: float | None = left_out()
    from_tote: bool | None = left_out()
    """False: rinse water does not come from the tote."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """Ended work as shown: its record, and what became of it in the book."""

    work: Work
    in_book: bool = False
    """It was looked for in the book, which could be read."""
    serial: int | None = None
    number: int | None = None
    tote: str | None = None
    lot: str | None = None
    order_again: tuple[str, ...] = ()
    """Totes below their reorder threshold."""
    book_fault: str | None = None
    """Why the book does not have it yet."""
    second_copy_fault: str = ""

    def document(self) -> Document:
        """For a program and the page."""
        shown: Document = self.work.document()
        if self.in_book:
            shown |= {"tote": self.tote, "lot": self.lot, "number": self.number, "serial": self.serial}
            shown["order_again"] = list(self.order_again)
        elif self.book_fault is not None:
            shown |= {"serial": None, "book_fault": self.book_fault}
        return shown | ({"second_copy_fault": self.second_copy_fault} if self.second_copy_fault else {})
