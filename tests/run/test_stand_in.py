"""The simulated person of a simulated rig: found where a simulator is installed, asked for where it is missing."""

from __future__ import annotations

import pytest
from virtual_fills import rig_settings

from rig.run import stand_in
from rig.run.settings import SettingsError


def test_the_simulator_brings_it() -> None:
    found = stand_in.stand_in_of(rig_settings())
    assert found is not None
    assert found.moves("confirm", "valve_open") == {"hand_gun_on": True, "hand_valve_open": True}
    assert found.moves("start", "") == {}


def test_where_it_is_missing_a_rig_with_points_for_it_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """A stale installation left fills waiting for hands that never came."""
    monkeypatch.setattr(stand_in, "_GROUP", "nobody")
    with pytest.raises(SettingsError, match="install the program again"):
        stand_in.stand_in_of(rig_settings())
