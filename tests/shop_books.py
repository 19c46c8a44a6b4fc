"""A shop's folder for the tests: a journal with finished fills, as a rig leaves it."""

from __future__ import annotations

import contextlib
from pathlib import Path

from rig.ledger.journal import Journal
from rig.run.clock_memory import utc_now
from rig.shop.posting import JOURNAL_NAME, book_to_write

AT = "2026-11-20T08:{minute:02d}:00.000+00:00"
TRUCK = "Truck 1"


def fill_of(fill_id: str, minute: int = 0, **changes: object) -> dict[str, object]:
    """The record of a fill of a 16.9-28 with beet juice; ``changes`` replace its fields."""
    return {
        "fill_id": fill_id,
        "outcome": "complete",
        "first_out": None,
        "size": "16.9-28",
        "fluid": "beet",
        "target_l": 261.0,
        "net_l": 261.2,
        "forward_l": 263.5,
        "returned_l": 2.3,
        "hose_change_l": 0.0,
        "net_basis": "counted",
        "net_u_l": 0.6,
        "mass_kg": 334.9,
        "density_kg_m3": 1282.0,
        "strokes": 3,
        "peak_pressure_kpa": 130.0,
        "lowest_pressure_kpa": 34.0,
        "final_static_kpa": 82.7,
        "vented_l": 0.0,
        "spilled_l": 0.0,
        "unattended_l": 0.0,
        "pulses": 26120,
        "k_per_l": 100.0,
        "meter_factor": 1.0,
        "meter_factor_on": "2026-11-02",
        "meter_factor_u_percent": 0.2,
        "calibration_events": 1,
        "configuration_events": 1,
        "fluid_c": 15.0,
        "ctl": 1.0003,
        "existing_l": 0.0,
        "cavity_l": 360.0,
        "cavity_low_l": 350.0,
        "cavity_high_l": 370.0,
        "cavity_basis": "table",
        "measured_cavity_l": None,
        "measured_cavity_u_l": None,
        "atm_kpa": 101.3,
        "valve": "air-water",
        "valve_at": 12.0,
        "working_kpa": 110.0,
        "position": "rear left",
        "job": "J1",
        "by": "Jo",
        "started_at": AT.format(minute=minute),
        "ended_at": AT.format(minute=minute + 9),
        "flags": [],
    } | changes


def posted_of(fill_id: str, number: int = 1, **changes: object) -> dict[str, object]:
    """The same as the book has it, sealed under a number."""
    own = {
        "number": number, "totaliser_start_ml": 0, "totaliser_end_ml": 263_500, "device": TRUCK, "simulated": True,
        "software": {"version": "1", "hash": "0"},
    }  # fmt: skip
    return fill_of(fill_id) | own | changes


def about_of(record: dict[str, object]) -> dict[str, object]:
    """What the journal has of such a fill from its begin on."""
    same = ("size", "fluid", "position", "job", "by", "ctl")
    about = {name: record[name] for name in same} | {"temp_c": record["fluid_c"], "config": "rig.toml"}
    about["density_kg_m3"] = record.get("fluid_density_kg_m3", record["density_kg_m3"])
    return about | {"fluid_text": record.get("fluid_text", record["fluid"])}


def proving_of(factor: float, **changes: object) -> dict[str, object]:
    """The document of a proving with a known can, three runs; ``changes`` replace its fields."""
    return {
        "meter": "pulses", "by": "Jo", "fluid": "water",
        "reference": {"kind": "known can", "volume_l": 20.0, "material": "steel", "ref_c": 15.0, "u_percent": 0.05},
        "runs": [], "factor": factor, "factors": [factor] * 3, "factor_before": 1.0, "k_per_l": 100.0,
        "k_effective_per_l": 100.0 / factor, "range_percent": 0.02, "u_percent": 0.1, "u_runs_percent": 0.08,
        "u_reference_percent": 0.05, "u_delivery_percent": 0.12, "petroleum_range_percent": 0.05, "curve": [],
        "flows_lps": [0.6], "passed": True, "accepted": True, "fails": [], "asks": [], "tells": [],
    } | changes  # fmt: skip


def fill_now(fill_id: str, **changes: object) -> dict[str, object]:
    """A fill that begins and ends at this moment, after whatever the book was told before."""
    at = utc_now()
    return fill_of(fill_id, **({"started_at": at, "ended_at": at} | changes))


def journal_with(folder: Path, *records: dict[str, object]) -> None:
    """Write finished fills into the journal of ``folder`` and enter them into the book, as the loop does."""
    journal_only(folder, *records)
    with book_to_write(folder, TRUCK, simulated=True):
        pass


def journal_only(folder: Path, *records: dict[str, object]) -> None:
    """Write finished fills into the journal of ``folder``, as a loop does that is killed before the book has them."""
    with contextlib.closing(Journal(folder / JOURNAL_NAME)) as journal:
        for record in records:
            fill_id, at = str(record["fill_id"]), str(record["started_at"])
            journal.open_fill(fill_id, at, about_of(record), "{}", "{}")
            journal.close_fill(fill_id, record, {})
