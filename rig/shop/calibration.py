"""The meter factor in force, from journal and configuration, and changes since the last start.

The factor in force is that of the latest accepted proving in the journal, not declared void, of this meter (its kind
and point, and for a pulse meter its pulses per litre), unless the configuration states a ``meter_factor`` that was
entered after that proving, by the order of the journal, with a ``proven_on``. No clock decides: a proving is valid
however it is dated. Only a proving with a trusted date takes precedence over a ``proven_on`` that is not later. A
configuration without ``proven_on`` never takes precedence over a proving.

Settings that affect the count are compared with those at the last start; a difference is a journal event.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

from rig.fluid import Fluid
from rig.ledger.journal import EventKind, Journal, StoredEvent, StoredProving
from rig.ledger.moment import local_day
from rig.meter.liquid import why_widened, widening_percent
from rig.meter_kind import KINDS
from rig.record.work import MeterFacts
from rig.run.names import METER_POINT
from rig.run.settings import Settings
from rig.sentence import Wording

Source = Literal["proving", "configuration", "nothing"]
Points = tuple[tuple[float, float], ...]

_CALIBRATION = (
    "meter.k_factor", "meter.meter_factor", "meter.proven_on", "meter.uncertainty", "meter.step", "meter.division",
)  # fmt: skip
"""Keys that convert pulses to litres; other keys that affect the count are of the kind configuration."""
_WHOLE_TABLES = ("meter", "fluids")
_SINGLE_KEYS = {"pipe": ("hose_volume", "suction_volume"), "rig": ("atmosphere",),
                "pump": ("flow", "slip", "start_lag", "coast")}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Standing:
    """The factor in force and its source."""

    factor: float
    source: Source
    on: str | None
    """Day of its proving, ISO; None if the meter is not proven."""
    by: str
    u_percent: float
    """Of one delivery, at 95 %."""
    runs: int | None
    proving: int | None
    """Its number in the journal."""
    since: str | None
    """Fills opened after this moment (ISO, UTC) were metered with it."""
    curve: Points = ()
    after_fill: int | None = None
    """Number of the last fill before the proving; None if unknown."""
    liquid: str = ""
    """The liquid of the proving; empty if unknown."""
    mpas: tuple[float, float] | None = None
    """Viscosities of the proving; None if unknown."""
    why: str = ""
    """Why ``u_percent`` is wider than at the proving; empty where it is not."""


_WITH_PLATE = Wording("meter.with_plate", "{kind} at {point}, {k_factor:number} pulses per L")
_AT_POINT = Wording("meter.at_point", "{kind} at {point}")


def meter_name(settings: Settings) -> str:
    """Identity of this meter: a proving applies to one meter only."""
    table = settings.meter
    point = METER_POINT.get(table.kind)
    if point is None:
        return table.kind
    if table.kind == "pulses" and table.k_factor:
        return _WITH_PLATE(kind=table.kind, point=point, k_factor=table.k_factor)
    return _AT_POINT(kind=table.kind, point=point)


def meter_said(name: str) -> str:
    """A stored identity of a meter as the sentence that it was."""
    return _WITH_PLATE.read(name) or _AT_POINT.read(name) or name


def standing(settings: Settings, provings: Sequence[StoredProving], events: Sequence[StoredEvent]) -> Standing:
    """The factor in force, by the rule of this module, from the whole journal, oldest first."""
    name, table = meter_name(settings), settings.meter
    last = next((each for each in reversed(provings) if each.counts and each.meter == name), None)
    if last is not None and not _stated_after(settings, last, events):
        return _of_proving(last)
    usual = KINDS[table.kind].u_percent if table.uncertainty is None else table.uncertainty
    on = None if table.proven_on is None else table.proven_on.isoformat()
    return Standing(
        factor=table.meter_factor,
        source="nothing" if on is None else "configuration",
        on=on,
        by="",
        u_percent=usual,
        runs=None,
        proving=None,
        since=on,
    )


_STATED = ("meter.meter_factor", "meter.proven_on")


def _stated_after(settings: Settings, proving: StoredProving, events: Sequence[StoredEvent]) -> bool:
    """Whether the configuration's factor was entered after a proving."""
    on = settings.meter.proven_on
    if on is None:
        return False
    if proving.check.clock != "not believed" and on <= date.fromisoformat(local_day(proving.at)):
        return False
    now, before, entered, proven = rests_on(settings), None, -1, -1
    for place, event in enumerate(events):
        if event.what.get("proving") == proving.number:
            proven = place
        seen = event.what.get("settings")
        if isinstance(seen, dict) and (stated := [seen.get(key) for key in _STATED]) != before:
            entered, before = place, stated
    if before != [now[key] for key in _STATED]:
        entered = len(events)
    return entered > proven


def _of_proving(stored: StoredProving) -> Standing:
    found = stored.check
    assert found.u_delivery_percent is not None, "an accepted proving has more than one run"
    return Standing(
        factor=found.factor,
        source="proving",
        on=local_day(stored.at),
        by=found.by or "",
        u_percent=found.u_delivery_percent,
        runs=len(found.factors),
        proving=stored.number,
        since=stored.at,
        after_fill=found.after_fill,
        curve=found.curve,
        liquid=found.fluid,
        mpas=found.viscosity_mpas,
    )


def for_liquid(settings: Settings, found: Standing, fluid: Fluid, temp_c: float) -> Standing:
    """The factor in force for another liquid than the proven one: its uncertainty is wider outside the proven band."""
    if found.source != "proving" or found.mpas is None or not KINDS[settings.meter.kind].in_line:
        return found
    mechanism, mpas = settings.meter.mechanism, fluid.viscosity_mpas(fluid.liquid_c(temp_c))
    added = widening_percent(mechanism, found.mpas, mpas)
    why = why_widened(mechanism, found.liquid, found.mpas, mpas)
    return replace(found, u_percent=math.hypot(found.u_percent, added), why=why)


def with_factor(settings: Settings, found: Standing) -> Settings:
    """The settings with the factor in force in the meter's table."""
    if found.source != "proving":
        return settings
    assert found.on is not None
    changes = {
        "meter_factor": found.factor, "proven_on": date.fromisoformat(found.on), "uncertainty": found.u_percent,
    }  # fmt: skip
    return settings.model_copy(update={"meter": settings.meter.model_copy(update=changes)})


def meter_facts(found: Standing, counts: Mapping[EventKind, int]) -> MeterFacts:
    """What every record states of its meter besides the factor itself."""
    return MeterFacts(
        meter_factor_on=found.on,
        meter_factor_u_percent=found.u_percent,
        meter_factor_why=found.why or None,
        calibration_events=counts["calibration"],
        configuration_events=counts["configuration"],
    )


# --- what changed ---------------------------------------------------------------------------------------------------


def rests_on(settings: Settings) -> dict[str, object]:
    """All settings that affect the count, by dotted key."""
    document = settings.model_dump(mode="json")
    found: dict[str, object] = {}
    for table in _WHOLE_TABLES:
        found |= dotted(document[table], table)
    for table, keys in _SINGLE_KEYS.items():
        found |= {f"{table}.{key}": document[table][key] for key in keys}
    for name in ("meter_count", "meter_reverse_count", METER_POINT.get(settings.meter.kind, "")):
        found |= dotted(document["points"].get(name, {}), f"points.{name}")
    return found


def dotted(value: object, at: str = "") -> dict[str, object]:
    """Every key of nested tables as a dotted path, with its value."""
    if not isinstance(value, dict):
        return {at: value}
    return {
        key: each for name, inner in value.items() for key, each in dotted(inner, f"{at}.{name}".strip(".")).items()
    }


def changes(before: Mapping[str, object], after: Mapping[str, object]) -> dict[str, object]:
    """Keys whose values differ, each with the old and the new one."""
    keys = sorted({*before, *after})
    return {key: [before.get(key), after.get(key)] for key in keys if before.get(key) != after.get(key)}


def note_changes(journal: Journal, settings: Settings, at: str, by: str) -> None:
    """Write an event for changes since the last start: at most one of each kind, none without a change."""
    now = rests_on(settings)
    seen = next((event.what["settings"] for event in reversed(journal.events()) if "settings" in event.what), None)
    if not isinstance(seen, dict):
        journal.append_event("configuration", at, by, {"changed": {}, "why": "first seen", "settings": now})
        return
    changed = changes(seen, now)
    for kind in ("calibration", "configuration"):
        own = {key: pair for key, pair in changed.items() if (key in _CALIBRATION) == (kind == "calibration")}
        if own:
            journal.append_event(kind, at, by, {"changed": own, "settings": now})
