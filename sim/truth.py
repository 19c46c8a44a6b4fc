"""The truth file: what really happened in the plant, for judging a controller. The controller never reads it.

One JSON document, replaced whole. Volumes in litres, pressures gauge in kPa, times in plant seconds:

- ``time_s``, ``size``, ``cavity_l`` (unstretched), ``atmosphere_kpa_abs``, ``density_kg_m3``, ``viscosity_mpas``,
  ``valve_fraction`` (share of the cavity below the valve hole), ``k_per_l`` (the meter's true pulses per litre);
- ``tyre_liquid_l``, ``start_liquid_l``, ``delivered_l`` (liquid in the tyre now less at the start), ``fraction``;
- ``gas_c``, ``tyre_kpa``, ``peak_tyre_kpa``, ``lowest_tyre_kpa``, ``line_kpa``, ``peak_line_kpa``;
- ``hose_liquid_l`` (between meter and valve), ``suction_liquid_l``, ``tote_l``, ``spilled_l``, ``vented_l``,
  ``vessel_l`` (in the open vessel now), ``caught_l`` (in open vessels in all),
  ``drained_l`` (taken from the tote other than by the pump), ``start_hose_liquid_l``,
  ``start_suction_liquid_l``, ``start_tote_l``, ``start_tyre_kpa``;
- ``pulses``, ``reverse_pulses`` (as counted by the meter, unwrapped);
- ``gun_on``, ``valve_open``, ``pump_speed`` (-1 to 1), ``pump_on``, ``bead_lost``, ``both_relays_s`` (how long both
  pump relays were closed together), ``requests`` (served so far), ``output_timeouts`` (how often the outputs dropped);
- ``faults``: a list of ``{"name", "onset_s", "duration_s" or null, "active"}``.
"""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from sim.plant.whole import Plant


class Truth:
    """Collects the document for one plant; remembers the values at the start."""

    def __init__(self, plant: Plant, size: str = "") -> None:
        self._plant = plant
        air = plant.params.atmosphere_kpa_abs
        self._start: dict[str, object] = {
            "size": size,
            "cavity_l": plant.params.tyre.cavity_l,
            "atmosphere_kpa_abs": air,
            "density_kg_m3": plant.params.fluid.density_kg_m3,
            "viscosity_mpas": plant.params.fluid.viscosity_mpas,
            "valve_fraction": plant.params.tyre.valve_fraction,
            "k_per_l": plant.params.meter.k_per_l,
            "start_hose_liquid_l": plant.line.hose.liquid_l,
            "start_suction_liquid_l": plant.line.suction.liquid_l,
            "start_tote_l": plant.line.tote_l,
            "start_tyre_kpa": plant.tyre.pressure() - air,
        }

    def document(self) -> dict[str, object]:
        """The present document."""
        plant = self._plant
        air, line, tyre, extremes = plant.params.atmosphere_kpa_abs, plant.line, plant.tyre, plant.extremes
        return {
            "time_s": plant.time_s,
            **self._start,
            "tyre_liquid_l": tyre.liquid_l,
            "start_liquid_l": plant.start_liquid_l,
            "delivered_l": tyre.liquid_l - plant.start_liquid_l,
            "fraction": tyre.fraction(),
            "gas_c": tyre.warmth * (plant.params.fluid.temperature_c + 273.15) - 273.15,
            "tyre_kpa": tyre.pressure() - air,
            "peak_tyre_kpa": extremes.peak_tyre_kpa,
            "lowest_tyre_kpa": extremes.lowest_tyre_kpa,
            "line_kpa": line.kpa_abs - air,
            "peak_line_kpa": extremes.peak_line_kpa,
            "hose_liquid_l": line.hose.liquid_l,
            "suction_liquid_l": line.suction.liquid_l,
            "tote_l": line.tote_l,
            "spilled_l": line.books.spilled_l,
            "vented_l": line.books.vented_l,
            "vessel_l": plant.vessel_l,
            "caught_l": line.books.vessel_l,
            "drained_l": line.books.drained_l,
            "pulses": plant.meter.pulses,
            "reverse_pulses": plant.meter.reverse_pulses,
            "gun_on": plant.gun_on,
            "valve_open": plant.valve_open,
            "pump_speed": plant.pump.speed,
            "pump_on": plant.pump.speed != 0.0,
            "bead_lost": tyre.bead_lost,
            "both_relays_s": extremes.both_relays_s,
        }


def write_truth(path: Path, document: dict[str, object]) -> None:
    """Replace the file atomically, so that a reader never sees a partial one."""
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    beside.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
    beside.replace(path)
