"""Summary of a configuration: the wiring, the limits, and what the rig cannot check."""

from __future__ import annotations

from rig.control.words.values import USUAL_U_KPA
from rig.field.blocks import plan_blocks
from rig.field.links import LineLink, Link, RtuLink
from rig.field.points import TcpLink
from rig.record.work import MeterKind
from rig.run.outputs import UNGUARDED, slow_buses, unguarded
from rig.run.settings import Settings
from rig.sentence import Sentence, Wording

_WITHOUT = {
    "estop_ok": Wording("summary.estop_ok", "cannot see the emergency stop; it must cut the pump supply by itself"),
    "output_timeout": Wording(
        "summary.output_timeout",
        "cannot arm the relay module's own time-out; a hung computer leaves the pump running",
    ),
    "tote_level": Wording(
        "summary.tote_level", "cannot see the tote run empty; it counts down from the content entered"
    ),
    "fluid_temp": Wording("summary.fluid_temp", "cannot measure the liquid's temperature; it uses the one entered"),
    "liquid_in_vent": Wording("summary.liquid_in_vent", "cannot see liquid in the vent line"),
    "tyre_pressure": Wording(
        "summary.tyre_pressure", "sees the tyre's pressure at the pump only, and truly only at rest"
    ),
}
_METERS: dict[MeterKind, Wording] = {
    "pulses": Wording("summary.pulses", "{k_factor:number} pulses per L"),
    "total": Wording("summary.total", "a totaliser"),
    "rate": Wording("summary.rate", "a flow rate, summed: every fill is marked estimated"),
    "scale": Wording(
        "summary.scale", "the scale under the tote, divisions of {division:number} kg: every fill is marked estimated"
    ),
    "tote level": Wording(
        "summary.level", "the tote's level, steps of {step:number} L: every fill is marked estimated"
    ),
    "run time": Wording("summary.run_time", "the pump's run time, the last resort: every fill is marked estimated"),
}
_NAMED = Wording("summary.named", "{name}: {kind} rig, air out by {method}")
_SIMULATED, _REAL = Wording("summary.simulated", "simulated"), Wording("summary.real", "REAL")
_WINDOW = Wording(
    "summary.window",
    "  window   floor {floor:pressure}, ceiling {ceiling:pressure}, trip {trip:pressure}, relief {relief:pressure}",
)
_PUMP = Wording(
    "summary.pump", "  pump     {flow:flow}; hose {hose:volume}; meter {meter}, factor {factor:number}, {proven}"
)
_PROVEN, _NOT_PROVEN = Wording("summary.proven", "proven {day}"), Wording("summary.not_proven", "NOT PROVEN")
_LINK = Wording("summary.link", "  link     {name}: {how}")
_POINT = Wording("summary.point", "  {name} {link} unit {unit} {table} {address} {kind}")
_FIELD = Wording("summary.field", "  {name} {link} field '{field}' of a line")
_CAUTION = Wording("summary.caution", "  CAUTION  {text}")
_MISSING = Wording("summary.without", "  without {name}: the rig {text}")


def check_text(settings: Settings) -> tuple[dict[str, object], str]:
    """The configuration's summary as a JSON document and text."""
    document = {"name": settings.rig.name, "simulated": settings.rig.simulated,
                "points": sorted([*settings.points, *settings.line_points]), "missing": _missing(settings),
                "cautions": _cautions(settings), "requests_per_scan": _requests(settings)}  # fmt: skip
    return document, "\n".join(check_lines(settings))


def check_lines(settings: Settings) -> list[Sentence]:
    """The summary line by line."""
    limits, pump, meter = settings.limits, settings.pump, settings.meter
    return [
        _NAMED(
            name=settings.rig.name,
            kind=_SIMULATED() if settings.rig.simulated else _REAL(),
            method=settings.air_out.method,
        ),
        _WINDOW(floor=limits.floor, ceiling=limits.ceiling, trip=limits.trip, relief=pump.relief),
        _PUMP(
            flow=pump.flow,
            hose=settings.pipe.hose_volume,
            meter=_meter_text(settings),
            factor=meter.meter_factor,
            proven=_PROVEN(day=meter.proven_on.isoformat()) if meter.proven_on else _NOT_PROVEN(),
        ),
        *(_LINK(name=name, how=_link_text(link)) for name, link in settings.links.items()),
        *_point_lines(settings),
        *(_CAUTION(text=text) for text in _cautions(settings)),
        *(_MISSING(name=name, text=text) for name, text in _missing(settings).items()),
    ]


def _point_lines(settings: Settings) -> list[Sentence]:
    found = []
    for name, point in settings.points.items():
        place = {"unit": str(point.unit), "table": point.table, "address": str(point.address)}
        kind = point.type if point.bit is None else f"bit {point.bit}"
        found.append(_POINT(name=f"{name:<20}", link=point.link, kind=kind, **place))
    for link_name, link in settings.links.items():
        if isinstance(link, LineLink):
            fields = link.fields.items()
            found += [_FIELD(name=f"{each.point:<20}", link=link_name, field=name) for name, each in fields]
    return found


def _missing(settings: Settings) -> dict[str, Sentence]:
    """What the rig cannot do without points that it does not have."""
    built_in = {"output_timeout"} if settings.limits.timeout_fixed else set()
    return {name: words() for name, words in _WITHOUT.items() if name not in {*settings.points, *built_in}}


def _cautions(settings: Settings) -> list[Sentence]:
    cautions = [UNGUARDED] if unguarded(settings) else []
    if blind := sorted(settings.points.keys() - settings.read.keys()):
        words = Wording(
            "summary.blind", "Not read back: {names}; a relay that does not obey shows by its effects only."
        )
        cautions.append(words(names=", ".join(blind)))
    return [*cautions, *slow_buses(settings), *_unstated(settings)]


def _unstated(settings: Settings) -> list[Sentence]:
    """Gauges whose accuracy the configuration does not state."""
    wired = {**settings.points, **settings.line_points}
    names = [name for name in ("line_pressure", "tyre_pressure") if name in wired and wired[name].u is None]
    words = Wording(
        "summary.unstated",
        "{name}: its accuracy is not stated; {assumed:pressure} is assumed. Write its data sheet's, for example "
        'accuracy = "0.5 %"',
    )
    return [words(name=name, assumed=USUAL_U_KPA) for name in names]


def _meter_text(settings: Settings) -> Sentence:
    table = settings.meter
    match table.kind:
        case "pulses":
            assert table.k_factor is not None
            return _METERS["pulses"](k_factor=table.k_factor)
        case "scale":
            return _METERS["scale"](division=table.division)
        case "tote level":
            return _METERS["tote level"](step=table.level_step)
        case kind:
            return _METERS[kind]()


def _link_text(link: Link) -> Sentence:
    if isinstance(link, TcpLink):
        words = (
            Wording("summary.rtu_over_tcp", "{host}:{port} carrying RTU frames{pace}")
            if link.framer == "rtu"
            else Wording("summary.tcp", "{host}:{port}{pace}")
        )
        return words(host=link.host, port=str(link.port), pace=_pace_text(link.scan))
    line = Wording("summary.serial", "{port} at {baud} baud, parity {parity}, {stop_bits} stop bit(s)")(
        port=link.port, baud=str(link.baud), parity=link.parity, stop_bits=str(link.stop_bits)
    )
    if isinstance(link, RtuLink):
        return Wording("summary.rtu", "Modbus RTU, {line}{pace}")(line=line, pace=_pace_text(link.scan))
    if link.poll:
        return Wording("summary.polled", "lines of text, {line}, polled with {poll}")(line=line, poll=repr(link.poll))
    return Wording("summary.unasked", "lines of text, {line}, sending by itself")(line=line)


def _pace_text(scan_s: float | None) -> str:
    return "" if scan_s is None else Wording("summary.pace", ", read every {scan:number} s")(scan=scan_s)


def _requests(settings: Settings) -> int:
    return sum(
        len(plan_blocks({n: p for n, p in settings.read.items() if p.link == name}, link.max_gap))
        for name, link in settings.buses.items()
    )
