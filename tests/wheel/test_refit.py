"""Does the model predict rows that it was not fitted on? Refitted on half of the published sizes, judged on the rest.

Pattern search over the five constants that the data can tell apart; sources as in test_fit.
"""

import itertools
import math
import random
import statistics
from collections.abc import Iterator
from dataclasses import fields, replace

import pytest

from rig.units import L_PER_GAL
from rig.wheel import Measured, PublishedFill, geometric_cavity, published_fills, read_size
from rig.wheel.dimensions import outline_of
from rig.wheel.geometry import FITTED, Build, section_of, valve_radius_m

# The single metric size, as quoted by a magazine, is test data of test_fit only; marks printed short may be of others.
ROWS = [row for row in published_fills() if not row.by_weight and row.source not in {"sheet_if800", "m155_marks"}]
FREE = ("lug_m", "rib_m", "per_width", "round_power", "flat_power")


def _p90(values: list[float]) -> float:
    return statistics.quantiles(values, n=10, method="inclusive")[-1]


def _predicted_l(row: PublishedFill, build: Build) -> float:
    d = read_size(row.size)
    section = section_of(d, outline_of(d, Measured()), build)
    return 1000 * (section.volume_m3() - section.volume_above_m3(valve_radius_m(d, build)))


def _cost(rows: list[PublishedFill], build: Build) -> float:
    """Robust sum of squares: whole gallons are rounded, the manual's rows scatter, and a few rows are far out."""
    total = 0.0
    for row in rows:
        spread = math.hypot(0.3 * L_PER_GAL / row.at_valve_l, 0.02 if row.source == "chart" else 0.06)
        z = math.log(_predicted_l(row, build) / row.at_valve_l) / spread
        total += math.sqrt(1 + z * z) - 1
    return total


def _refitted(rows: list[PublishedFill]) -> Build:
    # Starts away from the shipped constants, so that they have to be found again.
    best = replace(FITTED, lug_m=0.034, rib_m=0.030, per_width=0.065, round_power=2.3, flat_power=3.0)
    cost = _cost(rows, best)
    step = 0.08
    while step > 0.004:
        better = False
        for name in FREE:
            for sign in (1, -1):
                trial = replace(best, **{name: getattr(best, name) * (1 + sign * step)})
                if (found := _cost(rows, trial)) < cost - 1e-6:
                    best, cost, better = trial, found, True
        step = step if better else step / 2
    return best


HALVINGS = 12
"""Random halvings of the sizes: one alone says 4.9 to 8.5 % for the 90th percentile of the chart's rows."""


_LEAST_GAL, _HALF_A_GALLON = 8.9, 0.5


def _held_out_errors(seed: int) -> Iterator[tuple[float, PublishedFill]]:
    """Errors on rows whose sizes were kept out of the fit: of both halves."""
    sizes = sorted({row.size for row in ROWS})
    random.Random(seed).shuffle(sizes)
    half = len(sizes) // 2
    for known in (set(sizes[:half]), set(sizes[half:])):
        build = _refitted([row for row in ROWS if row.size in known])
        judged = [row for row in ROWS if row.size not in known]
        yield from ((abs(_predicted_l(row, build) / row.at_valve_l - 1), row) for row in judged)


def _beyond_rounding(error: float, row: PublishedFill) -> float:
    """What is left of an error once the printed whole gallon may stand for anything that rounds to it."""
    return max(0.0, error - _HALF_A_GALLON * L_PER_GAL / row.at_valve_l)


@pytest.mark.full
def test_sizes_kept_out_of_the_fit_are_predicted(capsys: pytest.CaptureFixture[str]) -> None:
    pooled = [each for seed in range(HALVINGS) for each in _held_out_errors(seed)]
    large = [(error, row) for error, row in pooled if row.at_valve_l >= _LEAST_GAL * L_PER_GAL]
    small_gal = [
        error * row.at_valve_l / L_PER_GAL
        for error, row in pooled
        if row.at_valve_l < _LEAST_GAL * L_PER_GAL and row.source == "chart"
    ]
    both, rows = [error for error, _ in large], [(error, row) for error, row in large if row.source == "chart"]
    chart, beyond = [error for error, _ in rows], [_beyond_rounding(*each) for each in rows]
    drive = [error for error, row in rows if read_size(row.size).family == "drive"]
    with capsys.disabled():
        print()
        for name, errors in (("all rows", both), ("chart", chart), ("beyond rounding", beyond), ("drive", drive)):
            print(f"kept out, {name}: n {len(errors) // HALVINGS}, ", end="")
            print(f"median {100 * statistics.median(errors):.2f} %, ", end="")
            print(f"p90 {100 * _p90(errors):.2f} %, worst {100 * max(errors):.2f} %")
        print(f"kept out, below 9 gal: n {len(small_gal) // HALVINGS}, worst {max(small_gal):.2f} gal")
    assert len(large) >= 39 * HALVINGS
    assert statistics.median(both) <= 0.02
    assert statistics.median(chart) <= 0.015
    # Whole gallons alone are up to 5.6 % of a tyre of 9; the ten worst rows, each with its reason: decision 203.
    assert _p90(chart) <= 0.07
    assert _p90(beyond) <= 0.05
    assert _p90(drive) <= 0.05
    assert max(small_gal) <= _HALF_A_GALLON


def test_published_sources_differ_more_from_each_other_than_the_model_from_their_mean(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A floor for any model: sizes that two sources or more print, jointly printed rows left out."""
    by_size: dict[str, dict[str, list[PublishedFill]]] = {}
    for row in published_fills():
        if row.source != "m108dc_joint":
            by_size.setdefault(row.size, {}).setdefault(row.source, []).append(row)
    scatter, model = [], []
    for sources in by_size.values():
        means = [statistics.fmean(row.at_valve_l for row in rows) for rows in sources.values()]
        if len(means) > 1:
            scatter += [abs(math.log(one / other)) for one, other in itertools.combinations(means, 2)]
            row = next(iter(sources.values()))[0]
            model.append(abs(_predicted_l(row, FITTED) / statistics.fmean(means) - 1))
    with capsys.disabled():
        for name, found in (("source against source", scatter), ("model against their mean", model)):
            print(f"\n{name}: n {len(found)}, median {100 * statistics.median(found):.1f} %, ", end="")
            print(f"p90 {100 * _p90(found):.1f} %", end="")
    assert len(model) >= 10
    assert statistics.median(model) < statistics.median(scatter)
    assert _p90(model) < 0.5 * _p90(scatter)


def _covered(row: PublishedFill, build: Build) -> bool:
    """Whether the class's band around the prediction of another fit holds the printed value."""
    shipped, predicted_l = geometric_cavity(read_size(row.size)), _predicted_l(row, build)
    low, high = (predicted_l * bound_l / shipped.volume_l for bound_l in (shipped.low_l, shipped.high_l))
    return low <= row.at_valve_l <= high


def test_a_source_kept_out_of_the_fit_is_predicted(capsys: pytest.CaptureFixture[str]) -> None:
    drive = [row for row in ROWS if read_size(row.size).family == "drive"]
    covered = {}
    for source in ("chart", "itm475"):
        build = _refitted([row for row in ROWS if row.source != source])
        judged = [row for row in drive if row.source == source]
        errors = [abs(_predicted_l(row, build) / row.at_valve_l - 1) for row in judged]
        covered[source] = statistics.fmean(_covered(row, build) for row in judged)
        with capsys.disabled():
            print(f"\nfitted without {source}, its drive tyres: n {len(judged)}, median ", end="")
            print(f"{100 * statistics.median(errors):.2f} %, in the band {100 * covered[source]:.0f} %", end="")
    # The manual's series is uneven: 317 L for 16.9-28 and 323 L for 16.9-30, where two inches of rim hold 6 % more.
    assert covered["itm475"] >= 0.6


def test_the_shipped_constants_are_near_the_best() -> None:
    best = _refitted(ROWS)
    assert _cost(ROWS, FITTED) <= 1.10 * _cost(ROWS, best)
    assert {field.name for field in fields(Build)} >= set(FREE)
