"""Conversion of the field's values to a reading: units converted, age and range checked, relays read back."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache

from rig.control.words.values import Outputs, Reading
from rig.field.values import Value
from rig.run.metering import Counter, MeterFace
from rig.run.names import MOVING, OUTPUTS, QUANTITY_OF_POINT
from rig.units import parse, referenced

_NUMBERS = {
    "line_pressure": "line_kpa",
    "tyre_pressure": "tyre_kpa",
    "tote_level": "tote_l",
    "fluid_temp": "fluid_c",
    "output_timeout": "output_timeout_s",
    "strainer_dp": "strainer_kpa",
}
_SWITCHES = {
    "estop_ok": "estop_ok",
    "liquid_in_vent": "liquid_in_vent",
    "stop_button": "stop_pressed",
    "start_button": "start_pressed",
    "tote_low": "tote_low",
    "tote_full": "tote_full",
}
"""Points, and their names in a reading."""
PULSES = (Counter(),)
_NONE: Mapping[str, float] = {}
_BOTH = frozenset({"pump_run", "pump_reverse"})


@dataclass(frozen=True, slots=True)
class Conversion:
    """A point's unit to the program's: value × factor + offset."""

    factor: float
    offset: float

    def of(self, scaled: float) -> float:
        """A value in the program's unit."""
        return scaled * self.factor + self.offset


def conversions(quantities: Mapping[str, str], atmosphere_kpa: float = 0.0) -> dict[str, Conversion]:
    """Conversions of all points that have a unit, by name; absolute pressures become gauge pressures."""
    found = {}
    for name, written in quantities.items():
        kind = QUANTITY_OF_POINT[name]
        unit, absolute = referenced(written) if kind == "pressure" else (written, False)
        zero, one = parse(f"0 {unit}", kind), parse(f"1 {unit}", kind)
        found[name] = Conversion(one - zero, zero - (atmosphere_kpa if absolute else 0.0))
    return found


def plant_s(values: Mapping[str, Value], units: Mapping[str, Conversion], began_s: float) -> float | None:
    """A simulated rig's own time, if it has one and has answered since ``began_s``."""
    value = values.get("plant_clock")
    if value is None or value.at_s < began_s:
        return None
    return value.scaled * units["plant_clock"].factor


def reading_of(
    points: Collection[str],
    units: Mapping[str, Conversion],
    values: Mapping[str, Value],
    *,
    now_s: float,
    wall_s: float,
    began_s: float,
    stale_s: float,
    own_stale_s: Mapping[str, float] = _NONE,
    gap_s: float,
    journal_lag_s: float,
    bus_s: float = 0.0,
    meters: Sequence[MeterFace] = PULSES,
    acting: int = 0,
    spoken: Collection[str] = (),
    idle: Collection[str] = (),
    unconfirmed: Collection[str] = (),
    unrenewed: Collection[str] = (),
    elsewhere: Collection[str] = (),
) -> Reading:
    """One reading of a scan that began at ``began_s``, of the ``points`` that every scan asks for.

    ``meters`` are the rig's measures and ``acting`` the one that counts. ``spoken`` points come at their device's pace:
    they may be old, but do not make a scan stale. ``idle`` points belong to nothing in use. ``unconfirmed`` outputs are
    commanded off but may be on, ``unrenewed`` ones are commanded on without acknowledgement, ``elsewhere`` are those
    switched from elsewhere. A point older than ``stale_s`` (wall clock; some have a limit of their own) or faulty is
    untrusted and ``None``.
    """
    own, every = _asked_for(frozenset(points), frozenset(spoken), frozenset(idle))
    limit_s = own_stale_s.get
    aged = {name for name, value in values.items() if not wall_s - value.at_s <= limit_s(name, stale_s)}
    doubted = aged | {name for name, value in values.items() if value.fault}
    fresh = {name: values[name] for name in values if name not in doubted} if doubted else values
    old = [name for name, value in values.items() if value.at_s < began_s]
    untrusted = every.difference(fresh)
    unread = own.intersection(old)
    counts = tuple([meter.take(fresh, now_s) for meter in meters])
    back = fresh.get("meter_reverse_count") if "meter_reverse_count" not in unread else None
    seen = {name: bool(fresh[name].raw) for name in OUTPUTS if name in fresh and fresh[name].at_s >= began_s}
    both = seen.get("pump_run", False) and seen.get("pump_reverse", False)
    relays = own & _BOTH
    whole = bool(relays) and relays <= seen.keys()
    return Reading(
        now_s=now_s,
        reachable=untrusted <= values.keys() and untrusted.isdisjoint(aged),
        fresh=own <= values.keys() and not unread,
        counts=_read(counts, meters, unread) if unread else counts,
        reverse_raw=None if back is None else int(back.raw),
        outputs_seen=_outputs(tuple(seen.items())) if whole and not both else None,
        both_seen=both,
        unconfirmed=MOVING.intersection(unconfirmed),
        unrenewed=MOVING.intersection(unrenewed),
        elsewhere=MOVING.intersection(elsewhere),
        untrusted=untrusted if counts[acting] is not None else untrusted | {"meter_count"},
        late_s=gap_s,
        bus_s=bus_s,
        journal_lag_s=journal_lag_s,
        **_known(fresh, units),  # type: ignore[arg-type]
    )


@lru_cache(maxsize=64)
def _asked_for(
    points: frozenset[str], spoken: frozenset[str], idle: frozenset[str]
) -> tuple[frozenset[str], frozenset[str]]:
    """Points asked for in every scan, and these plus those that come by themselves: constant throughout a fill."""
    return points - idle, (points | spoken) - idle


def _read(
    counts: tuple[int | None, ...], meters: Sequence[MeterFace], unread: Collection[str]
) -> tuple[int | None, ...]:
    """Only the counts that this scan read: an earlier one does not show what has passed since."""
    return tuple([None if meter.register in unread else count for meter, count in zip(meters, counts, strict=True)])


@cache
def _outputs(seen: tuple[tuple[str, bool], ...]) -> Outputs:
    """Relays as read back; cached, as there are few combinations."""
    return Outputs(**dict(seen))


def _known(fresh: Mapping[str, Value], units: Mapping[str, Conversion]) -> dict[str, float | bool]:
    """The valid values, by the reading's names, in the program's units."""
    found: dict[str, float | bool] = {}
    for name, attribute in _SWITCHES.items():
        if name in fresh:
            found[attribute] = bool(fresh[name].raw)
    for name, attribute in _NUMBERS.items():
        if name in fresh:
            found[attribute] = units[name].of(fresh[name].scaled)
    return found
