"""Detect liquid inside: from a measured air space and the size's cavity to liquid with its band.

The air space comes from a sealed stroke of a fill, or from air let over out of a tank. Must not depend on how either
was requested.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rig.control.belief.airspace import Found, Rise, Verdict, found_in, judged
from rig.control.words.values import CavityFacts
from rig.record.work import Inside as Answer
from rig.record.work import Loaded

MATTERS = 0.2
"""Share of the cavity from which liquid changes what a job does; reliably less means the answer is no."""


@dataclass(frozen=True, slots=True)
class Inside:
    """Liquid in the tyre before anything was put in, with its band (95 %)."""

    litres: float
    low_l: float
    high_l: float
    answer: Answer


def loaded(found: Inside | None) -> Loaded:
    """For a record, litres rounded; without a measured air space the answer is that it cannot tell."""
    if found is None:
        return Loaded(None, None, None, "cannot tell")
    return Loaded(round(found.litres, 1), round(found.low_l, 1), round(found.high_l, 1), found.answer)


def inside(cavity: CavityFacts, found: Found, verdict: Verdict, stated_l: float = 0.0) -> Inside:
    """Liquid derived from the air space: the size's cavity less the measured one, plus what was reported.

    Yes where the look finds the air space too small; no where the band stays below what matters.
    """
    best = stated_l + cavity.volume_l - found.cavity_l
    down, up = (
        2 * math.hypot(side / 2, found.sigma_l)
        for side in (cavity.volume_l - cavity.low_l, cavity.high_l - cavity.volume_l)
    )
    low, litres, high = (min(max(litres, 0.0), cavity.volume_l) for litres in (best - down, best, best + up))
    answer: Answer = "cannot tell"
    if verdict == "less":
        answer = "yes"
    elif verdict == "agrees" and high < MATTERS * cavity.volume_l:
        answer = "no"
    return Inside(litres, low, high, answer)


def inside_by_air(cavity: CavityFacts, rise: Rise, stated_l: float = 0.0) -> Inside | None:
    """The same from air let into the tyre (no liquid in ``rise``); ``None`` where the pressure hardly rose."""
    found = found_in(rise)
    return None if found is None else inside(cavity, found, judged(cavity, rise, "look"), stated_l)


def tank_rise(
    atmosphere_kpa_abs: float,
    stated_l: float,
    tyre_kpa: tuple[float, float],
    tank_l: float,
    tank_kpa: tuple[float, float],
    gauge_u_kpa: float,
) -> Rise:
    """The rise from a tank of known volume: Boyle's law for both, each at rest and at ambient temperature.

    The uncertainty of what went in is that of the tank's two readings and of 3 K of its air.
    """
    (first, last), air = tank_kpa, atmosphere_kpa_abs
    spent = max(first - last, 1e-6)
    put_in_u = math.hypot(math.sqrt(2) * gauge_u_kpa / spent, 3.0 / 288.0 * (last + air) / spent)
    return Rise(air, tyre_kpa[0], stated_l, tyre_kpa[1], stated_l, tank_l * spent, put_in_u, gauge_u_kpa)
