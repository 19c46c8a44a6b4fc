"""Cavities: basis and band, levels and clock positions both ways, order by size."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.units import KG_PER_LB, L_PER_GAL
from rig.wheel import (
    Designation,
    Measured,
    MeasureError,
    cavity_l_of_fill,
    cavity_of,
    geometric_cavity,
    liquid_at_valve,
    published_fills,
    read_size,
)
from rig.wheel.known import KNOWN_SIZES

sizes = st.sampled_from(KNOWN_SIZES).map(read_size)


def test_the_worked_size_holds_what_the_chart_says() -> None:
    # Water chart (dealer page): 16.9-28 takes 69 US gal; common practice: 738 lb of beet fluid at 10.7 lb/gal.
    cavity = cavity_of(read_size("16.9-28"))
    assert cavity.basis == "table"
    at_valve = liquid_at_valve(cavity)
    assert at_valve / L_PER_GAL == pytest.approx(69, rel=1e-6)
    assert at_valve * 1.282 / KG_PER_LB == pytest.approx(738, rel=0.003)


def test_geometry_alone_is_within_five_percent_there() -> None:
    shape = geometric_cavity(read_size("16.9-28"))
    assert liquid_at_valve(shape) / L_PER_GAL == pytest.approx(69, rel=0.05)


def test_small_turf_tyre_practice_lies_inside_the_band() -> None:
    # Common practice for 26x12-12: 8 US gal, 89 lb of beet fluid at 10.7 lb/gal.
    cavity = cavity_of(read_size("26x12-12"))
    share = cavity.fraction_at_clock(12)
    for gallons in (8.0, 89 / 10.7):
        assert cavity.low_l * share < gallons * L_PER_GAL < cavity.high_l * share
    assert liquid_at_valve(cavity) / L_PER_GAL < 9.1


@pytest.mark.parametrize("size", ["16.9-28", "480/80R42", "18.4-38", "6.00-16", "11L-15", "26x12-12", "23.5R25"])
def test_four_and_eight_o_clock_give_the_trade_s_forty_percent(size: str) -> None:
    # Valtra BT operator's manual, p. 144: radial tyres, valve at 4 or 8 o'clock, 40 %.
    cavity = cavity_of(read_size(size))
    assert cavity.fraction_at_clock(4) == pytest.approx(cavity.fraction_at_clock(8), abs=1e-9)
    assert 0.365 < cavity.fraction_at_clock(4) < 0.411


def test_three_o_clock_is_half() -> None:
    assert cavity_of(read_size("16.9-28")).fraction_at_clock(3) == pytest.approx(0.5, abs=1e-9)


@given(sizes, st.floats(0, 1))
def test_fraction_and_level_round_trip(d: Designation, fraction: float) -> None:
    cavity = cavity_of(d)
    level = cavity.level_of_fraction(fraction)
    assert cavity.fraction_at_level(level) == pytest.approx(fraction, abs=1e-4)


@given(sizes, st.floats(0.02, 5.98))
def test_clock_and_fraction_round_trip(d: Designation, hours: float) -> None:
    cavity = cavity_of(d)
    fraction = cavity.fraction_at_clock(hours)
    again = cavity.clock_of_fraction(fraction)
    assert again % 12 == pytest.approx(hours, abs=0.01)
    assert cavity.fraction_at_clock(again) == pytest.approx(fraction, abs=1e-3)


@given(sizes, st.floats(-1, 1), st.floats(-1, 1))
def test_fraction_rises_with_level(d: Designation, one: float, other: float) -> None:
    cavity = cavity_of(d)
    low, high = sorted((one, other))
    assert cavity.fraction_at_level(low * cavity.crown_m) <= cavity.fraction_at_level(high * cavity.crown_m) + 1e-7


@given(sizes, st.floats(0, 6), st.floats(0, 6))
def test_fraction_falls_as_the_valve_turns_down(d: Designation, one: float, other: float) -> None:
    cavity = cavity_of(d)
    first, second = sorted((one, other))
    assert cavity.fraction_at_clock(first) >= cavity.fraction_at_clock(second) - 1e-7


def test_empty_and_full() -> None:
    cavity = cavity_of(read_size("16.9-28"))
    assert cavity.fraction_at_level(-cavity.crown_m) == 0
    assert cavity.fraction_at_level(cavity.crown_m) == 1
    with pytest.raises(ValueError, match="between 0 and 1"):
        cavity.level_of_fraction(1.2)
    with pytest.raises(ValueError, match="valve at 6 o'clock"):
        cavity.clock_of_fraction(0.95)


@given(
    st.sampled_from([8.3, 9.5, 11.2, 12.4, 13.6, 14.9, 16.9, 18.4, 20.8, 23.1]), st.sampled_from([24, 26, 28, 30, 34])
)
def test_a_drive_tyre_grows_with_rim_and_width(width: float, rim: int) -> None:
    widths = [8.3, 9.5, 11.2, 12.4, 13.6, 14.9, 16.9, 18.4, 20.8, 23.1, 24.5]
    wider = widths[widths.index(width) + 1]
    here = geometric_cavity(read_size(f"{width}-{rim}")).volume_l
    assert geometric_cavity(read_size(f"{width}-{rim + 4}")).volume_l > here
    assert geometric_cavity(read_size(f"{wider}-{rim}")).volume_l > here


@given(st.integers(30, 80), st.integers(55, 90), st.sampled_from(range(24, 48, 2)))
def test_a_metric_tyre_grows_with_width_aspect_and_rim(tens: int, aspect: int, rim: int) -> None:
    def volume(w: int, a: int, r: int) -> float:
        return cavity_of(read_size(f"{w}/{a}R{r}")).volume_l

    here = volume(10 * tens, aspect, rim)
    # The assumed rim narrows by 4 points under aspect 78, which one point of height does not make up for.
    assert volume(10 * tens, aspect + 5, rim) > here
    assert volume(10 * tens + 10, aspect, rim) > here
    assert volume(10 * tens, aspect, rim + 2) > here


@given(sizes, st.floats(-0.04, 0.04), st.floats(-0.08, 0.08))
def test_measured_lengths_move_the_volume_the_right_way(d: Designation, by_diameter: float, by_section: float) -> None:
    rule = geometric_cavity(d).outline
    taller = Measured(diameter_m=rule.diameter_m * (1.05 + by_diameter), section_m=rule.section_m)
    lower = Measured(diameter_m=rule.diameter_m * (1.04 + by_diameter), section_m=rule.section_m)
    assert cavity_of(d, taller).volume_l > cavity_of(d, lower).volume_l
    wider = Measured(section_m=rule.section_m * (1.09 + by_section))
    narrower = Measured(section_m=rule.section_m * (1.08 + by_section))
    assert cavity_of(d, wider).volume_l > cavity_of(d, narrower).volume_l


def test_measuring_what_the_rule_says_changes_nothing_but_the_band() -> None:
    d = read_size("18.4-30")
    rule = geometric_cavity(d)
    taped = geometric_cavity(d, Measured(rule.outline.diameter_m, rule.outline.section_m, rule.outline.rim_width_m))
    assert taped.volume_l == pytest.approx(rule.volume_l)
    assert taped.high_l - taped.low_l < 0.9 * (rule.high_l - rule.low_l)


def test_a_measured_tyre_of_a_published_size_is_scaled() -> None:
    d = read_size("16.9-28")
    rule = cavity_of(d).outline
    bigger = cavity_of(d, Measured(diameter_m=rule.diameter_m + 0.0254))
    # One inch on the diameter is about 5 % of the cavity.
    assert bigger.basis == "table"
    assert bigger.volume_l / cavity_of(d).volume_l == pytest.approx(1.053, abs=0.01)
    assert any("scaled" in note for note in bigger.notes)


@pytest.mark.parametrize(
    "measured",
    [Measured(diameter_m=1.0), Measured(diameter_m=56.5), Measured(section_m=0.9), Measured(rim_width_m=15.0)],
)
def test_a_measurement_of_another_tyre_is_refused(measured: Measured) -> None:
    with pytest.raises(MeasureError, match=r"cannot be a 16\.9-28"):
        cavity_of(read_size("16.9-28"), measured)


def test_a_mark_without_aspect_ratio_asks_for_the_diameter() -> None:
    d = read_size("370R20")
    guessed = cavity_of(d)
    assert any("measure the outside diameter" in note for note in guessed.notes)
    assert guessed.high_l / guessed.low_l > 1.6
    taped = cavity_of(d, Measured(diameter_m=1.03))
    assert not any("aspect" in note for note in taped.notes)
    assert taped.high_l / taped.low_l < 1.3


def test_a_taught_wheel_comes_first() -> None:
    d = read_size("16.9-28")
    whole = cavity_l_of_fill(d, 66 * L_PER_GAL)
    taught = cavity_of(d, taught_l=whole)
    assert taught.basis == "taught"
    assert liquid_at_valve(taught) / L_PER_GAL == pytest.approx(66)
    with pytest.raises(MeasureError, match="teach the wheel again"):
        cavity_of(d, taught_l=20.0)


def test_a_radial_takes_the_published_value_of_its_bias_twin_but_not_the_other_way() -> None:
    assert cavity_of(read_size("18.4R38")).basis == "table"
    assert cavity_of(read_size("16.9-34")).basis == "geometry"


def test_the_band_of_a_published_size_covers_its_other_sources() -> None:
    for row in published_fills():
        if row.source.endswith("_joint"):
            continue
        cavity = cavity_of(read_size(row.size))
        share = cavity.fraction_at_clock(12)
        assert cavity.low_l * share <= row.at_valve_l <= cavity.high_l * share, row
