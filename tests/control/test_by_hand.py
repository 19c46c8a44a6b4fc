"""A rig worked by hand: the person throws the lever, the controller counts, warns, and cuts the supply where it can."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from virtual_fills import PSI, Ran, rig_settings

from rig.control.moves.decide import Decision
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Request, Setup
from rig.run.assembly import Memory, Question, answer, setup_of
from rig.run.person import Unattended
from rig.run.settings import SettingsError
from sim.faults import read_fault
from sim.virtual import VirtualFill, VirtualRig

LEVERS = {
    "points__hand_lever_forward": {"link": "io", "table": "coil", "address": 20},
    "points__hand_lever_back": {"link": "io", "table": "coil", "address": 21},
    "points__hand_vent_open": {"link": "io", "table": "coil", "address": 22},
    "points__pump_reverse": None,
    "points__vent_valve": None,
}


class Hands(Unattended):
    """Fills until told to stop (or, heedless, until ``stops_at_l``), lets air out when told, reverses off for 2 s."""

    def __init__(self, rig: VirtualRig, stops_at_l: float | None = None) -> None:
        super().__init__()
        self.rig, self._stops_at_l = rig, stops_at_l
        self._venting = False
        self._reversed_s: float | None = None

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        state = decision.state
        if state.state in (State.HELD, State.ABORTED):
            self.hands()
            return super().requests(setup, decision)
        if decision.prompt is None or state.state is not State.RUNNING:
            return super().requests(setup, decision)
        if decision.prompt.name == "insert_back":
            return self._fill(setup, decision)
        return self._reverse_off(decision)

    def hands(self, *, forward: bool = False, back: bool = False, vent: bool = False) -> None:
        self.rig.write({"hand_lever_forward": forward, "hand_lever_back": back, "hand_vent_open": vent})

    def _fill(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        assert decision.prompt is not None
        facts, text = decision.facts, decision.prompt.text
        done = "target is in" in text if self._stops_at_l is None else facts.in_tyre_l > self._stops_at_l
        if done:
            self.hands()
            return super().requests(setup, decision) if facts.still else []
        self._venting = self._venting or "let air out" in text
        if self._venting:
            # Not before the liquid stands: through an open vent at the gun the pump would spray.
            self._venting = not facts.still or (facts.tyre_kpa or 0.0) > setup.window.floor_kpa
            self.hands(vent=self._venting and facts.still)
        else:
            self.hands(forward="WAIT" not in text or self._stops_at_l is not None)
        return []

    def _reverse_off(self, decision: Decision) -> Sequence[Request]:
        now_s = decision.state.now_s
        self._reversed_s = self._reversed_s or now_s
        self.hands(back=now_s - self._reversed_s < 2.0)
        return [self._request("answer", "gun_off")] if now_s - self._reversed_s > 6.0 else []


def by_hand(
    size: str, *, supply: bool = True, stops_at_l: float | None = None, faults: Sequence[str] = (), **changes: object
) -> Ran:
    relay = {} if supply else {"points__pump_run": None}
    settings = rig_settings(
        sim__size=size, rig__by_hand=True, **{"tote__content": "2500 L", **LEVERS, **relay, **changes}
    )
    question = Question(size)
    setup = setup_of(settings, question, answer(settings, question), "test", Memory())
    rig = VirtualRig(settings, [read_fault(text) for text in faults])
    alarms: list[tuple[float, str]] = []
    fill = VirtualFill(rig, setup, Hands(rig, stops_at_l))
    fill.watch = lambda d: alarms.extend((d.state.now_s, str(e.data["name"])) for e in d.entries if e.kind == "alarm")
    return Ran(setup, rig, fill.run(most_s=1200.0), 0, tuple(alarms))


@pytest.mark.full
@pytest.mark.parametrize("supply", [True, False], ids=["with a supply relay", "without any relay"])
@pytest.mark.parametrize("size", ["16.9-28", "11L-15"])
def test_the_record_of_a_fill_by_hand_is_as_whole_as_any(size: str, supply: bool) -> None:
    ran = by_hand(size, supply=supply)
    assert (ran.record["outcome"], ran.alarms) == ("complete", ())
    # The hose's liquid that spits at the hand's vent is not seen.
    assert ran.net_l == pytest.approx(ran.truth_l + ran.rig.plant.line.books.vented_l, abs=0.2)
    assert ran.net_l == pytest.approx(ran.setup.target_l, abs=1.0)
    assert ran.peak_kpa < ran.setup.window.ceiling_kpa + 2 * PSI
    assert ran.record["net_basis"] == "counted"


@pytest.mark.release
def test_the_supply_is_cut_where_a_heedless_person_would_overfill() -> None:
    ran = by_hand("11L-15", stops_at_l=1e9)
    assert ran.truth_l < ran.setup.target_l + 0.5


def test_without_a_relay_the_trip_speaks_and_the_count_goes_on() -> None:
    ran = by_hand("11L-15", supply=False, stops_at_l=200.0)
    assert "overfill" in [name for _, name in ran.alarms]
    assert ran.net_l == pytest.approx(ran.truth_l, abs=0.3)


def test_an_insert_that_was_not_seated_is_found_by_the_reverse() -> None:
    ran = by_hand("11L-15", faults=["insert_not_seated@20"])
    assert ran.first_out == "insert_not_seated"
    assert ran.last.state.phase is Phase.BY_HAND


def test_a_rig_by_hand_needs_a_meter_that_counts_both_ways() -> None:
    with pytest.raises(SettingsError, match="counts both ways"):
        rig_settings(rig__by_hand=True, meter__reverse="none", **LEVERS)


class Watches(Hands):
    """Holds the fill at ``hold_l``, and looks on; ``then`` is what the hands do once it is held."""

    def __init__(self, rig: VirtualRig, hold_l: float, *, gives_up: bool, **then: bool) -> None:
        """``gives_up``: the meter, as soon as the fill is held."""
        super().__init__(rig)
        self._hold_l, self._gives_up, self._then = hold_l, gives_up, then
        self.held_s: float | None = None

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        state = decision.state
        if state.state in (State.HOLDING, State.HELD, State.ABORTING, State.ABORTED):
            self.held_s = state.now_s if self.held_s is None and state.state is State.HELD else self.held_s
            long = self.held_s is not None and state.now_s > self.held_s + 5
            self.hands(**(self._then if long else {}))
            if self._gives_up and state.state is State.HELD:
                self._gives_up = False
                return [Request("measure", "next_measure", by="test")]
            return []
        if decision.facts.in_tyre_l > self._hold_l:
            return [Request("hold", "hold", by="test")]
        return super().requests(setup, decision)


def held_by_hand(
    faults: Sequence[str] = (), *, supply: bool = True, gives_up: bool = False, most_s: float = 240.0, **then: bool
) -> tuple[Watches, VirtualFill, list[tuple[float, str]]]:
    relay = {} if supply else {"points__pump_run": None}
    settings = rig_settings(sim__size="11L-15", rig__by_hand=True, **{"tote__content": "2500 L", **LEVERS, **relay})
    question = Question("11L-15")
    rig = VirtualRig(settings, [read_fault(text) for text in faults])
    fill = VirtualFill(rig, setup_of(settings, question, answer(settings, question), "test", Memory()))
    alarms: list[tuple[float, str]] = []
    fill.person = person = Watches(rig, 10.0, gives_up=gives_up, **then)
    fill.watch = lambda d: alarms.extend((d.state.now_s, str(e.data["name"])) for e in d.entries if e.kind == "alarm")
    fill.run(most_s=most_s)
    return person, fill, alarms


def test_a_supply_that_welds_by_hand_trips_once_it_is_told_off() -> None:
    """The lever stays forward, the relay lets go, and the liquid flows on: only the overfill spoke."""
    person, fill, alarms = held_by_hand()
    assert alarms == []
    assert person.held_s is not None
    onset_s = person.held_s + 8
    _, fill, alarms = held_by_hand([f"pump_welded@{onset_s - 1:g}"], most_s=onset_s + 10)
    assert alarms[0][1] == "flow_while_stopped"
    assert alarms[0][0] < onset_s + 2
    assert fill.state is not None
    assert fill.state.state in (State.ABORTING, State.ABORTED)


@pytest.mark.parametrize("way", ["forward", "back"])
def test_without_a_relay_a_lever_that_is_thrown_while_the_fill_is_held_trips(way: str) -> None:
    person, fill, alarms = held_by_hand(supply=False, **{way: True})
    assert person.held_s is not None
    assert alarms[0][1] == "flow_while_stopped"
    assert alarms[0][0] < person.held_s + 5 + 2
    assert fill.state is not None
    assert fill.state.state in (State.ABORTING, State.ABORTED)


def test_by_hand_and_with_the_meter_given_up_the_gauge_tells_of_a_lever_that_is_thrown_back() -> None:
    person, fill, alarms = held_by_hand(supply=False, gives_up=True, back=True)
    assert person.held_s is not None
    assert fill.state is not None
    assert fill.state.measure > 0
    assert alarms[0][1] == "moves_while_off"
    assert alarms[0][0] < person.held_s + 5 + 2.5
