"""What one fill remembers between two scans; frozen, so that the journal and a test can hold any moment of it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from rig.control.belief.accounting import Count, Register, Tally
from rig.control.belief.flow import Flow
from rig.control.belief.pressure import Gas, Remains
from rig.control.belief.rest import Gauge, gauge_of
from rig.control.belief.suspects import Evidence
from rig.control.words.changed import changeable, changed
from rig.control.words.flags import End, Flag
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Check, Confirmation, Meter, OnAir, Outputs, Reading, Setup

_UNCOUNTED = 1 / 8
"""By run time: a valve bore passes up to this share more than its usual coefficient gives (0.8 instead of 0.7)."""
_ON_AIR: dict[str, OnAir] = {Flag.COUNTS_NO_AIR: "blind", Flag.COUNTS_PART_OF_AIR: "part"}
"""What a meter has shown to do on air, other than configured."""
_SHOWN_ON_AIR = frozenset(_ON_AIR)
MOST_BARREN = 3
"""After so many barren strokes the fill is held. An assumption."""
_WAITS = frozenset({State.HELD, State.ABORTED, State.STOPPED, State.COMPLETE})


@changeable
class Stroke:
    """The move under way or just ended."""

    began_s: float = 0.0
    from_kpa: float = 0.0
    start_l: float = 0.0
    """In the tyre when it began."""
    start_hose_l: float = 0.0
    """In the hose when it began."""
    stood_since_s: float = 0.0
    """By hand: time since which the pressure at rest has been steady."""
    open_s: float = 0.0
    """Planned open time of this vent; once it has ended, its actual one, until the next."""
    goal_kpa: float = 0.0
    lets_out: bool = False
    """Air is let out in it, and nothing else moves."""
    air_stayed: bool = False
    """A vent or draw that should have lowered the pressure did not."""
    idle_outs: int = 0
    """Number of successive vents or draws, up to it, after which the pressure was unchanged."""
    liquid_came: bool = False
    """After a draw the settled gauge was far above what ended the draw: the pump had drawn on liquid."""
    start_air_l: float = 0.0
    """Air that had passed back through the meter when it began."""
    barren: int = 0
    """Strokes before it that brought next to nothing, since one that did; none of those that filled the hose."""
    nothing_came: bool = False
    """A tyre that should have been emptied by now has given nothing measurable."""
    wants_air: bool = False
    """Air must leave but the liquid is at the valve."""
    drawn_out: bool = False
    """One more reverse might draw the tyre below its least pressure, if the valve is actually open."""
    cools: bool = False
    """Air must be drawn but the pump has reached its dry-run limit: at rest until it has cooled."""
    feels: bool = False
    """It ends once its flow is measured: the rest after it measures what longer strokes need."""
    held_kpa: float = 0.0
    """Resumed after a controller outage: what a sound tyre holds, whatever went on meanwhile."""
    ended_by: End = End.NOT_YET
    stop_l: float = 0.0
    """In the tyre at the stop command."""
    stop_flow_lps: float = 0.0
    stop_gauge_kpa: float | None = None
    """The gauge at that moment, losses and head included."""
    stop_loss_kpa: float = 0.0
    """The line loss at that moment, where a rest has measured it."""
    calm_gauge_kpa: float | None = None
    """The gauge once the pump has coasted to rest and the line loss has dropped off."""
    lowest_kpa: float | None = None
    """Of the gauge, since the hose is reversed off behind a shut valve."""
    loss_told: bool = False
    """The flow was steady at that moment, so the gauge's fall to the rest was the line loss."""
    watch_l: float | None = None
    """In the tyre when the watch on the pressure rise began."""
    watch_line_kpa: float = 0.0
    watch_gas_kpa: float = 0.0
    even_lps: float = 0.0
    even_over_kpa: float = 0.0
    even_passed_l: float = 0.0
    """Last even flow of liquid: its rate, the gauge's excess over the air space, and what had passed the meter.

    Rate and excess are the last stroke's until its own are measured."""

    @property
    def pumped(self) -> bool:
        """The stroke has ended, and brought liquid."""
        return self.ended_by in (End.TARGET, End.CEILING, End.FEELER, End.LOOK)

    @property
    def pushed(self) -> bool:
        """It is over, normally or broken off, and the pump had run forward."""
        return self.pumped or self.ended_by is End.BROKEN_OFF

    @property
    def drew(self) -> bool:
        """It ended, and the pump had drawn air, or liquid out of a tyre that is emptied."""
        return self.ended_by in (End.FLOOR, End.DRY_LIMIT, End.UNSURE, End.AIR)

    @property
    def over(self) -> bool:
        """It is over, and its pump should be at rest."""
        return self.drew or self.pushed or self.ended_by is End.PRESSED


@dataclass(frozen=True, slots=True)
class Moved:
    """A pressure movement in one direction: when it ended, and its size."""

    at_s: float = -1e9
    kpa: float = 0.0


@changeable
class Alarms:
    """First-out and followers, with the delays that are running."""

    timers: tuple[tuple[str, float], ...] = ()
    """Guards whose condition holds, each with the time since which it holds."""
    first_out: str | None = None
    followers: tuple[str, ...] = ()
    accepted: frozenset[str] = frozenset()
    """Guards that a person has overridden."""
    evidence: Evidence | None = None


@dataclass(frozen=True, slots=True)
class Mark:
    """The account at the last rest: another measure takes over from here when the meter fails."""

    tally: Tally
    counts: tuple[Count, ...] = ()


@changeable
class FillState:
    """One fill."""

    gas: Gas
    tally: Tally
    mark: Mark
    measure: int = 0
    """Acting measure: 0 is the meter, then those parallel to it."""
    counts: tuple[Count, ...] = ()
    """One for each measure."""
    pairs: tuple[tuple[float, float], ...] = ()
    """Litres by the meter and by the most accurate witness, at rests of this fill."""
    unread_s: tuple[float, ...] = ()
    """How long each has not been read."""
    state: State = State.IDLE
    phase: Phase = Phase.SETTLE
    now_s: float = 0.0
    since_s: float = 0.0
    """When this state and phase began."""
    opened_s: float = 0.0
    reverse_register: Register = Register()
    """The meter's second channel."""
    flow: Flow = Flow()
    outputs: Outputs = Outputs()
    changed_s: float = -1e9
    """When the pump's relays last changed."""
    regime_s: float = -1e9
    """Since when the metered medium is unchanged: the pump's last change, or liquid after air."""
    supply_s: float = -1e9
    """By hand: when the pump's supply was last switched."""
    fill_valve_s: float = -1e9
    """When the fill valve's command last changed."""
    direction: int = 0
    """1 forward, -1 back: which way the pump last ran."""
    by_lever: int = 0
    """Direction of the pump by a person's lever, as the meter shows it; 0 when it is at rest."""
    pulse_s: float = 0.0
    """When the meter last moved."""
    unmoved_s: float = 0.0
    """How long the pump has run one way since then, pauses left out; negative backwards."""
    gauge_kpa: float | None = None
    gauge_s: float = 0.0
    """When the line gauge last showed another value."""
    line: Gauge = Gauge()
    tyre: Gauge = Gauge()
    """The followed gauges at the pump and at the gun."""
    moved_kpa_s: float = 0.0
    moves_kpa_s: float = 0.0
    """Rate of pressure movement faster than gas creep with all off: by the last block, and by two in a row."""
    drops_kpa_s: float = 0.0
    """Rate at which it has just dropped from its level with all off."""
    level_kpa: float | None = None
    """Last steady level of the line gauge, within the change that starts a new creep of the gas."""
    told_s: float = 0.0
    """When the gauge last gave the tyre's pressure at rest."""
    rose: Moved = Moved()
    fell: Moved = Moved()
    """Last rise and fall of that level, whatever the cause."""
    dry_s: float = 0.0
    dry_ended_s: float = -1e9
    valve_open: bool = False
    valve_raised: bool = False
    """A person resumed after the liquid had covered the valve: the wheel is turned, and the valve is clear of it."""
    stroke: Stroke = Stroke()
    fills: int = 0
    top_ups: int = 0
    overruns: tuple[tuple[int, float], ...] = ()
    """Learned overruns in seconds of flow, by flow step."""
    loss_gain: float = 1.0
    loss_known: bool = False
    fell_kpa: float = 0.0
    """The gauge's fall from the pump's last stop to its rest."""
    vent_gain: float = 1.0
    vent_known: bool = False
    vent_shown: float = 1.0
    """The gain of the last vent alone; ``vent_gain`` is no slower than two in a row."""
    when_low_l: float | None = None
    """In the tyre when it was below plan, until a rest shows it as planned: a vent may be open."""
    alarms: Alarms = Alarms()
    asked: tuple[Check, ...] = ()
    """Confirmations required by the measured values, besides the setup's."""
    confirmed: tuple[Confirmation, ...] = ()
    answered: frozenset[str] = frozenset()
    """Prompts answered in this phase."""
    handled: tuple[str, ...] = ()
    """Ids of the last requests, so that a repeat does nothing."""
    peak_kpa: float | None = None
    lowest_kpa: float | None = None
    remains: Remains | None = None
    """The pressure left in the tyre if the fill ends now."""
    flags: frozenset[str] = field(default_factory=frozenset)
    """Marks of the record: those of :class:`Flag`, and the name of every guard that was raised."""
    last_note_s: float = -1e9
    fresh_s: float = 0.0
    """When every value was last fresh."""
    unconfirmed_s: float | None = None
    """Since when outputs that should be off have been unconfirmed."""
    supply_cut: bool = False
    """A person has stated that the pump's supply is cut, for as long as this lasts."""
    unseen_s: float = 0.0
    """How long a pump may have run since the count was last read."""
    flush_start_l: float = 0.0
    """Returned when the last reverse began: the reference for what that reverse brought back."""
    flush_s: float = 0.0
    """How long that reverse runs."""
    reversals: int = 0
    """Number of reverses behind a valve reported as shut."""
    reversed_s: float = 0.0
    reversed_from_kpa: float | None = None
    """Their total time since a rest last gave the tyre's pressure, and that pressure; None: the fill's last."""


def new_fill(setup: Setup) -> FillState:
    """The state in which a fill is opened: idle, outputs off, nothing counted."""
    wet = max(0.0, setup.line.hose_l - setup.hose_air_l)
    cavity = setup.cavity
    tally = Tally(hose_start_l=wet, hose_l=wet)
    return FillState(
        gas=Gas(cavity.volume_l, cavity.low_l, cavity.high_l),
        tally=tally,
        mark=Mark(tally),
        line=gauge_of(setup.line_gauge.noise_kpa),
        tyre=gauge_of(setup.rest_gauge.noise_kpa),
        overruns=setup.overruns,
        loss_gain=setup.loss_gain,
        loss_known=setup.loss_known,
    )


def in_force(setup: Setup, state: FillState) -> Setup:
    """The setup with the acting measure in the meter's place, and the valve where it is now."""
    if state.measure:
        meter = acting_meter(setup, state)
        setup = changed(setup, meter=meter, target_l=_sure_target_l(setup, state, meter))
    elif shown := state.flags & _SHOWN_ON_AIR:
        setup = changed(setup, meter=replace(setup.meter, on_air=_ON_AIR[max(shown)]))
    return changed(setup, cavity=setup.cavity.raised()) if state.valve_raised else setup


def _sure_target_l(setup: Setup, state: FillState, meter: Meter) -> float:
    """Stop target with a margin: by run time or a level's steps more may go in than is counted."""
    to_come_l = max(setup.target_l - (state.tally.earlier_forward_l - state.tally.earlier_returned_l), 0.0)
    step_l = min(meter.litres_per_pulse, setup.target_l / 2)
    return setup.target_l - (_UNCOUNTED * to_come_l if meter.by_time else step_l)


def acting_meter(setup: Setup, state: FillState) -> Meter:
    """The acting measure, of a fill's own setup or of the one in force."""
    return setup.beside[state.measure - 1] if state.measure else setup.meter


def pump_way(setup: Setup, state: FillState) -> int:
    """Pump direction now: 1 forward, -1 back, 0 off."""
    if setup.by_hand:
        return state.by_lever
    return int(state.outputs.pump_run) - int(state.outputs.pump_reverse)


def pump_off_since_s(setup: Setup, state: FillState) -> float | None:
    """Since when the pump is commanded off, on the controller's clock; ``None`` while it may run."""
    # By hand it is the supply; without a supply relay, a person has stopped the pump once the fill waits.
    if not setup.by_hand:
        return None if pump_way(setup, state) else state.regime_s
    if state.outputs.pump_run or not (setup.has_supply or state.state in _WAITS):
        return None
    return state.supply_s if setup.has_supply else max(state.supply_s, state.since_s)


def way_out(setup: Setup, phase: Phase) -> str:
    """The procedure's trigger with which a hold, a reset or a power cut leaves the present phase."""
    return "judge_anew" if gun_off_first(setup) and phase is Phase.BACK_FLUSH else "break_off"


def fill_valve_open(setup: Setup, state: FillState, now_s: float) -> bool:
    """Whether the fill valve is commanded open and its travel time is over."""
    return state.outputs.fill_valve and now_s - state.fill_valve_s >= setup.fill_travel_s


def gauge_sees(setup: Setup, state: FillState, reading: Reading) -> bool:
    """Whether a gauge has an open path to the tyre, as far as the rig's own valves go."""
    return not setup.cuts_gauge_off or reading.tyre_kpa is not None or fill_valve_open(setup, state, reading.now_s)


def gun_off_first(setup: Setup) -> bool:
    """Whether the gun comes off an open valve, so that the tyre has to be let down before."""
    return setup.stop_order == "gun off, then core back"


def out_of_use(setup: Setup, state: FillState) -> frozenset[str]:
    """Points of the measures that were given up: nothing depends on them any more."""
    given_up = (setup.meter, *setup.beside)[: state.measure]
    still = setup.beside[state.measure - 1].points if state.measure else frozenset()
    return frozenset().union(*(meter.points for meter in given_up)) - still


def bases(setup: Setup, state: FillState) -> tuple[int, ...]:
    """The counts from which each measure's display continues after an interruption."""
    counts = state.counts or (Count(),) * (1 + len(setup.beside))
    return tuple(count.register.raw or 0 for count in counts)


def in_tyre_l(setup: Setup, state: FillState) -> float:
    """Liquid that this fill brought into the tyre by the acting measure."""
    return state.tally.net_l(acting_meter(setup, state))


def holds_l(setup: Setup, state: FillState) -> float:
    """All liquid in the tyre: what it held before, and what this fill brought."""
    return setup.existing_l + in_tyre_l(setup, state)


def offset_l(setup: Setup, state: FillState, filled_l: float) -> float:
    """Liquid in the tyre (``filled_l``) less air in the hose: gas volume = cavity − this."""
    return filled_l - (setup.line.hose_l - state.tally.hose_l)
