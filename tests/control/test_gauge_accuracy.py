"""The configured accuracy of a gauge: read, converted, and used, so that a coarse gauge stops no sound fill."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import islice

import pytest
from virtual_fills import fill_of, rig_settings

from rig.control.words.procedure import State
from rig.control.words.values import USUAL_U_KPA
from rig.run.assembly import Question
from rig.run.settings import SettingsError

GAUGE = {"link": "io", "table": "input", "address": 2, "type": "i16", "quantity": "psi"}
SCALED = {**GAUGE, "scale": 0.01, "low": -17, "high": 60}
PSI_KPA = 6.894757
"""NIST SP 811."""


def u_kpa(**point: object) -> float:
    settings = rig_settings(points__line_pressure=point)
    return fill_of(settings, Question("11L-15")).setup.line_gauge.u_kpa


def test_a_share_is_of_the_range_and_a_number_is_in_the_quantity() -> None:
    of_range = u_kpa(**GAUGE, at=[4000, 20000], span=[0, 60], accuracy="0.5 %")
    assert of_range == pytest.approx(0.3 * PSI_KPA, rel=1e-6)
    assert u_kpa(**{**SCALED, "low": -15, "high": 85}, accuracy="1%") == pytest.approx(1.0 * PSI_KPA, rel=1e-6)
    assert u_kpa(**SCALED, accuracy=0.2) == pytest.approx(0.2 * PSI_KPA, rel=1e-6)
    assert u_kpa(**SCALED) == USUAL_U_KPA


def test_zero_error_and_resolution_add_in_quadrature() -> None:
    """A step is a rectangular distribution: twice its width over the root of 12 at 95 % (JCGM 100:2008, 4.3.7)."""
    found = u_kpa(**SCALED, accuracy=0.3, zero_error=0.4, resolution=0.5)
    assert found == pytest.approx(math.hypot(0.5, 2 * 0.5 / math.sqrt(12)) * PSI_KPA, rel=1e-6)


@pytest.mark.parametrize(
    ("keys", "said"),
    [({"accuracy": "0.5"}, "write a number in the point's quantity, or a share of its range"),
     ({"accuracy": "0.5 %", "high": None}, "give low and high, or a number of psi"),
     ({"accuracy": 0}, "no instrument is without error"), ({"zero_error": -0.1}, "no instrument is without error"),
     ({"resolution": 0}, "resolution"), ({"lag": "2 s"}, "lag")],
)  # fmt: skip
def test_what_cannot_be_meant_is_refused_with_words(keys: dict[str, object], said: str) -> None:
    point = {key: value for key, value in {**SCALED, **keys}.items() if value is not None}
    with pytest.raises(SettingsError, match=said):
        rig_settings(points__line_pressure=point)


def test_only_a_pressure_has_an_accuracy_here() -> None:
    level = {"link": "io", "table": "input", "address": 3, "type": "u16", "quantity": "L", "accuracy": 5}
    with pytest.raises(SettingsError, match=r"tote_level: only a pressure has accuracy.*meter\.beside"):
        rig_settings(points__tote_level=level)


def held(accuracy_psi: float | None, sigma_kpa: float, layout: str) -> Iterator[tuple[str, int]]:
    """Sound fills that do not complete, of twelve: a gauge of this error on two sizes."""
    point = SCALED if accuracy_psi is None else {**SCALED, "accuracy": accuracy_psi}
    for seed in range(1, 7):
        for size in ("16.9-28", "11L-15"):
            settings = rig_settings(
                layout, sim__gauge_error=f"{sigma_kpa} kPa", sim__seed=seed, points__line_pressure=point
            )
            if fill_of(settings, Question(size)).run().state.state is not State.COMPLETE:
                yield size, seed


@pytest.mark.release
@pytest.mark.parametrize(("layout", "some"), [("vent", 1), ("draw-down", 2)])
def test_a_coarse_gauge_that_is_stated_stops_hardly_a_sound_fill(layout: str, some: int) -> None:
    """Two per cent of 60 psi at 95 %: taken for a usual gauge, it stops some of them; stated, at most one."""
    assert len(list(islice(held(None, 4.0, layout), some))) == some
    assert len(list(held(1.2, 4.0, layout))) <= 1


def test_a_slow_gauge_is_waited_for() -> None:
    slow = fill_of(
        rig_settings(sim__sensor_lag="1 s", points__line_pressure={**SCALED, "lag": "1 s"}), Question("11L-15")
    )
    usual = fill_of(rig_settings(), Question("11L-15"))
    # Within 2 % after four time constants (e to the minus fourth is 0.018).
    assert slow.setup.blank_s - usual.setup.blank_s == pytest.approx(4 * 0.7)
    assert slow.run().state.state is State.COMPLETE
