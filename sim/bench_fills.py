"""Accuracy of the records of many simulated fills, and the benefit of the learned cut-off.

Each rig has its own true meter, is proven into an open vessel with five runs, and then fills mixed wheels through mixed
valves with mixed fluids. The controller never gets the simulator's true pulses per litre.
"""

from __future__ import annotations

import random
import tomllib
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain
from statistics import median
from typing import Literal

from rig.control.moves.decide import Decision
from rig.control.words.procedure import State
from rig.control.words.values import Setup
from rig.fluid import read_fluid
from rig.meter.proving import Before, Run, prove
from rig.plan.target import TargetError, Wanted
from rig.run.assembly import Memory, Question, answer, setup_of, vessel_setup
from rig.run.settings import Settings, settings_of
from rig.run.shipped import shipped
from sim.bench_wires import Ratio
from sim.table import with_sim
from sim.virtual import VirtualFill, VirtualRig

_PER_RIG = 10
_RUNS, _RANGE_PERCENT, _CAN_L = 5, 0.1, 60.0
_TEMP_C = 15.0
_COAST_S = 1.0
"""The coast-down time in every rig's configuration."""
_LARGE = ("16.9-28", "18.4-38", "480/80R42", "20.8-38", "18.4-34", "14.9-28")
_SMALL = ("11L-15", "26x12-12", "11.2-24", "7.50-16", "12.4-28", "10-16.5")
_FLUIDS = ("water", "cacl2:20%", "methanol:33.6%", "beet", "pg:30%vol")
_VALVES = (("air-water", "8 mm"), ("air-water", "7 mm"), ("clamp-in", "4 mm"))
Layout = Literal["vent", "draw-down"]
Overruns = dict[str, tuple[tuple[int, float], ...]]
"""A rig's learned overruns, by fluid."""


@dataclass(frozen=True, slots=True)
class Filled:
    """One fill: target, recorded and true litres; ``hose_l`` for what a draw-down's air front may add."""

    target_l: float
    net_l: float
    true_l: float
    hose_l: float
    complete: bool


def _settings(layout: Layout, seed: int, **changes: object) -> Settings:
    name = "demo.toml" if layout == "vent" else "demo-draw-down.toml"
    document = tomllib.loads(shipped(name).read_text(encoding="utf-8"))
    document["sim"] |= {"seed": seed, "meter_noise": 0.0002}
    document["tote"]["content"] = "3000 L"
    for path, value in changes.items():
        table, key = path.split("__")
        document[table][key] = value
    return settings_of(document, "bench")


def _proven(settings: Settings) -> Settings:
    """The settings with the factor of a simulated proving: five runs into an open vessel, read from the plant."""
    fluid = read_fluid("water")
    rig = VirtualRig(settings)
    runs: list[Run] = []
    while len(runs) < _RUNS:
        rig.write({"hand_gun_on": False, "hand_in_vessel": True})
        setup = vessel_setup(settings, fluid, _TEMP_C, _CAN_L, "proving", Memory())
        last = VirtualFill(rig, setup).run()
        count = last.state.counts[0]
        runs.append(Run(count.forward - count.back, rig.plant.vessel_l, _TEMP_C, _TEMP_C))
        rig.write({"hand_in_vessel": False})
        rig.advance(1.0)
    plate = settings.meter.k_factor
    assert plate is not None
    proving = prove(runs, Before(plate, 2.0, settings.pump.flow, 1.0), fluid, 0.0002)
    assert proving.range_percent <= _RANGE_PERCENT, f"the simulated proving scatters: {proving.range_percent:.3f} %"
    meter = settings.meter.model_copy(update={"meter_factor": proving.factor})
    return settings.model_copy(update={"meter": meter})


def _one(settings: Settings, rng: random.Random, overruns: Overruns | None) -> Filled | None:
    """Run a fill of a random wheel, ``overruns`` learned or (None) fixed; None where this rig cannot fill it."""
    size = rng.choice(_LARGE if rng.random() < 0.5 else _SMALL)
    fluid = rng.choice(_FLUIDS)
    valve, bore = rng.choice(_VALVES)
    truth = {
        "size": size, "cavity_factor": rng.gauss(1.0, 0.01), "growth": rng.uniform(0, 0.002),
        "discharge": rng.uniform(0.62, 0.8), "valve_bore": float(bore.removesuffix(" mm")) / 1000,
        "seed": rng.randrange(10**6),
    }  # fmt: skip
    settings = with_sim(settings, **truth).model_copy(
        update={"tote": settings.tote.model_copy(update={"fluid": fluid})}
    )
    question = Question(size, Wanted(), valve=valve, fluid=fluid)
    # The configured coast-down time differs from the pump's true one.
    believed = settings.model_copy(update={"pump": settings.pump.model_copy(update={"coast": _COAST_S})})
    try:
        target = answer(believed, question)
    except TargetError:
        return None
    setup = setup_of(believed, question, target, "bench", Memory(overruns=(overruns or {}).get(fluid, ())))
    if not setup.plan_reaches:
        return None
    return _filled(settings, setup, fluid, overruns)


def _filled(settings: Settings, setup: Setup, fluid: str, overruns: Overruns | None) -> Filled:
    rig = VirtualRig(settings)
    fill = VirtualFill(rig, setup)
    if overruns is None:
        fill.watch = partial(_forget, fill)
    last = fill.run()
    if overruns is not None:
        overruns[fluid] = last.state.overruns
    true_l = rig.plant.tyre.liquid_l - rig.plant.start_liquid_l
    net_l = last.state.tally.net_l(setup.meter)
    return Filled(setup.target_l, net_l, true_l, setup.line.hose_l, last.state.state is State.COMPLETE)


def _forget(fill: VirtualFill, decision: Decision) -> None:
    """Keep the cut-off fixed: discard what was learned after every scan."""
    fill.state = replace(decision.state, overruns=())


def _rig(job: tuple[Layout, int, bool]) -> list[Filled]:
    layout, seed, learns = job
    rng = random.Random(seed)  # a simulation, not a secret
    true_k = 100 * rng.uniform(0.97, 1.03)
    coast = f"{rng.uniform(0.4, 2.0):.2f} s"
    settings = _settings(layout, seed, sim__k_factor=f"{true_k:.4f} pulse/L", pump__coast=coast)
    settings = _proven(settings)
    overruns: Overruns = {}
    found: list[Filled] = []
    while len(found) < _PER_RIG:
        one = _one(settings, rng, overruns if learns else None)
        if one is not None:
            found.append(one)
    return found


def _run(jobs: Sequence[tuple[Layout, int, bool]]) -> list[Filled]:
    with ProcessPoolExecutor() as pool:
        return list(chain.from_iterable(pool.map(_rig, jobs)))


def _quantile(values: Sequence[float], share: float) -> float:
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def fills(count: int = 500, seed: int = 1) -> list[Ratio]:
    """Record errors of ``count`` fills, half with a wet hose; delivery errors relative to a fixed cut-off."""
    rigs = max(1, count // (2 * _PER_RIG))
    wet, drawn = (_run([(layout, seed + at, True) for at in range(rigs)]) for layout in ("vent", "draw-down"))
    fixed = _run([("vent", seed + at, False) for at in range(rigs)])
    return [
        _record_ratio("record, wet hose", wet, 0.0),
        Ratio("record, wet hose, median", 100 * median(_relative(wet)), "<= 0.1 %", f"{len(wet)} fills"),
        _record_ratio("record, draw-down", drawn, 0.05),
        _delivery_ratio(wet, fixed),
    ]


def _relative(found: Sequence[Filled]) -> list[float]:
    return [abs(each.net_l - each.true_l) / each.target_l for each in found]


def _record_ratio(name: str, found: Sequence[Filled], hose_share: float) -> Ratio:
    """99th percentile of the record's error over its limit: 0.3 % of the target or 0.1 L, and a share of the hose."""
    shares = [
        abs(each.net_l - each.true_l) / (max(0.003 * each.target_l, 0.1) + hose_share * each.hose_l) for each in found
    ]
    complete = sum(each.complete for each in found)
    worst = max(abs(each.net_l - each.true_l) for each in found)
    detail = f"{len(found)} fills, {complete} complete, worst {worst:.2f} L"
    return Ratio(f"{name}, 99th percentile over the allowed", _quantile(shares, 0.99), "<= 1", detail)


def _delivery_ratio(learned: Sequence[Filled], fixed: Sequence[Filled]) -> Ratio:
    with_l, without_l = (median(abs(each.true_l - each.target_l) for each in found) for found in (learned, fixed))
    detail = f"median {with_l:.3f} L against {without_l:.3f} L on the same seeds"
    return Ratio("delivery error, learned over fixed cut-off", with_l / without_l, "< 1", detail)
