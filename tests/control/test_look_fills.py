"""Whole virtual fills of tyres drawn at random: liquid already inside is noticed before a third of the target is in.

RIG_LOOK_FILLS sets how many of each kind are run (``python tests/control/look_draws.py 60`` prints a table).
"""

from __future__ import annotations

import os

import pytest
from look_draws import PSI, draws, fill_to_the_third
from virtual_fills import Nobody, fill_of, record_of, rig_settings, run_fill

from rig.books.wording import stopped_text
from rig.control.moves.decide import Decision
from rig.control.words.changed import changed
from rig.control.words.procedure import State
from rig.control.words.values import Request
from rig.run.assembly import Question
from rig.run.person import Unattended
from rig.units import show_volume

FILLS = int(os.environ.get("RIG_LOOK_FILLS", "6"))
LEAST = {"taught": 0.99, "table": 0.92, "geometry": 0.72}


@pytest.mark.full
@pytest.mark.parametrize("kind", LEAST)
def test_a_fifth_of_the_cavity_is_noticed_before_a_third_is_in(kind: str) -> None:
    ended = [fill_to_the_third(draw) for draw in draws(kind, FILLS, "fifth of cavity")]
    held = [each for each in ended if each.guard in ("cavity_differs", "estimates_disagree") and each.share <= 1 / 3]
    # As many as the rate says, less three standard deviations of so few fills.
    rate = LEAST[kind]
    assert len(held) >= FILLS * rate - 3 * (FILLS * rate * (1 - rate)) ** 0.5


@pytest.mark.full
@pytest.mark.parametrize("kind", LEAST)
def test_a_sound_tyre_goes_on(kind: str) -> None:
    ended = [fill_to_the_third(draw) for draw in draws(kind, FILLS, "sound")]
    assert sum(each.guard is not None for each in ended) <= 0.005 * FILLS + 3 * (0.005 * FILLS) ** 0.5
    assert all(each.share > 1 / 3 for each in ended if each.guard is None)


def _hidden(size: str = "11.2-24", share: float = 0.3) -> dict[str, object]:
    litres = share * fill_of(rig_settings(), Question(size)).setup.cavity.volume_l
    return {"sim__existing": f"{litres} L", "sim__start_pressure": "5 psi"}


def test_one_touch_goes_on_and_neither_pressure_nor_a_tenth_of_air_is_given_up() -> None:
    size = "11.2-24"
    fill = fill_of(rig_settings(**_hidden(size)), Question(size))
    fill.run(until=lambda d: d.state.state is State.HOLDING)
    fill.person = Nobody()
    held = fill.run(until=lambda d: d.state.state is State.HELD)
    assert held.state.alarms.first_out == "cavity_differs"
    assert held.facts.in_tyre_l <= fill.setup.target_l / 3
    fill.ask(Request("r1", "resume", by="jo"))
    assert fill.run(most_s=1.0).state.alarms.accepted == {"cavity_differs"}
    fill.person = Unattended()
    last = fill.run()
    record = record_of(fill.setup, last.state)
    assert record["cavity_agrees"] is False
    assert "cavity_differs" in record["flags"]  # type: ignore[operator]
    plant = fill.rig.plant
    assert plant.extremes.peak_tyre_kpa <= fill.setup.window.ceiling_kpa + PSI
    assert plant.tyre.liquid_l <= 0.97 * plant.params.tyre.cavity_l


def test_the_look_costs_one_short_stop() -> None:
    stops, began = [], [0.0]

    def see(decision: object) -> None:
        for entry in decision.entries:  # type: ignore[attr-defined]
            if entry.kind == "stroke" and entry.data["ended_by"] == "look":
                began[0] = decision.state.now_s  # type: ignore[attr-defined]
            if entry.kind == "rest" and began[0]:
                stops.append(decision.state.now_s - began.pop())  # type: ignore[attr-defined]
                began.append(0.0)

    ran = run_fill("11.2-24", watch=see)  # type: ignore[arg-type]
    assert ran.record["outcome"] == "complete"
    assert len(stops) == 1
    assert stops[0] <= 7.0


@pytest.mark.parametrize(("taught", "stops"), [(False, ["feeler", "look"]), (True, ["look"])])
def test_a_rest_on_the_way_is_made_where_it_sharpens_the_look(taught: bool, stops: list[str]) -> None:
    # A class without published volumes: its band is wide enough for the rest to help.
    cavity_l = fill_of(rig_settings(), Question("340/85R24")).setup.cavity.volume_l
    fill = fill_of(
        rig_settings(sim__start_pressure="5 psi", tote__fluid="water"),
        Question("340/85R24", taught_l=cavity_l if taught else None),
    )
    fill.setup = changed(fill.setup, loss_known=True)
    ended: list[object] = []

    def see(decision: Decision) -> None:
        ended.extend(entry.data["ended_by"] for entry in decision.entries if entry.kind == "stroke")

    fill.watch = see
    last = fill.run(until=lambda d: d.state.gas.looked)
    assert ended == stops
    rise = last.state.gas.rise
    assert rise is not None
    assert (rise.way is None) is taught


def test_the_record_shows_both_cavities() -> None:
    ran = run_fill("11.2-24", sim__growth=0.0015, sim__exponent=1.05)
    record = {key: value for key, value in ran.record.items() if isinstance(value, float)}
    truth = ran.rig.plant.params.tyre.cavity_l
    assert ran.record["cavity_agrees"] is True
    assert record["measured_cavity_l"] == pytest.approx(truth, rel=0.01)
    assert abs(record["measured_cavity_l"] - truth) <= record["measured_cavity_u_l"]
    assert record["cavity_low_l"] < truth < record["cavity_high_l"]


def test_the_words_say_what_was_measured_and_what_it_may_be() -> None:
    fill = fill_of(rig_settings(**_hidden()), Question("11.2-24"))
    held = fill.run(until=lambda d: d.state.state is State.HOLDING)
    text = stopped_text(fill.setup, held, "cavity_differs")
    assert "liquid inside, a smaller tyre, a tube or foam" in text
    assert f"the size says {show_volume(fill.setup.cavity.low_l)} to" in text
    assert "liquid inside" not in stopped_text(fill.setup, held, "dry_run")


def test_the_record_states_what_of_its_cavity_s_doubt_such_tyres_share() -> None:
    """Growth and exponent, the same for all of them, are most of it."""
    record = run_fill("16.9-28").record
    whole, shared = record["measured_cavity_u_l"], record["measured_cavity_shared_u_l"]
    assert isinstance(whole, float)
    assert isinstance(shared, float)
    assert 0.8 * whole < shared < whole
