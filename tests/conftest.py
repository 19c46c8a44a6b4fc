"""What every test may use."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import Phase, settings

from sim.compiled import is_compiled, restore_field_types

# Hundreds of processes of the program are started: where the environment forbids bytecode, each would compile anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

if is_compiled():
    # Before any reader is made from the types of fields.
    restore_field_types()

# Helpers beside the tests (virtual_fills and others) are imported by name.
sys.path[:0] = [str(Path(__file__).parent / name) for name in ("", "wire", "run", "panel", "field", "commission")]

# A busy machine is no failure: examples are bounded in number, not in time. The explain phase traces every line of
# every example while nothing fails yet, which makes a long stateful test several times slower.
PHASES = [each for each in Phase if each is not Phase.explain]
settings.register_profile("rig", deadline=None, phases=PHASES, max_examples=40)
settings.register_profile("thorough", settings.get_profile("rig"), max_examples=200)
settings.load_profile("rig")

_CORE = ("control", "fluid", "meter", "plan", "wheel")
_WHOLE_FILLS = ("test_fills.py", "test_guards.py")
"""Of the core's tests those that run many whole fills in virtual time."""


@pytest.fixture
def in_chicago(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The rig's computer is where the evening is already the next day in UTC."""
    monkeypatch.setenv("TZ", "America/Chicago")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what needs neither wire, disk nor browser as fast."""
    for item in items:
        core = item.path.parent.name in (*_CORE, "tests") and item.path.name not in _WHOLE_FILLS
        if core and not any(item.get_closest_marker(name) for name in ("full", "release")):
            item.add_marker(pytest.mark.fast)
