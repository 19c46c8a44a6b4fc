"""The benchmark: ``python -m sim bench``. Every figure is a ratio within one run, or a share of a limit."""

from __future__ import annotations

import json
import platform
import sys
from dataclasses import asdict
from typing import TYPE_CHECKING

from sim.bench_fills import fills
from sim.bench_start import starts
from sim.bench_wires import Ratio, rtu, tcp

if TYPE_CHECKING:
    from collections.abc import Iterator

_BAUDS = (19200, 115200)


def figures(count: int, seed: int) -> Iterator[Ratio]:
    """All figures, the quick ones first; ``count`` is the number of fills, 0 for none."""
    yield tcp()
    for baud in _BAUDS:
        yield rtu(baud)
    if count:
        yield from fills(count, seed)


def bench(count: int, seed: int, *, start: bool, as_json: bool) -> int:
    """Print the figures as they are measured, or those of the ``start`` of commands alone; returns the exit status."""
    print(f"{platform.machine()}, Python {platform.python_version()}, seed {seed}", file=sys.stderr, flush=True)
    found = []
    for figure in starts() if start else figures(count, seed):
        found.append(figure)
        if not as_json:
            print(f"{figure.value:8.3f}  aim {figure.aim:<9} {figure.name}  ({figure.detail})", flush=True)
    if as_json:
        print(json.dumps([asdict(figure) for figure in found]))
    return 0
