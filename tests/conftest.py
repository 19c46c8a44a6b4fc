"""What every test may use."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from hypothesis import settings

# Helpers beside the tests (virtual_fills and others) are imported by name.
sys.path[:0] = [str(Path(__file__).parent / name) for name in ("", "wire", "run", "panel", "field")]

# A busy machine is no failure: examples are bounded in number, not in time.
settings.register_profile("rig", deadline=None)
settings.load_profile("rig")

_CORE = ("control", "fluid", "meter", "plan", "wheel")
_WHOLE_FILLS = ("test_fills.py", "test_guards.py")
"""Of the core's tests those that run many whole fills in virtual time."""


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what needs neither wire, disk nor browser as fast."""
    for item in items:
        core = item.path.parent.name in (*_CORE, "tests") and item.path.name not in _WHOLE_FILLS
        if core and item.get_closest_marker("full") is None:
            item.add_marker(pytest.mark.fast)
