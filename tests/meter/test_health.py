"""Verdicts in plain words from a series of fills."""

from __future__ import annotations

import random

import pytest

from rig.meter.health import Comparison, advice, verdicts


def series(reference: str, deviations: list[float], u: float = 0.01) -> list[list[Comparison]]:
    return [[Comparison(reference, 1 + each, u)] for each in deviations]


def test_a_scale_needs_no_learning() -> None:
    (one,) = verdicts(series("scale", [0.001, -0.002]), {"scale"})
    assert (one.condition, one.bias_percent, one.fills) == ("fine", None, 2)
    assert one.sees_percent == pytest.approx(2.33, abs=0.02)
    assert one.sees_1_percent == pytest.approx(0.05, abs=0.01)
    assert one.text.endswith("a drift of 1 % would be found within 10 fills in 1 of 10 cases, one of 2.3 % in 9 of 10")


def test_a_pump_s_displacement_is_learned_first_and_says_so() -> None:
    rng = random.Random(4)
    deviations = [0.03 + rng.gauss(0, 0.01) for _ in range(20)]
    (early,) = verdicts(series("pump", deviations[:4]))
    assert early.condition == "learning"
    assert "fill 4 of the 5 that set its own bias" in early.text
    (late,) = verdicts(series("pump", deviations))
    assert late.condition == "fine"
    assert late.bias_percent == pytest.approx(3.0, abs=0.7)
    assert late.sees_percent == pytest.approx(1.89, abs=0.02)


def test_what_can_be_seen_is_said_plainly_and_what_learning_adds() -> None:
    def text(deviations: list[float], u: float) -> str:
        return verdicts(series("tote level", deviations, u))[0].text

    rng = random.Random(4)
    unit = [rng.gauss(0, 1) for _ in range(60)]
    assert "found within 10 fills in 1 of 10 cases (after 20 fills in 3), one of" in text(
        [u / 100 for u in unit[:8]], 0.01
    )
    assert "found within 10 fills in 4 of 10 cases, one of" in text([u / 100 for u in unit], 0.01)
    assert "found within 10 fills hardly ever, one of" in text([0.03 * u for u in unit[:20]], 0.03)
    assert "found within 10 fills almost always, one of 0." in text([0.003 * u for u in unit], 0.003)


@pytest.mark.parametrize(("sign", "direction", "words"), [(-1, "low", "pulses are lost"), (1, "high", "air or froth")])
def test_a_meter_that_goes_off_is_named_with_its_direction(sign: int, direction: str, words: str) -> None:
    (found,) = verdicts(series("scale", [0.0] * 10 + [0.025 * sign] * 6), {"scale"})
    assert (found.condition, found.direction) == ("out", direction)
    assert found.out_at == 14
    assert found.drift_percent == pytest.approx(2.5 * sign, abs=0.3)
    assert words in found.text
    assert f"reads {direction}" in found.text


def test_on_the_way_to_the_limit_it_is_watched() -> None:
    (found,) = verdicts(series("scale", [0.0, 0.0, -0.022, -0.025]), {"scale"})
    assert (found.condition, found.direction, found.out_at) == ("watch", "low", None)
    assert "watch the next fills" in advice([found], proven=True)


def test_each_reference_has_its_own_chart_and_may_be_missing_in_a_fill() -> None:
    fills = [
        [Comparison("scale", 1.0, 0.003), Comparison("tote level", 1.02, 0.02)],
        [],
        [Comparison("scale", 1.0, 0.003)],
    ]
    found = {each.reference: each for each in verdicts(fills)}
    assert found["scale"].fills == 2
    assert found["tote level"].fills == 1
    assert (found["tote level"].condition, found["tote level"].sees_percent) == ("learning", None)


def test_advice_tells_one_liar_from_two_witnesses() -> None:
    low = [0.0] * 8 + [-0.03] * 6
    alone = verdicts(series("scale", low), {"scale"})
    assert advice(alone, proven=True).startswith("Look at the scale first")
    both = [[*a, *b] for a, b in zip(series("scale", low), series("second meter", low), strict=True)]
    assert advice(verdicts(both, {"scale"}), proven=True).startswith(
        "scale and second meter agree that the meter reads low"
    )
    assert advice(alone, proven=False) == "The meter is not proven: prove it (rig prove)."
    assert advice(verdicts(series("scale", [0.0] * 3)), proven=True) == "Nothing to do."
    assert advice((), proven=True).startswith("No comparisons yet")


def test_a_difference_from_the_first_fill_on_is_told_where_it_is_more_than_the_reference_s_own_doubt() -> None:
    off = [0.03, 0.031, 0.029] * 3
    (scale,) = verdicts(series("scale", off, 0.002), doubts={"scale": 0.005})
    assert scale.condition == "fine"
    assert "3 % more than it: one of the two is off" in scale.text
    (level,) = verdicts(series("tote level", off, 0.002), doubts={"tote level": 0.05})
    assert "off" not in level.text
