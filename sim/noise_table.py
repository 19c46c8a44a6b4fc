"""The cost of gauge noise: sound fills at each noise level, as a table of minutes and of fills that were held.

Noise is one standard deviation of a scan, in per cent of a 60 psi gauge. The fills are the same at every level.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING

from sim.campaign import judged
from sim.plant.laws import KPA_PER_PSI
from sim.scenarios import Case, drawn
from sim.table import with_sim

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from sim.campaign import Judged

NOISE = (0.0, 0.1, 0.2, 0.35, 0.5)
_SOUND = ("fault1", "fault2", "crash", "person", "noise")
_PERCENT_KPA = 0.6 * KPA_PER_PSI


def noisy(seed: int, percent: float) -> Judged:
    """Run one sound fill of a seed at a noise level."""
    scenario = drawn(Case(seed, _SOUND))
    return judged(replace(scenario, settings=with_sim(scenario.settings, gauge_noise=percent * _PERCENT_KPA)))


def noise_table(seeds: Sequence[int], jobs: int, say: Callable[[str], None]) -> int:
    """Print a line for each noise level; returns the number of fills with a breach."""
    say(f"{'noise, % of 60 psi':>18} {'fills':>6} {'complete':>9} {'held':>6} {'minutes':>8} {'breaches':>9}")
    breaches = 0
    with ProcessPoolExecutor(jobs) as pool:
        for percent in NOISE:
            ran = pool.map(noisy, seeds, [percent] * len(seeds))
            fills = [each for each in ran if each.outcome != "refused"]
            complete = [each for each in fills if each.outcome == "complete"]
            broken = sum(bool(each.breaches) for each in fills)
            minutes = sum(each.virtual_s for each in complete) / 60 / max(len(complete), 1)
            held = len(fills) - len(complete)
            say(f"{percent:>18g} {len(fills):>6} {len(complete):>9} {held:>6} {minutes:>8.1f} {broken:>9}")
            breaches += broken
    return breaches
