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
from rig.units import QuantityError, parse, referenced, unit_of


def wiring_faults(points: Mapping[str, Point], links: Mapping[str, Link]) -> list[str]:
    """A line for each mistake: key, what is wrong, what to write."""
    return [*_point_faults(points, links), *_field_faults(points, links), *_overlap_faults(points, links),
            *_port_faults(links)]  # fmt: skip


def pump_faults(points: Mapping[str, Point], *, by_hand: bool, settle_s: float | None) -> list[str]:
    """Report mixtures of forward and reverse contactors with run and direction, a line for each."""
    mine = sorted(DIRECTED.intersection(points))
    if not mine:
        stray = "pump.direction_settle: there is no points.motor_direction; leave it out"
        return [] if settle_s is None else [stray]
    faults = [
        f"points.{name}: missing; motor_run and motor_direction are wired together, or neither"
        for name in sorted(DIRECTED.difference(mine))
    ]
    faults += [
        f"points.{name}: the pump has points.{mine[0]} already; write pump_run and pump_reverse for a contactor each "
        "way, or motor_run and motor_direction for run and direction"
        for name in (FORWARD, REVERSE)
        if name in points
    ]
    if by_hand:
        faults.append(f"points.{mine[0]}: by hand the lever turns the pump; its supply is points.pump_run")
    if len({(points[name].link, points[name].unit) for name in mine}) > 1:
        faults.append(
            "points.motor_direction: on another module than motor_run; one that drops out alone would turn the "
            "direction while the pump runs; wire both to one module"
        )
    return faults


def _point_faults(points: Mapping[str, Point], links: Mapping[str, Link]) -> Iterator[str]:
    for name, point in points.items():
        where = f"points.{shown(name)}"
        if name not in POINT_NAMES:
            yield f"{where}: no point of this name is known{nearest(name, POINT_NAMES)}"
            continue
        link = links.get(point.link)
        if link is None:
            yield f"{where}.link: no link {point.link!r}; write one of {sorted(links)}"
        elif isinstance(link, LineLink):
            yield f"{where}.link: {point.link!r} sends lines; name the point in links.{shown(point.link)}.fields"
        if name in SWITCHED and (point.table not in ("coil", "holding") or point.type != "bool"):
            yield f"{where}.table: an output is a coil, or a holding register of type 'bool' that takes 1 and 0"
        if point.write_only and name not in SWITCHED:
            yield f"{where}.write_only: only an output is written; leave it out"
        if name in SWITCHED and point.bit is not None:
            yield f"{where}.bit: an output is written alone; give it a coil or a whole holding register"
        if point.inverted and name in SWITCHED | {"estop_ok"}:
            yield f"{where}.inverted: a broken wire must read as off, and never as ready; wire it the other way"
        yield from _instrument_faults(where, name, point)
        if name in COUNTS and (point.type not in ("u16", "i16", "u32", "i32") or point.scale != 1 or point.offset):
            yield f"{where}: a count is a whole number of pulses: u16, i16, u32 or i32 without scale or offset"
        elif name in QUANTITY_OF_POINT and point.type == "bool":
            yield f"{where}.type: a {QUANTITY_OF_POINT[name]} is a number; write u16, i16, u32, i32 or f32"
        else:
            yield from _quantity_faults(where, name, point.quantity)


def _instrument_faults(where: str, name: str, instrument: Instrument) -> Iterator[str]:
    if QUANTITY_OF_POINT.get(name) == "pressure":
        return
    stated = [key for key in ("noise", "damping", "accuracy", "zero_error", "resolution", "lag")
              if getattr(instrument, key) is not None]  # fmt: skip
    if stated:
        yield (
            f"{where}: only a pressure has {', '.join(stated)}; leave it out here. For a meter or a witness write "
            "meter.uncertainty or meter.beside"
        )


def _quantity_faults(where: str, name: str, quantity: str) -> Iterator[str]:
    kind = QUANTITY_OF_POINT.get(name)
    if kind is None:
        if quantity:
            yield f"{where}.quantity: this point is a plain number"
        return
    quantity, absolute = referenced(quantity) if kind == "pressure" else (quantity, False)
    if absolute and name == "strainer_dp":
        yield f"{where}.quantity: a difference of two pressures is neither gauge nor absolute; write {quantity!r}"
    try:
        # Only the kind of the unit matters here; the field applies its factor.
        parse(f"1 {quantity}", kind)
    except QuantityError:
        wanted = f"a unit of {kind}, for example {unit_of(kind)!r}"
        yield f"{where}.quantity: {quantity!r} is no unit of {kind}; write {wanted}"


def _field_faults(points: Mapping[str, Point], links: Mapping[str, Link]) -> Iterator[str]:
    taken = dict.fromkeys(points, "points")
    for link_name, link in links.items():
        for name, each in link.fields.items() if isinstance(link, LineLink) else ():
            where = f"links.{shown(link_name)}.fields.{shown(name)}"
            if each.point not in QUANTITY_OF_POINT or each.point == "output_timeout":
                allowed = set(QUANTITY_OF_POINT) - {"output_timeout"}
                yield f"{where}.point: no point {each.point!r} comes in a line{nearest(each.point, allowed)}"
                continue
            if each.point in taken:
                yield f"{where}.point: {each.point!r} stands in {taken[each.point]} already; read it from one place"
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
            f"points.{name}: shares {point.table} {at} of unit {point.unit} with points.{owner}; "
            "give each its own address"
            for at, owner in owners
            if owner != name
        )


def _port_faults(links: Mapping[str, Link]) -> Iterator[str]:
    taken: dict[str, str] = {}
    for name, link in links.items():
        if isinstance(link, SerialLine):
            owner = taken.setdefault(link.port, name)
            if owner != name:
                yield (
                    f"links.{shown(name)}.port: {link.port!r} is used by links.{shown(owner)}; devices on one bus "
                    "share one link and differ by unit"
                )


def least_scan_s(link: RtuLink, points: Mapping[str, Point]) -> float:
    """Least time on the wire of one read of all ``points``, without the devices' response times."""
    blocks = plan_blocks(points, link.max_gap)
    return link.least_s((block.count + 7) // 8 if block.table in BIT_TABLES else 2 * block.count for block in blocks)


def too_slow(name: str, link: Link, points: Mapping[str, Point], late_s: float) -> list[str]:
    """Report a bus that cannot read its points within their limit, however fast its devices are."""
    if not isinstance(link, RtuLink) or (least_s := least_scan_s(link, points)) <= late_s:
        return []
    return [
        f"links.{name}.late: this bus takes {1000 * least_s:.0f} ms for its points at {link.baud} baud, without the "
        f"devices' own time, and may take {1000 * late_s:.0f} ms; more baud, fewer points, or a longer late"
    ]


def timeout_faults(point: Point, wanted_s: float) -> list[str]:
    """Report a time-out that the output module's register cannot hold."""
    if point.table != "holding":
        return [f"points.output_timeout.table: the time-out is written; write 'holding', not {point.table!r}"]
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
    return [
        f"limits.output_timeout: {wanted_s:g} s cannot be written to points.output_timeout, which would hold "
        f"{set_s:g} s; choose a time that its type and scale can hold"
    ]
