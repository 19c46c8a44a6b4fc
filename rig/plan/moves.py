"""The values of a plan: the pressure window, the state at rest, the two moves, and a foreseen fill.

It must not know how a move is chosen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from rig.plan.physics import Line, sealed_kpa

Method = Literal["vent", "draw-down"]
NEAR_KPA = 3.5
"""Tolerance of a goal: half a psi, so that a reading at the edge does not cause one more small move."""
SETTLE_S = 5.0
"""From the end of one move to the start of the next: coasting, settling, reading the gauge."""
UNDER_OPEN_VALVE = 0.015
"""Where the gun comes off an open valve, the liquid remains below it by this share of the cavity. An assumption."""


@dataclass(frozen=True, slots=True)
class Window:
    """Permitted range of the tyre's gauge pressure, and the wanted final pressure."""

    floor_kpa: float
    ceiling_kpa: float
    working_kpa: float | None = None


@dataclass(frozen=True, slots=True)
class AtRest:
    """The state when the liquid is at rest."""

    tyre_kpa: float
    air_l: float
    """Air space of the tyre, without the hose."""
    remaining_l: float
    """Liquid still to go in."""
    hose_air_l: float = 0.0
    """Air in the hose at the tyre's pressure: the next stroke pushes it into the tyre."""
    suction_air_l: float = 0.0
    """Air between tote and meter at atmospheric pressure: likewise."""
    open_l: float = math.inf
    """Liquid that may go in before it reaches the valve: after that no air can be let out."""


@dataclass(frozen=True, slots=True)
class Fill:
    """Pump until the target, or until the tyre reaches ``until_kpa``."""

    until_kpa: float


@dataclass(frozen=True, slots=True)
class AirOut:
    """Let or draw air out until the tyre reaches ``to_kpa``."""

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
    """A whole fill, simulated on the model."""

    strokes: tuple[Stroke, ...]
    final_kpa: float
    seconds: float
    reaches_target: bool

    @property
    def fills(self) -> int:
        """Number of strokes that pump liquid."""
        return sum(stroke.move == "fill" for stroke in self.strokes)


def gas_kpa_l(line: Line, rest: AtRest) -> float:
    """Gas that the next stroke compresses, absolute pressure times volume: tyre, hose and suction line."""
    atmosphere = line.atmosphere_kpa_abs
    return (rest.tyre_kpa + atmosphere) * (rest.air_l + rest.hose_air_l) + atmosphere * rest.suction_air_l


def end_kpa(line: Line, rest: AtRest, litres: float) -> float:
    """Gauge pressure after ``litres`` more, with the air of hose and suction line, went into a sealed tyre."""
    if litres >= rest.air_l:
        return float("inf")
    before_l = gas_kpa_l(line, rest) / (rest.tyre_kpa + line.atmosphere_kpa_abs)
    return sealed_kpa(line, rest.tyre_kpa, before_l, rest.air_l - litres)
