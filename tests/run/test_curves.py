"""A recorded fill as curves: no peak is lost among fewer points, spans and relays are those of the recording."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from virtual_fills import fill_of, rig_settings

from rig.run.assembly import Question
from rig.run.curves import Curves, extremes, spans
from rig.run.replaying import read_part, replay
from rig.run.scans import Scan
from sim.taping import HERE, FileTape

VALUES = st.one_of(st.none(), st.floats(-1e4, 1e4))
PAIRS = st.lists(st.tuples(VALUES, VALUES), min_size=1, max_size=400)


@given(PAIRS, st.integers(6, 60), st.data())
def test_the_extremes_of_every_series_are_kept(
    pairs: list[tuple[float | None, float | None]], most: int, data: st.DataObject
) -> None:
    series = list(zip(*pairs, strict=True))
    always = data.draw(st.lists(st.integers(0, len(pairs) - 1), max_size=3))
    kept = extremes(series, most, always)
    assert kept == sorted(set(kept))
    assert {0, len(pairs) - 1, *always} <= set(kept)
    assert len(kept) <= most + 2 + len(always)
    for values in series:
        known = [value for value in values if value is not None]
        few = [values[at] for at in kept if values[at] is not None]
        if known:
            assert (min(few), max(few)) == (min(known), max(known))  # type: ignore[type-var]


def test_a_peak_of_one_scan_is_kept_where_it_was() -> None:
    values: list[float | None] = [0.0] * 30_000
    values[12_345] = 500.0
    flat: list[float | None] = [1.0] * len(values)
    kept = extremes([values, flat], 1500)
    assert 12_345 in kept
    assert len(kept) <= 1502
    # The rest is spread evenly: no stretch of the axis is empty.
    assert max(after - before for before, after in pairwise(kept)) < 2 * len(values) / (1500 / 4)


def test_a_gap_of_one_scan_stays_a_gap() -> None:
    values: list[float | None] = [float(at) for at in range(30_000)]
    values[12_345] = None
    assert 12_345 in extremes([values, values], 1500)


def test_few_points_are_all_kept() -> None:
    assert extremes([[1.0, None, 3.0]], 3) == [0, 1, 2]


def test_spans_last_to_the_next_one() -> None:
    assert spans([0.0, 1.0, 2.5, 4.0], ["a", "a", "b", "a"]) == [(0.0, 2.5, "a"), (2.5, 4.0, "b"), (4.0, 4.0, "a")]


@pytest.fixture(scope="module")
def tape(tmp_path_factory: pytest.TempPathFactory) -> FileTape:
    fill = fill_of(rig_settings(), Question("11L-15"), ["meter_dead@20"])
    fill.setup = replace(fill.setup, fill_id="fill-1")
    tape = FileTape(tmp_path_factory.mktemp("curves"), fill.setup)
    fill.tape = tape
    fill.run(600)
    tape.close()
    return tape


def curves_of(parts: list[Path]) -> Curves:
    curves = Curves()
    replay(parts, HERE, curves.see)
    return curves


def test_relays_and_alarms_are_those_of_the_recording(tape: FileTape) -> None:
    curves = curves_of(tape.parts)
    scans = [each for each in read_part(tape.parts[0])[1] if isinstance(each, Scan)]
    begin_s = scans[0].reading.now_s
    told = [(scan.reading.now_s - begin_s, data) for scan in scans for kind, data in scan.entries if kind == "alarm"]
    assert [(each.t_s, each.name, each.text, each.first) for each in curves.alarms] == [
        (t_s, data["name"], data["text"], data["do"]) for t_s, data in told
    ]
    assert told[0][1]["name"] == "no_flow"
    relays = curves.relays()
    assert {"pump_run", "fill_valve"} <= relays.keys()
    for t_s, scan in zip(curves.t_s, scans, strict=True):
        on = {name for name, spans_of in relays.items() if any(begin <= t_s < end for begin, end in spans_of)}
        # What is on in the last scan has no length any more.
        assert on == set(scan.decided["on"]) or t_s == curves.t_s[-1]


def test_what_is_believed_lies_between_its_ends(tape: FileTape) -> None:
    curves = curves_of(tape.parts)
    known = [each for each in zip(curves.low_kpa, curves.tyre_kpa, curves.high_kpa, strict=True) if None not in each]
    assert len(known) > 100
    assert all(low <= kpa <= high for low, kpa, high in known)  # type: ignore[operator]
    assert any(high - low > 0.5 for low, _, high in known)  # type: ignore[operator]


def test_an_interruption_has_no_length(tape: FileTape) -> None:
    # The same part once more stands for one whose clock began anew.
    once, twice = curves_of(tape.parts), curves_of([*tape.parts, *tape.parts])
    end_s = once.t_s[-1]
    assert twice.t_s == pytest.approx([*once.t_s, *(end_s + t_s for t_s in once.t_s)])
    assert [each.t_s for each in twice.alarms] == pytest.approx(
        [each.t_s for each in once.alarms] + [end_s + each.t_s for each in once.alarms]
    )
