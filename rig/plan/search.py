"""The search behind the plan: like strokes, as many and as deep as costs the least time.

A scheme stops all its strokes at one pressure and lets the air out to one other, the last air-out deeper where the
end needs it. For each number of air-outs a few schemes that lie far apart are run; from the best the search goes
downhill in the two pressures, and on to more air-outs while that is quicker. An air-out that would not be worth its
time goes deeper until it is: the optimum often lies on that edge. The published procedure (down to the floor, up to
the ceiling) is always among them: a plan is never slower. It must not know what the controller does with the answer.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from rig.plan.curves import Curves, curves_of
from rig.plan.moves import NEAR_KPA, SETTLE_S, AtRest, Method, Stroke, Window, gas_kpa_l
from rig.plan.physics import NO_LIMIT_S, Line
from rig.plan.root import root

WORKING_SHARE = 0.02
"""How much longer a plan may take to end nearer to the working pressure."""
_SPARE_KPA, _SPARE_COVERED_KPA = 0.7, 1.5
"""Air-outs aim to end this much below the ceiling: a reading a little off must not ask for one more of them.

More where the liquid covers the valve in the end: no air-out is possible there, and the fill would stay short.
"""
_MOST_AIR_OUTS = 60
_EDGE_KPA = 0.01
_NOTHING_L = 1e-9
WORTH_KPA = 2 * NEAR_KPA
"""No air-out is smaller: one that just makes room for the rest would be asked for again and again."""
_LEAST_VENT_KPA = 0.5
_QUICKER_S = 1e-3
_COARSE = ((1.0, 1.0), (1.0, 0.5), (0.5, 0.5), (0.5, 0.0), (0.0, 1.0), (0.0, 0.0))
"""Where stop and goal are tried first, as shares of their spans; a draw may have one minimum high and one low."""
_HOPE = 0.1
"""How much slower the better of the first few may be where going downhill still promises something."""
_CLOSE = 0.015
"""The same for numbers of air-outs that begin alike."""
_STEPS = (0.2, 0.08, 0.03)
"""Shares of the spans by which the search goes downhill."""
Point = tuple[float, float]
"""Where strokes stop and where air-outs go, kPa gauge."""


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

    @property
    def aim_kpa(self) -> float:
        """Highest pressure at which an air-out aims to end the fill."""
        covered = self.rest.open_l < self.rest.remaining_l
        return self.ceiling_kpa - (_SPARE_COVERED_KPA if covered else _SPARE_KPA)

    def shallowest_kpa(self, from_kpa: float, air_l: float) -> float:
        """Highest pressure to which letting air out is worth its time.

        A draw takes out more gas than hose and suction line bring back, in half the air space believed in, for a
        cavity is never known well. Down to the floor it is the most that can be done.
        """
        worth = from_kpa - WORTH_KPA
        if self.method == "vent":
            return worth
        line, atmosphere = self.line, self.line.atmosphere_kpa_abs
        kept = (from_kpa + atmosphere) * air_l / 2 - atmosphere * line.suction_l
        return min(worth, max(kept / (air_l / 2 + line.hose_l) - atmosphere, self.floor_kpa + NEAR_KPA))


@dataclass(frozen=True, slots=True)
class Scheme:
    """Strokes that all stop at one pressure, the last but at the target, and air-outs that go to another; gauge."""

    air_first: bool
    air_outs: int
    stop_kpa: float
    air_to_kpa: float
    end_kpa: float
    """The last air-out goes as much deeper as it takes to end no higher."""
    one_run: bool = False
    """A draw ends when the pump has run dry for as long as it may, even above its goal."""


@dataclass(frozen=True, slots=True)
class Trial:
    """A scheme run on the model."""

    scheme: Scheme
    strokes: tuple[Stroke, ...]
    final_kpa: float
    seconds: float
    reaches_target: bool
    workable: bool
    """Whether the valve was clear of liquid at every air-out."""
    worthwhile: bool
    """Whether every move was worth its time."""

    @property
    def cost_s(self) -> float:
        """Its time; infinite where it does not reach the target or has a move that is not worth making."""
        return self.seconds if self.reaches_target and self.workable and self.worthwhile else math.inf


def best_trial(job: Job) -> Trial | None:
    """The quickest scheme, or one that takes hardly longer and ends nearer to the working pressure. None: none fits."""
    if job.end_air_l <= 0 or job.rest.remaining_l <= 0:
        return None
    trials = [*_search(job), *_simple(job)]
    best = _quickest(trials)
    return best if best is None or job.window.working_kpa is None else _working(job, trials, best)


def _quickest(trials: list[Trial]) -> Trial | None:
    best = min(trials, key=lambda trial: trial.cost_s, default=None)
    return best if best is not None and best.cost_s < math.inf else None


def _working(job: Job, trials: list[Trial], best: Trial) -> Trial:
    """Of the trials, and of some made for it, the one nearest to the working pressure that takes hardly longer."""
    working = min(job.window.working_kpa or 0.0, job.aim_kpa)
    of = best.scheme
    made = list[Trial]()
    for air_outs in range(max(of.air_outs, 1), of.air_outs + 2):
        family = _Family(job, of.air_first, air_outs, working)
        family.go_downhill()
        made += family.trials
    longest_s = (1 + WORKING_SHARE) * best.seconds
    near = (trial for trial in (*trials, *made) if trial.cost_s <= longest_s)
    return min(near, key=lambda trial: (round(abs(trial.final_kpa - working) / 2), trial.cost_s))


def published(job: Job) -> Scheme:
    """The published procedure: bleed to the floor, fill to the ceiling, again until the target."""
    first, top = job.may_begin_with_air, job.ceiling_kpa
    return Scheme(first, _MOST_AIR_OUTS, stop_kpa=top, air_to_kpa=job.floor_kpa, end_kpa=top)


def _simple(job: Job) -> Iterator[Trial]:
    yield run(job, published(job))
    if job.method == "draw-down" and job.line.dry_run_s < NO_LIMIT_S:
        # The dry runs are what takes long then, and a run moves most gas at the highest pressure.
        for first in (False, True) if job.may_begin_with_air else (False,):
            yield run(job, replace(published(job), air_first=first, one_run=True))


def _search(job: Job) -> list[Trial]:
    """Trials of both beginnings: a few of each, then downhill where those promise something."""
    begins = [_begun(job, first) for first in ((False, True) if job.may_begin_with_air else (False,))]
    hopeful_s = (1 + _HOPE) * min(family.best_s for families in begins for family in families)
    for families in begins:
        if min(family.best_s for family in families) <= hopeful_s < math.inf:
            _refine(job, families)
    return [trial for families in begins for family in families for trial in family.trials]


def _begun(job: Job, air_first: bool) -> list[_Family]:
    """Families with more and more air-outs, until one more only costs time."""
    families: list[_Family] = []
    best_s = math.inf
    for air_outs in range(int(air_first), _MOST_AIR_OUTS):
        family = _Family(job, air_first, air_outs)
        families.append(family)
        if family.trials and family.best_s >= best_s:
            break
        best_s = family.best_s
    return families


def _refine(job: Job, families: list[_Family]) -> None:
    """Downhill with the numbers of air-outs that are nearly the best, and with more while more is quicker."""
    close_s = (1 + _CLOSE) * min(family.best_s for family in families)
    for family in families:
        if family.best_s <= close_s:
            family.go_downhill()
    best = families.index(min(families, key=lambda family: family.best_s))
    while (more := best + 1) < _MOST_AIR_OUTS:
        if more == len(families):
            families.append(_Family(job, families[0].scheme.air_first, families[-1].scheme.air_outs + 1))
        families[more].go_downhill()
        if families[more].best_s >= families[best].best_s:
            return
        best = more


class _Family:
    """The schemes with one beginning and one number of air-outs, as points that are run once each."""

    def __init__(self, job: Job, air_first: bool, air_outs: int, end_kpa: float | None = None) -> None:
        top, floor = job.ceiling_kpa, job.floor_kpa
        self._job, self._known = job, dict[Point, Trial]()
        self.scheme = Scheme(air_first, air_outs, top, floor, job.aim_kpa if end_kpa is None else end_kpa)
        self._least_stop = self._like_goal = top
        if _end(job, self.scheme, top, floor) > top:
            return
        if air_outs:
            self._span(min((floor if air_first else max(floor, job.rest.tyre_kpa)) + WORTH_KPA, top))
        for point in _COARSE if air_outs else _COARSE[:1]:
            self._trial(self._moved((self._least_stop, floor), *point))

    def _span(self, lowest_kpa: float) -> None:
        """Find the spans of stop and goal, and run the scheme whose last stroke ends where the others stop."""
        job, scheme, top, floor = self._job, self.scheme, self._job.ceiling_kpa, self._job.floor_kpa
        end, highest = job.aim_kpa, top - WORTH_KPA

        def end_of(stop_kpa: float) -> float:
            return _end(job, scheme, stop_kpa, floor)

        self._least_stop = root(lambda stop: end_of(stop) - end, lowest_kpa, top)
        self._like_goal = root(lambda to: end - _end(job, scheme, top, to), floor, highest)
        self._trial((root(lambda stop: end_of(stop) - stop, self._least_stop, top), floor))

    @property
    def trials(self) -> list[Trial]:
        """All that were run; none where so few air-outs cannot do."""
        return list(self._known.values())

    @property
    def best_s(self) -> float:
        """Time of the quickest."""
        return min((trial.cost_s for trial in self._known.values()), default=math.inf)

    def go_downhill(self) -> None:
        """From the best trial step by step to what is quicker."""
        if not self._known or not self.scheme.air_outs:
            return
        here = min(self._known, key=lambda point: self._known[point].cost_s)
        for step in _STEPS:
            while (there := self._quicker(here, step)) is not None:
                here = there

    def _quicker(self, here: Point, step: float) -> Point | None:
        """A point one step away that is quicker, if there is one."""
        cost_s = self._known[here].cost_s
        for moves in ((step, 0.0), (-step, 0.0), (0.0, step), (0.0, -step)):
            there = self._moved(here, *moves)
            if self._trial(there).cost_s < cost_s - _QUICKER_S:
                return there
        return None

    def _moved(self, here: Point, stop: float, goal: float) -> Point:
        """The point so many shares of the spans away."""
        job = self._job
        top, floor = job.ceiling_kpa, job.floor_kpa
        to_stop = here[0] + stop * max(top - self._least_stop, WORTH_KPA)
        to_goal = here[1] + goal * max(self._like_goal - floor, WORTH_KPA)
        return min(max(to_stop, self._least_stop), top), min(max(to_goal, floor), top - WORTH_KPA)

    def _trial(self, point: Point) -> Trial:
        of = self.scheme
        if point not in self._known:
            self._known[point] = run(self._job, Scheme(of.air_first, of.air_outs, *point, of.end_kpa))
        return self._known[point]


def _end(job: Job, scheme: Scheme, stop_kpa: float, air_to_kpa: float) -> float:
    """Gauge pressure at which a scheme with these two pressures ends when it takes all its air-outs."""
    line, rest, outs = job.line, job.rest, scheme.air_outs
    atmosphere = line.atmosphere_kpa_abs
    drawn = job.method == "draw-down"
    hose_l, extra = (line.hose_l, atmosphere * line.suction_l) if drawn else (rest.hose_air_l, 0.0)
    gas, air_l = gas_kpa_l(line, rest), rest.air_l
    stop, goal = stop_kpa + atmosphere, air_to_kpa + atmosphere
    for taken in range(outs):
        if taken or not scheme.air_first:
            air_l = gas / stop
            hose_l = hose_l if drawn else 0.0
        gas = goal * (air_l + hose_l) + extra
    return gas / job.end_air_l - atmosphere


def run(job: Job, scheme: Scheme) -> Trial:
    """Run a scheme on the model until the target is in, or until a move moves nothing."""
    rest, strokes, air_outs, seconds = job.rest, list[Stroke](), 0, 0.0
    workable = worthwhile = True
    atmosphere, top = job.line.atmosphere_kpa_abs, job.ceiling_kpa
    wants_air = scheme.air_first
    while rest.remaining_l > _NOTHING_L and len(strokes) <= 2 * _MOST_AIR_OUTS:
        if wants_air:
            shallowest = job.shallowest_kpa(rest.tyre_kpa, rest.air_l)
            goal = max(min(_goal(job, scheme, rest, air_outs), shallowest), job.floor_kpa)
            goal = max(goal, _run_dry_kpa(job, rest)) if scheme.one_run else goal
            stroke, rest = _air_out(job, rest, goal, strokes)
            air_outs += 1
            workable = workable and rest.open_l >= 0
            worthwhile = worthwhile and goal <= shallowest + _EDGE_KPA
        else:
            ends = gas_kpa_l(job.line, rest) <= (scheme.stop_kpa + atmosphere) * job.end_air_l
            stroke, rest = _fill(job, rest, top if ends or air_outs >= scheme.air_outs else scheme.stop_kpa)
            worth = stroke.to_kpa - stroke.from_kpa >= WORTH_KPA - _EDGE_KPA
            worthwhile = worthwhile and (worth or rest.remaining_l <= _NOTHING_L)
        strokes.append(stroke)
        seconds += stroke.seconds + SETTLE_S
        if not wants_air and (air_outs >= scheme.air_outs or stroke.litres < 1e-3):
            break
        wants_air = not wants_air
    reaches = rest.remaining_l <= _NOTHING_L
    return Trial(scheme, tuple(strokes), rest.tyre_kpa, seconds, reaches, workable, worthwhile)


def _goal(job: Job, scheme: Scheme, rest: AtRest, taken: int) -> float:
    """Where the next air-out goes when so many have been: the last at least as deep as the end asks for."""
    if taken < scheme.air_outs - 1:
        return scheme.air_to_kpa
    line, atmosphere = job.line, job.line.atmosphere_kpa_abs
    drawn = job.method == "draw-down"
    hose_l, suction_l = (line.hose_l, line.suction_l) if drawn else (rest.hose_air_l, rest.suction_air_l)
    gas = (scheme.end_kpa + atmosphere) * job.end_air_l - atmosphere * suction_l
    return min(scheme.air_to_kpa, gas / (rest.air_l + hose_l) - atmosphere)


def _run_dry_kpa(job: Job, rest: AtRest) -> float:
    """How far a draw gets when the pump runs dry for as long as it may."""
    line, atmosphere = job.line, job.line.atmosphere_kpa_abs
    emptied = (rest.tyre_kpa + atmosphere) * (rest.air_l + rest.hose_air_l) / (rest.air_l + line.hose_l)
    reached = emptied * math.exp(-_dry_budget_s(line) * line.pump_lps / (rest.air_l + line.hose_l))
    return reached - atmosphere


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
        # Most pumps may run dry as they like, and nothing needs to be added up.
        limited = before and line.dry_run_s < NO_LIMIT_S
        drawn_s = sum(stroke.seconds for stroke in before if stroke.move == "air out") if limited else 0.0
        if limited and drawn_s + seconds > line.dry_run_s:
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
