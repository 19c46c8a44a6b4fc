"""A meter's count is found from films of a turned rotor, whatever its place, width, order and channels; or it is said
what is missing."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from drawn import ORDERS, Content, film, number, place, still, times, wavering
from hypothesis import given
from hypothesis import strategies as st

from rig.commission.counting import MORE, NOTHING, SEVERAL, SWAPPED, Act, Meter, Unclear, meter_of
from rig.commission.wires import View

SHOTS = 40


def ramp(rest: int, forward: int, back: int) -> Callable[[float], float]:
    """A count: at rest until 10 s, forward until 20 s, at rest until 30 s, then back until 40 s."""

    def at(now_s: float) -> float:
        ahead = min(max((now_s - 10) / 9, 0.0), 1.0)
        returned = min(max((now_s - 30) / 9, 0.0), 1.0)
        return rest + round(forward * ahead) + round(back * returned)

    return at


def acts(*contents: Content, shots: int = SHOTS) -> list[Act]:
    return [
        Act("rest", film(contents, times(0, 9, shots))),
        Act("forward", film(contents, times(10, 20, shots))),
        Act("back", film(contents, times(30, 40, shots))),
    ]


@given(
    kind=st.sampled_from(["u16", "u32"]), order=st.sampled_from(ORDERS), address=st.integers(4, 30),
    begins=st.integers(0, 2**32 - 1), pulses=st.integers(20, 3000), returns=st.integers(20, 3000),
    reverse=st.sampled_from(["signed", "unsigned", "none"]), seed=st.integers(0, 99),
)  # fmt: skip
def test_a_drawn_count_is_found_as_it_is_or_as_its_own_low_word(
    kind: str, order: str, address: int, begins: int, pulses: int, returns: int, reverse: str, seed: int
) -> None:
    rng = random.Random(seed)
    back = {"signed": -returns, "unsigned": returns, "none": 0}[reverse]
    others = [still(range(40), rng.randrange(65536)), wavering(address - 2, rng, 700)]
    found = meter_of(acts(*others, number(address, kind, order, ramp(begins, pulses, back))))
    assert isinstance(found, Meter), found
    assert (found.reverse, found.second) == (reverse, None)
    assert (found.count.forward, found.count.back) == (pulses, back)
    order = order if kind == "u32" else "BADC" if order in ("BADC", "DCBA") else "ABCD"
    truth, view = View(place(address), kind, order), found.count.view  # type: ignore[arg-type]
    if view != truth:
        # Its high word stood: the low word alone counts alike, and the whole is named as possible.
        assert view.bits == 16
        assert truth in found.count.wider
    elif kind == "u16" and found.count.wider:
        # A neighbour that stands may be the high word: that is said, not decided.
        assert all(view.place in each.places for each in found.count.wider)


def test_a_count_that_goes_back_past_zero_tells_its_width() -> None:
    for kind, other in (("u32", "u16"), ("u16", "u32")):
        found = meter_of(acts(still(range(20)), number(6, kind, "CDAB", ramp(5, 30, -200))))
        assert isinstance(found, Meter)
        assert (found.count.view.type, found.count.wider) == (kind, ()), other


def test_a_register_alone_has_no_wider_reading() -> None:
    found = meter_of(acts(number(6, "u16", "ABCD", ramp(5, 300, 200))))
    assert isinstance(found, Meter)
    assert (found.count.wider, found.reverse) == ((), "unsigned")


def test_a_pair_of_one_way_counts_is_a_meter_with_a_second_channel_whichever_comes_first() -> None:
    for forward_at, back_at in ((4, 8), (8, 4), (4, 5), (5, 4)):
        found = meter_of(acts(
            still(range(20)), number(forward_at, "u16", "ABCD", ramp(65500, 90, 0)),
            number(back_at, "u16", "ABCD", ramp(3, 0, 80)),
        ))  # fmt: skip
        assert isinstance(found, Meter), found
        assert found.second is not None
        assert (found.count.view.place, found.second.view.place) == (place(forward_at), place(back_at))
        assert found.reverse == "signed"


def test_a_swapped_pair_is_told_and_not_configured() -> None:
    found = meter_of(acts(still(range(9)), number(4, "u32", "ABCD", ramp(90000, -50, 40))))
    assert found == Unclear(SWAPPED)


def test_what_stands_wavers_or_comes_back_by_itself_is_no_count() -> None:
    rate: Callable[[float], float] = lambda now_s: 400 if 12 < now_s < 17 or 32 < now_s < 37 else 0  # noqa: E731
    found = meter_of(acts(still(range(9)), wavering(2, random.Random(1), 300), number(5, "u16", "ABCD", rate)))
    assert found == Unclear(NOTHING)


def test_two_looks_are_not_enough_to_tell_an_order() -> None:
    content = [still(range(9)), number(4, "u16", "ABCD", ramp(0, 256, 0))]
    assert meter_of(acts(*content, shots=2)) == Unclear(MORE)
    # The same number of pulses, seen on its way.
    assert isinstance(meter_of(acts(*content)), Meter)


def test_two_registers_that_count_alike_are_left_to_the_person() -> None:
    counts = [number(at, "u16", "ABCD", ramp(10, 100, -100)) for at in (3, 7)]
    found = meter_of(acts(still(range(9)), *counts))
    assert isinstance(found, Unclear)
    assert found.why == SEVERAL
    assert [each.view.place for each in found.counters] == [place(3), place(7)]
    # A place that is known to be something else is left out.
    assert isinstance(meter_of(acts(still(range(9)), *counts), {place(7)}), Meter)


@pytest.mark.parametrize("shots", [4, 8])
def test_coarse_films_are_right_or_unsure(shots: int) -> None:
    """A slow bus sees a few numbers only: then it is right, or wants more, and never another order."""
    rng = random.Random(shots)
    for _ in range(200):
        order, begins, pulses = rng.choice(ORDERS), rng.randrange(2**32), rng.randint(3, 4000)
        found = meter_of(acts(still(range(9)), number(2, "u32", order, ramp(begins, pulses, -pulses)), shots=shots))
        if isinstance(found, Meter):
            truth = View(place(2), "u32", order)  # type: ignore[arg-type]
            assert truth in (found.count.view, *found.count.wider)
        else:
            assert found.why == MORE
