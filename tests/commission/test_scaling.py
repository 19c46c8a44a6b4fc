"""A gauge, level or scale is found by values that a person knows: its register, type, order and scale; or several are
left."""

from __future__ import annotations

import random
from collections.abc import Sequence

import pytest
from drawn import ORDERS, film, number, place, still, times, wavering
from hypothesis import assume, given
from hypothesis import strategies as st

from rig.commission.scaling import Fit, Level, below_zero, fits_of, reaching
from rig.commission.wires import Shot, View


def levels(kind: str, order: str, scale: float, zero: float, values: Sequence[float], seed: int = 1) -> list[Level]:
    """Films of a number at known values, between registers that stand, waver and count."""
    rng, found = random.Random(seed), []
    for value in values:
        raw = (value - zero) / scale
        flicker = 0.0 if kind == "f32" else 1.0
        content = [
            still(range(20), rng.choice((0, 17))),
            wavering(2, random.Random(seed), 300),
            number(7, kind, order, lambda now_s, raw=raw, flicker=flicker: raw + flicker * ((now_s * 7919) % 1 > 0.5)),
        ]
        found.append(Level(value, film(content, times(0, 1.5, 15))))
    return found


@pytest.mark.full
@given(
    kind=st.sampled_from(["i16", "u16", "i32", "f32"]), order=st.sampled_from(ORDERS),
    scale=st.sampled_from([0.01, 0.002, 0.1, 0.0037]), zero=st.sampled_from([0.0, -14.5, -15.0]),
    high=st.floats(8, 30), seed=st.integers(0, 50),
)  # fmt: skip
def test_a_drawn_gauge_is_found_by_three_values(
    kind: str, order: str, scale: float, zero: float, high: float, seed: int
) -> None:
    scale = scale if kind != "f32" else 1.0
    zero = zero if kind != "f32" else 0.0
    assume(kind != "u16" or zero <= 0)
    fits = fits_of(levels(kind, order, scale, zero, (0.0, high, 0.45 * high), seed), rising=True)
    views = [fit.view for fit in fits]
    one = kind in ("i16", "u16")
    order = ("BADC" if order in ("BADC", "DCBA") else "ABCD") if one else order
    truths = [View(place(7), each, order) for each in ((kind, "i16", "u16") if one else (kind,))]  # type: ignore[arg-type]
    low = View(place(8 if order in ("ABCD", "BADC") else 7), "i16", "ABCD" if order in ("ABCD", "CDAB") else "BADC")
    assert any(truth in views for truth in truths) or (kind == "i32" and low in views), (truths, views)
    (fit,) = [fit for fit in fits if fit.view in [*truths, low]]
    assert fit.scale == pytest.approx(scale, rel=0.02)
    for value in (0.0, high):
        assert fit.raw_at(value) == pytest.approx((value - zero) / scale, abs=2)


def test_two_values_may_leave_several_readings_and_a_third_parts_them() -> None:
    """The byte order of a number that never wavers: two known values fit both ways."""
    content = [
        (value, [still(range(9)), number(4, "u16", "ABCD", lambda _now_s, raw=raw: raw)])
        for value, raw in ((0.0, 0x0312), (20.0, 0x1A07), (9.0, 0x0D55))
    ]
    found = [Level(value, film(each, times(0, 1, 5))) for value, each in content]
    assert len(fits_of(found[:2], rising=False)) > 1
    assert [fit.view for fit in fits_of(found)] == [View(place(4), "i16")]


def test_a_copy_in_another_register_is_left_to_the_person() -> None:
    found = []
    for value in (0.0, 15.0, 7.0):
        copies = [
            number(at, "i16", "ABCD", lambda _now_s, raw=raw: raw)
            for at, raw in ((4, 100 * value), (5, 40 * value + 400))
        ]
        found.append(Level(value, film([still(range(9)), *copies], times(0, 1, 5))))
    assert [fit.view.place for fit in fits_of(found, rising=True)] == [place(4), place(5)]
    assert [fit.view.place for fit in fits_of(found, {place(4)}, rising=True)] == [place(5)]


def test_what_does_not_follow_is_nothing() -> None:
    assert fits_of([Level(value, film([still(range(9))], times(0, 1, 5))) for value in (0.0, 10.0)]) == []


def test_signs_scales_and_noise_of_a_gauge_that_goes_below_zero() -> None:
    found = levels("i16", "ABCD", 0.01, 0.0, (0.0, 18.0, 9.0))
    (fit,) = fits_of(found, rising=True)
    assert isinstance(fit, Fit)
    assert (fit.view.type, fit.step) == ("i16", 1.0)
    assert 0.2 < fit.deviation < 0.7
    assert fit.ends[0][1] == 0.0
    assert fit.ends[1][1] == 18.0


def test_a_number_that_must_go_higher_than_its_sign_allows_is_unsigned_or_refused() -> None:
    (fit,) = fits_of(levels("u16", "ABCD", 0.001, 0.0, (0.0, 18.0, 6.7)), rising=True)
    assert (fit.view.type, fit.scale) == ("i16", pytest.approx(0.001, rel=0.01))
    assert reaching(fit, 30.0) == fit
    wider = reaching(fit, 60.0)
    assert wider is not None
    assert wider.view.type == "u16"
    assert reaching(fit, 70.0) is None


@pytest.mark.parametrize("order", ["CDAB", "ABCD", "DCBA", "BADC"])
def test_below_zero_a_number_stops_or_is_the_lower_half_of_one_with_a_sign(order: str) -> None:
    (fit,) = fits_of(levels("i32", order, 0.001, 0.0, (0.0, 18.0, 6.7)), rising=True)
    fit = reaching(fit, 60.0)  # type: ignore[assignment]
    assert fit.view.type == "u16"
    vacuum = levels("i32", order, 0.001, 0.0, (-0.7,))[0].film
    assert below_zero(fit, vacuum).view == View(place(7), "i32", order)  # type: ignore[arg-type, union-attr]
    assert below_zero(fit, levels("i32", order, 0.001, 0.0, (0.0,))[0].film) == fit
    alone = [Shot(0.0, dict.fromkeys(fit.view.places, 65278))] * 2
    assert below_zero(fit, alone) is None
