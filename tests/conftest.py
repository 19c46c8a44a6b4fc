"""What every test may use."""

from __future__ import annotations

import sys
from pathlib import Path

# Helpers beside the tests (virtual_fills and others) are imported by name.
sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parent / "wire")]
