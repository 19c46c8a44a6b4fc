"""Strokes inside the pressure window: what to do next at rest, and the whole fill foreseen.

``next_move`` is the one policy: the controller asks it at every rest, with what was measured, and ``foresee`` runs it
ahead on the model to show times and pressures before anything moves. So the plan on the screen is the procedure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from rig.plan.physics import Line, flow_lps, sealed_kpa, vent_seconds

Method = Literal["vent", "draw-down"]
_MAX_STROKES = 60


@dataclass(frozen=True, slots=True)
class Window:
    """Gauge pressures between which the tyre is worked."""

    floor_kpa: float
    ceiling_kpa: float


@dataclass(frozen=True, slots=True)
class AtRest:
    """What is known when the liquid stands still."""

    tyre_kpa: float
    air_l: float
    """Air space of the tyre, without the hose."""
    remaining_l: float
    """Liquid still to go in."""
    hose_air_l: float = 0.0
    """Air in the hose, at the tyre's pressure: the next stroke pushes it into the tyre."""
    suction_air_l: float = 0.0
    """Air between tote and meter, at atmospheric pressure: likewise."""


@dataclass(frozen=True, slots=True)
class Fill:
    """Pump until the target, or until the tyre stands at ``until_kpa``."""

    until_kpa: float


@dataclass(frozen=True, slots=True)
class AirOut:
    """Let or draw air out until the tyre stands at ``to_kpa``."""

    to_kpa: float


@dataclass(frozen=True, slots=True)
class Stroke:
    """One step of the foreseen fill."""

    move: Literal["air out", "fill"]
    litres: float
    from_kpa: float
    to_kpa: float
    seconds: float


@dataclass(frozen=True, slots=True)
class Foreseen:
    """A whole fill on the model."""

    strokes: tuple[Stroke, ...]
    final_kpa: float
    seconds: float
    reaches_target: bool

    @property
    def fills(self) -> int:
        """How many times liquid is pumped."""
        return sum(stroke.move == "fill" for stroke in self.strokes)


NEAR_KPA = 3.5
"""How near to the floor is near enough: half a psi, so that a reading at the edge does not ask for one more vent."""


def next_move(line: Line, window: Window, rest: AtRest) -> Fill | AirOut:
    """Choose what to do at rest: fill when the target or a worthwhile stroke fits under the ceiling, else air out.

    A stroke that cannot reach the target starts as low as the window allows, because the share of the air space that
    a stroke displaces depends on its start pressure only (Boyle).
    """
    if rest.tyre_kpa <= window.floor_kpa + NEAR_KPA:
        return Fill(window.ceiling_kpa)
    if end_kpa(line, rest, rest.remaining_l) <= window.ceiling_kpa:
        return Fill(window.ceiling_kpa)
    return AirOut(window.floor_kpa)


def end_kpa(line: Line, rest: AtRest, litres: float) -> float:
    """Gauge pressure after ``litres`` more went into a sealed tyre, the air of hose and suction line with them."""
    if litres >= rest.air_l:
        return float("inf")
    return sealed_kpa(line, rest.tyre_kpa, _gas_at_tyre_pressure(line, rest), rest.air_l - litres)


def litres_until(line: Line, rest: AtRest, until_kpa: float) -> float:
    """Liquid that goes into the sealed tyre until it stands at ``until_kpa``; 0 when it stands there already."""
    atmosphere = line.atmosphere_kpa_abs
    air = _gas_at_tyre_pressure(line, rest) * (rest.tyre_kpa + atmosphere) / (until_kpa + atmosphere)
    return max(0.0, rest.air_l - air)


def _gas_at_tyre_pressure(line: Line, rest: AtRest) -> float:
    atmosphere = line.atmosphere_kpa_abs
    return rest.air_l + rest.hose_air_l + rest.suction_air_l * atmosphere / (rest.tyre_kpa + atmosphere)


def foresee(line: Line, window: Window, rest: AtRest, method: Method, settle_s: float = 5.0) -> Foreseen:
    """Run the policy ahead on the model, with a rest of ``settle_s`` after each move."""
    strokes: list[Stroke] = []
    while rest.remaining_l > 1e-6 and len(strokes) < _MAX_STROKES:
        move = next_move(line, window, rest)
        stroke, rest = _fill(line, rest, move) if isinstance(move, Fill) else _air_out(line, rest, move, method)
        strokes.append(stroke)
        if stroke.move == "fill" and stroke.litres < 1e-3:
            break
    seconds = sum(stroke.seconds + settle_s for stroke in strokes)
    return Foreseen(tuple(strokes), rest.tyre_kpa, seconds, rest.remaining_l <= 1e-6)


def _fill(line: Line, rest: AtRest, move: Fill) -> tuple[Stroke, AtRest]:
    litres = min(rest.remaining_l, litres_until(line, rest, move.until_kpa))
    to_kpa = end_kpa(line, rest, litres)
    seconds = (rest.hose_air_l + rest.suction_air_l) / max(line.pump_lps, 1e-9)
    steps = 12
    for step in range(steps):
        middle = end_kpa(line, rest, litres * (step + 0.5) / steps)
        seconds += litres / steps / max(flow_lps(line, middle), 1e-9)
    after = AtRest(to_kpa, rest.air_l - litres, rest.remaining_l - litres)
    return Stroke("fill", litres, rest.tyre_kpa, to_kpa, seconds), after


def _air_out(line: Line, rest: AtRest, move: AirOut, method: Method) -> tuple[Stroke, AtRest]:
    if method == "vent":
        seconds = vent_seconds(line, rest.air_l, rest.tyre_kpa, move.to_kpa)
        after = AtRest(move.to_kpa, rest.air_l, rest.remaining_l, rest.hose_air_l, rest.suction_air_l)
        return Stroke("air out", 0.0, rest.tyre_kpa, move.to_kpa, seconds), after
    seconds = draw_seconds(line, rest, move.to_kpa)
    after = AtRest(move.to_kpa, rest.air_l, rest.remaining_l, line.hose_l, line.suction_l)
    return Stroke("air out", 0.0, rest.tyre_kpa, move.to_kpa, seconds), after


def draw_seconds(line: Line, rest: AtRest, to_kpa: float) -> float:
    """Time to draw a tyre down: the hose's liquid first, then air at the pump's volume flow."""
    from math import log

    atmosphere = line.atmosphere_kpa_abs
    liquid = line.hose_l - rest.hose_air_l
    # Emptying the hose already lets the tyre's gas expand into it; the pump then removes volume from a fixed space.
    start_abs = (rest.tyre_kpa + atmosphere) * (rest.air_l + rest.hose_air_l) / (rest.air_l + line.hose_l)
    expansions = max(0.0, log(start_abs / (to_kpa + atmosphere)))
    return (liquid + expansions * (rest.air_l + line.hose_l)) / max(line.pump_lps, 1e-9)
