"""What every test may use."""

from __future__ import annotations

import sys
from pathlib import Path

from hypothesis import settings

# Helpers beside the tests (virtual_fills and others) are imported by name.
sys.path[:0] = [str(Path(__file__).parent / name) for name in ("", "wire", "run", "panel", "field")]

# A busy machine is no failure: examples are bounded in number, not in time.
settings.register_profile("rig", deadline=None)
settings.load_profile("rig")
