"""The learning curve of the chart, small: its truth is drawn by the simulation, the command draws two hundred sizes."""

import pytest

from sim.chart_curve import World, chart_curve, curve


def test_five_wheels_filled_to_the_valve_give_a_cavity_within_one_per_cent() -> None:
    none, one, five = curve(3, 1, World(level_share=1.0, sizes=8), counts=(0, 1, 5))
    assert none.p90_error > one.p90_error > five.p90_error
    assert five.median_error <= 0.01
    assert five.in_90 >= 0.8
    assert five.in_95 >= 0.85
    assert five.half_width < 0.6 * none.half_width


def test_the_air_space_alone_is_not_stated_closer_than_it_is() -> None:
    none, five = curve(3, 2, World(level_share=0.0, sizes=8), counts=(0, 5))
    assert five.in_95 >= 0.85
    # The growth of the casing does not average out over wheels.
    assert five.half_width > 0.7 * none.half_width


def test_a_wide_spread_of_makes_and_wheels_is_learned_from_other_sizes() -> None:
    (narrow,) = curve(2, 3, World(make_sd=0.004, wheel_sd=0.003, level_share=1.0, sizes=8), counts=(5,))
    (wide,) = curve(2, 3, World(make_sd=0.025, wheel_sd=0.015, level_share=1.0, sizes=8), counts=(5,))
    assert wide.half_width > 1.4 * narrow.half_width
    assert wide.in_95 >= 0.8


def test_the_command_prints_a_row_for_each_count() -> None:
    lines: list[str] = []
    chart_curve(1, 1, 0.05, lines.append, sizes=2)
    assert lines[0].startswith("books 1, trucks of each 50, sizes of each 2")
    assert [line.split()[0] for line in lines if "%" in line and line.startswith("  ")].count("5") == 3


def test_the_same_seed_is_the_same_curve() -> None:
    world = World(sizes=2)
    assert curve(1, 4, world, counts=(1,)) == curve(1, 4, world, counts=(1,))
    assert curve(1, 4, world, counts=(1,)) != curve(1, 5, world, counts=(1,))


@pytest.mark.parametrize("words", [["--spread", "1"], ["--spread", "50"]])
def test_a_spread_out_of_reason_is_refused(words: list[str]) -> None:
    from sim.__main__ import main

    with pytest.raises(SystemExit):
        main(["chart", *words])
