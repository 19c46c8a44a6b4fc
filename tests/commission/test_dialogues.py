"""What the dialogues say and ask where a rig is wired wrongly, or where an act leaves something open."""

from __future__ import annotations

import pytest
from memory import LOOK, Answer, Memory, known, place

from rig.commission.acts import Rehearsed, Turned
from rig.commission.found import Checked, Finding, Keys
from rig.commission.gauge_step import find_gauge
from rig.commission.meter_step import find_meter
from rig.commission.more_step import find_more
from rig.commission.relay_step import find_relays, read_places
from rig.commission.rig_step import find_rig
from rig.commission.strokes import Sample
from rig.commission.switch_step import find_stop
from rig.commission.talk import GivenUp
from rig.commission.timeout_step import find_power, find_timeout
from rig.commission.trial_steps import dry_tests, wet_tests

COILS: dict[str, Keys] = {
    name: {"link": "net1", "unit": 1, "table": "coil", "address": at}
    for at, name in enumerate(("pump_run", "pump_reverse", "vent_valve"))
}
RELAYS = Finding(points=COILS)
TABLES: dict[str, Keys] = {"pump": {"flow": "40 L/min", "relief": "30 psi", "dry_run": "30 s"}}


# --- the meter --------------------------------------------------------------------------------------------------------


def spun(pulses: int) -> Answer:
    """The rotor turned by so many pulses, seen one by one; a count of 32 bits in registers 4 and 5."""

    def act(memory: Memory) -> str:
        begin = memory.words[place("input", 4)] << 16 | memory.words[place("input", 5)]
        step = 1 if pulses > 0 else -1
        for done in range(step, pulses + step, step):
            memory.number(4, "u32", "ABCD", begin + done)
        return ""

    return act


def test_a_swapped_meter_is_sent_back_to_its_terminals() -> None:
    memory = Memory({
        "What measures": "p", "Turn the meter's": [spun(-9), spun(9)], "Now the other way": [spun(9), spun(-9)],
        "Pulses per": ["100", "378 pulse/gal"],
    })  # fmt: skip
    memory.number(4, "u32", "ABCD", 70000)
    found = memory.perform(find_meter(known(("look", LOOK))))
    assert any("exchange the two channels" in text for text in memory.told)
    assert any("has no unit" in text for text in memory.told)
    assert found.points["meter_count"]["address"] == 5
    assert "lower half" in found.why["points.meter_count"]
    assert found.tables["meter"] == {"kind": "pulses", "k_factor": "378 pulse/gal", "reverse": "signed"}


def test_two_counts_alike_are_chosen_by_the_manual_and_turned_again_if_none_is_it() -> None:
    def both(memory: Memory, way: int) -> str:
        for done in range(8):
            memory.number(4, "u16", "ABCD", 1000 + way * done)
            memory.number(9, "u16", "ABCD", 3000 + way * done)
        return ""

    memory = Memory({
        "What measures": "p", "Turn the meter's": lambda m: both(m, 1), "Now the other way": lambda m: both(m, -1),
        "Several registers": ["x", "a", "2"], "Pulses per": "100 pulse/L",
    })  # fmt: skip
    found = memory.perform(find_meter(known(("look", LOOK))))
    assert found.points["meter_count"]["address"] == 9
    assert "  Answer 1 to 2, or a." in memory.told
    assert sum(text.startswith("Turn the meter's") for text in memory.asked) == 2


def test_a_person_may_leave_a_meter_that_does_not_count() -> None:
    memory = Memory({"What measures": ["?", "p"], "Turn the meter's": ["", "q"], "Now the other way": ""})
    with pytest.raises(GivenUp):
        memory.perform(find_meter(known(("look", LOOK))))
    assert any("Nothing counted" in text for text in memory.told)


@pytest.mark.parametrize(
    ("kind", "scale", "order"), [("f32", 1.0, "CDAB"), ("u32", 0.01, "BADC"), ("i32", 0.1, "ABCD")]
)
def test_a_totaliser_is_found_by_its_own_display(kind: str, scale: float, order: str) -> None:
    def shows(litres: float) -> object:
        def act(memory: Memory) -> str:
            memory.number(12, kind, order, litres / scale)
            return f"{litres} L"

        return act

    memory = Memory({
        "What measures": "t", "Write what the meter": shows(1234.5), "Let some litres": shows(1251.5),
        "Let some more": shows(1257.25), "When liquid comes": "u",
    })  # type: ignore[dict-item]  # fmt: skip
    memory.number(12, kind, order, 0)
    found = memory.perform(find_meter(known(("look", LOOK))))
    point = found.points["meter_total"]
    low = {"f32": False}.get(kind, True) and point["type"] == "u16"
    assert point["scale"] == pytest.approx(scale)
    assert (point["address"], point["order"] if order != "ABCD" else "ABCD") == (12, order) or low
    assert found.tables["meter"] == {"kind": "total", "reverse": "unsigned"}


def test_without_a_meter_the_tote_s_scale_counts() -> None:
    def holds(kg: float) -> object:
        def act(memory: Memory) -> str:
            memory.number(20, "u16", "ABCD", kg * 5)
            return f"{kg} kg"

        return act

    memory = Memory({
        "What measures": "s", "Which?": "s", "Write what the scale": holds(900), "Put a known": holds(1450),
        "Another weight": holds(1070), "The most that it": "2000 kg",
    })  # type: ignore[dict-item]  # fmt: skip
    memory.number(20, "u16", "ABCD", 1)
    found = memory.perform(find_meter(known(("look", LOOK))))
    assert found.tables["meter"] == {"kind": "scale", "division": "0.2 kg"}
    assert found.points["tote_mass"]["address"] == 20


# --- switches and gauges ----------------------------------------------------------------------------------------------


def test_a_stop_that_reads_ready_with_a_broken_wire_is_refused_until_it_is_wired_otherwise() -> None:
    where = place("discrete", 3)

    def sets(value: int) -> object:
        def act(memory: Memory) -> str:
            memory.words[where] = value
            return ""

        return act

    def released(memory: Memory) -> str:
        # After the refusal the contact is exchanged.
        memory.words[where] = int(any("broken wire" in text for text in memory.told))
        return ""

    memory = Memory(
        {"Press the": [sets(1), sets(0), sets(0)], "Release it": [released, released, released]}, {where: 0}
    )  # type: ignore[dict-item]

    def rewired(text: str) -> None:
        if "broken wire" in text:
            memory.words[where] = 1

    told = memory.told
    memory.told = type("Told", (list,), {"append": lambda self, text: (list.append(self, text), rewired(text))})(told)
    found = memory.perform(find_stop(known(("look", LOOK))))
    assert any("closed while the stop is released" in text for text in memory.told)
    assert found.points["estop_ok"] == {"link": "net1", "unit": 1, "table": "discrete", "address": 3}


def test_a_stop_without_an_input_and_one_that_nothing_follows() -> None:
    memory = Memory({"Press the": ["", "n"], "Release it": ""}, {place("discrete", 0): 1})
    found = memory.perform(find_stop(known(("look", LOOK))))
    assert any("No input followed" in text for text in memory.told)
    assert (found.points, found.rows[0].value) == ({}, "no input")


def test_two_inputs_that_follow_are_tried_again_and_then_chosen() -> None:
    both = {place("discrete", 1): 1, place("discrete", 4): 1}

    def sets(value: int) -> object:
        def act(memory: Memory) -> str:
            memory.words |= dict.fromkeys(both, value)
            return ""

        return act

    memory = Memory({"Press the": sets(0), "Release it": sets(1), "These inputs": "2"}, dict(both))  # type: ignore[dict-item]
    found = memory.perform(find_stop(known(("look", LOOK))))
    assert found.points["estop_ok"]["address"] == 4
    assert sum(text.startswith("Press the") for text in memory.asked) == 2


def test_a_gauge_whose_number_is_too_short_for_its_range_is_refused() -> None:
    def shows(psi: float) -> object:
        def act(memory: Memory) -> str:
            memory.number(8, "u16", "ABCD", psi * 2000)
            return f"{psi} psi" if psi else ""

        return act

    memory = Memory({
        "Pressure of the air": "", "Put a known": shows(15.0), "Another": [shows(5.1), "q"],
        "Upper end": ["60 psia", "sixty", "60 psi"],
    })  # type: ignore[dict-item]  # fmt: skip
    memory.number(8, "u16", "ABCD", 1)
    memory.answers["Open the gauge"] = [shows(0.0), "q"]  # type: ignore[list-item]
    with pytest.raises(GivenUp):
        memory.perform(find_gauge(known(("look", LOOK))))
    assert any("does not reach the top" in text for text in memory.told)
    assert any("gauge pressure" in text for text in memory.told)


def test_a_thing_that_turns_out_not_to_be_there_is_left_and_the_next_asked() -> None:
    memory = Memory({"What else": ["3", "5", "0"], "Write what a": "q", "Lower the float": "n"})
    assert memory.perform(find_more(known(("look", LOOK)))) == Finding()


# --- outputs ----------------------------------------------------------------------------------------------------------


def test_nothing_is_switched_without_the_word() -> None:
    memory = Memory({"Now relays": "go on"})
    with pytest.raises(GivenUp):
        memory.perform(find_relays(known(("look", LOOK))))
    assert memory.switched == []


def relays_by(**more: object) -> Memory:
    words = {place("coil", at): 0 for at in range(8)}
    answers = {"Now relays": "isolated", "net1 unit 1 has": ["0 to", "0-2"], "Relays that": ["nonsense", ""], **more}
    return Memory(answers, words)  # type: ignore[arg-type]


def test_relays_by_what_moved_with_their_contacts() -> None:
    contact = place("discrete", 6)
    memory = relays_by(**{"net1 unit 1 coil 0": ["r", "1"], "net1 unit 1 coil 1": "2", "net1 unit 1 coil 2": "n",
                          "net1 unit 1 discrete 6 followed": "y"})  # fmt: skip
    memory.words[contact], memory.moves = 1, {place("coil", 0): contact}
    found = memory.perform(find_relays(known(("look", LOOK))))
    assert {*found.points} == {"pump_run", "pump_reverse", "pump_run_feedback"}
    assert found.points["pump_run_feedback"]["inverted"] is True
    assert all(test.good for test in found.tests)


def test_a_relay_that_moves_two_things_ends_the_step() -> None:
    memory = relays_by(**{"net1 unit 1 coil 0": "x"})
    with pytest.raises(GivenUp):
        memory.perform(find_relays(known(("look", LOOK))))
    assert memory.switched == [(place("coil", 0), True)]


def test_relays_that_refuse_leave_a_lever_or_nothing() -> None:
    memory = relays_by(**{"No relays for both": "y"})
    memory.refuses = "exception 4"
    found = memory.perform(find_relays(known(("look", LOOK))))
    assert found.tables == {"rig": {"by_hand": True}}
    assert sum("exception 4" in text for text in memory.told) == 3
    memory = relays_by(**{"No relays for both": "n"})
    memory.refuses = "exception 4"
    with pytest.raises(GivenUp):
        memory.perform(find_relays(known(("look", LOOK))))


@pytest.mark.parametrize(("text", "count"), [
    ("net1 unit 1 coil 0-7", 8), ("net1 3 holding 40", 1), ("bus1 unit 17 input 4096 to 4103", 8), ("coil 3", 0),
    ("net1 unit 1 relay 3", 0), ("net1 1 coil 7-3", 0),
])  # fmt: skip
def test_places_as_a_person_writes_them(text: str, count: int) -> None:
    assert len(read_places(text)) == count


def test_a_board_without_a_time_out_is_told_what_to_wire() -> None:
    memory = Memory({"Does the relay": "n"})
    found = memory.perform(find_timeout(known(("look", LOOK), ("relays", RELAYS))))
    assert any("two off-delay timers" in text for text in memory.told)
    assert found.tests[0].good is False
    beats = Finding(points={**COILS, "heartbeat": {**COILS["pump_run"], "address": 6}})
    found = Memory({"Does the relay": "n"}).perform(find_timeout(known(("look", LOOK), ("relays", beats))))
    assert found.tests[0].good is True


@pytest.mark.parametrize(("drops", "heard", "good"), [(True, "y", True), (True, "n", False), (False, "y", False)])
def test_a_built_in_time_out_must_be_seen_and_heard(drops: bool, heard: str, good: bool) -> None:
    memory = Memory({"Does the relay": "f", "Now relays": "isolated", "After how long": "", "Did pump_run drop": heard},
                    {place("coil", at): 0 for at in range(3)}, drops=drops)  # fmt: skip
    found = memory.perform(find_timeout(known(("look", LOOK), ("relays", RELAYS))))
    assert found.tables == {"limits": {"output_timeout": "2 s", "timeout_fixed": True}}
    assert found.tests[0].good is good
    assert memory.words[place("coil", 0)] == 0


def test_a_register_that_does_not_hold_what_was_written_is_asked_for_again() -> None:
    memory = Memory({
        "Does the relay": "r", "Now relays": "isolated", "After how long": "3 s", "Did pump_run drop": "y",
        "Its register": ["coil 3", "net1 unit 1 holding 7", "net1 unit 1 holding 8"], "One step": ["", "1 s"],
    }, {place("coil", at): 0 for at in range(3)})  # fmt: skip
    memory.stuck = {place("holding", 7): 1}
    found = memory.perform(find_timeout(known(("look", LOOK), ("relays", RELAYS))))
    assert any("it was written as 30 and reads 1" in text for text in memory.told)
    assert found.points["output_timeout"]["address"] == 8
    assert found.points["output_timeout"]["scale"] == 1.0


@pytest.mark.parametrize(
    ("after", "seen", "good"), [(500, "kept", True), (0, "zero", True), (320, "AN OLD COUNT", False)]
)
def test_what_a_power_loss_does_to_the_count(after: int, seen: str, good: bool) -> None:
    def off_and_on(memory: Memory) -> str:
        memory.number(4, "u16", "ABCD", after)
        return ""

    memory = Memory({"Switch the modules'": off_and_on})
    memory.number(4, "u16", "ABCD", 500)
    point: Keys = {"link": "net1", "unit": 1, "table": "input", "address": 4, "type": "u16"}
    found = memory.perform(find_power(known(("look", LOOK), ("meter", Finding(points={"meter_count": point})))))
    assert seen in found.tests[0].seen
    assert found.tests[0].good is good


# --- plates, dry, wet -------------------------------------------------------------------------------------------------

PLATES = {
    "Name of this": "", "Length of the hose": "10 m", "Its bore": "25 mm", "Drained into": "9 L",
    "Length of the suction": "2 m", "Height of": "", "Flow of the pump": ["0 L/min", "40 L/min"], "Setting of": "",
    "How long may": "", "What is in": "900 L",
}  # fmt: skip


def test_plates_are_asked_again_until_the_whole_has_no_mistake() -> None:
    memory = Memory({**PLATES, "Flow of the pump": ["0 L/min", "40 L/min", "40 L/min"], "Answer these questions": ""})  # type: ignore[dict-item]
    memory.faults = [["rig.toml: pump.relief: above 35 psi"], []]
    found = memory.perform(find_rig(known(("look", LOOK), ("relays", Finding()))))
    assert any("above 35 psi" in text for text in memory.told)
    assert any("above zero" in text for text in memory.told)
    assert any("By length and bore it holds 4.9 L" in text for text in memory.told)
    assert found.tables["pipe"]["hose_volume"] == "9 L"
    assert found.tables["air_out"] == {"method": "draw-down"}


def by_name(tests: tuple[Checked, ...]) -> dict[str, Checked]:
    return {test.what: test for test in tests}


def test_dry_tests_that_fail_prove_no_time_out() -> None:
    memory = Memory({
        "Now relays": "isolated", "pump_run is on. Press": "", "Did the pump's": "n", "Release it": "",
        "pump_run is on. Pull": "", "Did it drop": "y", "Plug it": "",
    }, {place("coil", at): 0 for at in range(3)}, rehearsed=Rehearsed(40.0, "too late"))  # fmt: skip
    quiet = Finding(tables={"limits": {"output_timeout": "2 s", "timeout_fixed": True}},
                    tests=(Checked(what="silence", expected="", seen="", good=True),))  # fmt: skip
    found = memory.perform(
        dry_tests(known(("look", LOOK), ("relays", RELAYS), ("timeout", quiet), ("rig", Finding(tables=TABLES))))
    )
    tests = by_name(found.tests)
    assert [test.good for test in found.tests] == [False, False, False]
    assert "STAYED IN" in tests["Emergency stop"].seen
    assert "NEVER LOST" in tests["Cable pulled"].seen
    assert found.tables == {}


def run(flow: float) -> Turned:
    def litres(now_s: float) -> float:
        return flow * min(max(now_s - 1.0, 0.0), 2.0)

    samples = tuple(Sample(at * 0.05, litres(at * 0.05), 10.0 if 1 < at * 0.05 < 3 else 0.0) for at in range(100))
    return Turned("", samples, 1.0, 3.0, 207.0)


def test_first_water_measures_flow_both_ways_and_the_relief() -> None:
    memory = Memory({"pump_run:": "o", "pump_reverse:": "i", "Shut the gun": "", "Did liquid": "y", "Open the gun": ""},
                    turned=[run(0.5), run(-0.6), run(0.0)])  # fmt: skip
    found = memory.perform(wet_tests(known(("look", LOOK), ("relays", RELAYS), ("rig", Finding(tables=TABLES)))))
    assert all(test.good for test in found.tests)
    assert found.tables["pump"]["flow"] == "30.0 L/min"
    assert found.tables["pump"]["reverse_flow"] == "36.0 L/min"
    assert found.tables["pipe"] == {"hose_loss": "10.0 kPa"}


@pytest.mark.parametrize(("way", "words"), [("i", "CUT ITS SUPPLY"), ("n", "nothing turned")])
def test_a_pump_that_turns_wrongly_ends_the_step(way: str, words: str) -> None:
    memory = Memory({"pump_run:": way}, turned=[run(0.5)])
    with pytest.raises(GivenUp):
        memory.perform(wet_tests(known(("look", LOOK), ("relays", RELAYS), ("rig", Finding(tables=TABLES)))))
    assert any(words in text for text in memory.told)
