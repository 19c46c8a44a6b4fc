"""A whole fill in virtual time: the controller's decisions against the simulated rig, without wires, waits or disk.

The same settings, point map, decoding and ``decide`` as over the wire; only the transport is a function call and the
clock a number. One scan is one step, so a fill of a quarter of an hour takes a fraction of a second.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from rig.control.decide import Decision, decide
from rig.control.procedure import ENDED
from rig.control.state import FillState, bases, new_fill, out_of_use
from rig.control.values import Outputs, Reading, Request, Setup
from rig.field.blocks import plan_blocks
from rig.field.codec import encode, unscaled
from rig.field.field import Value, value_of, value_of_field
from rig.field.lines import Line
from rig.field.links import LineLink
from rig.run.metering import Counter, MeterFace, faces
from rig.run.person import HANDS, Person, Unattended
from rig.run.readings import conversions, reading_of
from sim.assembly import plant_params
from sim.faults import Event, Schedule
from sim.lines import line_of
from sim.modules import Modules, Where
from sim.plant.whole import Plant

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping, Sequence

    from rig.field.points import Point
    from rig.run.settings import Settings

_END = "virtual"
_SETTLE_S = 1.0


class VirtualRig:
    """The simulated rig as its modules show it, in virtual time."""

    def __init__(self, settings: Settings, faults: Iterable[Event] = ()) -> None:
        self.settings = settings
        self.plant = Plant(plant_params(settings))
        endpoints = dict.fromkeys(settings.links, _END)
        self.modules = Modules(self.plant, settings.points, endpoints, {_END: 120}, Schedule(faults))
        self.now_s = _SETTLE_S
        self.values: dict[str, Value] = {}
        self.meters: Sequence[MeterFace] = (Counter(),)
        self._units = conversions(settings.quantities)
        self._blocks = tuple(
            block
            for name, link in settings.buses.items()
            for block in plan_blocks({n: p for n, p in settings.points.items() if p.link == name}, link.max_gap)
        )

    def advance(self, dt_s: float) -> None:
        """Let time pass."""
        self.now_s += dt_s
        self.modules.advance_to(self.now_s - _SETTLE_S)

    def scan(self, acting: int = 0, idle: Collection[str] = ()) -> Reading:
        """Read every point once; ``acting`` is the measure that counts, ``idle`` what nothing depends on."""
        upsets = self.plant.upsets
        if not (upsets.bus_silent or upsets.bus_exception or upsets.bus_late >= 1):
            for block in self._blocks:
                self.modules.asked(_END, block.unit)
                raws = self.modules.read(Where(_END, block.unit, block.table), block.address, block.count)
                for name in block.names:
                    point = self.settings.points[name]
                    start = point.address - block.address
                    self.values[name] = value_of(point, raws[start : start + point.registers], self.now_s)
            for link in self.settings.links.values():
                if isinstance(link, LineLink):
                    self._hear(link)
        return reading_of(
            self.settings.points,
            self._units,
            self.values,
            now_s=self.now_s,
            wall_s=self.now_s,
            began_s=self.now_s,
            stale_s=self.settings.limits.stale,
            gap_s=0.0,
            journal_lag_s=0.0,
            meters=self.meters,
            acting=acting,
            spoken=self.settings.line_points,
            idle=idle,
        )

    def _hear(self, link: LineLink) -> None:
        text = line_of(link, self.modules.shown)
        found = re.fullmatch(link.pattern, text)
        assert found is not None, f"{text!r} does not fit the pattern"
        line = Line(text, found.groupdict(), self.now_s)
        for name, each in link.fields.items():
            self.values[each.point] = value_of_field(name, each, line)

    def write(self, wanted: Mapping[str, bool]) -> None:
        """Write coils by name; names that the map does not have are passed over."""
        for name, on in wanted.items():
            point = self.settings.points.get(name)
            if point is not None:
                self._write(point, [int(on)])

    def arm(self, timeout_s: float) -> None:
        """Write the output module's time-out, where the map has one."""
        point = self.settings.points.get("output_timeout")
        if point is not None:
            unit = self._units["output_timeout"]
            raw = unscaled((timeout_s - unit.offset) / unit.factor, point)
            self._write(point, encode(raw, point.type, point.order))

    def _write(self, point: Point, raws: list[int]) -> None:
        upsets = self.plant.upsets
        if upsets.bus_silent or upsets.bus_exception:
            return
        self.modules.asked(_END, point.unit)
        if not upsets.write_ignored:
            self.modules.write(Where(_END, point.unit, point.table), point.address, raws)


@dataclass(slots=True)
class VirtualFill:
    """One fill on a virtual rig. ``watch`` sees every decision."""

    rig: VirtualRig
    setup: Setup
    person: Person = field(default_factory=Unattended)
    watch: Callable[[Decision], None] | None = None
    state: FillState | None = None
    _inbox: list[Request] = field(default_factory=list)

    def run(self, most_s: float = 4 * 3600.0, until: Callable[[Decision], bool] | None = None) -> Decision:
        """Run until the fill has ended, ``until`` says so, or ``most_s`` has passed; returns the last decision."""
        state = self.state or new_fill(self.setup)
        self.rig.meters = faces(self.rig.settings, self.setup.line, bases(self.setup, state))
        self.rig.arm(self.setup.timeout_s)
        end_s = self.rig.now_s + most_s
        while True:
            self.rig.advance(self.rig.settings.clock.scan)
            reading = self.rig.scan(state.measure, out_of_use(self.setup, state))
            decision = decide(self.setup, state, reading, self._requests())
            state = self.state = decision.state
            self.rig.write({name: getattr(decision.outputs, name) for name in Outputs.__dataclass_fields__})
            if self.watch is not None:
                self.watch(decision)
            self._inbox.extend(self.person.requests(self.setup, decision))
            ended = state.state in ENDED or self.person.gave_up or self.rig.now_s >= end_s
            if ended or (until is not None and until(decision)):
                return decision

    def ask(self, request: Request) -> None:
        """Put a request into the next scan, as a person would."""
        self._inbox.append(request)

    def _requests(self) -> Sequence[Request]:
        requests, self._inbox = self._inbox, []
        for request in requests:
            self.rig.write(dict(HANDS.get((request.kind, request.name), ())))
        return requests
