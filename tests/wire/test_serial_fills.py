"""Whole fills over real pseudo-terminals: RTU bus, scale on a line, other meters, and a plug pulled in a stroke."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from serial_rigs import demo, fill, on_a_bus, served, with_a_scale
from virtual_fills import GoesOn

from rig.control.moves.decide import Decision
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Request, Setup
from rig.run.person import Unattended
from sim.devices import Rig


def error_l(record: dict[str, Any], truth: dict[str, object]) -> float:
    return abs(float(record["net_l"]) - float(str(truth["delivered_l"])))


async def test_a_fill_over_an_rs485_bus(tmp_path: Path) -> None:
    async with served(on_a_bus(tmp_path)) as (settings, rig):
        record = await fill(settings)
        truth = rig.document()
    assert (record["outcome"], record["first_out"]) == ("complete", None)
    assert record["net_basis"] == "counted"
    assert error_l(record, truth) <= max(0.005 * record["target_l"], 0.2)
    assert truth["both_relays_s"] == 0
    assert not truth["pump_on"]


@pytest.mark.full
@pytest.mark.parametrize("more", [{}, {"poll": "W\r\n"}], ids=["sending", "polled"])
async def test_a_fill_by_the_scale_on_a_serial_line(more: dict[str, object], tmp_path: Path) -> None:
    async with served(with_a_scale(tmp_path, **more)) as (settings, rig):
        record = await fill(settings)
        truth = rig.document()
    assert (record["outcome"], record["first_out"]) == ("complete", None)
    assert record["net_basis"] == "estimated"
    assert "volume by the scale under the tote" in record["flags"]
    # Two divisions of 0.2 lb are 0.18 L; the record's own uncertainty covers what there is.
    assert error_l(record, truth) <= record["net_u_l"] + 0.1
    assert 0.1 < record["net_u_l"] < 0.02 * record["target_l"]


def totaliser(document: dict[str, Any]) -> None:
    document["points"]["meter_total"] = {"link": "io", "table": "holding", "address": 40, "type": "u16",
                                         "scale": 0.01, "quantity": "gal"}  # fmt: skip
    document["meter"]["kind"] = "total"


def decimal_total(document: dict[str, Any]) -> None:
    document["points"]["meter_total"] = {"link": "io", "table": "input", "address": 40, "type": "f32",
                                         "order": "DCBA", "quantity": "L"}  # fmt: skip
    document["meter"]["kind"] = "total"


def rate(document: dict[str, Any]) -> None:
    document["points"]["flow_rate"] = {"link": "io", "table": "input", "address": 40, "type": "f32",
                                       "order": "BADC", "quantity": "gpm"}  # fmt: skip
    document["meter"]["kind"] = "rate"


def run_time(document: dict[str, Any]) -> None:
    document["meter"] |= {"kind": "run time", "reverse": "none"}


@pytest.mark.full
@pytest.mark.parametrize(
    ("change", "basis", "share"),
    [(totaliser, "counted", 0.01), (decimal_total, "counted", 0.01), (rate, "estimated", 0.03),
     (run_time, "estimated", 0.16)],
)  # fmt: skip
async def test_a_fill_by_other_kinds_of_meter(
    change: Callable[[dict[str, Any]], None], basis: str, share: float, tmp_path: Path
) -> None:
    document = demo(tmp_path, speed=12)
    change(document)
    del document["points"]["meter_count"]
    async with served(document) as (settings, rig):
        record = await fill(settings)
        truth = rig.document()
    assert (record["outcome"], record["first_out"]) == ("complete", None)
    assert record["net_basis"] == basis, record
    assert error_l(record, truth) <= share * record["target_l"]
    assert error_l(record, truth) <= record["net_u_l"] + 0.2


@pytest.mark.full
async def test_a_fill_whose_level_comes_over_a_slow_bus_at_its_own_pace(tmp_path: Path) -> None:
    document = demo(tmp_path, speed=12)
    document["links"]["slow"] = {"kind": "rtu", "port": str(tmp_path / "bus"), "baud": 2400, "scan": "0.3 s"}
    for name in ("tote_level", "fluid_temp"):
        document["points"][name] |= {"link": "slow", "unit": 5}
    async with served(document, paced=True) as (settings, rig):
        record = await fill(settings)
        truth = rig.document()
    assert (record["outcome"], record["first_out"]) == ("complete", None)
    assert error_l(record, truth) <= max(0.005 * record["target_l"], 0.2)


class WaitsForTheModules(Unattended):
    """Does nothing about a trip until the modules answer and have dropped their relays by themselves."""

    def __init__(self, rig: Rig) -> None:
        super().__init__("test")
        self._rig = rig

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        dropped = self._rig.modules.output_timeouts and decision.facts.reading.reachable
        tripped = decision.state.state in (State.ABORTING, State.ABORTED)
        return [] if tripped and not dropped else super().requests(setup, decision)


@pytest.mark.full
@pytest.mark.parametrize(
    ("upset", "told"),
    [("bus_exception", {"field_lost"}), ("write_ignored", {"output_not_obeyed", "off_unconfirmed"})],
    ids=["bus_exception", "write_ignored"],
)
async def test_modules_that_do_no_off_are_left_alone_until_their_time_out_drops_the_pump(
    upset: str, told: set[str], tmp_path: Path
) -> None:
    began: list[float] = []
    async with served(on_a_bus(tmp_path)) as (settings, rig):
        upsets = rig.modules.plant.upsets

        def watch(_setup: Setup, decision: Decision) -> None:
            if not began and decision.state.phase is Phase.FILL and decision.facts.in_tyre_l > 15:
                began.append(decision.state.now_s)
                setattr(upsets, upset, True)
            if rig.modules.output_timeouts:
                setattr(upsets, upset, False)

        # A module that is asked keeps its relays on: whoever goes on asking waits for ever.
        async with asyncio.timeout(120):
            record = await fill(settings, watch, WaitsForTheModules(rig))
        truth = rig.document()
    assert began
    assert record["first_out"] in told
    assert int(str(truth["output_timeouts"])) >= 1
    assert not truth["pump_on"]
    # The counter counted on without the controller: what it shows afterwards is booked.
    assert error_l(record, truth) <= record["net_u_l"] + 0.1, (record, truth)


class InAStroke:
    """Watches a fill, and does something once in the middle of a stroke."""

    def __init__(self, act: Callable[[], None]) -> None:
        self.done = False
        self._act = act

    def __call__(self, _setup: Setup, decision: Decision) -> None:
        filling = decision.state.state is State.RUNNING and decision.state.phase is Phase.FILL
        if filling and not self.done and decision.facts.in_tyre_l > 15:
            self.done = True
            self._act()


@pytest.mark.full
async def test_a_plug_pulled_and_put_back_in_a_stroke(tmp_path: Path) -> None:
    async with served(on_a_bus(tmp_path)) as (settings, rig):
        wire = rig.wires["io"]

        def pull() -> None:
            wire.close()
            asyncio.get_running_loop().call_later(1.5, wire.open)

        pulled = InAStroke(pull)
        record = await fill(settings, pulled)
        truth = rig.document()
    assert pulled.done
    assert record["first_out"] == "field_lost"
    assert int(str(truth["output_timeouts"])) >= 1, "the module's own time-out stopped the pump"
    assert not truth["pump_on"]
    # The counter counted on without the controller: what it shows afterwards is booked.
    assert error_l(record, truth) <= record["net_u_l"] + 0.1, (record, truth)


@pytest.mark.full
async def test_a_relay_module_that_restarts_in_a_stroke_is_armed_again_and_the_fill_goes_on(tmp_path: Path) -> None:
    async with served(on_a_bus(tmp_path)) as (settings, rig):
        restarted = InAStroke(rig.modules.restart)
        record = await fill(settings, restarted, GoesOn("test"))
        truth = rig.document()
        armed_s = rig.modules.shown("output_timeout")
    assert restarted.done
    assert "output_timeout_lost" in record["flags"]
    assert (record["outcome"], record["first_out"]) == ("complete", None)
    assert armed_s == pytest.approx(settings.limits.output_timeout)
    assert error_l(record, truth) <= record["net_u_l"] + 0.1, (record, truth)
