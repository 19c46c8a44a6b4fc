"""Cavity and growth of a wheel from the rests around its sealed strokes: Boyle's law. Pure but for the optimiser.

A casing that grows takes more litres for the same rise. So does gas that has cooled, or leaks: the growth found is that
of gas at one temperature.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from rig.plan.physics import head_kpa
from rig.run.fit_numbers import Fitted, fit
from rig.run.fit_tracks import Rest, Track, rests_of
from rig.units import KPA_PER_PSI

if TYPE_CHECKING:
    from rig.run.fit_numbers import Numbers

_READ_S = 4.0
"""Longest end of a rest that its pressure is the mean of."""
_USUAL_GROWTH = 0.0015
"""Per psi: middle of the span that the controller assumes."""
_LEAST = 4
"""Fewest rises of all fills together."""


@dataclass(frozen=True, slots=True)
class Rise:
    """Two rests with the same gas inside: gauge pressures in the tyre, kPa, and liquid in it, L."""

    fill_id: str
    atmosphere_kpa: float
    configured_l: float
    from_kpa: float
    from_l: float
    to_kpa: float
    to_l: float


def rises_of(tracks: Sequence[Track], coast_s: float) -> list[Rise]:
    """The rises of all fills whose gas is known: recorded in one part, without draw-down, from a wet hose."""
    once = [track for track in tracks if sum(other.fill_id == track.fill_id for other in tracks) == 1]
    found = []
    for track in once:
        setup = track.setup
        if setup.into != "tyre" or setup.method != "vent" or setup.hose_air_l > 0 or setup.cuts_gauge_off:
            continue
        rests = rests_of(track, coast_s)
        for before, after in pairwise(rests):
            if after.sealed:
                ends = (_end_of(before), _end_of(after))
                found.append(
                    Rise(track.fill_id, setup.line.atmosphere_kpa_abs, setup.cavity.volume_l, *ends[0], *ends[1])
                )
    return found


def _end_of(rest: Rest) -> tuple[float, float]:
    """The tyre's pressure at the end of a rest, and the litres in it."""
    track, setup = rest.track, rest.track.setup
    since_s = track.t_s[rest.last - 1] - _READ_S
    read = [track.kpa[place] for place in range(rest.first, rest.last) if track.t_s[place] >= since_s]
    inside_l = setup.existing_l + track.litres[rest.last - 1] - track.litres[0]
    covered_m = setup.cavity.covered(inside_l / setup.cavity.volume_l)
    return sum(read) / len(read) - head_kpa(setup.line, covered_m), inside_l


def risen_kpa(rise: Rise, cavity_l: float, growth_per_psi: float) -> float:
    """The pressure that a rise ends at in a cavity that grows, kPa: the positive root of a quadratic."""
    air, grows_l = rise.atmosphere_kpa, cavity_l * growth_per_psi / KPA_PER_PSI
    gas = (rise.from_kpa + air) * (cavity_l + grows_l * rise.from_kpa - rise.from_l)
    room_l = cavity_l - rise.to_l
    linear, rest = room_l + air * grows_l, air * room_l - gas
    return 2 * rest / (-linear - math.sqrt(max(linear * linear - 4 * grows_l * rest, 0.0)))


def fit_air(rises: Sequence[Rise]) -> tuple[Fitted, tuple[str, ...]] | None:
    """Growth per psi, then the cavity of each fill by its id; None where there are too few rises."""
    import numpy as np

    fills = tuple(sorted({rise.fill_id for rise in rises}))
    if len(rises) < max(_LEAST, len(fills) + 2):
        return None
    began = {rise.fill_id: rise.configured_l for rise in rises}
    least = {name: 1.001 * max(r.to_l for r in rises if r.fill_id == name) for name in fills}

    def residuals(values: Numbers) -> list[Numbers]:
        growth, *cavities = (float(value) for value in values)
        by_fill = dict(zip(fills, cavities, strict=True))
        return [np.array([r.to_kpa - risen_kpa(r, by_fill[r.fill_id], growth)]) for r in rises]

    start = [_USUAL_GROWTH, *(max(began[name], 1.01 * least[name]) for name in fills)]
    low, high = [-0.005, *(least[name] for name in fills)], [0.02, *(3 * each for each in start[1:])]
    return fit(residuals, start, (low, high), (1e-3, *start[1:])), fills
