"""The search for modules: serial ports by speed, parity and unit, network hosts by port and unit. It only reads. Pure.

Time is what the reads took. The search stops when its time is up, and says what it has not looked at.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from rig.commission.acts import Peek, Seen, Talk
from rig.commission.wires import BusLink, Module, Span, Wire
from rig.field.blocks import Block
from rig.field.links import Parity, RtuLink
from rig.field.points import BIT_TABLES, Table, TcpLink

_SPEEDS = (9600, 19200, 115200, 38400, 57600, 4800, 2400)
_LINES: tuple[tuple[int, Parity, int], ...] = (
    (9600, "N", 1), (19200, "E", 1),
    *((baud, parity, 1) for parity in ("N", "E", "O") for baud in _SPEEDS if (baud, parity) not in
      ((9600, "N"), (19200, "E"))),
    *((baud, "N", 2) for baud in _SPEEDS),
)  # fmt: skip
"""Line settings in the order in which they are tried: those of most modules as shipped, the standard's, all others."""
_USUAL_LINES, _SLOW_S = _LINES[:5], 0.6
TCP_PORTS = (502, 503, 1502, 5020, 4001, 8899, 10001)
"""Ports on which Modbus devices and serial gateways listen as shipped. Common practice, no source."""
FIRST_UNITS = tuple(range(1, 17))
_ALL_UNITS = range(1, 248)
"""Unit numbers of a serial line (Modbus over serial line V1.02, section 2.2)."""
_DIRECT_UNITS = (1, 255, 0)
"""Units by which a device on the network answers for itself (Modbus messaging on TCP/IP V1.0b, section 4.4.2)."""
_STRAYS = (113, 201)
"""Units that hardly anybody sets: a device that answers as both does not look at the number."""
_TABLES: tuple[Table, ...] = ("input", "holding", "discrete", "coil")
_CHUNK, _PART = 64, 8
_LANDMARKS = (100, 128, 200, 256, 300, 400, 500, 512, 768, 1000, 1024, 2000, 2048, 3000, 4000, 4096, 5000, 8192,
              10000, 16384, 20000, 30000, 32768, 40000, 49152)  # fmt: skip
"""Addresses at which makers begin a group. Common practice, no source."""
_SWEPT = 1024
_MOST = 512
"""Places of one table that are followed."""
_NO_FUNCTION = 1
_OPENING_S = 0.05
"""What a silent read takes besides the wait: the port is opened anew. Assumed, no source."""
_GIVES_UP = 3
"""Silent answers in a row after which a module is left."""


@dataclass(slots=True)
class Looking:
    """How the search goes: where, for how long, and what it has used up."""

    patience_s: float = 0.15
    """Wait for one answer."""
    module_s: float = 20.0
    """Longest look at one module's addresses."""
    budget_s: float = 600.0
    units: tuple[int, ...] = FIRST_UNITS
    used_s: float = 0.0
    skipped: list[str] = field(default_factory=list)

    @property
    def over(self) -> bool:
        """Whether the time is up."""
        return self.used_s >= self.budget_s

    def most_s(self, ports: int, hosts: int) -> float:
        """The longest time that the search takes, the look at the modules' addresses not counted."""
        silence_s = self.patience_s + _OPENING_S
        serial = (len(_LINES) * len(self.units) + len(_ALL_UNITS)) * silence_s
        serial += (len(_USUAL_LINES) * len(self.units) + len(_ALL_UNITS)) * (_SLOW_S + _OPENING_S)
        network = (2 * len(TCP_PORTS) + 3 * (len(self.units) + 8)) * silence_s
        return min(self.budget_s, ports * serial + hosts * network)


def _peek(looking: Looking, link: BusLink, unit: int, table: Table, address: int, count: int) -> Talk[Seen]:
    seen: Seen = yield Peek(link, Block(unit, table, address, count, ()))
    looking.used_s += seen.took_s
    return seen


# --- modules ----------------------------------------------------------------------------------------------------------


def on_port(looking: Looking, port: str) -> Talk[tuple[RtuLink, list[int]] | str]:
    """The line settings of a serial port and the units that answer on it; or why there are none.

    Where nothing answers, the usual settings are tried again with time between two requests: a slow device, or one
    that takes the next request for another unit's answer, as a server on libmodbus does for half a second.
    """
    why = f"nothing answers as unit {looking.units[0]} to {looking.units[-1]}"
    slow_s = max(looking.patience_s, _SLOW_S)
    for wait_s, lines in ((looking.patience_s, _LINES), (slow_s, _USUAL_LINES)):
        for baud, parity, stop_bits in lines:
            link = RtuLink.model_validate({
                "kind": "rtu", "port": port, "baud": baud, "parity": parity, "stop_bits": stop_bits,
                "timeout": f"{wait_s} s",
            })  # fmt: skip
            units = yield from _units_on(looking, link)
            if isinstance(units, str):
                # It may be these settings that the adapter does not know.
                why = units
            elif units:
                rest = [unit for unit in _ALL_UNITS if unit not in looking.units]
                return link, units + (yield from _more_units(looking, link, rest))
            if looking.over:
                return f"{port}: the time was up at {baud} baud, parity {parity}"
    return f"{port}: {why}"


def _units_on(looking: Looking, link: RtuLink) -> Talk[list[int] | str]:
    """The first units that answer with these settings; or why the port cannot be used with them."""
    units = list[int]()
    for unit in looking.units:
        if looking.over:
            break
        seen = yield from _peek(looking, link, unit, "holding", 0, 1)
        if seen.kind == "closed":
            return seen.why
        units += [unit] if _is_there(seen) else []
    return units


def on_host(looking: Looking, host: str, ports: Iterable[int]) -> Talk[tuple[TcpLink, list[int]] | str]:
    """The port of a host on which modules answer, and their units; or why there are none."""
    why = f"{host}: no usual port is open"
    for port in ports:
        for framer in ("tcp", "rtu"):
            link = TcpLink.model_validate({
                "kind": "tcp", "host": host, "port": port, "framer": framer, "timeout": f"{looking.patience_s} s",
            })  # fmt: skip
            first = yield from _peek(looking, link, _DIRECT_UNITS[0], "holding", 0, 1)
            if first.kind == "closed" or looking.over:
                break
            units = [_DIRECT_UNITS[0]] if _is_there(first) else []
            rest = [*_DIRECT_UNITS[1:], *(unit for unit in looking.units if unit not in _DIRECT_UNITS)]
            units += yield from _more_units(looking, link, rest)
            if units:
                return link, (yield from _not_for_all(looking, link, units))
            why = f"{host}:{port}: it is open, and nothing answers there"
    return why


def _is_there(seen: Seen) -> bool:
    """Whether a unit answers, if only to refuse."""
    return seen.kind in ("values", "refused")


def _more_units(looking: Looking, link: BusLink, units: Sequence[int]) -> Talk[list[int]]:
    found = []
    for unit in units:
        if looking.over:
            looking.skipped.append(f"units {unit} to {units[-1]}")
            break
        if _is_there((yield from _peek(looking, link, unit, "holding", 0, 1))):
            found.append(unit)
    return found


def _not_for_all(looking: Looking, link: TcpLink, units: list[int]) -> Talk[list[int]]:
    """The units, or the first alone where the device gives the same numbers whatever the unit."""
    kinds = set()
    for unit in _STRAYS:
        kinds.add((yield from _peek(looking, link, unit, "holding", 0, 1)).kind)
    return units[:1] if kinds == {"values"} else units


# --- addresses --------------------------------------------------------------------------------------------------------


def module_of(looking: Looking, link: BusLink, unit: int) -> Talk[Module]:
    """The places that a unit answers, as far as the time goes: the first ones, landmarks, then all up to 1023."""
    ends_s = looking.used_s + looking.module_s
    shelves = {table: _Shelf(looking, link, unit, table) for table in _TABLES}
    looks = [(table, range(_CHUNK)) for table in _TABLES]
    looks += [(table, range(at, at + 1)) for at in _LANDMARKS for table in _TABLES]
    looks += [(table, range(at, at + _PART)) for at in range(_CHUNK, _SWEPT, _PART) for table in _TABLES]
    for table, span in looks:
        if looking.used_s >= ends_s or any(shelf.silent >= _GIVES_UP for shelf in shelves.values()):
            break
        yield from shelves[table].examine(span)
    return Module(unit=unit, spans=tuple(_spans({table: shelf.found for table, shelf in shelves.items()})))


@dataclass(slots=True)
class _Shelf:
    """One table of a unit: which places were tried, and which answer."""

    looking: Looking
    link: BusLink
    unit: int
    table: Table
    found: set[int] = field(default_factory=set)
    tried: set[int] = field(default_factory=set)
    silent: int = 0
    missing: bool = False
    """The unit has no such table."""

    def examine(self, span: range) -> Talk[None]:
        """Try a span, and what follows the places that answer, until a whole part of places does not."""
        while span and len(self.found) < _MOST:
            before = len(self.found)
            yield from self._try(span)
            if len(self.found) == before:
                return
            span = range(span.stop, min(span.stop + _PART, 65536))

    def _try(self, span: range) -> Talk[None]:
        """Read what was not tried of a span at once, or in parts and then place by place where that is refused."""
        fresh = [at for at in span if at not in self.tried]
        if not fresh or self.missing:
            return
        first, last = fresh[0], fresh[-1]
        seen = yield from _peek(self.looking, self.link, self.unit, self.table, first, last - first + 1)
        self.silent = self.silent + 1 if seen.kind == "silent" else 0
        self.missing = seen.kind == "refused" and seen.code == _NO_FUNCTION
        if seen.kind == "values":
            self.found |= set(fresh)
        elif seen.kind == "refused" and not self.missing and last > first:
            size = _PART if last - first >= _PART else 1
            for begin in range(first, last + 1, size):
                yield from self._try(range(begin, min(begin + size, last + 1)))
        self.tried |= set(fresh)


def _spans(found: dict[Table, set[int]]) -> Iterator[Span]:
    for table, addresses in found.items():
        run = list[int]()
        for at in [*sorted(addresses), None]:
            if run and (at is None or at != run[-1] + 1):
                yield Span(table=table, address=run[0], count=len(run))
                run = []
            run += [] if at is None else [at]


def with_span(module: Module, span: Span) -> Module:
    """A module with further places."""
    found: dict[Table, set[int]] = {}
    for each in (*module.spans, span):
        found.setdefault(each.table, set()).update(range(each.address, each.address + each.count))
    return Module(unit=module.unit, spans=tuple(_spans(found)))


def wire_text(name: str, wire: Wire) -> str:
    """What was found on a link, a line for each module."""
    link = wire.link
    where = (
        f"{link.port} at {link.baud} baud, parity {link.parity}, {link.stop_bits} stop bit(s)"
        if isinstance(link, RtuLink)
        else f"{link.host}:{link.port}{', RTU frames' if link.framer == 'rtu' else ''}"
    )
    lines = [f"  {name}: {where}"]
    for module in wire.modules:
        spans = ", ".join(_span_text(span) for span in module.spans)
        lines.append(f"    unit {module.unit}: {spans or 'answers, and refuses every address that was tried'}")
    return "\n".join(lines)


def _span_text(span: Span) -> str:
    last = span.address + span.count - 1
    kind = "bit" if span.table in BIT_TABLES else "register"
    return f"{span.table} {span.address}{'' if span.count == 1 else f' to {last}'} ({span.count} {kind}s)"
