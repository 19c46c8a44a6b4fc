"""Draw a fill from one seed: wheel, bore, fluid, layout, true values, faults and the person at the rig.

Every part has its own generator, so that leaving one out changes no other: that is how a failing seed is simplified.
Nothing here judges.
"""

from __future__ import annotations

import random
import tomllib
from dataclasses import dataclass
from itertools import permutations
from typing import TYPE_CHECKING, Literal, NamedTuple

from rig.fluid import read_fluid
from rig.plan.target import TargetError, Wanted
from rig.run.assembly import Memory, Question, answer, setup_of
from rig.run.settings import settings_of
from rig.run.shipped import shipped
from rig.shop.calibration import Standing, for_liquid, with_factor
from sim import unlike, world
from sim.faults import FAULTS, Event
from sim.plant.laws import KPA_PER_PSI
from sim.table import sim_of
from sim.virtual import VirtualRig
from sim.world import WORLD

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from rig.control.words.values import Setup
    from rig.run.settings import Settings

_LARGE = ("16.9-28", "18.4-38", "480/80R42", "20.8-38", "18.4-34", "14.9-28", "13.6-38")
_SMALL = ("11L-15", "26x12-12", "11.2-24", "7.50-16", "12.4-28", "10-16.5", "9.5L-15")
_FLUIDS = ("water", "cacl2:20%", "methanol:33.6%", "beet", "pg:30%vol")
_VALVES = (("air-water", "8 mm"), ("air-water", "7 mm"), ("clamp-in", "4 mm"), ("rubber", "4 mm"))
Layout = Literal["vent", "draw-down"]
Pair = tuple[str, str]
_Fault = tuple[str, float, float | None]
"""Name, onset as a share of the expected time, duration in seconds."""
_OFTEN = 3.0
"""Factor on the probability that a person or a power cut interferes in a fill with a single fault."""
PARTS = (
    "wheel", "fluid", "valve", "truth", "meter", "pump", "start", "order", "dry", "person", "crash", "fault1", "fault2",
    "rig", "noise", "late", *WORLD,
)  # fmt: skip
"""Parts of a scenario that can be left out, by name."""
ALWAYS = ("layout", "plant", "place")
"""Parts that cannot be left out: where the air goes out, the plant's own noise, when a single fault begins."""
LATE = ("reverse_welded",)
"""Faults added when seeds of the others were in use: they sometimes replace another, by the part "late"."""
AS_THEN = ("noise", "late", *WORLD)
"""Parts added later: without them a seed is the same fill as before."""
_EARLY = tuple(sorted(FAULTS.keys() - set(LATE)))
_SPAN_KPA = 60 * KPA_PER_PSI
_MOST_NOISE = 0.005
"""One standard deviation, as a share of the gauge's span: the worst of a 4 to 20 mA loop on a truck."""
PAIRS: tuple[Pair, ...] = tuple(permutations(sorted(FAULTS), 2))
"""Every ordered pair of faults."""


class Case(NamedTuple):
    """The parameters from which a scenario is drawn."""

    seed: int
    dropped: Collection[str] = ()
    """Parts left out."""
    pair: Pair | None = None
    """Two given faults, in this order; None: drawn like everything else."""
    wide: bool = False
    """Rig and wheel differ from the demonstration's."""
    single: bool = False
    """Exactly one fault, and people and power cuts interfere more often: the evidence for single-fault requirements."""
    thermal: bool = False
    """Properties of the plant that the demonstration's does not have: heat, viscosity, losses (:mod:`sim.world`)."""
    replayed: bool = False
    """Recorded and replayed, too."""
    redrawn: tuple[tuple[str, int], ...] = ()
    """Parts drawn from another seed than the others, with that."""

    @property
    def often(self) -> float:
        """Factor on the probability of interference by a person or a power cut."""
        return _OFTEN if self.single else 1.0

    @property
    def parts(self) -> tuple[str, ...]:
        """Parts not left out yet."""
        return tuple(part for part in PARTS if part not in self.dropped)

    @property
    def drawn_parts(self) -> tuple[str, ...]:
        """Parts that this kind of fill draws, apart from those left out."""
        unused = {"late", *(() if self.single else ("place",)), *(() if self.wide else ("rig",))}
        if self.single:
            unused.add("fault2")
        if not (self.wide or self.thermal):
            unused.update(WORLD)
        return tuple(part for part in (*self.parts, *ALWAYS) if part not in unused)

    @property
    def command(self) -> str:
        """The command that repeats this fill."""
        drop = f" --drop {','.join(sorted(self.dropped))}" if self.dropped else ""
        pair = f" --pair {','.join(self.pair)}" if self.pair else ""
        options = "".join(f" --{name}" for name in ("wide", "single", "thermal", "replayed") if getattr(self, name))
        other = ",".join(f"{part}={seed}" for part, seed in self.redrawn)
        redraw = f" --redraw {other}" if other else ""
        return f"python -m sim campaign --fills 1 --seed {self.seed}{options}{pair}{drop}{redraw}"

    def without(self, part: str) -> Case:
        """The same case without a part."""
        return self._replace(dropped=(*self.dropped, part))

    def seed_of(self, part: str) -> int:
        """The seed from which a part is drawn."""
        return dict(self.redrawn).get(part, self.seed)

    def part(self, name: str) -> random.Random | None:
        """The generator of a part; None for one that is left out, which takes its default value."""
        return None if name in self.dropped else self.always(name)

    def always(self, name: str) -> random.Random:
        """The generator of a part that cannot be left out."""
        return random.Random(f"{self.seed_of(name)} {name}")  # a simulation, not a secret


@dataclass(frozen=True, slots=True)
class Habits:
    """The scripted person's actions besides confirming and answering; times as shares of the expected time."""

    think_s: float = 0.0
    hold_at: float | None = None
    stop_at: float | None = None
    goes_on: int = 0
    """Number of times that a held or tripped fill is resumed before it is ended."""
    gives_meter_up: bool = False
    repeats: bool = False
    """Every request is sent twice, as by a double tap."""
    hasty: bool = False
    """Requests the start before anything is confirmed."""


@dataclass(frozen=True, slots=True)
class Scenario:
    """Everything drawn for one fill."""

    case: Case
    layout: Layout
    question: Question
    settings: Settings
    faults: tuple[_Fault, ...]
    habits: Habits
    crash_at: float | None
    stall: tuple[float, float] | None = None
    """When the controller's computer stalls, as a share of the expected time, and for how many seconds."""

    def events(self, expected_s: float) -> list[Event]:
        """The faults in plant time."""
        found = []
        for name, share, duration_s in self.faults:
            onset_s = 0.0 if FAULTS[name].only_at_start else round(share * expected_s, 1)
            found.append(Event(name, onset_s, duration_s))
        return found


def drawn(case: Case) -> Scenario:
    """The scenario of a case."""
    layout: Layout = "vent" if case.always("layout").random() < 0.5 else "draw-down"
    size, question_valve, bore = _wheel(case, unlike.sizes() if case.wide else None)
    fluid_rng = case.part("fluid")
    fluid = fluid_rng.choice(_FLUIDS) if fluid_rng else "water"
    changes: dict[str, dict[str, object]] = {
        "sim": {
            "size": size,
            "valve_bore": bore,
            "seed": case.seed_of("plant"),
            **_truth(case),
            **_start(case),
            **_noise(case),
        },
        "tote": {"fluid": fluid, "content": "3000 L"},
        "pump": _pump(case, layout),
        "meter": {},
        "flush": _order(case),
    }
    _meter(case, changes)
    rng = case.part("rig") if case.wide else None
    if rng is not None:
        for table, keys in unlike.rig(rng).items():
            changes.setdefault(table, {}).update(keys)
    if case.wide or case.thermal:
        for table, keys in world.properties(case.part, world.Rig(size, bore, fluid, str(changes["pump"].get("flow")))):
            changes.setdefault(table, {}).update(keys)
    settings = settings_of(_document(layout, changes), "campaign")
    crash = case.part("crash")
    return Scenario(
        case=case,
        layout=layout,
        question=Question(size, Wanted(), valve=question_valve, fluid=fluid),
        settings=_as_proven(settings, fluid),
        faults=_pair(case, case.pair) if case.pair else _faults(case),
        habits=_habits(case),
        crash_at=crash.uniform(0.02, 1.0) if crash and crash.random() < 0.1 * case.often else None,
        stall=world.stall(case.part) if case.wide or case.thermal else None,
    )


def _as_proven(settings: Settings, fluid: str) -> Settings:
    """The settings with what the liquid adds to the uncertainty of a meter whose factor depends on it."""
    sim = sim_of(settings)
    meter, mpas = settings.meter, sim.proven_viscosity
    if not sim.viscosity_drift or meter.uncertainty is None:
        return settings
    proven = Standing(
        meter.meter_factor, "proving", str(meter.proven_on), "campaign", meter.uncertainty, 5, 1, None,
        liquid="another liquid", mpas=(mpas, mpas),
    )  # fmt: skip
    return with_factor(settings, for_liquid(settings, proven, read_fluid(fluid), settings.tote.temperature))


def set_up(scenario: Scenario) -> tuple[Setup, VirtualRig] | None:
    """The fill's setup and its rig with the faults scheduled; None where the plan refuses the fill."""
    try:
        target = answer(scenario.settings, scenario.question)
    except TargetError:
        return None
    setup = setup_of(scenario.settings, scenario.question, target, f"campaign-{scenario.case.seed}", Memory())
    if not setup.plan_reaches:
        return None
    stall = scenario.stall and (scenario.stall[0] * setup.expected_s, scenario.stall[1])
    return setup, VirtualRig(scenario.settings, scenario.events(setup.expected_s), stall)


def _document(layout: Layout, changes: dict[str, dict[str, object]]) -> dict[str, object]:
    name = "demo.toml" if layout == "vent" else "demo-draw-down.toml"
    document = tomllib.loads(shipped(name).read_text(encoding="utf-8"))
    for table, keys in changes.items():
        known = document.setdefault(table, {})
        for key, value in keys.items():
            # A point keeps the keys that are not drawn.
            known[key] = {**known.get(key, {}), **value} if isinstance(value, dict) else value
    return document


def _wheel(case: Case, sizes: Sequence[str] | None) -> tuple[str, str, str]:
    wheel, valve = case.part("wheel"), case.part("valve")
    size = "11L-15"
    if wheel is not None:
        size = wheel.choice(sizes or (_LARGE if wheel.random() < 0.5 else _SMALL))
    name, bore = valve.choice(_VALVES) if valve else _VALVES[0]
    return size, name, bore


def _truth(case: Case) -> dict[str, object]:
    rng = case.part("truth")
    if rng is None:
        return {}
    return {
        "cavity_factor": min(max(rng.gauss(1.0, 0.01), 0.97), 1.03),
        "growth": rng.uniform(0, 0.002),
        "discharge": rng.uniform(0.62, 0.8),
        "exponent": rng.choice((1.0, 1.0, 1.0, rng.uniform(1.0, 1.05))),
        "relay_delay": f"{rng.uniform(0.02, 0.1):.3f} s",
        "sensor_lag": f"{rng.uniform(0.05, 0.3):.3f} s",
        "gauge_error": f"{rng.uniform(0.0, 0.5):.3f} kPa",
    }


def _start(case: Case) -> dict[str, object]:
    rng = case.part("start")
    return {"start_pressure": f"{rng.choice((0.0, 5.0, 5.0, 8.0, 11.0))} psi"} if rng else {}


def _noise(case: Case) -> dict[str, object]:
    """Draw the gauge noise; half of the gauges have none beyond their resolution."""
    rng = case.part("noise")
    if rng is None or rng.random() < 0.5:
        return {}
    return {"gauge_noise": f"{rng.uniform(0.0, _MOST_NOISE) * _SPAN_KPA:.3f} kPa"}


def _pump(case: Case, layout: Layout) -> dict[str, object]:
    rng, dry = case.part("pump"), case.part("dry")
    found: dict[str, object] = {"dry_run": "10 min"}
    if rng is not None:
        found |= {"flow": f"{rng.choice((20, 30, 40, 60))} L/min", "coast": f"{rng.uniform(0.4, 2.0):.2f} s"}
    if dry is not None and layout == "draw-down" and dry.random() < 0.2:
        found |= {"dry_run": "30 s", "dry_rest": "60 s"}
    return found


def _meter(case: Case, changes: dict[str, dict[str, object]]) -> None:
    rng = case.part("meter")
    if rng is None:
        return
    plate = rng.choice((20, 50, 100, 100, 500))
    # Proven to 0.2 % at 95 %: the standard deviation of the true factor is less than half of that, clipped at 0.2 %.
    factor = round(rng.uniform(0.97, 1.03), 4)
    true_k = plate / factor * (1.0 + min(max(rng.gauss(0.0, 0.0007), -0.002), 0.002))
    reverse = rng.choice(("signed", "signed", "unsigned", "none"))
    changes["meter"] |= {"k_factor": f"{plate} pulse/L", "reverse": reverse, "meter_factor": factor}
    changes["sim"] |= {"k_factor": f"{true_k:.5f} pulse/L", "meter_noise": 0.0002}


def _order(case: Case) -> dict[str, object]:
    rng = case.part("order")
    return {"order": "gun off, then core back"} if rng and rng.random() < 0.1 * case.often else {}


def _faults(case: Case) -> tuple[_Fault, ...]:
    found = list[_Fault]()
    for part, share in (("fault1", 1.0),) if case.single else (("fault1", 0.7), ("fault2", 0.4)):
        rng = case.part(part)
        if rng is None or rng.random() >= share:
            continue
        lasts_s = duration_s(rng)
        found.append(lasting(_fault(case, part, rng), rng.uniform(0.0, 1.1), lasts_s))
    # The second is independent of the first: alone it is an ordinary single fault.
    return tuple(found)


def _fault(case: Case, part: str, rng: random.Random) -> str:
    early = rng.choice(_EARLY)
    if "late" in case.dropped:
        return early
    late = random.Random(f"{case.seed_of(part)} {part} late")  # a simulation, not a secret
    return late.choice(LATE) if late.random() < len(LATE) / len(FAULTS) else early


def _pair(case: Case, pair: Pair) -> tuple[_Fault, ...]:
    """The faults of a pair that are not dropped, the second during the first or after it."""
    found = list[_Fault]()
    onset = 0.0
    for part, name in zip(("fault1", "fault2"), pair, strict=True):
        rng = case.part(part)
        if rng is not None:
            onset = rng.uniform(onset, 0.5 * (1.0 + onset))
            found.append(lasting(name, onset, duration_s(rng)))
    return tuple(found)


def duration_s(rng: random.Random) -> float | None:
    """Draw how long a fault lasts; None: to the end, as half of them do."""
    return None if rng.random() < 0.5 else round(rng.uniform(0.5, 60.0), 1)


def lasting(name: str, onset: float, duration_s: float | None) -> _Fault:
    """A fault with its onset and duration."""
    # A gun that was blown off remains off.
    return name, onset, None if name == "hose_off" else duration_s


def _habits(case: Case) -> Habits:
    rng = case.part("person")
    if rng is None:
        return Habits()
    return Habits(
        think_s=rng.choice((0.0, 0.0, 2.0, 8.0)),
        hold_at=rng.uniform(0.0, 1.0) if rng.random() < 0.25 * case.often else None,
        stop_at=rng.uniform(0.0, 1.0) if rng.random() < 0.08 * case.often else None,
        goes_on=rng.choice((0, 1, 1, 2, 3)),
        gives_meter_up=rng.random() < 0.2 * case.often,
        repeats=rng.random() < 0.2,
        hasty=rng.random() < 0.2,
    )
