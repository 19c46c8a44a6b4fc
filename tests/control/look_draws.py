"""Tyres drawn at random for the look: how often liquid already inside is noticed, and how often a sound tyre is held.

What a fill cannot know is drawn: the cavity as its class's band says (two standard deviations either side), sidewall
growth 0 to 0.003 per psi, polytropic exponent 1.0 to 1.1, the gas's temperature ± 3 K and the gauge (0.25 % of 60 psi
at 95 %). ``python tests/control/look_draws.py FILLS`` prints the rates by class, on the laws alone and of FILLS whole,
and of as many with the heat that makes such an exponent and such a temperature.
"""

from __future__ import annotations

import math
import random
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from virtual_fills import PSI, rig_settings

from rig.control.belief.airspace import Rise, expected, judged
from rig.control.belief.state import in_tyre_l
from rig.control.words.values import CavityFacts, Setup
from rig.run.assembly import Memory, Question, answer, setup_of
from rig.wheel import cavity_of, read_size
from sim.plant.sensors import GaugeError
from sim.virtual import VirtualFill, VirtualRig

AIR = 101.325
LIQUID_C = 15.0
GAUGE_SIGMA_KPA = 0.0025 * 60 * PSI / 2
SIZES = {
    "taught": ("11L-15", "11.2-24", "9.5-42", "14L-16.1", "320/85R28", "18.4-28"),
    "table": ("11L-15", "9.5-24", "9.5-42", "14L-16.1", "13.6-36", "18.4-28"),
    "geometry": ("11.2-24", "12.4-28", "12.4R36", "9.5L-15", "320/85R28", "14.9-26"),
}
MIXED_SHARE = 0.05
"""Liquid, as a share of the cavity, after which the gas on paper has made 63 % of the change to its temperature."""
WAY_L = 1.8
"""In the tyre at the first rest of a fill: the feeler's litres."""
FACTORS = {"sound": 1.0, "fifth smaller": 0.8, "fifth larger": 1.2}


@dataclass(frozen=True)
class Draw:
    """One tyre and one day. ``cavity_l`` is true; hidden liquid is in it besides."""

    size: str
    taught_l: float | None
    cavity_l: float
    hidden_l: float
    growth: float
    exponent: float
    warmer_k: float
    start_kpa: float
    seed: int


def draws(kind: str, count: int, case: str, start_kpa: float = 5 * PSI) -> Iterator[Draw]:
    """``count`` tyres of a class, its sizes in turn; ``case`` is one of CASES."""
    rng = random.Random(f"{kind} {case}")
    for number in range(count):
        size = SIZES[kind][number % len(SIZES[kind])]
        designation = read_size(size)
        taught_l = cavity_of(designation).volume_l if kind == "taught" else None
        cavity = cavity_of(designation, taught_l=taught_l)
        assert cavity.basis == kind, f"{size} has its cavity by {cavity.basis}"
        z = rng.gauss(0.0, 1.0)
        side_l = cavity.volume_l - cavity.low_l if z < 0 else cavity.high_l - cavity.volume_l
        true_l = cavity.volume_l + z * side_l / 2
        hidden = {"fifth of cavity": 0.2, "fifth of target": 0.2 * cavity.fraction_at_clock(12)}.get(case, 0.0)
        yield Draw(
            size,
            taught_l,
            true_l * FACTORS.get(case, 1.0),
            hidden * true_l,
            rng.uniform(0.0, 0.003),
            rng.uniform(1.0, 1.1),
            rng.uniform(-3.0, 3.0),
            start_kpa,
            rng.randrange(10**6),
        )


CASES = ("sound", "fifth of cavity", "fifth of target", "fifth smaller", "fifth larger")


def kpa_after(draw: Draw, litres: float) -> float:
    """The tyre's true gauge pressure after ``litres``: p·Vⁿ constant (any textbook), walls that grow, by bisection."""

    def room_l(kpa: float) -> float:
        return draw.cavity_l * (1 + draw.growth * kpa / PSI) - draw.hidden_l

    start, first_l = draw.start_kpa + AIR, room_l(draw.start_kpa)
    low, high = 0.0, 2000.0
    for _ in range(40):
        kpa = (low + high) / 2
        gas = (kpa + AIR) * max(room_l(kpa) - litres, 1e-9) ** draw.exponent
        too_low = gas < start * first_l**draw.exponent * (1 + draw.warmer_k / 288)
        low, high = (kpa, high) if too_low else (low, kpa)
    return (low + high) / 2


def facts_of(draw: Draw) -> CavityFacts:
    """What a fill believes of the cavity."""
    cavity = cavity_of(read_size(draw.size), taught_l=draw.taught_l)
    return CavityFacts(cavity.volume_l, cavity.low_l, cavity.high_l, cavity.fraction_at_clock(12), (0.0, 0.0))


@cache
def bounds_kpa(facts: CavityFacts, rise: Rise) -> tuple[float, float]:
    """Between which tellings a look at the end of ``rise`` finds no difference, by bisection on its verdict."""

    def edge(inside: float, outside: float) -> float:
        for _ in range(12):
            middle = (inside + outside) / 2
            shown = replace(rise, to_kpa=rise.to_kpa + middle - rise.indicated_kpa)
            inside, outside = (middle, outside) if judged(facts, shown, "look") == "agrees" else (inside, middle)
        return (inside + outside) / 2

    foreseen = expected(facts, rise)
    reach = 6.5 * foreseen.less_kpa
    return edge(foreseen.indicated_kpa, foreseen.indicated_kpa - reach), edge(
        foreseen.indicated_kpa, foreseen.indicated_kpa + reach
    )


def held_on_paper(draw: Draw, share: float = 0.329) -> bool:
    """Whether the look at ``share`` of the target finds a difference, by the laws alone."""
    facts, gauge = facts_of(draw), GaugeError(GAUGE_SIGMA_KPA, draw.seed)
    litres = share * facts.volume_l * facts.fraction_at_valve
    rise = Rise(AIR, draw.start_kpa, 0.0, draw.start_kpa, litres, put_in_u=0.002, way_kpa=draw.start_kpa, way_l=WAY_L)
    low, high = bounds_kpa(facts, rise)

    def shown(kpa: float) -> float:
        # Expected pressures go with the pressure that was read at the start.
        return kpa + gauge.at(kpa) - gauge.at(draw.start_kpa) * (kpa + AIR) / (draw.start_kpa + AIR)

    ends = shown(kpa_after(draw, litres))
    # So much of the gas's own warmth a rest on the way shows.
    soon = -math.expm1(-WAY_L / (MIXED_SHARE * draw.cavity_l))
    way = shown(kpa_after(replace(draw, warmer_k=soon * draw.warmer_k), WAY_L))
    return not low <= replace(rise, to_kpa=ends, way_kpa=way).indicated_kpa <= high


@dataclass(frozen=True)
class Ended:
    """How far a whole fill came: held by which guard, at which share of the target."""

    guard: str | None
    share: float


def heat_of(draw: Draw) -> dict[str, object]:
    """What makes such an exponent and such a temperature: 5 to 40 s to take the walls' heat, walls up to 6 K apart."""
    return {
        "sim__heat_time": f"{5.0 + 350.0 * (draw.exponent - 1.0)} s",
        "sim__wall_temperature": f"{LIQUID_C - 2.0 * draw.warmer_k} degC",
    }


def fill_to_the_third(draw: Draw, *, heat: bool = False) -> Ended:
    """A whole virtual fill through every decision, until it is held or a third of the target is in.

    Without ``heat`` the gas has the draw's exponent and the liquid's temperature.
    """
    settings = rig_settings(
        sim__size=draw.size,
        sim__cavity=f"{draw.cavity_l} L",
        sim__existing=f"{draw.hidden_l} L",
        sim__growth=draw.growth,
        **(heat_of(draw) if heat else {"sim__exponent": draw.exponent}),
        sim__gauge_error=f"{GAUGE_SIGMA_KPA} kPa",
        sim__start_pressure=f"{draw.start_kpa} kPa",
        sim__seed=draw.seed,
    )
    question = Question(draw.size, taught_l=draw.taught_l)
    setup = setup_of(settings, question, answer(settings, question), "look", Memory())
    fill = VirtualFill(VirtualRig(settings), setup)
    last = fill.run(until=lambda d: d.state.alarms.first_out is not None or _past(setup, d.facts.in_tyre_l))
    return Ended(last.state.alarms.first_out, in_tyre_l(setup, last.state) / setup.target_l)


def _past(setup: Setup, inside_l: float) -> bool:
    return inside_l > 0.36 * setup.target_l


def rate(kind: str, case: str, count: int, held: Callable[[Draw], bool]) -> float:
    """Share of the draws that are held."""
    return sum(held(draw) for draw in draws(kind, count, case)) / count


def _table(fills: int, papers: int) -> None:
    print(f"{'class':<10}{'case':<18}{'by the laws':>12}{'whole fills':>14}{'with heat':>14}   held before a third")
    for kind in SIZES:
        for case in CASES:
            paper = rate(kind, case, papers, held_on_paper)
            shares, names = "", set[str]()
            for heat in (False, True):
                ended = [fill_to_the_third(draw, heat=heat) for draw in draws(kind, fills, case)]
                held = [str(each.guard) for each in ended if each.guard is not None and each.share <= 1 / 3]
                shares += f"{len(held):>8} of {fills:<3}"
                names |= set(held)
            print(f"{kind:<10}{case:<18}{paper:>12.4f}{shares}   {', '.join(sorted(names))}", flush=True)


if __name__ == "__main__":
    _table(int(sys.argv[1]) if len(sys.argv) > 1 else 60, 20000)
