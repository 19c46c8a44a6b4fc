"""Checks between points and links: names, links, units, shared addresses, ports used twice. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import product

from rig.field.blocks import plan_blocks
from rig.field.codec import EncodeError, decode, encode, scaled, unscaled
from rig.field.links import LineLink, Link, RtuLink, SerialLine
from rig.field.points import BIT_TABLES, Instrument, Point, TcpLink
from rig.field.turning import FORWARD, REVERSE
from rig.run.mistakes import nearest, shown
from rig.run.names import COUNTS, DIRECTED, POINT_NAMES, QUANTITY_OF_POINT, SWITCHED
from rig.sentence import Wording
from rig.units import QuantityError, parse, referenced, unit_of

_UNKNOWN = Wording("wiring.unknown", "{where}: no point of this name is known{near}")
_NO_LINK = Wording("wiring.no_link", "{where}.link: no link '{link}'; write one of {links}")
_SENDS_LINES = Wording(
    "wiring.sends_lines", "{where}.link: '{link}' sends lines; name the point in links.{link}.fields"
)
_NO_OUTPUT = Wording(
    "wiring.no_output", "{where}.table: an output is a coil, or a holding register of type 'bool' that takes 1 and 0"
)
_NOT_WRITTEN = Wording("wiring.not_written", "{where}.write_only: only an output is written; leave it out")
_NO_BIT = Wording(
    "wiring.no_bit", "{where}.bit: an output is written alone; give it a coil or a whole holding register"
)
_INVERTED = Wording(
    "wiring.inverted", "{where}.inverted: a broken wire must read as off, and never as ready; wire it the other way"
)
_NO_COUNT = Wording(
    "wiring.no_count", "{where}: a count is a whole number of pulses: u16, i16, u32 or i32 without scale or offset"
)
_NO_NUMBER = Wording("wiring.no_number", "{where}.type: a {kind} is a number; write u16, i16, u32, i32 or f32")
_ONLY_PRESSURE = Wording(
    "wiring.only_pressure",
    "{where}: only a pressure has {keys}; leave it out here. For a meter or a witness write meter.uncertainty or "
    "meter.beside",
)
_PLAIN = Wording("wiring.plain", "{where}.quantity: this point is a plain number")
_DIFFERENCE = Wording(
    "wiring.difference", "{where}.quantity: a difference of two pressures is neither gauge nor absolute; write '{unit}'"
)
_NO_UNIT = Wording(
    "wiring.no_unit", "{where}.quantity: '{unit}' is no unit of {kind}; write a unit of {kind}, for example '{example}'"
)
_NOT_IN_LINE = Wording("wiring.not_in_line", "{where}.point: no point '{name}' comes in a line{near}")
_TWICE = Wording("wiring.twice", "{where}.point: '{name}' stands in {other} already; read it from one place")
_SHARED = Wording(
    "wiring.shared", "points.{name}: shares {table} {at} of unit {unit} with points.{owner}; give each its own address"
)
_SAME_PORT = Wording(
    "wiring.same_port",
    "links.{name}.port: '{port}' is used by links.{owner}; devices on one bus share one link and differ by unit",
)


def wiring_faults(points: Mapping[str, Point], links: Mapping[str, Link]) -> list[str]:
    """A line for each mistake: key, what is wrong, what to write."""
    return [*_point_faults(points, links), *_field_faults(points, links), *_overlap_faults(points, links),
            *_port_faults(links)]  # fmt: skip


def pump_faults(points: Mapping[str, Point], *, by_hand: bool, settle_s: float | None) -> list[str]:
    """Report mixtures of forward and reverse contactors with run and direction, a line for each."""
    mine = sorted(DIRECTED.intersection(points))
    if not mine:
        stray = Wording(
            "wiring.no_direction", "pump.direction_settle: there is no points.motor_direction; leave it out"
        )
        return [] if settle_s is None else [stray()]
    both = Wording(
        "wiring.together", "points.{name}: missing; motor_run and motor_direction are wired together, or neither"
    )
    already = Wording(
        "wiring.already",
        "points.{name}: the pump has points.{other} already; write pump_run and pump_reverse for a contactor each "
        "way, or motor_run and motor_direction for run and direction",
    )
    faults: list[str] = [both(name=name) for name in sorted(DIRECTED.difference(mine))]
    faults += [already(name=name, other=mine[0]) for name in (FORWARD, REVERSE) if name in points]
    if by_hand:
        lever = Wording(
            "wiring.lever", "points.{name}: by hand the lever turns the pump; its supply is points.pump_run"
        )
        faults.append(lever(name=mine[0]))
    if len({(points[name].link, points[name].unit) for name in mine}) > 1:
        faults.append(
            Wording(
                "wiring.two_modules",
                "points.motor_direction: on another module than motor_run; one that drops out alone would turn the "
                "direction while the pump runs; wire both to one module",
            )()
        )
    return faults


def _point_faults(points: Mapping[str, Point], links: Mapping[str, Link]) -> Iterator[str]:
    for name, point in points.items():
        where = f"points.{shown(name)}"
        if name not in POINT_NAMES:
            yield _UNKNOWN(where=where, near=nearest(name, POINT_NAMES))
            continue
        link = links.get(point.link)
        if link is None:
            yield _NO_LINK(where=where, link=point.link, links=", ".join(sorted(links)))
        elif isinstance(link, LineLink):
            yield _SENDS_LINES(where=where, link=shown(point.link))
        if name in SWITCHED and (point.table not in ("coil", "holding") or point.type != "bool"):
            yield _NO_OUTPUT(where=where)
        if point.write_only and name not in SWITCHED:
            yield _NOT_WRITTEN(where=where)
        if name in SWITCHED and point.bit is not None:
            yield _NO_BIT(where=where)
        if point.inverted and name in SWITCHED | {"estop_ok"}:
            yield _INVERTED(where=where)
        yield from _instrument_faults(where, name, point)
        if name in COUNTS and (point.type not in ("u16", "i16", "u32", "i32") or point.scale != 1 or point.offset):
            yield _NO_COUNT(where=where)
        elif name in QUANTITY_OF_POINT and point.type == "bool":
            yield _NO_NUMBER(where=where, kind=QUANTITY_OF_POINT[name])
        else:
            yield from _quantity_faults(where, name, point.quantity)


def _instrument_faults(where: str, name: str, instrument: Instrument) -> Iterator[str]:
    if QUANTITY_OF_POINT.get(name) == "pressure":
        return
    stated = [key for key in ("noise", "damping", "accuracy", "zero_error", "resolution", "lag")
              if getattr(instrument, key) is not None]  # fmt: skip
    if stated:
        yield _ONLY_PRESSURE(where=where, keys=", ".join(stated))


def _quantity_faults(where: str, name: str, quantity: str) -> Iterator[str]:
    kind = QUANTITY_OF_POINT.get(name)
    if kind is None:
        if quantity:
            yield _PLAIN(where=where)
        return
    quantity, absolute = referenced(quantity) if kind == "pressure" else (quantity, False)
    if absolute and name == "strainer_dp":
        yield _DIFFERENCE(where=where, unit=quantity)
    try:
        # Only the kind of the unit matters here; the field applies its factor.
        parse(f"1 {quantity}", kind)
    except QuantityError:
        yield _NO_UNIT(where=where, unit=quantity, kind=kind, example=unit_of(kind))


def _field_faults(points: Mapping[str, Point], links: Mapping[str, Link]) -> Iterator[str]:
    taken = dict.fromkeys(points, "points")
    for link_name, link in links.items():
        for name, each in link.fields.items() if isinstance(link, LineLink) else ():
            where = f"links.{shown(link_name)}.fields.{shown(name)}"
            if each.point not in QUANTITY_OF_POINT or each.point == "output_timeout":
                allowed = set(QUANTITY_OF_POINT) - {"output_timeout"}
                yield _NOT_IN_LINE(where=where, name=each.point, near=nearest(each.point, allowed))
                continue
            if each.point in taken:
                yield _TWICE(where=where, name=each.point, other=taken[each.point])
            taken[each.point] = where
            yield from _instrument_faults(where, each.point, each)
            yield from _quantity_faults(where, each.point, each.quantity)


def _overlap_faults(points: Mapping[str, Point], links: Mapping[str, Link]) -> Iterator[str]:
    taken: dict[tuple[str, int, str, int, int], str] = {}
    for name, point in points.items():
        link = links.get(point.link)
        if link is None or isinstance(link, LineLink) or name not in POINT_NAMES:
            continue
        end = f"{link.host}:{link.port}" if isinstance(link, TcpLink) else link.port
        shelf = (end, point.unit, point.table)
        bits = range(16) if point.bit is None else (point.bit,)
        places = product(range(point.address, point.address + point.registers), bits)
        owners = dict.fromkeys((at, taken.setdefault((*shelf, at, bit), name)) for at, bit in places)
        yield from (
            _SHARED(name=name, table=point.table, at=str(at), unit=str(point.unit), owner=owner)
            for at, owner in owners
            if owner != name
        )


def _port_faults(links: Mapping[str, Link]) -> Iterator[str]:
    taken: dict[str, str] = {}
    for name, link in links.items():
        if isinstance(link, SerialLine):
            owner = taken.setdefault(link.port, name)
            if owner != name:
                yield _SAME_PORT(name=shown(name), port=link.port, owner=shown(owner))


def least_scan_s(link: RtuLink, points: Mapping[str, Point]) -> float:
    """Least time on the wire of one read of all ``points``, without the devices' response times."""
    blocks = plan_blocks(points, link.max_gap)
    return link.least_s((block.count + 7) // 8 if block.table in BIT_TABLES else 2 * block.count for block in blocks)


def too_slow(name: str, link: Link, points: Mapping[str, Point], late_s: float) -> list[str]:
    """Report a bus that cannot read its points within their limit, however fast its devices are."""
    if not isinstance(link, RtuLink) or (least_s := least_scan_s(link, points)) <= late_s:
        return []
    words = Wording(
        "wiring.slow",
        "links.{name}.late: this bus takes {least:number} ms for its points at {baud} baud, without the devices' own "
        "time, and may take {late:number} ms; more baud, fewer points, or a longer late",
    )
    return [words(name=name, least=round(1000 * least_s), baud=str(link.baud), late=round(1000 * late_s))]


def timeout_faults(point: Point, wanted_s: float) -> list[str]:
    """Report a time-out that the output module's register cannot hold."""
    if point.table != "holding":
        words = Wording(
            "wiring.timeout_table",
            "points.output_timeout.table: the time-out is written; write 'holding', not '{table}'",
        )
        return [words(table=point.table)]
    try:
        step_s = parse(f"1 {point.quantity}", "time")
        registers = encode(unscaled(wanted_s / step_s, point), point.type, point.order)
        set_s = scaled(decode(registers, point.type, point.order), point) * step_s
    except QuantityError:
        return []  # A wrong unit is reported by wiring_faults.
    except EncodeError:
        set_s = 0.0
    if wanted_s / 2 <= set_s <= wanted_s + 0.05:
        return []
    words = Wording(
        "wiring.timeout_step",
        "limits.output_timeout: {wanted:number} s cannot be written to points.output_timeout, which would hold "
        "{kept:number} s; choose a time that its type and scale can hold",
    )
    return [words(wanted=wanted_s, kept=set_s)]
