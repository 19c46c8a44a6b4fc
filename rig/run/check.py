"""Summary of a configuration: the wiring, the limits, and what the rig cannot check."""

from __future__ import annotations

from rig.control.values import USUAL_U_KPA
from rig.field.blocks import plan_blocks
from rig.field.links import LineLink, Link, RtuLink
from rig.field.points import TcpLink
from rig.record.work import MeterKind
from rig.run.outputs import UNGUARDED, slow_buses, unguarded
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
    """The configuration's summary as a JSON document and text."""
    missing = {name: text for name, text in _WITHOUT.items() if name not in settings.points}
    if settings.limits.timeout_fixed:
        del missing["output_timeout"]
    limits, pump = settings.limits, settings.pump
    lines = [
        f"{settings.rig.name}: {'simulated' if settings.rig.simulated else 'REAL'} rig, air out by "
        f"{settings.air_out.method}",
        f"  window   floor {show_pressure(limits.floor)}, ceiling {show_pressure(limits.ceiling)}, trip "
        f"{show_pressure(limits.trip)}, relief {show_pressure(pump.relief)}",
        f"  pump     {show_flow(pump.flow)}; hose {show_volume(settings.pipe.hose_volume)}; "
        f"meter {_meter_text(settings)}, factor {settings.meter.meter_factor:g}, "
        f"{f'proven {settings.meter.proven_on}' if settings.meter.proven_on else 'NOT PROVEN'}",
    ]
    lines += [f"  link     {name}: {_link_text(link)}" for name, link in settings.links.items()]
    for name, point in settings.points.items():
        kind = point.type if point.bit is None else f"bit {point.bit}"
        lines.append(f"  {name:<20} {point.link} unit {point.unit} {point.table} {point.address} {kind}")
    for link_name, link in settings.links.items():
        if isinstance(link, LineLink):
            lines += [f"  {each.point:<20} {link_name} field {name!r} of a line" for name, each in link.fields.items()]
    cautions: list[str] = [UNGUARDED] if unguarded(settings) else []
    if blind := sorted(settings.points.keys() - settings.read.keys()):
        cautions.append(f"Not read back: {', '.join(blind)}; a relay that does not obey shows by its effects only.")
    cautions += [*slow_buses(settings), *_unstated(settings)]
    lines += [f"  CAUTION  {text}" for text in cautions]
    lines += [f"  without {name}: the rig {text}" for name, text in missing.items()]
    points = sorted([*settings.points, *settings.line_points])
    document = {"name": settings.rig.name, "simulated": settings.rig.simulated, "points": points,
                "missing": missing, "cautions": cautions, "requests_per_scan": _requests(settings)}  # fmt: skip
    return document, "\n".join(lines)


def _unstated(settings: Settings) -> list[str]:
    """Gauges whose accuracy the configuration does not state."""
    wired = {**settings.points, **settings.line_points}
    names = [name for name in ("line_pressure", "tyre_pressure") if name in wired and wired[name].u is None]
    return [
        f"{name}: its accuracy is not stated; {show_pressure(USUAL_U_KPA)} is assumed. Write its data sheet's, "
        'for example accuracy = "0.5 %"'
        for name in names
    ]


def _meter_text(settings: Settings) -> str:
    table = settings.meter
    if table.kind == "pulses":
        return f"{table.k_factor:g} pulses per L"
    words: dict[MeterKind, str] = {
        "total": "a totaliser",
        "rate": "a flow rate, summed: every fill is marked estimated",
        "scale": f"the scale under the tote, divisions of {table.division:g} kg: every fill is marked estimated",
        "tote level": f"the tote's level, steps of {table.level_step:g} L: every fill is marked estimated",
        "run time": "the pump's run time, the last resort: every fill is marked estimated",
    }
    return words[table.kind]


def _link_text(link: Link) -> str:
    if isinstance(link, TcpLink):
        return f"{link.host}:{link.port}{' carrying RTU frames' if link.framer == 'rtu' else ''}{_pace_text(link.scan)}"
    line = f"{link.port} at {link.baud} baud, parity {link.parity}, {link.stop_bits} stop bit(s)"
    if isinstance(link, RtuLink):
        return f"Modbus RTU, {line}{_pace_text(link.scan)}"
    return f"lines of text, {line}, {f'polled with {link.poll!r}' if link.poll else 'sending by itself'}"


def _pace_text(scan_s: float | None) -> str:
    return "" if scan_s is None else f", read every {scan_s:g} s"


def _requests(settings: Settings) -> int:
    return sum(
        len(plan_blocks({n: p for n, p in settings.read.items() if p.link == name}, link.max_gap))
        for name, link in settings.buses.items()
    )
