"""What a liquid that gives off vapour did to the account of the air."""

from __future__ import annotations

import pytest

from sim.campaign import judged
from sim.scenarios import Case, drawn

# Whole fills in virtual time: CI runs them on compiled code.
pytestmark = pytest.mark.full


def test_vapour_of_the_liquid_is_no_smaller_cavity() -> None:
    """Found by CI on a fast machine: methanol's vapour, 5 kPa, was taken for a rise, and a peak of 126 for 100 kPa."""
    others = ("fault1", "fault2", "crash", "person", "gauge", "heat", "losses", "slip", "viscosity", "vortex", "air")
    ran = judged(drawn(Case(72, (*others, "travel", "stall"), wide=True)))
    assert (ran.outcome, ran.breaches) == ("complete", ())
