"""What every command of the terminal shares: the exit statuses, where a rig keeps its files, how a command is added."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

OK, USAGE, REFUSED, ENDED_EARLY, UNREACHABLE = 0, 2, 3, 4, 5
WORKS_THE_PUMP = frozenset({"resume", "close", "fill", "loaded", "empty", "rinse", "prove", "serve"})
"""Commands that switch outputs: where a fill was interrupted they write every output off before anything else."""
DATA = Path("rig-data")
DEMO_CONFIG = DATA / "rig.toml"

Add = Callable[[str, Callable[[argparse.Namespace], int]], argparse.ArgumentParser]
"""Adds one command to the command line: its name, and what runs it."""
