"""Processor time of a command from its start to its end, relative to a bare interpreter's in the same run."""

from __future__ import annotations

import resource
import subprocess
import sys
from statistics import median
from typing import TYPE_CHECKING

from sim.bench_wires import Ratio

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

_STARTS = 9
_COMMANDS = (("--help",), ("target", "16.9-28"))
_AIM = 12.0
"""0.35 s where a bare interpreter takes 0.03 s."""


def starts() -> Iterator[Ratio]:
    """A ratio for each command; both kinds of process take turns, so that a busy machine slows both."""
    for words in _COMMANDS:
        pairs = [(_cpu_s(["-c", "pass"]), _cpu_s(["-m", "rig.cli", *words])) for _ in range(_STARTS)]
        bare_s, command_s = (median(each) for each in zip(*pairs, strict=True))
        detail = f"{command_s:.3f} s of processor time, a bare interpreter {bare_s:.3f} s, medians of {_STARTS}"
        yield Ratio(f"start of rig {words[0]}", command_s / bare_s, f"<= {_AIM:g}", detail)


def _cpu_s(arguments: Sequence[str]) -> float:
    """User and system seconds of one process from start to end."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *arguments], stdout=subprocess.DEVNULL, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
