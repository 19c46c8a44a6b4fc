"""Common parts of all commands: the exit statuses, a rig's default paths, how a command is added."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

OK, USAGE, REFUSED, ENDED_EARLY, UNREACHABLE = 0, 2, 3, 4, 5
WORKS_THE_PUMP = frozenset({"resume", "close", "fill", "loaded", "empty", "rinse", "prove", "serve"})
"""Commands that switch outputs: if a fill was interrupted, they first write every output off."""
DATA = Path("rig-data")
DEMO_CONFIG = DATA / "rig.toml"

Add = Callable[[str, Callable[[argparse.Namespace], int]], argparse.ArgumentParser]
"""Adds one command to the command line: its name, and the function that runs it."""


def port_number(text: str) -> int:
    """The port of an option; argparse.ArgumentTypeError for anything else."""
    if not text.isdecimal() or not (port := int(text)) <= 65535:
        raise argparse.ArgumentTypeError(f"{text}: a port is 0 to 65535; write for example 8080")
    return port
