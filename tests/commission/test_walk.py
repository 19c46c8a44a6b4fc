"""The search for modules, on devices made of tables in memory: what is found, in what time, and that it only reads."""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping
from typing import Any, TypeVar

import pytest

from rig.commission.acts import Peek, Seen
from rig.commission.walk import Looking, module_of, on_host, on_port, with_span
from rig.commission.wires import BusLink, Module, Span
from rig.field.links import RtuLink
from rig.field.points import TcpLink

T = TypeVar("T")
Tables = Mapping[str, range]
Answers = Callable[[BusLink, int, str], Tables | Seen | None]
"""By link, unit and table: what the unit has there; an answer of its own; None: it is not there."""
OPENING_S, ANSWER_S = 0.05, 0.01


def reply(answers: Answers, act: Peek, most: int = 125) -> Seen:
    block = act.block
    found = answers(act.link, block.unit, block.table)
    if isinstance(found, Seen):
        return found
    if found is None:
        return Seen("silent", took_s=act.link.timeout + OPENING_S)
    if block.table not in found:
        return Seen("refused", code=1, took_s=ANSWER_S)
    if block.count > most:
        return Seen("refused", code=3, took_s=ANSWER_S)
    span = found[block.table]
    if block.address in span and block.address + block.count <= span.stop:
        return Seen("values", (0,) * block.count, took_s=ANSWER_S)
    return Seen("refused", code=2, took_s=ANSWER_S)


def walked(talk: Generator[Any, Any, T], answers: Answers, most: int = 125) -> tuple[T, list[Peek]]:
    asked, answer = list[Peek](), None
    while True:
        try:
            act = talk.send(answer)
        except StopIteration as done:
            return done.value, asked
        assert isinstance(act, Peek), "the search does nothing but read"
        asked.append(act)
        answer = reply(answers, act, most)


BOARD: Tables = {"coil": range(8), "discrete": range(4), "holding": range(2)}


@pytest.mark.parametrize(
    ("baud", "parity", "stop_bits"), [(9600, "N", 1), (19200, "E", 1), (4800, "O", 1), (38400, "E", 1), (57600, "N", 2)]
)
def test_speed_parity_and_units_of_a_bus_are_found(baud: int, parity: str, stop_bits: int) -> None:
    def bus(link: BusLink, unit: int, _table: str) -> Tables | None:
        assert isinstance(link, RtuLink)
        tuned = (link.baud, link.parity, link.stop_bits) == (baud, parity, stop_bits)
        return BOARD if tuned and unit in (3, 200) else None

    looking = Looking()
    found, asked = walked(on_port(looking, "/dev/tty"), bus)
    assert isinstance(found, tuple)
    link, units = found
    assert (link.baud, link.parity, link.stop_bits, units) == (baud, parity, stop_bits, [3, 200])
    assert looking.used_s <= looking.most_s(1, 0)
    assert {act.block.table for act in asked} == {"holding"}


def test_the_time_that_is_told_is_kept_and_what_was_not_looked_at_is_said() -> None:
    looking = Looking(budget_s=10.0)
    assert looking.most_s(1, 0) == 10.0
    found, _asked = walked(on_port(looking, "/dev/tty"), lambda *_: None)
    assert isinstance(found, str)
    assert "the time was up" in found
    assert looking.used_s <= 10.0 + 0.2
    # Without a limit of its own it is as long as it says.
    whole = Looking(budget_s=1e9)
    found, _asked = walked(on_port(whole, "/dev/tty"), lambda *_: None)
    assert "nothing answers" in str(found)
    assert whole.used_s <= whole.most_s(1, 0)


def test_a_port_that_cannot_be_opened_is_told() -> None:
    closed = Seen("closed", why="it is gone")
    found, _ = walked(on_port(Looking(), "/dev/tty"), lambda *_: closed)
    assert found == "/dev/tty: it is gone"


def test_settings_that_the_adapter_does_not_know_are_passed_over() -> None:
    def bus(link: BusLink, unit: int, _table: str) -> Tables | Seen | None:
        assert isinstance(link, RtuLink)
        if link.parity != "N":
            return Seen("closed", why="no parity here")
        return BOARD if link.baud == 115200 and unit == 1 else None

    found, _ = walked(on_port(Looking(), "/dev/tty"), bus)
    assert isinstance(found, tuple)
    assert found[0].baud == 115200


def test_a_device_on_the_network_answers_for_itself_or_for_its_units() -> None:
    def gateway(link: BusLink, unit: int, _table: str) -> Tables | Seen | None:
        assert isinstance(link, TcpLink)
        if link.port != 5020:
            return Seen("closed", why="refused")
        return BOARD if unit in (5, 6) else Seen("absent", code=11, took_s=ANSWER_S)

    found, _ = walked(on_host(Looking(), "10.0.0.9", (502, 5020)), gateway)
    assert isinstance(found, tuple)
    assert (found[0].port, found[0].framer, found[1]) == (5020, "tcp", [5, 6])
    # One that does not look at the unit is one device.
    found, _ = walked(on_host(Looking(), "10.0.0.9", (502,)), lambda *_: {"holding": range(9)})
    assert isinstance(found, tuple)
    assert found[1] == [1]


def test_a_transparent_gateway_wants_other_frames() -> None:
    def gateway(link: BusLink, unit: int, _table: str) -> Tables | None:
        assert isinstance(link, TcpLink)
        return BOARD if link.framer == "rtu" and unit == 2 else None

    found, _ = walked(on_host(Looking(), "10.0.0.9", (502,)), gateway)
    assert isinstance(found, tuple)
    assert (found[0].framer, found[1]) == ("rtu", [2])


def test_an_open_port_without_an_answer_and_a_host_without_a_port() -> None:
    found, _ = walked(on_host(Looking(), "10.0.0.9", (502,)), lambda *_: None)
    assert "it is open, and nothing answers" in str(found)
    found, _ = walked(on_host(Looking(), "10.0.0.9", (502,)), lambda *_: Seen("closed", why=""))
    assert "no usual port is open" in str(found)


LINK = TcpLink(kind="tcp")


@pytest.mark.parametrize(
    "tables",
    [
        {"coil": range(8), "input": range(12), "holding": range(40, 44), "discrete": range(3, 5)},
        {"input": range(4096, 4102), "coil": range(512, 520)},
        {"holding": range(700, 705)},
        {"coil": range(3), "discrete": range(70)},
    ],
)
@pytest.mark.parametrize("most", [125, 8])
def test_the_places_that_a_module_answers_are_found(tables: dict[str, range], most: int) -> None:
    found, asked = walked(module_of(Looking(module_s=1e9), LINK, 1), lambda *_: tables, most)
    assert {span.table: range(span.address, span.address + span.count) for span in found.spans} == tables
    assert len(asked) < 5000


def test_a_plc_that_answers_everything_is_not_read_for_ever() -> None:
    everything = dict.fromkeys(("coil", "discrete", "input", "holding"), range(65536))
    found, asked = walked(module_of(Looking(module_s=1e9), LINK, 1), lambda *_: everything)
    assert all(span.count < 1100 for span in found.spans)
    assert len(asked) < 1000


def test_a_module_that_falls_silent_is_left_and_one_that_is_slow_is_cut_off() -> None:
    found, asked = walked(module_of(Looking(), LINK, 1), lambda *_: None)
    assert (found.spans, len(asked) < 10) == ((), True)
    slow = Looking(module_s=3.0)
    walked(module_of(slow, LINK, 1), lambda *_: {"holding": range(60000, 60001), "input": range(1)})
    assert slow.used_s < 4.0


def test_places_of_the_manual_are_added() -> None:
    module = with_span(Module(unit=1, spans=(Span(table="input", address=0, count=2),)),
                       Span(table="input", address=2, count=3))  # fmt: skip
    assert module.spans == (Span(table="input", address=0, count=5),)


def test_a_slow_device_is_found_in_a_second_round() -> None:
    def bus(link: BusLink, unit: int, _table: str) -> Tables | None:
        assert isinstance(link, RtuLink)
        return BOARD if link.timeout > 0.5 and link.baud == 19200 and unit == 3 else None

    found, _ = walked(on_port(Looking(), "/dev/tty"), bus)
    assert isinstance(found, tuple)
    assert found[1] == [3]
