"""Causes of missing stock: the regression against NIST's figures and scipy's densities, causes by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_t

from rig.ledger.balance import Booked
from rig.ledger.explaining import (
    CLAIM_READINGS,
    FALSE_ALARM_DAYS,
    SPREADS,
    Candidates,
    Cause,
    Explained,
    candidates_of,
    chance_days,
    covariances,
    explain,
    fit,
    missing_of,
)
from rig.ledger.stocktaking import Reading, readings_of
from sim.stock_shop import Shop
from sim.stock_table import readings_in, running

# --- the regression -------------------------------------------------------------------------------------------------

NORRIS = """0.1 0.2  338.8 337.4  118.1 118.2  888.0 884.6  9.2 10.1  228.1 226.5  668.5 666.3  998.5 996.3  449.1 448.6
778.9 777.0  559.2 558.2  0.3 0.4  0.1 0.6  778.1 775.5  668.8 666.9  339.3 338.0  448.9 447.5  10.8 11.6  557.7 556.0
228.3 228.1  998.0 995.8  888.8 887.6  119.6 120.2  0.3 0.3  0.6 0.3  557.6 556.8  339.3 339.1  888.0 887.2  998.5 999.0
778.9 779.0  10.2 11.1  117.6 118.3  228.9 229.2  668.4 669.1  449.2 448.9  0.2 0.5"""
"""NIST/ITL StRD, data set Norris (calibration of ozone monitors): y and x of 36 observations."""
NORRIS_SLOPE, NORRIS_SLOPE_U = 1.00211681802045, 0.429796848199937e-03
"""Published by NIST: B1 and its standard deviation, at n - 2 degrees of freedom."""


def one_column(column: np.ndarray, size: float) -> Candidates:
    return Candidates(("meter",), (0,), column[:, None], np.zeros(1), np.array([size]))


def test_slope_and_its_deviation_are_those_that_nist_publishes() -> None:
    y, x = np.array(NORRIS.split(), dtype=float).reshape(-1, 2).T
    # A free intercept is a constant of unknown size in the covariance; without prior knowledge of size and scale.
    noise = np.eye(36) + 1e8
    found = fit(y, [noise], one_column(x, 1e5), claim=1e-9)
    assert found.mean[0] == pytest.approx(NORRIS_SLOPE, rel=1e-7)
    assert found.deviation[0] * (36 / 34) ** 0.5 == pytest.approx(NORRIS_SLOPE_U, rel=1e-5)


def plain(days: int = 30, **changes: object) -> list[Reading]:
    return readings_in(Shop(days=days, around_loads=True, **changes), 3)  # type: ignore[arg-type]


def test_likelihood_ratios_are_those_of_scipy_s_densities() -> None:
    """With a scale of inverse gamma distribution the missing litres have a multivariate t distribution."""
    readings = plain(10, leak_l_per_day=1.0)
    missing, noises, candidates = missing_of(readings), covariances(readings), candidates_of(readings)
    found = fit(missing, noises, candidates)

    def density(column: np.ndarray) -> float:
        """Mean over the covariances and over the spreads of the prior."""
        shapes = [noise + np.outer(spread * column, spread * column) for noise in noises for spread in SPREADS]
        return float(
            np.logaddexp.reduce([multivariate_t(shape=each, df=CLAIM_READINGS).logpdf(missing) for each in shapes])
        )

    for number in range(0, len(candidates.causes), 7):
        column = candidates.columns[:, number] * candidates.size[number]
        expected = density(column) - density(0 * column)
        assert found.log_ratio[number] == pytest.approx(expected, abs=1e-6), candidates.causes[number]


def test_sizes_are_weighted_means_over_the_covariances() -> None:
    """Generalised least squares is ordinary least squares after whitening, here by the symmetric root."""
    readings = plain(10, bias=0.004)
    missing, candidates = missing_of(readings), candidates_of(readings)
    noise = covariances(readings)[1]
    # So large that the spreads of the prior make no difference.
    candidates = replace(candidates, size=np.full_like(candidates.size, 1e6))
    found = fit(missing, [noise], candidates)
    values, vectors = np.linalg.eigh(noise)
    root = vectors @ np.diag(values**-0.5) @ vectors.T
    for number in (0, 5, 60):
        [size], *_ = np.linalg.lstsq(root @ candidates.columns[:, [number]], root @ missing)
        assert found.mean[number] == pytest.approx(size, rel=1e-6)


def test_the_statistic_grows_with_the_readings_as_the_simulation_has_it() -> None:
    readings = plain(20)
    after = running(readings)
    for count in (1, 2, 5, len(after)):
        few = readings[: count + 1]
        candidates = candidates_of(few)
        found = chance_days(fit(missing_of(few), covariances(few), candidates), candidates)
        assert after[count - 1] == pytest.approx(found, rel=1e-3)
    assert explain(readings).chance_days == pytest.approx(after[-1], rel=1e-3)


# --- readings -------------------------------------------------------------------------------------------------------

AT = "2026-11-{:02d}T18:00:00.000+00:00"


def dip(day: int, litres: float, u_l: float | None = 2.0) -> Booked:
    return Booked(AT.format(day), "dip", litres, u_l=u_l)


def ticket(day: int, litres: float) -> Booked:
    return Booked(AT.format(day), "ticket", litres, u_l=0.2, metered=True, hose_on=True)


def test_what_is_missing_is_a_sum_by_hand() -> None:
    moves = [
        ticket(1, 50.0),
        dip(1, 900.0),
        ticket(2, 200.0),
        Booked(AT.format(2), "hose", 2.0, u_l=0.0, metered=True),
        Booked(AT.format(3), "load", 240.0),
        Booked(AT.format(3), "load", 60.0, u_l=3.0),
        Booked(AT.format(3), "out", 100.0),
        Booked(AT.format(3), "told", 555.0),
        Booked(AT.format(4), "return", 10.0, u_l=0.2, metered=True, hose_on=True),
        dip(5, 900.0),
    ]
    first, last = readings_of(moves)
    assert (first.days, first.missing_l, first.metered_l, first.booked_var_l2) == (0, 0, 0, 0)
    # 900 - 200 - 2 + 300 - 100 + 10 = 908.
    assert (last.days, last.missing_l) == (4.0, pytest.approx(8.0))
    assert (last.metered_l, last.transfers, last.loaded_l, last.drawn_l) == (192.0, 2, 240.0, 100.0)
    assert last.booked_var_l2 * 1.96**2 == pytest.approx(0.04 + 1.2**2 + 9 + 0.5**2 + 0.04)
    assert last.u_l * 1.96 == 2.0


def test_uncertainties_that_nobody_stated_are_the_usual_ones() -> None:
    moves = [dip(1, 100.0, None), Booked(AT.format(1), "load", 800.0), Booked(AT.format(1), "spill", 10.0)]
    unsized, sized = (readings_of([*moves, dip(2, 890.0, None)], size_l)[-1] for size_l in (None, 1000.0))
    assert (unsized.u_l * 1.96, sized.u_l * 1.96) == (pytest.approx(4.45), pytest.approx(5.0))
    assert sized.booked_var_l2 * 1.96**2 == pytest.approx(4.0**2 + 1.0**2)


def test_a_clock_that_was_set_back_takes_no_days_back() -> None:
    assert [each.days for each in readings_of([dip(10, 1.0), dip(12, 1.0), dip(4, 1.0), dip(13, 1.0)])] == [0, 2, 2, 3]


# --- causes ---------------------------------------------------------------------------------------------------------


def said(readings: list[Reading]) -> list[list[Cause]]:
    return [[each.cause for each in finding.causes] for finding in explain(readings).findings]


def test_one_reading_says_nothing_and_two_can() -> None:
    alone = explain(readings_of([dip(1, 500.0)]))
    assert (alone.readings, alone.findings, alone.chance_days) == (1, (), 0.0)
    assert explain(readings_of([dip(1, 500.0), dip(2, 498.0)])).findings == ()
    [causes] = said(readings_of([dip(1, 500.0), ticket(1, 100.0), dip(2, 250.0)]))
    # Nobody can know yet what 150 L are that two dips miss.
    assert {"step", "misread"} <= set(causes)


def test_empty_and_unread_vessels_are_explained_too() -> None:
    assert explain(readings_of([dip(1, 0.0, None), dip(2, 0.0, None), dip(3, 0.0, None)])).findings == ()


def test_a_leak_beside_no_work_is_a_leak() -> None:
    readings = readings_of([dip(day, 800.0 - 3.0 * day + (day * 7 % 3 - 1)) for day in range(1, 15)])
    [finding] = explain(readings).findings
    [leak] = finding.causes
    assert leak.cause == "leak"
    assert leak.size == pytest.approx(3.0, abs=leak.u)
    assert 0.0 < leak.u < 1.0
    assert finding.chance_days > FALSE_ALARM_DAYS


def test_days_that_are_alike_leave_leak_meter_and_hose_together() -> None:
    moves, left_l = [dip(1, 900.0)], 900.0
    for day in range(2, 29):
        moves.append(ticket(day, 20.0))
        left_l -= 22.0
        moves.append(dip(day, left_l + (day * 5 % 3 - 1)))
    [causes] = said(readings_of(moves))
    assert {"leak", "hose", "meter"} <= set(causes)


def test_a_week_without_work_tells_leak_and_meter_apart() -> None:
    def moves(leak_l: float, share: float) -> list[Booked]:
        made, left_l = [dip(1, 950.0)], 950.0
        for day in range(2, 29):
            drawn_l = 0.0 if 10 <= day <= 18 else (5.0, 90.0, 20.0)[day % 3]
            if drawn_l:
                made.append(ticket(day, drawn_l))
            left_l -= drawn_l * (1 + share) + leak_l
            made.append(dip(day, left_l + (day * 5 % 7 - 3) / 6, 1.0))
        return made

    assert said(readings_of(moves(2.0, 0.0))) == [["leak"]]
    assert said(readings_of(moves(0.0, 0.04))) == [["meter"]]
    assert said(readings_of(moves(0.0, 0.0))) == []


def test_a_poor_reading_counts_less() -> None:
    def moves(u_l: float) -> list[Booked]:
        return [
            *(dip(day, 800.0) for day in range(1, 10)),
            dip(10, 770.0, u_l),
            *(dip(11 + n, 800.0) for n in range(5)),
        ]

    [finding] = explain(readings_of(moves(2.0))).findings
    [misread] = finding.causes
    assert (misread.cause, misread.since) == ("misread", AT.format(10))
    assert misread.size == pytest.approx(30.0, abs=misread.u)
    assert explain(readings_of(moves(40.0))).findings == ()


def test_two_causes_are_found_one_beside_the_other() -> None:
    readings = plain(60, leak_l_per_day=3.0, dip_u_l=2.0)
    late = [each if each.days < 30 else replace(each, missing_l=each.missing_l - 60.0) for each in readings]
    found = explain(late)
    sizes = {each.cause: each for finding in found.findings for each in finding.causes}
    assert {"leak", "step"} <= set(sizes)
    assert sizes["leak"].size == pytest.approx(3.0, abs=1.5 * sizes["leak"].u)
    assert sizes["step"].size == pytest.approx(-60.0, abs=1.5 * sizes["step"].u)
    assert sizes["step"].since_first <= next(each.at for each in readings if each.days >= 30) >= sizes["step"].since


# --- in simulation --------------------------------------------------------------------------------------------------


def ended(shop: Shop, seeds: range) -> list[Explained]:
    return [explain(readings_in(shop, seed)) for seed in seeds]


@pytest.mark.full
def test_sound_tanks_are_seldom_called_wrong() -> None:
    """The least mean time between false alarms is a year: of 21 times two months some two or three may have one."""
    shops = [Shop(days=60, dipped=0.7), Shop(days=60, dip_factor=1.5), Shop(days=60, dip_factor=0.6, around_loads=True)]
    alarms = sum(
        bool((running(readings_in(shop, seed)) > FALSE_ALARM_DAYS).any()) for shop in shops for seed in range(7)
    )
    assert alarms <= 5


@pytest.mark.parametrize(
    ("cause", "shop"),
    [
        ("leak", Shop(days=14, leak_l_per_day=2.0, dip_u_l=2.0)),
        ("meter", Shop(days=30, bias=0.003, dip_u_l=2.0)),
        ("step", Shop(days=20, unbooked_l=40.0, wrong_on=15)),
    ],
)
def test_what_is_wrong_is_found_in_time(cause: Cause, shop: Shop) -> None:
    found = ended(shop, range(10))
    named = [{each.cause for finding in one.findings for each in finding.causes} for one in found]
    assert sum(cause in each for each in named) >= 8
