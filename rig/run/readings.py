"""From the field's values to the controller's reading: units converted, age and range judged, relays read back."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from rig.control.values import Outputs, Reading
from rig.field.field import Value
from rig.run.metering import Counter, MeterFace
from rig.run.names import OUTPUTS, QUANTITY_OF_POINT
from rig.units import parse

_FIELDS = {
    "line_pressure": "line_kpa",
    "tyre_pressure": "tyre_kpa",
    "tote_level": "tote_l",
    "fluid_temp": "fluid_c",
    "output_timeout": "output_timeout_s",
    "estop_ok": "estop_ok",
    "liquid_in_vent": "liquid_in_vent",
    "stop_button": "stop_pressed",
    "start_button": "start_pressed",
    "strainer_dp": "strainer_kpa",
}
_PULSES = (Counter(),)
_BOOLS = frozenset({"estop_ok", "liquid_in_vent", "stop_button", "start_button"})


@dataclass(frozen=True, slots=True)
class Conversion:
    """A point's unit to the program's: value × factor + offset."""

    factor: float
    offset: float


def conversions(quantities: Mapping[str, str]) -> dict[str, Conversion]:
    """Conversions of all points that have a unit, by name."""
    found = {}
    for name, unit in quantities.items():
        kind = QUANTITY_OF_POINT[name]
        zero, one = parse(f"0 {unit}", kind), parse(f"1 {unit}", kind)
        found[name] = Conversion(one - zero, zero)
    return found


def reading_of(
    points: Collection[str],
    units: Mapping[str, Conversion],
    values: Mapping[str, Value],
    *,
    now_s: float,
    wall_s: float,
    began_s: float,
    stale_s: float,
    gap_s: float,
    journal_lag_s: float,
    meters: Sequence[MeterFace] = _PULSES,
    acting: int = 0,
    spoken: Collection[str] = (),
    idle: Collection[str] = (),
) -> Reading:
    """One reading of a scan that began at ``began_s``, of the ``points`` that are asked for in every scan.

    ``meters`` are the rig's measures and ``acting`` the one that counts. ``spoken`` points come when their device
    speaks: they may be old, but do not make a scan stale. ``idle`` points belong to nothing in use. A point that is
    older than ``stale_s`` (wall clock) or faulty is untrusted and ``None``.
    """
    points = [name for name in points if name not in idle]
    fresh = {name: value for name, value in values.items() if wall_s - value.at_s <= stale_s and not value.fault}
    every = [*points, *(name for name in spoken if name not in idle)]
    counts = tuple(meter.take(fresh, now_s) for meter in meters)
    uncounted = {"meter_count"} if counts[acting] is None else set()
    back = fresh.get("meter_reverse_count")
    known: dict[str, object] = {"counts": counts, "reverse_raw": None if back is None else int(back.raw)}
    for name, attribute in _FIELDS.items():
        value = fresh.get(name)
        if value is not None:
            known[attribute] = _converted(name, value, units)
    seen = {name: bool(fresh[name].raw) for name in OUTPUTS if name in fresh and fresh[name].at_s >= began_s}
    both = seen.get("pump_run", False) and seen.get("pump_reverse", False)
    relays = {"pump_run", "pump_reverse"} & set(points)
    whole = bool(relays) and relays <= set(seen)
    return Reading(
        now_s=now_s,
        reachable=all(name in values and wall_s - values[name].at_s <= stale_s for name in every),
        fresh=all(name in values and values[name].at_s >= began_s for name in points),
        outputs_seen=Outputs(**seen) if whole and not both else None,
        both_seen=both,
        untrusted=frozenset(every) - frozenset(fresh) | uncounted,
        late_s=gap_s,
        journal_lag_s=journal_lag_s,
        **known,  # type: ignore[arg-type]
    )


def _converted(name: str, value: Value, units: Mapping[str, Conversion]) -> object:
    if name in _BOOLS:
        return bool(value.raw)
    unit = units[name]
    return value.scaled * unit.factor + unit.offset
