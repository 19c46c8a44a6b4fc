"""The error of geometry against published fill volumes, by class: the table that a technician may trust.

Rows: water chart on a dealer page (the trade's 75 % table), ITM 475 operator's manual table 4-9 (100 % column times
three quarters, as printed beside it), a maker's sheet of IF 800/70R32, Kubota M108DC and B26TL and Case IH Farmall 45C
operator's manuals (weights). All sources
are named in rig/wheel/published_sources.csv. No published value takes part in what is tested here: geometry only.
"""

import statistics
from collections import defaultdict

import pytest

from rig.units import KG_PER_LB, L_PER_GAL
from rig.wheel import PublishedFill, geometric_cavity, published_fills, read_size

VOLUMES = [row for row in published_fills() if row.printed_as != "valve_lb"]
CHART = [row for row in VOLUMES if row.source == "chart"]
NINE_GAL_L = 8.9 * L_PER_GAL


def _error(row: PublishedFill) -> float:
    """Relative error of geometry at a 12 o'clock valve."""
    cavity = geometric_cavity(read_size(row.size))
    return cavity.volume_l * cavity.fraction_at_clock(12) / row.at_valve_l - 1


def _p90(values: list[float]) -> float:
    return statistics.quantiles(values, n=10, method="inclusive")[-1]


def test_error_by_class(capsys: pytest.CaptureFixture[str]) -> None:
    by_class: dict[str, list[float]] = defaultdict(list)
    for row in VOLUMES:
        name = f"{read_size(row.size).family}, {row.source}"
        by_class[name].append(100 * _error(row))
    with capsys.disabled():
        print(f"\n{'class, source':22} {'n':>3} {'median':>7} {'p90':>6} {'max':>6} {'bias':>6}   (% of published)")
        for name, errors in sorted(by_class.items()):
            size = [abs(e) for e in errors]
            p90 = _p90(size) if len(size) > 1 else size[0]
            print(
                f"{name:22} {len(size):3} {statistics.median(size):7.2f} {p90:6.2f} {max(size):6.2f} "
                f"{statistics.fmean(errors):+6.2f}"
            )


def test_nine_gallons_and_more_meet_the_aim() -> None:
    errors = [abs(_error(row)) for row in VOLUMES if row.at_valve_l >= NINE_GAL_L]
    assert len(errors) >= 39
    assert statistics.median(errors) <= 0.012
    # The ITM manual contradicts the chart by up to 12 % on sizes that both have: no model is near both.
    assert _p90(errors) <= 0.08


def test_the_chart_alone_is_met_closer() -> None:
    errors = [abs(_error(row)) for row in CHART if row.at_valve_l >= NINE_GAL_L]
    assert statistics.median(errors) <= 0.011
    assert _p90(errors) <= 0.05
    assert max(errors) <= 0.09


def test_small_tyres_are_within_half_a_gallon() -> None:
    small = [row for row in VOLUMES if row.at_valve_l < NINE_GAL_L]
    assert len(small) >= 5
    for row in small:
        assert abs(_error(row)) * row.at_valve_l <= 0.5 * L_PER_GAL, row


@pytest.mark.parametrize(("family", "bound"), [("drive", 0.085), ("front", 0.09), ("implement", 0.08), ("skid", 0.05)])
def test_worst_of_each_class_on_the_chart(family: str, bound: float) -> None:
    errors = [abs(_error(row)) for row in CHART if read_size(row.size).family == family]
    assert errors
    assert max(errors) <= bound


def test_implement_rows_are_not_biased() -> None:
    errors = [_error(row) for row in CHART if read_size(row.size).family == "implement"]
    assert abs(statistics.fmean(errors)) < 0.03


def test_fraction_at_the_top_valve_follows_the_shape() -> None:
    # Narrow section on a tall rim high, wide section on a small rim low: what makes the chart grow faster with the
    # rim than a cavity does (75 to 110 gal from 18.4-24 to 18.4-38, a factor of 1.47).
    low, high = (geometric_cavity(read_size(size)) for size in ("18.4-24", "18.4-38"))
    at_valve = [c.volume_l * c.fraction_at_clock(12) for c in (low, high)]
    assert at_valve[1] / at_valve[0] == pytest.approx(110 / 75, rel=0.02)
    assert high.volume_l / low.volume_l < 1.41


# Weights of polyurethane fill, a dealer's page on tyre fill (mccoysindustrialtire.com): a wheelbarrow's 4.80-8 takes
# 20 lb, a 22-11-8 of a light vehicle 60 lb, both in round figures. 1.0 to 1.1 kg/L for such rubber: common practice, no
# source. They are whole cavities, and no part of any fit.
@pytest.mark.parametrize(("size", "fill_lb"), [("4.80-8", 20), ("22x11-8", 60)])
def test_whole_cavities_by_the_weight_of_their_fill(size: str, fill_lb: float) -> None:
    # Five pounds either way is what the round figures leave open.
    cavity = geometric_cavity(read_size(size))
    low_l, high_l = (lb * KG_PER_LB / density for lb, density in ((fill_lb - 5, 1.1), (fill_lb + 5, 1.0)))
    assert cavity.low_l < high_l
    assert low_l < cavity.high_l
    print(f"{size}: geometry {cavity.volume_l:.1f} L, by {fill_lb} lb of fill {low_l:.1f} to {high_l:.1f} L")


def test_three_quarters_of_a_wide_metric_radial_is_as_a_wholesaler_says() -> None:
    """ "75 % of the volume of a 600/65R38 are 500 litres" (Heuver, "Reifen mit Wasserfüllung", a rounded example)."""
    assert 0.75 * geometric_cavity(read_size("600/65R38")).volume_l == pytest.approx(500, rel=0.02)
