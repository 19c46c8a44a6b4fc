"""The search for the plan: equal strokes, their number and depth chosen for the least time.

A scheme stops all its strokes at one pressure and lets the air out to one other, the last air-out deeper where the
end needs it. For each number of air-outs a few widely spaced schemes are simulated; from the best the search descends
in the two pressures, and on to more air-outs while that is quicker; from the best of all also with stops that rise or
fall from stroke to stroke. An air-out not worth its time goes deeper until it is: the optimum is often at that edge.
The published procedure (down to the floor, up to the ceiling) is always among them: a plan is never slower. It must
not know what the controller does with the answer.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from rig.plan.moves import gas_kpa_l
from rig.plan.physics import NO_LIMIT_S
from rig.plan.root import root
from rig.plan.schemes import MOST_AIR_OUTS, WORTH_KPA, Job, Scheme, Trial, run

WORKING_SHARE = 0.02
"""Extra time, as a share, that a plan may take to end nearer to the working pressure."""
_QUICKER_S = 1e-3
_COARSE = ((1.0, 1.0), (1.0, 0.5), (0.5, 0.5), (0.5, 0.0), (0.0, 1.0), (0.0, 0.0))
"""First trials of stop and goal, as shares of their spans; a draw may have one minimum high and one low."""
_HOPE = 0.1
"""Share by which the best of the first trials may be slower and still be refined."""
_CLOSE = 0.015
"""The same for numbers of air-outs with the same first move."""
_STEPS = (0.2, 0.08, 0.03)
"""Step sizes of the descent, as shares of the spans."""
Point = tuple[float, float, float]
"""Mean stop pressure and goal of the air-outs, kPa gauge; rise of the stops."""
_LEVEL: tuple[Point, ...] = ((1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0))
_TILTED: tuple[Point, ...] = (*_LEVEL, (0, 0, 2), (0, 0, -2))
"""Directions of descent: with equal stops, and for the best also with first and last stop a step off the mean."""


def best_trial(job: Job) -> Trial | None:
    """The quickest scheme, or one hardly slower that ends nearer to the working pressure; None if there is none."""
    if job.end_air_l <= 0 or job.rest.remaining_l <= 0:
        return None
    trials = [*_search(job), *_simple(job)]
    best = _quickest(trials)
    return best if best is None or job.window.working_kpa is None else _working(job, trials, best)


def _quickest(trials: list[Trial]) -> Trial | None:
    best = min(trials, key=lambda trial: trial.cost_s, default=None)
    return best if best is not None and best.cost_s < math.inf else None


def _working(job: Job, trials: list[Trial], best: Trial) -> Trial:
    """Of the trials and some additional ones, the nearest to the working pressure that is hardly slower."""
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
    """The published procedure: bleed to the floor, fill to the ceiling, repeat until the target."""
    first, top = job.may_begin_with_air, job.ceiling_kpa
    return Scheme(first, MOST_AIR_OUTS, stop_kpa=top, air_to_kpa=job.floor_kpa, end_kpa=top)


def _simple(job: Job) -> Iterator[Trial]:
    yield run(job, published(job))
    if job.method == "draw-down" and job.line.dry_run_s < NO_LIMIT_S:
        # Dry runs then dominate the time, and a run moves the most gas at the highest pressure.
        for first in (False, True) if job.may_begin_with_air else (False,):
            yield run(job, replace(published(job), air_first=first, one_run=True))


def _search(job: Job) -> list[Trial]:
    """Trials of both first moves: a few of each, then a descent where those are promising."""
    begins = [_begun(job, first) for first in ((False, True) if job.may_begin_with_air else (False,))]
    hopeful_s = (1 + _HOPE) * min(family.best_s for families in begins for family in families)
    for families in begins:
        if min(family.best_s for family in families) <= hopeful_s < math.inf:
            _refine(job, families)
    best = min((family for families in begins for family in families), key=lambda family: family.best_s)
    if best.scheme.stops > 1:
        best.go_downhill(_TILTED)
    return [trial for families in begins for family in families for trial in family.trials]


def _begun(job: Job, air_first: bool) -> list[_Family]:
    """Families with increasing numbers of air-outs, until one more only costs time."""
    families: list[_Family] = []
    best_s = math.inf
    for air_outs in range(int(air_first), MOST_AIR_OUTS):
        family = _Family(job, air_first, air_outs)
        families.append(family)
        if family.trials and family.best_s >= best_s:
            break
        best_s = family.best_s
    return families


def _refine(job: Job, families: list[_Family]) -> None:
    """Refine the numbers of air-outs that are nearly the best, and add more while that is quicker."""
    close_s = (1 + _CLOSE) * min(family.best_s for family in families)
    for family in families:
        if family.best_s <= close_s:
            family.go_downhill()
    best = families.index(min(families, key=lambda family: family.best_s))
    while (more := best + 1) < MOST_AIR_OUTS:
        if more == len(families):
            families.append(_Family(job, families[0].scheme.air_first, families[-1].scheme.air_outs + 1))
        families[more].go_downhill()
        if families[more].best_s >= families[best].best_s:
            return
        best = more


class _Family:
    """The schemes with one first move and one number of air-outs, as points that are simulated once each."""

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
            self._trial(self._moved((self._least_stop, floor, 0.0), *point))

    def _span(self, lowest_kpa: float) -> None:
        """Find the spans of stop and goal, and try the scheme whose last stroke ends where the others stop."""
        job, scheme, top, floor = self._job, self.scheme, self._job.ceiling_kpa, self._job.floor_kpa
        end, highest = job.aim_kpa, top - WORTH_KPA

        def end_of(stop_kpa: float) -> float:
            return _end(job, scheme, stop_kpa, floor)

        self._least_stop = root(lambda stop: end_of(stop) - end, lowest_kpa, top)
        self._like_goal = root(lambda to: end - _end(job, scheme, top, to), floor, highest)
        self._trial((root(lambda stop: end_of(stop) - stop, self._least_stop, top), floor, 0.0))

    @property
    def trials(self) -> list[Trial]:
        """All trials; empty where this number of air-outs is too small."""
        return list(self._known.values())

    @property
    def best_s(self) -> float:
        """Time of the quickest trial."""
        return min((trial.cost_s for trial in self._known.values()), default=math.inf)

    def go_downhill(self, ways: tuple[Point, ...] = _LEVEL) -> None:
        """Descend step by step from the best trial."""
        if not self._known or not self.scheme.air_outs:
            return
        # Goals above the shallowest worthwhile one cost the same: start from the deepest of them.
        here = min(self._known, key=lambda point: (self._known[point].cost_s, point[1]))
        for step in _STEPS:
            while (there := self._quicker(here, step, ways)) is not None:
                here = there

    def _quicker(self, here: Point, step: float, ways: tuple[Point, ...]) -> Point | None:
        """A quicker point one step away, if there is one."""
        cost_s = self._known[here].cost_s
        for way in ways:
            there = self._moved(here, *(step * share for share in way))
            if self._trial(there).cost_s < cost_s - _QUICKER_S:
                return there
        return None

    def _moved(self, here: Point, stop: float, goal: float, rise: float = 0.0) -> Point:
        """The point at a distance in shares of the spans."""
        job = self._job
        top, floor = job.ceiling_kpa, job.floor_kpa
        stops = max(top - self._least_stop, WORTH_KPA)
        to_stop = here[0] + stop * stops
        to_goal = here[1] + goal * max(self._like_goal - floor, WORTH_KPA)
        return (
            min(max(to_stop, self._least_stop), top),
            min(max(to_goal, floor), top - WORTH_KPA),
            here[2] + rise * stops,
        )

    def _trial(self, point: Point) -> Trial:
        of = self.scheme
        if point not in self._known:
            stop, goal, rise = point
            self._known[point] = run(self._job, replace(of, stop_kpa=stop, air_to_kpa=goal, rise_kpa=rise))
        return self._known[point]


def _end(job: Job, scheme: Scheme, stop_kpa: float, air_to_kpa: float) -> float:
    """Final gauge pressure of a scheme with these two pressures after all its air-outs."""
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
