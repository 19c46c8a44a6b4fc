"""What the heat of the gas costs: sound fills by heat transfer and by the liquid's temperature above the tyre's.

The fills are the same in every cell. A cell is the share that did not end complete, of those that the plan permits.
"At the valve" counts those of them whose liquid truly was at the valve: they could not be filled any further.
"""

from __future__ import annotations

from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING

from sim.campaign import judged
from sim.scenarios import Case, drawn
from sim.table import with_sim

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from sim.campaign import Judged

TIMES_S = (None, 5.0, 10.0, 20.0, 40.0)
"""Time constants of the cavity full of air; None: the gas keeps its temperature."""
WARMER_K = (-20.0, -10.0, 0.0, 10.0, 20.0)
"""Temperatures of the liquid above those of the tyre."""
_SOUND = ("fault1", "fault2", "crash", "person", "noise")


def warmed(seed: int, time_s: float | None, warmer_k: float) -> Judged:
    """Run one sound fill of a seed with this heat transfer and temperature."""
    scenario = drawn(Case(seed, _SOUND))
    wall_c = None if time_s is None else scenario.settings.tote.temperature - warmer_k
    settings = with_sim(scenario.settings, exponent=1.0, heat_time=time_s, wall_temperature=wall_c)
    return judged(replace(scenario, settings=settings))


def heat_table(seeds: Sequence[int], jobs: int, say: Callable[[str], None]) -> int:
    """Print a line for each heat transfer; returns the number of fills with a breach."""
    say(
        "| heat transfer | " + " | ".join(f"{kelvin:+g} K" for kelvin in WARMER_K) + " | at the valve | by | breaches |"
    )
    say("| --- " * (len(WARMER_K) + 4) + "|")
    breaches = 0
    with ProcessPoolExecutor(jobs) as pool:
        for time_s in TIMES_S:
            cells, causes, broken, full = [], Counter[str](), 0, 0
            for warmer_k in WARMER_K:
                if time_s is None and warmer_k:
                    cells.append("–")
                    continue
                ran = pool.map(warmed, seeds, [time_s] * len(seeds), [warmer_k] * len(seeds))
                fills = [each for each in ran if each.outcome != "refused"]
                held = [each for each in fills if each.outcome != "complete"]
                causes.update(str(each.first_out) for each in held)
                full += sum(each.at_valve for each in held)
                broken += sum(bool(each.breaches) for each in fills)
                cells.append(f"{len(held)} of {len(fills)}")
            by = ", ".join(f"{name} {count}" for name, count in causes.most_common())
            name = "isothermal" if time_s is None else f"{time_s:g} s"
            say(f"| {name} | {' | '.join(cells)} | {full} | {by or '–'} | {broken} |")
            breaches += broken
    return breaches
