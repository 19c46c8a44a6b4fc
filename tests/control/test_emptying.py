"""Taking liquid out of a tyre: counted, never below just above ambient, until the volume or until air comes."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import pytest
from virtual_fills import record_of, removal_of, rig_settings

from rig.books.wording import progress_line, progress_of
from rig.control.moves.decide import Decision
from rig.control.moves.snapshot import seconds_left
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Setup
from rig.fluid import read_fluid
from rig.plan.target import Wanted
from rig.run.assembly import Memory, Question
from rig.run.refused import Refused
from rig.run.removal import Removal, removal_setup
from sim.virtual import VirtualFill


def emptied(
    size: str, holds_l: float, *, truly_l: float | None = None, measure: int = 0, layout: str = "vent",
    faults: tuple[str, ...] = (), watch: Callable[[Setup, Decision], None] | None = None, **changes: object,
) -> tuple[VirtualFill, Decision, list[Phase]]:  # fmt: skip
    fill = removal_of(size, holds_l, measure, faults, truly_l=truly_l, layout=layout, **changes)
    phases: list[Phase] = []

    def see(decision: Decision) -> None:
        phases.append(decision.state.phase)
        if watch is not None:
            watch(fill.setup, decision)

    fill.watch = see
    return fill, fill.run(), phases


@pytest.mark.parametrize(("size", "holds_l"), [("11L-15", 40.0), ("16.9-28", 220.0)])
@pytest.mark.parametrize("fluid", ["water", "cacl2:20%"])
def test_what_comes_out_is_counted_and_the_pressure_stays_above_ambient(size: str, holds_l: float, fluid: str) -> None:
    fill, last, phases = emptied(size, holds_l, tote__fluid=fluid)
    assert (last.state.state, last.state.alarms.first_out) == (State.COMPLETE, None)
    assert set(phases) <= {Phase.SETTLE, Phase.EMPTY, Phase.SHUT, Phase.BACK_FLUSH, Phase.UNCOUPLE}
    plant = fill.rig.plant
    came_l = plant.start_liquid_l - plant.tyre.liquid_l
    net_l = last.state.tally.net_l(fill.setup.meter)
    assert -net_l == pytest.approx(came_l, abs=max(0.5, 0.02 * holds_l))
    # What lies below the valve hole stays.
    assert came_l == pytest.approx(holds_l - plant.params.tyre.valve_fraction * plant.params.tyre.cavity_l, abs=1.5)
    assert plant.extremes.lowest_tyre_kpa > 0.0


def test_it_ends_when_air_comes_though_more_was_believed_inside() -> None:
    fill, last, _ = emptied("16.9-28", 220.0, truly_l=120.0, tote__fluid="water")
    assert last.state.state is State.COMPLETE
    record = record_of(fill.setup, last.state)
    assert "emptied until air came" in record["flags"]  # type: ignore[operator]
    stays_l = fill.rig.plant.params.tyre.valve_fraction * fill.rig.plant.params.tyre.cavity_l
    assert -float(record["net_l"]) == pytest.approx(120.0 - stays_l, abs=2.0)  # type: ignore[arg-type]


def test_round_the_meter_the_tote_s_level_tells() -> None:
    fill, last, _ = emptied("16.9-28", 200.0, measure=1, tote__fluid="water", faults=("meter_dead@0",))
    record = record_of(fill.setup, last.state)
    assert (last.state.state, record["net_basis"], record["measured_by"]) == (State.COMPLETE, "estimated", "tote level")
    plant = fill.rig.plant
    assert -float(record["net_l"]) == pytest.approx(plant.start_liquid_l - plant.tyre.liquid_l, abs=6.0)  # type: ignore[arg-type]


def test_more_than_the_tyre_holds_is_refused() -> None:
    settings = rig_settings()
    removal = Removal(Question("11L-15", Wanted(valve_at=6)), 30.0, "water", volume_l=20.0)
    with pytest.raises(Refused, match="stand above a 6 o'clock valve"):
        removal_setup(settings, removal, read_fluid("water"), Memory())


def test_what_is_shown_is_what_came_out_and_the_time_left_falls() -> None:
    seen: list[tuple[float, str]] = []

    def see(setup: Setup, decision: Decision) -> None:
        seen.append((seconds_left(setup, decision.state), progress_line(progress_of(setup, decision))))

    emptied("11L-15", 40.0, watch=see, tote__fluid="water")
    assert seen[-1][0] == 0.0 < seen[0][0]
    assert all(later <= earlier for (earlier, _), (later, _) in pairwise(seen))
    assert "drawn out   22." in seen[-1][1]
