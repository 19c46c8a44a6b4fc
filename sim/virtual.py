"""A whole fill in virtual time: the controller's decisions against the simulated rig, without transport, waits or disk.

Settings, point map, decoding and ``decide`` are those used over the wire; only the transport is a function call and
the clock a number. One scan is one step, so a fill of a quarter of an hour takes a fraction of a second.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from operator import attrgetter
from typing import Protocol

from rig.control.belief.state import FillState, bases, in_tyre_l, new_fill, out_of_use
from rig.control.moves.decide import Decision, decide
from rig.control.words.procedure import ENDED, Phase
from rig.control.words.values import Outputs, Reading, Request, Setup
from rig.field.blocks import plan_blocks
from rig.field.codec import encode, unscaled
from rig.field.field import LATE
from rig.field.kept import Kept
from rig.field.lines import Line
from rig.field.links import LineLink
from rig.field.points import Point
from rig.field.values import Value, places, take, value_of_field
from rig.run.metering import Counter, MeterFace, faces
from rig.run.names import FEEDBACK, SIMULATED, SWITCHED
from rig.run.outputs import proven_of
from rig.run.person import Person, Unattended
from rig.run.readings import conversions, reading_of
from rig.run.settings import Settings
from sim.assembly import plant_params
from sim.faults import Event, Schedule
from sim.hands import moves
from sim.lines import line_of
from sim.modules import Modules, Where
from sim.plant.whole import Plant

_END = "virtual"
_SETTLE_S = 1.0
_RENEW_S = 0.5
"""Interval of rewriting coils, as over the wire."""
_REFUSES_S = 1.0
"""Time-out of a module that does not execute an off; then it gets no requests, as over the wire."""
_LONG_STEP_S = 0.25
"""Step length in a steady state."""
_SETTLED_S = 2.5
"""Time that a move must run before the step may be longer."""
_NEAR_S = 2.0
"""Time before the end of a move from which the rig's own scan time is used; a quarter of it for a timed vent."""
_OUTPUTS = tuple(each.name for each in fields(Outputs))
_relays = attrgetter(*_OUTPUTS)
_STEADY = (Phase.FILL, Phase.DRAW_DOWN, Phase.VENT)


class Tape(Protocol):
    """Gets all that is decided on."""

    def scan(self, before: FillState, reading: Reading, requests: Sequence[Request], decision: Decision) -> None:
        """One scan, with the state before it."""

    def taken_up(self, state: FillState, reading: Reading, ran_s: float) -> None:
        """An interruption: what the state after it is made of."""


@dataclass(slots=True)
class _Coil:
    """An output, and its last written value."""

    point: Point
    where: Where
    on: bool | None = None
    at_s: float = 0.0


class VirtualRig:
    """The simulated rig as its modules show it, in virtual time."""

    def __init__(
        self, settings: Settings, faults: Iterable[Event] = (), stall: tuple[float, float] | None = None
    ) -> None:
        """``stall``: when, in plant time, and for how long the controller and its clock stand still."""
        self.settings = settings
        self.stall = stall
        self._lost_s = 0.0
        """Plant time that has passed the controller's clock by."""
        self.plant = Plant(plant_params(settings))
        endpoints = dict.fromkeys(settings.links, _END)
        self.modules = Modules(self.plant, settings.points, endpoints, {_END: 120}, Schedule(faults))
        self.now_s = _SETTLE_S
        self.values: dict[str, Value] = {}
        self.meters: Sequence[MeterFace] = (Counter(),)
        self._units = conversions(settings.quantities, settings.rig.atmosphere)
        # Points that only a simulated rig has are for hands and the clock over the wire: a scan is that of a real rig.
        points = {name: point for name, point in settings.read.items() if name not in SIMULATED}
        self._blocks = tuple(
            (block, Where(_END, block.unit, block.table), places(block, points))
            for name, link in settings.buses.items()
            for block in plan_blocks({n: p for n, p in points.items() if p.link == name}, link.max_gap)
        )
        self._coils = {
            name: _Coil(point, Where(_END, point.unit, point.table))
            for name, point in settings.points.items()
            if name in SWITCHED
        }
        self._kept, self._proven_s = Kept(), proven_of(settings)
        self._travel_s = {"fill_valve": settings.valves.fill_travel, "vent_valve": settings.valves.vent_travel}
        self._outputs = tuple(name for name in _OUTPUTS if name in points)
        self._sent_s = self._left_until_s = 0.0
        self._unsure_s: float | None = None
        self._speakers = [link for link in settings.links.values() if isinstance(link, LineLink)]
        self._points, self._spoken = frozenset(points), frozenset(settings.line_points)

    def advance(self, dt_s: float) -> None:
        """Advance the time."""
        self.now_s += dt_s
        if self.stall is not None and self._lost_s == 0.0 and self.now_s - _SETTLE_S >= self.stall[0]:
            self._lost_s = self.stall[1]
        self.modules.advance_to(self.now_s - _SETTLE_S + self._lost_s)

    def scan(self, acting: int = 0, idle: Collection[str] = ()) -> Reading:
        """Read every point once; ``acting`` is the measure in use, ``idle`` are points on which nothing depends."""
        # Modules that refuse everything get no requests, as over the wire, so that their own time-out runs.
        upsets = self.plant.upsets
        left_alone = self.now_s < self._left_until_s
        if not (left_alone or upsets.bus_silent or upsets.bus_exception or upsets.bus_late >= 1):
            for block, where, own in self._blocks:
                self.modules.asked(_END, block.unit)
                raws = self.modules.read(where, block.address, block.count)
                take(self.values, own, raws, self.now_s)
            for link in self._speakers:
                self._hear(link)
            for name in self._outputs:
                self._kept.reads(name, self.now_s, on=bool(self.values[name].raw))
                contactor = self.values.get(FEEDBACK.get(name, ""))
                if contactor is not None:
                    self._kept.shows(name, self.now_s, is_in=bool(contactor.raw), takes_s=self._travel_s.get(name, 0.0))
            self._sent_s = self.now_s
        self._look_at_outputs()
        return self.reading(acting, idle)

    def _look_at_outputs(self) -> None:
        """Leave outputs that remain unconfirmed off to their module's time-out, as over the wire."""
        unconfirmed = self._kept.unconfirmed
        if not unconfirmed:
            self._unsure_s = None
            return
        self._unsure_s = self.now_s if self._unsure_s is None else self._unsure_s
        if self.now_s - self._unsure_s > _REFUSES_S and self.now_s >= self._left_until_s:
            self._left_until_s = self.now_s + LATE * self.settings.limits.output_timeout
        for name in unconfirmed:
            point = self._coils[name].point
            if self.now_s - self._sent_s > LATE * self._proven_s.get((point.link, point.unit), math.inf):
                self._kept.timed_out(name)

    def reading(self, acting: int, idle: Collection[str]) -> Reading:
        """Convert the last read values to a reading."""
        return reading_of(
            self._points,
            self._units,
            self.values,
            now_s=self.now_s,
            wall_s=self.now_s,
            began_s=self.now_s,
            stale_s=self.settings.stale_s,
            gap_s=0.0,
            journal_lag_s=0.0,
            meters=self.meters,
            acting=acting,
            spoken=self._spoken,
            idle=idle,
            unconfirmed=self._kept.unconfirmed,
            unrenewed=self._kept.unrenewed,
            elsewhere=self._kept.elsewhere,
        )

    def _hear(self, link: LineLink) -> None:
        text = line_of(link, self.modules.shown)
        found = re.fullmatch(link.pattern, text)
        assert found is not None, f"{text!r} does not fit the pattern"
        line = Line(text, found.groupdict(), self.now_s)
        for name, each in link.fields.items():
            self.values[each.point] = value_of_field(name, each, line)

    def write(self, wanted: Mapping[str, bool]) -> None:
        """Write the coils that changed or are due again, by name; names missing in the map are ignored."""
        for name, on in wanted.items():
            coil = self._coils.get(name)
            due = coil is not None and (coil.on is not on or self.now_s - coil.at_s >= _RENEW_S)
            if coil is not None and due and self.now_s >= self._left_until_s:
                coil.on, coil.at_s = on, self.now_s
                self._kept.asks(name, self.now_s, on=on)
                if self._write(coil.point, coil.where, [int(on)]):
                    self._kept.done(name)
                else:
                    self._kept.failed(name, "not taken")

    def arm(self, timeout_s: float) -> None:
        """Write the output module's time-out, where the map has one."""
        point = self.settings.points.get("output_timeout")
        if point is not None:
            unit = self._units["output_timeout"]
            raw = unscaled((timeout_s - unit.offset) / unit.factor, point)
            where = Where(_END, point.unit, point.table)
            self._write(point, where, encode(raw, point.type, point.order))

    def _write(self, point: Point, where: Where, raws: list[int]) -> bool:
        """Write registers or coils; returns whether the module acknowledged."""
        upsets = self.plant.upsets
        if upsets.bus_silent or upsets.bus_exception:
            return False
        self._sent_s = self.now_s
        self.modules.asked(_END, point.unit)
        if not upsets.write_ignored:
            self.modules.write(where, point.address, raws)
        return True


@dataclass(slots=True)
class VirtualFill:
    """One fill on a virtual rig. ``watch`` gets every decision and may change ``state`` before the next."""

    rig: VirtualRig
    setup: Setup
    person: Person = field(default_factory=Unattended)
    watch: Callable[[Decision], None] | None = None
    state: FillState | None = None
    tape: Tape | None = None
    _inbox: list[Request] = field(default_factory=list)

    def run(self, most_s: float = 4 * 3600.0, until: Callable[[Decision], bool] | None = None) -> Decision:
        """Run until the fill has ended, ``until`` is true or ``most_s`` has passed; returns the last decision."""
        state = self.state or new_fill(self.setup)
        self.rig.meters = faces(self.rig.settings, self.setup.line, bases(self.setup, state))
        self.rig.arm(self.setup.timeout_s)
        end_s = self.rig.now_s + most_s
        while True:
            self.rig.advance(self._step_s(state))
            reading = self.rig.scan(state.measure, out_of_use(self.setup, state))
            requests, before = self._requests(), state
            decision = decide(self.setup, state, reading, requests)
            state = self.state = decision.state
            if self.tape is not None:
                self.tape.scan(before, reading, requests, decision)
            self.rig.write(dict(zip(_OUTPUTS, _relays(decision.outputs), strict=True)))
            if decision.arm:
                self.rig.arm(self.setup.timeout_s)
            if self.watch is not None:
                self.watch(decision)
                state = self.state
            self._inbox.extend(self.person.requests(self.setup, decision))
            ended = state.state in ENDED or self.person.gave_up or self.rig.now_s >= end_s
            if ended or (until is not None and until(decision)):
                return decision

    def _step_s(self, state: FillState) -> float:
        """Step length: the rig's scan time near any change, longer in the middle of a steady stroke or a wait."""
        scan_s = self.rig.settings.clock.scan
        dull = not self._inbox and (self._steady(state) if state.outputs.moving else self._at_rest(state))
        return max(scan_s, _LONG_STEP_S) if dull else scan_s

    def _at_rest(self, state: FillState) -> bool:
        """Whether the pump has coasted to rest; never true where a person's lever may move it at any time."""
        rests_s = state.now_s - max(state.since_s, state.changed_s)
        return not self.setup.by_hand and rests_s >= self.setup.line.coast_s

    def _steady(self, state: FillState) -> bool:
        """Whether a move is well under way and not near its end."""
        under_way_s = state.now_s - max(state.since_s, state.changed_s, state.regime_s)
        return state.phase in _STEADY and under_way_s >= _SETTLED_S and not self._near_its_end(state)

    def _near_its_end(self, state: FillState) -> bool:
        """Whether a move will end within seconds."""
        if state.phase is Phase.VENT:
            return state.stroke.open_s - (state.now_s - state.since_s) < _NEAR_S / 4
        inside_l, flow = in_tyre_l(self.setup, state), abs(state.flow.fast_pps) * self.setup.meter.litres_per_pulse
        if state.phase is not Phase.DRAW_DOWN:
            return self.setup.target_l - inside_l < _NEAR_S * flow
        gauge_kpa = state.gauge_kpa or 0.0
        air_l = max(self.setup.cavity.volume_l - inside_l, flow)
        falls_kpa_s = (gauge_kpa + self.setup.line.atmosphere_kpa_abs) / air_l * flow
        return gauge_kpa - state.stroke.goal_kpa < _NEAR_S * falls_kpa_s

    def ask(self, request: Request) -> None:
        """Queue a person's request for the next scan."""
        self._inbox.append(request)

    def _requests(self) -> Sequence[Request]:
        requests, self._inbox = self._inbox, []
        for request in requests:
            self.rig.write(moves(request.kind, request.name))
        return requests
