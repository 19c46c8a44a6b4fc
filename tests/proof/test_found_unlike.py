"""Sound rigs, wheels and plants unlike the demonstration's that draws of some 2,000 stopped, completed since.

All properties of the plant but a meter that slips or sees air otherwise than configured, a tote that draws air, and a
meter whose factor depends on the liquid. Simulated.
"""

from __future__ import annotations

import pytest

from sim.campaign import run_case
from sim.scenarios import Case

# Whole fills in virtual time: CI runs them on compiled code.
pytestmark = pytest.mark.full

SOUND = frozenset({"fault1", "fault2", "crash", "person", "order", "slip", "vortex", "air", "viscosity"})
FOUND = {
    9750024: "a gauge of 2 % left the cavity as wide as its size gives it, and no stroke was allowed any rise",
    9750041: "a litre that a coasting pump draws is too much for 29 L, and air in the hose pushed liquid back",
    9751027: "a reverse went on while the clock stood still, and the judge took that for a restarted counter",
    9751047: "a loss that no rest had measured yet made the pump's run time contradict the meter",
    9751079: "next to the ceiling every stroke brought next to nothing, and no air was let out",
    9751119: "a long vent was doubled because the short one before it had shown nothing",
    9751153: "a stroke that filled the hose with liquid again passed for one without progress",
    9751202: "the first alcohol in a warm, dry tyre gave its vapour: restless",
    9752046: "a fill ended short with a hose half full of air: the insert's seat could not be shown",
    9752205: "a gauge lags while air is compressed: 0.5 L missing after eight draws, 0.15 stated",
    9753136: "a look that was too inaccurate was tried again and again",
    9754069: "liquid was drawn off the hose as the draw ended, and taken for the tyre's",
    9754191: "air left in the hose kept 19 kPa behind a seated insert",
    9754224: "a strainer's loss passed for a narrow bore's: the first vent was twice too long",
    9756013: "four scans of a noisy gauge, one of many windows, passed for a leak: restless",
    9756101: "air that came with liquid near the level was left in the hose, and pushed liquid back",
    9756188: "the loss of thick liquid was still dropping off the gauge: restless",
    9756283: "the gauge lagged as the pump of a small tyre stopped: flow while stopped",
    9757029: "a hose that filled as the pump coasted added its column to the gauge: flow while stopped",
    9757079: "a draw that would fall too far ended before the pump had started, again and again",
    9910123: "vents over before their valve had moved passed for one that lets nothing out",
    9910172: "the air of a long hose took all the room of a wheel a little smaller than its size: no progress",
    9910195: "a vent aimed at a goal that a gauge of 2 % does not show: pressure low",
    9911197: "a long hose that still stretched made the first loss of a slow pump too small: estimates disagree",
    9910197: "no rise of less than four uncertainties of a gauge of 2 % measured anything of the cavity",
}
LONG = {9910172, 9751153, 9757029, 9754069, 9757079}
"""These take most of the time, and are left for a release."""


@pytest.mark.parametrize(
    "seed", [pytest.param(seed, id=why, marks=[pytest.mark.release] * (seed in LONG)) for seed, why in FOUND.items()]
)
def test_a_sound_rig_unlike_the_demonstration_s_is_filled(seed: int) -> None:
    ran = run_case(Case(seed, dropped=SOUND, wide=True))
    assert (ran.outcome, ran.first_out, ran.breaches) == ("complete", None, ())


@pytest.mark.release
@pytest.mark.xfail(
    strict=True,
    reason="4 L short: a gauge of 7.8 kPa says less of the cavity than was taken, so the fill ends two strokes earlier",
)
def test_a_hose_too_long_for_its_tyre_ends_the_fill_short_and_is_not_emptied_for_hours() -> None:
    """2.7 L behind a tyre with 17 L of room between 8 and 15 psi: its air takes all of it, 2 L before the target."""
    ran = run_case(Case(9759283, dropped=SOUND, wide=True))
    assert (ran.outcome, ran.first_out, ran.breaches) == ("complete", None, ())
    assert ran.account is not None
    assert 1.5 < ran.account.target_l - ran.account.true_l < 2.5
    assert ran.virtual_s < 7200


@pytest.mark.release
def test_coarse_pulses_of_a_slow_pump_do_not_end_its_strokes() -> None:
    """20 pulses a litre at 0.1 L/s: the second that the flow is taken over holds one pulse or two."""
    ran = run_case(Case(9752000, dropped=SOUND, wide=True))
    assert (ran.outcome, ran.first_out, ran.breaches) == ("complete", None, ())


@pytest.mark.parametrize("thermal", [False, True])
def test_the_gun_comes_off_first_below_the_level_that_the_strokes_have_measured(thermal: bool) -> None:
    """Wheels smaller than their size: the target would cover the open valve through which the tyre is let down."""
    ran = run_case(Case(9760050 if thermal else 9846128, dropped=SOUND - {"order"}, thermal=thermal))
    assert (ran.outcome, ran.first_out, ran.breaches) == ("complete", None, ())
