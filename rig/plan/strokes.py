"""The next move at rest, and the forecast of the whole fill.

Both use one search: the controller calls ``next_move`` at every rest with the measured state, and ``foresee`` simulates
the fill to show times and pressures before anything moves. So the plan on the screen is the procedure.
"""

from __future__ import annotations

from functools import lru_cache

from rig.plan.moves import (
    NEAR_KPA,
    SETTLE_S,
    AirOut,
    AtRest,
    Fill,
    Foreseen,
    Method,
    Stroke,
    Window,
    end_kpa,
)
from rig.plan.physics import Line
from rig.plan.schemes import Job, Trial, draw_seconds, run
from rig.plan.search import best_trial, published

__all__ = [
    "NEAR_KPA",
    "SETTLE_S",
    "AirOut",
    "AtRest",
    "Fill",
    "Foreseen",
    "Method",
    "Stroke",
    "Window",
    "draw_seconds",
    "end_kpa",
    "fixed_procedure",
    "foresee",
    "next_move",
]


def next_move(line: Line, window: Window, rest: AtRest, method: Method = "vent") -> Fill | AirOut:
    """Choose the next move at rest: the first move of the quickest plan from here.

    Near the floor it is always a fill, and no air-out is smaller than a psi, so that a move that ended a little off
    its goal is not repeated.
    """
    job = Job.of(line, window, method, rest)
    trial = best_trial(job)
    if trial is None:
        return _without_plan(job)
    first = trial.strokes[0]
    if first.move == "air out":
        return AirOut(job.floor_kpa if trial.scheme.one_run else first.to_kpa)
    # The last stroke may use the whole window: it ends at the target, and the cavity is never known exactly.
    return Fill(window.ceiling_kpa if len(trial.strokes) == 1 else first.to_kpa)


def _without_plan(job: Job) -> Fill | AirOut:
    """The move where no plan reaches the target: air out where that helps, else fill as far as the window permits."""
    rest, ceiling = job.rest, job.window.ceiling_kpa
    fits = end_kpa(job.line, rest, rest.remaining_l) <= ceiling
    last_room = rest.open_l < 0 and rest.tyre_kpa < ceiling - NEAR_KPA
    return AirOut(job.floor_kpa) if job.may_begin_with_air and not (fits or last_room) else Fill(ceiling)


@lru_cache(maxsize=4096)
def foresee(line: Line, window: Window, rest: AtRest, method: Method) -> Foreseen:
    """Simulate the whole fill, with a rest of :data:`SETTLE_S` after each move.

    Where no plan reaches the target, the published procedure as far as it gets.
    """
    job = Job.of(line, window, method, rest)
    return _foreseen(best_trial(job) or run(job, published(job)))


def fixed_procedure(line: Line, window: Window, rest: AtRest, method: Method) -> Foreseen:
    """Simulate the published procedure: bleed to the floor, fill to the ceiling, repeat until the target."""
    job = Job.of(line, window, method, rest)
    return _foreseen(run(job, published(job)))


def _foreseen(trial: Trial) -> Foreseen:
    return Foreseen(trial.strokes, trial.final_kpa, trial.seconds, trial.reaches_target and trial.workable)
