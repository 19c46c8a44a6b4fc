"""A scheme of strokes and air-outs, and its simulation on the model: moves, time, feasibility.

It must not know which schemes are tried, nor which one is chosen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rig.plan.curves import Curves, curves_of
from rig.plan.moves import NEAR_KPA, SETTLE_S, AtRest, Method, Stroke, Window, gas_kpa_l
from rig.plan.physics import NO_LIMIT_S, Line

_SPARE_KPA, _SPARE_COVERED_KPA = 0.7, 1.5
"""Margin of the fill's end below the ceiling, so that a small error of reading does not cause one more air-out.

It is larger where the liquid covers the valve at the end: no air-out is possible there, and the fill would be short.
"""
MOST_AIR_OUTS = 60
"""Limit for a scheme: far more than a fill needs."""
_EDGE_KPA = 0.01
_NOTHING_L = 1e-9
WORTH_KPA = 2 * NEAR_KPA
"""Smallest air-out: one that only just makes room for the rest would be repeated again and again."""
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
    """Highest pressure that the window permits and the pump reaches."""
    end_air_l: float
    """Air space when the target is in."""

    @classmethod
    def of(cls, line: Line, window: Window, method: Method, rest: AtRest) -> Job:
        """The job of a fill from a state at rest."""
        curves = curves_of(line)
        # A vent never gets below ambient pressure, and approaches it slowly.
        floor = max(window.floor_kpa, _LEAST_VENT_KPA) if method == "vent" else window.floor_kpa
        ceiling = min(window.ceiling_kpa, curves.reach_kpa)
        return cls(line, curves, window, method, rest, floor, ceiling, rest.air_l - rest.remaining_l)

    @property
    def may_begin_with_air(self) -> bool:
        """Whether the tyre is far enough above the floor."""
        return self.rest.tyre_kpa - self.floor_kpa >= WORTH_KPA

    @property
    def aim_kpa(self) -> float:
        """Highest planned final pressure."""
        covered = self.rest.open_l < self.rest.remaining_l
        return self.ceiling_kpa - (_SPARE_COVERED_KPA if covered else _SPARE_KPA)

    def shallowest_kpa(self, from_kpa: float, air_l: float) -> float:
        """Highest goal of an air-out that is worth its time.

        A draw must take out more gas than hose and suction line bring back, computed with half the estimated air space,
        because a cavity is never known well. Near the floor that is waived, as nothing deeper is possible.
        """
        worth = from_kpa - WORTH_KPA
        if self.method == "vent":
            return worth
        line, atmosphere = self.line, self.line.atmosphere_kpa_abs
        kept = (from_kpa + atmosphere) * air_l / 2 - atmosphere * line.suction_l
        return min(worth, max(kept / (air_l / 2 + line.hose_l) - atmosphere, self.floor_kpa + NEAR_KPA))


@dataclass(frozen=True, slots=True)
class Scheme:
    """Strokes with one mean stop pressure, the last to the target, and air-outs to another pressure; gauge."""

    air_first: bool
    air_outs: int
    stop_kpa: float
    air_to_kpa: float
    end_kpa: float
    """Highest final pressure: the last air-out goes as deep as it needs."""
    one_run: bool = False
    """A draw ends when the permitted dry-run time is used up, even above its goal."""
    rise_kpa: float = 0.0
    """Rise from the first stop to the last; those between are interpolated, none above the window."""

    @property
    def stops(self) -> int:
        """Number of strokes that stop before an air-out."""
        return self.air_outs - self.air_first

    def stop_of_kpa(self, air_outs: int, top_kpa: float) -> float:
        """Stop pressure of the stroke after a number of air-outs."""
        if not self.rise_kpa:
            return self.stop_kpa
        along = (air_outs - self.air_first) / (self.stops - 1) - 0.5
        return min(self.stop_kpa + along * self.rise_kpa, top_kpa)


@dataclass(frozen=True, slots=True)
class Trial:
    """A scheme with its simulated result."""

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
        """Its time; infinite where it misses the target, is not workable or has a move not worth its time."""
        return self.seconds if self.reaches_target and self.workable and self.worthwhile else math.inf


def run(job: Job, scheme: Scheme) -> Trial:
    """Simulate a scheme until the target is in, or until a move has no effect."""
    rest, strokes, air_outs, seconds = job.rest, list[Stroke](), 0, 0.0
    workable = worthwhile = True
    atmosphere, top = job.line.atmosphere_kpa_abs, job.ceiling_kpa
    wants_air = scheme.air_first
    while rest.remaining_l > _NOTHING_L and len(strokes) <= 2 * MOST_AIR_OUTS:
        if wants_air:
            shallowest = job.shallowest_kpa(rest.tyre_kpa, rest.air_l)
            goal = max(min(_goal(job, scheme, rest, air_outs), shallowest), job.floor_kpa)
            goal = max(goal, _run_dry_kpa(job, rest)) if scheme.one_run else goal
            stroke, rest = _air_out(job, rest, goal, strokes)
            air_outs += 1
            workable = workable and rest.open_l >= 0
            worthwhile = worthwhile and goal <= shallowest + _EDGE_KPA
        else:
            stop = scheme.stop_of_kpa(air_outs, top)
            ends = gas_kpa_l(job.line, rest) <= (stop + atmosphere) * job.end_air_l
            stroke, rest = _fill(job, rest, top if ends or air_outs >= scheme.air_outs else stop)
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
    """Goal of the next air-out after ``taken`` ones: the last at least as deep as the final pressure requires."""
    if taken < scheme.air_outs - 1:
        return scheme.air_to_kpa
    line, atmosphere = job.line, job.line.atmosphere_kpa_abs
    drawn = job.method == "draw-down"
    hose_l, suction_l = (line.hose_l, line.suction_l) if drawn else (rest.hose_air_l, rest.suction_air_l)
    gas = (scheme.end_kpa + atmosphere) * job.end_air_l - atmosphere * suction_l
    return min(scheme.air_to_kpa, gas / (rest.air_l + hose_l) - atmosphere)


def _run_dry_kpa(job: Job, rest: AtRest) -> float:
    """Pressure that a draw reaches within the permitted dry-run time."""
    line, atmosphere = job.line, job.line.atmosphere_kpa_abs
    emptied = (rest.tyre_kpa + atmosphere) * (rest.air_l + rest.hose_air_l) / (rest.air_l + line.hose_l)
    reached = emptied * math.exp(-_dry_budget_s(line) * line.back_lps / (rest.air_l + line.hose_l))
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
        # Most pumps have no dry-run limit, so that nothing needs to be summed.
        limited = before and line.dry_run_s < NO_LIMIT_S
        drawn_s = sum(stroke.seconds for stroke in before if stroke.move == "air out") if limited else 0.0
        if limited and drawn_s + seconds > line.dry_run_s:
            # The pump rests once its dry-run time is used up; pumping liquid counts as rest.
            seconds += max(0.0, line.dry_rest_s - before[-1].seconds - 2 * SETTLE_S)
        after = AtRest(to_kpa, rest.air_l, rest.remaining_l, line.hose_l, line.suction_l, rest.open_l)
    return Stroke("air out", 0.0, rest.tyre_kpa, to_kpa, seconds), after


def draw_seconds(line: Line, rest: AtRest, to_kpa: float) -> float:
    """Time to draw a tyre down: the hose's liquid, then air at the pump's volume flow, and its dry-run rests."""
    atmosphere = line.atmosphere_kpa_abs
    # Emptying the hose lets the tyre's gas expand into it; the pump then removes volume from a fixed space.
    space_l = rest.air_l + line.hose_l
    start_abs = (rest.tyre_kpa + atmosphere) * (rest.air_l + rest.hose_air_l) / space_l
    dry_s = max(0.0, math.log(start_abs / (to_kpa + atmosphere))) * space_l / line.back_lps
    pauses = max(0, math.ceil(dry_s / _dry_budget_s(line) - 1e-6) - 1) if line.dry_run_s < NO_LIMIT_S else 0
    return (line.hose_l - rest.hose_air_l) / line.back_lps + dry_s + pauses * line.dry_rest_s


def _dry_budget_s(line: Line) -> float:
    """Dry-run time of one draw: the next forward stroke needs some too, to move the suction line's air."""
    return max(line.dry_run_s - line.carries_air_off_s, 0.1 * line.dry_run_s)
