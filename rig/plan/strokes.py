"""What to do next at rest, and the whole fill foreseen.

``next_move`` is the one policy: the controller asks it at every rest, with what was measured, and ``foresee`` runs it
ahead on the model to show times and pressures before anything moves. So the plan on the screen is the procedure.
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
    """Choose what to do at rest: the first move of the quickest plan from here.

    Near the floor it is a fill whatever the plan, and no air-out is smaller than a psi, so that asking
    again after a move that ended a little off does not ask for it once more.
    """
    job = Job.of(line, window, method, rest)
    trial = best_trial(job)
    if trial is None:
        return _without_plan(job)
    first = trial.strokes[0]
    if first.move == "air out":
        return AirOut(job.floor_kpa if trial.scheme.one_run else first.to_kpa)
    # The last stroke may use the whole window: its end is the target, and the cavity is never known exactly.
    return Fill(window.ceiling_kpa if len(trial.strokes) == 1 else first.to_kpa)


def _without_plan(job: Job) -> Fill | AirOut:
    """Nothing reaches the target from here: air out where that helps, else as much as the window lets in."""
    rest, ceiling = job.rest, job.window.ceiling_kpa
    fits = end_kpa(job.line, rest, rest.remaining_l) <= ceiling
    last_room = rest.open_l < 0 and rest.tyre_kpa < ceiling - NEAR_KPA
    return AirOut(job.floor_kpa) if job.may_begin_with_air and not (fits or last_room) else Fill(ceiling)


@lru_cache(maxsize=4096)
def foresee(line: Line, window: Window, rest: AtRest, method: Method) -> Foreseen:
    """The whole fill on the model, with a rest of :data:`SETTLE_S` after each move.

    Where nothing reaches the target it is the published procedure, as far as it goes.
    """
    job = Job.of(line, window, method, rest)
    return _foreseen(best_trial(job) or run(job, published(job)))


def fixed_procedure(line: Line, window: Window, rest: AtRest, method: Method) -> Foreseen:
    """The published procedure on the same model: bleed to the floor, fill to the ceiling, again until the target."""
    job = Job.of(line, window, method, rest)
    return _foreseen(run(job, published(job)))


def _foreseen(trial: Trial) -> Foreseen:
    return Foreseen(trial.strokes, trial.final_kpa, trial.seconds, trial.reaches_target and trial.workable)
