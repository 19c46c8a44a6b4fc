"""Meter factors, their spread and uncertainty, and the gate.

- Repeatability table of API MPMS 4.8 (from memory), recomputed from Student's t and the mean range of normal values.
- t and d2 themselves are integrated here; the tables in the code are NIST's and ASTM's.
- The worked sheets are made by hand: 250 pulse/gal over 5.000 and 100.00 gal.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest

from rig.fluid import read_fluid
from rig.meter.curve import AtFlow, by_flow
from rig.meter.proving import (
    D2,
    MOST_RUNS,
    T_975,
    Before,
    Gate,
    Proving,
    Run,
    petroleum_range_percent,
    prove,
    runs_u_percent,
    said_again,
)
from rig.meter.references import Can
from rig.sentence import Sentence
from rig.units import L_PER_GAL

WATER = read_fluid("water")
SMALL, LARGE = 5.0 * L_PER_GAL, 100.0 * L_PER_GAL
BEFORE = Before(pulses_per_l=250 / L_PER_GAL, least_l=10.0, pump_lps=40 / 60, in_force=1.0)
DOUBT = 5e-4


def sheet(
    pulses: Sequence[int], litres: float = LARGE, flows: Sequence[float] = (), before: Before = BEFORE
) -> Proving:
    timed = flows or [None] * len(pulses)
    runs = [Run(count, litres, 15.0, 15.0, flow) for count, flow in zip(pulses, timed, strict=True)]
    return prove(runs, before, WATER, DOUBT)


def integral(f: Callable[[float], float], low: float, high: float, steps: int = 4000) -> float:
    """Simpson's rule."""
    width = (high - low) / steps
    inner = sum((4 if step % 2 else 2) * f(low + step * width) for step in range(1, steps))
    return (f(low) + inner + f(high)) * width / 3


@pytest.mark.parametrize("runs", sorted(D2))
def test_the_mean_range_of_normal_values(runs: int) -> None:
    def share(x: float) -> float:
        below = 0.5 * math.erfc(-x / math.sqrt(2))
        return 1 - below**runs - (1 - below) ** runs

    assert D2[runs] == pytest.approx(integral(share, -9, 9), abs=6e-4)


@pytest.mark.parametrize("runs", sorted(T_975))
def test_student_s_t_leaves_a_fortieth(runs: int) -> None:
    freedom = runs - 1
    scale = math.exp(math.lgamma((freedom + 1) / 2) - math.lgamma(freedom / 2)) / math.sqrt(freedom * math.pi)

    def density(x: float) -> float:
        return scale * (1 + x * x / freedom) ** (-(freedom + 1) / 2)

    assert 0.5 + integral(density, 0, T_975[runs]) == pytest.approx(0.975, abs=4e-5)


@pytest.mark.parametrize(
    ("runs", "limit"),
    [(3, 0.02), (4, 0.03), (5, 0.05), (6, 0.06), (7, 0.08), (8, 0.09), (9, 0.10), (10, 0.12), (15, 0.17), (20, 0.22)],
)
def test_the_petroleum_trade_s_table_of_repeatability(runs: int, limit: float) -> None:
    assert petroleum_range_percent(runs) == pytest.approx(limit, abs=0.0055)


@pytest.mark.parametrize(("runs", "spread", "u"), [(5, 0.05, 0.0267), (10, 0.12, 0.0279), (20, 0.22, 0.0276)])
def test_the_uncertainty_of_a_mean_from_its_range(runs: int, spread: float, u: float) -> None:
    factors = (1.0, 1.0 + spread / 100, *[1.0 + spread / 200] * (runs - 2))
    assert runs_u_percent(AtFlow(None, factors)) == pytest.approx(u, abs=5e-5)


def test_a_sheet_that_fails() -> None:
    found = sheet([1252, 1249, 1251, 1250, 1250], SMALL)
    assert found.factors == pytest.approx((0.998403, 1.000801, 0.999201, 1.0, 1.0), abs=1e-6)
    assert found.factor == pytest.approx(0.999681, abs=1e-6)
    assert found.range_percent == pytest.approx(0.2402, abs=1e-4)
    assert not found.passed
    assert "0.24 % apart" in found.fails[0]
    assert "air in the line" in found.fails[0]


def test_a_sheet_that_passes_even_the_petroleum_trade() -> None:
    found = sheet([25010, 25015, 25012, 25008, 25011])
    assert found.factor == pytest.approx(0.999552, abs=1e-6)
    assert found.range_percent == pytest.approx(0.0280, abs=1e-4)
    assert found.passed
    assert found.range_percent < found.petroleum_range_percent
    assert found.asks == ()
    # 2.776 x 0.0280 / (2.326 x sqrt 5) = 0.0149; with the can's 0.05 % and whole pulses 0.052.
    assert found.u_runs_percent == pytest.approx(0.01494, abs=1e-4)
    assert found.u_percent == pytest.approx(math.hypot(0.01494, 0.05, 100 * 2 / math.sqrt(6) / 25008), abs=1e-4)
    assert found.u_delivery_percent > found.u_percent


def test_liquid_that_cooled_on_its_way_is_put_right() -> None:
    """Water of 10 degC at the meter that stands at 20 degC in the can has grown by 999.70 / 998.20 (CIPM 2001)."""
    can = Can(LARGE, "stainless")
    warm = prove([Run(25000, can.litres(LARGE, 20.0), 20.0, 10.0)] * 3, BEFORE, WATER, DOUBT)
    assert warm.factor == pytest.approx((1 + 4.77e-5 * (20 - 15.5556)) * 998.207 / 999.703, abs=4e-5)
    alike = prove([Run(25000, LARGE, 20.0, 20.0)] * 3, BEFORE, WATER, DOUBT)
    assert alike.factor == pytest.approx(1.0, abs=1e-12)


def test_a_reading_above_the_mark_means_a_meter_that_reads_low() -> None:
    high = prove([Run(1250, SMALL * (1 + 6 / 1155), 15.0, 15.0)] * 3, BEFORE, WATER, DOUBT)
    assert high.factor == pytest.approx(1.00519, abs=1e-5)


@pytest.mark.parametrize(
    ("pulses", "litres", "words"),
    [
        ([25000, 25000], LARGE, "2 runs, 3 are wanted"),
        ([600, 600, 600], 2.4 * L_PER_GAL, "below the meter's least quantity of 10.0 L"),
        ([50000] * 3, LARGE, "check the pulses per litre"),
        ([12000] * 3, LARGE, "check the pulses per litre"),
    ],
)  # fmt: skip
def test_what_is_refused(pulses: list[int], litres: float, words: str) -> None:
    found = sheet(pulses, litres)
    assert not found.passed
    assert any(words in text for text in found.fails)


def test_a_gate_of_the_shop_s_own() -> None:
    runs = [Run(count, LARGE, 15.0, 15.0) for count in (25010, 25015, 25012)]
    assert prove(runs, BEFORE, WATER, DOUBT).passed
    assert not prove(runs, BEFORE, WATER, DOUBT, Gate(range_percent=0.01)).passed
    assert not prove(runs, BEFORE, WATER, DOUBT, Gate(runs=5)).passed


def test_what_is_asked_before_it_is_accepted() -> None:
    moved = sheet([24900] * 3)
    assert moved.passed
    assert "by 0.4 %" in moved.asks[0]
    astray = sheet([24900] * 3, before=replace(BEFORE, in_force=1.003, history=(0.999, 1.001)))
    assert len(astray.asks) == 1
    assert "mean of the last 2 provings" in astray.asks[0]
    assert sheet([24960] * 3).asks == ()


def test_a_small_can_and_a_poor_reference_are_told() -> None:
    assert "less than a minute of flow" in sheet([1250] * 3, SMALL).tells[0]
    assert sheet([25000] * 3).tells == ()
    poor = prove([Run(25000, LARGE, 15.0, 15.0)] * 3, BEFORE, WATER, 0.016)
    assert "known to 1.6 % only" in poor.tells[0]
    assert poor.u_percent == pytest.approx(1.6, abs=0.01)


def test_a_stored_line_is_its_sentence_again() -> None:
    made = [sheet([24900] * 2, SMALL), sheet([24900, 25100, 25000], before=replace(BEFORE, history=(1.01, 1.02)))]
    lines = [line for each in made for line in (*each.fails, *each.asks, *each.tells)]
    assert len({line.key for line in lines}) >= 5
    for line in lines:
        again = said_again(str(line))
        assert isinstance(again, Sentence)
        assert (again, again.key, again.values.keys()) == (line, line.key, line.values.keys())
        shown = {name: value for name, value in line.values.items() if name not in ("volume", "least")}
        assert {name: again.values[name] for name in shown} == pytest.approx(shown)
    # Written by an earlier version: a sign, and all decimals.
    old = said_again("it is +0.40 % from the mean of the last 10 provings (1.00200)")
    assert isinstance(old, Sentence)
    assert old.values == {"away": 0.4, "provings": 10.0, "mean": 1.002}
    assert said_again("words of another version") == "words of another version"


def test_runs_at_two_flows_make_a_curve_and_each_must_repeat() -> None:
    flows = [0.66, 0.33, 0.67, 0.34, 0.665, 0.335]
    found = sheet([25000, 25100, 25005, 25105, 24995, 25095], flows=flows)
    assert found.passed
    assert found.factor == pytest.approx(1.0, abs=1e-4)
    assert [flow for flow, _ in found.curve] == pytest.approx([0.335, 0.665])
    assert [share for _, share in found.curve] == pytest.approx([25000 / 25100, 1.0], abs=1e-6)
    assert "from 20.1 L/min" in found.tells[-1]
    short = sheet([25000, 25100, 25005, 25105, 24995], flows=flows[:5])
    assert "2 runs at" in short.fails[0]


def test_one_flow_is_no_curve_and_runs_without_a_time_are_one_group() -> None:
    assert sheet([25000] * 3, flows=[0.66, 0.67, 0.68]).curve == ()
    groups = by_flow([(0.3, 1.0), (None, 1.1), (0.6, 1.2)])
    assert [(group.flow_lps, group.factors) for group in groups] == [(None, (1.0, 1.1, 1.2))]


def test_more_runs_than_there_are_constants_for() -> None:
    with pytest.raises(ValueError, match="two provings"):
        sheet([25000] * (MOST_RUNS + 1))
    assert sheet([25000] * MOST_RUNS).passed


@pytest.mark.parametrize("runs", [[], [Run(0, 20.0, 15, 15)], [Run(2000, 0.0, 15, 15)]])
def test_a_run_of_nothing_is_no_run(runs: list[Run]) -> None:
    with pytest.raises(ValueError, match="pulses and a reference volume"):
        prove(runs, BEFORE, WATER, DOUBT)


def test_there_is_a_constant_for_every_number_of_runs() -> None:
    assert sorted(D2) == sorted(T_975) == list(range(2, MOST_RUNS + 1))
