"""The arithmetic of the chart that learns, against published results and a dense solution of the same model.

Published: K. Konstantopoulos 2011, Research Synthesis Methods 2, 61: 56 studies in 11 districts, three levels with
known sampling variances. Data (dat.konstantopoulos2011 of the R package metadat), estimates by restricted likelihood
and predicted effects of districts and studies as W. Viechtbauer's package metafor checks them in its own tests
(test_analysis_example_konstantopoulos2011.r): a district takes the place of a make, a study that of a wheel.
"""

import math
import random

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import multivariate_normal

from rig.wheel import Learned, Measurement, Size, cavity_of, learned, read_size, spread_weights
from rig.wheel.learned import Info, Spreads, seen, tree_of, wheel_at

# district: (effect, sampling variance) of each study
STUDIES = {
    "11": ((-0.18, 0.118), (-0.22, 0.118), (0.23, 0.144), (-0.30, 0.144)),
    "12": ((0.13, 0.014), (-0.26, 0.014), (0.19, 0.015), (0.32, 0.024)),
    "18": ((0.45, 0.023), (0.38, 0.043), (0.29, 0.012)),
    "27": ((0.16, 0.020), (0.65, 0.004), (0.36, 0.004), (0.60, 0.007)),
    "56": ((0.08, 0.019), (0.04, 0.007), (0.19, 0.005), (-0.06, 0.004)),
    "58": ((-0.18, 0.020), (0.00, 0.018), (0.00, 0.019), (-0.28, 0.022), (-0.04, 0.020), (-0.30, 0.021),
           (0.07, 0.006), (0.00, 0.007), (0.05, 0.007), (-0.08, 0.007), (-0.09, 0.007)),
    "71": ((0.30, 0.015), (0.98, 0.011), (1.19, 0.010)),
    "86": ((-0.07, 0.001), (-0.05, 0.001), (-0.01, 0.001), (0.02, 0.001), (-0.03, 0.001), (0.00, 0.001),
           (0.01, 0.001), (-0.10, 0.001)),
    "91": ((0.50, 0.010), (0.66, 0.011), (0.20, 0.010), (0.00, 0.009), (0.05, 0.013), (0.07, 0.013)),
    "108": ((-0.52, 0.031), (0.70, 0.031), (-0.03, 0.030), (0.27, 0.030), (-0.34, 0.030)),
    "644": ((0.12, 0.087), (0.61, 0.082), (0.04, 0.067), (-0.05, 0.067)),
}  # fmt: skip
DISTRICTS = (-0.18998596, -0.08467077, 0.1407273, 0.24064814, -0.1072942, -0.23650899, 0.5342778, -0.2004695,
             0.05711692, -0.14168396, -0.01215679)  # fmt: skip
FIRST_STUDIES = (-0.03794675, 0.02098376, 0.07315932)
"""Predicted effects of the first study of the first three districts."""
NOTHING_KNOWN = 1e3
"""Standard deviation of the mean: what makes the density a restricted likelihood."""


def _studies() -> dict[str, dict[str, dict[str, Info]]]:
    return tree_of(
        ("", district, f"{district}-{number}", seen(effect, variance))
        for district, found in STUDIES.items()
        for number, (effect, variance) in enumerate(found)
    )


def test_spreads_and_mean_of_a_published_three_level_example() -> None:
    tree = _studies()

    def misfit(at: np.ndarray) -> float:
        return -wheel_at(tree, ("another", "one"), Spreads(abs(at[1]), abs(at[0]), 0.0, NOTHING_KNOWN))[0]

    found = minimize(misfit, [0.2, 0.2], method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-10}).x
    assert (found**2).tolist() == pytest.approx([0.06506194, 0.03273652], abs=2e-7)
    new = wheel_at(tree, ("another", "one"), Spreads(abs(found[1]), abs(found[0]), 0.0, NOTHING_KNOWN))[1]
    assert new.mean == pytest.approx(0.1847132, abs=2e-6)
    # A study of a new district: the mean's own variance, that of districts and that of studies.
    assert new.variance - (found**2).sum() == pytest.approx(0.08455592**2, rel=1e-4)


def test_predicted_effects_of_the_published_example() -> None:
    tree, spreads = _studies(), Spreads(math.sqrt(0.03273652), math.sqrt(0.06506194), 0.0, NOTHING_KNOWN)
    for district, effect in zip(STUDIES, DISTRICTS, strict=True):
        assert wheel_at(tree, (district, "a new study"), spreads)[1].mean == pytest.approx(0.1847132 + effect, abs=1e-6)
    for district, own, effect in zip(STUDIES, DISTRICTS, FIRST_STUDIES, strict=False):
        assert wheel_at(tree, (district, f"{district}-0"), spreads)[1].mean == pytest.approx(
            0.1847132 + own + effect, abs=1e-6
        )


def test_shops_and_the_shared_error_as_by_dense_matrices() -> None:
    """The same model as one normal distribution of all readings, with scipy's density and numpy's solver."""
    rng = random.Random(3)
    spreads = Spreads(0.01, 0.02, 0.03, 0.05)
    for _ in range(20):
        readings = [
            (rng.choice(("", "b", "c")), rng.choice("mn"), rng.choice("123"), rng.gauss(0, 0.06),
             rng.uniform(1e-4, 1e-3), rng.choice((0.0, 0.03)))
            for _ in range(rng.randint(1, 9))
        ]  # fmt: skip
        tree = tree_of((shop, make, wheel, seen(y, var, k)) for shop, make, wheel, y, var, k in readings)
        at, found = wheel_at(tree, ("m", "1"), spreads)
        names = [row[:3] for row in readings] + [("", "m", "1")]
        values = np.array([[_shared_variance(one, other, spreads) for other in names] for one in names])
        ys = np.array([row[3] for row in readings])
        method = np.array([row[5] for row in readings])
        seen_cov = values[:-1, :-1] + np.outer(method, method) + np.diag([row[4] for row in readings])
        weights = np.linalg.solve(seen_cov, values[:-1, -1])
        assert at == pytest.approx(multivariate_normal.logpdf(ys, np.zeros(len(ys)), seen_cov), abs=1e-8)
        assert found.mean == pytest.approx(weights @ ys, abs=1e-9)
        assert found.variance == pytest.approx(values[-1, -1] - weights @ values[:-1, -1], rel=1e-4)


def _shared_variance(one: tuple[str, str, str], other: tuple[str, str, str], spreads: Spreads) -> float:
    """Covariance of two wheels' values: what they have in common."""
    common = spreads.size**2
    if one[0] == other[0]:
        common += spreads.shop**2 if one[0] else 0.0
        if one[1] == other[1]:
            common += spreads.make**2 + (spreads.wheel**2 if one[2] == other[2] else 0.0)
    return common


# --- what the answer promises ---------------------------------------------------------------------------------------


def _to_the_valve(litres: float, number: int, make: str = "", shop: str = "") -> Measurement:
    return Measurement(litres, 0.02 * litres, 0.0, f"wheel {number}", make, shop)


def _learned(found: list[Measurement], make: str = "", wheel: str = "") -> Learned | None:
    return learned(Size(330.0, 0.06, tuple(found)), make, wheel)


def test_the_band_narrows_with_wheels_and_stays_wider_than_their_spread() -> None:
    found = [_learned([_to_the_valve(340.0, each) for each in range(count)]) for count in (1, 3, 12, 60)]
    widths = [each.high_l - each.low_l for each in found if each is not None]
    assert len(widths) == 4
    assert widths == sorted(widths, reverse=True)
    assert widths[0] < 2 * 0.06 * 330
    # Another wheel of the kind still differs from the mean of sixty.
    assert widths[-1] > 2 * 0.005 * 330
    assert _learned([]) is None


def test_one_wheel_measured_often_counts_as_one() -> None:
    often = _learned([_to_the_valve(340.0, 1) for _ in range(10)])
    many = _learned([_to_the_valve(340.0, each) for each in range(10)])
    assert often is not None
    assert many is not None
    assert (often.wheels, many.wheels) == (1, 10)
    assert often.high_l - often.low_l > 1.2 * (many.high_l - many.low_l)


def test_the_shared_error_does_not_average_out() -> None:
    by_air = [Measurement(350.0, 5.0, 22.0, f"wheel {each}") for each in range(40)]
    alone = _learned(by_air)
    with_level = _learned([*by_air, *(_to_the_valve(332.0, each) for each in range(6))])
    assert alone is not None
    assert with_level is not None
    assert alone.high_l - alone.low_l > 0.05 * 330
    assert with_level.litres == pytest.approx(332.0, rel=0.005)
    assert with_level.high_l - with_level.low_l < 0.6 * (alone.high_l - alone.low_l)


def test_a_make_of_its_own_goes_by_its_wheels() -> None:
    tall = [_to_the_valve(342.0, each, "north r-1") for each in range(6)]
    low = [_to_the_valve(326.0, each + 10, "south r-1w") for each in range(6)]
    answers = [_learned([*tall, *low], make) for make in ("north r-1", "", "south r-1w")]
    north, nobody, south = (each.litres for each in answers if each is not None)
    assert south < nobody < north
    assert north > 338
    widths = [each.high_l - each.low_l for each in answers if each is not None]
    assert widths[1] > widths[0]


def test_a_wheel_that_was_measured_itself_is_known_best() -> None:
    found = [_to_the_valve(litres, each, "north r-1") for each, litres in enumerate((333.0, 334.0, 335.0, 341.0))]
    other = _learned(found, "north r-1")
    own = _learned(found, wheel="wheel 3")
    assert other is not None
    assert own is not None
    assert own.litres > other.litres
    assert own.high_l - own.low_l < other.high_l - other.low_l


def test_other_sizes_show_how_far_wheels_spread() -> None:
    own = Size(330.0, 0.06, tuple(_to_the_valve(335.0 + each, each) for each in range(3)))

    def width(spread: float) -> float:
        rng = random.Random(7)
        others = [
            Size(200.0, 0.06, tuple(_to_the_valve(200.0 * math.exp(rng.gauss(0.0, spread)), each) for each in range(4)))
            for _ in range(12)
        ]
        found = learned(own, weights=spread_weights(others))
        assert found is not None
        return found.high_l - found.low_l

    assert width(0.012) < 0.7 * width(0.04)
    alone = learned(own)
    assert alone is not None
    assert learned(own, weights=spread_weights(())) == alone


def test_other_shops_weigh_less_than_the_own() -> None:
    own = [_to_the_valve(335.0, each) for each in range(4)]
    theirs = [_to_the_valve(350.0, each, shop="a far shop") for each in range(4)]
    both = _learned([*own, *theirs])
    swapped = _learned(theirs)
    assert both is not None
    assert swapped is not None
    assert both.litres < 342
    assert swapped.high_l - swapped.low_l > 0.05 * 330
    # A thousand of one other shop do not outvote what its shop may be off by.
    crowd = [_to_the_valve(350.0, each, shop="a far shop") for each in range(300)]
    crowded = _learned([*own, *crowd])
    assert crowded is not None
    assert crowded.litres < 342


def test_a_learned_cavity_follows_measured_lengths_and_a_taught_wheel_goes_before_it() -> None:
    size = read_size("16.9-28")
    table = cavity_of(size)
    found = learned(
        Size(table.volume_l, table.band, tuple(_to_the_valve(1.03 * table.volume_l, each) for each in range(8)))
    )
    assert found is not None
    cavity = cavity_of(size, learned=found)
    assert cavity.basis == "measured wheels"
    assert cavity.volume_l == pytest.approx(1.03 * table.volume_l, rel=0.005)
    assert cavity.band < table.band
    assert any("8 wheels of this size" in note for note in cavity.notes)
    assert cavity_of(size, taught_l=331.0, learned=found).basis == "taught"
