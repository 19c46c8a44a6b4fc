"""From the field's values to the controller's reading: units converted, age and range judged, relays read back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rig.control.values import Outputs, Reading
from rig.field.field import Value
from rig.field.points import Point
from rig.run.settings import COUNTS, OUTPUTS, QUANTITY_OF_POINT
from rig.units import parse

_FIELDS = {
    "line_pressure": "line_kpa",
    "tyre_pressure": "tyre_kpa",
    "tote_level": "tote_l",
    "fluid_temp": "fluid_c",
    "strainer_dp": "strainer_kpa",
    "output_timeout": "output_timeout_s",
    "estop_ok": "estop_ok",
    "liquid_in_vent": "liquid_in_vent",
    "meter_count": "count_raw",
    "meter_reverse_count": "reverse_raw",
}
_BOOLS = frozenset({"estop_ok", "liquid_in_vent"})


@dataclass(frozen=True, slots=True)
class Conversion:
    """A point's unit to the program's: value × factor + offset."""

    factor: float
    offset: float


def conversions(points: Mapping[str, Point]) -> dict[str, Conversion]:
    """Conversions of all points that have a unit."""
    found = {}
    for name, point in points.items():
        kind = QUANTITY_OF_POINT.get(name)
        if kind is not None:
            zero, one = parse(f"0 {point.quantity}", kind), parse(f"1 {point.quantity}", kind)
            found[name] = Conversion(one - zero, zero)
    return found


def reading_of(
    points: Mapping[str, Point],
    units: Mapping[str, Conversion],
    values: Mapping[str, Value],
    *,
    now_s: float,
    wall_s: float,
    began_s: float,
    stale_s: float,
    gap_s: float,
    journal_lag_s: float,
) -> Reading:
    """One reading of a scan that began at ``began_s``.

    A point that is older than ``stale_s`` (wall clock) or faulty is untrusted and ``None``.
    """
    fresh = {name: value for name, value in values.items() if wall_s - value.at_s <= stale_s and not value.fault}
    known: dict[str, object] = {}
    for name, attribute in _FIELDS.items():
        value = fresh.get(name)
        if value is not None:
            known[attribute] = _converted(name, value, units)
    seen = {name: bool(fresh[name].raw) for name in OUTPUTS if name in fresh and fresh[name].at_s >= began_s}
    both = seen.get("pump_run", False) and seen.get("pump_reverse", False)
    whole = {"pump_run", "pump_reverse"} <= set(seen)
    return Reading(
        now_s=now_s,
        reachable=all(name in values and wall_s - values[name].at_s <= stale_s for name in points),
        fresh=all(name in values and values[name].at_s >= began_s for name in points),
        outputs_seen=Outputs(**seen) if whole and not both else None,
        both_seen=both,
        untrusted=frozenset(points) - frozenset(fresh),
        late_s=gap_s,
        journal_lag_s=journal_lag_s,
        **known,  # type: ignore[arg-type]
    )


def _converted(name: str, value: Value, units: Mapping[str, Conversion]) -> object:
    if name in _BOOLS:
        return bool(value.raw)
    if name in COUNTS:
        return int(value.raw)
    unit = units[name]
    return value.scaled * unit.factor + unit.offset
