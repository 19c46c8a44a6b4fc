"""What a hose whose content was one number, and a reverse of one length, did to small tyres and to failed meters."""

from __future__ import annotations

import pytest

from sim.campaign import judged
from sim.scenarios import Case, drawn

# Whole fills in virtual time: CI runs them on compiled code.
pytestmark = pytest.mark.full


@pytest.mark.parametrize("seed", [1001238, 1000700])
def test_a_sound_fill_of_a_small_tyre_completes_with_its_pressure(seed: int) -> None:
    """The first was reversed to -16 kPa and tripped by its own coast; a pulse of the second is 1.4 kPa."""
    ran = judged(drawn(Case(seed)))
    assert (ran.outcome, ran.breaches) == ("complete", ())


@pytest.mark.parametrize("seed", [1000901, 1001251])
def test_a_hose_in_doubt_gives_no_sure_pressure(seed: int) -> None:
    """A dead meter, and a gun that came off: the pressure left was recorded 4 and 8 kPa off."""
    assert judged(drawn(Case(seed))).breaches == ()


def test_without_a_gauge_the_pressure_left_is_as_uncertain_as_the_litres_since_the_last_rest() -> None:
    """By the run time of a pump that had become slow, with a gauge that stuck: 66 to 99 kPa recorded, truly 59."""
    assert judged(drawn(Case(5, ("wheel", "fault2")))).breaches == ()


def test_the_column_in_a_hose_of_uncertain_content_is_in_the_bounds_of_the_pressure_left() -> None:
    assert judged(drawn(Case(3000023, thermal=True))).breaches == ()
