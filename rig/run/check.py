"""A configuration explained: what is wired where, what the limits are, what the rig cannot check without."""

from __future__ import annotations

import asyncio

from rig.field.blocks import plan_blocks
from rig.field.field import Field
from rig.run.loop import Unreachable
from rig.run.settings import Settings
from rig.units import show_flow, show_pressure, show_volume

_WITHOUT = {
    "estop_ok": "cannot see the emergency stop; it must cut the pump supply by itself",
    "output_timeout": "cannot arm the relay module's own time-out; a hung computer leaves the pump running",
    "tote_level": "cannot see the tote run empty; it counts down from the content entered",
    "fluid_temp": "cannot measure the liquid's temperature; it uses the one entered",
    "liquid_in_vent": "cannot see liquid in the vent line",
    "tyre_pressure": "sees the tyre's pressure at the pump only, and truly only at rest",
}


def check_text(settings: Settings) -> tuple[dict[str, object], str]:
    """What the configuration says: a JSON document and text."""
    missing = {name: text for name, text in _WITHOUT.items() if name not in settings.points}
    limits, pump = settings.limits, settings.pump
    lines = [
        f"{settings.rig.name}: {'simulated' if settings.rig.simulated else 'REAL'} rig, air out by "
        f"{settings.air_out.method}",
        f"  window   floor {show_pressure(limits.floor)}, ceiling {show_pressure(limits.ceiling)}, trip "
        f"{show_pressure(limits.trip)}, relief {show_pressure(pump.relief)}",
        f"  pump     {show_flow(pump.flow)}; hose {show_volume(settings.pipe.hose_volume)}; "
        f"meter {settings.meter.k_factor:g} pulses per L, factor {settings.meter.meter_factor:g}, "
        f"{f'proven {settings.meter.proven_on}' if settings.meter.proven_on else 'NOT PROVEN'}",
    ]
    for name, point in settings.points.items():
        lines.append(f"  {name:<20} {point.link} unit {point.unit} {point.table} {point.address} {point.type}")
    lines += [f"  without {name}: the rig {text}" for name, text in missing.items()]
    document = {"name": settings.rig.name, "simulated": settings.rig.simulated, "points": sorted(settings.points),
                "missing": missing, "requests_per_scan": _requests(settings)}  # fmt: skip
    return document, "\n".join(lines)


def _requests(settings: Settings) -> int:
    return sum(
        len(plan_blocks({n: p for n, p in settings.points.items() if p.link == name}, link.max_gap))
        for name, link in settings.links.items()
    )


async def live_text(settings: Settings) -> tuple[dict[str, object], str]:
    """Every point read once, with raw registers and age; raises Unreachable when a link does not answer."""
    field = Field(settings.links, settings.points)
    try:
        await field.scan()
    finally:
        field.close()
    if field.errors:
        raise Unreachable("; ".join(field.errors.values()))
    now_s = asyncio.get_running_loop().time()
    lines, points = [], {}
    for name, value in field.values.items():
        unit = settings.points[name].quantity
        age_s = now_s - value.at_s
        lines.append(
            f"  {name:<20} {value.scaled:>10g} {unit:<6} raw {list(value.registers)} age {age_s:.2f} s {value.fault}"
        )
        points[name] = {"value": value.scaled, "unit": unit, "registers": list(value.registers),
                        "age_s": round(age_s, 3), "fault": value.fault}  # fmt: skip
    return {"name": settings.rig.name, "points": points}, "\n".join([settings.rig.name, *lines])
