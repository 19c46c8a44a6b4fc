"""Fills in virtual time for the tests: a rig from the demonstration configurations, changed by dotted keys."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from rig.control.belief.state import FillState, new_fill
from rig.control.moves.decide import Decision
from rig.control.moves.snapshot import fill_record
from rig.control.words.procedure import State
from rig.control.words.values import Request, RequestKind, Setup
from rig.fluid import read_fluid
from rig.plan.target import Wanted
from rig.run.assembly import Memory, Question, answer, setup_of
from rig.run.person import Person, Unattended
from rig.run.removal import Removal, removal_setup
from rig.run.settings import Settings, settings_of
from sim.faults import read_fault
from sim.table import with_sim
from sim.virtual import VirtualFill, VirtualRig

CONFIG = Path(__file__).parent.parent / "config"
PSI = 6.894757293168361


def record_of(setup: Setup, state: FillState) -> dict[str, object]:
    """The record of a fill so far, as its JSON has it."""
    return fill_record(setup, state).document()


def rig_settings(layout: str = "vent", **changes: object) -> Settings:
    """The demonstration rig with changed keys, two underscores for the dot: ``pump__flow="40 gpm"``; None: without."""
    name = "demo.toml" if layout == "vent" else "demo-draw-down.toml"
    document = tomllib.loads((CONFIG / name).read_text(encoding="utf-8"))
    for path, value in changes.items():
        table, key = path.split("__")
        document.setdefault(table, {})[key] = value
        if value is None:
            del document[table][key]
    return settings_of(document, "test")


@dataclass(frozen=True)
class Ran:
    """One virtual fill that has ended."""

    setup: Setup
    rig: VirtualRig
    last: Decision
    decisions: int
    alarms: tuple[tuple[float, str], ...]

    @property
    def record(self) -> dict[str, object]:
        return record_of(self.setup, self.last.state)

    @property
    def net_l(self) -> float:
        return self.last.state.tally.net_l(self.setup.meter)

    @property
    def truth_l(self) -> float:
        """Liquid that the plant truly holds in the tyre, above what it started with."""
        plant = self.rig.plant
        return plant.tyre.liquid_l - plant.start_liquid_l

    @property
    def peak_kpa(self) -> float:
        return self.rig.plant.extremes.peak_tyre_kpa

    @property
    def first_out(self) -> str | None:
        return self.last.state.alarms.first_out


class Nobody:
    """Nobody at the rig."""

    gave_up = False

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        return []


class GivesTheMeterUp(Unattended):
    """When something stops the fill: the next best measure, reset where needed, and on."""

    def __init__(self, times: int = 1) -> None:
        super().__init__()
        self._left = times
        self._todo: list[RequestKind] = []

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        state = decision.state.state
        if state in (State.HELD, State.ABORTED) and self._left:
            self._left -= 1
            self._todo = ["next_measure", "resume"] if state is State.HELD else ["next_measure", "reset", "resume"]
        if self._todo:
            kind = self._todo.pop(0)
            return [Request(f"{kind}-{decision.state.now_s}", kind, by="test")]
        return super().requests(setup, decision)


class GoesOn(Unattended):
    """Looks at whatever holds the fill, and goes on."""

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        if decision.state.state is State.HELD:
            return [Request(f"on-{decision.state.now_s}", "resume", by="test")]
        return super().requests(setup, decision)


def fill_of(settings: Settings, question: Question, faults: Sequence[str] = ()) -> VirtualFill:
    """A virtual fill ready to run; the simulated tyre is of the size asked for."""
    settings = with_sim(settings, size=question.size)
    setup = setup_of(settings, question, answer(settings, question), "test", Memory())
    return VirtualFill(VirtualRig(settings, [read_fault(text) for text in faults]), setup)


def removal_of(
    size: str, told_l: float, measure: int, faults: Sequence[str], *, truly_l: float | None = None,
    layout: str = "vent", **changes: object,
) -> VirtualFill:  # fmt: skip
    """A removal ready to run: told to hold ``told_l``, through the meter (measure 0) or round it."""
    settings = rig_settings(
        layout, sim__size=size, sim__valve_at=6, sim__existing=f"{truly_l or told_l} L", sim__start_pressure="18 psi",
        sim__bead_limit="-4 psi", tote__content="500 L", **changes,
    )  # fmt: skip
    removal = Removal(Question(size, Wanted(valve_at=6)), told_l, settings.tote.fluid, through_meter=measure == 0)
    setup = removal_setup(settings, removal, read_fluid(settings.tote.fluid), Memory())
    fill = VirtualFill(VirtualRig(settings, [read_fault(text) for text in faults]), setup)
    fill.state = replace(new_fill(setup), measure=measure)
    return fill


def run_fill(
    size: str = "16.9-28",
    layout: str = "vent",
    *,
    faults: Sequence[str] = (),
    question: Question | None = None,
    person: Person | None = None,
    watch: Callable[[Decision], None] | None = None,
    most_s: float = 4 * 3600.0,
    **changes: object,
) -> Ran:
    """Run one fill to its end, or for ``most_s``; ``sim__size`` follows ``size``, the simulated bore the valve."""
    question = question or Question(size)
    settings = rig_settings(layout, sim__size=question.size, **{"tote__content": "2500 L", **changes})
    target = answer(settings, question)
    if "sim__valve_bore" not in changes:
        bore = f"{1000 * target.valve.bore_m:g} mm"
        settings = rig_settings(
            layout, sim__size=question.size, sim__valve_bore=bore, **{"tote__content": "2500 L", **changes}
        )
    setup = setup_of(settings, question, target, "test", Memory())
    rig = VirtualRig(settings, [read_fault(text) for text in faults])
    alarms: list[tuple[float, str]] = []
    count = 0

    def see(decision: Decision) -> None:
        nonlocal count
        count += 1
        alarms.extend((decision.state.now_s, str(e.data["name"])) for e in decision.entries if e.kind == "alarm")
        if watch is not None:
            watch(decision)

    last = VirtualFill(rig, setup, person or Unattended(), see).run(most_s)
    return Ran(setup, rig, last, count, tuple(alarms))
