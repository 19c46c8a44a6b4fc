"""``python tests/proof/find_seeds.py SEEDS`` looks for the first seed that finds each planted defect and prints it."""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Sequence

import pytest
from defects import DEFECTS, Defect, sound, traits


def find(defect: Defect, seeds: Sequence[int], most_runs: int = 30) -> tuple[int, str, int] | None:
    """The first seed with a breach under the defect, the breach's name, and how many fills it took."""
    from sim.campaign import run_case
    from sim.scenarios import AS_THEN, Case, drawn

    runs = 0
    with pytest.MonkeyPatch.context() as patch:
        for seed in seeds:
            case = Case(seed, (*AS_THEN, *defect.dropped))
            names = traits(drawn(case))
            if defect.needs and not names & set(defect.needs):
                continue
            runs += 1
            defect.plant(patch)
            found = run_case(case)
            patch.undo()
            if found.breaches and sound(case):
                return seed, found.breaches[0].name, runs
            if runs >= most_runs:
                return None
    return None


def _table(most: int, only: str) -> None:
    took = []
    for defect in DEFECTS:
        if only not in defect.name:
            continue
        began_s = time.process_time()
        found = find(defect, range(1, most + 1))
        print(f"{defect.name:<50} {found} {time.process_time() - began_s:.1f} s", flush=True)
        if found:
            took.append(found[0])
    print(f"{len(took)} of {len(DEFECTS)} found; seeds to find: median {statistics.median(took)}, worst {max(took)}")


if __name__ == "__main__":
    _table(int(sys.argv[1]) if len(sys.argv) > 1 else 300, sys.argv[2] if len(sys.argv) > 2 else "")
