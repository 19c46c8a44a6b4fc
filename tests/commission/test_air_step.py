"""The tank of air: how its gauge is found, what a valve that is wrong is said to do, and what nothing is opened for."""

from __future__ import annotations

import pytest
from memory import LOOK, Answer, Memory, known, place

from rig.commission.air_step import find_air
from rig.commission.dialogue import commission
from rig.commission.document import toml_of
from rig.commission.found import STEPS, Finding, Known, Progress
from rig.commission.relay_step import find_relays
from rig.commission.talk import GivenUp
from rig.commission.walk import Looking
from rig.sentence import Sentence

VALVE = place("coil", 4)
GAUGE = 20
RELAYS = Finding(points={"air_valve": {"link": "net1", "unit": 1, "table": "coil", "address": 4, "write_only": True}})


def stands(psi: float) -> Answer:
    def act(memory: Memory) -> str:
        memory.number(GAUGE, "u16", "ABCD", 100 * psi)
        return f"{psi} psi"

    return act


def blows(memory: Memory, _now_s: float) -> None:
    """The tank loses a tenth of a psi in each shot while its valve is open."""
    if memory.words.get(VALVE):
        memory.words[place("input", GAUGE)] -= 10


def asked(**more: Answer | list[Answer]) -> dict[str, Answer | list[Answer]]:
    return {
        "A tank is stored": "y", "Pressure that stands": "145 psi", "The tank's volume": "60 L", "It may be": "0.12 L",
        "The air tank:": stands(0.0), "Shut the drain": stands(97.25), "Let it down": stands(41.5),
        "Upper end": "150 psi", "Its accuracy": "0.5 %", "Now relays": "isolated", "Compressor off": "", **more,
    }  # fmt: skip


def tank(answers: dict[str, Answer | list[Answer]], **more: object) -> Memory:
    memory = Memory(answers, {VALVE: 0}, **more)  # type: ignore[arg-type]
    memory.number(GAUGE, "u16", "ABCD", 1470.0)
    return memory


def test_a_valve_that_cannot_be_read_back_is_proven_by_the_tank_s_gauge() -> None:
    memory = tank(asked(), acts=blows, unread=frozenset({VALVE}))
    found = memory.perform(find_air(known(("look", LOOK), ("relays", RELAYS))))
    assert memory.switched == [(VALVE, True)]
    assert memory.words[VALVE] == 0
    assert found.tables == {"air_tank": {"volume": "60 L", "volume_u": "0.12 L", "rating": "145 psi"}}
    point = found.points["tank_pressure"]
    assert (point["address"], point["at"], point["span"]) == (GAUGE, [0.0, 15000.0], [0, 150])
    assert (point["quantity"], point["accuracy"], "lag" in point) == ("psi", "0.5 %", False)
    (test,) = found.tests
    assert (test.good, str(test.seen)) == (True, "the tank's gauge fell by 0.6 psi, then stood")
    text = toml_of(known(("look", LOOK), ("relays", RELAYS), ("air", found)), "")
    assert '[air_tank]\nvolume = "60 L"   # with its hose' in text
    assert all(isinstance(each, Sentence) for each in memory.asked if not each.startswith("Now relays"))


def test_its_relay_is_found_by_a_click_and_by_hand_there_is_none() -> None:
    memory = Memory({
        "Now relays": "isolated", "net1 unit 1 has coils": "4", "Relays that are": "", f"{VALVE} was on": "a",
        "No relays for both": "y",
    }, {VALVE: 0}, unread=frozenset({VALVE}))  # fmt: skip
    relays = memory.perform(find_relays(known(("look", LOOK))))
    assert relays.points == RELAYS.points
    memory = tank(asked(**{"Is there": "h", "Open the ball": stands(38.0)}))
    found = memory.perform(find_air(known(("look", LOOK))))
    assert found.tests[0].good
    assert memory.switched == []
    memory = tank({"Is there": "n"})
    assert memory.perform(find_air(known(("look", LOOK)))).points == {}


def goes_on(memory: Memory, _now_s: float) -> None:
    """A valve that stays open once it was opened."""
    if memory.switched:
        memory.words[place("input", GAUGE)] -= 10


@pytest.mark.parametrize(("acts", "seen"), [(goes_on, "GOES ON FALLING"), (lambda *_: None, "did not fall")])
def test_a_valve_that_does_not_shut_or_lets_nothing_out_is_tried_again_and_not_good(acts: object, seen: str) -> None:
    memory = tank(asked(**{"Air valve:": ["y", "n"]}), acts=acts)
    (test,) = memory.perform(find_air(known(("look", LOOK), ("relays", RELAYS)))).tests
    assert not test.good
    assert seen in test.seen
    assert len(memory.switched) == 2


def test_a_device_that_takes_no_write_is_not_good() -> None:
    memory = tank(asked(**{"Air valve:": "n"}), acts=blows, refuses="device refused")
    (test,) = memory.perform(find_air(known(("look", LOOK), ("relays", RELAYS)))).tests
    assert (test.good, test.seen) == (False, "device refused")


@pytest.mark.parametrize(
    ("done", "answers"), [(RELAYS, {"A tank is stored": "n"}), (Finding(), {"Is there": "r", "A tank is stored": "y"})]
)
def test_nothing_is_opened_without_relief_and_plate_or_by_a_relay_that_nobody_saw(
    done: Finding, answers: dict[str, Answer | list[Answer]]
) -> None:
    memory = tank(answers)
    with pytest.raises(GivenUp):
        memory.perform(find_air(known(("look", LOOK), ("relays", done))))
    assert any("--again relays" in text for text in memory.told)
    assert memory.switched == []


def test_what_the_look_cannot_do_without_is_asked_for_until_it_is_there() -> None:
    memory = tank(asked(**{
        "Shut the drain": [stands(160.0), stands(97.25)], "Let it down": [stands(50.5), stands(41.5)],
        "Its accuracy": ["", "good", "0 %", "0.5 %", "0.25 %"], "Upper end": ["165 psia", "160 psi", "160 psi"],
        "It may be": ["0 L", ""],
    }), acts=blows)  # fmt: skip
    found = memory.perform(find_air(known(("look", LOOK), ("relays", RELAYS))))
    assert found.points["tank_pressure"]["accuracy"] == "0.25 %"
    assert found.tables["air_tank"] == {"volume": "60 L", "rating": "145 psi"}
    for words in ("above its rating of 145.0 psi", "no better than by it", "above zero", "as a gauge pressure"):
        assert any(words in text for text in memory.told), words


def test_a_rig_commissioned_before_there_was_the_step_goes_on_with_it_and_writes_anew() -> None:
    done = {step: Finding() for step in STEPS if step != "air"}
    progress = Progress(done=done)  # type: ignore[arg-type]
    assert progress.next == "air"
    assert progress.with_done("air", Finding()).next == "write"
    assert progress.with_done("air", Finding()).without("relays").next == "relays"
    assert "air" not in progress.with_done("relays", Finding()).done
    talk = commission(Known(progress, "2026-11-29"), Looking())
    assert "a tank of air" in next(talk).text  # type: ignore[union-attr]
