"""Scans as lines and back: every value to the bit, whatever came before; nothing a newer version wrote is guessed."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import fields

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.control.words.canonical import canonical
from rig.control.words.values import Outputs, Reading, Request
from rig.ledger.black_box import BoxError
from rig.run.scans import Check, Closed, Scan, Writer, read_scans

_NUMBER = st.floats() | st.sampled_from([0.0, -0.0, 0.1, 1.0, math.inf, -math.inf, math.nan])
_MAYBE = st.none() | _NUMBER
_SET = st.frozensets(st.sampled_from(["pump_run", "vent_valve", "meter_count"]))
_BY_TYPE = {
    "float": _NUMBER, "float | None": _MAYBE, "bool": st.booleans(), "bool | None": st.none() | st.booleans(),
    "int | None": st.none() | st.integers(), "frozenset[str]": _SET,
    "tuple[int | None, ...]": st.lists(st.none() | st.integers(0, 2**32), max_size=3).map(tuple),
    "Outputs | None": st.sampled_from([None, Outputs(), Outputs(pump_run=True, beacon=True)]),
}  # fmt: skip
READINGS = st.builds(Reading, **{each.name: _BY_TYPE[str(each.type)] for each in fields(Reading)})
REQUESTS = st.lists(st.builds(Request, st.text(), st.just("stop"), st.text(), st.text()), max_size=2)


def back(lines: list[str], scale: float = 1.0) -> list[Scan]:
    assert all("\n" not in line for line in lines)
    return [each for each in read_scans(iter(lines), scale) if isinstance(each, Scan)]


@given(st.lists(st.tuples(READINGS, REQUESTS), max_size=6), st.sampled_from([1.0, 30.0]))
def test_every_reading_and_request_comes_back_to_the_bit(
    scans: list[tuple[Reading, list[Request]]], scale: float
) -> None:
    writer = Writer(scale)
    lines = [writer.scan(reading, requests, None) for reading, requests in scans]
    for (reading, requests), scan in zip(scans, back(lines, scale), strict=True):
        assert canonical(scan.reading) == canonical(reading)
        assert list(scan.requests) == requests


@given(st.lists(st.integers(0, 900), min_size=2, max_size=50), st.sampled_from([1.0, 7.0, 30.0]))
def test_a_time_that_follows_from_the_gap_is_left_out_and_comes_back_to_the_bit(
    gaps_ms: Sequence[int], scale: float
) -> None:
    writer, now_s, lines, times = Writer(scale), 1.0, [], []
    for gap_ms in gaps_ms:
        now_s += gap_ms / 1000 * scale
        times.append(now_s)
        lines.append(writer.scan(Reading(now_s, late_s=gap_ms / 1000), (), None))
    assert all("now_s" not in line for line in lines[1:])
    assert [scan.reading.now_s for scan in back(lines, scale)] == times


def test_an_unchanged_scan_costs_next_to_nothing() -> None:
    writer = Writer(1.0)
    writer.scan(Reading(1.0, counts=(5, 9), line_kpa=17.3, late_s=0.1), (), None)
    assert writer.scan(Reading(1.1, counts=(5, 9), line_kpa=17.3, late_s=0.1), (), None) == "{}"
    assert writer.scan(Reading(1.1 + 0.1, counts=(7, 9), line_kpa=17.3, late_s=0.1), (), None) == (
        '{"r":{"counted":[2,0]}}'
    )


def test_checks_and_the_end_are_read_in_their_place() -> None:
    writer = Writer(1.0)
    lines = [writer.scan(Reading(1.0), (), None, "AssertionError()"), writer.check("12ab"), writer.closed({"net_l": 2})]
    scan, check, closed = read_scans(iter(lines), 1.0)
    assert isinstance(scan, Scan)
    assert scan.error == "AssertionError()"
    assert (check, closed) == (Check("12ab"), Closed({"net_l": 2}))


@pytest.mark.parametrize("line", ["", "[", '{"r":{"new_field":1}}', '{"q":[["a"]]}', '{"r":{"counted":[1]}}'])
def test_what_cannot_be_read_is_refused_with_words(line: str) -> None:
    with pytest.raises(BoxError, match="a newer version of this program wrote it, or it is damaged"):
        list(read_scans(iter([json.dumps({"r": {"now_s": 1.0}}), line]), 1.0))
