"""An absolute transmitter: a fill like any other where its unit says so, and no fill where it is wired as gauge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from virtual_fills import fill_of, rig_settings, run_fill

from rig.control.belief.state import new_fill
from rig.control.moves.decide import Decision
from rig.control.safety.permissives import open_checks
from rig.control.words.procedure import State
from rig.control.words.values import Request, Setup
from rig.run.assembly import Question
from rig.run.person import Unattended

GAUGE = {"link": "io", "table": "input", "address": 2, "type": "u16", "scale": 0.01}


def test_a_fill_by_an_absolute_transmitter_is_a_fill_like_any_other() -> None:
    ran = run_fill("11L-15", points__line_pressure={**GAUGE, "quantity": "psia"}, rig__atmosphere="90 kPa")
    assert ran.record["outcome"] == "complete"
    assert ran.net_l == pytest.approx(ran.truth_l, abs=0.1)
    assert ran.peak_kpa <= rig_settings().limits.ceiling + 1.0


def test_the_noise_of_an_absolute_transmitter_is_a_difference() -> None:
    settings = rig_settings(points__line_pressure={**GAUGE, "quantity": "psia", "noise": 0.1})
    # 0.1 psi is 0.689 kPa, whatever it counts from (NIST SP 811: 1 psi = 6.894757 kPa).
    assert fill_of(settings, Question("11L-15")).setup.line_gauge.noise_kpa == pytest.approx(0.6894757)


def test_an_absolute_transmitter_wired_as_gauge_is_not_filled_on() -> None:
    """The simulated transmitter shows 14.7 psi more than there is; an empty tyre so stands below the arrival limit."""
    refused: set[str] = set()

    def see(decision: Decision) -> None:
        refused.update(missing.text for missing in decision.missing)

    fill = fill_of(rig_settings(sim__start_pressure="0 psi"), Question("11L-15"))
    fill.rig.plant.upset(replace(fill.rig.plant.upsets, pressure_offset_kpa=101.325))
    fill.watch = see
    last = fill.run(most_s=120.0)
    assert last.state.state is State.IDLE
    assert any("just what an absolute gauge shows in open air" in text for text in refused)


class Looks(Unattended):
    """A person who says what the gun is on, and gives the gauge's own question no answer unless ``sure``."""

    def __init__(self, *, sure: bool) -> None:
        super().__init__(patience_s=20.0)
        self._sure = sure

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        asked = [check for check in open_checks(setup, decision.state) if check not in setup.checks]
        if self._sure and asked:
            return [Request(f"seen-{check.name}", "confirm", check.name, "Jo") for check in asked]
        return super().requests(setup, decision)


@pytest.mark.parametrize("layout", ["vent", "draw-down"])
@pytest.mark.parametrize("psi", [14.3, 14.7, 15.2])
def test_a_sound_tyre_at_the_pressure_of_the_air_is_filled_once_a_person_has_looked(layout: str, psi: float) -> None:
    """It was refused for good: 14 psi in a tyre looks like an absolute gauge with the gun in the air."""
    keys = {"sim__valve_bore": "15 mm", "tote__content": "2500 L", "limits__arrival": "16 psi"}
    settings = rig_settings(layout, sim__start_pressure=f"{psi} psi", **keys)
    fill = fill_of(settings, Question("11L-15"))
    fill.person = Looks(sure=True)
    last = fill.run()
    assert last.state.state is State.COMPLETE
    plant = fill.rig.plant
    assert last.state.tally.net_l(fill.setup.meter) == pytest.approx(plant.tyre.liquid_l, abs=0.1)
    assert [each.by for each in last.state.confirmed if each.name == "like_air"] == ["Jo"]
    # It is remembered for this fill alone.
    assert open_checks(fill.setup, new_fill(fill.setup)) == fill.setup.checks


def test_without_a_person_who_looks_it_stays_a_refusal_with_the_question_as_its_words() -> None:
    texts: set[str] = set()
    fill = fill_of(rig_settings(sim__start_pressure="14.2 psi"), Question("11L-15"))
    fill.person = Looks(sure=False)
    fill.watch = lambda decision: texts.update(f"{each.name}: {each.text}" for each in decision.missing)
    last = fill.run(most_s=120.0)
    assert fill.person.gave_up
    assert last.state.state is State.IDLE
    assert any(text.startswith("like_air: The gauge shows 14.") and "Is the gun on a tyre" in text for text in texts)
    assert fill.rig.plant.tyre.liquid_l == 0


def test_the_question_is_asked_of_no_other_pressure() -> None:
    fill = fill_of(rig_settings(sim__start_pressure="12 psi"), Question("11L-15"))
    fill.person = Looks(sure=False)
    assert fill.run(until=lambda decision: decision.state.state is State.RUNNING).state.asked == ()
