"""The search behind the plan: like strokes, as many and as deep as costs the least time.

The optimum found by dynamic programming stops nearly every stroke at one pressure and lets the air out to nearly one
pressure, at times deeper one by one, and ends the last stroke between that pressure and the ceiling. So a handful of
such schemes is enough. The published procedure (down to the floor, up to the ceiling) is always among them: a plan is
never slower. It must not know what the controller does with the answer.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from rig.plan.curves import Curves, curves_of
from rig.plan.moves import NEAR_KPA, SETTLE_S, AtRest, Method, Stroke, Window, gas_kpa_l
from rig.plan.physics import NO_LIMIT_S, Line

WORKING_SHARE = 0.02
"""How much longer a plan may take to end nearer to the working pressure."""
_TAPERS: dict[Method, tuple[float, ...]] = {"vent": (0.0, 1.0), "draw-down": (0.0, 0.4, 1.0)}
_MOST_AIR_OUTS = 60
_EDGE_KPA = 0.01
_AIM_BELOW_KPA = 1.5
"""Plans aim to end this much below the ceiling: a reading a little off must not ask for one more air-out."""
WORTH_KPA = 2 * NEAR_KPA
"""No air-out is smaller: one that just makes room for the rest would be asked for again and again."""
_LEAST_VENT_KPA = 0.5


@dataclass(frozen=True, slots=True)
class Job:
    """One fill to be planned: the line with its curves, the window, the state at rest."""

    line: Line
    curves: Curves
    window: Window
    method: Method
    rest: AtRest
    floor_kpa: float
    """Lowest pressure that the method may and can reach."""
    ceiling_kpa: float
    """Highest pressure that the window allows and the pump reaches."""
    end_air_l: float
    """Air space when the target is in."""

    @classmethod
    def of(cls, line: Line, window: Window, method: Method, rest: AtRest) -> Job:
        """The job of a fill from a state at rest."""
        curves = curves_of(line)
        # A vent opens to the air outside: it never gets below, and creeps towards the end.
        floor = max(window.floor_kpa, _LEAST_VENT_KPA) if method == "vent" else window.floor_kpa
        ceiling = min(window.ceiling_kpa, curves.reach_kpa)
        return cls(line, curves, window, method, rest, floor, ceiling, rest.air_l - rest.remaining_l)

    @property
    def may_begin_with_air(self) -> bool:
        """Whether the tyre stands far enough above the floor."""
        return self.rest.tyre_kpa - self.floor_kpa >= WORTH_KPA


@dataclass(frozen=True, slots=True)
class Scheme:
    """Strokes that all stop at one pressure, the last but at the target, air-outs that go to another; gauge."""

    stop_kpa: float
    air_to_kpa: float
    air_first: bool
    air_outs: int
    taper: float = 0.0
    """Air-outs go deeper one by one, the last this share of the way to the floor: late ones empty a smaller space."""
    one_run: bool = False
    """A draw ends when the pump has run dry for as long as it may, even above its goal."""

    def goal_kpa(self, taken: int, floor_kpa: float) -> float:
        """Where the next air-out goes when ``taken`` have been."""
        if not self.taper or self.air_outs < 2:
            return self.air_to_kpa
        share = self.taper * min(taken / (self.air_outs - 1), 1.0)
        return self.air_to_kpa - share * (self.air_to_kpa - floor_kpa)


@dataclass(frozen=True, slots=True)
class Trial:
    """A scheme run on the model."""

    scheme: Scheme
    strokes: tuple[Stroke, ...]
    final_kpa: float
    seconds: float
    reaches_target: bool
    workable: bool
    """Whether the valve was clear of liquid at every air-out, and every draw pays even in half the air space."""

    @property
    def sound(self) -> bool:
        """Whether it reaches the target and every move is worth making."""
        return (self.reaches_target and self.workable) and all(
            abs(stroke.to_kpa - stroke.from_kpa) >= WORTH_KPA - _EDGE_KPA for stroke in self.strokes[:-1]
        )


def best_trial(job: Job) -> Trial | None:
    """The quickest scheme; with a working pressure the nearest of those that are hardly slower. None: none fits."""
    if job.end_air_l <= 0 or job.rest.remaining_l <= 0:
        return None
    trials = [trial for trial in (*_like(job, False), *_like(job, True), *_simple(job)) if trial.sound]
    quickest = min(trials, key=lambda trial: trial.seconds, default=None)
    working = job.window.working_kpa
    if quickest is None or working is None:
        return quickest
    longest_s = (1 + WORKING_SHARE) * quickest.seconds
    near = (trial for trial in trials if trial.seconds <= longest_s)
    return min(near, key=lambda trial: (round(abs(trial.final_kpa - working) / 2), trial.seconds))


def published(job: Job) -> Scheme:
    """The published procedure: bleed to the floor, fill to the ceiling, again until the target."""
    return Scheme(job.ceiling_kpa, job.floor_kpa, job.may_begin_with_air, _MOST_AIR_OUTS)


def _simple(job: Job) -> Iterator[Trial]:
    yield run(job, published(job))
    if job.method == "draw-down" and job.line.dry_run_s < NO_LIMIT_S:
        # The dry runs are what takes long then, and a run moves most gas at the highest pressure.
        for first in (False, True) if job.may_begin_with_air else (False,):
            yield run(job, replace(published(job), air_first=first, one_run=True))


def _like(job: Job, air_first: bool) -> list[Trial]:
    """Trials with more and more air-outs, until one more only costs time; around the best some more."""
    if air_first and not job.may_begin_with_air:
        return []
    trials: list[Trial] = []
    best_s, best_outs = math.inf, 0
    for air_outs in range(int(air_first), _MOST_AIR_OUTS):
        found = [run(job, scheme) for scheme in _coarse(job, air_first, air_outs)]
        trials += found
        here_s = min((trial.seconds for trial in found if trial.sound), default=math.inf)
        if here_s > best_s:
            break
        best_s, best_outs = here_s, air_outs if here_s < math.inf else 0
    if best_s == math.inf:
        return trials
    # A draw costs so much each time that the fine ones may still change the best number.
    around = range(max(best_outs, 1), best_outs + (2 if job.method == "draw-down" else 1))
    return [*trials, *(run(job, scheme) for air_outs in around for scheme in _fine(job, air_first, air_outs))]


def _coarse(job: Job, air_first: bool, air_outs: int) -> Iterator[Scheme]:
    """Schemes with a number of air-outs: all the way down, ending level or at the ceiling, or all the way up."""
    scheme = Scheme(job.ceiling_kpa, job.floor_kpa, air_first, air_outs)
    if not air_outs:
        yield scheme
    elif _end(job, scheme, job.ceiling_kpa, job.floor_kpa) <= job.ceiling_kpa:
        yield _stopping(job, scheme, 0.0)
        yield _stopping(job, scheme, 1.0)
        yield _highest(job, scheme)
        if job.window.working_kpa is not None:
            yield _ending(job, scheme, job.window.working_kpa)


def _fine(job: Job, air_first: bool, air_outs: int) -> Iterator[Scheme]:
    """What lies between the coarse ones of the best number of air-outs."""
    scheme = Scheme(job.ceiling_kpa, job.floor_kpa, air_first, air_outs)
    for share in (0.25, 0.5, 0.8):
        yield _stopping(job, scheme, share)
    for taper in _TAPERS[job.method] if air_outs > 1 else (0.0,):
        top = _highest(job, replace(scheme, taper=taper))
        if taper:
            yield top
        middle = replace(top, air_to_kpa=(job.floor_kpa + top.air_to_kpa) / 2)
        for share in (0.0, 0.5, 1.0):
            yield _stopping(job, middle, share)
        if job.method == "draw-down":
            yield _stopping(job, replace(top, air_to_kpa=(3 * job.floor_kpa + top.air_to_kpa) / 4), 0.5)
        if job.window.working_kpa is not None:
            yield _ending(job, middle, job.window.working_kpa)


def _stopping(job: Job, scheme: Scheme, share: float) -> Scheme:
    """The stop pressure with which the last stroke ends at it (0) or that share of the way up to the ceiling (1)."""
    to, aim = scheme.air_to_kpa, job.ceiling_kpa - _AIM_BELOW_KPA

    def excess(stop: float) -> float:
        return _end(job, scheme, stop, to) - min(stop, aim) - share * max(aim - stop, 0.0)

    return replace(scheme, stop_kpa=_root(excess, to + WORTH_KPA, job.ceiling_kpa))


def _ending(job: Job, scheme: Scheme, end_kpa: float) -> Scheme:
    """The stop pressure with which the last stroke ends at a pressure."""
    to = scheme.air_to_kpa
    stop = _root(lambda stop: _end(job, scheme, stop, to) - end_kpa, to + WORTH_KPA, job.ceiling_kpa)
    return replace(scheme, stop_kpa=stop)


def _highest(job: Job, scheme: Scheme) -> Scheme:
    """Strokes up to the ceiling, and the highest air-outs that they allow."""
    ceiling = job.ceiling_kpa
    aim = ceiling - _AIM_BELOW_KPA
    to = _root(lambda to: aim - _end(job, scheme, ceiling, to), job.floor_kpa, ceiling - WORTH_KPA)
    return replace(scheme, stop_kpa=ceiling, air_to_kpa=to)


def _root(falling: Callable[[float], float], low: float, high: float) -> float:
    """Where a falling function passes zero between two pressures, or the end that is nearest to it."""
    if high <= low:
        return high
    f_low, f_high = falling(low), falling(high)
    if f_low <= 0:
        return low
    if f_high >= 0:
        return high
    for _ in range(12):
        at = (low * f_high - high * f_low) / (f_high - f_low)
        here = falling(at)
        if abs(here) < _EDGE_KPA:
            return at
        # The end that stays counts half (Illinois): the bracket closes from both sides.
        if here > 0:
            low, f_low, f_high = at, here, f_high / 2
        else:
            high, f_high, f_low = at, here, f_low / 2
    return (low + high) / 2


def _end(job: Job, scheme: Scheme, stop_kpa: float, air_to_kpa: float) -> float:
    """Gauge pressure at which a scheme with these two pressures ends when it takes all its air-outs."""
    line, rest, outs = job.line, job.rest, scheme.air_outs
    atmosphere = line.atmosphere_kpa_abs
    drawn = job.method == "draw-down"
    hose_l, extra = (line.hose_l, atmosphere * line.suction_l) if drawn else (rest.hose_air_l, 0.0)
    gas, air_l = gas_kpa_l(line, rest), rest.air_l
    stop, goal = stop_kpa + atmosphere, air_to_kpa + atmosphere
    step = scheme.taper * (air_to_kpa - job.floor_kpa) / (outs - 1) if outs > 1 else 0.0
    for taken in range(outs):
        if taken or not scheme.air_first:
            air_l = gas / stop
            hose_l = hose_l if drawn else 0.0
        gas = (goal - taken * step) * (air_l + hose_l) + extra
    return gas / job.end_air_l - atmosphere


def run(job: Job, scheme: Scheme) -> Trial:
    """Run a scheme on the model until the target is in, or until a move moves nothing."""
    rest, strokes, air_outs, seconds, workable = job.rest, list[Stroke](), 0, 0.0, True
    atmosphere, top = job.line.atmosphere_kpa_abs, job.ceiling_kpa
    wants_air = scheme.air_first
    while rest.remaining_l > 1e-9 and len(strokes) <= 2 * _MOST_AIR_OUTS:
        if wants_air:
            stroke, rest = _air_out(job, rest, _goal(job, scheme, rest, air_outs), strokes)
            air_outs += 1
            workable = workable and rest.open_l >= 0 and _pays(job, stroke, rest.air_l)
        else:
            ends = gas_kpa_l(job.line, rest) <= (scheme.stop_kpa + atmosphere) * job.end_air_l
            stroke, rest = _fill(job, rest, top if ends or air_outs >= scheme.air_outs else scheme.stop_kpa)
        strokes.append(stroke)
        seconds += stroke.seconds + SETTLE_S
        spent = air_outs >= scheme.air_outs or stroke.litres < 1e-3
        if stroke.move == "fill" and spent:
            break
        wants_air = not wants_air
    return Trial(scheme, tuple(strokes), rest.tyre_kpa, seconds, rest.remaining_l <= 1e-9, workable)


def _pays(job: Job, draw: Stroke, air_l: float) -> bool:
    """Whether a draw takes out more gas than hose and suction line bring back, in half the air space believed in.

    A shallow draw from a small space brings nothing, and a cavity is never known well. Down to the floor it is the
    most that can be done.
    """
    if job.method == "vent" or draw.to_kpa < job.floor_kpa + NEAR_KPA:
        return True
    line, atmosphere = job.line, job.line.atmosphere_kpa_abs
    back = (draw.to_kpa + atmosphere) * (air_l / 2 + line.hose_l) + atmosphere * line.suction_l
    return back < (draw.from_kpa + atmosphere) * air_l / 2


def _goal(job: Job, scheme: Scheme, rest: AtRest, taken: int) -> float:
    goal = scheme.goal_kpa(taken, job.floor_kpa)
    if not scheme.one_run:
        return goal
    line, atmosphere = job.line, job.line.atmosphere_kpa_abs
    emptied = (rest.tyre_kpa + atmosphere) * (rest.air_l + rest.hose_air_l) / (rest.air_l + line.hose_l)
    reached = emptied * math.exp(-_dry_budget_s(line) * line.pump_lps / (rest.air_l + line.hose_l))
    return max(goal, reached - atmosphere)


def _fill(job: Job, rest: AtRest, until_kpa: float) -> tuple[Stroke, AtRest]:
    line = job.line
    gas, atmosphere = gas_kpa_l(line, rest), line.atmosphere_kpa_abs
    litres = min(rest.remaining_l, max(0.0, rest.air_l - gas / (until_kpa + atmosphere)))
    to_kpa = gas / (rest.air_l - litres) - atmosphere
    air_s = (rest.hose_air_l + rest.suction_air_l) / line.pump_lps
    seconds = air_s + job.curves.fill_s(gas, gas / rest.air_l - atmosphere, to_kpa)
    after = AtRest(to_kpa, rest.air_l - litres, rest.remaining_l - litres, open_l=rest.open_l - litres)
    return Stroke("fill", litres, rest.tyre_kpa, to_kpa, seconds), after


def _air_out(job: Job, rest: AtRest, to_kpa: float, before: list[Stroke]) -> tuple[Stroke, AtRest]:
    line = job.line
    if job.method == "vent":
        seconds = job.curves.vent_s(rest.air_l + rest.hose_air_l, rest.tyre_kpa, to_kpa)
        after = AtRest(to_kpa, rest.air_l, rest.remaining_l, rest.hose_air_l, rest.suction_air_l, rest.open_l)
    else:
        seconds = draw_seconds(line, rest, to_kpa)
        drawn_s = sum(stroke.seconds for stroke in before if stroke.move == "air out")
        if before and drawn_s + seconds > line.dry_run_s:
            # The pump rests once its dry time is used up; pumping liquid is rest too.
            seconds += max(0.0, line.dry_rest_s - before[-1].seconds - 2 * SETTLE_S)
        after = AtRest(to_kpa, rest.air_l, rest.remaining_l, line.hose_l, line.suction_l, rest.open_l)
    return Stroke("air out", 0.0, rest.tyre_kpa, to_kpa, seconds), after


def draw_seconds(line: Line, rest: AtRest, to_kpa: float) -> float:
    """Time to draw a tyre down: the hose's liquid first, then air at the pump's volume flow, with its rests."""
    atmosphere = line.atmosphere_kpa_abs
    # Emptying the hose already lets the tyre's gas expand into it; the pump then removes volume from a fixed space.
    space_l = rest.air_l + line.hose_l
    start_abs = (rest.tyre_kpa + atmosphere) * (rest.air_l + rest.hose_air_l) / space_l
    dry_s = max(0.0, math.log(start_abs / (to_kpa + atmosphere))) * space_l / line.pump_lps
    pauses = max(0, math.ceil(dry_s / _dry_budget_s(line) - 1e-6) - 1) if line.dry_run_s < NO_LIMIT_S else 0
    return (line.hose_l - rest.hose_air_l) / line.pump_lps + dry_s + pauses * line.dry_rest_s


def _dry_budget_s(line: Line) -> float:
    """How long one draw may run dry: the next forward stroke moves the suction line's air first, dry too."""
    return max(line.dry_run_s - 1.5 * line.suction_l / line.pump_lps, 0.1 * line.dry_run_s)
