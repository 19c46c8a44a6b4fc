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


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what needs neither wire, disk nor browser as fast."""
    for item in items:
        folder = item.path.parent.name
        if (folder in _CORE or folder == "tests") and item.get_closest_marker("full") is None:
            item.add_marker(pytest.mark.fast)
