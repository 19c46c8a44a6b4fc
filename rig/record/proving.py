"""The meter's provings and the events of the journal, as journal and book keep them.

Identified by their content, so that a journal that is posted twice is entered once: they state no version.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

from rig.record.base import Document, Sealed, left_out

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class ProvingRun:
    """One counted delivery, and what the vessel showed: litres, or kilograms on a scale."""

    pulses: int
    shown: float
    reference_l: float
    vessel_c: float
    meter_c: float
    flow_lps: float | None
    factor: float


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownCan:
    """A vessel of known volume."""

    kind: Literal["known can"] = "known can"
    volume_l: float
    material: str
    ref_c: float
    u_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownScale:
    """A scale under an open vessel."""

    kind: Literal["scale"] = "scale"
    u_kg: float
    air_kg_m3: float
    density_kg_m3: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterCheck(Sealed):
    """A proving: runs, verdict, and the factor. Percents at 95 %; None: a single run has no spread."""

    STATES_VERSION: ClassVar[bool] = False

    meter: str
    fluid: str
    reference: KnownCan | KnownScale
    runs: tuple[ProvingRun, ...]
    factor: float
    factors: tuple[float, ...]
    factor_before: float
    k_per_l: float
    k_effective_per_l: float
    range_percent: float
    u_percent: float | None
    u_runs_percent: float | None
    u_reference_percent: float
    u_delivery_percent: float | None
    petroleum_range_percent: float | None
    curve: tuple[Point, ...]
    flows_lps: tuple[float, ...]
    passed: bool
    accepted: bool
    fails: tuple[str, ...]
    asks: tuple[str, ...]
    tells: tuple[str, ...]
    after_fill: int | None = left_out()
    """Number of the last fill before it; None: from before the journal kept that."""
    viscosity_mpas: Point | None = left_out()
    """The lowest and the highest viscosity of its runs; None: from before provings stated it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Proving(Sealed):
    """``proving``: a proving of the journal in the book; ``document`` is a :class:`MeterCheck`."""

    STATES_VERSION: ClassVar[bool] = False

    meter: str
    accepted: bool
    document_: Document


@dataclass(frozen=True, slots=True, kw_only=True)
class Event(Sealed):
    """``event``: a change of calibration or configuration; ``number`` counts those of its kind."""

    STATES_VERSION: ClassVar[bool] = False

    event: Literal["calibration", "configuration"]
    number: int
    what: Document
    """Changed settings by dotted key, or the proving that was taken or declared void."""
