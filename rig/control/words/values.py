"""Data types of the control room: inputs, outputs, and the setup of a fill."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from rig.control.words.changed import changeable, changed
from rig.meter_kind import KINDS
from rig.plan.physics import Line
from rig.plan.strokes import Method, Window
from rig.record.work import MeterKind
from rig.sentence import Sentence
from rig.wheel.valve import StopOrder

ReverseCount = Literal["signed", "unsigned", "none"]
OnAir = Literal["counts", "part", "blind"]
"""Behaviour of a meter while air passes: it counts its volume, part of it, or nothing at all."""
Into = Literal["tyre", "open vessel", "tote"]
"""Where the liquid goes. An open vessel (a known can, a drain can) has no air space and no core; into the tote it goes
when a tyre is emptied."""


@dataclass(frozen=True, slots=True)
class Outputs:
    """The commanded relays. With no arguments everything is off, which is the safe state."""

    pump_run: bool = False
    pump_reverse: bool = False
    vent_valve: bool = False
    fill_valve: bool = False
    flush_valve: bool = False
    beacon: bool = False

    def __post_init__(self) -> None:
        if self.pump_run and self.pump_reverse:
            raise ValueError("run and reverse together: one direction at a time")

    @property
    def moving(self) -> bool:
        """Whether anything but the beacon is on."""
        return self.pump_run or self.pump_reverse or self.vent_valve or self.fill_valve or self.flush_valve


@dataclass(slots=True)
class Reading:
    """One scan of the field, in the program's units. ``None``: the rig has no such point, or its value is rejected.

    ``untrusted`` names the points that are stale, out of range or unreadable. Pressures are gauge. Built in every scan
    and never changed; not frozen, which would cost each scan more than the conversions do.
    """

    now_s: float
    """The controller's clock: monotonic, never wall time."""
    reachable: bool = True
    fresh: bool = True
    """Every value is new in this scan. Otherwise old values are held, and none counts as steady because of it."""
    counts: tuple[int | None, ...] = ()
    """Raw register of each measure, before unwrapping: the meter's first, then those parallel to it."""
    reverse_raw: int | None = None
    line_kpa: float | None = None
    raw_line_kpa: float | None = None
    """The raw value, once ``line_kpa`` is smoothed."""
    tyre_kpa: float | None = None
    tote_l: float | None = None
    fluid_c: float | None = None
    tote_low: bool | None = None
    """The float near the dip tube has fallen: the tote is empty."""
    tote_full: bool | None = None
    """The float at the tote's rim has risen: no more goes in."""
    estop_ok: bool | None = None
    liquid_in_vent: bool | None = None
    strainer_kpa: float | None = None
    """Pressure loss across the strainer."""
    stop_pressed: bool | None = None
    """The stop button at the gun; not the emergency stop, which is separate and in hardware."""
    start_pressed: bool | None = None
    """The start button at the gun: a screen turns a fresh press into a start or into the answer to the prompt."""
    output_timeout_s: float | None = None
    outputs_seen: Outputs | None = None
    """Relays as read back; ``None`` where not possible, and ``both_seen`` when run and reverse read on together."""
    both_seen: bool = False
    unconfirmed: frozenset[str] = frozenset()
    """Outputs commanded off whose state is not confirmed."""
    unrenewed: frozenset[str] = frozenset()
    """Outputs that should be on whose module rejects the renewal: it may reject switching off, too."""
    elsewhere: frozenset[str] = frozenset()
    """Outputs switched by another controller or person."""
    untrusted: frozenset[str] = frozenset()
    late_s: float = 0.0
    """Time since the last scan by the wall clock, which a fast-running simulated clock does not change."""
    bus_s: float = 0.0
    """The slowest link's share of that time."""
    journal_lag_s: float = 0.0
    """Age of the oldest entry that is not on the disk yet."""

    @property
    def unsmoothed_line_kpa(self) -> float | None:
        """The line gauge's raw value, whether ``line_kpa`` is smoothed or not."""
        return self.line_kpa if self.raw_line_kpa is None else self.raw_line_kpa


RequestKind = Literal[
    "confirm", "start", "answer", "hold", "resume", "stop", "reset", "end", "next_measure", "supply_cut"
]


@dataclass(frozen=True, slots=True)
class Request:
    """A person's request. ``id`` makes a repeated request harmless."""

    id: str
    kind: RequestKind
    name: str = ""
    """Which confirmation or prompt is answered."""
    by: str = ""


Scope = Literal["shift", "machine", "wheel"]


@dataclass(frozen=True, slots=True)
class Check:
    """One confirmation that only a person can give, asked once per shift, machine or wheel."""

    name: str
    scope: Scope
    text: Sentence


@dataclass(frozen=True, slots=True)
class Confirmation:
    """Who confirmed what, on the controller's clock."""

    name: str
    by: str
    at_s: float


@dataclass(frozen=True, slots=True)
class Meter:
    """The meter as configured and proven for this fill."""

    k_per_l: float
    factor: float
    bits: int
    reverse: ReverseCount
    second_channel: bool
    uncertainty: float
    """Relative, at 95 %."""
    proven: bool
    least_l: float
    kind: MeterKind = "pulses"
    """Source of the count; a pulse of the other kinds is their smallest step."""
    points: frozenset[str] = frozenset()
    """What it is read from."""
    repeat: float = 0.0025
    """Repeatability of two readings of the same volume: relative, one standard deviation."""
    on_air: OnAir = "counts"
    shared: bool = False
    """Another output of the rig's own meter: it continues where that one's wire fails, and shares the errors of the
    meter itself."""
    behind_s: float = 0.0
    """Lag that may remain at rest, in seconds of the pump's flow."""
    curve: tuple[tuple[float, float], ...] = ()
    """Linearisation: (flow in L/s, factor relative to ``factor``), rising in flow; empty is a straight meter."""

    @property
    def estimated(self) -> bool:
        """Whether the volume is only derived from a rate, a weight, a level or a time."""
        return not KINDS[self.kind].counts

    @property
    def in_line(self) -> bool:
        """Whether it sees what passes through it, air too, within a second."""
        return KINDS[self.kind].in_line

    @property
    def of_tote(self) -> bool:
        """Whether it sees what leaves the tote, wherever that goes."""
        return KINDS[self.kind].of_tote

    @property
    def by_time(self) -> bool:
        """Whether it assumes a flow for as long as the pump runs."""
        return KINDS[self.kind].by_time

    @property
    def litres_per_pulse(self) -> float:
        """True litres per pulse."""
        return self.factor / self.k_per_l

    def air_going(self, way: int) -> OnAir:
        """Behaviour on air that passes, 1 forward or -1 back; without a reverse count, the pump's time counts it."""
        return "counts" if way < 0 and self.reverse == "none" else self.on_air

    def relative_factor(self, flow_lps: float) -> float:
        """The curve at a flow of either direction: linear between its points, constant outside them."""
        flow = abs(flow_lps)
        if not self.curve or flow <= self.curve[0][0]:
            return self.curve[0][1] if self.curve else 1.0
        for (left, low), (right, high) in pairwise(self.curve):
            if flow <= right:
                return low + (high - low) * (flow - left) / (right - left)
        return self.curve[-1][1]


USUAL_U_KPA = 1.03
"""Uncertainty of a reading at 95 % where none is stated: 0.25 % of a 60 psi gauge, an assumption."""
_USUAL_LAG_S = 0.3
"""Time constant that every gauge is allowed: common practice, no source."""


@dataclass(frozen=True, slots=True)
class GaugeFacts:
    """Configured properties of a pressure gauge."""

    noise_kpa: float | None = None
    """One standard deviation of a single scan; ``None``: learned at rest."""
    damping_s: float | None = None
    """Time constant of the smoothing; ``None``: by the noise."""
    u_kpa: float = USUAL_U_KPA
    """Uncertainty of a reading at 95 %."""
    lag_s: float = 0.0
    """Its time constant; 0: within what every gauge is allowed."""

    @property
    def beyond_kpa(self) -> float:
        """By how much two readings may differ from the truth, beyond what those of a usual gauge may: 3 standard
        deviations of their difference. The thresholds of the plausibility checks are made for the usual one."""
        return 1.5 * math.sqrt(2) * max(0.0, self.u_kpa - USUAL_U_KPA)

    @property
    def behind_s(self) -> float:
        """How much longer than any gauge it takes to follow a sudden change within 2 %: four time constants."""
        return 4 * max(0.0, self.lag_s - _USUAL_LAG_S)


@changeable
class CavityFacts:
    """The wheel room's data on the tyre's cavity and on the liquid level in it."""

    volume_l: float
    low_l: float
    high_l: float
    fraction_at_valve: float
    """Share of the cavity below the valve hole."""
    covered_m: tuple[float, ...]
    """Height of the liquid's surface above the valve at equal steps of the filled fraction, 0 to 1; 0 where below."""
    taught: bool = False
    """The volume is the shop's own, from a reference fill of this wheel."""

    def covered(self, fraction: float) -> float:
        """Height of the surface above the valve at a filled ``fraction``, interpolated."""
        last = len(self.covered_m) - 1
        place = min(max(fraction, 0.0), 1.0) * last
        left = min(int(place), last - 1)
        return self.covered_m[left] + (place - left) * (self.covered_m[left + 1] - self.covered_m[left])

    def raised(self) -> CavityFacts:
        """The same cavity with its valve turned clear of the liquid."""
        return changed(self, fraction_at_valve=1.0, covered_m=(0.0, 0.0))


@changeable
class Setup:
    """Everything that is fixed when a fill is opened."""

    fill_id: str
    target_l: float
    """Litres that this fill puts in, on top of what the tyre held."""
    existing_l: float
    tolerance_l: float
    cavity: CavityFacts
    line: Line
    window: Window
    trip_kpa: float
    arrival_kpa: float
    method: Method
    stop_order: StopOrder
    meter: Meter
    """What the fill counts by. After it failed the setup in force has the next best here."""
    heel_l: float
    tote_l: float
    """Tote content when the fill is opened, for rigs without a level reading."""
    checks: tuple[Check, ...]
    plan_reaches: bool
    """The plan reaches the target inside the pressure window."""
    expected_s: float
    stroke_s: float
    """Longest single move in the plan."""
    has_timeout: bool
    timeout_s: float
    flush_s: float = 2.0
    dry_run_s: float = 30.0
    dry_rest_s: float = 60.0
    settle_s: float = 3.0
    late_s: float = 0.7
    """Longest gap between scans, by the wall clock."""
    overrun_s: float = 0.6
    """Overrun after the decision to stop, in seconds of flow, until a stroke has measured it."""
    overruns: tuple[tuple[int, float], ...] = ()
    """Overruns learned with this fluid in earlier fills, by flow step."""
    loss_gain: float = 1.0
    """Measured line loss per computed loss, as learned so far."""
    loss_known: bool = False
    hose_air_l: float = 0.0
    """Air in the hose when the fill opens; 0 is a wet hose."""
    into: Into = "tyre"
    tote_by_book: bool = False
    """The tote's content is the shop's book value; otherwise the configured one."""
    by_hand: bool = False
    """A person operates the pump's lever; ``pump_run``, where wired, is only the pump's supply."""
    has_supply: bool = True
    """By hand: the supply relay is wired, so that the pump's supply can be cut from here."""
    beside: tuple[Meter, ...] = ()
    """Parallel measures, the most trusted first: witnesses of the meter, and replacements when it fails."""
    strainer_limit_kpa: float = 70.0
    line_gauge: GaugeFacts = GaugeFacts()
    tyre_gauge: GaugeFacts | None = None
    """The gauge at the gun; ``None``: not wired."""
    fill_travel_s: float = 0.0
    """Travel time of the fill valve: the pump waits for it, and so does every reading of the tyre's pressure."""
    vent_travel_s: float = 0.0
    """Travel time of the vent's valve."""
    cuts_gauge_off: bool = False
    """The fill valve is between gauge and gun: while it is shut the gauge does not see the tyre."""

    @property
    def blank_s(self) -> float:
        """Blanking time after a start: the gauge shows the line before the meter shows the flow, so no losses are
        computed."""
        return 2.0 + self.line_gauge.behind_s

    @property
    def rest_gauge(self) -> GaugeFacts:
        """The gauge that the tyre's pressure is read from at rest."""
        return self.line_gauge if self.tyre_gauge is None else self.tyre_gauge

    @property
    def brim_l(self) -> float:
        """The most liquid that a tyre may hold while it is filled; for a vessel or tote only the person knows it."""
        return math.inf if self.into != "tyre" else 0.9 * self.cavity.volume_l

    def armed(self, shown_s: float | None) -> bool:
        """Whether the relay module's own time-out reads back as written, or the module has none."""
        return not self.has_timeout or (shown_s is not None and 0 < shown_s <= self.timeout_s + 0.05)


@dataclass(frozen=True, slots=True)
class Entry:
    """One journal entry. ``first``: it must be on the disk before its outputs are switched on."""

    kind: str
    data: dict[str, object]
    first: bool = False


@dataclass(frozen=True, slots=True)
class Prompt:
    """Instruction to the person; answered with a request of the same name."""

    name: str
    text: Sentence
